//! Labels for crates as they are printed: paper, what one label says, and how large each word can be.
//!
//! Everything is measured in millimetres. A browser breaks lines by the letters it has; here only a
//! size of type is chosen that leaves room for wide ones, and the style sheet cuts off what is over.

use std::str::FromStr;

use askama::Template;

use crate::{
    climate::Unit,
    notify::words::count,
    stock::{
        CrateCode,
        check::check_character,
        ledger::{Crate, CrateId, Stock},
    },
    web::{access::qr::Symbol, stock::crates::what},
};

/// Varieties on one label; the others are counted.
const VARIETIES: usize = 4;
/// Labels for one crate at most.
pub const MOST_COPIES: usize = 6;
/// Labels for one crate unless told otherwise: one on each end and one inside (common practice).
pub const COPIES: usize = 3;
/// Sizes of type in tenths of a millimetre; the style sheet has a class `p…` for each.
const SIZES: [u16; 17] = [
    200, 170, 140, 120, 100, 80, 68, 58, 50, 44, 38, 34, 30, 27, 24, 22, 20,
];
/// The smallest of them.
const LEAST: u16 = SIZES[SIZES.len() - 1];
/// Width of a capital or figure in bold type, parts of the size of type (measured on a wide sans;
/// the common ones are narrower).
const CAPITAL: f64 = 0.78;
/// The same for words.
const LETTER: f64 = 0.66;
/// From line to line, parts of the size of type; `line-height` in the style sheet.
const LINE: f64 = 1.12;
/// The same for codes.
const CODE_LINE: f64 = 0.95;

/// What labels are printed on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Paper {
    /// 210 by 297 mm (ISO 216).
    #[default]
    A4,
    /// 8.5 by 11 inches.
    Letter,
    /// One label of 100 by 60 mm to a page, for a label printer.
    Single,
}

impl Paper {
    /// All, in the order in which they are offered.
    pub const ALL: [Self; 3] = [Self::A4, Self::Letter, Self::Single];

    /// The word in addresses, and in the names of style sheets.
    pub const fn key(self) -> &'static str {
        match self {
            Self::A4 => "a4",
            Self::Letter => "letter",
            Self::Single => "single",
        }
    }

    /// What the form says.
    pub(in crate::web::stock) const fn word(self) -> &'static str {
        match self {
            Self::A4 => "A4",
            Self::Letter => "US Letter",
            Self::Single => "Label printer, 100 x 60 mm",
        }
    }

    /// Size of a page and its margins.
    pub(crate) const fn style(self) -> &'static str {
        match self {
            Self::A4 => include_str!("../../../../static/paper-a4.css"),
            Self::Letter => include_str!("../../../../static/paper-letter.css"),
            Self::Single => include_str!("../../../../static/paper-single.css"),
        }
    }
}

/// How large a label is on a sheet; a label printer has one size.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Size {
    /// 8 on a sheet: read from two steps away.
    #[default]
    Large,
    /// 24 on a sheet.
    Small,
}

impl Size {
    /// Both, in the order in which they are offered.
    pub const ALL: [Self; 2] = [Self::Large, Self::Small];

    /// The word in addresses.
    pub const fn key(self) -> &'static str {
        match self {
            Self::Large => "large",
            Self::Small => "small",
        }
    }

    /// What the form says.
    pub(in crate::web::stock) const fn word(self) -> &'static str {
        match self {
            Self::Large => "Large, 8 on a sheet",
            Self::Small => "Small, 24 on a sheet",
        }
    }
}

impl FromStr for Paper {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let known = Self::ALL.into_iter().find(|p| p.key() == text);
        known.ok_or("the paper is a4, letter or single")
    }
}

impl FromStr for Size {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let known = Self::ALL.into_iter().find(|s| s.key() == text);
        known.ok_or("the size is large or small")
    }
}

/// Room on a label, in millimetres, as the style sheet has it: width and height.
struct Room {
    code: (f64, f64),
    lots: (f64, f64),
    place: (f64, f64),
    /// Smallest type for lots, tenths of a millimetre.
    least: u16,
}

/// Labels to print, page by page.
#[derive(Debug, Clone, Default)]
pub struct Sheets {
    /// On what.
    pub paper: Paper,
    /// How large.
    pub size: Size,
    /// Labels for each crate, 1 to [`MOST_COPIES`].
    pub copies: usize,
    /// One to a crate.
    pub tags: Vec<Tag>,
}

/// What one label says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tag {
    /// The crate's code, in capitals as in the symbol.
    pub code: String,
    /// The character that shows a slip in a typed code.
    pub check: char,
    /// The address of the crate's page as a symbol: modules on one side with the quiet zone, and
    /// the dark ones as a path. None where the address is too long.
    pub symbol: Option<(usize, String)>,
    /// What is in it.
    pub lots: Vec<TagLot>,
    /// "Dug 22 Oct 2026", or empty.
    pub dug: String,
    /// "Cellar / north wall / shelf 1 / 4".
    pub place: String,
}

/// One lot on a label.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TagLot {
    /// Its variety.
    pub variety: String,
    /// "64 divisions".
    pub what: String,
}

/// How the lots of a label are set.
pub(in crate::web::stock) struct Set<'a> {
    pub(in crate::web::stock) size: u16,
    pub(in crate::web::stock) lots: &'a [TagLot],
    pub(in crate::web::stock) more: usize,
}

/// A page of its own with labels, which needs no daemon.
#[derive(Debug, Template)]
#[template(path = "labels-file.html", config = "src/web/askama.toml")]
pub struct SheetsFile {
    /// The labels.
    pub sheets: Sheets,
    /// "72 labels for 24 crates, on 9 sheets."
    pub found: String,
}

impl SheetsFile {
    fn style() -> &'static str {
        include_str!("../../../../static/labels.css")
    }
}

impl Sheets {
    /// Labels on one page.
    pub const fn per_page(&self) -> usize {
        match (self.paper, self.size) {
            (Paper::Single, _) => 1,
            (_, Size::Large) => 8,
            (_, Size::Small) => 24,
        }
    }

    /// "72 labels for 24 crates, on 9 sheets."
    pub fn found(&self) -> String {
        let labels = self.tags.len() * self.copies;
        let of = format!(
            "{} for {}",
            count(labels, "label", "labels"),
            count(self.tags.len(), "crate", "crates")
        );
        match self.paper {
            Paper::Single => format!("{of}."),
            _ => format!(
                "{of}, on {}.",
                count(labels.div_ceil(self.per_page()), "sheet", "sheets")
            ),
        }
    }

    /// The kind of label, as the style sheet names it.
    pub(in crate::web::stock) fn kind(&self) -> &'static str {
        match self.per_page() {
            24 => "fine",
            _ => "coarse",
        }
    }

    fn room(&self) -> Room {
        match self.per_page() {
            24 => Room {
                code: (26.0, 8.5),
                lots: (33.0, 11.0),
                place: (58.0, 3.9),
                least: 22,
            },
            _ => Room {
                code: (70.0, 19.0),
                lots: (50.0, 22.0),
                place: (50.0, 8.4),
                least: 27,
            },
        }
    }

    /// The labels page by page: the number of the crate's symbol, and the label. Those of one crate
    /// follow each other.
    pub(in crate::web::stock) fn pages(&self) -> Vec<Vec<(usize, &Tag)>> {
        let labels: Vec<(usize, &Tag)> = (self.tags.iter().enumerate())
            .flat_map(|tag| std::iter::repeat_n(tag, self.copies))
            .collect();
        let pages = labels.chunks(self.per_page());
        pages.map(<[(usize, &Tag)]>::to_vec).collect()
    }

    /// A long code is broken over lines where that makes it larger.
    pub(in crate::web::stock) fn code_size(&self, tag: &Tag) -> u16 {
        let (width, height) = self.room().code;
        let code = tag.code.chars().count() as f64 * CAPITAL;
        fitting(|size| (code * size / width).ceil() * size * CODE_LINE <= height).unwrap_or(LEAST)
    }

    pub(in crate::web::stock) fn place_size(&self, tag: &Tag) -> u16 {
        let (width, height) = self.room().place;
        fitting(|size| {
            size <= 3.4 && lines(tag.place.split(' '), width / size) * size * LINE <= height
        })
        .unwrap_or(LEAST)
    }

    /// As many lots as can be read, in type as large as they leave room for.
    pub(in crate::web::stock) fn set<'a>(&self, tag: &'a Tag) -> Set<'a> {
        let room = self.room();
        let all = tag.lots.len();
        let first = |shown: usize, size: u16| Set {
            size,
            lots: &tag.lots[..shown],
            more: all - shown,
        };
        let readable = |shown: usize| {
            let size = fitting(|size| {
                let words = |l: &TagLot| {
                    let words = l.variety.split(' ').chain([l.what.as_str()]);
                    lines(words, room.lots.0 / size)
                };
                let lots: f64 = tag.lots[..shown].iter().map(words).sum();
                let more = if shown == all { 0.0 } else { 1.0 };
                (lots + more) * size * LINE <= room.lots.1
            })?;
            (room.least <= size).then(|| first(shown, size))
        };
        (1..=all.min(VARIETIES))
            .rev()
            .find_map(readable)
            .unwrap_or_else(|| first(all.min(1), room.least))
    }
}

impl Tag {
    /// The label of a crate. `base` is what stands before the path of its page, "http://store.lan:8480".
    pub fn of(stock: &Stock, id: CrateId, krate: &Crate, base: &str) -> Self {
        let days = || stock.content(id).filter_map(|(_, lot, _)| lot.dug);
        let day = |d: chrono::NaiveDate| d.format("%-d %b %Y").to_string();
        let dug = match (days().min(), days().max()) {
            (Some(first), Some(last)) if first == last => format!("Dug {}", day(first)),
            (Some(first), Some(last)) => format!("Dug {} to {}", day(first), day(last)),
            _ => String::new(),
        };
        let parts = [krate.room.as_str(), &krate.place];
        let place: Vec<&str> = parts.into_iter().filter(|p| !p.is_empty()).collect();
        Self {
            code: krate.code.as_str().to_ascii_uppercase(),
            check: check_character(&krate.code),
            symbol: Symbol::of(&address(base, &krate.code)).map(|s| (s.size(), s.path())),
            lots: stock
                .content(id)
                .map(|(_, lot, n)| TagLot {
                    variety: lot.variety.clone(),
                    what: what(n, lot.form, "", None, Unit::C).replace(' ', "\u{a0}"),
                })
                .collect(),
            dug,
            place: together(&place.join(" / ")),
        }
    }
}

/// The position stays on one line with the shelf's number.
fn together(place: &str) -> String {
    match place.rsplit_once(" / ") {
        Some((shelf, position)) => format!("{shelf}\u{a0}/\u{a0}{position}"),
        None => place.to_owned(),
    }
}

/// The largest size of type that fits, tenths of a millimetre.
fn fitting(fits: impl Fn(f64) -> bool) -> Option<u16> {
    SIZES.into_iter().find(|s| fits(f64::from(*s) / 10.0))
}

/// Lines that words take where a line holds `width` times the size of type.
fn lines<'a>(words: impl Iterator<Item = &'a str>, width: f64) -> f64 {
    let mut lines = 1.0;
    let mut used = 0.0;
    for word in words {
        let own = word.chars().count() as f64 * LETTER;
        let with = if used == 0.0 {
            own
        } else {
            used + LETTER / 2.0 + own
        };
        if with <= width {
            used = with;
            continue;
        }
        if 0.0 < used {
            lines += 1.0;
        }
        // A word longer than a line is broken.
        let over = ((own / width).ceil() - 1.0).max(0.0);
        lines += over;
        used = own - over * width;
    }
    lines
}

/// The address of a crate's page for its symbol. `base` is "http://store.lan:8480".
///
/// In capitals, which scheme and host allow (RFC 3986, 3.1 and 3.2.2), so that the symbol holds it in
/// its alphanumeric mode (ISO/IEC 18004, 7.4.4) with 5.5 bits to a character instead of 8; codes are
/// compared without case. A name with a character that this mode lacks (`_`, brackets) gains nothing
/// and stays as it is. `/` is escaped, so that no part of a code can be `..`.
pub fn address(base: &str, code: &CrateCode) -> String {
    let plain = format!("{base}/k/{}", code.as_str().replace('/', "%2F"));
    let capitals = plain.to_ascii_uppercase();
    let is_alphanumeric =
        |b: u8| b.is_ascii_uppercase() || b.is_ascii_digit() || b" $%*+-./:".contains(&b);
    if capitals.bytes().all(is_alphanumeric) {
        capitals
    } else {
        plain
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tag(code: &str, lots: &[(&str, &str)], place: &str) -> Tag {
        Tag {
            code: code.to_owned(),
            check: 'K',
            symbol: None,
            lots: lots
                .iter()
                .map(|(v, w)| TagLot {
                    variety: (*v).to_owned(),
                    what: (*w).to_owned(),
                })
                .collect(),
            dug: String::new(),
            place: place.to_owned(),
        }
    }

    #[test]
    fn an_address_needs_no_small_letters() {
        let to = |base: &str, code: &str| address(base, &code.parse().unwrap());
        for (base, code, is) in [
            (
                "http://store.lan:8480",
                "B-07",
                "HTTP://STORE.LAN:8480/K/B-07",
            ),
            (
                "http://store.lan:8480",
                "b-07",
                "HTTP://STORE.LAN:8480/K/B-07",
            ),
            ("https://192.0.2.7", "az./9", "HTTPS://192.0.2.7/K/AZ.%2F9"),
            (
                "http://a.example",
                "a/../b",
                "HTTP://A.EXAMPLE/K/A%2F..%2FB",
            ),
            ("http://the_store", "b-07", "http://the_store/k/b-07"),
            (
                "http://[2001:db8::1]:8480",
                "B/1",
                "http://[2001:db8::1]:8480/k/B%2F1",
            ),
        ] {
            assert_eq!(to(base, code), is);
        }
    }

    /// 25 modules hold 29 capitals and figures at level Q, but 20 bytes (ISO/IEC 18004, table 7).
    #[test]
    fn capitals_make_the_small_symbol() {
        let modules = |text: &str| Symbol::of(text).unwrap().size() - 8;
        let capitals = address("http://store.lan:8480", &"B-07".parse().unwrap());
        assert_eq!(capitals.len(), 28);
        assert_eq!(modules(&capitals), 25);
        assert_eq!(modules(&capitals.to_ascii_lowercase()), 29);
    }

    #[test]
    fn type_shrinks_before_names_go() {
        let sheets = Sheets::default();
        let long = "Vintrelow of the Upper Meadow beside the Old Brick Kiln Lane";
        assert_eq!(long.len(), 60);
        let short = ("Quenbrisk", "64 divisions");
        let wide = (long, "64 divisions");
        for (lots, shown, more) in [
            (vec![], 0, 0),
            (vec![short], 1, 0),
            (vec![short; 4], 4, 0),
            (vec![short; 7], 4, 3),
            (vec![wide], 1, 0),
            (vec![wide; 7], 2, 5),
        ] {
            let tag = tag("B-07", &lots, "");
            let set = sheets.set(&tag);
            assert_eq!((set.lots.len(), set.more), (shown, more), "{lots:?}");
        }
        let size = |lots: &[(&str, &str)]| sheets.set(&tag("B-07", lots, "")).size;
        assert!(size(&[short; 4]) < size(&[short; 2]) && size(&[short; 2]) < size(&[short]));
        assert!(size(&[wide]) < size(&[short]));
    }

    #[test]
    fn every_size_has_its_class() {
        let style = SheetsFile::style();
        for size in SIZES {
            let tenths = f64::from(size) / 10.0;
            let rule = format!(".p{size} {{ font-size: calc({tenths} * var(--u)); }}");
            assert!(style.contains(&rule), "{rule}");
        }
    }

    #[test]
    fn labels_of_a_crate_follow_each_other_over_pages() {
        let sheets = Sheets {
            copies: 6,
            tags: ["A", "B"].map(|code| tag(code, &[], "")).to_vec(),
            ..Sheets::default()
        };
        let codes = |page: &Vec<(usize, &Tag)>| -> String {
            page.iter().map(|(_, tag)| tag.code.as_str()).collect()
        };
        let pages: Vec<String> = sheets.pages().iter().map(codes).collect();
        assert_eq!(pages, ["AAAAAABB", "BBBB"]);
        assert_eq!(
            sheets.found().replace('\u{a0}', " "),
            "12 labels for 2 crates, on 2 sheets."
        );
    }

    #[test]
    fn words_longer_than_a_line_are_broken() {
        let words = ["a b", "a bbbbbbbbbb", ""];
        let n = words.map(|w| lines(w.split(' '), 4.0 * LETTER) as usize);
        assert_eq!(n, [1, 4, 1]);
    }
}
