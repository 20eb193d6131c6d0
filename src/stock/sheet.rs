//! A grower's own spreadsheet, as it is: read from a CSV file into a header and rows.
//!
//! What its columns mean is a [`Mapping`]: [`guess`] proposes one, a person corrects it, and
//! [`apply`] makes crates of the rows.

use std::{cmp::Reverse, collections::BTreeMap};

use thiserror::Error;

use super::{
    cell::Wrong,
    list::{MAX_BYTES, open_mark},
};

mod apply;
mod day;
mod guess;
mod mapping;

pub use apply::{apply, code_before, passed_over, questions};
pub use day::DateOrder;
pub use guess::guess;
pub use mapping::{BadField, Mapping, Unit};

/// A farm of 500 crates of three lots fills less than a third.
const MAX_ROWS: usize = 5000;

/// More are no list of crates.
const MAX_COLUMNS: usize = 60;

/// A cell of more lines is taken for a quotation mark that was never closed.
const MAX_CELL_LINES: usize = 10;

/// The header stands within so many filled lines, titles above it included.
const HEADER_WITHIN: usize = 20;

/// The separator is told from so many filled lines.
const JUDGED_LINES: usize = 200;

/// A spreadsheet's header and the rows below it.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// The line the header stands on, counted from 1.
    line: u64,
    names: Vec<String>,
    rows: Vec<Row>,
}

#[derive(Debug, Clone, PartialEq)]
struct Row {
    line: u64,
    /// Trimmed, as many as there are names; or why the line is no row.
    cells: Result<Vec<String>, Wrong>,
}

/// One column as a page shows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Column<'a> {
    /// What heads it, empty when nothing does.
    pub name: &'a str,
    /// The first three cells that hold something.
    pub samples: Vec<&'a str>,
}

/// Why a file is no sheet at all.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum SheetFault {
    /// More than 1 MiB.
    #[error("the file is larger than {MAX_BYTES} bytes")]
    Large,
    /// A workbook, a picture, or text in a coding of two bytes a letter.
    #[error("the file is not plain text")]
    NotText,
    /// Nothing but blanks.
    #[error("the file is empty")]
    Empty,
    /// No line that could name columns with a row below it.
    #[error("no line was found that names the columns, with rows below it")]
    NoHeader,
    /// More than 60 columns.
    #[error("the sheet has more than {MAX_COLUMNS} columns")]
    Wide,
    /// More than 5000 rows.
    #[error("the sheet has more than {MAX_ROWS} rows")]
    Long,
}

impl SheetFault {
    /// What to do, in words.
    pub fn remedy(self) -> &'static str {
        match self {
            Self::Large | Self::Long => "divide it into several files",
            Self::NotText => "open it in the spreadsheet and save it as CSV, in UTF-8 if it asks",
            Self::Empty => "choose the file again, or save the sheet again as CSV",
            Self::NoHeader => {
                "write a name above each column, such as crate, variety, count and place"
            }
            Self::Wide => "save only the columns that tell of the crates",
        }
    }
}

impl Sheet {
    /// Reads a CSV file in UTF-8, or else Windows-1252, with columns divided by `,`, `;`, tab or `|`.
    ///
    /// The header is the first line that names two columns known here, or else the first with two
    /// cells of text; it has a row below it. Titles above it and empty lines are passed over. A row
    /// too short is filled with empty cells.
    pub fn read(bytes: &[u8]) -> Result<Self, SheetFault> {
        if bytes.len() > MAX_BYTES {
            return Err(SheetFault::Large);
        }
        if bytes.contains(&0) {
            return Err(SheetFault::NotText);
        }
        let text = decoded(bytes).replace("\r\n", "\n");
        let lines: Vec<&str> = text.split(['\n', '\r']).collect();
        let filled = lines.iter().copied().filter(|line| !line.trim().is_empty());
        let judged: Vec<_> = filled.take(JUDGED_LINES).collect();
        if judged.is_empty() {
            return Err(SheetFault::Empty);
        }
        let separator = b",;\t|"
            .iter()
            .copied()
            .min_by_key(|separator| Reverse(evenness(&judged, *separator)))
            .unwrap_or(b',');
        let (at, mut names) = header(&lines, separator).ok_or(SheetFault::NoHeader)?;
        let mut rows = rows(&lines, at + 1, separator, names.len())?;
        let named = names.iter().rposition(|name| !name.is_empty());
        let width = rows
            .iter()
            .filter_map(|row| row.cells.as_ref().ok().map(Vec::len))
            .chain(named.map(|nth| nth + 1))
            .max()
            .unwrap_or_default();
        if MAX_COLUMNS < width {
            return Err(SheetFault::Wide);
        }
        names.resize(width, String::new());
        for cells in rows.iter_mut().filter_map(|row| row.cells.as_mut().ok()) {
            cells.resize(width, String::new());
        }
        Ok(Self {
            line: at as u64 + 1,
            names,
            rows,
        })
    }

    /// Every column from the left, with what stands in it.
    pub fn columns(&self) -> Vec<Column<'_>> {
        (0..self.names.len())
            .map(|nth| Column {
                name: &self.names[nth],
                samples: self.filled(nth).take(3).collect(),
            })
            .collect()
    }

    /// What a column holds from the top, without its empty cells.
    fn filled(&self, column: usize) -> impl Iterator<Item = &str> {
        self.cells()
            .filter_map(move |cells| cells.get(column))
            .map(String::as_str)
            .filter(|cell| !cell.is_empty())
    }

    /// The rows that could be divided into cells.
    fn cells(&self) -> impl Iterator<Item = &[String]> {
        self.rows.iter().filter_map(|row| row.cells.as_deref().ok())
    }
}

/// The text of a file in UTF-8, or else Windows-1252.
pub fn decoded(bytes: &[u8]) -> String {
    if let Ok(text) = std::str::from_utf8(bytes) {
        return text.trim_start_matches('\u{feff}').to_owned();
    }
    // What Windows-1252 has at 0x80 to 0x9f (Encoding Standard, index windows-1252; from memory,
    // compared with another decoder); the rest of it is Latin-1.
    const HIGH: [char; 32] = [
        '€', '\u{81}', '‚', 'ƒ', '„', '…', '†', '‡', 'ˆ', '‰', 'Š', '‹', 'Œ', '\u{8d}', 'Ž',
        '\u{8f}', '\u{90}', '‘', '’', '“', '”', '•', '–', '—', '˜', '™', 'š', '›', 'œ', '\u{9d}',
        'ž', 'Ÿ',
    ];
    let letter = |b: &u8| match b {
        0x80..=0x9f => HIGH[usize::from(b - 0x80)],
        _ => char::from(*b),
    };
    bytes.iter().map(letter).collect()
}

/// How many lines agree in their number of cells, two or more, and what that number is.
fn evenness(lines: &[&str], separator: u8) -> (usize, usize) {
    let mut widths = BTreeMap::new();
    for line in lines {
        *widths.entry(split(line, separator).0.len()).or_insert(0) += 1;
    }
    widths
        .into_iter()
        .filter(|(width, _)| 2 <= *width)
        .map(|(width, lines)| (lines, width))
        .max()
        .unwrap_or_default()
}

/// The trimmed cells of a row, and whether a quotation mark in it is still open at its end.
fn split(row: &str, separator: u8) -> (Vec<String>, bool) {
    let ended = format!("{row}\n");
    let mut record = csv::ByteRecord::new();
    // Reading from memory does not fail.
    let _ = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(separator)
        .buffer_capacity(ended.len())
        .from_reader(ended.as_bytes())
        .read_byte_record(&mut record);
    let open = record
        .iter()
        .next_back()
        .is_some_and(|c| c.ends_with(b"\n"));
    let text = |cell| String::from_utf8_lossy(cell).trim().to_owned();
    (record.iter().map(text).collect(), open)
}

fn is_blank(line: &str, separator: u8) -> bool {
    line.chars()
        .all(|c| c == char::from(separator) || c.is_whitespace())
}

/// Where the header stands among the lines, from 0, and its cells.
fn header(lines: &[&str], separator: u8) -> Option<(usize, Vec<String>)> {
    let filled = (0..)
        .zip(lines)
        .filter(|(_, line)| !is_blank(line, separator))
        .map(|(at, line)| (at, split(line, separator).0));
    let top: Vec<(usize, Vec<String>)> = filled.take(HEADER_WITHIN + 1).collect();
    // A row of the sheet has two cells or more, and no more than the header.
    let is_row =
        |nth: usize, below: &(usize, Vec<String>)| (2..=top[nth].1.len()).contains(&below.1.len());
    let known = |cells: &[String]| {
        let names = cells.iter().take(MAX_COLUMNS);
        names.filter(|name| guess::is_known(name)).count()
    };
    let texts = |cells: &[String]| {
        let is_text = |cell: &&String| cell.contains(char::is_alphabetic);
        let is_value = |cell: &String| {
            !cell.is_empty() && cell.chars().all(|c| !c.is_alphabetic() && c != '#')
        };
        let texts = cells.iter().filter(is_text).count();
        if cells.iter().any(is_value) { 0 } else { texts }
    };
    let named = (0..top.len()).find(|nth| {
        2 <= known(&top[*nth].1) && top[nth + 1..].iter().any(|below| is_row(*nth, below))
    });
    let nth = named.or_else(|| {
        (0..top.len()).find(|nth| {
            2 <= texts(&top[*nth].1) && top.get(nth + 1).is_some_and(|below| is_row(*nth, below))
        })
    })?;
    top.into_iter().nth(nth)
}

fn rows(
    lines: &[&str],
    mut at: usize,
    separator: u8,
    width: usize,
) -> Result<Vec<Row>, SheetFault> {
    let mut rows = Vec::new();
    while at < lines.len() {
        if is_blank(lines[at], separator) {
            at += 1;
            continue;
        }
        let line = at as u64 + 1;
        let (taken, cells) = row(&lines[at..], separator, width);
        at += taken;
        if MAX_ROWS <= rows.len() {
            return Err(SheetFault::Long);
        }
        rows.push(Row { line, cells });
    }
    Ok(rows)
}

/// The row at the head of the lines, without the empty cells at its end, and how many of them it takes.
///
/// A cell in quotation marks may run over line ends. Lines that are rows by themselves are never
/// taken into it: a mark that was not closed would swallow the crates below it unseen.
fn row(lines: &[&str], separator: u8, width: usize) -> (usize, Result<Vec<String>, Wrong>) {
    let mut text = lines[0].to_owned();
    let (mut cells, mut open) = split(&text, separator);
    let mut taken = 1;
    while open {
        let next = lines.get(taken).filter(|next| {
            let whole = split(next, separator).0.len() == width;
            taken < MAX_CELL_LINES && !(whole && next.matches('"').count() % 2 == 0)
        });
        let Some(next) = next else {
            return (1, Err(open_mark()));
        };
        text.push('\n');
        text.push_str(next);
        taken += 1;
        (cells, open) = split(&text, separator);
    }
    let filled = cells.iter().rposition(|cell| !cell.is_empty());
    let filled = filled.map_or(0, |nth| nth + 1);
    if 1 < taken && cells.len() != width {
        return (1, Err(open_mark()));
    }
    if width < filled {
        return (taken, Err(too_wide(filled, width)));
    }
    cells.truncate(filled);
    (taken, Ok(cells))
}

fn too_wide(found: usize, width: usize) -> Wrong {
    (
        format!("the row has {found} cells, the header {width} columns"),
        "put double quotes around a cell that holds the sign between columns".into(),
    )
}

#[cfg(test)]
mod tests;
