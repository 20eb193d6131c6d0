//! How sure a share is: so many of so many, with an interval.

use serde::{Deserialize, Serialize};
use statrs::distribution::{Beta, ContinuousCDF, Normal};

/// The two ends of an interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Deviations of the normal distribution to either end of an interval that holds `confidence`.
pub(super) fn deviations(confidence: f64) -> f64 {
    Normal::standard().inverse_cdf(f64::midpoint(1.0, confidence))
}

/// Wilson's score interval for `k` of `n`; 0 to 1 where there is nothing to count. Both may be
/// effective numbers, which are not whole ([`design_effect`]).
///
/// Source: Wilson 1927, J. American Statistical Association 22:209.
pub fn wilson(k: impl Into<f64>, n: impl Into<f64>, confidence: f64) -> Interval {
    let (k, n, z) = (k.into(), n.into(), deviations(confidence));
    if n <= 0.0 {
        return Interval {
            low: 0.0,
            high: 1.0,
        };
    }
    let middle = (k + z * z / 2.0) / (n + z * z);
    // Effective numbers are rounded: k may come out a hair above n.
    let half = z * ((k * (n - k) / n).max(0.0) + z * z / 4.0).sqrt() / (n + z * z);
    Interval {
        low: (middle - half).max(0.0),
        high: (middle + half).min(1.0),
    }
}

/// Jeffreys' interval: quantiles of Beta(k + 1/2, n - k + 1/2), but 0 and 1 at the edges, where none or
/// all were counted.
///
/// Source: Brown, Cai and DasGupta 2001, Statistical Science 16:101.
pub fn jeffreys(k: u32, n: u32, confidence: f64) -> Interval {
    let beta = Beta::new(f64::from(k) + 0.5, f64::from(n.saturating_sub(k)) + 0.5);
    let tail = (1.0 - confidence) / 2.0;
    let at = |p: f64| beta.as_ref().map_or(f64::NAN, |b| b.inverse_cdf(p));
    Interval {
        low: if k == 0 { 0.0 } else { at(tail) },
        high: if k == n { 1.0 } else { at(1.0 - tail) },
    }
}

/// Newcombe's interval for the difference `k1/n1 - k2/n2`, made of two Wilson intervals. The counts may
/// be effective numbers, as with [`wilson`].
///
/// Source: Newcombe 1998, Statistics in Medicine 17:873, method 10.
pub fn newcombe<N: Into<f64>>((k1, n1): (N, N), (k2, n2): (N, N), confidence: f64) -> Interval {
    let [k1, n1, k2, n2] = [k1, n1, k2, n2].map(Into::into);
    let share = |k: f64, n: f64| if 0.0 < n { k / n } else { 0.0 };
    let (p1, p2) = (share(k1, n1), share(k2, n2));
    let (a, b) = (wilson(k1, n1, confidence), wilson(k2, n2, confidence));
    let difference = p1 - p2;
    Interval {
        low: difference - (p1 - a.low).hypot(b.high - p2),
        high: difference + (a.high - p1).hypot(p2 - b.low),
    }
}

/// How a count scatters over clusters of `(k, n)`: the variance of the sum of the `k` by the ratio
/// estimator, and what it would be if all were drawn one by one.
fn scatter(clusters: &[(u64, u64)]) -> (f64, f64) {
    let m = clusters.len() as f64;
    let (k, n) = clusters
        .iter()
        .fold((0.0, 0.0), |(k, n), c| (k + c.0 as f64, n + c.1 as f64));
    if clusters.len() < 2 || n <= 0.0 {
        return (0.0, 0.0);
    }
    let p = k / n;
    let squares: f64 = (clusters.iter())
        .map(|(k, n)| (*k as f64 - p * *n as f64).powi(2))
        .sum();
    (m / (m - 1.0) * squares, n * p * (1.0 - p))
}

/// How many times less `(k, n)` of several clusters tell than as many drawn one by one: the variance of
/// the ratio estimator over the binomial one, at least 1. Divide `k` and `n` by it for effective
/// numbers. None for fewer than two clusters, and where none or all were counted: then every cluster is
/// alike, and how much alike a next one would be cannot be seen.
///
/// Source: Rao and Scott 1992, Biometrics 48:577. That it is at least 1 is customary.
pub fn design_effect(clusters: &[(u64, u64)]) -> Option<f64> {
    pooled_design_effect([clusters])
}

/// One design effect for several groups of clusters, each with a share of its own: the variances of
/// all counts together over what they would be one by one. Groups of which none or all were counted add
/// nothing.
///
/// The ratio of sums is a choice of this project; Rao and Scott 1992 pool differently, for a test.
pub fn pooled_design_effect<'a>(groups: impl IntoIterator<Item = &'a [(u64, u64)]>) -> Option<f64> {
    let (found, drawn) = (groups.into_iter().map(scatter))
        .filter(|(_, drawn)| 0.0 < *drawn)
        .fold((0.0, 0.0), |sum, one| (sum.0 + one.0, sum.1 + one.1));
    (0.0 < drawn).then(|| (found / drawn).max(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn litters_of_rats_have_the_published_design_effects() {
        // Weil 1970, table 1, pups alive after 21 days of those alive after 4, also table 1 of Rao and Scott
        // 1992 (litters from memory). The design effects are those of another program, rounded to six
        // places (`rsb` of the R package PF, in its manual).
        let control = [
            (13, 13),
            (12, 12),
            (9, 9),
            (9, 9),
            (8, 8),
            (8, 8),
            (12, 13),
            (11, 12),
            (9, 10),
            (9, 10),
            (8, 9),
            (11, 13),
            (4, 5),
            (5, 7),
            (7, 10),
            (7, 10),
        ];
        let treated = [
            (12, 12),
            (11, 11),
            (10, 10),
            (9, 9),
            (10, 11),
            (9, 10),
            (9, 10),
            (8, 9),
            (8, 9),
            (4, 5),
            (7, 9),
            (4, 7),
            (5, 10),
            (3, 6),
            (3, 10),
            (0, 7),
        ];
        for (litters, want) in [(control, 1.232_495), (treated, 3.952_861)] {
            let found = design_effect(&litters).unwrap();
            assert!((found - want).abs() < 5e-7, "{found}");
        }
        let pooled = pooled_design_effect([&control[..], &treated[..]]).unwrap();
        assert!((1.232_495..3.952_861).contains(&pooled), "{pooled}");
    }

    #[test]
    fn clusters_that_are_all_alike_tell_nothing_of_clusters() {
        assert_eq!(design_effect(&[]), None);
        assert_eq!(design_effect(&[(3, 10)]), None);
        assert_eq!(design_effect(&[(0, 10), (0, 5), (0, 7)]), None);
        assert_eq!(design_effect(&[(10, 10), (5, 5)]), None);
        // The same share in each: less scatter than chance brings counts as none.
        assert_eq!(design_effect(&[(1, 10), (1, 10), (1, 10)]), Some(1.0));
        // All or nothing in clusters of ten, by hand: p = 1/2, 4/3 x 4 x 25 over 40/4.
        let whole = [(10, 10), (0, 10), (10, 10), (0, 10)];
        let found = design_effect(&whole).unwrap();
        assert!((found - 40.0 / 3.0).abs() < 1e-12, "{found}");
        // A group without a loss changes nothing.
        let with = pooled_design_effect([&whole[..], &[(0, 10), (0, 9)]]);
        assert_eq!(with, Some(found));
    }

    #[test]
    fn effective_numbers_need_not_be_whole() {
        let (a, b) = (wilson(4.5, 20.25, 0.95), wilson(9, 40, 0.95));
        assert!(a.low < b.low && b.high < a.high);
        assert_eq!(wilson(9.0, 40.0, 0.95), b);
        let same = newcombe((4.0, 10.0), (3.0, 12.0), 0.9);
        assert_eq!(same, newcombe((4, 10), (3, 12), 0.9));
        // No number at all: nothing is known.
        let none = newcombe((0.0, 0.0), (0.0, 0.0), 0.95);
        assert_eq!((none.low, none.high), (-1.0, 1.0));
    }
}
