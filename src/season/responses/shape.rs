//! What the account of responses is made of.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

use crate::{
    season::deeds::CrateRounds,
    watch::{Kind, Priority, models::Target},
};

/// What one source said of one sensor.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Heard {
    /// The source.
    pub source: String,
    /// The sensor; empty where none could be made out.
    pub sensor: String,
    /// Readings that were new.
    pub stored: i64,
    /// Known already.
    pub duplicate: i64,
    /// Said something else for an instant that was known.
    pub conflict: i64,
    /// Not understood.
    pub refused: i64,
    /// When it last delivered anything.
    pub last_at: DateTime<Utc>,
}

/// What a person did about an alert, a sensor or a room.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Answer {
    /// When.
    pub at: DateTime<Utc>,
    /// By whom.
    pub who: String,
    /// `shelved`, `unshelved`, `reset`, `out-of-service`, `in-service` or `stage`.
    pub what: String,
    /// The reason, the sensor, the stage.
    pub detail: String,
}

/// What was done to crates after an alert.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct After {
    /// What, as the ledger calls it.
    pub what: String,
    /// To how many crates.
    pub crates: u32,
    /// When first.
    pub first_at: DateTime<Utc>,
}

/// One alert of the period.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OneAlert {
    /// What kind.
    pub kind: Kind,
    /// What it was about: `room NAME`, `crate CODE`, `sensor NAME`, `channel NAME` or `recorder`.
    pub subject: String,
    /// The room; may be empty.
    pub room: String,
    /// Its last priority.
    pub priority: Priority,
    /// When it was raised.
    pub raised: DateTime<Utc>,
    /// When it was over; none if it is not.
    pub ended: Option<DateTime<Utc>>,
    /// Hours from the one to the other.
    pub hours: Option<f64>,
    /// When a person saw it.
    pub seen: Option<DateTime<Utc>>,
    /// Minutes until then.
    pub seen_after_min: Option<f64>,
    /// Who saw it.
    pub seen_by: Option<String>,
    /// What was done about it, or about a sensor or the stage of its room while it stood or within a day.
    pub answers: Vec<Answer>,
    /// What was done to crates of its room, or to its crate, within a day of it. That it was done because
    /// of it nobody knows.
    pub after: Vec<After>,
}

/// Alerts of one kind and priority.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Count {
    /// What kind.
    pub kind: Kind,
    /// Their last priority.
    pub priority: Priority,
    /// So many were raised.
    pub raised: u32,
    /// Of these seen by a person.
    pub seen: u32,
    /// Median minutes until they were seen, of those that were.
    pub median_min: Option<f64>,
    /// The longest.
    pub longest_min: Option<f64>,
}

/// The figures by which alarm systems are judged, as [`crate::season::alerting::Figures`] has them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Standard {
    /// Messages that interrupt.
    pub messages: usize,
    /// Of the person told most, per room and day.
    pub per_room_day: Option<f64>,
    /// Most to one person about one room in one day.
    pub worst_day: usize,
    /// When that day began.
    pub worst_day_from: Option<DateTime<Utc>>,
    /// Most to one person in ten minutes.
    pub most_in_window: usize,
    /// Windows of ten minutes.
    pub windows: usize,
    /// Those in which one person got more than ten.
    pub windows_above: usize,
    /// Alerts raised.
    pub raised: usize,
    /// Of these low, medium and high.
    pub by_priority: [usize; 3],
    /// Alerts that were raised three times within an hour: kind and subject.
    pub chattering: Vec<(Kind, String)>,
    /// Over within ten minutes.
    pub fleeting: usize,
    /// Most that stood for more than a day on one day.
    pub stale_worst: usize,
    /// When that day began.
    pub stale_worst_from: Option<DateTime<Utc>>,
    /// Standing for more than a day at the end.
    pub stale_at_end: usize,
    /// Longest that one waited to be seen, in minutes, up to its end.
    pub longest_unseen_min: Option<f64>,
    /// Median until people saw what they saw, in minutes.
    pub median_seen_min: Option<f64>,
    /// The alert raised most often.
    pub most_frequent: Option<Frequent>,
}

/// The alert raised most often.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Frequent {
    /// What kind.
    pub kind: Kind,
    /// What about.
    pub subject: String,
    /// How often.
    pub times: usize,
}

/// Messages of one purpose; the same by two channels is two.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Purpose {
    /// The word for it.
    pub purpose: String,
    /// Delivered.
    pub sent: u32,
    /// Given up.
    pub given_up: u32,
    /// Neither yet.
    pub waiting: u32,
}

/// Forecasts towards one limit, by every sensor; each was kept, whether anybody was told of it or not.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Forecasts {
    /// Towards what.
    pub target: Target,
    /// Made in the period.
    pub made: u32,
    /// Of these the limit was passed in time.
    pub came: u32,
    /// It was not.
    pub not: u32,
    /// Nobody was looking.
    pub unseen: u32,
    /// Not over yet.
    pub open: u32,
    /// Median hours from the making to passing the limit, of those that came true.
    pub median_lead_h: Option<f64>,
}

/// Warnings that people were told of, and what followed in the same room.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Warned {
    /// `frost-ahead`, `mould` or `shrink`.
    pub kind: Kind,
    /// Raised.
    pub raised: u32,
    /// Frost followed within 9 hours; a look found mould, or shrivelled tubers, within 30 days.
    pub followed: u32,
}

/// How rounds were kept.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Rounds {
    /// Rounds that were due.
    pub due: u32,
    /// Of these kept in time.
    pub in_time: u32,
    /// Kept late.
    pub late: u32,
    /// Missed.
    pub missed: u32,
    /// Looks beside them.
    pub early: u32,
    /// Crate by crate.
    pub crates: Vec<CrateRounds>,
}

/// When a sensor was last compared with something that is known.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Check {
    /// The sensor.
    pub sensor: String,
    /// Its room.
    pub room: String,
    /// The day, if somebody said so by the end of the period.
    pub checked: Option<NaiveDate>,
    /// That was within twelve months of the last day.
    pub in_date: bool,
}

/// A time in which the recorder was off.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Off {
    /// Last known to run, not before the period.
    pub from: DateTime<Utc>,
    /// Running again, not after the period.
    pub to: DateTime<Utc>,
    /// Hours between the two.
    pub hours: f64,
}

/// What the program said in a period, and what people did.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Responses {
    /// From this instant ...
    pub from: DateTime<Utc>,
    /// ... to before this one.
    pub to: DateTime<Utc>,
    /// Every alert raised in it, in order.
    pub alerts: Vec<OneAlert>,
    /// The same counted, the most urgent kinds first and of each the highest priority.
    pub counts: Vec<Count>,
    /// How well the alerts did.
    pub standard: Standard,
    /// Messages by purpose.
    pub messages: Vec<Purpose>,
    /// Forecasts by what they were about; targets of which none was made are left out.
    pub forecasts: Vec<Forecasts>,
    /// Every forecast of the period is among them.
    pub forecasts_complete: bool,
    /// Warnings people were told of.
    pub warned: Vec<Warned>,
    /// How rounds were kept.
    pub rounds: Rounds,
    /// Sensors at the end of the period.
    pub checks: Vec<Check>,
    /// Every time in which the recorder was off, in order.
    pub offs: Vec<Off>,
    /// Hours of all of them.
    pub off_h: f64,
    /// What sources said since the beginning: no days are kept of it, so this is not of the period alone.
    pub heard: Vec<Heard>,
}
