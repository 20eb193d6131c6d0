//! From the snapshot to words and shapes: what the pages share.

use std::fmt::Write as _;

use super::{
    Site,
    chart::{Point, Strip},
    html::{Alert, Frame, Seen, Tab, Tone},
};
use crate::{
    climate::{
        Air, Celsius, RelativeHumidity, mould,
        tuber::{self, SensorError, Wetness},
    },
    engine::Status,
    notify::{
        message::{Message, figures_of_past},
        words::{Manner, count, span},
    },
    stock::list::Crate,
    watch::{
        Kind, Priority, Role, SensorNow, Stage, Stamp, Standing, State, Subject,
        limits::Band,
        reading::HOUR_MS,
        recent::{SLOT_MS, SPAN_MS},
        settings::RoomSettings,
    },
};

use chrono::{TimeZone, Timelike};

/// Codes named before "and 12 more".
const CODES_NAMED: usize = 6;

/// The air of a room now: the mean of the air sensors that still speak for it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct RoomAir {
    /// C.
    pub temperature: Option<f64>,
    /// Percent.
    pub humidity: Option<f64>,
    /// When the last of them was heard.
    pub heard_at: Option<Stamp>,
    /// The coldest probe on a surface or among tubers, in C.
    pub coldest: Option<f64>,
    /// Coldest and warmest of the air sensors, in C.
    pub temperatures: Option<(f64, f64)>,
    /// Driest and dampest of the air sensors, in percent.
    pub humidities: Option<(f64, f64)>,
    /// How far its air sensors may be off, the worst of them.
    pub error: SensorError,
    /// `temperature` or `humidity` where an air sensor gave it once and none gives it now.
    pub lost: Option<&'static str>,
}

impl RoomAir {
    fn air(&self) -> Option<Air> {
        let t = Celsius::new(self.temperature?).ok()?;
        Some(Air::new(t, RelativeHumidity::new(self.humidity?).ok()?))
    }

    /// In C.
    pub fn dew_point(&self) -> Option<f64> {
        self.air().map(|a| a.dew_point().degrees())
    }

    /// Kelvin between the coldest thing known in the room and the dew point.
    pub fn margin(&self) -> Option<f64> {
        let coldest = self
            .coldest
            .into_iter()
            .chain(self.temperature)
            .reduce(f64::min)?;
        Some(coldest - self.dew_point()?)
    }

    /// The margin, and what can be said of it within what the sensors can err.
    pub fn wetness(&self) -> Option<(f64, Wetness)> {
        let margin = self.margin()?;
        let error = tuber::margin_error_k(self.air()?, self.error);
        Some((margin, tuber::wetness(margin, error)))
    }

    /// In which way it lies outside a band, for a room that has no alert (yet).
    pub fn outside(&self, band: Band) -> Option<&'static str> {
        // Each sensor for itself, as alerts are judged: a mean hides a cold corner.
        let (t, rh) = (self.temperatures, self.humidities);
        if t.is_some_and(|(coldest, _)| coldest < band.low_c) {
            Some("cold")
        } else if t.is_some_and(|(_, warmest)| band.high_c < warmest) {
            Some("warm")
        } else if rh.is_some_and(|(driest, _)| driest < band.low_pct) {
            Some("dry")
        } else if rh.is_some_and(|(_, dampest)| band.high_pct < dampest) {
            Some("damp")
        } else if self.margin().is_some_and(|margin| margin <= 0.0) {
            Some("sweating")
        } else {
            None
        }
    }

    /// Above the humidity at which mould can begin, though no limit is broken.
    pub fn damp_side(&self) -> bool {
        self.air()
            .is_some_and(|a| mould::critical_humidity(a.temperature) < a.humidity)
    }
}

/// What is heard in a room.
pub fn room_air(status: &Status, room: &str) -> RoomAir {
    // Nothing is judged by a sensor out of service, so nothing may look well by it.
    let speaks = |s: &&SensorNow| s.settings.room == room && !s.silent && s.out.is_none();
    let fresh = |s: &SensorNow, value: Option<(Stamp, f64)>| {
        let hold = s.settings.hold_ms();
        value
            .filter(|(at, _)| status.at.since(*at) <= hold)
            .map(|v| v.1)
    };
    let air: Vec<&SensorNow> = status
        .sensors
        .iter()
        .filter(speaks)
        .filter(|s| s.settings.role == Role::Air)
        .collect();
    let mean = |values: Vec<f64>| {
        let n = values.len() as f64;
        (!values.is_empty()).then(|| values.iter().sum::<f64>() / n)
    };
    let range = |values: &[f64]| {
        let low = values.iter().copied().reduce(f64::min)?;
        Some((low, values.iter().copied().reduce(f64::max)?))
    };
    let t: Vec<f64> = air.iter().filter_map(|s| fresh(s, s.temperature)).collect();
    let rh: Vec<f64> = air.iter().filter_map(|s| fresh(s, s.humidity)).collect();
    let lost = if t.is_empty() && air.iter().any(|s| s.temperature.is_some()) {
        Some("temperature")
    } else if rh.is_empty() && air.iter().any(|s| s.humidity.is_some()) {
        Some("humidity")
    } else {
        None
    };
    let probes = status.sensors.iter().filter(speaks);
    RoomAir {
        temperatures: range(&t),
        humidities: range(&rh),
        error: air
            .iter()
            .map(|s| s.settings.accuracy())
            .reduce(SensorError::or_worse)
            .unwrap_or_default(),
        lost,
        temperature: mean(t),
        humidity: mean(rh),
        heard_at: status
            .sensors
            .iter()
            .filter(|s| s.settings.room == room && s.settings.role == Role::Air)
            .filter_map(|s| s.heard_at)
            .max(),
        coldest: probes
            .filter(|s| matches!(s.settings.role, Role::Crate | Role::Surface))
            // What is being mended proves no sweating.
            .filter(|s| s.out.is_none())
            .filter_map(|s| fresh(s, s.temperature))
            .reduce(f64::min),
    }
}

/// A room whose air sensors are all out of service.
pub fn is_out(status: &Status, room: &str) -> bool {
    let mut air = status
        .sensors
        .iter()
        .filter(|s| s.settings.room == room && s.settings.role == Role::Air)
        .peekable();
    air.peek().is_some() && air.all(|s| s.out.is_some())
}

/// Shape and colour of a priority.
pub fn tone(priority: Priority) -> Tone {
    match priority {
        Priority::High => Tone::ActNow,
        Priority::Medium => Tone::ActToday,
        Priority::Low => Tone::LookSoon,
    }
}

/// How a standing alert is shown: what is over presses no more.
pub fn standing_tone(a: &Standing) -> Tone {
    if a.active {
        tone(a.priority)
    } else {
        Tone::LookSoon
    }
}

/// The writer is gone, or waits for a disk that does not answer: what is known grows old.
pub(super) fn stands_still(site: &Site) -> bool {
    let old = site
        .status
        .borrow()
        .is_old(site.clock.now(), site.clock.speed());
    old || site.status.has_changed().is_err()
}

/// How a room stands in a shape and a word: its most pressing alert, else its air.
pub fn room_state(
    site: &Site,
    status: &Status,
    room: &RoomSettings,
    air: &RoomAir,
    now: Stamp,
) -> (Tone, String) {
    if stands_still(site) {
        return (Tone::NoWord, "No word".to_owned());
    }
    let unheard = air.temperature.is_none() && air.humidity.is_none();
    let worst = status
        .alerts
        .iter()
        .find(|a| a.room == room.name && a.state.is_sounding());
    if let Some(a) = worst {
        let words = Message::of(
            &a.occurrence,
            &a.room,
            &a.figures,
            a.since,
            now,
            site.manner,
        );
        // The room itself is still heard through another one.
        let state = match a.occurrence.kind {
            Kind::Silent if !unheard => "A sensor is silent",
            _ => words.state,
        };
        return (standing_tone(a), state.to_owned());
    }
    if room.stage == Stage::Empty {
        return (Tone::Well, "Empty".to_owned());
    }
    if unheard && is_out(status, &room.name) {
        return (Tone::NoWord, "Out of service".to_owned());
    }
    if unheard {
        return (Tone::NoWord, "No word".to_owned());
    }
    if let Some(what) = air.lost {
        return (Tone::NoWord, format!("No {what}"));
    }
    match air.outside(room.in_force().band) {
        Some(side) => {
            let (first, rest) = side.split_at(1);
            let hidden = status
                .alerts
                .iter()
                .any(|a| a.room == room.name && a.active && a.state.is_masked());
            let yet = if hidden { "set aside" } else { "no alert yet" };
            let state = format!("{}{rest}, {yet}", first.to_uppercase());
            (Tone::LookSoon, state)
        }
        None if air.damp_side() => (Tone::Well, "Well, on the damp side".to_owned()),
        None => (Tone::Well, "Well".to_owned()),
    }
}

fn same_room(a: &str, b: &str) -> bool {
    a.trim().eq_ignore_ascii_case(b.trim())
}

/// Crates that stand in a room.
pub fn crates_in<'a>(crates: &'a [Crate], room: &'a str) -> impl Iterator<Item = &'a Crate> {
    crates.iter().filter(move |c| same_room(&c.room, room))
}

/// One alert with everything a person needs to know.
pub fn alert(a: &Standing, crates: &[Crate], now: Stamp, manner: Manner) -> Alert {
    let words = Message::of(&a.occurrence, &a.room, &a.figures, a.since, now, manner);
    let codes: Vec<&str> = match &a.occurrence.subject {
        Subject::Crate(code) => vec![code],
        _ if !a.figures.crates.is_empty() => a.figures.crates.iter().map(String::as_str).collect(),
        _ if a.room.is_empty() => Vec::new(),
        _ => crates_in(crates, &a.room)
            .map(|c| c.code.as_str())
            .collect(),
    };
    let more = codes.len().saturating_sub(CODES_NAMED);
    // A gap in the record is always over when it is told.
    let over = !a.active && a.occurrence.kind != Kind::RecorderOff;
    let ended: Option<Stamp> = a
        .figures
        .until
        .as_deref()
        .and_then(|u| chrono::DateTime::parse_from_rfc3339(u).ok())
        .map(|u| u.to_utc().into());
    let (since, figures) = if over {
        let lasted = ended.map_or_else(String::new, |end| {
            format!(", lasted {}", span(end.since(a.since)))
        });
        (
            format!("Began {}{lasted}", manner.moment(a.since, now)),
            figures_of_past(a.occurrence.kind, &a.figures, manner),
        )
    } else {
        (words.since, words.figures)
    };
    Alert {
        occurrence: a.occurrence.to_string(),
        tone: standing_tone(a),
        priority: if over {
            "Over".to_owned()
        } else {
            tone(a.priority).word().to_owned()
        },
        headline: words.headline,
        since,
        figures,
        consequence: words.consequence.to_owned(),
        steps: words.steps.iter().map(|&s| s.to_owned()).collect(),
        crates: codes
            .iter()
            .take(CODES_NAMED)
            .map(|&c| c.to_owned())
            .collect(),
        crates_more: (0 < more).then(|| format!("and {more} more")),
        crates_href: format!("/crates?by=place&q={}", url(&a.room)),
        caution: words.caution.map(str::to_owned),
        href: super::alert::href(&a.occurrence),
        reset: a.state == State::LatchedAcknowledged,
        seen: match a.state {
            State::Acknowledged | State::LatchedAcknowledged => Seen::By {
                name: "the grower".to_owned(),
                at: String::new(),
            },
            State::ReturnedUnacknowledged => Seen::CameAndWent {
                ended: ended.map(|end| manner.moment(end, now)),
            },
            State::LatchedUnacknowledged => Seen::Stands {
                ended: ended.map(|end| manner.moment(end, now)),
            },
            State::Unacknowledged => Seen::NotYet,
            _ => Seen::Nothing,
        },
    }
}

/// A value as part of an address.
pub fn url(text: &str) -> String {
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

/// What stands around a page.
pub fn frame(
    site: &Site,
    status: &Status,
    now: Stamp,
    title: &str,
    tab: Tab,
    path: String,
) -> Frame {
    let behind = status.clock_behind_ms;
    let notice = if stands_still(site) {
        Some("The recorder stands still: what is shown here is old.".to_owned())
    } else if 120_000 < behind {
        Some(format!(
            "This computer's clock is {} behind the record. Set it right: until then times are not.",
            crate::notify::words::span(behind)
        ))
    } else {
        site.notice.clone()
    };
    let open = || status.alerts.iter().filter(|a| !a.state.is_masked());
    let worst = open().map(standing_tone).min_by_key(|t| match t {
        Tone::ActNow => 0,
        Tone::ActToday => 1,
        Tone::LookSoon => 2,
        Tone::NoWord => 3,
        Tone::Well => 4,
    });
    Frame {
        title: format!("{title} · {}", site.name),
        tab,
        path,
        made: site.manner.day_and_clock(now),
        made_iso: site.manner.iso(now),
        notice,
        open_alerts: open().count(),
        open_tone: worst.unwrap_or(Tone::Well),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        devices: site.access.is_locked(),
        unencrypted: site.access.unencrypted(),
    }
}

/// The last two days of a room: the mean of its air sensors in ten-minute slots.
pub fn strip(status: &Status, room: &RoomSettings, now: Stamp, manner: Manner) -> Option<Strip> {
    let from = now.plus(-SPAN_MS);
    let first = from.0.div_euclid(SLOT_MS);
    let slots = (now.0.div_euclid(SLOT_MS) - first + 1) as usize;
    let mut sums = vec![[(0.0, 0u32); 2]; slots];
    let sensors = status
        .sensors
        .iter()
        .filter(|s| s.settings.room == room.name && s.settings.role == Role::Air);
    for sensor in sensors {
        let Some(recent) = status.recent.get(&sensor.settings.id) else {
            continue;
        };
        for slot in recent.slots() {
            let index = slot.at.0.div_euclid(SLOT_MS) - first;
            let Some(sum) = usize::try_from(index).ok().and_then(|i| sums.get_mut(i)) else {
                continue;
            };
            for (sum, value) in sum.iter_mut().zip([slot.temperature, slot.humidity]) {
                if let Some(value) = value {
                    *sum = (sum.0 + value, sum.1 + 1);
                }
            }
        }
    }
    let mean = |(total, n): (f64, u32)| (0 < n).then(|| total / f64::from(n));
    let points: Vec<Point> = sums
        .iter()
        .enumerate()
        .map(|(i, &[t, rh])| Point {
            at_ms: (first + i as i64) * SLOT_MS,
            temperature: mean(t).map(|t| manner.degrees(t)),
            humidity: mean(rh),
        })
        .collect();
    if points
        .iter()
        .all(|p| p.temperature.is_none() && p.humidity.is_none())
    {
        return None;
    }
    let Band {
        low_c,
        high_c,
        low_pct,
        high_pct,
    } = room.in_force().band;
    let (mut ticks, mut rows) = (Vec::new(), Vec::new());
    let mut hour = Stamp(from.0.div_euclid(HOUR_MS) * HOUR_MS + HOUR_MS);
    while hour <= now {
        let local = manner.zone.from_utc_datetime(&hour.to_utc().naive_utc());
        // Zones that are off by half an hour have their full hours between ours.
        let full = if local.minute() == 0 {
            local.hour()
        } else {
            local.hour() + 1
        };
        if full % 12 == 0 {
            let label = if full % 24 == 0 {
                local.format("%a").to_string()
            } else {
                "12:00".to_owned()
            };
            ticks.push((hour.0, label));
        }
        if full % 3 == 0 {
            rows.push((hour.0, local.format("%a %-H:%M").to_string()));
        }
        hour = hour.plus(HOUR_MS);
    }
    Some(Strip {
        points,
        from_ms: from.0,
        to_ms: now.0,
        band_t: (manner.degrees(low_c), manner.degrees(high_c)),
        band_rh: (low_pct, high_pct),
        unit: manner.letter(),
        ticks,
        rows,
    })
}

/// `6 crates stand here`.
pub fn crates_here(n: usize) -> Option<String> {
    (0 < n).then(|| {
        let stand = if n == 1 { "stands" } else { "stand" };
        format!("{} {stand} here", count(n, "crate", "crates"))
    })
}
