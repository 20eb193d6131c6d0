//! Crates, lots and the ledger.
