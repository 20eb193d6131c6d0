//! The winter's account: what is counted when a stretch of time is looked back on.

pub mod alerting;
pub mod body;
pub mod calendar;
pub mod conditions;
pub mod lived;
pub mod period;
pub mod proportion;
pub mod sheet;
pub mod standing;
pub mod yardstick;
