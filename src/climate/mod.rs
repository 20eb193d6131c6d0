//! What air and tubers do: pure physics, no input, no output, no clock.

pub mod air;
pub mod mould;
pub mod units;

pub use air::Air;
pub use units::{Celsius, OutOfRange, Pascal, RelativeHumidity, Unit};
