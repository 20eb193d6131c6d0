//! What every crate lived through: the judge's own models driven once more along the way that its crates
//! went, with everything that was measured and entered by now, whenever it came.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::{
    climate::{
        Packing,
        drying::{self, Coefficient, Outlook},
        tuber::{self, SensorError},
    },
    stock::ledger::{CrateId, Entry},
    watch::{
        limits::Band,
        models::{AirMean, Known, SLOT_MS, Weighing, learnt},
        reading::{HOUR_MS, Stamp},
    },
};

pub mod apart;
pub mod course;
#[cfg(test)]
mod tests;
mod walk;

pub use course::Stay;
use course::{Course, OnScale};
use walk::{Leg, Walked, walk};

/// One bin in hours.
const BIN_H: f64 = SLOT_MS as f64 / HOUR_MS as f64;
/// One day in hours.
const DAY_H: f64 = 24.0;

/// One body of air, in means of ten minutes.
#[derive(Debug, Clone, PartialEq)]
pub struct Body {
    /// The room.
    pub room: String,
    /// How the places in it begin; none is the whole room.
    pub near: Option<String>,
    /// When the first bin begins; every bin is as long as [`SLOT_MS`].
    pub start: Stamp,
    /// Mean temperature in C and, where known, humidity in percent of every bin; none where no reading held.
    pub bins: Vec<Option<(f64, Option<f64>)>>,
    /// How far its sensors may be off, the worst of them.
    pub error: SensorError,
}

/// The probe of one crate, in means of ten minutes.
#[derive(Debug, Clone, PartialEq)]
pub struct Probe {
    /// The crate's code.
    pub code: String,
    /// When the first bin begins.
    pub start: Stamp,
    /// Mean temperature in C of every bin; none where no reading held.
    pub bins: Vec<Option<f64>>,
}

/// What one room was held against.
#[derive(Debug, Clone, PartialEq)]
pub struct Bands {
    /// The room.
    pub room: String,
    /// From when on which band; none where nothing was judged. In order of time; before the first nothing
    /// was judged.
    pub from: Vec<(Stamp, Option<Band>)>,
}

/// All that an account of crates is made from.
#[derive(Debug, Clone, Copy)]
pub struct Given<'a> {
    /// Every body of air of every room.
    pub bodies: &'a [Body],
    /// The whole ledger in order.
    pub entries: &'a [Entry],
    /// Probes in crates.
    pub probes: &'a [Probe],
    /// Bands of the rooms.
    pub bands: &'a [Bands],
    /// The period; what lies outside is not counted.
    pub period: (Stamp, Stamp),
    /// Ends of local days within the period, in order: where the daily curve has its points.
    pub days: &'a [Stamp],
}

/// A value and when it was so.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct At {
    /// The value.
    pub value: f64,
    /// The middle of its ten minutes.
    pub at: Stamp,
}

/// Temperature among the tubers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Core {
    /// Lowest, C; the first of several.
    pub low: At,
    /// Highest, C; the first of several.
    pub high: At,
    /// Mean over the hours in which it is known, C.
    pub mean_c: f64,
    /// Hours in which it is known.
    pub known_h: f64,
}

/// Hours of a crate by what was known of them.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Cover {
    /// Hours in store.
    pub of_h: f64,
    /// Of these, hours in which a reading of temperature held in its air.
    pub covered_h: f64,
    /// Of these, hours in which one of humidity held as well.
    pub humid_h: f64,
    /// Hours without these two in gaps of no more than six hours ([`LONGEST_GAP_MS`]), over which the models
    /// went straight from one mean to the next, as the judge does.
    ///
    /// [`LONGEST_GAP_MS`]: crate::watch::models::LONGEST_GAP_MS
    pub bridged_h: f64,
    /// The rest: hours over which no dose was summed.
    pub gap_h: f64,
}

/// The water that a crate lost, as a share of its weight in percent.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Shrink {
    /// The middle, and 90 % around it.
    pub lost: Outlook,
    /// The coefficient: of several packings, weighted by the dose in each.
    pub by: Coefficient,
    /// How that of the last packing is known.
    pub known: Known,
}

/// One weighing.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OnTheScale {
    /// When.
    pub at: Stamp,
    /// Grams.
    pub grams: u32,
    /// Percent lost since the first weight that compares with it, below 0 where it gained; none for that
    /// first weight itself.
    pub lost_pct: Option<f64>,
    /// Deficit dose by then, kPa day.
    pub dose: f64,
}

/// The end of one local day.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DayEnd {
    /// When it ended, or when the crate's time in store did.
    pub at: Stamp,
    /// Deficit dose by then, kPa day.
    pub dose: f64,
    /// Share of weight lost by then, 0 to 1, with 90 % around it; hours of which nothing is known counted at
    /// the mean pace so far.
    pub lost: Outlook,
}

/// What one crate lived through, of one filling.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Lived {
    /// Its key in the ledger.
    #[serde(rename = "crate")]
    pub id: CrateId,
    /// What stands on its label.
    pub code: String,
    /// Which filling of the period, from 1; a crate that was empty for a day holds another one.
    pub filling: u32,
    /// Where it stood and how it was packed.
    pub stays: Vec<Stay>,
    /// First tubers in, within the period.
    pub from: Stamp,
    /// Last tubers out, or the end of the period.
    pub to: Stamp,
    /// Hours by what is known of them.
    pub cover: Cover,
    /// Its core; none where it was never known.
    pub core: Option<Core>,
    /// Hours of the core below the band in force.
    pub cold_h: f64,
    /// Hours of the core above it.
    pub warm_h: f64,
    /// Hours of its air drier than the band in force.
    pub dry_h: f64,
    /// Hours of its air damper than that.
    pub damp_h: f64,
    /// Deficit dose, kPa day.
    pub dose: f64,
    /// Hours sweating.
    pub wet_h: f64,
    /// Hours so near to it that nobody can tell.
    pub unsure_h: f64,
    /// Smallest distance from sweating, kelvin.
    pub margin_k: Option<At>,
    /// Mould index at the end on the surface of its packing, 0 to 6.
    pub mould_end: f64,
    /// The highest that it was on the surface of its packing of the time.
    pub mould_high: Option<At>,
    /// Warmth since 1 January or, for a crate that came later, since then, C day above the base.
    pub heat: f64,
    /// Water lost; none where no dose could be summed.
    pub shrink: Option<Shrink>,
    /// Its weighings in order.
    pub weighings: Vec<OnTheScale>,
    /// Water lost by the day.
    pub days: Vec<DayEnd>,
}

/// The crate nearest to sweating in one room, hour by hour.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Carpet {
    /// The room.
    pub room: String,
    /// Starts of hours (UTC) and the least distance from sweating of any crate in them, kelvin. Hours in which
    /// it is not known of any crate are left out.
    pub hours: Vec<(Stamp, f64)>,
}

/// What all crates lived through.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Account {
    /// In the order in which the crates were made.
    pub crates: Vec<Lived>,
    /// Every room with a crate whose distance from sweating is known.
    pub carpets: Vec<Carpet>,
    /// How many ways were computed.
    pub ways: usize,
}

/// Works out what every crate lived through.
///
/// The judge's models are driven by means of ten minutes that lie at the middle of their bin, along the
/// way of each crate. So it comes out as the judge has it where readings came in time, with these
/// differences: the judge takes plain means of the readings of ten minutes, and steps as long after each
/// other as they were measured; it has a crate that comes into a room follow the air from the room's past,
/// where here it begins as warm as the air, without mould, wet hours and warmth of others; it counts a crate
/// from the day it was dug also where it was put into this crate later; a move counts here from when it was
/// done and there from when it was entered; and a probe's word counts here for its ten minutes and at most
/// an hour on, there from its minute.
///
/// Gaps are bridged as by the judge, up to six hours ([`LONGEST_GAP_MS`]), for the dose, wet hours, warmth and mould
/// alone, and counted in [`Cover`]; hours outside of the band are those of covered bins.
///
/// [`LONGEST_GAP_MS`]: crate::watch::models::LONGEST_GAP_MS
pub fn account(given: &Given<'_>) -> Account {
    let means: Vec<Vec<Option<AirMean>>> = given.bodies.iter().map(means).collect();
    let courses = course::courses(given.entries, given.period);
    // Crates that went the same way share it; what each weighed asks for the dose at instants of its own.
    let mut ways: BTreeMap<Vec<Leg>, (Vec<Stamp>, Vec<usize>)> = BTreeMap::new();
    for (n, course) in courses.iter().enumerate() {
        let (marks, of) = ways.entry(legs(given, course)).or_default();
        marks.extend(course.weighings.iter().map(|w| w.at));
        // Where a packing begins.
        let pairs = course.stays.windows(2);
        let anew = pairs.filter(|pair| pair[0].packing != pair[1].packing);
        marks.extend(anew.map(|pair| pair[1].from));
        of.push(n);
    }
    let mut carpets: BTreeMap<usize, BTreeMap<i64, f64>> = BTreeMap::new();
    let mut walks: Vec<Walked> = Vec::with_capacity(ways.len());
    let mut of_course = vec![0; courses.len()];
    for (legs, (mut marks, of)) in ways {
        marks.sort_unstable();
        marks.dedup();
        walks.push(walk(given, &means, &legs, marks, &mut carpets));
        for n in of {
            of_course[n] = walks.len() - 1;
        }
    }
    let walked = |n: usize| &walks[of_course[n]];
    let weighed: Vec<Vec<(Packing, Vec<Weighing>)>> = (courses.iter().enumerate())
        .map(|(n, course)| in_packings(course, walked(n)))
        .collect();
    let flat: Vec<(Packing, &[Weighing])> = (weighed.iter().flatten())
        .map(|(packing, weighings)| (*packing, weighings.as_slice()))
        .collect();
    let mut known = learnt(&flat).crates.into_iter();
    let crates = (courses.iter().zip(&weighed).enumerate())
        .map(|(n, (course, packings))| {
            let own: Vec<(Coefficient, Known)> = known.by_ref().take(packings.len()).collect();
            lived(course, walked(n), &own)
        })
        .collect();
    let carpets = carpets.into_iter().map(|(room, hours)| Carpet {
        room: given.bodies[room].room.clone(),
        hours: (hours.into_iter())
            .map(|(hour, margin)| (Stamp(hour * HOUR_MS), margin))
            .collect(),
    });
    Account {
        crates,
        carpets: carpets.collect(),
        ways: walks.len(),
    }
}

/// What every bin comes to, each at its middle.
fn means(body: &Body) -> Vec<Option<AirMean>> {
    let each = body.bins.iter().enumerate().map(|(n, bin)| {
        let (t, rh) = (*bin)?;
        Some(AirMean::of(middle(body.start, n), t, rh, body.error))
    });
    each.collect()
}

/// The middle of a bin.
fn middle(start: Stamp, bin: usize) -> Stamp {
    start.plus(bin as i64 * SLOT_MS + SLOT_MS / 2)
}

/// The first bin whose middle is not before an instant.
fn bin_at(start: Stamp, at: Stamp) -> usize {
    let before = at.since(start) - SLOT_MS / 2;
    usize::try_from((before + SLOT_MS - 1).div_euclid(SLOT_MS)).unwrap_or(0)
}

/// The body of air that a place in a room belongs to: the one whose name the place begins with, the longest
/// of several, else the whole room's; none in a room that is not watched.
pub fn body_of(bodies: &[Body], room: &str, place: &str) -> Option<usize> {
    let place = place.trim().to_lowercase();
    let own = bodies.iter().enumerate();
    let own = own.filter(|(_, b)| b.room.trim().eq_ignore_ascii_case(room.trim()));
    let near = own.filter(|(_, b)| {
        let near = b.near.as_ref();
        near.is_none_or(|n| place.starts_with(&n.to_lowercase()))
    });
    near.max_by_key(|(_, b)| b.near.as_ref().map(String::len))
        .map(|(n, _)| n)
}

/// The way of a crate through bodies of air.
fn legs(given: &Given<'_>, course: &Course) -> Vec<Leg> {
    let code = |p: &Probe| p.code.trim().eq_ignore_ascii_case(&course.code);
    let probe = given.probes.iter().position(code);
    let mut legs: Vec<Leg> = Vec::new();
    for stay in &course.stays {
        let Some(body) = body_of(given.bodies, &stay.room, &stay.place) else {
            continue;
        };
        let air = &given.bodies[body];
        let kg = stay.tubers_g.map(|g| f64::from(g) / 1000.0);
        let leg = Leg {
            body,
            bins: (
                bin_at(air.start, stay.from),
                bin_at(air.start, stay.to).min(air.bins.len()),
            ),
            // Half hours, as crates are told apart by.
            half_hours: (tuber::lag_h(stay.packing, kg) * 2.0).round() as u32,
            packing: stay.packing,
            probe,
        };
        if leg.bins.1 <= leg.bins.0 {
            continue;
        }
        match legs.last_mut() {
            Some(last) if last.goes_on_as(&leg) => last.bins.1 = leg.bins.1,
            _ => legs.push(leg),
        }
    }
    legs
}

/// A crate's packings in order, each with the weighings that compare with each other and were the last in
/// it.
fn in_packings(course: &Course, walked: &Walked) -> Vec<(Packing, Vec<Weighing>)> {
    let mut packings: Vec<(Packing, Stamp)> = Vec::new();
    for stay in &course.stays {
        match packings.last_mut() {
            Some((packing, to)) if *packing == stay.packing => *to = stay.to,
            _ => packings.push((stay.packing, stay.to)),
        }
    }
    let mut left = course.weighings.as_slice();
    let last = packings.len().saturating_sub(1);
    let each = packings.into_iter().enumerate().map(|(n, (packing, to))| {
        let here = if n == last {
            left.len()
        } else {
            left.partition_point(|w| w.at < to)
        };
        let (own, rest) = left.split_at(here);
        left = rest;
        let run = own.iter().rposition(|w| w.anew).unwrap_or(0);
        let run = own[run..].iter().map(|w| Weighing {
            at: w.at,
            grams: w.grams,
            dose: walked.dose_at(w.at),
        });
        (packing, run.collect())
    });
    each.collect()
}

/// Puts together what is a crate's alone with what its way did.
fn lived(course: &Course, walked: &Walked, known: &[(Coefficient, Known)]) -> Lived {
    let of_h = |until: Stamp| {
        let stays = course.stays.iter();
        stays
            .map(|s| s.to.min(until).since(s.from).max(0) as f64 / HOUR_MS as f64)
            .sum::<f64>()
    };
    let (from, to) = match (course.stays.first(), course.stays.last()) {
        (Some(first), Some(last)) => (first.from, last.to),
        _ => (Stamp(0), Stamp(0)),
    };
    // Packings that follow each other, as `known` has them; their doses as the way went.
    let mut stretches: Vec<(Stamp, Coefficient)> = Vec::new();
    let mut last: Option<Packing> = None;
    let mut own = known.iter();
    for stay in &course.stays {
        if last != Some(stay.packing) {
            last = Some(stay.packing);
            stretches.extend(own.next().map(|(k, _)| (stay.from, *k)));
        }
    }
    let lost = |at: Stamp, dose: f64, summed_h: f64| -> Option<(Outlook, Coefficient)> {
        let by = weighted(&stretches, |of| walked.dose_at(of), at, dose)?;
        let rate = if 0.0 < summed_h {
            dose / summed_h * DAY_H
        } else {
            0.0
        };
        let gap_h = (of_h(at) - summed_h).max(0.0);
        Some((drying::outlook(by, dose, rate, 0.0, 0.0, gap_h), by))
    };
    let ends = walked.days.iter().filter(|d| from < d.at && d.at < to);
    let end = walk::Summed {
        at: to,
        dose: walked.dose,
        summed_h: walked.summed_h,
    };
    let days = ends.chain(std::iter::once(&end)).filter_map(|d| {
        Some(DayEnd {
            at: d.at,
            dose: d.dose,
            lost: lost(d.at, d.dose, d.summed_h)?.0,
        })
    });
    let shrink = (0.0 < walked.summed_h)
        .then(|| lost(to, walked.dose, walked.summed_h))
        .flatten()
        .zip(known.last())
        .map(|((lost, by), (_, known))| Shrink {
            lost,
            by,
            known: *known,
        });
    let of = of_h(to);
    Lived {
        id: course.id,
        code: course.code.clone(),
        filling: course.filling,
        stays: course::plain(&course.stays),
        from,
        to,
        cover: Cover {
            of_h: of,
            covered_h: walked.covered_h.min(of),
            humid_h: walked.humid_h.min(of),
            bridged_h: (walked.summed_h - walked.humid_h).max(0.0),
            gap_h: (of - walked.summed_h.max(walked.humid_h)).max(0.0),
        },
        core: walked.core,
        cold_h: walked.cold_h,
        warm_h: walked.warm_h,
        dry_h: walked.dry_h,
        damp_h: walked.damp_h,
        dose: walked.dose,
        wet_h: walked.wet_h,
        unsure_h: walked.unsure_h,
        margin_k: walked.margin_k,
        mould_end: walked.mould_end,
        mould_high: walked.mould_high,
        heat: walked.heat,
        shrink,
        weighings: weighings(&course.weighings, walked),
        days: days.collect(),
    }
}

/// The coefficient of several packings, each weighted by the dose taken in it; that of the first where
/// there was none. The ends are taken to be off together.
fn weighted(
    stretches: &[(Stamp, Coefficient)],
    dose_at: impl Fn(Stamp) -> f64,
    until: Stamp,
    dose: f64,
) -> Option<Coefficient> {
    let begun = stretches.iter().filter(|(from, _)| *from < until);
    let first = stretches.first()?.1;
    if dose <= 0.0 || begun.clone().count() < 2 {
        return Some(first);
    }
    let mut sum = Coefficient {
        k: 0.0,
        low: 0.0,
        high: 0.0,
    };
    let mut begun = begun.peekable();
    while let Some((from, k)) = begun.next() {
        let to = begun.peek().map_or(dose, |(next, _)| dose_at(*next));
        let share = (to - dose_at(*from)).max(0.0) / dose;
        sum.k += k.k * share;
        sum.low += k.low * share;
        sum.high += k.high * share;
    }
    Some(if 0.0 < sum.k { sum } else { first })
}

fn weighings(weighings: &[OnScale], walked: &Walked) -> Vec<OnTheScale> {
    let mut first: Option<u32> = None;
    let each = weighings.iter().map(|w| {
        let base = first.filter(|_| !w.anew);
        if base.is_none() {
            first = Some(w.grams);
        }
        OnTheScale {
            at: w.at,
            grams: w.grams,
            lost_pct: base.map(|base| 100.0 * (1.0 - f64::from(w.grams) / f64::from(base.max(1)))),
            dose: walked.dose_at(w.at),
        }
    });
    each.collect()
}
