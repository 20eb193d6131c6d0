//! Why each kind of alert exists: its cause, how long a person has, and where its defaults come from.
//!
//! With consequence and action of [`super::message`] and the limits in force this is the rationalised
//! table that ANSI/ISA-18.2 asks for: what has no action is no alert.

use crate::watch::Kind;

/// What stands behind one kind beside its limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reason {
    /// The kind in words.
    pub name: &'static str,
    /// What usually brings it about.
    pub cause: &'static str,
    /// How long a person has.
    pub time: &'static str,
    /// Where limits and delays come from.
    pub origin: &'static str,
}

/// The reason behind a kind.
pub fn reason(kind: Kind) -> Reason {
    let (name, cause, time, origin) = match kind {
        Kind::Frost => (
            "Frost near",
            "The heat failed, a door or vent stayed open, or the night was colder than the walls could hold.",
            "Hours: crates follow the air slowly.",
            "35 F is the practical line for getting up, a few degrees above where tubers freeze (common practice). A quarter of an hour keeps door openings out and still leaves the night (WHO PQS recorders wait 60 minutes at the freezing point itself).",
        ),
        Kind::Cold => (
            "Cold",
            "Cold nights, a vent left open, too little heat.",
            "A night.",
            "The low end of the band: extension services advise 40 to 50 F (Iowa State University; University of Minnesota).",
        ),
        Kind::Warm => (
            "Warm",
            "A heater set too high, sun on a wall, a mild spell.",
            "Days; above 60 F a day.",
            "The high end of the band. In the 60s F tubers wake early (University of Minnesota Extension). Delays against harm: tubers follow slowly (common practice).",
        ),
        Kind::DryOut => (
            "Dry",
            "Heating dries the air, frost outside, packing too thin.",
            "Days to weeks; smallest tubers first.",
            "75 to 85 % around the 80 % that growers aim at (common practice). Half a day and a day, because water leaves slowly.",
        ),
        Kind::RotRisk => (
            "Damp",
            "Tubers packed wet, no change of air, a thaw.",
            "Days.",
            "The high end of the band, and never below the humidity at which mould can begin at the temperature of the air (critical line of Hukka and Viitanen 1999).",
        ),
        Kind::Sweating => (
            "Sweating",
            "Warm damp air on cold tubers, walls or liners, as on the first thaw day.",
            "Hours to a day.",
            "The dew point (WMO-No. 8), with 2.7 F to spare: the error of common sensors (3 % of humidity are about 1 F of dew point) and a cold corner.",
        ),
        Kind::Silent => (
            "No word from a sensor",
            "Battery, cable, plug, reach, a power cut.",
            "Half a day; hours when it is the room's last sensor.",
            "Three intervals, at most half an hour, and half an interval for a late word: recorders of unattended stores note at least every 10 to 15 minutes (WHO; CDC storage toolkit).",
        ),
        Kind::Battery => (
            "Battery low",
            "A battery nears its end; cold shortens it.",
            "Days to weeks.",
            "A fifth left (common practice).",
        ),
        Kind::Swinging => (
            "In and out of the band",
            "A door, a vent, a thermostat or a timer that comes and goes.",
            "Days.",
            "More than two hours in four pieces or more, two days running, or three times that in one day: a cumulative rule beside the single ones, as WHO PQS recorders have; the figures are this project's.",
        ),
        Kind::RecorderOff => (
            "The recorder was off",
            "A power cut, a pulled plug, a tripped breaker, a computer that stopped.",
            "At once: nobody knows what happened meanwhile.",
            "A gap longer than half an hour, the longest a sensor may be silent.",
        ),
        Kind::ChannelFailing => (
            "Messages do not get through",
            "No network, a changed password, a full mailbox, a siren without power.",
            "Before the next night.",
            "A quarter of an hour without a delivery (a setting of this project).",
        ),
        Kind::FrostAhead => (
            "Heading for frost",
            "The heat has failed or a vent is open on a cold night.",
            "Hours; that is what it is for.",
            "The robust slope of the last hour and a half (Theil and Sen), which slackens with a time constant of two hours, six hours ahead. Compared on thirteen series, about half of such warnings came true within nine hours; the first page says how many did here.",
        ),
        Kind::Thaw => (
            "Thaw outside",
            "The first mild, damp day after cold weeks: crates are still cold, the air outside is not.",
            "Until a vent or a door is opened.",
            "The dew point outside (WMO-No. 8) against the coldest crate, measured or computed. Half an hour, as for sweating.",
        ),
        Kind::Shrink => (
            "Drying towards limp",
            "Air too dry for weeks, packing that shelters too little.",
            "Days to weeks.",
            "Loss follows the summed vapour pressure deficit (transpiration coefficients, ASHRAE Refrigeration). None is published for dahlia tubers: until crates are weighed the figure for potato and onion is taken, with a wide range. Five and ten points beyond what air at the target would take, 15 and 20 % for crates that were weighed, are common practice.",
        ),
        Kind::Mould => (
            "Mould",
            "Air above the mould line for days: packed wet, no change of air, a thaw.",
            "Weeks; days once it has begun.",
            "The published mould index (Hukka and Viitanen 1999, classes of Ojanen and Viitanen 2010) for paper, wood or mineral packing. It is an index for surfaces; nothing of the kind is published for dahlia skins.",
        ),
        Kind::Waking => (
            "Near waking",
            "A store that has been warm since the turn of the year.",
            "A week or two.",
            "Warmth above 5.5 C (Brondum and Heins 1993) since 1 January; about 220 C day to the first eyes of early varieties and 545 of late ones, derived from what growers report, not measured.",
        ),
    };
    Reason {
        name,
        cause,
        time,
        origin,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_kind_lacks_its_reason() {
        for kind in Kind::ALL {
            let r = reason(kind);
            for text in [r.name, r.cause, r.time, r.origin] {
                assert!(!text.trim().is_empty(), "{kind}");
            }
        }
    }
}
