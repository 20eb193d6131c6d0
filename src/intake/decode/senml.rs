//! Readings as SenML in JSON (RFC 8428): a pack of records, one quantity each.
//!
//! The sensor is the base name without the separator at its end; without a base name it is the name up
//! to its last separator. The quantity follows from the unit: `Cel` or `K`, `%RH`, `%EL`. There is no
//! Fahrenheit in SenML.

use serde_json::{Map, Value};

use super::{Decoded, Fields};
use crate::{
    climate::Unit,
    watch::{Heard, Stamp, Values, reading::union},
};

/// Times below this are seconds relative to now (RFC 8428, section 4.5.3).
const RELATIVE_BELOW: f64 = 268_435_456.0;
/// The version that RFC 8428 defines.
const VERSION: f64 = 10.0;
/// Zero Celsius in kelvin.
const KELVIN: f64 = 273.15;

/// What carries over from record to record.
#[derive(Default)]
struct Base {
    name: String,
    time: f64,
    unit: Option<String>,
    value: Option<f64>,
}

/// Decodes a pack heard at `now`; records of one sensor and instant become one reading. `Err` when it
/// is no pack at all.
pub fn body(text: &str, now: Stamp) -> Result<Decoded, String> {
    let pack: Vec<Map<String, Value>> =
        serde_json::from_str(text).map_err(|e| format!("is no SenML pack: {e}"))?;
    let mut decoded = Decoded::default();
    let mut base = Base::default();
    for (line, record) in (1..).zip(&pack) {
        let text = || Value::Object(record.clone()).to_string();
        if let Some(version) = record.get("bver")
            && version.as_f64().is_none_or(|v| VERSION < v)
        {
            return Err(format!(
                "is SenML of version {version}; {VERSION} is understood"
            ));
        }
        match base.record(record, line, now) {
            Ok(heard) => join(&mut decoded.heard, heard),
            Err(why) => decoded.push(line, &text(), Err(why)),
        }
    }
    Ok(decoded)
}

/// Adds to the reading of the same sensor and instant, if there is one and it lacks the quantity.
fn join(all: &mut Vec<Heard>, heard: Heard) {
    let same = all.iter_mut().rev().find(|h| {
        h.sensor == heard.sensor && h.device_at == heard.device_at && apart(h.values, heard.values)
    });
    match same {
        Some(same) => same.values = union(same.values, heard.values),
        None => all.push(heard),
    }
}

fn apart(a: Values, b: Values) -> bool {
    let both = |x: bool, y: bool| x && y;
    !both(a.temperature_mc.is_some(), b.temperature_mc.is_some())
        && !both(a.humidity_mpct.is_some(), b.humidity_mpct.is_some())
        && !both(a.battery_pct.is_some(), b.battery_pct.is_some())
}

impl Base {
    fn record(&mut self, r: &Map<String, Value>, line: u64, now: Stamp) -> Result<Heard, String> {
        let number = |key: &str| match r.get(key) {
            None => Ok(None),
            Some(v) => v
                .as_f64()
                .map(Some)
                .ok_or_else(|| format!("`{key}` is no number")),
        };
        let string = |key: &str| match r.get(key) {
            None => Ok(None),
            Some(v) => v
                .as_str()
                .map(Some)
                .ok_or_else(|| format!("`{key}` is no text")),
        };
        // Base fields hold for the records after this one, whatever becomes of it.
        if let Some(name) = string("bn")? {
            name.clone_into(&mut self.name);
        }
        if let Some(time) = number("bt")? {
            self.time = time;
        }
        if let Some(unit) = string("bu")? {
            self.unit = Some(unit.to_owned());
        }
        if let Some(value) = number("bv")? {
            self.value = Some(value);
        }
        if let Some(unknown) = r.keys().find(|k| k.ends_with('_')) {
            return Err(format!("`{unknown}` must be understood and is not"));
        }
        let own = string("n")?.unwrap_or_default();
        let value = match (number("v")?, self.value) {
            (Some(v), base) => v + base.unwrap_or(0.0),
            (None, _) => return Err("has no value `v`".to_owned()),
        };
        let seconds = self.time + number("t")?.unwrap_or(0.0);
        let at = if seconds < RELATIVE_BELOW {
            now.plus((seconds * 1000.0) as i64)
        } else {
            Stamp((seconds * 1000.0) as i64)
        };
        let unit = string("u")?.or(self.unit.as_deref());
        let mut fields = Fields {
            sensor: Some(sensor(&self.name, own)),
            measured_at: Some(at),
            ..Fields::default()
        };
        match unit {
            Some("Cel") => fields.temperature = Some((value, Unit::C)),
            Some("K") => fields.temperature = Some((value - KELVIN, Unit::C)),
            Some("%RH") => fields.humidity_pct = Some(value),
            Some("%EL") => fields.battery_pct = Some(value),
            Some(other) => {
                return Err(format!(
                    "unit `{}` is none of Cel, K, %RH, %EL",
                    super::shown(other)
                ));
            }
            None => return Err("has no unit `u`".to_owned()),
        }
        fields.check_any(line, None)
    }
}

/// The sensor that a record speaks of.
fn sensor<'a>(base: &'a str, own: &'a str) -> &'a str {
    let separators = ['/', ':', '.', '-', '_'];
    let base = base.trim_end_matches(separators);
    if !base.is_empty() {
        return base;
    }
    own.rsplit_once(separators)
        .map_or(own, |(sensor, _)| sensor)
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: Stamp = Stamp(1_796_083_200_000);

    fn check(text: &str) -> (Vec<String>, Vec<String>) {
        let decoded = body(text, NOW).unwrap();
        let heard = decoded.heard.iter().map(|h| {
            format!(
                "{} {} {:?} {:?} {:?}",
                h.sensor,
                h.device_at.unwrap().since(NOW) / 1000,
                h.values.temperature_mc,
                h.values.humidity_mpct,
                h.values.battery_pct
            )
        });
        let refused = decoded.refused.iter().map(|r| r.reason.clone());
        (heard.collect(), refused.collect())
    }

    #[test]
    fn a_pack_becomes_readings() {
        // The rules of RFC 8428 sections 4.1 to 4.6: base fields, relative times, one quantity a record.
        let pack = r#"[
            {"bn":"urn:dev:mac:02005efffe00a1b2_","bt":1796083200,"n":"air_t","u":"Cel","v":9.7},
            {"n":"air_rh","u":"%RH","v":81.5},
            {"n":"batt","u":"%EL","v":64},
            {"n":"air_t","u":"Cel","v":9.9,"t":-600}]"#;
        let (heard, refused) = check(pack);
        assert_eq!(
            heard,
            [
                "urn:dev:mac:02005efffe00a1b2 0 Some(9700) Some(81500) Some(64)",
                "urn:dev:mac:02005efffe00a1b2 -600 Some(9900) None None"
            ]
        );
        assert!(refused.is_empty());
        // Relative to now when there is no time of day; kelvin; base value and base unit.
        let (heard, _) = check(
            r#"[{"n":"north/t","u":"K","v":283.15},{"n":"north/h","u":"%RH","v":80,"t":-60},
                {"bn":"south/","bu":"%RH","bv":80,"n":"h","v":1.5}]"#,
        );
        assert_eq!(
            heard,
            [
                "north 0 Some(10000) None None",
                "north -60 None Some(80000) None",
                "south 0 None Some(81500) None"
            ]
        );
    }

    #[test]
    fn what_is_not_said_is_never_taken_for_zero() {
        for (record, why) in [
            (r#"{"n":"a/t","u":"Cel"}"#, "has no value `v`"),
            (r#"{"n":"a/t","v":9}"#, "has no unit `u`"),
            (
                r#"{"n":"a/t","u":"degF","v":50}"#,
                "unit `degF` is none of Cel, K, %RH, %EL",
            ),
            (
                r#"{"n":"a/t","u":"Cel","v":9,"x_":1}"#,
                "`x_` must be understood and is not",
            ),
            (r#"{"n":"a/t","u":"Cel","v":"9"}"#, "`v` is no number"),
            (r#"{"u":"Cel","v":9}"#, "names no sensor"),
            (r#"{"n":"a/t","u":"Cel","v":900}"#, "temperature 900"),
        ] {
            let (heard, refused) = check(&format!(r#"[{record},{{"n":"b/t","u":"Cel","v":9}}]"#));
            assert_eq!(heard, ["b 0 Some(9000) None None"], "{record}");
            assert!(refused[0].starts_with(why), "{record}: {refused:?}");
        }
        assert!(body(r#"[{"bver":11,"n":"a/t","u":"Cel","v":9}]"#, NOW).is_err());
        assert!(body(r#"{"n":"a"}"#, NOW).is_err());
        assert!(body("[1]", NOW).is_err());
    }
}
