//! Drying: doses, handbook coefficients, and coefficients fitted to weigh-ins.

use overwinter::climate::drying::{
    Coefficient, WeighIn, crate_slope, deficit_kpa, dose, outlook, pooled, shrink,
};
use serde::Deserialize;

use super::{air, near, rows};

#[derive(Deserialize)]
struct Reading {
    case: u32,
    hour: f64,
    t_c: f64,
    rh_pct: f64,
    vpd_kpa_wmo8: f64,
    dose_kpa_day_cumulative: f64,
}

#[test]
fn doses_add_up_at_irregular_times() {
    let readings: Vec<Reading> = rows(include_str!("../data/vectors/vpd_dose.csv"), 65);
    let mut last: Option<(&Reading, f64)> = None;
    for r in &readings {
        let deficit = deficit_kpa(air(r.t_c, r.rh_pct));
        let what = format!("case {} at {} h", r.case, r.hour);
        near(&what, deficit, r.vpd_kpa_wmo8, 1e-6);
        let sum = match last {
            Some((before, sum)) if before.case == r.case => {
                let then = deficit_kpa(air(before.t_c, before.rh_pct));
                sum + dose(r.hour - before.hour, then, deficit)
            }
            _ => 0.0,
        };
        near(&what, sum, r.dose_kpa_day_cumulative, 1e-6);
        last = Some((r, sum));
    }
}

#[derive(Deserialize)]
struct Handbook {
    commodity: String,
    k_ng_kg_s_pa: f64,
    k_per_kpa_day: f64,
    #[serde(rename = "loss_pct_120d_10C_80rh")]
    at_10_80: f64,
    #[serde(rename = "loss_pct_120d_10C_90rh")]
    at_10_90: f64,
    #[serde(rename = "loss_pct_120d_4C_90rh")]
    at_4_90: f64,
}

#[test]
fn handbook_coefficients_take_what_they_are_said_to() {
    let all: Vec<Handbook> = rows(
        include_str!("../data/vectors/transpiration_handbook.csv"),
        8,
    );
    for row in &all {
        let k = Coefficient::from_kappa(row.k_ng_kg_s_pa, 1.0, 2000.0);
        near(&row.commodity, k.k, row.k_per_kpa_day, 1e-6);
        near(&row.commodity, k.kappa(), row.k_ng_kg_s_pa, 1e-9);
        for (t, rh, loss) in [
            (10.0, 80.0, row.at_10_80),
            (10.0, 90.0, row.at_10_90),
            (4.0, 90.0, row.at_4_90),
        ] {
            let deficit = deficit_kpa(air(t, rh));
            let lost = 100.0 * shrink(k.k, dose(120.0 * 24.0, deficit, deficit));
            near(&row.commodity, lost, loss, 0.0051);
        }
    }
}

#[derive(Deserialize)]
struct Weighed {
    #[serde(rename = "crate")]
    label: String,
    packing: String,
    dose_kpa_day: f64,
    mass_kg: f64,
}

#[derive(Deserialize)]
struct Ancova {
    packing: String,
    model: String,
    df_resid: f64,
    k_per_kpa_day: f64,
    se: f64,
    resid_sd: f64,
    k_ng_kg_s_pa: f64,
}

#[derive(Deserialize)]
struct TwoStage {
    packing: String,
    crates: usize,
    k_mean_per_kpa_day: f64,
    sd_between_crates: f64,
    ci95_lo: f64,
    ci95_hi: f64,
}

/// The weigh-ins of a packing, crate by crate.
fn crates(packing: &str) -> Vec<Vec<WeighIn>> {
    let all: Vec<Weighed> = rows(include_str!("../data/vectors/weighins.csv"), 72);
    all.chunk_by(|a, b| a.label == b.label)
        .filter(|c| c[0].packing == packing)
        .map(|c| {
            c.iter()
                .map(|w| WeighIn {
                    dose: w.dose_kpa_day,
                    grams: 1000.0 * w.mass_kg,
                })
                .collect()
        })
        .collect()
}

#[test]
fn crates_of_a_packing_give_the_two_stage_estimate() {
    let all: Vec<TwoStage> = rows(include_str!("../data/vectors/weighin_twostage.csv"), 3);
    for said in &all {
        let slopes: Vec<f64> = crates(&said.packing)
            .iter()
            .map(|c| crate_slope(c).unwrap().k)
            .collect();
        let fitted = pooled(&slopes).unwrap();
        assert_eq!(fitted.crates, said.crates);
        near(&said.packing, fitted.k, said.k_mean_per_kpa_day, 1e-8);
        near(&said.packing, fitted.sd, said.sd_between_crates, 1e-8);
        near(&said.packing, fitted.low95, said.ci95_lo, 1e-8);
        near(&said.packing, fitted.high95, said.ci95_hi, 1e-8);
        let next = fitted.coefficient().unwrap();
        assert!(next.low < fitted.low95 && fitted.high95 < next.high);
    }
}

#[test]
fn slopes_of_crates_combine_to_the_regression_over_all_of_them() {
    // With an intercept for each crate, the common slope is the mean of the crates' slopes weighted
    // by their sums of squares; what is left over follows from their standard errors.
    let all: Vec<Ancova> = rows(include_str!("../data/vectors/weighin_fits.csv"), 6);
    for said in all.iter().filter(|r| r.model == "lnm~dose+crate") {
        let parts: Vec<(f64, f64, f64)> = crates(&said.packing)
            .iter()
            .map(|c| {
                let n = c.len() as f64;
                let mean = c.iter().map(|w| w.dose).sum::<f64>() / n;
                let sxx: f64 = c.iter().map(|w| (w.dose - mean).powi(2)).sum();
                let slope = crate_slope(c).unwrap();
                (sxx, slope.k, slope.se.unwrap().powi(2) * sxx * (n - 2.0))
            })
            .collect();
        let sxx: f64 = parts.iter().map(|p| p.0).sum();
        let k = parts.iter().map(|p| p.0 * p.1).sum::<f64>() / sxx;
        let rest: f64 = parts.iter().map(|p| p.2 + p.0 * (p.1 - k).powi(2)).sum();
        let sd = (rest / said.df_resid).sqrt();
        near(&said.packing, k, said.k_per_kpa_day, 1e-8);
        near(&said.packing, sd, said.resid_sd, 1e-8);
        near(&said.packing, sd / sxx.sqrt(), said.se, 1e-8);
        let kappa = Coefficient { k, low: k, high: k }.kappa();
        near(&said.packing, kappa, said.k_ng_kg_s_pa, 1e-3);
    }
}

/// Uniform in 0 to 1, the same on every run (Marsaglia's xorshift).
struct Chance(u64);

impl Chance {
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Normal deviate, as the sum of twelve uniform ones.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

#[test]
fn an_outlook_holds_what_comes_nine_times_in_ten() {
    let k = Coefficient::from_kappa(80.0, 40.0, 160.0);
    let spread = (k.high / k.k).ln() / 1.644_85;
    let mut chance = Chance(0x9E37_79B9_7F4A_7C15);
    for (rate_sd, days, gap) in [(0.0, 60.0, 0.0), (0.05, 90.0, 0.0), (0.02, 60.0, 600.0)] {
        let (so_far, rate) = (12.0, 0.25);
        let said = outlook(k, so_far, rate, rate_sd, days, gap);
        let runs = 20_000;
        let held = (0..runs)
            .filter(|_| {
                let dose = so_far
                    + (rate + rate_sd * chance.normal()) * days
                    + 2.0 * chance.uniform() * rate * gap / 24.0;
                let lost = shrink(k.k * (spread * chance.normal()).exp(), dose);
                said.low <= lost && lost <= said.high
            })
            .count();
        near("held", held as f64 / f64::from(runs), 0.90, 0.015);
    }
}
