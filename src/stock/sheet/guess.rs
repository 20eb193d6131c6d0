//! Which column is which, as far as names and cells tell.

use super::{
    Mapping, Sheet, Unit,
    apply::{counted, form_of, label},
    day,
};
use crate::stock::{
    CrateCode,
    list::COLUMNS,
    search::{fold, split},
};

/// What growers write above columns, and the field it stands for; of several in one name the first
/// here counts, so `box weight` is a weight. Folded; English, and German for the sheets with
/// decimal commas (common practice).
const NAMES: [(&str, &str); 77] = [
    ("how many", "count"),
    ("number of", "count"),
    ("no of", "count"),
    ("qty", "count"),
    ("quantity", "count"),
    ("count", "count"),
    ("anzahl", "count"),
    ("stuck", "count"),
    ("weight", "weight"),
    ("gewicht", "weight"),
    ("kg", "weight"),
    ("lb", "weight"),
    ("lbs", "weight"),
    ("pounds", "weight"),
    ("grams", "weight"),
    ("dug", "dug"),
    ("lifted", "dug"),
    ("date", "dug"),
    ("gerodet", "dug"),
    ("datum", "dug"),
    ("note", "note"),
    ("notes", "note"),
    ("remark", "note"),
    ("remarks", "note"),
    ("comment", "note"),
    ("comments", "note"),
    ("bemerkung", "note"),
    ("bemerkungen", "note"),
    ("packed in", "packing"),
    ("packing", "packing"),
    ("packaging", "packing"),
    ("medium", "packing"),
    ("place", "place"),
    ("location", "place"),
    ("where", "place"),
    ("wall", "place"),
    ("rack", "place"),
    ("bay", "place"),
    ("shelf", "place"),
    ("level", "place"),
    ("position", "place"),
    ("ort", "place"),
    ("platz", "place"),
    ("regal", "place"),
    ("fach", "place"),
    ("room", "room"),
    ("store", "room"),
    ("raum", "room"),
    ("code", "code"),
    ("crate", "code"),
    ("box", "code"),
    ("bin", "code"),
    ("tote", "code"),
    ("label", "code"),
    ("kiste", "code"),
    ("variety", "variety"),
    ("cultivar", "variety"),
    ("name", "variety"),
    ("dahlia", "variety"),
    ("sorte", "variety"),
    ("form", "form"),
    ("type", "form"),
    ("kind", "form"),
    ("art", "form"),
    ("prepared", "prepared"),
    ("tubers", "count"),
    ("tuber", "count"),
    ("divisions", "count"),
    ("divs", "count"),
    ("clumps", "count"),
    ("knollen", "count"),
    ("amount", "count"),
    ("number", "count"),
    ("number", "code"),
    ("no", "code"),
    ("nr", "code"),
    ("id", "code"),
];

/// What heads columns of numbers that count no tubers.
const OTHERS: [&str; 10] = [
    "price", "cost", "value", "height", "year", "rating", "rank", "total", "row", "size",
];

/// The mapping a sheet's names and cells suggest; a person looks it over.
pub fn guess(sheet: &Sheet) -> Mapping {
    let mut mapping = Mapping::default();
    let mut claims = Vec::new();
    for (column, name) in sheet.names.iter().enumerate() {
        for (claim, field) in claims_of(name) {
            // A type may be one of flowers, even where it is called a form.
            let sure = claim == Claim::Canonical && field != "form";
            if sure || fits(sheet, column, field) {
                claims.push((claim, column, field));
            }
        }
    }
    claims.sort_by_key(|(claim, column, _)| (*claim, *column));
    for (_, column, field) in claims {
        let many = ["place", "note"].contains(&field);
        let taken = mapping.columns.values().any(|of| of.contains(&column));
        if !taken && (many || mapping.of(field).is_empty()) {
            mapping.columns.entry(field).or_default().push(column);
        }
    }
    mapping
        .columns
        .values_mut()
        .for_each(|of| of.sort_unstable());
    by_cells(sheet, &mut mapping);
    what_else(sheet, &mut mapping);
    mapping
}

/// Whether a name above a column says anything.
pub(super) fn is_known(name: &str) -> bool {
    !claims_of(name).is_empty()
}

/// How surely a name stands for a field.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Claim {
    /// The crate list's own name.
    Canonical,
    /// The whole name, with how far down it stands among [`NAMES`].
    Whole(usize),
    /// Words in the name.
    Part(usize),
}

fn claims_of(name: &str) -> Vec<(Claim, &'static str)> {
    let name = name.trim();
    if let Some(field) = COLUMNS.iter().find(|f| f.eq_ignore_ascii_case(name)) {
        return vec![(Claim::Canonical, field)];
    }
    let name = fold(&name.replace('#', " number "));
    let words: Vec<_> = split(&name).collect();
    let is_in = |phrase: &str| {
        let phrase: Vec<_> = phrase.split(' ').collect();
        words.windows(phrase.len()).any(|run| run == phrase)
    };
    let name = words.join(" ");
    let known = || NAMES.iter().enumerate();
    let wholes: Vec<_> = known()
        .filter(|(_, (phrase, _))| *phrase == name)
        .map(|(nth, (_, field))| (Claim::Whole(nth), *field))
        .collect();
    if wholes.is_empty() {
        let part = known().find(|(_, (phrase, _))| is_in(phrase));
        let part = part.map(|(nth, (_, field))| (Claim::Part(nth), *field));
        part.into_iter().collect()
    } else {
        wholes
    }
}

/// Whether a column's cells can be what its name says; a column without cells can be anything.
fn fits(sheet: &Sheet, column: usize, field: &str) -> bool {
    let half = |is: &dyn Fn(&str) -> bool| {
        let (yes, all) = (
            sheet.filled(column).filter(|c| is(c)).count(),
            sheet.filled(column).count(),
        );
        all <= 2 * yes
    };
    match field {
        "count" => half(&|cell| counted(cell).is_some()) && !is_running(sheet, column),
        "code" => half(&is_code),
        "form" => half(&|cell| form_of(cell).is_some()),
        "dug" => half(&day::is_day),
        "weight" => half(&|cell| cell.starts_with(|c: char| c.is_ascii_digit())),
        "variety" => half(&|cell| cell.contains(char::is_alphabetic)),
        _ => true,
    }
}

/// A code with a number in it, or one in a single word.
fn is_code(cell: &str) -> bool {
    let single = cell.contains(|c: char| c.is_ascii_digit()) || !cell.contains(char::is_whitespace);
    single && label(cell).parse::<CrateCode>().is_ok()
}

/// Whether a column counts its own rows: 1, 2, 3.
fn is_running(sheet: &Sheet, column: usize) -> bool {
    let cells = || sheet.filled(column);
    2 < cells().count() && cells().zip(1..).all(|(cell, n)| cell.parse() == Ok(n))
}

/// Gives fields that no name claimed to columns whose names say nothing and whose cells say all.
fn by_cells(sheet: &Sheet, mapping: &mut Mapping) {
    for field in ["dug", "form", "weight", "count", "code", "variety"] {
        if !mapping.of(field).is_empty() {
            continue;
        }
        let says = |column: usize, cell: &str| match field {
            "dug" => day::is_day(cell),
            "form" => form_of(cell).is_some(),
            "weight" => {
                let unit =
                    cell.trim_start_matches(|c: char| c.is_ascii_digit() || ".,".contains(c));
                unit.len() < cell.len() && Unit::named(&fold(unit.trim())).is_some()
            }
            "count" => counted(cell).is_some(),
            "code" => {
                cell.contains(|c: char| c.is_ascii_digit())
                    && is_code(cell)
                    && cell.contains(char::is_alphabetic)
            }
            // Only a column without any name is taken for names.
            _ => sheet.names[column].is_empty() && cell.contains(char::is_alphabetic),
        };
        let column = (0..sheet.names.len()).find(|column| {
            let name = fold(&sheet.names[*column]);
            let taken = mapping.columns.values().any(|of| of.contains(column));
            let other = split(&name).any(|word| OTHERS.contains(&word));
            let enough = 2 <= sheet.filled(*column).count();
            let running = field == "count" && is_running(sheet, *column);
            !taken
                && !other
                && enough
                && !running
                && !is_known(&name)
                && sheet.filled(*column).all(|cell| says(*column, cell))
        });
        if let Some(column) = column {
            mapping.columns.insert(field, vec![column]);
        }
    }
}

/// What is not said by a column's place: order of days, decimal sign, unit, form, codes.
fn what_else(sheet: &Sheet, mapping: &mut Mapping) {
    let filled = |field: &str| {
        let column = mapping.of(field).first().copied();
        column.into_iter().flat_map(|column| sheet.filled(column))
    };
    let words = |field: &str| {
        let name = mapping
            .of(field)
            .first()
            .map(|nth| fold(&sheet.names[*nth]));
        let name = name.unwrap_or_default();
        split(&name).map(str::to_owned).collect::<Vec<_>>()
    };
    let date_order = day::order(filled("dug"));
    let n_with = |sign| filled("weight").filter(|cell| cell.contains(sign)).count();
    // `1,200` may be more than a thousand; `12,4` is not.
    let is_decimal = |cell: &str| {
        let decimals = cell.split_once(',').map(|(_, rest)| {
            let digits = rest.bytes().take_while(u8::is_ascii_digit);
            digits.count()
        });
        decimals.is_some_and(|n| n != 3)
    };
    let decimal_comma = n_with('.') < n_with(',') && filled("weight").any(is_decimal);
    let unit = words("weight").iter().find_map(|word| Unit::named(word));
    // `Divisions` above the counts says what is counted.
    let form = words("count").iter().find_map(|word| form_of(word));
    let n_codes = filled("code").count();
    let n_rows = sheet.cells().count();
    // More than a third of the rows have none.
    let fill_down = 0 < n_codes && n_rows < 3 * (n_rows - n_codes);
    let series = mapping.of("code").is_empty().then(|| "C-".to_owned());
    *mapping = Mapping {
        form: form.filter(|_| mapping.of("form").is_empty()),
        date_order,
        decimal_comma,
        unit,
        fill_down,
        series,
        ..std::mem::take(mapping)
    };
}
