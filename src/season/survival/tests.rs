//! A winter by hand, differences that hold and that do not.

use super::*;
use crate::{
    season::counsel::{Advice, of_losses},
    stock::{
        Form,
        ledger::{Change, Deed, EntryId, LotId, Stock, To},
    },
};

mod any;

fn on(y: i32, m: u32, d: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(y, m, d).unwrap()
}

fn utc_day(at: DateTime<Utc>) -> NaiveDate {
    at.date_naive()
}

/// A ledger in the making.
#[derive(Default)]
struct Store {
    stock: Stock,
    entries: Vec<Entry>,
}

impl Store {
    fn note(&mut self, day: NaiveDate, deed: Deed, changes: Vec<Change>) -> &mut Self {
        let at = day.and_hms_opt(9, 0, 0).unwrap().and_utc();
        self.entries.push(Entry {
            id: EntryId(self.entries.len() as i64 + 1),
            at,
            noted_at: None,
            who: "Odile".into(),
            key: None,
            note: String::new(),
            deed,
            changes,
        });
        self
    }

    fn does(&mut self, day: NaiveDate, deed: Deed) -> &mut Self {
        let at = day.and_hms_opt(9, 0, 0).unwrap().and_utc();
        let changes = self.stock.enter(&deed, at).unwrap();
        self.note(day, deed, changes)
    }

    fn takes_back(&mut self, day: NaiveDate, nth: i64) -> &mut Self {
        let entry = self.entries[nth as usize - 1].clone();
        let changes = self.stock.take_back(&entry).unwrap();
        self.note(day, Deed::Undone { entry: entry.id }, changes)
    }

    fn losses(&self, winter: i32) -> Losses {
        losses(&self.entries, Period::whole(winter), utc_day)
    }
}

fn to(code: &str, room: &str, place: &str, packing: &str) -> To {
    To {
        code: code.parse().unwrap(),
        room: room.into(),
        place: place.into(),
        packing: packing.into(),
    }
}

fn lifted(into: To, variety: &str, count: u32, dug: Option<NaiveDate>) -> Deed {
    Deed::Lifted {
        into,
        variety: variety.into(),
        form: Form::Clump,
        count,
        dug,
    }
}

fn culled(lot: i64, finding: Finding, count: u32) -> Deed {
    Deed::Culled {
        lot: LotId(lot),
        finding,
        count,
    }
}

fn moved(code: &str, room: &str, place: &str) -> Deed {
    Deed::Moved {
        krate: code.parse().unwrap(),
        room: room.into(),
        place: place.into(),
    }
}

fn packed(code: &str, packing: &str) -> Deed {
    Deed::Packed {
        krate: code.parse().unwrap(),
        packing: packing.into(),
        skins_dry: None,
    }
}

fn corrected(lot: i64, count: u32) -> Deed {
    Deed::Corrected {
        lot: LotId(lot),
        count: Some(count),
        variety: None,
        form: None,
        dug: None,
        note: None,
        prepared: None,
    }
}

/// Name, at risk, lost and elsewhere of every group.
fn groups(losses: &Losses, dimension: Dimension) -> Vec<(Name, u64, u64, u64)> {
    let breakdown = &losses.breakdowns[dimension as usize];
    assert_eq!(breakdown.dimension, dimension);
    let shown = |g: &Group| (g.name.clone(), g.at_risk, g.lost, g.out.elsewhere);
    breakdown.groups.iter().map(shown).collect()
}

fn text(of: &str) -> Name {
    Name::Text(of.into())
}

#[test]
fn a_winter_worked_out_by_hand() {
    let dug = on(2026, 10, 20);
    let mut store = Store::default();
    store
        .does(
            dug,
            lifted(
                to("A-1", "cellar", "rack 1 / shelf 1 / 1", "peat"),
                "Brindolet",
                30,
                Some(dug),
            ),
        )
        .does(
            dug,
            lifted(
                to("A-2", "Cellar", "rack 1 / shelf 2", "sand"),
                "Quenbrisk",
                20,
                None,
            ),
        )
        // Three go before they are repacked, two after.
        .does(on(2026, 11, 1), culled(2, Finding::Soft, 3))
        .does(on(2026, 11, 10), packed("A-2", "Peat"))
        .does(on(2026, 11, 20), culled(2, Finding::Mould, 2))
        // To the barn and back: the same tubers.
        .does(on(2026, 12, 1), moved("A-1", "barn", ""))
        .does(on(2026, 12, 2), culled(1, Finding::Mouse, 4))
        .does(
            on(2026, 12, 5),
            moved("A-1", "cellar", "Rack 1 / Shelf 1 / 7"),
        )
        // Ten clumps make 35 divisions in a crate of their own, in the barn (lot 3).
        .does(
            on(2027, 1, 10),
            Deed::Divided {
                lot: LotId(1),
                count: 10,
                yielded: 35,
                into: Some(to("A-3", "barn", "", "peat")),
            },
        )
        .does(on(2027, 2, 1), culled(3, Finding::Soft, 5))
        // What is left of A-2 goes into A-1 (lot 4).
        .does(
            on(2027, 2, 10),
            Deed::Merged {
                krate: "A-2".parse().unwrap(),
                into: "A-1".parse().unwrap(),
            },
        )
        .does(on(2027, 2, 20), culled(4, Finding::Soft, 1))
        .does(
            on(2027, 5, 1),
            Deed::Planted {
                lot: LotId(1),
                count: 16,
                bed: String::new(),
            },
        )
        .does(
            on(2027, 5, 2),
            Deed::Sold {
                lot: LotId(3),
                count: 12,
            },
        )
        .does(
            on(2027, 5, 3),
            Deed::Given {
                lot: LotId(4),
                count: 3,
            },
        )
        .does(on(2027, 5, 4), corrected(3, 16));
    let all = store.losses(2026);
    assert!(all.kept);
    assert_eq!(
        all.came,
        Came {
            lifted: 50,
            divided: 35,
            ..Came::default()
        }
    );
    assert_eq!(
        (all.at_risk, all.lost, all.share),
        (85, 15, Some(15.0 / 85.0))
    );
    let found: Vec<_> = all.by_finding.iter().map(|(f, n)| (*f, *n)).collect();
    assert_eq!(
        found,
        [(Finding::Soft, 9), (Finding::Mould, 2), (Finding::Mouse, 4)]
    );
    assert_eq!(
        all.out,
        Out {
            planted: 16,
            sold: 12,
            given: 3,
            divided: 10,
            corrected: 2,
            elsewhere: 0,
            // 16 divisions and 11 of what was merged.
            standing: 27,
            unseen: 0,
        }
    );
    assert_eq!(
        groups(&all, Dimension::Packing),
        // All but the three that were lost in sand came to peat.
        [(text("peat"), 82, 12, 0), (text("sand"), 20, 3, 17)]
    );
    assert_eq!(
        groups(&all, Dimension::Room),
        [(text("barn"), 65, 9, 26), (text("cellar"), 50, 6, 4)]
    );
    assert_eq!(
        groups(&all, Dimension::Form),
        [(Name::Whole, 50, 10, 0), (Name::Divided, 35, 5, 0)]
    );
    assert_eq!(
        groups(&all, Dimension::Dug),
        [(Name::Day(dug), 65, 9, 0), (Name::NotSaid, 20, 6, 0)]
    );
    assert_eq!(
        groups(&all, Dimension::Variety),
        [(text("Brindolet"), 65, 9, 0), (text("Quenbrisk"), 20, 6, 0)]
    );
    assert_eq!(
        groups(&all, Dimension::Crate),
        [
            (text("A-1"), 45, 5, 0),
            (text("A-2"), 20, 5, 15),
            (text("A-3"), 35, 5, 0)
        ]
    );
    let shelf = |shelf: &str| Name::Place {
        room: "cellar".into(),
        rack: if shelf.contains('S') {
            "Rack 1"
        } else {
            "rack 1"
        }
        .into(),
        shelf: shelf.into(),
    };
    let places = groups(&all, Dimension::Place);
    assert_eq!(places.len(), 3);
    assert!(places.contains(&(shelf("Shelf 1"), 45, 1, 4)), "{places:?}");
    let krate = &all.crates[0];
    assert_eq!(
        (
            krate.code.as_str(),
            krate.packing.as_str(),
            krate.place.as_str()
        ),
        ("A-1", "peat", "Rack 1 / Shelf 1 / 7")
    );
    assert_eq!(krate.varieties, ["Brindolet", "Quenbrisk"]);
    // 30 dug and 15 merged; 4 eaten in the barn, 1 soft later; 11 still there.
    assert_eq!((krate.at_risk, krate.lost, krate.out.standing), (45, 5, 11));
    // Winters before and after: nothing before, and what stands after is known to stand.
    let (before, after) = (store.losses(2025), store.losses(2027));
    assert_eq!(
        (before.at_risk, before.share, before.kept),
        (0, None, false)
    );
    assert_eq!((after.at_risk, after.came.stood, after.lost), (27, 27, 0));
    assert_eq!((after.kept, after.out.unseen), (false, 27));
}

#[test]
fn what_was_taken_back_never_was() {
    let dug = on(2026, 10, 20);
    let peat = || to("A-1", "cellar", "", "peat");
    let mut plain = Store::default();
    plain
        .does(dug, lifted(peat(), "Brindolet", 30, None))
        .does(on(2026, 12, 9), culled(1, Finding::Soft, 2));
    let mut back = Store::default();
    back.does(dug, lifted(peat(), "Brindolet", 30, None))
        .does(on(2026, 11, 1), moved("A-1", "barn", ""))
        .does(on(2026, 11, 2), culled(1, Finding::Mould, 7))
        .does(
            on(2026, 11, 3),
            Deed::Treated {
                krate: "A-1".parse().unwrap(),
                how: crate::stock::Treatment::Brushed,
            },
        )
        .takes_back(on(2026, 11, 4), 2)
        .takes_back(on(2026, 11, 4), 3)
        .does(on(2026, 12, 9), culled(1, Finding::Soft, 2));
    assert_eq!(back.losses(2026), plain.losses(2026));
    // A look that was taken back is no record.
    let mut looked = Store::default();
    looked
        .does(dug, lifted(peat(), "Brindolet", 30, None))
        .does(
            on(2026, 12, 1),
            Deed::Looked {
                krate: "a-1".parse().unwrap(),
                lot: None,
                finding: Finding::Sound,
                count: None,
            },
        );
    assert!(looked.losses(2026).kept && looked.losses(2026).out.unseen == 0);
    looked.takes_back(on(2026, 12, 2), 2);
    assert!(!looked.losses(2026).kept && looked.losses(2026).out.unseen == 30);
}

#[test]
fn a_slip_that_was_corrected_is_no_tuber() {
    let dug = on(2026, 10, 20);
    let mut store = Store::default();
    store
        .does(
            dug,
            lifted(to("A-1", "cellar", "", ""), "Brindolet", 30, None),
        )
        .does(dug, corrected(1, 3))
        .does(dug, corrected(1, 31))
        .does(on(2027, 3, 1), corrected(1, 29));
    let all = store.losses(2026);
    assert_eq!(
        (all.at_risk, all.came.corrected, all.out.corrected),
        (31, 1, 2)
    );
    assert_eq!(
        groups(&all, Dimension::Packing),
        [(Name::NotSaid, 31, 0, 0)]
    );
}

#[test]
fn tubers_whose_coming_was_taken_back_were_at_risk_all_the_same() {
    let dug = on(2026, 10, 20);
    let into = to("A-1", "cellar", "", "");
    let mut store = Store::default();
    store
        .does(dug, lifted(into, "Brindolet", 10, None))
        .does(on(2026, 10, 31), corrected(1, 20))
        .does(on(2026, 11, 1), culled(1, Finding::Soft, 20))
        .does(on(2026, 11, 2), corrected(1, 10))
        // Which of the two counts was the slip nobody can see: twenty were there, and twenty were lost.
        .takes_back(on(2026, 11, 3), 2);
    let all = store.losses(2026);
    assert_eq!((all.at_risk, all.lost, all.out.standing), (20, 20, 0));
}

/// Crates of 25 in peat and in sand, with these losses.
fn two_packings(peat: &[u32], sand: &[u32]) -> Store {
    let mut store = Store::default();
    let mut lot = 0;
    for (packing, lost) in [("peat", peat), ("sand", sand)] {
        for lost in lost {
            lot += 1;
            let into = to(&format!("C-{lot}"), "cellar", "", packing);
            store.does(on(2026, 10, 20), lifted(into, "Brindolet", 25, None));
            if *lost != 0 {
                store.does(on(2027, 2, 1), culled(lot, Finding::Soft, *lost));
            }
        }
    }
    store
}

#[test]
fn a_difference_counts_by_crates() {
    // Every crate of sand lost more than any of peat.
    let all = two_packings(&[1, 2, 1, 0], &[10, 12, 9, 11]).losses(2026);
    let breakdown = &all.breakdowns[Dimension::Packing as usize];
    let [difference] = breakdown.differences.as_slice() else {
        panic!("{breakdown:?}");
    };
    assert!(difference.by_crate && difference.excludes_none && difference.alike_stay);
    assert!((difference.confidence - 0.95).abs() < 1e-12);
    assert!((difference.difference - (4.0 - 42.0) / 100.0).abs() < 1e-12);
    // Peat: p = 0.04, 4/3 x (0 + 1 + 0 + 1) over 100 x 0.04 x 0.96 is below 1.
    let by_crate = breakdown.groups[0].by_crate.unwrap();
    assert_eq!(
        (by_crate.design_effect, by_crate.effective),
        (Some(1.0), 100.0)
    );
    assert_eq!(by_crate.interval, breakdown.groups[0].interval);
    let counsel = of_losses(&all);
    let [Advice::Packing(advice)] = counsel.as_slice() else {
        panic!("{counsel:?}");
    };
    assert_eq!(
        (&advice.worse.name, &advice.better.name),
        (&text("sand"), &text("peat"))
    );
    assert_eq!((advice.worse.lost, advice.better.lost), (42, 4));
    assert!(0.0 < advice.interval.low && (advice.saved - 38.0).abs() < 1e-9);

    // One crate of sand lost everything, which is one misfortune and not 25.
    let all = two_packings(&[1, 2, 1, 0], &[0, 25, 1, 1]).losses(2026);
    let breakdown = &all.breakdowns[Dimension::Packing as usize];
    let sand = &breakdown.groups[1];
    // p = 27/100, misses 6.75, 18.25, 5.75, 5.75 off 6.75 each: 4/3 x 444.75 over 19.71.
    let want = 4.0 / 3.0 * (6.75_f64.powi(2) + 18.25_f64.powi(2) + 2.0 * 5.75_f64.powi(2)) / 19.71;
    let found = sand.by_crate.unwrap();
    assert!((found.design_effect.unwrap() - want).abs() < 1e-9);
    assert!((found.effective - 100.0 / want).abs() < 1e-9);
    assert!(
        sand.interval.low > 0.18 && found.interval.low < 0.05,
        "{found:?}"
    );
    assert!(!breakdown.differences[0].excludes_none);
    assert!(of_losses(&all).is_empty());

    // Two crates each are too few, however far they are apart.
    let all = two_packings(&[0, 0], &[20, 20]).losses(2026);
    let difference = &all.breakdowns[Dimension::Packing as usize].differences[0];
    assert!(difference.excludes_none && !difference.by_crate);
    assert!(of_losses(&all).is_empty());
}

#[test]
fn crates_without_any_loss_do_not_show_how_far_they_differ() {
    // Nothing was lost at all: three crates tell as much as three tubers.
    let none = two_packings(&[0, 0, 0], &[]).losses(2026);
    let group = &none.breakdowns[Dimension::Packing as usize].groups[0];
    let found = group.by_crate.unwrap();
    assert_eq!(
        (found.design_effect, found.effective, found.crates),
        (None, 3.0, 3)
    );
    assert!(0.5 < found.interval.high && group.interval.high < 0.06);
    // The crates of sand show how far crates differ; those of peat are taken to differ as far.
    let beside = two_packings(&[0, 0, 0], &[0, 10, 5]).losses(2026);
    let groups = &beside.breakdowns[Dimension::Packing as usize].groups;
    let (peat, sand) = (groups[0].by_crate.unwrap(), groups[1].by_crate.unwrap());
    assert_eq!(peat.design_effect, None);
    assert!((peat.effective - 75.0 / sand.design_effect.unwrap()).abs() < 1e-9);
}

#[test]
fn a_place_where_tubers_were_for_two_days_is_no_better_place() {
    let mut store = Store::default();
    for lot in 1..=4 {
        let into = to(&format!("C-{lot}"), "shed", "", "peat");
        store.does(on(2026, 10, 20), lifted(into, "Brindolet", 50, None));
        store.does(on(2026, 10, 22), moved(&format!("C-{lot}"), "cellar", ""));
        store.does(on(2027, 2, 1), culled(lot, Finding::Soft, 15));
    }
    let all = store.losses(2026);
    let rooms = &all.breakdowns[Dimension::Room as usize];
    assert!((rooms.groups[1].stay_days - 2.0).abs() < 1e-9, "{rooms:?}");
    assert!(rooms.differences[0].excludes_none && !rooms.differences[0].alike_stay);
    assert!(of_losses(&all).is_empty());
}

#[test]
fn rooms_through_which_all_went_are_not_held_against_each_other() {
    let mut store = Store::default();
    for lot in 1..=6 {
        let into = to(&format!("C-{lot}"), "shed", "", "peat");
        store.does(on(2026, 10, 20), lifted(into, "Brindolet", 50, None));
        // Two crates are spared the way.
        if lot <= 4 {
            store.does(on(2027, 2, 20), moved(&format!("C-{lot}"), "cellar", ""));
            store.does(on(2027, 3, 1), culled(lot, Finding::Soft, 15));
        }
    }
    let all = store.losses(2026);
    let rooms = &all.breakdowns[Dimension::Room as usize];
    let (cellar, shed) = (&rooms.groups[0], &rooms.groups[1]);
    assert!(cellar.stay_days > 120.0 && shed.stay_days < 240.0);
    assert_eq!(
        (cellar.at_risk, shed.at_risk, shed.out.elsewhere),
        (200, 300, 200)
    );
    let difference = &rooms.differences[0];
    assert!(difference.excludes_none && difference.alike_stay && !difference.is_fair());
    assert_eq!(difference.on_both, 200);
    assert!(of_losses(&all).is_empty());
}

#[test]
fn varieties_are_held_against_all_the_others() {
    let mut store = Store::default();
    let varieties = [
        "Brindolet",
        "Ossamurle",
        "Quenbrisk",
        "Nacrewhistle",
        "brindolet",
    ];
    for (nth, variety) in varieties.into_iter().enumerate() {
        let count = if variety == "Nacrewhistle" { 19 } else { 40 };
        let into = to(&format!("C-{nth}"), "cellar", "", "peat");
        store.does(on(2026, 10, 20), lifted(into, variety, count, None));
    }
    store.does(on(2027, 1, 1), culled(2, Finding::Soft, 30));
    let all = store.losses(2026);
    let found = &all.breakdowns[Dimension::Variety as usize];
    // Capitals make no other variety; 19 tubers are shown and not compared.
    assert_eq!(found.groups.len(), 4);
    assert_eq!(
        (found.groups[0].name.clone(), found.groups[0].at_risk),
        (text("brindolet"), 80)
    );
    assert_eq!(found.differences.len(), 3);
    let difference = &found.differences[1];
    assert_eq!(
        (difference.a.name.clone(), difference.b.name.clone()),
        (text("Ossamurle"), Name::Rest)
    );
    assert_eq!(
        (difference.b.lost, difference.b.at_risk, difference.b.crates),
        (0, 139, 4)
    );
    assert!((difference.confidence - (1.0 - 0.05 / 3.0)).abs() < 1e-12);
    assert!(difference.excludes_none && !difference.by_crate);
    // One crate alone may have had anything else as well.
    assert_eq!(of_losses(&all), []);
}

#[test]
fn what_went_from_one_place_of_the_rest_to_another_counts_once() {
    let mut store = Store::default();
    for (lot, shelf) in [
        (1, "rack / shelf 1"),
        (2, "rack / shelf 2"),
        (3, "rack / shelf 3"),
    ] {
        let into = to(&format!("C-{lot}"), "cellar", shelf, "peat");
        store.does(on(2026, 10, 20), lifted(into, "Brindolet", 30, None));
    }
    store
        .does(on(2026, 12, 1), moved("C-2", "cellar", "rack / shelf 3"))
        .does(on(2027, 1, 1), culled(2, Finding::Soft, 6));
    let all = store.losses(2026);
    let beside: Vec<_> = (all.breakdowns[Dimension::Place as usize].differences.iter())
        .map(|d| ((d.a.lost, d.a.at_risk), (d.b.lost, d.b.at_risk)))
        .collect();
    // In walking order, from the top. What went from shelf 2 to shelf 3 was on both.
    assert_eq!(
        beside,
        [((6, 60), (0, 60)), ((0, 30), (6, 90)), ((0, 30), (6, 60))]
    );
}

#[test]
fn it_goes_into_json_and_back() {
    let all = two_packings(&[1, 2, 1, 0], &[10, 12, 9, 11]).losses(2026);
    let json = serde_json::to_string(&all).unwrap();
    assert_eq!(serde_json::from_str::<Losses>(&json).unwrap(), all);
    let advice = of_losses(&all);
    let json = serde_json::to_string(&advice).unwrap();
    assert!(
        json.starts_with(r#"[{"about":"packing","worse":{"name":{"text":"sand"}"#),
        "{json}"
    );
    assert_eq!(serde_json::from_str::<Vec<Advice>>(&json).unwrap(), advice);
}
