//! Everything that is given out of a winter, and how it is sealed.

use serde::{Deserialize, Serialize};

use super::copy::{self, About, FORM};
use crate::{
    climate::Unit,
    season::{account::Account, trail::Row},
    store::{Store, StoreError},
    watch::Stamp,
};

/// Rows of the trail fetched at once.
const AT_ONCE: u32 = 2000;
/// Rows of the trail that go into one file; a winter of five hundred crates has some thirty thousand.
pub const MOST_ROWS: usize = 200_000;

/// An account with the trail of everything that was entered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Data {
    /// The account.
    pub account: Account,
    /// Everything that was entered in its period, in order of time.
    pub trail: Vec<Row>,
    /// There was more than a file holds.
    pub trail_cut: bool,
}

/// Reads the trail of an account's period.
pub async fn data(store: &Store, account: Account) -> Result<Data, StoreError> {
    let (from, to): (Stamp, Stamp) = (account.about.from.into(), account.about.to.into());
    let (mut trail, mut after) = (Vec::new(), None);
    loop {
        let (rows, next) = store.trail(from, to, after, AT_ONCE).await?;
        trail.extend(rows);
        after = next;
        if after.is_none() || MOST_ROWS <= trail.len() {
            break;
        }
    }
    // Copies that were given out are no part of what was done to the stock, and a copy would change the next.
    trail.retain(|row| !row.what.starts_with("given out"));
    let trail_cut = after.is_some();
    Ok(Data {
        account,
        trail,
        trail_cut,
    })
}

/// What a copy says of itself when it is made.
pub fn about(made_at: Stamp, made_by: &str, unit: Unit) -> About {
    About {
        overwinter_winter: FORM,
        program: concat!("overwinter ", env!("CARGO_PKG_VERSION")).to_owned(),
        made_at: made_at.to_rfc3339(),
        made_by: made_by.to_owned(),
        units: match unit {
            Unit::F => "F",
            Unit::C => "C",
        }
        .to_owned(),
        sha256: String::new(),
    }
}

/// The data in the form that is hashed, and their hash.
pub fn hashed(data: &Data) -> Result<(String, String), serde_json::Error> {
    let text = copy::data_of(data)?;
    let hash = copy::sha256_hex(&text);
    Ok((text, hash))
}
