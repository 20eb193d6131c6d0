//! Under which names the pages answer, and from which pages they take anything.

use overwinter::cli::{Failure, run::Running};
use reqwest::Method;

use crate::{
    browser::{PASSPHRASE, Store},
    farm::{Farm, encoded},
};

const HTML: (&str, &str) = ("accept", "text/html,application/xhtml+xml");

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn hosts_and_origins() {
    let farm = Farm::new("");
    let mut config = farm.config();
    config.listen = "0.0.0.0:0".parse().unwrap();
    config.reach.plain_http = true;
    config.reach.names = vec!["store.lan".to_owned()];
    config.address = Some("https://tubers.example".to_owned());
    {
        let here = Store::open(&farm).await;
        here.set_passphrase(&farm).await;
        here.running.finish().await;
    }
    let store = Store::of(&farm, &config).await;
    let browser = store.browser();
    let ask = async |host: &str, accept: (&str, &str)| {
        let headers = [("host", host), accept];
        browser.ask(Method::GET, "/sign-in", &headers, None).await
    };
    for good in [
        "localhost",
        "127.0.0.1:8480",
        "192.0.2.7",
        "[2001:db8::1]:80",
        "shed.local",
        "store.lan:8480",
        "tubers.example",
    ] {
        assert_eq!(ask(good, HTML).await.status, 200, "{good}");
    }
    for bad in [
        "evil.example",
        "store.lan.evil.example",
        "192.0.2.7.evil.example",
        "local",
    ] {
        let person = ask(bad, HTML).await;
        assert_eq!(person.status, 403, "{bad}");
        assert!(person.text.contains("<h1>Refused</h1>"), "{}", person.text);
        let program = ask(bad, ("accept", "*/*")).await;
        assert_eq!(program.status, 403, "{bad}");
        assert_eq!(program.header("content-type"), "application/problem+json");
    }

    let body = || Some(encoded(&[("passphrase", PASSPHRASE), ("name", "Ida")]));
    for (host, headers, status) in [
        (
            "store.lan:8480",
            [
                ("origin", "http://store.lan:8480"),
                ("sec-fetch-site", "same-origin"),
            ],
            303,
        ),
        (
            "store.lan:8480",
            [("origin", "http://store.lan:8480"), ("x", "x")],
            303,
        ),
        (
            "tubers.example",
            [("origin", "https://tubers.example"), ("x", "x")],
            303,
        ),
        ("store.lan:8480", [("x", "x"), ("y", "y")], 303),
        (
            "store.lan:8480",
            [("origin", "https://store.lan:8480"), ("x", "x")],
            403,
        ),
        (
            "store.lan:8480",
            [("origin", "http://store.lan"), ("x", "x")],
            403,
        ),
        (
            "store.lan:8480",
            [("origin", "http://evil.example"), ("x", "x")],
            403,
        ),
        ("store.lan:8480", [("origin", "null"), ("x", "x")], 403),
        (
            "store.lan:8480",
            [("x", "x"), ("sec-fetch-site", "cross-site")],
            403,
        ),
        (
            "store.lan:8480",
            [("x", "x"), ("sec-fetch-site", "same-site")],
            403,
        ),
        (
            "tubers.example",
            [("origin", "http://tubers.example"), ("x", "x")],
            403,
        ),
    ] {
        browser.cookie.lock().unwrap().clear();
        let all = [("host", host), headers[0], headers[1]];
        let answer = browser.ask(Method::POST, "/sign-in", &all, body()).await;
        assert_eq!(answer.status, status, "{host} {headers:?}");
        let cookie = answer.header("set-cookie");
        if status == 403 {
            assert_eq!(cookie, "", "{host} {headers:?}");
        } else {
            // Behind a proxy that adds TLS, `address` says so.
            let secure = host == "tubers.example";
            assert_eq!(cookie.starts_with("__Host-overwinter="), secure, "{cookie}");
            assert_eq!(
                cookie.ends_with("; SameSite=Lax; Secure"),
                secure,
                "{cookie}"
            );
            assert!(cookie.contains("; Path=/; ") && cookie.contains("; HttpOnly"));
        }
    }
    let page = ask("store.lan", HTML).await.text;
    assert!(page.contains("This connection is not encrypted"), "{page}");
    let ida = store.signed_in("Ida").await;
    let page = ida.get("/").await.text;
    assert!(page.contains("This connection is not encrypted"));
    assert!(page.contains("href=\"/devices\""));
    store.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nobody_is_served_beyond_this_computer_without_a_passphrase() {
    let farm = Farm::new("");
    let mut config = farm.config();
    config.listen = "0.0.0.0:0".parse().unwrap();
    config.reach.plain_http = true;
    let refused = Running::start(&config, farm.clock.clone(), None).await;
    let Err(Failure::Input(what, hint)) = refused else {
        panic!("it starts");
    };
    assert!(what.contains("no passphrase") && hint.contains("overwinter passphrase"));
    // Nothing was recorded as a start.
    assert!(!config.database.exists());

    // On loopback a proxy may stand in front: a name of its own opens nothing.
    let mut config = farm.config();
    config.reach.names = vec!["store.lan".to_owned()];
    let store = Store::of(&farm, &config).await;
    let browser = store.browser();
    assert_eq!(browser.get("/").await.status, 200);
    let answer = browser
        .ask(Method::GET, "/", &[("host", "store.lan")], None)
        .await;
    assert_eq!(answer.status, 403);
    assert!(
        answer.text.contains("overwinter passphrase"),
        "{}",
        answer.text
    );
    store.running.finish().await;
}
