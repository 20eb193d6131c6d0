//! What the air did over a period: hours in band and outside, excursions, extremes and coverage.
//!
//! Everything is summed from the sheets of days, one after the other; no more than one is in memory.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use super::{
    calendar::LocalDay,
    excursion::{Excursion as Joined, Joining},
    sheet::{Extreme, Sheet, Side, Sum},
    yardstick::{Span, Yardstick, hours, in_use, unasked},
};
use crate::watch::{Band, Role, Stamp, reading::HOUR_MS};

/// So many of the largest excursions of each side are told one by one; all are counted.
pub const TOLD: usize = 20;
const DAY_H: f64 = 24.0;

/// Rounded to thousandths, so that the same sums are the same text on every machine.
pub fn thousandths(value: f64) -> f64 {
    // Plus nothing: never a negative zero.
    (value * 1000.0).round() / 1000.0 + 0.0
}

/// A value and when it was first reached.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct At {
    /// The value.
    pub value: f64,
    /// When.
    pub at: DateTime<Utc>,
}

/// One quantity over the period.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Quantity {
    /// Hours in which it is known.
    pub covered_h: f64,
    /// Its mean by time.
    pub mean: f64,
    /// Its lowest.
    pub low: At,
    /// Its highest.
    pub high: At,
}

/// Hours outside on one side.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SideHours {
    /// Which side.
    pub side: Side,
    /// Hours.
    pub hours: f64,
    /// Of these hours outside by more than the sensor may be off.
    pub sure_h: f64,
    /// Kelvin or points beyond the limit times hours.
    pub area: f64,
    /// Unbroken stretches.
    pub excursions: u32,
    /// Hours of the longest.
    pub longest_h: f64,
    /// The furthest.
    pub worst: Option<At>,
}

/// An unbroken stretch outside the band on one side.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Excursion {
    /// By which sensor.
    pub sensor: String,
    /// In which room.
    pub room: String,
    /// On which side.
    pub side: Side,
    /// Its beginning.
    pub from: DateTime<Utc>,
    /// Its end.
    pub to: DateTime<Utc>,
    /// Its length.
    pub hours: f64,
    /// The value furthest outside, C or percent, and when it was first reached.
    pub peak: At,
    /// Kelvin or points beyond the limit times hours.
    pub area: f64,
    /// Nobody knows what was before it.
    pub after_gap: bool,
    /// Nobody knows what was after it.
    pub before_gap: bool,
    /// Crates that stood in that air.
    pub crates: Vec<String>,
}

/// Time against the band.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Against {
    /// Bands that were in force, in their order, each from when.
    pub bands: Vec<InForce>,
    /// Hours that could be judged: temperature and humidity were known, or temperature alone where the
    /// sensor tells no humidity.
    pub judged_h: f64,
    /// Of these within the band.
    pub in_band_h: f64,
    /// Hours in which temperature could be judged, and of these within.
    pub temperature_h: [f64; 2],
    /// The same of humidity.
    pub humidity_h: [f64; 2],
    /// Cold, warm, dry, damp.
    pub sides: [SideHours; 4],
    /// The largest of each side, the largest first.
    pub excursions: Vec<Excursion>,
}

impl Against {
    /// The share of the judged hours within the band, 0 to 1.
    pub fn share(&self) -> Option<f64> {
        (0.0 < self.judged_h).then(|| self.in_band_h / self.judged_h)
    }
}

/// A band and from when it was in force.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct InForce {
    /// From when.
    pub from: DateTime<Utc>,
    /// The band.
    pub band: Band,
}

/// Time that nothing is known of.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Gaps {
    /// How many.
    pub count: u32,
    /// Hours of all of them.
    pub hours: f64,
    /// Hours of the longest.
    pub longest_h: f64,
    /// When the longest began.
    pub longest_from: Option<DateTime<Utc>>,
}

/// One sensor in one place over the period; one that was put elsewhere is another one there. A day counts
/// for the place in which it stood at its end.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SensorWinter {
    /// Its name.
    pub sensor: String,
    /// Its room.
    pub room: String,
    /// What it stands for.
    pub role: Role,
    /// How the places near it begin.
    pub near: Option<String>,
    /// Time between two readings, and how long one speaks for its place, in seconds.
    pub interval_s: f64,
    /// See there.
    pub hold_s: f64,
    /// How far it may be off, kelvin and points.
    pub error: [f64; 2],
    /// Readings.
    pub readings: u64,
    /// The first and the last.
    pub first: Option<DateTime<Utc>>,
    /// See there.
    pub last: Option<DateTime<Utc>>,
    /// Hours of the period in which it was set up or heard, and its room in use.
    pub span_h: f64,
    /// Of these hours in which it was out of service.
    pub out_of_service_h: f64,
    /// Of these hours in which anything it said held.
    pub covered_h: f64,
    /// The others, while it was in service.
    pub gaps: Gaps,
    /// C.
    pub temperature: Option<Quantity>,
    /// Percent.
    pub humidity: Option<Quantity>,
    /// Hours in which both held.
    pub both_h: f64,
    /// Vapour pressure deficit over these hours, kPa day.
    pub dose_kpa_day: f64,
    /// Least distance of the air from its own dew point, kelvin.
    pub spread_low_k: Option<At>,
    /// Against the band, for the room's air.
    pub against: Option<Against>,
}

impl SensorWinter {
    /// The share of the time in use that is known, 0 to 1.
    pub fn coverage(&self) -> f64 {
        if self.span_h <= 0.0 {
            return 0.0;
        }
        (self.covered_h / self.span_h).min(1.0)
    }
}

/// Sums the sheets of one sensor in order of their days.
#[derive(Debug)]
pub struct Gathering<'a> {
    yardstick: &'a Yardstick,
    from: Stamp,
    to: Stamp,
    readings: u64,
    heard: Option<(Stamp, Stamp)>,
    temperature: Over,
    humidity: Over,
    both_ms: i64,
    deficit: i128,
    spread: Option<(i32, Stamp)>,
    judged: [i64; 6],
    out: [i64; 4],
    sure: [i64; 4],
    area: [i64; 4],
    joining: Joining,
    told: [Told; 4],
    covered: Vec<(Stamp, Stamp)>,
}

#[derive(Debug, Default)]
struct Over {
    ms: i64,
    sum: i128,
    low: Option<(i32, Stamp)>,
    high: Option<(i32, Stamp)>,
}

impl Over {
    fn add(&mut self, sum: &Sum, day: Stamp) {
        self.ms += sum.ms;
        self.sum += i128::from(sum.sum);
        let at = |e: Extreme| (e.value, day.plus(i64::from(e.at)));
        if let Some(low) = sum.low.map(at)
            && self.low.is_none_or(|(v, _)| low.0 < v)
        {
            self.low = Some(low);
        }
        if let Some(high) = sum.high.map(at)
            && self.high.is_none_or(|(v, _)| v < high.0)
        {
            self.high = Some(high);
        }
    }

    fn quantity(&self) -> Option<Quantity> {
        Some(Quantity {
            covered_h: thousandths(hours(self.ms)),
            mean: thousandths(self.sum as f64 / self.ms as f64 / 1000.0),
            low: at(self.low?),
            high: at(self.high?),
        })
    }
}

fn at((value, at): (i32, Stamp)) -> At {
    At {
        value: f64::from(value) / 1000.0,
        at: at.to_utc(),
    }
}

#[derive(Debug, Default)]
struct Told {
    count: u32,
    longest_ms: i64,
    worst: Option<(i32, Stamp)>,
    largest: Vec<Joined>,
}

impl Told {
    fn add(&mut self, excursion: Joined) {
        self.count += 1;
        self.longest_ms = self.longest_ms.max(excursion.ms());
        let further = |(v, _)| excursion.side.is_further(excursion.peak, v);
        if self.worst.is_none_or(further) {
            self.worst = Some((excursion.peak, excursion.peak_at.into()));
        }
        // Of two alike the earlier.
        let place = self.largest.partition_point(|e| excursion.area <= e.area);
        if place < TOLD {
            self.largest.insert(place, excursion);
            self.largest.truncate(TOLD);
        }
    }
}

impl<'a> Gathering<'a> {
    /// Of one sensor from one instant to before another.
    pub fn new(yardstick: &'a Yardstick, from: Stamp, to: Stamp) -> Self {
        Self {
            yardstick,
            from,
            to,
            readings: 0,
            heard: None,
            temperature: Over::default(),
            humidity: Over::default(),
            both_ms: 0,
            deficit: 0,
            spread: None,
            judged: [0; 6],
            out: [0; 4],
            sure: [0; 4],
            area: [0; 4],
            joining: Joining::default(),
            told: Default::default(),
            covered: Vec::new(),
        }
    }

    /// Takes the next day.
    pub fn add(&mut self, day: &LocalDay, sheet: &Sheet) {
        let since = |ms: u32| day.from.plus(i64::from(ms));
        self.readings += u64::from(sheet.readings);
        if let Some((first, last)) = sheet.heard {
            let first = self.heard.map_or(since(first), |(f, _)| f);
            self.heard = Some((first, since(last)));
        }
        for hour in &sheet.hours {
            self.temperature.add(&hour.temperature, day.from);
            self.humidity.add(&hour.humidity, day.from);
            self.both_ms += hour.both_ms;
            self.deficit += i128::from(hour.deficit);
            if let Some(spread) = hour.spread
                && self.spread.is_none_or(|(v, _)| spread.value < v)
            {
                self.spread = Some((spread.value, since(spread.at)));
            }
        }
        let j = &sheet.judged;
        let judged = [
            j.temperature_ms,
            j.temperature_in_ms,
            j.humidity_ms,
            j.humidity_in_ms,
            j.both_ms,
            j.both_in_ms,
        ];
        for (sum, more) in self.judged.iter_mut().zip(judged) {
            *sum += more;
        }
        for side in 0..4 {
            self.out[side] += j.out_ms[side];
            self.sure[side] += j.sure_ms[side];
            self.area[side] += j.area[side];
        }
        for (from, to) in &sheet.covered {
            let (from, to) = (since(*from), since(*to));
            match self.covered.last_mut() {
                Some((_, last)) if *last == from => *last = to,
                _ => self.covered.push((from, to)),
            }
        }
        let told = &mut self.told;
        self.joining
            .day(day, sheet, &mut |e| told[e.side as usize].add(e));
    }

    fn excursion(&self, joined: &Joined) -> Excursion {
        Excursion {
            sensor: self.yardstick.name.to_string(),
            room: self.span(self.to.plus(-1)).room.clone(),
            side: joined.side,
            from: joined.from,
            to: joined.to,
            hours: thousandths(hours(joined.ms())),
            peak: at((joined.peak, joined.peak_at.into())),
            area: thousandths(joined.area_h()),
            after_gap: joined.after_gap,
            before_gap: joined.before_gap,
            crates: Vec::new(),
        }
    }

    fn span(&self, at: Stamp) -> &'a Span {
        &self.yardstick.spans[self.yardstick.at(at)]
    }

    /// It was set up in that time, or said something.
    pub fn counts(&self) -> bool {
        let mut spans = self.yardstick.between(self.from, self.to);
        self.readings != 0 || spans.any(|(_, _, span)| span.set_up)
    }

    /// What it comes to.
    pub fn finish(mut self) -> SensorWinter {
        let mut told = std::mem::take(&mut self.told);
        std::mem::take(&mut self.joining).finish(&mut |e| told[e.side as usize].add(e));
        let (used, out) = in_use(self.yardstick, self.from, self.to);
        let used = used + unasked(self.yardstick, self.covered.iter().copied());
        let covered: i64 = self.covered.iter().map(|(from, to)| to.since(*from)).sum();
        let span = self.span(self.to.plus(-1));
        let humid = self.humidity.ms != 0;
        let [t, t_in, rh, rh_in, both, both_in] = self.judged.map(|ms| thousandths(hours(ms)));
        let mut excursions = Vec::new();
        let mut side_hours = Vec::with_capacity(4);
        for (side, told) in Side::ALL.into_iter().zip(told) {
            let i = side as usize;
            side_hours.push(SideHours {
                side,
                hours: thousandths(hours(self.out[i])),
                sure_h: thousandths(hours(self.sure[i])),
                area: thousandths(hours(self.area[i]) / 1000.0),
                excursions: told.count,
                longest_h: thousandths(hours(told.longest_ms)),
                worst: told.worst.map(at),
            });
            excursions.extend(told.largest.iter().map(|e| self.excursion(e)));
        }
        let sides: [SideHours; 4] = side_hours.try_into().expect("there are four sides");
        SensorWinter {
            sensor: self.yardstick.name.to_string(),
            room: span.room.clone(),
            role: span.role,
            near: span.near.clone(),
            interval_s: span.interval_ms as f64 / 1000.0,
            hold_s: span.hold_ms as f64 / 1000.0,
            error: [span.error.temperature_k, span.error.humidity_pct],
            readings: self.readings,
            first: self.heard.map(|(first, _)| first.to_utc()),
            last: self.heard.map(|(_, last)| last.to_utc()),
            span_h: thousandths(hours(used)),
            out_of_service_h: thousandths(hours(out)),
            covered_h: thousandths(hours(covered)),
            gaps: self.gaps(),
            temperature: self.temperature.quantity(),
            humidity: self.humidity.quantity(),
            both_h: thousandths(hours(self.both_ms)),
            // Thousandths of a pascal times milliseconds.
            dose_kpa_day: thousandths(self.deficit as f64 / 1e6 / HOUR_MS as f64 / DAY_H),
            spread_low_k: self.spread.map(at),
            against: (span.role == Role::Air).then(|| Against {
                bands: self.bands(),
                judged_h: if humid { both } else { t },
                in_band_h: if humid { both_in } else { t_in },
                temperature_h: [t, t_in],
                humidity_h: [rh, rh_in],
                sides,
                excursions,
            }),
        }
    }

    fn bands(&self) -> Vec<InForce> {
        let mut bands: Vec<InForce> = Vec::new();
        let first = self.yardstick.at(self.from);
        for span in &self.yardstick.spans[first..] {
            if self.to <= span.from {
                break;
            }
            if let Some(band) = span.band
                && bands.last().is_none_or(|last| last.band != band)
            {
                bands.push(InForce {
                    from: span.from.max(self.from).to_utc(),
                    band,
                });
            }
        }
        bands
    }

    /// Time in service and in use in which nothing held.
    fn gaps(&self) -> Gaps {
        let mut gaps = Gaps::default();
        let (mut all, mut longest) = (0, 0);
        let mut covered = self.covered.iter().peekable();
        let mut missed = |from: Stamp, to: Stamp| {
            let ms = to.since(from);
            if 0 < ms {
                gaps.count += 1;
                all += ms;
                if longest < ms {
                    (longest, gaps.longest_from) = (ms, Some(from.to_utc()));
                }
            }
        };
        let mut open: Option<Stamp> = None;
        for (i, span) in self.yardstick.spans.iter().enumerate() {
            let begins = span.from.max(self.from);
            let next = self.yardstick.spans.get(i + 1);
            let ends = next.map_or(self.to, |n| n.from.min(self.to));
            if ends <= begins {
                continue;
            }
            if !span.counts() || !span.set_up {
                if let Some(from) = open.take() {
                    missed(from, begins);
                }
                continue;
            }
            let mut cursor = begins;
            while let Some((from, to)) = covered.peek().filter(|(from, _)| *from < ends) {
                if cursor < *from {
                    missed(open.take().unwrap_or(cursor), *from);
                } else if let Some(from) = open.take() {
                    missed(from, cursor);
                }
                cursor = cursor.max(*to);
                if ends < *to {
                    // It goes on in the next span.
                    break;
                }
                covered.next();
            }
            if cursor < ends {
                open = open.or(Some(cursor));
            }
        }
        if let Some(from) = open {
            missed(from, self.to);
        }
        gaps.hours = thousandths(hours(all));
        gaps.longest_h = thousandths(hours(longest));
        gaps
    }
}
