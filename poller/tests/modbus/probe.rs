//! The probe against devices on real sockets.

use poller::modbus::Framing;
use poller::probe::{ProbeArgs, run};
use poller::profile::{Profile, Protocol, Shipped};

use crate::peer::{Act, Peer};

fn args(peer: &Peer, profile: &str) -> ProbeArgs {
    ProbeArgs {
        connect_timeout: 5000,
        response_timeout: 300,
        ..ProbeArgs::new(&peer.address.to_string(), 3, profile)
    }
}

const PROFILE: &str = r#"
title = "for tests"
point = [
    { quantity = "load_voltage", table = "holding", address = 10, type = "u32", scale = 0.0001, unit = "V", valid = [0, 200] },
    { quantity = "current", table = "holding", address = 12, type = "u16", scale = 100, unit = "A", valid = [0, 1000] },
    { quantity = "tap", table = "holding", address = 13, type = "u16", offset = -8 },
    { quantity = "power_factor", table = "holding", address = 14, type = "u16", not_available = 14 },
    { quantity = "blocked", table = "coil", address = 4, type = "bit" },
    { quantity = "automatic", table = "coil", address = 5, type = "bit" },
    { position = 2, quantity = "operations", table = "input", address = 7, type = "u16" },
    { position = 2, quantity = "reverse_flow", table = "discrete", address = 0, type = "bit" },
]
"#;

#[tokio::test]
async fn raw_and_decoded_stand_side_by_side_with_failures_at_their_block() {
    let peer = Peer::start(Framing::Tcp, |r| match r.function {
        4 => vec![Act::Send(r.refuse(2))],
        2 => vec![],
        _ => vec![Act::Send(r.answer(0))],
    })
    .await;
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("mine.toml");
    std::fs::write(&file, PROFILE).unwrap();
    let mut report = run(args(&peer, file.to_str().unwrap())).await.unwrap();
    assert!(!report.all_answered());
    // what differs from run to run
    report.address = "modbus-tcp://device".into();
    report.profile = "mine.toml".into();
    for block in &mut report.blocks {
        block.latency_ms = 1.5;
    }
    assert_eq!(
        report.to_string(),
        "\
modbus-tcp://device unit 3, profile mine.toml: for tests

table     addresses  took    request
coil      4-5        1.5 ms  answered
discrete  0-0        1.5 ms  timeout: no answer to discrete 0-0 within 300 ms
holding   10-14      1.5 ms  answered
input     7-7        1.5 ms  exception: input 7-7 refused: exception 2 (illegal data address)

position  quantity      table     address  raw        value      quality
1         Load voltage  holding   10       000A 000B  65.54 V    good
1         Current       holding   12       000C       1200.00 A  out of range
1         Tap           holding   13       000D       +5         good
1         Power factor  holding   14       000E       -          not available
1         Blocked       coil      4        0          no         good
1         Automatic     coil      5        1          yes        good
2         Operations    input     7        -          -          could not be read
2         Reverse flow  discrete  0        -          -          could not be read
"
    );
    let json = serde_json::to_value(&report).unwrap();
    assert_eq!(json["points"][1]["quality"], "out_of_range");
    assert_eq!(json["points"][0]["raw"], "000A 000B");
    assert_eq!(json["points"][6]["value"], serde_json::Value::Null);
    assert_eq!(json["blocks"][3]["error"]["kind"], "exception");
}

#[tokio::test]
async fn every_shipped_profile_for_modbus_reads_a_device_over_both_framings() {
    for framing in [Framing::Tcp, Framing::RtuOverTcp] {
        let peer = Peer::start(framing, |r| vec![Act::Send(r.answer(0))]).await;
        let is_modbus = |s: &&Shipped| s.profile().unwrap().protocol() == Protocol::Modbus;
        for shipped in Profile::shipped().iter().filter(is_modbus) {
            let report = run(args(&peer, shipped.name)).await.unwrap();
            assert!(report.all_answered(), "{report}");
            assert!(report.points.iter().all(|p| p.raw.is_some()));
        }
        assert!(peer.requests().iter().all(|r| r.unit == 3));
    }
}

#[tokio::test]
async fn a_device_that_is_away_is_shown_once_and_a_wrong_profile_is_an_error() {
    let peer = Peer::start(Framing::Tcp, |r| vec![Act::Send(r.answer(0))]).await;
    let mut away = args(&peer, "single-bits");
    drop(peer);
    let free = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    away.address = format!("modbus-tcp://{free}");
    let report = run(away.clone()).await.unwrap();
    assert_eq!(report.blocks.len(), 1);
    assert!(report.to_string().contains("connect: cannot connect to"), "{report}");

    away.profile = "no-such-profile".into();
    let error = format!("{:#}", run(away.clone()).await.unwrap_err());
    assert!(error.contains("single-float"), "{error}");
    away.profile = "dnp3-single-float".into();
    let error = run(away.clone()).await.unwrap_err().to_string();
    assert!(error.contains("is for DNP3, but the address speaks Modbus"), "{error}");
    away.address = "10.0.0.1".into();
    assert!(run(away).await.unwrap_err().to_string().contains("modbus-tcp://HOST:PORT"));
}
