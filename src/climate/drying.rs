//! How tubers dry: the air's thirst summed up, and how much weight it takes.
//!
//! Weight falls as `m = m0 exp(-k D)`, where the dose `D` is the vapour pressure deficit summed
//! over time. `k` differs from crop to crop by a factor of a hundred and no measurement on dahlia
//! tubers is published: the priors here are assumptions with wide ranges, and a grower's own
//! weigh-ins replace them.

use serde::{Deserialize, Serialize};

use super::{
    air::Air,
    stat::{NORMAL_95, student_t},
};

/// Beyond this gap between two readings nothing is known of the air between them, in hours: the
/// dose is not summed over it, and the hours count as uncovered. Judgement, no source.
pub const LONGEST_GAP_H: f64 = 6.0;

/// Fraction of weight lost at which tubers are limp: common practice, no source.
pub const LIMP: f64 = 0.15;

/// From ng/(kg s Pa) to 1/(kPa·day): `1e-12 · 86 400 · 1000`.
const PER_KAPPA: f64 = 8.64e-5;

/// Vapour pressure deficit in kPa: what draws water out of a tuber at air temperature.
pub fn deficit_kpa(air: Air) -> f64 {
    air.vapour_pressure_deficit() / 1000.0
}

/// Dose in kPa·day between two readings of the deficit, taken as a straight line between them.
/// Callers leave out gaps longer than [`LONGEST_GAP_H`].
pub fn dose(hours: f64, deficit0_kpa: f64, deficit1_kpa: f64) -> f64 {
    hours / 24.0 * f64::midpoint(deficit0_kpa, deficit1_kpa)
}

/// Fraction of the weight that a dose in kPa·day takes, 0 to 1, for `k` in 1/(kPa·day).
pub fn shrink(k: f64, dose: f64) -> f64 {
    -(-k * dose).exp_m1()
}

/// A transpiration coefficient in 1/(kPa·day) with the range that holds it nine times in ten.
///
/// Handbook figures for comparison, in ng/(kg s Pa): potato 44 (uncured 171), onion 60, carrot 1207
/// (Sastry et al. 1978 as printed in the ASHRAE Refrigeration handbook; from memory).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Coefficient {
    /// The middle.
    pub k: f64,
    /// 5 % lie below.
    pub low: f64,
    /// 5 % lie above.
    pub high: f64,
}

impl Coefficient {
    /// From a transpiration coefficient in ng/(kg s Pa), as handbooks print it, and its range.
    pub fn from_kappa(kappa: f64, low: f64, high: f64) -> Self {
        Self {
            k: kappa * PER_KAPPA,
            low: low * PER_KAPPA,
            high: high * PER_KAPPA,
        }
    }

    /// The middle in ng/(kg s Pa), as handbooks print it.
    pub fn kappa(self) -> f64 {
        self.k / PER_KAPPA
    }

    /// Cured bare tubers: 80 (30 to 300) ng/(kg s Pa). An assumption: 31, 63 and 94 would take 10,
    /// 20 and 30 % in 150 days at 10 C and 80 %, which is what survivors are said to lose.
    pub fn bare() -> Self {
        Self::from_kappa(80.0, 30.0, 300.0)
    }

    /// Tubers in a medium: half of bare ones. The factor, 0.3 to 0.8, is an assumption without
    /// source, so the range is that of bare tubers and that of the factor, in quadrature of their
    /// logarithms: 40 (13 to 160).
    pub fn buried() -> Self {
        Self::from_kappa(40.0, 13.0, 160.0)
    }

    /// Tubers in paper, which breathes: nine tenths of bare ones, an assumption: 72 (26 to 270).
    pub fn paper() -> Self {
        Self::from_kappa(72.0, 26.0, 270.0)
    }

    /// Tubers in plastic film: a tenth of bare ones (0.05 to 0.15, assumption without source), the
    /// ranges in quadrature as for a medium: 8 (2.4 to 32).
    pub fn plastic_wrap() -> Self {
        Self::from_kappa(8.0, 2.4, 32.0)
    }

    /// Packing not known: 60 (30 to 170), the onion's mean and the uncured potato's figure as the
    /// upper end (handbook values from memory, as above).
    pub fn unknown() -> Self {
        Self::from_kappa(60.0, 30.0, 170.0)
    }
}

/// One weighing of a crate's tubers, without the crate and the packing: shavings alone take up or
/// give off tens of grams with the humidity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WeighIn {
    /// Dose since some fixed start, in kPa·day.
    pub dose: f64,
    /// Weight in grams, above 0.
    pub grams: f64,
}

/// The coefficient of one crate, from its own weigh-ins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slope {
    /// 1/(kPa·day); negative where the crate gained weight.
    pub k: f64,
    /// Logarithm of the weight in grams at dose 0.
    pub intercept: f64,
    /// Standard error of `k`; `None` with two weigh-ins, through which a line always goes.
    pub se: Option<f64>,
    /// Number of weigh-ins.
    pub n: usize,
}

impl Slope {
    /// What this crate is to be projected with: Student's 90 % interval of `n - 2` degrees of
    /// freedom, its lower end held above 0. `None` with two weigh-ins, which say nothing of their
    /// own error, or where the crate gained weight: the packing's figure stands then.
    pub fn coefficient(self) -> Option<Coefficient> {
        let half = student_t(0.95, self.n.saturating_sub(2)) * self.se?;
        around(self.k, half)
    }
}

/// A fitted coefficient. Nothing dries at less than a tenth of its own mean: a floor, not a finding.
fn around(k: f64, half: f64) -> Option<Coefficient> {
    (0.0 < k).then(|| Coefficient {
        k,
        low: (k - half).max(k / 10.0),
        high: k + half,
    })
}

/// Ordinary least squares of `ln m` on the dose, with an intercept. `None` with fewer than two
/// weigh-ins at different doses, or where a weight is not above 0.
pub fn crate_slope(weigh_ins: &[WeighIn]) -> Option<Slope> {
    let n = weigh_ins.len();
    if n < 2 || weigh_ins.iter().any(|w| w.grams.is_nan() || w.grams <= 0.0) {
        return None;
    }
    let mean = |f: fn(&WeighIn) -> f64| weigh_ins.iter().map(f).sum::<f64>() / n as f64;
    let (x0, y0) = (mean(|w| w.dose), mean(|w| w.grams.ln()));
    let (mut sxx, mut sxy) = (0.0, 0.0);
    for w in weigh_ins {
        sxx += (w.dose - x0).powi(2);
        sxy += (w.dose - x0) * (w.grams.ln() - y0);
    }
    // Doses that differ by rounding only are one dose.
    if sxx < 1e-9 {
        return None;
    }
    let slope = sxy / sxx;
    let intercept = y0 - slope * x0;
    let rest: f64 = weigh_ins
        .iter()
        .map(|w| (w.grams.ln() - intercept - slope * w.dose).powi(2))
        .sum();
    Some(Slope {
        k: -slope,
        intercept,
        se: (2 < n).then(|| (rest / (n - 2) as f64 / sxx).sqrt()),
        n,
    })
}

/// The coefficient of a packing, from the slopes of several crates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fitted {
    /// Mean of the crates in 1/(kPa·day).
    pub k: f64,
    /// Standard deviation between crates.
    pub sd: f64,
    /// Lower end of the 95 % interval of the mean.
    pub low95: f64,
    /// Upper end of the 95 % interval of the mean.
    pub high95: f64,
    /// Number of crates.
    pub crates: usize,
}

/// Mean of crate slopes with Student's interval of `n - 1` degrees of freedom; `None` below three
/// crates.
///
/// Two stages, because crates differ: one regression over all weigh-ins with an intercept for each
/// crate takes them to share one `k`, and its "95 %" held 51 % of the time for three crates that
/// differed by 10 %, against 93 % for this (400 simulated runs).
pub fn pooled(slopes: &[f64]) -> Option<Fitted> {
    let n = slopes.len();
    if n < 3 {
        return None;
    }
    let k = slopes.iter().sum::<f64>() / n as f64;
    let sd = (slopes.iter().map(|s| (s - k).powi(2)).sum::<f64>() / (n - 1) as f64).sqrt();
    let half = student_t(0.975, n - 1) * sd / (n as f64).sqrt();
    Some(Fitted {
        k,
        sd,
        low95: k - half,
        high95: k + half,
        crates: n,
    })
}

impl Fitted {
    /// What to expect of one more crate packed so: Student's 90 % prediction interval, its lower
    /// end held above 0. `None` where the crates on average gained weight.
    pub fn coefficient(self) -> Option<Coefficient> {
        let n = self.crates as f64;
        let half =
            student_t(0.95, self.crates.saturating_sub(1)) * self.sd * (1.0 + 1.0 / n).sqrt();
        around(self.k, half)
    }
}

/// Fraction of weight lost at planting, as far as can be said now.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Outlook {
    /// The middle, 0 to 1.
    pub shrink: f64,
    /// Lower end of the 90 % range.
    pub low: f64,
    /// Upper end of the 90 % range.
    pub high: f64,
}

/// Projects the shrink at planting.
///
/// `dose_so_far` in kPa·day over the hours that readings cover; `rate_per_day` the dose that a day
/// brings on average (kPa·day a day); `rate_sd` how far the mean rate of the days left may be from
/// it (one standard deviation); `uncovered_hours` those that no reading covers.
///
/// The middle takes the mean rate for the days left and the uncovered hours. The range combines
/// three independent parts as half-widths of logarithms in quadrature: `k`, taken as lognormal
/// (each side by its own end of the range); the days left, normal, 1.645 `rate_sd`; and the
/// uncovered hours, whose dose may be anything from 0 to twice the mean, of which the middle nine
/// tenths count.
pub fn outlook(
    k: Coefficient,
    dose_so_far: f64,
    rate_per_day: f64,
    rate_sd: f64,
    days_left: f64,
    uncovered_hours: f64,
) -> Outlook {
    let (rate, days) = (rate_per_day.max(0.0), days_left.max(0.0));
    let uncovered = rate * uncovered_hours.max(0.0) / 24.0;
    let total = dose_so_far.max(0.0) + uncovered + rate * days;
    let spread = if 0.0 < total {
        (NORMAL_95 * rate_sd * days).hypot(0.9 * uncovered) / total
    } else {
        0.0
    };
    let at = |factor: f64| shrink(k.k * factor, total);
    Outlook {
        shrink: at(1.0),
        low: at((-(k.k / k.low).ln().hypot(spread)).exp()),
        high: at((k.high / k.k).ln().hypot(spread).exp()),
    }
}

/// Days until a fraction of weight is lost at a constant rate of dose a day; 0 when it is, `None`
/// where it never will be.
pub fn days_until(k: f64, dose_so_far: f64, rate_per_day: f64, shrink_limit: f64) -> Option<f64> {
    let left = -(-shrink_limit).ln_1p() / k - dose_so_far;
    if left <= 0.0 {
        Some(0.0)
    } else {
        (0.0 < rate_per_day && left.is_finite()).then(|| left / rate_per_day)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::climate::{Celsius, RelativeHumidity};

    fn store() -> Air {
        Air::new(
            Celsius::new(10.0).unwrap(),
            RelativeHumidity::new(80.0).unwrap(),
        )
    }

    #[test]
    fn a_month_at_10_c_and_80_percent_takes_a_twentieth() {
        // 80 ng/(kg s Pa) · 246 Pa · 30 days is 5.1 % of what is left: 5.0 % of the start.
        let k = Coefficient::bare();
        assert!((k.kappa() - 80.0).abs() < 1e-9);
        let lost = shrink(k.k, dose(720.0, deficit_kpa(store()), deficit_kpa(store())));
        assert!((lost - 0.0497).abs() < 0.0003, "{lost}");
    }

    #[test]
    fn limp_comes_when_the_projection_says_so() {
        let (k, rate) = (Coefficient::bare(), deficit_kpa(store()));
        let days = days_until(k.k, 2.0, rate, LIMP).unwrap();
        let then = outlook(k, 2.0, rate, 0.0, days, 0.0);
        assert!((then.shrink - LIMP).abs() < 1e-12);
        assert_eq!(days_until(k.k, 100.0, rate, LIMP), Some(0.0));
        assert_eq!(days_until(k.k, 2.0, 0.0, LIMP), None);
        assert_eq!(days_until(0.0, 2.0, rate, LIMP), None);
    }

    #[test]
    fn what_was_not_measured_widens_the_range_and_leaves_its_middle() {
        let (k, rate) = (Coefficient::bare(), 0.25);
        let covered = outlook(k, 10.0, rate, 0.02, 60.0, 0.0);
        let gap = outlook(k, 10.0 - rate * 20.0, rate, 0.02, 60.0, 480.0);
        assert!((covered.shrink - gap.shrink).abs() < 1e-12);
        assert!(gap.low < covered.low && covered.high < gap.high);
        // With nothing else uncertain the range is that of k.
        let alone = outlook(k, 10.0, rate, 0.0, 0.0, 0.0);
        assert!((alone.low - shrink(k.low, 10.0)).abs() < 1e-12);
        assert!((alone.high - shrink(k.high, 10.0)).abs() < 1e-12);
        assert!(outlook(k, 0.0, 0.0, 0.0, 60.0, 5.0).high.abs() < 1e-12);
    }

    #[test]
    fn too_little_weighing_gives_no_coefficient() {
        let at = |dose, grams| WeighIn { dose, grams };
        assert_eq!(crate_slope(&[at(0.0, 9000.0)]), None);
        assert_eq!(crate_slope(&[at(3.0, 9000.0), at(3.0, 8990.0)]), None);
        assert_eq!(crate_slope(&[at(0.0, 9000.0), at(3.0, 0.0)]), None);
        let two = crate_slope(&[at(0.0, 9000.0), at(10.0, 9000.0 * (-0.05f64).exp())]).unwrap();
        assert!((two.k - 0.005).abs() < 1e-12 && two.se.is_none());
        assert_eq!(two.coefficient(), None);
        let three = crate_slope(&[at(0.0, 9000.0), at(5.0, 8790.0), at(10.0, 8555.0)]).unwrap();
        let k = three.coefficient().unwrap();
        assert!(three.k / 10.0 <= k.low && k.low < k.k && k.k < k.high);
        assert_eq!(pooled(&[0.004, 0.005]), None);
        assert!(
            pooled(&[-0.004, -0.005, -0.006])
                .unwrap()
                .coefficient()
                .is_none()
        );
    }
}
