//! From the models to pictures: the moist air of a room, and what a crate's winter was like.

use std::collections::BTreeMap;

use chrono::{Datelike, TimeZone, Timelike};

use super::{
    chart::{
        course::{Course, Fan, Series, Style},
        moist::{MoistAir, TrailPoint},
    },
    view::room_air,
};
use crate::{
    climate::{Pascal, drying::LIMP, warmth},
    engine::Status,
    notify::words::Manner,
    watch::{
        Limits, Role, RoomSettings, Stamp,
        models::{CrateNow, LONGEST_GAP_MS, threat::Peril},
        reading::HOUR_MS,
        recent::SLOT_MS,
    },
};

const DAY_MS: i64 = 24 * HOUR_MS;
/// What one weighing leaves open, in points of weight: half a percent of two of them.
const WEIGHING_PCT: f64 = 0.7;

/// Instants, UTC milliseconds, and what stands there.
type Marks = Vec<(i64, String)>;

/// Air of a room in the last day, where it should be, and what it does to the coldest crate.
pub(super) fn moist_air(
    status: &Status,
    room: &RoomSettings,
    now: Stamp,
    manner: Manner,
) -> Option<MoistAir> {
    let from = now.plus(-DAY_MS);
    let sensors: Vec<_> = status
        .sensors
        .iter()
        .filter(|s| s.settings.room == room.name && s.settings.role == Role::Air)
        .filter(|s| s.out.is_none())
        .filter_map(|s| status.recent.get(&s.settings.id))
        .collect();
    let mut sums: BTreeMap<i64, (f64, f64, f64)> = BTreeMap::new();
    for slot in sensors.iter().flat_map(|r| r.slots()) {
        if let (true, Some(t), Some(rh)) = (from <= slot.at, slot.temperature, slot.humidity) {
            let sum = sums.entry(slot.at.0).or_default();
            *sum = (sum.0 + t, sum.1 + rh, sum.2 + 1.0);
        }
    }
    let trail: Vec<TrailPoint> = sums
        .into_iter()
        .map(|(at_ms, (t, rh, n))| TrailPoint {
            at_ms,
            temperature_c: t / n,
            humidity_pct: rh / n,
        })
        .collect();
    trail.first()?;
    let model = status.models.room(&room.name)?;
    let band = room.in_force().band;
    let coldest = status
        .models
        .stand_all(model, now)
        .into_iter()
        .filter_map(|c| Some((c.krate.facts.code.clone(), c.cohort.core_c?)))
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(code, t)| {
            let who = if code.is_empty() {
                "the crates".to_owned()
            } else {
                format!("crate {code}")
            };
            (who, t)
        });
    let air = room_air(status, &room.name);
    let coldest = coldest.map(|(who, t)| (who, air.coldest.map_or(t, |p| p.min(t))));
    let outdoor = status
        .models
        .outdoor()
        .filter(|o| now.since(o.at) <= HOUR_MS);
    let altitude = Pascal::at_altitude(status.settings.altitude_m);
    Some(MoistAir {
        trail,
        join_ms: 2 * SLOT_MS,
        now_ms: now.0,
        band_t_c: (band.low_c, band.high_c),
        band_rh: (band.low_pct, band.high_pct),
        coldest,
        error: air.error,
        outdoor: outdoor.and_then(|o| Some((o.temperature_c?, o.humidity_pct?))),
        unit: manner.letter(),
        pressure_pa: altitude.unwrap_or(Pascal::STANDARD_ATMOSPHERE).pascal(),
        rows: hours(from, now, manner, 3).1,
    })
}

/// Marks and rows of some hours: midnight and noon are marked.
fn hours(from: Stamp, to: Stamp, manner: Manner, row_every: u32) -> (Marks, Marks) {
    let (mut ticks, mut rows) = (Vec::new(), Vec::new());
    let mut hour = Stamp((from.0.div_euclid(HOUR_MS) + 1) * HOUR_MS);
    while hour <= to {
        let local = manner.zone.from_utc_datetime(&hour.to_utc().naive_utc());
        if local.hour().is_multiple_of(12) {
            let label = if local.hour() == 0 {
                local.format("%a").to_string()
            } else {
                "12:00".to_owned()
            };
            ticks.push((hour.0, label));
        }
        if local.hour().is_multiple_of(row_every) {
            rows.push((hour.0, local.format("%a %-H:%M").to_string()));
        }
        hour = hour.plus(HOUR_MS);
    }
    (ticks, rows)
}

/// Marks at the first of each month, or each Monday where it is short, and a row for each week.
fn weeks(from: Stamp, to: Stamp, manner: Manner) -> (Marks, Marks) {
    let long = 60 * DAY_MS < to.since(from);
    let (mut ticks, mut rows) = (Vec::new(), Vec::new());
    let mut day = Stamp((from.0.div_euclid(DAY_MS) + 1) * DAY_MS);
    while day <= to {
        let local = manner.zone.from_utc_datetime(&day.to_utc().naive_utc());
        let monday = local.weekday().num_days_from_monday() == 0;
        if long && local.day() == 1 {
            ticks.push((day.0, local.format("%b").to_string()));
        } else if !long && monday {
            ticks.push((day.0, local.format("%-d %b").to_string()));
        }
        if monday || (!long && to.since(from) < 14 * DAY_MS) {
            rows.push((day.0, local.format("%-d %b").to_string()));
        }
        day = day.plus(DAY_MS);
    }
    (ticks, rows)
}

fn course(name: &str, unit: &str, from: Stamp, to: Stamp, now: Stamp) -> Course {
    Course {
        name: name.to_owned(),
        unit: unit.to_owned(),
        decimals: 1,
        from_ms: from.0,
        to_ms: to.0,
        now_ms: now.0,
        join_ms: LONGEST_GAP_MS,
        lines: Vec::new(),
        fans: Vec::new(),
        dots: Vec::new(),
        dots_label: String::new(),
        limits: Vec::new(),
        zone: None,
        floor: None,
        ceiling: None,
        ticks: Vec::new(),
        rows: Vec::new(),
        sentence: String::new(),
    }
}

fn past(points: Vec<(i64, f64)>) -> Series {
    Series {
        label: String::new(),
        points,
        style: Style::Past,
    }
}

/// The picture that goes with one threat to a crate; none while there is nothing to draw.
pub(super) fn of(
    peril: Peril,
    c: &CrateNow<'_>,
    limits: &Limits,
    now: Stamp,
    manner: Manner,
) -> Option<Course> {
    match peril {
        Peril::Freezing => core(c, limits, now, manner),
        Peril::Sweating => margin(c, now, manner),
        Peril::Mould => mould(c, now, manner),
        Peril::Drying => drying(c, now, manner),
        Peril::Waking => waking(c, now, manner),
    }
}

fn core(c: &CrateNow<'_>, limits: &Limits, now: Stamp, manner: Manner) -> Option<Course> {
    let from = now.plus(-2 * DAY_MS);
    let points: Vec<(i64, f64)> = c
        .cohort
        .hours
        .iter()
        .filter(|h| from <= h.at)
        .map(|h| (h.at.0 + HOUR_MS / 2, manner.degrees(h.core_c)))
        .collect();
    let (low, high) = ends(points.iter().map(|p| p.1))?;
    let (ticks, rows) = hours(from, now, manner, 3);
    let mut lines = vec![(manner.degrees(limits.band.low_c), "band begins".to_owned())];
    if let Some(frost) = limits.frost.steps.first() {
        lines.push((manner.degrees(frost.limit), "frost".to_owned()));
    }
    Some(Course {
        lines: vec![past(points)],
        limits: lines,
        ticks,
        rows,
        sentence: format!(
            "Among the tubers in the last two days: {low:.1} to {high:.1} {}.",
            manner.letter()
        ),
        ..course("Inside the crate", manner.letter(), from, now, now)
    })
}

fn margin(c: &CrateNow<'_>, now: Stamp, manner: Manner) -> Option<Course> {
    let from = now.plus(-2 * DAY_MS);
    // A difference, so without the 32 F.
    let span = |k: f64| manner.degrees(k) - manner.degrees(0.0);
    let points: Vec<(i64, f64)> = c
        .cohort
        .hours
        .iter()
        .filter(|h| from <= h.at)
        .filter_map(|h| Some((h.at.0 + HOUR_MS / 2, span(h.margin_k?))))
        .collect();
    let (low, high) = ends(points.iter().map(|p| p.1))?;
    let (ticks, rows) = hours(from, now, manner, 3);
    let error = span(c.cohort.error_k);
    Some(Course {
        lines: vec![past(points)],
        limits: vec![(0.0, "sweating".to_owned())],
        zone: Some((0.0, error, "cannot tell".to_owned())),
        ticks,
        rows,
        sentence: format!(
            "Skins above the dew point in the last two days: {low:.1} to {high:.1} {}. Below {error:.1} {} nobody can tell whether they are dry.",
            manner.letter(),
            manner.letter()
        ),
        ..course("Clear of sweating", manner.letter(), from, now, now)
    })
}

fn mould(c: &CrateNow<'_>, now: Stamp, manner: Manner) -> Option<Course> {
    let surface = c.krate.facts.packing.surface() as usize;
    let days = c.cohort.days.iter();
    let mut points: Vec<(i64, f64)> = days
        .map(|d| ((d.day + 1) * DAY_MS, d.mould[surface]))
        .collect();
    points.push((now.0, c.mould));
    let from = Stamp(points.first()?.0).min(now.plus(-7 * DAY_MS));
    let (ticks, rows) = weeks(from, now, manner);
    let highest = points.iter().map(|p| p.1).fold(0.0, f64::max);
    Some(Course {
        decimals: 2,
        join_ms: 2 * DAY_MS,
        lines: vec![past(points)],
        limits: vec![
            (1.0, "seen with a lens".to_owned()),
            (3.0, "seen by eye".to_owned()),
        ],
        floor: Some(0.0),
        ceiling: (highest < 1.0).then_some(1.25),
        ticks,
        rows,
        sentence: format!(
            "Mould pressure on {}: {:.2} of 6 now, {highest:.2} at its highest.",
            c.krate.facts.packing.surface().words(),
            c.mould
        ),
        ..course("Mould pressure", "", from, now, now)
    })
}

fn drying(c: &CrateNow<'_>, now: Stamp, manner: Manner) -> Option<Course> {
    let loss = c.loss?;
    let k = c.krate.coefficient;
    let percent = |k: f64, dose: f64| crate::climate::drying::shrink(k, dose.max(0.0)) * 100.0;
    let mut doses = c.doses();
    doses.push((now, c.dose));
    let from = Stamp(doses.first()?.0.0 - DAY_MS);
    let to = loss.planting_at.max(now.plus(DAY_MS));
    let mut fan: Vec<(i64, f64, f64)> = doses
        .iter()
        .map(|&(at, dose)| (at.0, percent(k.low, dose), percent(k.high, dose)))
        .collect();
    let mut ahead = vec![(now.0, loss.now.shrink * 100.0)];
    let left = to.since(now) as f64 / DAY_MS as f64;
    let steps = 24;
    for step in 1..=steps {
        let days = left * f64::from(step) / f64::from(steps);
        let then = c.loss_in(days)?;
        let at = now.0 + (days * DAY_MS as f64) as i64;
        ahead.push((at, then.shrink * 100.0));
        fan.push((at, then.low * 100.0, then.high * 100.0));
    }
    // The first weighing stands on the line; what follows shows whether the line is right.
    let dots: Vec<(i64, f64, f64)> = c
        .krate
        .weighings
        .first()
        .map(|first| {
            let at_first = 1.0 - percent(k.k, first.dose) / 100.0;
            c.krate
                .weighings
                .iter()
                .map(|w| {
                    let share = f64::from(w.grams) / f64::from(first.grams) * at_first;
                    (w.at.0, (1.0 - share) * 100.0, WEIGHING_PCT)
                })
                .collect()
        })
        .unwrap_or_default();
    let (ticks, rows) = weeks(from, to, manner);
    Some(Course {
        join_ms: 3 * DAY_MS,
        lines: vec![
            past(
                doses
                    .iter()
                    .map(|&(at, d)| (at.0, percent(k.k, d)))
                    .collect(),
            ),
            Series {
                label: "by planting".to_owned(),
                points: ahead,
                style: Style::Ahead,
            },
        ],
        fans: vec![Fan {
            label: "9 in 10".to_owned(),
            points: fan,
        }],
        dots,
        dots_label: "weighed".to_owned(),
        limits: vec![(LIMP * 100.0, "limp 15 %".to_owned())],
        floor: Some(0.0),
        ticks,
        rows,
        sentence: format!(
            "Weight lost: {:.1} % by now ({:.1} to {:.1}), {:.0} % by planting on {} ({:.0} to {:.0}).",
            loss.now.shrink * 100.0,
            loss.now.low * 100.0,
            loss.now.high * 100.0,
            loss.planting.shrink * 100.0,
            manner.day(loss.planting_at),
            loss.planting.low * 100.0,
            loss.planting.high * 100.0
        ),
        ..course("Weight lost", "%", from, to, now)
    })
}

fn waking(c: &CrateNow<'_>, now: Stamp, manner: Manner) -> Option<Course> {
    let degrees = |sum: f64| sum * (manner.degrees(1.0) - manner.degrees(0.0));
    let year = now.to_utc().year();
    let days = c.cohort.days.iter();
    let mut points: Vec<(i64, f64)> = days
        .filter(|d| Stamp(d.day * DAY_MS).to_utc().year() == year)
        .map(|d| ((d.day + 1) * DAY_MS, degrees(d.heat)))
        .collect();
    points.push((now.0, degrees(c.cohort.heat)));
    if points.len() < 2 {
        return None;
    }
    let from = Stamp(points.first()?.0).min(now.plus(-7 * DAY_MS));
    let (ticks, rows) = weeks(from, now, manner);
    let unit = format!("{} day", manner.letter());
    Some(Course {
        decimals: 0,
        join_ms: 2 * DAY_MS,
        lines: vec![past(points)],
        zone: Some((
            degrees(warmth::EARLY),
            degrees(warmth::LATE),
            "first eyes, early to late".to_owned(),
        )),
        floor: Some(0.0),
        ticks,
        rows,
        sentence: format!(
            "Warmth since 1 January: {}. Early varieties wake at about {}, late ones at {}.",
            manner.warmth(c.cohort.heat),
            manner.warmth(warmth::EARLY),
            manner.warmth(warmth::LATE)
        ),
        ..course("Warmth", &unit, from, now, now)
    })
}

fn ends(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values.fold(None, |ends: Option<(f64, f64)>, v| {
        Some(ends.map_or((v, v), |(low, high)| (low.min(v), high.max(v))))
    })
}
