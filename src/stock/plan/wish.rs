//! How many plants a grower wants: a number, or beds to fill.

use std::ops::RangeInclusive;

use thiserror::Error;

/// From plant to plant in a row, in metres: 18 inches. Growers use 12 to 18, for large plants 18 to 24 inches (common
/// practice).
pub const SPACING_M: f64 = 0.4572;
/// What a bed can be, in metres and rows, and how many plants anybody can want: judgement, against slips of units.
const LENGTH_M: RangeInclusive<f64> = 0.3..=1000.0;
const ROWS: RangeInclusive<u32> = 1..=50;
/// 4 inches to 6.5 feet.
const SPACINGS_M: RangeInclusive<f64> = 0.1..=2.0;
const MOST_PLANTS: u32 = 1_000_000;

/// A bed to be planted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bed {
    /// From end to end.
    pub length_m: f64,
    /// Rows of this variety.
    pub rows: u32,
    /// From plant to plant in the row.
    pub spacing_m: f64,
}

/// Why a bed or a number of plants cannot be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum BadWish {
    /// The bed's length.
    #[error("a bed is 0.3 to 1000 m long (1 to 3280 ft)")]
    Length,
    /// The bed's rows.
    #[error("a bed has 1 to 50 rows")]
    Rows,
    /// The plants' spacing.
    #[error("plants stand 0.1 to 2 m apart (4 to 78 in)")]
    Spacing,
    /// Less bed than one plant takes.
    #[error("the bed is shorter than the space of one plant")]
    NoPlant,
    /// Too many together.
    #[error("more than a million plants of one variety")]
    TooMany,
}

impl Bed {
    /// Plants that fill it. They stand half a spacing from the ends, so each takes one spacing of the row.
    pub fn plants(&self) -> Result<u32, BadWish> {
        if !LENGTH_M.contains(&self.length_m) {
            return Err(BadWish::Length);
        }
        if !ROWS.contains(&self.rows) {
            return Err(BadWish::Rows);
        }
        if !SPACINGS_M.contains(&self.spacing_m) {
            return Err(BadWish::Spacing);
        }
        // 30 feet hold 20 plants at 18 inches, though in metres the quotient may fall a hair short.
        let in_row = (self.length_m / self.spacing_m + 1e-6).floor() as u32;
        match self.rows * in_row {
            0 => Err(BadWish::NoPlant),
            plants => Ok(plants),
        }
    }
}

/// What a grower wants to plant of a variety.
#[derive(Debug, Clone, PartialEq)]
pub enum Wish {
    /// So many.
    Plants(u32),
    /// As many as fill these.
    Beds(Vec<Bed>),
}

impl Wish {
    /// How many that is, at most a million.
    pub fn plants(&self) -> Result<u32, BadWish> {
        let plants = match self {
            Self::Plants(plants) => *plants,
            Self::Beds(beds) => beds.iter().try_fold(0, |sum: u32, bed| {
                bed.plants().map(|plants| sum.saturating_add(plants))
            })?,
        };
        if plants > MOST_PLANTS {
            return Err(BadWish::TooMany);
        }
        Ok(plants)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn beds_become_plants() {
        let feet = 0.3048;
        let cases = [
            (30.0 * feet, 1, SPACING_M, Ok(20)),
            // Both quotients are a hair short in metres.
            (30.0 * feet, 1, 18.0 * feet / 12.0, Ok(20)),
            (7.0 * feet, 1, 12.0 * feet / 12.0, Ok(7)),
            (100.0 * feet, 2, SPACING_M, Ok(132)),
            (100.0 * feet, 3, 24.0 * feet / 12.0, Ok(150)),
            (SPACING_M, 1, SPACING_M, Ok(1)),
            (9.0, 1, 0.45, Ok(20)),
            (0.5, 4, 0.6, Err(BadWish::NoPlant)),
            (0.2, 1, 0.1, Err(BadWish::Length)),
            (1001.0, 1, 0.5, Err(BadWish::Length)),
            (f64::NAN, 1, 0.5, Err(BadWish::Length)),
            (10.0, 0, 0.5, Err(BadWish::Rows)),
            (10.0, 51, 0.5, Err(BadWish::Rows)),
            // Inches or centimetres where metres belong.
            (10.0, 1, 18.0, Err(BadWish::Spacing)),
            (10.0, 1, 0.05, Err(BadWish::Spacing)),
            (10.0, 1, f64::NAN, Err(BadWish::Spacing)),
        ];
        for (length_m, rows, spacing_m, want) in cases {
            let bed = Bed {
                length_m,
                rows,
                spacing_m,
            };
            assert_eq!(bed.plants(), want, "{bed:?}");
            assert_eq!(Wish::Beds(vec![bed]).plants(), want);
            assert_eq!(Wish::Beds(vec![bed; 2]).plants(), want.map(|n| n * 2));
        }
        assert_eq!(Wish::Beds(Vec::new()).plants(), Ok(0));
        assert_eq!(Wish::Plants(1_000_000).plants(), Ok(1_000_000));
        assert_eq!(Wish::Plants(1_000_001).plants(), Err(BadWish::TooMany));
    }
}
