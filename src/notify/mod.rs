//! Messages out: whether a person is told, in which words, by which way.
//!
//! Pure are [`telling`] and [`plan`] (who is owed what), [`message`], [`letter`], [`summary`], [`kinds`], [`duties`]
//! and [`words`]; [`courier`] takes what is owed to the ways out.

pub mod advice;
pub mod ahead;
pub mod channel;
pub mod command;
mod computed;
pub mod courier;
pub mod duties;
pub mod email;
pub mod heartbeat;
pub mod kinds;
pub mod letter;
pub mod message;
pub mod perils;
pub mod plan;
pub mod summary;
pub mod telling;
pub mod webhook;
pub mod words;
