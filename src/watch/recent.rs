//! The last two days of one sensor in ten-minute slots, for the picture on the first page.

use std::{collections::VecDeque, sync::Arc};

use super::{
    correction::{Offset, Offsets},
    reading::{HOUR_MS, MINUTE_MS, Stamp, Values},
};

/// Width of a slot in milliseconds.
pub const SLOT_MS: i64 = 10 * MINUTE_MS;
/// How far back the picture goes, in milliseconds.
pub const SPAN_MS: i64 = 48 * HOUR_MS;
const SLOTS: i64 = SPAN_MS / SLOT_MS;

/// A mean in the making, of whole thousandths.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Sum {
    total: i64,
    count: i64,
}

impl Sum {
    pub(super) fn add(&mut self, thousandths: Option<i32>) {
        if let Some(value) = thousandths {
            self.total += i64::from(value);
            self.count += 1;
        }
    }

    pub(super) fn mean(self) -> Option<f64> {
        (0 < self.count).then(|| self.total as f64 / self.count as f64 / 1000.0)
    }
}

/// Sums by slot; only the newest [`SPAN_MS`] are kept.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Recent {
    /// Number of the first slot kept, counted from 1970.
    first: i64,
    /// As the sensor said it.
    slots: VecDeque<(Sum, Sum)>,
    /// What is added when it is read.
    offsets: Option<Arc<Offsets>>,
}

/// Means over one slot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slot {
    /// Start of the slot.
    pub at: Stamp,
    /// Mean temperature in C.
    pub temperature: Option<f64>,
    /// Mean relative humidity in percent.
    pub humidity: Option<f64>,
}

impl Recent {
    /// Adds a reading by the time it was measured; one older than the span is left out.
    pub fn add(&mut self, measured_at: Stamp, values: Values) {
        let slot = measured_at.0.div_euclid(SLOT_MS);
        let end = self.first + self.slots.len() as i64;
        if self.slots.is_empty() || end + SLOTS <= slot {
            self.slots.clear();
            self.first = slot;
        } else if slot < self.first {
            if slot <= end - 1 - SLOTS {
                return;
            }
            for _ in slot..self.first {
                self.slots.push_front((Sum::default(), Sum::default()));
            }
            self.first = slot;
        }
        while self.first + (self.slots.len() as i64) <= slot {
            self.slots.push_back((Sum::default(), Sum::default()));
        }
        while SLOTS < self.slots.len() as i64 {
            self.slots.pop_front();
            self.first += 1;
        }
        let (t, rh) = &mut self.slots[(slot - self.first) as usize];
        t.add(values.temperature_mc);
        rh.add(values.humidity_mpct);
    }

    /// From here on this is added to what was said, whenever that was.
    pub fn correct(&mut self, offsets: Option<Arc<Offsets>>) {
        self.offsets = offsets;
    }

    /// What is added at present.
    pub fn offsets(&self) -> Option<&Arc<Offsets>> {
        self.offsets.as_ref()
    }

    /// The slots that hold anything, oldest first and corrected; what is missing was not heard. A
    /// correction holds for the whole of the slot in which it begins.
    pub fn slots(&self) -> impl Iterator<Item = Slot> + '_ {
        (self.first..)
            .zip(&self.slots)
            .map(|(n, (t, rh))| {
                let ends = Stamp((n + 1) * SLOT_MS - 1);
                let off = self.offsets.as_ref().and_then(|o| o.at(ends));
                let add = |f: fn(Offset) -> i32| off.map_or(0.0, |o| f64::from(f(o)) / 1000.0);
                let rh = rh.mean();
                Slot {
                    at: Stamp(n * SLOT_MS),
                    temperature: t.mean().map(|t| t + add(|o| o.temperature_mk)),
                    humidity: rh.map(|rh| (rh + add(|o| o.humidity_mpct)).clamp(0.0, 100.0)),
                }
            })
            .filter(|s| s.temperature.is_some() || s.humidity.is_some())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minutes: i64) -> Stamp {
        Stamp(1_796_000_400_000 / SLOT_MS * SLOT_MS + minutes * MINUTE_MS)
    }

    fn values(t: i32) -> Values {
        Values {
            temperature_mc: Some(t),
            humidity_mpct: None,
            battery_pct: None,
        }
    }

    fn minutes(recent: &Recent) -> Vec<(i64, f64)> {
        recent
            .slots()
            .map(|s| (s.at.since(at(0)) / MINUTE_MS, s.temperature.unwrap()))
            .collect()
    }

    #[test]
    fn gaps_stay_gaps_and_the_old_falls_off() {
        let mut recent = Recent::default();
        recent.add(at(0), values(9000));
        recent.add(at(5), values(10_000));
        recent.add(at(60), values(8000));
        assert_eq!(minutes(&recent), [(0, 9.5), (60, 8.0)]);
        // A late reading fills in, one from before the span does not.
        recent.add(at(-30), values(7000));
        recent.add(at(60 - 48 * 60), values(1000));
        assert_eq!(minutes(&recent), [(-30, 7.0), (0, 9.5), (60, 8.0)]);
        recent.add(at(48 * 60), values(6000));
        assert_eq!(minutes(&recent), [(60, 8.0), (48 * 60, 6.0)]);
        // A correction holds where it begins, also in what was heard before it was known.
        let mut offsets = Offsets::default();
        offsets.enter(Offset {
            from: at(120),
            temperature_mk: -250,
            humidity_mpct: 0,
        });
        recent.correct(Some(Arc::new(offsets)));
        assert_eq!(minutes(&recent), [(60, 8.0), (48 * 60, 5.75)]);
        recent.correct(None);
        recent.add(at(1000 * 60), values(5000));
        assert_eq!(minutes(&recent), [(1000 * 60, 5.0)]);
    }
}
