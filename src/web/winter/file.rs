//! The account as one file that opens without the program and prints well.

use askama::Template;
use chrono_tz::Tz;

use super::{
    Headline,
    copy::{self, About},
    data::Data,
    headline,
    next::{self, Counsel},
    part::{Part, Rows, moment},
    parts,
};
use crate::{climate::Unit, notify::words::Manner, season::trail::Row};

/// Rows of the trail that are set in the page; the data under it hold them all.
const TOLD: usize = 3000;
/// The same looks as the pages.
const STYLE: [&str; 2] = [
    include_str!("../../../static/overwinter.css"),
    include_str!("../../../static/winter.css"),
];

/// The file.
#[derive(Debug, Clone, Template)]
#[template(path = "winter-file.html", config = "src/web/askama.toml")]
pub struct WinterFile {
    /// What the store is called.
    pub store: String,
    /// "2025-26".
    pub winter: String,
    /// The first sentences.
    pub head: Headline,
    /// What it counsels.
    pub counsel: Vec<Counsel>,
    /// What is said where there is none.
    pub nothing: &'static str,
    /// Every part.
    pub parts: Vec<Part>,
    /// Everything that was entered.
    pub trail: Rows,
    /// The program and its version.
    pub program: String,
    /// When it was made, and by whom.
    pub made: String,
    /// See there; may be empty.
    pub by: String,
    /// SHA-256 of its data.
    pub sha256: String,
    /// The style sheets.
    pub style: String,
    /// The sealed data.
    pub sealed: String,
}

/// The page of these data, as a copy that says this of itself. The same data and words give the same page,
/// byte for byte.
pub fn page_file(data: &Data, about: &About) -> Result<String, askama::Error> {
    let account = &data.account;
    let manner = Manner {
        zone: account.about.zone.parse().unwrap_or(Tz::UTC),
        unit: if about.units == "C" { Unit::C } else { Unit::F },
    };
    let text = copy::data_of(data).map_err(|e| askama::Error::Custom(e.into()))?;
    let sealed = copy::seal(about.clone(), &text).map_err(|e| askama::Error::Custom(e.into()))?;
    let made = chrono::DateTime::parse_from_rfc3339(&about.made_at);
    WinterFile {
        store: account.about.store.clone(),
        winter: account.about.winter.clone(),
        head: headline(account),
        counsel: next::list(account, manner),
        nothing: next::nothing(&account.losses),
        parts: parts(account, manner),
        trail: trail(&data.trail, manner),
        program: about.program.clone(),
        made: made.map_or_else(
            |_| about.made_at.clone(),
            |at| {
                format!(
                    "{}, {}",
                    super::part::day_of(at.to_utc(), manner),
                    manner.clock(at.to_utc().into())
                )
            },
        ),
        by: about.made_by.clone(),
        sha256: copy::sha256_hex(&text),
        style: STYLE.join("\n"),
        sealed: copy::in_page(&sealed),
    }
    .render()
}

fn trail(rows: &[Row], manner: Manner) -> Rows {
    let mut out = Rows::new(
        "Everything that was entered",
        &["When", "Who", "What", "About", "More"],
    );
    for row in rows.iter().take(TOLD) {
        let more = match &row.change {
            Some(c) => {
                let value = |v: &Option<serde_json::Value>| match v {
                    Some(serde_json::Value::String(s)) => s.clone(),
                    Some(v) => v.to_string(),
                    None => "nothing".to_owned(),
                };
                format!(
                    "{} {}: {} to {}",
                    c.about,
                    c.field,
                    value(&c.old),
                    value(&c.new)
                )
            }
            None => row.detail.clone(),
        };
        out.push([
            moment(row.at, manner),
            row.who.clone(),
            row.what.replace('-', " "),
            row.about.clone(),
            more,
        ]);
    }
    let note = if TOLD < rows.len() {
        "The first of them; the data in this file have all."
    } else {
        ""
    };
    out.noting(note)
}
