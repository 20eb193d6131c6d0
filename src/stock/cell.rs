//! One cell of a crate list: what it means, or what is wrong with it and what to do.

use chrono::{Datelike as _, NaiveDate};

use super::{BadCode, BadPrepared, CrateCode, Form, Prepared};

/// What is wrong, and what to do.
pub(super) type Wrong = (String, String);

/// The international pound, exact (NIST Handbook 44, appendix C; value and source from memory).
const GRAMS_PER_POUND: f64 = 453.592_37;

/// A cell that may not be empty.
pub(super) fn filled(text: &str) -> Result<&str, Wrong> {
    if text.is_empty() {
        Err(("the cell is empty".into(), "fill it in".into()))
    } else {
        Ok(text)
    }
}

/// Free text of at most so many characters.
pub(super) fn words(text: &str, most: usize) -> Result<String, Wrong> {
    let long = text.chars().count();
    if long > most {
        return Err((
            format!("`{}` is {long} characters long", shown(text)),
            format!("shorten it to {most} characters"),
        ));
    }
    // Tabs and hard spaces come with text pasted from other programs and look like spaces.
    let text: String = text
        .chars()
        .map(|c| if c.is_whitespace() { ' ' } else { c })
        .collect();
    if text.contains(unseen) {
        return Err((
            format!("`{}` holds a character that cannot be seen", shown(&text)),
            "type the cell again by hand".into(),
        ));
    }
    Ok(text)
}

/// A crate's code.
pub(super) fn code(text: &str) -> Result<CrateCode, Wrong> {
    filled(text)?.parse().map_err(|bad: BadCode| {
        let remedy = match bad {
            BadCode::Length => "shorten it to 24 characters",
            BadCode::Character => "use only letters A to Z, digits, `-`, `.` and `/`",
            BadCode::SignsOnly => "add a letter or a digit",
        };
        (
            format!("`{}` is not a crate code", shown(text)),
            remedy.into(),
        )
    })
}

/// Clump, division or pot tuber.
pub(super) fn form(text: &str) -> Result<Form, Wrong> {
    filled(text)?.parse().map_err(|_| {
        (
            format!("`{}` is not a form", shown(text)),
            "write clump, division or pot tuber".into(),
        )
    })
}

/// What was done before packing, or nothing for an empty cell.
pub(super) fn prepared(text: &str) -> Result<Prepared, Wrong> {
    text.parse().map_err(|bad| match bad {
        BadPrepared::Unknown(word) => (
            format!("`{}` is not a way of preparing tubers", shown(&word)),
            "write washed, brushed, cured or not cured, several divided by `;`".into(),
        ),
        BadPrepared::Both => (
            format!("`{}` says both cured and not cured", shown(text)),
            "take one of the two out, or give the tubers a row of their own".into(),
        ),
    })
}

/// How many, 1 to 100 000.
pub(super) fn count(text: &str) -> Result<u32, Wrong> {
    let wrong = |why| {
        let remedy = "write how many there are in digits alone, 1 to 100000";
        (format!("`{}` {why}", shown(text)), remedy.into())
    };
    if !filled(text)?.bytes().all(|b| b.is_ascii_digit()) {
        return Err(wrong("is not a whole number"));
    }
    text.parse()
        .ok()
        .filter(|n| (1..=100_000).contains(n))
        .ok_or_else(|| wrong("is outside 1 to 100000"))
}

/// A day in ISO 8601 form, or none for an empty cell.
pub(super) fn dug(text: &str) -> Result<Option<NaiveDate>, Wrong> {
    if text.is_empty() {
        return Ok(None);
    }
    let wrong = |why| {
        let remedy = "write year-month-day, such as 2026-10-21";
        Err((format!("`{}` {why}", shown(text)), remedy.into()))
    };
    let iso = text.len() == 10
        && text.bytes().enumerate().all(|(at, b)| match at {
            4 | 7 => b == b'-',
            _ => b.is_ascii_digit(),
        });
    if !iso {
        return wrong(if is_ambiguous(text) {
            "can be read as more than one day"
        } else {
            "is not written year-month-day"
        });
    }
    match NaiveDate::parse_from_str(text, "%Y-%m-%d") {
        Err(_) => wrong("is not a day of the calendar"),
        Ok(day) => dig(day).map(Some),
    }
}

/// A day on which tubers can have been dug: one that a list can hold.
pub(super) fn dig(day: NaiveDate) -> Result<NaiveDate, Wrong> {
    if (2000..=2099).contains(&day.year()) {
        return Ok(day);
    }
    Err((
        format!("`{day}` is outside 2000 to 2099"),
        "write year-month-day, such as 2026-10-21".into(),
    ))
}

/// Whether day, month and year of three numbers could change places.
fn is_ambiguous(text: &str) -> bool {
    let parts: Option<Vec<u32>> = text
        .split(['/', '.', '-', ' '])
        .map(|part| part.parse().ok())
        .collect();
    matches!(parts.as_deref(), Some([first, second, third])
        if *first <= 31 && (*third <= 31 || (*first <= 12 && *second <= 12 && first != second)))
}

/// A weight with its unit in grams, or none for an empty cell.
pub(super) fn weight(text: &str) -> Result<Option<u32>, Wrong> {
    if text.is_empty() {
        return Ok(None);
    }
    let wrong = |why: &str, remedy: &str| Err((format!("`{}` {why}", shown(text)), remedy.into()));
    let number_ends = text.find(|c: char| !c.is_ascii_digit() && c != '.');
    let (number, unit) = text.split_at(number_ends.unwrap_or(text.len()));
    let such_as = "write a number and its unit, such as 12.4 kg, 27 lb or 900 g";
    let Ok(number) = number.parse::<f64>() else {
        return wrong("is not a weight", such_as);
    };
    if unit.starts_with(',') {
        return wrong(
            "has a comma in its number",
            "write decimals with a point and thousands without a sign, such as 12.4 kg",
        );
    }
    let grams = match unit.trim().to_ascii_lowercase().as_str() {
        "kg" => number * 1000.0,
        "g" => number,
        "lb" | "lbs" => number * GRAMS_PER_POUND,
        "" => return wrong("has no unit", such_as),
        _ => return wrong("is not in kg, g or lb", such_as),
    };
    let grams = grams.round();
    if (1.0..=1_000_000.0).contains(&grams) {
        Ok(Some(grams as u32))
    } else {
        wrong(
            "is outside 1 g to 1000 kg",
            "write what the scales say for this lot",
        )
    }
}

/// A cell as a message quotes it: short, on one line, harmless on a terminal.
pub(super) fn shown(text: &str) -> String {
    let mut short: String = text
        .chars()
        .take(40)
        .map(|c| if unseen(c) { '\u{fffd}' } else { c })
        .collect();
    if text.chars().nth(40).is_some() {
        short.push('…');
    }
    short
}

/// Control signs, marks that turn the direction of the text around, and spaces of no width.
pub(super) fn unseen(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200b}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}'
            | '\u{2066}'..='\u{2069}' | '\u{feff}')
}

#[cfg(test)]
mod tests {
    use std::fmt::Debug;

    use super::*;

    /// Each line is a cell and what is wrong with it; all have one remedy.
    fn check<T: Debug>(read: impl Fn(&str) -> Result<T, Wrong>, remedy: &str, table: &str) {
        for line in table.lines() {
            let (cell, why) = line.trim().split_once(" | ").unwrap();
            let want = (format!("`{cell}` {why}"), remedy.to_owned());
            assert_eq!(read(cell).unwrap_err(), want);
        }
    }

    #[test]
    fn what_must_be_filled_in_says_so() {
        let want = ("the cell is empty".into(), "fill it in".into());
        for wrong in [
            filled("").err(),
            code("").err(),
            form("").err(),
            count("").err(),
        ] {
            assert_eq!(wrong.as_ref(), Some(&want));
        }
        assert_eq!(dug("").unwrap(), None);
        assert_eq!(weight("").unwrap(), None);
        assert_eq!(words("", 10).unwrap(), "");
    }

    #[test]
    fn codes_and_forms_name_the_way_out() {
        check(
            code,
            "use only letters A to Z, digits, `-`, `.` and `/`",
            "C 01 | is not a crate code
             =1 | is not a crate code
             Ç1 | is not a crate code",
        );
        check(code, "add a letter or a digit", ".. | is not a crate code");
        check(
            code,
            "shorten it to 24 characters",
            "AAAAAAAAAAAAAAAAAAAAAAAAA | is not a crate code",
        );
        check(
            form,
            "write clump, division or pot tuber",
            "tuber | is not a form
             clump or division | is not a form",
        );
    }

    #[test]
    fn words_keep_their_length_and_can_be_seen() {
        assert_eq!(words(&"é".repeat(60), 60).unwrap(), "é".repeat(60));
        let (reason, remedy) = words(&"é".repeat(61), 60).unwrap_err();
        assert_eq!(
            reason,
            format!("`{}…` is 61 characters long", "é".repeat(40))
        );
        assert_eq!(remedy, "shorten it to 60 characters");
        assert_eq!(words("a\tb\u{a0}c", 60).unwrap(), "a b c");
        for cell in ["a\0", "a\u{1b}[2J", "a\u{202e}b", "a\u{feff}b", "a\u{200b}"] {
            let (reason, remedy) = words(cell, 60).unwrap_err();
            let seen = cell.replace(unseen, "\u{fffd}");
            assert_eq!(
                reason,
                format!("`{seen}` holds a character that cannot be seen")
            );
            assert_eq!(remedy, "type the cell again by hand");
        }
    }

    #[test]
    fn ways_of_preparing_name_the_way_out() {
        assert_eq!(prepared("").unwrap(), Prepared::default());
        assert!(prepared("Washed not cured").unwrap().washed);
        check(
            prepared,
            "write washed, brushed, cured or not cured, several divided by `;`",
            "waxed | is not a way of preparing tubers
             uncured | is not a way of preparing tubers
             not brushed | is not a way of preparing tubers",
        );
        check(
            prepared,
            "take one of the two out, or give the tubers a row of their own",
            "cured; not cured | says both cured and not cured",
        );
    }

    #[test]
    fn counts_are_whole_numbers() {
        assert_eq!(count("1").unwrap(), 1);
        assert_eq!(count("007").unwrap(), 7);
        assert_eq!(count("100000").unwrap(), 100_000);
        check(
            count,
            "write how many there are in digits alone, 1 to 100000",
            "0 | is outside 1 to 100000
             100001 | is outside 1 to 100000
             99999999999999999999 | is outside 1 to 100000
             -4 | is not a whole number
             +4 | is not a whole number
             4.0 | is not a whole number
             1,200 | is not a whole number
             ٤ | is not a whole number",
        );
    }

    #[test]
    fn days_are_taken_only_when_certain() {
        assert_eq!(
            dug("2028-02-29").unwrap(),
            NaiveDate::from_ymd_opt(2028, 2, 29)
        );
        check(
            dug,
            "write year-month-day, such as 2026-10-21",
            "03/04/26 | can be read as more than one day
             3.4.2026 | can be read as more than one day
             26-10-21 | can be read as more than one day
             21/10/2026 | is not written year-month-day
             10/21/2026 | is not written year-month-day
             5/5/2026 | is not written year-month-day
             2026-1-5 | is not written year-month-day
             +2026-10-2 | is not written year-month-day
             2026-10-21T08:00 | is not written year-month-day
             2026é10-2 | is not written year-month-day
             October | is not written year-month-day
             2026-02-30 | is not a day of the calendar
             2026-00-10 | is not a day of the calendar
             0026-10-21 | is outside 2000 to 2099",
        );
    }

    #[test]
    fn weights_are_kept_in_grams() {
        for (cell, grams) in [
            ("12.4 kg", 12_400),
            ("12.4KG", 12_400),
            // 27 and 27.3 times 453.592 37 are 12 246.99 and 12 383.07.
            ("27 lb", 12_247),
            ("27.3lb", 12_383),
            ("27 lbs", 12_247),
            ("900 g", 900),
            (".5 kg", 500),
            ("0.5 g", 1),
            ("1000 kg", 1_000_000),
        ] {
            assert_eq!(weight(cell).unwrap(), Some(grams), "{cell}");
        }
        check(
            weight,
            "write a number and its unit, such as 12.4 kg, 27 lb or 900 g",
            "12.4 | has no unit
             heavy | is not a weight
             kg | is not a weight
             -3 kg | is not a weight
             1.2.3 kg | is not a weight
             . kg | is not a weight
             inf kg | is not a weight
             NaN kg | is not a weight
             1e3 g | is not in kg, g or lb
             12 stone | is not in kg, g or lb
             3 kg 200 g | is not in kg, g or lb",
        );
        check(
            weight,
            "write decimals with a point and thousands without a sign, such as 12.4 kg",
            "12,4 kg | has a comma in its number
             1,200 g | has a comma in its number",
        );
        check(
            weight,
            "write what the scales say for this lot",
            "0 kg | is outside 1 g to 1000 kg
             0.4 g | is outside 1 g to 1000 kg
             1001 kg | is outside 1 g to 1000 kg
             99999999999999999999999999999999 kg | is outside 1 g to 1000 kg",
        );
    }
}
