//! `winter`: the account of a winter on the terminal, as data, as tables, or as a folder to be given out.

use std::{
    io::{Write as _, stdout},
    path::PathBuf,
};

use chrono::{DateTime, NaiveDate};
use clap::{Args, ValueEnum};

use super::{
    ConfigArg, Failure, Outcome, access::WHO, configuration, data::is_there, run::runtime,
};
use crate::{
    clock::Clock,
    config::Config,
    engine::account::{self, Forecasts, Place, known},
    notify::words::Manner,
    season::{
        account::Account,
        calendar::Calendar,
        period::{self, Period},
    },
    store::{Store, StoreError, given::Given},
    watch::Stamp,
    web::winter::{
        compare, copy,
        data::{self as given, Data},
        headline,
        next::{self, Counsel},
        page::bytes,
        part::{Part, day},
        parts,
        tables::{NAMES, tables},
    },
};

mod folder;
pub(super) use folder::SUMS;
mod lay;

use lay::Sheet;

/// Which winter, and how.
#[derive(Args)]
pub struct Options {
    /// Which winter, such as 2026-27; the newest of which anything is known when left out
    #[arg(value_name = "WINTER")]
    winter: Option<String>,
    #[command(flatten)]
    config: ConfigArg,
    /// Its main figures beside those of another winter, such as 2025-26
    #[arg(long, value_name = "WINTER")]
    against: Option<String>,
    /// Count from this day on, such as 2026-10-10, instead of from the first tuber in store
    #[arg(long, value_name = "DAY")]
    from: Option<NaiveDate>,
    /// Count to the end of this day instead of to the last tuber
    #[arg(long, value_name = "DAY")]
    to: Option<NaiveDate>,
    /// How to print it; text when left out
    #[arg(long, value_enum)]
    format: Option<Format>,
    /// One table as CSV
    #[arg(long, value_name = "NAME")]
    table: Option<String>,
    /// Write all of it into a new folder: a page that opens anywhere, the data, every table, the readings,
    /// and SHA256SUMS
    #[arg(long, value_name = "FOLDER", conflicts_with_all = ["format", "table", "against"])]
    into: Option<PathBuf>,
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// For people
    Text,
    /// All of it with its hash, as `overwinter vouch` takes it
    Json,
    /// One table, named with --table
    Csv,
}

/// A store, opened to make accounts from it.
pub(super) struct Opened {
    pub(super) store: Store,
    pub(super) manner: Manner,
    pub(super) now: Stamp,
    place: Place,
}

impl Opened {
    /// Opens it beside a recorder that may be running: nothing is written but what can be worked out again,
    /// and what was given out.
    pub(super) async fn of(config: &Config) -> Result<Self, StoreError> {
        Ok(Self {
            store: Store::open(&config.database).await?,
            manner: Manner {
                zone: config.zone,
                unit: config.unit,
            },
            now: Clock::machine().now(),
            place: Place {
                name: config.site.clone(),
                calendar: Calendar::new(config.zone),
            },
        })
    }

    /// The account of a winter as it stood at an instant; none where nothing is known of it.
    pub(super) async fn account(
        &self,
        winter: i32,
        chosen: Option<Period>,
        now: Stamp,
    ) -> Result<Option<Account>, StoreError> {
        let forecasts = Forecasts::folded(&self.store, self.now).await?;
        account::account(&self.store, &self.place, winter, chosen, forecasts, now).await
    }

    /// What the store is called.
    pub(super) fn name(&self) -> &str {
        &self.place.name
    }

    /// Remembers what is given out of some data: what, and the hash by which it is known again.
    async fn note(&self, data: &Data, all: &[(String, String)]) -> Result<(), Failure> {
        let about = &data.account.about;
        let winter = period::read(&about.winter).unwrap_or_default();
        let unit = self.manner.letter();
        let last = about.end_day.pred_opt().unwrap_or(about.end_day);
        let detail = format!(
            "{}, {} to {}, in {unit}",
            about.program,
            day(about.first_day),
            day(last)
        );
        let mut tx = self.store.begin().await?;
        for (what, hash) in all {
            tx.note_given(&Given {
                at: self.now,
                who: WHO.to_owned(),
                winter,
                what: what.clone(),
                sha256: bytes(hash),
                detail: detail.clone(),
            })
            .await?;
        }
        Ok(tx.commit().await?)
    }
}

/// `overwinter winter`.
pub fn winter(options: &Options) -> Outcome {
    let format = format(options)?;
    let config = configuration(&options.config.config)?;
    is_there(&config)?;
    if let Some(folder) = &options.into {
        folder::is_free(folder)?;
    }
    runtime()?.block_on(async {
        let opened = Opened::of(&config).await?;
        let outcome = answer(&opened, options, format).await;
        opened.store.close().await;
        outcome
    })
}

/// How it is printed, or what of the arguments does not go together.
fn format(options: &Options) -> Result<Format, Failure> {
    let table = options.table.is_some();
    let names = || format!("the tables are: {}", NAMES.join(", "));
    let format = match (options.format, table) {
        (None | Some(Format::Csv), true) => Format::Csv,
        (Some(Format::Csv), false) if options.against.is_none() => {
            return Err(Failure::input(
                "which table? A CSV file holds one; name it with --table",
                names(),
            ));
        }
        (Some(Format::Text | Format::Json), true) => {
            return Err(Failure::input(
                "a table is printed as CSV",
                "leave out --format, or --table",
            ));
        }
        (given, false) => given.unwrap_or(Format::Text),
    };
    if let Some(name) = &options.table
        && !NAMES.contains(&name.as_str())
    {
        return Err(Failure::input(
            format!("there is no table `{name}`"),
            names(),
        ));
    }
    if options.against.is_some() && format != Format::Text {
        return Err(Failure::input(
            "two winters side by side are printed as text",
            "for programs, ask for each of the two: --format json, or --table NAME",
        ));
    }
    if let (Some(from), Some(to)) = (options.from, options.to)
        && to < from
    {
        return Err(Failure::input(
            format!("--from {from} is after --to {to}"),
            "give the earlier day with --from",
        ));
    }
    Ok(format)
}

fn named(text: &str) -> Result<i32, Failure> {
    period::read(text).ok_or_else(|| {
        Failure::input(
            format!("`{text}` is no winter"),
            "one is written like 2026-27, for the winter that begins in 2026",
        )
    })
}

async fn answer(opened: &Opened, options: &Options, format: Format) -> Outcome {
    let known = known(&opened.store, &opened.place.calendar, opened.now).await?;
    let winter = match (&options.winter, known.first()) {
        (Some(text), _) => named(text)?,
        (None, Some(newest)) => *newest,
        (None, None) => {
            return Err(Failure::input(
                "nothing is known of any winter yet",
                "`overwinter run` records one; `overwinter import` brings in the past",
            ));
        }
    };
    let against = options.against.as_deref().map(named).transpose()?;
    let account = made(opened, winter, options, &known).await?;
    if let Some(other) = against {
        let other = of(opened, other, None, &known).await?;
        print(&side_by_side(&account, &other, opened.manner))?;
        return Ok(());
    }
    if format == Format::Text && options.into.is_none() {
        return print(&text(&account, opened.manner));
    }
    let data = given::data(&opened.store, account).await?;
    if let Some(folder) = &options.into {
        return folder::write(opened, &data, folder).await;
    }
    if let Some(name) = &options.table {
        let Some(table) = tables(&data).into_iter().find(|t| t.name == name) else {
            return Err(Failure::input(format!("there is no table `{name}`"), ""));
        };
        let csv = table.csv();
        let hash = copy::sha256_hex(&csv);
        opened.note(&data, &[(name.clone(), hash)]).await?;
        return print(&csv);
    }
    let (text, hash) = given::hashed(&data)?;
    let about = given::about(opened.now, WHO, opened.manner.unit);
    let sealed = copy::seal(about, &text)?;
    opened.note(&data, &[("json".to_owned(), hash)]).await?;
    print(&format!("{sealed}\n"))
}

fn print(text: &str) -> Outcome {
    Ok(stdout().write_all(text.as_bytes())?)
}

/// The account that was asked for.
async fn made(
    opened: &Opened,
    winter: i32,
    options: &Options,
    known: &[i32],
) -> Result<Account, Failure> {
    let whole = Period::whole(winter);
    let name = period::name(winter);
    for day in [options.from, options.to].into_iter().flatten() {
        if !(whole.from <= day && day < whole.to) {
            let last = whole.to.pred_opt().unwrap_or(whole.to);
            return Err(Failure::input(
                format!("{day} is not in the winter {name}"),
                format!("its days are {} to {last}", whole.from),
            ));
        }
    }
    let to = options.to.map(|day| day.succ_opt().unwrap_or(day));
    let chosen = match (options.from, to) {
        (None, None) => None,
        (Some(from), Some(to)) => Some(Period { from, to }),
        // The other end is where it would have been.
        (from, to) => {
            let usual = of(opened, winter, None, known).await?.about;
            let from = from.unwrap_or(usual.first_day);
            let to = to.unwrap_or(usual.end_day);
            if to <= from {
                return Err(Failure::input(
                    format!(
                        "nothing is left: by itself the account is of {} to {}",
                        usual.first_day,
                        usual.end_day.pred_opt().unwrap_or(usual.end_day)
                    ),
                    "give both --from and --to",
                ));
            }
            Some(Period { from, to })
        }
    };
    of(opened, winter, chosen, known).await
}

async fn of(
    opened: &Opened,
    winter: i32,
    chosen: Option<Period>,
    known: &[i32],
) -> Result<Account, Failure> {
    if let Some(account) = opened.account(winter, chosen, opened.now).await? {
        return Ok(account);
    }
    let name = period::name(winter);
    let from = chosen.unwrap_or(Period::whole(winter)).from;
    let today = opened.place.calendar.day_of(opened.now).date;
    if today < from {
        return Err(Failure::input(
            format!("{from} is still to come"),
            "an account is of days that have begun",
        ));
    }
    let names: Vec<String> = known.iter().map(|w| period::name(*w)).collect();
    Err(Failure::input(
        format!("nothing is known of the winter {name}"),
        if names.is_empty() {
            "`overwinter run` records one; `overwinter import` brings in the past".to_owned()
        } else {
            format!("something is known of {}", names.join(", "))
        },
    ))
}

/// When an instant was, in words.
pub(super) fn when(at: &str, manner: Manner) -> String {
    match DateTime::parse_from_rfc3339(at) {
        Ok(at) => manner.day_and_clock(at.to_utc().into()),
        Err(_) => at.to_owned(),
    }
}

fn side_by_side(a: &Account, b: &Account, manner: Manner) -> String {
    let mut sheet = Sheet::default();
    sheet.heading(&compare::title(a, b));
    sheet.table(&compare::rows(a, b, manner), usize::MAX);
    sheet.text()
}

/// The whole account for people.
fn text(account: &Account, manner: Manner) -> String {
    let head = headline(account);
    let mut sheet = Sheet::default();
    sheet.heading(&format!(
        "{}, {}",
        account.about.winter, account.about.store
    ));
    sheet.words(&head.period);
    sheet.words(&head.sentence);
    sheet.words(&head.more);
    sheet.heading("Next autumn");
    let counsel = next::list(account, manner);
    if counsel.is_empty() {
        sheet.words(next::nothing(&account.losses));
    }
    for (n, Counsel { head, figures }) in counsel.iter().enumerate() {
        sheet.item(n + 1, head, figures);
    }
    for part in parts(account, manner) {
        set(&mut sheet, &part);
    }
    let winter = &account.about.winter;
    sheet.words(&format!(
        "Tables: overwinter winter {winter} --table NAME, of {}.",
        NAMES.join(", ")
    ));
    sheet.text()
}

/// Rows of a table that stands closed on a page; the rest is in the files.
const FEW: usize = 12;

fn set(sheet: &mut Sheet, part: &Part) {
    sheet.heading(&part.title);
    for words in &part.words {
        sheet.words(words);
    }
    for picture in &part.pictures {
        if !picture.sentence.is_empty() {
            sheet.words(&format!("{}: {}", picture.title, picture.sentence));
        }
    }
    for table in &part.tables {
        sheet.table(table, if table.open { usize::MAX } else { FEW });
    }
}
