//! Whether the ground is warm enough to plant into.

use std::collections::BTreeMap;

use chrono::NaiveDate;

/// What the soil at planting depth should reach, in °C: 60 F (University of Minnesota Extension).
pub const WARM_C: f64 = 140.0 / 9.0;
/// So many warm mornings in a row are enough; common practice.
pub const MORNINGS: u32 = 3;
/// A soil that was ready is so again until it falls by more than this below [`WARM_C`], in K: 2 F. Judgement: what a
/// cheap probe errs and a cool night takes is no reason to stop planting.
const SLACK_K: f64 = 10.0 / 9.0;
/// When the soil at depth is near the lowest of its day, in local hours; common practice.
const MORNING_H: std::ops::RangeInclusive<f64> = 6.0..=9.0;

/// How far the ground is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SoilState {
    /// No morning was measured.
    Unknown,
    /// The last morning was cold.
    NotYet {
        /// What it measured, °C.
        last: f64,
    },
    /// Warm, not yet long enough; or it was ready and has cooled since.
    Warming {
        /// Warm mornings in a row up to the last one; 0 when that one was cold.
        in_row: u32,
        /// So many are needed.
        of: u32,
    },
    /// Warm for long enough.
    Ready {
        /// The morning on which it was.
        since: NaiveDate,
    },
}

/// How far the ground is after these mornings of one spring, in any order, each a day and what the soil at planting
/// depth had, °C. `need` warm ones in a row make it ready; none needed counts as one.
///
/// A day that is missing breaks the row, and so does a value that is no number: a gap is not a warm morning. It does
/// not undo what was ready. Of two values for one day the later counts. How old the last morning is, is for the caller
/// to say.
pub fn soil_ready(mornings: &[(NaiveDate, f64)], need: u32) -> SoilState {
    let of = need.max(1);
    let days: BTreeMap<NaiveDate, f64> = mornings
        .iter()
        .copied()
        .filter(|(_, celsius)| celsius.is_finite())
        .collect();
    let (mut in_row, mut ready, mut was_ready) = (0, None, false);
    let mut before: Option<(NaiveDate, f64)> = None;
    for (&day, &celsius) in &days {
        let follows = before.is_some_and(|(last, _)| last.succ_opt() == Some(day));
        before = Some((day, celsius));
        in_row = match (celsius >= WARM_C, follows) {
            (false, _) => 0,
            (true, false) => 1,
            (true, true) => in_row + 1,
        };
        if celsius < WARM_C - SLACK_K {
            ready = None;
        } else if ready.is_none() && in_row >= of {
            ready = Some(day);
        }
        was_ready |= ready.is_some();
    }
    match (before, ready) {
        (None, _) => SoilState::Unknown,
        (_, Some(since)) => SoilState::Ready { since },
        (Some((_, last)), None) if in_row == 0 && !was_ready => SoilState::NotYet { last },
        _ => SoilState::Warming { in_row, of },
    }
}

/// What the soil had in the morning: the mean of the samples from 6:00 to 9:00, each a local hour (7.5 is half past
/// seven) and °C. None without any.
pub fn morning_mean(readings: &[(f64, f64)]) -> Option<f64> {
    let morning: Vec<f64> = readings
        .iter()
        .filter(|(hour, celsius)| MORNING_H.contains(hour) && celsius.is_finite())
        .map(|&(_, celsius)| celsius)
        .collect();
    (!morning.is_empty()).then(|| morning.iter().sum::<f64>() / morning.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(d: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2027, 5, d).unwrap()
    }

    fn f(fahrenheit: f64) -> f64 {
        (fahrenheit - 32.0) / 1.8
    }

    #[test]
    fn warm_mornings_in_a_row_make_it_ready() {
        let warming = |in_row| SoilState::Warming { in_row, of: 3 };
        let ready = |d| SoilState::Ready { since: day(d) };
        let cold = |fahrenheit| SoilState::NotYet {
            last: f(fahrenheit),
        };
        // Degrees F from 1 May on; 0 is a day that was not measured.
        let cases: &[(&[f64], SoilState)] = &[
            (&[], SoilState::Unknown),
            (&[0.0], SoilState::Unknown),
            (&[55.0], cold(55.0)),
            (&[59.9], cold(59.9)),
            (&[60.0], warming(1)),
            (&[55.0, 60.0, 61.0], warming(2)),
            (&[60.0, 60.0, 60.0], ready(3)),
            (&[60.0, 61.0, 59.0], cold(59.0)),
            (&[60.0, 61.0, 59.0, 60.0, 60.0, 60.0], ready(6)),
            // A gap breaks the row ...
            (&[60.0, 60.0, 0.0, 60.0], warming(1)),
            (&[60.0, 60.0, 0.0, 60.0, 60.0, 60.0], ready(6)),
            // ... and undoes nothing.
            (&[60.0, 60.0, 60.0, 0.0, 0.0, 59.0], ready(3)),
            // It stays ready down to 58 F, not below, and then has to be warm as long again.
            (&[60.0, 60.0, 60.0, 58.1, 58.1], ready(3)),
            (&[60.0, 60.0, 60.0, 57.9], warming(0)),
            (&[60.0, 60.0, 60.0, 57.9, 50.0], warming(0)),
            (&[60.0, 60.0, 60.0, 57.9, 60.0, 60.0], warming(2)),
            (&[60.0, 60.0, 60.0, 57.9, 60.0, 60.0, 60.0], ready(7)),
        ];
        for (fahrenheit, want) in cases {
            let mut mornings: Vec<_> = (1..)
                .zip(*fahrenheit)
                .map(|(d, &t)| (day(d), if t == 0.0 { f64::NAN } else { f(t) }))
                .collect();
            assert_eq!(soil_ready(&mornings, MORNINGS), *want, "{fahrenheit:?}");
            mornings.reverse();
            assert_eq!(soil_ready(&mornings, MORNINGS), *want, "{fahrenheit:?}");
        }
        assert_eq!(soil_ready(&[(day(1), 16.0)], 0), ready(1));
        assert_eq!(soil_ready(&[(day(1), 16.0), (day(1), 9.0)], 1), {
            SoilState::NotYet { last: 9.0 }
        });
        // The last days of a month and the first of the next are neighbours.
        let april = |d| NaiveDate::from_ymd_opt(2027, 4, d).unwrap();
        let across = [(april(29), 16.0), (april(30), 16.0), (day(1), 16.0)];
        assert_eq!(soil_ready(&across, 3), ready(1));
    }

    #[test]
    fn the_morning_is_from_six_to_nine() {
        type Case<'a> = (&'a [(f64, f64)], Option<f64>);
        let cases: &[Case<'_>] = &[
            (&[], None),
            (&[(5.99, 10.0), (9.01, 20.0)], None),
            (&[(6.0, 10.0), (9.0, 12.0), (15.0, 30.0)], Some(11.0)),
            (&[(7.5, f64::NAN)], None),
            (&[(7.5, f64::NAN), (8.0, 14.0)], Some(14.0)),
        ];
        for (readings, want) in cases {
            assert_eq!(morning_mean(readings), *want, "{readings:?}");
        }
    }
}
