//! Finding crates by what a grower types with cold fingers: no capitals, no accents, a slip of the key.

use std::collections::BTreeMap;

use super::list::Crate;

/// How well a crate answers a query: that of the query's worst word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Quality {
    /// The crate's whole code, with or without its signs.
    Code,
    /// A whole word.
    Exact,
    /// The beginning of a word or of the code.
    Prefix,
    /// Letters inside a word or the code.
    Inside,
    /// A word with a slip or two in it.
    Slip,
}

/// The crates in which every word of the query is found, as indices, the best first and then by code.
///
/// Words are looked for in code, room, place, packing, varieties and notes. Slips are forgiven only
/// in words that no crate holds as typed, and never in codes. A query without a letter or a digit
/// finds nothing.
pub fn search(crates: &[Crate], query: &str) -> Vec<(usize, Quality)> {
    let wanted: Vec<Wanted> = query.split_whitespace().filter_map(Wanted::new).collect();
    if wanted.is_empty() {
        return Vec::new();
    }
    let mut text = String::new();
    let mut found: Vec<Option<Quality>> = vec![Some(Quality::Code); crates.len()];
    let pages: Vec<Page> = crates.iter().map(|k| Page::new(k, &mut text)).collect();
    for word in &wanted {
        let mut hits: Vec<_> = pages
            .iter()
            .map(|page| word.as_typed(page, &text))
            .collect();
        let budget = slips(&word.squashed);
        if 0 < budget && hits.iter().all(Option::is_none) {
            // The same few words stand in most crates.
            let mut known = BTreeMap::new();
            let mut is_near = |other| {
                near_in_length(&word.squashed, other, budget)
                    && *known
                        .entry(other)
                        .or_insert_with(|| strsim::osa_distance(&word.squashed, other) <= budget)
            };
            for (hit, page) in hits.iter_mut().zip(&pages) {
                let near = page.words(&text).any(&mut is_near);
                *hit = near.then_some(Quality::Slip);
            }
        }
        for (so_far, hit) in found.iter_mut().zip(hits) {
            *so_far = so_far.zip(hit).map(|(so_far, hit)| so_far.max(hit));
        }
    }
    // `B 07` is the crate `B-07` too.
    let whole: String = wanted.iter().map(|word| word.squashed.as_str()).collect();
    for (so_far, page) in found.iter_mut().zip(&pages) {
        if page.code == whole {
            *so_far = Some(Quality::Code);
        }
    }
    let mut found: Vec<_> = (0..)
        .zip(found)
        .filter_map(|(nth, quality)| Some((nth, quality?)))
        .collect();
    found.sort_by(|(a, quality_a), (b, quality_b)| {
        let codes = || crates[*a].code.cmp(&crates[*b].code);
        quality_a.cmp(quality_b).then_with(codes)
    });
    found
}

/// The variety nearest to a query that names none, for a page that found nothing.
///
/// A third of the letters may be wrong, three at most; of two as near the first by name.
pub fn did_you_mean<'a>(
    query: &str,
    varieties: impl IntoIterator<Item = &'a str>,
) -> Option<String> {
    let query = fold(query.trim());
    let most = (query.chars().count() / 3).min(3);
    let nearest = varieties
        .into_iter()
        .filter_map(|name| Some((distance(&query, &fold(name), most)?, name)))
        .min()?;
    (0 < nearest.0).then(|| nearest.1.to_owned())
}

/// Text in small letters without accents, as far as Latin letters go.
pub(super) fn fold(text: &str) -> String {
    let mut folded = String::with_capacity(text.len());
    fold_onto(&mut folded, text);
    folded
}

fn fold_onto(out: &mut String, text: &str) {
    if text.is_ascii() && !text.contains('\'') {
        let from = out.len();
        out.push_str(text);
        out[from..].make_ascii_lowercase();
        return;
    }
    for c in text.chars() {
        for c in c.to_lowercase() {
            match c {
                'à'..='å' | 'ā' | 'ă' | 'ą' => out.push('a'),
                'ç' | 'ć' | 'ĉ' | 'ċ' | 'č' => out.push('c'),
                'ď' | 'đ' | 'ð' => out.push('d'),
                'è'..='ë' | 'ē' | 'ĕ' | 'ė' | 'ę' | 'ě' => out.push('e'),
                'ĝ' | 'ğ' | 'ġ' | 'ģ' => out.push('g'),
                'ĥ' | 'ħ' => out.push('h'),
                'ì'..='ï' | 'ĩ' | 'ī' | 'ĭ' | 'į' | 'ı' => out.push('i'),
                'ĵ' => out.push('j'),
                'ķ' => out.push('k'),
                'ĺ' | 'ļ' | 'ľ' | 'ŀ' | 'ł' => out.push('l'),
                'ñ' | 'ń' | 'ņ' | 'ň' => out.push('n'),
                'ò'..='ö' | 'ø' | 'ō' | 'ŏ' | 'ő' => out.push('o'),
                'ŕ' | 'ŗ' | 'ř' => out.push('r'),
                'ś' | 'ŝ' | 'ş' | 'š' | 'ș' => out.push('s'),
                'ţ' | 'ť' | 'ŧ' | 'ț' => out.push('t'),
                'ù'..='ü' | 'ũ' | 'ū' | 'ŭ' | 'ů' | 'ű' | 'ų' => out.push('u'),
                'ŵ' => out.push('w'),
                'ý' | 'ÿ' | 'ŷ' => out.push('y'),
                'ź' | 'ż' | 'ž' => out.push('z'),
                'æ' => out.push_str("ae"),
                'œ' => out.push_str("oe"),
                'ß' => out.push_str("ss"),
                // Accents written as signs of their own after the letter, and apostrophes.
                '\u{300}'..='\u{36f}' | '’' | '\'' => {}
                other => out.push(other),
            }
        }
    }
}

/// Slips forgiven in a word: one from 4 letters, two from 8, none where there is a digit.
fn slips(word: &str) -> usize {
    let numbered = word.contains(char::is_numeric);
    match word.chars().count() {
        4..=7 if !numbered => 1,
        8.. if !numbered => 2,
        _ => 0,
    }
}

/// Letters missing, added, changed or swapped with their neighbour, when no more than `most`.
fn distance(a: &str, b: &str, most: usize) -> Option<usize> {
    near_in_length(a, b, most)
        .then(|| strsim::osa_distance(a, b))
        .filter(|distance| *distance <= most)
}

fn near_in_length(a: &str, b: &str, most: usize) -> bool {
    a.chars().count().abs_diff(b.chars().count()) <= most
}

/// One word of a query.
struct Wanted {
    /// Folded letters and digits alone.
    squashed: String,
    /// The same, divided where signs stood.
    parts: Vec<String>,
    digits: bool,
}

impl Wanted {
    fn new(word: &str) -> Option<Self> {
        let parts: Vec<_> = split(&fold(word)).map(str::to_owned).collect();
        let squashed = parts.concat();
        (!squashed.is_empty()).then(|| Self {
            digits: squashed.bytes().all(|b| b.is_ascii_digit()),
            squashed,
            parts,
        })
    }

    /// How this word is found in a crate without forgiving anything.
    fn as_typed(&self, page: &Page, text: &str) -> Option<Quality> {
        let code = grade(&page.code, &self.squashed);
        if code == Some(Quality::Exact) {
            return Some(Quality::Code);
        }
        page.fields
            .iter()
            .filter_map(|&(from, to)| self.in_field(&text[from..to]))
            .chain(code)
            .min()
    }

    fn in_field(&self, field: &str) -> Option<Quality> {
        let [alone] = self.parts.as_slice() else {
            // Words tied by signs stand beside each other, such as `north-wall` or `B-07`.
            let words: Vec<_> = split(field).collect();
            let beside = words.windows(self.parts.len()).any(|run| run == self.parts);
            return beside.then_some(Quality::Exact);
        };
        // Most fields of most crates end here.
        if !field.contains(alone.as_str()) {
            return None;
        }
        let grades = split(field).filter_map(|word| grade(word, alone));
        // Shelf 1 is not shelf 12.
        grades
            .min()
            .filter(|grade| !self.digits || *grade == Quality::Exact)
    }
}

fn grade(word: &str, wanted: &str) -> Option<Quality> {
    match word.find(wanted)? {
        0 if word.len() == wanted.len() => Some(Quality::Exact),
        0 => Some(Quality::Prefix),
        _ => Some(Quality::Inside),
    }
}

/// A crate made ready for searching.
struct Page {
    /// Folded, without signs.
    code: String,
    /// Where each of its other fields stands in the folded text of all crates.
    fields: Vec<(usize, usize)>,
}

impl Page {
    fn new(krate: &Crate, text: &mut String) -> Self {
        let lots = krate.lots.iter().flat_map(|lot| [&lot.variety, &lot.note]);
        let fields = [&krate.room, &krate.place, &krate.packing]
            .into_iter()
            .chain(lots)
            .filter(|field| !field.is_empty())
            .map(|field| {
                let from = text.len();
                fold_onto(text, field);
                (from, text.len())
            })
            .collect();
        Self {
            code: split(&fold(krate.code.as_str())).collect(),
            fields,
        }
    }

    fn words<'a>(&'a self, text: &'a str) -> impl Iterator<Item = &'a str> {
        self.fields
            .iter()
            .flat_map(|&(from, to)| split(&text[from..to]))
    }
}

/// The words of a text: letters and digits between anything else.
pub(super) fn split(text: &str) -> impl Iterator<Item = &str> {
    text.split(|c: char| !c.is_alphanumeric())
        .filter(|word| !word.is_empty())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::stock::{
        Form, Prepared,
        list::{Lot, tests::some_crate},
    };

    /// One line a crate: code, room, place, packing, then varieties, each with a note after `:`.
    fn crates(table: &str) -> Vec<Crate> {
        table
            .lines()
            .map(|line| {
                let cells: Vec<_> = line.split('|').map(str::trim).collect();
                let lot = |text: &&str| {
                    let (variety, note) = text.split_once(':').unwrap_or((text, ""));
                    Lot {
                        variety: variety.into(),
                        form: Form::Clump,
                        count: 1,
                        dug: None,
                        weight_g: None,
                        note: note.into(),
                        prepared: Prepared::default(),
                    }
                };
                Crate {
                    code: cells[0].parse().unwrap(),
                    room: cells[1].into(),
                    place: cells[2].into(),
                    packing: cells[3].into(),
                    lots: cells[4..].iter().map(lot).collect(),
                }
            })
            .collect()
    }

    const FARM: &str = "B-07|cellar|north wall / shelf 1 / 3|peat|Brindolet:nicked, use first
        B-08|cellar|north wall / shelf 12 / 2|sawdust|Quenbrisk|Brindolet
        A-17|back room|rack 2|peat|Rosée d’Hiver:came out of B-07
        C-070|back room|rack 3|vented liner|Brindoline:ask O'Mara
        C-01|cellar|south wall / shelf 1 / 7|peat|Marrowhush:brindle marks";

    #[test]
    fn queries_find_crates_best_first() {
        use Quality::{Code, Exact, Inside, Prefix, Slip};
        let farm = crates(FARM);
        let cases: &[(&str, &[(&str, Quality)])] = &[
            ("", &[]),
            (" / - ", &[]),
            ("b-07", &[("B-07", Code), ("A-17", Exact)]),
            ("b07", &[("B-07", Code)]),
            (
                "B 07",
                &[("B-07", Code), ("A-17", Exact), ("C-070", Inside)],
            ),
            ("c07", &[("C-070", Prefix)]),
            ("c0", &[("C-01", Prefix), ("C-070", Prefix)]),
            // A code that is not there finds no neighbour.
            ("B-09", &[]),
            ("brindolet", &[("B-07", Exact), ("B-08", Exact)]),
            (
                "BRIND",
                &[
                    ("B-07", Prefix),
                    ("B-08", Prefix),
                    ("C-01", Prefix),
                    ("C-070", Prefix),
                ],
            ),
            ("hush", &[("C-01", Inside)]),
            ("rosee", &[("A-17", Exact)]),
            ("Rosée dhiver", &[("A-17", Exact)]),
            ("d'hiver", &[("A-17", Exact)]),
            ("ROSÉE", &[("A-17", Exact)]),
            ("o'mara", &[("C-070", Exact)]),
            // One slip in 4 to 7 letters, two from 8.
            ("rosse", &[("A-17", Slip)]),
            ("peta", &[("A-17", Slip), ("B-07", Slip), ("C-01", Slip)]),
            ("pta", &[]),
            ("quenbrsik", &[("B-08", Slip)]),
            ("kuenbrisc", &[("B-08", Slip)]),
            ("kuembrisc", &[]),
            // As typed it is there, so what is near it stays away.
            ("brindoline", &[("C-070", Exact)]),
            (
                "brindolit",
                &[("B-07", Slip), ("B-08", Slip), ("C-070", Slip)],
            ),
            // Every word has to be found; shelf 1 is not shelf 12.
            ("peat brindolet", &[("B-07", Exact)]),
            ("shelf 1", &[("B-07", Exact), ("C-01", Exact)]),
            ("peat cellar hush", &[("C-01", Inside)]),
            ("north-wall", &[("B-07", Exact), ("B-08", Exact)]),
            ("peat nothing", &[]),
        ];
        for (query, want) in cases {
            let found: Vec<_> = search(&farm, query)
                .into_iter()
                .map(|(nth, quality)| (farm[nth].code.as_str(), quality))
                .collect();
            assert_eq!(found, *want, "{query:?}");
        }
    }

    #[test]
    fn a_variety_is_offered_only_for_what_is_not_there() {
        let names = [
            "Quenbrisk",
            "Brindolet",
            "Brindoline",
            "Rosée d’Hiver",
            "Ume",
        ];
        for (query, want) in [
            ("brindolat", Some("Brindolet")),
            ("brindolit", Some("Brindolet")),
            ("kwembrisk", Some("Quenbrisk")),
            ("rose dhiver", Some("Rosée d’Hiver")),
            ("ome", Some("Ume")),
            ("QUENBRISK", None),
            ("zzzzzzzzz", None),
            ("um", None),
            ("", None),
        ] {
            assert_eq!(did_you_mean(query, names).as_deref(), want, "{query:?}");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(100))]

        #[test]
        fn a_crate_is_found_by_what_it_says(crates in prop::collection::vec(some_crate(), 1..6)) {
            for (nth, krate) in crates.iter().enumerate() {
                let code = krate.code.as_str();
                prop_assert!(search(&crates, &code.to_lowercase()).contains(&(nth, Quality::Code)));
                prop_assert!(search(&crates, &code.replace(['-', '.', '/'], "")).contains(&(nth, Quality::Code)));
                for text in krate.lots.iter().map(|lot| &lot.variety).chain([&krate.room, &krate.place]) {
                    let found = search(&crates, text);
                    let sayable = split(&fold(text)).next().is_some();
                    prop_assert_eq!(found.iter().any(|(at, _)| *at == nth), sayable, "{}", text);
                }
            }
        }
    }
}
