//! Who may open the pages: set-up, sign-in, devices, links, names and TLS, with a whole daemon in this
//! process and the real program beside it; only the clock is moved by hand.

mod browser;
mod commands;
mod encrypted;
#[path = "../daemon/farm.rs"]
#[allow(dead_code, reason = "another test uses the rest of the farm")]
mod farm;
mod hostile;
mod names;
mod routes;
mod sessions;
mod setup;
