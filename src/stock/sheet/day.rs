//! Days as growers write them: read only when there is one day they can mean.

use chrono::{Datelike as _, NaiveDate};

use crate::stock::search::{fold, split};

/// Which part of a day's number comes first; four digits are a year wherever they stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum DateOrder {
    /// 21/10/2026.
    DayFirst,
    /// 10/21/2026.
    MonthFirst,
    /// 26-10-21.
    YearFirst,
}

const ORDERS: [DateOrder; 3] = [
    DateOrder::DayFirst,
    DateOrder::MonthFirst,
    DateOrder::YearFirst,
];

const MONTHS: [&str; 12] = [
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
];

/// The order in which every one of these cells is a day, when there is but one.
pub(super) fn order<'a>(cells: impl IntoIterator<Item = &'a str>) -> Option<DateOrder> {
    let days: Vec<_> = cells.into_iter().filter(|cell| is_day(cell)).collect();
    let mut fitting = ORDERS
        .into_iter()
        .filter(|order| days.iter().all(|cell| in_order(cell, *order).is_some()));
    fitting.next().filter(|_| fitting.next().is_none())
}

/// The day a cell means in the sheet's order, or the only one it can mean when no order is said.
pub(super) fn read(text: &str, order: Option<DateOrder>) -> Option<NaiveDate> {
    if let Some(order) = order {
        return in_order(text, order);
    }
    let mut readings = ORDERS.into_iter().filter_map(|o| in_order(text, o));
    let first = readings.next()?;
    readings.all(|other| other == first).then_some(first)
}

/// Whether a cell is a day in some order.
pub(super) fn is_day(text: &str) -> bool {
    ORDERS.into_iter().any(|o| in_order(text, o).is_some())
}

fn in_order(text: &str, order: DateOrder) -> Option<NaiveDate> {
    let mut text = text.trim();
    // Some programs write the time of day after it.
    if let Some((day, time)) = text.split_once([' ', 'T'])
        && time.contains(':')
    {
        text = day;
    }
    let folded = fold(text);
    let parts: Vec<&str> = split(&folded).collect();
    let &[a, b, c] = parts.as_slice() else {
        return None;
    };
    let (year, month, day) = match (named(a), named(b)) {
        (Some(_), _) => (c, a, b),
        (_, Some(_)) if a.len() == 4 => (a, b, c),
        (_, Some(_)) => (c, b, a),
        _ if a.len() == 4 => (a, b, c),
        _ => match order {
            DateOrder::DayFirst => (c, b, a),
            DateOrder::MonthFirst => (c, a, b),
            // Years come first without their century only where hyphens divide.
            DateOrder::YearFirst if text.contains('-') && c.len() <= 2 => (a, b, c),
            DateOrder::YearFirst => return None,
        },
    };
    let number = |part: &str| -> Option<u32> {
        let digits = part.bytes().all(|b| b.is_ascii_digit());
        part.parse().ok().filter(|_| digits && part.len() <= 4)
    };
    let year = match year.len() {
        2 => 2000 + number(year)?,
        4 => number(year)?,
        _ => return None,
    };
    let month = named(month).or_else(|| number(month))?;
    let day = ["st", "nd", "rd", "th"]
        .into_iter()
        .find_map(|end| day.strip_suffix(end))
        .unwrap_or(day);
    NaiveDate::from_ymd_opt(year as i32, month, number(day)?)
        .filter(|day| (2000..=2099).contains(&day.year()))
}

/// A month by its name or the first three letters or more of it.
fn named(part: &str) -> Option<u32> {
    let nth = MONTHS.iter().position(|m| m.starts_with(part))?;
    (3 <= part.len()).then_some(nth as u32 + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_are_read_in_the_order_of_the_sheet() {
        use DateOrder::{DayFirst, MonthFirst, YearFirst};
        let ymd = |y, m, d| NaiveDate::from_ymd_opt(y, m, d);
        let october = ymd(2026, 10, 21);
        for (text, order, want) in [
            ("2026-10-21", None, october),
            ("2026/10/21", Some(DayFirst), october),
            ("2026-10-21 00:00:00", None, october),
            ("2026-10-21T08:30", None, october),
            ("21/10/2026", None, october),
            ("10/21/26", None, october),
            ("21.10.2026", Some(DayFirst), october),
            ("21 Oct 2026", None, october),
            ("Oct 21st, 2026", None, october),
            ("21-OCT-26", None, october),
            ("Wed 21 Oct 2026", None, None),
            ("3/4/2026", None, None),
            ("3/4/2026", Some(DayFirst), ymd(2026, 4, 3)),
            ("3/4/2026", Some(MonthFirst), ymd(2026, 3, 4)),
            ("5/5/2026", None, ymd(2026, 5, 5)),
            ("26-10-21", None, None),
            ("26-10-21", Some(YearFirst), october),
            ("26/10/21", None, ymd(2021, 10, 26)),
            ("21/10/2026", Some(MonthFirst), None),
            ("30/2/2026", Some(DayFirst), None),
            ("21/10/226", None, None),
            ("1/1/1999", None, None),
            ("ma 3 2026", None, None),
            ("October", None, None),
            ("", None, None),
        ] {
            assert_eq!(read(text, order), want, "{text} {order:?}");
        }
    }

    #[test]
    fn one_day_after_the_twelfth_tells_the_order() {
        use DateOrder::{DayFirst, MonthFirst};
        for (cells, want) in [
            (["3/4/26", "21/10/26"], Some(DayFirst)),
            (["3/4/26", "10/21/26"], Some(MonthFirst)),
            (["3.4.26", "later"], None),
            (["21/10/26", "10/21/26"], None),
            (["2026-10-21", "2026-10-22"], None),
            (["26-10-21", "26-10-22"], None),
        ] {
            assert_eq!(order(cells), want, "{cells:?}");
        }
    }
}
