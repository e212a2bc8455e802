//! C-STORE and MLLP through TLS: what arrives is the same, and nothing leaves to a receiver that is not trusted.

use super::archive::{Manner, archive};
use super::receivers::{Act, mllp};
use super::{Bench, Kind};
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::WebPkiClientVerifier;
use rustls::{RootCertStore, ServerConfig, ServerConnection, StreamOwned};
use siderolog::daemon::outbox::State;
use std::io::{ErrorKind, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::PathBuf;
use std::sync::Arc;
use std::thread;
use std::time::Duration;

/// Made for these tests alone, with openssl; valid for a hundred years, for `localhost` and 127.0.0.1.
fn pem(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/sending/tls").join(name)
}

/// Ends TLS before a receiver that speaks in the clear. With `identity` it asks for one.
fn terminate(host: &str, inner: u16, identity: bool) -> u16 {
    let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
    let chain: Vec<_> = CertificateDer::pem_file_iter(pem("receiver.pem")).unwrap().map(Result::unwrap).collect();
    let key = PrivateKeyDer::from_pem_file(pem("receiver.pem")).unwrap();
    let builder = ServerConfig::builder_with_provider(provider.clone()).with_safe_default_protocol_versions().unwrap();
    let config = if identity {
        let mut roots = RootCertStore::empty();
        roots.add(CertificateDer::from_pem_file(pem("authority.pem")).unwrap()).unwrap();
        let verifier = WebPkiClientVerifier::builder_with_provider(roots.into(), provider).build().unwrap();
        builder.with_client_cert_verifier(verifier).with_single_cert(chain, key).unwrap()
    } else {
        builder.with_no_client_auth().with_single_cert(chain, key).unwrap()
    };
    let config = Arc::new(config);
    let listener = TcpListener::bind((host, 0)).unwrap();
    let port = listener.local_addr().unwrap().port();
    thread::spawn(move || {
        for stream in listener.incoming() {
            let (Ok(stream), config) = (stream, config.clone()) else { return };
            thread::spawn(move || relay(StreamOwned::new(ServerConnection::new(config).unwrap(), stream), inner));
        }
    });
    port
}

/// Carries bytes both ways until one side has ended.
fn relay(mut outer: StreamOwned<ServerConnection, TcpStream>, inner: u16) {
    let mut inner = TcpStream::connect(("127.0.0.1", inner)).unwrap();
    let brief = Some(Duration::from_millis(2));
    outer.sock.set_read_timeout(brief).unwrap();
    inner.set_read_timeout(brief).unwrap();
    let mut buffer = [0; 16 * 1024];
    while pass(&mut outer, &mut inner, &mut buffer) && pass(&mut inner, &mut outer, &mut buffer) {}
}

/// Carries what is there; `false` where the source has ended.
fn pass(from: &mut impl Read, to: &mut impl Write, buffer: &mut [u8]) -> bool {
    match from.read(buffer) {
        Ok(0) => false,
        Ok(read) => to.write_all(&buffer[..read]).and_then(|()| to.flush()).is_ok(),
        Err(error) => matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut),
    }
}

fn settings(authorities: &str, identity: Option<&str>) -> String {
    let identity = identity.map_or(String::new(), |name| format!(", identity: '{}'", pem(name).display()));
    format!("tls: {{authorities: '{}'{identity}}}", pem(authorities).display())
}

fn engine(host: &str, port: u16, tls: &str) -> Bench {
    Bench::new(&format!(
        "  - {{name: engine, mllp: {{address: '{host}:{port}', {tls}}}, unreleased: clear-results, timeout_s: 5}}\n"
    ))
}

#[test]
fn messages_arrive_through_tls() {
    let receiver = mllp(0, vec![Act::Answer("AA")]);
    let bench = engine("localhost", terminate("127.0.0.1", receiver.port, false), &settings("authority.pem", None));
    let folder = bench.result("a", Kind::Clear, 200.0);
    bench.post(&folder);
    let round = bench.round();
    assert_eq!((round.delivered, &round.away), (1, &None));
    assert_eq!(receiver.taken(), [std::fs::read(folder.join("oru.hl7")).unwrap()]);
}

#[test]
fn objects_arrive_through_tls_at_an_archive_that_asks_who_we_are() {
    let (inner, stored) = archive(Manner::default());
    let tls = settings("authority.pem", Some("sender.pem"));
    let port = terminate("127.0.0.1", inner, true);
    let bench = Bench::new(&format!(
        "  - {{name: archive, c_store: {{address: '127.0.0.1:{port}', called: ARCHIVE, {tls}}}, timeout_s: 5}}\n"
    ));
    bench.post(&bench.result("a", Kind::Review, 200.0));
    let round = bench.round();
    assert_eq!((round.delivered, &round.away), (5, &None));
    assert_eq!(stored.lock().unwrap().len(), 5);
}

#[test]
fn nothing_leaves_to_a_receiver_that_is_not_trusted_or_does_not_trust_us() {
    let receiver = mllp(0, vec![Act::Answer("AA")]);
    let good = settings("authority.pem", None);
    // An authority of its own making; a name that the certificate does not hold; no identity where one is asked for;
    // no TLS at all.
    let cases = [
        (engine("localhost", terminate("127.0.0.1", receiver.port, false), &settings("sender.pem", None)), true),
        (engine("127.0.0.2", terminate("127.0.0.2", receiver.port, false), &good), true),
        (engine("localhost", terminate("127.0.0.1", receiver.port, true), &good), false),
        (engine("localhost", receiver.port, &good), false),
    ];
    for (bench, untrusted) in cases {
        bench.post(&bench.result("a", Kind::Clear, 200.0));
        let away = bench.round().away.expect("the receiver counts as away");
        assert_eq!(away.starts_with("no trusted connection"), untrusted, "{away}");
        assert!(bench.rows().iter().all(|row| row.state == State::Waiting));
    }
    assert!(receiver.taken().is_empty());
}
