//! What an alert says, for someone woken at three in the morning with gloves on: what and where,
//! since when, the figures, what happens if nothing is done, what to do now.

use super::{
    computed,
    words::{Manner, count, hours_ms, percent, span},
};
use crate::watch::{Figures, Kind, Occurrence, Stamp, Subject, reading::HOUR_MS};

/// One alert in words.
#[derive(Debug, Clone, PartialEq)]
pub struct Message {
    /// What and where: `Too dry in the back room`.
    pub headline: String,
    /// The short state of the room: `Too dry`.
    pub state: &'static str,
    /// `Since 2:10 in the night (8 hours)`.
    pub since: String,
    /// `68 % now, the limit is 75 %; lowest 66 %`.
    pub figures: String,
    /// What happens if nothing is done.
    pub consequence: &'static str,
    /// What to do, in order.
    pub steps: &'static [&'static str],
    /// What could hurt the person doing it.
    pub caution: Option<&'static str>,
}

/// What could hurt beside a heater.
pub(crate) const HEAT: &str = "Heaters that burn fuel give off carbon monoxide: never use one made for outdoors, and fit a carbon monoxide alarm. Electric heaters go straight into a wall socket, three feet (1 m) clear of packing, and only if made for damp rooms. Local codes and licensed practice come first.";
/// What could hurt where water and electricity meet.
pub(crate) const WATER: &str = "Keep water away from sockets and cords; use an outlet with a ground-fault breaker. Local codes and licensed practice come first.";
pub(crate) const DUST: &str = "Dust of old peat, vermiculite or mouldy packing harms lungs: damp it, air the room, wear a fitted N95 mask. Bleach: gloves and goggles, fresh air, never together with other cleaners.";
const POWER: &str = "Do not touch wet plugs or a tripped breaker with wet hands; call a licensed electrician if it trips again.";

impl Message {
    /// Words for one occurrence as it stands.
    pub fn of(
        occurrence: &Occurrence,
        room: &str,
        figures: &Figures,
        since: Stamp,
        now: Stamp,
        manner: Manner,
    ) -> Self {
        let (state, consequence, steps, caution) = text(occurrence);
        let place = match &occurrence.subject {
            Subject::Room(_) => format!("in {}", the(room)),
            Subject::Crate(code) => format!("in crate {code} in {}", the(room)),
            Subject::Sensor(name) => format!("at sensor {name} in {}", the(room)),
            Subject::Recorder => String::new(),
            Subject::Channel(name) => format!("by {name}"),
        };
        let headline = match occurrence.kind {
            Kind::Silent => format!("No word from sensor {} in {}", figures.sensor, the(room)),
            Kind::RecorderOff => "The recorder was off".to_owned(),
            Kind::Thaw => format!("Keep outside air out of {}", the(room)),
            _ => format!("{state} {place}"),
        };
        let lasting = until(figures).unwrap_or(now).since(since);
        let since_word = match occurrence.kind {
            Kind::RecorderOff => "From",
            _ => "Since",
        };
        Self {
            headline,
            state,
            since: format!(
                "{since_word} {} ({})",
                manner.moment(since, now),
                span(lasting)
            ),
            figures: numbers(occurrence.kind, figures, manner),
            consequence,
            steps,
            caution,
        }
    }
}

/// When the stretch that the figures are about ended.
pub fn until(figures: &Figures) -> Option<Stamp> {
    let until = figures.until.as_deref()?;
    let until = chrono::DateTime::parse_from_rfc3339(until).ok()?;
    Some(until.to_utc().into())
}

/// `the cellar`; a name that begins with a capital stands alone.
pub fn the(room: &str) -> String {
    if room.starts_with(char::is_uppercase) || room.starts_with("the ") {
        room.to_owned()
    } else {
        format!("the {room}")
    }
}

fn text(occurrence: &Occurrence) -> computed::Text {
    let computed = computed::text(occurrence.kind, occurrence.level, HEAT, WATER, DUST);
    if let Some(text) = computed {
        return text;
    }
    let in_crate = matches!(occurrence.subject, Subject::Crate(_));
    match (occurrence.kind, occurrence.level) {
        (Kind::Frost, _) => (
            "Frost near",
            "Tubers freeze a few degrees below this; what froze turns soft when it thaws and cannot be saved.",
            &[
                "Go and look: is a door or vent open, is the heat on, has the power failed?",
                "Shut what is open and bring heat in.",
                "Move crates off the floor and away from outside walls, and cover the stacks.",
            ],
            Some(HEAT),
        ),
        (Kind::Cold, _) => (
            "Cold",
            "Nothing is lost yet, but there is little room left above freezing.",
            &[
                "Shut vents and doors to the outside.",
                "Look at the heat and at tonight's forecast.",
            ],
            Some(HEAT),
        ),
        (Kind::Warm, 1) => (
            "Warm",
            "Tubers dry faster and begin to wake.",
            &[
                "Let in cooler air in the night, if it is not damper than the room.",
                "Look at the heater's setting.",
            ],
            None,
        ),
        (Kind::Warm, _) => (
            "Too warm",
            "Tubers shrivel and sprout within weeks at this temperature.",
            &[
                "Turn the heat down or off.",
                "Let in cooler air in the night, or move the crates to a cooler place.",
                "Look for sprouts and soft tubers in the warmest crates.",
            ],
            None,
        ),
        (Kind::DryOut, _) if in_crate => (
            "Dry",
            "The packing gives no shelter any more: tubers lose water and go limp.",
            &[
                "Open the crate and feel the packing.",
                "Mist it lightly, or close the liner further.",
            ],
            None,
        ),
        (Kind::DryOut, 1) => (
            "Dry",
            "Tubers lose more water each day than they should until planting.",
            &[
                "Feel the packing in a few crates; mist what is dust-dry.",
                "Wet the floor or set out trays of water, and shut vents to dry outside air.",
            ],
            Some(WATER),
        ),
        (Kind::DryOut, _) => (
            "Too dry",
            "Tubers shrivel within weeks at this rate; limp ones may not grow.",
            &[
                "Dampen the packing today, the smallest tubers first.",
                "Wet the floor, set out trays of water or run a humidifier.",
                "Shut vents to dry outside air; turn the heat down only if the room is warmer than it need be.",
                "Weigh one crate now, so that the loss can be followed.",
            ],
            Some(WATER),
        ),
        (Kind::RotRisk, _) if in_crate => (
            "Damp",
            "Mould can begin on packing and skins inside this crate.",
            &[
                "Open the crate and its liner; let it air for some hours.",
                "Take out what is soft or mouldy, and what touched it.",
            ],
            Some(DUST),
        ),
        (Kind::RotRisk, 1) => (
            "Damp",
            "Mould can begin on packing and skins at this humidity.",
            &[
                "Air the room while the outside air is drier, and run a fan.",
                "Open liners and lids; look at crates that were packed damp.",
            ],
            Some(DUST),
        ),
        (Kind::RotRisk, _) => (
            "Too damp",
            "Mould grows within weeks, and wounds begin to rot.",
            &[
                "Air the room today while the outside air is drier, and run a fan.",
                "Open liners and lids; change packing that is wet.",
                "Go through the crates: take out what is soft or mouldy, and what touched it.",
            ],
            Some(DUST),
        ),
        (Kind::Sweating, 1) => (
            "Close to sweating",
            "A little more damp or cold and water will stand on tubers, liners and walls.",
            &[
                "Keep warm or damp air out; drier air from outside helps.",
                "Keep the air moving along cold walls with a fan.",
            ],
            Some(WATER),
        ),
        (Kind::Sweating, _) => (
            "Sweating",
            "Water stands on cold surfaces; wet skins let rot in.",
            &[
                "Keep warm or damp air out, and run a fan; drier air from outside helps.",
                "Wipe off water, open liners, move crates off the cold wall.",
                "Warm the room slowly rather than fast.",
            ],
            Some(WATER),
        ),
        (Kind::Silent, _) => (
            "No word",
            "Frost or damp near this sensor would not be noticed.",
            &[
                "Go to the room and read a thermometer there.",
                "Look at the sensor's battery, cable, plug and reach.",
                "If several went silent together, look for a power cut or a tripped breaker.",
            ],
            Some(POWER),
        ),
        (Kind::Battery, _) => (
            "Battery low",
            "The sensor will fall silent within days or weeks, perhaps in the coldest night.",
            &[
                "Change its battery at your next visit.",
                "See on the Sensors page that it is heard again under the same name.",
            ],
            None,
        ),
        (Kind::Swinging, _) => (
            "In and out of the band",
            "Each time was too short to matter alone; together they dry, dampen or chill tubers like one long time.",
            &[
                "Look for what comes and goes: a door, a vent, a heater or a fan on a timer.",
                "Find the times on the picture of the last two days.",
            ],
            None,
        ),
        (Kind::RecorderOff, _) => (
            "The recorder was off",
            "Frost, damp or heat in that time was not noticed, and nobody was told.",
            &[
                "Look into every room, first at the coldest corner.",
                "Find out what stopped it: power cut, plug, breaker or the computer itself.",
                "When that is done, acknowledge and reset this alert.",
            ],
            Some(POWER),
        ),
        // The last that is left: a channel that delivers nothing.
        _ => (
            "Messages do not get through",
            "You may not be woken when the store needs you.",
            &[
                "Look at the network and at the account or address behind this channel.",
                "The page Who is told says what went wrong at each try, and sends a test.",
                "Until it works, look at the first page before you go to bed.",
            ],
            None,
        ),
    }
}

fn numbers(kind: Kind, figures: &Figures, manner: Manner) -> String {
    if let Some(said) = computed::numbers(kind, figures, manner) {
        return said;
    }
    let hours = figures.hours_beyond.map(hours_ms);
    match kind {
        Kind::RecorderOff => {
            let off = hours.map_or_else(String::new, |ms| format!(" for {}", span(ms)));
            return format!("Nothing was recorded or judged{off}.");
        }
        Kind::ChannelFailing => return "Nothing has been delivered since then.".to_owned(),
        Kind::Swinging => {
            return format!(
                "Outside {} in the last 24 hours, {} in all.",
                count(figures.pieces.unwrap_or_default() as usize, "time", "times"),
                span(hours.unwrap_or_default())
            );
        }
        _ => {}
    }
    let (Some(value), Some(limit)) = (figures.value, figures.limit) else {
        return last_word(figures, manner);
    };
    let inside = match kind {
        Kind::Frost | Kind::Sweating | Kind::Battery => limit < value,
        _ if from_below(kind) => limit <= value,
        _ => value <= limit,
    };
    let of = match kind {
        Kind::Sweating => " above the dew point",
        _ => "",
    };
    let (value, limit) = (quantity(kind, value, manner), limit_of(kind, limit, manner));
    // A figure that looks like its limit must not seem to be inside.
    let near = value == limit && !inside && matches!(kind, Kind::DryOut | Kind::RotRisk);
    let just = match (near, from_below(kind)) {
        (true, true) => "Just below ",
        (true, false) => "Just above ",
        (false, _) => "",
    };
    let should = match kind {
        _ if inside => format!("back inside the limit of {limit}; not over until that lasts"),
        Kind::Frost | Kind::Battery => format!("should be above {limit}"),
        Kind::Sweating => format!("should be more than {limit}"),
        _ if from_below(kind) => format!("should be {limit} or more"),
        _ => format!("should be {limit} or less"),
    };
    let extreme = extreme(kind, figures, manner);
    format!("{just}{value}{of} now, {should}. {extreme}.")
}

/// The figures of an alert that is over: what is now belongs to it no more.
pub fn figures_of_past(kind: Kind, figures: &Figures, manner: Manner) -> String {
    if let Some(said) = computed::past(kind, figures, manner) {
        return said;
    }
    let Some(limit) = figures.limit else {
        return match kind {
            Kind::Silent => "It is heard again.".to_owned(),
            Kind::ChannelFailing => "Messages get through again.".to_owned(),
            Kind::Swinging => "A whole day was calm.".to_owned(),
            _ => numbers(kind, figures, manner),
        };
    };
    let limit = limit_of(kind, limit, manner);
    let extreme = extreme(kind, figures, manner);
    let of = match kind {
        Kind::Sweating => " above the dew point",
        _ => "",
    };
    format!("{extreme}. The limit is {limit}{of}.")
}

/// Whether the kind is about values that are too low.
fn from_below(kind: Kind) -> bool {
    matches!(
        kind,
        Kind::Frost | Kind::Cold | Kind::DryOut | Kind::Sweating | Kind::Battery
    )
}

/// A value of a kind in its quantity.
fn quantity(kind: Kind, value: f64, manner: Manner) -> String {
    match kind {
        Kind::DryOut | Kind::RotRisk | Kind::Battery => percent(value),
        Kind::Sweating => manner.difference(value),
        _ => manner.temperature(value),
    }
}

/// A limit of a kind, without the decimal where there is none.
fn limit_of(kind: Kind, value: f64, manner: Manner) -> String {
    match kind {
        Kind::DryOut | Kind::RotRisk | Kind::Sweating | Kind::Battery => {
            quantity(kind, value, manner)
        }
        _ => manner.limit(value),
    }
}

/// `Lowest 34.3 F, 2 hours beyond the limit`.
fn extreme(kind: Kind, figures: &Figures, manner: Manner) -> String {
    let word = if from_below(kind) {
        "Lowest"
    } else {
        "Highest"
    };
    let worst = figures.worst.or(figures.value).unwrap_or_default();
    let worst = quantity(kind, worst, manner);
    let beyond = figures
        .hours_beyond
        .map(hours_ms)
        .filter(|&ms| HOUR_MS / 2 <= ms)
        .map_or_else(String::new, |ms| format!(", {} beyond the limit", span(ms)));
    format!("{word} {worst}{beyond}")
}

fn last_word(figures: &Figures, manner: Manner) -> String {
    match (figures.temperature_c, figures.humidity_pct) {
        (Some(t), Some(rh)) => format!(
            "Its last word was {} and {}",
            manner.temperature(t),
            percent(rh)
        ),
        (Some(t), None) => format!("Its last word was {}", manner.temperature(t)),
        (None, Some(rh)) => format!("Its last word was {}", percent(rh)),
        (None, None) => "It has not been heard at all".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::climate::Unit;

    #[test]
    fn every_kind_and_rung_says_what_happens_and_what_to_do() {
        let manner = Manner {
            zone: chrono_tz::UTC,
            unit: Unit::F,
        };
        let subjects = [
            Subject::Room("cellar".to_owned()),
            Subject::Crate("C-07".to_owned()),
            Subject::Sensor("wall".to_owned()),
        ];
        for kind in Kind::ALL {
            for level in 1..=3 {
                for subject in &subjects {
                    let occurrence = Occurrence {
                        raised_at: Stamp(0),
                        kind,
                        level,
                        subject: subject.clone(),
                    };
                    let figures = Figures {
                        value: Some(1.0),
                        limit: Some(2.0),
                        ..Figures::default()
                    };
                    let m = Message::of(
                        &occurrence,
                        "cellar",
                        &figures,
                        Stamp(0),
                        Stamp(HOUR_MS),
                        manner,
                    );
                    let site = matches!(kind, Kind::RecorderOff);
                    assert!(site || m.headline.contains("the cellar"), "{m:?}");
                    assert!(!m.steps.is_empty() && !m.consequence.is_empty());
                    assert!(m.headline.chars().count() < 60, "{m:?}");
                }
            }
        }
    }

    #[test]
    fn figures_never_contradict_themselves() {
        let manner = Manner {
            zone: chrono_tz::UTC,
            unit: Unit::F,
        };
        let f = |t: f64| (t - 32.0) / 1.8;
        let said = |kind, value, limit| {
            let figures = Figures {
                value: Some(value),
                limit: Some(limit),
                ..Figures::default()
            };
            numbers(kind, &figures, manner).replace('\u{a0}', " ")
        };
        assert_eq!(
            said(Kind::Frost, f(34.98), f(35.0)),
            "35.0 F now, should be above 35 F. Lowest 35.0 F."
        );
        assert_eq!(
            said(Kind::DryOut, 71.2, 70.0),
            "71 % now, back inside the limit of 70 %; not over until that lasts. Lowest 71 %."
        );
        assert_eq!(
            said(Kind::RotRisk, 85.3, 85.0),
            "Just above 85 % now, should be 85 % or less. Highest 85 %."
        );
        assert_eq!(
            said(Kind::Sweating, 0.5, 1.5),
            "0.9 F above the dew point now, should be more than 2.7 F. Lowest 0.9 F."
        );
    }

    #[test]
    fn what_is_over_says_nothing_of_now() {
        let manner = Manner {
            zone: chrono_tz::UTC,
            unit: Unit::C,
        };
        let figures = Figures {
            value: Some(2.4),
            limit: Some(1.5),
            worst: Some(1.3),
            hours_beyond: Some(3.0),
            ..Figures::default()
        };
        let past = |kind, figures| figures_of_past(kind, figures, manner).replace('\u{a0}', " ");
        assert_eq!(
            past(Kind::Frost, &figures),
            "Lowest 1.3 C, 3 hours beyond the limit. The limit is 1.5 C."
        );
        assert_eq!(
            past(Kind::Silent, &Figures::default()),
            "It is heard again."
        );
    }
}
