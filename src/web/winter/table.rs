//! A table of the account, once for pages, CSV and its description.

use chrono::{DateTime, NaiveDate, SecondsFormat, Utc};
use serde_json::{Value, json};

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Words.
    Text,
    /// A number, whole or not.
    Number,
    /// An instant, RFC 3339.
    Instant,
    /// A local day, ISO 8601.
    Day,
    /// Yes or no.
    YesNo,
}

/// One column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Column {
    /// Its name, with the unit behind it.
    pub name: &'static str,
    /// What it is, in words.
    pub says: &'static str,
    /// What it holds.
    pub kind: Kind,
}

/// A column of this name and meaning.
pub const fn column(name: &'static str, kind: Kind, says: &'static str) -> Column {
    Column { name, says, kind }
}

/// One cell.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Nothing is known.
    Empty,
    /// Words, as somebody wrote them.
    Text(String),
    /// A number.
    Number(f64),
    /// A whole number.
    Whole(i64),
    /// An instant.
    Instant(DateTime<Utc>),
    /// A local day.
    Day(NaiveDate),
    /// Yes or no.
    YesNo(bool),
}

macro_rules! from {
    ($($of:ty => $to:expr),* $(,)?) => {
        $(impl From<$of> for Cell {
            fn from(value: $of) -> Self {
                $to(value)
            }
        })*
    };
}
from! {
    &str => |s: &str| Cell::Text(s.to_owned()),
    &String => |s: &String| Cell::Text(s.clone()),
    String => Cell::Text,
    f64 => Cell::Number,
    i64 => Cell::Whole,
    u32 => |n: u32| Cell::Whole(i64::from(n)),
    u64 => |n: u64| Cell::Whole(i64::try_from(n).unwrap_or(i64::MAX)),
    usize => |n: usize| Cell::Whole(i64::try_from(n).unwrap_or(i64::MAX)),
    DateTime<Utc> => Cell::Instant,
    NaiveDate => Cell::Day,
    bool => Cell::YesNo,
}

impl<T: Into<Cell>> From<Option<T>> for Cell {
    fn from(value: Option<T>) -> Self {
        value.map_or(Self::Empty, Into::into)
    }
}

impl Cell {
    /// As it stands in a CSV file. A spreadsheet takes what begins with one of `= + - @`, a tab or a
    /// carriage return for a formula; what people wrote gets an apostrophe before it (OWASP, CSV Injection).
    pub fn text(&self) -> String {
        match self {
            Self::Empty => String::new(),
            Self::Text(s) if s.starts_with(['=', '+', '-', '@', '\t', '\r']) => format!("'{s}"),
            Self::Text(s) => s.clone(),
            Self::Number(n) => n.to_string(),
            Self::Whole(n) => n.to_string(),
            Self::Instant(at) => at.to_rfc3339_opts(SecondsFormat::AutoSi, true),
            Self::Day(day) => day.to_string(),
            Self::YesNo(yes) => if *yes { "true" } else { "false" }.to_owned(),
        }
    }
}

/// One table.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// Its name in addresses and file names.
    pub name: &'static str,
    /// What it is, in words.
    pub title: &'static str,
    /// Its columns.
    pub columns: &'static [Column],
    /// Its rows, each as long as `columns`.
    pub rows: Vec<Vec<Cell>>,
}

impl Table {
    /// As CSV (RFC 4180) with a line of names, in UTF-8.
    pub fn csv(&self) -> String {
        let mut out = csv::WriterBuilder::new()
            .terminator(csv::Terminator::CRLF)
            .from_writer(Vec::new());
        let names = self.columns.iter().map(|c| c.name.to_owned());
        let rows = (self.rows.iter()).map(|row| row.iter().map(Cell::text).collect::<Vec<_>>());
        for row in std::iter::once(names.collect()).chain(rows) {
            out.write_record(&row).expect("memory takes every row");
        }
        String::from_utf8(out.into_inner().expect("memory takes every row")).unwrap_or_default()
    }

    /// What the CSV file of this name is, in the vocabulary of W3C's "Metadata Vocabulary for Tabular
    /// Data" (2015); `notes` is what stands beside it.
    pub fn described(&self, file: &str, notes: &Value) -> Value {
        let columns = self.columns.iter().map(|c| {
            let kind = match c.kind {
                Kind::Text => "string",
                Kind::Number => "number",
                Kind::Instant => "dateTimeStamp",
                Kind::Day => "date",
                Kind::YesNo => "boolean",
            };
            json!({ "name": c.name, "titles": c.name, "datatype": kind, "dc:description": c.says })
        });
        json!({
            "@context": "http://www.w3.org/ns/csvw",
            "url": file,
            "dc:title": self.title,
            "tableSchema": { "columns": columns.collect::<Vec<_>>() },
            "notes": [notes],
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table() -> Table {
        const COLUMNS: &[Column] = &[
            column("crate", Kind::Text, "What stands on the label."),
            column("core_low_c", Kind::Number, "Coldest among the tubers, C."),
            column("at", Kind::Instant, "When."),
        ];
        Table {
            name: "crates",
            title: "Crates",
            columns: COLUMNS,
            rows: vec![
                vec!["A-01".into(), 3.25.into(), DateTime::UNIX_EPOCH.into()],
                vec!["=cmd()".into(), Cell::Empty, Cell::Empty],
                vec!["say \"hello\", twice".into(), (-0.5).into(), Cell::Empty],
            ],
        }
    }

    #[test]
    fn it_is_written_as_rfc_4180_says() {
        assert_eq!(
            table().csv(),
            "crate,core_low_c,at\r\nA-01,3.25,1970-01-01T00:00:00Z\r\n'=cmd(),,\r\n\"say \"\"hello\"\", twice\",-0.5,\r\n"
        );
    }

    #[test]
    fn its_description_names_every_column() {
        let described = table().described("crates.csv", &json!({"sha256": "00"}));
        assert_eq!(described["url"], "crates.csv");
        let columns = described["tableSchema"]["columns"].as_array().unwrap();
        assert_eq!(columns.len(), 3);
        assert_eq!(columns[1]["datatype"], "number");
        assert_eq!(described["notes"][0]["sha256"], "00");
    }
}
