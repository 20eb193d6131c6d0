//! The winter's account: what is counted when a stretch of time is looked back on.

pub mod alerting;
pub mod lived;
pub mod proportion;
pub mod standing;
