//! `overwinter replay` over a measured winter: every dry spell it reports is counted a second time,
//! minute by minute, and told alike from run to run.

use std::{
    fmt::Write as _,
    fs,
    path::{Path, PathBuf},
    process::{Command, Output},
};

use chrono::{DateTime, Duration, NaiveDateTime, SecondsFormat, Utc};
use serde_json::Value;

/// Half-heated, unused room, Tampere, Finland; TRH-database, CC BY 4.0 (see `tests/data/ORIGIN.md`).
const WINTER: &str = "room_indoor_10min_2020-12_2021-05.csv";
/// How long one reading speaks in these tests: three intervals of ten minutes.
const HOLD_MIN: i64 = 30;

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data")
        .join(name)
}

// ---- the second count: a grid of minutes, in whole hundredths of a percent ----

/// One minute of the record that a reading speaks for.
struct Minute {
    at: DateTime<Utc>,
    hundredths: i64,
}

/// The measured series as (UTC, hundredths of a percent), read without the program's decoders.
fn series(text: &str) -> Vec<(DateTime<Utc>, i64)> {
    text.lines()
        .skip(1)
        .map(|line| {
            let [time, _, rh] = line.split(',').collect::<Vec<_>>()[..] else {
                panic!("three columns: {line}");
            };
            let local = NaiveDateTime::parse_from_str(time, "%Y-%m-%d %H:%M:%S").unwrap();
            let (whole, parts) = rh.split_once('.').unwrap();
            assert_eq!(parts.len(), 2, "{line}");
            let hundredths = whole.parse::<i64>().unwrap() * 100 + parts.parse::<i64>().unwrap();
            // The file's times are two hours ahead of UTC all year.
            ((local - Duration::hours(2)).and_utc(), hundredths)
        })
        .collect()
}

/// Sample and hold: each reading fills the minutes up to the next one, but no more than `HOLD_MIN`.
/// Minutes that no reading speaks for are left out, so the grid is shorter than the clock.
fn grid(series: &[(DateTime<Utc>, i64)]) -> Vec<Minute> {
    let mut grid = Vec::new();
    for (n, &(at, hundredths)) in series.iter().enumerate() {
        let speaks = match series.get(n + 1) {
            Some((next, _)) => (*next - at).num_minutes().min(HOLD_MIN),
            // The last reading is the end of the record; nothing passes after it.
            None => 0,
        };
        grid.extend((0..speaks).map(|m| Minute {
            at: at + Duration::minutes(m),
            hundredths,
        }));
    }
    grid
}

/// Every unbroken run of `true` as (first, length).
fn runs(flags: &[bool]) -> Vec<(usize, usize)> {
    let mut runs = Vec::new();
    let mut at = 0;
    for run in flags.chunk_by(|a, b| a == b) {
        if run[0] {
            runs.push((at, run.len()));
        }
        at += run.len();
    }
    runs
}

#[derive(Debug, Clone, PartialEq)]
struct Episode {
    since: String,
    raised_at: String,
    /// (until, told at, hours below the limit, lowest humidity).
    end: Option<(String, String, f64, f64)>,
}

struct Rule {
    limit_pct: i64,
    delay_min: usize,
    deadband_pct: i64,
    off_delay_min: usize,
}

impl Rule {
    fn new(limit_pct: i64, delay_min: usize, off_delay_min: usize) -> Self {
        Self {
            limit_pct,
            delay_min,
            deadband_pct: 2,
            off_delay_min,
        }
    }

    /// Dry spells by scanning runs of minutes below the limit and runs of minutes back inside.
    fn episodes(&self, series: &[(DateTime<Utc>, i64)]) -> Vec<Episode> {
        let grid = grid(series);
        let limit = self.limit_pct * 100;
        let back = limit + self.deadband_pct * 100;
        let dry: Vec<bool> = grid.iter().map(|m| m.hundredths < limit).collect();
        let moist: Vec<bool> = grid.iter().map(|m| back <= m.hundredths).collect();
        let (dry_runs, moist_runs) = (runs(&dry), runs(&moist));
        // The instant at which `minutes` of a run have passed.
        let after = |first: usize, minutes: usize| match minutes {
            0 => grid[first].at,
            n => grid[first + n - 1].at + Duration::minutes(1),
        };
        let next = |runs: &[(usize, usize)], from: usize, minutes: usize| {
            runs.iter()
                .find(|&&(first, length)| from <= first && minutes <= length)
                .map(|&(first, _)| first)
        };
        let text = |at: DateTime<Utc>| at.to_rfc3339_opts(SecondsFormat::Secs, true);

        let mut episodes = Vec::new();
        let mut from = 0;
        while let Some(start) = next(&dry_runs, from, self.delay_min) {
            let end = next(&moist_runs, start + self.delay_min, self.off_delay_min);
            episodes.push(Episode {
                since: text(grid[start].at),
                raised_at: text(after(start, self.delay_min)),
                end: end.map(|end| {
                    let below = dry[start..end].iter().filter(|&&d| d).count();
                    let lowest = grid[start..end].iter().map(|m| m.hundredths).min().unwrap();
                    (
                        text(grid[end].at),
                        text(after(end, self.off_delay_min)),
                        below as f64 / 60.0,
                        lowest as f64 / 100.0,
                    )
                }),
            });
            match end {
                Some(end) => from = end + self.off_delay_min,
                None => break,
            }
        }
        episodes
    }

    fn configuration(&self, file: &str, arrives: &str) -> String {
        format!(
            r#"[site]
units = "C"

[[room]]
name = "cellar"
[room.dry-out]
steps = [{{ beyond = "{}%", for = "{}min", priority = "low" }}]
deadband = "{}%"
off_delay = "{}min"

[[sensor]]
name = "north"
room = "cellar"
role = "air"
interval = "10min"
arrives = "{arrives}"

[[file]]
name = "logger"
path = "{file}"
sensor = "north"
columns = {{ measured_at = "t_UTC+2", temperature_c = "T", humidity_pct = "RH" }}
time_format = "%Y-%m-%d %H:%M:%S"
utc_offset = "+02:00"
"#,
            self.limit_pct, self.delay_min, self.deadband_pct, self.off_delay_min
        )
    }
}

// ---- what the program says ----

fn replay(folder: &Path, config: &str, readings: &Path, more: &[&str]) -> Output {
    let path = folder.join("overwinter.toml");
    fs::write(&path, config).unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_overwinter"))
        .args(["replay", "--config"])
        .arg(path)
        .arg("--readings")
        .arg(readings)
        .args(["--format", "jsonl"])
        .args(more)
        .current_dir(folder)
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    output
}

fn lines(output: &Output) -> Vec<Value> {
    std::str::from_utf8(&output.stdout)
        .unwrap()
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

fn word<'a>(value: &'a Value, field: &str) -> &'a str {
    value[field]
        .as_str()
        .unwrap_or_else(|| panic!("{field} in {value}"))
}

/// Pairs each raising with its return, and checks what must hold of every line on the way.
fn told(output: &Output, rule: &Rule) -> Vec<Episode> {
    let limit = rule.limit_pct as f64;
    let mut episodes: Vec<Episode> = Vec::new();
    let mut state = "normal".to_owned();
    for line in lines(output) {
        if word(&line, "kind") != "dry-out" {
            continue;
        }
        let figures = &line["figures"];
        assert_eq!(word(&line, "room"), "cellar");
        assert_eq!(word(&line, "subject"), "room cellar");
        assert_eq!(word(&line, "priority"), "low");
        assert_eq!(word(figures, "sensor"), "north");
        assert_eq!(figures["limit"].as_f64(), Some(limit), "{line}");
        assert_eq!(word(&line, "from"), state, "no change is left out: {line}");
        let before = std::mem::take(&mut state);
        word(&line, "to").clone_into(&mut state);
        // While its only sensor says nothing the alert is hidden behind that one's, and goes on.
        if state == "suppressed" || (before == "suppressed" && state == "unacknowledged") {
            continue;
        }
        let at = word(&line, "at").to_owned();
        let since = word(figures, "since").to_owned();
        let hours = figures["hours_beyond"].as_f64().unwrap();
        match state.as_str() {
            "unacknowledged" => {
                assert!(figures.get("until").is_none(), "{line}");
                let plain = at.replace(['-', ':'], "").replace('Z', "000Z");
                assert_eq!(
                    word(&line, "occurrence"),
                    format!("{plain} dry-out 1 room cellar")
                );
                assert!(figures["value"].as_f64().unwrap() < limit, "{line}");
                episodes.push(Episode {
                    since,
                    raised_at: at,
                    end: None,
                });
            }
            "returned-unacknowledged" => {
                let episode = episodes.last_mut().unwrap();
                assert_eq!(episode.since, since, "{line}");
                assert_eq!(episode.end, None, "{line}");
                let lowest = figures["worst"].as_f64().unwrap();
                episode.end = Some((word(figures, "until").to_owned(), at, hours, lowest));
            }
            other => panic!("nobody acknowledges in a replay: {other}"),
        }
    }
    episodes
}

/// Program and second count agree on every figure; gives the episodes both found.
fn agree(rule: &Rule, text: &str, name: &str, arrives: &str) -> Vec<Episode> {
    let folder = tempfile::tempdir().unwrap();
    let readings = folder.path().join(name);
    fs::write(&readings, text).unwrap();
    let output = replay(
        folder.path(),
        &rule.configuration(name, arrives),
        &readings,
        &[],
    );
    let told = told(&output, rule);
    let counted = rule.episodes(&series(text));
    assert_eq!(
        told.len(),
        counted.len(),
        "number of episodes below {} %: {told:#?}\n{counted:#?}",
        rule.limit_pct
    );
    for (told, counted) in told.iter().zip(&counted) {
        assert_eq!(
            (&told.since, &told.raised_at),
            (&counted.since, &counted.raised_at)
        );
        match (&told.end, &counted.end) {
            (None, None) => {}
            (Some((until, at, hours, worst)), Some((c_until, c_at, c_hours, c_worst))) => {
                assert_eq!((until, at), (c_until, c_at), "{told:?}");
                // The program prints thousandths of an hour.
                assert!((hours - c_hours).abs() < 0.0006, "{told:?} {counted:?}");
                assert!((worst - c_worst).abs() < 1e-9, "{told:?} {counted:?}");
            }
            _ => panic!("{told:?}\n{counted:?}"),
        }
    }
    told
}

fn winter() -> String {
    fs::read_to_string(data(WINTER)).unwrap()
}

/// The winter, then four rows of moist air: whatever stands at the end of the record is over.
fn closed_winter() -> String {
    let mut text = winter();
    if !text.ends_with('\n') {
        text.push('\n');
    }
    for minute in [5, 15, 25, 35] {
        writeln!(text, "2021-05-16 00:{minute:02}:00,10.00,80.00").unwrap();
    }
    text
}

fn hours_below(episodes: &[Episode]) -> f64 {
    let ends = episodes.iter().filter_map(|e| e.end.as_ref());
    ends.map(|(_, _, hours, _)| hours).sum()
}

// ---- the story ----

/// At 75 % the half-heated room is too dry from the first reading to the last: one alert, raised once,
/// that stands all winter.
#[test]
fn below_75_percent_the_winter_is_one_long_dry_spell() {
    let rule = Rule::new(75, 12 * 60, 30);
    let open = agree(&rule, &winter(), WINTER, "live");
    let expected = Episode {
        since: "2020-12-18T13:15:00Z".to_owned(),
        raised_at: "2020-12-19T01:15:00Z".to_owned(),
        end: None,
    };
    assert_eq!(open, [expected]);

    let closed = agree(&rule, &closed_winter(), WINTER, "live");
    let [
        Episode {
            end: Some((until, at, hours, _)),
            ..
        },
    ] = &closed[..]
    else {
        panic!("{closed:?}");
    };
    assert_eq!(until, "2021-05-15T22:05:00Z");
    assert_eq!(at, "2021-05-15T22:35:00Z");
    // 148 days, 8 hours and 50 minutes, less three moist readings around one midnight.
    assert!(
        (hours - (3560.0 + 50.0 / 60.0 - 0.5)).abs() < 0.0006,
        "{hours}"
    );
}

#[test]
fn below_40_percent_the_dry_spells_come_and_go() {
    let spells = agree(&Rule::new(40, 12 * 60, 30), &winter(), WINTER, "live");
    assert_eq!(spells.len(), 18);
    let longest = spells
        .iter()
        .filter_map(|e| e.end.as_ref())
        .map(|e| e.2)
        .fold(0.0, f64::max);
    assert!((1098.9..1099.1).contains(&longest), "{longest}");
    let total = hours_below(&spells);
    assert!((2063.9..2064.1).contains(&total), "{total}");
}

#[test]
fn below_30_percent_only_the_hard_frosts_count() {
    let spells = agree(&Rule::new(30, 12 * 60, 30), &winter(), WINTER, "live");
    assert_eq!(spells.len(), 6);
    assert_eq!(spells[0].since, "2021-01-13T11:45:00Z");
    let hours = spells[0].end.as_ref().unwrap().2;
    assert!((93.99..94.01).contains(&hours), "{hours}");
}

#[test]
fn without_delays_every_touch_of_the_limit_counts() {
    let mut numbers = Vec::new();
    for (limit, delay, off) in [
        (75, 0, 0),
        (75, 0, 30),
        (40, 0, 0),
        (40, 0, 30),
        (40, 60, 30),
        (40, 7, 3),
        (30, 0, 0),
        (30, 0, 30),
        (30, 60, 30),
        (30, 25, 45),
    ] {
        let rule = Rule::new(limit, delay, off);
        numbers.push(agree(&rule, &winter(), WINTER, "live").len());
    }
    assert_eq!(numbers, [1, 1, 41, 35, 31, 41, 18, 15, 12, 11]);

    // Without a deadband either, a value that hovers on the limit raises again and again.
    let rule = Rule {
        deadband_pct: 0,
        ..Rule::new(40, 0, 0)
    };
    let spells = agree(&rule, &winter(), WINTER, "live").len();
    assert!(100 < spells, "{spells}");
}

/// What nobody measured is neither counted as dry nor ends a dry spell.
#[test]
fn gaps_in_the_record_stop_the_count() {
    let whole = winter();
    let mut text = String::new();
    let mut left_out = 0;
    for (n, line) in whole.lines().enumerate() {
        // From every eight days or so, five hours are missing, and now and then single rows.
        let missing = 0 < n && (n % 1151 < 30 || n % 97 == 5);
        left_out += usize::from(missing);
        if !missing {
            text.push_str(line);
            text.push('\n');
        }
    }
    assert!(700 < left_out, "{left_out}");
    for arrives in ["batches", "live"] {
        for (limit, delay, off) in [(75, 720, 30), (40, 720, 30), (40, 0, 0), (30, 35, 90)] {
            let rule = Rule::new(limit, delay, off);
            let spells = agree(&rule, &text, "gaps.csv", arrives);
            let unbroken = rule.episodes(&series(&whole));
            assert!(
                hours_below(&spells) <= hours_below(&unbroken) + 24.0,
                "{limit} %"
            );
        }
    }
}

// ---- the form ----

/// Keys of an object in the order in which they were written.
struct Keys(Vec<String>);

impl<'de> serde::Deserialize<'de> for Keys {
    fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct Visitor;
        impl<'de> serde::de::Visitor<'de> for Visitor {
            type Value = Keys;
            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("an object")
            }
            fn visit_map<A: serde::de::MapAccess<'de>>(self, mut map: A) -> Result<Keys, A::Error> {
                let mut keys = Vec::new();
                while let Some((key, _)) = map.next_entry::<String, serde::de::IgnoredAny>()? {
                    keys.push(key);
                }
                Ok(Keys(keys))
            }
        }
        from.deserialize_map(Visitor)
    }
}

#[test]
fn two_runs_print_the_same_bytes_with_fields_and_times_in_order() {
    let folder = tempfile::tempdir().unwrap();
    let config = Rule::new(40, 0, 0).configuration(WINTER, "live");
    let first = replay(folder.path(), &config, &data(WINTER), &[]);
    let second = replay(folder.path(), &config, &data(WINTER), &[]);
    assert_eq!(first.stdout, second.stdout);
    assert_eq!(first.stderr, second.stderr);
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "no files");

    let text = String::from_utf8(first.stdout).unwrap();
    assert!(text.ends_with('\n'));
    let figures = [
        "sensor",
        "since",
        "until",
        "hours_beyond",
        "value",
        "limit",
        "worst",
        "temperature_c",
        "humidity_pct",
        "dew_point_c",
        "measure",
        "low",
        "high",
        "by",
        "record",
        "crates",
    ];
    let mut kinds = std::collections::BTreeSet::new();
    let mut last = String::new();
    for line in text.lines() {
        let Keys(keys) = serde_json::from_str(line).unwrap();
        assert_eq!(
            keys,
            [
                "at",
                "room",
                "subject",
                "kind",
                "priority",
                "from",
                "to",
                "occurrence",
                "figures"
            ],
            "{line}"
        );
        let value: Value = serde_json::from_str(line).unwrap();
        let (_, inner) = line.split_once("\"figures\":").unwrap();
        let Keys(inner) = serde_json::from_str(inner.strip_suffix('}').unwrap()).unwrap();
        let mut expected = figures.iter();
        assert!(inner.iter().all(|k| expected.any(|f| f == k)), "{inner:?}");
        let at = word(&value, "at").to_owned();
        assert!(DateTime::parse_from_rfc3339(&at).is_ok(), "{at}");
        assert!(at.ends_with('Z'), "{at}");
        assert!(last <= at, "{last} then {at}");
        last = at;
        kinds.insert(word(&value, "kind").to_owned());
    }
    // The room was also warm now and then; all kinds are told in one sequence.
    assert!(
        kinds.contains("dry-out") && kinds.contains("warm"),
        "{kinds:?}"
    );
    let summary = String::from_utf8(first.stderr).unwrap();
    assert!(
        summary.starts_with("21365 readings replayed, ")
            && summary.ends_with(" 0 rows passed over\n"),
        "{summary}"
    );
}

/// A mapping goes with the file's name, or with `--source` where the file has another one.
#[test]
fn a_mapping_is_found_by_file_name_or_by_source() {
    let folder = tempfile::tempdir().unwrap();
    let rule = Rule::new(40, 12 * 60, 30);
    let by_name = replay(
        folder.path(),
        &rule.configuration(WINTER, "live"),
        &data(WINTER),
        &[],
    );
    let elsewhere = rule.configuration("logger.csv", "live");
    let by_source = replay(
        folder.path(),
        &elsewhere,
        &data(WINTER),
        &["--source", "logger"],
    );
    assert_eq!(by_name.stdout, by_source.stdout);

    let run = |more: &[&str]| {
        let output = Command::new(env!("CARGO_BIN_EXE_overwinter"))
            .args(["replay", "--readings"])
            .arg(data(WINTER))
            .args(more)
            .current_dir(folder.path())
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(1));
        assert!(output.stdout.is_empty());
        String::from_utf8(output.stderr).unwrap()
    };
    let unmapped = run(&[]);
    assert!(
        unmapped.contains("the header `t_UTC+2,T,RH` has neither temperature_c")
            && unmapped.contains("\nhint: `--source NAME`"),
        "{unmapped}"
    );
    let unknown = run(&["--source", "nosuch"]);
    assert!(
        unknown.contains("there is no [[file]] named `nosuch`")
            && unknown.contains("the configuration has: logger"),
        "{unknown}"
    );
}

#[test]
fn crates_beside_the_readings_are_named_when_they_dry() {
    let folder = tempfile::tempdir().unwrap();
    let list = folder.path().join("crates.csv");
    fs::write(
        &list,
        "code,room,variety,form,packing,count\n\
         A-1,cellar,Invented,clump,bare,20\nA-2,cellar,Invented,clump,plastic wrap,20\n",
    )
    .unwrap();
    let config = Rule::new(40, 60, 30).configuration(WINTER, "batches");
    let crates = ["--crates", list.to_str().unwrap()];
    let output = replay(folder.path(), &config, &data(WINTER), &crates);
    let shrink: Vec<Value> = lines(&output)
        .into_iter()
        .filter(|l| word(l, "kind") == "shrink")
        .collect();
    // Far too dry all winter: what is wrapped is spared, what is bare is not.
    let last = &shrink.last().expect("drying is told")["figures"]["crates"];
    assert_eq!(last, &serde_json::json!(["A-1"]), "{shrink:?}");
}
