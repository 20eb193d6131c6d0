//! Whether crates that lived through more of something lost more: rank correlation, and how sure it is.

use serde::{Deserialize, Serialize};

use super::proportion::{Interval, deviations};

/// Fewer crates show no pattern. A figure of this project: of ten, two ranks have to agree by 0.67 or so
/// before chance is out of the question.
pub const ENOUGH_CRATES: usize = 10;

/// What a crate lived through, as one figure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Figure {
    /// Mean temperature among its tubers, C.
    MeanTemperature,
    /// Lowest temperature among its tubers, C.
    LowestTemperature,
    /// Highest temperature among its tubers, C.
    HighestTemperature,
    /// Mean humidity of its air, percent.
    MeanHumidity,
    /// Hours below the band's temperatures.
    HoursCold,
    /// Hours above them.
    HoursWarm,
    /// Hours below the band's humidities.
    HoursDry,
    /// Hours above them.
    HoursDamp,
    /// Summed vapour pressure deficit, kPa day.
    DeficitDose,
    /// Water lost, percent of its weight.
    Shrink,
    /// Highest index of mould growth, 0 to 6.
    Mould,
    /// Hours with condensation in reach.
    HoursSweating,
}

/// One crate: what it lost and a figure that it lived through.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fate {
    /// Lost.
    pub lost: u64,
    /// Of so many at risk.
    pub at_risk: u64,
    /// The figure, in its unit; not finite where it is not known.
    pub figure: f64,
}

/// Whether a figure and the share lost rise together.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Pattern {
    /// Which figure.
    pub figure: Figure,
    /// Crates of which both are known.
    pub n: usize,
    /// Spearman's rank correlation, -1 to 1: above 0 crates with more of it lost more. None where all are
    /// alike in one of the two, or with fewer than two.
    pub rho: Option<f64>,
    /// Its interval; none with fewer than four crates.
    pub interval: Option<Interval>,
    /// How sure the interval is.
    pub confidence: f64,
    /// Ten crates or more, and the interval excludes 0. What else differed between the crates is not known.
    pub tells: bool,
}

/// The pattern of one figure over crates, each of which counts once. `asked` is how many figures are looked
/// at side by side: together they are at 95 % (Bonferroni).
///
/// Interval by Fisher's z with the variance (1 + rho^2/2)/(n - 3).
/// Source: Bonett and Wright 2000, Psychometrika 65:23.
pub fn pattern(figure: Figure, crates: &[Fate], asked: usize) -> Pattern {
    let known: Vec<(f64, f64)> = (crates.iter())
        .filter(|c| c.at_risk != 0 && c.figure.is_finite())
        .map(|c| (c.figure, c.lost as f64 / c.at_risk as f64))
        .collect();
    let n = known.len();
    let rho = spearman(&known);
    let confidence = 1.0 - 0.05 / asked.max(1) as f64;
    let interval = rho.filter(|_| 3 < n).map(|rho| {
        let half = deviations(confidence) * ((1.0 + rho * rho / 2.0) / (n - 3) as f64).sqrt();
        // A perfect order has no upper end to go to: its z is infinite, and so are both ends.
        Interval {
            low: (rho.atanh() - half).tanh(),
            high: (rho.atanh() + half).tanh(),
        }
    });
    let apart = interval.is_some_and(|i| 0.0 < i.low || i.high < 0.0);
    Pattern {
        figure,
        n,
        rho,
        interval,
        confidence,
        tells: ENOUGH_CRATES <= n && apart,
    }
}

/// Spearman's rank correlation: Pearson's of the ranks, equal values sharing the mean of theirs.
///
/// Source: Spearman 1904, American J. of Psychology 15:72; ties after Kendall.
fn spearman(pairs: &[(f64, f64)]) -> Option<f64> {
    let x = ranks(pairs.iter().map(|(x, _)| *x));
    let y = ranks(pairs.iter().map(|(_, y)| *y));
    // The mean of any ranks, tied or not.
    let mean = f64::midpoint(1.0, pairs.len() as f64);
    let sum = |of: &mut dyn Iterator<Item = (f64, f64)>| -> f64 {
        of.map(|(a, b)| (a - mean) * (b - mean)).sum()
    };
    let both = sum(&mut x.iter().copied().zip(y.iter().copied()));
    let (xx, yy) = (
        sum(&mut x.iter().map(|x| (*x, *x))),
        sum(&mut y.iter().map(|y| (*y, *y))),
    );
    (0.0 < xx && 0.0 < yy).then(|| (both / (xx * yy).sqrt()).clamp(-1.0, 1.0))
}

fn ranks(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let values: Vec<f64> = values.collect();
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut ranks = vec![0.0; values.len()];
    for alike in order.chunk_by(|a, b| values[*a].total_cmp(&values[*b]).is_eq()) {
        let first = order.partition_point(|i| values[*i].total_cmp(&values[alike[0]]).is_lt());
        let rank = f64::midpoint(first as f64 + 1.0, (first + alike.len()) as f64);
        for i in alike {
            ranks[*i] = rank;
        }
    }
    ranks
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn fates(pairs: &[(f64, u64)]) -> Vec<Fate> {
        let fate = |(figure, lost): &(f64, u64)| Fate {
            lost: *lost,
            at_risk: 100,
            figure: *figure,
        };
        pairs.iter().map(fate).collect()
    }

    #[test]
    fn a_published_example_comes_out_as_published() {
        // The example of `ci.spear` in the R package statpsych (D. G. Bonett), with ties.
        let y = [21, 4, 9, 12, 35, 18, 10, 22, 24, 1, 6, 8, 13, 16, 19];
        let x = [67, 28, 30, 28, 52, 40, 25, 37, 44, 10, 14, 20, 28, 40, 51];
        let pairs: Vec<_> = (x.into_iter().zip(y))
            .map(|(x, y)| (f64::from(x), y))
            .collect();
        let found = pattern(Figure::HoursCold, &fates(&pairs), 1);
        let interval = found.interval.unwrap();
        for (found, want) in [
            (found.rho.unwrap(), 0.869_963_9),
            (interval.low, 0.584_095_1),
            (interval.high, 0.963_829_7),
        ] {
            assert!((found - want).abs() < 5e-7, "{found} {want}");
        }
        assert!(found.tells && found.n == 15);
        // Beside five others the same order is less sure.
        let beside = pattern(Figure::HoursCold, &fates(&pairs), 6);
        assert!(beside.interval.unwrap().low < interval.low);
    }

    #[test]
    fn few_crates_and_crates_that_are_alike_tell_nothing() {
        let rising: Vec<_> = (0..12)
            .map(|i| (f64::from(i), u64::from(i as u32)))
            .collect();
        let of = |n: usize| pattern(Figure::HoursCold, &fates(&rising[..n]), 1);
        assert!(of(10).tells && !of(9).tells);
        assert_eq!((of(10).rho, of(3).rho), (Some(1.0), Some(1.0)));
        assert_eq!((of(3).interval, of(0).rho, of(1).rho), (None, None, None));
        let unhurt: Vec<_> = rising.iter().map(|(x, _)| (*x, 0)).collect();
        let unhurt = pattern(Figure::HoursCold, &fates(&unhurt), 1);
        assert_eq!((unhurt.rho, unhurt.tells), (None, false));
        // What is not known is left out.
        let mut some = fates(&rising);
        some[0].figure = f64::NAN;
        some[1].at_risk = 0;
        assert_eq!(pattern(Figure::HoursCold, &some, 1).n, 10);
    }

    proptest! {
        #[test]
        fn order_alone_counts(pairs in prop::collection::vec((-50.0..50.0_f64, 0..100_u64), 4..40)) {
            let found = pattern(Figure::HoursCold, &fates(&pairs), 1);
            let mut turned = pairs.clone();
            turned.reverse();
            let stretched: Vec<_> = turned.iter().map(|(x, k)| (x.powi(3) * 7.0 + x, *k)).collect();
            let same = pattern(Figure::HoursCold, &fates(&stretched), 1);
            let mirrored: Vec<_> = pairs.iter().map(|(x, k)| (-x, *k)).collect();
            let mirrored = pattern(Figure::HoursCold, &fates(&mirrored), 1);
            match (found.rho, same.rho, mirrored.rho) {
                (Some(a), Some(b), Some(c)) => {
                    prop_assert!((a - b).abs() < 1e-12 && (a + c).abs() < 1e-12);
                    let i = found.interval.unwrap();
                    prop_assert!(-1.0 <= i.low && i.low <= a && a <= i.high && i.high <= 1.0);
                }
                (a, b, c) => prop_assert_eq!((a, b), (None, c)),
            }
        }
    }
}
