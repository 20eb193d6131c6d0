//! How much warmth dormant tubers had, and when they are likely to wake.

/// Temperature below which shoots do not develop, in C. Source: Brondum & Heins 1993, leaf-pair
/// development of dahlia: base 5.5 C, optimum 24.6 C, maximum 34.9 C.
pub const BASE_C: f64 = 5.5;

/// Temperature of the fastest development, in C, beyond which more warmth is no gain: same source.
pub const OPTIMUM_C: f64 = 24.6;

/// Warmth to the first eyes of an early riser, in C·day above the base.
///
/// Derived from what growers report (shoots after two to five weeks at 21 C, in January in a
/// basement of 14 to 16 C), not measured; counted from about 1 January, when rest is over (Konishi
/// & Inaba 1967: after the end of December all cultivars sprout well).
pub const EARLY: f64 = 220.0;

/// The same for a late riser; same origin as [`EARLY`].
pub const LATE: f64 = 545.0;

/// Warmth that `hours` at `t_c` bring, in C·day above [`BASE_C`]; none below it. A store never
/// reaches the optimum, beyond which this would be too much.
pub fn degree_days(t_c: f64, hours: f64) -> f64 {
    (t_c - BASE_C).max(0.0) * hours / 24.0
}

/// Days until a sum of warmth reaches its target at a mean temperature; 0 when it has, `None` where
/// it never does.
pub fn days_to(sum: f64, target: f64, mean_t_c: f64) -> Option<f64> {
    let rate = degree_days(mean_t_c, 24.0);
    if target <= sum {
        Some(0.0)
    } else {
        (0.0 < rate).then(|| (target - sum) / rate)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_warm_store_wakes_its_tubers_by_mid_february() {
        // Days to 220 C·day by plain division: 45 F 127, 50 F 49, 55 F 30, 60 F 22, 70 F 14.
        for (f, days) in [
            (45.0, 127.0),
            (50.0, 49.0),
            (55.0, 30.0),
            (60.0, 22.0),
            (70.0, 14.0),
        ] {
            let t = (f - 32.0) / 1.8;
            let found = days_to(0.0, EARLY, t).unwrap();
            assert!((found - days).abs() < 1.0, "{f} F: {found}");
        }
        assert_eq!(days_to(10.0, EARLY, BASE_C), None);
        assert_eq!(days_to(EARLY, EARLY, 0.0), Some(0.0));
    }
}
