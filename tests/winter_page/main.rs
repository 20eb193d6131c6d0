//! What the account of a winter looks like: the page on a phone, the file that opens without the program, and
//! both on paper; and that it says the same as it did.
//!
//! Needs Debian's `chromium`, `chromium-driver` and `poppler-utils`; `tests/run` installs them.

#[path = "../phone/browser.rs"]
#[allow(dead_code, reason = "another test uses the rest of the browser")]
mod browser;
#[path = "../daemon/farm.rs"]
#[allow(dead_code, reason = "another test uses the rest of the farm")]
mod farm;
mod golden;
mod printed;
mod sight;
mod winter;

/// The parts of a page, by their headings.
const PARTS: [&str; 6] = [
    "Next autumn",
    "What was lost",
    "The cellar",
    "What crates lived through",
    "Alerts, and what was done",
    "The record",
];
