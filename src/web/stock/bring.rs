//! Bringing a grower's own list in: the sheet, what its columns mean, what would happen, and doing it.
//!
//! Nothing is kept between the steps: the sheet's text travels in the form.

use std::collections::{BTreeMap, BTreeSet};

use askama::Template;
use axum::{
    Extension,
    extract::{
        DefaultBodyLimit, Multipart, State,
        multipart::{MultipartError, MultipartRejection},
    },
    http::StatusCode,
    response::{IntoResponse, Response},
};

use super::{
    super::{
        Site,
        access::Who,
        acts,
        html::{Frame, Tab},
        pages::{Failed, render},
        view,
    },
    enter::{self, AT_ONCE},
    form, history,
};
use crate::{
    notify::words::count,
    stock::{
        CrateCode,
        brought::{Fate, Foreseen, foresee, keep_unsaid},
        ledger::{Asked, Deed, EntryId, Outcome, Refusal, Stock},
        list::{COLUMNS, Crate, Fault, Parsed},
        sheet::{Mapping, Sheet, apply, code_before, decoded, guess, passed_over, questions},
    },
};

/// Most that a form may carry, in bytes: a sheet of 1 MiB whose line ends the browser doubled.
const BYTES: usize = 3 << 20;
/// Columns a sheet can have; of more the sheet itself is refused.
const COLUMNS_READ: usize = 100;

/// What a column can be: word in the form, and on the page.
pub(crate) const USES: [(&str, &str); 12] = [
    ("", "not used"),
    ("code", "crate code"),
    ("variety", "variety"),
    ("count", "how many"),
    ("form", "clump, division or pot tuber"),
    ("place", "place"),
    ("room", "room"),
    ("packing", "packing"),
    ("dug", "day it was dug"),
    ("weight", "weight"),
    ("note", "note"),
    ("prepared", "washed, brushed, cured"),
];

/// The layer that lets a sheet through.
pub(super) fn limit() -> DefaultBodyLimit {
    DefaultBodyLimit::max(BYTES)
}

/// The page in each of its steps.
#[derive(Debug, Clone, Template)]
#[template(path = "bring-in.html", config = "src/web/askama.toml")]
pub struct BringPage {
    /// What stands around the page.
    pub frame: Frame,
    /// Why the sheet was not taken, and what to do.
    pub fault: Option<(String, String)>,
    /// The text of the sheet.
    pub text: String,
    /// What its columns mean and what would happen.
    pub look: Option<Look>,
    /// What was done.
    pub done: Option<Report>,
}

/// A sheet that was read, looked at before anything is entered.
#[derive(Debug, Clone)]
pub struct Look {
    /// Its columns from the left.
    pub columns: Vec<SheetColumn>,
    /// What the sheet does not say, as typed or guessed, by the names of [`Mapping::to_fields`].
    pub said: BTreeMap<String, String>,
    /// Rooms that are known.
    pub rooms: Vec<String>,
    /// Fields that have a column.
    pub mapped: BTreeSet<&'static str>,
    /// What must be said first: why, and what to do.
    pub questions: Vec<(String, String)>,
    /// What the columns were said to mean when the page was made.
    pub shown: String,
    /// Names the page in the keys of what it will ask for.
    pub hand: String,
    /// The code before the first of those that are made, when the page was made.
    pub before: String,
    /// The newest entry of the ledger when the page was made.
    pub seen: i64,
    /// What would happen; none while there are questions.
    pub plan: Option<Plan>,
    /// A word about the page itself.
    pub notice: Option<&'static str>,
}

/// One column of a sheet.
#[derive(Debug, Clone)]
pub struct SheetColumn {
    /// Its number from 0.
    pub nth: usize,
    /// What heads it; may be empty.
    pub name: String,
    /// What stands in it, the first few.
    pub samples: String,
    /// The field it feeds; empty for none.
    pub field: &'static str,
}

/// What bringing the sheet in would do.
#[derive(Debug, Clone, Default)]
pub struct Plan {
    /// Crates that are not there yet, a line each.
    pub new: Vec<String>,
    /// Crates that would be another.
    pub changed: Vec<String>,
    /// Crates that are as the sheet says.
    pub same: Vec<String>,
    /// Rows and crates that are left out: which, why, and what to do.
    pub refused: Vec<(String, String, String)>,
    /// Lines that hold a total and no crate.
    pub totals: String,
    /// Columns that are not used, by name.
    pub unused: String,
    /// Rooms of the sheet that nothing watches.
    pub unwatched: String,
    /// Codes of the sheet that are in the stock already, in a sentence.
    pub known: String,
    /// Words of the button; none when nothing would happen.
    pub button: Option<String>,
}

/// What bringing the sheet in did.
#[derive(Debug, Clone, Default)]
pub struct Report {
    /// In sentences.
    pub sentences: Vec<String>,
    /// Rows and crates that were left out: which, why, and what to do.
    pub refused: Vec<(String, String, String)>,
    /// The sheet is there to be looked at again.
    pub again: bool,
}

impl SheetColumn {
    fn is(&self, field: &str) -> bool {
        self.field == field
    }
}

impl Look {
    fn has(&self, field: &str) -> bool {
        self.mapped.contains(field)
    }

    fn said(&self, field: &str) -> &str {
        self.said.get(field).map_or("", String::as_str)
    }

    fn is(&self, field: &str, value: &str) -> bool {
        self.said(field) == value
    }
}

/// `GET /stock/bring-in`.
pub(super) async fn start(State(site): State<Site>) -> Response {
    render(&blank(&site))
}

fn blank(site: &Site) -> BringPage {
    let status = site.status.borrow().clone();
    let now = site.clock.now();
    let path = "/stock/bring-in".to_owned();
    BringPage {
        frame: view::frame(site, &status, now, "Bring a list in", Tab::Crates, path),
        fault: None,
        text: String::new(),
        look: None,
        done: None,
    }
}

/// `POST /stock/bring-in`: looks at a sheet, or brings it in.
pub(super) async fn bring(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    form: Result<Multipart, MultipartRejection>,
) -> Result<Response, Failed> {
    let form = form.map_err(|e| acts::refuse(&site, e.status(), e.body_text()))?;
    let (fields, file) = read(form).await.map_err(|e| {
        let why = if e.status() == StatusCode::PAYLOAD_TOO_LARGE {
            "the list is larger than 1 MiB; divide it into several files".to_owned()
        } else {
            e.body_text()
        };
        acts::refuse(&site, e.status(), why)
    })?;
    let pasted = fields.get("text").map_or("", String::as_str);
    let text = if file.is_empty() {
        pasted.replace("\r\n", "\n").replace('\r', "\n")
    } else {
        decoded(&file)
    };
    let sheet = if file.is_empty() {
        Sheet::read(text.as_bytes())
    } else {
        Sheet::read(&file)
    };
    let page = BringPage {
        text,
        ..blank(&site)
    };
    let sheet = match sheet {
        Ok(sheet) => sheet,
        Err(fault) => {
            let why = if file.is_empty() && pasted.trim().is_empty() {
                (
                    "No list was sent".to_owned(),
                    "choose a file, or copy the rows of the sheet into the field".to_owned(),
                )
            } else {
                (sentence(&fault.to_string()), fault.remedy().to_owned())
            };
            return Ok(refused(page, why));
        }
    };
    let stock = site.store.stock().await.map_err(Failed::store(&site))?;
    let mapping = match mapping(&fields, &sheet, &site, &stock) {
        Ok(mapping) => mapping,
        Err(why) => {
            // What was sent cannot be read: the sheet is looked at as if it had just come.
            let guessed = guessed(&sheet, &site, &stock);
            let look = look(&site, &stock, sheet, guessed).await?;
            let fault = Some(why);
            let look = Some(look);
            return Ok((
                StatusCode::UNPROCESSABLE_ENTITY,
                render(&BringPage {
                    fault,
                    look,
                    ..page
                }),
            )
                .into_response());
        }
    };
    let shown = spelled(&mapping);
    if fields.get("do").is_none_or(|word| word != "enter") {
        let look = Some(look(&site, &stock, sheet, mapping).await?);
        return Ok(render(&BringPage { look, ..page }));
    }
    let open = questions(&sheet, &mapping);
    if fields.get("shown") != Some(&shown) || !open.is_empty() {
        let mut look = look(&site, &stock, sheet, mapping).await?;
        look.notice = Some(
            "You changed what the sheet means. This is what would happen now; nothing was entered yet.",
        );
        let look = Some(look);
        return Ok(render(&BringPage { look, ..page }));
    }
    let hand = fields.get("hand").map_or("", String::as_str);
    let seen = fields.get("seen").and_then(|seen| seen.parse().ok());
    // Codes that are made are those of the page, also at a second press.
    let before = fields.get("before").and_then(|code| code.parse().ok());
    let parsed = match before {
        Some(before) if !mapping.columns.contains_key("code") => apply(&sheet, &mapping, [&before]),
        _ => parsed(&sheet, &mapping, &stock),
    };
    let asked = asked(&parsed.crates, hand, seen.map(EntryId));
    if asked.iter().any(|a| a.bad_key().is_some()) {
        let why = "this page is not as it was made; load it again";
        return Err(acts::refuse(&site, StatusCode::BAD_REQUEST, why));
    }
    let outcomes = all(&site, who, asked).await?;
    let done = Some(report(&site, &stock, &parsed, &outcomes));
    Ok(render(&BringPage { done, ..page }))
}

fn refused(page: BringPage, why: (String, String)) -> Response {
    let fault = Some(why);
    (
        StatusCode::UNPROCESSABLE_ENTITY,
        render(&BringPage { fault, ..page }),
    )
        .into_response()
}

type Sent = (BTreeMap<String, String>, Vec<u8>);

async fn read(mut form: Multipart) -> Result<Sent, MultipartError> {
    let (mut fields, mut bytes) = (BTreeMap::new(), Vec::new());
    while let Some(field) = form.next_field().await? {
        match field.name().map(str::to_owned) {
            Some(name) if name == "file" => bytes = field.bytes().await?.to_vec(),
            Some(name) => {
                fields.insert(name, field.text().await?);
            }
            None => {}
        }
    }
    Ok((fields, bytes))
}

/// What the columns were said to mean; a guess where nothing was said yet.
fn mapping(
    fields: &BTreeMap<String, String>,
    sheet: &Sheet,
    site: &Site,
    stock: &Stock,
) -> Result<Mapping, (String, String)> {
    if !fields.keys().any(|name| name.starts_with("use-")) {
        return Ok(guessed(sheet, site, stock));
    }
    let mut said = fields.clone();
    let mut columns: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for nth in 0..COLUMNS_READ {
        let word = fields.get(&format!("use-{nth}")).map(String::as_str);
        if let Some(field) = COLUMNS.into_iter().find(|field| Some(*field) == word) {
            columns.entry(field).or_default().push(nth.to_string());
        }
    }
    for (field, columns) in columns {
        if 1 < columns.len() && !["place", "note"].contains(&field) {
            return Err((
                format!("Two columns were said to hold the {field}"),
                "choose one of them and set the other to `not used`; the choices below are set anew"
                    .to_owned(),
            ));
        }
        said.insert(format!("column-{field}"), columns.join(","));
    }
    Mapping::from_fields(&said).map_err(|bad| {
        let remedy = match bad.0.as_str() {
            "dug" => "write the day as year-month-day, such as 2026-10-21",
            _ => "choose again below; the choices are set anew",
        };
        (sentence(&bad.to_string()), remedy.to_owned())
    })
}

fn guessed(sheet: &Sheet, site: &Site, stock: &Stock) -> Mapping {
    let mut mapping = guess(sheet);
    let rooms = rooms(site, stock);
    if let ([only], false) = (rooms.as_slice(), mapping.columns.contains_key("room")) {
        mapping.room.clone_from(only);
    }
    mapping
}

fn rooms(site: &Site, stock: &Stock) -> Vec<String> {
    let status = site.status.borrow().clone();
    let watched = status.settings.rooms.iter().map(|room| &room.name);
    let held = stock.crates().map(|(_, krate)| &krate.room);
    let mut rooms: Vec<String> = Vec::new();
    for room in watched.chain(held) {
        if !rooms.iter().any(|known| known.eq_ignore_ascii_case(room)) {
            rooms.push(room.clone());
        }
    }
    rooms
}

fn spelled(mapping: &Mapping) -> String {
    let fields = mapping.to_fields();
    let fields: Vec<_> = fields.iter().map(|(k, v)| format!("{k}={v}")).collect();
    fields.join("&")
}

fn codes(stock: &Stock) -> Vec<&CrateCode> {
    stock.crates().map(|(_, krate)| &krate.code).collect()
}

fn parsed(sheet: &Sheet, mapping: &Mapping, stock: &Stock) -> Parsed {
    let mut parsed = apply(sheet, mapping, codes(stock));
    keep_unsaid(&mut parsed.crates, mapping, stock);
    parsed
}

async fn look(site: &Site, stock: &Stock, sheet: Sheet, mapping: Mapping) -> Result<Look, Failed> {
    let newest = site.store.newest_entry().await;
    let newest = newest.map_err(Failed::store(site))?;
    let field_of = |nth: usize| {
        let fed = mapping.columns.iter().find(|(_, of)| of.contains(&nth));
        fed.map_or("", |(field, _)| *field)
    };
    let columns = (0..).zip(sheet.columns()).map(|(nth, column)| SheetColumn {
        nth,
        name: column.name.to_owned(),
        samples: column.samples.join(" · "),
        field: field_of(nth),
    });
    let columns: Vec<SheetColumn> = columns.collect();
    let open: Vec<_> = questions(&sheet, &mapping)
        .into_iter()
        .map(|fault| (sentence(&fault.reason), fault.remedy))
        .collect();
    let mut look = Look {
        said: mapping.to_fields(),
        rooms: rooms(site, stock),
        mapped: mapping.columns.keys().copied().collect(),
        questions: open,
        shown: spelled(&mapping),
        hand: form::key(),
        before: code_before(&sheet, &mapping, codes(stock))
            .map(|code| code.to_string())
            .unwrap_or_default(),
        seen: newest.0,
        plan: None,
        notice: None,
        columns,
    };
    if !mapping.room.is_empty() && !look.rooms.contains(&mapping.room) {
        look.rooms.push(mapping.room.clone());
    }
    if look.questions.is_empty() {
        let unused = look.columns.iter().filter(|c| c.field.is_empty());
        let unused: Vec<_> = unused
            .map(|c| match c.name.as_str() {
                "" => format!("column {}", c.nth + 1),
                name => name.to_owned(),
            })
            .collect();
        let status = site.status.borrow().clone();
        let watched = status.settings.rooms.iter();
        let watched: Vec<String> = watched.map(|room| room.name.to_lowercase()).collect();
        let (stock, now) = (stock.clone(), site.clock.now().to_utc());
        // A list of thousands of crates takes a while.
        let plan = tokio::task::spawn_blocking(move || {
            let parsed = parsed(&sheet, &mapping, &stock);
            let totals = passed_over(&sheet, &mapping);
            let fates = foresee(&stock, &parsed.crates, now);
            let mut plan = plan(&fates, &parsed, &watched);
            let totals: Vec<_> = totals.iter().map(u64::to_string).collect();
            plan.totals = totals.join(", ");
            plan
        });
        let mut plan = plan.await.map_err(|_| {
            let why = "this list could not be looked at";
            acts::refuse(site, StatusCode::INTERNAL_SERVER_ERROR, why)
        })?;
        plan.unused = unused.join(", ");
        look.plan = Some(plan);
    }
    Ok(look)
}

fn plan(fates: &[Foreseen], parsed: &Parsed, watched: &[String]) -> Plan {
    let mut plan = Plan {
        refused: rows(&parsed.faults),
        ..Plan::default()
    };
    for foreseen in fates {
        let line = foreseen.to_string();
        match &foreseen.fate {
            Fate::New => plan.new.push(line),
            Fate::Changed { .. } => plan.changed.push(line),
            Fate::Same => plan.same.push(line),
            Fate::Refused(why) => plan.refused.push(krate(&foreseen.code, why)),
        }
    }
    let elsewhere: BTreeSet<&str> = parsed
        .crates
        .iter()
        .map(|krate| krate.room.as_str())
        .filter(|room| !watched.contains(&room.to_lowercase()))
        .collect();
    plan.unwatched = elsewhere.into_iter().collect::<Vec<_>>().join(", ");
    let known = plan.changed.len() + plan.same.len();
    if known != 0 {
        plan.known = format!(
            "{} of the list {} in the stock already. Bringing the list in makes {} what the list says; crates that are not in it stay as they are.",
            count(known, "crate", "crates"),
            if known == 1 { "is" } else { "are" },
            if known == 1 { "it" } else { "them" },
        );
    }
    let n = plan.new.len() + plan.changed.len();
    plan.button = (n != 0).then(|| format!("Bring in {}", count(n, "crate", "crates")));
    plan
}

fn rows(faults: &[Fault]) -> Vec<(String, String, String)> {
    let row = |fault: &Fault| {
        (
            format!("Line {}", fault.line),
            fault.reason.clone(),
            fault.remedy.clone(),
        )
    };
    faults.iter().map(row).collect()
}

fn krate(code: &CrateCode, why: &Refusal) -> (String, String, String) {
    let (why, remedy) = history::refused(why);
    (format!("Crate {code}"), why, remedy)
}

/// One deed to a crate, with a key of its own: pressing twice enters it once.
fn asked(crates: &[Crate], hand: &str, seen: Option<EntryId>) -> Vec<Asked> {
    let hand = hand.rsplit_once('-').map_or("", |(hand, _)| hand);
    (1..)
        .zip(crates)
        .map(|(nth, krate)| Asked {
            key: Some(format!("{hand}-{nth}")),
            seen,
            ..Asked::from(Deed::Listed {
                krate: krate.clone(),
            })
        })
        .collect()
}

async fn all(
    site: &Site,
    who: Option<Extension<Who>>,
    asked: Vec<Asked>,
) -> Result<Vec<Outcome>, Failed> {
    let mut outcomes = Vec::with_capacity(asked.len());
    for some in asked.chunks(AT_ONCE) {
        let entered = enter::enter(site, who.clone(), some.to_vec(), false).await;
        outcomes.extend(entered.map_err(|error| acts::unavailable(site, &error))?);
    }
    Ok(outcomes)
}

fn report(site: &Site, before: &Stock, parsed: &Parsed, outcomes: &[Outcome]) -> Report {
    let now = site.clock.now();
    let (mut new, mut changed, mut same, mut known) = (0, 0, 0, 0);
    let mut report = Report {
        refused: rows(&parsed.faults),
        ..Report::default()
    };
    for (krate, outcome) in parsed.crates.iter().zip(outcomes) {
        match outcome {
            Outcome::Entered(_) if before.find(&krate.code).is_none() => new += 1,
            Outcome::Entered(_) => changed += 1,
            // Where codes are made they go on from the crates of the first press.
            Outcome::Known(_) | Outcome::Refused(Refusal::OtherWords) => known += 1,
            Outcome::Refused(Refusal::AsItStands) => same += 1,
            other => {
                let told = history::told(other, before, now, site.manner);
                let (why, remedy) = told.unwrap_or_default();
                report
                    .refused
                    .push((format!("Crate {}", krate.code), why, remedy));
            }
        }
    }
    let crates = |n: usize| count(n, "crate", "crates");
    let mut say = |n: usize, words: String| {
        if n != 0 {
            report.sentences.push(words);
        }
    };
    say(
        new + changed,
        format!(
            "{} brought in: {new} new, {changed} changed.",
            crates(new + changed)
        ),
    );
    say(
        known,
        format!(
            "{} came in at the first press already; nothing was entered twice.",
            crates(known)
        ),
    );
    say(same, format!("{} as before.", crates(same)));
    if report.sentences.is_empty() {
        report.sentences.push("Nothing was brought in.".to_owned());
    }
    report.again = !report.refused.is_empty();
    report
}

fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().collect::<String>() + letters.as_str()
    })
}
