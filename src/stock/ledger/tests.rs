//! Any sequence of deeds keeps every tuber; refusals change nothing; taking back leaves what others did.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use proptest::prelude::*;

use super::*;
use crate::stock::Treatment;

fn at(n: i64) -> DateTime<Utc> {
    DateTime::UNIX_EPOCH + TimeDelta::hours(n)
}

fn code(text: &str) -> CrateCode {
    text.parse().unwrap()
}

fn to(text: &str) -> To {
    To {
        code: code(text),
        room: "cellar".into(),
        place: String::new(),
        packing: String::new(),
    }
}

fn lifted(into: &str, variety: &str, count: u32) -> Deed {
    Deed::Lifted {
        into: to(into),
        variety: variety.into(),
        form: Form::Clump,
        count,
        dug: None,
    }
}

fn only(stock: &Stock, krate: &str) -> (LotId, u32) {
    let id = stock.find(&code(krate)).unwrap().0;
    let mut content = stock.content(id);
    let (lot, _, count) = content.next().unwrap();
    assert!(content.next().is_none());
    (lot, count)
}

/// A ledger as the store keeps it.
#[derive(Default)]
pub(crate) struct Book {
    pub(crate) stock: Stock,
    pub(crate) entries: Vec<Entry>,
    pub(crate) undone: Vec<usize>,
}

impl Book {
    fn note(&mut self, deed: Deed, changes: Vec<Change>) {
        let nth = self.entries.len() as i64 + 1;
        self.entries.push(Entry {
            id: EntryId(nth),
            at: at(nth),
            noted_at: None,
            who: "Ada".into(),
            key: None,
            note: String::new(),
            deed,
            changes,
        });
    }

    pub(crate) fn enter(&mut self, deed: Deed) -> Result<(), Refusal> {
        let changes = self.stock.enter(&deed, at(self.entries.len() as i64 + 1))?;
        self.note(deed, changes);
        Ok(())
    }

    pub(crate) fn take_back(&mut self, nth: usize) -> Result<(), Refusal> {
        let changes = self.stock.take_back(&self.entries[nth])?;
        self.undone.push(nth);
        self.note(
            Deed::Undone {
                entry: EntryId(nth as i64 + 1),
            },
            changes,
        );
        Ok(())
    }

    /// What every account has given (positive) or taken.
    fn accounts(&self) -> BTreeMap<Account, i64> {
        let mut accounts = BTreeMap::new();
        for change in self.entries.iter().flat_map(|e| &e.changes) {
            if let Change::Tubers { by, account, .. } = change {
                *accounts.entry(*account).or_default() += by;
            }
        }
        accounts
    }
}

#[test]
fn a_crate_from_the_field_to_the_bed() {
    let mut book = Book::default();
    book.enter(lifted("A-1", "Amber Lantern", 12)).unwrap();
    book.enter(Deed::Treated {
        krate: code("a-1"),
        how: Treatment::Washed,
    })
    .unwrap();
    let (clumps, _) = only(&book.stock, "A-1");
    let divided = Deed::Divided {
        lot: clumps,
        count: 10,
        yielded: 43,
        into: Some(to("A-2")),
    };
    book.enter(divided).unwrap();
    book.enter(Deed::Packed {
        krate: code("A-2"),
        packing: "shavings".into(),
        skins_dry: Some(true),
    })
    .unwrap();
    let (divisions, count) = only(&book.stock, "A-2");
    assert_eq!((only(&book.stock, "A-1").1, count), (2, 43));
    let lot = book.stock.lot(divisions).unwrap().0;
    assert_eq!(
        (lot.form, lot.prepared.to_string()),
        (Form::Division, "washed; cured".into())
    );
    book.enter(Deed::Culled {
        lot: divisions,
        finding: Finding::Soft,
        count: 3,
    })
    .unwrap();
    book.enter(Deed::Sold {
        lot: divisions,
        count: 5,
    })
    .unwrap();
    book.enter(Deed::Planted {
        lot: divisions,
        count: 30,
        bed: "south".into(),
    })
    .unwrap();
    assert_eq!(only(&book.stock, "A-2").1, 5);
    // 12 lifted; cutting 10 apart made 33 more of them; 3 rotted, 5 sold, 30 planted: 7 are left.
    let want = [
        (Account::Lifted, 12),
        (Account::Divided, 33),
        (Account::Culled(Finding::Soft), -3),
        (Account::Planted, -30),
        (Account::Sold, -5),
    ];
    assert_eq!(book.accounts(), want.into_iter().collect());
    assert_eq!(book.stock.tubers(), 7);
}

#[test]
fn refusals_say_what_is_wrong_and_change_nothing() {
    let mut book = Book::default();
    book.enter(lifted("A-1", "Amber Lantern", 12)).unwrap();
    book.enter(lifted("B-1", "Blue Hour", 3)).unwrap();
    let (lot, _) = only(&book.stock, "A-1");
    let other = only(&book.stock, "B-1").0;
    let before = book.stock.clone();
    let table = [
        (
            Deed::Sold { lot, count: 13 },
            "there are 12 Amber Lantern (clumps), not 13",
        ),
        (Deed::Sold { lot, count: 0 }, "the count is 0"),
        (
            Deed::Sold {
                lot,
                count: 200_000,
            },
            "a lot holds at most 100000",
        ),
        (
            Deed::Given {
                lot: LotId(9),
                count: 1,
            },
            "there is no lot 9",
        ),
        (Deed::Woken { krate: code("Z-9") }, "there is no crate Z-9"),
        (
            Deed::Split {
                lot,
                count: 1,
                into: To {
                    room: String::new(),
                    ..to("Z-9")
                },
            },
            "there is no crate Z-9 yet, and no room is named to put a new one into",
        ),
        (
            Deed::Split {
                lot,
                count: 13,
                into: to("Z-9"),
            },
            "there are 12 Amber Lantern (clumps), not 13",
        ),
        (
            Deed::Merged {
                krate: code("A-1"),
                into: code("a-1"),
            },
            "that is the same crate",
        ),
        (
            Deed::Looked {
                krate: code("A-1"),
                lot: Some(other),
                finding: Finding::Soft,
                count: None,
            },
            "this lot is not in crate A-1",
        ),
        (
            Deed::Looked {
                krate: code("A-1"),
                lot: Some(lot),
                finding: Finding::Soft,
                count: Some(20),
            },
            "there are 12 Amber Lantern (clumps), not 20",
        ),
        (
            Deed::Moved {
                krate: code("A-1"),
                room: "cellar".into(),
                place: String::new(),
            },
            "that is how it stands already",
        ),
        (lifted("A-1", "  ", 3), "no variety is named"),
        // What no list could bring back.
        (
            Deed::Corrected {
                lot,
                count: None,
                variety: None,
                form: None,
                dug: NaiveDate::from_ymd_opt(26, 10, 21),
                note: None,
                prepared: None,
            },
            "`0026-10-21` is outside 2000 to 2099",
        ),
    ];
    for (deed, why) in table {
        let refusal = book.enter(deed).unwrap_err();
        assert_eq!(refusal.to_string(), why);
        assert!(refusal.remedy().ends_with('.') || matches!(refusal, Refusal::Words { .. }));
        assert_eq!(book.stock, before, "{why}");
    }
}

#[test]
fn taking_back_leaves_what_others_did() {
    let mut book = Book::default();
    book.enter(lifted("A-1", "Amber Lantern", 12)).unwrap();
    book.enter(Deed::Moved {
        krate: code("A-1"),
        room: "barn".into(),
        place: "rack 1".into(),
    })
    .unwrap();
    book.enter(Deed::Treated {
        krate: code("A-1"),
        how: Treatment::Brushed,
    })
    .unwrap();
    book.take_back(1).unwrap();
    let krate = book.stock.find(&code("A-1")).unwrap().1;
    assert_eq!(krate.room, "cellar");
    assert!(krate.steps.cleaned.is_some());
    let (lot, _) = only(&book.stock, "A-1");
    book.enter(Deed::Sold { lot, count: 5 }).unwrap();
    let why = book.take_back(0).unwrap_err().to_string();
    assert_eq!(why, "there are 7 Amber Lantern (clumps), not 12");
    book.take_back(4).unwrap();
    assert_eq!(book.take_back(5), Err(Refusal::IsUndo));
    book.take_back(2).unwrap();
    book.take_back(0).unwrap();
    assert_eq!(book.stock.tubers(), 0);
}

#[test]
fn a_crate_that_is_filled_anew_keeps_nothing_of_last_year() {
    let mut stock = Stock::default();
    let listed = list::Crate {
        code: code("A-1"),
        room: "cellar".into(),
        place: String::new(),
        packing: "peat".into(),
        lots: vec![list::Lot {
            variety: "Brindolet".into(),
            form: Form::Clump,
            count: 4,
            dug: None,
            weight_g: Some(8000),
            note: "two with gall".into(),
            prepared: Prepared::default(),
        }],
    };
    let packed = |krate: &str| Deed::Packed {
        krate: code(krate),
        packing: "peat".into(),
        skins_dry: None,
    };
    for (hour, deed) in [
        (1, Deed::Listed { krate: listed }),
        (2, packed("A-1")),
        (
            3,
            Deed::Planted {
                lot: LotId(1),
                count: 4,
                bed: String::new(),
            },
        ),
        (9000, lifted("A-1", "Brindolet", 5)),
        (9001, lifted("A-2", "Quenbrisk", 5)),
        (9002, packed("A-2")),
        (
            9003,
            Deed::Sold {
                lot: LotId(3),
                count: 5,
            },
        ),
        // The cuts are fresh, whatever A-2 held before.
        (
            9004,
            Deed::Divided {
                lot: LotId(2),
                count: 1,
                yielded: 3,
                into: Some(to("A-2")),
            },
        ),
    ] {
        stock.enter(&deed, at(hour)).unwrap();
    }
    let (fresh, count) = stock.lot(only(&stock, "A-1").0).unwrap();
    assert_eq!((fresh.weight_g(count), fresh.note.as_str()), (None, ""));
    let steps = stock.find(&code("A-2")).unwrap().1.steps;
    assert_eq!(
        (steps.packed, steps.lifted, steps.divided),
        (None, Some(at(9000)), Some(at(9004)))
    );
}

#[test]
fn a_list_that_fills_an_emptied_crate_begins_its_way_anew() {
    let listed = |count: u32| {
        let lot = list::Lot {
            variety: "Quenbrisk".into(),
            form: Form::Clump,
            count,
            dug: None,
            weight_g: None,
            note: String::new(),
            prepared: Prepared::default(),
        };
        Deed::Listed {
            krate: list::Crate {
                code: code("A-1"),
                room: "cellar".into(),
                place: String::new(),
                packing: "peat".into(),
                lots: Some(lot).filter(|_| 0 < count).into_iter().collect(),
            },
        }
    };
    let mut stock = Stock::default();
    let packed = Deed::Packed {
        krate: code("A-1"),
        packing: "peat".into(),
        skins_dry: Some(true),
    };
    let steps = |stock: &Stock| stock.find(&code("A-1")).unwrap().1.steps;
    stock.enter(&lifted("A-1", "Brindolet", 5), at(1)).unwrap();
    stock.enter(&packed, at(2)).unwrap();
    // What lies in it is described anew: its way goes on.
    stock.enter(&listed(4), at(3)).unwrap();
    assert_eq!(steps(&stock).packed, Some(at(2)));
    stock.enter(&listed(0), at(4)).unwrap();
    assert_eq!(steps(&stock).packed, Some(at(2)), "nothing came");
    stock.enter(&listed(7), at(9000)).unwrap();
    assert_eq!(steps(&stock), Steps::default());
}

#[test]
fn deeds_keep_their_shape_in_json() {
    let text = r#"{"kind":"lifted","into":{"crate":"B-07","room":"cellar"},"variety":"Amber Lantern","count":12}"#;
    let deed: Deed = serde_json::from_str(text).unwrap();
    assert_eq!(deed, lifted("B-07", "Amber Lantern", 12));
    let slip = text.replace("count", "cuont");
    assert!(serde_json::from_str::<Deed>(&slip).is_err());
    let more = text.replace("\"count\"", "\"clumps\":3,\"count\"");
    assert!(serde_json::from_str::<Deed>(&more).is_err());
}

// ---- any sequence at all ----

pub(crate) fn deeds() -> impl Strategy<Value = (u8, Deed)> {
    let crates = || prop::sample::select(vec!["A-1", "A-2", "B-1", "B-2"]);
    let varieties = || prop::sample::select(vec!["Amber Lantern", "Blue Hour", "Chalk Hill"]);
    let lots = || (1..8_i64).prop_map(LotId);
    let counts = || 0..30_u32;
    let finding = || prop::sample::select(Finding::ALL.to_vec());
    let day =
        || prop::option::of((1..4_u32).prop_map(|d| NaiveDate::from_ymd_opt(2026, 10, d).unwrap()));
    let lot_of_list = move || {
        (varieties(), 1..30_u32, day(), prop::option::of(1..9000_u32)).prop_map(
            |(v, count, dug, weight_g)| list::Lot {
                variety: v.to_owned(),
                form: Form::Clump,
                count,
                dug,
                weight_g,
                note: String::new(),
                prepared: Prepared::default(),
            },
        )
    };
    let deed = prop_oneof![
        3 => (crates(), varieties(), counts(), day()).prop_map(|(c, v, count, dug)| Deed::Lifted {
            into: to(c), variety: v.into(), form: Form::Clump, count, dug,
        }),
        1 => (crates(), prop::collection::vec(lot_of_list(), 0..3)).prop_map(|(c, mut lots)| {
            let mut seen = Vec::new();
            lots.retain(|l| !seen.contains(&l.variety) && { seen.push(l.variety.clone()); true });
            Deed::Listed { krate: list::Crate {
                code: code(c), room: "barn".into(), place: "rack 2".into(), packing: "peat".into(), lots,
            }}
        }),
        1 => (crates(), any::<Option<bool>>()).prop_map(|(c, skins_dry)| Deed::Packed {
            krate: code(c), packing: "shavings".into(), skins_dry,
        }),
        1 => (crates(), crates()).prop_map(|(c, room)| Deed::Moved { krate: code(c), room: room.into(), place: String::new() }),
        2 => (lots(), counts(), counts(), prop::option::of(crates().prop_map(to)))
            .prop_map(|(lot, count, yielded, into)| Deed::Divided { lot, count, yielded, into }),
        2 => (crates(), crates()).prop_map(|(a, b)| Deed::Merged { krate: code(a), into: code(b) }),
        3 => (lots(), counts(), crates()).prop_map(|(lot, count, c)| Deed::Split { lot, count, into: to(c) }),
        2 => (lots(), finding(), counts()).prop_map(|(lot, finding, count)| Deed::Culled { lot, finding, count }),
        1 => (crates(), finding()).prop_map(|(c, finding)| Deed::Looked { krate: code(c), lot: None, finding, count: None }),
        1 => (crates(), prop::sample::select(Treatment::ALL.to_vec())).prop_map(|(c, how)| Deed::Treated { krate: code(c), how }),
        1 => (lots(), counts()).prop_map(|(lot, count)| Deed::Planted { lot, count, bed: String::new() }),
        1 => (lots(), counts()).prop_map(|(lot, count)| Deed::Sold { lot, count }),
        1 => (lots(), prop::option::of(0..40_u32), prop::option::of(varieties()), day()).prop_map(|(lot, count, v, dug)| Deed::Corrected {
            lot, count, variety: v.map(Into::into), form: None, dug, note: None, prepared: None,
        }),
        1 => (varieties(), prop::option::of(0..50_u32)).prop_map(|(v, plants)| Deed::Planned {
            variety: v.into(), wish: plants.map(|plants| Wish { plants, bed: None }),
        }),
    ];
    // Above 200 the number says which entry is taken back instead.
    (any::<u8>(), deed)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, ..ProptestConfig::default() })]

    #[test]
    fn tubers_are_conserved_whatever_is_entered_and_taken_back(
        asked in prop::collection::vec(deeds(), 1..60)
    ) {
        let mut book = Book::default();
        for (draw, deed) in asked {
            let before = book.stock.clone();
            let done = if 200 < draw && !book.entries.is_empty() {
                let nth = usize::from(draw) % book.entries.len();
                if book.undone.contains(&nth) {
                    continue;
                }
                book.take_back(nth)
            } else {
                book.enter(deed)
            };
            if done.is_err() {
                prop_assert_eq!(&book.stock, &before, "a refusal changes nothing");
                continue;
            }
            // Moves from lot to lot come to nothing within every entry.
            let entry = book.entries.last().unwrap();
            let within: i64 = (entry.changes.iter())
                .filter_map(|c| match c { Change::Tubers { by, account: Account::Lot, .. } => Some(*by), _ => None })
                .sum();
            prop_assert_eq!(within, 0);
            // The accounts together are what is in store; no count is below none, being unsigned.
            prop_assert_eq!(book.accounts().values().sum::<i64>(), book.stock.tubers() as i64);
            let per_lot: u64 = book.stock.list().iter().flat_map(|c| &c.lots).map(|l| u64::from(l.count)).sum();
            prop_assert_eq!(per_lot, book.stock.tubers());
        }
        // The stock is its entries, one after the other.
        let mut again = Stock::default();
        for entry in &book.entries {
            let entry: Entry = serde_json::from_str(&serde_json::to_string(entry).unwrap()).unwrap();
            again.apply(&entry.changes).unwrap();
        }
        prop_assert_eq!(&again, &book.stock);
        // Taken back from the newest on, nothing is left.
        for nth in (0..book.entries.len()).rev() {
            if !book.undone.contains(&nth) && !matches!(book.entries[nth].deed, Deed::Undone { .. }) {
                // Entries between which something was taken back out of turn may rest on each other.
                let _ = book.take_back(nth);
            }
        }
        prop_assert_eq!(book.accounts().values().sum::<i64>(), book.stock.tubers() as i64);
    }

    #[test]
    fn what_is_taken_back_at_once_was_never_there(asked in prop::collection::vec(deeds(), 1..40)) {
        let mut book = Book::default();
        for (_, deed) in asked {
            let before = book.stock.clone();
            if book.enter(deed.clone()).is_err() {
                continue;
            }
            let after = book.stock.clone();
            book.take_back(book.entries.len() - 1).unwrap();
            // Keys are given out once, so only they may differ.
            prop_assert_eq!(&book.stock.crates, &before.crates);
            prop_assert_eq!(&book.stock.lots, &before.lots);
            prop_assert_eq!(&book.stock.wishes, &before.wishes);
            // Done again it comes to the same.
            book.enter(deed).unwrap();
            prop_assert_eq!(book.stock.list(), after.list());
        }
    }

    #[test]
    fn splits_and_merges_commute_with_counts(a in 2..200_u32, b in 1..200_u32, cut in 1..200_u32, sold in 0..200_u32) {
        let cut = cut.min(a - 1);
        let sold = sold.min(b);
        let start = || {
            let mut book = Book::default();
            book.enter(lifted("A-1", "Amber Lantern", a)).unwrap();
            book.enter(lifted("B-1", "Amber Lantern", b)).unwrap();
            book
        };
        let merge = Deed::Merged { krate: code("A-1"), into: code("B-1") };
        // Some of A apart, then A to B, then the rest to B ...
        let mut split_first = start();
        let (lot, _) = only(&split_first.stock, "A-1");
        split_first.enter(Deed::Split { lot, count: cut, into: to("C-1") }).unwrap();
        split_first.enter(merge.clone()).unwrap();
        split_first.enter(Deed::Merged { krate: code("C-1"), into: code("B-1") }).unwrap();
        // ... is A to B at once.
        let mut merged = start();
        merged.enter(merge.clone()).unwrap();
        prop_assert_eq!(split_first.stock.list(), merged.stock.list());
        // Selling before or after putting together comes to the same.
        if sold != 0 {
            let mut before = start();
            let (lot, _) = only(&before.stock, "B-1");
            before.enter(Deed::Sold { lot, count: sold }).unwrap();
            before.enter(merge.clone()).unwrap();
            merged.enter(Deed::Sold { lot: only(&merged.stock, "B-1").0, count: sold }).unwrap();
            prop_assert_eq!(before.stock.tubers(), merged.stock.tubers());
            prop_assert_eq!(before.accounts(), merged.accounts());
            prop_assert_eq!(only(&before.stock, "B-1").1, only(&merged.stock, "B-1").1);
        }
    }

    #[test]
    fn a_list_brought_in_is_the_list_written_out(asked in prop::collection::vec(deeds(), 1..40)) {
        let mut book = Book::default();
        for (_, deed) in asked {
            let _ = book.enter(deed);
        }
        let listed = book.stock.list();
        let parsed = list::parse(&list::write(&listed));
        prop_assert_eq!(&parsed.faults, &[]);
        let tubers = |all: &[list::Crate]| all.iter().flat_map(|c| &c.lots).map(|l| u64::from(l.count)).sum::<u64>();
        prop_assert_eq!(tubers(&parsed.crates), book.stock.tubers());
        // Lots that were corrected to be alike are one row of a list.
        let lots = |all: &[list::Crate]| all.iter().map(|c| c.lots.len()).sum::<usize>();
        prop_assume!(lots(&parsed.crates) == lots(&listed));
        prop_assert_eq!(&parsed.crates, &listed);
        let mut other = Book::default();
        for krate in parsed.crates {
            other.enter(Deed::Listed { krate }).unwrap();
        }
        prop_assert_eq!(other.stock.list(), listed.clone());
        // Brought in where it stands already, it changes nothing.
        for krate in listed {
            prop_assert_eq!(book.enter(Deed::Listed { krate }), Err(Refusal::AsItStands));
        }
    }
}
