//! What threatens a crate, in words: the figures behind it and where their equation comes from.

use super::words::{Manner, NB, percent, span_exact};
use crate::{
    climate::{drying::LIMP, tuber::Wetness, warmth},
    watch::{
        Limits, Stamp,
        models::{
            CrateNow, Known,
            threat::{Peril, Threat},
        },
        reading::HOUR_MS,
    },
};

/// One threat in words.
#[derive(Debug, Clone, PartialEq)]
pub struct Words {
    /// "Drying".
    pub name: &'static str,
    /// A few words for a list: "18 % lighter by planting".
    pub short: String,
    /// The figures, in sentences.
    pub figures: String,
    /// The equation and its source.
    pub source: &'static str,
}

/// What a threat is called.
pub fn name(peril: Peril) -> &'static str {
    match peril {
        Peril::Freezing => "Freezing",
        Peril::Sweating => "Sweating",
        Peril::Mould => "Mould",
        Peril::Drying => "Drying",
        Peril::Waking => "Waking",
    }
}

/// A threat with the figures behind it.
pub fn words(
    threat: Threat,
    now: &CrateNow<'_>,
    limits: &Limits,
    at: Stamp,
    manner: Manner,
) -> Words {
    let raised = 0.0 < threat.wounds;
    let (short, figures, source) = match threat.peril {
        Peril::Freezing => freezing(now, limits, manner),
        Peril::Sweating => sweating(now, raised, manner),
        Peril::Mould => mould(now, raised),
        Peril::Drying => drying(now, at, manner),
        Peril::Waking => waking(now, manner),
    };
    Words {
        name: name(threat.peril),
        short,
        figures,
        source,
    }
}

type Parts = (String, String, &'static str);

fn wounds(now: &CrateNow<'_>, raised: bool) -> String {
    let facts = &now.krate.facts;
    let named: Vec<&str> = [
        (facts.divided, "divided"),
        (facts.washed, "washed"),
        (facts.uncured, "packed before the skins were dry"),
    ]
    .into_iter()
    .filter(|(is, _)| *is)
    .map(|(_, word)| word)
    .collect();
    if named.is_empty() {
        String::new()
    } else {
        let higher = if raised {
            ", so it stands before others"
        } else {
            ""
        };
        format!(
            " Its tubers were {}: rot begins in wounds and wet skins{higher}.",
            named.join(" and ")
        )
    }
}

fn freezing(now: &CrateNow<'_>, limits: &Limits, manner: Manner) -> Parts {
    let Some(core) = now.cohort.core_c else {
        return (
            "not known yet".to_owned(),
            "No temperature yet.".to_owned(),
            LAG,
        );
    };
    let frost = limits.frost.steps.first().map(|s| manner.limit(s.limit));
    let how = match now.cohort.probed() {
        Some(_) => "by its probe".to_owned(),
        None => format!(
            "computed: it follows the air with a lag of {:.0} hours",
            now.cohort.lag_h()
        ),
    };
    (
        format!("{} inside", manner.temperature(core)),
        format!(
            "{} among the tubers ({how}). The band begins at {}{}.",
            manner.temperature(core),
            manner.limit(limits.band.low_c),
            frost.map_or_else(String::new, |f| format!(", frost is told at {f}"))
        ),
        LAG,
    )
}

const LAG: &str = "First-order lag of a conducting body behind the air, exact for readings joined by straight lines; a real crate conducts in layers, which leaves 0.15 to 0.46 C. Fitted to a probe where there is one.";

fn sweating(now: &CrateNow<'_>, raised: bool, manner: Manner) -> Parts {
    let Some((_, margin)) = now.cohort.margin_k else {
        return (
            "not known yet".to_owned(),
            "No temperature and humidity together yet.".to_owned(),
            DEW,
        );
    };
    let error = manner.difference(now.cohort.error_k);
    let state = match now.cohort.wetness() {
        Some(Wetness::Wet) => "wet".to_owned(),
        Some(Wetness::Dry) => format!("dry, {} clear", manner.difference(margin)),
        Some(Wetness::CannotTell) | None => "cannot tell".to_owned(),
    };
    let said = match now.cohort.wetness() {
        Some(Wetness::Wet) => {
            "Its skins are at or below the dew point of the air: water stands on them.".to_owned()
        }
        Some(Wetness::Dry) => format!(
            "Its skins are {} above the dew point of the air, more than sensors and model can err ({error}).",
            manner.difference(margin)
        ),
        Some(Wetness::CannotTell) | None => format!(
            "Its skins are {} above the dew point of the air, which sensors and model can err by ({error}): nobody can tell whether they are dry.",
            manner.difference(margin)
        ),
    };
    let hours = |h: f64| span_exact((h * HOUR_MS as f64) as i64);
    (
        state,
        format!(
            "{said} Wet for {} so far, {} of that in the last week, and {} when nobody could tell.{}",
            hours(now.wet_h),
            hours(now.wet_week_h),
            hours(now.unsure_h),
            wounds(now, raised)
        ),
        DEW,
    )
}

const DEW: &str = "Dew point after WMO-No. 8, annex 4.B. Error: that of the sensors (3 points of humidity and 0.3 C where the configuration says nothing else) carried to the dew point, and 0.3 C for the computed temperature, added up.";

/// A year ahead is no forecast any more.
const FAR_DAYS: f64 = 365.0;

fn mould(now: &CrateNow<'_>, raised: bool) -> Parts {
    let surface = now.krate.facts.packing.surface();
    let coming = now.mould_days.filter(|days| *days <= FAR_DAYS);
    let ahead = coming.map_or_else(
        || "At the pace of the last days it does not grow.".to_owned(),
        |days| {
            if days <= 0.0 {
                "It goes on growing at the pace of the last days.".to_owned()
            } else {
                format!(
                    "At the pace of the last days the first growth comes in about {days:.0} days."
                )
            }
        },
    );
    let short = match coming {
        _ if 1.0 <= now.mould => format!("index {:.1}", now.mould),
        Some(days) => format!("growth in {days:.0} days"),
        None => "none coming".to_owned(),
    };
    (
        short,
        format!(
            "Mould index {:.2} of 6 on {} (1: seen with a lens, 3: seen by eye). {ahead} A pressure on packing and skins, not a forecast of rot.{}",
            now.mould,
            surface.words(),
            wounds(now, raised)
        ),
        "Hukka and Viitanen 1999, classes of Ojanen and Viitanen 2010, stepped exactly by the hour. An index for surfaces; papers disagree on how far it holds, and nothing of the kind is published for dahlia skins.",
    )
}

fn drying(now: &CrateNow<'_>, at: Stamp, manner: Manner) -> Parts {
    let Some(loss) = now.loss else {
        return (
            "not known yet".to_owned(),
            "Known after a day of readings.".to_owned(),
            SHRINK,
        );
    };
    let p = |share: f64| percent(share * 100.0);
    let range = |o: crate::climate::drying::Outlook| {
        format!("{:.0} to {:.0}{NB}%", o.low * 100.0, o.high * 100.0)
    };
    let known = match now.krate.known {
        Known::Assumed => format!(
            "assumed for {}; two weighings of this crate make it a measured one",
            now.krate.facts.packing.words()
        ),
        Known::Alike(n) => format!("from {n} crates in the same packing that were weighed"),
        Known::Weighed(n) => format!("from {n} weighings of this crate"),
    };
    let limp = loss.limp_at.map_or_else(String::new, |by| {
        if by <= at {
            " Limp (15 % lost) by now.".to_owned()
        } else {
            format!(" Limp (15 % lost) by about {}.", manner.day(by))
        }
    });
    let beyond = (loss.planting.shrink - loss.at_target) * 100.0;
    let short = if loss.weighed {
        format!(
            "{} lighter by planting, by weighing",
            p(loss.planting.shrink)
        )
    } else if 1.0 <= beyond {
        format!("{beyond:.0} points too much by planting")
    } else {
        "no more than in good air".to_owned()
    };
    let packing = if LIMP <= loss.at_target && !loss.weighed {
        " Even good air would make it limp: pack it tighter or damper, or weigh it to know."
    } else {
        ""
    };
    let gap = if 1.0 <= now.gap_h {
        format!(
            " {} without readings widen the range.",
            span_exact((now.gap_h * HOUR_MS as f64) as i64)
        )
    } else {
        String::new()
    };
    (
        short,
        format!(
            "{} of its weight lost so far ({}), {} by planting on {} ({}); air at {} would take {}.{limp} {} a month at the pace of the last week. How fast it dries is {known}.{packing}{gap}",
            p(loss.now.shrink),
            range(loss.now),
            p(loss.planting.shrink),
            manner.day(loss.planting_at),
            range(loss.planting),
            manner.target(),
            p(loss.at_target),
            p(loss.month),
        ),
        SHRINK,
    )
}

const SHRINK: &str = "Weight falls as exp(-k D), D the summed vapour pressure deficit (transpiration coefficients, ASHRAE Refrigeration, after Sastry and others 1978). None is published for dahlia tubers: without weighings k is that of potato and onion, with a wide range. 90 % lie between the two ends.";

fn waking(now: &CrateNow<'_>, manner: Manner) -> Parts {
    let heat = now.cohort.heat;
    if heat <= 0.0 {
        return (
            "at rest".to_owned(),
            "Tubers rest until about the new year; warmth is counted from 1 January.".to_owned(),
            WARMTH,
        );
    }
    let days = now
        .cohort
        .core_c
        .and_then(|core| warmth::days_to(heat, warmth::EARLY, core));
    let ahead = match days {
        Some(days) if days <= 0.0 => {
            "Early varieties have had enough for their first eyes.".to_owned()
        }
        Some(days) if days < 400.0 => {
            format!("At this temperature early varieties have enough in about {days:.0} days.")
        }
        _ => "At this temperature they do not wake.".to_owned(),
    };
    (
        format!("{} so far", manner.warmth(heat)),
        format!(
            "{} since 1 January. Early varieties show eyes at about {}, late ones at {}. {ahead}",
            manner.warmth(heat),
            manner.warmth(warmth::EARLY),
            manner.warmth(warmth::LATE)
        ),
        WARMTH,
    )
}

const WARMTH: &str = "Warmth above 5.5 C (Brondum and Heins 1993). The sums are derived from what growers report, not measured; varieties differ by more than twice.";
