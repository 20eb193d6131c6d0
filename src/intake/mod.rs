//! Bytes in: every source turns what it gets into readings and refusals and hands them to the inbox.

pub mod decode;
pub mod file_tail;
pub mod http;
pub mod serial;

use std::fmt::Write as _;

use sha2::{Digest, Sha256};

/// Bytes in hexadecimal, two small letters or digits to each.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// SHA-256 in hexadecimal: how tokens are kept, and by what the start of a file is known again.
pub fn sha256_hex(bytes: impl AsRef<[u8]>) -> String {
    hex(&Sha256::digest(bytes.as_ref()))
}
