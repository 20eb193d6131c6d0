//! What air and tubers do: pure physics, no input, no output, no clock.

pub mod air;
pub mod drying;
pub mod mould;
pub mod packing;
pub mod salts;
mod stat;
pub mod trend;
pub mod tuber;
pub mod units;
pub mod venting;
pub mod warmth;

pub use air::Air;
pub use packing::Packing;
pub use units::{Celsius, OutOfRange, Pascal, RelativeHumidity, Unit};
