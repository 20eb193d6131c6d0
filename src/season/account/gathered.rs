//! The sheets of all sensors on their way into an account.

use std::collections::{BTreeMap, BTreeSet};

use super::{Conditions, Record, RoomWinter, corrections};
use crate::{
    climate::tuber::SensorError,
    season::{
        body::{Body, DayRow, HourRow},
        calendar::{Calendar, LocalDay},
        conditions::{Excursion, Gathering, SensorWinter, thousandths},
        lived::{
            self, Bands, Lived, Probe,
            apart::{Outside, apart, outside},
        },
        period::Period,
        sheet::{Sheet, TEN_MS},
        yardstick::{Span, Yardstick, Yardsticks, hours, in_use, unasked},
    },
    stock::ledger::Entry,
    watch::{Role, Stamp},
};

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

    /// Probes in crates, as far as they are gathered.
    pub fn probes(&self) -> impl Iterator<Item = &Probe> {
        self.probes.iter()
    }

    /// Takes a sensor with its sheets in order of days. Where it was put elsewhere, a day counts for the place
    /// in which it stood at the day's end; days that have not begun are passed over, though what a slow
    /// sensor said may hold into them.
    pub fn sensor<E>(
        &mut self,
        yardstick: &Yardstick,
        sheets: impl IntoIterator<Item = Result<(LocalDay, Sheet), E>>,
    ) -> Result<(), E> {
        let (from, to) = self.period;
        let mut sheets = sheets.into_iter().collect::<Result<Vec<_>, E>>()?;
        let set_up = yardstick.between(from, to).any(|(_, _, span)| span.set_up);
        if !set_up && sheets.is_empty() {
            // It was not there yet, or not any more.
            return Ok(());
        }
        self.expect(yardstick);
        for (begins, ends) in self.stretches(yardstick) {
            let after = sheets.partition_point(|(day, _)| day.from < ends);
            let mut own: Vec<(LocalDay, Sheet)> = sheets.drain(..after).collect();
            let says = |sheet: &Sheet| sheet.hours.iter().any(|h| h.humidity.ms != 0);
            let humid = own.iter().any(|(_, sheet)| says(sheet));
            let mut gathering = Gathering::new(yardstick, begins, ends);
            for (day, sheet) in &mut own {
                until(sheet, to.since(day.from));
                gathering.add(day, sheet);
                self.add(yardstick, day, sheet, humid);
            }
            // Where it neither was to be nor was heard it never was.
            self.sensors
                .extend(gathering.counts().then(|| gathering.finish()));
        }
        Ok(())
    }

    fn add(&mut self, yardstick: &Yardstick, day: &LocalDay, sheet: &Sheet, humid: bool) {
        let span = place(yardstick, day);
        match (span.role, &span.krate) {
            (Role::Air, _) => {
                let heard = sheet.covered.iter().map(|(a, b)| {
                    let at = |ms: u32| day.from.plus(i64::from(ms));
                    (at(*a), at(*b))
                });
                let unasked = unasked(yardstick, heard);
                for key in keys(span) {
                    if let Some((body, _)) = self.bodies.get_mut(&key) {
                        body.expect(day, unasked);
                        body.add(day, sheet, humid);
                    }
                }
            }
            (Role::Crate, Some(code)) => {
                let (Some(first), Some(end)) = (self.days.first(), self.days.last()) else {
                    return;
                };
                let bins = bins(end.to.since(first.from));
                let own = |p: &Probe| p.code.trim().eq_ignore_ascii_case(code.trim());
                let place = self.probes.iter().position(own).unwrap_or_else(|| {
                    self.probes.push(Probe {
                        code: code.clone(),
                        start: first.from,
                        bins: vec![None; bins],
                    });
                    self.probes.len() - 1
                });
                let offset = bins_before(day.from.since(first.from));
                let bins = self.probes[place].bins.iter_mut().skip(offset);
                // Of two in one crate the first.
                for (bin, ten) in bins.zip(&sheet.tens).filter(|(bin, _)| bin.is_none()) {
                    *bin = ten.temperature.map(|t| f64::from(t) / 1000.0);
                }
            }
            _ => {}
        }
    }

    /// The stretches of days that a sensor stood in one place, each from when to before when.
    fn stretches(&self, yardstick: &Yardstick) -> Vec<(Stamp, Stamp)> {
        let of = |day: &LocalDay| {
            let span = place(yardstick, day);
            (&span.room, &span.near, span.role, &span.krate)
        };
        let runs = self.days.chunk_by(|a, b| of(a) == of(b));
        let end = self.period.1;
        runs.filter_map(|run| Some((run.first()?.from, run.last()?.to.min(end))))
            .collect()
    }

    /// What should be there of a room's sensor, whether or not it said anything.
    fn expect(&mut self, yardstick: &Yardstick) {
        let (from, to) = self.period;
        for (begins, _, span) in yardstick.between(from, to) {
            if span.role != Role::Air {
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
                let (_, error) = self
                    .bodies
                    .entry(key)
                    .or_insert_with(|| (Body::new(days.iter().copied()), span.error));
                error.temperature_k = error.temperature_k.max(span.error.temperature_k);
                error.humidity_pct = error.humidity_pct.max(span.error.humidity_pct);
            }
        }
        for day in &self.days {
            let span = place(yardstick, day);
            if span.role != Role::Air {
                continue;
            }
            let (used, _) = in_use(yardstick, day.from, day.to.min(to));
            for key in keys(span) {
                if let Some((body, _)) = self.bodies.get_mut(&key) {
                    body.expect(day, used);
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
        let stood = stood(&lived.crates);
        let rooms = days.into_iter().map(|(room, (days, hours))| {
            let air = sensors
                .iter()
                .filter(|s| s.role == Role::Air && s.room == room);
            let unwatched_h = unwatched(&bands, &stood, &room, period);
            let whole = bodies.iter().find(|b| b.room == room && b.near.is_none());
            let sum = |of: fn(&DayRow) -> f64| thousandths(days.iter().map(of).sum());
            RoomWinter {
                unwatched_h,
                span_h: thousandths(sum(|d| d.span_h) + unwatched_h * air.count() as f64),
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
fn stood(crates: &[Lived]) -> BTreeMap<String, Vec<(Stamp, Stamp)>> {
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
    usize::try_from(ms / TEN_MS).unwrap_or_default()
}

fn bins(ms: i64) -> usize {
    bins_before(ms + TEN_MS - 1)
}

/// What holds beyond the present is not recorded yet.
fn until(sheet: &mut Sheet, end: i64) {
    let end = u32::try_from(end).unwrap_or(u32::MAX);
    for (_, to) in &mut sheet.covered {
        *to = end.min(*to);
    }
    sheet.covered.retain(|(from, to)| from < to);
}

/// How a sensor stood at the end of a day.
fn place<'a>(yardstick: &'a Yardstick, day: &LocalDay) -> &'a Span {
    &yardstick.spans[yardstick.at(day.to.plus(-1))]
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
