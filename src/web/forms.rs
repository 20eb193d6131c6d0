//! What the pages about one alert, about who is told and about a look back show, as text ready to be set.
//!
//! As in [`super::html`], everything from outside may be put in as it came: the templates escape it.

use askama::Template;

use super::{
    compare::Sent,
    html::{Alert, Frame, Seen, Tab, Tone},
    stock::form::Fields,
};
use crate::stock::Treatment;

/// One alert, with everything a person can do about it.
#[derive(Debug, Clone, Template)]
#[template(path = "one-alert.html", config = "src/web/askama.toml")]
pub struct AlertPage {
    /// What stands around the page.
    pub frame: Frame,
    /// What and where, figures, advice.
    pub alert: Alert,
    /// How it stands, in a sentence.
    pub state: String,
    /// A later raising of the same alert, which stands instead: its address.
    pub later: Option<String>,
    /// Why the last try was refused.
    pub fault: Option<String>,
    /// The form for the shelf, where it can be used.
    pub shelving: Option<Shelving>,
    /// It lies on the shelf.
    pub shelved: bool,
    /// It is over and waits for a reset: whether somebody has seen it yet.
    pub reset: Option<bool>,
    /// It is hidden because its sensor is out of service.
    pub out: bool,
    /// The word of its kind, for the page that explains it.
    pub kind: &'static str,
    /// "Tue 1 Dec, 2:20, Odile: put on the shelf until 4:20: the flap sticks", oldest first.
    pub record: Vec<String>,
}

/// The form that puts an alert on the shelf.
#[derive(Debug, Clone)]
pub struct Shelving {
    /// What was typed before.
    pub reason: String,
    /// Value, words, whether it is chosen.
    pub spans: Vec<(String, String, bool)>,
    /// "end early" is ticked.
    pub one_shot: bool,
    /// It can end by itself before its time.
    pub can_end: bool,
}

/// One crate: what is in it, what threatens it, what was done, and what can be done.
#[derive(Debug, Clone, Template)]
#[template(path = "crate.html", config = "src/web/askama.toml")]
pub struct CratePage {
    /// What stands around the page.
    pub frame: Frame,
    /// What its label says.
    pub code: String,
    /// What the label shows beside it, so that a slip in typing is seen.
    pub check: char,
    /// "Cellar, north rack / shelf 2 / 3".
    pub place: String,
    /// The room alone.
    pub room: String,
    /// The place in the room alone.
    pub spot: String,
    /// The packing alone.
    pub packing: String,
    /// What is in it.
    pub lots: Vec<Holding>,
    /// Number of the newest entry about it.
    pub seen: i64,
    /// Key of what this page will ask for.
    pub key: String,
    /// Alerts that name it: address, headline, and how soon a person must act.
    pub alerts: Vec<(String, String, Tone)>,
    /// What threatens it, the worst first.
    pub threats: Vec<Threat>,
    /// Why nothing is known of it, where there is no threat at all.
    pub unknown: String,
    /// The air it has been through: what, and how much.
    pub lived: Vec<(&'static str, String)>,
    /// What weighings are for, or what they say.
    pub weighed: String,
    /// "lb", "kg".
    pub weight_unit: &'static str,
    /// When, how much, and what is lost since the first.
    pub weighings: Vec<(String, String, String)>,
    /// What was done, newest first.
    pub history: Vec<Done>,
    /// There is more of it.
    pub more: bool,
    /// Pictures, newest first: number, who and when.
    pub photos: Vec<(i64, String)>,
    /// Rooms that are known.
    pub rooms: Vec<String>,
    /// Packings in use.
    pub packings: Vec<String>,
    /// What was asked was not entered.
    pub again: Option<Again>,
    /// What was typed then.
    pub fields: Fields,
}

impl CratePage {
    /// What was typed into a field of the forms of this kind.
    fn was(&self, kinds: &str, field: &str) -> &str {
        if self.is_of(kinds) {
            self.fields.get(field)
        } else {
            ""
        }
    }

    /// The form with one of these kinds is the one that was sent.
    fn is_of(&self, kinds: &str) -> bool {
        self.again.is_some() && kinds.split(' ').any(|k| k == self.fields.get("kind"))
    }

    fn chose(&self, kinds: &str, field: &str, word: &str) -> bool {
        self.was(kinds, field) == word
    }

    fn has_clumps(&self) -> bool {
        self.lots.iter().any(|l| l.clump)
    }

    /// What can be done to all in a crate: word in the form, and on the page.
    fn treatments() -> Vec<(&'static str, String)> {
        Treatment::ALL.map(|t| (t.key(), t.to_string())).into()
    }

    /// The fields to be sent once more, but for those that are as they stand now.
    fn once_more(&self) -> impl Iterator<Item = (&str, &str)> {
        self.fields
            .all()
            .filter(|(k, _)| !["seen", "sure", "key"].contains(k))
    }
}

/// A lot of the crate.
#[derive(Debug, Clone)]
pub struct Holding {
    /// The number by which a form names it.
    pub id: i64,
    /// Its variety.
    pub variety: String,
    /// "12 divisions in shavings, 4.1 lb".
    pub what: String,
    /// "dug 21 Oct 2026".
    pub dug: Option<String>,
    /// The grower's remark; may be empty.
    pub note: String,
    /// How many.
    pub count: u32,
    /// Clumps can be divided.
    pub clump: bool,
}

/// One entry about the crate.
#[derive(Debug, Clone)]
pub struct Done {
    /// Its number.
    pub id: i64,
    /// "Ida, Tue 1 Dec, 8:15".
    pub who_when: String,
    /// "took out 3 Amber Lantern: soft".
    pub what: String,
    /// The remark; may be empty.
    pub note: String,
    /// It was taken back.
    pub undone: bool,
    /// It can be.
    pub can_undo: bool,
}

/// Why something was not entered.
#[derive(Debug, Clone)]
pub struct Again {
    /// Why, and what to do.
    pub why: String,
    /// The word on the button that enters it all the same, where it can be.
    pub confirm: Option<&'static str>,
    /// The newest entry that the person has now been told of.
    pub newest: String,
}

/// One threat to a crate.
#[derive(Debug, Clone)]
pub struct Threat {
    /// Short key, unique on the page.
    pub key: &'static str,
    /// How near it is.
    pub tone: Tone,
    /// "Drying".
    pub name: &'static str,
    /// "18 % lighter by planting".
    pub short: String,
    /// The figures, in sentences.
    pub figures: String,
    /// The figure with its picture, as finished markup.
    pub picture: Option<String>,
    /// Where the equation comes from.
    pub source: &'static str,
}

/// An alert or a sensor that nobody is told of for now.
#[derive(Debug, Clone)]
pub struct Aside {
    /// What and where.
    pub headline: String,
    /// "Shelved", "Suppressed", "Out of service".
    pub what: String,
    /// Until when, why, by whom.
    pub why: String,
    /// Where it is seen to.
    pub href: String,
    /// The occurrence that can be taken off the shelf here.
    pub unshelve: Option<String>,
    /// The sensor that can be returned to service here.
    pub sensor: Option<String>,
}

/// Who is told, and what came of it.
#[derive(Debug, Clone, Template)]
#[template(path = "told.html", config = "src/web/askama.toml")]
pub struct ToldPage {
    /// What stands around the page.
    pub frame: Frame,
    /// In the order in which they are told.
    pub contacts: Vec<ToldContact>,
    /// Every channel.
    pub channels: Vec<ToldChannel>,
    /// What is overdue.
    pub overdue: Vec<String>,
    /// "7:00", "17:00".
    pub hours: (String, String),
    /// The newest messages.
    pub messages: Vec<ToldMessage>,
    /// "3 messages wait".
    pub waiting: Option<String>,
}

/// One person.
#[derive(Debug, Clone)]
pub struct ToldContact {
    /// Who.
    pub name: String,
    /// When in the order, what they hear, when it is quiet, by which channels.
    pub lines: Vec<String>,
}

/// One channel.
#[derive(Debug, Clone)]
pub struct ToldChannel {
    /// Its name.
    pub name: String,
    /// "e-mail", "another program", "a program here".
    pub kind: String,
    /// How it stands.
    pub tone: Tone,
    /// The same in words.
    pub state: String,
    /// "Last test got through Tue 1 Dec, 7:00".
    pub test: String,
    /// Somebody is told by it, so that a test can be sent.
    pub used: bool,
}

/// One message of the record.
#[derive(Debug, Clone)]
pub struct ToldMessage {
    /// Shape and colour of its priority.
    pub tone: Tone,
    /// One line.
    pub subject: String,
    /// "Tue 1 Dec, 2:15, to Odile by mail".
    pub to: String,
    /// "delivered at the first try", "waits, tried 3 times: ...".
    pub state: String,
    /// Not delivered yet, or given up.
    pub open: bool,
}

/// One sensor, what it is off by, and the forms for finding out.
#[derive(Debug, Clone, Template)]
#[template(path = "compare.html", config = "src/web/askama.toml")]
pub struct ComparePage {
    /// What stands around the page.
    pub frame: Frame,
    /// Its name.
    pub name: String,
    /// Its room.
    pub room: String,
    /// What it says now, and what is made of it.
    pub says: Vec<String>,
    /// What is added at present, as a sentence.
    pub holds: String,
    /// When it was last compared: "10 Jan".
    pub checked: Option<String>,
    /// Ways of comparing: words, address, whether it is chosen.
    pub ways: Vec<(&'static str, String, bool)>,
    /// The chosen one; empty when none is.
    pub way: &'static str,
    /// Word, name with its humidity, whether it is chosen.
    pub salts: Vec<(&'static str, String, bool)>,
    /// "F" or "C".
    pub letter: &'static str,
    /// It says humidity too.
    pub humid: bool,
    /// "9.0 F or 20 points of humidity".
    pub most: String,
    /// Why what was filled in is not entered.
    pub fault: Option<String>,
    /// Why a correction is not taken back, and which: its beginning.
    pub fault_back: Option<(String, String)>,
    /// Every correction, the newest first.
    pub entered: Vec<Entered>,
    /// What was filled in.
    pub sent: Sent,
}

impl ComparePage {
    /// Why this one was not taken back.
    fn not_back(&self, begins: &str) -> Option<&str> {
        let (which, why) = self.fault_back.as_ref()?;
        (which == begins).then_some(why.as_str())
    }
}

/// One correction as it was entered.
#[derive(Debug, Clone)]
pub struct Entered {
    /// "−0.7 F, +2.5 points", "nothing".
    pub what: String,
    /// Its beginning: "10 Jan, 14:00".
    pub from: String,
    /// "holds now", "until 12 Jan, 8:00".
    pub fate: String,
    /// No later entry took its place.
    pub stands: bool,
    /// "Odile, 12 Jan, 8:15".
    pub who_when: String,
    /// Why.
    pub why: String,
    /// It can be taken back: its beginning as the form sends it.
    pub begins: Option<String>,
}

/// What another limit would have told.
#[derive(Debug, Clone, Template)]
#[template(path = "look-back.html", config = "src/web/askama.toml")]
pub struct LookBackPage {
    /// What stands around the page.
    pub frame: Frame,
    /// Name and whether it is chosen.
    pub rooms: Vec<(String, bool)>,
    /// Value, words, whether it is chosen.
    pub kinds: Vec<(String, String, bool)>,
    /// What was typed.
    pub limit: String,
    /// What was typed.
    pub hours: String,
    /// First day looked at, as the field wants it.
    pub since: String,
    /// "75 % for 12 h, 70 % for 24 h": what is in force for the chosen room and kind.
    pub in_force: String,
    /// What is wrong with what was typed.
    pub fault: Option<String>,
    /// The answer.
    pub answer: Option<LookBackAnswer>,
}

/// The answer to a look back.
#[derive(Debug, Clone)]
pub struct LookBackAnswer {
    /// "With 72 % instead of 75 % you would have had 3 messages instead of 11 since 1 December."
    pub sentence: String,
    /// What was really sent, where there is a record.
    pub sent: Option<String>,
    /// Day, messages now, messages then, difference; days without any are left out.
    pub days: Vec<(String, u32, u32, String)>,
    /// The lines to put into the configuration.
    pub lines: String,
}
