//! How complete the record is, in words and tables.

use std::fmt::Write as _;

use super::{
    part::{Part, Rows, day, hours, moment, share},
    rooms::capital,
};
use crate::{
    notify::words::{Manner, NB, count, thousands},
    season::{
        account::{Account, InForce},
        conditions::SensorWinter,
        responses::{Check, Heard},
    },
    watch::Role,
};

/// Times in which the recorder was off that are named.
const NAMED: usize = 20;

/// The part.
pub fn part(account: &Account, manner: Manner) -> Part {
    let record = &account.conditions.record;
    let mut words = vec![sentence(account)];
    if record.corrections.is_empty() {
        words.push("No sensor was corrected.".to_owned());
    } else {
        let n = count(record.corrections.len(), "correction", "corrections");
        words.push(format!("{n} of sensors applied to everything on this page; what the sensors said is kept as they said it."));
    }
    let mut tables = vec![sensors(&record.sensors, manner)];
    tables.extend(corrections(&record.corrections, manner));
    tables.extend(off(account, manner));
    tables.extend(checks(&account.responses.checks));
    tables.extend(heard(&account.responses.heard, manner));
    Part {
        id: "record".to_owned(),
        title: "The record".to_owned(),
        words,
        pictures: Vec::new(),
        tables,
    }
}

/// "97 % of the time is on record. The recorder was off twice, for 5 hours in all."
pub fn sentence(account: &Account) -> String {
    let (covered, span) = (account.conditions.rooms.iter())
        .fold((0.0, 0.0), |(c, s), r| (c + r.covered_h, s + r.span_h));
    let off = &account.conditions.record.off;
    let mut out = if 0.0 < span {
        format!(
            "{} of the time is on record.",
            share((covered / span).min(1.0))
        )
    } else {
        "Nothing was recorded of any room.".to_owned()
    };
    match off.len() {
        0 => out.push_str(" The recorder is not known to have been off."),
        n => {
            let times = match n {
                1 => "once".to_owned(),
                2 => "twice".to_owned(),
                n => format!("{}{NB}times", thousands(n as i64)),
            };
            let h = hours(account.conditions.record.off_h());
            let _ = write!(out, " The recorder was off {times}, for {h} in all.");
        }
    }
    out
}

fn role(sensor: &SensorWinter) -> String {
    match sensor.role {
        Role::Air => match &sensor.near {
            Some(near) => format!("air, {near}"),
            None => "air".to_owned(),
        },
        Role::Crate => "in a crate".to_owned(),
        Role::Surface => "on a surface".to_owned(),
        Role::Outdoor => "outdoors".to_owned(),
        Role::Soil => "in the soil".to_owned(),
    }
}

fn sensors(sensors: &[SensorWinter], manner: Manner) -> Rows {
    let mut rows = Rows::new(
        "Sensors",
        &[
            "Sensor",
            "Where",
            "On record",
            "Gaps",
            "Longest gap",
            "Out of service",
            "Readings",
        ],
    )
    .open();
    for s in sensors {
        let dash = || "\u{2013}".to_owned();
        let longest = s.gaps.longest_from.map_or_else(dash, |from| {
            format!("{} from {}", hours(s.gaps.longest_h), moment(from, manner))
        });
        rows.push([
            s.sensor.clone(),
            format!("{}: {}", s.room, role(s)),
            format!(
                "{} of {} ({})",
                hours(s.covered_h),
                hours(s.span_h),
                share(s.coverage())
            ),
            format!(
                "{}, {}",
                thousands(i64::from(s.gaps.count)),
                hours(s.gaps.hours)
            ),
            longest,
            if s.out_of_service_h == 0.0 {
                dash()
            } else {
                hours(s.out_of_service_h)
            },
            thousands(i64::try_from(s.readings).unwrap_or(i64::MAX)),
        ]);
    }
    rows.noting("A gap is time in which no reading of a sensor in service held. It is counted and never filled in.")
}

fn corrections(corrections: &[InForce], manner: Manner) -> Option<Rows> {
    if corrections.is_empty() {
        return None;
    }
    let mut rows = Rows::new(
        "Corrections applied",
        &[
            "Sensor",
            "From",
            "Until",
            "Temperature",
            "Humidity",
            "Why",
            "Entered",
        ],
    )
    .open();
    for c in corrections {
        let signed = |v: f64, text: String| match v {
            0.0 => "\u{2013}".to_owned(),
            v if v < 0.0 => format!("\u{2212}{text}"),
            _ => format!("+{text}"),
        };
        rows.push([
            c.sensor.clone(),
            moment(c.from, manner),
            c.until
                .map_or_else(|| "on".to_owned(), |u| moment(u, manner)),
            signed(c.temperature_k, manner.difference(c.temperature_k.abs())),
            signed(
                c.humidity_pct,
                format!("{:.1}{NB}points", c.humidity_pct.abs()),
            ),
            c.why.clone(),
            format!("{}, {}", capital(&c.who), moment(c.entered_at, manner)),
        ]);
    }
    Some(rows)
}

fn off(account: &Account, manner: Manner) -> Option<Rows> {
    let off = &account.responses.offs;
    if off.is_empty() {
        return None;
    }
    let mut rows = Rows::new("When the recorder was off", &["From", "To", "How long"]);
    let mut longest: Vec<_> = off.iter().collect();
    longest.sort_by(|a, b| b.hours.total_cmp(&a.hours));
    longest.truncate(NAMED);
    longest.sort_by_key(|o| o.from);
    for o in &longest {
        rows.push([moment(o.from, manner), moment(o.to, manner), hours(o.hours)]);
    }
    if longest.len() < off.len() {
        rows.note = format!("The longest of {}.", thousands(off.len() as i64));
    }
    Some(rows)
}

fn checks(checks: &[Check]) -> Option<Rows> {
    if checks.is_empty() {
        return None;
    }
    let mut rows = Rows::new(
        "Sensors compared with something that is known",
        &["Sensor", "Room", "Last compared", "Within a year"],
    );
    for c in checks {
        rows.push([
            c.sensor.clone(),
            c.room.clone(),
            c.checked.map_or_else(|| "never noted".to_owned(), day),
            if c.in_date { "yes" } else { "no" }.to_owned(),
        ]);
    }
    Some(rows)
}

fn heard(heard: &[Heard], manner: Manner) -> Option<Rows> {
    let odd = |h: &&Heard| h.conflict != 0 || h.refused != 0;
    let mut rows = Rows::new(
        "Lines that were refused or spoke against what was known",
        &[
            "Source",
            "Sensor",
            "Refused",
            "Against what was known",
            "Last heard",
        ],
    );
    for h in heard.iter().filter(odd) {
        rows.push([
            h.source.clone(),
            h.sensor.clone(),
            thousands(h.refused),
            thousands(h.conflict),
            moment(h.last_at, manner),
        ]);
    }
    (!rows.rows.is_empty()).then(|| rows.noting("Since the beginning, not of this winter alone."))
}
