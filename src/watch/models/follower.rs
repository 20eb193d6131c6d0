//! One kind of crate on its way from air to air: what the winter's account computes with the very steps
//! that the judge takes.

use std::collections::BTreeMap;

use super::{AirMean, Cohort, Exposure, LONGEST_GAP_MS, cohort::Key};
use crate::{climate::tuber::SensorError, watch::reading::Stamp};

/// Crates that go the same way together. Everything it sums begins with them.
#[derive(Debug, Clone)]
pub struct Follower {
    /// One cohort alone, in the air in which it stands at the time.
    air: Exposure,
    last_at: Option<Stamp>,
}

impl Follower {
    /// Crates that follow their air in so many hours (to half hours, as the judge takes them); `probed` is
    /// the code of one that has a probe, which is told by [`Follower::probe`]. `before` is the last
    /// mean of the air that they come to, where there is one: they begin as warm as that.
    pub fn new(
        lag_h: f64,
        probed: Option<&str>,
        before: Option<AirMean>,
        error: SensorError,
    ) -> Self {
        let mut air = Exposure::new(None, Vec::new());
        (air.error, air.last) = (error, before);
        let key = Key::new(lag_h, probed.map(str::to_ascii_uppercase).as_ref());
        air.keep_cohorts(vec![key], &[], &BTreeMap::new());
        Self { air, last_at: None }
    }

    /// From here on they stand in another air, or follow it at another pace; `before` is the last mean of
    /// that air. What they went through they keep; how warm they were only if they were followed up to
    /// [`LONGEST_GAP_MS`] before.
    pub fn goes_on(&mut self, lag_h: f64, before: Option<AirMean>, at: Stamp, error: SensorError) {
        let lost = (self.last_at).is_none_or(|last| LONGEST_GAP_MS < at.since(last));
        (self.air.error, self.air.last) = (error, before);
        for mut cohort in std::mem::take(&mut self.air.cohorts) {
            let probed = cohort.probed().map(str::to_owned);
            let mut moved = {
                if lost {
                    (cohort.core_c, cohort.margin_k) = (None, None);
                }
                cohort.moved(Key::new(lag_h, probed.as_ref()))
            };
            self.air.begin(&mut moved);
            self.air.cohorts.push(moved);
        }
    }

    /// What the probe says, in C.
    pub fn probe(&mut self, at: Stamp, t_c: f64) {
        for cohort in &mut self.air.cohorts {
            cohort.probe(at, t_c);
        }
    }

    /// Takes in the next mean of the air; one that is earlier than the last changes nothing.
    pub fn take(&mut self, mean: &AirMean) {
        self.air.take(mean);
        self.last_at = Some(mean.at());
    }

    /// Their state: core, margin, wetness, mould and warmth. None never: it holds one cohort.
    pub fn cohort(&self) -> Option<&Cohort> {
        self.air.cohorts.first()
    }

    /// Deficit dose since they began, kPa day.
    pub fn dose(&self) -> f64 {
        self.air.dose
    }

    /// Hours over which the dose was summed: those between two means of temperature and humidity that lie
    /// no more than [`LONGEST_GAP_MS`] apart.
    pub fn covered_h(&self) -> f64 {
        self.air.covered_h
    }
}
