//! Any ledger at all, with deeds taken back out of turn.

use std::collections::{BTreeMap, BTreeSet};

use chrono::TimeDelta;
use proptest::prelude::*;

use super::{super::*, Store, culled, groups, lifted, moved, on, text, to, utc_day};
use crate::stock::{
    Finding,
    ledger::{
        Deed, Stock,
        tests::{Book, deeds},
    },
};

/// Entries of random deeds, some of them taken back later.
fn book(asked: Vec<(u8, Deed)>, back: bool) -> Book {
    let mut book = Book::default();
    for (draw, deed) in asked {
        let nth = usize::from(draw) % book.entries.len().max(1);
        if back && 200 < draw && nth < book.entries.len() && !book.undone.contains(&nth) {
            let _ = book.take_back(nth);
        } else {
            let _ = book.enter(deed);
        }
    }
    book
}

/// A period that holds all of a random ledger, which begins with 1970.
fn always() -> Period {
    Period {
        from: on(1969, 7, 1),
        to: on(1970, 7, 1),
    }
}

fn check(all: &Losses) -> Result<(), TestCaseError> {
    let sum =
        |out: &Out| out.planted + out.sold + out.given + out.divided + out.corrected + out.standing;
    let came = &all.came;
    let came = came.stood + came.lifted + came.listed + came.divided + came.corrected;
    prop_assert_eq!(all.at_risk, came);
    prop_assert_eq!(all.at_risk, all.lost + sum(&all.out));
    prop_assert_eq!(all.out.elsewhere, 0);
    prop_assert!(all.out.unseen <= all.out.standing);
    for breakdown in &all.breakdowns {
        let total = |of: fn(&Group) -> u64| breakdown.groups.iter().map(of).sum::<u64>();
        let elsewhere = total(|g| g.out.elsewhere);
        prop_assert_eq!(
            total(|g| g.at_risk),
            all.at_risk + elsewhere,
            "{:?}",
            breakdown.dimension
        );
        prop_assert_eq!(total(|g| g.lost), all.lost);
        prop_assert_eq!(total(|g| g.out.standing), all.out.standing);
        prop_assert_eq!(total(|g| g.out.unseen), all.out.unseen);
        for group in &breakdown.groups {
            prop_assert!(group.lost <= group.at_risk, "{:?}", group);
            prop_assert_eq!(
                group.at_risk,
                group.lost + sum(&group.out) + group.out.elsewhere
            );
            prop_assert!(0.0 <= group.stay_days);
            for interval in [Some(group.interval), group.by_crate.map(|c| c.interval)] {
                let Some(i) = interval else { continue };
                prop_assert!(i.low <= group.share_lost + 1e-9 && group.share_lost <= i.high + 1e-9);
            }
            if let Some(by_crate) = group.by_crate {
                let (m, n) = (by_crate.crates as f64, group.at_risk as f64);
                prop_assert!(by_crate.effective <= n + 1e-9 && 0.0 < by_crate.effective);
                prop_assert!(by_crate.design_effect.is_some() || m <= by_crate.effective);
            }
        }
        for d in &breakdown.differences {
            prop_assert!(
                d.interval.low <= d.difference + 1e-9 && d.difference <= d.interval.high + 1e-9
            );
            prop_assert!(d.a.lost <= d.a.at_risk && d.b.lost <= d.b.at_risk);
            prop_assert!(0.95 - 1e-12 <= d.confidence && d.confidence < 1.0);
        }
    }
    let crates: u64 = all.crates.iter().map(|c| c.lost).sum();
    prop_assert_eq!(crates, all.lost);
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, ..ProptestConfig::default() })]

    #[test]
    fn every_tuber_has_one_end(asked in prop::collection::vec(deeds(), 1..80)) {
        let book = book(asked, true);
        let all = losses(&book.entries, always(), utc_day);
        check(&all)?;
        prop_assert_eq!(all.out.standing, book.stock.tubers());
    }

    #[test]
    fn winters_follow_one_another(asked in prop::collection::vec(deeds(), 30..90)) {
        let book = book(asked, false);
        // An entry an hour: the second day of the year begins in between.
        let cut = on(1970, 1, 2);
        let first = losses(&book.entries, Period { to: cut, ..always() }, utc_day);
        let second = losses(&book.entries, Period { from: cut, ..always() }, utc_day);
        let both = losses(&book.entries, always(), utc_day);
        for all in [&first, &second, &both] {
            check(all)?;
            // No tuber is in a stratum twice, however often it went and came.
            let groups = all.breakdowns.iter().flat_map(|b| &b.groups);
            for group in groups {
                prop_assert!(group.at_risk <= all.at_risk, "{:?} of {}", group, all.at_risk);
            }
        }
        prop_assert_eq!(first.out.standing, second.came.stood);
        prop_assert_eq!(first.lost + second.lost, both.lost);
        prop_assert_eq!(second.out.standing, both.out.standing);
        prop_assert_eq!(first.came.lifted + second.came.lifted, both.came.lifted);
    }

    #[test]
    fn what_is_taken_back_leaves_no_trace(asked in prop::collection::vec(deeds(), 1..60)) {
        let (mut with, mut without) = (Book::default(), Book::default());
        for (draw, deed) in asked {
            if with.enter(deed.clone()).is_err() {
                continue;
            }
            if 120 < draw {
                with.take_back(with.entries.len() - 1).unwrap();
                // Lots have other keys from here on: deeds would mean others.
                if with.stock.last_keys() != without.stock.last_keys() {
                    break;
                }
            } else {
                without.enter(deed).unwrap();
            }
        }
        // Entries are an hour apart, and all on days of one period; how long a tuber stayed differs.
        let far = Period { from: on(1970, 3, 1), to: on(1970, 7, 1) };
        let shifted = |entries: &[Entry]| {
            let entries: Vec<Entry> = entries.iter().cloned().map(|mut e| {
                e.at = on(1970, 3, 1).and_hms_opt(9, 0, 0).unwrap().and_utc();
                e
            }).collect();
            losses(&entries, far, utc_day)
        };
        prop_assert_eq!(shifted(&with.entries), shifted(&without.entries));
    }

    #[test]
    fn all_taken_back_is_nothing(asked in prop::collection::vec(deeds(), 1..40)) {
        let mut book = book(asked, false);
        for nth in (0..book.entries.len()).rev() {
            book.take_back(nth).unwrap();
        }
        let all = losses(&book.entries, always(), utc_day);
        prop_assert_eq!(all, losses(&[], always(), utc_day));
    }

    #[test]
    fn the_order_of_what_has_nothing_to_do_with_each_other_does_not_matter(
        asked in prop::collection::vec(deeds(), 2..60),
        swaps in prop::collection::vec(0..60_usize, 1..40),
    ) {
        let mut entries = book(asked, true).entries;
        let before = losses(&entries, always(), utc_day);
        // Which crates each is about, by playing the ledger once.
        let mut stock = Stock::default();
        let (mut about, mut labels) = (Vec::new(), BTreeMap::new());
        for entry in &entries {
            let lots = stock.touched(&entry.changes);
            stock.apply(&entry.changes).unwrap();
            let mut of = stock.touched(&entry.changes);
            of.extend(lots);
            of.extend(stock.about(&entry.deed, &entry.changes));
            // A crate that was made, taken back and made again is one by its label.
            labels.extend(stock.crates().map(|(id, krate)| (id, krate.code.clone())));
            let of: BTreeSet<_> = of.iter().map(|id| labels[id].clone()).collect();
            about.push(of);
        }
        for at in swaps {
            let at = at % entries.len().max(1);
            if at + 1 < entries.len() && about[at].is_disjoint(&about[at + 1]) {
                entries.swap(at, at + 1);
                about.swap(at, at + 1);
            }
        }
        prop_assert_eq!(losses(&entries, always(), utc_day), before);
    }

    #[test]
    fn tubers_that_come_back_are_the_same_tubers(
        counts in prop::collection::vec(1..60_u32, 1..6),
        steps in prop::collection::vec((0..6_usize, 0..4_u8, 1..20_u32), 0..60),
    ) {
        // Every crate is filled once; from then on tubers only leave it and it only moves. So in a room were
        // as many as it held when it came there first.
        let rooms = ["cellar", "barn", "shed"];
        let mut store = Store::default();
        let mut first: BTreeMap<(usize, &str), u32> = BTreeMap::new();
        let mut now: Vec<(u32, &str)> = Vec::new();
        let mut day = on(2026, 10, 1);
        for (nth, count) in counts.iter().enumerate() {
            store.does(day, lifted(to(&format!("C-{nth}"), "cellar", "", ""), "Brindolet", *count, None));
            now.push((*count, "cellar"));
            first.insert((nth, "cellar"), *count);
        }
        for (nth, what, count) in steps {
            let nth = nth % now.len();
            day += TimeDelta::days(1);
            let (have, at) = now[nth];
            let room = rooms.get(usize::from(what)).copied();
            match room {
                Some(room) if room != at => {
                    store.does(day, moved(&format!("C-{nth}"), room, ""));
                    now[nth].1 = room;
                    first.entry((nth, room)).or_insert(have);
                }
                None if count <= have => {
                    store.does(day, culled(nth as i64 + 1, Finding::Soft, count));
                    now[nth].0 -= count;
                }
                _ => {}
            }
        }
        let all = store.losses(2026);
        check(&all)?;
        for (name, at_risk, ..) in groups(&all, Dimension::Room) {
            let want: u32 = first.iter().filter(|((_, room), _)| name == text(room)).map(|(_, n)| n).sum();
            prop_assert_eq!(at_risk, u64::from(want), "{:?}", name);
        }
    }
}
