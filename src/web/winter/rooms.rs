//! A room's winter in words, pictures and tables.

use std::fmt::Write as _;

use std::collections::BTreeSet;

use super::{
    part::{Part, Rows, hours, id, moment, share},
    pictures,
};
use crate::{
    notify::{
        message::the,
        words::{Manner, NB, count, hours_ms, percent},
    },
    season::{
        account::{Account, RoomWinter},
        conditions::{At, Excursion, SensorWinter, SideHours},
        lived::apart::{Apart, Difference},
        sheet::Side,
    },
    watch::Band,
};

/// Excursions that are named in one table.
const NAMED: usize = 15;

/// What a side is called.
pub fn side(side: Side) -> &'static str {
    match side {
        Side::Cold => "cold",
        Side::Warm => "warm",
        Side::Dry => "dry",
        Side::Damp => "damp",
    }
}

/// `40 to 52 F and 75 to 85 %`.
pub fn band(band: Band, manner: Manner) -> String {
    let number = |c: f64| (manner.degrees(c) * 10.0).round() / 10.0;
    format!(
        "{} to {}{NB}{} and {:.0} to {:.0}{NB}%",
        number(band.low_c),
        number(band.high_c),
        manner.letter(),
        band.low_pct,
        band.high_pct
    )
}

/// Every room.
pub fn parts(account: &Account, manner: Manner) -> Vec<Part> {
    let rooms = account.conditions.rooms.iter();
    rooms.map(|room| part(account, room, manner)).collect()
}

fn part(account: &Account, room: &RoomWinter, manner: Manner) -> Part {
    let sensors: Vec<&SensorWinter> = account.conditions.record.air(&room.room).collect();
    let mut words = vec![standing(room, &sensors, manner)];
    if 1.0 <= room.unwatched_h {
        words.push(format!(
            "Crates stood here for {} while the room was called empty: of that time nothing is on record.",
            crate::notify::words::span(hours_ms(room.unwatched_h))
        ));
    }
    words.extend(room.apart.iter().flat_map(|a| apart(a, manner)));
    let mut tables = vec![figures(&sensors, manner)];
    tables.extend(excursions(&sensors, manner));
    Part {
        id: id("room", &room.room),
        title: capital(&the(&room.room)),
        words,
        pictures: pictures::of_room(account, room, manner),
        tables,
    }
}

/// With its first letter large.
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

fn standing(room: &RoomWinter, sensors: &[&SensorWinter], manner: Manner) -> String {
    let recorded = format!("{} of the time in use is on record", share(room.coverage()));
    if room.judged_h <= 0.0 {
        return format!("{}; nothing was held against a band.", capital(&recorded));
    }
    let bands = sensors.iter().filter_map(|s| s.against.as_ref());
    let mut bands: Vec<Band> = bands.flat_map(|a| a.bands.iter().map(|b| b.band)).collect();
    bands.dedup();
    let held = match bands.as_slice() {
        [one] => format!(" ({})", band(*one, manner)),
        _ => " in force at the time".to_owned(),
    };
    let names: BTreeSet<&str> = sensors.iter().map(|s| s.sensor.as_str()).collect();
    let mut out = format!(
        "{} of {} on record within the band{held}; {recorded}.",
        share(room.in_band_h / room.judged_h),
        // One that hung in two places of the room is one.
        match names.len() {
            1 => hours(room.judged_h),
            n => format!(
                "{} of {}",
                hours(room.judged_h),
                count(n, "sensor", "sensors")
            ),
        }
    );
    let sides = Side::ALL.map(|s| {
        let h: f64 = (sensors.iter().filter_map(|x| x.against.as_ref()))
            .map(|a| a.sides[s as usize].hours)
            .sum();
        (s, h)
    });
    let said: Vec<String> = (sides.iter().filter(|(_, h)| 0.0 < *h))
        .map(|(s, h)| format!("too {} {}", side(*s), hours(*h)))
        .collect();
    if !said.is_empty() {
        let _ = write!(out, " {}.", capital(&said.join(", ")));
    }
    out
}

fn apart(a: &Apart, manner: Manner) -> Vec<String> {
    let near = |n: &Option<String>| n.clone().unwrap_or_else(|| "the room".to_owned());
    let mut out = Vec::new();
    let mut say = |d: &Difference, amount: &dyn Fn(f64) -> String, more: &str, less: &str| {
        if !d.tells {
            return;
        }
        let (first, second) = (near(&a.near), near(&a.other));
        let word = if d.mean < 0.0 { less } else { more };
        let interval = d.interval.map_or_else(String::new, |(low, high)| {
            let (low, high) = (low.abs().min(high.abs()), low.abs().max(high.abs()));
            format!(", {} to {} by chance", amount(low), amount(high))
        });
        out.push(format!(
            "{} was {} {word} than {second} in the mean of {}{interval}; the sensors may be off by {} together.",
            capital(&first),
            amount(d.mean.abs()),
            count(d.days, "day", "days"),
            amount(d.error),
        ));
    };
    if let Some(d) = &a.temperature_k {
        say(d, &|k| manner.difference(k), "warmer", "colder");
    }
    if let Some(d) = &a.humidity_pct {
        say(d, &|p| format!("{p:.1} points"), "damper", "drier");
    }
    out
}

fn figures(sensors: &[&SensorWinter], manner: Manner) -> Rows {
    let mut head = vec![String::new()];
    head.extend(sensors.iter().map(|s| match &s.near {
        Some(near) => format!("{}, {near}", s.sensor),
        None => s.sensor.clone(),
    }));
    let mut rows = Rows {
        head,
        ..Rows::new("Figures", &[]).open()
    };
    let dash = || "\u{2013}".to_owned();
    let mut line = |name: &str, of: &dyn Fn(&SensorWinter) -> Option<String>| {
        let cells: Vec<Option<String>> = sensors.iter().map(|s| of(s)).collect();
        if cells.iter().any(Option::is_some) {
            let cells = cells.into_iter().map(|c| c.unwrap_or_else(dash));
            rows.push(std::iter::once(name.to_owned()).chain(cells));
        }
    };
    let t = |at: &At| {
        format!(
            "{}, {}",
            manner.temperature(at.value),
            moment(at.at, manner)
        )
    };
    let rh = |at: &At| format!("{}, {}", percent(at.value), moment(at.at, manner));
    line("On record", &|s| {
        Some(format!(
            "{} of {} ({})",
            hours(s.covered_h),
            hours(s.span_h),
            share(s.coverage())
        ))
    });
    line("Within the band", &|s| {
        let a = s.against.as_ref()?;
        Some(format!(
            "{} of {} ({})",
            hours(a.in_band_h),
            hours(a.judged_h),
            share(a.share()?)
        ))
    });
    for side_of in Side::ALL {
        line(&format!("Too {}", side(side_of)), &|s| {
            Some(side_words(&s.against.as_ref()?.sides[side_of as usize]))
        });
    }
    line("Mean", &|s| {
        let t = manner.temperature(s.temperature.as_ref()?.mean);
        Some(match &s.humidity {
            Some(rh) => format!("{t}, {}", percent(rh.mean)),
            None => t,
        })
    });
    line("Coldest", &|s| Some(t(&s.temperature.as_ref()?.low)));
    line("Warmest", &|s| Some(t(&s.temperature.as_ref()?.high)));
    line("Driest", &|s| Some(rh(&s.humidity.as_ref()?.low)));
    line("Dampest", &|s| Some(rh(&s.humidity.as_ref()?.high)));
    line("Closest to dripping wet (dew point)", &|s| {
        let at = s.spread_low_k.as_ref()?;
        Some(format!(
            "{}, {}",
            manner.difference(at.value),
            moment(at.at, manner)
        ))
    });
    line("How hard the air dried", &|s| {
        (0.0 < s.both_h).then(|| {
            format!(
                "{:.1}{NB}kPa{NB}day over {}",
                s.dose_kpa_day,
                hours(s.both_h)
            )
        })
    });
    rows.noting(
        "Each reading counts until the next one, at most for three intervals (half an hour for a sensor that speaks all the time); what lies beyond is not on record and is never filled in. How hard the air dried is the vapour pressure deficit summed over the time. Pictures count whole hours by their mean, so their hours differ a little from these.",
    )
}

fn side_words(s: &SideHours) -> String {
    if s.excursions == 0 {
        return "never".to_owned();
    }
    let surely = if s.sure_h < s.hours {
        format!(
            ", {} of it by more than the sensor may be off",
            hours(s.sure_h)
        )
    } else {
        String::new()
    };
    format!(
        "{}{surely}, {}, longest {}",
        hours(s.hours),
        count(s.excursions as usize, "time", "times"),
        hours(s.longest_h)
    )
}

fn excursions(sensors: &[&SensorWinter], manner: Manner) -> Option<Rows> {
    let mut all: Vec<&Excursion> = (sensors.iter().filter_map(|s| s.against.as_ref()))
        .flat_map(|a| &a.excursions)
        .collect();
    let many = (sensors.iter().filter_map(|s| s.against.as_ref()))
        .flat_map(|a| a.sides.iter().map(|s| s.excursions as usize))
        .sum::<usize>();
    // The longest are what a grower asks for; of these in order of time.
    all.sort_by(|a, b| b.hours.total_cmp(&a.hours));
    all.truncate(NAMED);
    all.sort_by_key(|e| (e.from, e.side));
    if all.is_empty() {
        return None;
    }
    let mut rows = Rows::new(
        "Longest times outside the band",
        &[
            "Began",
            "Sensor",
            "What",
            "How long",
            "Furthest",
            "Crates there",
        ],
    );
    for e in &all {
        let open = |gap: bool| if gap { "at least " } else { "" };
        let furthest = if e.side.is_thermal() {
            manner.temperature(e.peak.value)
        } else {
            percent(e.peak.value)
        };
        rows.push([
            moment(e.from, manner),
            e.sensor.clone(),
            side(e.side).to_owned(),
            format!("{}{}", open(e.after_gap || e.before_gap), hours(e.hours)),
            furthest,
            codes(&e.crates),
        ]);
    }
    if all.len() < many {
        rows.note = format!("{} in all.", count(many, "time", "times"));
    }
    Some(rows)
}

/// So many codes are written out.
const CODES: usize = 12;

fn codes(codes: &[String]) -> String {
    let shown = codes
        .iter()
        .take(CODES)
        .cloned()
        .collect::<Vec<_>>()
        .join(" ");
    match codes.len().saturating_sub(CODES) {
        0 => shown,
        more => format!("{shown} and {more} more"),
    }
}
