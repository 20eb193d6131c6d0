//! The account of one winter, put together.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

use super::{
    body::{DayRow, HourRow},
    calendar::Calendar,
    conditions::{SensorWinter, thousandths},
    counsel::{self, Advice},
    lived::{
        Lived,
        apart::{Apart, Outside},
    },
    pattern::{Fate, Figure, Pattern, pattern},
    period::{self, Period},
    responses::Responses,
    sheet::Side,
    survival::{CrateLoss, Losses},
    yardstick::{Correction, Yardsticks, hours},
};
use crate::{
    stock::{Finding, ledger::Entry},
    watch::{Role, Stamp},
};

mod gathered;
#[cfg(test)]
mod tests;

pub use gathered::Gathered;

/// The form of the account; raised when what older versions read would be misread.
pub const FORM: u32 = 1;

/// What an account is of.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct About {
    /// The form.
    pub form: u32,
    /// The program that made it and its version.
    pub program: String,
    /// What the store is called.
    pub store: String,
    /// "2025-26".
    pub winter: String,
    /// Height of the store above the sea, in metres.
    pub altitude_m: f64,
    /// The zone whose days are counted.
    pub zone: String,
    /// The first day, and the day after the last.
    pub first_day: NaiveDate,
    /// See there.
    pub end_day: NaiveDate,
    /// The first instant, and the first after it: the end of the last day, or the present.
    pub from: DateTime<Utc>,
    /// See there.
    pub to: DateTime<Utc>,
    /// The period lies in the past.
    pub over: bool,
    /// Somebody chose the days; else they follow from the stock, or where there is none, from the readings.
    pub chosen: bool,
}

/// A correction that changes anything in the period.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InForce {
    /// Which sensor.
    pub sensor: String,
    /// From when.
    pub from: DateTime<Utc>,
    /// Until the next one of the same sensor.
    pub until: Option<DateTime<Utc>>,
    /// Added to what it says, kelvin.
    pub temperature_k: f64,
    /// Added to what it says, points of humidity.
    pub humidity_pct: f64,
    /// Why.
    pub why: String,
    /// By whom it was entered, and when.
    pub who: String,
    /// See there.
    pub entered_at: DateTime<Utc>,
}

/// How complete the record is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// Every sensor that was set up, by room.
    pub sensors: Vec<SensorWinter>,
    /// Corrections applied.
    pub corrections: Vec<InForce>,
    /// When the recorder was off: from, to.
    pub off: Vec<(DateTime<Utc>, DateTime<Utc>)>,
}

impl Record {
    /// Hours in which the recorder was off.
    pub fn off_h(&self) -> f64 {
        let ms = |(from, to): &(DateTime<Utc>, DateTime<Utc>)| (*to - *from).num_milliseconds();
        thousandths(hours(self.off.iter().map(ms).sum()))
    }

    /// The air sensors of a room.
    pub fn air<'a>(&'a self, room: &'a str) -> impl Iterator<Item = &'a SensorWinter> {
        let air = move |s: &&SensorWinter| s.role == Role::Air && s.room == room;
        self.sensors.iter().filter(air)
    }
}

/// One room.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RoomWinter {
    /// Its name.
    pub room: String,
    /// Hours in which crates stood in it while it was called empty, so that nothing of it was counted.
    pub unwatched_h: f64,
    /// Hours of all its air sensors in which it was in use, or crates stood in it, and of these those that
    /// are known.
    pub span_h: f64,
    /// See there.
    pub covered_h: f64,
    /// Sensor hours that could be judged, and of these within the band.
    pub judged_h: f64,
    /// See there.
    pub in_band_h: f64,
    /// Its days, the mean of its air sensors.
    pub days: Vec<DayRow>,
    /// Its hours.
    pub hours: Vec<HourRow>,
    /// Least distance of any of its crates from sweating by the hour: when it began, kelvin.
    pub margins: Vec<(DateTime<Utc>, f64)>,
    /// Parts of it against each other.
    pub apart: Vec<Apart>,
    /// Its air against the band, surely so and not by the sensors' error.
    pub outside: Outside,
}

impl RoomWinter {
    /// The share of what should have been recorded that is known, 0 to 1.
    pub fn coverage(&self) -> f64 {
        if self.span_h <= 0.0 {
            return 0.0;
        }
        (self.covered_h / self.span_h).min(1.0)
    }
}

/// What the air did, to rooms and to crates.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Conditions {
    /// How complete it is.
    pub record: Record,
    /// Every room that had an air sensor.
    pub rooms: Vec<RoomWinter>,
    /// Every crate that was in store.
    pub crates: Vec<Lived>,
}

/// The account of one winter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Account {
    /// What it is of.
    pub about: About,
    /// What the air did.
    pub conditions: Conditions,
    /// What was lost.
    pub losses: Losses,
    /// Whether crates that lived through more of something lost more.
    pub patterns: Vec<Pattern>,
    /// What the program said, and what people did.
    pub responses: Responses,
    /// What it counsels for the next winter.
    pub next: Vec<Advice>,
}

impl Account {
    /// Put together from its pieces: patterns and counsel follow from them.
    pub fn of(about: About, conditions: Conditions, losses: Losses, responses: Responses) -> Self {
        let patterns = patterns(&conditions.crates, &losses);
        let next = advice(&conditions, &losses, &patterns);
        Self {
            about,
            conditions,
            losses,
            patterns,
            responses,
            next,
        }
    }
}

/// A figure that a crate lived through, how it is read (none where it is not known), and the losses that it may
/// have to do with; none are all.
type Lives = (Figure, fn(&Lived) -> Option<f64>, &'static [Finding]);

/// What dries out ...
const DRIED: &[Finding] = &[Finding::Shrivelled];
/// ... and what rots: cold and damp hurt tubers so.
const ROTTED: &[Finding] = &[Finding::Soft, Finding::Mould];

/// The figures that losses are held against, each with the losses that it can have to do with (common
/// practice): all causes together would hide each other.
pub const FIGURES: [Lives; 9] = [
    (
        Figure::MeanTemperature,
        |c| Some(c.core.as_ref()?.mean_c),
        &[],
    ),
    (
        Figure::LowestTemperature,
        |c| Some(c.core.as_ref()?.low.value),
        ROTTED,
    ),
    (
        Figure::HighestTemperature,
        |c| Some(c.core.as_ref()?.high.value),
        &[],
    ),
    (
        Figure::HoursCold,
        |c| c.core.as_ref().map(|_| c.cold_h),
        ROTTED,
    ),
    (Figure::HoursDry, |c| humid(c).then_some(c.dry_h), DRIED),
    (Figure::HoursDamp, |c| humid(c).then_some(c.damp_h), ROTTED),
    (Figure::DeficitDose, |c| humid(c).then_some(c.dose), DRIED),
    (
        Figure::Mould,
        |c| Some(c.mould_high.as_ref()?.value),
        ROTTED,
    ),
    (
        Figure::HoursSweating,
        |c| humid(c).then_some(c.wet_h),
        ROTTED,
    ),
];

/// What a crate lost of what a figure can have to do with.
pub fn lost_to(loss: &CrateLoss, findings: &[Finding]) -> u64 {
    if findings.is_empty() {
        return loss.lost;
    }
    let of = |finding: &Finding| loss.by_finding.get(finding).copied().unwrap_or(0);
    findings.iter().map(of).sum()
}

fn humid(krate: &Lived) -> bool {
    0.0 < krate.cover.humid_h
}

/// Each crate's loss with what it lived through; of one that was filled twice the longer time.
pub fn fates<'a>(
    crates: &'a [Lived],
    losses: &'a Losses,
) -> impl Iterator<Item = (&'a Lived, &'a CrateLoss)> {
    losses.crates.iter().filter_map(|loss| {
        let own = crates.iter().filter(|c| c.code == loss.code);
        let longest = own.max_by(|a, b| a.cover.of_h.total_cmp(&b.cover.of_h))?;
        Some((longest, loss))
    })
}

fn patterns(crates: &[Lived], losses: &Losses) -> Vec<Pattern> {
    if !losses.kept {
        return Vec::new();
    }
    let of = |(figure, value, findings): Lives| {
        let fates: Vec<Fate> = fates(crates, losses)
            .map(|(krate, loss)| Fate {
                lost: lost_to(loss, findings),
                at_risk: loss.at_risk,
                figure: value(krate).unwrap_or(f64::NAN),
            })
            .collect();
        pattern(figure, &fates, FIGURES.len())
    };
    FIGURES.into_iter().map(of).collect()
}

/// Outside for less than this share of the judged time is not worth a change. A figure of this project.
const WORTH_A_CHANGE: f64 = 0.05;

fn advice(conditions: &Conditions, losses: &Losses, patterns: &[Pattern]) -> Vec<Advice> {
    let mut all = counsel::of_losses(losses);
    for room in &conditions.rooms {
        for a in &room.apart {
            let Some(d) = a.temperature_k.filter(|d| d.tells) else {
                continue;
            };
            let (first, second) = (a.near.clone(), a.other.clone());
            let (cold, warm) = if d.mean < 0.0 {
                (first, second)
            } else {
                (second, first)
            };
            let lowest = |p: &&Pattern| p.figure == Figure::LowestTemperature && p.tells;
            all.push(Advice::ColderPlace {
                room: room.room.clone(),
                place: cold.unwrap_or_default(),
                beside: warm.unwrap_or_default(),
                by_k: thousandths(d.mean.abs()),
                hours: d.days as f64 * 24.0,
                pattern: patterns.iter().find(lowest).copied(),
            });
        }
        let o = &room.outside;
        let sides = [
            (Side::Cold, o.cold(), o.sure.cold_h, o.judged_h),
            (Side::Warm, o.warm(), o.sure.warm_h, o.judged_h),
            (Side::Dry, o.dry(), o.sure.dry_h, o.humid_h),
            (Side::Damp, o.damp(), o.sure.damp_h, o.humid_h),
        ];
        let long = sides
            .into_iter()
            .filter(|(_, share, ..)| WORTH_A_CHANGE <= *share);
        all.extend(long.map(|(side, _, hours, of_hours)| Advice::OutsideBand {
            room: room.room.clone(),
            side,
            hours: thousandths(hours),
            of_hours: thousandths(of_hours),
        }));
    }
    all.extend(
        patterns
            .iter()
            .filter(|p| p.tells)
            .copied()
            .map(Advice::Pattern),
    );
    all
}

fn corrections(yardsticks: &Yardsticks, (from, to): (Stamp, Stamp)) -> Vec<InForce> {
    let mut all = Vec::new();
    for yardstick in yardsticks.0.values() {
        let own: &[Correction] = &yardstick.corrections;
        for (i, c) in own.iter().enumerate() {
            let until = own.get(i + 1).map(|next| next.from);
            let nothing = c.temperature_mk == 0 && c.humidity_mpct == 0;
            if nothing || to <= c.from || until.is_some_and(|until| until <= from) {
                continue;
            }
            all.push(InForce {
                sensor: c.sensor.to_string(),
                from: c.from.to_utc(),
                until: until.map(Stamp::to_utc),
                temperature_k: f64::from(c.temperature_mk) / 1000.0,
                humidity_pct: f64::from(c.humidity_mpct) / 1000.0,
                why: c.why.clone(),
                who: c.who.clone(),
                entered_at: c.entered_at.to_utc(),
            });
        }
    }
    all.sort_by(|a, b| (&a.sensor, a.from).cmp(&(&b.sensor, b.from)));
    all
}

/// The days of a winter that an account is of: those that somebody chose, else those on which tubers were in
/// store, else those from the first to the last reading of a room's sensor, `heard`. None where there is
/// nothing at all.
pub fn days_of(
    winter: i32,
    chosen: Option<Period>,
    entries: &[Entry],
    heard: Option<(NaiveDate, NaiveDate)>,
    calendar: &Calendar,
) -> Option<Period> {
    let whole = Period::whole(winter);
    let day = |at: DateTime<Utc>| calendar.day_of(at.into()).date;
    let heard = heard.map(|(first, last)| Period {
        from: first,
        to: last.succ_opt().unwrap_or(last),
    });
    chosen
        .or_else(|| period::in_store(entries, winter, day))
        .or(heard)?
        .within(whole)
}
