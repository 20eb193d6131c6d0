//! What holds for all inputs: steps of any length, order, bounds, conservation.

use overwinter::climate::drying::{WeighIn, crate_slope, days_until, dose, outlook, shrink};
use overwinter::climate::mould::{Mould, Surface, days_to};
use overwinter::climate::tuber::{
    ProbeSample, SensorError, Wetness, core_step, fit_lag, margin_error_k, wetness,
};
use overwinter::climate::venting::{Thresholds, Verdict, advise, mix};
use overwinter::climate::{Air, Celsius, Packing, Pascal, RelativeHumidity};
use proptest::prelude::*;

use super::air;

fn surfaces() -> impl Strategy<Value = Surface> {
    proptest::sample::select(Surface::ALL.to_vec())
}

fn water_and_heat(t_c: f64, rh: f64) -> (f64, f64) {
    let w = air(t_c, rh)
        .humidity_ratio(Pascal::STANDARD_ATMOSPHERE)
        .unwrap();
    (w, 1006.0 * t_c + w * (2_501_000.0 + 1860.0 * t_c))
}

proptest! {
    #[test]
    fn a_core_does_not_mind_how_its_time_is_cut(
        core in -5.0..25.0f64, from in -10.0..30.0f64, to in -10.0..30.0f64,
        hours in 0.01..60.0f64, tau in 1.0..40.0f64, cut in 0.01..0.99f64,
    ) {
        let whole = core_step(core, from, to, hours, tau);
        let middle = from + cut * (to - from);
        let half = core_step(core, from, middle, cut * hours, tau);
        let cut = core_step(half, middle, to, (1.0 - cut) * hours, tau);
        prop_assert!((whole - cut).abs() < 1e-9, "{whole} {cut}");
    }

    #[test]
    fn a_core_stays_between_its_start_and_the_air(
        core in -5.0..25.0f64, from in -10.0..30.0f64, to in -10.0..30.0f64,
        hours in 0.0..200.0f64, tau in 0.5..80.0f64, more in 0.0..5.0f64,
    ) {
        let end = core_step(core, from, to, hours, tau);
        let (low, high) = (core.min(from).min(to), core.max(from).max(to));
        prop_assert!(low - 1e-9 <= end && end <= high + 1e-9);
        // Warmer in any respect is never colder in the end.
        prop_assert!(end <= core_step(core + more, from + more, to + more, hours, tau) + 1e-9);
    }

    #[test]
    fn mould_does_not_mind_how_its_time_is_cut(
        surface in surfaces(), index in 0.0..6.0f64, dry in 0.0..40.0f64,
        t in -5.0..30.0f64, rh in 60.0..100.0f64, hours in 0.1..3000.0f64, cut in 0.01..0.99f64,
    ) {
        let start = Mould { index, dry_h: dry };
        let step = |m: Mould, h: f64| m.step(surface, surface.decline(), t, rh, h);
        let whole = step(start, hours);
        let cut = step(step(start, cut * hours), (1.0 - cut) * hours);
        prop_assert!((whole.index - cut.index).abs() < 1e-7, "{whole:?} {cut:?}");
        prop_assert!((whole.dry_h - cut.dry_h).abs() < 1e-6);
        prop_assert!((0.0..=6.0).contains(&whole.index));
    }

    #[test]
    fn more_damp_is_never_less_mould(
        surface in surfaces(), index in 0.0..6.0f64, t in 0.1..30.0f64,
        rh in 60.0..99.0f64, more in 0.0..1.0f64, hours in 0.1..3000.0f64,
    ) {
        let start = Mould { index, dry_h: 0.0 };
        let at = |rh: f64| start.step(surface, surface.decline(), t, rh, hours).index;
        prop_assert!(at(rh) <= at(rh + more) + 1e-9);
    }

    #[test]
    fn an_index_is_reached_when_it_was_said_to_be(
        surface in surfaces(), index in 0.0..4.0f64, t in 1.0..30.0f64, rh in 80.0..100.0f64,
        target in 0.0..5.0f64,
    ) {
        let start = Mould { index, dry_h: 0.0 };
        let at = |days: f64| start.step(surface, 1.0, t, rh, 24.0 * days).index;
        match days_to(surface, start, t, rh, target) {
            Some(days) if 0.0 < days => prop_assert!((at(days) - target).abs() < 1e-6),
            Some(_) => prop_assert!(target <= index),
            None => prop_assert!(at(36_500.0) <= target + 1e-9),
        }
    }

    #[test]
    fn a_dose_does_not_mind_how_its_time_is_cut(
        hours in 0.0..6.0f64, a in 0.0..1.5f64, b in 0.0..1.5f64, cut in 0.0..1.0f64,
        more in 0.0..1.0f64,
    ) {
        let middle = a + cut * (b - a);
        let parts = dose(cut * hours, a, middle) + dose((1.0 - cut) * hours, middle, b);
        prop_assert!((dose(hours, a, b) - parts).abs() < 1e-12);
        prop_assert!(dose(hours, a, b) <= dose(hours, a + more, b) + 1e-15);
    }

    #[test]
    fn drying_is_ordered_and_bounded(
        so_far in 0.0..40.0f64, rate in 0.0..1.0f64, rate_sd in 0.0..0.2f64,
        days in 0.0..200.0f64, gap in 0.0..1000.0f64, more in 0.0..1.0f64,
    ) {
        for packing in Packing::ALL {
            let k = packing.transpiration();
            let now = outlook(k, so_far, rate, rate_sd, days, gap);
            prop_assert!(0.0 <= now.low && now.low <= now.shrink);
            prop_assert!(now.shrink <= now.high && now.high <= 1.0);
            let later = outlook(k, so_far, rate + more, rate_sd, days, gap);
            prop_assert!(now.shrink <= later.shrink + 1e-12);
            prop_assert!(shrink(k.k, so_far) <= shrink(k.k, so_far + more));
            if let Some(days) = days_until(k.k, so_far, rate, 0.15) {
                let then = shrink(k.k, so_far + rate * days);
                prop_assert!(0.15 - 1e-9 <= then);
            }
        }
    }

    #[test]
    fn a_crate_gives_back_its_own_coefficient(
        k in 0.001..0.03f64, grams in 3000.0..20_000.0f64,
        noise in proptest::collection::vec(-1.0..1.0f64, 3..9),
    ) {
        let scale = 5e-4;
        let weighed: Vec<WeighIn> = noise
            .iter()
            .enumerate()
            .map(|(i, e)| {
                let dose = 4.0 * i as f64;
                WeighIn { dose, grams: grams * (-k * dose + scale * e).exp() }
            })
            .collect();
        let mean = weighed.iter().map(|w| w.dose).sum::<f64>() / weighed.len() as f64;
        let off: f64 = weighed.iter().map(|w| (w.dose - mean).abs()).sum();
        let sxx: f64 = weighed.iter().map(|w| (w.dose - mean).powi(2)).sum();
        let slope = crate_slope(&weighed).unwrap();
        // What errors of at most `scale` can do to a least-squares slope.
        prop_assert!((slope.k - k).abs() <= scale * off / sxx + 1e-12);
        prop_assert!((slope.intercept - grams.ln()).abs() < 10.0 * scale);
    }

    #[test]
    fn a_probe_gives_back_its_own_lag(
        tau in 2.0..40.0f64, start in 2.0..15.0f64, bias in -0.5..0.5f64,
    ) {
        let room = |h: f64| 8.0 + 3.0 * (h / 7.0).sin() + 2.0 * (h / 31.0).cos();
        let mut core = start;
        let samples: Vec<ProbeSample> = (0..240)
            .map(|i| {
                let hour = f64::from(i);
                if 0 < i {
                    core = core_step(core, room(hour - 1.0), room(hour), 1.0, tau);
                }
                ProbeSample { hour, room_c: room(hour), probe_c: core + bias }
            })
            .collect();
        let fit = fit_lag(&samples).unwrap();
        prop_assert!((fit.tau_h / tau - 1.0).abs() < 1e-3, "{fit:?}");
        prop_assert!((fit.start_c - start).abs() < 1e-2 && (fit.bias_k - bias).abs() < 1e-2);
        prop_assert!(fit.low95_h <= fit.tau_h && fit.tau_h <= fit.high95_h);
    }

    #[test]
    fn air_never_dews_above_its_own_temperature(t in -40.0..60.0f64, rh in 0.5..100.0f64) {
        let air = air(t, rh);
        prop_assert!(air.dew_point() <= air.temperature);
        // The slopes of the dew point are those of its own formula.
        let (per_kelvin, per_percent) = air.dew_point_slopes();
        if rh < 99.9 {
            let at = |t, rh| super::air(t, rh).dew_point().degrees();
            let here = at(t, rh);
            prop_assert!(((at(t + 1e-4, rh) - here) / 1e-4 - per_kelvin).abs() < 1e-3);
            prop_assert!(((at(t, rh + 1e-5 * rh) - here) / (1e-5 * rh) - per_percent).abs() < 1e-3 * per_percent);
        }
    }

    #[test]
    fn nothing_is_called_dry_inside_the_error(
        t in -5.0..25.0f64, rh in 40.0..100.0f64, colder in 0.0..6.0f64,
        kelvin in 0.0..1.0f64, percent in 0.0..6.0f64,
    ) {
        let room = air(t, rh);
        let sensor = SensorError { temperature_k: kelvin, humidity_pct: percent };
        let error = margin_error_k(room, sensor);
        prop_assert!(0.3 <= error);
        let margin = room.condensation_margin(Celsius::new(t - colder).unwrap());
        match wetness(margin, error) {
            Wetness::Dry => prop_assert!(error < margin),
            Wetness::CannotTell => prop_assert!(0.0 < margin && margin <= error),
            Wetness::Wet => prop_assert!(margin <= 0.0),
        }
        prop_assert_ne!(wetness(f64::NAN, error), Wetness::Dry);
    }

    #[test]
    fn mixing_conserves_water_and_heat(
        ti in -5.0..25.0f64, ri in 20.0..100.0f64, to in -20.0..30.0f64, ro in 20.0..100.0f64,
        share in 0.0..=1.0f64,
    ) {
        let p = Pascal::STANDARD_ATMOSPHERE;
        let mixed = mix(air(ti, ri), air(to, ro), share, p);
        let ((wi, hi), (wo, ho)) = (water_and_heat(ti, ri), water_and_heat(to, ro));
        prop_assert_eq!(mixed.fog, 100.0 < mixed.humidity_pct);
        if !mixed.fog {
            let (w, h) = water_and_heat(mixed.temperature_c, mixed.humidity_pct);
            prop_assert!((w - (1.0 - share) * wi - share * wo).abs() < 1e-9);
            prop_assert!((h - (1.0 - share) * hi - share * ho).abs() < 1e-3);
        }
        prop_assert!(ti.min(to) - 1e-9 <= mixed.temperature_c);
        prop_assert!(mixed.temperature_c <= ti.max(to) + 1e-9);
        let none = mix(air(ti, ri), air(to, ro), 0.0, p);
        prop_assert!((none.temperature_c - ti).abs() < 1e-9 && (none.humidity_pct - ri).abs() < 1e-6);
    }

    #[test]
    fn advice_never_wets_the_tubers_nor_leaves_the_limits(
        ti in 1.0..20.0f64, ri in 40.0..100.0f64, to in -20.0..25.0f64, ro in 20.0..100.0f64,
        colder in 0.0..4.0f64,
    ) {
        let (inside, outside): (Air, Air) = (air(ti, ri), air(to, ro));
        let (p, limits) = (Pascal::STANDARD_ATMOSPHERE, Thresholds::default());
        let advice = advise(inside, outside, ti - colder, p, limits);
        prop_assert!((0.0..=1.0).contains(&advice.share_max));
        if !matches!(advice.verdict, Verdict::Closed(_)) {
            prop_assert!(outside.dew_point().degrees() <= ti - colder - 1.0);
            let mixed = mix(inside, outside, advice.share_max, p);
            prop_assert!(limits.frost_c.min(ti) - 0.1 <= mixed.temperature_c);
            // Once it is as warm as before, the air left in the room is not below the dry limit.
            let e = mixed.humidity_pct / 100.0 * saturation(mixed.temperature_c) / saturation(ti);
            prop_assert!(limits.dry_pct - 0.01 <= 100.0 * e || 1.0 <= advice.share_max);
        }
    }
}

fn saturation(t_c: f64) -> f64 {
    let saturated = Air::new(
        Celsius::new(t_c).unwrap(),
        RelativeHumidity::new(100.0).unwrap(),
    );
    saturated.vapour_pressure().pascal()
}
