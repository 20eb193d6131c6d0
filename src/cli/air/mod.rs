//! `air`: what one temperature and humidity mean for a store, or dew points for a file of them.

mod answer;
mod asked;
mod text;

use std::{
    fs::File,
    io::{BufReader, Write as _, stdout},
    path::PathBuf,
};

use clap::{Args, ValueEnum};
use csv::ByteRecord;
use serde::Serialize;

use self::{answer::Answer, asked::Questions};
use super::{Failure, NAMED, Outcome};
use crate::{
    climate::{Air, Celsius, Pascal, RelativeHumidity, Unit},
    intake::decode::{number, table::Lines},
};

/// What to compute and how to print it.
#[derive(Args)]
#[command(after_help = EXAMPLES)]
pub struct Options {
    /// Temperature with its unit, such as 50F or 10C
    #[arg(required_unless_present = "batch", allow_hyphen_values = true)]
    temperature: Option<String>,
    /// Relative humidity, such as 80%
    #[arg(required_unless_present = "batch")]
    humidity: Option<String>,
    /// A CSV file with the header temperature_c,humidity_pct
    #[arg(long, value_name = "FILE", conflicts_with_all = ["temperature", "humidity"])]
    batch: Option<PathBuf>,
    /// Altitude in metres, for the humidity ratio and the wet bulb
    #[arg(long, default_value_t = 0.0, allow_negative_numbers = true)]
    altitude: f64,
    /// How to print it; csv for a batch unless told otherwise
    #[arg(long, value_enum)]
    format: Option<Format>,
    #[command(flatten)]
    questions: Questions,
}

const EXAMPLES: &str = "\
Examples:
  overwinter air 50F 80% --packing \"wood shavings\"
  overwinter air 50F 90% --outside 35F 90% --tuber 48F --air-changes 6
  overwinter air 50F 60% --to 80% --volume 60m3 --humidifier 500ml/h
  overwinter air 46F 90% --warm-to 50F --volume 60m3 --heater 1500W
  overwinter air --batch logged.csv

Units: F, C; m3, ft3; m3/h, cfm; kg, lb; ml/h, l/h, gal/day; W, kW, BTU/h.
They are never guessed. With --format json every option beside --altitude gives
one object, with an object for each subject in it.";

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// For people
    Text,
    /// One JSON object to a line
    Json,
    /// A table
    Csv,
}

/// Everything about one parcel of air, in the order in which it is printed.
#[derive(Serialize)]
struct Row {
    temperature_c: f64,
    humidity_pct: f64,
    dew_point_c: f64,
    frost_point_c: Option<f64>,
    vapour_pressure_pa: f64,
    vapour_pressure_deficit_pa: f64,
    humidity_ratio: Option<f64>,
    absolute_humidity_g_m3: f64,
    wet_bulb_c: Option<f64>,
}

const FIELDS: [&str; 9] = [
    "temperature_c",
    "humidity_pct",
    "dew_point_c",
    "frost_point_c",
    "vapour_pressure_pa",
    "vapour_pressure_deficit_pa",
    "humidity_ratio",
    "absolute_humidity_g_m3",
    "wet_bulb_c",
];

fn rounded(value: f64, decimals: i32) -> f64 {
    let scale = 10f64.powi(decimals);
    // Minus nothing is nothing.
    (value * scale).round() / scale + 0.0
}

impl Row {
    fn of(air: Air, pressure: Pascal) -> Self {
        Self {
            temperature_c: rounded(air.temperature.degrees(), 4),
            humidity_pct: rounded(air.humidity.percent(), 4),
            dew_point_c: rounded(air.dew_point().degrees(), 4),
            frost_point_c: air.frost_point().map(|t| rounded(t.degrees(), 4)),
            vapour_pressure_pa: rounded(air.vapour_pressure().pascal(), 4),
            vapour_pressure_deficit_pa: rounded(air.vapour_pressure_deficit(), 4),
            humidity_ratio: air.humidity_ratio(pressure).map(|w| rounded(w, 9)),
            absolute_humidity_g_m3: rounded(air.absolute_humidity(), 6),
            wet_bulb_c: air.wet_bulb(pressure).map(|t| rounded(t.degrees(), 4)),
        }
    }
}

/// `overwinter air`.
pub fn air(options: &Options) -> Outcome {
    let pressure = Pascal::at_altitude(options.altitude)
        .map_err(|e| Failure::input(e.to_string(), "give --altitude in metres"))?;
    match (&options.batch, &options.temperature, &options.humidity) {
        (Some(_), ..) if options.questions.any() => Err(Failure::input(
            "a batch takes --altitude and --format only",
            "give one temperature and humidity instead, such as 50F 80%",
        )),
        (Some(path), ..) => batch(path, pressure, options.format.unwrap_or(Format::Csv)),
        (None, Some(t), Some(rh)) => one(t, rh, pressure, options),
        // The arguments are checked before they come here.
        _ => Err(Failure::input(
            "a temperature and a humidity are needed",
            "",
        )),
    }
}

/// `50F`, `10 C`; the unit is never guessed.
fn temperature(text: &str) -> Result<(Celsius, Unit), Failure> {
    let hint = "write the unit, such as 50F or 10C";
    let text = text.trim();
    let bad = |what: String| Failure::input(what, hint);
    // `-5C` is a temperature; `--fromat` is a slip.
    if text.starts_with('-') && text.contains(|c: char| c.is_alphabetic() && !"FfCc".contains(c)) {
        return Err(Failure::input(
            format!("there is no option `{text}`"),
            "`overwinter air --help` lists them",
        ));
    }
    let (unit, digits) = match text.chars().last() {
        Some('F' | 'f') => (Unit::F, &text[..text.len() - 1]),
        Some('C' | 'c') => (Unit::C, &text[..text.len() - 1]),
        _ => return Err(bad(format!("`{text}` has no unit"))),
    };
    let value: f64 = digits
        .trim_end_matches([' ', '°'])
        .parse()
        .map_err(|_| bad(format!("`{text}` is no temperature")))?;
    let t = match unit {
        Unit::F => Celsius::from_fahrenheit(value),
        Unit::C => Celsius::new(value),
    };
    Ok((t.map_err(|e| bad(e.to_string()))?, unit))
}

fn humidity(text: &str) -> Result<RelativeHumidity, Failure> {
    let hint = "give relative humidity in percent, above 0 and up to 100, such as 80%";
    let value: f64 = text
        .trim()
        .trim_end_matches('%')
        .trim_end()
        .parse()
        .map_err(|_| Failure::input(format!("`{text}` is no humidity"), hint))?;
    if value <= 1.0 && !text.contains('%') {
        let what = format!("`{text}` may be a share or a percentage");
        return Err(Failure::input(what, hint));
    }
    RelativeHumidity::new(value).map_err(|e| Failure::input(e.to_string(), hint))
}

fn one(t: &str, rh: &str, pressure: Pascal, options: &Options) -> Outcome {
    let (t, unit) = temperature(t)?;
    let air = Air::new(t, humidity(rh)?);
    let asked = options.questions.read(air, unit, pressure)?;
    match options.format.unwrap_or(Format::Text) {
        Format::Text => {
            let text = text::text(&asked, &Answer::to(&asked));
            stdout().write_all(text.as_bytes())?;
        }
        Format::Json if options.questions.any() => {
            let mut out = stdout().lock();
            serde_json::to_writer(&mut out, &Answer::to(&asked))?;
            writeln!(out)?;
        }
        Format::Csv if options.questions.any() => {
            return Err(Failure::input(
                "csv has columns for the air only",
                "give --format json, or leave --format out",
            ));
        }
        plain => print(&[Row::of(air, pressure)], plain)?,
    }
    Ok(())
}

fn print(rows: &[Row], format: Format) -> Outcome {
    let mut out = stdout().lock();
    if format == Format::Csv {
        let mut csv = csv::WriterBuilder::new()
            .has_headers(false)
            .from_writer(out);
        // Also where no row follows.
        csv.write_record(FIELDS)?;
        for row in rows {
            csv.serialize(row)?;
        }
        csv.flush()?;
    } else {
        for row in rows {
            serde_json::to_writer(&mut out, row)?;
            writeln!(out)?;
        }
    }
    Ok(())
}

fn batch(path: &PathBuf, pressure: Pascal, format: Format) -> Outcome {
    if format == Format::Text {
        return Err(Failure::input(
            "a batch is printed as csv or json",
            "leave --format out, or give --format csv",
        ));
    }
    let name = path.display();
    let file =
        File::open(path).map_err(|e| Failure::input(format!("cannot read `{name}`: {e}"), ""))?;
    let unreadable = |e: String| Failure::input(format!("`{name}` {e}"), "");
    let mut lines = Lines::new(BufReader::new(file), b',');
    let mut record = ByteRecord::new();
    match lines.next_line(&mut record).map_err(unreadable)? {
        Some(Ok(())) => {}
        Some(Err(why)) => return Err(unreadable(format!("line {} {why}", lines.number))),
        None => record.clear(),
    }
    let column = |wanted: &str| {
        record
            .iter()
            .position(|h| h.trim_ascii() == wanted.as_bytes())
            .ok_or_else(|| {
                Failure::input(
                    format!("`{name}` line 1: no column `{wanted}`"),
                    "the header is temperature_c,humidity_pct",
                )
            })
    };
    let (t_at, rh_at) = (column("temperature_c")?, column("humidity_pct")?);
    let mut rows = Vec::new();
    let mut bad = 0;
    while let Some(divided) = lines.next_line(&mut record).map_err(unreadable)? {
        let parsed = divided.and_then(|()| {
            let cell = |at: usize| {
                let text = String::from_utf8_lossy(record.get(at).unwrap_or_default());
                number(&text, false)
            };
            let t = Celsius::new(cell(t_at)?).map_err(|e| e.to_string())?;
            let rh = RelativeHumidity::new(cell(rh_at)?).map_err(|e| e.to_string())?;
            Ok(Air::new(t, rh))
        });
        match parsed {
            Ok(air) => rows.push(Row::of(air, pressure)),
            Err(why) => {
                bad += 1;
                if bad <= NAMED {
                    tell!("{name}:{}: {why}; passed over", lines.number);
                }
            }
        }
    }
    print(&rows, format)?;
    if bad == 0 {
        return Ok(());
    }
    Err(Failure::input(
        format!(
            "rows of `{name}` passed over: {bad}; printed: {}",
            rows.len()
        ),
        "temperature_c from -100 to 100, humidity_pct above 0 and up to 100",
    ))
}
