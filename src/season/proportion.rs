//! How sure a share is: so many of so many, with an interval.

use statrs::distribution::{Beta, ContinuousCDF, Normal};

/// The two ends of an interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Deviations of the normal distribution to either end of an interval that holds `confidence`.
fn deviations(confidence: f64) -> f64 {
    Normal::standard().inverse_cdf(f64::midpoint(1.0, confidence))
}

/// Wilson's score interval for `k` of `n`; 0 to 1 where there is nothing to count.
///
/// Source: Wilson 1927, J. American Statistical Association 22:209.
pub fn wilson(k: u32, n: u32, confidence: f64) -> Interval {
    if n == 0 {
        return Interval {
            low: 0.0,
            high: 1.0,
        };
    }
    let (k, n, z) = (f64::from(k), f64::from(n), deviations(confidence));
    let middle = (k + z * z / 2.0) / (n + z * z);
    let half = z * (k * (n - k) / n + z * z / 4.0).sqrt() / (n + z * z);
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

/// Newcombe's interval for the difference `k1/n1 - k2/n2`, made of two Wilson intervals.
///
/// Source: Newcombe 1998, Statistics in Medicine 17:873, method 10.
pub fn newcombe((k1, n1): (u32, u32), (k2, n2): (u32, u32), confidence: f64) -> Interval {
    let share = |k: u32, n: u32| f64::from(k) / f64::from(n.max(1));
    let (p1, p2) = (share(k1, n1), share(k2, n2));
    let (a, b) = (wilson(k1, n1, confidence), wilson(k2, n2, confidence));
    let difference = p1 - p2;
    Interval {
        low: difference - (p1 - a.low).hypot(b.high - p2),
        high: difference + (a.high - p1).hypot(p2 - b.low),
    }
}
