//! The first passphrase, and what is open before it.

use crate::{
    browser::{PASSPHRASE, Store},
    farm::{Farm, START, minute},
};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_code_sets_the_first_passphrase_once() {
    let farm = Farm::new("");
    let store = Store::open(&farm).await;
    let (ida, other) = (store.browser(), store.browser());
    for path in ["/", "/alerts", "/api/status"] {
        assert_eq!(other.get(path).await.status, 200, "{path} is open here");
    }
    assert!(!other.get("/").await.text.contains("/devices"));
    assert_eq!(ida.get("/welcome").await.status, 410, "no code yet");
    assert_eq!(ida.get("/sign-in").await.location(), "/");

    let first = store.running.access.offer_code(START).unwrap();
    let code = store.running.access.offer_code(START).unwrap();
    assert!(ida.get("/welcome").await.text.contains("name=\"code\""));
    let fill = |code: &str, passphrase: &str, again: &str| {
        [
            ("code", code),
            ("passphrase", passphrase),
            ("again", again),
            ("name", "Ida"),
        ]
        .map(|(n, v)| (n.to_owned(), v.to_owned()))
    };
    let send = async |fields: [(String, String); 4]| {
        let fields = fields.each_ref().map(|(n, v)| (n.as_str(), v.as_str()));
        ida.post("/welcome", &fields).await
    };
    for (fields, says) in [
        (fill(&first, PASSPHRASE, PASSPHRASE), "not the code"),
        (fill("", PASSPHRASE, PASSPHRASE), "not the code"),
        (fill(&code, "short", "short"), "shorter than 8"),
        (fill(&code, "password1", "password1"), "among the first"),
        (
            fill(&code, "Invented store", "Invented store"),
            "among the first",
        ),
        (fill(&code, PASSPHRASE, "ladle fog ten"), "not the same"),
    ] {
        let answer = send(fields).await;
        assert_eq!(answer.status, 403);
        assert!(answer.text.contains(says), "{says}: {}", answer.text);
        assert!(!answer.text.contains(PASSPHRASE));
    }
    let spoken = code.to_lowercase().replace('-', " ");
    let answer = send(fill(&spoken, PASSPHRASE, PASSPHRASE)).await;
    assert_eq!((answer.status, answer.location()), (303, "/devices"));
    assert!(ida.is_in().await && !other.is_in().await);
    assert!(ida.get("/devices").await.text.contains("Ida"));
    let again = send(fill(&code, "another one here", "another one here")).await;
    assert_eq!(again.location(), "/sign-in");
    assert_eq!(other.get("/welcome").await.location(), "/sign-in");
    let failed = ("127.0.0.1".to_owned(), "sign-in failed".to_owned());
    let ida_did = |what: &str| ("Ida".to_owned(), what.to_owned());
    assert_eq!(
        store.log().await,
        [
            failed.clone(),
            failed,
            ida_did("passphrase set"),
            ida_did("signed in")
        ]
    );
    store.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_code_holds_for_an_hour_and_is_not_guessed() {
    let farm = Farm::new("");
    let store = Store::open(&farm).await;
    let browser = store.browser();
    let code = store.running.access.offer_code(START).unwrap();
    let send = async |code: &str| {
        let fields = [
            ("code", code),
            ("passphrase", PASSPHRASE),
            ("again", PASSPHRASE),
        ];
        browser.post("/welcome", &fields).await
    };
    for _ in 0..5 {
        assert_eq!(send("BBBB-BBBB-BBBB-BBBB").await.status, 403);
    }
    let answer = send(&code).await;
    assert_eq!((answer.status, answer.header("retry-after")), (429, "30"));
    farm.clock.set(minute(60));
    assert_eq!(send(&code).await.status, 410, "too old");
    assert!(browser.is_in().await, "nothing was set");
    store.running.finish().await;
}
