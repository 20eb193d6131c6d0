//! Where the air is heading, said only when it is sure enough, and what came of saying so.
//!
//! About half of such warnings come true, whatever rule makes them (thirteen series compared, 285
//! crossings); so every one is kept with its outcome, and the share that came true here stands
//! beside the next.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::AirNow;
use crate::{
    climate::trend::{self, DAMPING_H, FEWEST, HORIZON_H, IN_A_ROW, Line, Side, WINDOW_H},
    watch::{
        limits::Limits,
        reading::{HOUR_MS, MINUTE_MS, SensorId, Stamp},
    },
};

/// A warning came true if the limit was passed within this, in milliseconds: half as long again.
pub const TRUE_WITHIN_MS: i64 = 9 * HOUR_MS;
/// Passed means beyond it for so long.
const PASSED_MS: i64 = 30 * MINUTE_MS;
/// Longer silence leaves an open forecast undecided.
const UNSEEN_MS: i64 = 2 * HOUR_MS;

/// Below this tubers freeze: 32 F, where water does; the tissue a little lower (USDA Agriculture
/// Handbook 66 gives 28.7 F for dahlia, from memory).
pub(super) const FREEZING_C: f64 = 0.0;

/// A limit towards which air can be heading.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Target {
    /// Freezing.
    Frost,
    /// The low end of the band.
    Cold,
    /// The high end of the band.
    Warm,
    /// The dry end of the band.
    Dry,
    /// The damp end of the band.
    Damp,
}

impl Target {
    /// Every target.
    pub const ALL: [Self; 5] = [Self::Frost, Self::Cold, Self::Warm, Self::Dry, Self::Damp];

    /// What is watched under some limits, and where it lies.
    pub(super) fn of(limits: &Limits) -> Vec<(Self, f64)> {
        let band = limits.band;
        let mut of = vec![
            (Self::Cold, band.low_c),
            (Self::Warm, band.high_c),
            (Self::Dry, band.low_pct),
            (Self::Damp, band.high_pct),
        ];
        if !limits.frost.steps.is_empty() {
            of.push((Self::Frost, FREEZING_C));
        }
        of
    }

    /// Whether it is about humidity.
    pub fn is_humidity(self) -> bool {
        matches!(self, Self::Dry | Self::Damp)
    }

    fn side(self) -> Side {
        match self {
            Self::Frost | Self::Cold | Self::Dry => Side::Lower,
            Self::Warm | Self::Damp => Side::Upper,
        }
    }
}

/// What became of a forecast.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Its time is not over.
    Open,
    /// The limit was passed in time.
    Came,
    /// It was not.
    Not,
    /// Nobody was looking.
    Unseen,
}

/// When the limit will be reached, in hours from the making.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Expected {
    /// At the pace of now, which slackens.
    pub hours: f64,
    /// At the steepest pace that the readings allow.
    pub soonest_h: f64,
    /// At the flattest, slackening; none: not at all.
    pub latest_h: Option<f64>,
}

/// One warning.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Forecast {
    /// The sensor it was made from.
    pub sensor: SensorId,
    /// Towards what.
    pub target: Target,
    /// Where that lay, in C or percent.
    pub limit: f64,
    /// When it was made.
    pub made_at: Stamp,
    /// What it said.
    pub arrives: Expected,
    /// What came of it.
    pub outcome: Outcome,
    /// When the limit was passed, in hours from the making.
    pub came_after_h: Option<f64>,
}

/// How many came true.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Tally {
    /// Passed in time.
    pub came: u32,
    /// Not passed.
    pub not: u32,
    /// Not seen.
    pub unseen: u32,
}

impl Tally {
    pub(super) fn add(&mut self, outcome: Outcome) {
        match outcome {
            Outcome::Open => {}
            Outcome::Came => self.came += 1,
            Outcome::Not => self.not += 1,
            Outcome::Unseen => self.unseen += 1,
        }
    }
}

/// The memory of one limit at one sensor.
#[derive(Debug, Clone, Default)]
pub(super) struct Watch {
    pub(super) limit: f64,
    positives: u32,
    negatives: u32,
    warned: bool,
    /// What the last positive look said.
    arrives: Option<(Stamp, Expected)>,
    open: Option<Forecast>,
    beyond_since: Option<Stamp>,
    last_at: Option<Stamp>,
}

impl Watch {
    /// What is forecast now, and when that was last said.
    pub(super) fn ahead(&self) -> Option<(Stamp, Expected)> {
        self.arrives.filter(|_| self.warned)
    }

    pub(super) fn look(
        &mut self,
        target: Target,
        course: &mut Course,
        each: &mut impl FnMut(Forecast),
    ) {
        let (at, side) = (course.at, target.side());
        let gap = (course.value() - self.limit) * sign(side);
        let silence = self.last_at.map_or(0, |last| at.since(last));
        self.last_at = Some(at);
        self.settle(at, gap < 0.0, silence, each);

        let arrives = if gap <= 0.0 {
            None
        } else {
            self.arrives(side, course)
        };
        if let Some(arrives) = arrives {
            self.positives = self.positives.saturating_add(1);
            self.negatives = 0;
            self.arrives = Some((at, arrives));
            if IN_A_ROW <= self.positives && !self.warned {
                self.warned = true;
                if self.open.is_none() {
                    let forecast = Forecast {
                        // Filled in by whoever knows it.
                        sensor: SensorId(0),
                        target,
                        limit: self.limit,
                        made_at: at,
                        arrives,
                        outcome: Outcome::Open,
                        came_after_h: None,
                    };
                    each(forecast.clone());
                    self.open = Some(forecast);
                }
            }
        } else {
            self.negatives = self.negatives.saturating_add(1);
            self.positives = 0;
            if IN_A_ROW <= self.negatives {
                self.warned = false;
                self.arrives = None;
            }
        }
    }

    /// Whether what was forecast has come to pass.
    fn settle(&mut self, at: Stamp, beyond: bool, silence: i64, each: &mut impl FnMut(Forecast)) {
        self.beyond_since = match (beyond, self.beyond_since) {
            (true, Some(since)) if silence <= UNSEEN_MS => Some(since),
            (true, _) => Some(at),
            (false, _) => None,
        };
        let Some(open) = &self.open else { return };
        let until = open.made_at.plus(TRUE_WITHIN_MS);
        let passed = self
            .beyond_since
            .filter(|since| PASSED_MS <= at.since(*since) && *since <= until);
        let undecided = self.beyond_since.is_some_and(|since| since <= until);
        let outcome = if let Some(since) = passed {
            let after = since.since(open.made_at) as f64 / HOUR_MS as f64;
            (Outcome::Came, Some(after))
        } else if UNSEEN_MS < silence {
            (Outcome::Unseen, None)
        } else if until < at && !undecided {
            (Outcome::Not, None)
        } else {
            return;
        };
        let mut settled = self.open.take().expect("looked at above");
        (settled.outcome, settled.came_after_h) = outcome;
        each(settled);
    }

    fn arrives(&self, side: Side, course: &mut Course) -> Option<Expected> {
        let sign = sign(side);
        if !course.may_reach(self.limit, sign) {
            return None;
        }
        let arrival = trend::arrival(course.line()?, self.limit, side, DAMPING_H);
        if !trend::warns(&arrival, HORIZON_H) {
            return None;
        }
        Some(Expected {
            hours: arrival.damped_h?,
            soonest_h: arrival.fast_h.unwrap_or(0.0),
            latest_h: arrival.slow_h,
        })
    }
}

/// 1 where falling leads to the limit, -1 where rising does.
fn sign(side: Side) -> f64 {
    match side {
        Side::Lower => 1.0,
        Side::Upper => -1.0,
    }
}

/// A line through some points.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Drawn {
    /// Nobody has asked for it.
    NotYet,
    /// Too few points.
    Cannot,
    /// This one.
    Line(Line),
}

/// The last means of one quantity, and the line through them once somebody asked for it.
#[derive(Debug)]
pub(super) struct Course {
    /// When the newest was measured.
    at: Stamp,
    /// Hours from then, and value, oldest first.
    window: Vec<(f64, f64)>,
    line: Drawn,
}

impl Course {
    /// The course of one quantity; none where the newest mean has none of it.
    pub(super) fn of(
        means: &VecDeque<AirNow>,
        quantity: impl Fn(&AirNow) -> Option<f64>,
    ) -> Option<Self> {
        let newest = means.back()?;
        quantity(newest)?;
        let mut window: Vec<(f64, f64)> = Vec::with_capacity(16);
        for air in means.iter().rev() {
            let hours = air.at.since(newest.at) as f64 / HOUR_MS as f64;
            if hours < -WINDOW_H && FEWEST <= window.len() {
                break;
            }
            window.extend(quantity(air).map(|value| (hours, value)));
        }
        window.reverse();
        let skip = trend::window(&window).map(|w| window.len() - w.len());
        // Too few for a trend still tell where the value is.
        window.drain(..skip.unwrap_or(window.len() - 1));
        Some(Self {
            at: newest.at,
            line: if skip.is_some() {
                Drawn::NotYet
            } else {
                Drawn::Cannot
            },
            window,
        })
    }

    fn value(&self) -> f64 {
        self.window.last().map_or(0.0, |p| p.1)
    }

    /// Whether the slope can be steep enough to reach the limit in time; most looks end here.
    ///
    /// A drift that dies away goes `b td (1 - exp(-H/td))` far within the horizon H, and the line's level
    /// now lies at most `b W` nearer to the limit than the nearest of the points, W being the length of
    /// the window. So the slope, the median of all pairs, must be at least the nearest gap over the sum
    /// of both: half of the pairs or more are as steep.
    fn may_reach(&self, limit: f64, sign: f64) -> bool {
        let reach = DAMPING_H * (1.0 - (-HORIZON_H / DAMPING_H).exp());
        let gaps = self.window.iter().map(|p| (p.1 - limit) * sign);
        let nearest = gaps.fold(f64::INFINITY, f64::min);
        let length = -self.window.first().map_or(0.0, |p| p.0);
        let least = nearest / (reach + length);
        let (mut steep, mut pairs) = (0u32, 0u32);
        for (i, a) in self.window.iter().enumerate() {
            for b in &self.window[i + 1..] {
                pairs += 1;
                steep += u32::from(least * (b.0 - a.0) <= (a.1 - b.1) * sign);
            }
        }
        pairs <= 2 * steep
    }

    fn line(&mut self) -> Option<Line> {
        if self.line == Drawn::NotYet {
            self.line = trend::theil_sen(&self.window).map_or(Drawn::Cannot, Drawn::Line);
        }
        match self.line {
            Drawn::Line(line) => Some(line),
            Drawn::NotYet | Drawn::Cannot => None,
        }
    }
}
