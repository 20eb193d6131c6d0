//! A crate list, as a grower keeps it in a spreadsheet: read into crates and faults, and written out.

use std::{
    borrow::Cow,
    collections::{BTreeMap, BTreeSet},
    fmt,
};

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::{
    CrateCode, Form, Prepared,
    cell::{self, Wrong, shown},
};

/// The columns a crate list may have, in the order in which they are written.
pub const COLUMNS: [&str; 11] = [
    "code", "room", "place", "variety", "form", "packing", "count", "dug", "weight", "note",
    "prepared",
];

/// Without these a row says too little to find a crate again.
const NEEDED: [&str; 5] = ["code", "room", "variety", "form", "count"];

/// Longest name of a room, in characters.
pub(super) const ROOM: usize = 60;
/// Longest place, in characters.
pub(super) const PLACE: usize = 80;
/// Longest packing, in characters.
pub(super) const PACKING: usize = 60;
/// Longest name of a variety, in characters.
pub(super) const VARIETY: usize = 80;
/// Longest remark, in characters.
pub(super) const NOTE: usize = 200;

/// About ten thousand lots; a farm of 500 crates fills a twentieth.
pub(super) const MAX_BYTES: usize = 1 << 20;

/// After this many faults the list is not read on: one cause is behind most of them.
const MAX_FAULTS: usize = 500;

/// What a crate list said, and what of it could not be understood.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Parsed {
    /// Crates in the order in which they first appear, each with at least one lot.
    pub crates: Vec<Crate>,
    /// Every fault, in the order of the lines; a row with a fault adds no lot.
    pub faults: Vec<Fault>,
}

/// One labelled container at one place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Crate {
    /// What stands on the label.
    pub code: CrateCode,
    /// The room it stands in, never empty.
    pub room: String,
    /// Where in the room, empty when the list does not say.
    #[serde(default)]
    pub place: String,
    /// The medium and container around the tubers, empty when the list does not say.
    #[serde(default)]
    pub packing: String,
    /// What is in it.
    pub lots: Vec<Lot>,
}

/// Tubers of one variety, one form and one dig in one crate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Lot {
    /// The variety's name, never empty.
    pub variety: String,
    /// Clump, division or pot tuber.
    pub form: Form,
    /// How many, 1 to 100 000.
    pub count: u32,
    /// The day it was dug, when known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dug: Option<NaiveDate>,
    /// Weight in grams, when it was weighed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weight_g: Option<u32>,
    /// The grower's remark, empty when there is none.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub note: String,
    /// What was done to them before they were packed.
    #[serde(default, skip_serializing_if = "Prepared::is_none")]
    pub prepared: Prepared,
}

/// Something in a crate list that could not be understood, and what to do about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// The line of the file, counted from 1.
    pub line: u64,
    /// The column, when the fault lies in one.
    pub field: Option<&'static str>,
    /// What is wrong, in words.
    pub reason: String,
    /// What to do, in words.
    pub remedy: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}", self.line)?;
        if let Some(field) = self.field {
            write!(f, ", {field}")?;
        }
        write!(f, ": {}", self.reason)
    }
}

/// Reads a crate list: good rows become lots in crates, each bad one a fault of its own.
///
/// A row is one line. A cell may stand in quotation marks but not run over a line's end: a mark
/// that is never closed would otherwise swallow the crates below it unseen.
pub fn parse(text: &str) -> Parsed {
    let alone = |line, reason: String, remedy: String| Parsed {
        crates: Vec::new(),
        faults: vec![fault(line, None, (reason, remedy))],
    };
    if text.len() > MAX_BYTES {
        return alone(
            1,
            format!("the list is longer than {MAX_BYTES} bytes"),
            "divide it into several files".into(),
        );
    }
    let text = text.trim_start_matches('\u{feff}').replace("\r\n", "\n");
    let mut lines = (1..)
        .zip(text.split(['\n', '\r']))
        .filter(|(_, line)| !is_blank(line));
    let Some((line, header)) = lines.next() else {
        return alone(
            1,
            "the list is empty".into(),
            format!("begin with the line `{}`", COLUMNS.join(",")),
        );
    };
    let columns = match read_header(line, header) {
        Ok(columns) => columns,
        Err(faults) => {
            return Parsed {
                crates: Vec::new(),
                faults,
            };
        }
    };
    let mut list = List::default();
    for (line, row) in lines {
        if list.is_full(line) {
            break;
        }
        match cells(row).and_then(|cells| of_width(cells, columns.len())) {
            // A column the list does not have is an empty cell.
            Ok(cells) => list.add(line, |field| {
                let column = columns.iter().position(|known| *known == field);
                Ok(column.and_then(|nth| cells.get(nth)).unwrap_or("").into())
            }),
            Err(wrong) => list.refuse(line, wrong),
        }
    }
    list.done()
}

/// Whether the first filled line names the columns of a crate list.
pub fn is_list(text: &str) -> bool {
    let text = text.trim_start_matches('\u{feff}');
    let first = text.split(['\n', '\r']).find(|line| !is_blank(line));
    first.is_some_and(|header| read_header(1, header).is_ok())
}

fn is_blank(line: &str) -> bool {
    line.chars().all(|c| c == ',' || c.is_whitespace())
}

/// Writes a crate list that [`parse`] reads back to the same crates; lots that are alike, such as two
/// that were corrected to be, make one row.
pub fn write(crates: &[Crate]) -> String {
    let mut out = csv::Writer::from_writer(Vec::new());
    let mut row = |cells: [&str; 11]| out.write_record(cells).expect("memory takes every row");
    row(COLUMNS);
    for krate in crates {
        for lot in &together(&krate.lots) {
            row([
                krate.code.as_str(),
                &krate.room,
                &krate.place,
                &lot.variety,
                &lot.form.to_string(),
                &krate.packing,
                &lot.count.to_string(),
                &lot.dug.map(|day| day.to_string()).unwrap_or_default(),
                &lot.weight_g.map(kilograms).unwrap_or_default(),
                &lot.note,
                &lot.prepared.to_string(),
            ]);
        }
    }
    let bytes = out.into_inner().expect("memory takes every row");
    String::from_utf8(bytes).expect("made of text alone")
}

/// Lots of one crate, those that are alike put together.
fn together(lots: &[Lot]) -> Vec<Lot> {
    let mut all: Vec<Lot> = Vec::new();
    for lot in lots {
        let alike = |known: &&mut Lot| {
            known.variety.eq_ignore_ascii_case(&lot.variety)
                && (known.form, known.dug, known.prepared) == (lot.form, lot.dug, lot.prepared)
        };
        let Some(known) = all.iter_mut().find(alike) else {
            all.push(lot.clone());
            continue;
        };
        known.count += lot.count;
        known.weight_g = known.weight_g.zip(lot.weight_g).map(|(a, b)| a + b);
        let both = format!("{}; {}", known.note, lot.note);
        if known.note.is_empty() {
            known.note.clone_from(&lot.note);
        } else if !lot.note.is_empty() && lot.note != known.note && both.chars().count() <= NOTE {
            known.note = both;
        }
    }
    all
}

fn kilograms(grams: u32) -> String {
    let text = format!("{}.{:03}", grams / 1000, grams % 1000);
    format!("{} kg", text.trim_end_matches('0').trim_end_matches('.'))
}

pub(super) fn fault(line: u64, field: Option<&'static str>, (reason, remedy): Wrong) -> Fault {
    Fault {
        line,
        field,
        reason,
        remedy,
    }
}

fn read_header(line: u64, header: &str) -> Result<Vec<&'static str>, Vec<Fault>> {
    for (sign, name) in [(';', "semicolons"), ('\t', "tabs")] {
        if header.contains(sign) && !header.contains(',') {
            let reason = format!("the columns are divided by {name}, not by commas");
            let remedy = "save the sheet again as CSV and choose the comma as field separator";
            return Err(vec![fault(line, None, (reason, remedy.into()))]);
        }
    }
    let mut columns = Vec::new();
    let mut faults = Vec::new();
    let cells = cells(header).map_err(|wrong| vec![fault(line, None, wrong)])?;
    for (nth, name) in (1..).zip(&cells) {
        if faults.len() >= MAX_FAULTS {
            break;
        }
        let name = name.trim();
        match COLUMNS
            .into_iter()
            .find(|known| known.eq_ignore_ascii_case(name))
        {
            Some(known) if columns.contains(&known) => faults.push(fault(
                line,
                Some(known),
                (
                    format!("`{known}` heads two columns"),
                    "take one of the two out".into(),
                ),
            )),
            Some(known) => columns.push(known),
            None => {
                let reason = if name.is_empty() {
                    format!("column {nth} has no name")
                } else {
                    format!("`{}` is not a column of a crate list", shown(name))
                };
                let known = COLUMNS.join(", ");
                let remedy = format!("take the column out or use one of: {known}");
                faults.push(fault(line, None, (reason, remedy)));
            }
        }
    }
    for needed in NEEDED {
        if !columns.contains(&needed) {
            let reason = format!("the column `{needed}` is missing");
            let remedy = format!("add `{needed}` to the header and fill it in");
            faults.push(fault(line, Some(needed), (reason, remedy)));
        }
    }
    if faults.is_empty() {
        Ok(columns)
    } else {
        Err(faults)
    }
}

/// The cells of one line.
fn cells(line: &str) -> Result<csv::StringRecord, Wrong> {
    let ended = format!("{line}\n");
    let mut record = csv::StringRecord::new();
    let read = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .from_reader(ended.as_bytes())
        .read_record(&mut record);
    if let Err(error) = read {
        return Err((
            format!("the row cannot be read: {error}"),
            "write the row again".into(),
        ));
    }
    // The line's own end only gets into a cell through an open quotation mark.
    if record.iter().next_back().is_some_and(|c| c.ends_with('\n')) {
        return Err(open_mark());
    }
    Ok(record)
}

/// Crates as their rows come in.
#[derive(Default)]
pub(super) struct List {
    crates: Vec<Crate>,
    faults: Vec<Fault>,
    index: BTreeMap<CrateCode, usize>,
    /// Crate, folded variety, form, dig and preparation: what makes a lot one lot.
    seen: BTreeSet<(usize, String, Form, Option<NaiveDate>, String)>,
}

impl List {
    /// Whether reading ends before this line, which is then a fault of its own.
    pub(super) fn is_full(&mut self, line: u64) -> bool {
        let full = self.faults.len() >= MAX_FAULTS;
        if full {
            let reason = format!("not read from here on, after {} faults", self.faults.len());
            self.refuse(line, (reason, "mend those above first".into()));
        }
        full
    }

    /// A row that cannot be divided into cells.
    pub(super) fn refuse(&mut self, line: u64, wrong: Wrong) {
        self.faults.push(fault(line, None, wrong));
    }

    /// Everything read, without what is left of a crate whose rows, or whose room, were all refused.
    pub(super) fn done(mut self) -> Parsed {
        self.crates
            .retain(|krate| !krate.lots.is_empty() && !krate.room.is_empty());
        Parsed {
            crates: self.crates,
            faults: self.faults,
        }
    }

    /// Takes one row in; `cell` gives the text of each of [`COLUMNS`].
    pub(super) fn add<'a>(
        &mut self,
        line: u64,
        cell: impl Fn(&'static str) -> Result<Cow<'a, str>, Wrong>,
    ) {
        let before = self.faults.len();
        let mut row = Row {
            line,
            cell,
            faults: &mut self.faults,
        };
        let code = row.take("code", cell::code);
        let said = [
            ("room", row.take("room", |text| cell::words(text, ROOM))),
            ("place", row.take("place", |text| cell::words(text, PLACE))),
            (
                "packing",
                row.take("packing", |text| cell::words(text, PACKING)),
            ),
        ];
        let variety = row.take("variety", |text| cell::words(cell::filled(text)?, VARIETY));
        let form = row.take("form", cell::form);
        let count = row.take("count", cell::count);
        let dug = row.take("dug", cell::dug);
        let weight_g = row.take("weight", cell::weight);
        let note = row.take("note", |text| cell::words(text, NOTE));
        let prepared = row.take("prepared", cell::prepared);

        let Some(code) = code else { return };
        let at = self.index.get(&code).copied().unwrap_or_else(|| {
            self.index.insert(code.clone(), self.crates.len());
            if said[0].1.as_ref().is_some_and(String::is_empty) {
                let wrong = (
                    format!("the first row of crate `{code}` names no room"),
                    "write the room the crate stands in".into(),
                );
                self.faults.push(fault(line, Some("room"), wrong));
            }
            self.crates.push(Crate {
                code: code.clone(),
                room: String::new(),
                place: String::new(),
                packing: String::new(),
                lots: Vec::new(),
            });
            self.crates.len() - 1
        });
        let krate = &mut self.crates[at];
        for (known, (field, said)) in [&mut krate.room, &mut krate.place, &mut krate.packing]
            .into_iter()
            .zip(said)
        {
            let Some(said) = said.filter(|said| !said.is_empty()) else {
                continue;
            };
            if known.is_empty() {
                *known = said;
            } else if known.to_lowercase() != said.to_lowercase() {
                let (known, said) = (shown(known), shown(&said));
                let wrong = (
                    format!("crate `{code}` has the {field} `{known}` further up, `{said}` here"),
                    format!(
                        "correct one of the two, or leave {field} empty after a crate's first row; another crate needs a code of its own"
                    ),
                );
                self.faults.push(fault(line, Some(field), wrong));
            }
        }
        if self.faults.len() > before {
            return;
        }
        let (Some(variety), Some(form), Some(count), Some(dug)) = (variety, form, count, dug)
        else {
            return;
        };
        let (Some(weight_g), Some(note), Some(prepared)) = (weight_g, note, prepared) else {
            return;
        };
        let lot = (
            at,
            variety.to_ascii_lowercase(),
            form,
            dug,
            prepared.to_string(),
        );
        if !self.seen.insert(lot) {
            let wrong = (
                format!(
                    "crate `{code}` already holds {form} of `{}` from this dig",
                    shown(&variety)
                ),
                "take the second row out, or add the two counts together on one row".into(),
            );
            return self.faults.push(fault(line, None, wrong));
        }
        krate.lots.push(Lot {
            variety,
            form,
            count,
            dug,
            weight_g,
            note,
            prepared,
        });
    }
}

struct Row<'a, F> {
    line: u64,
    cell: F,
    faults: &'a mut Vec<Fault>,
}

impl<'c, F: Fn(&'static str) -> Result<Cow<'c, str>, Wrong>> Row<'_, F> {
    /// The trimmed cell as `read` understands it.
    fn take<T>(
        &mut self,
        field: &'static str,
        read: impl Fn(&str) -> Result<T, Wrong>,
    ) -> Option<T> {
        (self.cell)(field)
            .and_then(|text| read(text.trim()))
            .map_err(|wrong| self.faults.push(fault(self.line, Some(field), wrong)))
            .ok()
    }
}

/// What is wrong with a cell whose quotation mark is never closed.
pub(super) fn open_mark() -> Wrong {
    (
        "a quotation mark opens a cell and is not closed on this line".into(),
        "keep the cell on one line, and close the quotation mark or take it out".into(),
    )
}

fn of_width(record: csv::StringRecord, width: usize) -> Result<csv::StringRecord, Wrong> {
    let found = record.len();
    if found == width {
        return Ok(record);
    }
    let cells = if found == 1 { "cell" } else { "cells" };
    let remedy = if found > width {
        "put double quotes around a cell that holds a comma: \"soft, use first\""
    } else {
        "add the missing commas; an empty cell keeps its comma"
    };
    Err((
        format!("the row has {found} {cells}, the header {width} columns"),
        remedy.into(),
    ))
}

#[cfg(test)]
pub(super) mod tests;
