//! A link as a QR symbol (ISO/IEC 18004), for a page and for a terminal.

use std::fmt::Write as _;

use fast_qr::{ECL, qr::QRBuilder};

/// Light modules around the symbol (ISO/IEC 18004, 5.3.8).
const QUIET: usize = 4;

/// A quarter of what it says can be lost to mud and scratches (ISO/IEC 18004, level Q).
const LEVEL: ECL = ECL::Q;

/// The modules of a symbol with its quiet zone, row by row; `true` is dark. Never shown
/// for looking: whoever reads it has the link.
#[derive(Clone, PartialEq, Eq)]
pub struct Symbol(Vec<Vec<bool>>);

/// How a terminal shows it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Manner {
    /// Two rows in a line with block characters, dark on light by colours of the terminal.
    Blocks,
    /// The same without colours, as for a terminal with dark ground.
    BlocksPlain,
    /// Two characters to a module, letters of ASCII only.
    Ascii,
}

impl Symbol {
    /// `None` for a text that is too long for any symbol.
    pub fn of(text: &str) -> Option<Self> {
        let code = QRBuilder::new(text).ecl(LEVEL).build().ok()?;
        let whole = code.size + 2 * QUIET;
        let dark = |y: usize, x: usize| {
            let inside = |n: usize| n.checked_sub(QUIET).filter(|n| *n < code.size);
            matches!((inside(y), inside(x)), (Some(y), Some(x)) if code[y][x].value())
        };
        Some(Self(
            (0..whole)
                .map(|y| (0..whole).map(|x| dark(y, x)).collect())
                .collect(),
        ))
    }

    /// Modules on one side.
    pub fn size(&self) -> usize {
        self.0.len()
    }

    /// The dark modules as the path of an SVG, one unit to a module.
    pub fn path(&self) -> String {
        let mut path = String::new();
        for (y, row) in self.0.iter().enumerate() {
            let mut x = 0;
            while x < row.len() {
                let run = row[x..].iter().take_while(|dark| **dark).count();
                if run != 0 {
                    let _ = write!(path, "M{x} {y}h{run}v1h-{run}z");
                }
                x += run.max(1);
            }
        }
        path
    }

    /// For a terminal, ending in a line end.
    pub fn text(&self, manner: Manner) -> String {
        let mut text = String::new();
        if manner == Manner::Ascii {
            for row in &self.0 {
                text.extend(row.iter().map(|dark| if *dark { "##" } else { "  " }));
                text.push('\n');
            }
            return text;
        }
        for rows in self.0.chunks(2) {
            if manner == Manner::Blocks {
                text.push_str("\x1b[30;107m");
            }
            for x in 0..self.size() {
                let upper = rows[0][x];
                let lower = rows.get(1).is_some_and(|row| row[x]);
                // On dark ground what is light has to be drawn.
                let drawn = |dark: bool| dark == (manner == Manner::Blocks);
                text.push(match (drawn(upper), drawn(lower)) {
                    (true, true) => '█',
                    (true, false) => '▀',
                    (false, true) => '▄',
                    (false, false) => ' ',
                });
            }
            if manner == Manner::Blocks {
                text.push_str("\x1b[0m");
            }
            text.push('\n');
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_way_of_drawing_it_is_the_same_symbol() {
        let symbol = Symbol::of("http://store.lan:8480/phone/0123456789abcdef").unwrap();
        let size = symbol.size();
        let ascii: Vec<Vec<bool>> = symbol
            .text(Manner::Ascii)
            .lines()
            .map(|l| l.as_bytes().chunks(2).map(|c| c == b"##").collect())
            .collect();
        assert_eq!(ascii, symbol.0);
        let dark: usize = symbol.0.iter().flatten().filter(|d| **d).count();
        let path = symbol.path();
        let drawn: usize = path
            .split('M')
            .skip(1)
            .map(|run| {
                run.split(['h', 'v'])
                    .nth(1)
                    .unwrap()
                    .parse::<usize>()
                    .unwrap()
            })
            .sum();
        assert_eq!(drawn, dark);
        let plain = symbol.text(Manner::BlocksPlain);
        assert_eq!(plain.lines().count(), size.div_ceil(2));
        assert!(plain.lines().all(|l| l.chars().count() == size));
        let ink = |c: char| match c {
            '█' => 0,
            '▀' | '▄' => 1,
            _ => 2,
        };
        let padding = if size % 2 == 1 { size } else { 0 };
        let light: usize = plain
            .chars()
            .filter(|c| *c != '\n')
            .map(|c| 2 - ink(c))
            .sum();
        assert_eq!(light, size * size + padding - dark);
        // The three finder patterns stand in the corners.
        for (y, x) in [
            (QUIET, QUIET),
            (QUIET, size - QUIET - 7),
            (size - QUIET - 7, QUIET),
        ] {
            assert!((0..7).all(|n| symbol.0[y][x + n] && symbol.0[y + n][x]));
        }
        assert!(Symbol::of(&"x".repeat(10_000)).is_none());
    }
}
