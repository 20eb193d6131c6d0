//! A season of an invented farm from the dig to the bed, through the API alone, and its figures worked out
//! by hand.

use std::collections::BTreeMap;

use overwinter::{
    stock::ledger::{Account, Change, EntryId},
    store::Store,
    watch::Stamp,
};
use serde_json::{Value, json};

use crate::farm::{Answer, Daemon, Farm, START};

const DAY_MS: i64 = 86_400_000;

/// Noon of a day, counted from the first of December 2026.
fn day(n: i64) -> Stamp {
    START.plus(n * DAY_MS + DAY_MS / 2)
}

struct Season<'a> {
    farm: &'a Farm,
    daemon: Daemon,
    sent: usize,
}

impl Season<'_> {
    /// Enters deeds on a day as a phone does, each under a key of its own, and sends them twice.
    async fn on(&mut self, on: i64, deeds: &[Value]) -> Vec<i64> {
        self.farm.clock.set(day(on));
        let entries: Vec<Value> = deeds
            .iter()
            .map(|deed| {
                self.sent += 1;
                json!({ "key": format!("phone-of-odile-{:04}", self.sent), "deed": deed })
            })
            .collect();
        let body = json!({ "entries": entries }).to_string();
        let mut ids = Vec::new();
        for word in ["entered", "known"] {
            let request = self
                .daemon
                .client
                .post(format!("{}/api/stock/entries", self.daemon.base))
                .header("content-type", "application/json")
                .body(body.clone());
            let answer = Answer::of(request).await;
            assert_eq!(answer.status, 200, "{}", answer.text);
            let answer: Value = serde_json::from_str(&answer.text).unwrap();
            let answers = answer["entries"].as_array().unwrap();
            assert!(answers.iter().all(|a| a["outcome"] == word), "{answer}");
            ids = answers.iter().map(|a| a["id"].as_i64().unwrap()).collect();
        }
        ids
    }

    /// How many of a variety a crate holds, and the key of the lot.
    async fn held(&self, code: &str, variety: &str) -> (i64, u32) {
        let stock = self.daemon.store().stock().await.unwrap();
        let krate = stock.find(&code.parse().unwrap()).unwrap().0;
        let mut of = stock
            .content(krate)
            .filter(|(_, lot, _)| lot.variety == variety);
        let (lot, _, count) = of
            .next()
            .unwrap_or_else(|| panic!("no {variety} in {code}"));
        assert!(of.next().is_none(), "one lot of {variety} in {code}");
        (lot.0, count)
    }
}

fn lifted(code: &str, variety: &str, count: u32) -> Value {
    json!({ "kind": "lifted", "into": { "crate": code, "room": "cellar", "place": "floor" },
            "variety": variety, "count": count, "dug": "2026-12-01" })
}

fn into(code: &str, place: &str, packing: &str) -> Value {
    json!({ "crate": code, "room": "cellar", "place": place, "packing": packing })
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn from_the_dig_to_the_bed_every_tuber_is_accounted_for() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    let mut season = Season {
        farm: &farm,
        daemon,
        sent: 0,
    };

    // The dig: 12 + 20 + 6 = 38 clumps into three muddy crates.
    season
        .on(
            0,
            &[
                json!({ "kind": "season", "winter": 2026, "season": { "killing_frost": "2026-11-20" } }),
                lifted("F-1", "Brindolet", 12),
                lifted("F-2", "Quenbrisk", 20),
                lifted("F-3", "Ossamurle", 6),
                json!({ "kind": "treated", "crate": "F-1", "how": "washed" }),
                json!({ "kind": "treated", "crate": "F-2", "how": "washed" }),
                json!({ "kind": "treated", "crate": "F-3", "how": "brushed" }),
            ],
        )
        .await;
    // Divided: 12 clumps of Brindolet make 47, 10 of the 20 of Quenbrisk make 38.
    let (brindolet, _) = season.held("F-1", "Brindolet").await;
    let (quenbrisk, _) = season.held("F-2", "Quenbrisk").await;
    season
        .on(
            1,
            &[
                json!({ "kind": "divided", "lot": brindolet, "count": 12, "yielded": 47,
                        "into": into("C-01", "north wall / shelf 1 / 1", "") }),
                json!({ "kind": "divided", "lot": quenbrisk, "count": 10, "yielded": 38,
                        "into": into("C-02", "north wall / shelf 1 / 2", "") }),
                json!({ "kind": "treated", "crate": "C-01", "how": "cuts-dry" }),
                json!({ "kind": "treated", "crate": "C-02", "how": "cuts-dry" }),
            ],
        )
        .await;
    // Packed; the 10 clumps that are left of Quenbrisk and the 6 of Ossamurle share a crate.
    let (divisions, count) = season.held("C-01", "Brindolet").await;
    assert_eq!(count, 47);
    season
        .on(
            2,
            &[
                json!({ "kind": "packed", "crate": "C-01", "packing": "shavings", "skins_dry": true }),
                json!({ "kind": "packed", "crate": "C-02", "packing": "peat", "skins_dry": true }),
                json!({ "kind": "split", "lot": divisions, "count": 20,
                        "into": into("C-04", "north wall / shelf 2 / 1", "shavings") }),
                json!({ "kind": "split", "lot": quenbrisk, "count": 10,
                        "into": into("C-03", "north wall / shelf 2 / 2", "vermiculite") }),
                json!({ "kind": "merged", "crate": "F-3", "into": "C-03" }),
            ],
        )
        .await;
    assert_eq!(season.held("C-03", "Ossamurle").await.1, 6);

    // Two rounds: 2 of C-01 soft and taken out; 3 of C-02 mouldy, left in, then taken out.
    let (peat, _) = season.held("C-02", "Quenbrisk").await;
    let (four, _) = season.held("C-04", "Brindolet").await;
    season
        .on(
            16,
            &[
                json!({ "kind": "culled", "lot": divisions, "finding": "soft", "count": 2 }),
                json!({ "kind": "looked", "crate": "C-02", "lot": peat, "finding": "mould", "count": 3 }),
                json!({ "kind": "looked", "crate": "C-03", "finding": "sound" }),
                json!({ "kind": "looked", "crate": "C-04", "finding": "sound" }),
            ],
        )
        .await;
    let sold_by_mistake = season
        .on(
            30,
            &[
                json!({ "kind": "culled", "lot": peat, "finding": "mould", "count": 3 }),
                json!({ "kind": "sold", "lot": four, "count": 5 }),
            ],
        )
        .await[1];
    // January: the mistake is taken back, 10 are sold in truth, 2 given away.
    season
        .on(
            40,
            &[
                json!({ "kind": "undone", "entry": sold_by_mistake }),
                json!({ "kind": "sold", "lot": four, "count": 10 }),
                json!({ "kind": "given", "lot": peat, "count": 2 }),
            ],
        )
        .await;
    // Will there be enough? Of Quenbrisk there are 38 - 3 - 2 = 33 divisions and 10 clumps. Of 22 clumps
    // of the farm 12 + 10 were divided, 10 of them Quenbrisk: these made 38, so 10 more make another 38,
    // and if all of them live there are 33 + 38 = 71 plants. 90 are wanted.
    season
        .on(
            41,
            &[json!({ "kind": "planned", "variety": "Quenbrisk", "wish": { "plants": 90 } })],
        )
        .await;
    let page = season.daemon.get("/planting").await.text;
    let expected = |text: &str| page.contains(text);
    assert!(expected("You will be short of 1 variety"), "{page}");
    assert!(
        expected("90 wanted, 10 clumps and 33 tubers here."),
        "{page}"
    );
    // Nobody can have more than all of them; short is what is wanted but for what is expected.
    assert!(expected(" and 71."), "{page}");
    let figure = |after: &str| -> u32 {
        let text = page
            .split(after)
            .nth(1)
            .unwrap_or_else(|| panic!("`{after}` is not in {page}"));
        text.split(|c: char| !c.is_ascii_digit())
            .next()
            .unwrap()
            .parse()
            .unwrap()
    };
    let plants = figure("33 tubers here. ");
    assert_eq!(figure("short by "), 90 - plants);
    assert!((50..=71).contains(&plants), "{plants}");

    // March: one clump of Quenbrisk is missing; the 9 that are there make 31.
    let (clumps, count) = season.held("C-03", "Quenbrisk").await;
    assert_eq!(count, 10);
    season
        .on(
            100,
            &[
                json!({ "kind": "corrected", "lot": clumps, "count": 9 }),
                json!({ "kind": "divided", "lot": clumps, "count": 9, "yielded": 31 }),
                json!({ "kind": "woken", "crate": "C-03" }),
            ],
        )
        .await;
    let before = season.daemon.store().stock().await.unwrap();
    // 38 lifted + (47 - 12) + (38 - 10) + (31 - 9) by dividing - 2 - 3 rotten - 10 sold - 2 given - 1
    // missing = 105, in C-01 47 - 20 - 2 = 25, in C-02 38 - 3 - 2 = 33, in C-03 31 + 6, in C-04 20 - 10.
    assert_eq!(before.tubers(), 105);
    let per_crate: BTreeMap<String, u32> = before
        .list()
        .iter()
        .map(|c| (c.code.to_string(), c.lots.iter().map(|l| l.count).sum()))
        .collect();
    let want = [("C-01", 25), ("C-02", 33), ("C-03", 37), ("C-04", 10)];
    assert_eq!(
        per_crate,
        want.map(|(code, n)| (code.to_owned(), n))
            .into_iter()
            .collect()
    );

    // May: everything is planted but 3 of the 31.
    let (spring, count) = season.held("C-03", "Quenbrisk").await;
    assert_eq!(count, 31);
    let (ossamurle, _) = season.held("C-03", "Ossamurle").await;
    let planted = |lot: i64, count: u32| json!({ "kind": "planted", "lot": lot, "count": count, "bed": "long bed" });
    season
        .on(
            165,
            &[
                planted(divisions, 25),
                planted(four, 10),
                planted(peat, 33),
                planted(spring, 28),
                planted(ossamurle, 6),
            ],
        )
        .await;
    // The page of the count says the same.
    let page = season.daemon.get("/stock/count").await.text;
    for (what, n) in [
        ("lifted", "+38"),
        ("more by dividing", "+85"),
        ("thrown away, soft", "\u{2212}2"),
        ("thrown away, mould", "\u{2212}3"),
        ("sold", "\u{2212}10"),
        ("given away", "\u{2212}2"),
        ("planted", "\u{2212}102"),
        ("found or missing at a count", "\u{2212}1"),
        ("in store", "3"),
    ] {
        let row = format!("<tr><th scope=\"row\">{what}<td>{n}");
        assert!(page.contains(&row), "`{row}` is not in {page}");
    }
    assert!(
        !page.contains("from crate to crate"),
        "that comes to nothing"
    );
    let row = "<tr><th scope=\"row\">Brindolet<td>47<td>45<td>2<td>0";
    // 12 + 35 came; 10 sold and 35 planted went; 2 were lost.
    assert!(page.contains(row), "`{row}` is not in {page}");
    season.daemon.running.finish().await;

    let store = Store::open(&farm.config().database).await.unwrap();
    let mut accounts: BTreeMap<Account, i64> = BTreeMap::new();
    for entry in store.entries_after(EntryId(0), 1000).await.unwrap() {
        assert!(!entry.who.is_empty() && entry.at <= day(165).to_utc());
        for change in &entry.changes {
            if let Change::Tubers { by, account, .. } = change {
                *accounts.entry(*account).or_default() += by;
            }
        }
    }
    let told: Vec<(String, i64)> = accounts.iter().map(|(a, n)| (a.to_string(), *n)).collect();
    // Planted 25 + 10 + 33 + 28 + 6 = 102; what went from crate to crate comes to nothing.
    let want = [
        ("lifted", 38),
        ("divided", 85),
        ("culled/soft", -2),
        ("culled/mould", -3),
        ("planted", -102),
        ("sold", -10),
        ("given", -2),
        ("corrected", -1),
        ("lot", 0),
    ];
    assert_eq!(told, want.map(|(a, n)| (a.to_owned(), n)));
    assert_eq!(store.stock().await.unwrap().tubers(), 3);
    assert_eq!(accounts.values().sum::<i64>(), 3);
    store.close().await;
}
