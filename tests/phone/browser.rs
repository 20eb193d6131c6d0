//! Debian's chromium as a phone of 360 x 780, and what a thumb does with it.

use std::{
    net::TcpListener,
    process::{Child, Command, Stdio},
    time::Duration,
};

use fantoccini::{Client, ClientBuilder, Locator, elements::Element};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::{Value, json};

use crate::farm::{client, until};

pub(crate) fn free_port() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    listener.local_addr().unwrap().port()
}

/// The program that drives the browser; it goes with the test.
pub(crate) struct Driver(Child, u16, tempfile::TempDir);

impl Driver {
    pub(crate) fn start() -> Self {
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

    pub(crate) async fn phone(&self) -> Client {
        self.with(json!({})).await
    }

    /// A phone with these preferences of the browser.
    pub(crate) async fn with(&self, preferences: Value) -> Client {
        let options = json!({
            "prefs": preferences,
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

    /// Takes the phone's reception, or gives it back.
    #[allow(dead_code, reason = "one of the tests has reception all the time")]
    pub(crate) async fn reception(&self, phone: &Client, there: bool) {
        let conditions = json!({
            "offline": !there, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1,
        });
        self.tell(phone, "Network.emulateNetworkConditions", conditions)
            .await;
    }

    /// Tells the browser itself something, and gives back what it answers.
    #[allow(dead_code, reason = "one of the tests has reception all the time")]
    pub(crate) async fn tell(&self, phone: &Client, command: &str, parameters: Value) -> Value {
        let session = phone.session_id().await.unwrap().unwrap();
        let address = format!(
            "http://127.0.0.1:{}/session/{session}/goog/cdp/execute",
            self.1
        );
        let body = json!({ "cmd": command, "params": parameters }).to_string();
        let done = client().post(address).body(body).send().await.unwrap();
        let (status, text) = (done.status(), done.text().await.unwrap());
        assert_eq!(status, 200, "{command}: {text}");
        serde_json::from_str::<Value>(&text).unwrap()["value"].take()
    }
}

impl Drop for Driver {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The words of the page, any space a plain one.
pub(crate) async fn words(phone: &Client) -> String {
    // A page that is left between the two has no words.
    let text = until("the page can be read", async || {
        let body = phone.find(Locator::Css("body")).await.ok()?;
        body.text().await.ok()
    })
    .await;
    text.replace('\u{a0}', " ")
}

pub(crate) async fn reads(phone: &Client, text: &str) {
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

pub(crate) async fn press(phone: &Client, words: &str) {
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
pub(crate) async fn touch(phone: &Client, element: Element) {
    let there = serde_json::to_value(&element).unwrap();
    let script = "arguments[0].scrollIntoView({ block: 'center', behavior: 'instant' })";
    phone.execute(script, vec![there]).await.unwrap();
    element.click().await.unwrap();
}

pub(crate) async fn fits(phone: &Client) {
    let script = "return [document.documentElement.scrollWidth, innerWidth]";
    let widths = phone.execute(script, Vec::new()).await.unwrap();
    let widths: Vec<i64> = serde_json::from_value(widths).unwrap();
    assert!(widths[0] <= widths[1], "wider than the phone: {widths:?}");
}
