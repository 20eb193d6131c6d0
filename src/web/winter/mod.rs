//! The winter's account as a page, a print, tables and files.

pub mod copy;
pub mod table;
