//! The winter's account, from a store on disk.

mod responses;
mod sums;
