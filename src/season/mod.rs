//! The winter's account: what is counted when a stretch of time is looked back on.

pub mod account;
pub mod alerting;
pub mod body;
pub mod calendar;
pub mod conditions;
pub mod counsel;
pub mod deeds;
pub mod excursion;
pub mod folding;
pub mod lived;
pub mod pattern;
pub mod period;
pub mod proportion;
pub mod responses;
pub mod sheet;
pub mod standing;
pub mod survival;
pub mod trail;
pub mod yardstick;
