//! A ledger that is written out and taken over is the same ledger, down to every derived table.

use std::path::Path;

use chrono::{NaiveDate, TimeDelta};
use overwinter::{
    stock::{
        Finding, Form, Prepared, Treatment,
        ledger::{Asked, Deed, Entry, EntryId, Outcome, Wish, file},
        list,
    },
    store::{
        Store,
        ledger::Request,
        restore::{NotRestored, Restored},
    },
};
use proptest::prelude::*;
use sqlx::{Connection, Row as _, SqliteConnection};

use crate::{START, code, lifted, lot, older, open};

fn deed() -> impl Strategy<Value = Deed> {
    let krate = || prop::sample::select(vec!["A-1", "A-2", "b-1", "C-1"]);
    let variety = || prop::sample::select(vec!["Amber Lantern", "Blue Hour", "Rosée d’Hiver"]);
    let lots = || (1..8_i64).prop_map(lot);
    let counts = || 1..30_u32;
    let day =
        || prop::option::of((1..4_u32).prop_map(|d| NaiveDate::from_ymd_opt(2026, 10, d).unwrap()));
    let into = |c: &str| match lifted(c, "x", 1) {
        Deed::Lifted { into, .. } => into,
        _ => unreachable!(),
    };
    let listed = (
        krate(),
        variety(),
        counts(),
        day(),
        prop::option::of(1..9000_u32),
    )
        .prop_map(|(c, variety, count, dug, weight_g)| Deed::Listed {
            krate: list::Crate {
                code: code(c),
                room: "barn".into(),
                place: "rack 2 / 1".into(),
                packing: "peat".into(),
                lots: vec![list::Lot {
                    variety: variety.into(),
                    form: Form::Division,
                    count,
                    dug,
                    weight_g,
                    note: "a \"note\", with signs".into(),
                    prepared: Prepared {
                        washed: true,
                        brushed: false,
                        cured: Some(true),
                    },
                }],
            },
        });
    prop_oneof![
        4 => (krate(), variety(), counts()).prop_map(|(c, v, n)| lifted(c, v, n)),
        2 => listed,
        1 => (krate(), any::<Option<bool>>()).prop_map(|(c, skins_dry)| Deed::Packed {
            krate: code(c), packing: "shavings".into(), skins_dry,
        }),
        1 => krate().prop_map(|c| Deed::Moved { krate: code(c), room: "cellar".into(), place: "wall".into() }),
        2 => (lots(), counts(), counts()).prop_map(|(lot, count, yielded)| Deed::Divided { lot, count, yielded, into: None }),
        1 => (krate(), krate()).prop_map(|(a, b)| Deed::Merged { krate: code(a), into: code(b) }),
        2 => (lots(), counts(), krate()).prop_map(move |(lot, count, c)| Deed::Split { lot, count, into: into(c) }),
        1 => (lots(), counts()).prop_map(|(lot, count)| Deed::Culled { lot, finding: Finding::GallOrVirus, count }),
        1 => krate().prop_map(|c| Deed::Looked { krate: code(c), lot: None, finding: Finding::Sound, count: None }),
        1 => krate().prop_map(|c| Deed::Treated { krate: code(c), how: Treatment::Washed }),
        1 => (krate(), 100..20_000_u32).prop_map(|(c, grams)| Deed::Weighed { krate: code(c), grams }),
        1 => krate().prop_map(|c| Deed::Woken { krate: code(c) }),
        1 => (lots(), counts()).prop_map(|(lot, count)| Deed::Sold { lot, count }),
        1 => (lots(), 0..40_u32).prop_map(|(lot, count)| Deed::Corrected {
            lot, count: Some(count), variety: None, form: None, dug: None, note: None, prepared: None,
        }),
        1 => (variety(), prop::option::of(0..50_u32)).prop_map(|(v, plants)| Deed::Planned {
            variety: v.into(), wish: plants.map(|plants| Wish { plants, bed: None }),
        }),
        2 => (1..30_i64).prop_map(|n| Deed::Undone { entry: EntryId(n) }),
    ]
}

/// Deeds with keys, remarks and times, entered one by one.
async fn filled(path: &Path, deeds: Vec<Deed>) -> Store {
    let store = open(path).await;
    let mut tx = store.begin().await.unwrap();
    for (n, deed) in (0..).zip(deeds) {
        let at = START.plus(n * 1001);
        let asked = Asked {
            key: (n % 3 != 0).then(|| format!("phone-in-the-shed-{n}")),
            noted_at: (n % 2 == 0).then(|| at.to_utc() - TimeDelta::milliseconds(n * 777)),
            note: if n % 5 == 0 {
                "a remark".into()
            } else {
                String::new()
            },
            ..Asked::from(deed)
        };
        let request = Request {
            asked: &[asked],
            together: false,
            at,
            who: ["Ada", "Ben"][(n % 2) as usize],
            doubt: &|_| None,
        };
        tx.enter(&request).await.unwrap();
    }
    tx.commit().await.unwrap();
    store
}

async fn written(store: &Store) -> Vec<u8> {
    let entries = store.entries_after(EntryId(0), 10_000).await.unwrap();
    let (first, rest) = entries.split_at(entries.len() / 2);
    let lines = file::lines(first, true) + &file::lines(rest, first.is_empty());
    (file::head("0.0.0") + &lines + file::TAIL).into_bytes()
}

async fn restore(store: &Store, entries: &[Entry]) -> Result<Restored, NotRestored> {
    let mut tx = store.begin().await.unwrap();
    let restored = tx.restore(entries).await?;
    tx.commit().await.unwrap();
    Ok(restored)
}

/// Every row of every table of the stock, as text.
async fn tables(path: &Path) -> Vec<String> {
    let url = format!("sqlite://{}", path.join("store.db").display());
    let mut db = SqliteConnection::connect(&url).await.unwrap();
    let mut all = Vec::new();
    for (table, columns) in [
        (
            "ledger",
            "entry_id, at, noted_at, who, key, kind, note, deed, changes, undoes",
        ),
        ("crate", "crate_id, code, room, place, packing, steps"),
        (
            "lot",
            "lot_id, crate_id, variety, form, dug, each_ug, note, prepared, tubers",
        ),
        ("ledger_crate", "crate_id, entry_id"),
        ("posting", "entry_id, lot_id, account, tubers"),
        ("stock_key", "crate_id, lot_id"),
        ("wish", "variety, body"),
        ("season", "winter, body"),
        ("stock_revision", "revision"),
    ] {
        let query = format!("select json_array({columns}) from {table} order by 1");
        let rows = sqlx::query(sqlx::AssertSqlSafe(query))
            .fetch_all(&mut db)
            .await
            .unwrap();
        all.extend(
            rows.iter()
                .map(|row| format!("{table} {}", row.get::<String, _>(0))),
        );
    }
    db.close().await.unwrap();
    all
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, ..ProptestConfig::default() })]

    #[test]
    fn a_ledger_carried_over_is_the_same(deeds in prop::collection::vec(deed(), 0..40), part in 0..40_usize) {
        let runtime = tokio::runtime::Runtime::new().unwrap();
        runtime.block_on(async {
            let (here, there) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
            let store = filled(here.path(), deeds).await;
            let entries = file::read(&written(&store).await).unwrap();
            assert_eq!(entries, store.entries_after(EntryId(0), 10_000).await.unwrap());
            let other = open(there.path()).await;
            // First a beginning of it, then all, then all again.
            let n = entries.len() as u64;
            let part = part.min(entries.len());
            let known = part as u64;
            for (some, known) in [(&entries[..part], 0), (&entries[..], known), (&entries[..], n)] {
                let restored = restore(&other, some).await.unwrap();
                assert_eq!(restored, Restored { known, new: some.len() as u64 - known });
            }
            assert_eq!(written(&other).await, written(&store).await);
            assert_eq!(other.stock().await.unwrap(), store.stock().await.unwrap());
            store.close().await;
            other.close().await;
            assert_eq!(tables(there.path()).await, tables(here.path()).await);
        });
    }
}

#[tokio::test]
async fn any_other_difference_refuses_all_of_it() {
    let (here, there) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let deeds = vec![
        lifted("A-1", "Amber Lantern", 12),
        lifted("A-1", "Blue Hour", 5),
        Deed::Undone { entry: EntryId(2) },
        lifted("B-1", "Chalk Hill", 2),
    ];
    let store = filled(here.path(), deeds).await;
    let entries = store.entries_after(EntryId(0), 100).await.unwrap();
    let other = open(there.path()).await;
    restore(&other, &entries[..3]).await.unwrap();
    let before = other.stock().await.unwrap();
    type Edit = fn(&mut Vec<Entry>);
    let edits: [(Edit, &str); 8] = [
        (
            |e| e[1].note = "edited".into(),
            "entry 2 is another one in this store",
        ),
        (
            |e| e.truncate(2),
            "this store has an entry 3, which the file does not have",
        ),
        (
            |e| drop(e.remove(0)),
            "entry 2 stands where entry 1 should be",
        ),
        (
            |e| e[3].key = Some("phone-in-the-shed-1".into()),
            "entry 4 has a key that cannot be",
        ),
        (
            |e| e[3].key = Some("short".into()),
            "entry 4 has a key that cannot be",
        ),
        (
            |e| e[3].at += TimeDelta::nanoseconds(1),
            "entry 4 has a time that cannot be kept",
        ),
        (
            |e| e[3].deed = Deed::Undone { entry: EntryId(2) },
            "entry 4 takes back an entry that cannot be taken back",
        ),
        (
            |e| e[3].changes = e[0].changes.clone(),
            "entry 4 cannot be: ",
        ),
    ];
    for (edit, why) in edits {
        let mut edited = entries.clone();
        edit(&mut edited);
        let refused = restore(&other, &edited).await.unwrap_err().to_string();
        assert!(refused.starts_with(why), "{refused}");
        assert_eq!(other.stock().await.unwrap(), before);
    }
    restore(&other, &entries).await.unwrap();
    // What is entered later goes on from there.
    let mut tx = other.begin().await.unwrap();
    let asked = [Asked::from(lifted("B-1", "Chalk Hill", 1))];
    let request = Request {
        asked: &asked,
        together: false,
        at: START,
        who: "Ada",
        doubt: &|_| None,
    };
    let (outcomes, ..) = tx.enter(&request).await.unwrap();
    assert_eq!(outcomes, [Outcome::Entered(EntryId(5))]);
    tx.commit().await.unwrap();
    store.close().await;
    other.close().await;
    let edit = older::shell(&there.path().join("store.db"), "delete from ledger").await;
    assert!(edit.is_err());
}

#[test]
fn a_file_that_is_no_ledger_says_so() {
    let head = file::head("0.0.0");
    for (text, why) in [
        (
            String::new(),
            "the file is no ledger, or not all of one: EOF",
        ),
        (
            head.clone(),
            "the file is no ledger, or not all of one: EOF",
        ),
        (
            head.replace("\"format\":1", "\"format\":2") + file::TAIL,
            "the file has format 2, written by overwinter 0.0.0; this program reads format 1",
        ),
        (
            head.clone() + "{\"id\":1}" + file::TAIL,
            "entry 1 cannot be read: missing field",
        ),
    ] {
        let refused = file::read(text.as_bytes()).unwrap_err().to_string();
        assert!(refused.starts_with(why), "{refused}");
    }
    assert_eq!(file::read((head + file::TAIL).as_bytes()).unwrap(), []);
}
