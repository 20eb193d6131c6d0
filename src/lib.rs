//! overwinter: keeps watch over a flower grower's tuber store from autumn to spring.

pub mod cli;
pub mod climate;
pub mod clock;
pub mod config;
pub mod engine;
pub mod inbox;
pub mod intake;
pub mod notify;
pub mod problem;
pub mod season;
pub mod stock;
pub mod store;
pub mod watch;
pub mod web;
