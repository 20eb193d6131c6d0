//! Local days and hours, also where the clock jumps.

use chrono::{DateTime, Days, NaiveDate, NaiveDateTime, NaiveTime, TimeZone as _, Timelike as _};
use chrono_tz::Tz;

use super::period::Period;
use crate::watch::{Stamp, reading::HOUR_MS};

/// The farm's calendar.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Calendar {
    zone: Tz,
}

/// One local day, from its first instant to before that of the next: 23, 24 or 25 hours where the clock
/// is put forward and back by one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LocalDay {
    /// Its date.
    pub date: NaiveDate,
    /// Its first instant.
    pub from: Stamp,
    /// The first of the next day.
    pub to: Stamp,
}

impl LocalDay {
    /// Its number, counted from 1970.
    pub fn number(&self) -> i64 {
        number(self.date)
    }

    /// Its length in milliseconds.
    pub fn length_ms(&self) -> i64 {
        self.to.since(self.from)
    }

    /// Hours that begin in it; the last may be a part of one.
    pub fn hours(&self) -> usize {
        usize::try_from((self.length_ms() + HOUR_MS - 1) / HOUR_MS).unwrap_or_default()
    }
}

/// The number of a date, counted from 1970.
pub fn number(date: NaiveDate) -> i64 {
    date.signed_duration_since(NaiveDate::default()).num_days()
}

/// The date of a number.
pub fn date(number: i64) -> NaiveDate {
    let days = Days::new(number.unsigned_abs());
    let epoch = NaiveDate::default();
    let there = if number < 0 {
        epoch.checked_sub_days(days)
    } else {
        epoch.checked_add_days(days)
    };
    there.unwrap_or(epoch)
}

impl Calendar {
    /// Of a farm in this zone.
    pub const fn new(zone: Tz) -> Self {
        Self { zone }
    }

    /// The zone.
    pub fn zone(&self) -> Tz {
        self.zone
    }

    /// What the clock on the wall shows at an instant.
    pub fn wall(&self, at: Stamp) -> NaiveDateTime {
        self.zone
            .from_utc_datetime(&at.to_utc().naive_utc())
            .naive_local()
    }

    /// The hour on the clock at an instant, 0 to 23.
    pub fn clock_hour(&self, at: Stamp) -> u32 {
        self.wall(at).hour()
    }

    /// The instant at which a date begins: midnight, the first of two, or where there is none, the first
    /// instant that has this date.
    pub fn begins(&self, date: NaiveDate) -> Stamp {
        let at = date.and_time(NaiveTime::MIN);
        if let Some(at) = self.zone.from_local_datetime(&at).earliest() {
            return at.to_utc().into();
        }
        // The clock was put forward over midnight. The last instant before it, by an offset that holds on
        // either side, and the jump after it: zones change on whole minutes at most, in living memory by
        // three hours at most but for the date line, where a whole day is left out.
        let before = (1..=48 * 60).find_map(|minutes| {
            let earlier = at.checked_sub_signed(chrono::TimeDelta::minutes(minutes))?;
            let local: DateTime<Tz> = self.zone.from_local_datetime(&earlier).latest()?;
            Some((local, minutes))
        });
        before.map_or(
            Stamp(at.and_utc().timestamp_millis()),
            |(local, minutes)| {
                // Minutes on the clock after an instant that exists: the last of them is where it jumped.
                Stamp::from(local.to_utc()).plus(
                    (0..minutes)
                        .map(|m| (m + 1) * 60_000)
                        .find(|ms| date <= self.wall(Stamp::from(local.to_utc()).plus(*ms)).date())
                        .unwrap_or(minutes * 60_000),
                )
            },
        )
    }

    /// A day.
    pub fn day(&self, date: NaiveDate) -> LocalDay {
        let next = date.checked_add_days(Days::new(1)).unwrap_or(date);
        LocalDay {
            date,
            from: self.begins(date),
            to: self.begins(next),
        }
    }

    /// The day of an instant. Where the clock is put back over midnight, the hour that is there twice
    /// belongs to the later day.
    pub fn day_of(&self, at: Stamp) -> LocalDay {
        let day = self.day(self.wall(at).date());
        if at < day.from {
            return self.day(day.date.checked_sub_days(Days::new(1)).unwrap_or(day.date));
        }
        if day.to <= at {
            return self.day(day.date.checked_add_days(Days::new(1)).unwrap_or(day.date));
        }
        day
    }

    /// Every day of a period, in order.
    pub fn days(&self, period: Period) -> impl Iterator<Item = LocalDay> + use<> {
        let calendar = *self;
        let dates = period.from.iter_days().take_while(move |d| *d < period.to);
        dates
            .map(move |date| calendar.day(date))
            // A day that the date line took.
            .filter(|day| day.from < day.to)
    }

    /// The first instant of a period, and the first after it.
    pub fn span(&self, period: Period) -> (Stamp, Stamp) {
        (self.begins(period.from), self.begins(period.to))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono_tz::{
        America::{New_York, Sao_Paulo},
        Asia::Kolkata,
        Atlantic::Azores,
        Australia::Lord_Howe,
        Europe::Berlin,
        Pacific::Apia,
        UTC,
    };
    use proptest::prelude::*;

    fn on(y: i32, m: u32, d: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(y, m, d).unwrap()
    }

    /// From the tz database: the nights named are those on which the clocks were changed there.
    #[test]
    fn days_are_as_long_as_the_clock_makes_them() {
        for (zone, date, minutes, begins) in [
            (UTC, on(2026, 3, 29), 1440, "2026-03-29T00:00:00Z"),
            (Berlin, on(2026, 3, 29), 1380, "2026-03-28T23:00:00Z"),
            (Berlin, on(2026, 10, 25), 1500, "2026-10-24T22:00:00Z"),
            (New_York, on(2026, 3, 8), 1380, "2026-03-08T05:00:00Z"),
            (New_York, on(2026, 11, 1), 1500, "2026-11-01T04:00:00Z"),
            (Kolkata, on(2026, 1, 1), 1440, "2025-12-31T18:30:00Z"),
            // Half an hour.
            (Lord_Howe, on(2026, 4, 5), 1470, "2026-04-04T13:00:00Z"),
            // No midnight: the day begins at one.
            (Sao_Paulo, on(2018, 11, 4), 1380, "2018-11-04T03:00:00Z"),
            // From 1:00 back to midnight: the day begins at the first of two.
            (Azores, on(2026, 10, 25), 1500, "2026-10-25T00:00:00Z"),
            // From midnight back to 23:00: that day has two last hours.
            (Sao_Paulo, on(2018, 2, 17), 1500, "2018-02-17T02:00:00Z"),
            (Sao_Paulo, on(2018, 2, 18), 1440, "2018-02-18T03:00:00Z"),
            // The date line: there was no 30 December.
            (Apia, on(2011, 12, 30), 0, "2011-12-30T10:00:00Z"),
            (Apia, on(2011, 12, 31), 1440, "2011-12-30T10:00:00Z"),
        ] {
            let day = Calendar::new(zone).day(date);
            assert_eq!(
                (day.length_ms() / 60_000, day.from.to_rfc3339().as_str()),
                (minutes, begins),
                "{zone} {date}"
            );
        }
    }

    fn zone() -> impl Strategy<Value = Tz> {
        prop::sample::select(vec![
            UTC, Berlin, New_York, Kolkata, Lord_Howe, Sao_Paulo, Azores, Apia,
        ])
    }

    proptest! {
        #[test]
        fn every_instant_has_one_day(zone in zone(), at in 1_200_000_000_000_i64..1_900_000_000_000) {
            let (calendar, at) = (Calendar::new(zone), Stamp(at));
            let day = calendar.day_of(at);
            prop_assert!(day.from <= at && at < day.to, "{:?}", day);
            let next = calendar.day_of(day.to);
            prop_assert_eq!(next.from, day.to);
            prop_assert!(day.date < next.date);
        }

        #[test]
        fn numbers_are_dates(n in -40_000_i64..40_000) {
            prop_assert_eq!(number(date(n)), n);
        }
    }
}
