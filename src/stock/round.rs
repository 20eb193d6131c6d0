//! When a crate is to be looked at again, which crates a walk takes in, and how rounds were kept.
//!
//! A look is a look, whatever it finds and whyever it was made; packing counts as one, since every
//! tuber went through a hand. A look without bad findings never makes a crate due earlier.

use std::{cmp::Ordering, collections::BTreeMap};

use chrono::{Days, NaiveDate};

use super::{
    CrateCode,
    place::{Place, natural},
};

/// For so many days after packing crates are looked at more often: six weeks. Wounds, wet packing
/// and a bad lot show early. That the first weeks ask for more is advised (a gardening paper);
/// their number is our choice.
const FIRST_WEEKS: u64 = 42;

/// Every so many days in the first weeks. Sources that give one interval for the whole winter say
/// every 2 to 4 weeks (hobby instructions) or 3 to 4 (a public dahlia garden); the closest is taken.
const IN_FIRST_WEEKS: u64 = 14;

/// Every so many days after that: monthly (University of Minnesota Extension; common among farms).
const MONTHLY: u64 = 30;

/// Every so many days while tubers dry: drying takes 1 to 3 days (extension services), and bare
/// tubers are over-dry after about 3 (growers).
const CURING: u64 = 2;

/// Every so many days while they are woken: eyes show in 2 to 5 weeks at 70 F (a growers'
/// newsletter), so each week shows something. Our choice.
const WAKING: u64 = 7;

/// At most so many days after soft or mouldy tubers or a mouse were found: decay spreads rapidly,
/// look every 7 to 10 days (an old number of Florists' Review; no rate is published for dahlias).
/// A mouse comes back; for it the number is our choice.
const AFTER_BAD: u64 = 7;

/// At most so many days where the conditions ask for a look soon. Our choice: half a month.
const RISK_SOON: u64 = 14;

/// At most so many days where they ask for action today: the spread of decay, as above.
const RISK_TODAY: u64 = 7;

/// So many days ahead a crate is taken along when one stands at its rack anyway. Our choice.
const ALONG: u64 = 2;

/// So many days before or after the due day a round is kept in time: it falls on a weekend.
/// Our choice.
const IN_TIME: u64 = 3;

/// What the crate's room is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stage {
    /// Lifted tubers dry.
    Curing,
    /// Packed tubers rest.
    Storing,
    /// Tubers are brought to sprout.
    Waking,
    /// Nothing is in the room; no crate of it is due.
    Empty,
}

/// How much the conditions the crate stood in threaten it, the least first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Risk {
    /// Nothing to be seen in the readings.
    None,
    /// To be looked at soon.
    Soon,
    /// To be acted on today.
    Today,
    /// To be acted on at once.
    Now,
}

/// One look at a crate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Look {
    /// When.
    pub day: NaiveDate,
    /// Something that spreads or comes back was found: soft, mould or mouse.
    pub bad: bool,
}

/// What decides when a crate is due.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Standing {
    /// When it was packed, or came into store if that is not known.
    pub packed: NaiveDate,
    /// The last look, if any; one before `packed` counts for nothing, nor does one after today
    /// (a clock was wrong). Of several looks on one day, bad if one of them was.
    pub looked: Option<Look>,
    /// Of its room.
    pub stage: Stage,
    /// By the readings.
    pub risk: Risk,
}

/// Why a crate is due when it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reason {
    /// The conditions ask for action at once.
    RiskNow,
    /// The conditions ask for action today.
    RiskToday,
    /// Soft or mouldy tubers or a mouse were found at the last look.
    FoundBad,
    /// The conditions ask for a look soon.
    RiskSoon,
    /// It is drying.
    Curing,
    /// It is being woken.
    Waking,
    /// The last look, or packing, fell in the first six weeks.
    FirstWeeks,
    /// A month has gone by.
    Monthly,
}

/// When a crate is to be looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Due {
    /// On which day.
    pub day: NaiveDate,
    /// The rule that asks for the earliest day; of several the one that says most about this crate.
    pub reason: Reason,
    /// Days since then; 0 on the day and before.
    pub overdue: u64,
}

/// When a crate is due, as things stand today; none in an empty room.
///
/// Each rule asks for a look so many days after the last one, or after packing, and the earliest
/// counts. With a risk of `Now` a crate is due today, and after a look today tomorrow, unless it was
/// due before.
pub fn due(standing: &Standing, today: NaiveDate) -> Option<Due> {
    let Standing {
        packed,
        looked,
        stage,
        risk,
    } = *standing;
    if stage == Stage::Empty {
        return None;
    }
    let looked = looked.filter(|look| (packed..=today).contains(&look.day));
    let base = looked.map_or(packed, |look| look.day);
    let (days, mut reason) = [
        (risk >= Risk::Today).then_some((RISK_TODAY, Reason::RiskToday)),
        looked
            .is_some_and(|look| look.bad)
            .then_some((AFTER_BAD, Reason::FoundBad)),
        (risk >= Risk::Soon).then_some((RISK_SOON, Reason::RiskSoon)),
        (stage == Stage::Curing).then_some((CURING, Reason::Curing)),
        (stage == Stage::Waking).then_some((WAKING, Reason::Waking)),
    ]
    .into_iter()
    .flatten()
    .rfold(calendar(packed, base), |least, rule| {
        if rule.0 <= least.0 { rule } else { least }
    });
    let mut day = after(base, days);
    if risk == Risk::Now {
        day = day.min(today.max(after(base, 1)));
        reason = Reason::RiskNow;
    }
    Some(Due {
        day,
        reason,
        overdue: today.signed_duration_since(day).num_days().max(0) as u64,
    })
}

/// What the calendar alone asks for after a look on that day.
fn calendar(packed: NaiveDate, base: NaiveDate) -> (u64, Reason) {
    if base < after(packed, FIRST_WEEKS) {
        (IN_FIRST_WEEKS, Reason::FirstWeeks)
    } else {
        (MONTHLY, Reason::Monthly)
    }
}

fn after(day: NaiveDate, days: u64) -> NaiveDate {
    day.checked_add_days(Days::new(days))
        .unwrap_or(NaiveDate::MAX)
}

/// A crate on a walk, or one that may be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stop {
    /// The room it stands in.
    pub room: String,
    /// Where in the room.
    pub place: Place,
    /// Its label.
    pub code: CrateCode,
    /// When it is to be looked at, and why.
    pub due: Due,
}

impl Stop {
    /// Room by room, in the room as [`Place`] is ordered, at one place by code. Total, as no two
    /// crates share a code.
    fn walking(&self, other: &Self) -> Ordering {
        natural(&self.room, &other.room)
            .then_with(|| self.room.cmp(&other.room))
            .then_with(|| self.place.cmp(&other.place))
            .then_with(|| self.code.cmp(&other.code))
    }

    /// The most urgent first: what is threatened at once; then what may spoil within days (action
    /// today, bad findings, drying tubers); then the rest. Among these what was due first.
    fn urgency(&self, other: &Self) -> Ordering {
        let rank = |stop: &Self| match stop.due.reason {
            Reason::RiskNow => 0,
            Reason::RiskToday | Reason::FoundBad | Reason::Curing => 1,
            Reason::RiskSoon | Reason::Waking | Reason::FirstWeeks | Reason::Monthly => 2,
        };
        rank(self)
            .cmp(&rank(other))
            .then_with(|| self.due.day.cmp(&other.due.day))
            .then_with(|| self.walking(other))
    }
}

/// A walk through crates due for a look.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Round {
    /// In walking order. Those taken along are due after the day of the walk.
    pub stops: Vec<Stop>,
    /// Crates the walk has no room for. Of those due, none is more urgent than any due crate in it.
    pub left_out: usize,
}

impl Round {
    /// The crates for a walk of at most `most` stops on a day: all that are due by then, the most
    /// urgent ones if there are more. Where there is room left, those at the rack of one of them
    /// that are due within the next two days are taken along, soonest first.
    pub fn choose(crates: impl IntoIterator<Item = Stop>, day: NaiveDate, most: usize) -> Self {
        let (mut stops, mut along): (Vec<_>, Vec<_>) = crates
            .into_iter()
            .filter(|stop| stop.due.day <= after(day, ALONG))
            .partition(|stop| stop.due.day <= day);
        stops.sort_by(Stop::urgency);
        let left_out = stops.len().saturating_sub(most);
        stops.truncate(most);
        along.retain(|near| {
            stops
                .iter()
                .any(|stop| stop.room == near.room && stop.place.same_rack(&near.place))
        });
        along.sort_by(|a, b| a.due.day.cmp(&b.due.day).then_with(|| a.walking(b)));
        along.truncate(most - stops.len());
        stops.append(&mut along);
        stops.sort_by(Stop::walking);
        Self { stops, left_out }
    }

    /// A walk past all of these crates, due or not: the first `most` on the way.
    pub fn past(crates: impl IntoIterator<Item = Stop>, most: usize) -> Self {
        let mut stops: Vec<_> = crates.into_iter().collect();
        stops.sort_by(Stop::walking);
        let left_out = stops.len().saturating_sub(most);
        stops.truncate(most);
        Self { stops, left_out }
    }
}

/// How the rounds of one crate were kept; those that were due are `in_time`, `late` and `missed`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Kept {
    /// Looked at within three days of the due day.
    pub in_time: u32,
    /// Looked at after that and before the next round would have been due.
    pub late: u32,
    /// Not looked at before the next round was due, or at the end more than three days overdue.
    pub missed: u32,
    /// Days with a look more than three days before one was due. These answer no round; the next is
    /// counted from them.
    pub early: u32,
}

/// How the rounds of one crate were kept, from packing to a last day (today, or the day it was
/// emptied or its room began to wake).
///
/// Counted as for a store without risks, which the record of looks does not know: every look, and
/// packing, sets the next due day, by the calendar or after bad findings. A missed round sets the
/// next as if there had been a look on its due day that found what the last one did. Looks in any
/// order; those before packing or after the last day count for nothing.
pub fn kept(packed: NaiveDate, looks: impl IntoIterator<Item = Look>, last: NaiveDate) -> Kept {
    let mut days: BTreeMap<NaiveDate, bool> = BTreeMap::new();
    for look in looks {
        if (packed..=last).contains(&look.day) {
            *days.entry(look.day).or_default() |= look.bad;
        }
    }
    let mut kept = Kept::default();
    let mut bad = days.remove(&packed).unwrap_or_default();
    let next = |base, bad| {
        let (days, _) = calendar(packed, base);
        after(base, if bad { days.min(AFTER_BAD) } else { days })
    };
    let mut due = next(packed, bad);
    for (day, found) in days {
        while next(due, bad) <= day {
            kept.missed += 1;
            due = next(due, bad);
        }
        if after(day, IN_TIME) < due {
            kept.early += 1;
        } else if day <= after(due, IN_TIME) {
            kept.in_time += 1;
        } else {
            kept.late += 1;
        }
        bad = found;
        due = next(day, bad);
    }
    while after(due, IN_TIME) < last {
        kept.missed += 1;
        due = next(due, bad);
    }
    kept
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Days after packing.
    fn day(n: u64) -> NaiveDate {
        after(NaiveDate::from_ymd_opt(2026, 10, 24).unwrap(), n)
    }

    fn look(n: u64, bad: bool) -> Look {
        Look { day: day(n), bad }
    }

    fn standing(looked: Option<Look>, stage: Stage, risk: Risk) -> Standing {
        Standing {
            packed: day(0),
            looked,
            stage,
            risk,
        }
    }

    #[test]
    fn a_crate_is_due_by_the_rule_that_asks_first() {
        use Stage::{Curing, Storing, Waking};
        let good = |n| Some(look(n, false));
        let bad = |n| Some(look(n, true));
        for (looked, stage, risk, today, due_on, reason, overdue) in [
            // The calendar.
            (None, Storing, Risk::None, 3, 14, Reason::FirstWeeks, 0),
            (None, Storing, Risk::None, 14, 14, Reason::FirstWeeks, 0),
            (None, Storing, Risk::None, 60, 14, Reason::FirstWeeks, 46),
            (good(14), Storing, Risk::None, 20, 28, Reason::FirstWeeks, 0),
            (good(41), Storing, Risk::None, 56, 55, Reason::FirstWeeks, 1),
            (good(42), Storing, Risk::None, 43, 72, Reason::Monthly, 0),
            // Looks that do not count: before packing, and in days to come.
            (None, Storing, Risk::None, 0, 14, Reason::FirstWeeks, 0),
            (bad(90), Storing, Risk::None, 50, 14, Reason::FirstWeeks, 36),
            // Findings.
            (bad(0), Storing, Risk::None, 0, 7, Reason::FoundBad, 0),
            (bad(60), Storing, Risk::None, 69, 67, Reason::FoundBad, 2),
            (bad(60), Curing, Risk::None, 61, 62, Reason::Curing, 0),
            // Stages.
            (None, Curing, Risk::None, 1, 2, Reason::Curing, 0),
            (good(150), Waking, Risk::None, 150, 157, Reason::Waking, 0),
            (bad(150), Waking, Risk::None, 150, 157, Reason::FoundBad, 0),
            // Risks.
            (good(60), Storing, Risk::Soon, 61, 74, Reason::RiskSoon, 0),
            (good(20), Storing, Risk::Soon, 21, 34, Reason::RiskSoon, 0),
            (good(60), Storing, Risk::Today, 61, 67, Reason::RiskToday, 0),
            (bad(60), Storing, Risk::Today, 61, 67, Reason::RiskToday, 0),
            (good(60), Waking, Risk::Soon, 61, 67, Reason::Waking, 0),
            (good(60), Storing, Risk::Now, 65, 65, Reason::RiskNow, 0),
            (good(65), Storing, Risk::Now, 65, 66, Reason::RiskNow, 0),
            (good(60), Storing, Risk::Now, 95, 67, Reason::RiskNow, 28),
        ] {
            let due = due(&standing(looked, stage, risk), day(today)).unwrap();
            let want = Due {
                day: day(due_on),
                reason,
                overdue,
            };
            assert_eq!(due, want, "{looked:?} {stage:?} {risk:?} on {today}");
        }
        let empty = standing(None, Stage::Empty, Risk::Now);
        assert_eq!(due(&empty, day(100)), None);
        let mut repacked = standing(Some(look(3, true)), Storing, Risk::None);
        repacked.packed = day(5);
        assert_eq!(due(&repacked, day(6)).unwrap().day, day(19));
    }

    fn stop(room: &str, place: &str, code: &str, n: u64, reason: Reason) -> Stop {
        Stop {
            room: room.to_owned(),
            place: Place::read(place),
            code: code.parse().unwrap(),
            due: Due {
                day: day(n),
                reason,
                overdue: 0,
            },
        }
    }

    #[test]
    fn a_walk_takes_what_is_due_and_what_stands_beside_it() {
        use Reason::{FoundBad, Monthly, RiskNow};
        let crates = [
            stop("cellar", "rack 2 / shelf 1 / 1", "C-9", 30, Monthly),
            stop("cellar", "rack 2 / shelf 2 / 1", "C-8", 32, Monthly),
            stop("cellar", "rack 2 / shelf 2 / 2", "C-7", 33, Monthly),
            stop("cellar", "rack 10 / shelf 1 / 1", "C-6", 31, Monthly),
            stop("barn", "rack 2 / shelf 1 / 1", "B-1", 31, Monthly),
            stop("barn", "rack 1 / shelf 1 / 1", "B-2", 29, FoundBad),
            stop("barn", "", "B-4", 30, RiskNow),
            stop("barn", "", "B-3", 20, Monthly),
            stop("barn", "", "B-5", 31, Monthly),
        ];
        for (most, codes, left_out) in [
            (10, "B-2 B-3 B-4 C-8 C-9", 0),
            (5, "B-2 B-3 B-4 C-8 C-9", 0),
            (4, "B-2 B-3 B-4 C-9", 0),
            (3, "B-2 B-3 B-4", 1),
            (2, "B-2 B-4", 2),
            (1, "B-4", 3),
            (0, "", 4),
        ] {
            let round = Round::choose(crates.clone(), day(30), most);
            let taken: Vec<_> = round.stops.iter().map(|stop| stop.code.as_str()).collect();
            assert_eq!(
                (taken.join(" ").as_str(), round.left_out),
                (codes, left_out)
            );
        }
    }

    #[test]
    fn an_account_of_rounds_counts_each_once() {
        let last = 100;
        for (looks, in_time, late, missed, early) in [
            // Due on 14, 28, 42, 72 and 102.
            (&[14, 28, 42, 72][..], 4, 0, 0, 0),
            // Three days either side: due on 14, 25, 42, 53 and 86.
            (&[11, 28, 39, 56, 83], 5, 0, 0, 0),
            (&[], 0, 0, 4, 0),
            // Due on 14, 32 and 62, and 92 was missed.
            (&[18, 32, 62], 1, 2, 1, 0),
            // Nothing from 14 on until the third round was due.
            (&[14, 43, 73], 3, 0, 1, 0),
            // So often that none is due; then nothing until the fourth round was late.
            (&[1, 2, 3, 4, 5, 6, 7, 8, 9, 90], 0, 1, 3, 9),
        ] {
            let looks = looks.iter().map(|n| look(*n, false));
            let want = Kept {
                in_time,
                late,
                missed,
                early,
            };
            assert_eq!(kept(day(0), looks.clone(), day(last)), want, "{looks:?}");
        }
    }

    fn a_stage() -> impl Strategy<Value = Stage> {
        prop::sample::select(vec![Stage::Curing, Stage::Storing, Stage::Waking])
    }

    fn a_risk() -> impl Strategy<Value = Risk> {
        prop::sample::select(vec![Risk::None, Risk::Soon, Risk::Today, Risk::Now])
    }

    fn a_stop() -> impl Strategy<Value = (String, String, u64, Reason)> {
        let reasons = vec![
            Reason::RiskNow,
            Reason::RiskToday,
            Reason::FoundBad,
            Reason::Monthly,
        ];
        (
            "(cellar|Cellar|barn 0?[12])",
            "(rack [12]( / shelf [12]( / [1-3])?)?)?",
            0..8_u64,
            prop::sample::select(reasons),
        )
    }

    proptest! {
        #[test]
        fn a_look_never_makes_a_crate_due_earlier(
            before in prop::option::of((0..200_u64, any::<bool>())),
            at in 0..200_u64,
            found_again: bool,
            later in 0..5_u64,
            stage in a_stage(),
            risk in a_risk(),
        ) {
            let before = before.filter(|(n, _)| *n <= at).map(|(n, bad)| look(n, bad));
            let bad = found_again && before.is_some_and(|look| look.bad);
            let was = due(&standing(before, stage, risk), day(at)).unwrap();
            let today = day(at + later);
            let is = due(&standing(Some(look(at, bad)), stage, risk), today).unwrap();
            prop_assert!(was.day <= is.day, "{:?} {:?}", was, is);
            prop_assert!(is.day > day(at), "a look today is not asked for again today");
        }

        #[test]
        fn more_risk_is_never_later(
            looked in prop::option::of((0..200_u64, any::<bool>())),
            today in 0..250_u64,
            stage in a_stage(),
            (one, other) in (a_risk(), a_risk()),
        ) {
            let looked = looked.map(|(n, bad)| look(n, bad));
            let [calm, threatened] = [one.min(other), one.max(other)]
                .map(|risk| due(&standing(looked, stage, risk), day(today)).unwrap());
            prop_assert!(threatened.day <= calm.day);
        }

        #[test]
        fn a_walk_loses_nothing_that_is_due(
            crates in prop::collection::vec(a_stop(), 0..20),
            most in 0..25_usize,
            shift in any::<prop::sample::Index>(),
        ) {
            let crates: Vec<Stop> = crates
                .iter()
                .enumerate()
                .map(|(n, (room, place, at, reason))| {
                    stop(room, place, &format!("C-{n}"), *at, *reason)
                })
                .collect();
            let today = day(3);
            let round = Round::choose(crates.clone(), today, most);
            prop_assert!(round.stops.len() <= most);
            prop_assert!(round.stops.is_sorted_by(|a, b| a.walking(b).is_lt()));
            let is_due = |stop: &&Stop| stop.due.day <= today;
            let taken: Vec<&Stop> = round.stops.iter().filter(is_due).collect();
            let all: Vec<&Stop> = crates.iter().filter(is_due).collect();
            prop_assert_eq!(taken.len() + round.left_out, all.len());
            for left in all.iter().filter(|stop| !round.stops.contains(stop)) {
                prop_assert!(taken.iter().all(|stop| stop.urgency(left).is_lt()));
            }
            for along in round.stops.iter().filter(|stop| !is_due(stop)) {
                prop_assert!(along.due.day <= day(5));
                prop_assert!(taken.iter().any(|s| s.room == along.room
                    && s.place.same_rack(&along.place)));
            }
            // The order in which crates are handed in changes nothing.
            let mut shifted = crates.clone();
            if !shifted.is_empty() {
                shifted.rotate_left(shift.index(crates.len()));
            }
            prop_assert_eq!(Round::choose(shifted, today, most), round);
        }

        #[test]
        fn every_look_and_round_is_counted_once(
            looks in prop::collection::vec((0..200_u64, any::<bool>()), 0..30),
            last in 0..220_u64,
        ) {
            let looks: Vec<Look> = looks.iter().map(|(n, bad)| look(*n, *bad)).collect();
            let account = kept(day(0), looks.iter().copied(), day(last));
            let days: std::collections::BTreeSet<_> = looks
                .iter()
                .map(|look| look.day)
                .filter(|at| day(0) < *at && *at <= day(last))
                .collect();
            prop_assert_eq!((account.in_time + account.late + account.early) as usize, days.len());
            let backwards = kept(day(0), looks.into_iter().rev(), day(last));
            prop_assert_eq!(account, backwards);
        }
    }
}
