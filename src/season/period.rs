//! The stretch of days that an account is of.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Days, NaiveDate, Utc};

use crate::stock::{
    ledger::{Account, Change, Deed, Entry, EntryId, LotId},
    winter::winter_of,
};

/// Whole local days, from one up to before another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Period {
    /// The first day.
    pub from: NaiveDate,
    /// The day after the last.
    pub to: NaiveDate,
}

impl Period {
    /// Of a winter as a whole: 1 July to 30 June.
    pub fn whole(winter: i32) -> Self {
        let july = |year| NaiveDate::from_ymd_opt(year, 7, 1).unwrap_or_default();
        Self {
            from: july(winter),
            to: july(winter + 1),
        }
    }

    /// What two have in common; none where they do not touch.
    #[must_use]
    pub fn within(self, other: Self) -> Option<Self> {
        let both = Self {
            from: self.from.max(other.from),
            to: self.to.min(other.to),
        };
        (both.from < both.to).then_some(both)
    }

    /// How many days.
    pub fn days(self) -> i64 {
        self.to.signed_duration_since(self.from).num_days()
    }
}

/// When tubers were in store in a winter, by the ledger's entries in order: from the day on which the first
/// came (or was dug, if the lot says so) to the day on which the last left. While any are there it goes
/// on to the end of the winter. `day` tells the local day of an instant. None where none came and none
/// stood there.
pub fn in_store(
    entries: &[Entry],
    winter: i32,
    day: impl Fn(DateTime<Utc>) -> NaiveDate,
) -> Option<Period> {
    let whole = Period::whole(winter);
    let undone: BTreeSet<EntryId> = entries.iter().filter_map(taken_back).collect();
    let mut moves: Vec<(NaiveDate, i64)> = Vec::new();
    let mut dug: BTreeMap<LotId, NaiveDate> = BTreeMap::new();
    let mut came: Vec<LotId> = Vec::new();
    for entry in entries {
        if undone.contains(&entry.id) || taken_back(entry).is_some() {
            continue;
        }
        let on = day(entry.done_at());
        for change in &entry.changes {
            match change {
                Change::Lot {
                    id,
                    after: Some(lot),
                    ..
                } => {
                    if let Some(day) = lot.dug {
                        dug.insert(*id, day);
                    }
                }
                Change::Tubers { lot, by, account } => {
                    moves.push((on, *by));
                    let fresh = matches!(account, Account::Lifted | Account::Listed);
                    if fresh && 0 < *by && winter_of(on) == winter {
                        came.push(*lot);
                    }
                }
                _ => {}
            }
        }
    }
    moves.sort_by_key(|(on, _)| *on);
    let first_came = (came.iter())
        .filter_map(|lot| dug.get(lot).filter(|on| winter_of(**on) == winter))
        .chain(
            moves
                .iter()
                .filter(|(on, by)| whole.from <= *on && 0 < *by)
                .map(|(on, _)| on),
        )
        .filter(|on| **on < whole.to)
        .min();
    let before: i64 = (moves.iter())
        .filter(|(on, _)| *on < whole.from)
        .map(|(_, by)| by)
        .sum();
    // What was never said to be planted stands there for ever, and does not begin the winter.
    let from = match first_came {
        Some(on) if !came.is_empty() => *on,
        _ if 0 < before => whole.from,
        Some(on) => *on,
        None => return None,
    };
    let mut standing = 0;
    let mut empty_since = None;
    for (on, by) in moves.iter().filter(|(on, _)| *on < whole.to) {
        standing += by;
        empty_since = (standing <= 0).then_some(*on);
    }
    let to = match empty_since {
        Some(on) if from <= on => on.checked_add_days(Days::new(1)).unwrap_or(on),
        _ => whole.to,
    };
    Period { from, to }.within(whole)
}

/// The entry that this one takes back.
fn taken_back(entry: &Entry) -> Option<EntryId> {
    match entry.deed {
        Deed::Undone { entry } => Some(entry),
        _ => None,
    }
}

/// "2025-26".
pub fn name(winter: i32) -> String {
    format!("{winter}-{:02}", (winter + 1) % 100)
}

/// The winter that somebody means: "2025-26", "2025-2026", "2025/26" or the year in which it begins.
pub fn read(text: &str) -> Option<i32> {
    let text = text.trim();
    let (first, second) = match text.split_once(['-', '/', '\u{2013}']) {
        Some((first, second)) => (first.trim(), Some(second.trim())),
        None => (text, None),
    };
    let winter: i32 = first.parse().ok().filter(|y| (1970..=2999).contains(y))?;
    match second {
        None => Some(winter),
        Some(second) => {
            let next: i32 = second.parse().ok()?;
            let fits = match second.len() {
                2 => (winter + 1) % 100 == next,
                4 => winter + 1 == next,
                _ => false,
            };
            fits.then_some(winter)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stock::{
        Finding, Form,
        ledger::{Deed, Stock, To},
    };

    fn on(y: i32, m: u32, d: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(y, m, d).unwrap()
    }

    /// Entries of these deeds, each on its day at nine.
    fn entries(deeds: Vec<(NaiveDate, Deed)>) -> Vec<Entry> {
        let mut stock = Stock::default();
        let enter = |(n, (day, deed)): (usize, (NaiveDate, Deed))| {
            let at = day.and_hms_opt(9, 0, 0).unwrap().and_utc();
            let changes = stock.enter(&deed, at).unwrap();
            Entry {
                id: EntryId(n as i64 + 1),
                at,
                noted_at: None,
                who: "Odile".into(),
                key: None,
                note: String::new(),
                deed,
                changes,
            }
        };
        deeds.into_iter().enumerate().map(enter).collect()
    }

    fn lifted(dug: Option<NaiveDate>) -> Deed {
        Deed::Lifted {
            into: To {
                code: "A-1".parse().unwrap(),
                room: "cellar".into(),
                place: String::new(),
                packing: "peat".into(),
            },
            variety: "Brindolet".into(),
            form: Form::Clump,
            count: 10,
            dug,
        }
    }

    fn culled(count: u32) -> Deed {
        Deed::Culled {
            lot: LotId(1),
            finding: Finding::Soft,
            count,
        }
    }

    #[test]
    fn it_runs_from_the_first_dig_to_the_last_tuber() {
        let day = |at: DateTime<Utc>| at.date_naive();
        let dug = on(2026, 10, 20);
        let all = entries(vec![
            (on(2026, 10, 25), lifted(Some(dug))),
            (on(2026, 12, 1), culled(4)),
            (on(2027, 5, 10), culled(6)),
        ]);
        let period = |n: usize, winter| in_store(&all[..n], winter, day).map(|p| (p.from, p.to));
        assert_eq!(period(3, 2026), Some((dug, on(2027, 5, 11))));
        // Some are left: to the end.
        assert_eq!(period(2, 2026), Some((dug, on(2027, 7, 1))));
        // Nothing was there before, and what nobody planted stands there ever after.
        assert_eq!(period(3, 2025), None);
        assert_eq!(period(2, 2027), Some((on(2027, 7, 1), on(2028, 7, 1))));
        assert_eq!(period(3, 2027), None);
    }

    #[test]
    fn what_was_taken_back_never_came() {
        let day = |at: DateTime<Utc>| at.date_naive();
        let mut all = entries(vec![(on(2026, 10, 25), lifted(None))]);
        let undo = Entry {
            id: EntryId(2),
            deed: Deed::Undone { entry: EntryId(1) },
            changes: Vec::new(),
            ..all[0].clone()
        };
        all.push(undo);
        assert_eq!(in_store(&all, 2026, day), None);
    }

    #[test]
    fn winters_have_names() {
        assert_eq!(name(2025), "2025-26");
        assert_eq!(name(1999), "1999-00");
        for text in ["2025-26", "2025-2026", " 2025/26", "2025"] {
            assert_eq!(read(text), Some(2025), "{text}");
        }
        for text in ["2025-27", "25-26", "", "winter", "2025-26-27", "20250"] {
            assert_eq!(read(text), None, "{text}");
        }
    }
}
