//! What a sensor is off by, as somebody found by comparing it with something known.
//!
//! What is stored stays as the sensor said it. What somebody found is added when it is read out, and by
//! the judge to everything that arrives once it is known.

use std::{collections::BTreeMap, sync::Arc};

use super::reading::{Reading, SensorName, Stamp, Values};

/// The most by which a temperature is corrected, in thousandths of a kelvin: a figure of this project, ten
/// times what makers of common sensors promise (half a kelvin). Beyond it a sensor is broken.
pub const MOST_MK: i32 = 5_000;
/// The most by which a humidity is corrected, in thousandths of a point: a figure of this project, some
/// seven times what makers promise (3 points). Beyond it a sensor is broken.
pub const MOST_MPCT: i32 = 20_000;

/// What is to be added to what a sensor says, from an instant on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Offset {
    /// From the first reading that was measured then or later.
    pub from: Stamp,
    /// Thousandths of a kelvin.
    pub temperature_mk: i32,
    /// Thousandths of a point of humidity.
    pub humidity_mpct: i32,
}

impl Offset {
    /// Nothing is added.
    pub fn is_zero(self) -> bool {
        self.temperature_mk == 0 && self.humidity_mpct == 0
    }

    /// A sensor that is off by more is to be replaced.
    pub fn is_too_much(self) -> bool {
        MOST_MK < self.temperature_mk.saturating_abs()
            || MOST_MPCT < self.humidity_mpct.saturating_abs()
    }

    /// What was meant by what was said; a humidity stays between 0 and 100 %.
    #[must_use]
    pub fn apply(self, said: Values) -> Values {
        Values {
            temperature_mc: said
                .temperature_mc
                .map(|t| t.saturating_add(self.temperature_mk)),
            humidity_mpct: said
                .humidity_mpct
                .map(|rh| rh.saturating_add(self.humidity_mpct).clamp(0, 100_000)),
            battery_pct: said.battery_pct,
        }
    }
}

/// What one sensor is off by in the course of time.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Offsets {
    /// In order of `from`, one for an instant.
    each: Vec<Offset>,
}

impl Offsets {
    /// Holds from its beginning until the next one; one that begins at the same instant is replaced.
    pub fn enter(&mut self, offset: Offset) {
        let place = self.each.partition_point(|o| o.from < offset.from);
        match self.each.get_mut(place) {
            Some(same) if same.from == offset.from => *same = offset,
            _ => self.each.insert(place, offset),
        }
    }

    /// What holds at an instant: the latest that has begun by then.
    pub fn at(&self, at: Stamp) -> Option<Offset> {
        let after = self.each.partition_point(|o| o.from <= at);
        after.checked_sub(1).map(|last| self.each[last])
    }

    /// One begins just then.
    pub fn begins_at(&self, from: Stamp) -> bool {
        self.each.iter().any(|o| o.from == from)
    }

    /// What is to be entered from an instant on to take back the one that begins then: what held before,
    /// nothing where nothing did.
    pub fn before(&self, from: Stamp) -> Offset {
        let nothing = Offset {
            from,
            temperature_mk: 0,
            humidity_mpct: 0,
        };
        let earlier = self.each.iter().rev().find(|o| o.from < from);
        earlier.map_or(nothing, |o| Offset { from, ..*o })
    }

    /// What was meant by what was said at an instant.
    pub fn apply(&self, measured_at: Stamp, said: Values) -> Values {
        self.at(measured_at).map_or(said, |o| o.apply(said))
    }

    /// Every one, in order of `from`.
    pub fn all(&self) -> &[Offset] {
        &self.each
    }
}

/// One correction as it was entered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Correction {
    /// Which sensor.
    pub sensor: SensorName,
    /// From when it holds.
    pub from: Stamp,
    /// To be added to what it says, in thousandths of a kelvin.
    pub temperature_mk: i32,
    /// To be added to what it says, in thousandths of a point of humidity.
    pub humidity_mpct: i32,
    /// Why.
    pub why: String,
    /// By whom it was entered ...
    pub who: String,
    /// ... and when.
    pub entered_at: Stamp,
}

impl Correction {
    /// What is to be added.
    pub fn offset(&self) -> Offset {
        Offset {
            from: self.from,
            temperature_mk: self.temperature_mk,
            humidity_mpct: self.humidity_mpct,
        }
    }
}

/// What each sensor is off by, from corrections in the order in which they were entered.
pub fn offsets<'a>(
    entered: impl IntoIterator<Item = &'a Correction>,
) -> BTreeMap<SensorName, Offsets> {
    let mut all: BTreeMap<SensorName, Offsets> = BTreeMap::new();
    for correction in entered {
        let own = all.entry(correction.sensor.clone()).or_default();
        own.enter(correction.offset());
    }
    all
}

/// Which of these corrections still count, in the order in which they were entered: a later one of the
/// same sensor and beginning takes the place of an earlier one.
pub fn stand(entered: &[Correction]) -> Vec<bool> {
    let replaced = |i: usize| {
        let (this, later) = (&entered[i], &entered[i + 1..]);
        later
            .iter()
            .any(|l| l.sensor == this.sensor && l.from == this.from)
    };
    (0..entered.len()).map(|i| !replaced(i)).collect()
}

/// Which of these corrections took an earlier one back: what held before its beginning holds on.
pub fn take_back(entered: &[Correction]) -> Vec<bool> {
    let mut all: BTreeMap<SensorName, Offsets> = BTreeMap::new();
    let each = entered.iter().map(|this| {
        let own = all.entry(this.sensor.clone()).or_default();
        let took = own.begins_at(this.from) && this.offset() == own.before(this.from);
        own.enter(this.offset());
        took
    });
    each.collect()
}

/// When each sensor was last compared with something known. Who enters what a sensor is off by has
/// compared it, also where it was found right; who takes a correction back has not.
pub fn compared(entered: &[Correction]) -> BTreeMap<SensorName, Stamp> {
    let mut last: BTreeMap<SensorName, Stamp> = BTreeMap::new();
    let counts = stand(entered).into_iter().zip(take_back(entered));
    for (this, (stands, takes_back)) in entered.iter().zip(counts) {
        if stands && !takes_back {
            let at = last.entry(this.sensor.clone()).or_insert(this.entered_at);
            *at = this.entered_at.max(*at);
        }
    }
    last
}

/// What the judge keeps for a sensor that is off: the newest values as the sensor said them, so that a
/// correction entered later holds for them too.
#[derive(Debug, Clone, Default)]
pub(super) struct Off {
    pub(super) offsets: Arc<Offsets>,
    pub(super) temperature: Option<(Stamp, i32)>,
    pub(super) humidity: Option<(Stamp, i32)>,
}

impl Off {
    /// What was meant by a reading.
    pub(super) fn hear(&mut self, reading: &Reading) -> Reading {
        let (at, said) = (reading.measured_at, reading.values);
        let newer = |last: &mut Option<(Stamp, i32)>, value: Option<i32>| {
            if let Some(value) = value
                && last.is_none_or(|(when, _)| when < at)
            {
                *last = Some((at, value));
            }
        };
        newer(&mut self.temperature, said.temperature_mc);
        newer(&mut self.humidity, said.humidity_mpct);
        Reading {
            values: self.offsets.apply(at, said),
            ..*reading
        }
    }

    /// The newest temperature in C.
    pub(super) fn newest_temperature(&self) -> Option<(Stamp, f64)> {
        let (at, value) = self.temperature?;
        let said = Values {
            temperature_mc: Some(value),
            ..Values::default()
        };
        let meant = self.offsets.apply(at, said).temperature_mc?;
        Some((at, f64::from(meant) / 1000.0))
    }

    /// The newest humidity in percent.
    pub(super) fn newest_humidity(&self) -> Option<(Stamp, f64)> {
        let (at, value) = self.humidity?;
        let said = Values {
            humidity_mpct: Some(value),
            ..Values::default()
        };
        let meant = self.offsets.apply(at, said).humidity_mpct?;
        Some((at, f64::from(meant) / 1000.0))
    }

    /// What the sensor itself said last, in C and percent, of what was changed by a correction.
    pub(super) fn said(&self) -> Said {
        let own = |last: Option<(Stamp, i32)>, add: fn(Offset) -> i32| {
            let (at, value) = last?;
            let changed = self.offsets.at(at).is_some_and(|o| add(o) != 0);
            changed.then(|| f64::from(value) / 1000.0)
        };
        Said {
            temperature: own(self.temperature, |o| o.temperature_mk),
            humidity: own(self.humidity, |o| o.humidity_mpct),
        }
    }
}

/// What a sensor itself said last, of what was corrected.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Said {
    /// C.
    pub temperature: Option<f64>,
    /// Percent.
    pub humidity: Option<f64>,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn offset(from: i64, temperature_mk: i32, humidity_mpct: i32) -> Offset {
        Offset {
            from: Stamp(from),
            temperature_mk,
            humidity_mpct,
        }
    }

    fn entered(sensor: &str, from: i64, temperature_mk: i32, entered_at: i64) -> Correction {
        Correction {
            sensor: SensorName::new(sensor).unwrap(),
            from: Stamp(from),
            temperature_mk,
            humidity_mpct: 0,
            why: "ice".to_owned(),
            who: "Odile".to_owned(),
            entered_at: Stamp(entered_at),
        }
    }

    #[test]
    fn the_latest_that_has_begun_holds_and_humidity_stays_in_range() {
        let mut offsets = Offsets::default();
        for o in [
            offset(100, 500, 9000),
            offset(50, -200, -9000),
            offset(100, 400, 8000),
        ] {
            offsets.enter(o);
        }
        assert_eq!(offsets.all().len(), 2, "one for an instant");
        let said = Values {
            temperature_mc: Some(1000),
            humidity_mpct: Some(95_000),
            battery_pct: Some(7),
        };
        let meant = |at| {
            let v = offsets.apply(Stamp(at), said);
            assert_eq!(v.battery_pct, Some(7));
            (v.temperature_mc.unwrap(), v.humidity_mpct.unwrap())
        };
        assert_eq!(meant(49), (1000, 95_000));
        assert_eq!(meant(50), (800, 86_000));
        assert_eq!(meant(99), (800, 86_000));
        assert_eq!(meant(100), (1400, 100_000));
        let dry = Values {
            humidity_mpct: Some(3000),
            ..said
        };
        assert_eq!(offsets.apply(Stamp(60), dry).humidity_mpct, Some(0));
    }

    #[test]
    fn the_bounds_are_inside() {
        assert!(!offset(0, MOST_MK, -MOST_MPCT).is_too_much());
        assert!(offset(0, -MOST_MK - 1, 0).is_too_much());
        assert!(offset(0, 0, MOST_MPCT + 1).is_too_much());
        assert!(offset(0, i32::MIN, 0).is_too_much());
    }

    #[test]
    fn who_takes_back_has_not_compared() {
        let north = SensorName::new("north").unwrap();
        let mut all = vec![
            entered("north", 10, 0, 20),
            entered("south", 10, 300, 25),
            entered("north", 30, -400, 40),
        ];
        assert_eq!(compared(&all)[&north], Stamp(40));
        all.push(entered("north", 30, 0, 50));
        assert_eq!(stand(&all), [true, true, false, true]);
        assert_eq!(compared(&all)[&north], Stamp(20), "found right before that");
        assert_eq!(take_back(&all), [false, false, false, true]);
        // A slip put right is a comparison still.
        all.push(entered("north", 30, -300, 60));
        assert_eq!(compared(&all)[&north], Stamp(60));
        assert_eq!(
            offsets(&all)[&north].at(Stamp(35)),
            Some(offset(30, -300, 0))
        );
    }
}
