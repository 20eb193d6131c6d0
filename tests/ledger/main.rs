//! The stock ledger on disk: what is derived from it is what its entries come to, an older database finds
//! its way into it, and what is asked twice is entered once.

use std::path::Path;

use overwinter::{
    stock::{
        CrateCode, Finding, Form,
        ledger::{Asked, Deed, EntryId, Outcome, Stock, To, Wish},
        list,
    },
    store::{Store, ledger::Request},
    watch::Stamp,
};

mod carried;
mod older;
mod winters;

const START: Stamp = Stamp(1_793_000_000_000);

fn code(text: &str) -> CrateCode {
    text.parse().unwrap()
}

fn lifted(into: &str, variety: &str, count: u32) -> Deed {
    let into = To {
        code: code(into),
        room: "cellar".into(),
        place: String::new(),
        packing: String::new(),
    };
    Deed::Lifted {
        into,
        variety: variety.into(),
        form: Form::Clump,
        count,
        dug: None,
    }
}

async fn enter(store: &Store, who: &str, asked: &[Asked], together: bool) -> Vec<Outcome> {
    let mut tx = store.begin().await.unwrap();
    let request = Request {
        asked,
        together,
        at: START,
        who,
        doubt: &|_| None,
    };
    let (outcomes, ..) = tx.enter(&request).await.unwrap();
    tx.commit().await.unwrap();
    outcomes
}

fn keyed(key: &str, seen: Option<EntryId>, deed: Deed) -> Asked {
    Asked {
        key: Some(key.into()),
        seen,
        ..Asked::from(deed)
    }
}

/// The stock as its entries come to, one after the other.
async fn folded(store: &Store) -> Stock {
    let mut stock = Stock::default();
    for entry in store.entries_after(EntryId(0), 10_000).await.unwrap() {
        stock.apply(&entry.changes).unwrap();
    }
    stock
}

async fn open(path: &Path) -> Store {
    Store::open(&path.join("store.db")).await.unwrap()
}

#[tokio::test]
async fn what_is_derived_is_what_the_entries_come_to() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path()).await;
    let deeds: Vec<Asked> = [
        lifted("A-1", "Amber Lantern", 12),
        lifted("A-1", "Blue Hour", 5),
        Deed::Divided {
            lot: lot(1),
            count: 10,
            yielded: 43,
            into: None,
        },
        Deed::Packed {
            krate: code("a-1"),
            packing: "shavings".into(),
            skins_dry: Some(true),
        },
        Deed::Culled {
            lot: lot(3),
            finding: Finding::GallOrVirus,
            count: 2,
        },
        Deed::Undone { entry: EntryId(5) },
        lifted("Z-9", "By Mistake", 1),
        Deed::Undone { entry: EntryId(7) },
        Deed::Undone { entry: EntryId(7) },
        lifted("B-1", "Chalk Hill", 2),
    ]
    .map(Asked::from)
    .into();
    let outcomes = enter(&store, "Ada", &deeds, false).await;
    let entered = outcomes
        .iter()
        .filter(|o| matches!(o, Outcome::Entered(_)))
        .count();
    assert_eq!(entered, 9, "{outcomes:?}");
    let stock = store.stock().await.unwrap();
    assert_eq!(*stock, folded(&store).await);
    assert_eq!(stock.list(), store.crates().await.unwrap());
    assert_eq!(stock.tubers(), 2 + 43 + 5 + 2);
    // What was taken back at once leaves no crate, and its keys are not given out again.
    assert!(stock.find(&code("Z-9")).is_none());
    assert_eq!(stock.find(&code("B-1")).unwrap().0.0, 3);
    store.close().await;
}

fn lot(n: i64) -> overwinter::stock::ledger::LotId {
    overwinter::stock::ledger::LotId(n)
}

#[tokio::test]
async fn a_key_is_entered_once() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path()).await;
    let one = keyed(
        "a-phone-in-the-shed-1",
        None,
        lifted("A-1", "Amber Lantern", 12),
    );
    let twice = [one.clone(), one.clone()];
    let id = EntryId(1);
    assert_eq!(
        enter(&store, "Ada", &twice, false).await,
        [Outcome::Entered(id), Outcome::Known(id)]
    );
    assert_eq!(
        enter(&store, "Ada", &twice, true).await,
        [Outcome::Known(id), Outcome::Known(id)]
    );
    assert_eq!(store.stock().await.unwrap().tubers(), 12);
    store.close().await;
}

#[tokio::test]
async fn the_second_of_two_is_told_what_the_first_did() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path()).await;
    enter(
        &store,
        "Ada",
        &[lifted("A-1", "Amber Lantern", 12).into()],
        false,
    )
    .await;
    let seen = Some(EntryId(1));
    let cull = |count| Deed::Culled {
        lot: lot(1),
        finding: Finding::Soft,
        count,
    };
    // Both have loaded the page; Ada is first, twice, from her own phone.
    let ada = [
        keyed("phone-of-ada-1", seen, cull(3)),
        keyed("phone-of-ada-2", seen, cull(1)),
    ];
    let done = enter(&store, "Ada", &ada, false).await;
    assert_eq!(
        done,
        [Outcome::Entered(EntryId(2)), Outcome::Entered(EntryId(3))]
    );
    let ben = keyed("phone-of-ben-1", seen, cull(3));
    let told = enter(&store, "Ben", std::slice::from_ref(&ben), false).await;
    let [Outcome::Changed { since, newest }] = told.as_slice() else {
        panic!("{told:?}")
    };
    assert_eq!((since.len(), *newest), (2, EntryId(3)));
    assert_eq!(store.stock().await.unwrap().tubers(), 8);
    // A look takes nothing from anybody, and is noted all the same.
    let look = Deed::Looked {
        krate: code("A-1"),
        lot: None,
        finding: Finding::Sound,
        count: None,
    };
    let looked = enter(&store, "Ben", &[keyed("phone-of-ben-2", seen, look)], false).await;
    assert_eq!(looked, [Outcome::Entered(EntryId(4))]);
    // Having read it, he means it.
    let again = Asked {
        seen: Some(*newest),
        ..ben
    };
    assert_eq!(
        enter(&store, "Ben", &[again], false).await,
        [Outcome::Entered(EntryId(5))]
    );
    assert_eq!(store.stock().await.unwrap().tubers(), 5);
    store.close().await;
}

/// However much was only looked at since, and by however many.
#[tokio::test]
async fn what_others_did_is_told_behind_any_number_of_looks() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path()).await;
    let sold = Deed::Sold {
        lot: lot(1),
        count: 2,
    };
    let made = [lifted("A-1", "Amber Lantern", 12).into(), sold.into()];
    enter(&store, "Ada", &made, false).await;
    let look = Deed::Looked {
        krate: code("A-1"),
        lot: None,
        finding: Finding::Sound,
        count: None,
    };
    let looks: Vec<Asked> = (0..30).map(|_| look.clone().into()).collect();
    enter(&store, "Ada", &looks, false).await;
    let sold = Deed::Sold {
        lot: lot(1),
        count: 2,
    };
    let ben = keyed("phone-of-ben-1", Some(EntryId(1)), sold);
    let told = enter(&store, "Ben", &[ben], false).await;
    let [Outcome::Changed { since, newest }] = told.as_slice() else {
        panic!("{told:?}")
    };
    assert_eq!((since.len(), *newest), (1, EntryId(32)));
    store.close().await;
}

#[tokio::test]
async fn a_wish_is_one_wish_in_whatever_letters() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path()).await;
    let wish = |variety: &str, plants: Option<u32>| -> Asked {
        Deed::Planned {
            variety: variety.into(),
            wish: plants.map(|plants| Wish { plants, bed: None }),
        }
        .into()
    };
    for (variety, plants) in [
        ("élan du soir", Some(20)),
        ("Élan du Soir", Some(40)),
        ("ÉLAN DU SOIR", Some(30)),
        ("élan du soir", None),
    ] {
        let done = enter(&store, "Ada", &[wish(variety, plants)], false).await;
        assert!(matches!(done.as_slice(), [Outcome::Entered(_)]), "{done:?}");
        let stock = store.stock().await.unwrap();
        let wishes: Vec<_> = stock.wishes().map(|(v, w)| (v, w.plants)).collect();
        let wanted: Vec<_> = plants.iter().map(|n| (variety, *n)).collect();
        assert_eq!(wishes, wanted);
        assert_eq!(*stock, folded(&store).await);
    }
    store.close().await;
}

#[tokio::test]
async fn a_weighing_that_was_taken_back_says_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path()).await;
    let weighed = |grams| -> Asked {
        Deed::Weighed {
            krate: code("A-1"),
            grams,
        }
        .into()
    };
    let sold = Deed::Sold {
        lot: lot(1),
        count: 1,
    };
    let asked = [
        lifted("A-1", "Amber Lantern", 12).into(),
        weighed(10_000),
        sold.into(),
        weighed(92_000),
        Deed::Undone { entry: EntryId(4) }.into(),
    ];
    let done = enter(&store, "Ada", &asked, true).await;
    assert!(matches!(done[4], Outcome::Entered(EntryId(5))), "{done:?}");
    let mut tx = store.begin().await.unwrap();
    assert_eq!(tx.last_weight(&code("A-1")).await.unwrap(), Some(10_000));
    // One was sold since that weight.
    assert!(tx.changed_since_weighed(&code("A-1")).await.unwrap());
    tx.commit().await.unwrap();
    store.close().await;
}

#[tokio::test]
async fn together_is_all_or_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path()).await;
    let both = [
        lifted("A-1", "Amber Lantern", 12).into(),
        lifted("A-2", "Blue Hour", 0).into(),
    ];
    let outcomes = enter(&store, "Ada", &both, true).await;
    assert!(
        matches!(
            outcomes.as_slice(),
            [Outcome::NotAlone, Outcome::Refused(_)]
        ),
        "{outcomes:?}"
    );
    assert_eq!(*store.stock().await.unwrap(), Stock::default());
    let outcomes = enter(&store, "Ada", &both, false).await;
    assert!(
        matches!(
            outcomes.as_slice(),
            [Outcome::Entered(_), Outcome::Refused(_)]
        ),
        "{outcomes:?}"
    );
    store.close().await;
}

#[tokio::test]
async fn nobody_edits_the_ledger() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path()).await;
    enter(
        &store,
        "Ada",
        &[lifted("A-1", "Amber Lantern", 12).into()],
        false,
    )
    .await;
    store.close().await;
    let path = dir.path().join("store.db");
    for edit in ["update ledger set who = 'x'", "delete from ledger"] {
        let refused = older::shell(&path, edit).await.unwrap_err().to_string();
        assert!(refused.contains("the ledger is append-only"), "{refused}");
    }
}

#[tokio::test]
async fn a_list_makes_one_entry_to_a_crate_and_none_when_nothing_changed() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path()).await;
    let text = include_str!("../../demo-sensors/crates.csv");
    let crates = list::parse(text).crates;
    for nth in 0..2 {
        let mut tx = store.begin().await.unwrap();
        let imported = tx.import_crates(&crates, START, "a list").await.unwrap();
        tx.commit().await.unwrap();
        let new = if nth == 0 { crates.len() as u64 } else { 0 };
        assert_eq!((imported.new_crates, imported.changed_crates), (new, 0));
        assert!(imported.refused.is_empty());
    }
    let entries = store.entries_after(EntryId(0), 1000).await.unwrap();
    assert_eq!(entries.len(), crates.len());
    let mut listed = store.crates().await.unwrap();
    let mut wanted = crates.clone();
    let by_code = |c: &list::Crate| c.code.clone();
    listed.sort_by_key(by_code);
    wanted.sort_by_key(by_code);
    assert_eq!(listed, wanted);
    assert_eq!(*store.stock().await.unwrap(), folded(&store).await);
    store.close().await;
}
