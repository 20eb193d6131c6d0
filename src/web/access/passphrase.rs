//! Passphrases and tokens: what is taken, how it is kept, how it is compared.

use argon2::{
    Algorithm, Argon2, Params, PasswordHash, PasswordHasher as _, PasswordVerifier as _, Version,
    password_hash::SaltString,
};
use sha2::{Digest as _, Sha256};
use thiserror::Error;

use crate::store::access::Digest;

/// Fewest characters (OWASP ASVS 5.0, 6.2.1; NIST SP 800-63B).
pub const SHORTEST: usize = 8;
/// Characters that are advised (NIST SP 800-63B-4, 3.1.1.2, where it is the only secret).
pub const ADVISED: usize = 15;
/// Most characters (OWASP ASVS 5.0, 6.2.9 asks for at least 64).
pub const LONGEST: usize = 128;
/// Memory in KiB and passes (OWASP Password Storage Cheat Sheet: argon2id, 19 MiB, t=2, p=1).
const MEMORY_KIB: u32 = 19 * 1024;
const PASSES: u32 = 2;

/// What everyone tries first. Short on purpose: what a machine tries later is slowed by the waits.
const COMMON: &[&str] = &[
    "password",
    "passwort",
    "passphrase",
    "letmein",
    "welcome",
    "iloveyou",
    "sunshine",
    "princess",
    "football",
    "baseball",
    "superman",
    "dragon",
    "monkey",
    "master",
    "trustno",
    "whatever",
    "qwertyuiop",
    "qwerty",
    "qwertz",
    "asdfghjkl",
    "asdfgh",
    "zxcvbnm",
    "qazwsx",
    "administrator",
    "admin",
    "changeme",
    "changeit",
    "default",
    "secret",
    "opensesame",
    "internet",
    "computer",
    "dahlia",
    "dahlias",
    "tuber",
    "tubers",
    "flower",
    "flowers",
    "garden",
    "winter",
    "cellar",
    "overwinter",
    "grower",
    "thegrower",
    "farm",
    "tuberstore",
    "ourtuberstore",
];

/// Why a passphrase is not taken; the words are for the person who chose it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum Weak {
    /// Too few characters.
    #[error(
        "that is shorter than {SHORTEST} characters; {ADVISED} or more are better, such as four words that do not belong together"
    )]
    Short,
    /// Too many characters.
    #[error("that is longer than {LONGEST} characters")]
    Long,
    /// One of those that everyone tries first.
    #[error(
        "that is among the first that anyone would try; take a few words that do not belong together"
    )]
    Common,
    /// The two entries differ.
    #[error("the two are not the same; write it twice")]
    Differs,
}

/// Whether a passphrase may be used for a store of this name. There is no rule about kinds of
/// characters (OWASP ASVS 5.0, 6.2.5), and nothing is cut off or changed.
pub fn fit(passphrase: &str, site: &str) -> Result<(), Weak> {
    let length = passphrase.chars().count();
    if length < SHORTEST {
        return Err(Weak::Short);
    }
    if LONGEST < length {
        return Err(Weak::Long);
    }
    let bare = |text: &str| -> String {
        let kept = text.chars().filter(|c| c.is_alphanumeric());
        kept.flat_map(char::to_lowercase).collect()
    };
    let whole = bare(passphrase);
    // `Password2026` is `password`.
    let word = whole.trim_matches(|c: char| c.is_numeric());
    let site = bare(site);
    let alike = COMMON.contains(&word)
        || word.is_empty() && whole.chars().count() <= 10
        || whole == site
        || word == site
        || is_run(passphrase);
    if alike { Err(Weak::Common) } else { Ok(()) }
}

/// One character again and again, or characters that follow each other, such as `12345678`.
fn is_run(text: &str) -> bool {
    let codes: Vec<i64> = text.chars().map(|c| i64::from(u32::from(c))).collect();
    let mut steps = codes.windows(2).map(|w| w[1] - w[0]);
    let first = steps.next().unwrap_or(0);
    first.abs() <= 1 && steps.all(|s| s == first)
}

/// The machine gave no random numbers, or the hash could not be made.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("a secret could not be made: {0}")]
pub struct NotMade(String);

fn random<const N: usize>() -> Result<[u8; N], NotMade> {
    let mut bytes = [0; N];
    getrandom::fill(&mut bytes).map_err(|e| NotMade(e.to_string()))?;
    Ok(bytes)
}

/// A random token of so many bytes, in hexadecimal.
pub fn token<const N: usize>() -> Result<String, NotMade> {
    let bytes = random::<N>()?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

fn argon2() -> Result<Argon2<'static>, NotMade> {
    let params = Params::new(MEMORY_KIB, PASSES, 1, None).map_err(|e| NotMade(e.to_string()))?;
    Ok(Argon2::new(Algorithm::Argon2id, Version::V0x13, params))
}

/// The argon2id hash with its salt, as it is kept (RFC 9106); takes some ten milliseconds and 19 MiB.
pub fn hash(passphrase: &str) -> Result<String, NotMade> {
    let salt = random::<16>()?;
    let salt = SaltString::encode_b64(&salt).map_err(|e| NotMade(e.to_string()))?;
    let hash = argon2()?
        .hash_password(passphrase.as_bytes(), &salt)
        .map_err(|e| NotMade(e.to_string()))?;
    Ok(hash.to_string())
}

/// Whether it is the passphrase that was hashed, compared in constant time; as slow as [`hash`].
pub fn is_right(passphrase: &str, hash: &str) -> bool {
    let Ok(argon2) = argon2() else { return false };
    PasswordHash::new(hash)
        .is_ok_and(|hash| argon2.verify_password(passphrase.as_bytes(), &hash).is_ok())
}

/// What is kept of a token. Tokens are random and long, so that one pass of SHA-256 is enough, and
/// looking a digest up tells nothing about the token.
pub fn digest(token: &str) -> Digest {
    Sha256::digest(token.as_bytes()).into()
}

/// Letters of set-up codes: none of them is taken for another, and they spell no words.
const LETTERS: &[u8; 20] = b"BCDFGHJKLMNPQRSTVWXZ";

/// Four groups of four letters, 69 random bits.
pub fn code() -> Result<String, NotMade> {
    let mut code = String::new();
    let mut letters = 0;
    while letters < 16 {
        for byte in random::<32>()? {
            // 240 is the last multiple of 20: every letter stays as likely as every other.
            if 240 <= byte || letters == 16 {
                continue;
            }
            if letters != 0 && letters % 4 == 0 {
                code.push('-');
            }
            code.push(char::from(LETTERS[usize::from(byte) % LETTERS.len()]));
            letters += 1;
        }
    }
    Ok(code)
}

/// What is kept of a set-up code, however it was written.
pub fn code_digest(code: &str) -> Digest {
    let letters = code.chars().filter(char::is_ascii_alphabetic);
    digest(&letters.collect::<String>().to_ascii_uppercase())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_short_long_or_common_is_not_taken() {
        for (text, why) in [
            ("seven77", Weak::Short),
            ("", Weak::Short),
            ("ä".repeat(7).as_str(), Weak::Short),
            ("x y".repeat(50).as_str(), Weak::Long),
            ("password", Weak::Common),
            ("Password-1", Weak::Common),
            ("12345678", Weak::Common),
            ("87654321", Weak::Common),
            ("aaaaaaaaaaaa", Weak::Common),
            ("19700101", Weak::Common),
            ("Hollow Lane!", Weak::Common),
            ("hollowlane2026", Weak::Common),
            ("overwinter", Weak::Common),
        ] {
            assert_eq!(fit(text, "Hollow Lane"), Err(why), "{text}");
        }
        for text in [
            "ladle fog nine",
            "        ",
            "ünïcödé wörds",
            &"long words ".repeat(11),
            "correcthorse",
        ] {
            if text.trim().is_empty() {
                continue;
            }
            assert_eq!(fit(text, "Hollow Lane"), Ok(()), "{text}");
        }
    }

    #[test]
    fn a_hash_knows_its_passphrase_and_says_how_it_was_made() {
        let hash = hash("ladle fog nine").unwrap();
        assert!(
            hash.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"),
            "{hash}"
        );
        assert!(is_right("ladle fog nine", &hash));
        assert!(!is_right("ladle fog nine ", &hash));
        assert!(!is_right("", &hash));
        assert!(!is_right("ladle fog nine", "no hash"));
        assert_ne!(hash, super::hash("ladle fog nine").unwrap());
    }

    #[test]
    fn a_code_is_short_enough_to_type_and_taken_however_it_is_written() {
        let code = code().unwrap();
        assert_eq!(code.len(), 19);
        assert!((20f64).log2() * 16.0 >= 60.0);
        assert!(code.split('-').all(|group| group.len() == 4));
        let spoken = code.to_lowercase().replace('-', " ");
        assert_eq!(code_digest(&code), code_digest(&spoken));
        assert_ne!(code_digest(&code), code_digest(&super::code().unwrap()));
    }
}
