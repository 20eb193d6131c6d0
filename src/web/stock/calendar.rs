//! What is due as a calendar (RFC 5545), for phones that ask every few hours; never for what is urgent.

use axum::{
    extract::State,
    http::{HeaderMap, HeaderValue, header},
    response::Response,
};
use chrono::{Datelike as _, Days, NaiveDate, NaiveTime};
use icalendar::{Calendar, Component as _, Event, EventLike as _};
use tracing::error;

use super::{
    super::{
        Site,
        feed::{answer, unmade, urn},
    },
    note,
};
use crate::{
    engine::due,
    notify::duties,
    stock::due::{Due, Duty},
};

/// So many days after it was due a thing stays in the calendar: a month of rounds.
const KEPT_DAYS: i64 = 31;

/// `GET /feeds/rounds.ics`: what is due; 304 to who has it already.
pub(super) async fn rounds(State(site): State<Site>, headers: HeaderMap) -> Response {
    let here = note::here(&site);
    let status = site.status.borrow().clone();
    let due = match due::due(&site.store, &status.settings, &status.models, here).await {
        Ok(due) => due,
        Err(fault) => {
            error!(error = ?fault, "the calendar could not be made");
            return unmade(fault.to_string());
        }
    };
    let known = headers.get(header::IF_NONE_MATCH);
    let known = known.and_then(|h: &HeaderValue| h.to_str().ok());
    let body = calendar(&site.name, &due, here.today());
    answer(body, "text/calendar; charset=utf-8", known)
}

/// What is due on days as a calendar of whole days.
///
/// It is the same all day long, so that who asks again is told so: `DTSTAMP` is the day on which it was made.
pub(super) fn calendar(site: &str, due: &[Due], today: NaiveDate) -> String {
    let mut calendar = Calendar::empty();
    calendar
        .append_property(("VERSION", "2.0"))
        .append_property(("PRODID", "-//overwinter//what is due//EN"))
        .append_property(("CALSCALE", "GREGORIAN"))
        .name(&format!("{site}: what is due"));
    for due in due
        .iter()
        .filter(|d| (today - d.day).num_days() <= KEPT_DAYS)
    {
        let (summary, description) = duties::event(&due.what);
        // The end is the first day on which it is over (RFC 5545, 3.6.1), and later than the start.
        let end = due.day.checked_add_days(Days::new(1)).unwrap_or(due.day);
        let mut event = Event::new();
        event
            .uid(&uid(site, due))
            .timestamp(today.and_time(NaiveTime::MIN).and_utc())
            .starts(due.day)
            .ends(end)
            .summary(&printable(&summary))
            .append_property(("TRANSP", "TRANSPARENT"));
        if !description.is_empty() {
            event.description(&printable(&description));
        }
        calendar.push(event.done());
    }
    calendar.to_string()
}

/// Without control characters, which no text of a calendar holds (RFC 5545, 3.1).
fn printable(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).collect()
}

/// The same for one thing for ever: the days of a spring may be moved, looks of one day may change.
fn uid(site: &str, due: &Due) -> String {
    let (year, day) = (due.day.year(), due.day);
    let what = match &due.what {
        Duty::Pack { .. } => format!("pack {day}"),
        Duty::Look { room, .. } => format!("look {day} {room}"),
        Duty::Weigh { packing, .. } => format!("weigh {day} {packing}"),
        // The day to order may lie before or after New Year: the spring it is for names it.
        Duty::Order { .. } => format!("order {}", year + i32::from(7 <= day.month())),
        Duty::Divide { .. } => format!("divide {year}"),
        Duty::Wake => format!("wake {year}"),
        Duty::Plant => format!("plant {year}"),
        Duty::Check { .. } => format!("check {day}"),
    };
    let name = urn(&format!("due in {site}: {what}"));
    name.trim_start_matches("urn:uuid:").to_owned()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use ical::{IcalParser, parser::ical::component::IcalEvent};

    use super::*;

    fn day(m: u32, d: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2027, m, d).unwrap()
    }

    fn some_due(crates: usize) -> Vec<Due> {
        let codes = || {
            (1..=crates)
                .map(|n| format!("C-{n:03}").parse().unwrap())
                .collect()
        };
        let of = |day, what| Due { day, what };
        let room = "Öland, \"north\"; back\\cellar\r\nBEGIN:VEVENT\u{7}".to_owned();
        vec![
            // Long past.
            of(day(1, 1), Duty::Pack { crates: codes() }),
            of(
                day(2, 28),
                Duty::Look {
                    room,
                    crates: codes(),
                },
            ),
            of(
                day(3, 1),
                Duty::Look {
                    room: "barn".into(),
                    crates: codes(),
                },
            ),
            of(
                day(3, 4),
                Duty::Weigh {
                    krate: "C-1".parse().unwrap(),
                    packing: "péat, moist".into(),
                },
            ),
            of(day(3, 9), Duty::Order { varieties: 3 }),
            of(day(4, 24), Duty::Divide { clumps: 40 }),
            of(
                day(10, 1),
                Duty::Check {
                    sensors: vec!["north".into()],
                },
            ),
            of(day(12, 31), Duty::Plant),
        ]
    }

    fn value<'a>(event: &'a IcalEvent, name: &str) -> &'a str {
        let mut all = event.properties.iter().filter(|p| p.name == name);
        let one = all.next().unwrap_or_else(|| panic!("no {name}: {event:?}"));
        assert!(all.next().is_none(), "{name} twice");
        one.value.as_deref().unwrap()
    }

    #[test]
    fn another_reader_understands_it() {
        let due = some_due(40);
        let text = calendar("Invented store", &due, day(3, 5));
        // RFC 5545, 3.1: lines end in CRLF and have at most 75 octets, and characters stay whole.
        assert!(text.ends_with("\r\n") && !text.replace("\r\n", "").contains(['\r', '\n']));
        for line in text.split("\r\n") {
            assert!(line.len() <= 75, "{} octets: {line}", line.len());
        }
        let mut read: Vec<_> = IcalParser::new(text.as_bytes()).collect();
        assert_eq!(read.len(), 1);
        let read = read.remove(0).unwrap();
        let names: Vec<&str> = read.properties.iter().map(|p| p.name.as_str()).collect();
        assert!(
            names.contains(&"VERSION") && names.contains(&"PRODID"),
            "{names:?}"
        );
        assert_eq!(read.events.len(), due.len() - 1, "{text}");
        let mut uids = BTreeSet::new();
        for event in &read.events {
            assert!(uids.insert(value(event, "UID").to_owned()));
            assert_eq!(value(event, "DTSTAMP"), "20270305T000000Z");
            let (start, end) = (value(event, "DTSTART"), value(event, "DTEND"));
            assert!(start.len() == 8 && start < end, "{start} {end}");
            for name in ["DTSTART", "DTEND"] {
                let property = event.properties.iter().find(|p| p.name == name).unwrap();
                let kind = vec![("VALUE".to_owned(), vec!["DATE".to_owned()])];
                assert_eq!(property.params, Some(kind));
            }
        }
        let last = read.events.last().unwrap();
        assert_eq!(value(last, "DTEND"), "20280101");
        let look = &read.events[0];
        assert_eq!(
            value(look, "SUMMARY").replace('\u{a0}', " "),
            "Look at 40 crates in Öland\\, \"north\"\\; back\\\\cellarBEGIN:VEVENT"
        );
        assert!(value(look, "DESCRIPTION").ends_with("C-012 and 28 more"));
    }

    #[test]
    fn it_changes_only_with_what_is_due() {
        let today = day(3, 5);
        let text = |crates| calendar("Invented store", &some_due(crates), today);
        assert_eq!(text(3), text(3));
        assert_ne!(text(3), text(4));
        let uids = |text: String| -> Vec<String> {
            let lines = text.lines().filter(|l| l.starts_with("UID"));
            lines.map(str::to_owned).collect()
        };
        assert_eq!(uids(text(3)), uids(text(4)));
        let at = |month, d| {
            uid(
                "store",
                &Due {
                    day: day(month, d),
                    what: Duty::Wake,
                },
            )
        };
        assert_eq!(at(4, 1), at(4, 9), "a day that is moved stays one thing");
        let order = |y, m| {
            let day = NaiveDate::from_ymd_opt(y, m, 20).unwrap();
            uid(
                "store",
                &Due {
                    day,
                    what: Duty::Order { varieties: 1 },
                },
            )
        };
        assert_eq!(order(2026, 12), order(2027, 1));
        assert_ne!(order(2027, 12), order(2027, 1));
    }
}
