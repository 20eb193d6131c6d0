//! `import crates`, `import ledger` and their way out: the stock as lists and as its whole ledger.

use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    io::Write,
    path::Path,
    sync::Arc,
};

use anyhow::Context as _;
use clap::Args;

use super::{
    Failure, Outcome, configuration,
    data::{count, crate_list, tell_faults},
    run::runtime,
};
use crate::{
    clock::Clock,
    config::Config,
    stock::{
        CrateCode,
        brought::{Fate, foresee, keep_unsaid},
        ledger::{EntryId, Stock, file},
        list::{self, Parsed},
        sheet::{Mapping, Sheet, apply, guess, passed_over, questions},
    },
    store::{
        Store,
        restore::{NotRestored, Restored},
    },
};

/// Entries that are in memory at once while a ledger is written.
const AT_ONCE: u32 = 500;

/// Letters of a cell that are shown.
const SHOWN: usize = 30;

/// What a grower's own sheet does not say by itself.
#[derive(Args)]
pub struct SheetOptions {
    /// Which column holds what, such as variety=Sorte or place=4; `note=` takes a guess back
    #[arg(long = "map", value_name = "FIELD=COLUMN")]
    columns: Vec<String>,
    /// The room of all crates
    #[arg(long)]
    room: Option<String>,
    /// The packing of all crates
    #[arg(long)]
    packing: Option<String>,
    /// The form of rows that name none: clump, division or pot tuber
    #[arg(long)]
    form: Option<String>,
    /// The day on which rows without a day were dug, as 2026-10-21
    #[arg(long, value_name = "DAY")]
    dug: Option<String>,
    /// What comes first in the sheet's days: day, month or year
    #[arg(long, value_name = "FIRST")]
    dates: Option<String>,
    /// Weights have a decimal comma
    #[arg(long)]
    decimal_comma: bool,
    /// The unit of weights that name none: kg, g or lb
    #[arg(long)]
    unit: Option<String>,
    /// How codes begin that are made for rows of a sheet without any, such as C-
    #[arg(long)]
    series: Option<String>,
    /// A row without a code belongs to the crate above it
    #[arg(long)]
    fill_down: bool,
    /// Print what would change, and change nothing
    #[arg(long)]
    look: bool,
}

impl SheetOptions {
    fn said(&self) -> BTreeMap<String, String> {
        let yes = |said: bool| said.then(|| "yes".to_owned());
        [
            ("room", self.room.clone()),
            ("packing", self.packing.clone()),
            ("form", self.form.clone()),
            ("dug", self.dug.clone()),
            ("dates", self.dates.clone()),
            ("decimal-comma", yes(self.decimal_comma)),
            ("unit", self.unit.clone()),
            ("series", self.series.clone()),
            ("fill-down", yes(self.fill_down)),
        ]
        .into_iter()
        .filter_map(|(key, value)| Some((key.to_owned(), value?)))
        .collect()
    }

    /// What the sheet's names and cells suggest, and what was said instead.
    fn mapping(&self, sheet: &Sheet) -> Result<Mapping, Failure> {
        let mut fields = guess(sheet).to_fields();
        let mut said: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for pair in &self.columns {
            let (field, column) = pair.split_once('=').unwrap_or((pair, ""));
            if !list::COLUMNS.contains(&field) {
                return Err(Failure::input(
                    format!("`{field}` is no field of a crate"),
                    format!("the fields are {}", list::COLUMNS.join(", ")),
                ));
            }
            let columns = said.entry(field.to_owned()).or_default();
            if !column.is_empty() {
                columns.push(numbered(sheet, column)?);
            }
        }
        for (field, columns) in said {
            // A column feeds one field: what was said takes it from what was guessed.
            for (_, of) in fields.iter_mut().filter(|(k, _)| k.starts_with("column-")) {
                let kept = of
                    .split(',')
                    .filter(|nth| !columns.iter().any(|c| c == nth));
                *of = kept.collect::<Vec<_>>().join(",");
            }
            fields.insert(format!("column-{field}"), columns.join(","));
        }
        fields.extend(self.said());
        Mapping::from_fields(&fields).map_err(|bad| {
            let field = bad.0.trim_start_matches("column-");
            Failure::input(
                format!("`--{field}` cannot be read"),
                "`overwinter import crates --help` says what each takes; only place and note have more than one column",
            )
        })
    }
}

/// A column by its name, or by its number from 1, counted from 0.
fn numbered(sheet: &Sheet, column: &str) -> Result<String, Failure> {
    let columns = sheet.columns();
    let named = columns
        .iter()
        .position(|c| c.name.eq_ignore_ascii_case(column.trim()));
    let counted = column
        .parse()
        .ok()
        .filter(|n| (1..=columns.len()).contains(n));
    let nth = named.or(counted.map(|n: usize| n - 1));
    nth.map(|nth| nth.to_string()).ok_or_else(|| {
        let names: Vec<_> = columns
            .iter()
            .map(|c| format!("`{}`", short(c.name)))
            .collect();
        Failure::input(
            format!("the sheet has no column `{column}`"),
            format!("its columns are {}", names.join(", ")),
        )
    })
}

/// `overwinter import crates`.
pub(super) fn crates(path: &Path, config: &Path, options: &SheetOptions) -> Outcome {
    let config = configuration(config)?;
    let stock = runtime()?.block_on(known(&config))?;
    let parsed = understood(path, options, &stock)?;
    let name = path.display();
    for krate in &parsed.crates {
        let known = |r: &crate::watch::RoomSettings| r.name.eq_ignore_ascii_case(krate.room.trim());
        if !config.watch.rooms.iter().any(known) {
            tell!(
                "{name}: warning: crate {} stands in `{}`, which is no room of the configuration",
                krate.code,
                krate.room
            );
        }
    }
    if options.look {
        say_what_would_change(&stock, &parsed);
    } else {
        let imported = runtime()?.block_on(async {
            let store = Store::open(&config.database).await?;
            let mut tx = store.begin().await?;
            let at = Clock::machine().now();
            let imported = tx.import_crates(&parsed.crates, at, "crate list").await?;
            tx.commit().await?;
            store.close().await;
            Ok::<_, Failure>(imported)
        })?;
        say!(
            "{} crates new, {} changed, {} as before",
            imported.new_crates,
            imported.changed_crates,
            imported.unchanged_crates
        );
        for (code, refusal) in &imported.refused {
            tell!("crate {code}: {refusal}. {}", refusal.remedy());
        }
    }
    if parsed.faults.is_empty() {
        return Ok(());
    }
    // A row may have several faults.
    let bad: BTreeSet<_> = parsed.faults.iter().map(|f| f.line).collect();
    let others = if options.look {
        "could come in"
    } else {
        "are in"
    };
    Err(Failure::input(
        format!(
            "{} could not be used; all others {others}",
            count(bad.len())
        ),
        "mend these rows and import the list again",
    ))
}

/// The stock so far; nothing where there is no database yet.
async fn known(config: &Config) -> Result<Arc<Stock>, Failure> {
    if !config.database.exists() {
        return Ok(Arc::default());
    }
    let store = Store::open(&config.database).await?;
    let stock = store.stock().await?;
    store.close().await;
    Ok(stock)
}

/// The crates of a list, or of a grower's own sheet.
fn understood(path: &Path, options: &SheetOptions, stock: &Stock) -> Result<Parsed, Failure> {
    let name = path.display();
    let bytes =
        fs::read(path).map_err(|e| Failure::input(format!("cannot read `{name}`: {e}"), ""))?;
    let plain = options.columns.is_empty() && options.said().is_empty();
    if plain && std::str::from_utf8(&bytes).is_ok_and(list::is_list) {
        return crate_list(path);
    }
    let sheet = Sheet::read(&bytes).map_err(|fault| {
        Failure::input(
            format!("`{name}`: {fault}; nothing was changed"),
            fault.remedy(),
        )
    })?;
    let mapping = options.mapping(&sheet)?;
    let open = questions(&sheet, &mapping);
    if !open.is_empty() {
        for (nth, column) in (0..).zip(sheet.columns()) {
            let mut fed = mapping.columns.iter().filter(|(_, of)| of.contains(&nth));
            let field = fed.next().map_or("not used", |(field, _)| *field);
            let samples: Vec<_> = column.samples.iter().map(|cell| short(cell)).collect();
            let (name, samples) = (short(column.name), samples.join(", "));
            tell!("column {} `{name}` ({samples}): {field}", nth + 1);
        }
        tell_faults(path, &open);
        return Err(Failure::input(
            format!("`{name}` leaves something open; nothing was changed"),
            "answer with --map FIELD=COLUMN, --room, --form, --dates, --unit or --series, and look first with --look",
        ));
    }
    let codes: Vec<&CrateCode> = stock.crates().map(|(_, krate)| &krate.code).collect();
    let mut parsed = apply(&sheet, &mapping, codes);
    keep_unsaid(&mut parsed.crates, &mapping, stock);
    tell_faults(path, &parsed.faults);
    for line in passed_over(&sheet, &mapping) {
        tell!("{name}:{line}: passed over, because it holds a total and no crate");
    }
    if parsed.crates.is_empty() {
        return Err(Failure::input(
            format!("`{name}` holds no crate that could be used; nothing was changed"),
            "say with --map what its columns hold",
        ));
    }
    Ok(parsed)
}

/// The beginning of a cell, in letters that a terminal only prints.
fn short(cell: &str) -> String {
    let letters = cell.chars().filter(|c| !c.is_control());
    letters.take(SHOWN).collect()
}

fn say_what_would_change(stock: &Stock, parsed: &Parsed) {
    let (mut new, mut changed, mut same) = (0, 0, 0);
    for foreseen in foresee(stock, &parsed.crates, Clock::machine().now().to_utc()) {
        match foreseen.fate {
            Fate::New => new += 1,
            Fate::Changed { .. } => changed += 1,
            Fate::Same => {
                same += 1;
                continue;
            }
            Fate::Refused(_) => {}
        }
        say!("{foreseen}");
    }
    say!("it would be {new} crates new, {changed} changed, {same} as before; nothing was changed");
}

/// `overwinter export crates`.
pub(super) async fn write_crates(store: &Store, mut out: impl Write) -> Result<String, Failure> {
    let crates = store.crates().await?;
    out.write_all(list::write(&crates).as_bytes())?;
    out.flush()?;
    let s = if crates.len() == 1 { "" } else { "s" };
    Ok(format!("{} crate{s} written", crates.len()))
}

/// `overwinter export ledger`.
pub(super) async fn write_ledger(store: &Store, mut out: impl Write) -> Result<String, Failure> {
    let newest = store.newest_entry().await?;
    let mut last = EntryId(0);
    let mut written = 0;
    out.write_all(file::head(env!("CARGO_PKG_VERSION")).as_bytes())?;
    while last < newest {
        let mut entries = store.entries_after(last, AT_ONCE).await?;
        entries.retain(|entry| entry.id <= newest);
        out.write_all(file::lines(&entries, written == 0).as_bytes())?;
        written += entries.len();
        last = entries.last().context("the ledger has a gap")?.id;
    }
    out.write_all(file::TAIL.as_bytes())?;
    out.flush()?;
    Ok(match written {
        1 => "1 entry written".to_owned(),
        n => format!("{n} entries written"),
    })
}

/// `overwinter import ledger`.
pub(super) fn ledger(path: &Path, config: &Path) -> Outcome {
    let config = configuration(config)?;
    let name = path.display();
    let bytes =
        fs::read(path).map_err(|e| Failure::input(format!("cannot read `{name}`: {e}"), ""))?;
    let refused = |why: String| {
        Failure::input(
            format!("`{name}`: {why}; nothing was changed"),
            "a ledger comes in where there is none yet, or a beginning of the same",
        )
    };
    let entries = file::read(&bytes).map_err(|e| refused(e.to_string()))?;
    let Restored { known, new } = runtime()?.block_on(async {
        let store = Store::open(&config.database).await?;
        let mut tx = store.begin().await?;
        let restored = tx.restore(&entries).await.map_err(|fault| match fault {
            NotRestored::Store(error) => Failure::from(error),
            other => refused(other.to_string()),
        })?;
        tx.commit().await?;
        store.close().await;
        Ok::<_, Failure>(restored)
    })?;
    say!("{new} entries new, {known} known already");
    Ok(())
}
