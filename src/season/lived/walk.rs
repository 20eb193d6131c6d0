//! The models along the way of crates that went together.

use std::collections::BTreeMap;

use super::{At, BIN_H, Bands, Core, Given, bin_at, middle};
use crate::{
    climate::Packing,
    watch::{
        limits::Band,
        models::{AirMean, Follower},
        reading::{HOUR_MS, Stamp},
    },
};

/// A stretch of a way in one air, at one pace and in one packing.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Leg {
    /// Which body of air.
    pub(super) body: usize,
    /// Its first bin, and the one after its last.
    pub(super) bins: (usize, usize),
    /// Time constant in half hours.
    pub(super) half_hours: u32,
    pub(super) packing: Packing,
    /// Which probe.
    pub(super) probe: Option<usize>,
}

impl Leg {
    /// The other one follows it without a change.
    pub(super) fn goes_on_as(&self, next: &Self) -> bool {
        let of = |leg: &Self| (leg.body, leg.half_hours, leg.packing, leg.probe);
        of(self) == of(next) && self.bins.1 == next.bins.0
    }

    fn lag_h(&self) -> f64 {
        f64::from(self.half_hours) / 2.0
    }
}

/// What was summed by an instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Summed {
    pub(super) at: Stamp,
    /// kPa day.
    pub(super) dose: f64,
    /// Hours over which it was summed.
    pub(super) summed_h: f64,
}

/// What a way did to the crates that went it.
#[derive(Debug, Clone, Default)]
pub(super) struct Walked {
    pub(super) covered_h: f64,
    pub(super) humid_h: f64,
    pub(super) summed_h: f64,
    pub(super) core: Option<Core>,
    pub(super) cold_h: f64,
    pub(super) warm_h: f64,
    pub(super) dry_h: f64,
    pub(super) damp_h: f64,
    pub(super) dose: f64,
    pub(super) wet_h: f64,
    pub(super) unsure_h: f64,
    pub(super) margin_k: Option<At>,
    pub(super) mould_end: f64,
    pub(super) mould_high: Option<At>,
    pub(super) heat: f64,
    /// At the ends of days.
    pub(super) days: Vec<Summed>,
    /// At instants that were asked for.
    marks: Vec<(Stamp, f64)>,
}

impl Walked {
    /// The dose by an instant that was asked for when the way was gone, or by the one asked for before it.
    pub(super) fn dose_at(&self, at: Stamp) -> f64 {
        let next = self.marks.partition_point(|(mark, _)| *mark <= at);
        next.checked_sub(1).map_or(0.0, |n| self.marks[n].1)
    }
}

/// The band of a room at instants that come in order.
pub(super) struct InForce<'a> {
    from: &'a [(Stamp, Option<Band>)],
    next: usize,
}

impl<'a> InForce<'a> {
    pub(super) fn new(bands: &'a [Bands], room: &str) -> Self {
        let own = |b: &&Bands| b.room.trim().eq_ignore_ascii_case(room.trim());
        let from = bands.iter().find(own).map_or(&[][..], |b| &b.from);
        Self { from, next: 0 }
    }

    pub(super) fn at(&mut self, at: Stamp) -> Option<Band> {
        while self
            .from
            .get(self.next)
            .is_some_and(|(from, _)| *from <= at)
        {
            self.next += 1;
        }
        self.from.get(self.next.checked_sub(1)?)?.1
    }
}

/// Goes a way once. `marks` are instants at which the dose is asked for, in order; the least distances from
/// sweating by room (its first body) and hour go into `carpets`.
pub(super) fn walk(
    given: &Given<'_>,
    means: &[Vec<Option<AirMean>>],
    legs: &[Leg],
    marks: Vec<Stamp>,
    carpets: &mut BTreeMap<usize, BTreeMap<i64, f64>>,
) -> Walked {
    let mut walked = Walked::default();
    let mut follower: Option<Follower> = None;
    let mut marks = marks.into_iter().peekable();
    let mut days = given.days.iter().copied().peekable();
    let mut sum = 0.0;
    for leg in legs {
        let body = &given.bodies[leg.body];
        let air = &means[leg.body];
        let before = air[..leg.bins.0].iter().rev().flatten().next().copied();
        let first = middle(body.start, leg.bins.0);
        let crate_on = if let Some(follower) = &mut follower {
            follower.goes_on(leg.lag_h(), before, first, body.error);
            follower
        } else {
            let probe = leg.probe.map(|n| given.probes[n].code.as_str());
            follower.insert(Follower::new(leg.lag_h(), probe, before, body.error))
        };
        let own = |b: &super::Body| b.room.trim().eq_ignore_ascii_case(body.room.trim());
        let room = given.bodies.iter().position(own).unwrap_or(leg.body);
        let carpet = carpets.entry(room).or_default();
        // The least of the hour that is filling.
        let mut hour: Option<(i64, f64)> = None;
        let mut band = InForce::new(given.bands, &body.room);
        let surface = leg.packing.surface() as usize;
        for (n, mean) in air.iter().enumerate().take(leg.bins.1).skip(leg.bins.0) {
            let at = middle(body.start, n);
            while days.peek().is_some_and(|day| *day <= at) {
                walked.days.extend(days.next().map(|day| Summed {
                    at: day,
                    dose: crate_on.dose(),
                    summed_h: crate_on.covered_h(),
                }));
            }
            while marks.peek().is_some_and(|mark| *mark <= at) {
                let dose = crate_on.dose();
                walked.marks.extend(marks.next().map(|mark| (mark, dose)));
            }
            let probe = leg.probe.and_then(|p| {
                let probe = &given.probes[p];
                *probe.bins.get(bin_at(probe.start, at))?
            });
            if let Some(t) = probe {
                crate_on.probe(at, t);
            }
            let mut core = probe;
            if let Some(mean) = mean {
                crate_on.take(mean);
                walked.covered_h += BIN_H;
                if let Some(cohort) = crate_on.cohort() {
                    core = cohort.core_c;
                    let index = cohort.mould[surface].index;
                    higher(&mut walked.mould_high, At { value: index, at });
                    if let Some((of, margin)) = cohort.margin_k.filter(|(of, _)| *of == at) {
                        lower(
                            &mut walked.margin_k,
                            At {
                                value: margin,
                                at: of,
                            },
                        );
                        let this = at.0.div_euclid(HOUR_MS);
                        match &mut hour {
                            Some((same, least)) if *same == this => *least = least.min(margin),
                            over => {
                                if let Some(over) = over.replace((this, margin)) {
                                    keep(carpet, over);
                                }
                            }
                        }
                    }
                }
            }
            let band = band.at(at);
            if let Some(core) = core {
                sum += core;
                note_core(&mut walked.core, core, at);
                if let Some(band) = band {
                    walked.cold_h += if core < band.low_c { BIN_H } else { 0.0 };
                    walked.warm_h += if band.high_c < core { BIN_H } else { 0.0 };
                }
            }
            let humidity = body.bins[n].and_then(|(_, rh)| rh);
            if let Some(rh) = humidity {
                walked.humid_h += BIN_H;
                if let Some(band) = band {
                    walked.dry_h += if rh < band.low_pct { BIN_H } else { 0.0 };
                    walked.damp_h += if band.high_pct < rh { BIN_H } else { 0.0 };
                }
            }
        }
        if let Some(over) = hour {
            keep(carpet, over);
        }
        if let Some(cohort) = crate_on.cohort() {
            walked.mould_end = cohort.mould[surface].index;
        }
    }
    carpets.retain(|_, hours| !hours.is_empty());
    let Some(follower) = follower else {
        return walked;
    };
    (walked.dose, walked.summed_h) = (follower.dose(), follower.covered_h());
    walked.marks.extend(marks.map(|mark| (mark, walked.dose)));
    walked.days.extend(days.map(|at| Summed {
        at,
        dose: walked.dose,
        summed_h: walked.summed_h,
    }));
    if let Some(cohort) = follower.cohort() {
        (walked.wet_h, walked.unsure_h) = (cohort.wet_h, cohort.unsure_h);
        walked.heat = cohort.heat;
    }
    if let Some(core) = &mut walked.core {
        core.mean_c = sum * BIN_H / core.known_h;
    }
    walked
}

fn keep(carpet: &mut BTreeMap<i64, f64>, (hour, margin): (i64, f64)) {
    let least = carpet.entry(hour).or_insert(margin);
    *least = least.min(margin);
}

fn lower(least: &mut Option<At>, this: At) {
    if least.is_none_or(|l| this.value < l.value) {
        *least = Some(this);
    }
}

fn higher(most: &mut Option<At>, this: At) {
    if most.is_none_or(|m| m.value < this.value) {
        *most = Some(this);
    }
}

fn note_core(core: &mut Option<Core>, t_c: f64, at: Stamp) {
    let this = At { value: t_c, at };
    let core = core.get_or_insert(Core {
        low: this,
        high: this,
        mean_c: t_c,
        known_h: 0.0,
    });
    core.known_h += BIN_H;
    if t_c < core.low.value {
        core.low = this;
    }
    if core.high.value < t_c {
        core.high = this;
    }
}
