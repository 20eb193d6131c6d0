//! `import` and `export`: readings of the past, crate lists, and the way out again.

use std::{
    fs::{self, File},
    io::{BufReader, BufWriter, ErrorKind, Write, stdout},
    path::{Path, PathBuf},
};

use anyhow::Context as _;
use clap::Subcommand;

use super::{
    Failure, NAMED, Outcome, configuration, lock,
    replay::shape_for,
    run::runtime,
    stock::{self, SheetOptions},
};
use crate::{
    clock::Clock,
    config::Config,
    engine::{Engine, Opening},
    inbox::{BATCH_READINGS, Batch, Message, Receipt},
    intake::decode::table::{HEADER, Rows},
    stock::list,
    store::Store,
    watch::{
        Correction, Heard, Input, Reading, SensorName, Stamp, correction,
        reading::{AHEAD_MS, Refused, clock_is_wrong},
    },
};

/// Batches that share a transaction.
const BATCHES_TOGETHER: usize = 5;

/// What to bring in.
#[derive(Subcommand)]
pub enum Import {
    /// Readings of the past from CSV; readings that are known already are passed over
    Readings {
        /// The file
        file: PathBuf,
        /// The configuration
        #[arg(long, short, value_name = "FILE", default_value = "overwinter.toml")]
        config: PathBuf,
        /// The [[file]] whose mapping of columns holds, when it has another path
        #[arg(long, value_name = "NAME")]
        source: Option<String>,
    },
    /// A list of crates: code,room,place,variety,form,packing,count,dug,weight,note,prepared; or a sheet
    /// of your own, of which the columns are guessed
    Crates {
        /// The file
        file: PathBuf,
        /// The configuration
        #[arg(long, short, value_name = "FILE", default_value = "overwinter.toml")]
        config: PathBuf,
        /// What a sheet does not say by itself
        #[command(flatten)]
        sheet: SheetOptions,
    },
    /// A whole ledger of the stock, as `export ledger` writes it, where there is none yet or a beginning
    /// of the same
    Ledger {
        /// The file
        file: PathBuf,
        /// The configuration
        #[arg(long, short, value_name = "FILE", default_value = "overwinter.toml")]
        config: PathBuf,
    },
}

/// What to write out.
#[derive(Subcommand)]
pub enum Export {
    /// Every reading in the order of arrival, as `import readings` takes it back
    Readings {
        /// Where to; standard output when left out
        file: Option<PathBuf>,
        /// The configuration
        #[arg(long, short, value_name = "FILE", default_value = "overwinter.toml")]
        config: PathBuf,
    },
    /// The crates as they stand, as `import crates` takes them back
    Crates {
        /// Where to; standard output when left out
        file: Option<PathBuf>,
        /// The configuration
        #[arg(long, short, value_name = "FILE", default_value = "overwinter.toml")]
        config: PathBuf,
    },
    /// Every entry of the stock's ledger as JSON, as `import ledger` takes them back
    Ledger {
        /// Where to; standard output when left out
        file: Option<PathBuf>,
        /// The configuration
        #[arg(long, short, value_name = "FILE", default_value = "overwinter.toml")]
        config: PathBuf,
    },
}

/// `overwinter import`.
pub fn import(what: &Import) -> Outcome {
    match what {
        Import::Readings {
            file,
            config,
            source,
        } => readings(file, config, source.as_deref()),
        Import::Crates {
            file,
            config,
            sheet,
        } => stock::crates(file, config, sheet),
        Import::Ledger { file, config } => stock::ledger(file, config),
    }
}

fn readings(path: &Path, config: &Path, source: Option<&str>) -> Outcome {
    let config = configuration(config)?;
    let shape = shape_for(&config, path, source)?;
    let name = path.display();
    let file =
        File::open(path).map_err(|e| Failure::input(format!("cannot read `{name}`: {e}"), ""))?;
    let rows = Rows::new(&shape, BufReader::with_capacity(1 << 16, file)).map_err(|e| {
        Failure::input(
            format!("`{name}`: {e}"),
            "`--source NAME` takes the mapping of a [[file]] in the configuration",
        )
    })?;
    let _lock = lock(&config.database)?;
    let total = runtime()?.block_on(async {
        let mut engine = Engine::open(
            &config.database,
            config.watch.clone(),
            Clock::machine(),
            Opening::Import,
        )
        .await
        .with_context(|| format!("cannot open `{}`", config.database.display()))?;
        let total = bring_in(&mut engine, rows, path).await?;
        engine.close().await;
        Ok::<_, Failure>(total)
    })?;
    say!(
        "{} stored, {} known already, {} contradicting what was known, {} refused",
        total.stored,
        total.duplicate,
        total.conflict,
        total.refused.len()
    );
    for conflict in total.conflicts.iter().take(NAMED) {
        tell!("{name}:{}: {}", conflict.line, conflict.reason);
    }
    for refused in total.refused.iter().take(NAMED) {
        tell!("{name}:{}: {}", refused.line, refused.reason);
    }
    if total.refused.is_empty() {
        return Ok(());
    }
    Err(Failure::input(
        format!(
            "{} could not be used; all others are stored",
            count(total.refused.len())
        ),
        "mend these rows and import the file again: what is known is passed over",
    ))
}

pub(super) fn count(rows: usize) -> String {
    format!("{rows} {}", if rows == 1 { "row" } else { "rows" })
}

/// Stores the rows of a file in large transactions.
pub async fn bring_in<R: std::io::BufRead>(
    engine: &mut Engine,
    mut rows: Rows<R>,
    path: &Path,
) -> Result<Receipt, Failure> {
    let source = SensorName::new("import").expect("a plain word");
    let now = Clock::machine().now();
    let mut total = Receipt::default();
    let mut more = true;
    while more {
        let mut messages = Vec::with_capacity(BATCHES_TOGETHER);
        while more && messages.len() < BATCHES_TOGETHER {
            let mut batch = Batch {
                source: source.clone(),
                heard: Vec::with_capacity(BATCH_READINGS),
                refused: Vec::new(),
                position: None,
            };
            while batch.heard.len() + batch.refused.len() < BATCH_READINGS {
                let row = rows
                    .next_row()
                    .map_err(|e| Failure::input(format!("`{}`: {e}", path.display()), ""))?;
                match row {
                    None => {
                        more = false;
                        break;
                    }
                    Some((line, _, Ok(heard))) if heard.device_at.is_none() => {
                        let why = "has no measured_at; a reading of the past needs one";
                        batch
                            .refused
                            .push(Refused::new(line, heard.sensor.as_str(), why));
                    }
                    Some((line, _, Ok(heard))) if impossible(&heard, now) => {
                        let why = "is stamped before 2015 or ahead of this computer's clock; correct measured_at and received_at";
                        batch
                            .refused
                            .push(Refused::new(line, heard.sensor.as_str(), why));
                    }
                    Some((_, _, Ok(heard))) => batch.heard.push(heard),
                    Some((line, text, Err(why))) => {
                        batch.refused.push(Refused::new(line, &text, why));
                    }
                }
            }
            messages.push(Message::Readings(batch));
        }
        // Readings are counted one by one; only what people ask can be refused whole.
        for receipt in engine.commit(messages).await?.into_iter().flatten() {
            total.add(receipt);
        }
    }
    Ok(total)
}

/// Nobody could have measured or heard it then; a file does not even know when it was heard. What
/// is heard in the future would hold up everything that arrives until then.
fn impossible(heard: &Heard, now: Stamp) -> bool {
    let received = heard.received_at.unwrap_or(now);
    if AHEAD_MS < received.since(now) {
        return true;
    }
    heard
        .device_at
        .is_some_and(|at| clock_is_wrong(at, received))
}

/// A crate list, with its faults told; one from which nothing can be used is refused.
pub fn crate_list(path: &Path) -> Result<list::Parsed, Failure> {
    let name = path.display();
    let text = fs::read_to_string(path).map_err(|e| {
        let hint = match e.kind() {
            ErrorKind::InvalidData => "save the list as CSV in UTF-8",
            _ => "",
        };
        Failure::input(format!("cannot read `{name}`: {e}"), hint)
    })?;
    let parsed = list::parse(&text);
    tell_faults(path, &parsed.faults);
    if parsed.crates.is_empty() {
        return Err(Failure::input(
            format!("`{name}` holds no crate that could be used; nothing was changed"),
            "the header is code,room,place,variety,form,packing,count,dug,weight,note,prepared",
        ));
    }
    Ok(parsed)
}

/// Tells what of a list could not be understood, and what to do.
pub(super) fn tell_faults(path: &Path, faults: &[list::Fault]) {
    for fault in faults {
        let field = fault.field.map_or_else(String::new, |f| format!("{f}: "));
        let (line, reason, remedy) = (fault.line, &fault.reason, &fault.remedy);
        tell!("{}:{line}: {field}{reason}; {remedy}", path.display());
    }
}

/// `overwinter export`.
pub fn export(what: &Export) -> Outcome {
    let (Export::Readings { file, config }
    | Export::Crates { file, config }
    | Export::Ledger { file, config }) = what;
    let config = configuration(config)?;
    is_there(&config)?;
    runtime()?.block_on(async {
        let store = Store::open(&config.database).await?;
        let out: Box<dyn Write> = match file {
            Some(path) if path.is_file() => {
                return Err(Failure::input(
                    format!("`{}` is there already and stays as it is", path.display()),
                    "give another name, or take the old file away",
                ));
            }
            Some(path) => Box::new(File::create(path).map_err(|e| {
                Failure::input(format!("cannot write `{}`: {e}", path.display()), "")
            })?),
            None => Box::new(stdout().lock()),
        };
        let out = BufWriter::new(out);
        let told = match what {
            Export::Readings { .. } => {
                let told = match write_readings(&store, out).await? {
                    1 => "1 reading written".to_owned(),
                    n => format!("{n} readings written"),
                };
                told + &as_said(&store.corrections().await?)
            }
            Export::Crates { .. } => stock::write_crates(&store, out).await?,
            Export::Ledger { .. } => stock::write_ledger(&store, out).await?,
        };
        store.close().await;
        tell!("{told}");
        Ok(())
    })
}

/// Refuses what asks a database that nobody made yet.
pub(super) fn is_there(config: &Config) -> Outcome {
    if config.database.exists() {
        return Ok(());
    }
    Err(Failure::input(
        format!("there is no database `{}` yet", config.database.display()),
        "`overwinter run` and `overwinter import` make it",
    ))
}

/// That readings go out uncorrected, where that makes a difference.
fn as_said(corrections: &[Correction]) -> String {
    let offsets = correction::offsets(corrections);
    let off = offsets
        .iter()
        .filter(|(_, own)| own.all().iter().any(|o| !o.is_zero()));
    let names: Vec<&str> = off.map(|(name, _)| name.as_str()).collect();
    if names.is_empty() {
        return String::new();
    }
    format!(
        " as the sensors said them; corrections were entered for {} and are not in the file",
        names.join(", ")
    )
}

/// The interchange file, in the order of arrival.
pub async fn write_readings(store: &Store, out: impl Write) -> Result<u64, Failure> {
    write_readings_of(store, out, |_| true).await
}

/// The same of those readings alone that are wanted.
pub(super) async fn write_readings_of(
    store: &Store,
    mut out: impl Write,
    wanted: impl Fn(&Reading) -> bool,
) -> Result<u64, Failure> {
    let names = store.sensor_names().await?;
    writeln!(out, "{HEADER},received_at")?;
    let mut written = 0;
    let mut broken = None;
    let thousandths =
        |v: Option<i32>| v.map_or_else(String::new, |v| (f64::from(v) / 1000.0).to_string());
    store
        .fold(|input| {
            let (Input::Reading(r), None) = (input, &broken) else {
                return;
            };
            if !wanted(r) {
                return;
            }
            let name = names.get(&r.sensor).map_or("", String::as_str);
            let battery = r
                .values
                .battery_pct
                .map_or_else(String::new, |b| b.to_string());
            let line = writeln!(
                out,
                "{},{name},{},{},{battery},{}",
                r.measured_at.to_rfc3339(),
                thousandths(r.values.temperature_mc),
                thousandths(r.values.humidity_mpct),
                Stamp::to_rfc3339(r.received_at),
            );
            match line {
                Ok(()) => written += 1,
                Err(e) => broken = Some(e),
            }
        })
        .await?;
    if let Some(error) = broken {
        return Err(error.into());
    }
    out.flush()?;
    Ok(written)
}
