//! The winter's account as a page, a print, tables and files.

pub mod alerts;
pub mod compare;
pub mod copy;
pub mod crates;
pub mod data;
pub mod file;
pub mod head;
pub mod losses;
pub mod next;
pub mod page;
pub mod part;
pub mod pictures;
pub mod record;
pub mod rooms;
pub mod table;
pub mod tables;

pub use head::{Headline, headline};

use self::part::Part;
use crate::{notify::words::Manner, season::account::Account};

/// Every part of an account, in order.
pub fn parts(account: &Account, manner: Manner) -> Vec<Part> {
    let mut all = vec![losses::part(account, manner)];
    all.extend(rooms::parts(account, manner));
    all.push(crates::part(account, manner));
    all.push(alerts::part(account, manner));
    all.push(record::part(account, manner));
    all
}
