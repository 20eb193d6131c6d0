//! The real program over a shed with crates that are due.

use std::{
    fs,
    io::{BufRead, BufReader},
    path::PathBuf,
    process::{Child, Command, Stdio},
    thread,
};

use chrono::{Days, Utc};
use overwinter::{
    intake::sha256_hex,
    stock::ledger::{Deed, EntryId, Stock},
    store::Store,
    watch::Stamp,
    web::access::passphrase,
};
use serde_json::{Value, json};

use crate::{
    browser::free_port,
    farm::{TOKEN, client, encoded},
};

pub(crate) const PASSPHRASE: &str = "ladle fog nine";

/// A folder with a configuration, and the program that runs on it, if it does.
pub(crate) struct Shed {
    folder: tempfile::TempDir,
    pub(crate) base: String,
    program: Option<Child>,
}

impl Shed {
    pub(crate) fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let address = format!("127.0.0.1:{}", free_port());
        let text = format!(
            "[site]\nname = \"Invented store\"\ntime_zone = \"UTC\"\nunits = \"C\"\n\
             database = \"overwinter.db\"\nlisten = \"{address}\"\n\n[[room]]\nname = \"cellar\"\n\n\
             [[sensor]]\nname = \"north\"\nroom = \"cellar\"\nrole = \"air\"\ninterval = \"10min\"\n\n\
             [[http]]\nname = \"gateway\"\ntoken_sha256 = \"{}\"\n",
            sha256_hex(TOKEN)
        );
        fs::write(folder.path().join("overwinter.toml"), text).unwrap();
        Self {
            folder,
            base: format!("http://{address}"),
            program: None,
        }
    }

    fn database(&self) -> PathBuf {
        self.folder.path().join("overwinter.db")
    }

    pub(crate) fn start(&mut self) {
        let mut program = Command::new(env!("CARGO_BIN_EXE_overwinter"))
            .args(["run", "--config"])
            .arg(self.folder.path().join("overwinter.toml"))
            .env("OVERWINTER_LOG", "warn")
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut said = BufReader::new(program.stderr.take().unwrap());
        let mut all = String::new();
        while !all.contains("Open ") {
            let length = said.read_line(&mut all).unwrap();
            assert!(length != 0, "it ended, {:?}: {all}", program.wait());
        }
        // Nobody reads on; a full pipe would hold it up.
        thread::spawn(move || said.lines().map_while(Result::ok).for_each(drop));
        self.program = Some(program);
    }

    /// Nothing can be done about this signal; the program learns of nothing.
    pub(crate) fn kill(&mut self) {
        let mut program = self.program.take().unwrap();
        program.kill().unwrap();
        program.wait().unwrap();
    }

    /// Enters deeds that must all come to be.
    pub(crate) async fn enter(&self, entries: Value) {
        let address = format!("{}/api/stock/entries", self.base);
        let body = json!({ "entries": entries }).to_string();
        let request = client()
            .post(address)
            .header("content-type", "application/json");
        let answer = request.body(body).send().await.unwrap();
        let answer = answer.text().await.unwrap();
        let outcomes: Value = serde_json::from_str(&answer).unwrap();
        for one in outcomes["entries"].as_array().unwrap() {
            assert_eq!(one["outcome"], "entered", "{answer}");
        }
    }

    /// So many crates of 12, side by side, dug so long ago that a look is due.
    pub(crate) async fn fill(&self, crates: usize) {
        let dug = Utc::now().date_naive() - Days::new(30);
        let lifted = |n: usize| {
            let into = json!({
                "crate": format!("C-{n:02}"), "room": "cellar", "place": format!("north wall / shelf 1 / {n}"),
            });
            let deed = json!({
                "kind": "lifted", "into": into, "variety": "Quenbrisk", "count": 12, "dug": dug.to_string(),
            });
            let noted_at = format!("{dug}T08:00:00Z");
            json!({ "deed": deed, "noted_at": noted_at })
        };
        let all: Vec<Value> = (1..=crates).map(lifted).collect();
        self.enter(Value::Array(all)).await;
    }

    /// Sets the passphrase, while the program does not run.
    pub(crate) async fn lock(&self) {
        let hash = passphrase::hash(PASSPHRASE).unwrap();
        let store = Store::open(&self.database()).await.unwrap();
        let mut tx = store.begin().await.unwrap();
        let now = Stamp::from(Utc::now());
        tx.change_passphrase(&hash, now, "a test").await.unwrap();
        tx.commit().await.unwrap();
        store.close().await;
    }

    /// Somebody at another device ends the sessions of all others.
    pub(crate) async fn end_other_sessions(&self) {
        let post = |path: &str, fields: &[(&str, &str)]| {
            let request = client().post(format!("{}{path}", self.base));
            let request = request.header("content-type", "application/x-www-form-urlencoded");
            request.body(encoded(fields))
        };
        let fields = [("passphrase", PASSPHRASE), ("name", "Odile")];
        let signed_in = post("/sign-in", &fields).send().await.unwrap();
        let cookie = signed_in.headers()["set-cookie"].to_str().unwrap();
        let cookie = cookie.split(';').next().unwrap();
        let ended = post("/devices/end-others", &[]).header("cookie", cookie);
        assert_eq!(ended.send().await.unwrap().status(), 303);
    }

    /// What phones and pages noted: key, and the deed in words.
    pub(crate) async fn noted(&self) -> Vec<(String, String)> {
        let store = Store::open(&self.database()).await.unwrap();
        let stock = store.stock().await.unwrap();
        let entries = store.entries_after(EntryId(0), 10_000).await.unwrap();
        store.close().await;
        let noted = entries.into_iter().filter_map(|entry| {
            let words = in_words(&entry.deed, &stock);
            Some((entry.key?, words))
        });
        noted.collect()
    }

    pub(crate) async fn tubers(&self) -> u64 {
        let store = Store::open(&self.database()).await.unwrap();
        let tubers = store.stock().await.unwrap().tubers();
        store.close().await;
        tubers
    }
}

impl Drop for Shed {
    /// A test that fails leaves nothing running.
    fn drop(&mut self) {
        if let Some(program) = &mut self.program {
            let _ = program.kill();
            let _ = program.wait();
        }
    }
}

fn in_words(deed: &Deed, stock: &Stock) -> String {
    match deed {
        Deed::Looked {
            krate,
            finding,
            count,
            ..
        } => {
            let count = count.map(|n| format!(" {n}")).unwrap_or_default();
            format!("{krate} looked {finding}{count}")
        }
        Deed::Culled {
            lot,
            finding,
            count,
        } => {
            let (lot, _) = stock.lot(*lot).unwrap();
            let krate = stock.krate(lot.krate).unwrap();
            format!("{} culled {finding} {count}", krate.code)
        }
        Deed::Weighed { krate, grams } => format!("{krate} weighed {grams} g"),
        other => format!("{other:?}"),
    }
}
