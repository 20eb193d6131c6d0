//! From text to readings: what lines, JSON and tables may look like, what is refused and why, and that
//! no bytes whatever bring a decoder down.

use chrono::FixedOffset;
use overwinter::{
    climate::Unit,
    intake::decode::{
        Decoded, TimeShape, json,
        line::{self, LineShape},
        table::{self, Columns, TableShape},
    },
    watch::{Heard, SensorName, Stamp, Values},
};
use proptest::prelude::*;

fn name(text: &str) -> SensorName {
    SensorName::new(text).unwrap()
}

/// (thousandths of C, thousandths of percent, percent of battery).
type Short = (Option<i32>, Option<i32>, Option<u8>);

fn short(values: Values) -> Short {
    (
        values.temperature_mc,
        values.humidity_mpct,
        values.battery_pct,
    )
}

fn stamp(rfc3339: &str) -> Stamp {
    chrono::DateTime::parse_from_rfc3339(rfc3339)
        .unwrap()
        .to_utc()
        .into()
}

#[track_caller]
fn refused(result: Result<Heard, String>, why: &str) {
    match result {
        Ok(heard) => panic!("taken, though {why}: {heard:?}"),
        Err(said) => assert!(said.contains(why), "`{why}` is not in `{said}`"),
    }
}

// ---- lines ----

fn shape(sensor: Option<&str>, unit: Option<Unit>) -> LineShape {
    LineShape {
        sensor: sensor.map(name),
        unit,
    }
}

#[test]
fn lines_of_every_form_are_understood() {
    let c = shape(Some("usb"), Some(Unit::C));
    let f = shape(Some("usb"), Some(Unit::F));
    let no_unit = shape(Some("usb"), None);
    let nothing = shape(None, None);
    for (text, shape, sensor, expected) in [
        // 49.8 F is 9.889 C.
        (
            "id=north T=49.8F RH=81.4%",
            &nothing,
            "north",
            (Some(9889), Some(81_400), None),
        ),
        (
            "ID=north t=49.8f rh=81.4",
            &nothing,
            "north",
            (Some(9889), Some(81_400), None),
        ),
        (
            "sensor=gw-1/7;temp=9.8C;hum=81.4",
            &nothing,
            "gw-1/7",
            (Some(9800), Some(81_400), None),
        ),
        (
            "name=a,temperature_c=9.8,humidity_pct=81.4,battery_pct=77",
            &nothing,
            "a",
            (Some(9800), Some(81_400), Some(77)),
        ),
        (
            "T_F=50 H=80",
            &no_unit,
            "usb",
            (Some(10_000), Some(80_000), None),
        ),
        ("T=50 H=80", &f, "usb", (Some(10_000), Some(80_000), None)),
        ("T=9.8°C", &no_unit, "usb", (Some(9800), None, None)),
        ("RH=81.4%", &no_unit, "usb", (None, Some(81_400), None)),
        (
            "T=9.8C bat=2.9V rssi=-71",
            &no_unit,
            "usb",
            (Some(9800), None, None),
        ),
        ("9.8,81.4", &c, "usb", (Some(9800), Some(81_400), None)),
        (
            "  9.8 ; 81.4 \r\n",
            &c,
            "usb",
            (Some(9800), Some(81_400), None),
        ),
        ("50,80", &f, "usb", (Some(10_000), Some(80_000), None)),
        // What the line says goes before what the configuration says.
        ("50F,80%", &c, "usb", (Some(10_000), Some(80_000), None)),
        ("-3.5", &c, "usb", (Some(-3500), None, None)),
        (
            r#"{"sensor":"north","temperature_c":9.8,"humidity_pct":81.4}"#,
            &nothing,
            "north",
            (Some(9800), Some(81_400), None),
        ),
        (
            r#"{"temperature_f":50,"rssi":-71,"nested":{"a":[1]}}"#,
            &no_unit,
            "usb",
            (Some(10_000), None, None),
        ),
        (
            "T=-40C RH=0.5",
            &no_unit,
            "usb",
            (Some(-40_000), Some(500), None),
        ),
        (
            "T=185F RH=100.5",
            &no_unit,
            "usb",
            (Some(85_000), Some(100_000), None),
        ),
        (
            "T=85C RH=100.3%",
            &no_unit,
            "usb",
            (Some(85_000), Some(100_000), None),
        ),
    ] {
        let heard = line::decode(text, 7, shape).unwrap_or_else(|why| panic!("{text}: {why}"));
        assert_eq!(short(heard.values), expected, "{text}");
        assert_eq!(heard.sensor.as_str(), sensor, "{text}");
        assert_eq!((heard.line, heard.device_at), (7, None), "{text}");
    }
}

#[test]
fn lines_that_could_mislead_are_refused() {
    let usb = shape(Some("usb"), None);
    let c = shape(Some("usb"), Some(Unit::C));
    for (text, shape, why) in [
        // The unit is never guessed, however plain it seems.
        (
            "T=49.8 RH=81.4%",
            &usb,
            "`49.8` has no unit; send `49.8C` or `49.8F`",
        ),
        ("9.8,81.4", &usb, "`9.8` has no unit"),
        (r#"{"temperature":9.8}"#, &usb, "`temperature` has no unit"),
        (
            r#"{"temperature_c":9.8,"humidity":0.81}"#,
            &usb,
            "`humidity` has no unit",
        ),
        ("T=49.8F", &shape_of_nobody(), "names no sensor"),
        ("id=two;words T=9C", &usb, "`words` is no `name=value`"),
        ("id=<b> T=9C", &usb, "`<b>` is no name"),
        // Out of physics.
        ("T=85.1C", &usb, "temperature 85.1 is outside -40 to 85 C"),
        (
            "T=185.2F",
            &usb,
            "temperature 185.2 is outside -40 to 185 F",
        ),
        ("T=-41C", &usb, "is outside -40 to 85 C"),
        ("T=-127C", &usb, "look at the sensor and its wiring"),
        (
            "T=9C RH=0.4",
            &usb,
            "relative humidity 0.4 is outside 0.5 to 100.5 %",
        ),
        ("T=9C RH=100.6", &usb, "relative humidity 100.6 is outside"),
        ("T=9C RH=-6", &usb, "relative humidity -6 is outside"),
        ("T=9C bat=101", &usb, "battery 101 is outside 0 to 100 %"),
        ("T=NaNC RH=50", &usb, "`NaN` is no number"),
        ("nan,50", &c, "`nan` is no number"),
        ("T=infC", &usb, "is no number"),
        ("T=1e999C", &usb, "`1e999` is no number"),
        ("9.8,-1e999", &c, "`-1e999` is no number"),
        ("9,8C", &usb, "`9` has no unit"),
        ("9.8,81.4,3", &c, "is neither"),
        ("hello", &c, "is no number"),
        ("", &c, "is no number"),
        ("T=", &c, "is no number"),
        ("=", &c, "holds neither a temperature nor a humidity"),
        (
            "id=north",
            &usb,
            "holds neither a temperature nor a humidity",
        ),
        ("{", &usb, "is no JSON reading"),
        (r#"{"temperature_c":"9.8"}"#, &usb, "is no JSON reading"),
        (
            r#"{"temperature_c":9.8,"temperature_f":49.6}"#,
            &usb,
            "send one of them",
        ),
        (r#"{"temperature_c":1e999}"#, &usb, "is no JSON reading"),
        (r#"{"temperature_c":NaN}"#, &usb, "is no JSON reading"),
    ] {
        match line::decode(text, 1, shape) {
            Ok(heard) => panic!("{text} is taken as {heard:?}"),
            Err(said) => assert!(said.contains(why), "{text}: `{why}` is not in `{said}`"),
        }
    }
}

fn shape_of_nobody() -> LineShape {
    shape(None, None)
}

// ---- JSON ----

#[test]
fn an_array_is_taken_item_by_item() {
    let text = r#" [
        {"sensor":"a","measured_at":"2026-12-01T01:00:00+01:00","temperature_c":9.8},
        {"sensor":"b","humidity_pct":140},
        7,
        {"sensor":"c","temperature_f":50,"battery_pct":77.4},
        {"sensor":"d","temperature_c":null,"humidity_pct":null}
    ]"#;
    let decoded = json::body(text, None).unwrap();
    let heard: Vec<_> = decoded
        .heard
        .iter()
        .map(|h| (h.line, h.sensor.as_str(), short(h.values)))
        .collect();
    assert_eq!(
        heard,
        [
            (1, "a", (Some(9800), None, None)),
            (4, "c", (Some(10_000), None, Some(77))),
        ]
    );
    assert_eq!(
        decoded.heard[0].device_at,
        Some(stamp("2026-12-01T00:00:00Z"))
    );
    let lines: Vec<u64> = decoded.refused.iter().map(|r| r.line).collect();
    assert_eq!(lines, [2, 3, 5]);
    assert_eq!(json::body("[]", None), Ok(Decoded::default()));
    for no_json in ["", "[", "{]", "temperature", "[1,]", "\u{feff}{}"] {
        let said = json::body(no_json, None).unwrap_err();
        assert!(said.starts_with("is no JSON"), "{no_json}: {said}");
    }
}

#[test]
fn json_times_carry_their_offset() {
    let object = |time: &str| {
        let text = format!(r#"{{"measured_at":"{time}","temperature_c":9}}"#);
        json::object(&text, 1, Some(&name("a")))
    };
    for (time, utc) in [
        ("2026-12-01T00:00:00Z", "2026-12-01T00:00:00Z"),
        ("2026-12-01T02:30:00+02:30", "2026-12-01T00:00:00Z"),
        ("2026-11-30T18:00:00.5-06:00", "2026-12-01T00:00:00.5Z"),
    ] {
        assert_eq!(object(time).unwrap().device_at, Some(stamp(utc)), "{time}");
    }
    for time in ["2026-12-01T00:00:00", "2026-12-01", "1796083200", "noon"] {
        refused(object(time), "is no RFC 3339 time with offset");
    }
}

// ---- tables ----

fn one(shape: &TableShape, text: &str) -> Result<Heard, String> {
    let mut decoded = table::body(text.as_bytes(), shape)?;
    match (decoded.heard.pop(), decoded.refused.pop()) {
        (Some(heard), None) => Ok(heard),
        (None, Some(refused)) => Err(refused.reason),
        other => panic!("{text}: {other:?}"),
    }
}

#[test]
fn the_interchange_file_needs_only_some_columns() {
    let shape = TableShape {
        sensor: Some(name("logger")),
        ..TableShape::default()
    };
    for (text, sensor, expected) in [
        (
            "measured_at,sensor,temperature_c,humidity_pct,battery_pct\n2026-12-01T00:00:00Z,north,9.8,81.4,77\n",
            "north",
            (Some(9800), Some(81_400), Some(77)),
        ),
        ("temperature_f\n50\n", "logger", (Some(10_000), None, None)),
        (
            "humidity_pct , note\n 100.3 ,\"a, b\"\n",
            "logger",
            (None, Some(100_000), None),
        ),
        (
            "sensor,temperature_c,humidity_pct\n,9.8,\n",
            "logger",
            (Some(9800), None, None),
        ),
        (
            "\u{feff}temperature_c\r\n9.8",
            "logger",
            (Some(9800), None, None),
        ),
    ] {
        let heard = one(&shape, text).unwrap_or_else(|why| panic!("{text}: {why}"));
        assert_eq!(heard.sensor.as_str(), sensor, "{text}");
        assert_eq!(short(heard.values), expected, "{text}");
        assert_eq!(heard.line, 2, "{text}");
    }
    for (header, why) in [
        ("", "is empty"),
        ("\n \n\r\n", "is empty"),
        (
            "time,temp,rh\n",
            "has neither temperature_c, temperature_f nor humidity_pct",
        ),
        ("temperature_c,temperature_f\n", "are both there; keep one"),
        (
            "measured_at;temperature_c\n",
            "is divided by ';', not by ','",
        ),
        (
            "measured_at\ttemperature_c\n",
            r"is divided by '\t', not by ','",
        ),
        (
            "temperature_c,\"note\n",
            "has a quotation mark that is not closed",
        ),
    ] {
        refused(one(&shape, header), why);
    }
    let latin1 = table::body("temperature_c,gerät\n".as_bytes(), &shape);
    assert!(latin1.is_ok());
    let latin1 = table::body(b"temperature_c,ger\xe4t\n".as_slice(), &shape);
    assert!(latin1.unwrap_err().contains("is not UTF-8"));
    for (row, why) in [
        ("9.8", "has 1 fields, the header has 2"),
        ("9.8,81.4,1", "has 3 fields, the header has 2"),
        ("9.8,140", "relative humidity 140 is outside"),
        ("NaN,81.4", "`NaN` is no number"),
        ("1e999,81.4", "`1e999` is no number"),
        (",", "holds neither a temperature nor a humidity"),
        (
            "\"9,8\",81.4",
            "for a decimal comma set `decimal_comma = true`",
        ),
        ("9.8F,81.4", "`9.8F` is no number"),
    ] {
        refused(
            one(&shape, &format!("temperature_c,humidity_pct\n{row}\n")),
            why,
        );
    }
}

fn mapped(time: TimeShape) -> TableShape {
    let column = |name: &str| Some(name.to_owned());
    TableShape {
        columns: Columns {
            measured_at: column("Zeit"),
            received_at: None,
            sensor: None,
            temperature_c: column("Temp (C)"),
            temperature_f: None,
            humidity_pct: column("rF (%)"),
            battery_pct: None,
        },
        mapped: true,
        time,
        delimiter: b';',
        decimal_comma: true,
        sensor: Some(name("logger")),
    }
}

#[test]
fn a_mapped_table_has_its_own_columns_delimiter_and_comma() {
    let shape = mapped(TimeShape {
        format: Some("%d.%m.%Y %H:%M".to_owned()),
        offset: FixedOffset::east_opt(3600),
        zone: None,
    });
    let text = "Nr;Zeit;rF (%);Temp (C)\n1;01.12.2026 01:30;81,4;-0,5\n";
    let heard = one(&shape, text).unwrap();
    assert_eq!(short(heard.values), (Some(-500), Some(81_400), None));
    assert_eq!(heard.device_at, Some(stamp("2026-12-01T00:30:00Z")));
    // A point is understood as well; a thousands mark is not.
    let row = |rh: &str| {
        one(
            &shape,
            &format!("Zeit;rF (%);Temp (C)\n01.12.2026 01:30;{rh};1\n"),
        )
    };
    assert_eq!(row("81.4").unwrap().values.humidity_mpct, Some(81_400));
    refused(row("1.081,4"), "`1.081,4` is no number");
    refused(
        one(&shape, "Zeit;Temp (C)\n"),
        "column `rF (%)` is not in the header `Zeit,Temp (C)`",
    );
    for time in [
        "2026-12-01 01:30",
        "32.12.2026 01:30",
        "01.12.2026",
        "24.12.2026 25:00",
    ] {
        refused(
            one(&shape, &format!("Zeit;rF (%);Temp (C)\n{time};80;9\n")),
            "is no time of the form `%d.%m.%Y %H:%M`",
        );
    }
    let tabs = TableShape {
        delimiter: b'\t',
        ..TableShape::default()
    };
    // Empty last fields are fields.
    let text = "sensor\ttemperature_c\thumidity_pct\tbattery_pct\nnorth\t9.8\t\t\n";
    assert_eq!(one(&tabs, text).unwrap().values.temperature_mc, Some(9800));
    let (first, rest) = text.split_once('\n').unwrap();
    let header = table::header(first.as_bytes(), &tabs).unwrap();
    let decoded = table::lines(rest.as_bytes(), &header, 2);
    assert_eq!(decoded.heard.len(), 1, "{decoded:?}");
}

#[test]
fn summer_time_skips_an_hour_and_repeats_another() {
    let at = |zone: Option<chrono_tz::Tz>, offset: Option<FixedOffset>, time: &str| {
        let shape = mapped(TimeShape {
            format: Some("%Y-%m-%d %H:%M".to_owned()),
            offset,
            zone,
        });
        one(&shape, &format!("Zeit;rF (%);Temp (C)\n{time};80;9\n")).map(|h| h.device_at.unwrap())
    };
    let berlin = Some(chrono_tz::Europe::Berlin);
    let chicago = Some(chrono_tz::America::Chicago);
    for (zone, time, utc) in [
        (berlin, "2026-01-15 12:00", "2026-01-15T11:00:00Z"),
        (berlin, "2026-07-15 12:00", "2026-07-15T10:00:00Z"),
        // Clocks go from 02:00 to 03:00 on 29 March 2026, back from 03:00 to 02:00 on 25 October.
        (berlin, "2026-03-29 01:59", "2026-03-29T00:59:00Z"),
        (berlin, "2026-03-29 03:00", "2026-03-29T01:00:00Z"),
        (berlin, "2026-10-25 01:59", "2026-10-24T23:59:00Z"),
        (berlin, "2026-10-25 02:30", "2026-10-25T00:30:00Z"),
        (berlin, "2026-10-25 03:00", "2026-10-25T02:00:00Z"),
        // 8 March and 1 November 2026 in the United States.
        (chicago, "2026-03-08 01:59", "2026-03-08T07:59:00Z"),
        (chicago, "2026-03-08 03:00", "2026-03-08T08:00:00Z"),
        (chicago, "2026-11-01 01:30", "2026-11-01T06:30:00Z"),
    ] {
        assert_eq!(at(zone, None, time), Ok(stamp(utc)), "{time}");
    }
    for (zone, time) in [
        (berlin, "2026-03-29 02:00"),
        (berlin, "2026-03-29 02:59"),
        (chicago, "2026-03-08 02:30"),
    ] {
        let said = at(zone, None, time).unwrap_err();
        assert!(
            said.contains("does not exist: the clocks skip it"),
            "{said}"
        );
    }
    // A fixed offset has neither; without one nothing is assumed.
    let two = FixedOffset::east_opt(2 * 3600);
    assert_eq!(
        at(None, two, "2026-03-29 02:30"),
        Ok(stamp("2026-03-29T00:30:00Z"))
    );
    let said = at(None, None, "2026-01-15 12:00").unwrap_err();
    assert!(
        said.contains("carries no offset; set `utc_offset` or `time_zone`"),
        "{said}"
    );
}

#[test]
fn rows_keep_their_line_numbers_and_a_stray_quote_costs_one_line() {
    let text = "sensor,temperature_c\n\na,1\r\n\"b,2\nc,x\n\r\nd,4\n\"e\",\"5\"";
    let lines = |decoded: &Decoded| -> (Vec<u64>, Vec<u64>) {
        (
            decoded.heard.iter().map(|h| h.line).collect(),
            decoded.refused.iter().map(|r| r.line).collect(),
        )
    };
    let shape = TableShape::default();
    let body = table::body(text.as_bytes(), &shape).unwrap();
    assert_eq!(lines(&body), (vec![3, 7, 8], vec![4, 5]));
    // What follows a file and what reads it whole agree.
    let (first, rest) = text.split_once('\n').unwrap();
    let header = table::header(first.as_bytes(), &shape).unwrap();
    assert_eq!(table::lines(rest.as_bytes(), &header, 2), body);
}

#[test]
fn messages_stay_short_and_plain() {
    let long = "\u{1b}[2J".repeat(20_000);
    let usb = shape(Some("usb"), Some(Unit::C));
    let mut said = vec![
        line::decode(&long, 1, &usb).unwrap_err(),
        line::decode(&format!("T={long}"), 1, &usb).unwrap_err(),
        line::decode(&format!("T=9C {long}"), 1, &usb).unwrap_err(),
        line::decode(&format!("T={long}"), 1, &shape(Some("usb"), None)).unwrap_err(),
        line::decode(&format!("id={long} T=9C"), 1, &usb).unwrap_err(),
    ];
    let row = &long[..60_000];
    for text in [
        format!("{row}\n"),
        format!("sensor,temperature_c\nnorth,{row}\n"),
        format!("sensor,temperature_c,measured_at\nnorth,9,{row}\n"),
        format!("sensor,temperature_c\n{row},9\n"),
    ] {
        said.push(one(&TableShape::default(), &text).unwrap_err());
    }
    for said in said {
        assert!(said.chars().count() < 450, "{} characters", said.len());
        assert!(!said.contains('\u{1b}'), "{said:?}");
    }
}

// ---- whatever arrives ----

/// What every accepted reading must satisfy.
fn sound(heard: &Heard) {
    let (t, rh, battery) = short(heard.values);
    assert!(t.is_some() || rh.is_some());
    assert!(t.is_none_or(|t| (-40_000..=85_000).contains(&t)), "{t:?}");
    assert!(rh.is_none_or(|rh| (500..=100_000).contains(&rh)), "{rh:?}");
    assert!(battery.is_none_or(|b| b <= 100), "{battery:?}");
    assert!(SensorName::new(heard.sensor.as_str()).is_ok());
}

fn shapes() -> Vec<TableShape> {
    let time = TimeShape {
        format: Some("%d.%m.%Y %H:%M".to_owned()),
        offset: None,
        zone: Some(chrono_tz::Europe::Berlin),
    };
    vec![
        TableShape::default(),
        TableShape {
            sensor: Some(name("a")),
            delimiter: b';',
            decimal_comma: true,
            ..TableShape::default()
        },
        mapped(time),
    ]
}

fn nearly_a_line() -> impl Strategy<Value = String> {
    let piece = prop_oneof![
        Just("id=north".to_owned()),
        Just("T=".to_owned()),
        Just("RH=".to_owned()),
        Just("{\"temperature_c\":".to_owned()),
        Just("}".to_owned()),
        Just("°C".to_owned()),
        Just("F".to_owned()),
        Just("%".to_owned()),
        Just("\"".to_owned()),
        "[ ,;=\t\r\n]",
        "-?[0-9]{1,3}(\\.[0-9]{1,3})?",
        "-?[0-9]e[0-9]{1,3}",
        "NaN|inf|\\PC{1,3}",
    ];
    proptest::collection::vec(piece, 0..12).prop_map(|pieces| pieces.concat())
}

fn nearly_a_table() -> impl Strategy<Value = String> {
    let header = prop_oneof![
        Just("measured_at,sensor,temperature_c,humidity_pct,battery_pct"),
        Just("sensor;temperature_f;humidity_pct"),
        Just("Zeit;rF (%);Temp (C)"),
        Just("\u{feff}temperature_c"),
    ];
    let cell = prop_oneof![
        "-?[0-9]{1,3}([.,][0-9]{1,3})?",
        "2026-(03-29|10-25|12-01)T0[0-3]:30:00(Z|\\+01:00)",
        "(29\\.03|25\\.10)\\.2026 0[0-4]:30",
        "north|a|\"|\"\"|",
        "\\PC{0,4}",
    ];
    let row = proptest::collection::vec(cell, 0..7);
    let end = prop_oneof![Just("\n"), Just("\r\n"), Just("\r"), Just("")];
    let separator = prop_oneof![Just(","), Just(";")];
    (
        header,
        proptest::collection::vec((row, separator, end), 0..8),
    )
        .prop_map(|(header, rows)| {
            let mut text = format!("{header}\n");
            for (row, separator, end) in rows {
                text.push_str(&row.join(separator));
                text.push_str(end);
            }
            text
        })
}

fn whole_table(bytes: &[u8]) {
    for shape in shapes() {
        if let Ok(decoded) = table::body(bytes, &shape) {
            decoded.heard.iter().for_each(sound);
            assert!(
                decoded
                    .refused
                    .iter()
                    .all(|r| r.text.chars().count() <= 200)
            );
        }
        let split = bytes.iter().position(|&b| b == b'\n').unwrap_or(0);
        let (first, rest) = bytes.split_at(split);
        if let Ok(header) = table::header(first, &shape) {
            table::lines(rest, &header, 1).heard.iter().for_each(sound);
        }
    }
}

#[test]
fn json_lines_keep_the_numbers_of_the_file() {
    let text = b"{\"temperature_c\":9}\n\r\n{\"temperature\":9}\n\n{\"humidity_pct\":80}\n";
    let decoded = json::lines(text, 7, Some(&name("a")));
    let heard: Vec<u64> = decoded.heard.iter().map(|h| h.line).collect();
    let refused: Vec<u64> = decoded.refused.iter().map(|r| r.line).collect();
    assert_eq!((heard, refused), (vec![7, 11], vec![9]));
}

#[test]
fn a_logger_that_starts_anew_may_write_its_header_again() {
    let text = b"sensor,temperature_c\na,9.1\nsensor,temperature_c\na,9.2\n";
    let decoded = table::body(text, &TableShape::default()).unwrap();
    let lines: Vec<u64> = decoded.heard.iter().map(|h| h.line).collect();
    assert_eq!((lines, decoded.refused.len()), (vec![2, 4], 0));
    let table = table::header(b"sensor,temperature_c", &TableShape::default()).unwrap();
    let decoded = table::lines(&text[21..], &table, 2);
    assert_eq!((decoded.heard.len(), decoded.refused.len()), (2, 0));
}

proptest! {
    #[test]
    fn any_line_is_decided(text in prop_oneof![nearly_a_line(), any::<String>()], number: u64) {
        for unit in [None, Some(Unit::C), Some(Unit::F)] {
            for sensor in [None, Some("usb")] {
                if let Ok(heard) = line::decode(&text, number, &shape(sensor, unit)) {
                    sound(&heard);
                    prop_assert_eq!(heard.line, number);
                }
            }
        }
    }

    #[test]
    fn any_json_is_decided(text in prop_oneof![nearly_a_line(), any::<String>()]) {
        for text in [text.clone(), format!("[{text}]"), format!("{{\"sensor\":\"a\",\"temperature_c\":{text}}}")] {
            if let Ok(decoded) = json::body(&text, Some(&name("a"))) {
                decoded.heard.iter().for_each(sound);
            }
        }
    }

    #[test]
    fn any_senml_is_decided(
        value in any::<f64>(),
        time in any::<f64>(),
        text in prop_oneof![nearly_a_line(), any::<String>()],
        now in 0i64..4_000_000_000_000,
    ) {
        let now = overwinter::watch::Stamp(now);
        let quoted = serde_json::to_string(&text).unwrap();
        let packs = [
            text.clone(),
            format!("[{text}]"),
            format!(r#"[{{"bn":{quoted},"n":{quoted},"u":"Cel","t":{time:?},"v":{value:?}}}]"#),
            format!(r#"[{{"bn":"a/","bt":{time:?},"bv":{value:?},"n":{quoted},"u":"%RH","v":50}}]"#),
        ];
        for pack in packs {
            if let Ok(decoded) = overwinter::intake::decode::senml::body(&pack, now) {
                // A record may speak of nothing but a battery; the others are as sound as any.
                decoded.heard.iter().filter(|h| h.values.battery_pct.is_none()).for_each(sound);
            }
        }
    }

    #[test]
    fn any_bytes_are_decided(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        whole_table(&bytes);
        whole_table(&[b"sensor,temperature_c\n".as_slice(), &bytes].concat());
        let text = String::from_utf8_lossy(&bytes);
        let _ = line::decode(&text, 1, &shape(Some("usb"), Some(Unit::C)));
        let _ = json::body(&text, None);
    }

    #[test]
    fn any_table_is_decided(text in nearly_a_table()) {
        whole_table(text.as_bytes());
    }

    /// A temperature sent in either unit is the same one, to a thousandth of a degree.
    #[test]
    fn both_units_say_the_same(milli in -40_000_i32..=85_000, rh in 500_i32..=100_000) {
        let c = f64::from(milli) / 1000.0;
        let rh = f64::from(rh) / 1000.0;
        let nobody = shape(None, None);
        let in_c = line::decode(&format!("id=a T={c}C RH={rh}%"), 1, &nobody).unwrap();
        let f = (c * 1.8 + 32.0).clamp(-40.0, 185.0);
        let in_f = line::decode(&format!("id=a T={f}F RH={rh}%"), 1, &nobody).unwrap();
        prop_assert_eq!(in_c.values, in_f.values);
        prop_assert_eq!(in_c.values.temperature_mc, Some(milli));
        let object = format!(r#"{{"sensor":"a","temperature_c":{c},"humidity_pct":{rh}}}"#);
        prop_assert_eq!(json::object(&object, 1, None).unwrap().values, in_c.values);
        let row = format!("sensor,temperature_f,humidity_pct\na,{f},{rh}\n");
        prop_assert_eq!(one(&TableShape::default(), &row).unwrap().values, in_c.values);
    }

    /// What is outside physics is refused in every form, whatever the digits.
    #[test]
    fn out_of_physics_is_refused(c in prop_oneof![-1e12..-40.01, 85.01..1e12_f64], rh in prop_oneof![-1e12..0.49, 100.51..1e12_f64]) {
        let usb = shape(Some("usb"), Some(Unit::C));
        for text in [format!("{c},50"), format!("9.8,{rh}"), format!("T={c}C"), format!("RH={rh}%")] {
            prop_assert!(line::decode(&text, 1, &usb).is_err(), "{}", text);
        }
        let shape = TableShape { sensor: Some(name("a")), ..TableShape::default() };
        for (field, value) in [("temperature_c", c), ("temperature_f", c * 1.8 + 32.0), ("humidity_pct", rh)] {
            let json = format!(r#"{{"sensor":"a","{field}":{value}}}"#);
            prop_assert!(json::object(&json, 1, None).is_err(), "{}", json);
            let row = format!("{field}\n{value}\n");
            prop_assert!(one(&shape, &row).is_err(), "{}", row);
        }
    }
}
