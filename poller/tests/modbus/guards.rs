//! Each thing that devices, and the client library, were seen to get wrong, and that the client does not fall for.

use std::sync::Arc;
use std::time::Duration;

use poller::modbus::{
    Client, Data, ErrorKind, Exception, Framing, ModbusError, ReadRequest, Table, Timeouts,
};
use tokio::net::TcpListener;
use tokio::sync::Notify;

use crate::peer::{Act, Peer, Request, until};

const BOTH: [Framing; 2] = [Framing::Tcp, Framing::RtuOverTcp];

/// Short, so that tests of silence are quick; long enough for a busy machine to answer on loopback.
fn short() -> Timeouts {
    Timeouts {
        connect: Duration::from_secs(5),
        response: Duration::from_millis(400),
        quiet: Duration::from_millis(50),
    }
}

/// For tests in which only a right decision, not a time-out, may end a call.
fn patient() -> Timeouts {
    Timeouts { response: Duration::from_secs(60), ..short() }
}

fn holding(address: u16, count: u16) -> ReadRequest {
    ReadRequest::new(Table::Holding, address, count).unwrap()
}

fn registers(from: u16, count: u16) -> Data {
    Data::Registers((from..from + count).collect())
}

/// A device that answers its first request as `first` says, and every later one rightly.
async fn wrong_once(framing: Framing, first: impl Fn(&Request) -> Vec<Act> + Send + Sync + 'static) -> Peer {
    Peer::start(framing, move |r| if r.number == 0 { first(r) } else { vec![Act::Send(r.answer(0))] }).await
}

/// The first call must fail in this way, and the next must succeed on a new connection.
async fn fails_once(
    framing: Framing,
    kind: ErrorKind,
    words: &str,
    first: impl Fn(&Request) -> Vec<Act> + Send + Sync + 'static,
) {
    let peer = wrong_once(framing, first).await;
    let mut client = Client::new(peer.address.clone(), patient());
    let error = client.read(1, holding(100, 10)).await.unwrap_err();
    assert_eq!(error.kind(), kind, "{}", error.text());
    assert!(error.text().contains(words), "{}", error.text());
    assert!(!client.is_connected());
    assert_eq!(client.read(1, holding(200, 10)).await.unwrap(), registers(200, 10));
    assert_eq!(peer.requests()[1].connection, 1, "a new connection");
}

#[tokio::test]
async fn right_answers_of_all_four_tables_are_read() {
    for framing in BOTH {
        let peer = Peer::start(framing, |r| vec![Act::Send(r.answer(5))]).await;
        let mut client = Client::new(peer.address.clone(), patient());
        for table in Table::ALL {
            let data = client.read(17, ReadRequest::new(*table, 107, 3).unwrap()).await.unwrap();
            let expected =
                if table.holds_bits() { Data::Bits(vec![false, true, false]) } else { registers(112, 3) };
            assert_eq!(data, expected);
        }
        let seen: Vec<_> = peer.requests().iter().map(|r| (r.connection, r.function, r.unit)).collect();
        assert_eq!(seen, [(0, 1, 17), (0, 2, 17), (0, 3, 17), (0, 4, 17)]);
    }
}

#[tokio::test]
async fn the_largest_reads_are_read() {
    for framing in BOTH {
        let peer = Peer::start(framing, |r| vec![Act::Send(r.answer(0))]).await;
        let mut client = Client::new(peer.address.clone(), patient());
        assert_eq!(client.read(1, holding(0, 125)).await.unwrap(), registers(0, 125));
        let Data::Bits(bits) = client.read(1, ReadRequest::new(Table::Coil, 0, 2000).unwrap()).await.unwrap()
        else {
            panic!("bits were asked for")
        };
        assert_eq!(bits.len(), 2000);
    }
}

/// Fault of the library: one late answer, and every later call on the connection fails on its header. Over RTU framing the
/// late answer is even returned as the answer to the next request.
#[tokio::test]
async fn a_late_answer_is_never_taken_for_the_next_one() {
    for framing in BOTH {
        let go = Arc::new(Notify::new());
        let held = go.clone();
        let peer = wrong_once(framing, move |r| vec![Act::Await(held.clone()), Act::Send(r.answer(0))]).await;
        let mut client = Client::new(peer.address.clone(), short());
        let error = client.read(1, holding(100, 10)).await.unwrap_err();
        assert_eq!(error.kind(), ErrorKind::Timeout);
        go.notify_one();
        for start in [200, 300, 400] {
            assert_eq!(client.read(1, holding(start, 10)).await.unwrap(), registers(start, 10));
        }
        let connections: Vec<_> = peer.requests().iter().map(|r| r.connection).collect();
        assert_eq!(connections, [0, 1, 1, 1]);
    }
}

/// Fault of the library: over RTU framing a serial gateway may bring the late answer to the next connection.
#[tokio::test]
async fn late_bytes_on_the_next_rtu_connection_are_discarded_in_its_quiet_period() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let gateway = tokio::spawn(async move {
        use tokio::io::{AsyncReadExt, AsyncWriteExt};
        // silent on the first connection
        let (mut first, _) = listener.accept().await.unwrap();
        let mut request = [0; 8];
        first.read_exact(&mut request).await.unwrap();
        // its late answer, 10 registers of 0xDEAD, comes as soon as there is another connection
        let (mut second, _) = listener.accept().await.unwrap();
        let late = [&[1, 3, 20][..], &[0xDE, 0xAD].repeat(10), &[0, 0]].concat();
        second.write_all(&late).await.unwrap();
        second.read_exact(&mut request).await.unwrap();
        second.write_all(&[1, 0x83, 6, 0xC1, 0x32]).await.unwrap();
    });
    let address = format!("modbus-rtu-tcp://127.0.0.1:{port}").parse().unwrap();
    let mut client = Client::new(address, Timeouts { quiet: Duration::from_millis(300), ..short() });
    assert_eq!(client.read(1, holding(100, 10)).await.unwrap_err().kind(), ErrorKind::Timeout);
    let answer = client.read(1, holding(100, 10)).await.unwrap_err();
    assert!(matches!(answer, ModbusError::Exception { exception: Exception(6), .. }), "{}", answer.text());
    gateway.await.unwrap();
}

/// Fault of the library: nine registers pass for ten.
#[tokio::test]
async fn too_few_or_too_many_registers_are_refused() {
    for framing in BOTH {
        for count in [0, 9, 11, 125] {
            fails_once(framing, ErrorKind::Malformed, "", move |r| {
                vec![Act::Send(r.frame(&r.answer_pdu(0, count)))]
            })
            .await;
        }
    }
}

/// Fault of the library: it waits for a frame of 65535 bytes. The calls here have a minute; the test does not.
#[tokio::test]
async fn a_length_beyond_the_protocol_is_refused_at_once() {
    fails_once(Framing::Tcp, ErrorKind::Malformed, "65535 bytes announced", |r| {
        let [a, b] = r.transaction;
        vec![Act::Send(vec![a, b, 0, 0, 0xFF, 0xFF, 1, 3])]
    })
    .await;
}

#[tokio::test]
async fn answers_of_another_unit_function_or_transaction_are_refused() {
    for framing in BOTH {
        fails_once(framing, ErrorKind::Malformed, "unit 2 answered", |r| {
            vec![Act::Send(r.frame_as(r.transaction, 2, &r.answer_pdu(0, r.count)))]
        })
        .await;
        fails_once(framing, ErrorKind::Malformed, "function 4 answered", |r| {
            let mut pdu = r.answer_pdu(0, r.count);
            pdu[0] = 4;
            vec![Act::Send(r.frame(&pdu))]
        })
        .await;
        fails_once(framing, ErrorKind::Malformed, "function 132 answered", |r| {
            vec![Act::Send(r.frame(&[0x84, 2]))]
        })
        .await;
    }
    fails_once(Framing::Tcp, ErrorKind::Malformed, "transaction 48879 answered", |r| {
        vec![Act::Send(r.frame_as([0xBE, 0xEF], r.unit, &r.answer_pdu(0, r.count)))]
    })
    .await;
}

#[tokio::test]
async fn garbage_and_floods_are_refused() {
    for framing in BOTH {
        fails_once(framing, ErrorKind::Malformed, "", |_| {
            vec![Act::Send(b"HTTP/1.1 400 Bad Request\r\n\r\n".to_vec())]
        })
        .await;
        fails_once(framing, ErrorKind::Malformed, "", |_| vec![Act::Send(vec![0x55; 1 << 20])]).await;
        fails_once(framing, ErrorKind::Malformed, "", |r| {
            vec![Act::Send([r.answer(0), vec![0; 3]].concat())]
        })
        .await;
    }
}

#[tokio::test]
async fn a_wrong_checksum_is_refused_at_once() {
    fails_once(Framing::RtuOverTcp, ErrorKind::Malformed, "", |r| {
        let mut answer = r.answer(0);
        answer[5] ^= 1;
        vec![Act::Send(answer)]
    })
    .await;
}

#[tokio::test]
async fn a_truncated_frame_ends_with_the_connection_or_the_time_out() {
    for framing in BOTH {
        fails_once(framing, ErrorKind::Closed, "after 8 bytes", |r| {
            vec![Act::Send(r.answer(0)[..8].to_vec()), Act::Close]
        })
        .await;
        let peer = wrong_once(framing, |r| vec![Act::Send(r.answer(0)[..8].to_vec())]).await;
        let mut client = Client::new(peer.address.clone(), short());
        assert_eq!(client.read(1, holding(1, 10)).await.unwrap_err().kind(), ErrorKind::Timeout);
        assert_eq!(client.read(1, holding(1, 10)).await.unwrap(), registers(1, 10));
    }
}

#[tokio::test]
async fn bytes_that_come_before_the_next_request_end_the_connection() {
    for framing in BOTH {
        let (go, sent) = (Arc::new(Notify::new()), Arc::new(Notify::new()));
        let (held, told) = (go.clone(), sent.clone());
        // the device answers twice, the second time when nothing is asked
        let peer = wrong_once(framing, move |r| {
            let (held, told) = (held.clone(), told.clone());
            vec![Act::Send(r.answer(0)), Act::Await(held), Act::Send(r.answer(7)), Act::Tell(told)]
        })
        .await;
        let mut client = Client::new(peer.address.clone(), patient());
        assert_eq!(client.read(1, holding(100, 10)).await.unwrap(), registers(100, 10));
        go.notify_one();
        sent.notified().await;
        let error = client.read(1, holding(100, 10)).await.unwrap_err();
        assert_eq!(error.kind(), ErrorKind::Malformed);
        assert!(error.text().contains("before they were asked for"), "{}", error.text());
        assert_eq!(peer.requests().len(), 1, "nothing was asked on that connection");
        assert_eq!(client.read(1, holding(100, 10)).await.unwrap(), registers(100, 10));
    }
}

#[tokio::test]
async fn a_connection_that_the_device_ended_between_polls_costs_nothing() {
    for framing in BOTH {
        let peer = wrong_once(framing, |r| vec![Act::Send(r.answer(0)), Act::Close]).await;
        // no quiet period is due: one would outlast the test
        let timeouts = Timeouts { quiet: Duration::from_secs(3600), ..patient() };
        let mut client = Client::new(peer.address.clone(), timeouts);
        assert_eq!(client.read(1, holding(1, 2)).await.unwrap(), registers(1, 2));
        until("the device to end the connection", || peer.ended() == 1).await;
        let again = tokio::time::timeout(Duration::from_secs(120), client.read(1, holding(1, 2))).await;
        assert_eq!(again.expect("no quiet period").unwrap(), registers(1, 2));
        assert_eq!(peer.requests()[1].connection, 1);
    }
}

#[tokio::test]
async fn exceptions_are_told_apart_and_keep_the_connection() {
    for framing in BOTH {
        let codes = [1u8, 2, 3, 4, 5, 6, 8, 10, 11, 99];
        let peer = Peer::start(framing, move |r| {
            let answer = codes.get(r.number).map_or_else(|| r.answer(0), |code| r.refuse(*code));
            vec![Act::Send(answer)]
        })
        .await;
        let mut client = Client::new(peer.address.clone(), patient());
        for code in codes {
            let error = client.read(1, holding(1, 2)).await.unwrap_err();
            assert!(matches!(error, ModbusError::Exception { exception: Exception(c), .. } if c == code));
            assert!(error.text().starts_with("holding 1-2 refused: exception"), "{}", error.text());
        }
        assert_eq!(client.read(1, holding(1, 2)).await.unwrap(), registers(1, 2));
        assert!(peer.requests().iter().all(|r| r.connection == 0));
    }
}

#[tokio::test]
async fn no_listener_is_a_connect_error() {
    let free = TcpListener::bind("127.0.0.1:0").await.unwrap().local_addr().unwrap();
    let mut client = Client::new(format!("modbus-tcp://{free}").parse().unwrap(), short());
    let error = client.read(1, holding(0, 1)).await.unwrap_err();
    assert_eq!(error.kind(), ErrorKind::Connect);
    assert!(error.text().contains(&free.to_string()), "{}", error.text());
}
