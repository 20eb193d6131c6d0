//! `vouch`: whether a copy of a winter is whole, who made it and when, and what the store says to it.

use std::{
    collections::BTreeMap,
    fmt::Write as _,
    fs::{self, File},
    io::{self, BufReader, Read as _},
    path::{Path, PathBuf},
};

use chrono_tz::Tz;
use clap::Args;
use serde_json::Value;
use sha2::{Digest as _, Sha256};

use super::{Failure, Outcome, configuration, run::runtime, winter};
use crate::{
    notify::words::Manner,
    season::{account::FORM, period},
    web::{
        feed::hex,
        winter::{
            copy::{self, Copy},
            data::Data,
            file::page_file,
            tables::DESCRIBED_BY,
        },
    },
};

mod again;
mod sums;

use again::Store;

/// The configuration that is looked for where none is named.
const USUAL: &str = "overwinter.toml";
/// A copy larger than this is none of ours, in bytes.
const LARGEST: u64 = 1 << 30;

/// What to look at.
#[derive(Args)]
pub struct Options {
    /// A copy (.html or .json), a table (.csv), or a folder of them
    #[arg(value_name = "FILE|FOLDER")]
    what: PathBuf,
    /// The configuration of the store that may have given it out; overwinter.toml where that is here
    #[arg(long, short, value_name = "FILE")]
    config: Option<PathBuf>,
}

/// What was found: lines for people, and what is wrong.
#[derive(Default)]
struct Found {
    text: String,
    faults: Vec<String>,
    /// What was worked out of data by their hash.
    again: BTreeMap<String, String>,
}

impl Found {
    fn say(&mut self, line: &str) {
        let _ = writeln!(self.text, "  {}", line.replace('\u{a0}', " "));
    }

    fn fault(&mut self, file: &str, what: &str) {
        self.faults.push(format!("{file}: {what}"));
    }
}

/// `overwinter vouch`.
pub fn vouch(options: &Options) -> Outcome {
    let what = &options.what;
    let meta = fs::metadata(what).map_err(|e| {
        Failure::input(
            format!("cannot read `{}`: {e}", what.display()),
            "name a copy of a winter, or the folder it is in",
        )
    })?;
    let (config, without) = match &options.config {
        Some(path) => (Some(configuration(path)?), ""),
        None if Path::new(USUAL).is_file() => match configuration(Path::new(USUAL)) {
            Ok(config) => (Some(config), ""),
            Err(_) => (
                None,
                "overwinter.toml cannot be read, so no store was asked.",
            ),
        },
        None => (
            None,
            "No store was asked whether it gave this out; --config FILE names one.",
        ),
    };
    let (config, without) = match config {
        Some(config) if config.database.is_file() => (Some(config), without),
        Some(_) => (None, "The store has no database yet, so it was not asked."),
        None => (None, without),
    };
    let found = runtime()?.block_on(async {
        let store = match &config {
            Some(config) => Some(Store::open(config).await?),
            None => None,
        };
        let mut found = Found::default();
        let outcome = if meta.is_dir() {
            sums::folder(what, store.as_ref(), &mut found).await
        } else {
            one(what, store.as_ref(), &mut found).await
        };
        if let Some(store) = &store {
            store.close().await;
        }
        outcome.map(|()| found)
    })?;
    let mut text = found.text;
    if config.is_none() {
        let _ = writeln!(text, "{without}");
    }
    say!("{}", text.trim_end());
    if found.faults.is_empty() {
        return Ok(());
    }
    let n = found.faults.len();
    Err(Failure::input(
        format!(
            "{n} {} found\n{}",
            if n == 1 { "fault was" } else { "faults were" },
            found.faults.join("\n")
        ),
        "ask whoever gave it to you for another copy",
    ))
}

/// One file.
async fn one(path: &Path, store: Option<&Store>, found: &mut Found) -> Outcome {
    let name = path.display().to_string();
    let is_table = (path.extension()).is_some_and(|e| e.eq_ignore_ascii_case("csv"));
    if is_table {
        return table(path, &hash_of(path)?, store, found).await;
    }
    let Ok(text) = String::from_utf8(read(path)?) else {
        return Err(no_copy(&name, "it is no text"));
    };
    let copy = match copy::open(&text) {
        Ok(copy) => copy,
        Err(copy::NoCopy::Unknown) => {
            return Err(no_copy(&name, "nothing in it says so"));
        }
        Err(copy::NoCopy::Damaged(why)) => {
            let _ = writeln!(found.text, "{name}: NOT WHOLE");
            found.fault(&name, &format!("its data cannot be read: {why}"));
            return Ok(());
        }
        Err(newer) => {
            return Err(Failure::input(
                format!("`{name}`: {newer}"),
                "vouch for it with that version",
            ));
        }
    };
    judge(&name, &text, &copy, store, found).await
}

fn no_copy(name: &str, why: &str) -> Failure {
    Failure::input(
        format!("`{name}` is no copy of a winter: {why}"),
        "a copy is the page or the JSON that `overwinter winter` or the page Winter gives out",
    )
}

fn read(path: &Path) -> Result<Vec<u8>, Failure> {
    let cannot =
        |e: io::Error| Failure::input(format!("cannot read `{}`: {e}", path.display()), "");
    let file = File::open(path).map_err(cannot)?;
    if LARGEST < file.metadata().map_err(cannot)?.len() {
        return Err(Failure::input(
            format!("`{}` is larger than any copy", path.display()),
            "",
        ));
    }
    let mut bytes = Vec::new();
    file.take(LARGEST).read_to_end(&mut bytes).map_err(cannot)?;
    Ok(bytes)
}

/// SHA-256 of a file of any size.
fn hash_of(path: &Path) -> Result<String, Failure> {
    let cannot =
        |e: io::Error| Failure::input(format!("cannot read `{}`: {e}", path.display()), "");
    let mut file = BufReader::new(File::open(path).map_err(cannot)?);
    let mut hash = Sha256::new();
    let mut piece = vec![0; 1 << 16];
    loop {
        match file.read(&mut piece).map_err(cannot)? {
            0 => return Ok(hex(&hash.finalize())),
            n => hash.update(&piece[..n]),
        }
    }
}

/// A copy that could be opened.
async fn judge(
    name: &str,
    text: &str,
    copy: &Copy,
    store: Option<&Store>,
    found: &mut Found,
) -> Outcome {
    let about = &copy.about;
    if copy.is_whole() {
        let _ = writeln!(found.text, "{name}: whole");
    } else {
        let _ = writeln!(found.text, "{name}: NOT WHOLE");
        found.fault(
            name,
            "its data are not those it was made with: the hash it gives is another",
        );
    }
    let data: Option<Data> = match copy.read::<Data>() {
        Ok(data) if data.account.about.form <= FORM => Some(data),
        Ok(data) => {
            let form = data.account.about.form;
            found.say(&format!(
                "Its account has form {form}, made by a newer version; no more can be said of it here."
            ));
            None
        }
        Err(why) => {
            found.say(&format!(
                "This version ({}) cannot read what its data say: {why}.",
                program()
            ));
            None
        }
    };
    let zone = data
        .as_ref()
        .map_or(Tz::UTC, |d| zone(&d.account.about.zone));
    let manner = Manner {
        zone,
        unit: crate::climate::Unit::C,
    };
    if let Some(data) = &data {
        let of = &data.account.about;
        let last = of.end_day.pred_opt().unwrap_or(of.end_day);
        let over = if of.over {
            ""
        } else {
            ", not over when it was made"
        };
        found.say(&format!(
            "The winter {} of {}, {} to {last}{over}.",
            of.winter, of.store, of.first_day
        ));
    }
    let by = if about.made_by.is_empty() {
        "somebody who was not signed in"
    } else {
        &about.made_by
    };
    found.say(&format!(
        "Made {} ({}) by {by} with {}.",
        winter::when(&about.made_at, manner),
        about.made_at,
        about.program
    ));
    found.say(&format!("SHA-256 of its data: {}.", copy.sha256));
    if !text
        .trim_start_matches('\u{feff}')
        .trim_start()
        .starts_with('{')
    {
        shows(name, text, copy, data.as_ref(), found);
    }
    let Some(store) = store else { return Ok(()) };
    if let Some(data) = &data
        && data.account.about.store != store.name()
    {
        found.say(&format!(
            "It says it is of {}; the store at hand is {}, which was not asked.",
            data.account.about.store,
            store.name()
        ));
        return Ok(());
    }
    store.given(name, &copy.sha256, found).await?;
    if let Some(data) = &data {
        let told = match found.again.get(&copy.sha256) {
            Some(told) => told.clone(),
            None => store.again(copy, data).await?,
        };
        found.say(&told);
        found.again.insert(copy.sha256.clone(), told);
    }
    Ok(())
}

fn zone(name: &str) -> Tz {
    name.parse().unwrap_or(Tz::UTC)
}

fn program() -> &'static str {
    concat!("overwinter ", env!("CARGO_PKG_VERSION"))
}

/// Whether a page shows what its data say: it is made once more from them.
fn shows(name: &str, text: &str, copy: &Copy, data: Option<&Data>, found: &mut Found) {
    let Some(data) = data else { return };
    if copy.about.program != program() {
        found.say(&format!(
            "What the page shows can be held against its data by {} alone; this is {}.",
            copy.about.program,
            program()
        ));
        return;
    }
    // A file that went through a mail or an editor may have other ends of lines.
    let even = |text: &str| text.trim_start_matches('\u{feff}').replace("\r\n", "\n");
    match page_file(data, &copy.about) {
        Ok(page) if even(&page).trim_end() == even(text).trim_end() => {
            found.say("The page shows what its data say.");
        }
        Ok(_) => found.fault(
            name,
            "the page was changed: it is not the one that its data make",
        ),
        Err(_) => found.fault(name, "no page can be made of its data"),
    }
}

/// A table with its description beside it.
async fn table(path: &Path, hash: &str, store: Option<&Store>, found: &mut Found) -> Outcome {
    let name = path.display().to_string();
    let (notes, fault) = described(path, hash);
    let ours = |notes: &Value, store: &Store| notes["store"].as_str() == Some(store.name());
    let asked = store.filter(|s| notes.as_ref().is_none_or(|n| ours(n, s)));
    let known = match asked {
        Some(store) => store.knows(hash).await?,
        None => false,
    };
    let fault = fault.or_else(|| {
        let nothing = notes.is_none() && !known;
        nothing.then(|| "neither a description beside it nor a store knows its hash".to_owned())
    });
    let verdict = if fault.is_some() {
        "NOT WHOLE"
    } else {
        "whole"
    };
    let _ = writeln!(found.text, "{name}: {verdict}");
    if let Some(fault) = fault {
        found.fault(&name, &fault);
    }
    if let Some(notes) = &notes {
        let of = |key: &str| notes[key].as_str().unwrap_or("?").to_owned();
        found.say(&format!(
            "The winter {} of {}, {} to {}, by {}.",
            of("winter"),
            of("store"),
            of("first_day"),
            of("last_day"),
            of("program")
        ));
    }
    found.say(&format!("SHA-256: {hash}."));
    match (store, asked) {
        (_, Some(store)) if known => store.given(&name, hash, found).await?,
        // Of single tables that the pages give out nothing is remembered.
        (_, Some(_)) => found.say("The store at hand did not note that it gave out these bytes."),
        (Some(store), None) => found.say(&format!(
            "The store at hand is {}, which was not asked.",
            store.name()
        )),
        (None, None) => {}
    }
    Ok(())
}

/// The notes of a table's description, and what is wrong with the table by them.
fn described(path: &Path, hash: &str) -> (Option<Value>, Option<String>) {
    let mut beside = path.as_os_str().to_owned();
    beside.push(DESCRIBED_BY);
    let beside = PathBuf::from(beside);
    let Ok(text) = fs::read_to_string(&beside) else {
        return (None, None);
    };
    let notes = serde_json::from_str::<Value>(&text)
        .ok()
        .map(|v| v["notes"][0].clone())
        .filter(Value::is_object);
    let Some(notes) = notes else {
        return (None, Some(format!("`{}` cannot be read", beside.display())));
    };
    let fault = match notes["csv_sha256"].as_str() {
        Some(said) if said.eq_ignore_ascii_case(hash) => None,
        Some(_) => Some("it is not the table that its description names".to_owned()),
        None => Some("its description gives no hash".to_owned()),
    };
    (Some(notes), fault)
}

/// The winter's year, of its name.
fn year(winter: &str) -> i32 {
    period::read(winter).unwrap_or_default()
}
