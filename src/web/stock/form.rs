//! What a person filled in, read into deeds.

use std::{collections::BTreeMap, ops::RangeInclusive};

use chrono::NaiveDate;

use crate::{
    climate::Unit,
    stock::{
        CrateCode, Finding, Form, Treatment,
        ledger::{Asked, Deed, EntryId, LotId, To},
    },
};

/// The international pound in grams, exact by definition (1959).
pub(super) const POUND_G: f64 = 453.592_37;
/// Weights that one crate can have, in grams: an ounce to a loaded pallet.
const WEIGHTS_G: RangeInclusive<f64> = 30.0..=1_000_000.0;
/// Longest note, in characters.
const NOTE: usize = 500;
/// Tells one page from the next; 64 bits are not met twice.
const KEY_BYTES: usize = 8;

/// What is wrong with a field, and what to do, as sentences.
pub(super) type Wrong = String;

/// The fields of one form, by name. Where a name comes twice the last one counts.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Fields(BTreeMap<String, String>);

impl FromIterator<(String, String)> for Fields {
    fn from_iter<T: IntoIterator<Item = (String, String)>>(fields: T) -> Self {
        Self(
            fields
                .into_iter()
                .map(|(k, v)| (k, v.trim().to_owned()))
                .collect(),
        )
    }
}

impl Fields {
    /// Nothing was filled in yet.
    pub(super) const fn none() -> Self {
        Self(BTreeMap::new())
    }

    /// What was typed; nothing where the form has no such field.
    pub fn get(&self, name: &str) -> &str {
        self.0.get(name).map_or("", String::as_str)
    }

    /// All of them, to be sent again as they are.
    pub(in crate::web) fn all(&self) -> impl Iterator<Item = (&str, &str)> {
        self.0.iter().map(|(k, v)| (k.as_str(), v.as_str()))
    }

    fn is(&self, name: &str) -> bool {
        self.get(name) == "yes"
    }

    /// The crate that the form is about.
    pub(super) fn krate(&self, name: &str) -> Result<CrateCode, Wrong> {
        let text = self.get(name);
        text.parse().map_err(|e| {
            if text.is_empty() {
                "Name a crate by the code on its label.".to_owned()
            } else {
                format!("`{text}` is no crate: {e}.")
            }
        })
    }

    /// How many, 1 and up.
    pub(super) fn count(&self, name: &str) -> Result<u32, Wrong> {
        match self.get(name).parse() {
            Ok(0) => Err("Write how many, from 1 up.".to_owned()),
            Ok(n) => Ok(n),
            Err(_) => Err("Write how many, in digits alone.".to_owned()),
        }
    }

    fn lot(&self) -> Result<LotId, Wrong> {
        let lot = self.get("lot").parse();
        lot.map(LotId)
            .map_err(|_| "Choose which of the lots it is.".to_owned())
    }

    fn finding(&self) -> Result<Finding, Wrong> {
        self.get("finding")
            .parse()
            .map_err(|_| "Choose what you found.".to_owned())
    }

    fn other_crate(&self) -> Result<To, Wrong> {
        Ok(To {
            code: self.krate("into")?,
            room: self.get("room").to_owned(),
            place: self.get("place").to_owned(),
            packing: self.get("packing").to_owned(),
        })
    }

    fn day(&self, name: &str) -> Result<Option<NaiveDate>, Wrong> {
        let text = self.get(name);
        if text.is_empty() {
            return Ok(None);
        }
        let day = text
            .parse()
            .map_err(|_| "Write the day as year-month-day, such as 2026-10-21.");
        Ok(Some(day?))
    }

    /// What was found at a look: taken out it leaves the crate, left in it is only noted.
    pub(super) fn look(&self) -> Result<Deed, Wrong> {
        let finding = self.finding()?;
        let krate = self.krate("crate")?;
        let whole = self.get("lot").is_empty();
        if self.is("out") {
            if whole {
                return Err("Choose which of the lots they were taken out of.".to_owned());
            }
            return Ok(Deed::Culled {
                lot: self.lot()?,
                finding,
                count: self.count("count")?,
            });
        }
        Ok(Deed::Looked {
            krate,
            lot: if whole { None } else { Some(self.lot()?) },
            finding,
            count: if self.get("count").is_empty() {
                None
            } else {
                Some(self.count("count")?)
            },
        })
    }

    /// What was found on a round and what the crate weighed, whichever was filled in, to be entered
    /// together. The remark goes with the first of the two.
    pub(super) fn found(&self, unit: Unit) -> Result<Vec<Asked>, Wrong> {
        let mut found = Vec::new();
        if !self.get("finding").is_empty() {
            found.push(self.asked(self.look()?)?);
        }
        if !self.get("weight").is_empty() {
            let mut weighed = self.asked(Deed::Weighed {
                krate: self.krate("crate")?,
                grams: grams(self.get("weight"), unit)?,
            })?;
            if !found.is_empty() {
                weighed.note.clear();
                // The same hand, so that one is no surprise to the other.
                weighed.key = weighed.key.map(|key| format!("{key}w"));
            }
            found.push(weighed);
        }
        if found.is_empty() {
            return Err("Choose what you found, or write the weight.".to_owned());
        }
        Ok(found)
    }

    /// The deed that a form of this kind asks for. Weights are in the unit of the site unless they say
    /// otherwise.
    pub(super) fn deed(&self, unit: Unit) -> Result<Deed, Wrong> {
        let count = || self.count("count");
        Ok(match self.get("kind") {
            "looked" => self.look()?,
            "weighed" => Deed::Weighed {
                krate: self.krate("crate")?,
                grams: grams(self.get("weight"), unit)?,
            },
            "sold" => Deed::Sold {
                lot: self.lot()?,
                count: count()?,
            },
            "given" => Deed::Given {
                lot: self.lot()?,
                count: count()?,
            },
            "planted" => Deed::Planted {
                lot: self.lot()?,
                count: count()?,
                bed: self.get("bed").to_owned(),
            },
            "split" => Deed::Split {
                lot: self.lot()?,
                count: count()?,
                into: self.other_crate()?,
            },
            "merged" => Deed::Merged {
                krate: self.krate("crate")?,
                into: self.krate("into")?,
            },
            "moved" => Deed::Moved {
                krate: self.krate("crate")?,
                room: self.get("room").to_owned(),
                place: self.get("place").to_owned(),
            },
            "divided" => Deed::Divided {
                lot: self.lot()?,
                count: count()?,
                yielded: match self.get("yielded") {
                    "0" => 0,
                    _ => self.count("yielded")?,
                },
                into: if self.get("into").is_empty() {
                    None
                } else {
                    Some(self.other_crate()?)
                },
            },
            "treated" => Deed::Treated {
                krate: self.krate("crate")?,
                how: (self.get("how").parse::<Treatment>())
                    .map_err(|_| "Choose what was done.".to_owned())?,
            },
            "packed" => Deed::Packed {
                krate: self.krate("crate")?,
                packing: self.get("packing").to_owned(),
                skins_dry: match self.get("skins_dry") {
                    "yes" => Some(true),
                    "no" => Some(false),
                    _ => None,
                },
            },
            "woken" => Deed::Woken {
                krate: self.krate("crate")?,
            },
            "lifted" => Deed::Lifted {
                into: self.other_crate()?,
                variety: self.get("variety").to_owned(),
                form: match self.get("form") {
                    "" => Form::Clump,
                    text => text.parse().map_err(|e| format!("Choose a form: {e}."))?,
                },
                count: count()?,
                dug: self.day("dug")?,
            },
            "corrected" => Deed::Corrected {
                lot: self.lot()?,
                count: match self.get("count") {
                    "" => None,
                    "0" => Some(0),
                    _ => Some(count()?),
                },
                variety: Some(self.get("variety").to_owned()).filter(|v| !v.is_empty()),
                form: None,
                dug: self.day("dug")?,
                note: self.0.get("remark").cloned(),
                prepared: None,
            },
            "undone" => Deed::Undone {
                entry: (self.get("entry").parse().map(EntryId))
                    .map_err(|_| "Load the page again.".to_owned())?,
            },
            _ => return Err("This form is not known here. Load the page again.".to_owned()),
        })
    }

    /// The deed with what the page says about it.
    pub(super) fn asked(&self, deed: Deed) -> Result<Asked, Wrong> {
        let note = self.get("note");
        if NOTE < note.chars().count() {
            return Err(format!(
                "The note is longer than {NOTE} characters; shorten it."
            ));
        }
        // Who is sure has been told of what came since.
        let told = Some(self.get("newest")).filter(|n| self.is("sure") && !n.is_empty());
        let asked = Asked {
            key: Some(self.get("key").to_owned()).filter(|k| !k.is_empty()),
            seen: (told.unwrap_or(self.get("seen")).parse().ok()).map(EntryId),
            sure: self.is("sure"),
            note: note.to_owned(),
            ..Asked::from(deed)
        };
        match asked.bad_key() {
            Some(_) => Err("This page is not as it was made. Load it again.".to_owned()),
            None => Ok(asked),
        }
    }
}

/// A key for what a page will ask for: sending it twice enters it once.
pub(super) fn key() -> String {
    let mut bytes = [0_u8; KEY_BYTES];
    // Without random numbers the page still works; only a second sending would be a second entry.
    if getrandom::fill(&mut bytes).is_err() {
        return String::new();
    }
    let hand: String = bytes.iter().map(|b| format!("{b:02x}")).collect();
    format!("{hand}-1")
}

/// `23.4`, `23,4`, with a unit or in the site's own.
pub(super) fn grams(text: &str, unit: Unit) -> Result<u32, Wrong> {
    let text = text.trim().to_lowercase().replace(',', ".");
    let (number, factor) = if let Some(number) = text.strip_suffix("kg") {
        (number, 1000.0)
    } else if let Some(number) = text.strip_suffix("lbs").or(text.strip_suffix("lb")) {
        (number, POUND_G)
    } else {
        let own = match unit {
            Unit::F => POUND_G,
            Unit::C => 1000.0,
        };
        (text.as_str(), own)
    };
    let remedy = "Write a weight such as 23.4, or 10.6 kg.";
    let value: f64 = number
        .trim()
        .parse()
        .map_err(|_| format!("That is no weight. {remedy}"))?;
    let grams = value * factor;
    if WEIGHTS_G.contains(&grams) {
        Ok(grams.round() as u32)
    } else {
        Err(format!("No crate weighs that. {remedy}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fields(text: &str) -> Fields {
        let pair = |p: &str| p.split_once('=').map(|(k, v)| (k.to_owned(), v.to_owned()));
        text.split('&').filter_map(pair).collect()
    }

    #[test]
    fn weights_are_read_in_the_unit_of_the_site_or_their_own() {
        assert_eq!(grams("10", Unit::F), Ok(4536));
        assert_eq!(grams("10,5", Unit::C), Ok(10_500));
        assert_eq!(grams(" 10.5 kg ", Unit::F), Ok(10_500));
        assert_eq!(grams("10lb", Unit::C), Ok(4536));
        for bad in ["", "heavy", "-3", "0", "NaN", "1e9", "inf"] {
            assert!(grams(bad, Unit::C).is_err(), "{bad}");
        }
    }

    #[test]
    fn what_is_wrong_is_said_with_the_way_out() {
        for (form, why) in [
            ("kind=looked&crate=B-07", "Choose what you found."),
            (
                "kind=looked&crate=B_7&finding=soft",
                "`B_7` is no crate: a crate code holds only letters A to Z, digits, `-`, `.` and `/`.",
            ),
            (
                "kind=looked&crate=B-07&finding=soft&out=yes&count=3",
                "Choose which of the lots they were taken out of.",
            ),
            (
                "kind=looked&crate=B-07&finding=soft&out=yes&lot=3&count=three",
                "Write how many, in digits alone.",
            ),
            ("kind=sold&lot=3&count=0", "Write how many, from 1 up."),
            (
                "kind=split&lot=3&count=1",
                "Name a crate by the code on its label.",
            ),
            (
                "kind=corrected&lot=3&dug=yesterday",
                "Write the day as year-month-day, such as 2026-10-21.",
            ),
            (
                "kind=felled",
                "This form is not known here. Load the page again.",
            ),
        ] {
            assert_eq!(fields(form).deed(Unit::F).unwrap_err(), why, "{form}");
        }
    }

    #[test]
    fn a_look_takes_out_or_leaves_in() {
        let look = |text: &str| fields(text).deed(Unit::F).unwrap();
        let crate_code: CrateCode = "B-07".parse().unwrap();
        assert_eq!(
            look("kind=looked&crate=B-07&finding=sound&lot=&count="),
            Deed::Looked {
                krate: crate_code,
                lot: None,
                finding: Finding::Sound,
                count: None
            }
        );
        assert_eq!(
            look("kind=looked&crate=B-07&finding=gall or virus&lot=4&count= 3 &out=yes"),
            Deed::Culled {
                lot: LotId(4),
                finding: Finding::GallOrVirus,
                count: 3
            }
        );
    }
}
