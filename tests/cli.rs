//! The command line as a new user meets it: exit statuses, messages with a way out, data on standard
//! output only, and nothing in a file or behind a pipe that makes it panic.

use std::{
    fmt::Write as _,
    fs,
    path::{Path, PathBuf},
    process::{Command, Output, Stdio},
};

use tempfile::TempDir;

const BINARY: &str = env!("CARGO_BIN_EXE_overwinter");
const AIR_HEADER: &str = "temperature_c,humidity_pct,dew_point_c,frost_point_c,vapour_pressure_pa,vapour_pressure_deficit_pa,humidity_ratio,absolute_humidity_g_m3,wet_bulb_c";
const EXPORT_HEADER: &str = "measured_at,sensor,temperature_c,humidity_pct,battery_pct,received_at";

/// A folder of its own and the program in it.
struct Place(TempDir);

struct Said {
    status: i32,
    out: String,
    err: String,
}

impl Said {
    fn of(output: Output) -> Self {
        let said = Self {
            status: output.status.code().expect("ended by itself"),
            out: String::from_utf8(output.stdout).unwrap(),
            err: String::from_utf8_lossy(&output.stderr).into_owned(),
        };
        assert_ne!(said.status, 101, "panic: {}", said.err);
        assert!(!said.err.contains("panicked"), "{}", said.err);
        said
    }

    #[track_caller]
    fn ends(self, status: i32, err_parts: &[&str]) -> Self {
        assert_eq!(self.status, status, "{}\n{}", self.out, self.err);
        for part in err_parts {
            assert!(self.err.contains(part), "`{part}` is not in:\n{}", self.err);
        }
        self
    }
}

impl Place {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    /// With a configuration of one room and the sensors north and south.
    fn with_store() -> Self {
        let place = Self::new();
        let sensor = |name: &str| {
            format!(
                "[[sensor]]\nname = \"{name}\"\nroom = \"cellar\"\nrole = \"air\"\ninterval = \"5min\"\n"
            )
        };
        place.write(
            "overwinter.toml",
            format!(
                "[site]\nlisten = \"127.0.0.1:0\"\n[[room]]\nname = \"cellar\"\n{}{}",
                sensor("north"),
                sensor("south")
            ),
        );
        place
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn write(&self, name: &str, content: impl AsRef<[u8]>) {
        fs::write(self.path(name), content).unwrap();
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(BINARY);
        command
            .args(arguments)
            .current_dir(self.0.path())
            .stdin(Stdio::null())
            .env_remove("OVERWINTER_LOG");
        command
    }

    fn run(&self, arguments: &[&str]) -> Said {
        Said::of(self.command(arguments).output().unwrap())
    }
}

fn project(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

// ---- first steps ----

#[test]
fn init_writes_once_and_check_is_content() {
    let place = Place::new();
    let said = place.run(&["init"]).ends(
        0,
        &[
            "Wrote `overwinter.toml`",
            "overwinter check --config overwinter.toml",
        ],
    );
    assert_eq!(said.out, "");
    let written = fs::read_to_string(place.path("overwinter.toml")).unwrap();
    assert_eq!(written, overwinter::config::EXAMPLE);

    place.write("overwinter.toml", "# mine\n");
    place.run(&["init"]).ends(
        1,
        &[
            "is there already and stays as it is",
            "\nhint: give another name",
        ],
    );
    let kept = fs::read_to_string(place.path("overwinter.toml")).unwrap();
    assert_eq!(kept, "# mine\n");

    place.run(&["init", "second.toml"]).ends(0, &[]);
    place
        .run(&["init", "no/such/folder.toml"])
        .ends(1, &["cannot write `no/such/folder.toml`"]);

    // Port 0 is whichever is free, so that this test does not depend on what else runs here.
    let free = written.replace("127.0.0.1:8480", "127.0.0.1:0");
    place.write("overwinter.toml", free);
    let said = place.run(&["check"]).ends(0, &[]);
    assert!(
        said.out
            .starts_with("configuration: rooms 1, sensors 1, sources 1\n"),
        "{}",
        said.out
    );
    assert!(said.out.contains("it will be waited for"), "{}", said.out);
    assert!(said.out.ends_with("all well\n"), "{}", said.out);
    assert!(!place.path("overwinter.db").exists(), "check makes nothing");
}

#[test]
fn check_lists_every_fault_with_file_and_line() {
    let place = Place::new();
    place.write(
        "store.toml",
        r#"[site]
time_zone = "Mars/Olympus"
listen = "0.0.0.0:8480"

[[room]]
name = "cellar"
temperature = ["40", "52F"]

[[sensor]]
name = "north"
room = "celar"
role = "air"
interval = "5min"

[[file]]
name = "logger"
path = "logger.csv"
sensor = "nord"
"#,
    );
    let said = place.run(&["check", "--config", "store.toml"]).ends(
        1,
        &[
            "error: 5 faults in the configuration\n",
            "\nhint: mend these and run `overwinter check`",
        ],
    );
    assert_eq!(said.out, "");
    let faults: Vec<&str> = said
        .err
        .lines()
        .filter(|l| l.starts_with("store.toml:"))
        .collect();
    let places: Vec<&str> = faults
        .iter()
        .map(|f| f.split(": ").next().unwrap())
        .collect();
    assert_eq!(
        places,
        [
            "store.toml:2",
            "store.toml:3",
            "store.toml:7",
            "store.toml:11",
            "store.toml:18"
        ],
        "{}",
        said.err
    );
    assert!(faults[2].contains("`40` has no unit"), "{}", faults[2]);
    assert!(faults[3].contains("rooms are `cellar`"), "{}", faults[3]);

    place.write("broken.toml", "[site\nname = 1\n");
    place
        .run(&["check", "--config", "broken.toml"])
        .ends(1, &["\nbroken.toml:1: "]);
    place.run(&["check"]).ends(
        1,
        &[
            "cannot read `overwinter.toml`",
            "\nhint: `overwinter init` writes one",
        ],
    );

    // A file that is there but of no use is a fault of its source.
    place.write(
        "overwinter.toml",
        "[site]\nlisten = \"127.0.0.1:0\"\n[[room]]\nname = \"cellar\"\n[[file]]\nname = \"logger\"\npath = \"logger.csv\"\n",
    );
    place.write("logger.csv", "when,what\n1,2\n");
    let said = place.run(&["check"]).ends(1, &["1 of these did not work"]);
    assert!(
        said.out.contains("logger: FAULT: ") && said.out.contains("the header `when,what`"),
        "{}",
        said.out
    );
}

#[test]
fn wrong_arguments_end_with_1_and_answers_with_0() {
    let place = Place::with_store();
    for wrong in [
        &[][..],
        &["frobnicate"],
        &["import"],
        &["import", "readings"],
        &["export"],
        &["replay"],
        &["air"],
        &["air", "50F"],
        &["air", "50F", "80%", "--format", "xml"],
        &["air", "50F", "80%", "70%"],
        &["air", "--batch", "x.csv", "50F", "80%"],
        &["air", "--fromat", "json"],
        &["air", "50F", "80%", "--altitude", "99999"],
        &["init", "--force"],
        &["token", "two words"],
        &["check", "--config"],
        &["run", "--config", "nosuch.toml"],
        &["import", "readings", "nosuch.csv"],
        &["import", "crates", "nosuch.csv"],
        &["replay", "--readings", "nosuch.csv"],
        &["air", "--batch", "nosuch.csv"],
        &["export", "readings"],
        &[
            "import",
            "readings",
            "overwinter.toml",
            "--source",
            "nosuch",
        ],
    ] {
        let said = place.run(wrong).ends(1, &[]);
        assert_eq!(said.out, "", "{wrong:?}");
        assert!(!said.err.is_empty(), "{wrong:?}");
    }
    assert!(!place.path("overwinter.db").exists());
    for (asked, answer) in [
        ("--help", "Usage: overwinter"),
        ("--version", "overwinter "),
        ("help", "A first look: overwinter demo"),
    ] {
        let said = place.run(&[asked]).ends(0, &[]);
        assert!(said.out.contains(answer), "{asked}: {}", said.out);
        assert_eq!(said.err, "", "{asked}");
    }
    let said = place.run(&["token", "gateway-1"]).ends(0, &[]);
    assert!(
        said.out
            .contains("\n[[http]]\nname = \"gateway-1\"\ntoken_sha256 = \""),
        "{}",
        said.out
    );
}

// ---- air ----

#[test]
fn air_answers_in_the_unit_it_was_asked_in() {
    let place = Place::new();
    let said = place.run(&["air", "50F", "80%"]).ends(0, &[]);
    assert_eq!(said.err, "");
    // 50 F and 80 %: dew point 44.1 F (6.7 C), the store at its target.
    assert!(
        said.out
            .lines()
            .any(|l| l.starts_with("dew point ") && l.ends_with(" 44.1 F")),
        "{}",
        said.out
    );
    for (t, rh, expected) in [
        ("10C", "80", "6.7 C"),
        ("10 °C", "80 %", "6.7 C"),
        ("50f", "80%", "44.1 F"),
        ("-5C", "80%", "-7.9 C"),
    ] {
        let said = place.run(&["air", t, rh]).ends(0, &[]);
        assert!(said.out.contains(expected), "{t} {rh}: {}", said.out);
    }
    let below = place.run(&["air", "-5C", "80%"]).ends(0, &[]);
    assert!(below.out.contains("frost point"), "{}", below.out);

    for (t, rh, why) in [
        (
            "50",
            "80%",
            "`50` has no unit\n\nhint: write the unit, such as 50F or 10C",
        ),
        ("warmF", "80%", "`warmF` is no temperature"),
        ("900F", "80%", "temperature 900 is outside -148 to 212 F"),
        ("NaNC", "80%", "temperature NaN is outside"),
        ("1e999C", "80%", "temperature inf is outside"),
        (
            "50F",
            "0%",
            "relative humidity 0 is not above 0 and up to 100 %",
        ),
        (
            "50F",
            "101%",
            "relative humidity 101 is not above 0 and up to 100 %",
        ),
        ("50F", "damp", "`damp` is no humidity"),
        ("°", "80%", "`°` has no unit"),
    ] {
        let said = place.run(&["air", t, rh]).ends(1, &[why]);
        assert_eq!(said.out, "", "{t} {rh}");
        assert!(said.err.len() < 300, "{}", said.err);
    }
}

#[test]
fn air_as_json_has_its_fields_in_order() {
    let said = Place::new()
        .run(&["air", "50F", "80%", "--format", "json"])
        .ends(0, &[]);
    assert_eq!(said.out.lines().count(), 1);
    let mut from = 0;
    for field in AIR_HEADER.split(',') {
        let key = format!("\"{field}\":");
        let at = said.out.find(&key).unwrap_or_else(|| panic!("{field}"));
        assert!(from <= at, "{field} is out of order: {}", said.out);
        from = at;
    }
    let value: serde_json::Value = serde_json::from_str(&said.out).unwrap();
    assert_eq!(value.as_object().unwrap().len(), 9);
    assert_eq!(value["temperature_c"].as_f64(), Some(10.0));
    assert!(value["frost_point_c"].is_null(), "above freezing");
    assert!((value["dew_point_c"].as_f64().unwrap() - 6.706).abs() < 0.0005);
}

/// Against the WMO-No. 8 columns of a table made with other programs (`tests/data/ORIGIN.md`).
#[test]
fn a_batch_agrees_with_the_reference_table() {
    let place = Place::new();
    let reference = project("tests/data/psychrometrics.csv");
    let mut reader = csv::Reader::from_path(reference).unwrap();
    let header = reader.headers().unwrap().clone();
    let column = |name: &str| header.iter().position(|h| h == name).unwrap();
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), 210);
    let mut input = "temperature_c,humidity_pct\n".to_owned();
    for row in &rows {
        let (t, rh) = (&row[column("t_c")], &row[column("rh_pct")]);
        writeln!(input, "{t},{rh}").unwrap();
    }
    place.write("air.csv", &input);
    let said = place
        .run(&["air", "--batch", "air.csv", "--format", "csv"])
        .ends(0, &[]);
    assert_eq!(said.err, "");
    let (first, table) = said.out.split_once('\n').unwrap();
    assert_eq!(first, AIR_HEADER);
    assert_eq!(table.lines().count(), rows.len());
    let number = |text: &str| text.parse::<f64>().unwrap();
    for (line, row) in table.lines().zip(&rows) {
        let ours: Vec<&str> = line.split(',').collect();
        let theirs = |name: &str| number(&row[column(name)]);
        assert!((number(ours[0]) - theirs("t_c")).abs() < 1e-9, "{line}");
        assert!((number(ours[1]) - theirs("rh_pct")).abs() < 1e-9, "{line}");
        // The table prints four decimals, as the program does.
        let dew = theirs("dewpoint_wmo8magnus_c");
        assert!((number(ours[2]) - dew).abs() < 0.0003, "{line}: {dew}");
        let saturation = theirs("es_water_wmo8magnus_pa");
        let vapour = saturation * theirs("rh_pct") / 100.0;
        assert!(
            (number(ours[4]) - vapour).abs() < 0.0003,
            "{line}: {vapour}"
        );
        let deficit = saturation - vapour;
        assert!(
            (number(ours[5]) - deficit).abs() < 0.0003,
            "{line}: {deficit}"
        );
        // The rest rests on other formulas for saturation; these differ by a few tenths of a percent.
        assert_eq!(ours[3].is_empty(), 0.0 <= dew, "{line}");
        let ratio = theirs("w_sensor_101325");
        assert!(
            (number(ours[6]) - ratio).abs() <= 0.01 * ratio + 1e-7,
            "{line}: {ratio}"
        );
        let absolute = theirs("abs_hum_sensor_g_m3");
        assert!(
            (number(ours[7]) - absolute).abs() <= 0.01 * absolute + 0.0001,
            "{line}: {absolute}"
        );
        // Air beyond saturation over ice has no wet bulb in the table; here it is the air's own.
        let wet = match &row[column("twb_sensor_101325_c")] {
            "" => number(ours[0]),
            wet => number(wet),
        };
        assert!((number(ours[8]) - wet).abs() < 0.1, "{line}: {wet}");
    }

    let json = place
        .run(&["air", "--batch", "air.csv", "--format", "json"])
        .ends(0, &[]);
    assert_eq!(json.out.lines().count(), rows.len());
    let plain = place.run(&["air", "--batch", "air.csv"]).ends(0, &[]);
    assert_eq!(plain.out, said.out, "csv is the default of a batch");
    place
        .run(&["air", "--batch", "air.csv", "--format", "text"])
        .ends(1, &["a batch is printed as csv or json"]);
}

#[test]
fn bad_rows_of_a_batch_are_named_and_the_good_are_printed() {
    for end in ["\n", "\r\n"] {
        let place = Place::new();
        let rows = [
            "temperature_c,humidity_pct",
            "10,80",
            "warm,80",
            "10,0",
            "",
            "10,140",
            "200,50",
            "10",
            "NaN,80",
            "\"10,80",
            "12,70",
        ];
        place.write("air.csv", rows.join(end));
        let said = place.run(&["air", "--batch", "air.csv"]).ends(
            1,
            &[
                "air.csv:3: `warm` is no number; passed over\n",
                "air.csv:4: relative humidity 0 is not above 0",
                "air.csv:6: relative humidity 140",
                "air.csv:7: temperature 200 is outside",
                "air.csv:8: `` is no number",
                "air.csv:9: `NaN` is no number",
                "air.csv:10: has a quotation mark that is not closed",
                "rows of `air.csv` passed over: 7; printed: 2",
            ],
        );
        let firsts: Vec<&str> = said
            .out
            .lines()
            .map(|l| l.split(',').next().unwrap())
            .collect();
        assert_eq!(firsts, ["temperature_c", "10.0", "12.0"]);
    }
    let place = Place::new();
    place.write("none.csv", "humidity_pct,temperature_c\n");
    let said = place.run(&["air", "--batch", "none.csv"]).ends(0, &[]);
    assert_eq!(said.out, format!("{AIR_HEADER}\n"));
    place.write("other.csv", "t,rh\n10,80\n");
    place.run(&["air", "--batch", "other.csv"]).ends(
        1,
        &[
            "no column `temperature_c`",
            "hint: the header is temperature_c,humidity_pct",
        ],
    );
}

// ---- readings in and out ----

const READINGS: &str = "measured_at,sensor,temperature_c,humidity_pct,battery_pct
2026-01-01T00:00:00Z,north,9.8,81.4,
2026-01-01T00:00:00Z,south,10.25,79,88
2026-01-01T02:05:00+02:00,north,9.9,100.3,
2026-01-01T00:10:00.250Z,north,-1.005,,
2026-01-01T00:15:00Z,south,,77.125,87
";

#[test]
fn readings_come_in_once() {
    let place = Place::with_store();
    place.write("readings.csv", READINGS);
    let said = place
        .run(&["import", "readings", "readings.csv"])
        .ends(0, &[]);
    assert_eq!(
        said.out,
        "5 stored, 0 known already, 0 contradicting what was known, 0 refused\n"
    );
    assert_eq!(said.err, "");
    let said = place
        .run(&["import", "readings", "readings.csv"])
        .ends(0, &[]);
    assert_eq!(
        said.out,
        "0 stored, 5 known already, 0 contradicting what was known, 0 refused\n"
    );
    place.write("other.csv", READINGS.replace("9.8,81.4", "9.8,60"));
    let said = place.run(&["import", "readings", "other.csv"]).ends(0, &[]);
    assert_eq!(
        said.out,
        "0 stored, 4 known already, 1 contradicting what was known, 0 refused\n"
    );
}

#[test]
fn a_bad_row_is_named_with_its_line_and_the_others_are_stored() {
    for end in ["\n", "\r\n"] {
        let place = Place::with_store();
        let rows = [
            "measured_at,sensor,temperature_c,humidity_pct",
            "2026-01-02T00:00:00Z,north,9.8,81.4",
            "2026-01-02T00:05:00Z,north,98,81.4",
            "",
            ",north,9.8,81.4",
            "2026-01-02T00:10:00Z,west,9.8,81.4",
            "2026-01-02T00:10:00Z,north,9.8,81.4,5",
            "2026-01-02 00:10,north,9.8,81.4",
            "2026-01-02T00:15:00Z,\"north,9.8,81.4",
            "2026-01-02T00:20:00Z,\"north\",9.8,\"81.4\"",
        ];
        place.write("readings.csv", rows.join(end));
        let said = place.run(&["import", "readings", "readings.csv"]).ends(
            1,
            &[
                "readings.csv:3: temperature 98 is outside -40 to 85 C; look at the sensor",
                "readings.csv:5: has no measured_at",
                "readings.csv:6: sensor `west` is not in the configuration",
                "readings.csv:7: has 5 fields, the header has 4",
                "readings.csv:8: `2026-01-02 00:10` is no RFC 3339 time",
                "readings.csv:9: has a quotation mark that is not closed",
                "error: 6 rows could not be used; all others are stored",
                "\nhint: mend these rows and import the file again",
            ],
        );
        assert_eq!(
            said.out,
            "2 stored, 0 known already, 0 contradicting what was known, 6 refused\n"
        );
    }
}

#[test]
fn what_is_written_out_comes_in_again_the_same() {
    let place = Place::with_store();
    place.write("readings.csv", READINGS);
    place
        .run(&["import", "readings", "readings.csv"])
        .ends(0, &[]);
    let first = place
        .run(&["export", "readings"])
        .ends(0, &["5 readings written\n"]);
    let mut lines = first.out.lines();
    assert_eq!(lines.next(), Some(EXPORT_HEADER));
    let starts = [
        "2026-01-01T00:00:00Z,north,9.8,81.4,,",
        "2026-01-01T00:00:00Z,south,10.25,79,88,",
        "2026-01-01T00:05:00Z,north,9.9,100,,",
        "2026-01-01T00:10:00.250Z,north,-1.005,,,",
        "2026-01-01T00:15:00Z,south,,77.125,87,",
    ];
    for (line, start) in lines.clone().zip(starts) {
        assert!(line.starts_with(start), "{line}");
    }
    assert_eq!(lines.count(), starts.len());

    let fresh = Place::with_store();
    fresh.write("moved.csv", &first.out);
    fresh.run(&["import", "readings", "moved.csv"]).ends(0, &[]);
    let second = fresh.run(&["export", "readings"]).ends(0, &[]);
    assert_eq!(second.out, first.out);

    let to_file = fresh
        .run(&["export", "readings", "again.csv"])
        .ends(0, &["5 readings written\n"]);
    assert_eq!(to_file.out, "");
    let again = fs::read_to_string(fresh.path("again.csv")).unwrap();
    assert_eq!(again, first.out);
}

/// What daemon, import and replay share is read in whatever shape spreadsheets save it.
#[test]
fn line_ends_and_byte_order_marks_do_not_matter() {
    let crlf = READINGS.replace('\n', "\r\n");
    let quoted = READINGS
        .lines()
        .map(|l| format!("\"{}\"\n", l.replace(',', "\",\"")))
        .collect::<String>();
    for (name, text) in [
        ("crlf", crlf.clone()),
        ("bom", format!("\u{feff}{READINGS}")),
        ("bom-crlf", format!("\u{feff}{crlf}")),
        ("no-last-end", READINGS.trim_end().to_owned()),
        ("blank-lines", READINGS.replace('\n', "\n\n")),
        ("quoted", quoted),
        (
            "bom-quoted",
            format!("\u{feff}\"measured_at\"{}", &READINGS[11..]),
        ),
    ] {
        let place = Place::with_store();
        place.write("readings.csv", text);
        let said = place.run(&["import", "readings", "readings.csv"]);
        assert_eq!(said.status, 0, "{name}: {}", said.err);
        assert!(said.out.starts_with("5 stored, "), "{name}: {}", said.out);
        place
            .run(&["replay", "--readings", "readings.csv"])
            .ends(0, &["5 readings replayed"]);
    }
}

#[test]
fn what_nobody_could_have_measured_is_refused_and_contradictions_are_named() {
    let place = Place::with_store();
    place.write(
        "odd.csv",
        "measured_at,sensor,temperature_c,humidity_pct,battery_pct\n\
         1970-01-01T00:05:00Z,north,9.8,81,\n\
         2200-01-01T00:00:00Z,north,9.8,81,\n\
         2025-12-01T00:00:00Z,north,9.8,81,\n\
         2025-12-01T00:00:00Z,north,9.9,81,\n",
    );
    let said = place.run(&["import", "readings", "odd.csv"]).ends(
        1,
        &[
            "odd.csv:2: is stamped before 2015 or ahead",
            "odd.csv:3: is stamped before 2015 or ahead",
            "odd.csv:5: sensor `north` said 9.8 C 81 % at 2025-12-01T00:00:00Z before; that is kept",
        ],
    );
    assert_eq!(
        said.out,
        "1 stored, 0 known already, 1 contradicting what was known, 2 refused\n"
    );
}

#[test]
fn what_claims_to_be_heard_in_the_future_does_not_hold_up_the_record() {
    let place = Place::with_store();
    let header = "measured_at,sensor,temperature_c,humidity_pct,battery_pct,received_at";
    place.write(
        "future.csv",
        format!("{header}\n2025-12-01T00:00:00Z,north,9.8,81,,2200-01-01T00:00:00Z\n"),
    );
    place
        .run(&["import", "readings", "future.csv"])
        .ends(1, &["future.csv:2: is stamped before 2015 or ahead"]);
}

#[test]
fn crates_come_in_once() {
    let place = Place::with_store();
    let list = project("demo-sensors/crates.csv");
    let import = ["import", "crates", list.to_str().unwrap()];
    let said = place.run(&import).ends(0, &[]);
    assert_eq!(said.out, "46 crates new, 0 changed, 0 as before\n");
    let said = place.run(&import).ends(0, &[]);
    assert_eq!(said.out, "0 crates new, 0 changed, 46 as before\n");
    // How tubers were prepared belongs to the crate; the same words in another order change nothing.
    let text = fs::read_to_string(&list).unwrap();
    for (was, is, want) in [
        ("washed; cured", "Cured,washed", "0 changed, 46"),
        ("washed; not cured", "washed; cured", "3 changed, 43"),
    ] {
        place.write("again.csv", text.replace(was, &format!("\"{is}\"")));
        let said = place.run(&["import", "crates", "again.csv"]).ends(0, &[]);
        assert_eq!(said.out, format!("0 crates new, {want} as before\n"));
    }
    place.write(
        "dipped.csv",
        "code,room,variety,form,count,prepared\nC-98,cellar,Brindolet,clump,12,dipped\n",
    );
    place.run(&["import", "crates", "dipped.csv"]).ends(
        1,
        &["dipped.csv:2: prepared: `dipped` is not a way of preparing tubers; write washed, brushed"],
    );
    place.write(
        "bad.csv",
        "code,room,variety,form,count\n,cellar,Brindolet,clump,dozen\nC-99,cellar,Brindolet,clump,12\n",
    );
    let said = place.run(&["import", "crates", "bad.csv"]).ends(
        1,
        &[
            "bad.csv:2: code: the cell is empty",
            "1 row could not be used",
        ],
    );
    assert_eq!(said.out, "1 crates new, 0 changed, 0 as before\n");
    place.write("worse.csv", "codes,rooms\nC-1,cellar\n");
    let said = place
        .run(&["import", "crates", "worse.csv"])
        .ends(1, &["worse.csv:1: ", "nothing was changed"]);
    assert_eq!(said.out, "");
}

// ---- what must never bring it down ----

#[test]
fn hostile_files_end_in_a_short_message() {
    let place = Place::with_store();
    // Bytes from a linear congruential generator: every value occurs, no pattern helps.
    let mut state = 0x2545_F491_4F6C_DD1D_u64;
    let junk: Vec<u8> = (0..300_000)
        .map(|_| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 56) as u8
        })
        .collect();
    let head = "measured_at,sensor,temperature_c,humidity_pct\n";
    let long = "x".repeat(10 * 1024 * 1024);
    let under = |tail: &[u8]| [head.as_bytes(), tail].concat();
    let utf16: Vec<u8> = READINGS.encode_utf16().flat_map(u16::to_le_bytes).collect();
    let files: Vec<(&str, Vec<u8>)> = vec![
        ("junk.csv", junk.clone()),
        ("junk-below.csv", under(&junk)),
        ("zeros.csv", vec![0; 100_000]),
        ("zeros-below.csv", under(&[0; 100_000])),
        ("long.csv", long.clone().into_bytes()),
        ("long-below.csv", under(long.as_bytes())),
        (
            "long-quote.csv",
            under(format!("2026-01-01T00:00:00Z,north,\"{}", "1\n".repeat(500_000)).as_bytes()),
        ),
        (
            "long-cell.csv",
            under(format!("{},north,1,2\n", "9".repeat(60_000)).as_bytes()),
        ),
        ("commas.csv", ",".repeat(1_000_000).into_bytes()),
        ("empty.csv", Vec::new()),
        ("newlines.csv", b"\n\r\n\n".to_vec()),
        ("header.csv", head.as_bytes().to_vec()),
        ("semicolons.csv", READINGS.replace(',', ";").into_bytes()),
        ("tabs.csv", READINGS.replace(',', "\t").into_bytes()),
        ("utf16.csv", [vec![0xff, 0xfe], utf16].concat()),
        ("escape.csv", under(b"\x1b[2J\x1b[31m,north,1,2\n")),
    ];
    for (name, bytes) in files {
        place.write(name, bytes);
        for verb in [
            &["import", "readings", name][..],
            &["import", "crates", name],
            &["replay", "--readings", name],
            &["air", "--batch", name],
        ] {
            let output = place.command(verb).output().unwrap();
            let said = Said::of(output);
            assert!(matches!(said.status, 0 | 1), "{verb:?}: {}", said.err);
            assert!(
                said.err.len() < 40_000,
                "{verb:?} says {} bytes",
                said.err.len()
            );
            assert!(
                said.status == 0 || said.err.contains("error: "),
                "{verb:?}: {}",
                said.err
            );
            if verb[1] != "crates" {
                assert!(!said.err.contains('\u{1b}'), "{verb:?} sends escapes on");
                // Nothing in them is a reading.
                let stored = !said.out.is_empty() && !said.out.starts_with("0 stored");
                assert!(!stored || verb[0] != "import", "{verb:?}: {}", said.out);
            }
        }
    }
    place
        .run(&["import", "readings", "semicolons.csv"])
        .ends(1, &["is divided by ';', not by ','"]);
    place
        .run(&["import", "readings", "utf16.csv"])
        .ends(1, &["not UTF-8; save the file as CSV in UTF-8"]);
    place
        .run(&["import", "readings", "empty.csv"])
        .ends(1, &["is empty; the first line must be `measured_at,"]);
    place
        .run(&["import", "readings", "long-below.csv"])
        .ends(1, &["long-below.csv:2: is longer than 65536 bytes"]);
    // A quotation mark that is never closed costs its own line and no other.
    place.write(
        "quote.csv",
        under(b"2026-01-01T00:00:00Z,\"north,1,50\n2026-01-01T00:05:00Z,north,1,50\n"),
    );
    let said = place
        .run(&["import", "readings", "quote.csv"])
        .ends(1, &["quote.csv:2: has a quotation mark"]);
    assert!(said.out.starts_with("1 stored"), "{}", said.out);
}

#[test]
fn a_folder_in_place_of_a_file_is_named() {
    let place = Place::with_store();
    fs::create_dir(place.path("folder.csv")).unwrap();
    for verb in [
        &["import", "readings", "folder.csv"][..],
        &["import", "crates", "folder.csv"],
        &["replay", "--readings", "folder.csv"],
        &["air", "--batch", "folder.csv"],
        &["check", "--config", "folder.csv"],
        &["init", "folder.csv"],
    ] {
        place.run(verb).ends(1, &["`folder.csv`"]);
    }
    place
        .run(&["import", "readings", "folder.csv"])
        .ends(1, &[]);
    place.write("readings.csv", READINGS);
    place
        .run(&["import", "readings", "readings.csv"])
        .ends(0, &[]);
    place
        .run(&["export", "readings", "folder.csv"])
        .ends(1, &["cannot write `folder.csv`"]);
}

/// As in `overwinter ... | head -1`, on either stream.
#[test]
fn a_reader_who_has_gone_is_no_fault() {
    let place = Place::with_store();
    place.write("readings.csv", READINGS);
    place
        .run(&["import", "readings", "readings.csv"])
        .ends(0, &[]);
    let closed = || {
        let (reader, writer) = std::io::pipe().unwrap();
        drop(reader);
        Stdio::from(writer)
    };
    for verb in [
        &["air", "50F", "80%"][..],
        &["air", "50F", "80%", "--format", "json"],
        &["air", "50F", "80%", "--format", "csv"],
        &["check"],
        &["token", "gateway-1"],
        &["init", "other.toml"],
        &["import", "readings", "readings.csv"],
        &["export", "readings"],
        &["replay", "--readings", "readings.csv"],
        &["replay", "--readings", "readings.csv", "--format", "jsonl"],
        &["--help"],
    ] {
        let out = place.command(verb).stdout(closed()).output().unwrap();
        let said = Said::of(out);
        assert_eq!(said.status, 0, "{verb:?}: {}", said.err);
        let _ = fs::remove_file(place.path("other.toml"));
        let err = place.command(verb).stderr(closed()).output().unwrap();
        assert_eq!(Said::of(err).status, 0, "{verb:?}");
    }
    let wrong = place
        .command(&["air", "50", "80%"])
        .stderr(closed())
        .output()
        .unwrap();
    assert_eq!(Said::of(wrong).status, 1);
}

/// A full disk is told, with status 2, where data were asked for.
#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_told() {
    let place = Place::with_store();
    place.write("readings.csv", READINGS);
    place
        .run(&["import", "readings", "readings.csv"])
        .ends(0, &[]);
    for verb in [
        &["air", "50F", "80%"][..],
        &["air", "50F", "80%", "--format", "json"],
        &["air", "50F", "80%", "--format", "csv"],
        &["token", "gateway-1"],
        &["export", "readings"],
    ] {
        let full = fs::OpenOptions::new()
            .write(true)
            .open("/dev/full")
            .unwrap();
        let output = place.command(verb).stdout(full).output().unwrap();
        let said = Said::of(output);
        assert_eq!(said.status, 2, "{verb:?}: {}", said.err);
        assert!(said.err.starts_with("error: "), "{verb:?}: {}", said.err);
    }
    place
        .run(&["export", "readings", "/dev/full"])
        .ends(2, &["error: "]);
}

// ---- a grower's own sheet, and the ledger ----

#[test]
fn a_sheet_of_ones_own_is_asked_about_looked_at_and_brought_in() {
    let place = Place::with_store();
    let sheet = "Kiste;Sorte;Menge;Regal\nK1;Brindolet;24;Nordwand\nK2;Quenbrisk;12 divs;Nordwand\n;Summe;36;\n";
    place.write("own.csv", sheet);
    let import = ["import", "crates", "own.csv"];
    let said = place.run(&import).ends(
        1,
        &[
            "column 2 `Sorte` (Brindolet, Quenbrisk, Summe): variety",
            "own.csv:1: room: the sheet does not name the room; write the room these crates stand in",
            "own.csv:1: form: the sheet does not say what was stored; choose clump, division or pot tuber",
            "`own.csv` leaves something open; nothing was changed",
            "answer with --map FIELD=COLUMN, --room, --form",
        ],
    );
    assert_eq!(said.out, "");
    let answers = [
        "--room",
        "cellar",
        "--form",
        "clump",
        "--map",
        "count=menge",
    ];
    let with = |more: &[&'static str]| [&import[..], &answers[..], more].concat();
    let said = place
        .run(&with(&["--look"]))
        .ends(0, &["own.csv:4: passed over"]);
    assert_eq!(
        said.out,
        "K1: new, 24 pieces\nK2: new, 12 pieces\nit would be 2 crates new, 0 changed, 0 as before; nothing was changed\n"
    );
    let said = place.run(&with(&[])).ends(0, &[]);
    assert_eq!(said.out, "2 crates new, 0 changed, 0 as before\n");
    place.write("own.csv", sheet.replace("24", "20"));
    let said = place
        .run(&with(&["--map", "place=", "--look"]))
        .ends(0, &[]);
    assert_eq!(
        said.out,
        "K1: 24 -> 20 pieces\nit would be 0 crates new, 1 changed, 1 as before; nothing was changed\n"
    );
    for (more, texts) in [
        (
            ["--map", "colour=Sorte"],
            [
                "`colour` is no field of a crate",
                "the fields are code, room",
            ],
        ),
        (
            ["--map", "note=Farbe"],
            ["the sheet has no column `Farbe`", "its columns are `Kiste`"],
        ),
        (
            ["--unit", "stone"],
            ["`--unit` cannot be read", "import crates --help"],
        ),
    ] {
        place.run(&with(&more)).ends(1, &texts);
    }
    place.write("own.csv", b"PK\0\x03".as_slice());
    place.run(&import).ends(
        1,
        &[
            "`own.csv`: the file is not plain text; nothing was changed",
            "save it as CSV",
        ],
    );
}

#[test]
fn the_stock_goes_out_and_comes_back() {
    let (place, other) = (Place::with_store(), Place::with_store());
    let list = project("demo-sensors/crates.csv");
    place
        .run(&["import", "crates", list.to_str().unwrap()])
        .ends(0, &[]);
    place.write(
        "few.csv",
        "code,room,variety,form,count\nC-01,cellar,Brindolet,clump,20\n",
    );
    place.run(&["import", "crates", "few.csv"]).ends(0, &[]);

    place
        .run(&["export", "ledger", "ledger.json"])
        .ends(0, &["47 entries written"]);
    let ledger = fs::read_to_string(place.path("ledger.json")).unwrap();
    other.write("ledger.json", ledger.clone());
    let import = ["import", "ledger", "ledger.json"];
    for want in [
        "47 entries new, 0 known already\n",
        "0 entries new, 47 known already\n",
    ] {
        assert_eq!(other.run(&import).ends(0, &[]).out, want);
    }
    for place in [&place, &other] {
        place
            .run(&["export", "crates", "out.csv"])
            .ends(0, &["46 crates written"]);
        assert_eq!(place.run(&["export", "ledger"]).ends(0, &[]).out, ledger);
    }
    let lists = [&place, &other].map(|place| fs::read_to_string(place.path("out.csv")).unwrap());
    assert_eq!(lists[0], lists[1]);
    let said = place.run(&["import", "crates", "out.csv"]).ends(0, &[]);
    assert_eq!(said.out, "0 crates new, 0 changed, 46 as before\n");
    place
        .run(&["export", "ledger", "out.csv"])
        .ends(1, &["`out.csv` is there already and stays as it is"]);

    other.write("ledger.json", ledger.replacen("crate list", "somebody", 1));
    other.run(&import).ends(
        1,
        &[
            "entry 1 is another one in this store; nothing was changed",
            "where there is none yet, or a beginning of the same",
        ],
    );
    other.write("ledger.json", &ledger[..ledger.len() / 2]);
    other
        .run(&import)
        .ends(1, &["no ledger, or not all of one"]);
}

// ---- winter and vouch ----

/// Three days of readings at the turn of the year and two crates, of which one lost two tubers.
fn with_winter() -> Place {
    let place = Place::with_store();
    let mut readings = String::from("measured_at,sensor,temperature_c,humidity_pct\n");
    for day in 1..=3 {
        for hour in 0..24 {
            for minute in (0..60).step_by(5) {
                let t = if day == 2 { 2.0 } else { 8.0 };
                for sensor in ["north", "south"] {
                    let at = format!("2025-12-{day:02}T{hour:02}:{minute:02}:00Z");
                    writeln!(readings, "{at},{sensor},{t},80").unwrap();
                }
            }
        }
    }
    place.write("readings.csv", readings);
    place
        .run(&["import", "readings", "readings.csv"])
        .ends(0, &[]);
    place
}

#[test]
fn a_winter_that_is_not_there_is_told_with_those_that_are() {
    let place = Place::with_store();
    place
        .run(&["winter"])
        .ends(1, &["there is no database", "\nhint: "]);
    assert!(!place.path("overwinter.db").exists());

    let place = with_winter();
    for (wrong, parts) in [
        (
            &["winter", "soon"][..],
            &["`soon` is no winter", "hint: one is written like 2026-27"][..],
        ),
        (
            &["winter", "2019-20"],
            &[
                "nothing is known of the winter 2019-20",
                "something is known of 2025-26",
            ],
        ),
        (
            &["winter", "--table", "dogs"],
            &["there is no table `dogs`", "days, hours, sensors"],
        ),
        (&["winter", "--format", "csv"], &["which table?", "days, "]),
        (
            &["winter", "--format", "json", "--table", "days"],
            &["a table is printed as CSV"],
        ),
        (
            &["winter", "--against", "2024-25", "--format", "json"],
            &["side by side are printed as text"],
        ),
        (
            &["winter", "--against", "2024-25"],
            &["nothing is known of the winter 2024-25"],
        ),
        (
            &["winter", "--from", "2025-12-03", "--to", "2025-12-01"],
            &["is after --to"],
        ),
        (
            &["winter", "2025-26", "--from", "2024-12-01"],
            &["is not in the winter 2025-26", "2025-07-01 to 2026-06-30"],
        ),
        (&["winter", "--from", "yesterday"], &["--from"]),
        (
            &["winter", "--into", "out", "--format", "json"],
            &["cannot be used with"],
        ),
        (&["winter", "--into", "."], &["has files in it and stays"]),
        (&["vouch"], &["required"]),
        (&["vouch", "nosuch.html"], &["cannot read `nosuch.html`"]),
        (
            &["vouch", "overwinter.toml"],
            &["`overwinter.toml` is no copy of a winter"],
        ),
        (
            &["vouch", "readings.csv", "--config", "nosuch.toml"],
            &["cannot read `nosuch.toml`"],
        ),
    ] {
        let said = place.run(wrong).ends(1, parts);
        assert_eq!(said.out, "", "{wrong:?}");
    }
}

#[test]
fn a_winter_is_printed_given_out_and_vouched_for() {
    let place = with_winter();
    let text = place.run(&["winter", "2025-26"]).ends(0, &[]);
    assert!(text.out.starts_with("2025-26, "), "{}", text.out);
    assert!(
        text.out.contains("\nThe cellar\n----------\n"),
        "{}",
        text.out
    );
    let widest = text.out.lines().map(|l| l.chars().count()).max();
    assert!(widest <= Some(110), "{widest:?}\n{}", text.out);
    let one_day = ["winter", "--from", "2025-12-02", "--to", "2025-12-02"];
    let days = [&one_day[..], &["--table", "days"]].concat();
    let days = place.run(&days).ends(0, &[]);
    let lines: Vec<&str> = days.out.split("\r\n").collect();
    assert_eq!(lines.len(), 3, "{}", days.out);
    assert!(
        lines[1].starts_with("cellar,2025-12-02,48,"),
        "{}",
        lines[1]
    );

    let json = place.run(&["winter", "--format", "json"]).ends(0, &[]);
    place.write("copy.json", &json.out);
    let said = place.run(&["vouch", "copy.json"]).ends(0, &[]);
    assert!(said.out.contains("copy.json: whole"), "{}", said.out);
    assert!(
        said.out.contains("The store at hand gave it out"),
        "{}",
        said.out
    );
    assert!(said.out.contains("it comes to the same"), "{}", said.out);
    place.write("changed.json", json.out.replace("\"cellar\"", "\"cellaR\""));
    let said = place.run(&["vouch", "changed.json"]).ends(
        1,
        &["changed.json: its data are not those it was made with"],
    );
    assert!(said.out.contains("changed.json: NOT WHOLE"), "{}", said.out);

    place
        .run(&["winter", "--into", "out"])
        .ends(0, &["overwinter vouch out"]);
    let sums = Command::new("sha256sum")
        .args(["--check", "--quiet", "SHA256SUMS"])
        .current_dir(place.path("out"))
        .status();
    // Where there is no such program, `vouch` alone looks through them.
    assert!(sums.is_err() || sums.unwrap().success());
    let said = place.run(&["vouch", "out"]).ends(0, &[]);
    assert!(
        said.out.contains("The page shows what its data say"),
        "{}",
        said.out
    );
    let whole = fs::read_to_string(place.path("out/readings.csv")).unwrap();
    assert!(whole.starts_with(EXPORT_HEADER), "{whole:.100}");
    assert_eq!(whole.lines().count(), 1 + 3 * 288 * 2);
    place
        .run(&["winter", "--into", "out"])
        .ends(1, &["has files in it"]);

    // A page that shows something else, a table with another figure, a file that is gone.
    let page = place.path("out/winter-2025-26.html");
    let shown = fs::read_to_string(&page).unwrap();
    fs::write(&page, shown.replace("within the band", "within the Band")).unwrap();
    fs::write(place.path("out/days.csv"), "room\r\n").unwrap();
    fs::remove_file(place.path("out/hours.csv")).unwrap();
    place.run(&["vouch", "out"]).ends(
        1,
        &[
            "the page was changed",
            "days.csv: was changed",
            "days.csv: it is not the table that its description names",
            "hours.csv: is missing",
        ],
    );
}
