//! Messages leave the program: against mail servers, receivers and programs that behave and that do not.

mod commands;
mod hooks;
mod mail;

use std::{sync::Arc, time::Duration};

use overwinter::{
    notify::channel::{Channel, Note, Post, Undelivered, Way},
    watch::{Priority, SensorName, Stamp},
};
use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, IsCa, KeyPair};
use rustls::{
    ServerConfig,
    pki_types::{PrivateKeyDer, PrivatePkcs8KeyDer},
};
use tokio_rustls::TlsAcceptor;

/// 2026-01-14T02:10:00Z; the try is a minute later.
const OWED: Stamp = Stamp(1_768_356_600_000);
const TRY: Stamp = Stamp(OWED.0 + 60_000);

/// Longer than any answer that is meant to come; only what is meant to be too slow waits for it.
const PATIENT: Duration = Duration::from_secs(30);
const HASTY: Duration = Duration::from_millis(400);

fn note() -> Note {
    Note {
        key: "1768356600000 cold cellar:ann".to_owned(),
        at: OWED,
        contact: "ann".to_owned(),
        purpose: "announce",
        priority: Priority::High,
        subject: "Too cold in the cellar".to_owned(),
        short: "Too cold in the cellar: 34.3 F. Close the vents.".to_owned(),
        long: "Too cold in the cellar since 2:10.\n34.3\u{a0}F now, should be above 35\u{a0}F.\n.\nClose the vents.".to_owned(),
        link: Some("http://192.168.1.20:8480/alerts".to_owned()),
        data: serde_json::json!({ "room": "cellar", "value": 34.3 }),
    }
}

async fn send(way: Way, note: &Note, time_limit: Duration) -> Result<String, Undelivered> {
    let name = SensorName::new("out").unwrap();
    let channel = Channel {
        name,
        way,
        time_limit,
    };
    Post::new().send(&channel, note, "Cellar & barn", TRY).await
}

/// Why it has to be tried again, and how long the receiver asked us to wait.
#[track_caller]
fn later(result: Result<String, Undelivered>) -> (String, Option<Duration>) {
    match result {
        Err(Undelivered::Later { why, retry_after }) => (why, retry_after),
        other => panic!("not put off: {other:?}"),
    }
}

#[track_caller]
fn never(result: Result<String, Undelivered>) -> String {
    match result {
        Err(Undelivered::Never { why }) => why,
        other => panic!("not given up: {other:?}"),
    }
}

/// A server's side of TLS for 127.0.0.1, and the authority that signed it as PEM.
fn authority() -> (TlsAcceptor, String) {
    let _ = rustls::crypto::ring::default_provider().install_default();
    let mut params = CertificateParams::new(Vec::new()).unwrap();
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let ca = CertifiedIssuer::self_signed(params, KeyPair::generate().unwrap()).unwrap();
    let key = KeyPair::generate().unwrap();
    let leaf = CertificateParams::new(vec!["127.0.0.1".to_owned()])
        .unwrap()
        .signed_by(&key, &ca)
        .unwrap();
    let key = PrivateKeyDer::from(PrivatePkcs8KeyDer::from(key.serialize_der()));
    let config = ServerConfig::builder()
        .with_no_client_auth()
        .with_single_cert(vec![leaf.der().clone()], key)
        .unwrap();
    (TlsAcceptor::from(Arc::new(config)), ca.pem())
}
