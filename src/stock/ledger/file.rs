//! The whole ledger in one file, for safe keeping and for another computer.

use serde::Deserialize;
use serde_json::value::RawValue;
use thiserror::Error;

use super::Entry;

/// The form of the file; another number is another form.
const FORMAT: u32 = 1;

/// Why a file is no ledger.
#[derive(Debug, Error)]
pub enum BadFile {
    /// No JSON, or not all of it.
    #[error("the file is no ledger, or not all of one: {0}")]
    NotALedger(serde_json::Error),
    /// From another version.
    #[error(
        "the file has format {found}, written by {program}; this program reads format {FORMAT}"
    )]
    Format {
        /// The number in the file.
        found: u32,
        /// Who wrote it.
        program: String,
    },
    /// One entry.
    #[error("entry {0} cannot be read: {1}")]
    Entry(usize, serde_json::Error),
}

#[derive(Deserialize)]
struct File {
    format: u32,
    program: String,
    entries: Vec<Box<RawValue>>,
}

/// What stands before the first entry.
pub fn head(version: &str) -> String {
    format!("{{\"format\":{FORMAT},\"program\":\"overwinter {version}\",\"entries\":[\n")
}

/// Entries as they stand in the file, one a line; `first` when none stands before them.
pub fn lines(entries: &[Entry], first: bool) -> String {
    let mut text = String::new();
    for (nth, entry) in entries.iter().enumerate() {
        if !(first && nth == 0) {
            text.push_str(",\n");
        }
        text.push_str(&serde_json::to_string(entry).expect("plain data always encodes"));
    }
    text
}

/// What stands after the last entry; without it the file is not whole.
pub const TAIL: &str = "\n]}\n";

/// The entries of a file.
pub fn read(text: &[u8]) -> Result<Vec<Entry>, BadFile> {
    let file: File = serde_json::from_slice(text).map_err(BadFile::NotALedger)?;
    if file.format != FORMAT {
        return Err(BadFile::Format {
            found: file.format,
            program: file.program,
        });
    }
    (1..)
        .zip(&file.entries)
        .map(|(nth, raw)| serde_json::from_str(raw.get()).map_err(|e| BadFile::Entry(nth, e)))
        .collect()
}
