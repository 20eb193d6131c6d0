//! How many will live until planting: a share that survives a whole winter, learnt from what was lost, and what it
//! leaves of the tubers that are here.
//!
//! Losses are spread evenly over the winter: of a share `p` that survives all of it, `p^e` survives its first part `e`.
//! Tubers in one crate share its fate, so they are counted for fewer than they are, and what is left of them scatters
//! more than one by one. What is known of `p` stands on a grid. Sums over it are exact to the grid: no normal
//! approximation, whatever the number.

use std::f64::consts::FRAC_PI_2;

/// What is known before any count, as the two numbers of a beta distribution: 90 % survive on average, and in one
/// winter of twenty fewer than about 60 %.
///
/// Judgement on common practice: sound tubers in a good store lose 5 to 10 %, growers tell of winters with 50 % and
/// more lost. It weighs as much as four tubers.
const PRIOR: (f64, f64) = (3.6, 0.4);

/// Variance of the losses of whole crates against that of tubers dying one by one: judgement, until a farm's own
/// crates tell ([`design`]).
pub(super) const DESIGN: f64 = 4.0;
/// Bounds of a measured [`design`]: fewer than one is chance, more than so many tells of a mishap and not of crates.
const DESIGN_BOUNDS: (f64, f64) = (1.0, 20.0);
/// So many crates are needed to tell; judgement.
const LEAST_CRATES: usize = 5;
/// Tubers of a crate, from which on more of them share no more fate: about 30 clumps fill one (common practice).
const CRATE: f64 = 30.0;

/// The variety's own past winters weigh no more than so many tubers counted one by one ...
const OWN: f64 = 20.0;
/// ... and those of the whole farm, where its own are fewer, fill up to so many. Judgement: winters differ, and so do
/// varieties.
const FARM: f64 = 10.0;
/// What the other varieties lost this winter weighs no more than so many: a frost or a leak is bad for all, and tells
/// of crates that nobody has opened yet. Judgement.
const OTHERS: f64 = 10.0;

/// Losses before this part of the winter are taken as those of all of it, and count for less. Judgement: what was hurt
/// in digging is lost in the first weeks, and a rate of those weeks would leave nothing by spring.
const EARLY: f64 = 0.25;

/// Places of the grid.
const PLACES: usize = 200;
/// Up to so many tubers are summed one by one; more in so many equal heaps.
const HEAPS: u64 = 20_000;
/// Places and terms with less of the whole than this are left out.
const TINY: f64 = 1e-9;
/// Lower end, middle and upper end: an interval that holds 90 %.
const QUANTILES: [f64; 3] = [0.05, 0.5, 0.95];

/// So many lost of so many.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counted {
    /// Lost.
    pub lost: u32,
    /// Of so many, the lost ones among them.
    pub of: u32,
}

impl Counted {
    fn parts(self) -> (f64, f64, f64) {
        let of = f64::from(self.of);
        let lost = f64::from(self.lost).min(of);
        (lost, of - lost, of)
    }
}

/// What a look at tubers showed of the winter so far.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Seen {
    /// Lost this winter.
    pub(super) counted: Counted,
    /// Part of the winter that had passed, 0 to 1.
    pub(super) passed: f64,
}

impl Seen {
    /// Two looks as one, in the middle between them by what was seen; one at the very beginning shows nothing.
    pub(super) fn with(self, other: Self) -> Self {
        let weight = |seen: Self| {
            if seen.passed > 0.0 {
                f64::from(seen.counted.of)
            } else {
                0.0
            }
        };
        let (a, b) = (weight(self), weight(other));
        if b == 0.0 {
            return self;
        }
        if a == 0.0 {
            return other;
        }
        Self {
            counted: Counted {
                lost: self.counted.lost.saturating_add(other.counted.lost),
                of: self.counted.of.saturating_add(other.counted.of),
            },
            passed: (self.passed * a + other.passed * b) / (a + b),
        }
    }
}

/// What is known beside a variety's own lots.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Known {
    /// Its own past winters.
    pub(super) own: Counted,
    /// The farm's past winters.
    pub(super) farm: Counted,
    /// What the other varieties lost this winter.
    pub(super) others: Seen,
}

/// Tubers that went through the winter together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Together {
    /// Here and sound.
    pub(super) sound: u32,
    /// Plants that one of them gives.
    pub(super) plants_each: f64,
    /// At the last look.
    pub(super) seen: Seen,
}

/// How many of the sound ones will live.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Survivors {
    /// Lower end, middle and upper end of an interval that holds 90 %.
    pub(super) quantiles: [u64; 3],
    /// On average.
    pub(super) mean: f64,
}

/// Variance of the losses of these crates against that of tubers dying one by one, at least 1 and at most 20: the sum
/// of squares of Pearson's homogeneity test by its degrees of freedom. None from fewer than five crates, or when all
/// or none were lost. What differs between the crates' varieties counts as the crates' own.
///
/// Source: the variance ratio of McCullagh and Nelder, Generalized Linear Models, 4.5 (from memory).
pub(super) fn design(crates: &[Counted]) -> Option<f64> {
    let crates: Vec<_> = (crates.iter().map(|c| c.parts()))
        .filter(|(.., of)| *of > 0.0)
        .collect();
    let (lost, all) = (crates.iter()).fold((0.0, 0.0), |(k, n), (l, _, of)| (k + l, n + of));
    if crates.len() < LEAST_CRATES || lost <= 0.0 || lost >= all {
        return None;
    }
    let share = lost / all;
    let squares: f64 = (crates.iter())
        .map(|(l, _, of)| (l - of * share).powi(2) / (of * share * (1.0 - share)))
        .sum();
    let ratio = squares / (crates.len() - 1) as f64;
    Some(ratio.clamp(DESIGN_BOUNDS.0, DESIGN_BOUNDS.1))
}

/// A place of the grid: a share that survives a whole winter.
#[derive(Debug, Clone, Copy)]
struct Place {
    ln_live: f64,
    ln_die: f64,
}

/// The grid, and how much fate is shared.
#[derive(Debug)]
pub(super) struct Model {
    design: f64,
    prior: (f64, f64),
    places: Vec<Place>,
}

impl Model {
    /// With what is known from practice; a `design` of 1 is tubers dying one by one.
    pub(super) fn new(design: f64) -> Self {
        // Even in the angle whose squared sine is the share: there every posterior is about as wide.
        let place = |i: usize| {
            let angle = (i as f64 + 0.5) / PLACES as f64 * FRAC_PI_2;
            Place {
                ln_live: 2.0 * angle.sin().ln(),
                ln_die: 2.0 * angle.cos().ln(),
            }
        };
        Self {
            design,
            prior: PRIOR,
            places: (0..PLACES).map(place).collect(),
        }
    }

    /// The variance ratio of `n` tubers in one crate: 1 for one, rising to the design's for a full crate.
    fn effect(&self, n: f64) -> f64 {
        1.0 + (self.design - 1.0) * ((n - 1.0) / (CRATE - 1.0)).clamp(0.0, 1.0)
    }

    /// So many tubers dying one by one would tell as much.
    fn alone(&self, counted: Counted) -> f64 {
        f64::from(counted.of) / self.effect(f64::from(counted.of))
    }

    /// What each place of the grid weighs after all that was counted; the sum is 1.
    fn weights(&self, lots: &[Together], known: &Known) -> Vec<f64> {
        let own = self.alone(known.own).min(OWN);
        let farm = self.alone(known.farm).min((FARM - own).max(0.0));
        let (mut live, mut die) = (self.prior.0 - 0.5, self.prior.1 - 0.5);
        for (counted, weight) in [(known.own, own), (known.farm, farm)] {
            let (lost, kept, of) = counted.parts();
            live += weight * kept / of.max(1.0);
            die += weight * lost / of.max(1.0);
        }
        let mut logs: Vec<f64> = (self.places.iter())
            .map(|place| live * place.ln_live + die * place.ln_die)
            .collect();
        let lots = (lots.iter()).map(|lot| (lot.seen, self.alone(lot.seen.counted)));
        let others = (known.others, self.alone(known.others.counted).min(OTHERS));
        for (seen, weight) in lots.chain([others]) {
            let (lost, kept, of) = seen.counted.parts();
            let weight = weight / of.max(1.0) * (seen.passed / EARLY).min(1.0);
            if weight <= 0.0 {
                continue;
            }
            let part = seen.passed.max(EARLY);
            for (log, place) in logs.iter_mut().zip(&self.places) {
                let ln_live = part * place.ln_live;
                let ln_die = (-ln_live.exp_m1()).ln();
                *log += weight * (lost * ln_die + kept * ln_live);
            }
        }
        let most = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let weights: Vec<f64> = logs.iter().map(|log| (log - most).exp()).collect();
        let sum: f64 = weights.iter().sum();
        weights.iter().map(|weight| weight / sum).collect()
    }

    /// How many of the sound ones will live until the winter is over; of lots that give unequal numbers of plants, as
    /// many as give the same plants.
    ///
    /// Exact to the grid up to 20,000. Beyond that, to half a place of the grid, which is 0.4 % of the number at most.
    pub(super) fn survivors(&self, lots: &[Together], known: &Known) -> Survivors {
        let count: u64 = lots.iter().map(|lot| u64::from(lot.sound)).sum();
        let Some(mix) = self.mixture(count, lots, known) else {
            return Survivors {
                quantiles: [count; 3],
                mean: count as f64,
            };
        };
        let heaps = mix.mixture.len() - 1;
        Survivors {
            quantiles: QUANTILES.map(|q| mix.quantile(q) as u64 * count / heaps as u64),
            mean: mix.mean() * count as f64 / heaps as f64,
        }
    }

    /// None where nothing is left that could die and be missed.
    fn mixture(&self, count: u64, lots: &[Together], known: &Known) -> Option<Mix> {
        let plants: f64 = (lots.iter())
            .map(|lot| f64::from(lot.sound) * lot.plants_each)
            .sum();
        if plants <= 0.0 {
            return None;
        }
        // One heap is one tuber, unless there are very many.
        let heap = count.div_ceil(HEAPS);
        let heaps = (count / heap) as usize;
        let mut mix = Mix::new(heaps, self.shared(lots, count as f64, heap as f64));
        for (place, weight) in (self.places.iter()).zip(self.weights(lots, known)) {
            if weight < TINY {
                continue;
            }
            let lost: f64 = (lots.iter())
                .map(|lot| {
                    let part = f64::from(lot.sound) * lot.plants_each / plants;
                    -part * ((1.0 - lot.seen.passed).max(0.0) * place.ln_live).exp_m1()
                })
                .sum();
            mix.add(lost, weight);
        }
        Some(mix)
    }

    /// How alike two of the lots' tubers fare, 0 to below 1, so that their survivors scatter as those of their crates
    /// and, with unequal plants each, as the plants do (Kish 1965, Survey Sampling, 11.7, from memory: effects
    /// multiply).
    fn shared(&self, lots: &[Together], count: f64, heap: f64) -> f64 {
        let (mut sum, mut squares) = (0.0, 0.0);
        for lot in lots {
            let n = f64::from(lot.sound);
            sum += n * lot.plants_each;
            squares += n * lot.plants_each.powi(2) * self.effect(n);
        }
        let effect = squares * count / (sum * sum) / heap;
        ((effect - 1.0) / (count / heap - 1.0).max(1.0)).clamp(1e-9, 0.9)
    }
}

/// Survivors of so many: a mixture of beta-binomial distributions over the grid.
struct Mix {
    /// Sum of both numbers of each beta distribution.
    strength: f64,
    /// What each number of survivors weighs, from 0 on.
    mixture: Vec<f64>,
    terms: Vec<f64>,
}

impl Mix {
    fn new(n: usize, shared: f64) -> Self {
        Self {
            strength: 1.0 / shared - 1.0,
            mixture: vec![0.0; n + 1],
            terms: vec![0.0; n + 1],
        }
    }

    /// Adds the case that a share `lost` of them dies on average.
    fn add(&mut self, lost: f64, weight: f64) {
        let last = self.mixture.len() - 1;
        let n = last as f64;
        let (live, die) = ((1.0 - lost) * self.strength, lost * self.strength);
        if die <= 0.0 {
            self.mixture[last] += weight;
            return;
        }
        // Of one more survivor against one less, which needs no gamma functions; summed outward from the mean.
        let ratio = |x: usize| {
            let x = x as f64;
            (n - x) * (x + live) / ((x + 1.0) * (n - x - 1.0 + die))
        };
        let start = (n * (1.0 - lost)) as usize;
        let (mut bottom, mut top, mut sum) = (start, start, 1.0);
        self.terms[start] = 1.0;
        while top < last {
            let step = ratio(top);
            self.terms[top + 1] = self.terms[top] * step;
            top += 1;
            sum += self.terms[top];
            if step < 1.0 && self.terms[top] < TINY * sum {
                break;
            }
        }
        while bottom > 0 {
            let step = 1.0 / ratio(bottom - 1);
            self.terms[bottom - 1] = self.terms[bottom] * step;
            bottom -= 1;
            sum += self.terms[bottom];
            if step < 1.0 && self.terms[bottom] < TINY * sum {
                break;
            }
        }
        let scale = weight / sum;
        for (into, term) in (self.mixture[bottom..=top].iter_mut()).zip(&self.terms[bottom..=top]) {
            *into += scale * term;
        }
    }

    fn mean(&self) -> f64 {
        let (mut sum, mut weights) = (0.0, 0.0);
        for (x, weight) in self.mixture.iter().enumerate() {
            sum += x as f64 * weight;
            weights += weight;
        }
        sum / weights
    }

    /// The least number that so great a share stays at or below.
    fn quantile(&self, share: f64) -> usize {
        let wanted = share * self.mixture.iter().sum::<f64>();
        let mut sum = 0.0;
        (self.mixture.iter())
            .position(|weight| {
                sum += weight;
                sum >= wanted
            })
            .unwrap_or(self.mixture.len() - 1)
    }
}

#[cfg(test)]
mod tests;
