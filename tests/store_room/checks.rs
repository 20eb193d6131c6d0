//! The simulator against what is known without it.
