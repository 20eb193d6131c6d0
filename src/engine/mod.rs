//! The only writer: takes inputs in one order, stores and judges them in one transaction, then tells.

pub mod accept;
pub mod account;
pub mod backtest;
pub mod crates;
pub mod due;
pub mod live;
mod memory;
mod pace;
pub mod replay;
pub mod status;
pub mod sums;
pub mod telling;

pub use live::{Engine, Opening};
pub use status::Status;
pub use telling::Teller;
