//! The answer to "is it all right?" in one sentence, never better than what is known.

use super::{
    Site,
    html::{Tone, Verdict},
    pages::small,
    view::{self, RoomAir, crates_in, room_air, standing_tone},
};
use crate::{
    climate::tuber::Wetness,
    engine::Status,
    notify::{
        message::{Message, the, until},
        words::{ago, count, percent, span},
    },
    stock::list::Crate,
    watch::{Kind, Priority, RoomSettings, Stage, Stamp, Standing, State as AlertState, Subject},
};

/// Further alerts that the answer names; the rest are counted.
const ALSO_NAMED: usize = 2;

/// How things stand.
pub fn verdict(site: &Site, status: &Status, crates: &[Crate], now: Stamp) -> Verdict {
    let mut verdict = fault(site, status, now)
        .or_else(|| going_on(site, status, crates, now))
        .unwrap_or_else(|| quiet(site, status, now));
    // What is hidden is no alert, and still no secret.
    if let Some(aside) = aside(site, status, now) {
        let more = verdict.more.into_iter().chain([aside]);
        verdict.more = Some(more.collect::<Vec<_>>().join(" "));
    }
    verdict
}

fn fault(site: &Site, status: &Status, now: Stamp) -> Option<Verdict> {
    if let Some(fault) = &status.store_fault {
        return Some(Verdict {
            tone: Tone::ActNow,
            sentence: format!("Nothing can be stored: {fault}."),
            more: Some(
                "Make room on the disk or look at its cable. Readings wait at their sources, as far as these can wait."
                    .to_owned(),
            ),
        });
    }
    view::stands_still(site).then(|| Verdict {
        tone: Tone::ActNow,
        sentence: format!(
            "The recorder stands still since {}.",
            site.manner.moment(status.at, now)
        ),
        more: Some(
            "Nothing is stored or judged, and what is shown here is old. Start it again and look at its disk."
                .to_owned(),
        ),
    })
}

fn words(site: &Site, a: &Standing, now: Stamp) -> Message {
    let manner = site.manner;
    Message::of(&a.occurrence, &a.room, &a.figures, a.since, now, manner)
}

/// The worst of what goes on and people are told of.
fn going_on(site: &Site, status: &Status, crates: &[Crate], now: Stamp) -> Option<Verdict> {
    let sounding = status.alerts.iter().filter(|a| a.state.is_sounding());
    let mut active: Vec<&Standing> = sounding.collect();
    // Coming frost leads before anything that can wait until tomorrow.
    active.sort_by_key(|a| {
        let frost = matches!(a.occurrence.kind, Kind::Frost | Kind::FrostAhead);
        std::cmp::Reverse((a.active && a.priority == Priority::High, a.active && frost))
    });
    let worst = active.first()?;
    let told = words(site, worst, now);
    let standing = match worst.room.as_str() {
        "" => 0,
        room => crates_in(crates, room).count(),
    };
    let mut more = Vec::new();
    if 0 < standing {
        let stand = if standing == 1 { "stands" } else { "stand" };
        more.push(format!(
            "{} {stand} there.",
            count(standing, "crate", "crates")
        ));
    }
    let others: Vec<String> = active[1..]
        .iter()
        .take(ALSO_NAMED)
        .map(|a| match &a.occurrence.subject {
            // The room has been named already.
            Subject::Room(_) if a.room == worst.room => small(words(site, a, now).state),
            _ => small(&words(site, a, now).headline),
        })
        .collect();
    if !others.is_empty() {
        let unnamed = match active.len() - 1 - others.len() {
            0 => String::new(),
            n => format!(" and {}", count(n, "more alert", "more alerts")),
        };
        more.push(format!("Also {}{unnamed}.", others.join(", ")));
    }
    Some(Verdict {
        tone: standing_tone(worst),
        sentence: format!(
            "{} since {}. {}",
            told.headline,
            site.manner.moment(worst.since, now),
            told.steps[0]
        ),
        more: (!more.is_empty()).then(|| more.join(" ")),
    })
}

/// Nothing goes on that people are told of: is anything known, and does anything wait?
fn quiet(site: &Site, status: &Status, now: Stamp) -> Verdict {
    let watched: Vec<(&RoomSettings, RoomAir)> = status
        .settings
        .rooms
        .iter()
        .filter(|r| r.stage != Stage::Empty)
        .map(|r| (r, room_air(status, &r.name)))
        .collect();
    let waiting: Vec<&Standing> = status
        .alerts
        .iter()
        .filter(|a| !a.state.is_masked() && !a.state.is_sounding())
        .collect();
    let latched = waiting
        .iter()
        .find(|a| a.state != AlertState::ReturnedUnacknowledged);
    if let Some(unknown) = unknown(status, &watched) {
        return match latched {
            Some(a) => Verdict {
                more: Some(over(site, a, now)),
                ..unknown
            },
            None => unknown,
        };
    }
    let outside = watched
        .iter()
        .find_map(|(r, a)| Some((the(&r.name), a.outside(r.in_force().band)?)));
    if let Some(a) = latched {
        let air = outside.map(|(room, side)| format!("It is {side} in {room} just now."));
        let others = match waiting.len() - 1 {
            0 => None,
            n => Some(format!(
                "{} to look at.",
                count(n, "more alert", "more alerts")
            )),
        };
        let more: Vec<String> = air.into_iter().chain(others).collect();
        return Verdict {
            tone: Tone::LookSoon,
            sentence: over(site, a, now),
            more: (!more.is_empty()).then(|| more.join(" ")),
        };
    }
    let more = match (&waiting[..], &watched[..]) {
        ([], [(_, air)]) => air_sentence(site, air, now),
        ([], _) => None,
        ([a, others @ ..], _) => {
            let others = match others.len() {
                0 => String::new(),
                n => format!(", and {}", count(n, "more alert", "more alerts")),
            };
            let headline = words(site, a, now).headline;
            Some(format!("{headline} came and went unseen{others}."))
        }
    };
    if let Some((room, side)) = outside {
        let hidden = status
            .alerts
            .iter()
            .any(|a| a.state.is_masked() && a.active);
        let later = (!hidden).then(|| "If it lasts, an alert says what to do.".to_owned());
        return Verdict {
            tone: Tone::LookSoon,
            sentence: format!("No alert, but it is {side} in {room} just now."),
            more: more.filter(|_| !waiting.is_empty()).or(later),
        };
    }
    // What the air was may have done its harm before it was well again.
    if waiting.iter().any(|a| a.priority == Priority::High) {
        return Verdict {
            tone: Tone::LookSoon,
            sentence: "The air is well again, but look at the crates.".to_owned(),
            more,
        };
    }
    let names: Vec<String> = watched.iter().map(|(r, _)| the(&r.name)).collect();
    Verdict {
        tone: Tone::Well,
        sentence: if names.is_empty() && !status.settings.rooms.is_empty() {
            "Every room is empty: readings are kept, nothing is judged.".to_owned()
        } else {
            format!("All well in {}.", list(&names))
        },
        more,
    }
}

/// Rooms of which nothing can be said.
fn unknown(status: &Status, watched: &[(&RoomSettings, RoomAir)]) -> Option<Verdict> {
    let no_word = |sentence: String, more: &str| {
        Some(Verdict {
            tone: Tone::NoWord,
            sentence,
            more: Some(more.to_owned()),
        })
    };
    let (out, mute): (Vec<&str>, Vec<&str>) = watched
        .iter()
        .filter(|(_, a)| a.temperature.is_none() && a.humidity.is_none())
        .map(|(r, _)| r.name.as_str())
        .partition(|room| view::is_out(status, room));
    let names = |rooms: &[&str]| {
        let each: Vec<String> = rooms.iter().map(|room| the(room)).collect();
        list(&each)
    };
    if !mute.is_empty() {
        return no_word(
            format!("Nothing is heard from {}.", names(&mute)),
            "Readings appear here as soon as a sensor speaks; the Sensors page says what each source is doing.",
        );
    }
    if !out.is_empty() {
        return no_word(
            format!(
                "Nobody watches {}: the sensors there are out of service.",
                names(&out)
            ),
            "Read a thermometer there, and return them to service once they are mended.",
        );
    }
    let (room, what) = watched
        .iter()
        .find_map(|(r, a)| Some((the(&r.name), a.lost?)))?;
    no_word(
        format!("No {what} is heard from {room} any more."),
        "A sensor there gave it before: look at its battery, its cable and its probe.",
    )
}

/// What is over and stands until somebody has looked.
fn over(site: &Site, a: &Standing, now: Stamp) -> String {
    let told = words(site, a, now);
    let began = site.manner.moment(a.since, now);
    let lasted = until(&a.figures).map_or_else(String::new, |end| {
        format!(", for {}", span(end.since(a.since)))
    });
    let then = if a.state.wants_acknowledgement() {
        "then acknowledge and reset it"
    } else {
        "then reset it"
    };
    let place = told.headline.strip_prefix(told.state).unwrap_or_default();
    match a.occurrence.kind {
        Kind::Frost => {
            format!("It was near frost{place} from {began}{lasted}. Look at the crates, {then}.")
        }
        Kind::RecorderOff => format!(
            "{} from {began}{lasted}. Look into every room, {then}.",
            told.headline
        ),
        _ => format!("{} is over. Look, {then}.", told.headline),
    }
}

/// What lies on the shelf, in a sentence.
fn aside(site: &Site, status: &Status, now: Stamp) -> Option<String> {
    let shelved = |a: &&Standing| a.state == AlertState::Shelved && a.active;
    let mut all = status.alerts.iter().filter(shelved);
    let first = all.next()?;
    let until = site.manner.moment(first.shelf.as_ref()?.until, now);
    let others = match all.count() {
        0 => String::new(),
        n => format!(", and {}", count(n, "more alert", "more alerts")),
    };
    Some(format!(
        "On the shelf: {}, until {until}{others}.",
        small(&words(site, first, now).headline)
    ))
}

fn air_sentence(site: &Site, air: &RoomAir, now: Stamp) -> Option<String> {
    let heard = ago(air.heard_at?, now);
    let margin = margin_text(site, air).map_or_else(String::new, |m| format!(", {m}"));
    Some(format!(
        "{}, {}{margin}. Heard {heard}.",
        site.manner.temperature(air.temperature?),
        percent(air.humidity?),
    ))
}

/// How far a room is from sweating, in words; never "clear" within what its sensors can err.
pub(super) fn margin_text(site: &Site, air: &RoomAir) -> Option<String> {
    let (margin, wetness) = air.wetness()?;
    Some(match wetness {
        Wetness::Wet => "at or below the dew point: sweating".to_owned(),
        Wetness::CannotTell => "too close to the dew point to tell whether it sweats".to_owned(),
        Wetness::Dry => format!("{} clear of sweating", site.manner.difference(margin)),
    })
}

fn list(names: &[String]) -> String {
    match names {
        [] => "no room".to_owned(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}
