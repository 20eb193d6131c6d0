//! The same over TLS, with an authority of the test's own.

use std::{fs, sync::Arc};

use overwinter::web::tls::Files;
use rcgen::{BasicConstraints, CertificateParams, IsCa, Issuer, KeyPair};
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::TcpStream,
};
use tokio_rustls::{
    TlsConnector,
    client::TlsStream,
    rustls::{ClientConfig, RootCertStore, crypto::ring, pki_types::ServerName},
};

use crate::{
    browser::{PASSPHRASE, Store},
    farm::{Farm, encoded},
};

/// Writes a certificate for `store.lan` and gives a client that trusts who signed it.
fn certify(files: &Files) -> TlsConnector {
    let authority = KeyPair::generate().unwrap();
    let mut params = CertificateParams::new(Vec::new()).unwrap();
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let root = params.self_signed(&authority).unwrap();
    let issuer = Issuer::new(params, authority);
    let key = KeyPair::generate().unwrap();
    let own = CertificateParams::new(vec!["store.lan".to_owned()]).unwrap();
    let own = own.signed_by(&key, &issuer).unwrap();
    fs::write(&files.certificate, own.pem()).unwrap();
    fs::write(&files.key, key.serialize_pem()).unwrap();
    let mut roots = RootCertStore::empty();
    roots.add(root.der().clone()).unwrap();
    let config = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_root_certificates(roots)
        .with_no_client_auth();
    TlsConnector::from(Arc::new(config))
}

async fn connect(port: u16, tls: &TlsConnector) -> TlsStream<TcpStream> {
    let stream = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
    let name = ServerName::try_from("store.lan").unwrap();
    tls.connect(name, stream).await.unwrap()
}

async fn ask(port: u16, tls: &TlsConnector, head: &str, body: &str) -> String {
    let mut stream = connect(port, tls).await;
    let length = body.len();
    let request = format!(
        "{head}\r\nHost: store.lan:8480\r\nConnection: close\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: {length}\r\n\r\n{body}"
    );
    stream.write_all(request.as_bytes()).await.unwrap();
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).await.unwrap();
    String::from_utf8(answer).unwrap()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_cookie_is_bound_to_tls_and_an_open_stream_holds_up_no_end() {
    let farm = Farm::new("");
    let mut config = farm.config();
    let files = Files {
        certificate: farm.path("store.pem"),
        key: farm.path("store-key.pem"),
    };
    let tls = certify(&files);
    config.reach.tls = Some(files);
    config.reach.names = vec!["store.lan".to_owned()];
    let store = Store::of(&farm, &config).await;
    store.set_passphrase(&farm).await;
    let port = store.running.access.served.port();

    let page = ask(port, &tls, "GET / HTTP/1.1", "").await;
    assert!(page.starts_with("HTTP/1.1 303"), "{page}");
    assert!(!page.to_lowercase().contains("strict-transport-security"));
    let form = encoded(&[("passphrase", PASSPHRASE), ("name", "Ida")]);
    let head = "POST /sign-in HTTP/1.1\r\nOrigin: https://store.lan:8480";
    let answer = ask(port, &tls, head, &form).await;
    let cookie = answer
        .lines()
        .find_map(|l| l.strip_prefix("set-cookie: "))
        .unwrap_or_else(|| panic!("{answer}"));
    assert!(cookie.starts_with("__Host-overwinter="), "{cookie}");
    for part in ["; Path=/", "; HttpOnly", "; SameSite=Lax", "; Secure"] {
        assert!(cookie.contains(part), "{cookie}");
    }
    assert!(!cookie.contains("Domain"));
    let pair = cookie.split(';').next().unwrap();
    let page = ask(port, &tls, &format!("GET / HTTP/1.1\r\nCookie: {pair}"), "").await;
    assert!(page.starts_with("HTTP/1.1 200"), "{page}");
    assert!(!page.contains("not encrypted"));
    // The name without its prefix is another cookie.
    let bare = pair.trim_start_matches("__Host-");
    let page = ask(port, &tls, &format!("GET / HTTP/1.1\r\nCookie: {bare}"), "").await;
    assert!(page.starts_with("HTTP/1.1 303"), "{page}");
    let head = "POST /sign-in HTTP/1.1\r\nOrigin: http://store.lan:8480";
    assert!(
        ask(port, &tls, head, &form)
            .await
            .starts_with("HTTP/1.1 403")
    );

    // Whoever speaks no TLS gets nothing, and nobody else is disturbed.
    let mut plain = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
    let _ = plain
        .write_all(b"GET / HTTP/1.1\r\nHost: store.lan\r\n\r\n")
        .await;
    let mut answer = Vec::new();
    let _ = plain.read_to_end(&mut answer).await;
    assert!(!answer.starts_with(b"HTTP"), "{answer:?}");

    let mut stream = connect(port, &tls).await;
    let head = format!("GET /events HTTP/1.1\r\nHost: store.lan\r\nCookie: {pair}\r\n\r\n");
    stream.write_all(head.as_bytes()).await.unwrap();
    let mut start = [0; 12];
    stream.read_exact(&mut start).await.unwrap();
    assert_eq!(&start, b"HTTP/1.1 200");
    // Were it waited for, this would take for ever.
    store.running.finish().await;
}
