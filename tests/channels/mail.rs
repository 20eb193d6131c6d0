//! A mail server that keeps to a script.

use std::time::Duration;

use overwinter::notify::{
    channel::{Roots, Secret, Undelivered, Way},
    email::{Login, Security, Settings, mailbox},
};
use tokio::{
    io::{AsyncBufReadExt, AsyncRead, AsyncWrite, AsyncWriteExt, BufReader},
    net::{TcpListener, TcpStream},
    task::JoinHandle,
};
use tokio_rustls::TlsAcceptor;

use super::{HASTY, PATIENT, authority, later, never, note, send};

/// What the server says at each point. An empty answer means that it says nothing more and waits
/// for the client to leave; `hang up` closes the connection.
#[derive(Clone)]
struct Script {
    greeting: &'static str,
    auth: &'static str,
    rcpt: fn(&str) -> &'static str,
    end: &'static str,
    quit: &'static str,
    tls: Option<(Security, TlsAcceptor)>,
}

impl Default for Script {
    fn default() -> Self {
        Self {
            greeting: "220 mail.farm.example ready",
            auth: "235 welcome",
            rcpt: |_| "250 ok",
            end: "250 2.0.0 queued as 4711",
            quit: "221 bye",
            tls: None,
        }
    }
}

/// Every line the client said, the letter among them.
type Heard = JoinHandle<Vec<String>>;

async fn server(script: Script) -> (u16, Heard) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let heard = tokio::spawn(async move {
        let (stream, _) = listener.accept().await.unwrap();
        let mut heard = Vec::new();
        match &script.tls {
            Some((Security::Tls, acceptor)) => match acceptor.accept(stream).await {
                Ok(stream) => converse(BufReader::new(stream), &script, true, &mut heard).await,
                Err(e) => heard.push(format!("no TLS: {e}")),
            },
            Some((_, acceptor)) => starttls(stream, acceptor, &script, &mut heard).await,
            None => converse(BufReader::new(stream), &script, true, &mut heard).await,
        }
        heard
    });
    (port, heard)
}

async fn starttls(
    stream: TcpStream,
    acceptor: &TlsAcceptor,
    script: &Script,
    heard: &mut Vec<String>,
) {
    let mut plain = BufReader::new(stream);
    say(&mut plain, script.greeting).await;
    for answer in ["250-farm\r\n250 STARTTLS", "220 go ahead"] {
        let mut line = String::new();
        plain.read_line(&mut line).await.unwrap();
        heard.push(line.trim_end().to_owned());
        say(&mut plain, answer).await;
    }
    match acceptor.accept(plain.into_inner()).await {
        Ok(stream) => converse(BufReader::new(stream), script, false, heard).await,
        Err(e) => heard.push(format!("no TLS: {e}")),
    }
}

async fn say(stream: &mut (impl AsyncWrite + Unpin), text: &str) {
    let _ = stream.write_all(format!("{text}\r\n").as_bytes()).await;
    let _ = stream.flush().await;
}

async fn converse<S: AsyncRead + AsyncWrite + Unpin>(
    mut stream: BufReader<S>,
    script: &Script,
    greet: bool,
    heard: &mut Vec<String>,
) {
    let mut answer = if greet { script.greeting } else { "" };
    let mut letter = false;
    if answer == "hang up" {
        return;
    }
    loop {
        if !answer.is_empty() {
            say(&mut stream, answer).await;
        }
        let mut line = String::new();
        if !stream.read_line(&mut line).await.is_ok_and(|n| 0 < n) {
            return;
        }
        let line = line.strip_suffix("\r\n").expect("lines end with CR LF");
        heard.push(line.to_owned());
        answer = match line.split([' ', ':']).next().unwrap() {
            "." if letter => {
                letter = false;
                script.end
            }
            _ if letter => "",
            "EHLO" => "250-farm\r\n250 AUTH PLAIN LOGIN",
            "AUTH" => script.auth,
            "MAIL" => "250 ok",
            "RCPT" => (script.rcpt)(line),
            "DATA" => {
                letter = true;
                "354 go on"
            }
            "QUIT" => script.quit,
            _ => "500 what?",
        };
        if answer == "hang up" || answer == "221 bye" {
            if answer == "221 bye" {
                say(&mut stream, answer).await;
            }
            return;
        }
    }
}

fn settings(port: u16) -> Settings {
    Settings {
        to: vec![
            mailbox("Ann <ann@farm.example>").unwrap(),
            mailbox("bo@farm.example").unwrap(),
        ],
        from: mailbox("store@farm.example").unwrap(),
        server: "127.0.0.1".to_owned(),
        port,
        security: Security::None,
        login: None,
        roots: Roots::default(),
    }
}

fn login() -> Login {
    Login {
        user: "store".to_owned(),
        password: Secret::new("hunter2"),
    }
}

async fn tried(script: Script, limit: Duration) -> (Result<String, Undelivered>, Vec<String>) {
    let (port, heard) = server(script).await;
    let settings = Settings {
        login: Some(login()),
        ..settings(port)
    };
    let result = send(Way::Email(settings), &note(), limit).await;
    (result, heard.await.unwrap())
}

#[tokio::test]
async fn a_letter_arrives_whole() {
    let (result, heard) = tried(Script::default(), PATIENT).await;
    assert_eq!(result.unwrap(), "250 2.0.0 queued as 4711");
    // base64 of NUL store NUL hunter2 (RFC 4616).
    assert_eq!(heard[1], "AUTH PLAIN AHN0b3JlAGh1bnRlcjI=");
    assert_eq!(heard[2], "MAIL FROM:<store@farm.example>");
    assert_eq!(heard[3], "RCPT TO:<ann@farm.example>");
    assert_eq!(heard[4], "RCPT TO:<bo@farm.example>");
    assert_eq!(heard[5], "DATA");
    assert_eq!(heard.last().unwrap(), "QUIT");
    for line in [
        "Subject: Too cold in the cellar",
        "Date: Wed, 14 Jan 2026 02:10:00 +0000",
        // base64 of `Cellar & barn` (RFC 2047).
        "From: =?utf-8?b?Q2VsbGFyICYgYmFybg==?= <store@farm.example>",
        "To: Ann <ann@farm.example>, bo@farm.example",
        "Auto-Submitted: auto-generated",
        "Importance: high",
        "X-Priority: 1 (Highest)",
        "MIME-Version: 1.0",
        "Content-Type: text/plain; charset=utf-8",
        "34.3 F now, should be above 35 F.",
        // A full stop alone on its line is doubled on the wire (RFC 5321 section 4.5.2).
        "..",
        "http://192.168.1.20:8480/alerts",
    ] {
        assert!(heard.iter().any(|l| l == line), "{line}: {heard:#?}");
    }
    let (_, again) = tried(Script::default(), PATIENT).await;
    assert_eq!(again, heard, "a repeat is the same letter");
}

#[tokio::test]
async fn what_may_pass_is_put_off() {
    let later_ones: [(Script, &str); 6] = [
        (
            Script {
                greeting: "421 4.3.2 too busy",
                ..Script::default()
            },
            "421 4.3.2 too busy",
        ),
        (
            Script {
                greeting: "554 no mail here",
                ..Script::default()
            },
            "554 no mail here",
        ),
        (
            Script {
                rcpt: |_| "451 4.7.1 come back later",
                ..Script::default()
            },
            "451 4.7.1 come back later",
        ),
        (
            Script {
                rcpt: |_| "550 5.7.1 relaying denied",
                ..Script::default()
            },
            "550 5.7.1 relaying denied",
        ),
        (
            Script {
                auth: "535 5.7.8 bad credentials",
                ..Script::default()
            },
            "name or password was not accepted",
        ),
        (
            Script {
                end: "hang up",
                ..Script::default()
            },
            "the message was not taken",
        ),
    ];
    for (script, words) in later_ones {
        let (result, _) = tried(script, PATIENT).await;
        let (why, wait) = later(result);
        assert!(why.contains(words), "{why}");
        assert!(!why.contains("hunter2") && wait.is_none(), "{why}");
    }
}

#[tokio::test]
async fn silence_is_put_off_at_the_limit() {
    for script in [
        Script {
            greeting: "",
            ..Script::default()
        },
        Script {
            end: "",
            ..Script::default()
        },
    ] {
        let (result, _) = tried(script, HASTY).await;
        assert_eq!(later(result).0, "was not done within 400ms");
    }
}

#[tokio::test]
async fn a_silent_farewell_takes_nothing_back() {
    let script = Script {
        quit: "",
        ..Script::default()
    };
    let (result, _) = tried(script, PATIENT).await;
    assert_eq!(result.unwrap(), "250 2.0.0 queued as 4711");
}

#[tokio::test]
async fn an_address_that_does_not_exist_is_given_up_and_keeps_no_other_from_its_mail() {
    let script = Script {
        rcpt: |_| "550 5.1.1 no such user",
        ..Script::default()
    };
    let (result, heard) = tried(script, PATIENT).await;
    let why = never(result);
    assert!(
        why.contains("ann@farm.example was refused: 550 5.1.1 no such user"),
        "{why}"
    );
    assert!(!heard.contains(&"DATA".to_owned()));

    let script = Script {
        rcpt: |line| {
            if line.contains("ann") {
                "550 no such user"
            } else {
                "250 ok"
            }
        },
        ..Script::default()
    };
    let (result, heard) = tried(script, PATIENT).await;
    let words = result.unwrap();
    assert!(
        words.contains("queued as 4711; but ann@farm.example was refused: 550"),
        "{words}"
    );
    assert!(heard.contains(&"Importance: high".to_owned()));

    // One that may exist tomorrow keeps the message alive.
    let script = Script {
        rcpt: |line| {
            if line.contains("ann") {
                "550 no such user"
            } else {
                "452 full"
            }
        },
        ..Script::default()
    };
    later(tried(script, PATIENT).await.0);

    let script = Script {
        end: "554 5.6.0 not this",
        ..Script::default()
    };
    assert!(never(tried(script, PATIENT).await.0).contains("554 5.6.0 not this"));
}

#[tokio::test]
async fn the_way_is_encrypted_before_anything_is_said() {
    let (acceptor, pem) = authority();
    for security in [Security::StartTls, Security::Tls] {
        let script = Script {
            tls: Some((security, acceptor.clone())),
            ..Script::default()
        };
        let trusting = |port| Settings {
            security,
            login: Some(login()),
            roots: Roots::parse(pem.as_bytes()).unwrap(),
            ..settings(port)
        };
        let (port, heard) = server(script.clone()).await;
        let result = send(Way::Email(trusting(port)), &note(), PATIENT).await;
        assert_eq!(result.unwrap(), "250 2.0.0 queued as 4711");
        assert!(
            heard
                .await
                .unwrap()
                .contains(&"AUTH PLAIN AHN0b3JlAGh1bnRlcjI=".to_owned())
        );

        // A stranger's certificate is not taken, and gets no password.
        let (port, heard) = server(script).await;
        let strict = Settings {
            roots: Roots::default(),
            ..trusting(port)
        };
        let (why, _) = later(send(Way::Email(strict), &note(), PATIENT).await);
        assert!(why.contains("certificate"), "{why}");
        let heard = heard.await.unwrap();
        assert!(!heard.iter().any(|l| l.contains("AUTH")), "{heard:?}");
    }
    // A server that offers no encryption gets no password either.
    let (port, heard) = server(Script::default()).await;
    let strict = Settings {
        security: Security::StartTls,
        login: Some(login()),
        ..settings(port)
    };
    let (why, _) = later(send(Way::Email(strict), &note(), PATIENT).await);
    assert!(why.contains("STARTTLS is not supported"), "{why}");
    let heard = heard.await.unwrap();
    assert!(!heard.iter().any(|l| l.contains("AUTH")), "{heard:?}");
}

#[tokio::test]
async fn nobody_listens() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    drop(listener);
    let (why, _) = later(send(Way::Email(settings(port)), &note(), PATIENT).await);
    assert!(
        why.contains(&format!("cannot connect to 127.0.0.1:{port}")),
        "{why}"
    );
}
