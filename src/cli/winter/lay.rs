//! Words and tables on a terminal: sentences end before column 80, tables before column 110.

use crate::{
    notify::words::{NB, thousands},
    web::winter::part::Rows,
};

/// Where sentences are broken.
const WORDS: usize = 80;
/// Where tables are broken: most terminals can be made as wide.
const WIDE: usize = 110;
/// Between two columns.
const BETWEEN: usize = 2;
/// A cell that would be broken into more lines makes the table a list.
const TALL: usize = 4;

/// What is printed, one thing after the other.
#[derive(Default)]
pub(super) struct Sheet(String);

impl Sheet {
    /// All of it.
    pub(super) fn text(self) -> String {
        // What was kept on one line needs no mark any more.
        self.0.replace(NB, " ")
    }

    fn line(&mut self, line: &str) {
        self.0.push_str(line.trim_end());
        self.0.push('\n');
    }

    fn gap(&mut self) {
        if !self.0.is_empty() {
            self.0.push('\n');
        }
    }

    /// A heading, underlined.
    pub(super) fn heading(&mut self, title: &str) {
        self.gap();
        let title = plain(title);
        self.line(&title);
        self.line(&"-".repeat(title.chars().count()));
    }

    /// A paragraph; none where there is nothing to say.
    pub(super) fn words(&mut self, words: &str) {
        if words.is_empty() {
            return;
        }
        self.gap();
        for line in wrap(&plain(words), WORDS) {
            self.line(&line);
        }
    }

    /// One of a list, with its number.
    pub(super) fn item(&mut self, n: usize, head: &str, more: &str) {
        self.gap();
        let number = format!("{n:>2}. ");
        for (i, line) in wrap(&plain(head), WORDS - number.len()).iter().enumerate() {
            let before = if i == 0 { &number } else { "    " };
            self.line(&format!("{before}{line}"));
        }
        for line in wrap(&plain(more), WORDS - number.len()) {
            self.line(&format!("    {line}"));
        }
    }

    /// A table of at most so many rows.
    pub(super) fn table(&mut self, table: &Rows, most: usize) {
        self.gap();
        self.line(&plain(&table.title));
        let head: Vec<String> = table.head.iter().map(|h| plain(h)).collect();
        let rows: Vec<Vec<String>> = (table.rows.iter().take(most))
            .map(|row| row.iter().map(|cell| plain(cell)).collect())
            .collect();
        match widths(&head, &rows) {
            Some(widths) => {
                if head.iter().any(|h| !h.is_empty()) {
                    self.row(&head, &widths);
                }
                for row in &rows {
                    self.row(row, &widths);
                }
            }
            None => {
                for row in &rows {
                    self.turned(&head, row);
                }
            }
        }
        let left = table.rows.len().saturating_sub(most);
        if left != 0 {
            let left = thousands(i64::try_from(left).unwrap_or(i64::MAX));
            self.line(&format!("  and {left} more; the files hold them all"));
        }
        for line in wrap(&plain(&table.note), WORDS - BETWEEN) {
            self.line(&format!("  {line}"));
        }
    }

    fn row(&mut self, cells: &[String], widths: &[usize]) {
        let broken: Vec<Vec<String>> = (cells.iter().zip(widths))
            .map(|(cell, width)| wrap(cell, *width))
            .collect();
        let lines = broken.iter().map(Vec::len).max().unwrap_or(0);
        for n in 0..lines {
            let mut line = String::new();
            for (cell, &width) in broken.iter().zip(widths) {
                let text = cell.get(n).map_or("", String::as_str);
                line.push_str(&" ".repeat(BETWEEN));
                line.push_str(text);
                line.push_str(&" ".repeat(width.saturating_sub(text.chars().count())));
            }
            self.line(&line);
        }
    }

    /// A row that is too wide, one cell below the other.
    fn turned(&mut self, head: &[String], row: &[String]) {
        let mut cells = head.iter().zip(row);
        if let Some((name, first)) = cells.next() {
            let name = if name.is_empty() {
                first.clone()
            } else {
                format!("{name} {first}")
            };
            self.line(&format!("  {name}"));
        }
        let known = cells.filter(|(_, cell)| !cell.is_empty() && *cell != "\u{2013}");
        for (name, cell) in known {
            for (i, line) in wrap(&format!("{name}: {cell}"), WORDS - 6)
                .iter()
                .enumerate()
            {
                let before = if i == 0 { "    " } else { "      " };
                self.line(&format!("{before}{line}"));
            }
        }
    }
}

/// Widths of columns with which a table fits; none where it has to be turned.
fn widths(head: &[String], rows: &[Vec<String>]) -> Option<Vec<usize>> {
    let columns = head.len();
    let cells = |n: usize| {
        let column = rows.iter().filter_map(move |row| row.get(n));
        head.get(n).into_iter().chain(column)
    };
    let mut widths: Vec<usize> = (0..columns)
        .map(|n| cells(n).map(|c| c.chars().count()).max().unwrap_or(0))
        .collect();
    let least: Vec<usize> = (0..columns)
        .map(|n| {
            let words = cells(n).flat_map(|c| c.split(' '));
            words.map(|w| w.chars().count()).max().unwrap_or(0)
        })
        .collect();
    while WIDE < widths.iter().map(|w| w + BETWEEN).sum() {
        // The widest that can be broken.
        let (n, _) = (widths.iter().enumerate())
            .filter(|(n, w)| least[*n] < **w)
            .max_by_key(|(_, w)| **w)?;
        widths[n] -= 1;
    }
    let tall = rows.iter().any(|row| {
        let broken = row.iter().zip(&widths).map(|(c, w)| wrap(c, *w).len());
        TALL < broken.max().unwrap_or(0)
    });
    (!tall).then_some(widths)
}

/// Lines of at most so many characters; a longer word stands alone.
fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    let mut used = 0;
    for word in text.split(' ').filter(|w| !w.is_empty()) {
        let more = word.chars().count();
        if used != 0 && width < used + 1 + more {
            lines.push(std::mem::take(&mut line));
            used = 0;
        }
        if used != 0 {
            line.push(' ');
            used += 1;
        }
        line.push_str(word);
        used += more;
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

/// Without what would move the cursor: names and reasons are what somebody typed.
fn plain(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(cells: &[&[&str]]) -> String {
        let mut rows = Rows::new("Excursions", cells[0]);
        for row in &cells[1..] {
            rows.push(row.iter().map(|c| (*c).to_owned()));
        }
        let mut sheet = Sheet::default();
        sheet.table(&rows, 2);
        sheet.text()
    }

    #[test]
    fn columns_stand_below_each_other_and_rows_beyond_the_most_are_counted() {
        let text = table(&[
            &["Side", "How long"],
            &["cold", "3.5\u{a0}h"],
            &["damp", "\u{1b}[2J120 h"],
            &["dry", "1 h"],
        ]);
        assert_eq!(
            text,
            "Excursions\n  Side  How long\n  cold  3.5 h\n  damp  [2J120 h\n  and 1 more; the files hold them all\n"
        );
    }

    #[test]
    fn a_long_cell_is_broken_and_a_wide_row_is_turned() {
        let long = "word ".repeat(30);
        let text = table(&[&["Crate", "What was done"], &["A-01", &long]]);
        assert!(text.lines().all(|l| l.chars().count() <= WIDE), "{text}");
        assert!(text.contains("\n  A-01   word word"), "{text}");

        let wide = ["0123456789abcde"; 8];
        let text = table(&[&wide, &wide]);
        assert!(
            text.contains("\n    0123456789abcde: 0123456789abcde\n"),
            "{text}"
        );
        let text = table(&[&["Crate", "Said"], &["A-01", &long.repeat(6)]]);
        assert!(text.contains("\n  Crate A-01\n    Said: word"), "{text}");
        assert!(text.lines().all(|l| l.chars().count() <= WORDS), "{text}");
    }

    #[test]
    fn sentences_keep_numbers_beside_their_units() {
        let mut sheet = Sheet::default();
        sheet.words(&format!("{} 12\u{a0}h after", "x".repeat(77)));
        assert_eq!(sheet.text(), format!("{}\n12 h after\n", "x".repeat(77)));
    }
}
