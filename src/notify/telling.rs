//! Who is told and when in the day, and what a message is for.

use chrono::{NaiveDate, NaiveTime, TimeDelta, TimeZone};
use chrono_tz::Tz;

use crate::watch::{Occurrence, Priority, SensorName, Stamp, Standing, reading::HOUR_MS};

/// One person who is told.
#[derive(Debug, Clone, PartialEq)]
pub struct Contact {
    /// Who.
    pub name: String,
    /// By which channels; all of them at once.
    pub channels: Vec<SensorName>,
    /// The least priority they hear of.
    pub least: Priority,
    /// How long after the first contacts, if nobody has acknowledged, in milliseconds; 0 for the first.
    pub after_ms: i64,
    /// Hours of the local day in which only high alerts are told; may pass midnight.
    pub quiet: Option<(NaiveTime, NaiveTime)>,
    /// Gets the morning summary.
    pub summary: bool,
}

/// Who is told, and the hours of the day.
#[derive(Debug, Clone, PartialEq)]
pub struct Telling {
    /// Local days and hours follow it.
    pub zone: Tz,
    /// In the order in which they are told.
    pub contacts: Vec<Contact>,
    /// When the morning summary is due, and the monthly test.
    pub summary_at: NaiveTime,
    /// When what still stands is reminded of.
    pub remind_at: NaiveTime,
    /// A high alert is told again after so long without an acknowledgement, in milliseconds.
    pub repeat_ms: i64,
}

impl Default for Telling {
    /// Nobody; seven in the morning, five in the afternoon, every four hours: settings of this project.
    fn default() -> Self {
        let hour = |h| NaiveTime::from_hms_opt(h, 0, 0).unwrap_or_default();
        Self {
            zone: Tz::UTC,
            contacts: Vec::new(),
            summary_at: hour(7),
            remind_at: hour(17),
            repeat_ms: 4 * HOUR_MS,
        }
    }
}

/// What a message is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Purpose {
    /// An alert was raised.
    Announce,
    /// Nobody else has acknowledged it.
    Escalate,
    /// A high alert still waits for an acknowledgement.
    Again,
    /// A high alert that was told is over.
    Over,
    /// Several of the above at once.
    Digest,
    /// What still stands in one room, once a day.
    Remind,
    /// The morning summary.
    Summary,
    /// A test of a channel.
    Test,
}

impl Purpose {
    /// Every purpose.
    pub const ALL: [Self; 8] = [
        Self::Announce,
        Self::Escalate,
        Self::Again,
        Self::Over,
        Self::Digest,
        Self::Remind,
        Self::Summary,
        Self::Test,
    ];

    /// The word used in records and by programs.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Announce => "announce",
            Self::Escalate => "escalate",
            Self::Again => "again",
            Self::Over => "over",
            Self::Digest => "digest",
            Self::Remind => "remind",
            Self::Summary => "summary",
            Self::Test => "test",
        }
    }

    /// The purpose with that word.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|p| p.as_str() == word)
    }

    /// Counts as a message: not a reminder, a summary or a test.
    pub fn interrupts(self) -> bool {
        !matches!(self, Self::Remind | Self::Summary | Self::Test)
    }
}

/// One message owed to one person.
#[derive(Debug, Clone, PartialEq)]
pub struct Owed {
    /// When it became due.
    pub at: Stamp,
    /// To whom.
    pub contact: String,
    /// What for.
    pub purpose: Purpose,
    /// How urgent it is.
    pub priority: Priority,
    /// The room it is about; empty for several, or none.
    pub room: String,
    /// The same for the same message whatever happens to it: occurrence, day or month.
    pub about: String,
    /// What it tells of, the most urgent first.
    pub items: Vec<Standing>,
    /// The channels it goes out by.
    pub channels: Vec<SensorName>,
}

impl Owed {
    /// Names this message by one channel, once and for all.
    pub fn key(&self, channel: &SensorName) -> String {
        format!(
            "{} {} to {} by {channel}",
            self.purpose.as_str(),
            self.about,
            self.contact
        )
    }
}

/// A message that was owed before, as the record has it.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// When it was owed.
    pub at: Stamp,
    /// To whom.
    pub contact: String,
    /// By which channel.
    pub channel: SensorName,
    /// What for.
    pub purpose: Purpose,
    /// The room it was about.
    pub room: String,
    /// The occurrences it told of.
    pub occurrences: Vec<Occurrence>,
}

/// Local date and time.
pub fn local(zone: Tz, at: Stamp) -> chrono::NaiveDateTime {
    zone.from_utc_datetime(&at.to_utc().naive_utc())
        .naive_local()
}

/// The instant of a local time; the earlier one when the clock is set back over it, and the first
/// after the gap when it is set forward over it.
pub fn moment(zone: Tz, day: NaiveDate, time: NaiveTime) -> Stamp {
    let wall = day.and_time(time);
    let found = (0..=12).find_map(|quarters| {
        let wall = wall + TimeDelta::minutes(15 * quarters);
        zone.from_local_datetime(&wall).earliest()
    });
    found.map_or_else(
        || Stamp(wall.and_utc().timestamp_millis()),
        |at| at.to_utc().into(),
    )
}

pub(super) fn after(day: NaiveDate) -> NaiveDate {
    day.succ_opt().unwrap_or(day)
}

pub(super) fn before(day: NaiveDate) -> NaiveDate {
    day.pred_opt().unwrap_or(day)
}

/// The same instant, or the end of the quiet hours in which it lies.
pub(super) fn after_quiet(contact: &Contact, zone: Tz, at: Stamp) -> Stamp {
    let Some((from, to)) = contact.quiet else {
        return at;
    };
    let wall = local(zone, at);
    let (day, time) = (wall.date(), wall.time());
    if from <= to {
        if (from..to).contains(&time) {
            return moment(zone, day, to);
        }
    } else if from <= time {
        return moment(zone, after(day), to);
    } else if time < to {
        return moment(zone, day, to);
    }
    at
}
