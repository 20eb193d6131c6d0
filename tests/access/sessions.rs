//! Signing in, waiting after wrong ones, staying in and being put out.

use reqwest::Method;

use crate::{
    browser::{Browser, PASSPHRASE, Store},
    farm::{Farm, START, STEP_MS, TOKEN, encoded, field, hour, minute, object, until},
};

const DAY: i64 = 24;

pub(crate) async fn report(store: &Store, at: overwinter::watch::Stamp, t: f64) {
    let request = crate::browser::client()
        .post(format!("{}/api/readings", store.base))
        .bearer_auth(TOKEN)
        .header("content-type", "application/json")
        .body(object("north", at, t, 80.0));
    assert_eq!(request.send().await.unwrap().status(), 200);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn signing_in_leads_back_and_names_who_acknowledges() {
    let farm = Farm::new("");
    let store = Store::locked(&farm).await;
    let browser = store.browser();
    let answer = browser.get("/crates?by=place&q=a%20b").await;
    assert_eq!(
        (answer.status, answer.location()),
        (303, "/sign-in?next=%2Fcrates%3Fby%3Dplace%26q%3Da%2520b")
    );
    let page = browser.get(answer.location()).await.text;
    assert_eq!(field(&page, "next"), "/crates?by=place&#38;q=a%20b");
    for part in [
        "autocomplete=\"current-password\"",
        "<label for=\"passphrase\">",
    ] {
        assert!(page.contains(part), "{part}");
    }
    assert!(
        !page.contains("<script") && !page.contains("cellar"),
        "nothing about the store"
    );
    let wrong = browser.sign_in("ladle fog ten", "Ida").await;
    assert_eq!(wrong.status, 403);
    assert!(wrong.text.contains("not the passphrase") && !wrong.text.contains("ladle"));
    assert_eq!(wrong.header("set-cookie"), "");

    for (next, to) in [
        ("/crates?by=place", "/crates?by=place"),
        ("//evil.example", "/"),
        ("https://evil.example", "/"),
        ("/\\evil.example", "/"),
    ] {
        let fields = [("passphrase", PASSPHRASE), ("name", "Ida"), ("next", next)];
        assert_eq!(browser.post("/sign-in", &fields).await.location(), to);
    }
    // Signed in anew four times: each ended the one before.
    let devices = store.running.store.devices(START).await.unwrap();
    assert_eq!(devices.len(), 1);
    assert_eq!(
        browser.get("/sign-in?next=%2Falerts").await.location(),
        "/alerts"
    );

    report(&store, START, 0.5).await;
    farm.clock.set(START.plus(STEP_MS));
    report(&store, START.plus(STEP_MS), 0.5).await;
    let page = browser.get("/").await.text;
    let occurrence = field(&page, "occurrence");
    browser
        .post("/alerts/acknowledge", &[("occurrence", &occurrence)])
        .await;
    let page = browser.get("/").await.text;
    assert!(page.contains("Seen by Ida"), "{page}");
    store.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn wrong_ones_wait_and_whoever_is_in_does_not() {
    let farm = Farm::new("");
    let store = Store::locked(&farm).await;
    let inside = store.signed_in("Ida").await;
    let outside = store.browser();
    for _ in 0..5 {
        assert_eq!(outside.sign_in("wrong", "").await.status, 403);
    }
    let mut now = START;
    for seconds in [30, 60, 120] {
        // Also the right one, and as often as one likes.
        for passphrase in [PASSPHRASE, "wrong"] {
            let answer = outside.sign_in(passphrase, "").await;
            assert_eq!(answer.status, 429);
            assert_eq!(answer.header("retry-after"), seconds.to_string());
            assert!(answer.text.contains("Wait a little"));
        }
        assert!(inside.is_in().await);
        now = now.plus(seconds * 1000);
        farm.clock.set(now);
        assert_eq!(outside.sign_in("wrong", "").await.status, 403);
    }
    farm.clock.set(now.plus(4 * 60_000));
    assert_eq!(outside.sign_in(PASSPHRASE, "").await.status, 303);
    for _ in 0..4 {
        assert_eq!(
            store.browser().sign_in("wrong", "").await.status,
            403,
            "begins afresh"
        );
    }
    let log = store.log().await;
    assert_eq!(log.iter().filter(|l| l.1 == "sign-in failed").count(), 12);
    store.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_session_ends_unused_after_30_days_and_in_any_case_after_180() {
    let farm = Farm::new("");
    let store = Store::locked(&farm).await;
    let (used, idle) = (store.signed_in("Ida").await, store.signed_in("Jonas").await);
    farm.clock.set(hour(30 * DAY).plus(-1));
    assert!(idle.is_in().await);
    let seen = async |at: overwinter::watch::Stamp| {
        until("both were noted", async || {
            let all = store.running.store.devices(at).await.unwrap();
            all.iter().any(|d| d.last_seen_at == at).then_some(())
        })
        .await;
    };
    seen(hour(30 * DAY).plus(-1)).await;
    for day in (29..=174).step_by(29) {
        farm.clock.set(hour(day * DAY));
        assert!(used.is_in().await, "day {day}");
        if 30 < day {
            seen(hour(day * DAY)).await;
        }
        if day == 29 {
            // Noted one at a time: ask again until it is this one's turn.
            until("the used one is noted", async || {
                used.is_in().await;
                let all = store.running.store.devices(hour(day * DAY)).await.unwrap();
                all.iter()
                    .any(|d| d.person == "Ida" && d.last_seen_at == hour(day * DAY))
                    .then_some(())
            })
            .await;
        }
    }
    assert!(!idle.is_in().await, "not used for long");
    farm.clock.set(hour(180 * DAY).plus(-1));
    assert!(used.is_in().await);
    farm.clock.set(hour(180 * DAY));
    assert!(!used.is_in().await, "half a year");
    let expired = used.events().await;
    assert_eq!(expired.status(), 401);
    store.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_device_that_is_ended_is_out_at_once_and_hears_nothing_more() {
    let farm = Farm::new("");
    let store = Store::locked(&farm).await;
    let (ida, lost) = (
        store.signed_in("Ida").await,
        store.signed_in("<b>Lost</b>").await,
    );
    let mut stream = lost.events().await;
    assert_eq!(stream.status(), 200);
    report(&store, START, 9.0).await;
    let event = stream.chunk().await.unwrap().unwrap();
    assert!(event.starts_with(b"event: changed"), "{event:?}");

    let page = ida.get("/devices").await.text;
    assert!(
        page.contains("this one") && page.contains("&#60;b&#62;Lost"),
        "{page}"
    );
    let device = field(&page, "device");
    let answer = ida.post("/devices/end", &[("device", &device)]).await;
    assert_eq!(answer.location(), "/devices");
    assert!(!lost.is_in().await && ida.is_in().await);
    for path in ["/api/status", "/events"] {
        let answer = lost.get(path).await;
        assert_eq!(answer.status, 401, "{path}");
        assert_eq!(answer.header("content-type"), "application/problem+json");
        assert!(!answer.header("www-authenticate").contains("Bearer"));
    }
    // The next change or ping finds that it is over.
    farm.clock.set(minute(20));
    report(&store, minute(20), 9.0).await;
    while let Some(event) = stream.chunk().await.unwrap() {
        let text = String::from_utf8_lossy(&event).into_owned();
        assert!(!text.contains("changed"), "{text}");
    }

    let third = store.signed_in("Third").await;
    let fourth = store.signed_in("Fourth").await;
    assert_eq!(
        ida.post("/devices/end-others", &[]).await.location(),
        "/devices"
    );
    assert!(ida.is_in().await && !third.is_in().await && !fourth.is_in().await);
    let cookie = ida.cookie.lock().unwrap().clone();
    let answer = ida.post("/sign-out", &[]).await;
    assert_eq!(answer.location(), "/sign-in");
    assert!(answer.header("set-cookie").contains("Max-Age=0"));
    // Not only the browser forgets it.
    *ida.cookie.lock().unwrap() = cookie;
    assert!(!ida.is_in().await);
    store.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stream_that_was_open_before_the_passphrase_ends() {
    let farm = Farm::new("");
    let store = Store::open(&farm).await;
    let mut stream = store.browser().events().await;
    store.set_passphrase(&farm).await;
    report(&store, START, 9.0).await;
    assert_eq!(stream.chunk().await.unwrap(), None);
    store.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_oldest_device_goes_when_there_are_too_many() {
    let farm = Farm::new("");
    let store = Store::locked(&farm).await;
    let first = store.signed_in("First").await;
    farm.clock.set(minute(1));
    let mut tx = store.running.store.begin().await.unwrap();
    for n in 0..overwinter::store::access::MOST_DEVICES {
        let token = [u8::try_from(n).unwrap(); 32];
        tx.sign_in(&token, "Hand", "x", minute(1)).await.unwrap();
    }
    tx.commit().await.unwrap();
    assert!(!first.is_in().await);
    let live = store.running.store.devices(minute(1)).await.unwrap();
    assert_eq!(live.len() as i64, overwinter::store::access::MOST_DEVICES);
    store.running.finish().await;
}

pub(crate) async fn link_from(browser: &Browser) -> String {
    let page = browser.post("/devices/add", &[]).await;
    assert_eq!(page.status, 200);
    assert!(page.text.contains("<svg class=\"qr\"") && page.text.contains("role=\"img\""));
    assert!(!page.text.contains(" style="));
    let (_, rest) = page.text.split_once("<code>http://").unwrap();
    let address = rest.split('<').next().unwrap();
    let (_, path) = address.split_once('/').unwrap();
    format!("/{path}")
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_link_signs_in_one_phone_once_and_only_by_its_button() {
    let farm = Farm::new("");
    let store = Store::locked(&farm).await;
    let ida = store.signed_in("Ida").await;
    let link = link_from(&ida).await;
    assert!(link.starts_with("/phone/"), "{link}");
    let phone = store.browser();
    for _ in 0..3 {
        let answer = phone.get(&link).await;
        assert_eq!((answer.status, answer.header("set-cookie")), (200, ""));
        let head = phone.ask(Method::HEAD, &link, &[], None).await;
        assert_eq!((head.status, head.header("set-cookie")), (200, ""));
    }
    assert!(!phone.is_in().await, "looking signs nobody in");
    let answer = phone.post(&link, &[("name", "Jonas")]).await;
    assert_eq!((answer.status, answer.location()), (303, "/"));
    assert!(phone.is_in().await && ida.is_in().await);
    let second = store.browser();
    assert_eq!(second.get(&link).await.status, 410);
    assert_eq!(second.post(&link, &[]).await.status, 410);
    assert_eq!(second.post("/phone/0000", &[]).await.status, 410);

    // A newer link makes an older one void, and none holds for more than ten minutes.
    let old = link_from(&ida).await;
    let new = link_from(&ida).await;
    assert_eq!(second.post(&old, &[]).await.status, 410);
    farm.clock.set(minute(10).plus(-1));
    assert_eq!(second.get(&new).await.status, 200);
    farm.clock.set(minute(10));
    assert_eq!(second.get(&new).await.status, 410);
    assert_eq!(second.post(&new, &[]).await.status, 410);
    assert!(!second.is_in().await);
    let log = store.log().await;
    assert!(log.contains(&("Ida".into(), "link made".into())));
    assert!(log.contains(&("Jonas".into(), "link used".into())));
    store.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_sent_to_the_door_is_bounded() {
    let farm = Farm::new("");
    let store = Store::locked(&farm).await;
    let browser = store.browser();
    let long = "x".repeat(9000);
    let answer = browser.post("/sign-in", &[("passphrase", &long)]).await;
    assert_eq!(answer.status, 400);
    let answer = browser
        .ask(
            Method::POST,
            "/sign-in",
            &[],
            Some(encoded(&[("name", "Ida")])),
        )
        .await;
    assert_eq!(answer.status, 400);
    let name = "N".repeat(500);
    assert_eq!(browser.sign_in(PASSPHRASE, &name).await.status, 303);
    let device = &store.running.store.devices(START).await.unwrap()[0];
    assert_eq!(device.person, "N".repeat(40));
    store.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_feed_reader_shows_its_key_and_sees_the_feed_alone() {
    let key = "0123456789abcdef0123456789abcdef";
    let farm = Farm::new(&format!(
        "[alerts]\nfeed_token_sha256 = \"{}\"\n",
        overwinter::intake::sha256_hex(key)
    ));
    let store = Store::locked(&farm).await;
    let reader = store.browser();
    for (path, status) in [
        (format!("/feeds/alerts.atom?key={key}"), 200),
        (format!("/feeds/alerts.atom?x=1&key={key}"), 200),
        (format!("/feeds/rounds.ics?key={key}"), 200),
        ("/feeds/rounds.ics".to_owned(), 401),
        ("/feeds/alerts.atom".to_owned(), 401),
        ("/feeds/alerts.atom?key=".to_owned(), 401),
        (format!("/feeds/alerts.atom?key={key}0"), 401),
        (format!("/api/alerts?key={key}"), 401),
        (format!("/alerts?key={key}"), 303),
    ] {
        let answer = reader.ask(reqwest::Method::GET, &path, &[], None).await;
        assert_eq!(answer.status, status, "{path}");
    }
    store.running.finish().await;
}
