//! A plain threshold: a value beyond a fixed limit for some time. It shares nothing with the judge but the
//! names of what it speaks of.

use overwinter::watch::{Kind, Priority};

use crate::{
    judged::Notice,
    score::{By, Case, Score},
    store_room::{HarmKind, Run},
};

const MINUTE_MS: i64 = 60_000;
const HOUR_MS: i64 = 60 * MINUTE_MS;
/// How long a value must be back inside before the next time counts as another, and how far.
const OFF_MS: i64 = 30 * MINUTE_MS;
const BACK_K: f64 = 1.0 / 1.8;
const BACK_PCT: f64 = 2.0;

/// What it looks at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Of {
    /// Air temperature, C.
    Air,
    /// Air humidity, %.
    Humidity,
    /// Temperature of the probe, C.
    Probe,
}

/// Values of a run with their times, as said by the sensors.
#[derive(Clone, Debug)]
pub(crate) struct Series([Vec<(i64, f64)>; 3]);

impl Series {
    pub(crate) fn of(run: &Run) -> Self {
        let mut all = [Vec::new(), Vec::new(), Vec::new()];
        for r in &run.readings {
            let mut add = |of: Of, value: Option<f64>| {
                all[of as usize].extend(value.map(|v| (r.at_ms, v)));
            };
            match r.sensor {
                "air" => {
                    add(Of::Air, r.temperature_c);
                    add(Of::Humidity, r.humidity_pct);
                }
                "crate" => add(Of::Probe, r.temperature_c),
                _ => {}
            }
        }
        Self(all)
    }
}

/// One limit with its delay.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Rule {
    pub(crate) kind: Kind,
    pub(crate) of: Of,
    pub(crate) below: bool,
    /// C or %.
    pub(crate) limit: f64,
    pub(crate) delay_ms: i64,
}

impl Rule {
    /// Each time it speaks.
    pub(crate) fn notices(&self, series: &Series) -> Vec<Notice> {
        let back = if self.of == Of::Humidity {
            BACK_PCT
        } else {
            BACK_K
        };
        let sign = if self.below { -1.0 } else { 1.0 };
        let (mut told, mut active, mut since) = (Vec::new(), false, None);
        for &(at, value) in &series.0[self.of as usize] {
            let past = (value - self.limit) * sign;
            let (counts, delay) = if active {
                (past <= -back, OFF_MS)
            } else {
                (0.0 < past, self.delay_ms)
            };
            if !counts {
                since = None;
                continue;
            }
            if delay <= at - *since.get_or_insert(at) {
                (active, since) = (!active, None);
                if active {
                    told.push(Notice {
                        at_ms: at,
                        kind: self.kind,
                        priority: Priority::Medium,
                    });
                }
            }
        }
        told
    }
}

fn celsius(f: f64) -> f64 {
    (f - 32.0) / 1.8
}

fn rule(kind: Kind, of: Of, below: bool, limit: f64, delay_ms: i64) -> Rule {
    Rule {
        kind,
        of,
        below,
        limit,
        delay_ms,
    }
}

/// What a careful grower would set (common practice for the lines; the delays keep doors out).
pub(crate) fn careful() -> Vec<Rule> {
    use Of::{Air, Humidity, Probe};
    vec![
        rule(Kind::Frost, Air, true, celsius(35.0), 15 * MINUTE_MS),
        rule(Kind::Frost, Probe, true, celsius(35.0), 15 * MINUTE_MS),
        rule(Kind::Cold, Air, true, celsius(40.0), HOUR_MS),
        rule(Kind::Cold, Probe, true, celsius(40.0), HOUR_MS),
        rule(Kind::Warm, Air, false, celsius(55.0), 24 * HOUR_MS),
        rule(Kind::Warm, Air, false, celsius(60.0), 6 * HOUR_MS),
        rule(Kind::Warm, Probe, false, celsius(55.0), 24 * HOUR_MS),
        rule(Kind::DryOut, Humidity, true, 70.0, 24 * HOUR_MS),
        rule(Kind::RotRisk, Humidity, false, 90.0, 6 * HOUR_MS),
    ]
}

/// Limits and delays that are tried for one kind of harm.
fn candidates(harm: HarmKind) -> Vec<Rule> {
    let delays = [30, 60, 120, 240, 360, 480, 720, 1440, 2880].map(|m| m * MINUTE_MS);
    let mut all = Vec::new();
    let mut each = |kind, of, below, limits: &mut dyn Iterator<Item = f64>| {
        for limit in limits {
            all.extend(delays.map(|delay| rule(kind, of, below, limit, delay)));
        }
    };
    let whole = |from: i32, to: i32| (from..=to).map(f64::from);
    match harm {
        HarmKind::Frost => {
            for of in [Of::Air, Of::Probe] {
                each(Kind::Cold, of, true, &mut whole(32, 46).map(celsius));
            }
        }
        HarmKind::Heat => {
            for of in [Of::Air, Of::Probe] {
                each(Kind::Warm, of, false, &mut whole(50, 66).map(celsius));
            }
        }
        HarmKind::Drying => each(Kind::DryOut, Of::Humidity, true, &mut whole(55, 79)),
        HarmKind::Sweating | HarmKind::Mould => {
            each(Kind::RotRisk, Of::Humidity, false, &mut whole(76, 95));
        }
    }
    all
}

/// The best that a plain threshold can do against one kind of harm.
pub(crate) struct Tuned {
    pub(crate) harm: HarmKind,
    pub(crate) rule: Rule,
    pub(crate) score: Score,
    /// It finds as many as the models do.
    pub(crate) reaches: bool,
}

impl Tuned {
    /// The same setting in other runs.
    pub(crate) fn again(&self, models: &Score, cases: &[Case]) -> Self {
        let score = Score::of(By::Plain, cases, |case| self.rule.notices(&case.series));
        Self {
            reaches: models.of_harm(self.harm).found <= score.of_harm(self.harm).found,
            score,
            ..*self
        }
    }
}

/// The setting with the fewest false notices of those that find as many of a kind of harm as the models do,
/// of several the one that speaks earliest; where none does, the same of those that find the most.
pub(crate) fn tuned(harm: HarmKind, models: &Score, cases: &[Case]) -> Tuned {
    let wanted = models.of_harm(harm).found;
    let rank = |score: &Score| {
        let found = score.of_harm(harm);
        let lead = found.median_lead_h().unwrap_or(0.0);
        (
            wanted.saturating_sub(found.found),
            score.false_ones(),
            -lead,
        )
    };
    candidates(harm)
        .into_iter()
        .map(|rule| {
            (
                rule,
                Score::of(By::Plain, cases, |case| rule.notices(&case.series)),
            )
        })
        .map(|(rule, score)| (rank(&score), rule, score))
        .min_by(|(a, ..), (b, ..)| {
            let first = (a.0, a.1).cmp(&(b.0, b.1));
            first.then(a.2.total_cmp(&b.2))
        })
        .map(|((missing, ..), rule, score)| Tuned {
            harm,
            rule,
            score,
            reaches: missing == 0,
        })
        .unwrap()
}
