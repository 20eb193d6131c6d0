//! Readings of one sensor in order of time, on their way into sheets.

use chrono::NaiveDate;
use thiserror::Error;

use super::{
    super::{
        calendar::{Calendar, LocalDay},
        yardstick::Yardstick,
    },
    Extreme, Piece, Sheet, Side, TEN_MS, Ten,
};
use crate::{
    climate::{Air, Celsius, RelativeHumidity},
    watch::{Band, Stamp, Values},
};

const TENS_AN_HOUR: usize = 6;

/// A value that holds, from the last reading of its quantity.
#[derive(Debug, Clone, Copy)]
struct Held {
    value: i32,
    until: Stamp,
    /// On which side of the band, and by how much in thousandths.
    outside: Option<(Side, i64)>,
    sure: bool,
    inside: bool,
}

/// What air of this temperature and humidity comes to.
#[derive(Debug, Clone, Copy)]
struct Moist {
    of: (i32, i32),
    /// Thousandths of a pascal.
    deficit: i64,
    /// Thousandths of a kelvin.
    spread: i32,
}

impl Moist {
    fn of(temperature: i32, humidity: i32) -> Self {
        let air = Celsius::new(f64::from(temperature) / 1000.0).ok().zip(
            // What a sensor calls 0 is dry air of next to nothing.
            RelativeHumidity::new(f64::from(humidity.max(1)) / 1000.0).ok(),
        );
        let (deficit, spread) = air.map_or((0.0, 0.0), |(t, rh)| {
            let air = Air::new(t, rh);
            (
                air.vapour_pressure_deficit(),
                t.degrees() - air.dew_point().degrees(),
            )
        });
        Self {
            of: (temperature, humidity),
            deficit: (deficit * 1000.0).round() as i64,
            spread: (spread * 1000.0).round() as i32,
        }
    }
}

/// Pairs of temperature and humidity whose air is remembered: sensors say the same few again and again.
const REMEMBERED: usize = 4096;

/// Readings of one sensor in order of time, on their way into sheets.
#[derive(Debug)]
pub struct Folding<'a> {
    yardstick: &'a Yardstick,
    calendar: Calendar,
    day: LocalDay,
    sheet: Sheet,
    /// Everything before is summed.
    now: Stamp,
    span: usize,
    span_ends: Stamp,
    /// Whether what is said is counted, from the span.
    counts: bool,
    band: Option<Band>,
    temperature: Option<Held>,
    humidity: Option<Held>,
    moist: Option<Moist>,
    remembered: Vec<Option<Moist>>,
    ten: usize,
    ten_ends: Stamp,
    ten_sums: [(i64, i64); 2],
    /// Open pieces of temperature and of humidity.
    open: [Option<Piece>; 2],
    /// Up to when each quantity held, to know what begins after a gap.
    held_to: [Stamp; 2],
    last_heard: Stamp,
}

/// A reading that is earlier than one before it; its days have to be read again in order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("a reading came out of order")]
pub struct OutOfOrder;

const NEVER: Stamp = Stamp(i64::MIN);
const FOREVER: Stamp = Stamp(i64::MAX);

impl<'a> Folding<'a> {
    /// Begins with the day of an instant: no reading before that day may come.
    pub fn new(yardstick: &'a Yardstick, calendar: Calendar, at: Stamp) -> Self {
        let mut folding = Self {
            yardstick,
            calendar,
            day: LocalDay {
                date: NaiveDate::default(),
                from: NEVER,
                to: NEVER,
            },
            sheet: Sheet::default(),
            now: NEVER,
            span: 0,
            span_ends: NEVER,
            counts: true,
            band: None,
            temperature: None,
            humidity: None,
            moist: None,
            remembered: vec![None; REMEMBERED],
            ten: 0,
            ten_ends: NEVER,
            ten_sums: [(0, 0); 2],
            open: [None; 2],
            held_to: [NEVER; 2],
            last_heard: NEVER,
        };
        folding.begin(at);
        folding
    }

    /// Begins the day of an instant, of which nothing was heard yet.
    fn begin(&mut self, at: Stamp) {
        self.day = self.calendar.day_of(at);
        self.sheet = Sheet::blank(&self.day);
        self.now = self.day.from;
        (self.ten, self.ten_ends) = (0, self.day.from.plus(TEN_MS).min(self.day.to));
        self.ten_sums = [(0, 0); 2];
        self.enter_span();
    }

    fn enter_span(&mut self) {
        self.span = self.yardstick.at(self.now);
        let span = &self.yardstick.spans[self.span];
        let next = self.yardstick.spans.get(self.span + 1);
        self.span_ends = next.map_or(FOREVER, |s| s.from);
        (self.counts, self.band) = (span.counts(), span.band);
        let (temperature, humidity) = (self.temperature, self.humidity);
        self.temperature = temperature.map(|h| self.held_temperature(h.value, h.until));
        self.humidity = humidity.map(|h| self.held_humidity(h.value, h.until));
    }

    fn held(
        value: i32,
        until: Stamp,
        sides: [Side; 2],
        band: Option<(f64, f64)>,
        error: f64,
    ) -> Held {
        let outside = band.and_then(|(low, high)| {
            let v = f64::from(value);
            if v < low {
                Some((sides[0], low - v))
            } else if high < v {
                Some((sides[1], v - high))
            } else {
                None
            }
        });
        Held {
            value,
            until,
            outside: outside.map(|(side, by)| (side, by.round() as i64)),
            sure: outside.is_some_and(|(_, by)| error < by),
            inside: band.is_some() && outside.is_none(),
        }
    }

    fn held_temperature(&self, value: i32, until: Stamp) -> Held {
        let band = self.band.map(|b| (b.low_c * 1000.0, b.high_c * 1000.0));
        let error = self.yardstick.spans[self.span].error.temperature_k * 1000.0;
        Self::held(value, until, [Side::Cold, Side::Warm], band, error)
    }

    fn held_humidity(&self, value: i32, until: Stamp) -> Held {
        let band = self.band.map(|b| (b.low_pct * 1000.0, b.high_pct * 1000.0));
        let error = self.yardstick.spans[self.span].error.humidity_pct * 1000.0;
        Self::held(value, until, [Side::Dry, Side::Damp], band, error)
    }

    /// Takes the next reading; days that are over go to `done`.
    pub fn push(
        &mut self,
        at: Stamp,
        values: Values,
        done: &mut impl FnMut(LocalDay, Sheet),
    ) -> Result<(), OutOfOrder> {
        if at < self.now || at < self.last_heard {
            return Err(OutOfOrder);
        }
        self.advance(at, done);
        if self.last_heard != at {
            let since = self.since(at);
            self.sheet.readings += 1;
            let first = self.sheet.heard.map_or(since, |(first, _)| first);
            self.sheet.heard = Some((first, since));
            self.last_heard = at;
        }
        let hold = self.yardstick.spans[self.span].hold_ms;
        let (dt, drh) = self.yardstick.correction(at);
        let mut changed = false;
        if let Some(value) = values.temperature_mc {
            self.temperature = Some(self.held_temperature(value + dt, at.plus(hold)));
            changed = true;
        }
        if let Some(value) = values.humidity_mpct {
            let value = (value + drh).clamp(0, 100_000);
            self.humidity = Some(self.held_humidity(value, at.plus(hold)));
            changed = true;
        }
        if changed {
            self.note_air();
        }
        Ok(())
    }

    fn note_air(&mut self) {
        let (Some(t), Some(rh)) = (self.temperature, self.humidity) else {
            self.moist = None;
            return;
        };
        let of = (t.value, rh.value);
        if self.moist.is_some_and(|m| m.of == of) {
            return;
        }
        // Any spread will do; values that are near each other should not meet.
        let place = (t.value.wrapping_mul(31).wrapping_add(rh.value) as u32) as usize % REMEMBERED;
        let moist = match self.remembered[place].filter(|m| m.of == of) {
            Some(known) => known,
            None => Moist::of(of.0, of.1),
        };
        self.remembered[place] = Some(moist);
        self.moist = Some(moist);
    }

    fn since(&self, at: Stamp) -> u32 {
        u32::try_from(at.since(self.day.from)).unwrap_or_default()
    }

    /// Sums what held up to an instant.
    fn advance(&mut self, to: Stamp, done: &mut impl FnMut(LocalDay, Sheet)) {
        while self.now < to {
            for held in [&mut self.temperature, &mut self.humidity] {
                if held.is_some_and(|h| h.until <= self.now) {
                    *held = None;
                    self.moist = None;
                }
            }
            if self.temperature.is_none() && self.humidity.is_none() {
                // Nothing to sum until then.
                self.close_pieces();
                if self.day.to <= to {
                    self.end_day(done);
                    if self.now < to {
                        self.begin(to);
                    }
                } else {
                    self.skip(to);
                }
                continue;
            }
            let ends = [self.temperature, self.humidity]
                .into_iter()
                .flatten()
                .map(|h| h.until)
                .chain([to, self.ten_ends, self.span_ends])
                .min()
                .unwrap_or(to);
            self.sum(ends);
            self.now = ends;
            if ends == self.ten_ends {
                self.end_ten();
            }
            if ends == self.day.to {
                self.end_day(done);
            } else if ends == self.span_ends {
                self.enter_span();
            }
        }
    }

    /// Goes on within the day without anything held.
    fn skip(&mut self, to: Stamp) {
        if self.ten_ends <= to {
            self.end_ten();
            let tens = to.since(self.day.from) / TEN_MS;
            self.ten = usize::try_from(tens).unwrap_or_default();
            let ends = self.day.from.plus((tens + 1) * TEN_MS);
            self.ten_ends = ends.min(self.day.to);
        }
        self.now = to;
        if self.span_ends <= to {
            self.enter_span();
        }
    }

    /// Sums what holds from now to an instant within one stretch of ten minutes, one span and one day.
    fn sum(&mut self, to: Stamp) {
        let ms = to.since(self.now);
        if ms == 0 {
            return;
        }
        if !self.counts {
            self.close_pieces();
            return;
        }
        let at = self.since(self.now);
        let end = self.since(to);
        match self.sheet.covered.last_mut() {
            Some((_, last)) if *last == at => *last = end,
            _ => self.sheet.covered.push((at, end)),
        }
        let hour = &mut self.sheet.hours[self.ten / TENS_AN_HOUR];
        let judged = &mut self.sheet.judged;
        let is_judged = self.band.is_some();
        let pair = [self.temperature, self.humidity];
        for (axis, held) in pair.iter().enumerate() {
            let Some(held) = held else { continue };
            let sum = if axis == 0 {
                &mut hour.temperature
            } else {
                &mut hour.humidity
            };
            sum.add(held.value, at, ms);
            self.ten_sums[axis].0 += i64::from(held.value) * ms;
            self.ten_sums[axis].1 += ms;
            if is_judged {
                let (all, within) = if axis == 0 {
                    (&mut judged.temperature_ms, &mut judged.temperature_in_ms)
                } else {
                    (&mut judged.humidity_ms, &mut judged.humidity_in_ms)
                };
                *all += ms;
                *within += if held.inside { ms } else { 0 };
                if let Some((side, by)) = held.outside {
                    judged.out_ms[side as usize] += ms;
                    judged.area[side as usize] += by * ms;
                    judged.sure_ms[side as usize] += if held.sure { ms } else { 0 };
                }
            }
        }
        if let [Some(t), Some(rh)] = pair {
            hour.both_ms += ms;
            if is_judged {
                judged.both_ms += ms;
                judged.both_in_ms += if t.inside && rh.inside { ms } else { 0 };
            }
            if let Some(moist) = self.moist {
                hour.deficit += moist.deficit * ms;
                if hour.spread.is_none_or(|s| moist.spread < s.value) {
                    hour.spread = Some(Extreme {
                        value: moist.spread,
                        at,
                    });
                }
            }
        }
        for (axis, held) in pair.into_iter().enumerate() {
            self.note_piece(axis, held, at, end, ms);
            if held.is_some() {
                self.held_to[axis] = to;
            }
        }
    }

    fn note_piece(&mut self, axis: usize, held: Option<Held>, at: u32, end: u32, ms: i64) {
        let outside = held.and_then(|h| h.outside.map(|(side, by)| (h.value, side, by)));
        if let Some(piece) = &mut self.open[axis] {
            if let Some((value, side, by)) = outside.filter(|(_, side, _)| *side == piece.side) {
                let fresh = piece.to == 0;
                piece.to = end;
                piece.area += by * ms;
                if fresh || side.further(piece.peak.value, value) != piece.peak.value {
                    piece.peak = Extreme { value, at };
                }
                return;
            }
            let mut piece = *piece;
            piece.before_gap = held.is_none();
            // One that ended at midnight ended there: only a gap has to be told.
            if piece.from < piece.to || piece.before_gap {
                self.sheet.pieces.push(piece);
            }
            self.open[axis] = None;
        }
        if let Some((value, side, by)) = outside {
            self.open[axis] = Some(Piece {
                side,
                from: at,
                to: end,
                peak: Extreme { value, at },
                area: by * ms,
                after_gap: self.held_to[axis] < self.now,
                before_gap: false,
                from_yesterday: false,
                into_tomorrow: false,
            });
        }
    }

    /// Ends open pieces because nothing more is known.
    fn close_pieces(&mut self) {
        for open in &mut self.open {
            if let Some(mut piece) = open.take() {
                piece.before_gap = true;
                self.sheet.pieces.push(piece);
            }
        }
    }

    fn end_ten(&mut self) {
        let mean = |(sum, ms): (i64, i64)| {
            // Rounded half away from zero, as the rest is.
            (ms != 0).then(|| (sum as f64 / ms as f64).round() as i32)
        };
        if let Some(ten) = self.sheet.tens.get_mut(self.ten) {
            *ten = Ten {
                temperature: mean(self.ten_sums[0]),
                humidity: mean(self.ten_sums[1]),
            };
        }
        self.ten_sums = [(0, 0); 2];
        self.ten += 1;
        self.ten_ends = self.ten_ends.plus(TEN_MS).min(self.day.to);
    }

    /// The day is over: what still holds goes on on the next.
    fn end_day(&mut self, done: &mut impl FnMut(LocalDay, Sheet)) {
        self.end_ten();
        let open = self.open;
        for piece in open.into_iter().flatten() {
            self.sheet.pieces.push(Piece {
                into_tomorrow: true,
                ..piece
            });
        }
        let day = self.day;
        let sheet = std::mem::take(&mut self.sheet);
        if !sheet.is_blank() {
            done(day, sheet);
        }
        self.begin(day.to);
        // It goes on with whatever holds next; if that is nothing, the next day says so.
        for (axis, piece) in open.into_iter().enumerate() {
            self.open[axis] = piece.map(|piece| Piece {
                from: 0,
                to: 0,
                peak: Extreme {
                    value: piece.peak.value,
                    at: 0,
                },
                area: 0,
                after_gap: false,
                from_yesterday: true,
                ..piece
            });
        }
    }

    /// No more is to come: sums what the last readings hold for, at most up to `end`.
    pub fn finish(mut self, end: Stamp, done: &mut impl FnMut(LocalDay, Sheet)) {
        let last = [self.temperature, self.humidity];
        let until = last.into_iter().flatten().map(|h| h.until).max();
        if let Some(until) = until {
            // One instant on, so that what ends there is known to end.
            self.advance(until.min(end), done);
        }
        if end <= self.now {
            for axis in 0..2 {
                if let Some(piece) = self.open[axis].take() {
                    self.sheet.pieces.push(piece);
                }
            }
        } else {
            self.close_pieces();
        }
        self.end_ten();
        if !self.sheet.is_blank() {
            done(self.day, std::mem::take(&mut self.sheet));
        }
    }
}
