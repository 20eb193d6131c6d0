//! One part of the account as a person reads it: words, pictures and tables, the same for a page, a print and
//! a terminal.

use chrono::{DateTime, NaiveDate, TimeZone as _, Utc};

use crate::notify::words::{Manner, NB, thousands};

/// A picture, ready to be set, and the sentence that says the same.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    /// What it is of: "Temperature by day and hour".
    pub title: String,
    /// The whole figure as HTML, escaped already.
    pub figure: String,
    /// What it shows.
    pub sentence: String,
}

/// A table for people.
#[derive(Debug, Clone, PartialEq)]
pub struct Rows {
    /// What it is: "Excursions".
    pub title: String,
    /// What the columns are.
    pub head: Vec<String>,
    /// Its rows; the first cell of each names it.
    pub rows: Vec<Vec<String>>,
    /// It stands open, and is not behind a line to be pressed.
    pub open: bool,
    /// A remark below it; may be empty.
    pub note: String,
}

impl Rows {
    /// A table of these columns.
    pub fn new(title: &str, head: &[&str]) -> Self {
        Self {
            title: title.to_owned(),
            head: head.iter().map(|&h| h.to_owned()).collect(),
            rows: Vec::new(),
            open: false,
            note: String::new(),
        }
    }

    /// The same, standing open.
    #[must_use]
    pub fn open(self) -> Self {
        Self { open: true, ..self }
    }

    /// The same with a remark.
    #[must_use]
    pub fn noting(self, note: &str) -> Self {
        Self {
            note: note.to_owned(),
            ..self
        }
    }

    /// One row more.
    pub fn push(&mut self, row: impl IntoIterator<Item = String>) {
        self.rows.push(row.into_iter().collect());
    }
}

/// One part.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Part {
    /// Its address on the page.
    pub id: String,
    /// Its heading.
    pub title: String,
    /// Sentences, one to a paragraph.
    pub words: Vec<String>,
    /// Pictures.
    pub pictures: Vec<Picture>,
    /// Tables.
    pub tables: Vec<Rows>,
}

/// `412 h`, `3.5 h`, `0 h`.
pub fn hours(h: f64) -> String {
    if h == 0.0 || 10.0 <= h {
        format!("{}{NB}h", thousands(h.round() as i64))
    } else {
        format!("{h:.1}{NB}h")
    }
}

/// `86 %`, `99.7 %` near the ends, where a whole number would say too much.
pub fn share(share: f64) -> String {
    let percent = share * 100.0;
    let near = (0.0 < percent && percent < 1.0) || (99.0 < percent && percent < 100.0);
    if near {
        // Never rounded onto the end.
        let tenth = (percent * 10.0).round() / 10.0;
        let text = if tenth == 0.0 {
            "below 0.1".to_owned()
        } else if 99.95 <= percent {
            "above 99.9".to_owned()
        } else {
            format!("{tenth:.1}")
        };
        format!("{text}{NB}%")
    } else {
        format!("{percent:.0}{NB}%")
    }
}

/// `Tue 9 Feb, 6:40`, in the farm's zone.
pub fn moment(at: DateTime<Utc>, manner: Manner) -> String {
    manner.day_and_clock(at.into())
}

/// `9 Feb 2026`.
pub fn day(date: NaiveDate) -> String {
    date.format("%-d %b %Y").to_string()
}

/// `9 Feb 2026` of an instant, in the farm's zone.
pub fn day_of(at: DateTime<Utc>, manner: Manner) -> String {
    day(manner.zone.from_utc_datetime(&at.naive_utc()).date_naive())
}

/// A word as an address on the page: letters and digits, and a dash for everything else.
pub fn id(prefix: &str, name: &str) -> String {
    let letter = |c: char| {
        if c.is_ascii_alphanumeric() {
            c.to_ascii_lowercase()
        } else {
            '-'
        }
    };
    let name: String = name.chars().map(letter).collect();
    format!("{prefix}-{name}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_never_claim_more_than_is_so() {
        for (of, text) in [
            (0.0, "0"),
            (0.0002, "below 0.1"),
            (0.004, "0.4"),
            (0.5, "50"),
            (0.862, "86"),
            (0.996, "99.6"),
            (0.99999, "above 99.9"),
            (1.0, "100"),
        ] {
            assert_eq!(share(of), format!("{text}{NB}%"));
        }
        assert_eq!(hours(0.0), format!("0{NB}h"));
        assert_eq!(hours(3.52), format!("3.5{NB}h"));
        assert_eq!(hours(1412.4), format!("1,412{NB}h"));
    }
}
