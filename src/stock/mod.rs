//! What is where: crates and the lots in them, no input, no output, no clock.

use std::{
    cmp::Ordering,
    fmt,
    hash::{Hash, Hasher},
    str::FromStr,
};

use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use thiserror::Error;

pub mod brought;
mod cell;
pub mod check;
pub mod due;
pub mod field;
mod finding;
pub mod ledger;
pub mod list;
pub mod place;
pub mod plan;
pub mod round;
pub mod search;
pub mod series;
pub mod sheet;
pub mod winter;

pub use finding::{Finding, Treatment};

/// What stands on a crate's label: 1 to 24 letters A to Z, digits, `-`, `.` and `/`.
///
/// Kept as written and compared without regard to capitals, as a hand-written `b-07` and a printed
/// `B-07` are one crate.
#[derive(Debug, Clone)]
pub struct CrateCode(String);

/// Why a text cannot be a crate's code.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum BadCode {
    /// Nothing, or more than 24 characters.
    #[error("a crate code has 1 to 24 characters")]
    Length,
    /// A character that is hard to read off a label or to type with a glove.
    #[error("a crate code holds only letters A to Z, digits, `-`, `.` and `/`")]
    Character,
    /// Signs alone, such as `..` or `-`.
    #[error("a crate code holds at least one letter or digit")]
    SignsOnly,
}

impl CrateCode {
    /// The code as it was first written.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    fn folded(&self) -> impl Iterator<Item = u8> + '_ {
        self.0.bytes().map(|b| b.to_ascii_lowercase())
    }
}

impl FromStr for CrateCode {
    type Err = BadCode;

    fn from_str(text: &str) -> Result<Self, BadCode> {
        if !(1..=24).contains(&text.chars().count()) {
            return Err(BadCode::Length);
        }
        if !text
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || b"-./".contains(&b))
        {
            return Err(BadCode::Character);
        }
        if !text.bytes().any(|b| b.is_ascii_alphanumeric()) {
            return Err(BadCode::SignsOnly);
        }
        Ok(Self(text.to_owned()))
    }
}

impl fmt::Display for CrateCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl PartialEq for CrateCode {
    fn eq(&self, other: &Self) -> bool {
        self.0.eq_ignore_ascii_case(&other.0)
    }
}

impl Eq for CrateCode {}

impl PartialOrd for CrateCode {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for CrateCode {
    fn cmp(&self, other: &Self) -> Ordering {
        self.folded().cmp(other.folded())
    }
}

impl Hash for CrateCode {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.folded().for_each(|b| b.hash(state));
        // Ends the text, so that a code beside another in a tuple cannot run into it.
        0xff_u8.hash(state);
    }
}

/// How the tubers of a lot were stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Form {
    /// A whole plant's root, undivided.
    Clump,
    /// A tuber cut from a clump with its eye.
    Division,
    /// A small root grown on in a pot for one season.
    PotTuber,
}

/// A word that names none of the forms.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("a form is `clump`, `division` or `pot tuber`")]
pub struct UnknownForm;

impl FromStr for Form {
    type Err = UnknownForm;

    /// Takes singular or plural, any capitals, with a space, a hyphen or nothing between the words.
    fn from_str(text: &str) -> Result<Self, UnknownForm> {
        let word: String = text
            .chars()
            .filter(|c| !c.is_whitespace() && !['-', '_'].contains(c))
            .map(|c| c.to_ascii_lowercase())
            .collect();
        match word.strip_suffix('s').unwrap_or(&word) {
            "clump" => Ok(Self::Clump),
            "division" => Ok(Self::Division),
            "pottuber" => Ok(Self::PotTuber),
            _ => Err(UnknownForm),
        }
    }
}

impl fmt::Display for Form {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Clump => "clump",
            Self::Division => "division",
            Self::PotTuber => "pot tuber",
        })
    }
}

/// What was done to the tubers of a lot before they were packed, as far as it is said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Hash)]
pub struct Prepared {
    /// With water.
    pub washed: bool,
    /// Dry.
    pub brushed: bool,
    /// Their skins had dried; none when the list does not say.
    pub cured: Option<bool>,
}

/// Why words do not say how tubers were prepared.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum BadPrepared {
    /// A word that is none of them.
    #[error("`{0}` is not a way of preparing tubers")]
    Unknown(String),
    /// Both at once.
    #[error("it says both cured and not cured")]
    Both,
}

impl FromStr for Prepared {
    type Err = BadPrepared;

    /// Takes the words in any order and any capitals, divided by `;`, `,` or spaces.
    fn from_str(text: &str) -> Result<Self, BadPrepared> {
        let mut prepared = Self::default();
        for part in text.split([';', ',']) {
            let mut words = part.split_whitespace();
            while let Some(word) = words.next() {
                let cured = match word.to_ascii_lowercase().as_str() {
                    "washed" => {
                        prepared.washed = true;
                        continue;
                    }
                    "brushed" => {
                        prepared.brushed = true;
                        continue;
                    }
                    "cured" => true,
                    "not" => match words.next() {
                        Some(next) if next.eq_ignore_ascii_case("cured") => false,
                        Some(next) => return Err(BadPrepared::Unknown(format!("{word} {next}"))),
                        None => return Err(BadPrepared::Unknown(word.to_owned())),
                    },
                    _ => return Err(BadPrepared::Unknown(word.to_owned())),
                };
                if prepared.cured.is_some_and(|before| before != cured) {
                    return Err(BadPrepared::Both);
                }
                prepared.cured = Some(cured);
            }
        }
        Ok(prepared)
    }
}

impl fmt::Display for Prepared {
    /// The words in one order, divided by `; `; nothing when nothing is said.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let words = [
            self.washed.then_some("washed"),
            self.brushed.then_some("brushed"),
            self.cured.map(|c| if c { "cured" } else { "not cured" }),
        ];
        let words: Vec<&str> = words.into_iter().flatten().collect();
        f.pad(&words.join("; "))
    }
}

/// In JSON as the words that people write and read.
macro_rules! as_words {
    ($($name:ty),*) => {$(
        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
                to.collect_str(self)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
                String::deserialize(from)?.parse().map_err(de::Error::custom)
            }
        }
    )*};
}
as_words!(CrateCode, Form, Prepared);

impl Prepared {
    // serde asks by reference.
    #[allow(clippy::trivially_copy_pass_by_ref)]
    fn is_none(&self) -> bool {
        *self == Self::default()
    }
}

#[cfg(test)]
mod tests {
    use std::{collections::BTreeSet, hash::DefaultHasher};

    use super::*;

    #[test]
    fn codes_are_what_fits_a_label() {
        for good in ["1", "C-01", "b.7/2", "-1", "A.", "ABCDEFGHIJKLMNOPQRSTUVWX"] {
            assert_eq!(good.parse::<CrateCode>().unwrap().as_str(), good);
        }
        for (bad, why) in [
            ("", BadCode::Length),
            ("ABCDEFGHIJKLMNOPQRSTUVWXY", BadCode::Length),
            ("C 01", BadCode::Character),
            ("C_01", BadCode::Character),
            ("é1", BadCode::Character),
            ("=1", BadCode::Character),
            ("1\0", BadCode::Character),
            ("..", BadCode::SignsOnly),
            ("/", BadCode::SignsOnly),
        ] {
            assert_eq!(bad.parse::<CrateCode>().unwrap_err(), why, "{bad:?}");
        }
    }

    #[test]
    fn capitals_do_not_make_another_crate() {
        let code = |text: &str| text.parse::<CrateCode>().unwrap();
        let hash = |text: &str| {
            let mut state = DefaultHasher::new();
            code(text).hash(&mut state);
            state.finish()
        };
        assert_eq!(code("b-07"), code("B-07"));
        assert_eq!(hash("b-07"), hash("B-07"));
        assert_ne!(code("B-07"), code("B-7"));
        let set: BTreeSet<_> = ["b-2", "A-1", "B-2", "a-1"].map(code).into_iter().collect();
        assert_eq!(set.len(), 2);
        assert_eq!(set.first(), Some(&code("a-1")));
    }

    #[test]
    fn forms_are_read_forgivingly() {
        for (text, form) in [
            ("clump", Form::Clump),
            ("Clumps", Form::Clump),
            ("DIVISION", Form::Division),
            ("divisions", Form::Division),
            ("pot tuber", Form::PotTuber),
            ("Pot-Tubers", Form::PotTuber),
            ("pot_tuber", Form::PotTuber),
            ("PotTuber", Form::PotTuber),
        ] {
            assert_eq!(text.parse(), Ok(form), "{text}");
            assert_eq!(form.to_string().parse(), Ok(form));
        }
        for bad in [
            "",
            "s",
            "tuber",
            "pot",
            "clumpss",
            "clump?",
            "division clump",
        ] {
            assert_eq!(bad.parse::<Form>(), Err(UnknownForm), "{bad:?}");
        }
    }

    #[test]
    fn what_was_done_to_tubers_is_read_in_any_order() {
        let said = |washed, brushed, cured| Prepared {
            washed,
            brushed,
            cured,
        };
        for (text, want, canonical) in [
            ("", said(false, false, None), ""),
            (" ; ,", said(false, false, None), ""),
            ("washed", said(true, false, None), "washed"),
            (
                "Cured, BRUSHED",
                said(false, true, Some(true)),
                "brushed; cured",
            ),
            (
                "not cured washed",
                said(true, false, Some(false)),
                "washed; not cured",
            ),
            (
                "washed;washed;Not  Cured",
                said(true, false, Some(false)),
                "washed; not cured",
            ),
        ] {
            let read: Prepared = text.parse().unwrap();
            assert_eq!(
                (read, read.to_string().as_str()),
                (want, canonical),
                "{text:?}"
            );
            assert_eq!(canonical.parse(), Ok(want));
        }
        let unknown = |word: &str| BadPrepared::Unknown(word.to_owned());
        for (text, why) in [
            ("waxed", unknown("waxed")),
            ("washed, waxed", unknown("waxed")),
            ("uncured", unknown("uncured")),
            ("not washed", unknown("not washed")),
            ("not; cured", unknown("not")),
            ("cured, not cured", BadPrepared::Both),
            ("not cured cured", BadPrepared::Both),
        ] {
            assert_eq!(text.parse::<Prepared>(), Err(why), "{text:?}");
        }
    }
}
