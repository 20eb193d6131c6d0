//! A receiver that answers what it is told to.

use std::time::Duration;

use overwinter::{
    notify::{
        channel::{Roots, Secret, Undelivered, Way},
        webhook::{Address, Settings},
    },
    watch::Stamp,
};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use tokio::{
    io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt},
    net::TcpListener,
    task::JoinHandle,
};

use super::{HASTY, PATIENT, TRY, authority, later, never, note, send};

/// What comes after the request.
enum Then {
    Answer(&'static str),
    HangUp,
    Drip,
    /// The head of an answer and a body that never ends.
    Endless(&'static str),
}

async fn request(stream: &mut (impl AsyncRead + Unpin)) -> Option<(String, Vec<u8>)> {
    let mut bytes = Vec::new();
    loop {
        let mut part = [0; 4096];
        match stream.read(&mut part).await {
            Ok(n @ 1..) => bytes.extend_from_slice(&part[..n]),
            _ => return None,
        }
        let Some(end) = bytes.windows(4).position(|w| w == b"\r\n\r\n") else {
            continue;
        };
        let head = String::from_utf8(bytes[..end].to_vec()).unwrap();
        let length: usize = header(&head, "content-length").unwrap().parse().unwrap();
        if end + 4 + length <= bytes.len() {
            return Some((head, bytes[end + 4..].to_vec()));
        }
    }
}

async fn answer(mut stream: impl AsyncRead + AsyncWrite + Unpin, then: Then) -> (String, Vec<u8>) {
    let Some(request) = request(&mut stream).await else {
        return (String::new(), Vec::new());
    };
    match then {
        Then::Answer(text) => stream.write_all(text.as_bytes()).await.unwrap(),
        Then::HangUp => {}
        Then::Drip => {
            let mut pace = tokio::time::interval(Duration::from_millis(20));
            while stream.write_all(b"H").await.is_ok() {
                let _ = stream.flush().await;
                pace.tick().await;
            }
        }
        Then::Endless(head) => {
            stream.write_all(head.as_bytes()).await.unwrap();
            while stream.write_all(&[b'z'; 512]).await.is_ok() {}
        }
    }
    let _ = stream.flush().await;
    let _ = stream.shutdown().await;
    request
}

async fn receiver(then: Then) -> (String, JoinHandle<(String, Vec<u8>)>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}/in/s3cret-path", listener.local_addr().unwrap());
    let heard = tokio::spawn(async move { answer(listener.accept().await.unwrap().0, then).await });
    (url, heard)
}

fn header<'a>(head: &'a str, name: &str) -> Option<&'a str> {
    head.lines().skip(1).find_map(|line| {
        let (key, value) = line.split_once(':')?;
        key.eq_ignore_ascii_case(name).then(|| value.trim())
    })
}

fn settings(url: &str) -> Settings {
    Settings {
        address: Address::parse(url).unwrap(),
        secret: Some(Secret::new("garden")),
        roots: Roots::default(),
    }
}

async fn tried(then: Then, limit: Duration) -> Result<String, Undelivered> {
    let (url, _heard) = receiver(then).await;
    send(Way::Webhook(settings(&url)), &note(), limit).await
}

/// HMAC by its definition (RFC 2104), apart from the library the program uses for it.
fn hmac(key: &[u8], text: &[u8]) -> String {
    let mut block = [0; 64];
    if 64 < key.len() {
        block[..32].copy_from_slice(&Sha256::digest(key));
    } else {
        block[..key.len()].copy_from_slice(key);
    }
    let inner = Sha256::new()
        .chain_update(block.map(|b| b ^ 0x36))
        .chain_update(text)
        .finalize();
    let outer = Sha256::new()
        .chain_update(block.map(|b| b ^ 0x5c))
        .chain_update(inner)
        .finalize();
    outer.iter().map(|b| format!("{b:02x}")).collect()
}

#[test]
fn the_measure_of_signatures_is_right() {
    // RFC 4231 sections 4.2, 4.3 and 4.7 (a key longer than a block).
    assert_eq!(
        hmac(&[0x0b; 20], b"Hi There"),
        "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"
    );
    assert_eq!(
        hmac(b"Jefe", b"what do ya want for nothing?"),
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    );
    assert_eq!(
        hmac(
            &[0xaa; 131],
            b"Test Using Larger Than Block-Size Key - Hash Key First"
        ),
        "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"
    );
}

#[tokio::test]
async fn an_event_arrives_whole_and_signed() {
    for (text, said) in [
        ("HTTP/1.1 200 OK\r\ncontent-length: 2\r\n\r\nok", "200 OK"),
        (
            "HTTP/1.1 202 Accepted\r\ncontent-length: 0\r\n\r\n",
            "202 Accepted",
        ),
        ("HTTP/1.1 204 No Content\r\n\r\n", "204 No Content"),
    ] {
        let (url, heard) = receiver(Then::Answer(text)).await;
        let result = send(Way::Webhook(settings(&url)), &note(), PATIENT).await;
        assert_eq!(result.unwrap(), said);
        let (head, body) = heard.await.unwrap();
        assert!(
            head.starts_with("POST /in/s3cret-path HTTP/1.1\r\n"),
            "{head}"
        );
        let type_of = header(&head, "content-type");
        assert_eq!(type_of, Some("application/cloudevents+json; charset=utf-8"));
        let key = header(&head, "idempotency-key");
        assert_eq!(key, Some("1768356600000%20cold%20cellar:ann"));
        let at = header(&head, "webhook-timestamp").unwrap();
        assert_eq!(at, (TRY.0 / 1000).to_string());
        let signed = [at.as_bytes(), b".", &body].concat();
        let signature = format!("v1={}", hmac(b"garden", &signed));
        assert_eq!(header(&head, "webhook-signature"), Some(signature.as_str()));
        let event: Value = serde_json::from_slice(&body).unwrap();
        assert_eq!(
            event,
            json!({
                "specversion": "1.0",
                "id": "1768356600000 cold cellar:ann",
                "source": "/overwinter/Cellar%20%26%20barn",
                "type": "overwinter.message.announce",
                "time": "2026-01-14T02:10:00Z",
                "subject": "Too cold in the cellar",
                "datacontenttype": "application/json",
                "data": {
                    "contact": "ann",
                    "priority": "high",
                    "subject": "Too cold in the cellar",
                    "short": note().short,
                    "long": note().long,
                    "link": "http://192.168.1.20:8480/alerts",
                    "figures": { "room": "cellar", "value": 34.3 },
                },
            })
        );
    }
}

#[tokio::test]
async fn nothing_is_signed_without_a_secret() {
    let (url, heard) = receiver(Then::Answer("HTTP/1.1 200 OK\r\ncontent-length: 0\r\n\r\n")).await;
    let plain = Settings {
        secret: None,
        ..settings(&url)
    };
    send(Way::Webhook(plain), &note(), PATIENT).await.unwrap();
    let (head, _) = heard.await.unwrap();
    assert_eq!(header(&head, "webhook-signature"), None);
    assert_eq!(header(&head, "webhook-timestamp"), None);
}

#[tokio::test]
async fn what_may_pass_is_put_off() {
    // 20 seconds after the time of the try.
    assert_eq!(TRY, Stamp(1_768_356_660_000));
    let seconds = |s| Some(Duration::from_secs(s));
    for (text, status, wait) in [
        (
            "HTTP/1.1 429 Too Many Requests\r\nretry-after: 17\r\ncontent-length: 0\r\n\r\n",
            "429",
            seconds(17),
        ),
        (
            "HTTP/1.1 429 Too Many Requests\r\nretry-after: Wed, 14 Jan 2026 02:11:20 GMT\r\ncontent-length: 0\r\n\r\n",
            "429",
            seconds(20),
        ),
        (
            "HTTP/1.1 503 Service Unavailable\r\nretry-after: 86400\r\ncontent-length: 0\r\n\r\n",
            "503",
            seconds(3600),
        ),
        (
            "HTTP/1.1 500 Internal Server Error\r\ncontent-length: 4\r\n\r\noops",
            "500 Internal Server Error: oops",
            None,
        ),
        (
            "HTTP/1.1 408 Request Timeout\r\ncontent-length: 0\r\n\r\n",
            "408",
            None,
        ),
        (
            "HTTP/1.1 425 Too Early\r\ncontent-length: 0\r\n\r\n",
            "425",
            None,
        ),
        (
            "HTTP/1.1 401 Unauthorized\r\ncontent-length: 0\r\n\r\n",
            "401",
            None,
        ),
        (
            "HTTP/1.1 403 Forbidden\r\ncontent-length: 0\r\n\r\n",
            "403",
            None,
        ),
        (
            "HTTP/1.1 404 Not Found\r\ncontent-length: 0\r\n\r\n",
            "404",
            None,
        ),
    ] {
        let (why, asked) = later(tried(Then::Answer(text), PATIENT).await);
        assert!(why.contains(status), "{why}");
        assert!(!why.contains("s3cret"), "{why}");
        assert_eq!(asked, wait, "{text}");
    }
    for then in [Then::HangUp, Then::Answer("SSH-2.0-shed\r\n\r\n")] {
        let (why, _) = later(tried(then, PATIENT).await);
        assert!(why.starts_with("cannot reach http://127.0.0.1:"), "{why}");
        assert!(!why.contains("s3cret"), "{why}");
    }
    let (why, _) = later(tried(Then::Drip, HASTY).await);
    assert_eq!(why, "was not done within 400ms");
}

#[tokio::test]
async fn what_cannot_pass_is_given_up() {
    for text in [
        "HTTP/1.1 410 Gone\r\ncontent-length: 0\r\n\r\n",
        "HTTP/1.1 400 Bad Request\r\ncontent-length: 0\r\n\r\n",
        "HTTP/1.1 422 Unprocessable Content\r\ncontent-length: 0\r\n\r\n",
    ] {
        never(tried(Then::Answer(text), PATIENT).await);
    }
    // Nobody listens there: following would end in a fault that is put off.
    let moved = "HTTP/1.1 301 Moved Permanently\r\nlocation: http://127.0.0.1:1/\r\ncontent-length: 0\r\n\r\n";
    let why = never(tried(Then::Answer(moved), PATIENT).await);
    assert!(why.contains("301") && why.contains("new address"), "{why}");
}

#[tokio::test]
async fn an_endless_answer_is_cut_off() {
    let ok = "HTTP/1.1 200 OK\r\ncontent-length: 999999999\r\n\r\n";
    assert_eq!(tried(Then::Endless(ok), PATIENT).await.unwrap(), "200 OK");
    let bad = "HTTP/1.1 400 Bad Request\r\ncontent-length: 999999999\r\n\r\n";
    let why = never(tried(Then::Endless(bad), PATIENT).await);
    assert!(why.chars().count() < 400, "{}", why.len());
}

#[tokio::test]
async fn a_receiver_on_the_farm_is_trusted_by_its_own_authority_alone() {
    let (acceptor, pem) = authority();
    for trusted in [true, false] {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let url = format!("https://{}/in", listener.local_addr().unwrap());
        let acceptor = acceptor.clone();
        let heard = tokio::spawn(async move {
            let (stream, _) = listener.accept().await.unwrap();
            match acceptor.accept(stream).await {
                Ok(stream) => {
                    let text = "HTTP/1.1 200 OK\r\ncontent-length: 0\r\n\r\n";
                    answer(stream, Then::Answer(text)).await.1.len()
                }
                Err(_) => 0,
            }
        });
        // Something to trust, lest a machine without authorities of its own refuses for that.
        let own = if trusted { pem.clone() } else { authority().1 };
        let settings = Settings {
            roots: Roots::parse(own.as_bytes()).unwrap(),
            ..settings(&url)
        };
        let result = send(Way::Webhook(settings), &note(), PATIENT).await;
        if trusted {
            assert_eq!(result.unwrap(), "200 OK");
            assert!(0 < heard.await.unwrap());
        } else {
            let (why, _) = later(result);
            assert!(why.contains("certificate"), "{why}");
            assert_eq!(heard.await.unwrap(), 0);
        }
    }
}
