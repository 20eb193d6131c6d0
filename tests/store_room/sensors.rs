//! What the sensors make of the true state: bias, noise, steps of a tenth, lost readings.

use super::life::Random;

/// One reading as the program would receive it.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Reading {
    /// Milliseconds since 1970, UTC.
    pub(crate) at_ms: i64,
    /// `air`, `crate` or `outdoor`.
    pub(crate) sensor: &'static str,
    /// C.
    pub(crate) temperature_c: Option<f64>,
    /// % over liquid water.
    pub(crate) humidity_pct: Option<f64>,
}

/// One sensor with its own constant errors: within 0.3 K and 2 % for a whole run.
#[derive(Clone, Debug)]
pub(crate) struct Sensor {
    name: &'static str,
    random: Random,
    bias_t: f64,
    bias_rh: f64,
    delay_ms: i64,
}

impl Sensor {
    /// The sensor of that name; `nth` keeps the streams and the instants of several apart.
    pub(crate) fn new(name: &'static str, seed: u64, nth: i64) -> Self {
        let mut random = Random::new(seed, 100 + nth as u64);
        Self {
            name,
            bias_t: random.between(-0.3, 0.3),
            bias_rh: random.between(-2.0, 2.0),
            random,
            delay_ms: nth * 4000,
        }
    }

    /// What it says, or nothing: one reading in a hundred is lost on the way.
    pub(crate) fn read(&mut self, at_ms: i64, t: f64, rh: Option<f64>) -> Option<Reading> {
        let tenth = |x: f64| (x * 10.0).round() / 10.0;
        let (noise_t, noise_rh) = (self.random.normal() * 0.06, self.random.normal() * 0.5);
        let lost = self.random.between(0.0, 1.0) < 0.01;
        (!lost).then(|| Reading {
            at_ms: at_ms + self.delay_ms,
            sensor: self.name,
            temperature_c: Some(tenth(t + self.bias_t + noise_t)),
            humidity_pct: rh.map(|rh| tenth((rh + self.bias_rh + noise_rh).clamp(1.0, 100.0))),
        })
    }
}
