//! What a stranger on the network tries: many at once, odd requests, other people's forms, and a look at
//! what is kept and logged.

use std::{
    fs,
    io::{BufRead as _, BufReader, Write as _},
    process::Stdio,
    sync::{Arc, Mutex},
};

use nix::{
    sys::signal::{Signal, kill},
    unistd::Pid,
};
use reqwest::Method;
use sha2::{Digest as _, Sha256};
use tokio::{
    io::{AsyncReadExt as _, AsyncWriteExt as _},
    net::TcpStream,
};

use crate::{
    browser::{Browser, PASSPHRASE, Store, client},
    commands::{command, say},
    farm::{Farm, START, encoded},
    sessions::link_from,
};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_kept_of_secrets() {
    let farm = Farm::new("");
    let store = Store::locked(&farm).await;
    // OWASP Password Storage Cheat Sheet: argon2id with at least 19 MiB, two passes, one lane.
    let hash = store.running.store.passphrase().await.unwrap().unwrap();
    let parts: Vec<&str> = hash.split('$').collect();
    let [_, kind, version, costs, salt, tag] = parts[..] else {
        panic!("{hash}");
    };
    assert_eq!((kind, version), ("argon2id", "v=19"));
    let cost = |name: &str| -> u32 {
        let mut all = costs.split(',').filter_map(|c| c.split_once('='));
        all.find(|(n, _)| *n == name).unwrap().1.parse().unwrap()
    };
    assert!(
        19_456 <= cost("m") && 2 <= cost("t") && 1 <= cost("p"),
        "{costs}"
    );
    // Base64 without padding: 16 bytes of salt (RFC 9106, 3.1) and 32 of tag.
    assert!(22 <= salt.len() && 43 <= tag.len(), "{hash}");

    let ida = store.signed_in("Ida").await;
    let cookie = ida.cookie.lock().unwrap().clone();
    let token = cookie.split_once('=').unwrap().1;
    // At least 128 random bits (OWASP ASVS 5.0, 7.2.3); here 256 in hexadecimal.
    assert!(token.len() == 64 && token.bytes().all(|b| b.is_ascii_hexdigit()));
    let digest: [u8; 32] = Sha256::digest(token).into();
    let device = store.running.store.device(&digest, START).await.unwrap();
    assert_eq!(device.unwrap().person, "Ida");
    let link = link_from(&ida).await;
    let digest: [u8; 32] = Sha256::digest(link.trim_start_matches("/phone/")).into();
    assert!(
        store
            .running
            .store
            .link_holds(&digest, START)
            .await
            .unwrap()
    );
    store.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn many_at_once_get_no_more_than_one_after_the_other() {
    let farm = Farm::new("");
    let store = Store::open(&farm).await;
    let all = async |path: &str, fields: &[(&str, &str)], n: usize| {
        let mut tasks = Vec::new();
        for _ in 0..n {
            let request = client()
                .post(format!("{}{path}", store.base))
                .header("content-type", "application/x-www-form-urlencoded")
                .body(encoded(fields));
            tasks.push(tokio::spawn(request.send()));
        }
        let mut answers = Vec::new();
        for task in tasks {
            let answer = task.await.unwrap().unwrap();
            answers.push((
                answer.status().as_u16(),
                answer.headers().contains_key("set-cookie"),
            ));
        }
        answers
    };
    let count =
        |answers: &[(u16, bool)], status: u16| answers.iter().filter(|(s, _)| *s == status).count();

    // One set-up code, several hands: one of them sets the passphrase.
    let code = store.running.access.offer_code(START).unwrap();
    let fields = [
        ("code", code.as_str()),
        ("passphrase", PASSPHRASE),
        ("again", PASSPHRASE),
    ];
    let answers = all("/welcome", &fields, 4).await;
    assert_eq!(answers.iter().filter(|a| a.1).count(), 1, "{answers:?}");
    let devices = store.running.store.devices(START).await.unwrap();
    assert_eq!(devices.len(), 1);

    // One link, several phones.
    let ida = store.signed_in("Ida").await;
    let link = link_from(&ida).await;
    let answers = all(&link, &[("name", "Phone")], 8).await;
    assert_eq!((count(&answers, 303), count(&answers, 410)), (1, 7));

    // Twenty guesses: five are looked at, whether they are right or not.
    let answers = all("/sign-in", &[("passphrase", "wrong guess")], 20).await;
    assert_eq!(
        (count(&answers, 403), count(&answers, 429)),
        (5, 15),
        "{answers:?}"
    );
    assert!(ida.is_in().await, "who is in stays in");
    store.running.finish().await;
}

async fn raw(store: &Store, request: &str) -> String {
    let port = store.running.address.port();
    let mut stream = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
    stream.write_all(request.as_bytes()).await.unwrap();
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).await.unwrap();
    String::from_utf8_lossy(&answer).into_owned()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn odd_requests_open_nothing() {
    let farm = Farm::new("");
    let store = Store::open(&farm).await;
    // Without a passphrase this computer is served, but not what it passes on for somebody else.
    let browser = store.browser();
    assert_eq!(browser.get("/").await.status, 200);
    for passed_on in [
        ("x-forwarded-for", "192.0.2.9"),
        ("forwarded", "for=192.0.2.9"),
        ("via", "1.1 gate"),
        ("x-real-ip", "192.0.2.9"),
    ] {
        let answer = browser.ask(Method::GET, "/", &[passed_on], None).await;
        assert_eq!(answer.status, 403, "{passed_on:?}");
    }
    for (head, why) in [
        ("GET / HTTP/1.0\r\n", "no name"),
        (
            "GET / HTTP/1.1\r\nHost:\r\nConnection: close\r\n",
            "an empty name",
        ),
        (
            "GET / HTTP/1.1\r\nHost: localhost\r\nHost: evil.example\r\nConnection: close\r\n",
            "two names",
        ),
        (
            "GET http://evil.example/ HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n",
            "another name in the first line",
        ),
        (
            "GET / HTTP/1.1\r\nHost: localhost:evil\r\nConnection: close\r\n",
            "a port that is none",
        ),
    ] {
        let answer = raw(&store, &format!("{head}\r\n")).await;
        let status = answer.split(' ').nth(1).unwrap_or_default();
        assert!(matches!(status, "400" | "403"), "{why}: {answer}");
        assert!(!answer.contains("cellar"), "{why}");
    }
    store.set_passphrase(&farm).await;
    for path in [
        "/static/../devices",
        "/static/%2e%2e/devices",
        "/static/..%2f..%2fCargo.toml",
        "/phone/%ff",
        "/phone/..%2fdevices",
        "/sign-in/../devices",
        "/%2e/",
    ] {
        let head = format!("GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n");
        let answer = raw(&store, &head).await;
        let status: u16 = answer.split(' ').nth(1).unwrap().parse().unwrap();
        assert!((300..500).contains(&status), "{path}: {answer}");
        assert!(!answer.contains("Signed in since"), "{path}");
    }
    store.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nobody_is_led_elsewhere() {
    let farm = Farm::new("");
    let store = Store::locked(&farm).await;
    let browser = store.signed_in("Ida").await;
    for bad in [
        "//evil.example",
        "///evil.example",
        "/\\evil.example",
        "\\\\evil.example",
        "https://evil.example",
        "https:evil.example",
        "javascript:alert(1)",
        "/\t/evil.example",
        "/\r\nset-cookie: x=1",
        "/k\u{e4}fig",
        "/\u{2044}evil.example",
        " /alerts",
    ] {
        let query = encoded(&[("next", bad)]);
        let answer = browser.get(&format!("/sign-in?{query}")).await;
        assert_eq!((answer.status, answer.location()), (303, "/"), "{bad:?}");
        let fields = [("passphrase", PASSPHRASE), ("next", bad)];
        let answer = browser.post("/sign-in", &fields).await;
        assert_eq!((answer.status, answer.location()), (303, "/"), "{bad:?}");
    }
    store.running.finish().await;
}

/// What other sites' forms and scripts send, for every way to change something.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn other_sites_change_nothing_in_a_browser_that_is_signed_in() {
    let farm = Farm::new("");
    let store = Store::locked(&farm).await;
    let ida = store.signed_in("Ida").await;
    let mut asked = 0;
    for route in crate::routes::all() {
        let path = route
            .replace("{token}", "0000")
            .replace("{*path}", "overwinter.css");
        for header in [
            ("origin", "https://evil.example"),
            ("origin", "null"),
            ("origin", "http://127.0.0.1:1"),
            ("sec-fetch-site", "cross-site"),
            ("sec-fetch-site", "same-site"),
        ] {
            let answer = ida
                .ask(Method::POST, &path, &[header], Some(String::new()))
                .await;
            assert_eq!(answer.status, 403, "{path} {header:?}");
            asked += 1;
        }
        let other = [("host", "evil.example")];
        let answer = ida.ask(Method::GET, &path, &other, None).await;
        assert_eq!(answer.status, 403, "{path}");
    }
    assert!(75 <= asked);
    assert!(ida.is_in().await);
    store.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_change_of_the_passphrase_ends_every_device_and_stream() {
    let farm = Farm::new("");
    let store = Store::locked(&farm).await;
    let ida = store.signed_in("Ida").await;
    let jonas = store.signed_in("Jonas").await;
    let mut stream = ida.events().await;
    assert_eq!(stream.status(), 200);
    let mut tx = store.running.store.begin().await.unwrap();
    let hash = crate::browser::hash();
    let ended = tx.change_passphrase(hash, START, "test").await.unwrap();
    tx.commit().await.unwrap();
    assert_eq!(ended, 2);
    assert!(!ida.is_in().await && !jonas.is_in().await);
    crate::sessions::report(&store, START, 9.0).await;
    assert_eq!(stream.chunk().await.unwrap(), None);
    store.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_log_holds_no_secret_however_much_it_says() {
    let farm = Farm::new("");
    let mut run = command(&farm, "run");
    run.env("OVERWINTER_LOG", "trace").stdout(Stdio::null());
    let mut child = run.spawn().unwrap();
    let pid = Pid::from_raw(child.id() as i32);
    let log = Arc::new(Mutex::new(String::new()));
    let (sender, receiver) = std::sync::mpsc::channel();
    let mut lines = BufReader::new(child.stderr.take().unwrap()).lines();
    let kept = log.clone();
    let reader = std::thread::spawn(move || {
        while let Some(Ok(line)) = lines.next() {
            let mut log = kept.lock().unwrap();
            log.push_str(&line);
            log.push('\n');
            let _ = sender.send(line);
        }
    });
    let line = receiver
        .iter()
        .find(|line| line.contains("set-up code: "))
        .unwrap();
    let code = line.rsplit(' ').next().unwrap().to_owned();
    let (_, rest) = line.split_once("open ").unwrap();
    let base = rest.split("/welcome").next().unwrap();
    let ida = Browser::at(base);
    let fields = [
        ("code", code.as_str()),
        ("passphrase", PASSPHRASE),
        ("again", PASSPHRASE),
        ("name", "Ida"),
    ];
    let answer = ida.post("/welcome", &fields).await;
    assert_eq!(answer.status, 303, "{answer:?}");
    let cookie = ida.cookie.lock().unwrap().clone();
    let link = link_from(&ida).await;
    let phone = Browser::at(base);
    assert_eq!(phone.get(&link).await.status, 200);
    assert_eq!(phone.post(&link, &[]).await.status, 303);
    assert_eq!(phone.post(&link, &[]).await.status, 410);
    assert_eq!(phone.sign_in("a wrong guess", "Eve").await.status, 403);
    assert_eq!(ida.sign_in(PASSPHRASE, "Ida").await.status, 303);
    kill(pid, Signal::SIGTERM).unwrap();
    assert!(child.wait().unwrap().success());
    reader.join().unwrap();
    let log = log.lock().unwrap();
    assert!(log.contains("a passphrase was wrong"), "it says something");
    assert_eq!(log.matches(&code).count(), 1, "once, when it is offered");
    for secret in [
        PASSPHRASE,
        &encoded(&[("passphrase", PASSPHRASE)]),
        "a wrong guess",
        cookie.split_once('=').unwrap().1,
        link.trim_start_matches("/phone/"),
        "$argon2id$",
    ] {
        let found: Vec<&str> = log.lines().filter(|l| l.contains(secret)).collect();
        assert!(found.is_empty(), "{secret} is in the log: {found:#?}");
    }
}

#[test]
fn wrong_input_on_the_command_line_changes_nothing_and_says_what_to_do() {
    let farm = Farm::new("");
    let long = "x y ".repeat(33);
    let endless = "long word ".repeat(20_000);
    for (typed, says) in [
        (long.as_str(), "longer than 128"),
        (endless.as_str(), "longer than 128"),
        ("\n\nladle fog nine\n", "shorter than 8"),
        ("Password 2026\n", "among the first"),
    ] {
        let said = say(command(&farm, "passphrase"), typed);
        assert_eq!((said.status, said.out.as_str()), (1, ""), "{}", said.err);
        assert!(
            said.err.contains(says) && said.err.contains("nothing was changed"),
            "{}",
            said.err
        );
        assert!(!said.err.contains(typed.trim()), "{}", said.err);
    }
    let mut child = command(&farm, "passphrase").spawn().unwrap();
    let mut typed = child.stdin.take().unwrap();
    typed.write_all(b"ladle \xff\xfe nine\n").unwrap();
    drop(typed);
    let output = child.wait_with_output().unwrap();
    let err = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(1), "{err}");
    assert!(err.contains("cannot read the passphrase"), "{err}");
    // A passphrase as an argument would stand in the shell's history.
    for verb in ["passphrase", "pair"] {
        let mut with = command(&farm, verb);
        with.arg(PASSPHRASE);
        let said = say(with, "");
        assert_eq!((said.status, said.out.as_str()), (1, ""), "{}", said.err);
    }
    assert!(!farm.path("overwinter.db").exists(), "nothing was made");
    let pair = say(command(&farm, "pair"), "");
    assert_eq!((pair.status, pair.out.as_str()), (1, ""));
    assert!(pair.err.contains("hint: "), "{}", pair.err);
    for verb in ["passphrase", "pair"] {
        let mut lost = command(&farm, verb);
        fs::remove_file(farm.path("overwinter.toml")).unwrap();
        lost.stdin(Stdio::null());
        let said = say(lost, "");
        assert_eq!((said.status, said.out.as_str()), (1, ""), "{}", said.err);
        assert!(said.err.contains("overwinter.toml"), "{}", said.err);
    }
}
