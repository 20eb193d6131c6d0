//! The winter's account: from a store on disk, and held against figures that were worked out apart from it.

mod kept;
mod real_winter;
mod responses;
mod script;
mod sums;
