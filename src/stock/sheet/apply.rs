//! The rows of a sheet made into crates, by a mapping.

use std::borrow::Cow;

use super::{Mapping, Sheet, Unit, day};
use crate::stock::{
    CrateCode, Form,
    cell::{Wrong, shown},
    list::{Fault, List, Parsed, fault},
    search::fold,
};

/// What stands below the last crate of a sheet (common practice).
const TOTALS: [&str; 7] = [
    "total",
    "totals",
    "grand total",
    "subtotal",
    "sum",
    "summe",
    "gesamt",
];

/// Makes crates of a sheet's rows, each bad row a fault with the sheet's own lines and names.
///
/// Rows of totals are passed over, see [`passed_over`]. Nothing is read while there are open
/// [`questions`]; these are then the faults. Codes made for a sheet without any go on after the
/// highest of `known` in their series, one for every row.
pub fn apply<'a>(
    sheet: &Sheet,
    mapping: &Mapping,
    known: impl IntoIterator<Item = &'a CrateCode>,
) -> Parsed {
    let faults = questions(sheet, mapping);
    if !faults.is_empty() {
        return Parsed {
            crates: Vec::new(),
            faults,
        };
    }
    let totals = passed_over(sheet, mapping);
    let rows = || sheet.rows.iter().filter(|row| !totals.contains(&row.line));
    let mut series = Series::new(mapping, known, rows().count());
    let mut list = List::default();
    let mut above = String::new();
    for row in rows() {
        if list.is_full(row.line) {
            break;
        }
        let made = series.next();
        let cells = match &row.cells {
            Ok(cells) => cells,
            Err(wrong) => {
                list.refuse(row.line, wrong.clone());
                // Its code is not known, so what follows without one belongs to no crate.
                above.clear();
                continue;
            }
        };
        let given = one(cells, mapping, "code");
        let code = match made {
            Some(made) => made,
            None if given.is_empty() && mapping.fill_down => above.clone(),
            None => label(given),
        };
        above.clone_from(&code);
        list.add(row.line, |field| match field {
            "code" => Ok(Cow::Borrowed(code.as_str())),
            _ => text(sheet, cells, mapping, field),
        });
    }
    let mut parsed = list.done();
    for fault in &mut parsed.faults {
        fault.reason.push_str(&named(sheet, mapping, fault.field));
    }
    parsed
}

/// The code before the first of those that are made for a sheet without any: with it alone for `known`,
/// [`apply`] makes the same codes again, whatever was entered since.
pub fn code_before<'a>(
    sheet: &Sheet,
    mapping: &Mapping,
    known: impl IntoIterator<Item = &'a CrateCode>,
) -> Option<CrateCode> {
    let totals = passed_over(sheet, mapping);
    let rows = sheet.rows.iter().filter(|row| !totals.contains(&row.line));
    let series = Series::new(mapping, known, rows.count());
    let (prefix, digits) = (series.prefix?, series.digits);
    format!("{prefix}{:0digits$}", series.next - 1).parse().ok()
}

/// The lines of rows that hold a total and no crate.
pub fn passed_over(sheet: &Sheet, mapping: &Mapping) -> Vec<u64> {
    let word = |cell: &str| TOTALS.contains(&fold(cell).trim_end_matches([':', ' ']));
    let is_total = |cells: &[String]| {
        cells.iter().any(|cell| word(cell))
            && ["code", "variety"].into_iter().all(|field| {
                let cell = one(cells, mapping, field);
                cell.is_empty() || word(cell)
            })
    };
    sheet
        .rows
        .iter()
        .filter(|row| row.cells.as_ref().is_ok_and(|cells| is_total(cells)))
        .map(|row| row.line)
        .collect()
}

/// What has to be said before the sheet can be read, as faults of its header line.
pub fn questions(sheet: &Sheet, mapping: &Mapping) -> Vec<Fault> {
    let mut open = Vec::new();
    let mut ask = |field, why: String, remedy: &str| {
        open.push(fault(sheet.line, Some(field), (why, remedy.into())));
    };
    for (field, columns) in &mapping.columns {
        if let Some(beyond) = columns.iter().find(|nth| sheet.names.len() <= **nth) {
            let why = format!("the sheet has no column {}", beyond.saturating_add(1));
            ask(*field, why, "choose one of the sheet's columns");
        }
    }
    let has = |field: &str| !mapping.of(field).is_empty();
    for field in ["variety", "count"] {
        if !has(field) {
            let why = format!("no column is said to hold the {field}");
            ask(field, why, "choose the column");
        }
    }
    if !has("code") {
        let made = mapping
            .series
            .as_deref()
            .map(|series| format!("{series}0000"));
        match made.map(|code| code.parse::<CrateCode>()) {
            None => ask(
                "code",
                "no column is said to hold the crate's code".into(),
                "choose the column, or say how codes made for the rows begin, such as C-",
            ),
            Some(Err(_)) => ask(
                "code",
                "codes cannot begin so".into(),
                "use at most 20 letters A to Z, digits, `-`, `.` and `/`",
            ),
            Some(Ok(_)) => {}
        }
    }
    if !has("room") && mapping.room.is_empty() {
        let why = "the sheet does not name the room";
        ask("room", why.into(), "write the room these crates stand in");
    }
    if !has("form") && mapping.form.is_none() {
        let why = "the sheet does not say what was stored";
        ask("form", why.into(), "choose clump, division or pot tuber");
    }
    let cells = |field: &str| {
        let column = mapping.of(field).first().copied();
        column.into_iter().flat_map(|column| sheet.filled(column))
    };
    let unsure = |cell: &&str| day::is_day(cell) && day::read(cell, None).is_none();
    if mapping.date_order.is_none()
        && let Some(cell) = cells("dug").find(unsure)
    {
        let why = format!("`{}` can be read as more than one day", shown(cell));
        ask(
            "dug",
            why,
            "choose whether the day, the month or the year comes first",
        );
    }
    let bare = |cell: &&str| {
        cell.bytes()
            .all(|b| b.is_ascii_digit() || b".,".contains(&b))
    };
    if mapping.unit.is_none()
        && let Some(cell) = cells("weight").find(bare)
    {
        let why = format!("`{}` has no unit", shown(cell));
        ask("weight", why, "choose kg, g or lb for the column");
    }
    open
}

/// A crate's code without the `#` some write before it, with `-` for the spaces a code cannot have.
pub(super) fn label(cell: &str) -> String {
    let words = cell.trim_start_matches('#');
    let words = words.split(|c: char| c.is_whitespace() || c == '_');
    let words: Vec<_> = words.filter(|word| !word.is_empty()).collect();
    words.join("-")
}

/// A form by the words of a crate list, or by a grower's short ones.
pub(super) fn form_of(cell: &str) -> Option<Form> {
    let word = fold(cell);
    match word.trim_end_matches('.') {
        "div" | "divs" | "divided" => Some(Form::Division),
        "whole clump" | "whole clumps" => Some(Form::Clump),
        "pot" | "pots" | "pot root" | "pot roots" => Some(Form::PotTuber),
        other => other.parse().ok(),
    }
}

/// The digits of a count, and the form it may name: `12`, `12.0`, `12 divs`, `12 pcs`.
pub(super) fn counted(cell: &str) -> Option<(&str, Option<Form>)> {
    let digits = cell
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(cell.len());
    let (digits, rest) = cell.split_at(digits);
    let form = match fold(rest.trim()).trim_end_matches('.') {
        "" | ".0" | ",0" | "x" | "ea" | "pc" | "pcs" | "pieces" | "tuber" | "tubers" => None,
        word => Some(form_of(word)?),
    };
    (!digits.is_empty()).then_some((digits, form))
}

/// The cell of a field that has one column at most.
fn one<'a>(cells: &'a [String], mapping: &Mapping, field: &str) -> &'a str {
    let column = mapping.of(field).first();
    column.and_then(|nth| cells.get(*nth)).map_or("", |c| c)
}

/// What a row says of a field, in the words of a crate list where that is certain.
fn text<'a>(
    sheet: &Sheet,
    cells: &'a [String],
    mapping: &'a Mapping,
    field: &'static str,
) -> Result<Cow<'a, str>, Wrong> {
    let cell = one(cells, mapping, field);
    let form = || form_of(one(cells, mapping, "form"));
    let number = || counted(one(cells, mapping, "count"));
    Ok(match field {
        "room" if mapping.of(field).is_empty() => mapping.room.as_str().into(),
        "packing" if mapping.of(field).is_empty() => mapping.packing.as_str().into(),
        "place" => joined(sheet, cells, mapping.of(field), " / ").into(),
        "note" => joined(sheet, cells, mapping.of(field), "; ").into(),
        "form" if cell.is_empty() => {
            let form = number().and_then(|(_, form)| form).or(mapping.form);
            form.map(|form| form.to_string()).unwrap_or_default().into()
        }
        "form" => form().map_or(cell.into(), |form| form.to_string().into()),
        "count" => match number() {
            Some((_, Some(counted))) if form().is_some_and(|form| form != counted) => {
                return Err((
                    format!(
                        "`{}` counts {counted}s in a row of another form",
                        shown(cell)
                    ),
                    "correct one of the two".into(),
                ));
            }
            number => number.map_or(cell, |(digits, _)| digits).into(),
        },
        "dug" if is_blank(cell) => mapping
            .dug
            .map(|d| d.to_string())
            .unwrap_or_default()
            .into(),
        "dug" => match day::read(cell, mapping.date_order) {
            Some(day) => day.to_string().into(),
            None => cell.into(),
        },
        "weight" if is_blank(cell) => "".into(),
        "weight" => weight(cell, mapping)?,
        _ => cell.into(),
    })
}

/// A cell that says there is nothing to say.
fn is_blank(cell: &str) -> bool {
    matches!(cell, "" | "-" | "–" | "—") || cell.eq_ignore_ascii_case("n/a")
}

/// A weight with a decimal point and a unit, where the sheet says which.
fn weight<'a>(cell: &'a str, mapping: &Mapping) -> Result<Cow<'a, str>, Wrong> {
    let ends = cell.find(|c: char| !c.is_ascii_digit() && !".,".contains(c));
    let (number, unit) = cell.split_at(ends.unwrap_or(cell.len()));
    if mapping.decimal_comma && number.contains('.') {
        return Err((
            format!(
                "`{}` has a point in a column of decimal commas",
                shown(cell)
            ),
            "write decimals with a comma and thousands without a sign, such as 12,4".into(),
        ));
    }
    if !mapping.decimal_comma && number.contains(',') {
        return Ok(cell.into());
    }
    let unit = fold(unit.trim());
    let unit = match unit.trim_end_matches('.') {
        "" => mapping.unit,
        word => Unit::named(word),
    };
    let Some(unit) = unit else {
        return Ok(cell.into());
    };
    let number = number.replacen(',', ".", 1);
    Ok(format!("{number} {}", unit.word()).into())
}

/// The cells of several columns in one; a bare number is told by the column's name: `shelf 2`.
fn joined(sheet: &Sheet, cells: &[String], columns: &[usize], sign: &str) -> String {
    let part = |nth: &usize| {
        let (cell, name) = (cells.get(*nth)?, fold(sheet.names.get(*nth)?));
        let bare = !cell.is_empty() && cell.bytes().all(|b| b.is_ascii_digit());
        let tells = ["wall", "rack", "bay", "shelf", "level"].contains(&name.as_str());
        Some(if bare && tells {
            format!("{name} {cell}")
        } else {
            cell.clone()
        })
    };
    let parts = columns.iter().filter_map(part);
    let parts: Vec<_> = parts.filter(|part| !part.is_empty()).collect();
    parts.join(sign)
}

/// The names of a fault's columns where the sheet does not call them as we do.
fn named(sheet: &Sheet, mapping: &Mapping, field: Option<&'static str>) -> String {
    let Some(field) = field else {
        return String::new();
    };
    let name = |nth: &usize| match sheet.names.get(*nth).map(String::as_str) {
        None | Some("") => format!("{}", nth + 1),
        Some(name) => format!("`{}`", shown(name)),
    };
    let names: Vec<_> = mapping.of(field).iter().map(name).collect();
    match names.as_slice() {
        [] => String::new(),
        [one] if one.trim_matches('`').eq_ignore_ascii_case(field) => String::new(),
        [one] => format!(" (column {one})"),
        many => format!(" (columns {})", many.join(", ")),
    }
}

/// Codes made for the rows of a sheet that has none.
struct Series<'a> {
    prefix: Option<&'a str>,
    next: u64,
    digits: usize,
}

impl<'a> Series<'a> {
    fn new<'k>(
        mapping: &'a Mapping,
        known: impl IntoIterator<Item = &'k CrateCode>,
        n_rows: usize,
    ) -> Self {
        let prefix = mapping
            .series
            .as_deref()
            .filter(|_| mapping.of("code").is_empty());
        let of_series = |code: &'k CrateCode| {
            let code = code.as_str();
            let (start, number) = code.split_at_checked(prefix?.len())?;
            // Nine digits are no number of a crate.
            let counted =
                (1..=9).contains(&number.len()) && number.bytes().all(|b| b.is_ascii_digit());
            let number = number
                .parse()
                .ok()
                .filter(|_| counted && start.eq_ignore_ascii_case(prefix.unwrap_or("")))?;
            Some((number, code.len() - start.len()))
        };
        let (mut last, mut digits) = (0_u64, 2);
        for (number, width) in known.into_iter().filter_map(of_series) {
            (last, digits) = (last.max(number), digits.max(width));
        }
        Self {
            prefix,
            next: last + 1,
            digits: digits.max((last + n_rows as u64).to_string().len()),
        }
    }

    fn next(&mut self) -> Option<String> {
        let code = format!(
            "{}{:0digits$}",
            self.prefix?,
            self.next,
            digits = self.digits
        );
        self.next += 1;
        Some(code)
    }
}
