//! A daemon with or without a passphrase, and browsers that keep one cookie each.

use std::sync::{Mutex, OnceLock};

use overwinter::{
    cli::run::Running, config::Config, notify::channel::Post, web::access::passphrase,
};
use reqwest::{Method, header::HeaderMap, redirect::Policy};

use crate::farm::{Farm, encoded};

pub(crate) const PASSPHRASE: &str = "ladle fog nine";

/// Made once: in tests that are not optimised it is the slowest thing of all.
pub(crate) fn hash() -> &'static str {
    static HASH: OnceLock<String> = OnceLock::new();
    HASH.get_or_init(|| passphrase::hash(PASSPHRASE).unwrap())
}

/// A daemon at work.
pub(crate) struct Store {
    pub(crate) running: Running,
    pub(crate) base: String,
}

impl Store {
    pub(crate) async fn open(farm: &Farm) -> Self {
        Self::of(farm, &farm.config()).await
    }

    pub(crate) async fn of(farm: &Farm, config: &Config) -> Self {
        let running = Running::start(config, farm.clock.clone(), None).await;
        let running = running.unwrap_or_else(|e| panic!("{e:?}"));
        Self {
            base: format!("http://127.0.0.1:{}", running.address.port()),
            running,
        }
    }

    /// One with a passphrase.
    pub(crate) async fn locked(farm: &Farm) -> Self {
        let store = Self::open(farm).await;
        store.set_passphrase(farm).await;
        store
    }

    pub(crate) async fn set_passphrase(&self, farm: &Farm) {
        let mut tx = self.running.store.begin().await.unwrap();
        let now = farm.clock.now();
        assert!(tx.set_first_passphrase(hash(), now, "test").await.unwrap());
        tx.commit().await.unwrap();
    }

    pub(crate) fn browser(&self) -> Browser {
        Browser::at(&self.base)
    }

    /// A browser that is signed in.
    pub(crate) async fn signed_in(&self, name: &str) -> Browser {
        let browser = self.browser();
        let answer = browser.sign_in(PASSPHRASE, name).await;
        assert_eq!((answer.status, answer.location()), (303, "/"));
        browser
    }

    /// What the access log says, the oldest first: who and what.
    pub(crate) async fn log(&self) -> Vec<(String, String)> {
        let mut log = self.running.store.access_log(1000).await.unwrap();
        log.reverse();
        log.into_iter().map(|l| (l.who, l.what)).collect()
    }
}

pub(crate) fn client() -> reqwest::Client {
    // Puts the TLS primitives in place that any client looks for.
    Post::new();
    let client = reqwest::Client::builder().redirect(Policy::none());
    client.build().unwrap()
}

/// One answer, read whole.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) headers: HeaderMap,
    pub(crate) text: String,
}

impl Answer {
    pub(crate) fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |h| h.to_str().unwrap())
    }

    pub(crate) fn location(&self) -> &str {
        self.header("location")
    }
}

/// Follows no redirect and keeps the last cookie.
pub(crate) struct Browser {
    base: String,
    client: reqwest::Client,
    pub(crate) cookie: Mutex<String>,
}

impl Browser {
    /// One that asks what is served there.
    pub(crate) fn at(base: &str) -> Self {
        Self {
            base: base.to_owned(),
            client: client(),
            cookie: Mutex::default(),
        }
    }

    pub(crate) async fn ask(
        &self,
        method: Method,
        path: &str,
        headers: &[(&str, &str)],
        body: Option<String>,
    ) -> Answer {
        let mut request = self.client.request(method, format!("{}{path}", self.base));
        let cookie = self.cookie.lock().unwrap().clone();
        if !cookie.is_empty() {
            request = request.header("cookie", format!("other=1; {cookie}"));
        }
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        if let Some(body) = body {
            request = request
                .header("content-type", "application/x-www-form-urlencoded")
                .body(body);
        }
        let response = request.send().await.unwrap();
        let answer = Answer {
            status: response.status().as_u16(),
            headers: response.headers().clone(),
            text: response.text().await.unwrap(),
        };
        if let Some((pair, _)) = answer.header("set-cookie").split_once(';') {
            pair.clone_into(&mut self.cookie.lock().unwrap());
        }
        answer
    }

    pub(crate) async fn get(&self, path: &str) -> Answer {
        self.ask(Method::GET, path, &[], None).await
    }

    pub(crate) async fn post(&self, path: &str, fields: &[(&str, &str)]) -> Answer {
        self.ask(Method::POST, path, &[], Some(encoded(fields)))
            .await
    }

    pub(crate) async fn sign_in(&self, passphrase: &str, name: &str) -> Answer {
        let fields = [("passphrase", passphrase), ("name", name)];
        self.post("/sign-in", &fields).await
    }

    /// The event stream, open.
    pub(crate) async fn events(&self) -> reqwest::Response {
        let request = self.client.get(format!("{}/events", self.base));
        let cookie = self.cookie.lock().unwrap().clone();
        request.header("cookie", cookie).send().await.unwrap()
    }

    /// Whether it is let in.
    pub(crate) async fn is_in(&self) -> bool {
        let answer = self.get("/").await;
        assert!(
            answer.status == 200 || answer.status == 303 && answer.location() == "/sign-in",
            "{answer:?}"
        );
        answer.status == 200
    }
}
