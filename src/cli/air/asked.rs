//! What is asked beyond the air itself, from the options, with every unit read.

use clap::Args;

use super::{humidity, temperature};
use crate::{
    cli::Failure,
    climate::{Air, Packing, Pascal, Unit, salts::Salt, venting::Thresholds},
    config::quantity,
    watch::limits::Limits,
};

/// The options that ask for more than the air itself.
#[derive(Args)]
pub(super) struct Questions {
    /// What lies around the tubers, such as "wood shavings"
    #[arg(long, value_name = "WORDS", help_heading = TUBERS)]
    packing: Option<String>,
    /// With --format json, mould, drying and waking too
    #[arg(long, help_heading = TUBERS)]
    more: bool,
    /// Air outside, two values, such as 35F 90%
    #[arg(long, num_args = 2, value_names = ["T", "RH"], allow_hyphen_values = true, help_heading = VENT)]
    outside: Option<Vec<String>>,
    /// Coldest crate, such as 48F; as warm as the room unless told
    #[arg(long, value_name = "T", allow_hyphen_values = true, help_heading = VENT)]
    tuber: Option<String>,
    /// Keep the room above these two; 35F 75% unless told
    #[arg(long, num_args = 2, value_names = ["T", "RH"], allow_hyphen_values = true, help_heading = VENT)]
    keep_above: Option<Vec<String>>,
    /// What the fan or open vent moves, such as 300m3/h or 180cfm
    #[arg(long, value_name = "FLOW", help_heading = VENT)]
    vent: Option<String>,
    /// The same as air changes an hour, such as 6
    #[arg(long, value_name = "N", help_heading = VENT)]
    air_changes: Option<String>,
    /// Bring the air to this humidity, such as 80%
    #[arg(long, value_name = "RH", help_heading = WATER)]
    to: Option<String>,
    /// Air changes an hour with all shut, such as 0.3; needs --outside
    #[arg(long, value_name = "N", help_heading = WATER)]
    leak: Option<String>,
    /// Dry packing in kg, such as 100, or with its unit, 220lb
    #[arg(long, value_name = "WEIGHT", help_heading = WATER)]
    packing_kg: Option<String>,
    /// What the humidifier gives, such as 500ml/h or 3gal/day
    #[arg(long, value_name = "RATE", help_heading = WATER)]
    humidifier: Option<String>,
    /// Warm the air to this, such as 52F
    #[arg(long, value_name = "T", allow_hyphen_values = true, help_heading = HEAT)]
    warm_to: Option<String>,
    /// Tubers in kg, such as 500, or with their unit, 1100lb
    #[arg(long, value_name = "WEIGHT", help_heading = HEAT)]
    tubers_kg: Option<String>,
    /// What the heater gives, such as 1500W or 5000BTU/h
    #[arg(long, value_name = "POWER", help_heading = HEAT)]
    heater: Option<String>,
    /// What the sensor says above a damp salt: table-salt, potassium-chloride, ...
    #[arg(long, value_name = "SALT", help_heading = CHECK)]
    over: Option<String>,
    /// Volume of the room, such as 60m3 or 2100ft3
    #[arg(long, value_name = "VOLUME", help_heading = ROOM)]
    volume: Option<String>,
}

const TUBERS: &str = "Mould, drying, waking";
const VENT: &str = "Vent or not";
const WATER: &str = "Water";
const HEAT: &str = "Heat";
const CHECK: &str = "Check a sensor: the humidity is what it shows";
const ROOM: &str = "The room, for venting by --vent, for water and for heat";

/// One call, read.
pub(super) struct Asked {
    pub(super) air: Air,
    /// The unit that the temperature was given in; answers keep to it.
    pub(super) unit: Unit,
    pub(super) pressure: Pascal,
    pub(super) packing: Packing,
    pub(super) vent: Option<Vent>,
    pub(super) water: Option<Water>,
    pub(super) heat: Option<Heat>,
    pub(super) over: Option<Salt>,
}

pub(super) struct Vent {
    pub(super) outside: Air,
    pub(super) coldest_c: f64,
    /// Whether `coldest_c` was said rather than taken from the room.
    pub(super) coldest_said: bool,
    pub(super) thresholds: Thresholds,
    pub(super) changes_per_h: Option<f64>,
}

pub(super) struct Water {
    pub(super) to: Air,
    pub(super) volume_m3: f64,
    /// Air changes an hour, and the air outside.
    pub(super) leak: Option<(f64, Air)>,
    pub(super) packing_kg: Option<f64>,
    pub(super) humidifier_g_h: Option<f64>,
}

pub(super) struct Heat {
    pub(super) to_c: f64,
    pub(super) volume_m3: f64,
    pub(super) tubers_kg: Option<f64>,
    pub(super) heater_w: Option<f64>,
}

impl Questions {
    /// Whether anything is asked at all.
    pub(super) fn any(&self) -> bool {
        self.more || self.packing.is_some() || self.volume.is_some() || !self.given().is_empty()
    }

    /// Options that make sense only beside another, with that other.
    fn given(&self) -> Vec<(&'static str, Option<&'static str>)> {
        let rows = [
            (self.outside.is_some(), "--outside", None),
            (self.to.is_some(), "--to", None),
            (self.over.is_some(), "--over", None),
            (self.warm_to.is_some(), "--warm-to", None),
            (self.tuber.is_some(), "--tuber", Some("--outside")),
            (self.keep_above.is_some(), "--keep-above", Some("--outside")),
            (self.vent.is_some(), "--vent", Some("--outside")),
            (
                self.air_changes.is_some(),
                "--air-changes",
                Some("--outside"),
            ),
            (self.leak.is_some(), "--leak", Some("--to")),
            (self.packing_kg.is_some(), "--packing-kg", Some("--to")),
            (self.humidifier.is_some(), "--humidifier", Some("--to")),
            (self.tubers_kg.is_some(), "--tubers-kg", Some("--warm-to")),
            (self.heater.is_some(), "--heater", Some("--warm-to")),
        ];
        rows.into_iter()
            .filter(|(is, ..)| *is)
            .map(|(_, name, beside)| (name, beside))
            .collect()
    }

    /// Reads them for a room's air.
    pub(super) fn read(&self, air: Air, unit: Unit, pressure: Pascal) -> Result<Asked, Failure> {
        let given = self.given();
        let is = |name: &str| given.iter().any(|(n, _)| *n == name);
        for (name, beside) in &given {
            if let Some(beside) = beside.filter(|b| !is(b)) {
                return Err(needs(name, beside, example(beside)));
            }
        }
        if self.volume.is_some() && !["--outside", "--to", "--warm-to"].into_iter().any(is) {
            let what = "--volume alone answers nothing";
            return Err(Failure::input(what, "add --outside, --to or --warm-to"));
        }
        let volume = read(self.volume.as_deref(), quantity::volume_m3)?;
        let outside = self.outside.as_deref().map(pair).transpose()?;
        Ok(Asked {
            air,
            unit,
            pressure,
            packing: self
                .packing
                .as_deref()
                .map_or(Ok(Packing::Unknown), packing)?,
            vent: outside.map(|o| self.vent(air, o, volume)).transpose()?,
            water: self
                .to
                .as_deref()
                .map(|to| self.water(air, to, outside, volume))
                .transpose()?,
            over: self.over.as_deref().map(salt).transpose()?,
            heat: self
                .warm_to
                .as_deref()
                .map(|to| self.heat(air, to, volume))
                .transpose()?,
        })
    }

    fn vent(&self, air: Air, outside: Air, volume: Option<f64>) -> Result<Vent, Failure> {
        let tuber = self.tuber.as_deref().map(temperature).transpose()?;
        let room = air.temperature.degrees();
        let coldest_c = tuber.map_or(room, |(t, _)| t.degrees());
        let flow = read(self.vent.as_deref(), quantity::flow_m3_h)?;
        let changes = read(self.air_changes.as_deref(), changes)?;
        let changes_per_h = match (flow, changes, volume) {
            (Some(_), Some(_), _) => {
                let what = "--vent and --air-changes say the same thing twice";
                return Err(Failure::input(what, "leave one of them out"));
            }
            (Some(_), None, None) => return Err(needs("--vent", "--volume", VOLUME)),
            (Some(flow), None, Some(volume)) => Some(flow / volume),
            (None, changes, _) => changes,
        };
        let mut thresholds = limits();
        if let Some(above) = self.keep_above.as_deref().map(pair).transpose()? {
            thresholds.frost_c = above.temperature.degrees();
            thresholds.dry_pct = above.humidity.percent();
        }
        Ok(Vent {
            outside,
            coldest_c,
            coldest_said: tuber.is_some(),
            thresholds,
            changes_per_h,
        })
    }

    fn water(
        &self,
        air: Air,
        to: &str,
        outside: Option<Air>,
        volume: Option<f64>,
    ) -> Result<Water, Failure> {
        let to = Air::new(air.temperature, humidity(to)?);
        let (from, end) = (air.humidity.percent(), to.humidity.percent());
        let leak = match (read(self.leak.as_deref(), changes)?, outside) {
            (Some(_), None) => return Err(needs("--leak", "--outside", example("--outside"))),
            (leak, outside) => leak.zip(outside),
        };
        let humidifier_g_h = read(self.humidifier.as_deref(), quantity::water_g_h)?;
        if (end - from).abs() < 0.05 {
            let what = format!("the air is at {end} % already");
            return Err(Failure::input(what, "give --to another humidity"));
        }
        if end < from && humidifier_g_h.is_some() {
            let what = format!("from {from} to {end} % water has to leave; a humidifier adds it");
            let hint = "leave --humidifier out; --outside and --warm-to tell how to dry";
            return Err(Failure::input(what, hint));
        }
        Ok(Water {
            to,
            volume_m3: volume.ok_or_else(|| needs("--to", "--volume", VOLUME))?,
            leak,
            packing_kg: read(self.packing_kg.as_deref(), kilograms)?,
            humidifier_g_h,
        })
    }

    fn heat(&self, air: Air, to: &str, volume: Option<f64>) -> Result<Heat, Failure> {
        let (t, _) = temperature(to)?;
        if t <= air.temperature {
            let what = format!("`{to}` is no warmer than the room");
            let hint = "give --warm-to more; --outside tells whether outside air may cool it";
            return Err(Failure::input(what, hint));
        }
        Ok(Heat {
            to_c: t.degrees(),
            volume_m3: volume.ok_or_else(|| needs("--warm-to", "--volume", VOLUME))?,
            tubers_kg: read(self.tubers_kg.as_deref(), kilograms)?,
            heater_w: read(self.heater.as_deref(), quantity::power_w)?,
        })
    }
}

const VOLUME: &str = "length times width times height, such as --volume 60m3 or 2100ft3";

fn example(option: &str) -> &'static str {
    match option {
        "--outside" => "the air outside, such as --outside 35F 90%",
        "--to" => "the humidity to reach, such as --to 80%",
        _ => "the temperature to reach, such as --warm-to 52F",
    }
}

fn needs(option: &str, other: &str, example: &str) -> Failure {
    Failure::input(format!("{option} needs {other}"), format!("add {example}"))
}

/// The default band's low humidity, line of frost and high humidity.
fn limits() -> Thresholds {
    let limits = Limits::default();
    let usual = Thresholds::default();
    let frost = limits.frost.steps.first();
    Thresholds {
        dry_pct: limits.band.low_pct,
        frost_c: frost.map_or(usual.frost_c, |step| step.limit),
        damp_pct: limits.band.high_pct,
    }
}

fn pair(two: &[String]) -> Result<Air, Failure> {
    let [t, rh] = two else {
        // The arguments are counted before they come here.
        let hint = "such as 35F 90%";
        return Err(Failure::input(
            "a temperature and a humidity are needed",
            hint,
        ));
    };
    Ok(Air::new(temperature(t)?.0, humidity(rh)?))
}

/// The remedy stands after a semicolon.
fn read(
    text: Option<&str>,
    parse: impl Fn(&str) -> Result<f64, String>,
) -> Result<Option<f64>, Failure> {
    text.map(parse).transpose().map_err(|said| {
        let (what, hint) = said.split_once("; ").unwrap_or((&said, ""));
        Failure::input(what, hint)
    })
}

/// The option's name has the unit, so a number alone is understood.
fn kilograms(text: &str) -> Result<f64, String> {
    if text.trim().parse::<f64>().is_ok() {
        quantity::weight_kg(&format!("{}kg", text.trim()))
    } else {
        quantity::weight_kg(text)
    }
}

/// Air changes an hour: `6`, `0.3/h`.
fn changes(text: &str) -> Result<f64, String> {
    let number = text.trim().trim_end_matches("/h").trim_end();
    match number.parse::<f64>() {
        Ok(n) if 0.0 < n && n <= 200.0 => Ok(n),
        _ => Err(format!(
            "`{text}` is no number of air changes an hour; give one above 0 and up to 200, such as 6 (open) or 0.3 (shut)"
        )),
    }
}

fn packing(text: &str) -> Result<Packing, Failure> {
    let found = Packing::read(text);
    if found != Packing::Unknown || text.trim().eq_ignore_ascii_case("unknown") {
        return Ok(found);
    }
    let known: Vec<&str> = Packing::ALL
        .into_iter()
        .filter(|p| *p != Packing::Unknown)
        .map(Packing::words)
        .collect();
    let hint = format!("leave --packing out, or name one: {}", known.join(", "));
    Err(Failure::input(
        format!("`{text}` names no packing that is known here"),
        hint,
    ))
}

fn salt(word: &str) -> Result<Salt, Failure> {
    Salt::parse(word.trim()).ok_or_else(|| {
        let known: Vec<_> = Salt::ALL.iter().map(|s| s.as_str()).collect();
        let what = format!("no humidity over `{word}` is known here");
        Failure::input(what, format!("give one of {}", known.join(", ")))
    })
}
