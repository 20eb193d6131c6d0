//! Where every crate stood and what was in it, read out of the ledger by the time at which things were
//! done.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use crate::{
    climate::Packing,
    stock::{
        Form,
        ledger::{Change, Crate, CrateId, Deed, Entry, EntryId, LARGEST_CHANGE, Lot, LotId},
    },
    watch::reading::{HOUR_MS, Stamp},
};

/// A crate that is filled again within a day is the same filling, divided or counted anew (judgement, as the
/// judge takes a room that is in use again within a day).
const SLIP_MS: i64 = 24 * HOUR_MS;

/// One stretch of a crate's time in store in which nothing of this changed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stay {
    /// From when.
    pub from: Stamp,
    /// Until when, without it.
    pub to: Stamp,
    /// The room as it was written.
    pub room: String,
    /// Where in it; may be empty.
    pub place: String,
    /// What was understood of the packing.
    pub packing: Packing,
    /// Weight of the tubers at its end in grams, where every lot was weighed.
    pub tubers_g: Option<u32>,
    /// Some were cut apart.
    pub divided: bool,
    /// Some were washed.
    pub washed: bool,
    /// Some were packed before their skins had dried.
    pub uncured: bool,
}

impl Stay {
    /// The same but for its time and the weight.
    fn is_like(&self, other: &Self) -> bool {
        let of = |s: &Self| (s.packing, s.divided, s.washed, s.uncured);
        (&self.room, &self.place) == (&other.room, &other.place) && of(self) == of(other)
    }
}

/// A weight that the scale showed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OnScale {
    /// When.
    pub at: Stamp,
    /// Grams.
    pub grams: u32,
    /// Earlier weights do not compare with it: something came or went, or it was packed anew.
    pub anew: bool,
}

/// One filling of one crate within the period.
#[derive(Debug, Clone, PartialEq)]
pub struct Course {
    /// Its key.
    pub id: CrateId,
    /// What stands on its label.
    pub code: String,
    /// Which filling of the period, from 1.
    pub filling: u32,
    /// When it held anything, in order; a new one begins with every change, the weight's too.
    pub stays: Vec<Stay>,
    /// Weighings while it held anything, in order.
    pub weighings: Vec<OnScale>,
}

/// When an entry was done: a dig that was entered later counts from noon of its day (UTC), as it does for
/// the judge.
fn done_at(entry: &Entry) -> Stamp {
    let done = Stamp::from(entry.done_at()).min(entry.at.into());
    let dug = match &entry.deed {
        Deed::Lifted { dug, .. } => *dug,
        // Whole from the last of its lots. A list that comes again changes what stands there already.
        Deed::Listed { krate } if makes_crate(entry) => {
            krate.lots.iter().filter_map(|l| l.dug).max()
        }
        _ => None,
    };
    let noon = dug.and_then(|d| d.and_hms_opt(12, 0, 0));
    noon.map_or(done, |n| done.min(n.and_utc().into()))
}

fn makes_crate(entry: &Entry) -> bool {
    let made = |c: &Change| matches!(c, Change::Crate { before: None, .. });
    entry.changes.iter().any(made)
}

/// Entries as if those that were taken back had never been, each with what it changed. Of one taken back
/// stays what others built on: a crate or lot that it made and that is still there.
fn that_stand(entries: &[Entry]) -> Vec<(&Entry, Vec<&Change>)> {
    let undone: BTreeMap<EntryId, &Entry> = (entries.iter())
        .filter_map(|e| match e.deed {
            Deed::Undone { entry } => Some((entry, e)),
            _ => None,
        })
        .collect();
    let kept = entries.iter().filter_map(|entry| {
        if matches!(entry.deed, Deed::Undone { .. }) {
            return None;
        }
        let all = entry.changes.iter();
        let Some(back) = undone.get(&entry.id) else {
            return Some((entry, all.collect()));
        };
        let goes = |change: &Change| match change {
            Change::Crate {
                id, before: None, ..
            } => !back
                .changes
                .iter()
                .any(|c| matches!(c, Change::Crate { id: of, after: None, .. } if of == id)),
            Change::Lot {
                id, before: None, ..
            } => !back
                .changes
                .iter()
                .any(|c| matches!(c, Change::Lot { id: of, after: None, .. } if of == id)),
            _ => false,
        };
        let left: Vec<&Change> = all.filter(|c| goes(c)).collect();
        (!left.is_empty()).then_some((entry, left))
    });
    kept.collect()
}

/// Crates and lots as they stand while entries are gone through in the order in which they were done.
#[derive(Default)]
struct Stand {
    crates: BTreeMap<CrateId, Crate>,
    lots: BTreeMap<LotId, (Lot, i64)>,
    of_crate: BTreeMap<CrateId, Vec<LotId>>,
}

impl Stand {
    /// Makes a change of what it touches alone: entries may come in another order than they were written
    /// in, so that the rest of a crate is not always as it was then. Gives the crate.
    fn make(&mut self, change: &Change) -> Option<CrateId> {
        match change {
            Change::Crate { id, before, after } => {
                let (Some(was), Some(is)) = (before, after) else {
                    return None;
                };
                let now = self.crates.get_mut(id)?;
                set(&mut now.room, &was.room, &is.room);
                set(&mut now.place, &was.place, &is.place);
                set(&mut now.packing, &was.packing, &is.packing);
                Some(*id)
            }
            Change::Lot { id, before, after } => {
                let (now, _) = self.lots.get_mut(id)?;
                if let (Some(was), Some(is)) = (before, after) {
                    set(&mut now.form, &was.form, &is.form);
                    set(&mut now.each_ug, &was.each_ug, &is.each_ug);
                    set(&mut now.prepared, &was.prepared, &is.prepared);
                }
                Some(now.krate)
            }
            Change::Tubers { lot, by, .. } => {
                let (of, count) = self.lots.get_mut(lot)?;
                *count += by;
                Some(of.krate)
            }
            Change::Wish { .. } | Change::Season { .. } => None,
        }
    }

    /// A crate as it stands from an instant on; none while it holds nothing.
    fn stay(&self, id: CrateId, from: Stamp) -> Option<Stay> {
        let krate = self.crates.get(&id)?;
        let lots = self.of_crate.get(&id)?.iter();
        let held: Vec<&(Lot, i64)> = (lots.filter_map(|lot| self.lots.get(lot)))
            .filter(|(_, count)| 0 < *count)
            .collect();
        if held.is_empty() {
            return None;
        }
        let weights: Option<Vec<u32>> = (held.iter())
            .map(|(lot, count)| lot.weight_g(u32::try_from(*count).ok()?))
            .collect();
        Some(Stay {
            from,
            to: Stamp(i64::MAX),
            room: krate.room.trim().to_owned(),
            place: krate.place.clone(),
            packing: Packing::read(&krate.packing),
            tubers_g: weights
                .map(|w| w.iter().copied().fold(0, u32::saturating_add))
                .filter(|g| 0 < *g),
            divided: held.iter().any(|(lot, _)| lot.form == Form::Division),
            washed: held.iter().any(|(lot, _)| lot.prepared.washed),
            uncured: (held.iter()).any(|(lot, _)| lot.prepared.cured == Some(false)),
        })
    }
}

fn set<T: PartialEq + Clone>(now: &mut T, was: &T, is: &T) {
    if was != is {
        now.clone_from(is);
    }
}

/// What happened to one crate, in order of time.
#[derive(Default)]
struct Line {
    stays: Vec<Stay>,
    weighings: Vec<OnScale>,
    /// Something came, went or was packed since it was last weighed.
    changed: bool,
}

impl Line {
    fn stands(&mut self, at: Stamp, stay: Option<Stay>) {
        if let Some(last) = self.stays.last_mut().filter(|s| at < s.to) {
            if let Some(stay) = &stay
                && stay.is_like(last)
                && stay.tubers_g == last.tubers_g
            {
                return;
            }
            last.to = at;
        }
        self.stays.retain(|s| s.from < s.to);
        self.stays.extend(stay);
    }

    fn weighed(&mut self, at: Stamp, grams: u32) {
        let last = self.weighings.last();
        let far = last.is_some_and(|last| {
            let share = f64::from(grams) / f64::from(last.grams.max(1)) - 1.0;
            LARGEST_CHANGE < share.abs()
        });
        let anew = last.is_none() || self.changed || far;
        self.changed = false;
        self.weighings.push(OnScale { at, grams, anew });
    }
}

/// Every filling of every crate that held anything between two instants, in the order of the crates' keys.
///
/// Entries count at the time at which they were done, of one time in the order in which they were entered;
/// those that were taken back never were. A crate that was empty for a day or longer holds another filling
/// afterwards. What tubers went through in another crate before they were put into this one is not told here.
pub fn courses(entries: &[Entry], (from, to): (Stamp, Stamp)) -> Vec<Course> {
    let kept = that_stand(entries);
    let mut stand = Stand::default();
    // As they were made, whenever that was: what was entered late may have been done before.
    for change in kept.iter().flat_map(|(_, changes)| changes) {
        match change {
            Change::Crate {
                id,
                before: None,
                after: Some(made),
            } => {
                stand.crates.insert(*id, made.clone());
            }
            Change::Lot {
                id,
                before: None,
                after: Some(made),
            } => {
                stand.lots.insert(*id, (made.clone(), 0));
                stand.of_crate.entry(made.krate).or_default().push(*id);
            }
            _ => {}
        }
    }
    let codes = Codes::of(entries);
    let mut order: Vec<(Stamp, usize)> = (kept.iter().enumerate())
        .map(|(n, (entry, _))| (done_at(entry), n))
        .collect();
    order.sort_unstable();
    let mut lines: BTreeMap<CrateId, Line> = BTreeMap::new();
    for (at, n) in order {
        let (entry, changes) = &kept[n];
        let mut touched = BTreeSet::new();
        for change in changes {
            let Some(id) = stand.make(change) else {
                continue;
            };
            touched.insert(id);
            lines.entry(id).or_default().changed |= matches!(change, Change::Tubers { .. });
        }
        let named = match &entry.deed {
            Deed::Packed { krate, .. } | Deed::Weighed { krate, .. } => {
                codes.at(entry.id, krate.as_str())
            }
            _ => None,
        };
        for id in touched {
            let stay = stand.stay(id, at);
            lines.entry(id).or_default().stands(at, stay);
        }
        if let Some(line) = named.map(|id| lines.entry(id).or_default()) {
            match &entry.deed {
                Deed::Weighed { grams, .. } => line.weighed(at, *grams),
                _ => line.changed = true,
            }
        }
    }
    let mut courses = Vec::new();
    for (id, line) in lines {
        if let Some(krate) = stand.crates.get(&id) {
            fillings(id, krate.code.as_str(), line, (from, to), &mut courses);
        }
    }
    courses
}

/// Which crate a code meant at an entry: a crate whose making was taken back leaves its code to another.
struct Codes(BTreeMap<String, Vec<(EntryId, CrateId)>>);

impl Codes {
    fn of(entries: &[Entry]) -> Self {
        let mut codes: BTreeMap<String, Vec<(EntryId, CrateId)>> = BTreeMap::new();
        for entry in entries {
            for change in &entry.changes {
                if let Change::Crate {
                    id,
                    before: None,
                    after: Some(made),
                } = change
                {
                    let code = made.code.as_str().to_ascii_uppercase();
                    codes.entry(code).or_default().push((entry.id, *id));
                }
            }
        }
        Self(codes)
    }

    fn at(&self, entry: EntryId, code: &str) -> Option<CrateId> {
        let made = self.0.get(&code.to_ascii_uppercase())?.iter();
        let mut made = made.rev().filter(|(of, _)| *of <= entry);
        made.next().map(|(_, id)| *id)
    }
}

/// Cuts a crate's line at longer times of emptiness and at the ends of the period.
fn fillings(
    id: CrateId,
    code: &str,
    line: Line,
    (from, to): (Stamp, Stamp),
    courses: &mut Vec<Course>,
) {
    let mut filling = 0;
    let mut last: Option<Stamp> = None;
    let first = courses.len();
    for mut stay in line.stays {
        let anew = last.is_none_or(|last| SLIP_MS <= stay.from.since(last));
        last = Some(stay.to);
        (stay.from, stay.to) = (stay.from.max(from), stay.to.min(to));
        if stay.to <= stay.from {
            continue;
        }
        if anew || courses.len() == first {
            filling += 1;
            courses.push(Course {
                id,
                code: code.to_owned(),
                filling,
                stays: Vec::new(),
                weighings: Vec::new(),
            });
        }
        if let Some(course) = courses.last_mut() {
            course.stays.push(stay);
        }
    }
    for course in &mut courses[first..] {
        let ends = course.stays.first().zip(course.stays.last());
        let ends = ends.map(|(a, b)| (a.from, b.to));
        let within = |w: &&OnScale| ends.is_some_and(|(a, b)| a <= w.at && w.at <= b);
        course.weighings = line.weighings.iter().filter(within).copied().collect();
        if let Some(first) = course.weighings.first_mut() {
            first.anew = true;
        }
    }
}

/// Stays as people read them: those that differ in weight alone put together.
pub(super) fn plain(stays: &[Stay]) -> Vec<Stay> {
    let mut plain: Vec<Stay> = Vec::new();
    for stay in stays {
        match plain.last_mut() {
            Some(last) if last.to == stay.from && last.is_like(stay) => {
                (last.to, last.tubers_g) = (stay.to, stay.tubers_g);
            }
            _ => plain.push(stay.clone()),
        }
    }
    plain
}
