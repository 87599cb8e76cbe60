//! Proof on the wire that nothing but reads leaves: everything sent is captured, whatever the device does.

use std::time::Duration;

use poller::modbus::{Client, Framing, ReadRequest, Table, Timeouts};

use crate::peer::{Act, Peer, Request};

/// What a misbehaving device does about one request, in turn.
fn misbehave(r: &Request) -> Vec<Act> {
    let answer = r.answer(0);
    match r.number % 12 {
        0 => vec![Act::Send(r.refuse(2))],
        1 => vec![Act::Send(answer[..answer.len() / 2].to_vec()), Act::Close],
        2 => vec![Act::Close],
        3 => vec![],
        4 => vec![Act::Send(vec![0xFF; 300])],
        5 => vec![Act::Send(r.frame(&[r.function, 0]))],
        6 => vec![Act::Send(r.frame_as([0x77, 0x77], 99, &[6, 0, 1, 0, 1]))],
        7 => vec![Act::Send([answer.clone(), answer].concat())],
        // what an answer to a write looks like
        8 => vec![Act::Send(r.frame(&[16, 0, 1, 0, 1]))],
        9 => vec![Act::Send(r.refuse(11))],
        _ => vec![Act::Send(answer)],
    }
}

/// A day of polls every ten seconds is 8,640 requests.
const REQUESTS: usize = 8_640;

#[tokio::test]
async fn only_function_codes_1_to_4_ever_leave() {
    for framing in [Framing::Tcp, Framing::RtuOverTcp] {
        let peer = Peer::start(framing, misbehave).await;
        let timeouts = Timeouts {
            connect: Duration::from_secs(5),
            // the only waits of this test are for the one silence in twelve
            response: Duration::from_millis(4),
            quiet: Duration::ZERO,
        };
        let mut client = Client::new(peer.address.clone(), timeouts);
        let mut answered = 0;
        for i in 0..REQUESTS / 2 {
            let table = Table::ALL[i % 4];
            let count = 1 + u16::try_from(i % 120).unwrap();
            let unit = u8::try_from(i % 248).unwrap();
            let request = ReadRequest::new(table, u16::try_from(i).unwrap(), count).unwrap();
            answered += usize::from(client.read(unit, request).await.is_ok());
        }
        assert!(answered > 20, "{answered} answered");
        let frame = if framing == Framing::Tcp { 12 } else { 8 };
        let function = frame - if framing == Framing::Tcp { 5 } else { 7 };
        let mut seen = [0usize; 256];
        for connection in peer.bytes() {
            assert_eq!(connection.len() % frame, 0, "whole requests only");
            for request in connection.chunks(frame) {
                seen[usize::from(request[function])] += 1;
            }
        }
        for (code, times) in seen.iter().enumerate() {
            assert_eq!(*times > 0, (1..=4).contains(&code), "function {code} left {times} times");
        }
    }
}
