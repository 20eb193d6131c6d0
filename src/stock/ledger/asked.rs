//! What is asked of the ledger, and what came of it.

use chrono::{DateTime, Utc};
use serde::Deserialize;

use super::{Deed, Entry, EntryId, Refusal};

/// Longest key that a sender may give.
const KEY: std::ops::RangeInclusive<usize> = 16..=64;

/// No crate dries by more than this share, or takes up so much, from one weighing to the next: a slip, or
/// something was taken out (judgement; growers act at 15 to 20 % lost in a whole winter). A weight that
/// differs by more was asked about before it was entered, and counts anew.
pub const LARGEST_CHANGE: f64 = 0.15;

/// One deed as it is asked for.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Asked {
    /// What the sender calls it: a second sending of the same key enters nothing. Begins with what names
    /// the phone or page, up to the last `-`.
    #[serde(default)]
    pub key: Option<String>,
    /// When it was done, if not now.
    #[serde(default)]
    pub noted_at: Option<DateTime<Utc>>,
    /// The newest entry about the crate that the person had seen.
    #[serde(default)]
    pub seen: Option<EntryId>,
    /// The person was told what is odd about it, and means it.
    #[serde(default)]
    pub sure: bool,
    /// A remark.
    #[serde(default)]
    pub note: String,
    /// What is to be done.
    pub deed: Deed,
}

impl From<Deed> for Asked {
    fn from(deed: Deed) -> Self {
        Self {
            key: None,
            noted_at: None,
            seen: None,
            sure: false,
            note: String::new(),
            deed,
        }
    }
}

impl Asked {
    /// What names the phone or page that asks.
    pub fn hand(&self) -> Option<&str> {
        self.key.as_deref().and_then(hand)
    }

    /// What is wrong with the key, if anything.
    pub fn bad_key(&self) -> Option<&'static str> {
        self.key.as_deref().and_then(bad_key)
    }
}

/// What is wrong with a key, if anything.
pub fn bad_key(key: &str) -> Option<&'static str> {
    let fine = KEY.contains(&key.len())
        && key
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || b"-_".contains(&b));
    (!fine).then_some("a key has 16 to 64 letters, digits, `-` and `_`")
}

/// What names the phone or page that gave a key.
pub fn hand(key: &str) -> Option<&str> {
    key.rsplit_once('-').map(|(hand, _)| hand)
}

/// What can hardly be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Doubt {
    /// So many percent more or, below none, less than at the last weighing.
    Weight(i32),
    /// So many divisions from one clump.
    Yield(u32),
}

/// What came of one.
#[derive(Debug, Clone, PartialEq)]
pub enum Outcome {
    /// It stands in the ledger now.
    Entered(EntryId),
    /// It stood there already.
    Known(EntryId),
    /// It cannot be.
    Refused(Refusal),
    /// Others changed the crate since the person looked; nothing was entered.
    Changed {
        /// Their entries, oldest first.
        since: Vec<Entry>,
        /// The newest entry about the crate.
        newest: EntryId,
    },
    /// It can hardly be; nothing was entered, but the same is taken from who is sure.
    Doubted(Doubt),
    /// Nothing of all that was asked together was entered, because of another part of it.
    NotAlone,
}
