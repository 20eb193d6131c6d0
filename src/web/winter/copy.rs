//! A copy of an account that can be told from another: the data in one form of bytes, their SHA-256
//! beside them.
//!
//! The hash shows that a copy holds the data that was given out. It is no signature: who can change the
//! data can make a new hash. What was given out, when and by whom, the database remembers.

use serde::{Deserialize, Serialize, de::DeserializeOwned};
use serde_json::value::RawValue;
use sha2::{Digest as _, Sha256};
use thiserror::Error;

use super::super::feed::hex;

/// The form of the file. Raised when what older versions read would be misread.
pub const FORM: u32 = 1;
/// What stands around the data in a page.
const OPENS: &str = "<script type=\"application/json\" id=\"winter-data\">";
const CLOSES: &str = "</script>";
/// The beginning of every sealed file, by which it is known.
const HEAD: &str = "{\"overwinter_winter\":";

/// What a copy says of itself, beside its data.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct About {
    /// The form of the file.
    pub overwinter_winter: u32,
    /// The program that made it and its version.
    pub program: String,
    /// When it was made, RFC 3339.
    pub made_at: String,
    /// By whom; empty where nobody signed in.
    pub made_by: String,
    /// The units of what a page shows, `F` or `C`; the data are in the units that their names say.
    pub units: String,
    /// Of the bytes of `data`, in hexadecimal digits.
    pub sha256: String,
}

#[derive(Deserialize)]
struct Opened<'a> {
    #[serde(flatten)]
    about: About,
    #[serde(borrow)]
    data: &'a RawValue,
}

/// Why a file is no copy of an account.
#[derive(Debug, Error)]
pub enum NoCopy {
    /// Nothing in it says so.
    #[error("this is no account of a winter")]
    Unknown,
    /// It was made by a later version.
    #[error("this account has form {0}, made by a newer version of overwinter")]
    Newer(u32),
    /// It is damaged.
    #[error("the account in it cannot be read")]
    Damaged(#[source] serde_json::Error),
}

/// A copy, opened.
#[derive(Debug, Clone, PartialEq)]
pub struct Copy {
    /// What it says of itself.
    pub about: About,
    /// The hash of its data as they are.
    pub sha256: String,
    /// Its data, as JSON.
    pub data: String,
}

impl Copy {
    /// Its data are those of which it gives the hash.
    pub fn is_whole(&self) -> bool {
        self.about.sha256.eq_ignore_ascii_case(&self.sha256)
    }

    /// Its data as what they are.
    pub fn read<T: DeserializeOwned>(&self) -> Result<T, NoCopy> {
        serde_json::from_str(&self.data).map_err(NoCopy::Damaged)
    }
}

/// SHA-256 (FIPS 180-4) in hexadecimal digits.
pub fn sha256_hex(bytes: impl AsRef<[u8]>) -> String {
    hex(&Sha256::digest(bytes.as_ref()))
}

/// Data in the one form of bytes that is hashed: JSON without spaces, in which no `<` stands, so that it
/// is the same in a page.
pub fn data_of(data: &impl Serialize) -> Result<String, serde_json::Error> {
    Ok(serde_json::to_string(data)?.replace('<', "\\u003c"))
}

/// A sealed file: `about` gets the hash of the data.
pub fn seal(mut about: About, data: &str) -> Result<String, serde_json::Error> {
    about.sha256 = sha256_hex(data);
    let head = serde_json::to_string(&about)?.replace('<', "\\u003c");
    Ok(format!("{},\"data\":{data}}}", head.trim_end_matches('}')))
}

/// A sealed file as it stands in a page.
pub fn in_page(sealed: &str) -> String {
    format!("{OPENS}{sealed}{CLOSES}")
}

/// Opens a sealed file, or the one that stands in a page.
pub fn open(text: &str) -> Result<Copy, NoCopy> {
    let text = text.trim_start_matches('\u{feff}').trim();
    let sealed = match text.split_once(OPENS) {
        Some((_, rest)) => rest.split_once(CLOSES).ok_or(NoCopy::Unknown)?.0,
        None => text,
    };
    // A file that somebody laid out anew has spaces in it, and is read all the same.
    let begins: String = sealed
        .chars()
        .take(60)
        .filter(|c| !c.is_whitespace())
        .collect();
    if !begins.starts_with(HEAD) {
        return Err(NoCopy::Unknown);
    }
    let opened: Opened<'_> = serde_json::from_str(sealed).map_err(NoCopy::Damaged)?;
    if FORM < opened.about.overwinter_winter {
        return Err(NoCopy::Newer(opened.about.overwinter_winter));
    }
    let data = opened.data.get().to_owned();
    Ok(Copy {
        sha256: sha256_hex(&data),
        about: opened.about,
        data,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn about() -> About {
        About {
            overwinter_winter: FORM,
            program: "overwinter 0.1.0".into(),
            made_at: "2027-06-01T08:00:00Z".into(),
            made_by: "Odile".into(),
            units: "F".into(),
            sha256: String::new(),
        }
    }

    #[test]
    fn a_copy_opens_as_it_was_sealed_alone_and_in_a_page() {
        let data = data_of(&serde_json::json!({"note": "</script><b>", "n": 0.1})).unwrap();
        assert!(!data.contains('<'));
        let sealed = seal(about(), &data).unwrap();
        for text in [
            sealed.clone(),
            format!("<!doctype html>\n{}\n", in_page(&sealed)),
        ] {
            let copy = open(&text).unwrap();
            assert!(copy.is_whole());
            assert_eq!(copy.data, data);
            let read: serde_json::Value = copy.read().unwrap();
            assert_eq!(read["note"], "</script><b>");
        }
    }

    /// FIPS 180-4, appendix B.1: the hash of "abc".
    #[test]
    fn the_hash_is_that_of_the_standard() {
        assert_eq!(
            sha256_hex("abc"),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }

    #[test]
    fn other_files_and_later_forms_are_told_apart() {
        assert!(matches!(open("at,t\n1,2\n"), Err(NoCopy::Unknown)));
        assert!(matches!(open(""), Err(NoCopy::Unknown)));
        assert!(matches!(
            open("{\"overwinter_winter\":1}"),
            Err(NoCopy::Damaged(_))
        ));
        let mut later = about();
        later.overwinter_winter = FORM + 1;
        let sealed = seal(later, "{}").unwrap();
        assert!(matches!(open(&sealed), Err(NoCopy::Newer(2))));
    }

    proptest! {
        /// Whichever byte of the data is changed, it shows.
        #[test]
        fn a_changed_digit_shows(n in 0u64..1_000_000, at in 0usize..6, by in 1u8..10) {
            let data = data_of(&serde_json::json!({ "n": format!("{n:06}") })).unwrap();
            let sealed = seal(about(), &data).unwrap();
            let begins = sealed.rfind("\"n\":\"").unwrap() + 5;
            let mut bytes = sealed.into_bytes();
            let digit = bytes[begins + at];
            bytes[begins + at] = b'0' + (digit - b'0' + by) % 10;
            let copy = open(std::str::from_utf8(&bytes).unwrap()).unwrap();
            prop_assert!(!copy.is_whole());
        }

        #[test]
        fn any_text_is_opened_or_refused(text in ".{0,200}") {
            let _ = open(&text);
            let _ = open(&format!("{OPENS}{HEAD}{text}"));
        }
    }
}
