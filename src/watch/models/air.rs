//! One air sensor in means of ten minutes, and what it is heading for.

use std::collections::{BTreeMap, VecDeque};

use super::{
    SLOT_MS,
    forecast::{Course, Expected, Forecast, Target, Watch},
};
use crate::watch::{
    limits::Limits,
    reading::{HOUR_MS, Stamp, Values},
    recent::Sum,
};

/// What the air was, and when.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AirNow {
    /// When it was measured.
    pub at: Stamp,
    /// C.
    pub temperature_c: Option<f64>,
    /// Percent.
    pub humidity_pct: Option<f64>,
}

/// Means that are looked at for a trend.
const KEPT_MS: i64 = 6 * HOUR_MS;

/// The memory of one air sensor.
#[derive(Debug, Clone, Default)]
pub(super) struct AirSensor {
    /// Number of the slot that is filling.
    slot: Option<i64>,
    temperature: Sum,
    humidity: Sum,
    /// Sum of the times since the slot began, in milliseconds, over so many readings.
    times: (i64, i64),
    /// The last six hours, oldest first.
    means: VecDeque<AirNow>,
    watches: BTreeMap<Target, Watch>,
}

impl AirSensor {
    /// Limits as they are from here on; none are watched while nothing stands in the room.
    pub(super) fn adopt(&mut self, limits: Option<&Limits>, idle: bool) {
        let limits = limits.filter(|_| !idle);
        let wanted = limits.map(Target::of).unwrap_or_default();
        self.watches
            .retain(|target, _| wanted.iter().any(|(t, _)| t == target));
        for (target, limit) in wanted {
            self.watches.entry(target).or_default().limit = limit;
        }
    }

    /// The room was empty for long and is in use from here on. Ten minutes that nobody completed while it was
    /// empty are no part of what comes.
    pub(super) fn begin_anew(&mut self, at: Stamp) {
        if self.slot.is_some_and(|slot| (slot + 1) * SLOT_MS <= at.0) {
            self.slot = None;
            self.times = (0, 0);
            self.temperature = Sum::default();
            self.humidity = Sum::default();
        }
    }

    /// The newest mean.
    pub(super) fn now(&self) -> Option<AirNow> {
        self.means.back().copied()
    }

    /// Adds a reading; gives the mean of a slot that it completed. One of an earlier slot comes too late.
    #[inline]
    pub(super) fn hear(&mut self, at: Stamp, values: Values) -> Option<AirNow> {
        let slot = at.0.div_euclid(SLOT_MS);
        let mut done = None;
        match self.slot {
            Some(filling) if slot < filling => return None,
            Some(filling) if slot == filling => {}
            filling => {
                done = filling.and_then(|n| self.close(n));
                self.slot = Some(slot);
            }
        }
        self.temperature.add(values.temperature_mc);
        self.humidity.add(values.humidity_mpct);
        self.times.0 += at.0 - slot * SLOT_MS;
        self.times.1 += 1;
        done
    }

    fn close(&mut self, slot: i64) -> Option<AirNow> {
        let (total, count) = std::mem::take(&mut self.times);
        let (t, rh) = (
            std::mem::take(&mut self.temperature).mean(),
            std::mem::take(&mut self.humidity).mean(),
        );
        if count == 0 || (t.is_none() && rh.is_none()) {
            return None;
        }
        let mean = AirNow {
            at: Stamp(slot * SLOT_MS + total / count),
            temperature_c: t,
            humidity_pct: rh,
        };
        self.means.push_back(mean);
        while self
            .means
            .front()
            .is_some_and(|first| KEPT_MS < mean.at.since(first.at))
        {
            self.means.pop_front();
        }
        Some(mean)
    }

    /// Looks where the newest mean is heading; hands out forecasts made and forecasts settled.
    pub(super) fn look(&mut self, mut each: impl FnMut(Forecast)) {
        let mut courses = [
            Course::of(&self.means, |air| air.temperature_c),
            Course::of(&self.means, |air| air.humidity_pct),
        ];
        for (target, watch) in &mut self.watches {
            if let Some(course) = &mut courses[usize::from(target.is_humidity())] {
                watch.look(*target, course, &mut each);
            }
        }
    }

    /// Everything that is forecast now: towards what, where that lies, when it was said, and when it
    /// will be reached.
    pub(super) fn all_ahead(&self) -> impl Iterator<Item = (Target, f64, Stamp, Expected)> + '_ {
        self.watches.iter().filter_map(|(target, watch)| {
            let (at, arrives) = watch.ahead()?;
            Some((*target, watch.limit, at, arrives))
        })
    }

    /// Hours until a target that is forecast, and when that was last said.
    pub(super) fn ahead(&self, target: Target) -> Option<(Stamp, f64)> {
        let (at, arrives) = self.watches.get(&target)?.ahead()?;
        Some((at, arrives.hours))
    }
}
