//! Excursions over many days: pieces that midnight cut are joined again.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use super::{
    calendar::LocalDay,
    sheet::{Extreme, Piece, Sheet, Side},
    yardstick::hours,
};
use crate::watch::Stamp;

/// The longest unbroken stretch on one side outside the band, by one sensor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Excursion {
    /// On which side.
    pub side: Side,
    /// When it began, as far as is known.
    pub from: DateTime<Utc>,
    /// When it was over, as far as is known.
    pub to: DateTime<Utc>,
    /// The value furthest outside, thousandths.
    pub peak: i32,
    /// When that was first reached.
    pub peak_at: DateTime<Utc>,
    /// Thousandths beyond the limit times milliseconds.
    pub area: i64,
    /// Nobody knows what was before: it may be longer.
    pub after_gap: bool,
    /// Nobody knows what was after.
    pub before_gap: bool,
}

impl Excursion {
    /// How long it is known to have lasted, in milliseconds.
    pub fn ms(&self) -> i64 {
        self.to.signed_duration_since(self.from).num_milliseconds()
    }

    /// Kelvin or points of humidity beyond the limit, times hours.
    pub fn area_h(&self) -> f64 {
        hours(self.area) / 1000.0
    }
}

/// Joins the pieces of one sensor, day after day.
#[derive(Debug, Clone, Default)]
pub struct Joining {
    /// What midnight cut, of temperature and of humidity.
    open: [Option<(Stamp, Excursion)>; 2],
}

fn instant(day: &LocalDay, ms: u32) -> DateTime<Utc> {
    day.from.plus(i64::from(ms)).to_utc()
}

fn whole(day: &LocalDay, piece: &Piece) -> Excursion {
    let Extreme { value, at } = piece.peak;
    Excursion {
        side: piece.side,
        from: instant(day, piece.from),
        to: instant(day, piece.to),
        peak: value,
        peak_at: instant(day, at),
        area: piece.area,
        // Where nobody asked for the day before, it is not known either.
        after_gap: piece.after_gap || piece.from_yesterday,
        before_gap: piece.before_gap,
    }
}

impl Joining {
    /// Takes in the next day; excursions that are over go to `done`, in the order of their ends. A day that
    /// is missing ends what was open.
    pub fn day(&mut self, day: &LocalDay, sheet: &Sheet, done: &mut impl FnMut(Excursion)) {
        for axis in 0..2 {
            // Cut at the edge of what was asked for.
            if self.open[axis].is_some_and(|(next, _)| next != day.from) {
                self.end(axis, done);
            }
        }
        for piece in &sheet.pieces {
            let axis = usize::from(!piece.side.is_thermal());
            let this = whole(day, piece);
            let joined = match self.open[axis].take() {
                Some((_, open)) if piece.from_yesterday && open.side == piece.side => {
                    let further = piece.side.is_further(this.peak, open.peak);
                    let peak = if further { &this } else { &open };
                    Excursion {
                        to: this.to,
                        area: open.area + this.area,
                        peak: peak.peak,
                        peak_at: peak.peak_at,
                        before_gap: this.before_gap,
                        ..open
                    }
                }
                Some((_, open)) => {
                    done(open);
                    this
                }
                None => this,
            };
            if piece.into_tomorrow {
                self.open[axis] = Some((day.to, joined));
            } else {
                done(joined);
            }
        }
    }

    fn end(&mut self, axis: usize, done: &mut impl FnMut(Excursion)) {
        if let Some((_, open)) = self.open[axis].take() {
            done(open);
        }
    }

    /// There are no more days; what goes on beyond the last one ends with it.
    pub fn finish(mut self, done: &mut impl FnMut(Excursion)) {
        self.end(0, done);
        self.end(1, done);
    }
}

/// Excursions of one sensor from its sheets in order of days.
pub fn join<'a>(days: impl IntoIterator<Item = (&'a LocalDay, &'a Sheet)>) -> Vec<Excursion> {
    let (mut joining, mut all) = (Joining::default(), Vec::new());
    for (day, sheet) in days {
        joining.day(day, sheet, &mut |e| all.push(e));
    }
    joining.finish(&mut |e| all.push(e));
    all
}
