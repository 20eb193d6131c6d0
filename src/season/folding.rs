//! From readings to sheets: one sensor's readings in order of time, cut at midnight and summed.
//!
//! A reading holds from when it was measured until the next one of the same quantity, at most for its
//! *hold*. What comes after is not covered and is never filled in. Nothing is summed while the room is
//! called empty or the sensor is out of service.

use std::sync::Arc;

use thiserror::Error;

use super::{
    calendar::{Calendar, LocalDay},
    sheet::{Extreme, Piece, Sheet, Side, TEN_MS, Ten},
    yardstick::{Marks, Yardstick},
};
use crate::{
    climate::{
        Air, Celsius, Pascal, RelativeHumidity,
        air::{deficit, saturation_over_water},
    },
    watch::{Stamp, Values},
};

const TENS_AN_HOUR: usize = 6;
/// Where temperature and humidity stand in pairs.
const AXES: [usize; 2] = [0, 1];
/// Their sides, the lower one first.
const SIDES: [[Side; 2]; 2] = [[Side::Cold, Side::Warm], [Side::Dry, Side::Damp]];
const NEVER: i64 = i64::MIN;
const FOREVER: i64 = i64::MAX;

/// A reading that is earlier than one before it; its days have to be read again in order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("a reading came out of order")]
pub struct OutOfOrder;

/// Saturation pressures by temperature as they were worked out; shared by all sensors, since they say the
/// same temperatures again and again.
#[derive(Debug)]
pub struct Vapour(Vec<(i32, Pascal)>);

/// Temperatures remembered, in thousandths: eight degrees, 128 kB.
const REMEMBERED: usize = 8192;

impl Default for Vapour {
    fn default() -> Self {
        Self(vec![(i32::MIN, Pascal::STANDARD_ATMOSPHERE); REMEMBERED])
    }
}

fn celsius(thousandths: i32) -> Celsius {
    Celsius::new(f64::from(thousandths.clamp(-100_000, 100_000)) / 1000.0)
        .unwrap_or(Celsius::FREEZING)
}

fn humidity(thousandths: i32) -> Option<RelativeHumidity> {
    // What a correction takes below nothing is air of next to nothing.
    let percent = f64::from(thousandths) / 1000.0;
    RelativeHumidity::new(percent.max(f64::MIN_POSITIVE)).ok()
}

impl Vapour {
    /// Vapour pressure deficit over water in whole thousandths of a pascal.
    fn deficit(&mut self, temperature: i32, rh: RelativeHumidity) -> i64 {
        let slot = &mut self.0[temperature as usize % REMEMBERED];
        if slot.0 != temperature {
            let es = saturation_over_water(celsius(temperature));
            *slot = (temperature, es);
        }
        let es = slot.1;
        (deficit(es, rh) * 1000.0).round() as i64
    }
}

/// Distance of air from its own dew point in whole thousandths of a kelvin.
fn spread(temperature: i32, rh: RelativeHumidity) -> i32 {
    let t = celsius(temperature);
    ((t.degrees() - Air::new(t, rh).dew_point().degrees()) * 1000.0).round() as i32
}

/// Air that is drier than that of the least spread so far by more than this, in thousandths of a percent,
/// and no colder, has a larger spread: it grows by 0.1 K and more with each point that air is drier, and
/// with temperature, so that this is some 5 mK, far beyond rounding.
const SURELY_DRIER: i32 = 50;

/// How one quantity stands in the stretch that is summed.
#[derive(Debug, Clone, Copy, Default)]
struct Stand {
    heard: bool,
    value: i64,
    /// Outside of the band, and by how much.
    outside: Option<(Side, i64)>,
    sure: bool,
}

/// Readings of one sensor in order of time, on their way into sheets. It remembers one day.
#[derive(Debug)]
pub struct Folding {
    yardstick: Arc<Yardstick>,
    calendar: Calendar,
    /// The day that is open, if one is.
    day: Option<LocalDay>,
    from: i64,
    to: i64,
    sheet: Sheet,
    /// Everything before is summed.
    now: i64,
    last_heard: i64,
    /// Something was said now and is not counted yet.
    said: bool,
    /// The newest value of each quantity, and until when it holds.
    value: [i32; 2],
    until: [i64; 2],
    span: usize,
    span_ends: i64,
    hold_ms: i64,
    counts: bool,
    empty: bool,
    marks: Option<Marks>,
    correction: (i32, i32),
    corrected_until: i64,
    ten: usize,
    ten_ends: i64,
    /// The next instant at which the ten minutes, the day or the span end.
    edge: i64,
    /// What holds from `now` on is not yet worked out.
    fresh: bool,
    stands: [Stand; 2],
    /// Nobody knows what was just before `now`.
    unknown: [bool; 2],
    open: [Option<Piece>; 2],
    covered_from: Option<u32>,
    ten_ms: [i64; 2],
    ten_sum: [i64; 2],
    both_ms: i64,
    deficit: i64,
    deficit_sum: i64,
    /// The air of the least spread in this hour.
    nearest: Option<(i32, i32)>,
}

impl Folding {
    /// Knows nothing yet.
    pub fn new(yardstick: Arc<Yardstick>, calendar: Calendar) -> Self {
        Self {
            yardstick,
            calendar,
            day: None,
            from: NEVER,
            to: NEVER,
            sheet: Sheet::default(),
            now: NEVER,
            last_heard: NEVER,
            said: false,
            value: [0; 2],
            until: [NEVER; 2],
            span: 0,
            span_ends: NEVER,
            hold_ms: 0,
            counts: true,
            empty: false,
            marks: None,
            correction: (0, 0),
            corrected_until: NEVER,
            ten: 0,
            ten_ends: NEVER,
            edge: NEVER,
            fresh: true,
            stands: [Stand::default(); 2],
            unknown: [true; 2],
            open: [None; 2],
            covered_from: None,
            ten_ms: [0; 2],
            ten_sum: [0; 2],
            both_ms: 0,
            deficit: 0,
            deficit_sum: 0,
            nearest: None,
        }
    }

    /// Takes the next reading; days that are over go to `done`. What says neither temperature nor humidity is
    /// passed over. Of two values for one instant the later one holds.
    pub fn push(
        &mut self,
        at: Stamp,
        values: Values,
        vapour: &mut Vapour,
        done: &mut impl FnMut(LocalDay, Sheet),
    ) -> Result<(), OutOfOrder> {
        let at = at.0;
        if at < self.last_heard {
            return Err(OutOfOrder);
        }
        if values.temperature_mc.is_none() && values.humidity_mpct.is_none() {
            return Ok(());
        }
        self.advance(at, vapour, done);
        if self.span_ends <= at {
            self.enter_span();
        }
        if self.corrected_until <= at {
            self.correction = self.yardstick.correction(Stamp(at));
            self.corrected_until = self.yardstick.corrected_until(Stamp(at)).0;
        }
        self.said |= self.last_heard != at;
        self.last_heard = at;
        if let Some(value) = values.temperature_mc {
            self.value[0] = value + self.correction.0;
            self.until[0] = at + self.hold_ms;
        }
        if let Some(value) = values.humidity_mpct {
            self.value[1] = (value + self.correction.1).clamp(0, 100_000);
            self.until[1] = at + self.hold_ms;
        }
        self.fresh = true;
        Ok(())
    }

    /// No more is to come: sums what the last readings hold for.
    pub fn finish(mut self, vapour: &mut Vapour, done: &mut impl FnMut(LocalDay, Sheet)) {
        let until = self.until[0].max(self.until[1]);
        self.advance(until, vapour, done);
        if self.said {
            // It holds for no time at all.
            if self.to <= self.now {
                self.turn(done);
            }
            self.count();
        }
        self.end_day(done);
    }

    /// Sums what held up to an instant. What happens at that instant is left for the next time: only then
    /// it is known what else is said for it.
    fn advance(&mut self, to: i64, vapour: &mut Vapour, done: &mut impl FnMut(LocalDay, Sheet)) {
        if self.now == NEVER && to != NEVER {
            self.begin(to);
        }
        while self.now < to {
            if self.edge <= self.now {
                self.cross(to, done);
                continue;
            }
            if self.said {
                self.count();
            }
            if self.fresh {
                self.settle(vapour);
            }
            let mut end = to.min(self.edge);
            for until in self.until {
                if self.now < until {
                    end = end.min(until);
                }
            }
            if self.counts {
                self.sum(end - self.now);
            }
            self.now = end;
            self.fresh |= self.until[0] == end || self.until[1] == end;
        }
    }

    /// Begins the day of an instant, of which nothing was heard yet.
    fn begin(&mut self, at: i64) {
        let day = self.calendar.day_of(Stamp(at));
        self.open_day(day);
        let before = self.yardstick.at(day.from.plus(-1));
        self.unknown = [!self.yardstick.spans[before].empty; 2];
    }

    fn open_day(&mut self, day: LocalDay) {
        (self.from, self.to) = (day.from.0, day.to.0);
        self.sheet = Sheet::blank(&day);
        self.day = Some(day);
        self.now = self.from;
        (self.ten, self.ten_ends) = (0, (self.from + TEN_MS).min(self.to));
        self.nearest = None;
        self.enter_span();
    }

    fn enter_span(&mut self) {
        self.span = self.yardstick.at(Stamp(self.now));
        let span = &self.yardstick.spans[self.span];
        let next = self.yardstick.spans.get(self.span + 1);
        self.span_ends = next.map_or(FOREVER, |s| s.from.0);
        (self.counts, self.empty, self.marks) = (span.counts(), span.empty, span.marks());
        self.hold_ms = span.hold_ms;
        self.edge = self.ten_ends.min(self.span_ends);
        self.fresh = true;
    }

    /// Passes what ends now: ten minutes, a span, the day. Where nothing holds at the end of a day, the one
    /// of `to` is next.
    #[cold]
    fn cross(&mut self, to: i64, done: &mut impl FnMut(LocalDay, Sheet)) {
        if self.span_ends <= self.now {
            self.enter_span();
        }
        if self.now < self.to {
            if self.ten_ends <= self.now {
                self.end_ten();
            }
        } else if self.said || self.is_held(0) || self.is_held(1) {
            self.turn(done);
        } else {
            self.end_day(done);
            self.begin(to);
        }
    }

    fn is_held(&self, axis: usize) -> bool {
        self.now < self.until[axis]
    }

    /// Counts a reading that was said now.
    fn count(&mut self) {
        self.said = false;
        self.sheet.readings += 1;
        let since = (self.last_heard - self.from) as u32;
        let first = self.sheet.heard.map_or(since, |(first, _)| first);
        self.sheet.heard = Some((first, since));
    }

    fn stand(&self, axis: usize) -> Stand {
        if !self.counts || !self.is_held(axis) {
            return Stand::default();
        }
        let value = self.value[axis];
        let mut stand = Stand {
            heard: true,
            value: i64::from(value),
            ..Stand::default()
        };
        if let Some(marks) = &self.marks {
            let (low, high) = (marks.low[axis], marks.high[axis]);
            let (side, by) = if value < low {
                (0, low - value)
            } else if high < value {
                (1, value - high)
            } else {
                return stand;
            };
            stand.outside = Some((SIDES[axis][side], i64::from(by)));
            stand.sure = marks.error[axis] < by;
        }
        stand
    }

    /// Works out what holds from now on.
    fn settle(&mut self, vapour: &mut Vapour) {
        self.fresh = false;
        let at = (self.now - self.from) as u32;
        let hour = self.ten / TENS_AN_HOUR;
        for axis in AXES {
            let stand = self.stand(axis);
            self.stands[axis] = stand;
            let side = stand.outside.map(|(side, _)| side);
            let unknown = !stand.heard && !self.empty;
            if let Some(piece) = self.open[axis].take_if(|p| side != Some(p.side)) {
                self.sheet.pieces.push(Piece {
                    to: at,
                    before_gap: unknown,
                    ..piece
                });
            }
            if let Some(side) = side {
                let peak = Extreme {
                    value: self.value[axis],
                    at,
                };
                let after_gap = self.unknown[axis];
                let piece = self.open[axis].get_or_insert_with(|| Piece {
                    after_gap,
                    ..begun(side, peak)
                });
                if side.is_further(peak.value, piece.peak.value) {
                    piece.peak = peak;
                }
            }
            self.unknown[axis] = unknown;
            if stand.heard {
                let hour = &mut self.sheet.hours[hour];
                let sum = if axis == 0 {
                    &mut hour.temperature
                } else {
                    &mut hour.humidity
                };
                sum.reach(self.value[axis], at);
            }
        }
        if self.stands[0].heard || self.stands[1].heard {
            self.covered_from.get_or_insert(at);
        } else {
            self.uncover(at);
        }
        if self.stands[0].heard && self.stands[1].heard {
            self.note_air(at, hour, vapour);
        }
    }

    fn note_air(&mut self, at: u32, hour: usize, vapour: &mut Vapour) {
        let [t, rh] = self.value;
        let Some(humidity) = humidity(rh) else { return };
        self.deficit = vapour.deficit(t, humidity);
        let surely_further = |(t0, rh0): (i32, i32)| t0 <= t && rh + SURELY_DRIER <= rh0;
        if self.nearest.is_some_and(surely_further) {
            return;
        }
        let value = spread(t, humidity);
        let least = &mut self.sheet.hours[hour].spread;
        if least.is_none_or(|least| value < least.value) {
            *least = Some(Extreme { value, at });
            self.nearest = Some((t, rh));
        }
    }

    fn uncover(&mut self, at: u32) {
        if let Some(from) = self.covered_from.take() {
            self.sheet.covered.push((from, at));
        }
    }

    /// Sums what holds for some milliseconds within one stretch of ten minutes.
    fn sum(&mut self, ms: i64) {
        let judged = &mut self.sheet.judged;
        let is_judged = self.marks.is_some();
        for axis in AXES {
            let stand = &self.stands[axis];
            if !stand.heard {
                continue;
            }
            self.ten_ms[axis] += ms;
            self.ten_sum[axis] += stand.value * ms;
            if !is_judged {
                continue;
            }
            let (all, within) = if axis == 0 {
                (&mut judged.temperature_ms, &mut judged.temperature_in_ms)
            } else {
                (&mut judged.humidity_ms, &mut judged.humidity_in_ms)
            };
            *all += ms;
            let Some((side, by)) = stand.outside else {
                *within += ms;
                continue;
            };
            judged.out_ms[side as usize] += ms;
            judged.area[side as usize] += by * ms;
            if stand.sure {
                judged.sure_ms[side as usize] += ms;
            }
            if let Some(piece) = &mut self.open[axis] {
                piece.area += by * ms;
            }
        }
        if self.stands[0].heard && self.stands[1].heard {
            self.both_ms += ms;
            self.deficit_sum += self.deficit * ms;
            if is_judged {
                judged.both_ms += ms;
                let inside = self.stands.iter().all(|s| s.outside.is_none());
                judged.both_in_ms += if inside { ms } else { 0 };
            }
        }
    }

    fn end_ten(&mut self) {
        if self.ten_ms != [0, 0] {
            let hour = &mut self.sheet.hours[self.ten / TENS_AN_HOUR];
            hour.temperature.ms += self.ten_ms[0];
            hour.temperature.sum += self.ten_sum[0];
            hour.humidity.ms += self.ten_ms[1];
            hour.humidity.sum += self.ten_sum[1];
            hour.both_ms += self.both_ms;
            hour.deficit += self.deficit_sum;
            let mean = |axis: usize| rounded(self.ten_sum[axis], self.ten_ms[axis]);
            self.sheet.tens[self.ten] = Ten {
                temperature: mean(0),
                humidity: mean(1),
            };
            (self.ten_ms, self.ten_sum) = ([0; 2], [0; 2]);
            (self.both_ms, self.deficit_sum) = (0, 0);
        }
        self.ten += 1;
        self.ten_ends = (self.ten_ends + TEN_MS).min(self.to);
        self.edge = self.ten_ends.min(self.span_ends);
        if self.ten.is_multiple_of(TENS_AN_HOUR) {
            // What holds over the hour is told of the next one too.
            self.nearest = None;
            self.fresh = true;
        }
    }

    /// The day is over, and something goes on on the next.
    fn turn(&mut self, done: &mut impl FnMut(LocalDay, Sheet)) {
        let length = (self.to - self.from) as u32;
        let mut begun_at_midnight = [None; 2];
        for axis in AXES {
            let stand = self.stand(axis);
            let Some(piece) = self.open[axis].take() else {
                continue;
            };
            let goes_on = stand.outside.is_some_and(|(side, _)| side == piece.side);
            if goes_on {
                let peak = Extreme {
                    value: self.value[axis],
                    at: 0,
                };
                begun_at_midnight[axis] = Some(Piece {
                    from_yesterday: true,
                    ..begun(piece.side, peak)
                });
            }
            self.sheet.pieces.push(Piece {
                to: length,
                into_tomorrow: goes_on,
                before_gap: !goes_on && !stand.heard && !self.empty,
                ..piece
            });
        }
        self.uncover(length);
        self.hand_over(done);
        let next = self.calendar.day_of(Stamp(self.now));
        self.open_day(next);
        self.open = begun_at_midnight;
    }

    /// Nothing holds any more.
    fn end_day(&mut self, done: &mut impl FnMut(LocalDay, Sheet)) {
        let at = (self.now - self.from) as u32;
        for axis in AXES {
            if let Some(piece) = self.open[axis].take() {
                self.sheet.pieces.push(Piece {
                    to: at,
                    before_gap: !self.empty,
                    ..piece
                });
            }
        }
        self.uncover(at);
        self.hand_over(done);
    }

    fn hand_over(&mut self, done: &mut impl FnMut(LocalDay, Sheet)) {
        self.end_ten_of_day();
        let Some(day) = self.day.take() else { return };
        let sheet = std::mem::take(&mut self.sheet);
        if !sheet.is_blank() {
            done(day, sheet);
        }
    }

    fn end_ten_of_day(&mut self) {
        if self.ten < self.sheet.tens.len() {
            self.end_ten();
        }
    }
}

fn begun(side: Side, peak: Extreme) -> Piece {
    Piece {
        side,
        from: peak.at,
        to: peak.at,
        peak,
        area: 0,
        after_gap: false,
        before_gap: false,
        from_yesterday: false,
        into_tomorrow: false,
    }
}

/// The mean, rounded half away from zero.
fn rounded(sum: i64, ms: i64) -> Option<i32> {
    let half = if sum < 0 { -ms } else { ms };
    (ms != 0).then(|| ((2 * sum + half) / (2 * ms)) as i32)
}

#[cfg(test)]
mod tests;
