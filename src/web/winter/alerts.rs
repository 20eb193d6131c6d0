//! What the program said over the winter and what people did, in words and tables.

use std::fmt::Write as _;

use chrono::TimeDelta;

use super::part::{Part, Rows, hours, moment};
use crate::{
    notify::{
        kinds::reason,
        words::{Manner, NB, count, span, thousands},
    },
    season::{
        account::Account,
        responses::{OneAlert, Responses},
    },
    watch::{Priority, models::Target},
};

/// Alerts that are named; the file of alerts has them all.
const NAMED: usize = 40;
/// What was done later than this after an alert is told with its day.
const A_DAY: TimeDelta = TimeDelta::days(1);

/// The part.
pub fn part(account: &Account, manner: Manner) -> Part {
    let r = &account.responses;
    let mut tables = Vec::new();
    tables.extend(kinds(r));
    tables.extend(named(r, manner));
    tables.push(standard(r));
    tables.extend(forecasts(r));
    tables.extend(rounds(r));
    tables.extend(messages(r));
    Part {
        id: "alerts".to_owned(),
        title: "Alerts, and what was done".to_owned(),
        words: words(r),
        pictures: Vec::new(),
        tables,
    }
}

fn minutes(min: f64) -> String {
    span((min * 60_000.0) as i64)
}

fn words(r: &Responses) -> Vec<String> {
    let mut out = Vec::new();
    if r.alerts.is_empty() {
        out.push("No alert was raised.".to_owned());
    } else {
        let seen = r.alerts.iter().filter(|a| a.seen.is_some()).count();
        let mut first = format!(
            "{} raised, {} of them seen by a person",
            count(r.alerts.len(), "alert was", "alerts were"),
            thousands(seen as i64)
        );
        if let Some(median) = r.standard.median_seen_min {
            let _ = write!(first, "; half of these within {}", minutes(median));
        }
        first.push('.');
        out.push(first);
    }
    if 0 < r.rounds.due {
        out.push(format!(
            "{} due, counted by crate: {} in time, {} late, {} missed.",
            count(r.rounds.due as usize, "look was", "looks were"),
            thousands(i64::from(r.rounds.in_time)),
            thousands(i64::from(r.rounds.late)),
            thousands(i64::from(r.rounds.missed))
        ));
    }
    out
}

fn priority(p: Priority) -> &'static str {
    match p {
        Priority::High => "act now",
        Priority::Medium => "act today",
        Priority::Low => "look soon",
    }
}

fn kinds(r: &Responses) -> Option<Rows> {
    let mut rows = Rows::new(
        "By kind",
        &[
            "Alert",
            "Priority",
            "Raised",
            "Seen",
            "Half of them within",
            "The longest",
        ],
    )
    .open();
    let dash = || "\u{2013}".to_owned();
    for c in &r.counts {
        rows.push([
            reason(c.kind).name.to_owned(),
            priority(c.priority).to_owned(),
            thousands(i64::from(c.raised)),
            thousands(i64::from(c.seen)),
            c.median_min.map_or_else(dash, minutes),
            c.longest_min.map_or_else(dash, minutes),
        ]);
    }
    (!rows.rows.is_empty()).then_some(rows)
}

/// `north wall probe`, of `sensor north`.
fn subject(alert: &OneAlert) -> String {
    let (kind, name) = alert
        .subject
        .split_once(' ')
        .unwrap_or(("", &alert.subject));
    match kind {
        "room" => name.to_owned(),
        "crate" => format!("crate {name}, {}", alert.room),
        "sensor" => format!("sensor {name}"),
        "channel" => format!("channel {name}"),
        _ => alert.subject.clone(),
    }
}

fn named(r: &Responses, manner: Manner) -> Option<Rows> {
    if r.alerts.is_empty() {
        return None;
    }
    let mut rows = Rows::new(
        "Alert by alert",
        &[
            "Raised",
            "What",
            "Where",
            "Priority",
            "Lasted",
            "Seen",
            "What was done",
        ],
    );
    // The most urgent first where not all can be named, then in order of time.
    let mut chosen: Vec<&OneAlert> = r.alerts.iter().collect();
    chosen.sort_by(|a, b| b.priority.cmp(&a.priority).then(a.raised.cmp(&b.raised)));
    chosen.truncate(NAMED);
    chosen.sort_by_key(|a| a.raised);
    for a in &chosen {
        let seen = match (a.seen_after_min, &a.seen_by) {
            (Some(min), Some(who)) if !who.is_empty() => format!("after {}, {who}", minutes(min)),
            (Some(min), _) => format!("after {}", minutes(min)),
            (None, _) => "by nobody".to_owned(),
        };
        let mut done: Vec<String> = a
            .answers
            .iter()
            .map(|x| {
                let mut what = x.what.replace('-', " ");
                if !x.detail.is_empty() {
                    let _ = write!(what, ": {}", x.detail);
                }
                // What came later is of its own day.
                if A_DAY < x.at - a.raised {
                    what = format!("{}: {what}", manner.day(x.at.into()));
                }
                what
            })
            .collect();
        done.extend(a.after.iter().map(|x| {
            format!(
                "{} ({})",
                x.what.replace('-', " "),
                count(x.crates as usize, "crate", "crates")
            )
        }));
        rows.push([
            moment(a.raised, manner),
            reason(a.kind).name.to_owned(),
            subject(a),
            priority(a.priority).to_owned(),
            a.hours.map_or_else(|| "not over".to_owned(), hours),
            seen,
            done.join("; "),
        ]);
    }
    let mut note = "That something was done because of an alert nobody knows; it was done about that room or its sensors within a day of it, or while it stood.".to_owned();
    if chosen.len() < r.alerts.len() {
        note = format!(
            "The most urgent of {}. {note}",
            thousands(r.alerts.len() as i64)
        );
    }
    Some(rows.noting(&note))
}

fn standard(r: &Responses) -> Rows {
    let s = &r.standard;
    let mut rows = Rows::new(
        "How well the alerts did",
        &["Figure", "This winter", "Mark"],
    );
    let mut line = |name: &str, value: String, mark: &str| {
        rows.push([name.to_owned(), value, mark.to_owned()]);
    };
    line("Messages that interrupt", thousands(s.messages as i64), "");
    if let Some(per) = s.per_room_day {
        line(
            "To the person told most, per room and day",
            format!("{per:.2}"),
            "at most 1",
        );
    }
    line(
        "Most to one person in ten minutes",
        s.most_in_window.to_string(),
        "at most 10",
    );
    if 0 < s.windows {
        let share = 100.0 * s.windows_above as f64 / s.windows as f64;
        line(
            "Ten minutes with more than ten",
            format!("{share:.2}{NB}%"),
            "below 1 %",
        );
    }
    let [low, medium, high] = s.by_priority;
    line(
        "Look soon, act today, act now",
        format!("{low}, {medium}, {high}"),
        "about 80, 15, 5 %",
    );
    line(
        "Raised three times within an hour",
        s.chattering.len().to_string(),
        "none",
    );
    line("Over within ten minutes", s.fleeting.to_string(), "none");
    line(
        "Most that stood for more than a day",
        s.stale_worst.to_string(),
        "fewer than 5",
    );
    if let Some(longest) = s.longest_unseen_min {
        line("Longest that one waited to be seen", minutes(longest), "");
    }
    if let Some(f) = &s.most_frequent {
        line(
            "Raised most often",
            format!("{} ({}), {} times", reason(f.kind).name, f.subject, f.times),
            "no more than a quarter of all",
        );
    }
    rows.noting("Marks of ANSI/ISA-18.2-2016, clause 16, and EEMUA 191 as commonly reported; at most one message per room and day and the quarter are of this program.")
}

fn target(t: Target) -> &'static str {
    match t {
        Target::Frost => "freezing",
        Target::Cold => "too cold",
        Target::Warm => "too warm",
        Target::Dry => "too dry",
        Target::Damp => "too damp",
    }
}

fn forecasts(r: &Responses) -> Option<Rows> {
    let mut rows = Rows::new(
        "Forecasts, and how many came true",
        &[
            "Warned of",
            "Made",
            "Came true",
            "Did not",
            "Nobody was looking",
            "Not over",
            "Half of those that came, hours before",
        ],
    );
    for f in &r.forecasts {
        rows.push([
            target(f.target).to_owned(),
            thousands(i64::from(f.made)),
            thousands(i64::from(f.came)),
            thousands(i64::from(f.not)),
            thousands(i64::from(f.unseen)),
            thousands(i64::from(f.open)),
            f.median_lead_h.map_or_else(|| "\u{2013}".to_owned(), hours),
        ]);
    }
    if rows.rows.is_empty() {
        return None;
    }
    let note = if r.forecasts_complete {
        ""
    } else {
        "Older forecasts of this winter are not kept any more."
    };
    Some(rows.noting(note))
}

fn rounds(r: &Responses) -> Option<Rows> {
    let mut rows = Rows::new(
        "Looks at crates",
        &["Crate", "Room", "In time", "Late", "Missed", "Extra looks"],
    );
    let mut crates: Vec<_> = r.rounds.crates.iter().collect();
    crates.sort_by(|a, b| {
        b.missed
            .cmp(&a.missed)
            .then_with(|| crate::stock::place::natural(&a.krate, &b.krate))
    });
    for c in crates {
        rows.push([
            c.krate.clone(),
            c.room.clone(),
            c.in_time.to_string(),
            c.late.to_string(),
            c.missed.to_string(),
            c.early.to_string(),
        ]);
    }
    (!rows.rows.is_empty()).then_some(rows)
}

fn messages(r: &Responses) -> Option<Rows> {
    let mut rows = Rows::new("Messages", &["For", "Delivered", "Given up", "Waiting"]);
    for m in &r.messages {
        rows.push([
            m.purpose.replace('-', " "),
            thousands(i64::from(m.sent)),
            thousands(i64::from(m.given_up)),
            thousands(i64::from(m.waiting)),
        ]);
    }
    (!rows.rows.is_empty()).then_some(rows)
}
