//! The pages a grower looks at, and what they are drawn from.

pub mod chart;
pub mod html;
