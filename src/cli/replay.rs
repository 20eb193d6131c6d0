//! `replay`: which alerts recorded readings would have raised, without a database.

use std::{
    fs::File,
    io::{BufReader, Write as _, stdout},
    path::{Path, PathBuf},
};

use clap::{Args, ValueEnum};
use serde::Serialize;

use super::{Failure, NAMED, Outcome, configuration};
use crate::{
    config::Config,
    engine::replay::Replay,
    intake::{
        decode::table::{Rows, TableShape},
        file_tail::Format as FileFormat,
    },
    notify::{
        message::Message,
        words::{Manner, span_exact},
    },
    watch::{Figures, Heard, Kind, Occurrence, Priority, Stamp, State, Subject, Transition},
};

/// What to replay and how to print it.
#[derive(Args)]
pub struct Options {
    /// The configuration with rooms, limits and sensors
    #[arg(long, short, value_name = "FILE", default_value = "overwinter.toml")]
    config: PathBuf,
    /// Files of readings: the interchange CSV, or one that a [[file]] of the configuration maps
    #[arg(long, value_name = "FILE", required = true, num_args = 1..)]
    readings: Vec<PathBuf>,
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
    /// One JSON object to a change
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

/// `overwinter replay`.
pub fn replay(options: &Options) -> Outcome {
    let config = configuration(&options.config)?;
    let mut tracks = options
        .readings
        .iter()
        .map(|path| Track::open(path, &shape_for(&config, path, options.source.as_deref())?))
        .collect::<Result<Vec<_>, Failure>>()?;
    let mut replay = Replay::new(config.watch.clone());
    let manner = Manner {
        zone: config.zone,
        unit: config.unit,
    };
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
                    for transition in &told {
                        raised += u64::from(transition.raises());
                        print(&mut out, transition, options.format, manner)?;
                    }
                }
                Err(refused) => track.refuse(refused.line, &refused.reason),
            }
        }
        track.advance()?;
    }
    out.flush()?;
    let refused: u64 = tracks.iter().map(|t| t.refused).sum();
    tell!("{readings} readings replayed, {raised} alerts raised, {refused} rows passed over");
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
            let what = if t.to == State::ReturnedUnacknowledged || t.to == State::Normal {
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
