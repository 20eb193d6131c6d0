//! What the page Round says in sentences.

use std::{collections::BTreeSet, fmt::Write as _};

use chrono::NaiveDate;

use super::{Candidate, Which, day_of};
use crate::{
    notify::{
        message::the,
        words::{count, thousands},
    },
    stock::{
        ledger::{Entry, Stock},
        place::natural,
        round::{Reason, Risk},
    },
    web::{Site, stock::history},
};

/// Findings of the last visit that are told.
const TOLD: usize = 3;

/// What the walk takes in, and what it leaves.
pub(super) fn sentence(
    which: &Which,
    all: &[Candidate<'_>],
    stops: &[&Candidate<'_>],
    left_out: usize,
    today: NaiveDate,
) -> String {
    let n = |n: usize| thousands(n as i64);
    if all.is_empty() {
        return "No crate is in store.".to_owned();
    }
    if which.is_whole() {
        let place = if which.room.is_empty() {
            "in store".to_owned()
        } else {
            format!("in {}", the(&which.room))
        };
        return match (stops.len(), left_out) {
            (0, _) => format!("Every crate {place} was looked at today."),
            (here, 0) => format!("{} {place}, due or not.", count(here, "crate", "crates")),
            (here, more) => format!(
                "The first {here} crates {place}, due or not; {} more come after these: load this page again then.",
                n(more)
            ),
        };
    }
    let due: Vec<_> = stops.iter().filter(|c| c.due.day <= today).collect();
    if due.is_empty() {
        let next = all.iter().min_by_key(|c| (c.due.day, c.krate.code.clone()));
        return next.map_or_else(String::new, |c| {
            format!(
                "No crate is due. The next one is {} on {}.",
                c.krate.code,
                date(c.due.day)
            )
        });
    }
    let are = if due.len() == 1 { "is" } else { "are" };
    let mut said = format!("{} {are} due", count(due.len(), "crate", "crates"));
    let threatened = |c: &&&&Candidate<'_>| Risk::Soon <= c.standing.risk;
    match due.iter().filter(threatened).count() {
        0 => {}
        t if t == due.len() => said += ", threatened by the air they stood in",
        t => {
            let _ = write!(said, ", {t} of them threatened by the air they stood in");
        }
    }
    said.push('.');
    if due.len() < stops.len() {
        let along = stops.len() - due.len();
        let _ = write!(said, " {along} beside them would be due within two days.");
    }
    if left_out != 0 {
        let are = if left_out == 1 { "is" } else { "are" };
        let _ = write!(said, " {} more {are} due after these.", n(left_out));
    }
    said
}

/// `Tue 3 Nov`.
fn date(day: NaiveDate) -> String {
    day.format("%a %-d %b").to_string()
}

/// When it was looked at, and which rule makes it due when.
pub(super) fn why(c: &Candidate<'_>, today: NaiveDate) -> String {
    let days = |since: NaiveDate| {
        let n = today.signed_duration_since(since).num_days().max(0);
        count(n as usize, "day", "days")
    };
    let looked = c.standing.looked.filter(|l| c.standing.packed <= l.day);
    let since = match looked {
        Some(look) if look.day == today => "Looked at today".to_owned(),
        Some(look) => format!("Not looked at for {}", days(look.day)),
        None if c.standing.packed == today => "Came today".to_owned(),
        None => format!(
            "Not looked at yet, {} after it came",
            days(c.standing.packed)
        ),
    };
    let when = match c.due.day {
        day if day < today => format!("due since {}", date(day)),
        day if day == today => "due today".to_owned(),
        day => format!("due on {}", date(day)),
    };
    let rule = match c.due.reason {
        Reason::RiskNow => "it is threatened now",
        Reason::RiskToday => "its air asks for something today",
        Reason::FoundBad => "soft or mouldy tubers or a mouse were found last time",
        Reason::RiskSoon => "its air asks for a look soon",
        Reason::Curing => "it is drying",
        Reason::Waking => "it is being woken",
        Reason::FirstWeeks => "every two weeks in the first six weeks",
        Reason::Monthly => "once a month",
    };
    format!("{since}; {when}, {rule}.")
}

/// What the last visit showed.
pub(super) fn last(site: &Site, stock: &Stock, c: &Candidate<'_>) -> Vec<String> {
    let looks = c.visited.map_or(&[][..], |v| &v.looks);
    let told = looks.iter().rev().take(TOLD).rev();
    told.map(|entry| told_of(site, stock, entry)).collect()
}

fn told_of(site: &Site, stock: &Stock, entry: &Entry) -> String {
    let mut told = format!(
        "{}: {}",
        date(day_of(site, entry.done_at())),
        history::deed(entry, stock, [])
    );
    if !entry.note.is_empty() {
        let _ = write!(told, ", \u{201c}{}\u{201d}", entry.note);
    }
    told.push('.');
    told
}

/// What a form without script just noted.
pub(super) fn said(
    site: &Site,
    which: &Which,
    all: &[Candidate<'_>],
    stock: &Stock,
) -> Option<(String, String)> {
    let code = which.noted.parse().ok()?;
    let c = all.iter().find(|c| c.krate.code == code)?;
    let now = day_of(site, site.clock.now().to_utc());
    // A weight alone is no look.
    let what = match c.visited.and_then(|v| v.looks.last()) {
        Some(look) if c.was_looked_at(now) => history::deed(look, stock, []),
        _ => "what you wrote".to_owned(),
    };
    let code = c.krate.code.to_string();
    Some((format!("{code} is noted: {what}."), code))
}

/// The other walks: through a room, through all rooms, and back to what is due.
pub(super) fn others(
    which: &Which,
    all: &[Candidate<'_>],
    nothing: bool,
    today: NaiveDate,
) -> Vec<(String, String)> {
    let mut others = Vec::new();
    if which.is_whole() {
        others.push(("/round".to_owned(), "Only what is due".to_owned()));
    }
    let mut rooms: Vec<&str> = (all.iter())
        .filter(|c| !c.was_looked_at(today))
        .map(|c| c.krate.room.trim())
        .collect::<BTreeSet<_>>()
        .into_iter()
        .collect();
    rooms.sort_by(|a, b| natural(a, b));
    rooms.dedup_by(|a, b| a.eq_ignore_ascii_case(b));
    let several = 1 < rooms.len();
    let all_the_same = if nothing { " all the same" } else { "" };
    for room in rooms {
        if which.room.eq_ignore_ascii_case(room) || (!several && which.all == "yes") {
            continue;
        }
        let walk = Which {
            room: room.to_owned(),
            ..Which::default()
        };
        let words = format!("All crates in {}{all_the_same}", the(room));
        others.push((walk.href(), words));
    }
    if several && which.all != "yes" {
        let walk = Which {
            all: "yes".to_owned(),
            ..Which::default()
        };
        others.push((walk.href(), "All crates in store".to_owned()));
    }
    others
}
