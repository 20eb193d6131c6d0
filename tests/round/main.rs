//! A round with the phone, in a real browser against the real program: without reception, with the
//! program killed in between, with somebody else at the same crates, by keyboard, without script, and
//! with a session that ends on the way. What was noted is in the ledger, once.
//!
//! Needs Debian's `chromium` and `chromium-driver`; `tests/run` installs them.

#[path = "../phone/browser.rs"]
#[allow(dead_code, reason = "another test uses the rest")]
mod browser;
#[path = "../daemon/farm.rs"]
#[allow(dead_code, reason = "another test uses the rest of the farm")]
mod farm;
mod program;

use std::{
    collections::BTreeSet,
    time::{Duration, Instant, SystemTime},
};

use fantoccini::{Client, Locator, elements::Element, key::Key};
use serde_json::{Value, json};
use tokio::sync::Mutex;

use browser::{Driver, fits, press, reads, touch, words};
use program::{PASSPHRASE, Shed};

/// One browser at a time.
static TURN: Mutex<()> = Mutex::const_new(());
/// A note can be taken back for 8 s, and what failed is tried again after at most a minute.
const PATIENCE: Duration = Duration::from_secs(100);

/// Waits until a script gives back something that is true.
async fn so(phone: &Client, what: &str, script: &str) -> Value {
    let began = Instant::now();
    loop {
        // A page that is left at this moment answers nothing.
        let answer = phone.execute(script, Vec::new()).await.unwrap_or_default();
        if !matches!(answer, Value::Null | Value::Bool(false)) {
            return answer;
        }
        if PATIENCE < began.elapsed() {
            panic!("did not come about: {what}; {}", words(phone).await);
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

async fn element(phone: &Client, css: &str) -> Element {
    let found = phone.find(Locator::Css(css)).await;
    found.unwrap_or_else(|e| panic!("no {css}: {e}"))
}

async fn tap(phone: &Client, css: &str) {
    let found = element(phone, css).await;
    touch(phone, found).await;
}

/// The crate on the screen.
async fn at(phone: &Client, code: &str) {
    let script = format!(
        "return document.body.classList.contains('walking') && \
         document.querySelector('article:not([hidden])')?.dataset.code === '{code}'"
    );
    so(phone, &format!("{code} is on the screen"), &script).await;
}

/// Taps "All sound" until the screen goes on: what comes too soon after a new crate is ignored, as a
/// second knock of the same glove.
async fn sound(phone: &Client, code: &str) {
    at(phone, code).await;
    let began = Instant::now();
    let here = format!("return document.querySelector('#crate-{code}:not([hidden])') !== null");
    while phone.execute(&here, Vec::new()).await.unwrap() == Value::Bool(true) {
        // It goes while the finger is on its way.
        let _ = element(phone, "#walk .sound").await.click().await;
        assert!(began.elapsed() < PATIENCE, "{}", words(phone).await);
    }
}

/// Notes a finding: so many, taken out or left in.
async fn find(phone: &Client, code: &str, finding: &str, n: usize, out: bool) {
    at(phone, code).await;
    tap(phone, &format!("#walk [data-finding={finding}]")).await;
    for _ in 1..n {
        tap(phone, "#how [data-do=add]").await;
    }
    let side = if out { "first" } else { "last" };
    tap(phone, &format!("#how .two label:{side}-child")).await;
    press(phone, "Note it").await;
    let noted =
        "return !document.querySelector('#ask').hidden && !document.querySelector('#noted').hidden";
    so(phone, "it is noted", noted).await;
}

async fn weigh(phone: &Client, code: &str, weight: &str) {
    at(phone, code).await;
    tap(phone, "#more > summary").await;
    element(phone, "#weight")
        .await
        .send_keys(weight)
        .await
        .unwrap();
    press(phone, "Note the weight").await;
    let noted = format!("return document.querySelector('#noted').innerText.includes('{weight}')");
    so(phone, "it is noted", &noted).await;
}

async fn on(phone: &Client) {
    tap(phone, "#bar [data-do=next]").await;
}

async fn says(phone: &Client, words: &str) {
    let script =
        format!("return document.querySelector('#sent')?.innerText.includes('{words}') ?? false");
    so(phone, &format!("the page says `{words}`"), &script).await;
}

async fn begin(phone: &Client, shed: &Shed) {
    phone.goto(&format!("{}/round", shed.base)).await.unwrap();
    so(
        phone,
        "the walk can begin",
        "return document.body.classList.contains('walking')",
    )
    .await;
    fits(phone).await;
    on(phone).await;
}

/// Numbers that look random and follow from a printed seed.
fn seed() -> u64 {
    let seed = match std::env::var("SEED") {
        Ok(seed) => seed.parse().expect("SEED is a number"),
        Err(_) => SystemTime::UNIX_EPOCH.elapsed().unwrap().as_millis() as u64,
    };
    eprintln!("SEED={seed}");
    seed
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_noted_without_contact_is_in_the_ledger_once() {
    let _turn = TURN.lock().await;
    let mut shed = Shed::new();
    shed.start();
    shed.fill(10).await;
    let driver = Driver::start();
    let phone = driver.phone().await;
    begin(&phone, &shed).await;
    let hand = "localStorage['overwinter-hand']";
    // The program is killed after one of these crates and runs again two crates later.
    let killed = 2 + (seed() % 4) as usize;
    for n in 1..=10 {
        let code = format!("C-{n:02}");
        match n {
            1 => {
                sound(&phone, &code).await;
                // This one gets there before the program dies.
                says(&phone, "All sent").await;
            }
            2 => find(&phone, &code, "soft", 2, true).await,
            3 => find(&phone, &code, "mould", 1, false).await,
            4 => weigh(&phone, &code, "10.5").await,
            5 | 8 => sound(&phone, &code).await,
            6 => find(&phone, &code, "shrivelled", 3, false).await,
            7 => find(&phone, &code, "sprouting", 1, false).await,
            9 => find(&phone, &code, "gall-or-virus", 1, true).await,
            _ => find(&phone, &code, "mouse", 2, true).await,
        }
        if n == 4 {
            sound(&phone, &code).await;
        } else if ![1, 5, 8].contains(&n) {
            on(&phone).await;
        }
        if n == killed {
            shed.kill();
        }
        if n == killed + 2 {
            shed.start();
            // Loaded anew in the middle: the same crate, and what was noted is known.
            let next = format!("C-{:02}", n + 1);
            at(&phone, &next).await;
            phone.refresh().await.unwrap();
            at(&phone, &next).await;
            let done = "return document.querySelectorAll('#tally .done').length";
            assert!(so(&phone, "the tally", done).await.as_u64().unwrap() as usize >= n - 1);
            driver.reception(&phone, false).await;
        }
    }
    reads(&phone, "End of the round").await;
    reads(&phone, "10 crates looked at").await;
    let hand = so(&phone, "the phone has a name", &format!("return {hand}")).await;
    eprintln!("the phone calls itself {hand}, the program was killed after C-{killed:02}");
    says(&phone, "not yet sent").await;
    fits(&phone).await;
    driver.reception(&phone, true).await;
    says(&phone, "All sent").await;
    phone.close().await.unwrap();
    shed.kill();
    let noted = shed.noted().await;
    let keys: BTreeSet<&String> = noted.iter().map(|(key, _)| key).collect();
    assert_eq!(keys.len(), noted.len(), "{noted:?}");
    assert!(
        keys.iter().all(|k| k.starts_with(hand.as_str().unwrap())),
        "{keys:?}"
    );
    let mut deeds: Vec<&str> = noted.iter().map(|(_, deed)| deed.as_str()).collect();
    deeds.sort_unstable();
    let wanted = [
        "C-01 looked sound",
        "C-02 culled soft 2",
        "C-03 looked mould 1",
        "C-04 looked sound",
        "C-04 weighed 10500 g",
        "C-05 looked sound",
        "C-06 looked shrivelled 3",
        "C-07 looked sprouting 1",
        "C-08 looked sound",
        "C-09 culled gall or virus 1",
        "C-10 culled mouse 2",
    ];
    assert_eq!(deeds, wanted);
    assert_eq!(shed.tubers().await, 120 - 5);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_others_did_meanwhile_is_told_and_noted_all_the_same() {
    let _turn = TURN.lock().await;
    let mut shed = Shed::new();
    shed.start();
    shed.fill(2).await;
    shed.enter(json!([{ "deed": { "kind": "weighed", "crate": "C-02", "grams": 10_000 } }]))
        .await;
    let driver = Driver::start();
    let phone = driver.phone().await;
    begin(&phone, &shed).await;
    at(&phone, "C-01").await;
    shed.enter(json!([{ "deed": { "kind": "culled", "lot": 1, "finding": "soft", "count": 3 } }]))
        .await;
    find(&phone, "C-01", "soft", 2, true).await;
    on(&phone).await;
    weigh(&phone, "C-02", "5").await;
    sound(&phone, "C-02").await;
    says(&phone, "2 need your word").await;
    reads(&phone, "Since you looked, this crate was changed.").await;
    reads(&phone, "took out 3 Quenbrisk: soft.").await;
    reads(&phone, "That is 50 % less than at the last weighing.").await;
    assert_eq!(shed.tubers().await, 24 - 3);
    fits(&phone).await;
    for _ in 0..2 {
        let before = phone
            .find_all(Locator::Css("#decide li"))
            .await
            .unwrap()
            .len();
        press(&phone, "Note it all the same").await;
        let fewer = format!("return document.querySelectorAll('#decide li').length < {before}");
        so(&phone, "it is asked no more", &fewer).await;
    }
    says(&phone, "All sent").await;
    phone.close().await.unwrap();
    assert_eq!(shed.tubers().await, 24 - 3 - 2);
    let noted = shed.noted().await;
    let deeds: BTreeSet<&str> = noted.iter().map(|(_, deed)| deed.as_str()).collect();
    let wanted = [
        "C-01 culled soft 2",
        "C-02 looked sound",
        "C-02 weighed 5000 g",
    ];
    assert_eq!((deeds.len(), noted.len()), (3, 3));
    assert_eq!(deeds, wanted.into());
}

/// Tabs on until the focus is on what begins with these words, and presses a key there.
async fn key(phone: &Client, words: &str, key: Key) {
    let script = "const e = document.activeElement; return (e.labels?.[0]?.textContent || e.textContent || '').trim()";
    for _ in 0..60 {
        let here = phone.execute(script, Vec::new()).await.unwrap();
        let here = here.as_str().unwrap_or_default().to_owned();
        let active = phone.active_element().await.unwrap();
        if here.starts_with(words) {
            let typed: String = char::from(key).into();
            return active.send_keys(&typed).await.unwrap();
        }
        active
            .send_keys(&char::from(Key::Tab).to_string())
            .await
            .unwrap();
    }
    panic!("the keyboard does not get to `{words}`");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_keyboard_alone_does_it() {
    let _turn = TURN.lock().await;
    let mut shed = Shed::new();
    shed.start();
    shed.fill(3).await;
    let driver = Driver::start();
    let phone = driver.phone().await;
    phone.goto(&format!("{}/round", shed.base)).await.unwrap();
    key(&phone, "Begin", Key::Enter).await;
    at(&phone, "C-01").await;
    key(&phone, "soft", Key::Enter).await;
    key(&phone, "+", Key::Enter).await;
    key(&phone, "taken out", Key::Space).await;
    key(&phone, "Note it", Key::Enter).await;
    so(
        &phone,
        "it is noted",
        "return !document.querySelector('#noted').hidden",
    )
    .await;
    key(&phone, "Next crate", Key::Enter).await;
    at(&phone, "C-02").await;
    // What the focus is on is read out: the crate.
    let focus = "return document.activeElement.textContent";
    assert_eq!(
        phone.execute(focus, Vec::new()).await.unwrap(),
        "Crate C-02"
    );
    let here = "return document.querySelector('#crate-C-02:not([hidden])') !== null";
    while phone.execute(here, Vec::new()).await.unwrap() == Value::Bool(true) {
        key(&phone, "All sound", Key::Enter).await;
    }
    at(&phone, "C-03").await;
    says(&phone, "All sent").await;
    phone.close().await.unwrap();
    let deeds: Vec<String> = shed
        .noted()
        .await
        .into_iter()
        .map(|(_, deed)| deed)
        .collect();
    assert_eq!(deeds, ["C-01 culled soft 2", "C-02 looked sound"]);
}

/// Fills in the form of a crate and sends it, with keys: where no script may run, the driver has none
/// to scroll with.
async fn fill(phone: &Client, code: &str, ticks: &[&str], texts: &[(&str, &str)]) {
    let form = format!("#crate-{code} form[action^='/round/note']");
    for tick in ticks {
        let tick = element(phone, &format!("{form} {tick}")).await;
        tick.send_keys(" ").await.unwrap();
    }
    for (name, text) in texts {
        let field = element(phone, &format!("{form} [name={name}]")).await;
        field.clear().await.unwrap();
        field.send_keys(text).await.unwrap();
    }
    let send = element(phone, &format!("{form} button.act")).await;
    send.send_keys(&char::from(Key::Enter).to_string()).await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn without_script_forms_do_it() {
    let _turn = TURN.lock().await;
    let mut shed = Shed::new();
    shed.start();
    shed.fill(3).await;
    let driver = Driver::start();
    let off = json!({ "profile.managed_default_content_settings.javascript": 2 });
    let phone = driver.with(off).await;
    phone.goto(&format!("{}/round", shed.base)).await.unwrap();
    reads(&phone, "3 crates are due").await;
    // No script ran: no bar, no name for the phone, and every crate is on the page.
    assert!(!element(&phone, "#bar").await.is_displayed().await.unwrap());
    for code in ["C-01", "C-02", "C-03"] {
        assert!(
            element(&phone, &format!("#crate-{code}"))
                .await
                .is_displayed()
                .await
                .unwrap()
        );
    }
    // Refused first: nothing that was typed is lost.
    let soft = ["[value=soft]", "[name=out]"];
    fill(
        &phone,
        "C-01",
        &soft,
        &[
            ("count", "two"),
            ("weight", "10.5"),
            ("note", "wet at the neck"),
        ],
    )
    .await;
    reads(&phone, "Write how many, in digits alone.").await;
    assert!(
        phone
            .current_url()
            .await
            .unwrap()
            .as_str()
            .ends_with("/round/note#crate-C-01")
    );
    let note = element(&phone, "#crate-C-01 [name=note]").await;
    assert_eq!(
        note.prop("value").await.unwrap().as_deref(),
        Some("wet at the neck")
    );
    fill(&phone, "C-01", &[], &[("count", "2")]).await;
    reads(&phone, "C-01 is noted: took out 2 Quenbrisk: soft.").await;
    assert!(
        phone
            .current_url()
            .await
            .unwrap()
            .as_str()
            .ends_with("#crate-C-02")
    );
    fill(&phone, "C-02", &["[value=sound]"], &[]).await;
    reads(&phone, "C-02 is noted: looked at: all sound.").await;
    reads(&phone, "1 crate is due").await;
    phone.close().await.unwrap();
    let mut deeds: Vec<String> = shed
        .noted()
        .await
        .into_iter()
        .map(|(_, deed)| deed)
        .collect();
    deeds.sort();
    assert_eq!(
        deeds,
        [
            "C-01 culled soft 2",
            "C-01 weighed 10500 g",
            "C-02 looked sound"
        ]
    );
}

async fn sign_in(phone: &Client) {
    reads(phone, "Sign in").await;
    for (field, text) in [("name", "Ida"), ("passphrase", PASSPHRASE)] {
        let field = phone.find(Locator::Id(field)).await.unwrap();
        field.clear().await.unwrap();
        field.send_keys(text).await.unwrap();
    }
    press(phone, "Sign in").await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_session_that_ends_on_the_way_loses_nothing() {
    let _turn = TURN.lock().await;
    let mut shed = Shed::new();
    shed.start();
    shed.fill(2).await;
    shed.kill();
    shed.lock().await;
    shed.start();
    let driver = Driver::start();
    let phone = driver.phone().await;
    phone.goto(&format!("{}/round", shed.base)).await.unwrap();
    sign_in(&phone).await;
    so(
        &phone,
        "the walk can begin",
        "return document.body.classList.contains('walking')",
    )
    .await;
    on(&phone).await;
    at(&phone, "C-01").await;
    shed.end_other_sessions().await;
    sound(&phone, "C-01").await;
    find(&phone, "C-02", "mould", 1, true).await;
    on(&phone).await;
    says(&phone, "Sign in again; nothing is lost. 2 not yet sent").await;
    assert_eq!(shed.noted().await, []);
    // The link opens beside the round; what comes after signing in sends.
    let round = phone.window().await.unwrap();
    tap(&phone, "#sent a").await;
    let windows = browser_windows(&phone).await;
    let other = windows.into_iter().find(|w| *w != round).unwrap();
    phone.switch_to_window(other).await.unwrap();
    sign_in(&phone).await;
    let began = Instant::now();
    while shed.noted().await.len() < 2 {
        assert!(began.elapsed() < PATIENCE, "{}", words(&phone).await);
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    phone.close_window().await.unwrap();
    phone.switch_to_window(round).await.unwrap();
    says(&phone, "All sent").await;
    phone.close().await.unwrap();
    let mut deeds: Vec<String> = shed
        .noted()
        .await
        .into_iter()
        .map(|(_, deed)| deed)
        .collect();
    deeds.sort();
    assert_eq!(deeds, ["C-01 looked sound", "C-02 culled mould 1"]);
}

async fn browser_windows(phone: &Client) -> Vec<fantoccini::wd::WindowHandle> {
    let began = Instant::now();
    loop {
        let windows = phone.windows().await.unwrap();
        if 1 < windows.len() {
            return windows;
        }
        assert!(began.elapsed() < PATIENCE, "no second window");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}
