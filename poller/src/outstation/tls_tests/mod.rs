//! DNP3 over TLS, over real sockets: who gets in, and what is said when someone does not.
//!
//! The outstation's side of TLS is the library's, set to demand a certificate (RFC 8446 section 4.3.2), as IEC 62351-3 has it.

mod certificates;
mod site;

use std::fs;
use std::future::pending;
use std::net::SocketAddr;
use std::path::Path;
use std::time::Duration;

use dnp3::outstation::UnsolicitedConfig;
use rcgen::{BasicConstraints, CertificateParams, ExtendedKeyUsagePurpose, IsCa, date_time_ymd};
use regulator::{Quantity, TimeSource};
use tokio::io::AsyncWriteExt as _;
use tokio::net::TcpStream;

use self::certificates::{Authority, Own, PemFiles, VERSIONS};
use self::site::Site;
use super::tests::PROFILE;
use crate::modbus::ErrorKind;
use crate::probe::{self, ProbeArgs};
use crate::{Tls, endpoint::Failure};

/// Enough for a handshake on a busy machine.
const LONG: Duration = Duration::from_secs(60);
/// For peers that never complete one.
const SHORT: Duration = Duration::from_millis(300);
/// Where the outstations are.
const HOST: &str = "127.0.0.1";

/// What is told of an endpoint that is not to be read.
async fn refusal(door: &Authority, outstation: &Own, poller: &Tls) -> Vec<Failure> {
    let mut all = vec![];
    for version in VERSIONS {
        let mut site = Site::new();
        let at = site.outstation(Some(door.door(outstation, &[version])), |_| {}).await;
        site.poll(7, format!("dnp3-tls://{at}"), Some(poller), LONG);
        let failure = site.refused(7).await;
        assert_eq!(failure.kind, ErrorKind::Connect, "{failure:?}");
        assert!(failure.text.starts_with(&format!("cannot connect to {at}: ")), "{}", failure.text);
        all.push(failure);
    }
    all
}

fn says(failures: &[Failure], words: &[&str]) {
    for Failure { text, .. } in failures {
        for words in words {
            assert!(text.contains(words), "'{words}' in: {text}");
        }
    }
}

#[tokio::test]
async fn an_outstation_is_read_over_tls_by_ip_address_and_by_name() {
    let authority = Authority::new("authority");
    let poller = authority.poller(&authority.issue("poller"));
    for host in [HOST, "localhost"] {
        for version in VERSIONS {
            let mut site = Site::new();
            let door = authority.door(&authority.issue(host), &[version]);
            let port = site.outstation(Some(door), |_| {}).await.port();
            site.poll(7, format!("dnp3-tls://{host}:{port}"), Some(&poller), LONG);
            let reading = site.reading(|r| r.time_source == TimeSource::Poller).await;
            assert_eq!(reading.good(Quantity::LoadVoltage), Some(121.5));
            assert_eq!(reading.good(Quantity::Tap), Some(3.0));
            assert_eq!(reading.good(Quantity::Operations), Some(100.0));
            assert_eq!(reading.flag(Quantity::Automatic), Some(true));
            assert_eq!(reading.good(Quantity::SetVoltage), Some(120.0));
            for _ in 0..2 {
                site.outcome(|o| o.unit == Some(10) && o.result.is_ok()).await;
            }
        }
    }
}

#[tokio::test]
async fn an_outstation_with_a_certificate_of_another_authority_is_refused() {
    let ours = Authority::new("authority");
    // by its name it may be the same: it is the key that counts
    for name in ["authority", "another authority"] {
        let other = Authority::new(name);
        let failures = refusal(&ours, &other.issue(HOST), &ours.poller(&ours.issue("poller"))).await;
        says(
            &failures,
            &["its certificate is not signed by an authority in ", "authority.pem", "add the authority"],
        );
    }
}

#[tokio::test]
async fn a_certificate_for_another_host_is_refused() {
    let authority = Authority::new("authority");
    let poller = authority.poller(&authority.issue("poller"));
    for (name, shown) in [("pole-7.example", "pole-7.example"), ("192.0.2.7", "192.0.2.7")] {
        let failures = refusal(&authority, &authority.issue(name), &poller).await;
        says(&failures, &[&format!("is for {shown}, not for 127.0.0.1"), "subject alternative name"]);
    }
    let nameless = authority.issue_with(HOST, |params| params.subject_alt_names.clear());
    let failures = refusal(&authority, &nameless, &poller).await;
    says(&failures, &["is for no host at all", "subject alternative name"]);
}

#[tokio::test]
async fn a_certificate_that_is_not_made_for_this_is_refused() {
    let authority = Authority::new("authority");
    let poller = authority.poller(&authority.issue("poller"));
    let client_only = |params: &mut CertificateParams| {
        params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ClientAuth];
    };
    let failures = refusal(&authority, &authority.issue_with(HOST, client_only), &poller).await;
    says(&failures, &["not meant for a server", "serverAuth"]);
    let itself = |params: &mut CertificateParams| params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let failures = refusal(&authority, &authority.issue_with(HOST, itself), &poller).await;
    says(&failures, &["that of an authority (CA:TRUE)", "one of its own"]);
}

#[tokio::test]
async fn a_certificate_out_of_its_time_is_refused_with_the_day() {
    let authority = Authority::new("authority");
    let poller = authority.poller(&authority.issue("poller"));
    let expired = authority.issue_with(HOST, |p| p.not_after = date_time_ymd(2020, 2, 29));
    let failures = refusal(&authority, &expired, &poller).await;
    says(&failures, &["has expired on 2020-02-29 00:00 UTC", "a new one", "clock"]);
    let early = authority.issue_with(HOST, |p| p.not_before = date_time_ymd(3000, 1, 1));
    let failures = refusal(&authority, &early, &poller).await;
    says(&failures, &["is not valid before 3000-01-01 00:00 UTC", "clock"]);
    // and the poller's own, which the outstation turns away
    let late = authority.issue_with("poller", |p| p.not_after = date_time_ymd(2020, 2, 29));
    let failures = refusal(&authority, &authority.issue(HOST), &authority.poller(&late)).await;
    says(&failures, &["the poller's certificate in ", "poller.pem has expired", "renew"]);
}

#[tokio::test]
async fn a_poller_whose_certificate_is_not_known_is_told_so() {
    let (ours, other) = (Authority::new("authority"), Authority::new("another authority"));
    let poller = ours.poller(&other.issue("poller"));
    let failures = refusal(&ours, &ours.issue(HOST), &poller).await;
    says(&failures, &["does not know the authority that signed the poller's certificate in ", "poller.pem"]);
}

#[tokio::test]
async fn a_poller_without_a_certificate_is_told_so() {
    let authority = Authority::new("authority");
    let poller = authority.poller_without_certificate();
    let failures = refusal(&authority, &authority.issue(HOST), &poller).await;
    says(&failures, &["demands a certificate of the poller, and was shown none", "--dnp3-certificate"]);
}

#[tokio::test]
async fn an_outstation_that_goes_without_a_word_leaves_a_guess() {
    let authority = Authority::new("authority");
    let poller = authority.poller(&authority.issue("poller"));
    for farewell in [true, false] {
        let mut site = Site::new();
        let door = authority.door(&authority.issue(HOST), &VERSIONS);
        let leave = move |stream| {
            let door = door.clone();
            async move {
                let mut stream = door.accept(stream).await.unwrap();
                if farewell {
                    drop(stream.shutdown().await);
                }
            }
        };
        let at = site.peer(leave).await;
        site.poll(7, format!("dnp3-tls://{at}"), Some(&poller), LONG);
        let failure = site.refused(7).await;
        assert_eq!(failure.kind, ErrorKind::Connect);
        says(&[failure], &["right after the TLS handshake", "does not accept the poller's certificate in "]);
    }
}

/// Says nothing, for ever.
async fn hold(stream: TcpStream) {
    pending::<()>().await;
    drop(stream);
}

/// Ways to answer at a port where TLS is expected, and what is said of each.
async fn not_tls(site: &mut Site) -> Vec<(SocketAddr, &'static str)> {
    let unsolicited = |config: &mut dnp3::outstation::SessionConfig| {
        config.unsolicited = Some(UnsolicitedConfig::default());
    };
    vec![
        (site.outstation(None, |_| {}).await, "did not complete the TLS handshake within 300 ms"),
        (site.outstation(None, unsolicited).await, "does not speak TLS"),
        (site.peer(hold).await, "did not complete the TLS handshake within 300 ms"),
        (site.peer(|_stream| async {}).await, "ended the connection in the TLS handshake"),
    ]
}

#[tokio::test]
async fn who_does_not_speak_tls_is_told_in_time_while_the_neighbour_is_polled() {
    let authority = Authority::new("authority");
    let poller = authority.poller(&authority.issue("poller"));
    let mut site = Site::new();
    let good = site.outstation(Some(authority.door(&authority.issue(HOST), &VERSIONS)), |_| {}).await;
    site.poll(1, format!("dnp3-tls://{good}"), Some(&poller), LONG);
    site.outcome(|o| o.endpoint_id == 1 && o.result.is_ok()).await;
    for (id, (at, words)) in (2..).zip(not_tls(&mut site).await) {
        site.poll(id, format!("dnp3-tls://{at}"), Some(&poller), SHORT);
        let failure = site.refused(id).await;
        assert_eq!(failure.kind, ErrorKind::Connect);
        says(&[failure], &[words, "plain DNP3", "dnp3-tcp://"]);
        let neighbour = site.outcome(|o| o.endpoint_id == 1).await;
        assert!(neighbour.result.is_ok(), "{neighbour:?}");
    }
}

#[test]
fn files_that_cannot_be_used_are_named() {
    let authority = Authority::new("authority");
    let own = authority.issue("poller");
    let files = PemFiles::new(&authority, &own);
    let (folder, a, c, k) = (files.folder.path(), &files.authority, &files.certificate, &files.key);
    let make = |name: &str, text: &str| {
        let path = folder.join(name);
        fs::write(&path, text).unwrap();
        path
    };
    let (missing, empty) = (folder.join("missing.pem"), make("empty.pem", ""));
    let cut = make("cut.pem", &own.certificate_pem[..own.certificate_pem.len() / 2]);
    let garbled = own.certificate_pem.replacen("\nMI", "\nM*", 1);
    let garbled = make("garbled.pem", &garbled);
    let nonsense = make("nonsense.pem", "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n");
    let strange = make("strange.key", &authority.issue("another").key.serialize_pem());
    let locked = own.key.serialize_pem().replace("PRIVATE KEY", "ENCRYPTED PRIVATE KEY");
    let locked = make("locked.key", &locked);
    let cases: [([&Path; 3], &str, &str); 12] = [
        ([&missing, c, k], "missing.pem", "cannot read the certificate in "),
        ([a, &missing, k], "missing.pem", "No such file"),
        ([a, c, &missing], "missing.pem", "cannot read the private key in "),
        ([&empty, c, k], "empty.pem", "holds no certificate"),
        ([a, &empty, k], "empty.pem", "holds no certificate"),
        ([a, c, &empty], "empty.pem", "holds no private key"),
        ([a, k, c], "poller.key", "holds no certificate"),
        ([&cut, c, k], "cut.pem", "damaged or cut short"),
        ([&garbled, c, k], "garbled.pem", "damaged or cut short"),
        ([&nonsense, c, k], "nonsense.pem", "holds an authority that cannot be used"),
        ([a, c, &strange], "strange.key", "does not fit the certificate in "),
        ([a, c, &locked], "locked.key", "under a passphrase"),
    ];
    for ([authority, certificate, key], file, words) in cases {
        let error = Tls::from_files(authority, certificate, key).err().expect(file);
        let text = format!("{error:#}");
        assert!(text.contains(file) && text.contains(words), "'{file}', '{words}' in: {text}");
    }
    Tls::from_files(a, c, k).unwrap();
}

#[tokio::test]
async fn a_poller_with_no_files_says_which_flags_are_missing() {
    let mut site = Site::new();
    site.poll(7, "dnp3-tls://127.0.0.1:1".to_owned(), None, LONG);
    let failure = site.refused(7).await;
    assert_eq!(failure.kind, ErrorKind::Configuration);
    says(&[failure], &["over TLS", "--dnp3-authority", "--dnp3-certificate", "--dnp3-key"]);
}

#[tokio::test]
async fn the_probe_reads_over_tls_and_says_why_it_cannot() {
    let (authority, other) = (Authority::new("authority"), Authority::new("another authority"));
    let mut site = Site::new();
    let door = authority.door(&authority.issue(HOST), &VERSIONS);
    let at = site.outstation(Some(door), |_| {}).await;
    let args = |files: &PemFiles| {
        let profile = files.folder.path().join("tests.toml");
        fs::write(&profile, PROFILE).unwrap();
        let mut args = ProbeArgs::new(&format!("dnp3-tls://{at}"), 10, profile.to_str().unwrap());
        args.connect_timeout = 60_000;
        args.response_timeout = 60_000;
        args.dnp3_authority = Some(files.authority.clone());
        args.dnp3_certificate = Some(files.certificate.clone());
        args.dnp3_key = Some(files.key.clone());
        args
    };
    let files = PemFiles::new(&authority, &authority.issue("probe"));
    let report = probe::run_outstation(args(&files)).await.unwrap();
    assert!(report.all_answered(), "{report}");
    let voltage = report.objects.iter().find(|o| o.object == "analog" && o.index == 0).unwrap();
    assert_eq!(voltage.raw, "121.5");

    let files = PemFiles::new(&authority, &other.issue("probe"));
    let report = probe::run_outstation(args(&files)).await.unwrap();
    assert!(!report.all_answered());
    let said = report.errors.join("; ");
    assert!(said.contains("does not know the authority that signed"), "{said}");

    let mut bare = args(&files);
    bare.dnp3_key = None;
    let error = probe::run_outstation(bare).await.unwrap_err().to_string();
    assert!(error.contains("--dnp3-key"), "{error}");
}
