//! The winter's account as a page, a print, tables and files.

pub mod alerts;
pub mod copy;
pub mod crates;
pub mod losses;
pub mod next;
pub mod part;
pub mod pictures;
pub mod record;
pub mod rooms;
pub mod table;
