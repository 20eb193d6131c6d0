//! What a comparison found, from what was filled in.

use chrono::NaiveDateTime;
use serde::Deserialize;

use crate::{
    climate::{Unit, salts::Salt},
    notify::{
        telling::moment,
        words::{Manner, percent},
    },
    watch::{Offset, Offsets, Stamp},
};

/// Longest remark, in characters.
pub(super) const REASON: usize = 200;
/// Degrees in a kelvin's place on the scale of Fahrenheit, exact by definition.
const F_PER_K: f64 = 1.8;
/// Where the humidities over salts are known, in C.
const SALTS_KNOWN_C: std::ops::RangeInclusive<f64> = 0.0..=30.0;

/// What the forms send.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub struct Sent {
    /// Which sensor.
    pub sensor: String,
    /// How it was compared.
    pub way: String,
    /// Over which salt.
    pub salt: String,
    /// The temperature that it said.
    pub t_read: String,
    /// The temperature that was true.
    pub t_true: String,
    /// The humidity that it said.
    pub rh_read: String,
    /// The humidity that was true.
    pub rh_true: String,
    /// What is to be added to the temperature.
    pub t_off: String,
    /// What is to be added to the humidity.
    pub rh_off: String,
    /// From when it holds, by the clock on the wall.
    pub from: String,
    /// The beginning of a correction that is taken back, as RFC 3339.
    pub begins: String,
    /// A remark, or the reason.
    pub why: String,
}

/// How a sensor was compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Way {
    /// In melting ice.
    Ice,
    /// Over a damp salt.
    Salt,
    /// Beside another instrument.
    Instrument,
    /// The difference is known.
    Difference,
}

impl Way {
    pub(super) const ALL: [Self; 4] = [Self::Ice, Self::Salt, Self::Instrument, Self::Difference];

    pub(super) fn key(self) -> &'static str {
        match self {
            Self::Ice => "ice",
            Self::Salt => "salt",
            Self::Instrument => "instrument",
            Self::Difference => "difference",
        }
    }

    pub(super) fn words(self) -> &'static str {
        match self {
            Self::Ice => "In melting ice",
            Self::Salt => "Over a damp salt",
            Self::Instrument => "Beside another instrument",
            Self::Difference => "The difference is known",
        }
    }

    pub(super) fn parse(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|way| way.key() == key)
    }
}

/// What is to be added; what was not compared stays as it is.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Found {
    /// Thousandths of a kelvin.
    pub(super) temperature_mk: Option<i32>,
    /// Thousandths of a point.
    pub(super) humidity_mpct: Option<i32>,
    /// How that was found.
    pub(super) why: String,
}

/// A number as people write it, with a point or a comma, perhaps with one of these units behind it.
fn number<'a>(text: &str, what: &str, units: &[&'a str]) -> Result<(f64, Option<&'a str>), String> {
    let plain = text
        .trim()
        .replace(',', ".")
        .replace(['\u{2212}', '\u{2013}'], "-");
    let (figure, unit) = units
        .iter()
        .find_map(|unit| {
            let lower = plain.to_ascii_lowercase();
            let cut = lower.strip_suffix(unit)?.len();
            Some((&plain[..cut], Some(*unit)))
        })
        .unwrap_or((&plain, None));
    let figure = figure.trim_end_matches(['\u{b0}', ' ', '\u{a0}']).parse();
    let figure: Option<f64> = figure.ok().filter(|n: &f64| n.is_finite());
    match figure {
        Some(figure) => Ok((figure, unit)),
        None => Err(format!("{what} is no number. Write one such as 0.4.")),
    }
}

fn is_fahrenheit(named: Option<&str>, unit: Unit) -> bool {
    named.map_or(unit == Unit::F, |named| named == "f")
}

/// Degrees as they stand on a scale, in C.
fn degrees(text: &str, what: &str, unit: Unit) -> Result<f64, String> {
    let (figure, named) = number(text, what, &["f", "c"])?;
    Ok(if is_fahrenheit(named, unit) {
        (figure - 32.0) / F_PER_K
    } else {
        figure
    })
}

/// Percent, or points of it.
fn points(text: &str, what: &str) -> Result<f64, String> {
    number(text, what, &["%"]).map(|(figure, _)| figure)
}

fn thousandths(value: f64) -> i32 {
    (value * 1000.0).round() as i32
}

fn empty(text: &str) -> bool {
    text.trim().is_empty()
}

/// Both of a pair, or neither.
fn pair(read: &str, known: &str, what: &str) -> Result<bool, String> {
    match (empty(read), empty(known)) {
        (true, true) => Ok(false),
        (false, false) => Ok(true),
        _ => Err(format!(
            "Of the {what} one figure is missing. Write what the sensor said and what the other instrument said."
        )),
    }
}

/// From when what was found holds; now where nothing is said.
pub(super) fn from(text: &str, manner: Manner, now: Stamp) -> Result<Stamp, String> {
    if empty(text) {
        return Ok(now);
    }
    let forms = ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"];
    let wall = forms
        .iter()
        .find_map(|form| NaiveDateTime::parse_from_str(text.trim(), form).ok());
    let wall =
        wall.ok_or("The beginning is no day and hour. Write it as 2027-01-10T08:00.".to_owned())?;
    Ok(moment(manner.zone, wall.date(), wall.time()))
}

/// What the form found; `air_c` is how warm the sensor has it by now.
pub(super) fn found(sent: &Sent, manner: Manner, air_c: Option<f64>) -> Result<Found, String> {
    let way = Way::parse(&sent.way).ok_or("Choose how it was compared.".to_owned())?;
    let note: String = sent.why.trim().chars().take(REASON).collect();
    let with_note = |words: String| match note.as_str() {
        "" => words,
        note => format!("{words}; {note}"),
    };
    match way {
        Way::Ice => {
            let read = degrees(&sent.t_read, "What it said in the ice", manner.unit)?;
            Ok(Found {
                temperature_mk: Some(thousandths(-read)),
                why: with_note(format!(
                    "in melting ice it said {}",
                    manner.temperature(read)
                )),
                ..Found::default()
            })
        }
        Way::Salt => {
            let salt = Salt::parse(&sent.salt).ok_or("Choose the salt.".to_owned())?;
            let read = points(&sent.rh_read, "What it said over the salt")?;
            let at_c = if empty(&sent.t_read) {
                air_c.ok_or(
                    "Write how warm it was over the salt; the sensor itself has said nothing yet."
                        .to_owned(),
                )?
            } else {
                degrees(&sent.t_read, "How warm it was", manner.unit)?
            };
            if !SALTS_KNOWN_C.contains(&at_c) {
                return Err(format!(
                    "Humidities over salts are known from {} to {}. Compare it where it is neither colder nor warmer.",
                    manner.temperature(*SALTS_KNOWN_C.start()),
                    manner.temperature(*SALTS_KNOWN_C.end())
                ));
            }
            let known = salt.humidity_pct(at_c);
            Ok(Found {
                humidity_mpct: Some(thousandths(known - read)),
                why: with_note(format!(
                    "over {} at {} ({known:.1} %) it said {read:.1} %",
                    salt.as_str().replace('-', " "),
                    manner.temperature(at_c)
                )),
                ..Found::default()
            })
        }
        Way::Instrument => {
            if note.is_empty() {
                return Err("Write which instrument it was beside.".to_owned());
            }
            let mut found = Found::default();
            let mut said = Vec::new();
            if pair(&sent.t_read, &sent.t_true, "temperatures")? {
                let read = degrees(&sent.t_read, "The temperature that it said", manner.unit)?;
                let known = degrees(&sent.t_true, "The true temperature", manner.unit)?;
                found.temperature_mk = Some(thousandths(known - read));
                let (read, known) = (manner.temperature(read), manner.temperature(known));
                said.push(format!("it said {read}, that one {known}"));
            }
            if pair(&sent.rh_read, &sent.rh_true, "humidities")? {
                let read = points(&sent.rh_read, "The humidity that it said")?;
                let known = points(&sent.rh_true, "The true humidity")?;
                found.humidity_mpct = Some(thousandths(known - read));
                said.push(format!("it said {read:.1} %, that one {known:.1} %"));
            }
            found.why = format!("beside {note}: {}", said.join("; "));
            found.anything()
        }
        Way::Difference => {
            if note.is_empty() {
                return Err("Write why, so that the next person knows.".to_owned());
            }
            let mut found = Found {
                why: note,
                ..Found::default()
            };
            if !empty(&sent.t_off) {
                let (figure, named) = number(&sent.t_off, "The difference", &["f", "c", "k"])?;
                let kelvin = if is_fahrenheit(named, manner.unit) {
                    figure / F_PER_K
                } else {
                    figure
                };
                found.temperature_mk = Some(thousandths(kelvin));
            }
            if !empty(&sent.rh_off) {
                found.humidity_mpct = Some(thousandths(points(
                    &sent.rh_off,
                    "The difference in humidity",
                )?));
            }
            found.anything()
        }
    }
}

impl Found {
    fn anything(self) -> Result<Self, String> {
        if self.temperature_mk.is_none() && self.humidity_mpct.is_none() {
            return Err("Fill in temperatures, or humidities, or both.".to_owned());
        }
        Ok(self)
    }

    /// What is to be entered: the quantity that was not compared stays as it is. Where it changes later
    /// on, that would be undone by what begins then, so both have to be said; tells when that is.
    pub(super) fn complete(&self, from: Stamp, offsets: &Offsets) -> Result<Offset, Stamp> {
        let before = offsets.at(from);
        let later = offsets.all().iter().find(|o| from < o.from);
        let partly = self.temperature_mk.is_none() || self.humidity_mpct.is_none();
        if let (true, Some(later)) = (partly, later) {
            return Err(later.from);
        }
        Ok(Offset {
            from,
            temperature_mk: self
                .temperature_mk
                .or(before.map(|o| o.temperature_mk))
                .unwrap_or(0),
            humidity_mpct: self
                .humidity_mpct
                .or(before.map(|o| o.humidity_mpct))
                .unwrap_or(0),
        })
    }
}

/// "−0.7 F, +2.5 points", "nothing".
pub(super) fn added(offset: Offset, manner: Manner) -> String {
    let per_k = match manner.unit {
        Unit::F => F_PER_K,
        Unit::C => 1.0,
    };
    let signed = |value: f64, unit: &str| {
        let sign = if value < 0.0 { '\u{2212}' } else { '+' };
        format!("{sign}{:.1}\u{a0}{unit}", value.abs())
    };
    let (t, rh) = (offset.temperature_mk, offset.humidity_mpct);
    let t = (t != 0).then(|| signed(f64::from(t) / 1000.0 * per_k, manner.letter()));
    let rh = (rh != 0).then(|| signed(f64::from(rh) / 1000.0, "points"));
    let both: Vec<String> = t.into_iter().chain(rh).collect();
    if both.is_empty() {
        "nothing".to_owned()
    } else {
        both.join(", ")
    }
}

/// "table salt, 75.7 % at 50 F".
pub(super) fn salt_words(salt: Salt, air_c: f64, manner: Manner) -> String {
    format!(
        "{}, {} at {}",
        salt.as_str().replace('-', " "),
        percent(salt.humidity_pct(air_c)),
        manner.limit(air_c)
    )
}

#[cfg(test)]
mod tests {
    use chrono_tz::America::New_York;

    use super::*;

    const US: Manner = Manner {
        zone: New_York,
        unit: Unit::F,
    };

    fn sent(way: &str) -> Sent {
        Sent {
            way: way.to_owned(),
            ..Sent::default()
        }
    }

    #[test]
    fn ice_is_at_zero_and_a_salt_at_its_own() {
        let ice = Sent {
            t_read: "32,9".into(),
            ..sent("ice")
        };
        let found_it = found(&ice, US, None).unwrap();
        assert_eq!(found_it.temperature_mk, Some(-500));
        assert_eq!(found_it.humidity_mpct, None);
        assert_eq!(found_it.why, "in melting ice it said 32.9\u{a0}F");
        let salt = Sent {
            salt: "table-salt".into(),
            rh_read: "78 %".into(),
            t_read: "10C".into(),
            ..sent("salt")
        };
        // Greenspan at 10 C: 75.68 (75.67 in his table).
        let found_it = found(&salt, US, None).unwrap();
        assert_eq!(found_it.humidity_mpct, Some(-2322));
        let warm = Sent {
            t_read: "104".into(),
            ..salt.clone()
        };
        assert!(found(&warm, US, None).unwrap_err().contains("86.0"));
        let nothing = Sent {
            t_read: String::new(),
            ..salt
        };
        assert!(found(&nothing, US, None).is_err());
        assert!(found(&nothing, US, Some(10.0)).is_ok());
    }

    #[test]
    fn differences_are_in_the_units_of_the_farm_or_in_those_named() {
        let off = |text: &str| {
            let sent = Sent {
                t_off: text.into(),
                why: "ice".into(),
                ..sent("difference")
            };
            found(&sent, US, None).map(|f| f.temperature_mk.unwrap())
        };
        assert_eq!(off("-0.9"), Ok(-500));
        assert_eq!(off("\u{2212}0.9 F"), Ok(-500));
        assert_eq!(off("+0.5\u{b0}C"), Ok(500));
        assert_eq!(off("0"), Ok(0));
        assert!(off("a bit").is_err());
        assert!(off("nan").is_err());
        assert!(off("").is_err());
        let mute = Sent {
            t_off: "1".into(),
            ..sent("difference")
        };
        assert!(found(&mute, US, None).unwrap_err().contains("why"));
    }

    #[test]
    fn beside_an_instrument_both_figures_are_wanted() {
        let half = Sent {
            t_read: "50".into(),
            why: "the calibrated one".into(),
            ..sent("instrument")
        };
        assert!(found(&half, US, None).is_err());
        let both = Sent {
            t_true: "49.1".into(),
            rh_read: "80".into(),
            rh_true: "82.5".into(),
            ..half
        };
        let found = found(&both, US, None).unwrap();
        assert_eq!(found.temperature_mk, Some(-500));
        assert_eq!(found.humidity_mpct, Some(2500));
        assert!(
            found
                .why
                .starts_with("beside the calibrated one: it said 50.0")
        );
    }

    #[test]
    fn what_was_not_compared_stays_as_it_is() {
        let mut offsets = Offsets::default();
        let ice = Found {
            temperature_mk: Some(-400),
            ..Found::default()
        };
        let salt = Found {
            humidity_mpct: Some(2500),
            ..Found::default()
        };
        let first = ice.complete(Stamp(100), &offsets).unwrap();
        assert_eq!((first.temperature_mk, first.humidity_mpct), (-400, 0));
        offsets.enter(first);
        let second = salt.complete(Stamp(200), &offsets).unwrap();
        assert_eq!((second.temperature_mk, second.humidity_mpct), (-400, 2500));
        // What begins later would undo half of it.
        assert!(salt.complete(Stamp(50), &offsets).is_err());
        let both = Found {
            temperature_mk: Some(0),
            ..salt
        };
        assert!(both.complete(Stamp(50), &offsets).is_ok());
    }

    #[test]
    fn a_beginning_is_by_the_clock_on_the_wall() {
        let now = Stamp(1_800_000_000_000);
        assert_eq!(from(" ", US, now), Ok(now));
        let at = from("2027-01-10T08:00", US, now).unwrap();
        assert_eq!(at.to_rfc3339(), "2027-01-10T13:00:00Z");
        assert!(from("tomorrow", US, now).is_err());
    }

    #[test]
    fn what_is_added_is_said_with_its_sign() {
        let offset = |t, rh| Offset {
            from: Stamp(0),
            temperature_mk: t,
            humidity_mpct: rh,
        };
        assert_eq!(
            added(offset(-389, 2500), US),
            "\u{2212}0.7\u{a0}F, +2.5\u{a0}points"
        );
        assert_eq!(added(offset(0, 0), US), "nothing");
    }
}
