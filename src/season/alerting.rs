//! How well the alerts themselves did: the figures by which alarm systems are judged.
//!
//! The figures are those of ANSI/ISA-18.2-2016 clause 16 and EEMUA 191 as commonly reported, and of
//! OPC 10000-9 clause 9.2 (longest active, longest unacknowledged); where they were made for a control
//! room with hundreds of alarms a figure of this project stands beside or instead, and says so.

use std::collections::{BTreeMap, BTreeSet};

use crate::watch::{
    Kind, Priority, Stamp, Subject,
    reading::{HOUR_MS, MINUTE_MS},
};

/// The window in which messages are counted, in milliseconds (EEMUA 191: alarms in ten minutes).
pub const WINDOW_MS: i64 = 10 * MINUTE_MS;
/// More than so many messages in one window are a flood (ANSI/ISA-18.2 clause 16).
pub const FLOOD: usize = 10;
/// Longest active before an alert is stale, in milliseconds (ANSI/ISA-18.2 clause 16).
pub const STALE_MS: i64 = 24 * HOUR_MS;
/// An alert that is active for less is fleeting, in milliseconds: a figure of this project.
pub const FLEETING_MS: i64 = 10 * MINUTE_MS;
/// So many raisings of one alert ...
pub const CHATTER: usize = 3;
/// ... within this, in milliseconds, are chattering. Common use is 60 seconds; readings come every few
/// minutes here, so it is an hour: a figure of this project.
pub const CHATTER_MS: i64 = HOUR_MS;
/// What was over so long before a period, in milliseconds, cannot change its figures.
pub const BEFORE_MS: i64 = STALE_MS + HOUR_MS;
const DAY_MS: i64 = 24 * HOUR_MS;

/// One raising of one alert.
#[derive(Debug, Clone, PartialEq)]
pub struct Raised {
    /// When.
    pub raised_at: Stamp,
    /// When a person saw it.
    pub acknowledged_at: Option<Stamp>,
    /// When it was over, or followed by a worse one.
    pub ended_at: Option<Stamp>,
    /// It still asks for something: it is active, or nobody has seen it.
    pub open: bool,
    /// Its last priority.
    pub priority: Priority,
    /// What kind.
    pub kind: Kind,
    /// What about.
    pub subject: Subject,
    /// Where.
    pub room: String,
}

/// What a message was for, as far as it is counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sort {
    /// It interrupts: of an alert raised, repeated, passed on or over.
    Alert,
    /// The daily word of what still stands.
    Reminder,
    /// The morning summary.
    Summary,
    /// A test.
    Test,
}

impl Sort {
    /// Of the word for a purpose in the record.
    pub fn of(purpose: &str) -> Self {
        match purpose {
            "remind" => Self::Reminder,
            "summary" => Self::Summary,
            "test" => Self::Test,
            _ => Self::Alert,
        }
    }
}

/// One message by one channel.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Told {
    /// When it was owed.
    pub at: Stamp,
    /// To whom.
    pub contact: String,
    /// The room it was about; empty for several, or none.
    pub room: String,
    /// What for.
    pub sort: Sort,
    /// Purpose and occurrences as they are written: the same by every channel.
    pub about: String,
}

/// The alert that was raised most often.
#[derive(Debug, Clone, PartialEq)]
pub struct Frequent {
    /// What kind.
    pub kind: Kind,
    /// What about.
    pub subject: Subject,
    /// Where.
    pub room: String,
    /// How often.
    pub times: usize,
}

/// The figures of one period. Its days are pieces of 24 hours from its beginning, the last perhaps
/// shorter; days and windows in which nothing happened are counted like any other.
#[derive(Debug, Clone, PartialEq)]
pub struct Figures {
    /// From this instant ...
    pub from: Stamp,
    /// ... to before this one.
    pub to: Stamp,
    /// Messages that interrupt, to everybody. The same by several channels is one.
    pub messages: usize,
    /// Of the person who was told most, per room and day; at most 1 is this project's figure, after the
    /// average of ANSI/ISA-18.2 clause 16, which is per operating position. `None` without rooms.
    pub per_room_day: Option<f64>,
    /// Most messages to one person about one room in one day, and when that day began.
    pub worst_day: Option<(Stamp, usize)>,
    /// Most messages to one person in any ten minutes; at most 10 (ANSI/ISA-18.2 clause 16; EEMUA 191).
    pub most_in_window: usize,
    /// Ten-minute windows, end to end from the beginning.
    pub windows: usize,
    /// Those in which one person got more than ten; below 1 % (ANSI/ISA-18.2 clause 16).
    pub windows_above: usize,
    /// Not counted as messages.
    pub reminders: usize,
    /// Not counted as messages.
    pub summaries: usize,
    /// Not counted as messages.
    pub tests: usize,
    /// Alerts raised.
    pub raised: usize,
    /// Of these low, medium and high; about 80, 15 and 5 % (ANSI/ISA-18.2 clause 16).
    pub by_priority: [usize; 3],
    /// Alerts that were raised three times within an hour; none (ANSI/ISA-18.2 clause 16).
    pub chattering: BTreeSet<(Kind, Subject)>,
    /// Alerts that were over within ten minutes; none (ANSI/ISA-18.2 clause 16).
    pub fleeting: usize,
    /// Most alerts active for more than 24 hours on one day, and when that day began; fewer than 5
    /// (ANSI/ISA-18.2 clause 16).
    pub stale_worst: Option<(Stamp, usize)>,
    /// Alerts active for more than 24 hours at the end.
    pub stale_now: usize,
    /// Longest that an alert raised in the period waited to be acknowledged, in milliseconds
    /// (OPC 10000-9 clause 9.2).
    pub longest_unacknowledged_ms: Option<i64>,
    /// Median time in which people acknowledged what they acknowledged, in milliseconds: a figure of this
    /// project.
    pub median_to_acknowledge_ms: Option<i64>,
    /// The alert raised most often; no more than a quarter of all is this project's figure, as the share
    /// of the ten most frequent (ANSI/ISA-18.2 clause 16) says nothing of a dozen alerts.
    pub most_frequent: Option<Frequent>,
}

/// The figures of the period from `from` to before `to`, for a store of so many rooms.
///
/// `alerts` are those raised before `to` and not over by [`BEFORE_MS`] before `from`; rows that do not
/// concern the period change nothing.
pub fn figures(
    alerts: &[Raised],
    messages: &[Told],
    rooms: usize,
    from: Stamp,
    to: Stamp,
) -> Figures {
    let within = |at: Stamp| from <= at && at < to;
    let length = to.since(from).max(0);
    let mut alerts: Vec<&Raised> = alerts.iter().filter(|a| a.raised_at < to).collect();
    alerts.sort_by(|a, b| {
        let key = |r: &Raised| (r.kind, r.subject.clone(), r.raised_at, r.priority);
        key(a).cmp(&key(b))
    });
    let raised: Vec<&Raised> = alerts
        .iter()
        .copied()
        .filter(|a| within(a.raised_at))
        .collect();
    let mut by_priority = [0; 3];
    for a in &raised {
        by_priority[a.priority as usize] += 1;
    }
    let stretches = stretches(&alerts);
    let fleeting = |s: &&Stretch<'_>| {
        // That the recorder was off is told when it is over: it is never active.
        within(s.from)
            && s.kind != Kind::RecorderOff
            && s.to.is_some_and(|end| end.since(s.from) < FLEETING_MS)
    };
    // A message by several channels is one.
    let told: BTreeSet<&Told> = messages.iter().filter(|m| within(m.at)).collect();
    let of_sort = |sort| told.iter().filter(|m| m.sort == sort).count();
    let waits = waits(&alerts, from, to);
    let counted = Counted::of(&told, from);
    Figures {
        from,
        to,
        messages: of_sort(Sort::Alert),
        per_room_day: (0 < rooms && 0 < length)
            .then(|| counted.most_to_one as f64 / (rooms as f64 * (length as f64 / DAY_MS as f64))),
        worst_day: counted.worst_day,
        most_in_window: counted.most_in_window,
        windows: pieces(length, WINDOW_MS),
        windows_above: counted.windows_above,
        reminders: of_sort(Sort::Reminder),
        summaries: of_sort(Sort::Summary),
        tests: of_sort(Sort::Test),
        raised: raised.len(),
        by_priority,
        chattering: chattering(&alerts, from, to),
        fleeting: stretches.iter().filter(fleeting).count(),
        stale_worst: stale_worst(&stretches, from, to),
        stale_now: stretches
            .iter()
            .filter(|s| STALE_MS < to.since(s.from) && s.to.is_none_or(|end| to <= end))
            .count(),
        longest_unacknowledged_ms: waits.iter().copied().max(),
        median_to_acknowledge_ms: median(
            raised
                .iter()
                .filter_map(|a| Some(a.acknowledged_at?.since(a.raised_at)))
                .collect(),
        ),
        most_frequent: most_frequent(&raised),
    }
}

fn pieces(length: i64, each: i64) -> usize {
    usize::try_from((length + each - 1) / each).unwrap_or_default()
}

/// A time in which one alert was active without a break, whatever its rung.
struct Stretch<'a> {
    kind: Kind,
    subject: &'a Subject,
    from: Stamp,
    to: Option<Stamp>,
}

/// Of alerts in order of kind, subject and time. A rung that follows another, or a raising anew of what
/// goes on, is no end.
fn stretches<'a>(alerts: &[&'a Raised]) -> Vec<Stretch<'a>> {
    let mut all: Vec<Stretch<'a>> = Vec::new();
    for a in alerts {
        let before = all
            .last_mut()
            .filter(|s| s.kind == a.kind && *s.subject == a.subject)
            // Of two raisings in one millisecond the second is named a millisecond later.
            .filter(|s| s.to.is_none_or(|end| a.raised_at <= end.plus(1)));
        match before {
            Some(s) => s.to = a.ended_at.map(|end| s.to.map_or(end, |to| end.max(to))),
            None => all.push(Stretch {
                kind: a.kind,
                subject: &a.subject,
                from: a.raised_at,
                to: a.ended_at,
            }),
        }
    }
    all
}

fn stale_worst(stretches: &[Stretch<'_>], from: Stamp, to: Stamp) -> Option<(Stamp, usize)> {
    let days = pieces(to.since(from).max(0), DAY_MS) as i64;
    let mut worst: Option<(Stamp, usize)> = None;
    for day in 0..days {
        let begin = from.plus(day * DAY_MS);
        let end = begin.plus(DAY_MS).min(to);
        let n = stretches
            .iter()
            .filter(|s| {
                let stale = s.from.plus(STALE_MS);
                stale < end && s.to.is_none_or(|over| begin.max(stale) < over)
            })
            .count();
        if worst.map_or(0, |(_, most)| most) < n {
            worst = Some((begin, n));
        }
    }
    worst
}

/// Alerts in order of kind, subject and time that reached their third raising within an hour in the
/// period.
fn chattering(alerts: &[&Raised], from: Stamp, to: Stamp) -> BTreeSet<(Kind, Subject)> {
    alerts
        .windows(CHATTER)
        .filter(|run| {
            let (first, last) = (run[0], run[CHATTER - 1]);
            first.kind == last.kind
                && first.subject == last.subject
                && last.raised_at.since(first.raised_at) <= CHATTER_MS
                && from <= last.raised_at
                && last.raised_at < to
        })
        .map(|run| (run[0].kind, run[0].subject.clone()))
        .collect()
}

/// How long each alert raised in the period waited for somebody to see it, up to its end: until it was
/// acknowledged, or its next raising took its place, or nothing was asked for any more.
fn waits(alerts: &[&Raised], from: Stamp, to: Stamp) -> Vec<i64> {
    let mut all = Vec::new();
    for (i, a) in alerts.iter().enumerate() {
        if a.raised_at < from {
            continue;
        }
        let next = alerts
            .get(i + 1)
            .filter(|n| n.kind == a.kind && n.subject == a.subject)
            .map(|n| n.raised_at);
        let closed = a.ended_at.filter(|_| !a.open);
        let until = a.acknowledged_at.or(next).or(closed).unwrap_or(to).min(to);
        all.push(until.since(a.raised_at).max(0));
    }
    all
}

fn median(mut times: Vec<i64>) -> Option<i64> {
    times.sort_unstable();
    let (low, high) = (times.len().checked_sub(1)? / 2, times.len() / 2);
    Some(i64::midpoint(times[low], times[high]))
}

fn most_frequent(raised: &[&Raised]) -> Option<Frequent> {
    let mut times: BTreeMap<(Kind, &Subject), (usize, &Raised)> = BTreeMap::new();
    for a in raised {
        times.entry((a.kind, &a.subject)).or_insert((0, a)).0 += 1;
    }
    // Of several with the same count the first in order.
    let (n, a) = times.into_values().rev().max_by_key(|(n, _)| *n)?;
    Some(Frequent {
        kind: a.kind,
        subject: a.subject.clone(),
        room: a.room.clone(),
        times: n,
    })
}

struct Counted {
    most_to_one: usize,
    worst_day: Option<(Stamp, usize)>,
    most_in_window: usize,
    windows_above: usize,
}

impl Counted {
    fn of(told: &BTreeSet<&Told>, from: Stamp) -> Self {
        let piece = |at: Stamp, each: i64| at.since(from) / each;
        let mut people: BTreeMap<&str, Vec<Stamp>> = BTreeMap::new();
        let mut days: BTreeMap<(i64, &str, &str), usize> = BTreeMap::new();
        let mut windows: BTreeMap<(i64, &str), usize> = BTreeMap::new();
        // In order of time, because that is the order of the set.
        for m in told.iter().filter(|m| m.sort == Sort::Alert) {
            people.entry(&m.contact).or_default().push(m.at);
            let day = (piece(m.at, DAY_MS), m.contact.as_str(), m.room.as_str());
            *days.entry(day).or_default() += 1;
            let window = (piece(m.at, WINDOW_MS), m.contact.as_str());
            *windows.entry(window).or_default() += 1;
        }
        let flooded: BTreeSet<i64> = windows
            .into_iter()
            .filter(|(_, n)| FLOOD < *n)
            .map(|((window, _), _)| window)
            .collect();
        let mut worst_day: Option<(Stamp, usize)> = None;
        for ((day, ..), n) in days {
            if worst_day.map_or(0, |(_, most)| most) < n {
                worst_day = Some((from.plus(day * DAY_MS), n));
            }
        }
        Self {
            most_to_one: people.values().map(Vec::len).max().unwrap_or_default(),
            worst_day,
            most_in_window: people.values().map(|p| crowd(p)).max().unwrap_or_default(),
            windows_above: flooded.len(),
        }
    }
}

/// Most instants of an ordered list that lie within one window, wherever it begins.
fn crowd(times: &[Stamp]) -> usize {
    let mut first = 0;
    let mut most = 0;
    for (i, at) in times.iter().enumerate() {
        while WINDOW_MS <= at.since(times[first]) {
            first += 1;
        }
        most = most.max(i + 1 - first);
    }
    most
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn at(hours: f64) -> Stamp {
        Stamp((hours * HOUR_MS as f64) as i64)
    }

    fn alert(kind: Kind, priority: Priority, from: f64, to: Option<f64>) -> Raised {
        Raised {
            raised_at: at(from),
            acknowledged_at: None,
            ended_at: to.map(at),
            open: to.is_none(),
            priority,
            kind,
            subject: Subject::Room("cellar".to_owned()),
            room: "cellar".to_owned(),
        }
    }

    fn told(hours: f64, contact: &str, sort: Sort, about: &str) -> Told {
        Told {
            at: at(hours),
            contact: contact.to_owned(),
            room: "cellar".to_owned(),
            sort,
            about: about.to_owned(),
        }
    }

    /// Three days (72 hours) of two rooms, worked by hand:
    ///
    /// - Dry (low) from hour 1; a worse rung (medium) follows at 13 and is over at 50. Active from 1 to
    ///   50, so stale from 25 to 50: on the second day (24 to 48) and the third (48 to 72), not at the
    ///   end. The low one waits until the medium one takes its place: 12 h. The medium one is seen at 15:
    ///   2 h.
    /// - Damp (low) at 30.0, 30.3 and 30.9, each 6 minutes long, none seen by anybody: the three within
    ///   54 minutes chatter, all three are fleeting. They wait 0.3 h, 0.6 h, and, closed, 0.1 h.
    /// - Frost (high) at 71, active and unseen at the end: waits 1 h.
    /// - The recorder was off (medium), raised and over at 60, seen at 64: 4 h; not fleeting.
    ///
    /// Raised are 2 + 3 + 1 + 1 = 7: low 4, medium 2, high 1. Most often Damp, 3 times. Longest wait
    /// 12 h; seen were two, after 2 h and 4 h: median 3 h.
    ///
    /// Odile gets one message by two channels at 1, and twelve at 30.0 to 30.11 a minute apart, the
    /// window from 30.0 to 30.167 holding ten of them: none above ten. In any ten minutes at most ten.
    /// She also gets a reminder, a summary and a test. Hale gets one at 71. So 14 count; most to one is
    /// 13: 13 / (2 rooms x 3 days) = 2.17. Worst day is the second with 12. Windows: 72 x 6 = 432.
    #[test]
    fn an_example_worked_by_hand() {
        use Priority::{High, Low, Medium};
        let alerts = [
            Raised {
                open: false,
                ..alert(Kind::DryOut, Low, 1.0, Some(13.0))
            },
            Raised {
                acknowledged_at: Some(at(15.0)),
                ..alert(Kind::DryOut, Medium, 13.0, Some(50.0))
            },
            alert(Kind::RotRisk, Low, 30.0, Some(30.1)),
            alert(Kind::RotRisk, Low, 30.3, Some(30.4)),
            alert(Kind::RotRisk, Low, 30.9, Some(31.0)),
            alert(Kind::Frost, High, 71.0, None),
            Raised {
                acknowledged_at: Some(at(64.0)),
                subject: Subject::Recorder,
                ..alert(Kind::RecorderOff, Medium, 60.0, Some(60.0))
            },
        ];
        let mut messages = vec![
            told(1.0, "Odile", Sort::Alert, "a"),
            told(1.0, "Odile", Sort::Alert, "a"),
            told(17.0, "Odile", Sort::Reminder, "b"),
            told(31.0, "Odile", Sort::Summary, "c"),
            told(31.0, "Odile", Sort::Test, "d"),
            told(71.0, "Hale", Sort::Alert, "e"),
        ];
        for n in 0..12 {
            messages.push(Told {
                at: at(30.0).plus(n * MINUTE_MS),
                ..told(30.0, "Odile", Sort::Alert, "f")
            });
        }
        let f = figures(&alerts, &messages, 2, at(0.0), at(72.0));
        assert_eq!(f.messages, 14);
        assert!((f.per_room_day.unwrap() - 13.0 / 6.0).abs() < 1e-9);
        assert_eq!(f.worst_day, Some((at(24.0), 12)));
        assert_eq!(f.most_in_window, 10);
        assert_eq!((f.windows, f.windows_above), (432, 0));
        assert_eq!((f.reminders, f.summaries, f.tests), (1, 1, 1));
        assert_eq!((f.raised, f.by_priority), (7, [4, 2, 1]));
        let damp = (Kind::RotRisk, Subject::Room("cellar".to_owned()));
        assert_eq!(f.chattering, BTreeSet::from([damp]));
        assert_eq!(f.fleeting, 3);
        assert_eq!(f.stale_worst, Some((at(24.0), 1)));
        assert_eq!(f.stale_now, 0);
        assert_eq!(f.longest_unacknowledged_ms, Some(12 * HOUR_MS));
        assert_eq!(f.median_to_acknowledge_ms, Some(3 * HOUR_MS));
        let most = f.most_frequent.unwrap();
        assert_eq!((most.kind, most.times), (Kind::RotRisk, 3));
        // An eleventh at the same time tips the window.
        messages.push(told(30.0, "Odile", Sort::Alert, "g"));
        let f = figures(&alerts, &messages, 2, at(0.0), at(72.0));
        assert_eq!((f.most_in_window, f.windows_above), (11, 1));
        // Looked at while it was still stale.
        assert_eq!(figures(&alerts, &[], 2, at(0.0), at(40.0)).stale_now, 1);
    }

    #[test]
    fn a_period_in_which_nothing_happened_has_figures_too() {
        let f = figures(&[], &[], 1, at(0.0), at(24.0));
        assert_eq!((f.windows, f.raised, f.messages), (144, 0, 0));
        assert_eq!(f.per_room_day, Some(0.0));
        assert_eq!(f.most_frequent, None);
        assert_eq!(figures(&[], &[], 0, at(1.0), at(1.0)).per_room_day, None);
    }

    prop_compose! {
        fn raised()(
            kind in 0usize..4, from in 0i64..8 * 144, ticks in proptest::option::of(0i64..400),
            seen in proptest::option::of(0i64..200), priority in 0usize..3,
        ) -> Raised {
            let raised_at = Stamp(from * WINDOW_MS + kind as i64);
            Raised {
                raised_at,
                acknowledged_at: seen.map(|n| raised_at.plus(n * WINDOW_MS)),
                ended_at: ticks.map(|n| raised_at.plus(n * MINUTE_MS)),
                open: ticks.is_none(),
                priority: [Priority::Low, Priority::Medium, Priority::High][priority],
                kind: Kind::ALL[kind],
                subject: Subject::Recorder,
                room: String::new(),
            }
        }
    }
    prop_compose! {
        fn message()(minute in 0i64..8 * 1440, who in 0u8..2, sort in 0usize..4, about in 0u8..9) -> Told {
            Told {
                at: Stamp(minute * MINUTE_MS),
                contact: who.to_string(),
                room: String::new(),
                sort: [Sort::Alert, Sort::Reminder, Sort::Summary, Sort::Test][sort],
                about: about.to_string(),
            }
        }
    }

    proptest! {
        /// Two halves of a period come to the whole, cut between two days.
        #[test]
        fn halves_add_up(
            alerts in proptest::collection::vec(raised(), 0..40),
            messages in proptest::collection::vec(message(), 0..60),
            cut in 1i64..7,
        ) {
            let (from, cut, to) = (Stamp(0), Stamp(cut * DAY_MS), Stamp(8 * DAY_MS));
            let whole = figures(&alerts, &messages, 2, from, to);
            let first = figures(&alerts, &messages, 2, from, cut);
            let second = figures(&alerts, &messages, 2, cut, to);
            let counts = |f: &Figures| [
                f.messages, f.windows, f.windows_above, f.reminders, f.summaries, f.tests, f.raised,
                f.by_priority[0], f.by_priority[1], f.by_priority[2],
            ];
            for ((a, b), all) in counts(&first).into_iter().zip(counts(&second)).zip(counts(&whole)) {
                prop_assert_eq!(a + b, all);
            }
            prop_assert_eq!(&(&first.chattering | &second.chattering), &whole.chattering);
            prop_assert!(first.most_in_window.max(second.most_in_window) <= whole.most_in_window);
            let most = |f: &Figures| f.worst_day.map_or(0, |d| d.1);
            prop_assert_eq!(most(&first).max(most(&second)), most(&whole));
            prop_assert_eq!(whole.by_priority.iter().sum::<usize>(), whole.raised);
        }
    }
}
