//! overwinter: keeps watch over a flower grower's tuber store from autumn to spring.

pub mod climate;
pub mod web;
