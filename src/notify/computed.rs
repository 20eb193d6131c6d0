//! What alerts about computed things say: drying, mould, warmth, thaw, and what lies ahead.

use super::{
    ahead,
    words::{Manner, NB, hours_ms, percent, span},
};
use crate::{
    climate::warmth,
    watch::{Figures, Kind, Quantity, Stamp, models::Tally},
};

/// State, consequence, steps, caution.
pub(super) type Text = (
    &'static str,
    &'static str,
    &'static [&'static str],
    Option<&'static str>,
);

/// The words of a kind whose figures are computed; none for kinds that follow from one reading.
pub(super) fn text(
    kind: Kind,
    level: u8,
    heat: &'static str,
    water: &'static str,
    dust: &'static str,
) -> Option<Text> {
    Some(match (kind, level) {
        (Kind::FrostAhead, _) => (
            "Heading for frost",
            "If it goes on like this the air will freeze within hours. Such forecasts are often wrong; it costs a look.",
            &[
                "Look at the heat, doors and vents now, while there is time.",
                "Read a thermometer at the coldest crate.",
                "Have covers and heat at hand.",
            ],
            Some(heat),
        ),
        (Kind::Thaw, _) => (
            "Thaw outside",
            "Outside air let in now would leave water on the tubers in the coldest crates.",
            &[
                "Keep vents and doors shut until the outside air is drier or the crates are warmer.",
                "If it has come in already, run a fan along the crates until they are dry.",
            ],
            None,
        ),
        (Kind::Shrink, 1) => (
            "Drying towards limp",
            "As the last week went on, these crates lose clearly more weight by planting than they should; small tubers go limp first.",
            &[
                "Feel the packing in the crates named; mist what is dust-dry.",
                "Raise the humidity of the room; the first page says how much water that takes.",
                "Weigh one crate of each packing now and again in about a month: from then on the forecast rests on your scale.",
            ],
            Some(water),
        ),
        (Kind::Shrink, _) => (
            "Losing too much water",
            "As the last week went on, many tubers in these crates will be too limp to grow by planting.",
            &[
                "Dampen the packing of the crates named today, the smallest tubers first.",
                "Raise the humidity of the room; the first page says how much water that takes.",
                "Close liners and lids further, or pack into damp shavings.",
            ],
            Some(water),
        ),
        (Kind::Mould, 1 | 2) => (
            "Mould on its way",
            "If the air stays as it was in the last days, mould begins on packing and skins within weeks. This is pressure on surfaces, not a forecast of rot.",
            &[
                "Air the room while the outside air is drier; the first page says when and for how long.",
                "Open liners and lids; look first at crates that were divided, washed or packed damp.",
            ],
            Some(dust),
        ),
        (Kind::Mould, 3) => (
            "Mould has begun",
            "By the air it had, packing carries the first mould that a lens shows; wounds and wet skins are where rot follows.",
            &[
                "Go through the crates named: take out what is soft or mouldy, and what touched it.",
                "Air the room and run a fan; change packing that is wet.",
            ],
            Some(dust),
        ),
        (Kind::Mould, _) => (
            "Mould in sight",
            "By the air it had, mould stands on the packing for everyone to see.",
            &[
                "Unpack the crates named today; take out what is soft or mouldy, and what touched it.",
                "Throw away the packing, let the tubers dry, and pack them into fresh.",
                "Bring the humidity down before they go back.",
            ],
            Some(dust),
        ),
        (Kind::Waking, _) => (
            "Near waking",
            "Early varieties open their eyes about now, late ones need more than twice the warmth.",
            &[
                "Keep the room at the low end of its band.",
                "At the next round look for eyes and shoots in the warmest crates.",
                "Decide which crates are woken and which are held.",
            ],
            None,
        ),
        _ => return None,
    })
}

/// The figures of an alert about something computed, as it stands; none for others.
pub(super) fn numbers(kind: Kind, figures: &Figures, manner: Manner) -> Option<String> {
    let now = || {
        let t = figures.temperature_c.map(|t| manner.temperature(t));
        let rh = figures.humidity_pct.map(percent);
        let both: Vec<String> = t.into_iter().chain(rh).collect();
        both.join(" and ")
    };
    let value = figures.value;
    let weight = |v: f64| percent(v);
    let range = figures
        .low
        .zip(figures.high)
        .map(|(low, high)| format!("{low:.0} to {high:.0}{NB}%"));
    let by = moment(figures.by.as_deref()).map(|at| manner.day(at));
    let (came, of) = figures.record.unwrap_or_default();
    let tally = Tally {
        came,
        not: of.saturating_sub(came),
        unseen: 0,
    };
    Some(match (kind, figures.measure) {
        (Kind::FrostAhead, _) => match value {
            Some(hours) => format!(
                "{} now, {} in about {} at this pace. {}",
                figures
                    .temperature_c
                    .map_or_else(String::new, |t| manner.temperature(t)),
                manner.limit(0.0),
                span(hours_ms(hours)),
                ahead::record(tally)
            ),
            None => {
                "Frost is told instead, or the air no longer falls towards freezing.".to_owned()
            }
        },
        (Kind::Thaw, _) => match value {
            Some(above) if 0.0 < above => format!(
                "The dew point outside is {} above the coldest crate.",
                manner.difference(above)
            ),
            Some(below) => format!(
                "The dew point outside is {} below the coldest crate again.",
                manner.difference(-below)
            ),
            None => "Nothing is known of the air outside now.".to_owned(),
        },
        (Kind::Shrink, Some(Quantity::Total)) => format!(
            "{} of the weight gone by planting by its own weighings{}, the limit is {}{}.",
            weight(value.unwrap_or_default()),
            range.map_or_else(String::new, |r| format!(" ({r})")),
            weight(figures.limit.unwrap_or_default()),
            by.map_or_else(String::new, |by| format!("; limp by {by}")),
        ),
        (Kind::Shrink, _) => format!(
            "{} points more of the weight gone by planting than at {}{}. Air: {}.",
            (value.unwrap_or_default() * 10.0).round() / 10.0,
            manner.target(),
            range.map_or_else(String::new, |r| format!(", {r} in all")),
            now()
        ),
        (Kind::Mould, Some(Quantity::MouldIndex)) => format!(
            "Mould index {:.1} of 6 (1: seen with a lens, 3: seen by eye). Air: {}.",
            value.unwrap_or_default(),
            now()
        ),
        (Kind::Mould, _) => match value {
            Some(days) => format!(
                "First growth in about {days:.0} days, if the air stays as it was in the last days. Air: {}.",
                now()
            ),
            None => format!("No growth at the pace of the last days. Air: {}.", now()),
        },
        (Kind::Waking, _) => format!(
            "{} since 1 January; early varieties wake at about {}, late ones at {}.",
            manner.warmth(value.unwrap_or_default()),
            manner.warmth(warmth::EARLY),
            manner.warmth(warmth::LATE)
        ),
        _ => return None,
    })
}

/// The same once it is over.
pub(super) fn past(kind: Kind, figures: &Figures, manner: Manner) -> Option<String> {
    let lasted = figures
        .hours_beyond
        .map(hours_ms)
        .map_or_else(String::new, |ms| format!(" for {}", span(ms)));
    Some(match kind {
        Kind::FrostAhead => {
            "Frost is told instead, or the air no longer falls towards freezing.".to_owned()
        }
        Kind::Thaw => format!("The dew point outside was above the coldest crate{lasted}."),
        Kind::Shrink => format!(
            "At worst {} points beyond what it should be.",
            (figures.worst.unwrap_or_default() * 10.0).round() / 10.0
        ),
        Kind::Mould if figures.measure == Some(Quantity::MouldIndex) => {
            format!(
                "Mould index {:.1} at worst.",
                figures.worst.unwrap_or_default()
            )
        }
        Kind::Mould => "The pressure on packing and skins has eased.".to_owned(),
        Kind::Waking => format!(
            "{} at most.",
            manner.warmth(figures.worst.unwrap_or_default())
        ),
        _ => return None,
    })
}

fn moment(text: Option<&str>) -> Option<Stamp> {
    let at = chrono::DateTime::parse_from_rfc3339(text?).ok()?;
    Some(at.to_utc().into())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::climate::Unit;

    #[test]
    fn the_target_is_told_in_the_degrees_of_the_site() {
        let figures = Figures {
            value: Some(7.3),
            measure: Some(Quantity::Excess),
            temperature_c: Some(12.0),
            humidity_pct: Some(60.0),
            ..Figures::default()
        };
        for (unit, target) in [(Unit::C, "at 10 C and 80 %"), (Unit::F, "at 50 F and 80 %")] {
            let zone = chrono_tz::UTC;
            let said = numbers(Kind::Shrink, &figures, Manner { zone, unit }).unwrap();
            assert!(said.replace(NB, " ").contains(target), "{said}");
        }
    }
}
