//! The winter's account held against figures that were worked out apart from it.

mod real_winter;
