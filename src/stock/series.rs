//! The next code of a series of crates, as the grower numbers them.

use std::collections::BTreeMap;

use super::CrateCode;

/// The code of the first crate of all.
const FIRST: &str = "C-01";

/// A code that is not known yet, made by counting on in the series that has the most crates: `C-47` after
/// `C-46`. Padded numbers keep their width. Of equally long series it is the last in the alphabet.
pub fn next_code<'a>(known: impl IntoIterator<Item = &'a CrateCode>) -> CrateCode {
    // Prefix: how many, the highest number, and its width.
    let mut series: BTreeMap<String, (usize, u64, usize)> = BTreeMap::new();
    for code in known {
        let text = code.as_str().to_ascii_uppercase();
        let digits = text.bytes().rev().take_while(u8::is_ascii_digit).count();
        let (prefix, number) = text.split_at(text.len() - digits);
        // A number too long to count on in leaves its crate out of any series.
        let Ok(number) = number.parse() else { continue };
        let of = series.entry(prefix.to_owned()).or_default();
        *of = (of.0 + 1, of.1.max(number), of.2.max(digits));
    }
    let longest = series.into_iter().max_by_key(|(_, (members, ..))| *members);
    longest
        .and_then(|(prefix, (_, highest, width))| {
            let next = highest.checked_add(1)?;
            format!("{prefix}{next:0width$}").parse().ok()
        })
        .unwrap_or_else(|| FIRST.parse().expect("a code"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_grower_s_own_numbering_is_gone_on_with() {
        for (known, next) in [
            ("", "C-01"),
            ("C-01 C-02 C-46", "C-47"),
            ("C-09 C-99", "C-100"),
            ("A-1 B-1 B-3", "B-4"),
            ("7 8 9", "10"),
            ("b-07 B-08 A-01", "B-09"),
            ("CELLAR", "C-01"),
            ("X-99999999999999999999", "C-01"),
        ] {
            let codes: Vec<CrateCode> = known
                .split_whitespace()
                .map(|c| c.parse().unwrap())
                .collect();
            assert_eq!(next_code(&codes).as_str(), next, "{known}");
        }
    }
}
