//! Words for people: what is wrong, what happens if nothing is done, what to do now.

pub mod message;
pub mod words;
