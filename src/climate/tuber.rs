//! The temperature inside a crate, which lags behind the room, and whether tubers sweat.
//!
//! A crate is taken as one body that follows the air with a time constant. A real crate conducts:
//! the best single time constant leaves 0.15 to 0.25 C at the core and up to 0.46 C at the surface
//! (simulated crates, days of 2 C up and down and a front of 6 C), which is within a sensor's error.

use super::{air::Air, packing::Packing, stat::student_t};

/// What the model itself adds to the error of a condensation margin, in K; see the module.
const MODEL_ERROR_K: f64 = 0.3;

/// Core temperature in C after `hours` in which the air went in a straight line from `air_from_c`
/// to `air_to_c`: the exact solution of `dT/dt = (Tair - T) / tau`, whatever the step.
pub fn core_step(core_c: f64, air_from_c: f64, air_to_c: f64, hours: f64, tau_h: f64) -> f64 {
    if hours <= 0.0 {
        return core_c;
    }
    if tau_h <= 0.0 {
        return air_to_c;
    }
    followed(
        core_c,
        air_from_c,
        air_to_c,
        hours,
        tau_h,
        gone(hours, tau_h),
    )
}

/// The share of a distance from the air that is gone after some hours.
fn gone(hours: f64, tau_h: f64) -> f64 {
    -(-hours / tau_h).exp_m1()
}

fn followed(core_c: f64, from_c: f64, to_c: f64, hours: f64, tau_h: f64, gone: f64) -> f64 {
    let behind = (to_c - from_c) * tau_h / hours * gone;
    to_c - behind + (core_c - from_c) * (1.0 - gone)
}

/// Time constant of a crate in hours, 4 to 24; 12 where nothing is known.
///
/// In a medium by the crate's gross mass: 10 kg 9.5, 15 kg 11.5, 25 kg 15.5, the middles of what
/// conduction gives for crates open on all faces to standing on a surface (computed with an assumed
/// 0.18 to 0.20 W/(m K) for the bed); with air, paper or film about them the outer layer counts,
/// 4 (heat capacity over surface conductance, 2 to 5). A tight block of crates may take 75.
pub fn lag_h(packing: Packing, gross_kg: Option<f64>) -> f64 {
    match packing {
        Packing::Bare | Packing::PaperBag | Packing::Newspaper | Packing::PlasticWrap => 4.0,
        Packing::Unknown => 12.0,
        // The three figures lie on one line.
        Packing::Peat
        | Packing::Shavings
        | Packing::Sawdust
        | Packing::Vermiculite
        | Packing::Perlite
        | Packing::Sand
        | Packing::Soil => gross_kg
            .filter(|kg| 0.0 < *kg)
            .map_or(12.0, |kg| (5.5 + 0.4 * kg).clamp(4.0, 24.0)),
    }
}

/// How far a sensor may be off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SensorError {
    /// Kelvin.
    pub temperature_k: f64,
    /// Points of relative humidity.
    pub humidity_pct: f64,
}

impl Default for SensorError {
    /// 0.3 K and 3 %: data sheets of common digital humidity sensors.
    fn default() -> Self {
        Self {
            temperature_k: 0.3,
            humidity_pct: 3.0,
        }
    }
}

impl SensorError {
    /// The worse of two sensors, each quantity for itself.
    #[must_use]
    pub fn or_worse(self, other: Self) -> Self {
        Self {
            temperature_k: self.temperature_k.max(other.temperature_k),
            humidity_pct: self.humidity_pct.max(other.humidity_pct),
        }
    }
}

/// How far a condensation margin may be off, in K: the sensor's errors carried to the dew point and
/// 0.3 K of the model, added up, the worst case. About 1.1 K at 10 C and 80 %.
pub fn margin_error_k(air: Air, error: SensorError) -> f64 {
    let (per_kelvin, per_percent) = air.dew_point_slopes();
    per_kelvin * error.temperature_k + per_percent * error.humidity_pct + MODEL_ERROR_K
}

/// What can be said of a surface.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wetness {
    /// The margin is used up: water settles.
    Wet,
    /// The margin is larger than its error.
    Dry,
    /// The margin is smaller than its error.
    CannotTell,
}

/// Holds a condensation margin against its own error. The careful reading on both sides: a margin
/// of 0 or less is wet although it may be an error, one within its error is never dry.
pub fn wetness(margin_k: f64, error_k: f64) -> Wetness {
    if margin_k <= 0.0 {
        Wetness::Wet
    } else if error_k < margin_k {
        Wetness::Dry
    } else {
        Wetness::CannotTell
    }
}

/// A probe in a crate, and the room about it at the same instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProbeSample {
    /// Hours since some fixed start, rising.
    pub hour: f64,
    /// Air of the room in C.
    pub room_c: f64,
    /// The probe in C.
    pub probe_c: f64,
}

/// A crate's own time constant, from a probe.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LagFit {
    /// Time constant in hours.
    pub tau_h: f64,
    /// Lower end of its 95 % interval.
    pub low95_h: f64,
    /// Upper end of its 95 % interval.
    pub high95_h: f64,
    /// Core temperature at the first sample in C, without the bias.
    pub start_c: f64,
    /// How much more than the core the probe shows, in K.
    pub bias_k: f64,
    /// Standard deviation of what the fit leaves, in K.
    pub residual_sd_k: f64,
}

/// Fewest samples that are fitted.
const FEWEST: usize = 12;
/// The room has to cover as many kelvin, or a lag leaves no mark beyond sensor error. Judgement.
const LEAST_ROOM_SPAN_K: f64 = 1.0;
/// Time constants looked through, in hours.
const TAU_H: (f64, f64) = (1.0, 100.0);
/// Autocorrelation beyond which an interval would have no meaning.
const LARGEST_RHO: f64 = 0.95;

/// Fits the time constant, the start and the bias of a probe by least squares.
///
/// For a given time constant the other two are linear, so one dimension is searched. The interval
/// comes from the curvature on `ln tau` with Student's t, widened by `sqrt((1 + rho) / (1 - rho))`
/// where residuals follow each other (lag-1 correlation `rho` above 0). The fitted value depends on
/// how the room moved, since a crate is not one body. `None` with fewer than 12 samples, a room that
/// hardly moves, or a best value at the rim of 1 to 100 h.
pub fn fit_lag(samples: &[ProbeSample]) -> Option<LagFit> {
    let n = samples.len();
    let low = samples.iter().fold(f64::INFINITY, |a, s| a.min(s.room_c));
    let high = samples
        .iter()
        .fold(f64::NEG_INFINITY, |a, s| a.max(s.room_c));
    if n < FEWEST || high - low < LEAST_ROOM_SPAN_K {
        return None;
    }
    let ln_tau = search(samples)?;
    let at = solve(samples, ln_tau)?;

    // Curvature: the part of the derivative by ln tau that start and bias cannot take over.
    let step = 1e-4;
    let (mut before, mut after) = (Follow::new(ln_tau - step), Follow::new(ln_tau + step));
    let mut here = Follow::new(ln_tau);
    let (mut free, mut rows) = (Normal::default(), 0.0);
    let (mut product, mut squares, mut last) = (0.0, 0.0, None);
    for sample in samples {
        let (p0, f0) = before.next(sample);
        let (p1, f1) = after.next(sample);
        let (p, f) = here.next(sample);
        let slope = (at.start * (p1 - p0) + f1 - f0) / (2.0 * step);
        free.add(p, slope);
        rows += slope * slope;
        let rest = sample.probe_c - f - at.start * p - at.bias;
        product += last.map_or(0.0, |l: f64| l * rest);
        squares += rest * rest;
        last = Some(rest);
    }
    let information = rows - free.explained()?;
    if information.is_nan() || information <= 0.0 {
        return None;
    }
    let variance = at.squares / (n - 3) as f64;
    let rho = if 0.0 < squares {
        (product / squares).clamp(0.0, LARGEST_RHO)
    } else {
        0.0
    };
    let widened = ((1.0 + rho) / (1.0 - rho)).sqrt();
    let half = student_t(0.975, n - 3) * (variance / information).sqrt() * widened;
    Some(LagFit {
        tau_h: ln_tau.exp(),
        low95_h: (ln_tau - half).exp(),
        high95_h: (ln_tau + half).exp(),
        start_c: at.start,
        bias_k: at.bias,
        residual_sd_k: variance.sqrt(),
    })
}

/// The best `ln tau`: a coarse look over the whole range, then golden sections about the best.
fn search(samples: &[ProbeSample]) -> Option<f64> {
    const STEPS: i32 = 48;
    let squares = |ln_tau: f64| solve(samples, ln_tau).map_or(f64::INFINITY, |s| s.squares);
    let (first, last) = (TAU_H.0.ln(), TAU_H.1.ln());
    let width = (last - first) / f64::from(STEPS);
    let best = (0..=STEPS)
        .map(|i| (i, squares(first + width * f64::from(i))))
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .filter(|(i, least)| 0 < *i && *i < STEPS && least.is_finite())?
        .0;
    let golden = (5f64.sqrt() - 1.0) / 2.0;
    let mut low = first + width * f64::from(best - 1);
    let mut high = first + width * f64::from(best + 1);
    while 1e-7 < high - low {
        let (a, b) = (high - golden * (high - low), low + golden * (high - low));
        if squares(a) < squares(b) {
            high = b;
        } else {
            low = a;
        }
    }
    Some(f64::midpoint(low, high))
}

/// The core as a straight line in its start: `start * share + forced`.
struct Follow {
    tau_h: f64,
    share: f64,
    forced: f64,
    last: Option<(f64, f64)>,
    pace: Pace,
}

/// What hours of one length come to: samples mostly follow each other at one pace, and a fit asks for the
/// same exponentials tens of thousands of times.
#[derive(Default)]
struct Pace {
    hours: f64,
    left: f64,
    gone: f64,
}

impl Follow {
    fn new(ln_tau: f64) -> Self {
        Self {
            tau_h: ln_tau.exp(),
            share: 1.0,
            forced: 0.0,
            last: None,
            pace: Pace::default(),
        }
    }

    fn next(&mut self, sample: &ProbeSample) -> (f64, f64) {
        if let Some((hour, room)) = self.last {
            let hours = sample.hour - hour;
            if 0.0 < hours {
                let tau = self.tau_h;
                if hours.to_bits() != self.pace.hours.to_bits() {
                    self.pace = Pace {
                        hours,
                        left: (-hours / tau).exp(),
                        gone: gone(hours, tau),
                    };
                }
                self.share *= self.pace.left;
                self.forced =
                    followed(self.forced, room, sample.room_c, hours, tau, self.pace.gone);
            }
        }
        self.last = Some((sample.hour, sample.room_c));
        (self.share, self.forced)
    }
}

/// Sums of a straight line through (x, y).
#[derive(Default)]
struct Normal {
    n: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
}

impl Normal {
    fn add(&mut self, x: f64, y: f64) {
        self.n += 1.0;
        self.x += x;
        self.y += y;
        self.xx += x * x;
        self.xy += x * y;
    }

    /// Slope and intercept; `None` where all x are the same.
    fn line(&self) -> Option<(f64, f64)> {
        let determinant = self.n * self.xx - self.x * self.x;
        if determinant.is_nan() || determinant < 1e-12 {
            return None;
        }
        let slope = (self.n * self.xy - self.x * self.y) / determinant;
        Some((slope, (self.y - slope * self.x) / self.n))
    }

    /// The part of the sum of squares of y that the line takes.
    fn explained(&self) -> Option<f64> {
        self.line().map(|(b, a)| b * self.xy + a * self.y)
    }
}

struct Solved {
    start: f64,
    bias: f64,
    squares: f64,
}

fn solve(samples: &[ProbeSample], ln_tau: f64) -> Option<Solved> {
    let (mut follow, mut sums) = (Follow::new(ln_tau), Normal::default());
    for sample in samples {
        let (share, forced) = follow.next(sample);
        sums.add(share, sample.probe_c - forced);
    }
    let (start, bias) = sums.line()?;
    let mut follow = Follow::new(ln_tau);
    let squares = samples
        .iter()
        .map(|sample| {
            let (share, forced) = follow.next(sample);
            (sample.probe_c - forced - start * share - bias).powi(2)
        })
        .sum();
    Some(Solved {
        start,
        bias,
        squares,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::climate::{Celsius, RelativeHumidity};

    #[test]
    fn the_margin_of_a_common_sensor_errs_by_about_a_kelvin() {
        // 3 % is 0.55 K of dew point at 10 C and 80 %; with 0.3 K of sensor and 0.3 of model: 1.14.
        let air = Air::new(
            Celsius::new(10.0).unwrap(),
            RelativeHumidity::new(80.0).unwrap(),
        );
        let error = margin_error_k(air, SensorError::default());
        assert!((error - 1.14).abs() < 0.02, "{error}");
        let (per_kelvin, per_percent) = air.dew_point_slopes();
        assert!((per_kelvin - 0.97).abs() < 0.01 && (per_percent - 0.18).abs() < 0.005);
    }

    #[test]
    fn heavier_crates_lag_more() {
        for (packing, kg, hours) in [
            (Packing::Peat, Some(10.0), 9.5),
            (Packing::Peat, Some(15.0), 11.5),
            (Packing::Peat, Some(25.0), 15.5),
            (Packing::Peat, Some(200.0), 24.0),
            (Packing::Peat, None, 12.0),
            (Packing::Bare, Some(25.0), 4.0),
            (Packing::Unknown, Some(25.0), 12.0),
        ] {
            assert!(
                (lag_h(packing, kg) - hours).abs() < 1e-9,
                "{packing:?} {kg:?}"
            );
        }
    }

    #[test]
    fn what_cannot_be_fitted_is_not() {
        let still = |n: i32, swing: f64| -> Vec<ProbeSample> {
            (0..n)
                .map(|i| ProbeSample {
                    hour: f64::from(i),
                    room_c: 7.0 + swing * f64::from(i % 2),
                    probe_c: 7.0,
                })
                .collect()
        };
        assert_eq!(fit_lag(&still(11, 3.0)), None);
        assert_eq!(fit_lag(&still(100, 0.5)), None);
        assert_eq!(fit_lag(&[]), None);
    }
}
