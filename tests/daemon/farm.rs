//! An invented farm in a temporary folder, and what a sensor and a browser do with it.

use std::{
    fs,
    future::Future,
    io::Write as _,
    path::PathBuf,
    time::{Duration, Instant},
};

use overwinter::{
    cli::run::Running,
    clock::Clock,
    config::Config,
    engine::{Engine, Opening},
    intake::sha256_hex,
    notify::channel::Post,
    store::{Store, StoreError},
    watch::{
        Stamp,
        reading::{HOUR_MS, MINUTE_MS},
    },
};
use serde_json::Value;

/// 2026-12-01, midnight in UTC.
pub(crate) const START: Stamp = Stamp(1_796_083_200_000);
/// Between two readings: no sensor falls silent, and every delay is a multiple of it.
pub(crate) const STEP_MS: i64 = 20 * MINUTE_MS;
/// The token of the gateway that may speak for every sensor.
pub(crate) const TOKEN: &str = "a-token-of-the-tests";
/// The header of the interchange file.
pub(crate) const HEADER: &str = "measured_at,sensor,temperature_c,humidity_pct,battery_pct\n";

const SITE: &str = r#"
[site]
name = "Invented store"
time_zone = "UTC"
units = "C"
database = "overwinter.db"
listen = "127.0.0.1:0"

[[room]]
name = "cellar"

[[room]]
name = "back-room"

[[sensor]]
name = "north"
room = "cellar"
role = "air"
interval = "10min"

[[sensor]]
name = "south"
room = "cellar"
role = "air"
interval = "10min"

[[sensor]]
name = "back"
room = "back-room"
role = "air"
interval = "10min"
"#;

/// A `[[file]]` that follows `north.csv`.
pub(crate) const FILE: &str = r#"
[[file]]
name = "logger"
path = "north.csv"
poll = "10ms"
"#;

/// Waits until something is so; fails loudly when it does not come about.
pub(crate) async fn until<T, F: Future<Output = Option<T>>>(
    what: &str,
    mut look: impl FnMut() -> F,
) -> T {
    let began = Instant::now();
    loop {
        if let Some(found) = look().await {
            return found;
        }
        assert!(
            began.elapsed() < Duration::from_secs(20),
            "did not come about: {what}"
        );
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
}

/// A configuration, its folder and the hand on the clock; outlives the daemons that run on it.
pub(crate) struct Farm {
    folder: tempfile::TempDir,
    pub(crate) clock: Clock,
    sources: String,
}

impl Farm {
    /// A farm with a gateway and these further sources.
    pub(crate) fn new(sources: &str) -> Self {
        Self {
            folder: tempfile::tempdir().unwrap(),
            clock: Clock::hand(START),
            sources: format!(
                "{SITE}\n[[http]]\nname = \"gateway\"\ntoken_sha256 = \"{}\"\n{sources}",
                sha256_hex(TOKEN)
            ),
        }
    }

    /// The same farm with one more source.
    pub(crate) fn and(mut self, source: &str) -> Self {
        self.sources.push_str(source);
        self
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn text(&self) -> &str {
        &self.sources
    }

    pub(crate) fn config(&self) -> Config {
        Config::parse(&self.sources, self.folder.path()).unwrap()
    }

    pub(crate) fn append(&self, name: &str, text: &str) {
        let mut file = fs::OpenOptions::new()
            .create(true)
            .append(true)
            .open(self.path(name))
            .unwrap();
        file.write_all(text.as_bytes()).unwrap();
    }

    pub(crate) async fn start(&self) -> Daemon {
        let running = Running::start(&self.config(), self.clock.clone(), None)
            .await
            .unwrap();
        Daemon {
            base: format!("http://{}", running.address),
            client: client(),
            running,
        }
    }

    /// The log folded by nobody who watches: nothing is written but what must be.
    pub(crate) async fn engine(&self) -> Result<Engine, StoreError> {
        let config = self.config();
        Engine::open(
            &config.database,
            config.watch,
            self.clock.clone(),
            Opening::Import,
        )
        .await
    }
}

/// A daemon at work.
pub(crate) struct Daemon {
    pub(crate) running: Running,
    pub(crate) base: String,
    pub(crate) client: reqwest::Client,
}

/// One answer, read whole.
pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) media: String,
    pub(crate) text: String,
}

impl Answer {
    pub(crate) async fn of(request: reqwest::RequestBuilder) -> Self {
        let response = request.send().await.unwrap();
        let media = response
            .headers()
            .get("content-type")
            .map_or("", |h| h.to_str().unwrap())
            .to_owned();
        Self {
            status: response.status().as_u16(),
            media,
            // A figure and its unit stay on one line; for looking, any space will do.
            text: response.text().await.unwrap().replace('\u{a0}', " "),
        }
    }

    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|e| panic!("{e}: {}", self.text))
    }

    /// Stored, duplicate, conflict and refused.
    pub(crate) fn counts(&self) -> [u64; 4] {
        let json = self.json();
        ["stored", "duplicate", "conflict", "refused"].map(|name| {
            json[name]
                .as_u64()
                .unwrap_or_else(|| panic!("{name}: {json}"))
        })
    }
}

impl Daemon {
    pub(crate) fn store(&self) -> &Store {
        &self.running.store
    }

    pub(crate) async fn get(&self, path: &str) -> Answer {
        Answer::of(self.client.get(format!("{}{path}", self.base))).await
    }

    pub(crate) async fn post(&self, media: &str, body: impl Into<reqwest::Body>) -> Answer {
        let request = self
            .client
            .post(format!("{}/api/readings", self.base))
            .bearer_auth(TOKEN)
            .header("content-type", media)
            .body(body);
        Answer::of(request).await
    }

    /// Posts one reading and expects it to be new.
    pub(crate) async fn say(&self, sensor: &str, at: Stamp, t: f64, rh: f64) {
        let answer = self
            .post("application/json", object(sensor, at, t, rh))
            .await;
        assert_eq!(answer.counts(), [1, 0, 0, 0], "{}", answer.text);
    }

    /// Waits until so many readings are stored, and never more.
    pub(crate) async fn stored(&self, wanted: i64) {
        let found = until(&format!("{wanted} readings are stored"), async || {
            let found = self.store().count_readings().await.unwrap();
            (wanted <= found).then_some(found)
        })
        .await;
        assert_eq!(found, wanted);
    }

    /// Waits until a page holds a text.
    pub(crate) async fn shows(&self, path: &str, text: &str) -> String {
        until(&format!("{path} shows `{text}`"), async || {
            let page = self.get(path).await;
            (page.status == 200 && page.text.contains(text)).then_some(page.text)
        })
        .await
    }
}

/// What fetches pages and posts; it follows no redirection.
pub(crate) fn client() -> reqwest::Client {
    // Puts the TLS primitives in place that any client looks for.
    Post::new();
    reqwest::Client::builder()
        .redirect(reqwest::redirect::Policy::none())
        .build()
        .unwrap()
}

/// One reading as JSON.
pub(crate) fn object(sensor: &str, at: Stamp, t: f64, rh: f64) -> String {
    format!(
        r#"{{"sensor":"{sensor}","measured_at":"{}","temperature_c":{t},"humidity_pct":{rh}}}"#,
        at.to_rfc3339()
    )
}

/// One row of the interchange file.
pub(crate) fn row(sensor: &str, at: Stamp, t: f64, rh: f64) -> String {
    format!("{},{sensor},{t},{rh},\n", at.to_rfc3339())
}

/// The instant so many minutes after the start.
pub(crate) fn minute(n: i64) -> Stamp {
    START.plus(n * MINUTE_MS)
}

/// The instant so many hours after the start.
pub(crate) fn hour(n: i64) -> Stamp {
    START.plus(n * HOUR_MS)
}

/// The value of a hidden field of the first form on a page, as the browser would send it.
pub(crate) fn field(page: &str, name: &str) -> String {
    let marker = format!("name=\"{name}\" value=\"");
    let (_, rest) = page
        .split_once(&marker)
        .unwrap_or_else(|| panic!("no field {name}: {page}"));
    rest.split('"').next().unwrap().to_owned()
}

/// `name=value` as a browser encodes a form.
pub(crate) fn encoded(pairs: &[(&str, &str)]) -> String {
    let one = |text: &str| -> String {
        text.bytes()
            .map(|b| match b {
                b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' | b'.' | b'*' => {
                    (b as char).to_string()
                }
                b' ' => "+".to_owned(),
                _ => format!("%{b:02X}"),
            })
            .collect()
    };
    let pairs: Vec<String> = pairs
        .iter()
        .map(|(name, value)| format!("{}={}", one(name), one(value)))
        .collect();
    pairs.join("&")
}
