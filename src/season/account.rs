//! The account of one winter, put together.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

use super::{
    body::{Body, DayRow, HourRow},
    calendar::{Calendar, LocalDay},
    conditions::{Excursion, Gathering, SensorWinter, thousandths},
    counsel::{self, Advice},
    lived::{
        self, Bands, Lived, Probe,
        apart::{Apart, Outside, apart, outside},
    },
    pattern::{Fate, Figure, Pattern, pattern},
    period::{self, Period},
    responses::Responses,
    sheet::{Sheet, Side},
    survival::{CrateLoss, Losses},
    yardstick::{Correction, Span, Yardstick, Yardsticks, hours},
};
use crate::{
    climate::tuber::SensorError,
    stock::ledger::Entry,
    watch::{Role, Stamp},
};

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

/// A figure that a crate lived through, and how it is read; none where it is not known.
type Lives = (Figure, fn(&Lived) -> Option<f64>);

/// The figures that losses are held against.
pub const FIGURES: [Lives; 9] = [
    (Figure::MeanTemperature, |c| Some(c.core.as_ref()?.mean_c)),
    (Figure::LowestTemperature, |c| {
        Some(c.core.as_ref()?.low.value)
    }),
    (Figure::HighestTemperature, |c| {
        Some(c.core.as_ref()?.high.value)
    }),
    (Figure::HoursCold, |c| c.core.as_ref().map(|_| c.cold_h)),
    (Figure::HoursDry, |c| humid(c).then_some(c.dry_h)),
    (Figure::HoursDamp, |c| humid(c).then_some(c.damp_h)),
    (Figure::DeficitDose, |c| humid(c).then_some(c.dose)),
    (Figure::Mould, |c| Some(c.mould_high.as_ref()?.value)),
    (Figure::HoursSweating, |c| humid(c).then_some(c.wet_h)),
];

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
    let of = |(figure, value): Lives| {
        let fates: Vec<Fate> = fates(crates, losses)
            .map(|(krate, loss)| Fate {
                lost: loss.lost,
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

/// One sensor's part in an account, gathered a day at a time.
#[derive(Debug)]
pub struct Gathered {
    period: (Stamp, Stamp),
    days: Vec<LocalDay>,
    sensors: Vec<SensorWinter>,
    /// By room and what its places begin with; the whole room has no such word.
    bodies: BTreeMap<(String, Option<String>), (Body, SensorError)>,
    probes: Vec<Probe>,
    bands: BTreeMap<String, Bands>,
}

impl Gathered {
    /// Of these days up to an instant; a day that is not over is counted as far as it is.
    pub fn new(calendar: &Calendar, period: Period, until: Stamp) -> Self {
        let (from, to) = calendar.span(period);
        Self {
            period: (from, to.min(until).max(from)),
            days: calendar.days(period).filter(|d| d.from < until).collect(),
            sensors: Vec::new(),
            bodies: BTreeMap::new(),
            probes: Vec::new(),
            bands: BTreeMap::new(),
        }
    }

    /// From the first instant to before the last.
    pub fn period(&self) -> (Stamp, Stamp) {
        self.period
    }

    /// Its days.
    pub fn days(&self) -> &[LocalDay] {
        &self.days
    }

    /// Takes a sensor with its sheets in order of days.
    pub fn sensor<E>(
        &mut self,
        yardstick: &Yardstick,
        sheets: impl IntoIterator<Item = Result<(LocalDay, Sheet), E>>,
    ) -> Result<(), E> {
        let (from, to) = self.period;
        let mut gathering = Gathering::new(yardstick, from, to);
        let mut probe: Option<Probe> = None;
        self.expect(yardstick);
        for sheet in sheets {
            let (day, sheet) = sheet?;
            gathering.add(&day, &sheet);
            let span = &yardstick.spans[yardstick.at(day.to.plus(-1))];
            match (span.role, &span.krate) {
                (Role::Air, _) => {
                    for key in keys(span) {
                        if let Some((body, _)) = self.bodies.get_mut(&key) {
                            body.add(&day, &sheet);
                        }
                    }
                }
                (Role::Crate, Some(code)) => {
                    let (first, end) = (self.days.first(), self.days.last());
                    let (Some(first), Some(end)) = (first, end) else {
                        continue;
                    };
                    let bins = bins(end.to.since(first.from));
                    let probe = probe.get_or_insert_with(|| Probe {
                        code: code.clone(),
                        start: first.from,
                        bins: vec![None; bins],
                    });
                    let offset = bins_before(day.from.since(first.from));
                    for (bin, ten) in probe.bins.iter_mut().skip(offset).zip(&sheet.tens) {
                        *bin = ten.temperature.map(|t| f64::from(t) / 1000.0);
                    }
                }
                _ => {}
            }
        }
        self.probes.extend(probe);
        self.sensors.push(gathering.finish());
        Ok(())
    }

    /// What should be there of a room's sensor, whether or not it said anything.
    fn expect(&mut self, yardstick: &Yardstick) {
        let (from, to) = self.period;
        let first = yardstick.at(from);
        for (i, span) in yardstick.spans.iter().enumerate().skip(first) {
            let begins = span.from.max(from);
            let ends = yardstick.spans.get(i + 1).map_or(to, |n| n.from.min(to));
            if ends <= begins || span.role != Role::Air {
                continue;
            }
            let bands = self
                .bands
                .entry(span.room.clone())
                .or_insert_with(|| Bands {
                    room: span.room.clone(),
                    from: Vec::new(),
                });
            // Every sensor of a room has its band.
            let at = bands.from.partition_point(|(at, _)| *at < begins);
            match bands.from.get_mut(at).filter(|(at, _)| *at == begins) {
                Some(known) => known.1 = span.band,
                None => bands.from.insert(at, (begins, span.band)),
            }
            for key in keys(span) {
                let days = &self.days;
                let (body, error) = self
                    .bodies
                    .entry(key)
                    .or_insert_with(|| (Body::new(days.iter().copied()), span.error));
                error.temperature_k = error.temperature_k.max(span.error.temperature_k);
                error.humidity_pct = error.humidity_pct.max(span.error.humidity_pct);
                if span.empty {
                    continue;
                }
                let from = days.partition_point(|d| d.to <= begins);
                for day in days[from..].iter().take_while(|d| d.from < ends) {
                    let ms = day.to.min(ends).since(day.from.max(begins));
                    body.expect(day, ms);
                }
            }
        }
    }

    /// What it comes to, with the ledger's entries in order.
    pub fn finish(
        self,
        calendar: &Calendar,
        yardsticks: &Yardsticks,
        off: &[(Stamp, Stamp)],
        entries: &[Entry],
    ) -> Conditions {
        let period = self.period;
        let ends: Vec<Stamp> = self.days.iter().map(|d| d.to.min(period.1)).collect();
        let edges: Vec<Stamp> = (self.days.first().map(|d| d.from).into_iter())
            .chain(ends.iter().copied())
            .collect();
        let bands: Vec<Bands> = self.bands.into_values().collect();
        let start = self.days.first().map_or(period.0, |d| d.from);
        let mut days: BTreeMap<String, (Vec<DayRow>, Vec<HourRow>)> = BTreeMap::new();
        let mut bodies = Vec::with_capacity(self.bodies.len());
        for ((room, near), (body, error)) in self.bodies {
            if near.is_none() {
                let mut hours = body.hours(calendar);
                hours.retain(|h| Stamp::from(h.at) < period.1);
                days.insert(room.clone(), (body.days(), hours));
            }
            bodies.push(lived::Body {
                room,
                near,
                start,
                bins: body.tens(),
                error,
            });
        }
        let lived = lived::account(&lived::Given {
            bodies: &bodies,
            entries,
            probes: &self.probes,
            bands: &bands,
            period,
            days: &ends,
        });
        let apart = apart(&bodies, &edges);
        let mut sensors = self.sensors;
        sensors.sort_by(|a, b| {
            (&a.room, a.role as u8, &a.sensor).cmp(&(&b.room, b.role as u8, &b.sensor))
        });
        for sensor in &mut sensors {
            let (room, near) = (sensor.room.clone(), sensor.near.clone());
            if let Some(against) = &mut sensor.against {
                for excursion in &mut against.excursions {
                    excursion.crates =
                        standing(&lived.crates, &bodies, &room, near.as_deref(), excursion);
                }
            }
        }
        let mut carpets: BTreeMap<String, Vec<(Stamp, f64)>> = (lived.carpets.into_iter())
            .map(|c| (c.room, c.hours))
            .collect();
        let stood = in_use(&lived.crates);
        let rooms = days.into_iter().map(|(room, (days, hours))| {
            let sensors = sensors
                .iter()
                .filter(|s| s.role == Role::Air && s.room == room);
            let unwatched_h = unwatched(&bands, &stood, &room, period);
            let whole = bodies.iter().find(|b| b.room == room && b.near.is_none());
            let sum = |of: fn(&DayRow) -> f64| thousandths(days.iter().map(of).sum());
            RoomWinter {
                unwatched_h,
                span_h: thousandths(sum(|d| d.span_h) + unwatched_h * sensors.count() as f64),
                covered_h: sum(|d| d.covered_h),
                judged_h: sum(|d| d.judged_h),
                in_band_h: sum(|d| d.in_band_h),
                margins: (carpets.remove(&room).unwrap_or_default().into_iter())
                    .map(|(at, k)| (at.to_utc(), thousandths(k)))
                    .collect(),
                apart: apart.iter().filter(|a| a.room == room).cloned().collect(),
                outside: whole.map_or_else(Outside::default, |b| outside(b, &bands, period)),
                room,
                days,
                hours,
            }
        });
        Conditions {
            rooms: rooms.collect(),
            record: Record {
                sensors,
                corrections: corrections(yardsticks, period),
                off: (off.iter())
                    .map(|(from, to)| (from.max(&period.0), to.min(&period.1)))
                    .filter(|(from, to)| from < to)
                    .map(|(from, to)| (from.to_utc(), to.to_utc()))
                    .collect(),
            },
            crates: lived.crates,
        }
    }
}

/// When any crate stood in each room, by its name in small letters: stretches in order, none touching.
fn in_use(crates: &[Lived]) -> BTreeMap<String, Vec<(Stamp, Stamp)>> {
    let mut all: BTreeMap<String, Vec<(Stamp, Stamp)>> = BTreeMap::new();
    for stay in crates.iter().flat_map(|c| &c.stays) {
        let own = all.entry(stay.room.trim().to_lowercase()).or_default();
        own.push((stay.from, stay.to));
    }
    for own in all.values_mut() {
        own.sort_unstable();
        let stays = std::mem::take(own);
        for (from, to) in stays {
            match own.last_mut().filter(|(_, last)| from <= *last) {
                Some((_, last)) => *last = to.max(*last),
                None => own.push((from, to)),
            }
        }
    }
    all
}

/// Hours in which crates stood in a room that was called empty.
fn unwatched(
    bands: &[Bands],
    stood: &BTreeMap<String, Vec<(Stamp, Stamp)>>,
    room: &str,
    (_, end): (Stamp, Stamp),
) -> f64 {
    let own = bands.iter().find(|b| b.room == room);
    let held: &[_] = own.map_or(&[], |b| b.from.as_slice());
    let mut ms = 0;
    for (i, (from, band)) in held.iter().enumerate() {
        if band.is_some() {
            continue;
        }
        let to = held.get(i + 1).map_or(end, |(next, _)| *next);
        let stays = stood.get(&room.trim().to_lowercase()).into_iter().flatten();
        ms += stays
            .map(|(a, b)| (*b).min(to).since((*a).max(*from)).max(0))
            .sum::<i64>();
    }
    thousandths(hours(ms))
}

fn bins_before(ms: i64) -> usize {
    usize::try_from(ms / super::sheet::TEN_MS).unwrap_or_default()
}

fn bins(ms: i64) -> usize {
    bins_before(ms + super::sheet::TEN_MS - 1)
}

/// The bodies of air that a sensor speaks for.
fn keys(span: &Span) -> BTreeSet<(String, Option<String>)> {
    [None, span.near.clone()]
        .into_iter()
        .map(|near| (span.room.clone(), near))
        .collect()
}

/// Codes of crates that stood in the air of a sensor during an excursion.
fn standing(
    crates: &[Lived],
    bodies: &[lived::Body],
    room: &str,
    near: Option<&str>,
    excursion: &Excursion,
) -> Vec<String> {
    let (from, to) = (Stamp::from(excursion.from), Stamp::from(excursion.to));
    let stood = |krate: &&Lived| {
        krate.stays.iter().any(|stay| {
            let here = stay.room.trim().eq_ignore_ascii_case(room);
            here && stay.from < to && from < stay.to && {
                let body = lived::body_of(bodies, &stay.room, &stay.place);
                // A sensor that speaks for no part speaks for all of the room.
                near.is_none() || body.is_some_and(|b| bodies[b].near.as_deref() == near)
            }
        })
    };
    let codes: BTreeSet<String> = crates
        .iter()
        .filter(stood)
        .map(|c| c.code.clone())
        .collect();
    codes.into_iter().collect()
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
