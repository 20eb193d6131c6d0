//! The two statistics that several models share.

use statrs::distribution::{ContinuousCDF, StudentsT};

/// The normal deviate that leaves 5 % above it: half-width of a 90 % interval in deviations.
pub(super) const NORMAL_95: f64 = 1.644_853_626_951_472_2;

/// Student's t that leaves `1 - p` above it; infinite without degrees of freedom.
pub(super) fn student_t(p: f64, freedom: usize) -> f64 {
    StudentsT::new(0.0, 1.0, freedom as f64).map_or(f64::INFINITY, |t| t.inverse_cdf(p))
}

/// Median of values that are sorted already; NaN of none.
pub(super) fn median(sorted: &[f64]) -> f64 {
    let n = sorted.len();
    if n == 0 {
        f64::NAN
    } else if n % 2 == 1 {
        sorted[n / 2]
    } else {
        f64::midpoint(sorted[n / 2 - 1], sorted[n / 2])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn students_t_has_its_tabulated_values() {
        // Any printed table of t, two-sided 95 % (from memory).
        for (freedom, t) in [
            (1, 12.706),
            (2, 4.303),
            (3, 3.182),
            (10, 2.228),
            (100, 1.984),
        ] {
            assert!((student_t(0.975, freedom) - t).abs() < 6e-4, "{freedom}");
        }
        assert!(student_t(0.975, 0).is_infinite());
    }
}
