//! `labels`: labels for crates as one page of HTML that needs nothing else, to be printed by any browser.

use std::io::{Write as _, stdout};

use askama::Template as _;
use clap::{
    Args,
    builder::{PossibleValuesParser, TypedValueParser as _},
};

use super::{ConfigArg, Failure, Outcome, configuration, run::runtime};
use crate::{
    store::Store,
    web::{
        names::{self, is_here},
        stock::labels::{
            in_walking_order,
            sheet::{COPIES, MOST_COPIES, Paper, Sheets, SheetsFile, Size, Tag},
            unknown,
        },
    },
};

/// Which labels.
#[derive(Args)]
pub struct Options {
    #[command(flatten)]
    config: ConfigArg,
    /// What they are printed on; single is a label printer with 100 x 60 mm
    #[arg(long, default_value = Paper::A4.key(), value_parser = PossibleValuesParser::new(Paper::ALL.map(Paper::key)).try_map(|p| p.parse::<Paper>()))]
    paper: Paper,
    /// Large: 8 on a sheet; small: 24
    #[arg(long, default_value = Size::Large.key(), value_parser = PossibleValuesParser::new(Size::ALL.map(Size::key)).try_map(|s| s.parse::<Size>()))]
    size: Size,
    /// Labels for each crate: one on each end and one inside
    #[arg(long, value_name = "N", default_value_t = COPIES as u8, value_parser = clap::value_parser!(u8).range(1..=MOST_COPIES as i64))]
    copies: u8,
    /// Where phones find the pages, instead of `address` in the configuration
    #[arg(long, value_name = "URL")]
    address: Option<String>,
    /// The codes of the crates; every crate when none is given
    #[arg(value_name = "CODE")]
    codes: Vec<String>,
}

/// `overwinter labels`.
pub fn labels(options: &Options) -> Outcome {
    let config = configuration(&options.config.config)?;
    let base = match &options.address {
        Some(text) => names::address(text)
            .map_err(|why| Failure::input(why, "such as --address http://store.lan:8480"))?,
        None => config.address.clone().ok_or_else(|| {
            Failure::input(
                "the codes on labels lead to an address, and none is known",
                "set `address` under [site] in the configuration to where phones find the pages, or give it: --address http://store.lan:8480",
            )
        })?,
    };
    if !config.database.exists() {
        return Err(Failure::input(
            format!("there is no database `{}` yet", config.database.display()),
            "`overwinter run` makes it; `overwinter import crates FILE` brings in a list of crates",
        ));
    }
    let stock = runtime()?.block_on(async {
        let store = Store::open(&config.database).await?;
        let stock = store.stock().await;
        store.close().await;
        Ok::<_, Failure>(stock?)
    })?;
    let strange = unknown(&stock, &options.codes);
    if !strange.is_empty() {
        return Err(Failure::input(
            format!("no crate has the code {}", strange.join(" or ")),
            "look at the page Crates; without a code every crate gets its labels",
        ));
    }
    let named = |code: &str| options.codes.iter().any(|c| c.eq_ignore_ascii_case(code));
    let chosen = in_walking_order(&stock, |_, krate| {
        options.codes.is_empty() || named(krate.code.as_str())
    });
    if chosen.is_empty() {
        return Err(Failure::input(
            "there is no crate yet",
            "bring in a list: overwinter import crates FILE",
        ));
    }
    let sheets = Sheets {
        paper: options.paper,
        size: options.size,
        copies: usize::from(options.copies),
        tags: (chosen.iter())
            .map(|(id, krate)| Tag::of(&stock, *id, krate, &base))
            .collect(),
    };
    let found = sheets.found();
    let page = SheetsFile {
        sheets,
        found: found.clone(),
    };
    stdout().write_all(page.render()?.as_bytes())?;
    tell!("{found} They lead to {base}.");
    if base
        .split_once("://")
        .is_some_and(|(_, host)| is_here(host))
    {
        tell!(
            "A phone cannot follow these: every device takes that address for itself. Set `address` under [site] in the configuration, and print then."
        );
    }
    Ok(())
}
