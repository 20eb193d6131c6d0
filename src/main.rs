//! The `overwinter` program.
fn main() {}
