//! The days a spring is planned by.

use chrono::{Datelike as _, Days, NaiveDate};
use thiserror::Error;

/// A day of every year.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MonthDay {
    month: u32,
    day: u32,
}

/// A month and a day that no year has.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("no year has day {day} of month {month}")]
pub struct NoSuchDay {
    /// The month.
    pub month: u32,
    /// The day of it.
    pub day: u32,
}

impl MonthDay {
    /// When growers plant where the last frost comes at the beginning of May (common practice).
    pub const MID_MAY: Self = Self { month: 5, day: 15 };

    /// A month 1 to 12 and a day of it; 29 February is the 28th where there is none.
    pub fn new(month: u32, day: u32) -> Result<Self, NoSuchDay> {
        // 2000 is a leap year.
        NaiveDate::from_ymd_opt(2000, month, day)
            .map(|_| Self { month, day })
            .ok_or(NoSuchDay { month, day })
    }

    fn in_year(self, year: i32) -> Option<NaiveDate> {
        NaiveDate::from_ymd_opt(year, self.month, self.day)
            .or_else(|| NaiveDate::from_ymd_opt(year, self.month, self.day - 1))
    }

    /// The coming one, today included.
    pub fn next(self, today: NaiveDate) -> NaiveDate {
        [today.year(), today.year() + 1]
            .into_iter()
            .filter_map(|year| self.in_year(year))
            .find(|day| *day >= today)
            .unwrap_or(NaiveDate::MAX)
    }

    /// The last one up to a day, that day included.
    fn last(self, until: NaiveDate) -> NaiveDate {
        [until.year(), until.year() - 1]
            .into_iter()
            .filter_map(|year| self.in_year(year))
            .find(|day| *day <= until)
            .unwrap_or(NaiveDate::MIN)
    }
}

/// The farm's own days.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DateSettings {
    /// When planting begins.
    pub planting: MonthDay,
    /// Replacements should be ordered by then.
    pub order_by: MonthDay,
    /// Tubers are taken into the warmth so many weeks before planting.
    pub wake_weeks: u32,
    /// Clumps kept whole are divided so many weeks before planting.
    pub divide_weeks: u32,
}

impl DateSettings {
    /// The usual days around a day of planting; common practice, in spring of the northern half of the world.
    ///
    /// Ordered by 10 January: the main sale of tubers is in January and popular ones sell out. Woken 5 weeks before:
    /// growers bring them to about 70 F four to six weeks before the last frost, after which they are planted. Divided
    /// 3 weeks before: two weeks of warmth show the eyes, and the cuts dry before planting.
    pub fn around(planting: MonthDay) -> Self {
        Self {
            planting,
            order_by: MonthDay { month: 1, day: 10 },
            wake_weeks: 5,
            divide_weeks: 3,
        }
    }
}

/// A day, and how far off it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Due {
    /// The day.
    pub day: NaiveDate,
    /// Days from today; 0 today, less than 0 when it has passed.
    pub days_left: i64,
}

impl Due {
    fn of(day: NaiveDate, today: NaiveDate) -> Self {
        Self {
            day,
            days_left: (day - today).num_days(),
        }
    }

    /// Whether it is over; today is not.
    pub fn has_passed(self) -> bool {
        self.days_left < 0
    }
}

/// The days of the coming planting.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Dates {
    /// Replacements should be ordered by then.
    pub order_by: Due,
    /// Tubers come into the warmth.
    pub wake: Due,
    /// Clumps kept whole are divided.
    pub divide: Due,
    /// Planting begins; never passed, the day after it the next year's is the coming one.
    pub planting: Due,
}

/// The days of the planting that comes next, seen from `today`; those before it may have passed.
pub fn dates(settings: &DateSettings, today: NaiveDate) -> Dates {
    let planting = settings.planting.next(today);
    let weeks_before = |weeks: u32| {
        let day = planting.checked_sub_days(Days::new(u64::from(weeks) * 7));
        Due::of(day.unwrap_or(NaiveDate::MIN), today)
    };
    Dates {
        order_by: Due::of(settings.order_by.last(planting), today),
        wake: weeks_before(settings.wake_weeks),
        divide: weeks_before(settings.divide_weeks),
        planting: Due::of(planting, today),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn on(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn every(month: u32, day: u32) -> MonthDay {
        MonthDay::new(month, day).unwrap()
    }

    #[test]
    fn a_day_of_every_year_is_one_that_some_year_has() {
        for (month, day, ok) in [
            (1, 10, true),
            (2, 29, true),
            (2, 30, false),
            (4, 31, false),
            (0, 1, false),
            (13, 1, false),
            (5, 0, false),
        ] {
            assert_eq!(MonthDay::new(month, day).is_ok(), ok, "{month} {day}");
        }
    }

    #[test]
    fn the_coming_one_may_be_today() {
        for (md, today, next, last) in [
            (every(5, 10), "2026-11-25", "2027-05-10", "2026-05-10"),
            (every(5, 10), "2027-05-10", "2027-05-10", "2027-05-10"),
            (every(5, 10), "2027-05-11", "2028-05-10", "2027-05-10"),
            (every(12, 31), "2027-01-01", "2027-12-31", "2026-12-31"),
            (every(2, 29), "2027-01-01", "2027-02-28", "2026-02-28"),
            (every(2, 29), "2027-03-01", "2028-02-29", "2027-02-28"),
        ] {
            assert_eq!(md.next(on(today)), on(next), "{md:?} {today}");
            assert_eq!(md.last(on(today)), on(last), "{md:?} {today}");
        }
        assert_eq!(every(1, 1).next(NaiveDate::MAX), NaiveDate::MAX);
        assert_eq!(every(12, 31).last(NaiveDate::MIN), NaiveDate::MIN);
    }

    #[test]
    fn days_are_counted_back_from_planting() {
        let north = DateSettings::around(every(5, 10));
        let south = DateSettings {
            order_by: every(7, 10),
            ..DateSettings::around(every(11, 1))
        };
        let late = DateSettings {
            wake_weeks: 0,
            divide_weeks: 20,
            ..north
        };
        // Today; then order by, wake, divide and plant, and how many of these have passed.
        for (settings, today, want, passed) in [
            (
                north,
                "2026-12-20",
                ["2027-01-10", "2027-04-05", "2027-04-19", "2027-05-10"],
                0,
            ),
            (
                north,
                "2027-01-10",
                ["2027-01-10", "2027-04-05", "2027-04-19", "2027-05-10"],
                0,
            ),
            (
                north,
                "2027-01-11",
                ["2027-01-10", "2027-04-05", "2027-04-19", "2027-05-10"],
                1,
            ),
            (
                north,
                "2027-05-10",
                ["2027-01-10", "2027-04-05", "2027-04-19", "2027-05-10"],
                3,
            ),
            (
                north,
                "2027-05-11",
                ["2028-01-10", "2028-04-05", "2028-04-19", "2028-05-10"],
                0,
            ),
            (
                south,
                "2027-07-05",
                ["2027-07-10", "2027-09-27", "2027-10-11", "2027-11-01"],
                0,
            ),
            (
                late,
                "2026-12-21",
                ["2027-01-10", "2027-05-10", "2026-12-21", "2027-05-10"],
                0,
            ),
        ] {
            let got = dates(&settings, on(today));
            let all = [got.order_by, got.wake, got.divide, got.planting];
            assert_eq!(all.map(|due| due.day), want.map(on), "{today}");
            let gone = all.iter().filter(|due| due.has_passed()).count();
            assert_eq!(gone, passed, "{today}");
            for due in all {
                assert_eq!(on(today) + chrono::Duration::days(due.days_left), due.day);
            }
        }
    }
}
