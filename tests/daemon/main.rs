//! A whole daemon in this process: a real socket, real growing files and a pseudo-terminal; only the
//! clock is moved by hand.

mod account;
mod bring;
mod clocks;
mod compared;
mod crates;
mod farm;
mod files;
mod find;
mod handled;
mod ledger;
mod posts;
mod record;
mod restarts;
mod rounds;
mod season;
mod spring;
mod told;
mod twice;
mod verdicts;
mod wires;
