//! Bytes in: every source turns what it gets into readings and refusals and hands them to the inbox.

pub mod decode;
pub mod file_tail;
pub mod http;
pub mod serial;
