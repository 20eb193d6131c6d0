//! A phone's way with an alert, in a real browser: the link in the message, what to do, acknowledge,
//! shelve for two hours, listed, and back again.
//!
//! Needs Debian's `chromium` and `chromium-driver`; `tests/run` installs them.

#[path = "../daemon/farm.rs"]
#[allow(dead_code, reason = "another test uses the rest of the farm")]
mod farm;

use std::{
    fs,
    net::{SocketAddr, TcpListener},
    process::{Child, Command, Stdio},
    time::Duration,
};

use fantoccini::{Client, ClientBuilder, Locator, elements::Element};
use hyper_util::client::legacy::connect::HttpConnector;
use overwinter::{cli::run::Running, watch::Stamp, web::access::passphrase};
use serde_json::{Value, json};

use farm::{Farm, START, TOKEN, client, minute, object, until};

const PASSPHRASE: &str = "ladle fog nine";

fn free_port() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    listener.local_addr().unwrap().port()
}

/// The program that drives the browser; it goes with the test.
struct Driver(Child, u16, tempfile::TempDir);

impl Driver {
    fn start() -> Self {
        let port = free_port();
        let child = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect(
                "chromedriver: install Debian's chromium and chromium-driver, or run tests/run",
            );
        Self(child, port, tempfile::tempdir().unwrap())
    }

    async fn phone(&self) -> Client {
        let options = json!({
            "args": [
                "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
                "--disable-background-networking", "--disable-component-update", "--disable-sync",
                "--disable-dev-shm-usage",
                format!("--user-data-dir={}", self.2.path().display()),
            ],
            "mobileEmulation": {
                "deviceMetrics": { "width": 360, "height": 780, "pixelRatio": 2.0, "touch": true }
            },
        });
        let mut capabilities = serde_json::Map::new();
        capabilities.insert("goog:chromeOptions".to_owned(), options);
        let address = format!("http://127.0.0.1:{}", self.1);
        until("the browser is driven", async || {
            ClientBuilder::new(HttpConnector::new())
                .capabilities(capabilities.clone())
                .connect(&address)
                .await
                .ok()
        })
        .await
    }
}

impl Drop for Driver {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The words of the page, any space a plain one.
async fn words(phone: &Client) -> String {
    let body = phone.find(Locator::Css("body")).await.unwrap();
    body.text().await.unwrap().replace('\u{a0}', " ")
}

async fn reads(phone: &Client, text: &str) {
    let began = std::time::Instant::now();
    loop {
        let page = words(phone).await;
        if page.contains(text) {
            return;
        }
        assert!(
            began.elapsed() < Duration::from_secs(20),
            "the page does not say `{text}`: {page}"
        );
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

async fn press(phone: &Client, words: &str) {
    let path = format!("//button[starts-with(normalize-space(.), '{words}')]");
    let button = phone.find(Locator::XPath(&path)).await;
    let button = button.unwrap_or_else(|e| panic!("no button `{words}`: {e}"));
    // A gloved finger needs 44 px and more.
    let (_, _, width, height) = button.rectangle().await.unwrap();
    assert!(
        44.0 <= width && 44.0 <= height,
        "{words}: {width} x {height}"
    );
    touch(phone, button).await;
}

/// Scrolls there, as a thumb does, and touches it.
async fn touch(phone: &Client, element: Element) {
    let there = serde_json::to_value(&element).unwrap();
    let script = "arguments[0].scrollIntoView({ block: 'center', behavior: 'instant' })";
    phone.execute(script, vec![there]).await.unwrap();
    element.click().await.unwrap();
}

async fn fits(phone: &Client) {
    let script = "return [document.documentElement.scrollWidth, innerWidth]";
    let widths = phone.execute(script, Vec::new()).await.unwrap();
    let widths: Vec<i64> = serde_json::from_value(widths).unwrap();
    assert!(widths[0] <= widths[1], "wider than the phone: {widths:?}");
}

struct Store {
    running: Running,
    base: String,
    http: reqwest::Client,
}

impl Store {
    /// One reading of every sensor; the cellar's air is so cold.
    async fn say(&self, at: Stamp, cellar: f64) {
        for (sensor, t) in [("north", cellar), ("south", cellar), ("back", 9.0)] {
            let posted = self
                .http
                .post(format!("{}/api/readings", self.base))
                .bearer_auth(TOKEN)
                .header("content-type", "application/json")
                .body(object(sensor, at, t, 80.0))
                .send()
                .await
                .unwrap();
            assert_eq!(posted.status(), 200);
        }
    }
}

/// The messages that came, as the program that takes them was given them.
fn messages(farm: &Farm) -> Vec<Value> {
    let text = fs::read_to_string(farm.path("messages")).unwrap_or_default();
    let lines = text.lines().filter_map(|l| serde_json::from_str(l).ok());
    lines.collect()
}

async fn link(farm: &Farm, nth: usize) -> String {
    until("the message comes", async || {
        let announced: Vec<Value> = messages(farm)
            .into_iter()
            .filter(|m| m["purpose"] == "announce")
            .collect();
        Some(announced.get(nth)?["link"].as_str()?.to_owned())
    })
    .await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn from_the_message_to_the_shelf_and_back() {
    let farm = Farm::new("");
    let heard = farm.path("messages");
    let farm = farm.and(&format!(
        r#"
[[command]]
name = "phone"
run = ["sh", "-c", "cat >> '{}'"]

[[contact]]
name = "Ida"
channels = ["phone"]
"#,
        heard.display()
    ));
    let mut config = farm.config();
    let address: SocketAddr = ([127, 0, 0, 1], free_port()).into();
    config.listen = address;
    config.address = Some(format!("http://{address}"));
    let running = Running::start(&config, farm.clock.clone(), None).await;
    let store = Store {
        running: running.unwrap_or_else(|e| panic!("{e:?}")),
        base: format!("http://{address}"),
        http: client(),
    };
    let hash = passphrase::hash(PASSPHRASE).unwrap();
    let mut tx = store.running.store.begin().await.unwrap();
    tx.change_passphrase(&hash, START, "a test").await.unwrap();
    tx.commit().await.unwrap();

    // Cold for an hour and ten minutes: a message comes, with a link.
    for n in 0..=7 {
        farm.clock.set(minute(n * 10));
        store.say(minute(n * 10), 3.0).await;
    }
    let first = link(&farm, 0).await;
    let driver = Driver::start();
    let phone = driver.phone().await;

    // The link asks who it is, and leads on to the alert.
    phone.goto(&first).await.unwrap();
    reads(&phone, "Sign in").await;
    fits(&phone).await;
    for (field, text) in [("name", "Ida"), ("passphrase", PASSPHRASE)] {
        let field = phone.find(Locator::Id(field)).await.unwrap();
        field.send_keys(text).await.unwrap();
    }
    press(&phone, "Sign in").await;
    reads(&phone, "Cold in the cellar").await;
    assert_eq!(phone.current_url().await.unwrap().as_str(), first);
    fits(&phone).await;

    // What is wrong, what happens, what to do.
    for text in [
        "37.4 F now, should be 40 F or more",
        "3.0 C now, should be 4.4 C or more",
    ] {
        // The invented store reads in C.
        assert_eq!(
            words(&phone).await.contains(text),
            text.contains(" C "),
            "{text}"
        );
    }
    reads(&phone, "If nothing is done").await;
    reads(&phone, "Shut vents and doors to the outside.").await;
    reads(&phone, "Nobody has acknowledged it yet.").await;

    press(&phone, "Acknowledge").await;
    reads(&phone, "Seen by Ida").await;
    reads(&phone, "Somebody has seen it; it still holds.").await;

    // Shelved for two hours, with a reason; without one the browser keeps the form.
    let shelf = phone.find(Locator::Css("#shelf > summary")).await.unwrap();
    touch(&phone, shelf).await;
    let reason = phone.find(Locator::Id("reason")).await.unwrap();
    reason
        .send_keys("the vent's flap is being mended")
        .await
        .unwrap();
    let span = phone.find(Locator::Id("span")).await.unwrap();
    span.select_by_value("2h").await.unwrap();
    fits(&phone).await;
    press(&phone, "Shelve").await;
    reads(
        &phone,
        "On the shelf until 3:10 in the night, by Ida: the vent's flap is being mended.",
    )
    .await;

    // Listed, and counted no more.
    phone.goto(&format!("{}/alerts", store.base)).await.unwrap();
    reads(&phone, "Set aside").await;
    reads(&phone, "the vent's flap is being mended").await;
    fits(&phone).await;
    assert!(phone.find(Locator::Css("nav .tally")).await.is_err());
    assert!(
        phone
            .find(Locator::Css("section.alerts article"))
            .await
            .is_err()
    );
    phone.goto(&store.base).await.unwrap();
    reads(&phone, "No alert, but it is cold in the cellar just now.").await;
    phone.goto(&format!("{}/alerts", store.base)).await.unwrap();

    // Two hours later it is still cold: it comes back by itself, on the page that lies open, and is told.
    for n in 8..=19 {
        farm.clock.set(minute(n * 10));
        store.say(minute(n * 10), 3.0).await;
    }
    farm.clock.set(minute(191));
    let second = link(&farm, 1).await;
    assert_ne!(
        first, second,
        "a raising of its own, that no old button reaches"
    );
    let began = std::time::Instant::now();
    while phone
        .find(Locator::Css("section.alerts article"))
        .await
        .is_err()
    {
        assert!(
            began.elapsed() < Duration::from_secs(20),
            "{}",
            words(&phone).await
        );
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    let page = words(&phone).await;
    assert!(!page.contains("Set aside"), "{page}");
    assert!(phone.find(Locator::Css("nav .tally")).await.is_ok());

    // The old link says what became of it and leads to what stands.
    phone.goto(&first).await.unwrap();
    reads(&phone, "A later one has followed it. Seen by Ida").await;
    let stands = Locator::LinkText("What stands now");
    let stands = phone.find(stands).await.unwrap();
    touch(&phone, stands).await;
    reads(&phone, "Nobody has acknowledged it yet.").await;
    assert_eq!(phone.current_url().await.unwrap().as_str(), second);

    phone.close().await.unwrap();
    store.running.finish().await;
}
