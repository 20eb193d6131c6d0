//! What a crate will have lost by planting.

use chrono::{Datelike, NaiveDate};

use super::{CrateNow, Known, Krate, Pace, Toll};
use crate::{
    climate::{
        Air, Celsius, RelativeHumidity,
        drying::{self, LIMP, Outlook},
    },
    watch::{
        limits::{TARGET_C, TARGET_PCT},
        reading::{HOUR_MS, Stamp},
    },
};

const DAY_MS: f64 = 24.0 * HOUR_MS as f64;

/// Who plants late does so within these days of the day; a store that is full later than that holds the
/// tubers of another winter. Judgement: shorter than the summer from planting to digging.
const LATE_DAYS: i64 = 90;

/// The planting day of what is in store at `at`, for a month and a day of the month, in UTC: the next one,
/// or the last while planting may still go on.
pub fn planting_day(at: Stamp, (month, day): (u32, u32)) -> Stamp {
    let year = at.to_utc().year();
    let of = |year: i32| {
        // 29 February is the last of the month in other years.
        let date = NaiveDate::from_ymd_opt(year, month, day)
            .or_else(|| NaiveDate::from_ymd_opt(year, month, day.saturating_sub(1)));
        let noon = date.and_then(|d| d.and_hms_opt(12, 0, 0));
        noon.map_or(at, |n| n.and_utc().into())
    };
    let open = at.plus(-LATE_DAYS * 24 * HOUR_MS);
    let near = [year - 1, year].map(of).into_iter();
    let mut near = near.filter(|day| open <= *day);
    near.next().unwrap_or_else(|| of(year + 1))
}

/// Water that a crate has lost and will lose, in shares of its weight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Loss {
    /// By now, with 90 % around it.
    pub now: Outlook,
    /// By planting, as the last seven days went on.
    pub planting: Outlook,
    /// What air at the target would take in the same time, by planting.
    pub at_target: f64,
    /// A month of thirty days at the present pace.
    pub month: f64,
    /// When it will be limp at the present pace, if before planting.
    pub limp_at: Option<Stamp>,
    /// Planting.
    pub planting_at: Stamp,
    /// It was weighed, so the total can be believed.
    pub weighed: bool,
}

/// Deficit of air at 50 F and 80 %, kPa.
pub(super) fn target_deficit() -> f64 {
    let air = Celsius::new(TARGET_C)
        .ok()
        .zip(RelativeHumidity::new(TARGET_PCT).ok())
        .map(|(t, rh)| Air::new(t, rh));
    air.map_or(0.0, drying::deficit_kpa)
}

/// The loss of one crate whose air went on at a pace.
pub(super) fn loss(
    krate: &Krate,
    since: Stamp,
    taken: Toll,
    pace: Pace,
    now: Stamp,
    planting: (u32, u32),
) -> Loss {
    let (k, Toll { dose, gap_h, .. }) = (krate.coefficient, taken);
    let planting_at = planting_day(now, planting);
    let left = (planting_at.since(now) as f64 / DAY_MS).max(0.0);
    let stored = (now.since(since) as f64 / DAY_MS).max(0.0);
    let limp_in = drying::days_until(k.k, dose, pace.dose, LIMP).filter(|days| *days <= left);
    Loss {
        now: drying::outlook(k, dose, pace.dose, 0.0, 0.0, gap_h),
        planting: drying::outlook(k, dose, pace.dose, pace.dose_sd, left, gap_h),
        at_target: drying::shrink(k.k, target_deficit() * (stored + left)),
        month: drying::shrink(k.k, pace.dose * 30.0),
        limp_at: limp_in.map(|days| now.plus((days * DAY_MS) as i64)),
        planting_at,
        weighed: matches!(krate.known, Known::Weighed(_)),
    }
}

impl CrateNow<'_> {
    /// Deficit dose of the crate at the end of every day since it began to count, kPa day.
    pub fn doses(&self) -> Vec<(Stamp, f64)> {
        let since = self.krate.since;
        let ends = self.air.days.iter().map(|d| {
            let end = Stamp((d.day + 1) * 24 * HOUR_MS);
            (end, d.dose - self.krate.from.dose)
        });
        ends.filter(|(end, _)| since < *end).collect()
    }

    /// The loss so many days from now, with 90 % around it, as the last seven days went on; 0 is now.
    pub fn loss_in(&self, days: f64) -> Option<Outlook> {
        let pace = self.air.pace()?;
        Some(drying::outlook(
            self.krate.coefficient,
            self.dose,
            pace.dose,
            pace.dose_sd,
            days,
            self.gap_h,
        ))
    }
}
