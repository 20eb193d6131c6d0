//! Words for people: what is wrong, what happens if nothing is done, what to do now, and the ways out.

pub mod channel;
pub mod command;
pub mod email;
pub mod message;
pub mod webhook;
pub mod words;
