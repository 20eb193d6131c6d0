//! When what was lost was thrown away.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Datelike as _, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

use crate::{
    season::period::Period,
    stock::{
        Finding,
        ledger::{Account, Change, Deed, Entry, EntryId},
    },
};

/// What was thrown away in one month.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Month {
    /// Its first day.
    pub first: NaiveDate,
    /// Tubers by what was found.
    pub by_finding: BTreeMap<Finding, u64>,
}

/// Month by month, by all entries of the ledger in order, those that were taken back left out. Months without a
/// loss are left out too. When a tuber was thrown away is not when it began to go.
pub(super) fn months(
    entries: &[Entry],
    period: Period,
    day: impl Fn(DateTime<Utc>) -> NaiveDate,
) -> Vec<Month> {
    let undone: BTreeSet<EntryId> = (entries.iter())
        .filter_map(|e| match e.deed {
            Deed::Undone { entry } => Some(entry),
            _ => None,
        })
        .collect();
    let mut months: BTreeMap<NaiveDate, BTreeMap<Finding, u64>> = BTreeMap::new();
    for entry in entries {
        let on = day(entry.done_at());
        let counts = period.from <= on && on < period.to;
        let back = undone.contains(&entry.id) || matches!(entry.deed, Deed::Undone { .. });
        if !counts || back {
            continue;
        }
        for change in &entry.changes {
            if let Change::Tubers {
                by,
                account: Account::Culled(finding),
                ..
            } = change
            {
                let first = on.with_day(1).unwrap_or(on);
                let own = months.entry(first).or_default().entry(*finding);
                *own.or_default() += by.unsigned_abs();
            }
        }
    }
    months
        .into_iter()
        .map(|(first, by_finding)| Month { first, by_finding })
        .collect()
}
