//! What the program said over a period and what people did: alerts, messages, forecasts, rounds, checks.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Months, NaiveDate};

mod shape;

pub use shape::{
    After, Answer, Check, Count, Forecasts, Frequent, Heard, Off, OneAlert, Purpose, Responses,
    Rounds, Standard, Warned,
};

use super::{
    alerting::{self, Raised, Sort, Told},
    calendar::Calendar,
    conditions::thousandths,
    deeds::{self, CrateRounds, Deeds, Done},
};
use crate::{
    stock::{
        Finding,
        due::CHECK_MONTHS,
        ledger::{CrateId, Entry},
    },
    watch::{
        Act, Kind, Occurrence, Priority, Settings, Stage, Stamp, Subject,
        models::{Forecast, Outcome, TRUE_WITHIN_MS, Target},
        reading::{HOUR_MS, MINUTE_MS},
    },
};

/// What is done to crates within this of an alert is told with it, in milliseconds: by the evening of the
/// next day at the latest somebody has been there. A figure of this project.
pub const FOLLOWED_MS: i64 = 24 * HOUR_MS;
/// A warning of mould or of lost weight came true if a look found it within this, in milliseconds: each
/// crate is looked at once a month (`stock::round`). A figure of this project.
pub const FOUND_MS: i64 = 30 * 24 * HOUR_MS;

/// One raising of one alert, as the record has it.
#[derive(Debug, Clone, PartialEq)]
pub struct Alerted {
    /// Which raising.
    pub occurrence: Occurrence,
    /// The room it was in; may be empty.
    pub room: String,
    /// Its last priority.
    pub priority: Priority,
    /// When it was over, or followed by a worse one.
    pub ended_at: Option<Stamp>,
    /// When a person saw it.
    pub acknowledged_at: Option<Stamp>,
    /// Who that was.
    pub acknowledged_by: Option<String>,
    /// It still asks for something.
    pub open: bool,
}

/// An act as the log has it.
#[derive(Debug, Clone, PartialEq)]
pub struct Did {
    /// When.
    pub at: Stamp,
    /// By whom.
    pub who: String,
    /// What.
    pub act: Act,
}

/// One message by one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Sent {
    /// When it was owed.
    pub at: Stamp,
    /// To whom.
    pub contact: String,
    /// The room it was about; empty for several, or none.
    pub room: String,
    /// What for, as a word.
    pub purpose: String,
    /// The occurrences it told of.
    pub occurrences: Vec<String>,
    /// Whether it was delivered; none while it waits.
    pub delivered: Option<bool>,
}

/// What is known of a period.
#[derive(Debug, Clone)]
pub struct History<'a> {
    /// From this instant ...
    pub from: Stamp,
    /// ... to before this one.
    pub to: Stamp,
    /// The farm's calendar.
    pub calendar: &'a Calendar,
    /// Alerts raised before `to` and not over by [`alerting::BEFORE_MS`] before `from`.
    pub alerts: &'a [Alerted],
    /// Acts before `to`, from the first settings on, in the order of the log; starts of the recorder after
    /// `to` as well, since they tell when it was off.
    pub acts: &'a [Did],
    /// Messages owed in the period.
    pub messages: &'a [Sent],
    /// The ledger from its beginning, in its order.
    pub entries: &'a [Entry],
    /// Forecasts by the room they were made for.
    pub forecasts: &'a [(String, Forecast)],
    /// When the newest was made of the forecasts that are not kept.
    pub forgotten: Option<Stamp>,
    /// What sources said since the beginning.
    pub heard: &'a [Heard],
}

fn minutes(ms: i64) -> f64 {
    thousandths(ms as f64 / MINUTE_MS as f64)
}

fn in_hours(ms: i64) -> f64 {
    thousandths(ms as f64 / HOUR_MS as f64)
}

/// The middle one, or the mean of the two in the middle.
fn median(mut of: Vec<f64>) -> Option<f64> {
    of.sort_by(f64::total_cmp);
    let low = of.len().checked_sub(1)? / 2;
    Some(thousandths(f64::midpoint(of[low], of[of.len() / 2])))
}

/// What the program said from `from` to before `to`, and what people did.
pub fn responses(of: &History<'_>) -> Responses {
    let stages = stages(of.acts);
    let deeds = deeds::deeds(of.entries, &stages, of.calendar, of.from, of.to);
    let (settings, rooms) = settings(of.acts, of.to);
    let mut raised: Vec<&Alerted> = of
        .alerts
        .iter()
        .filter(|a| (of.from..of.to).contains(&a.occurrence.raised_at))
        .collect();
    raised.sort_by(|a, b| a.occurrence.cmp(&b.occurrence));
    let answers = Answers::of(of, settings);
    let alerts: Vec<OneAlert> = raised
        .iter()
        .map(|a| one(a, &answers, &deeds, of.to))
        .collect();
    let mut heard = of.heard.to_vec();
    heard.sort_by(|a, b| (&a.source, &a.sensor).cmp(&(&b.source, &b.sensor)));
    let offs = offs(of);
    Responses {
        from: of.from.to_utc(),
        to: of.to.to_utc(),
        counts: counts(&alerts),
        standard: standard(of, rooms),
        messages: purposes(of),
        forecasts: forecasts(of),
        forecasts_complete: of.forgotten.is_none_or(|at| at < of.from),
        warned: warned(of, &raised, &deeds),
        rounds: rounds(deeds.rounds),
        checks: settings.map_or_else(Vec::new, |s| checks(of, s)),
        off_h: thousandths(offs.iter().map(|o| o.hours).sum()),
        offs,
        heard,
        alerts,
    }
}

/// The settings in force at the end, and the most rooms there were at a time.
fn settings(acts: &[Did], to: Stamp) -> (Option<&Settings>, usize) {
    let each = acts.iter().filter(|d| d.at < to).filter_map(|d| {
        let Act::Settings(settings) = &d.act else {
            return None;
        };
        Some(settings)
    });
    each.fold((None, 0), |(_, most), s| (Some(s), most.max(s.rooms.len())))
}

/// What each room was said to be doing, by people and by the configuration where that said another thing
/// than before.
fn stages(acts: &[Did]) -> Vec<(Stamp, String, Stage)> {
    let mut configured: BTreeMap<&str, Stage> = BTreeMap::new();
    let mut all = Vec::new();
    for did in acts {
        match &did.act {
            Act::Settings(settings) => {
                for room in &settings.rooms {
                    if configured.insert(&room.name, room.stage) != Some(room.stage) {
                        all.push((did.at, room.name.clone(), room.stage));
                    }
                }
            }
            Act::Stage(staged) => all.push((did.at, staged.room.clone(), staged.stage)),
            _ => {}
        }
    }
    all
}

/// What people did, by what it was about.
struct Answers {
    /// By occurrence.
    to_alerts: BTreeMap<Occurrence, Vec<(Stamp, Answer)>>,
    /// By room, in order of time.
    in_rooms: BTreeMap<String, Vec<(Stamp, Answer)>>,
}

impl Answers {
    fn of(of: &History<'_>, settings: Option<&Settings>) -> Self {
        let mut rooms: BTreeMap<&str, &str> = BTreeMap::new();
        // Sensors that are gone by the end are known from before.
        let before = of.acts.iter().filter_map(|d| match &d.act {
            Act::Settings(settings) => Some(settings),
            _ => None,
        });
        for sensor in before.chain(settings).flat_map(|s| &s.sensors) {
            rooms.insert(sensor.name.as_str(), &sensor.room);
        }
        let mut all = Self {
            to_alerts: BTreeMap::new(),
            in_rooms: BTreeMap::new(),
        };
        for did in of.acts.iter().filter(|d| d.at < of.to) {
            let answer = |what: &str, detail: String| {
                let who = did.who.clone();
                let (at, what) = (did.at.to_utc(), what.to_owned());
                let answer = Answer {
                    at,
                    who,
                    what,
                    detail,
                };
                (did.at, answer)
            };
            let (occurrence, answer) = match &did.act {
                Act::Shelve(s) => (&s.occurrence, answer("shelved", s.reason.clone())),
                Act::Unshelve(n) => (&n.occurrence, answer("unshelved", String::new())),
                Act::Reset(n) => (&n.occurrence, answer("reset", String::new())),
                Act::Service(s) => {
                    let room = rooms.get(s.sensor.as_str()).copied().unwrap_or_default();
                    let answer = match &s.out {
                        Some(why) => answer("out-of-service", format!("{}: {why}", s.sensor)),
                        None => answer("in-service", s.sensor.to_string()),
                    };
                    let room = all.in_rooms.entry(deeds::key(room)).or_default();
                    room.push(answer);
                    continue;
                }
                Act::Stage(s) => {
                    let room = all.in_rooms.entry(deeds::key(&s.room)).or_default();
                    room.push(answer("stage", s.stage.as_str().to_owned()));
                    continue;
                }
                _ => continue,
            };
            let answers = all.to_alerts.entry(occurrence.clone()).or_default();
            answers.push(answer);
        }
        all
    }

    /// What was done about one alert, in order.
    fn about(&self, alert: &Alerted, to: Stamp) -> Vec<Answer> {
        let raised = alert.occurrence.raised_at;
        let until = raised.plus(FOLLOWED_MS);
        let until = alert.ended_at.unwrap_or(to).max(until).min(to);
        let own = self.to_alerts.get(&alert.occurrence).into_iter().flatten();
        let room = (!alert.room.is_empty())
            .then(|| self.in_rooms.get(&deeds::key(&alert.room)))
            .flatten()
            .map_or(&[][..], |all| span(all, |(at, _)| *at, raised, until));
        let mut all: Vec<&(Stamp, Answer)> = own.chain(room).collect();
        all.sort_by_key(|(at, _)| *at);
        all.into_iter().map(|(_, answer)| answer.clone()).collect()
    }
}

/// Those of a list in order of time from one instant to before another.
fn span<T>(all: &[T], at: impl Fn(&T) -> Stamp, from: Stamp, to: Stamp) -> &[T] {
    let first = all.partition_point(|t| at(t) < from);
    let last = all.partition_point(|t| at(t) < to).max(first);
    &all[first..last]
}

/// Kinds that say nothing of crates.
fn is_technical(kind: Kind) -> bool {
    matches!(
        kind,
        Kind::Silent | Kind::Battery | Kind::RecorderOff | Kind::ChannelFailing
    )
}

fn one(alert: &Alerted, answers: &Answers, deeds: &Deeds, to: Stamp) -> OneAlert {
    let Occurrence {
        raised_at,
        kind,
        ref subject,
        ..
    } = alert.occurrence;
    // What came after the period is not known in it.
    let ended = alert.ended_at.filter(|at| *at < to);
    let seen = alert.acknowledged_at.filter(|at| *at < to);
    OneAlert {
        kind,
        subject: subject.to_string(),
        room: alert.room.clone(),
        priority: alert.priority,
        raised: raised_at.to_utc(),
        ended: ended.map(Stamp::to_utc),
        hours: ended.map(|at| in_hours(at.since(raised_at))),
        seen: seen.map(Stamp::to_utc),
        seen_after_min: seen.map(|at| minutes(at.since(raised_at))),
        seen_by: alert.acknowledged_by.clone().filter(|_| seen.is_some()),
        answers: answers.about(alert, to),
        after: after(alert, deeds),
    }
}

fn after(alert: &Alerted, deeds: &Deeds) -> Vec<After> {
    let from = alert.occurrence.raised_at;
    let done = deeds.by_room.get(&deeds::key(&alert.room));
    let Some(done) = done.filter(|_| !is_technical(alert.occurrence.kind)) else {
        return Vec::new();
    };
    let own = |done: &&Done| match &alert.occurrence.subject {
        Subject::Crate(code) => done.krate.eq_ignore_ascii_case(code),
        _ => true,
    };
    let mut by_what: BTreeMap<&str, (Stamp, BTreeSet<CrateId>)> = BTreeMap::new();
    let within = span(done, |d| d.at, from, from.plus(FOLLOWED_MS));
    for done in within.iter().filter(own) {
        let (_, crates) = by_what
            .entry(done.what)
            .or_insert((done.at, BTreeSet::new()));
        crates.insert(done.id);
    }
    let mut all: Vec<After> = by_what
        .into_iter()
        .map(|(what, (first, crates))| After {
            what: what.to_owned(),
            crates: u32::try_from(crates.len()).unwrap_or(u32::MAX),
            first_at: first.to_utc(),
        })
        .collect();
    all.sort_by_key(|a| a.first_at);
    all
}

fn counts(alerts: &[OneAlert]) -> Vec<Count> {
    let mut by: BTreeMap<(Kind, Priority), (u32, Vec<f64>)> = BTreeMap::new();
    for alert in alerts {
        let (raised, seen) = by.entry((alert.kind, alert.priority)).or_default();
        *raised += 1;
        seen.extend(alert.seen_after_min);
    }
    let urgency = Kind::ALL.into_iter().flat_map(|kind| {
        use Priority::{High, Low, Medium};
        [High, Medium, Low].map(|priority| (kind, priority))
    });
    urgency
        .filter_map(|of| {
            let (raised, seen) = by.remove(&of)?;
            let (kind, priority) = of;
            Some(Count {
                kind,
                priority,
                raised,
                seen: u32::try_from(seen.len()).unwrap_or(u32::MAX),
                longest_min: seen.iter().copied().max_by(f64::total_cmp),
                median_min: median(seen),
            })
        })
        .collect()
}

fn standard(of: &History<'_>, rooms: usize) -> Standard {
    let alerts: Vec<Raised> = of
        .alerts
        .iter()
        .map(|a| Raised {
            raised_at: a.occurrence.raised_at,
            acknowledged_at: a.acknowledged_at,
            ended_at: a.ended_at,
            open: a.open,
            priority: a.priority,
            kind: a.occurrence.kind,
            subject: a.occurrence.subject.clone(),
            room: a.room.clone(),
        })
        .collect();
    let messages: Vec<Told> = of
        .messages
        .iter()
        .map(|m| Told {
            at: m.at,
            contact: m.contact.clone(),
            room: m.room.clone(),
            sort: Sort::of(&m.purpose),
            about: format!("{} {}", m.purpose, m.occurrences.join("\n")),
        })
        .collect();
    let f = alerting::figures(&alerts, &messages, rooms, of.from, of.to);
    let most = |worst: Option<(Stamp, usize)>| worst.map_or(0, |(_, n)| n);
    let when = |worst: Option<(Stamp, usize)>| worst.map(|(at, _)| at.to_utc());
    Standard {
        messages: f.messages,
        per_room_day: f.per_room_day.map(thousandths),
        worst_day: most(f.worst_day),
        worst_day_from: when(f.worst_day),
        most_in_window: f.most_in_window,
        windows: f.windows,
        windows_above: f.windows_above,
        raised: f.raised,
        by_priority: f.by_priority,
        chattering: f
            .chattering
            .into_iter()
            .map(|(kind, subject)| (kind, subject.to_string()))
            .collect(),
        fleeting: f.fleeting,
        stale_worst: most(f.stale_worst),
        stale_worst_from: when(f.stale_worst),
        stale_at_end: f.stale_now,
        longest_unseen_min: f.longest_unacknowledged_ms.map(minutes),
        median_seen_min: f.median_to_acknowledge_ms.map(minutes),
        most_frequent: f.most_frequent.map(|m| Frequent {
            kind: m.kind,
            subject: m.subject.to_string(),
            times: m.times,
        }),
    }
}

fn purposes(of: &History<'_>) -> Vec<Purpose> {
    let mut by: BTreeMap<&str, [u32; 3]> = BTreeMap::new();
    let within = |m: &&Sent| of.from <= m.at && m.at < of.to;
    for message in of.messages.iter().filter(within) {
        let [sent, given_up, waiting] = by.entry(&message.purpose).or_default();
        *match message.delivered {
            Some(true) => sent,
            Some(false) => given_up,
            None => waiting,
        } += 1;
    }
    by.into_iter()
        .map(|(purpose, [sent, given_up, waiting])| Purpose {
            purpose: purpose.to_owned(),
            sent,
            given_up,
            waiting,
        })
        .collect()
}

fn forecasts(of: &History<'_>) -> Vec<Forecasts> {
    let each = Target::ALL.into_iter().map(|target| {
        let made = || {
            of.forecasts
                .iter()
                .map(|(_, f)| f)
                .filter(|f| f.target == target && of.from <= f.made_at && f.made_at < of.to)
        };
        let count = |outcome| {
            let n = made().filter(|f| f.outcome == outcome).count();
            u32::try_from(n).unwrap_or(u32::MAX)
        };
        let [came, not, unseen, open] =
            [Outcome::Came, Outcome::Not, Outcome::Unseen, Outcome::Open].map(count);
        Forecasts {
            target,
            made: came + not + unseen + open,
            came,
            not,
            unseen,
            open,
            median_lead_h: median(made().filter_map(|f| f.came_after_h).collect()),
        }
    });
    each.filter(|f| 0 < f.made).collect()
}

/// What followed the warnings that were raised. Raised in the last days of a period, one may be followed
/// only after it; that is not counted.
fn warned(of: &History<'_>, raised: &[&Alerted], deeds: &Deeds) -> Vec<Warned> {
    let frosts: BTreeSet<(String, Stamp)> = of
        .alerts
        .iter()
        .filter(|a| a.occurrence.kind == Kind::Frost)
        .map(|a| (deeds::key(&a.room), a.occurrence.raised_at))
        .collect();
    let found = |room: &str, from: Stamp, finding: Finding| {
        let done = deeds.by_room.get(room).map_or(&[][..], Vec::as_slice);
        let within = span(done, |d| d.at, from, from.plus(FOUND_MS));
        within.iter().any(|d| d.finding == Some(finding))
    };
    let each = [Kind::FrostAhead, Kind::Mould, Kind::Shrink].map(|kind| {
        let mut count = Warned {
            kind,
            raised: 0,
            followed: 0,
        };
        for alert in raised.iter().filter(|a| a.occurrence.kind == kind) {
            let (room, at) = (deeds::key(&alert.room), alert.occurrence.raised_at);
            count.raised += 1;
            count.followed += u32::from(match kind {
                Kind::Mould => found(&room, at, Finding::Mould),
                Kind::Shrink => found(&room, at, Finding::Shrivelled),
                _ => {
                    let until = at.plus(TRUE_WITHIN_MS);
                    frosts.range((room.clone(), at)..=(room, until)).count() != 0
                }
            });
        }
        count
    });
    each.into_iter().filter(|w| 0 < w.raised).collect()
}

fn rounds(crates: Vec<CrateRounds>) -> Rounds {
    let mut all = Rounds::default();
    for krate in &crates {
        all.in_time += krate.in_time;
        all.late += krate.late;
        all.missed += krate.missed;
        all.early += krate.early;
    }
    all.due = all.in_time + all.late + all.missed;
    all.crates = crates;
    all
}

fn checks(of: &History<'_>, settings: &Settings) -> Vec<Check> {
    let last = of.calendar.wall(of.to.plus(-1)).date();
    let mut all: Vec<Check> = settings
        .sensors
        .iter()
        .map(|sensor| {
            let until = |day: NaiveDate| day.checked_add_months(Months::new(CHECK_MONTHS));
            // Who says what a sensor is off by has compared it.
            let entered = of.acts.iter().filter(|d| d.at < of.to);
            let compared = entered.filter_map(|did| match &did.act {
                Act::Corrected(c) if c.sensor == sensor.name => {
                    Some(of.calendar.wall(did.at).date())
                }
                _ => None,
            });
            let checked = compared.chain(sensor.checked).max();
            Check {
                sensor: sensor.name.to_string(),
                room: sensor.room.clone(),
                checked,
                in_date: checked.and_then(until).is_some_and(|d| last <= d),
            }
        })
        .collect();
    all.sort_by(|a, b| a.sensor.cmp(&b.sensor));
    all
}

fn offs(of: &History<'_>) -> Vec<Off> {
    let each = of.acts.iter().filter_map(|did| {
        let Act::Started(started) = &did.act else {
            return None;
        };
        let (from, to) = (started.off_from.max(of.from), did.at.min(of.to));
        (!started.stepped && from < to).then(|| Off {
            from: from.to_utc(),
            to: to.to_utc(),
            hours: in_hours(to.since(from)),
        })
    });
    each.collect()
}

#[cfg(test)]
mod tests;
