//! A message that is owed, in words: one line, a short text, a long one, and the figures for programs.

use serde_json::{Value, json};

use super::{
    advice::{self, Tip},
    message::{Message, figures_of_past, the, until},
    summary::{Day, RoomDay},
    telling::{Owed, Purpose},
    words::{Manner, NB, count, percent, span, span_exact},
};
use crate::watch::{Kind, Priority, Standing, State, Subject};

/// The longest short text, in characters: what fits into one text message.
pub const SHORT: usize = 160;
/// Crates named in a message; the rest are counted.
const CRATES_NAMED: usize = 12;

/// A message in words.
#[derive(Debug, Clone, PartialEq)]
pub struct Letter {
    /// One line: what, where, how urgent.
    pub subject: String,
    /// At most [`SHORT`] characters: what, where, since when, the figure, the first thing to do.
    pub short: String,
    /// Plain text in lines, in this order: what and where, since when, the figures, what happens if
    /// nothing is done, what to do now, which crates.
    pub long: String,
    /// Where the alert can be read and acknowledged.
    pub link: Option<String>,
    /// The same for programs; temperatures in C, humidity in percent.
    pub data: Value,
}

/// What the words need beside the message itself.
pub struct Around<'a> {
    /// What the store is called.
    pub site: &'a str,
    /// How it reads things.
    pub manner: Manner,
    /// Where phones reach the pages, without a slash at the end.
    pub address: Option<&'a str>,
    /// Codes of the crates in a room, those most at risk first.
    pub crates: &'a dyn Fn(&str) -> Vec<String>,
    /// What to do with the air of a room now.
    pub tips: &'a dyn Fn(&str) -> Vec<Tip>,
    /// The last 24 hours, for a summary.
    pub day: Option<&'a Day>,
    /// Everything that stands, for a summary.
    pub standing: &'a [Standing],
}

impl Letter {
    /// Puts an owed message into words.
    pub fn of(owed: &Owed, around: &Around<'_>) -> Self {
        let mut letter = match (owed.purpose, owed.items.as_slice()) {
            (Purpose::Test, _) => test(owed, around),
            (Purpose::Summary, _) => summary(owed, around),
            (Purpose::Remind, _) => several(
                "still",
                "Still so, and worth your time today:",
                owed,
                around,
            ),
            (_, [one]) => single(owed, one, around),
            (_, items) => several(
                &count(items.len(), "alert", "alerts"),
                "Several alerts at once. Look for one cause: a power cut, a door, the network.",
                owed,
                around,
            ),
        };
        letter.subject = plain(&letter.subject);
        letter.short = cut(&plain(&letter.short), SHORT);
        letter.long = plain(&letter.long);
        if let Some(members) = letter.data.as_object_mut() {
            members.insert("site".to_owned(), json!(around.site));
            members.insert("at".to_owned(), json!(owed.at.to_rfc3339()));
            members.insert("purpose".to_owned(), json!(owed.purpose.as_str()));
        }
        letter
    }
}

/// How soon, in the words of the pages.
pub fn urgency(priority: Priority) -> &'static str {
    match priority {
        Priority::High => "Act now",
        Priority::Medium => "Act today",
        Priority::Low => "Look soon",
    }
}

fn plain(text: &str) -> String {
    text.replace(NB, " ")
}

/// The text up to so many characters, ending in a whole word.
fn cut(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let head: String = text.chars().take(most - 1).collect();
    let whole = head.rfind(' ').unwrap_or(head.len());
    format!("{}…", &head[..whole])
}

fn words(item: &Standing, around: &Around<'_>, owed: &Owed) -> Message {
    Message::of(
        &item.occurrence,
        &item.room,
        &item.figures,
        item.since,
        owed.at,
        around.manner,
    )
}

fn link(item: &Standing, around: &Around<'_>) -> Option<String> {
    let address = around.address?;
    Some(format!(
        "{address}/alert?occurrence={}",
        encoded(&item.occurrence.to_string())
    ))
}

fn encoded(text: &str) -> String {
    use std::fmt::Write as _;
    let mut out = String::new();
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-_.~".contains(&byte) {
            out.push(byte as char);
        } else {
            let _ = write!(out, "%{byte:02X}");
        }
    }
    out
}

fn crates_line(item: &Standing, around: &Around<'_>) -> Option<String> {
    let codes = match &item.occurrence.subject {
        Subject::Crate(code) => vec![code.clone()],
        Subject::Room(_) if !item.figures.crates.is_empty() => item.figures.crates.clone(),
        Subject::Room(room) => (around.crates)(room),
        _ => Vec::new(),
    };
    if codes.is_empty() {
        return None;
    }
    let more = codes.len().saturating_sub(CRATES_NAMED);
    let named = codes[..codes.len() - more].join(", ");
    Some(match more {
        0 => format!("Crates: {named}"),
        n => format!("Crates: {named} and {n} more"),
    })
}

fn data(item: &Standing) -> Value {
    json!({
        "occurrence": item.occurrence,
        "kind": item.occurrence.kind,
        "room": item.room,
        "subject": item.occurrence.subject,
        "priority": item.priority,
        "state": item.state,
        "active": item.active,
        "since": item.since.to_rfc3339(),
        "figures": item.figures,
    })
}

fn single(owed: &Owed, item: &Standing, around: &Around<'_>) -> Letter {
    let m = words(item, around, owed);
    let over = owed.purpose == Purpose::Over;
    // A gap in the record is always over when it is told.
    let past = over || (!item.active && item.occurrence.kind != Kind::RecorderOff);
    let how = match (over, past) {
        (true, _) => "Over",
        (_, true) => "Over, not seen yet",
        _ => urgency(item.priority),
    };
    let opening = match owed.purpose {
        _ if past && !over => Some(
            "This is over, but nobody has acknowledged it. Look at the crates, then acknowledge and reset it.",
        ),
        Purpose::Escalate => Some("Nobody has acknowledged this yet, so it comes to you."),
        Purpose::Again => Some("Nobody has acknowledged this yet."),
        Purpose::Over => Some(match item.state {
            State::LatchedUnacknowledged | State::LatchedAcknowledged => {
                "This is over. What it did to the tubers shows later: look at the crates, then reset it on its page."
            }
            _ => "This is over. What it did to the tubers shows later: look at the crates.",
        }),
        _ => None,
    };
    let (since, figures) = if past {
        let lasted = until(&item.figures).map_or_else(String::new, |end| {
            format!(", lasted {}", span_exact(end.since(item.since)))
        });
        (
            format!(
                "Began {}{lasted}.",
                around.manner.moment(item.since, owed.at)
            ),
            figures_of_past(item.occurrence.kind, &item.figures, around.manner),
        )
    } else {
        (format!("{}.", m.since), m.figures.clone())
    };
    let mut long = Vec::new();
    long.push(format!("{}: {}.", how, m.headline));
    long.push(since.clone());
    long.push(figures.clone());
    long.extend(opening.map(|o| format!("\n{o}")));
    // What is over wants eyes on the crates, not the heat that was wanted while it lasted.
    if !past {
        long.push(format!("\nIf nothing is done: {}", m.consequence));
        long.push("\nWhat to do now:".to_owned());
        for (n, step) in (1..).zip(m.steps) {
            long.push(format!("{n}. {step}"));
        }
        let tips = (around.tips)(&item.room);
        if let Some(tip) = advice::for_alert(item.occurrence.kind, &tips) {
            long.push(format!("\nBy the figures: {}. {}", tip.what, tip.why));
        }
        long.extend(m.caution.map(|c| format!("\nTake care. {c}")));
    }
    long.extend(crates_line(item, around).map(|c| format!("\n{c}")));
    long.push(footer(around));
    let said = figures.split(". ").next().unwrap_or_default();
    let todo = if past {
        "Look at the crates."
    } else {
        m.steps[0]
    };
    Letter {
        subject: format!("{how}: {}", m.headline),
        short: format!(
            "{how}: {}{} {}. {}. {todo}",
            m.headline,
            if past { "; began" } else { " since" },
            around.manner.moment(item.since, owed.at),
            said.trim_end_matches('.'),
        ),
        long: long.join("\n"),
        link: link(item, around),
        data: json!({ "alerts": [data(item)] }),
    }
}

/// Several alerts in one message; `lead` says what brings them together.
fn several(lead: &str, opening: &str, owed: &Owed, around: &Around<'_>) -> Letter {
    let mut long = vec![opening.to_owned()];
    let mut headlines = Vec::new();
    let mut cautions: Vec<&str> = Vec::new();
    for item in &owed.items {
        let m = words(item, around, owed);
        let mut lines = vec![
            format!("\n{}: {}.", urgency(item.priority), m.headline),
            format!("{}. {}", m.since, m.figures),
            format!("If nothing is done: {}", m.consequence),
            format!("First: {}", m.steps[0]),
        ];
        if item.state == State::Acknowledged {
            lines.push("Somebody has acknowledged it.".to_owned());
        }
        lines.extend(crates_line(item, around));
        lines.extend(link(item, around));
        long.extend(lines);
        // Said once, however many alerts it goes with.
        cautions.extend(m.caution.filter(|c| !cautions.contains(c)));
        headlines.push(m.headline);
    }
    long.extend(cautions.iter().map(|c| format!("\nTake care. {c}")));
    long.push(footer(around));
    let lead = format!("{}, {lead}: ", urgency(owed.priority));
    // A short text may be cut: the first thing to do stands before the other alerts.
    let first = match (headlines.first(), owed.items.first()) {
        (Some(first), Some(item)) => format!("{first}. {}", words(item, around, owed).steps[0]),
        _ => String::new(),
    };
    let others = match headlines.get(1..) {
        Some(others) if !others.is_empty() => format!(" Also: {}", others.join("; ")),
        _ => String::new(),
    };
    Letter {
        subject: format!("{lead}{}", cut(&headlines.join("; "), 120)),
        short: format!("{lead}{first}{others}"),
        long: long.join("\n"),
        link: around.address.map(|a| format!("{a}/alerts")),
        data: json!({ "alerts": owed.items.iter().map(data).collect::<Vec<_>>() }),
    }
}

fn test(owed: &Owed, around: &Around<'_>) -> Letter {
    let channel = owed.channels.first().map_or("", |c| c.as_str());
    let when = around.manner.day_and_clock(owed.at);
    Letter {
        subject: format!("TEST: messages from {} reach you", around.site),
        short: format!(
            "TEST from {}, {when}: this way works ({channel}). Nothing needs doing.",
            around.site
        ),
        long: format!(
            "This is a TEST of the channel {channel}, sent {when}. Nothing needs doing in the store.\n\n\
             If you read this in time to get up for frost, all is well. If it lay unseen, change the ring \
             tone, the address or the hours of quiet.\n{}",
            footer(around)
        ),
        link: around.address.map(str::to_owned),
        data: json!({ "test": true, "channel": channel }),
    }
}

fn summary(owed: &Owed, around: &Around<'_>) -> Letter {
    let manner = around.manner;
    let sounding: Vec<&Standing> = around
        .standing
        .iter()
        .filter(|s| !s.state.is_masked())
        .collect();
    let worst = sounding
        .iter()
        .filter(|s| s.active)
        .map(|s| s.priority)
        .max();
    let verdict = match (worst, sounding.len()) {
        (None, 0) => "all well".to_owned(),
        (None, n) => format!("{} to look at", count(n, "alert", "alerts")),
        (Some(worst), n) => format!(
            "{}, {}",
            count(n, "alert", "alerts"),
            urgency(worst).to_lowercase()
        ),
    };
    let mut long = Vec::new();
    let mut short = Vec::new();
    if let Some(day) = around.day {
        long.push("The last 24 hours:".to_owned());
        for room in &day.rooms {
            long.push(format!("- {}", room_line(room, manner)));
            if let (Some(t), Some(rh)) = (room.temperature_c, room.humidity_pct) {
                short.push(format!(
                    "{} {}-{} {}, {:.0}-{}",
                    room.room,
                    manner.limit(t.0).split(NB).next().unwrap_or_default(),
                    manner.limit(t.1).split(NB).next().unwrap_or_default(),
                    manner.letter(),
                    rh.0,
                    percent(rh.1)
                ));
            }
        }
        let (heard, of) = day.heard;
        let silent = if day.silent.is_empty() {
            String::new()
        } else {
            format!("; no word from {}", day.silent.join(", "))
        };
        long.push(format!(
            "\n{heard} of {} heard{silent}.",
            count(of, "sensor", "sensors")
        ));
        for (sensor, why) in &day.out {
            long.push(format!("Sensor {sensor} is out of service: {why}."));
        }
        long.extend(day.overdue.iter().cloned());
        if !day.due.is_empty() {
            long.push("\nWith the crates:".to_owned());
            long.extend(day.due.iter().map(|due| format!("- {due}")));
        }
    }
    for (title, wanted) in [("Standing", true), ("Came and went, or waits", false)] {
        let mut titled = false;
        for item in sounding.iter().filter(|s| s.active == wanted) {
            if !titled {
                long.push(format!("\n{title}:"));
                titled = true;
            }
            let m = words(item, around, owed);
            let seen = match item.state {
                State::Acknowledged | State::LatchedAcknowledged => "",
                _ => " Not acknowledged.",
            };
            long.push(format!(
                "- {}: {}. {}.{seen}",
                urgency(item.priority),
                m.headline,
                m.since
            ));
        }
    }
    let shelved = around
        .standing
        .iter()
        .filter_map(|s| Some((s, s.shelf.as_ref()?)));
    for (item, shelf) in shelved {
        long.push(format!(
            "\nOn the shelf until {}: {} ({}).",
            manner.moment(shelf.until, owed.at),
            words(item, around, owed).headline,
            shelf.reason
        ));
    }
    long.push(footer(around));
    let alerts: Vec<Value> = sounding.iter().map(|s| data(s)).collect();
    Letter {
        subject: format!("{}: {verdict}", around.site),
        short: format!("{}: {verdict}. {}", around.site, short.join("; ")),
        long: long.join("\n"),
        link: around.address.map(str::to_owned),
        data: json!({ "day": around.day, "alerts": alerts }),
    }
}

fn room_line(room: &RoomDay, manner: Manner) -> String {
    // A range that is none is one figure.
    let range = |low: String, high: String, all: String| {
        if low == high {
            all
        } else {
            format!("{low} to {all}")
        }
    };
    let t = room.temperature_c.map(|(low, high)| {
        let degrees = |t| manner.degrees_text(t);
        range(degrees(low), degrees(high), manner.temperature(high))
    });
    let rh = room
        .humidity_pct
        .map(|(low, high)| range(format!("{low:.0}"), format!("{high:.0}"), percent(high)));
    let said: Vec<String> = t.into_iter().chain(rh).collect();
    if said.is_empty() {
        return format!("{}: nothing was heard.", the(&room.room));
    }
    let hours = |h: f64| span((h * 3_600_000.0) as i64);
    let outside = room.heard_hours - room.band_hours;
    let band = if outside < 0.1 {
        "in its band all the time".to_owned()
    } else {
        format!("outside its band for {}", hours(outside))
    };
    let gap = if room.heard_hours < 23.5 {
        format!(", heard for {}", hours(room.heard_hours))
    } else {
        String::new()
    };
    format!("{}: {}, {band}{gap}.", the(&room.room), said.join(", "))
}

fn footer(around: &Around<'_>) -> String {
    format!(
        "\n{}. It advises; it switches nothing and is not a life-safety device.",
        around.site
    )
}

#[cfg(test)]
mod tests;
