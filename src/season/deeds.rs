//! The ledger over a period: where each crate stood when something was done to it, and how its rounds
//! were kept.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::calendar::Calendar;
use crate::{
    stock::{
        Finding,
        ledger::{Change, CrateId, Deed, Entry, EntryId, LotId},
        round::{self, Look},
    },
    watch::{Stage, Stamp},
};

/// Something done to one crate.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Done {
    /// When.
    pub at: Stamp,
    /// Which crate.
    pub id: CrateId,
    /// Its code.
    pub krate: String,
    /// What, as a word: the treatment, where it was one.
    pub what: &'static str,
    /// What a look found, or why tubers were thrown away.
    pub finding: Option<Finding>,
}

/// How the rounds of one crate were kept. [`round::kept`] says what each figure counts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CrateRounds {
    /// Its code.
    #[serde(rename = "crate")]
    pub krate: String,
    /// The room in which it stood at the end.
    pub room: String,
    /// The day it was packed or came into store, not before the period.
    pub from: NaiveDate,
    /// The last day that counts: of the period, or on which it was emptied, woken, or its room was.
    pub to: NaiveDate,
    /// Looked at within three days of the due day.
    pub in_time: u32,
    /// Later, and before the next round was due.
    pub late: u32,
    /// Not looked at.
    pub missed: u32,
    /// Looks that answer no round.
    pub early: u32,
}

/// What the ledger tells of a period.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Deeds {
    /// What was done in the period, by the room in which the crate stood (in small letters), in order of
    /// time. One that was moved is told of under both rooms.
    pub by_room: BTreeMap<String, Vec<Done>>,
    /// How rounds were kept, crate by crate. One that was emptied and filled again is told of twice.
    pub rounds: Vec<CrateRounds>,
}

/// A room as it is compared.
pub fn key(room: &str) -> String {
    room.trim().to_lowercase()
}

/// One crate as the fold stands.
#[derive(Default)]
struct Krate {
    code: String,
    room: String,
    tubers: i64,
    /// What is in it was brought into the warm.
    woken: bool,
    stay: Option<Stay>,
}

/// A time in which a crate holds something that rests.
struct Stay {
    from: NaiveDate,
    looks: Vec<Look>,
}

impl Stay {
    fn of(from: NaiveDate) -> Self {
        Self {
            from,
            looks: Vec::new(),
        }
    }
}

struct Fold<'a> {
    calendar: &'a Calendar,
    from: Stamp,
    first: NaiveDate,
    last: NaiveDate,
    crates: BTreeMap<CrateId, Krate>,
    codes: BTreeMap<String, CrateId>,
    lots: BTreeMap<LotId, CrateId>,
    /// Rooms in which nothing rests: those being woken, and the empty ones.
    restless: BTreeSet<String>,
    told: Deeds,
}

/// What was done in the period from `from` to before `to`, and how rounds were kept in it.
///
/// `entries` are those of the ledger from its beginning in their order; those after the period change
/// nothing, nor do those that were taken back. `stages` is what each room was said to be doing, in order
/// of time. Rounds are counted as for a store without risks, by whole days of the farm.
pub fn deeds(
    entries: &[Entry],
    stages: &[(Stamp, String, Stage)],
    calendar: &Calendar,
    from: Stamp,
    to: Stamp,
) -> Deeds {
    let undone: BTreeSet<EntryId> = entries
        .iter()
        .filter_map(|entry| match entry.deed {
            Deed::Undone { entry } => Some(entry),
            _ => None,
        })
        .collect();
    let mut fold = Fold {
        calendar,
        from,
        first: day(*calendar, from),
        last: day(*calendar, to.plus(-1)),
        crates: BTreeMap::new(),
        codes: BTreeMap::new(),
        lots: BTreeMap::new(),
        restless: BTreeSet::new(),
        told: Deeds::default(),
    };
    let mut stages = stages.iter().filter(|(at, ..)| *at < to).peekable();
    for entry in entries {
        let at = Stamp::from(entry.done_at());
        let back = matches!(entry.deed, Deed::Undone { .. });
        if to <= at {
            continue;
        }
        while let Some((when, room, stage)) = stages.next_if(|(when, ..)| *when <= at) {
            fold.stage(*when, room, *stage);
        }
        fold.entry(entry, at, !back && !undone.contains(&entry.id));
    }
    for (when, room, stage) in stages {
        fold.stage(*when, room, *stage);
    }
    let left: Vec<CrateId> = fold.crates.keys().copied().collect();
    for id in left {
        fold.end(id, fold.last);
    }
    let mut told = fold.told;
    for done in told.by_room.values_mut() {
        // What was noted later than it was done stands in the ledger where it was entered.
        done.sort_by_key(|d| d.at);
    }
    told.rounds
        .sort_by(|a, b| (&a.krate, a.from).cmp(&(&b.krate, b.from)));
    told
}

fn day(calendar: Calendar, at: Stamp) -> NaiveDate {
    calendar.wall(at).date()
}

impl Fold<'_> {
    /// Where a room is woken or emptied, what stands in it has no more rounds.
    fn stage(&mut self, at: Stamp, room: &str, stage: Stage) {
        let room = key(room);
        if matches!(stage, Stage::Waking | Stage::Empty) {
            let there = self.crates.iter().filter(|(_, c)| key(&c.room) == room);
            let there: Vec<CrateId> = there.map(|(id, _)| *id).collect();
            let on = day(*self.calendar, at);
            for id in there {
                self.end(id, on);
            }
            self.restless.insert(room);
        } else if self.restless.remove(&room) {
            let on = day(*self.calendar, at);
            for krate in self.crates.values_mut() {
                if key(&krate.room) == room && 0 < krate.tubers && !krate.woken {
                    krate.stay.get_or_insert_with(|| Stay::of(on));
                }
            }
        }
    }

    /// What was taken back, and the taking back, change what stands where and count for nothing else: a
    /// crate that came by a mistake may have been used by others since.
    fn entry(&mut self, entry: &Entry, at: Stamp, counts: bool) {
        let on = day(*self.calendar, at);
        // Crates it is about, and rooms in which they stood before and after.
        let mut about: BTreeMap<CrateId, BTreeSet<String>> = BTreeMap::new();
        for change in &entry.changes {
            match change {
                Change::Crate { id, before, after } => {
                    let rooms = about.entry(*id).or_default();
                    rooms.extend(before.iter().chain(after).map(|c| key(&c.room)));
                    if let Some(after) = after {
                        let krate = self.crates.entry(*id).or_default();
                        after.code.as_str().clone_into(&mut krate.code);
                        after.room.trim().clone_into(&mut krate.room);
                        self.codes.insert(after.code.as_str().to_lowercase(), *id);
                    }
                }
                Change::Lot { id, after, .. } => {
                    if let Some(after) = after {
                        self.lots.insert(*id, after.krate);
                    }
                }
                Change::Tubers { lot, by, .. } => {
                    if let Some(id) = self.lots.get(lot) {
                        about.entry(*id).or_default();
                        let krate = self.crates.entry(*id).or_default();
                        krate.woken &= krate.tubers != 0;
                        krate.tubers += by;
                    }
                }
                Change::Wish { .. } | Change::Season { .. } => {}
            }
        }
        if !counts {
            return;
        }
        let named = match &entry.deed {
            Deed::Packed { krate, .. }
            | Deed::Moved { krate, .. }
            | Deed::Looked { krate, .. }
            | Deed::Treated { krate, .. }
            | Deed::Weighed { krate, .. }
            | Deed::Woken { krate } => self.codes.get(&krate.as_str().to_lowercase()),
            Deed::Culled { lot, .. } => self.lots.get(lot),
            _ => None,
        };
        let named = named.copied();
        if let Some(id) = named {
            about.entry(id).or_default();
        }
        if self.from <= at {
            self.tell(&entry.deed, at, &about);
        }
        if let Some(krate) = named.and_then(|id| self.crates.get_mut(&id)) {
            krate.woken |= matches!(entry.deed, Deed::Woken { .. });
            if let Some(stay) = &mut krate.stay {
                match &entry.deed {
                    // The rounds of what is packed are counted from there.
                    Deed::Packed { .. } => stay.from = on,
                    Deed::Looked { finding, .. } | Deed::Culled { finding, .. } => {
                        let bad =
                            matches!(finding, Finding::Soft | Finding::Mould | Finding::Mouse);
                        stay.looks.push(Look { day: on, bad });
                    }
                    _ => {}
                }
            }
        }
        for id in about.keys() {
            let Some(krate) = self.crates.get_mut(id) else {
                continue;
            };
            let restless = self.restless.contains(&key(&krate.room));
            if 0 < krate.tubers && !restless && !krate.woken {
                krate.stay.get_or_insert_with(|| Stay::of(on));
            } else {
                self.end(*id, on);
            }
        }
    }

    fn tell(&mut self, deed: &Deed, at: Stamp, about: &BTreeMap<CrateId, BTreeSet<String>>) {
        let (what, finding) = match deed {
            Deed::Treated { how, .. } => (how.key(), None),
            Deed::Looked { finding, .. } | Deed::Culled { finding, .. } => {
                (deed.kind(), Some(*finding))
            }
            Deed::Packed { .. }
            | Deed::Moved { .. }
            | Deed::Divided { .. }
            | Deed::Merged { .. }
            | Deed::Split { .. }
            | Deed::Weighed { .. }
            | Deed::Woken { .. } => (deed.kind(), None),
            // What came, was written anew or left the store is no answer to its air.
            _ => return,
        };
        for (id, rooms) in about {
            let Some(krate) = self.crates.get(id) else {
                continue;
            };
            let own = key(&krate.room);
            for room in rooms.iter().chain((!rooms.contains(&own)).then_some(&own)) {
                let done = self.told.by_room.entry(room.clone()).or_default();
                done.push(Done {
                    at,
                    id: *id,
                    krate: krate.code.clone(),
                    what,
                    finding,
                });
            }
        }
    }

    /// Its rounds end on a day.
    fn end(&mut self, id: CrateId, on: NaiveDate) {
        let Some(krate) = self.crates.get_mut(&id) else {
            return;
        };
        let Some(stay) = krate.stay.take() else {
            return;
        };
        if on < self.first {
            return;
        }
        let from = stay.from.max(self.first);
        let (first, looks) = (stay.from, stay.looks);
        let until = |last| round::kept(first, looks.iter().copied(), last);
        let kept = until(on);
        // What was due before the period is not its own.
        let before = match self.first.pred_opt() {
            Some(eve) if first < self.first => until(eve),
            _ => round::Kept::default(),
        };
        self.told.rounds.push(CrateRounds {
            krate: krate.code.clone(),
            room: krate.room.clone(),
            from,
            to: on,
            in_time: kept.in_time.saturating_sub(before.in_time),
            late: kept.late.saturating_sub(before.late),
            missed: kept.missed.saturating_sub(before.missed),
            early: kept.early.saturating_sub(before.early),
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::period::Period;
    use crate::stock::{
        Form, Treatment,
        ledger::{Stock, To},
    };

    fn on(m: u32, d: u32) -> NaiveDate {
        let year = if m < 7 { 2027 } else { 2026 };
        NaiveDate::from_ymd_opt(year, m, d).unwrap()
    }

    fn at(day: NaiveDate) -> Stamp {
        day.and_hms_opt(9, 0, 0).unwrap().and_utc().into()
    }

    /// Entries of these deeds, each on its day at nine.
    fn entries(deeds: Vec<(NaiveDate, Deed)>) -> Vec<Entry> {
        let mut stock = Stock::default();
        let mut entered: Vec<Entry> = Vec::new();
        for (day, deed) in deeds {
            let at = at(day).to_utc();
            let changes = match &deed {
                Deed::Undone { entry } => stock.take_back(&entered[entry.0 as usize - 1]),
                deed => stock.enter(deed, at),
            };
            entered.push(Entry {
                id: EntryId(entered.len() as i64 + 1),
                at,
                noted_at: None,
                who: "Odile".into(),
                key: None,
                note: String::new(),
                changes: changes.unwrap(),
                deed,
            });
        }
        entered
    }

    fn lifted(code: &str, room: &str) -> Deed {
        Deed::Lifted {
            into: To {
                code: code.parse().unwrap(),
                room: room.into(),
                place: String::new(),
                packing: "peat".into(),
            },
            variety: "Brindolet".into(),
            form: Form::Clump,
            count: 10,
            dug: None,
        }
    }

    fn looked(code: &str, finding: Finding) -> Deed {
        Deed::Looked {
            krate: code.parse().unwrap(),
            lot: None,
            finding,
            count: None,
        }
    }

    fn culled(lot: i64, count: u32) -> Deed {
        Deed::Culled {
            lot: LotId(lot),
            finding: Finding::Soft,
            count,
        }
    }

    fn told(deeds_of: Vec<(NaiveDate, Deed)>, stages: &[(Stamp, String, Stage)]) -> Deeds {
        let calendar = Calendar::new(chrono_tz::UTC);
        let (from, to) = calendar.span(Period::whole(2026));
        deeds(&entries(deeds_of), stages, &calendar, from, to)
    }

    fn counts(r: &CrateRounds) -> [u32; 4] {
        [r.in_time, r.late, r.missed, r.early]
    }

    #[test]
    fn rounds_are_counted_from_packing_to_waking() {
        let packed = Deed::Packed {
            krate: "A-1".parse().unwrap(),
            packing: "peat".into(),
            skins_dry: None,
        };
        let history = || {
            vec![
                (on(10, 10), lifted("A-1", "cellar")),
                (on(10, 20), packed.clone()),
                // Due on 3 November, then 17 November, then on 1 December, 31 December and 30 January.
                (on(11, 3), looked("A-1", Finding::Sound)),
                (on(11, 25), looked("A-1", Finding::Sound)),
            ]
        };
        let woken = [(at(on(1, 10)), "Cellar".to_owned(), Stage::Waking)];
        let kept = told(history(), &woken).rounds;
        assert_eq!(kept.len(), 1);
        assert_eq!((kept[0].from, kept[0].to), (on(10, 20), on(1, 10)));
        assert_eq!(counts(&kept[0]), [1, 1, 1, 0]);
        // Emptied: the last look is the one that emptied it.
        let mut emptied = history();
        emptied.push((on(12, 9), culled(1, 10)));
        let kept = told(emptied, &[]).rounds;
        assert_eq!(kept[0].to, on(12, 9));
        assert_eq!(counts(&kept[0]), [2, 1, 0, 0]);
        // A crate that nobody touches again stands until the end, and in the next winter.
        let kept = told(history(), &[]).rounds;
        assert_eq!(kept[0].to, on(6, 30));
        let calendar = Calendar::new(chrono_tz::UTC);
        let (from, to) = calendar.span(Period::whole(2027));
        let next = deeds(&entries(history()), &[], &calendar, from, to).rounds;
        let both = calendar.span(Period::whole(2026)).0;
        let whole = deeds(&entries(history()), &[], &calendar, both, to).rounds;
        for n in 0..4 {
            assert_eq!(
                counts(&whole[0])[n],
                counts(&kept[0])[n] + counts(&next[0])[n]
            );
        }
    }

    #[test]
    fn what_was_done_is_told_by_room_and_what_was_taken_back_is_not() {
        let treated = Deed::Treated {
            krate: "A-1".parse().unwrap(),
            how: Treatment::Dampened,
        };
        let moved = Deed::Moved {
            krate: "B-1".parse().unwrap(),
            room: "barn".into(),
            place: String::new(),
        };
        let told = told(
            vec![
                (on(10, 10), lifted("A-1", "Cellar")),
                (on(10, 10), lifted("B-1", "cellar")),
                (on(11, 1), treated.clone()),
                (on(11, 2), treated),
                (on(11, 3), Deed::Undone { entry: EntryId(4) }),
                (on(11, 4), moved),
                (on(11, 5), culled(2, 1)),
            ],
            &[],
        );
        let words = |room: &str| -> Vec<String> {
            let done = told.by_room[room].iter();
            done.map(|d| format!("{} {}", d.what, d.krate)).collect()
        };
        assert_eq!(words("cellar"), ["dampened A-1", "moved B-1"]);
        assert_eq!(words("barn"), ["moved B-1", "culled B-1"]);
        assert_eq!(told.by_room["barn"][1].finding, Some(Finding::Soft));
    }
}
