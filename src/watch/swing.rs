//! Short excursions that add up: each too short for an alert of its own, together a room that swings.

use std::collections::VecDeque;

use super::{
    limits::{Band, Swings},
    reading::{HOUR_MS, MINUTE_MS, Stamp},
};

const DAY_MS: i64 = 24 * HOUR_MS;
/// A shorter excursion is a door that was opened.
const FLEETING_MS: i64 = 10 * MINUTE_MS;
/// This many times the daily measure is enough on one day alone.
const AT_ONCE: i64 = 3;

#[derive(Debug, Clone, Copy, PartialEq)]
struct Piece {
    /// First look outside; the last one once it is over.
    at: Stamp,
    /// Time outside that was covered by readings.
    ms: i64,
    /// An alert of its own came of it.
    told: bool,
}

/// The memory of one air sensor.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Swing {
    pub(super) active: bool,
    rule: Swings,
    band: Band,
    /// Kelvin and points of humidity by which a value must be back inside.
    deadbands: (f64, f64),
    hold_ms: i64,
    last_at: Stamp,
    outside: bool,
    /// Not yet back inside by the deadband, by quantity.
    open_by: (bool, bool),
    open: Option<Piece>,
    over: VecDeque<Piece>,
}

/// One look at the air.
#[derive(Debug, Clone, Copy)]
pub(super) struct Air {
    pub(super) at: Stamp,
    pub(super) temperature: Option<f64>,
    pub(super) humidity: Option<f64>,
    pub(super) fresh: bool,
}

impl Swing {
    pub(super) fn new(rule: Swings, band: Band, deadbands: (f64, f64), hold_ms: i64) -> Self {
        Self {
            active: false,
            rule,
            band,
            deadbands,
            hold_ms,
            last_at: Stamp(i64::MIN),
            outside: false,
            open_by: (false, false),
            open: None,
            over: VecDeque::new(),
        }
    }

    /// The same memory under new limits.
    pub(super) fn carry(&mut self, old: &Self) {
        let Self {
            rule,
            band,
            deadbands,
            hold_ms,
            ..
        } = *self;
        *self = Self {
            rule,
            band,
            deadbands,
            hold_ms,
            ..old.clone()
        };
    }

    /// Takes in one look; true when it began or ended to swing with it. `told` says whether a rule of the
    /// band is broken for long enough by itself, and is asked only when that matters.
    #[inline]
    pub(super) fn look(&mut self, air: Air, told: impl FnOnce() -> bool) -> bool {
        if air.at <= self.last_at {
            return false;
        }
        let beyond = |value: f64, low: f64, high: f64| value < low || high < value;
        let open = |value: Option<f64>, low: f64, high: f64, deadband: f64, before: bool| {
            value.map_or(before, |v| {
                beyond(v, low, high) || (before && beyond(v, low + deadband, high - deadband))
            })
        };
        let b = self.band;
        let t = (b.low_c, b.high_c, self.deadbands.0);
        let rh = (b.low_pct, b.high_pct, self.deadbands.1);
        self.open_by = (
            open(air.temperature, t.0, t.1, t.2, self.open_by.0),
            open(air.humidity, rh.0, rh.1, rh.2, self.open_by.1),
        );
        let is_open = self.open_by.0 || self.open_by.1;
        // The common case: a room in its band, that was there before.
        if !is_open && self.open.is_none() && !self.active {
            self.last_at = air.at;
            return false;
        }
        let told = told();
        let held = if self.last_at == Stamp(i64::MIN) {
            0
        } else {
            air.at.since(self.last_at).min(self.hold_ms)
        };
        if let Some(piece) = &mut self.open {
            if self.outside {
                piece.ms += held;
            }
            piece.told |= told;
        }
        self.last_at = air.at;
        self.outside = air.temperature.is_some_and(|v| beyond(v, t.0, t.1))
            || air.humidity.is_some_and(|v| beyond(v, rh.0, rh.1));
        if is_open {
            self.open.get_or_insert(Piece {
                at: air.at,
                ms: 0,
                told,
            });
        } else if let Some(mut piece) = self.open.take()
            && FLEETING_MS <= piece.ms
            && !piece.told
        {
            piece.at = air.at;
            self.over.push_back(piece);
        }
        while self
            .over
            .front()
            .is_some_and(|p| 2 * DAY_MS <= air.at.since(p.at))
        {
            self.over.pop_front();
        }
        let before = self.active;
        if air.fresh {
            self.active = if before {
                // A whole day of calm ends it.
                self.open.is_some() || 0 < self.day(air.at, 0).1
            } else {
                self.swings(air.at)
            };
        }
        before != self.active
    }

    /// Hours outside and pieces in the last 24 hours.
    pub(super) fn figures(&self) -> (i64, u32) {
        self.day(self.last_at, 0)
    }

    fn day(&self, at: Stamp, days_ago: i64) -> (i64, u32) {
        let pieces = self
            .over
            .iter()
            .filter(|p| at.since(p.at).div_euclid(DAY_MS) == days_ago);
        pieces.fold((0, 0), |(ms, n), p| (ms + p.ms, n + 1))
    }

    fn swings(&self, at: Stamp) -> bool {
        let much = |days_ago| {
            let (ms, pieces) = self.day(at, days_ago);
            self.rule.outside_ms < ms && self.rule.pieces <= pieces
        };
        much(0) && (much(1) || AT_ONCE * self.rule.outside_ms < self.day(at, 0).0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Pieces of so many minutes below 75 %, so many in a day, for some days; when it first swings,
    /// in hours from the start.
    fn first(minutes: i64, a_day: i64, days: i64) -> Option<i64> {
        let mut swing = Swing::new(
            Swings::default(),
            Band::default(),
            (0.5, 2.0),
            30 * MINUTE_MS,
        );
        let step = 10;
        (0..days * 24 * 60 / step).find_map(|n| {
            let minute = n * step;
            let every = 24 * 60 / a_day;
            let low = minute % every < minutes;
            let changed = swing.look(
                Air {
                    at: Stamp(minute * MINUTE_MS),
                    temperature: Some(9.0),
                    humidity: Some(if low { 73.0 } else { 80.0 }),
                    fresh: true,
                },
                || false,
            );
            (changed && swing.active).then_some(minute / 60)
        })
    }

    #[test]
    fn excursions_of_fifty_minutes_add_up() {
        // Ten a day are more than six hours of the first day.
        assert_eq!(first(50, 10, 1), Some(17));
        // Five a day are more than two hours on each of two days running.
        assert!(first(50, 5, 3).is_some_and(|h| (24..48).contains(&h)));
        assert_eq!(first(50, 5, 1), None);
        // Two a day are not in four pieces; short ones are doors.
        assert_eq!(first(100, 2, 10), None);
        assert_eq!(first(10, 12, 10), None);
    }

    #[test]
    fn a_day_of_calm_ends_it() {
        let mut swing = Swing::new(
            Swings::default(),
            Band::default(),
            (0.5, 2.0),
            30 * MINUTE_MS,
        );
        let mut ended = None;
        for minute in (0..72 * 60).step_by(10) {
            let low = minute < 24 * 60 && minute % 144 < 50;
            let air = Air {
                at: Stamp(minute * MINUTE_MS),
                temperature: Some(9.0),
                humidity: Some(if low { 73.0 } else { 80.0 }),
                fresh: true,
            };
            if swing.look(air, || false) && !swing.active {
                ended = Some(minute / 60);
            }
        }
        assert!(ended.is_some_and(|h| (46..49).contains(&h)), "{ended:?}");
    }
}
