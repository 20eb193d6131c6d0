//! `replay`: which alerts a record would have raised with these limits, and how many messages on which
//! day; over files of readings, or over what the recorder has stored.

use std::{
    collections::BTreeMap,
    fs::File,
    io::{BufReader, Write as _, stdout},
    path::{Path, PathBuf},
};

use anyhow::Context as _;
use chrono::{NaiveDate, NaiveTime};
use clap::{Args, ValueEnum};
use serde::Serialize;

use super::{Failure, NAMED, Outcome, configuration, data::crate_list, run::runtime};
use crate::{
    config::Config,
    engine::{
        backtest::{self, Backtest, DayCount},
        crates::facts,
        replay::Replay,
    },
    intake::{
        decode::table::{Rows, TableShape},
        file_tail::Format as FileFormat,
    },
    notify::{
        message::Message,
        telling::moment,
        words::{Manner, span_exact},
    },
    store::Store,
    watch::{Figures, Heard, Kind, Occurrence, Priority, Stamp, State, Subject, Transition},
};

/// What to replay and how to print it.
#[derive(Args)]
pub struct Options {
    /// The configuration with rooms, limits and sensors
    #[arg(long, short, value_name = "FILE", default_value = "overwinter.toml")]
    config: PathBuf,
    /// Files of readings: the interchange CSV, or one that a [[file]] of the configuration maps;
    /// without them what is stored is looked through
    #[arg(long, value_name = "FILE", num_args = 1..)]
    readings: Vec<PathBuf>,
    /// A crate list beside the readings, so that what the air does to the crates is told as well
    #[arg(long, value_name = "FILE", requires = "readings")]
    crates: Option<PathBuf>,
    /// The database to look through, when it is not the one of the configuration
    #[arg(long, value_name = "FILE", conflicts_with = "readings")]
    database: Option<PathBuf>,
    /// Begin on this day, such as 2026-12-01
    #[arg(long, value_name = "DAY")]
    since: Option<NaiveDate>,
    /// After the alerts, alerts and messages of each day (always so without --readings)
    #[arg(long)]
    daily: bool,
    /// The [[file]] whose mapping of columns holds, when it has another path
    #[arg(long, value_name = "NAME")]
    source: Option<String>,
    /// How to print it
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// A line to a change, for people
    Text,
    /// One JSON object to a change, and then to a day
    Jsonl,
}

/// One change, in the order in which its fields are printed.
#[derive(Serialize)]
struct Line<'a> {
    at: String,
    room: &'a str,
    subject: &'a Subject,
    kind: Kind,
    priority: Priority,
    from: State,
    to: State,
    occurrence: &'a Occurrence,
    figures: &'a Figures,
}

/// How a file of readings is laid out: as the named source, as the source with the same file name, or
/// as the interchange file.
pub fn shape_for(
    config: &Config,
    path: &Path,
    source: Option<&str>,
) -> Result<TableShape, Failure> {
    let by_name = |wanted: &str| config.files.iter().find(|f| f.source.as_str() == wanted);
    let found = match source {
        Some(wanted) => Some(by_name(wanted).ok_or_else(|| {
            let known: Vec<_> = config.files.iter().map(|f| f.source.to_string()).collect();
            Failure::input(
                format!("there is no [[file]] named `{wanted}`"),
                format!("the configuration has: {}", known.join(", ")),
            )
        })?),
        None => config
            .files
            .iter()
            .find(|f| f.path.file_name() == path.file_name()),
    };
    match found.map(|f| &f.format) {
        Some(FileFormat::Csv(shape)) => Ok((**shape).clone()),
        Some(FileFormat::JsonLines { .. }) => Err(Failure::input(
            format!("`{}` is laid out as JSON lines", path.display()),
            "readings of the past are taken from CSV",
        )),
        None => Ok(TableShape::default()),
    }
}

/// One file, read row by row.
struct Track<'a> {
    name: &'a Path,
    rows: Rows<BufReader<File>>,
    next: Option<Heard>,
    refused: u64,
}

impl<'a> Track<'a> {
    fn open(path: &'a Path, shape: &TableShape) -> Result<Self, Failure> {
        let name = path.display();
        let file = File::open(path)
            .map_err(|e| Failure::input(format!("cannot read `{name}`: {e}"), ""))?;
        let rows = Rows::new(shape, BufReader::with_capacity(1 << 16, file)).map_err(|e| {
            Failure::input(
                format!("`{name}`: {e}"),
                "`--source NAME` takes the mapping of a [[file]] in the configuration",
            )
        })?;
        let mut track = Self {
            name: path,
            rows,
            next: None,
            refused: 0,
        };
        track.advance()?;
        Ok(track)
    }

    /// Goes to the next row that is understood; the others are told and counted.
    fn advance(&mut self) -> Outcome {
        loop {
            let row = self
                .rows
                .next_row()
                .map_err(|e| Failure::input(format!("`{}`: {e}", self.name.display()), ""))?;
            let (line, why) = match row {
                None => {
                    self.next = None;
                    return Ok(());
                }
                Some((_, _, Ok(heard))) => {
                    self.next = Some(heard);
                    return Ok(());
                }
                Some((line, _, Err(why))) => (line, why),
            };
            self.refuse(line, &why);
        }
    }

    fn refuse(&mut self, line: u64, why: &str) {
        self.refused += 1;
        if self.refused <= NAMED as u64 {
            tell!("{}:{line}: {why}; passed over", self.name.display());
        }
    }

    fn time(&self) -> Option<Stamp> {
        let heard = self.next.as_ref()?;
        heard.received_at.or(heard.device_at)
    }
}

/// One day of what would have come to pass, beside what really did.
#[derive(Serialize)]
struct Day {
    day: NaiveDate,
    #[serde(flatten)]
    would: DayCount,
    /// Messages that were really owed; absent where there is no record of them.
    #[serde(skip_serializing_if = "Option::is_none")]
    sent: Option<u32>,
    /// Messages more (or fewer) than really were.
    #[serde(skip_serializing_if = "Option::is_none")]
    difference: Option<i64>,
}

/// `overwinter replay`.
pub fn replay(options: &Options) -> Outcome {
    let config = configuration(&options.config)?;
    let zone = config.zone;
    let since = options
        .since
        .map_or(Stamp(i64::MIN), |day| moment(zone, day, NaiveTime::MIN));
    if options.readings.is_empty() {
        recorded(options, &config, since)
    } else {
        files(options, &config, since)
    }
}

fn recorded(options: &Options, config: &Config, since: Stamp) -> Outcome {
    let path = options.database.as_ref().unwrap_or(&config.database);
    if !path.is_file() {
        return Err(Failure::input(
            format!("there is no database `{}`", path.display()),
            "name one with --database, or files with --readings",
        ));
    }
    let (backtest, sent) = runtime()?.block_on(async {
        let store = Store::open(path)
            .await
            .with_context(|| format!("cannot open `{}`", path.display()))?;
        let backtest = backtest::recorded(&store, config.watch.clone(), &config.telling).await?;
        let sent = backtest::sent(&store, &config.telling, since).await?;
        store.close().await;
        Ok::<_, anyhow::Error>((backtest, sent))
    })?;
    let mut out = std::io::BufWriter::new(stdout().lock());
    let told = backtest.told.iter().filter(|t| since <= t.at);
    for transition in told {
        print(&mut out, transition, options.format, manner(config))?;
    }
    daily(&mut out, options, &backtest, Some(&sent), since)?;
    out.flush()?;
    if backtest.judge().now() == Stamp::default() {
        return Err(Failure::input(
            format!("nothing is stored in `{}` yet", path.display()),
            "",
        ));
    }
    Ok(())
}

fn manner(config: &Config) -> Manner {
    Manner {
        zone: config.zone,
        unit: config.unit,
    }
}

/// Alerts and messages of each day, and in one line of all.
fn daily(
    out: &mut impl std::io::Write,
    options: &Options,
    backtest: &Backtest,
    sent: Option<&BTreeMap<NaiveDate, DayCount>>,
    since: Stamp,
) -> Outcome {
    let would = backtest.days(since);
    // Days before anything was ever sent have nothing to be compared with.
    let first_sent = sent.and_then(|s| s.keys().next().copied());
    let mut days: Vec<NaiveDate> = would.keys().copied().collect();
    days.extend(sent.into_iter().flat_map(|s| s.keys().copied()));
    days.sort_unstable();
    days.dedup();
    let rows: Vec<Day> = days
        .into_iter()
        .map(|day| {
            let would = would.get(&day).copied().unwrap_or_default();
            let sent = sent
                .filter(|_| first_sent.is_some_and(|first| first <= day))
                .map(|s| s.get(&day).map_or(0, |c| c.messages));
            Day {
                day,
                would,
                sent,
                difference: sent.map(|sent| i64::from(would.messages) - i64::from(sent)),
            }
        })
        .collect();
    if options.format == Format::Jsonl {
        for row in &rows {
            serde_json::to_writer(&mut *out, row)?;
            writeln!(out)?;
        }
        return Ok(());
    }
    let told = |row: &&Day| {
        row.would.raised + row.would.messages + row.would.reminders != 0
            || row.sent.is_some_and(|sent| 0 < sent)
    };
    writeln!(
        out,
        "\n{:<12}{:>8}{:>10}{:>11}{:>8}{:>12}",
        "day", "alerts", "messages", "reminders", "sent", "difference"
    )?;
    for row in rows.iter().filter(told) {
        let sent = row.sent.map_or_else(|| "-".to_owned(), |n| n.to_string());
        let difference = row
            .difference
            .map_or_else(|| "-".to_owned(), |n| format!("{n:+}"));
        writeln!(
            out,
            "{:<12}{:>8}{:>10}{:>11}{sent:>8}{difference:>12}",
            row.day.to_string(),
            row.would.raised,
            row.would.messages,
            row.would.reminders,
        )?;
    }
    let sum = |of: fn(&DayCount) -> u32| rows.iter().map(|r| of(&r.would)).sum::<u32>();
    let sent: Vec<u32> = rows.iter().filter_map(|r| r.sent).collect();
    writeln!(
        out,
        "{:<12}{:>8}{:>10}{:>11}{:>8}",
        "together",
        sum(|c| c.raised),
        sum(|c| c.messages),
        sum(|c| c.reminders),
        if sent.is_empty() {
            "-".to_owned()
        } else {
            sent.iter().sum::<u32>().to_string()
        },
    )?;
    writeln!(
        out,
        "Beside these a morning summary a day ({}). Days without anything are left out.",
        sum(|c| c.summaries)
    )?;
    Ok(())
}

fn files(options: &Options, config: &Config, since: Stamp) -> Outcome {
    let mut tracks = options
        .readings
        .iter()
        .map(|path| Track::open(path, &shape_for(config, path, options.source.as_deref())?))
        .collect::<Result<Vec<_>, Failure>>()?;
    let mut replay = Replay::new(config.watch.clone(), &config.telling);
    if let Some(path) = &options.crates {
        let parsed = crate_list(path)?;
        replay = replay.listing(parsed.crates.iter().map(facts).collect());
    }
    let mut out = std::io::BufWriter::new(stdout().lock());
    let (mut readings, mut raised) = (0u64, 0u64);
    // Of several files the one whose next reading was received first goes first; rows of one file
    // keep their order.
    while let Some(track) = tracks
        .iter_mut()
        .filter(|t| t.next.is_some())
        .min_by_key(|t| t.time())
    {
        if let Some(heard) = track.next.take() {
            match replay.feed(&heard) {
                Ok(told) => {
                    readings += 1;
                    for transition in told.iter().filter(|t| since <= t.at) {
                        raised += u64::from(transition.raises());
                        print(&mut out, transition, options.format, manner(config))?;
                    }
                }
                Err(refused) => track.refuse(refused.line, &refused.reason),
            }
        }
        track.advance()?;
    }
    if options.daily {
        daily(&mut out, options, replay.backtest(), None, since)?;
    }
    out.flush()?;
    let refused: u64 = tracks.iter().map(|t| t.refused).sum();
    let s = |n| if n == 1 { "" } else { "s" };
    tell!(
        "{readings} reading{} replayed, {raised} alert{} raised, {refused} row{} passed over",
        s(readings),
        s(raised),
        s(refused)
    );
    if readings == 0 {
        return Err(Failure::input(
            "no reading could be used",
            "see the lines above",
        ));
    }
    if 0 < refused {
        return Err(Failure::input(
            format!("{refused} rows were passed over, {readings} replayed"),
            "see the lines above",
        ));
    }
    Ok(())
}

fn print(out: &mut impl std::io::Write, t: &Transition, format: Format, manner: Manner) -> Outcome {
    match format {
        Format::Jsonl => {
            let line = Line {
                at: t.at.to_rfc3339(),
                room: &t.room,
                subject: &t.subject,
                kind: t.kind,
                priority: t.priority,
                from: t.from,
                to: t.to,
                occurrence: &t.occurrence,
                figures: &t.figures,
            };
            serde_json::to_writer(&mut *out, &line)?;
            writeln!(out)?;
        }
        Format::Text => {
            let since = chrono::DateTime::parse_from_rfc3339(&t.figures.since)
                .map_or(t.at, |s| s.to_utc().into());
            let words = Message::of(&t.occurrence, &t.room, &t.figures, since, t.at, manner);
            let what = if t.to.is_masked() {
                format!(
                    "{}, and goes on being judged",
                    t.to.as_str().replace('-', " ")
                )
            } else if !t.active {
                format!(
                    "over, lasted {}",
                    span_exact(t.at.since(t.occurrence.raised_at))
                )
            } else {
                words.figures
            };
            let line = format!(
                "{:<17} {:<6} {}: {what}",
                manner
                    .iso(t.at)
                    .get(..16)
                    .unwrap_or_default()
                    .replace('T', " "),
                t.priority.as_str(),
                words.headline,
            );
            writeln!(out, "{}", line.replace('\u{a0}', " "))?;
        }
    }
    Ok(())
}
