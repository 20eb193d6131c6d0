//! What threatens a crate, the worst first, on one scale: 1 is where a person should act today.

use super::CrateNow;
use crate::{
    climate::warmth,
    watch::limits::{Limits, Priority, Rungs},
};

/// A way in which tubers are lost in store.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Peril {
    /// They freeze.
    Freezing,
    /// Water stands on them.
    Sweating,
    /// Mould on packing and skins.
    Mould,
    /// They dry out.
    Drying,
    /// They sprout before their time.
    Waking,
}

/// One way and how near it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Threat {
    /// Which.
    pub peril: Peril,
    /// 0 none, 1 act today, 2 act now and beyond.
    pub score: f64,
    /// What wounds add where a rot threatens at all; it orders crates and presses nobody.
    pub wounds: f64,
}

impl Threat {
    /// How soon a person must act; none while it is only to be kept an eye on.
    ///
    /// Water, mould and warmth take their time: nothing is won by getting up for them at night.
    pub fn priority(self) -> Option<Priority> {
        let most = match self.peril {
            Peril::Freezing | Peril::Sweating => Priority::High,
            Peril::Mould | Peril::Drying => Priority::Medium,
            Peril::Waking => Priority::Low,
        };
        let near = match self.score {
            s if 2.0 <= s => Priority::High,
            s if 1.0 <= s => Priority::Medium,
            s if NOTABLE <= s => Priority::Low,
            _ => return None,
        };
        Some(near.min(most))
    }
}

/// From here on a threat is worth a look.
pub const NOTABLE: f64 = 0.5;
/// Wet hours that are worth a visit on the same day: rot needs about a day of wetness to enter in the
/// cool (Botrytis at 15 C 8 to 24 hours: Sirjusingh & Sutton 1996, Plant Disease 80:160).
const WET_H: f64 = 24.0;
/// What each kind of wound adds to a rot that threatens anyway; judgement, no source.
const WOUND: f64 = 0.1;
/// Below this no rot threatens that wounds could hasten.
const ROTS: f64 = 0.25;

/// What threatens a crate under the limits of its room, the worst first.
pub fn threats(now: &CrateNow<'_>, limits: &Limits) -> Vec<Threat> {
    let facts = &now.krate.facts;
    let wounds = [facts.divided, facts.washed, facts.uncured];
    let wounds = wounds.into_iter().filter(|w| *w).count() as f64 * WOUND;
    let freezing = now.cohort.core_c.and_then(|core| {
        let frost = limits.frost.steps.first()?.limit;
        Some(share(limits.band.low_c - core, limits.band.low_c - frost))
    });
    let margin = now.cohort.margin_k.and_then(|(_, margin)| {
        let near = limits.sweating.steps.first()?.limit;
        // Twice the warning distance is none, the distance itself 1, water 2.
        Some(share(2.0 * near - margin, near))
    });
    let sweating = margin.map(|m| m.max(now.wet_week_h / WET_H).min(3.0));
    let mould = f64::max(
        by_rungs(now.mould, &limits.mould),
        now.mould_days.map_or(0.0, |days| {
            let far = limits.mould_ahead.steps.first().map_or(60.0, |s| s.limit);
            (0.5 * far / days.max(1.0)).min(1.0)
        }),
    );
    let drying = now.loss.map_or(0.0, |loss| {
        if loss.weighed {
            by_rungs(loss.planting.shrink * 100.0, &limits.shrink_weighed)
        } else {
            let beyond = loss.planting.shrink - loss.at_target;
            by_rungs(beyond * 100.0, &limits.shrink)
        }
    });
    let waking = NOTABLE * share(now.cohort.heat, warmth::EARLY);
    let mut threats: Vec<Threat> = [
        (Peril::Freezing, freezing.unwrap_or(0.0)),
        (Peril::Sweating, sweating.unwrap_or(0.0)),
        (Peril::Mould, mould),
        (Peril::Drying, drying),
        (Peril::Waking, waking),
    ]
    .into_iter()
    .map(|(peril, score)| {
        let rots = matches!(peril, Peril::Sweating | Peril::Mould) && ROTS <= score;
        Threat {
            peril,
            score,
            wounds: if rots { wounds } else { 0.0 },
        }
    })
    .collect();
    threats.sort_by(|a, b| b.score.total_cmp(&a.score).then(a.peril.cmp(&b.peril)));
    threats
}

/// How far of a whole, not below nothing.
fn share(part: f64, whole: f64) -> f64 {
    if 0.0 < whole {
        (part / whole).max(0.0)
    } else {
        0.0
    }
}

/// 1 at the first rung, 2 at the second, in proportion between and beyond.
fn by_rungs(value: f64, rungs: &Rungs) -> f64 {
    let Some(first) = rungs.steps.first().map(|s| s.limit) else {
        return 0.0;
    };
    match rungs.steps.get(1).map(|s| s.limit) {
        Some(second) if first < value => 1.0 + share(value - first, second - first),
        _ => share(value, first),
    }
}

/// By this crates are ordered: their worst threat, wounds counted in.
pub fn rank(threats: &[Threat]) -> f64 {
    let each = threats.iter().map(|t| t.score + t.wounds);
    each.fold(0.0, f64::max)
}
