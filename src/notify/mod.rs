//! Messages out: whether a person is told, in which words, by which way.

pub mod kinds;
pub mod letter;
pub mod message;
pub mod plan;
pub mod summary;
pub mod words;
