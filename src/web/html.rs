//! What each page shows, as text ready to be set: the caller counts, converts and chooses the words.
//!
//! Everything from outside (names, notes, lines of a source) may be put in as it came: the
//! templates under `pages/` escape it. A figure and its unit stay on one line if they are joined by
//! U+00A0.

use askama::Template;

use super::{
    chart::{Strip, moist::MoistAir},
    forms::Aside,
    paging::Paging,
};

/// How a thing stands: a word, a shape and a tone together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tone {
    /// Stock is being lost: filled triangle, beet.
    ActNow,
    /// It has to be seen to today: half-filled diamond, ochre.
    ActToday,
    /// Worth a look: ring, ink.
    LookSoon,
    /// As it should be: tick, moss.
    Well,
    /// Nothing is heard, so nothing is known: dashed square, grey.
    NoWord,
}

impl Tone {
    /// Name of the shape and of the class that gives it its colour.
    pub const fn key(self) -> &'static str {
        match self {
            Self::ActNow => "now",
            Self::ActToday => "today",
            Self::LookSoon => "soon",
            Self::Well => "well",
            Self::NoWord => "none",
        }
    }

    /// The word that goes with the shape.
    pub const fn word(self) -> &'static str {
        match self {
            Self::ActNow => "Act now",
            Self::ActToday => "Act today",
            Self::LookSoon => "Look soon",
            Self::Well => "Well",
            Self::NoWord => "No word",
        }
    }
}

/// Which of the pages is open.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tab {
    /// The first page.
    Now,
    /// What needs a person, and what did.
    Alerts,
    /// The walk through the crates that are due.
    Round,
    /// The stock.
    Crates,
    /// The sensors and where their readings come from.
    Sensors,
    /// What the stock went through.
    Winter,
    /// None of these.
    Elsewhere,
}

/// What stands around every page.
#[derive(Debug, Clone)]
pub struct Frame {
    /// Title of the tab in the browser, the page's own part.
    pub title: String,
    /// Which page is open.
    pub tab: Tab,
    /// Path and query of this page, where an acknowledgement comes back to.
    pub path: String,
    /// When the page was made, local: "Wed 25 Nov, 10:32".
    pub made: String,
    /// The same as RFC 3339 with offset, from which the script takes the site's time of day.
    pub made_iso: String,
    /// A line above the page, such as that this is a demonstration.
    pub notice: Option<String>,
    /// Number of open alerts, shown in the navigation.
    pub open_alerts: usize,
    /// Tone of the most pressing of them.
    pub open_tone: Tone,
    /// Version of the program.
    pub version: String,
    /// There is a passphrase, and so a page about who may open these pages.
    pub devices: bool,
    /// Others on the network can read along.
    pub unencrypted: bool,
}

impl Frame {
    /// Whether `tab` is the page that is open.
    pub(super) fn on(&self, tab: Tab) -> bool {
        self.tab == tab
    }
}

/// The first page: is it all right, and if not what is to be done.
#[derive(Debug, Clone, Template)]
#[template(path = "now.html", config = "src/web/askama.toml")]
pub struct NowPage {
    /// What stands around the page.
    pub frame: Frame,
    /// The answer in one sentence.
    pub verdict: Verdict,
    /// Open alerts, the most pressing first.
    pub alerts: Vec<Alert>,
    /// "12 crates are due for a look".
    pub due: Option<String>,
    /// Every room.
    pub rooms: Vec<Room>,
}

/// The answer to "is it all right?".
#[derive(Debug, Clone)]
pub struct Verdict {
    /// How things stand.
    pub tone: Tone,
    /// "Too dry in the back room since 2:10 in the night. Dampen the packing in 6 crates today."
    pub sentence: String,
    /// A second, quieter line.
    pub more: Option<String>,
}

/// One open alert.
#[derive(Debug, Clone)]
pub struct Alert {
    /// The occurrence that an acknowledgement names.
    pub occurrence: String,
    /// Shape and colour.
    pub tone: Tone,
    /// Priority in words: "Act today".
    pub priority: String,
    /// What and where: "Too dry in the back room".
    pub headline: String,
    /// "Since 2:10 in the night, 8 hours".
    pub since: String,
    /// "68 % now, should be 75 to 85 %".
    pub figures: String,
    /// What happens if nothing is done.
    pub consequence: String,
    /// What to do, in short steps.
    pub steps: Vec<String>,
    /// Codes of the first few crates concerned.
    pub crates: Vec<String>,
    /// "and 12 more", if there are more.
    pub crates_more: Option<String>,
    /// Where all of them are listed.
    pub crates_href: String,
    /// What could hurt the person doing it.
    pub caution: Option<String>,
    /// Whether somebody has seen it.
    pub seen: Seen,
    /// Its own page.
    pub href: String,
    /// It is over and seen, and waits for a reset.
    pub reset: bool,
}

impl Alert {
    /// A name for the part that opens and closes, so that the script can find it again.
    fn anchor(&self) -> String {
        let key = self.occurrence.chars();
        let plain = key.map(|c| if c.is_ascii_alphanumeric() { c } else { '-' });
        format!("do-{}", plain.collect::<String>())
    }

    /// It is over, and nothing is to be done about it unless it comes back. What waits for a reset is
    /// to be looked at now.
    pub(super) fn is_over(&self) -> bool {
        self.priority == "Over" && !self.reset && !matches!(self.seen, Seen::Stands { .. })
    }
}

/// Whether somebody has seen an alert.
#[derive(Debug, Clone)]
pub enum Seen {
    /// Nobody yet: the button is shown.
    NotYet,
    /// Somebody acknowledged it and it still stands.
    By {
        /// Who.
        name: String,
        /// When: "10:12", "Tue 10:12".
        at: String,
    },
    /// It is over but nobody has seen it: the button is shown.
    CameAndWent {
        /// When it ended: "4:40"; not always known.
        ended: Option<String>,
    },
    /// It is over, nobody has seen it, and it stands until somebody has looked: the button is shown.
    Stands {
        /// When it ended: "4:40"; not always known.
        ended: Option<String>,
    },
    /// Nothing is to be acknowledged.
    Nothing,
}

/// One room on the first page.
#[derive(Debug, Clone)]
pub struct Room {
    /// Short key, unique on the page.
    pub key: String,
    /// Its name.
    pub name: String,
    /// What it is doing: "storing".
    pub stage: String,
    /// Every stage, what it means, and whether it is this one.
    pub stages: Vec<(String, String, bool)>,
    /// How it stands.
    pub tone: Tone,
    /// The same in words: "Well", "Too dry", "No word for 3 hours".
    pub state: String,
    /// Temperature.
    pub temperature: Figure,
    /// Relative humidity.
    pub humidity: Figure,
    /// "Dew point 44.4 F".
    pub dew_point: Option<String>,
    /// "5.9 F clear of sweating", or that it cannot be told.
    pub margin: Option<String>,
    /// "Heard 2 minutes ago".
    pub heard: String,
    /// Its sensors, where it has more than one.
    pub sensors: Vec<RoomSensor>,
    /// What to do about its air, why, and what could hurt.
    pub tips: Vec<(String, String, Option<&'static str>)>,
    /// Where it is heading.
    pub ahead: Vec<String>,
    /// Its air in the last day, as a picture.
    pub moist: Option<MoistAir>,
    /// The crate most at risk: its page, and why.
    pub worst: Option<(String, String)>,
    /// The last two days.
    pub strip: Option<Strip>,
    /// "42 crates stand here".
    pub crates: Option<String>,
    /// Where they are listed.
    pub crates_href: String,
}

impl Room {
    fn strip_figure(&self) -> String {
        self.strip
            .as_ref()
            .map_or_else(String::new, |strip| strip.figure(&self.strip_id()))
    }

    fn moist_figure(&self) -> String {
        self.moist
            .as_ref()
            .map_or_else(String::new, |m| m.figure(&format!("moist-{}", self.key)))
    }

    fn strip_id(&self) -> String {
        format!("strip-{}", self.key)
    }
}

/// A large figure: its value, its unit, and where it should be.
#[derive(Debug, Clone)]
pub struct Figure {
    /// "50.1", or "–" where there is none.
    pub value: String,
    /// "F", "%".
    pub unit: String,
    /// "40 to 52".
    pub band: String,
    /// Below or above its band: "below", "above".
    pub outside: Option<String>,
}

/// One sensor of a room that has several.
#[derive(Debug, Clone)]
pub struct RoomSensor {
    /// How it stands.
    pub tone: Tone,
    /// Its name.
    pub name: String,
    /// "49.8 F, 80 %".
    pub figures: String,
    /// "2 minutes ago".
    pub heard: String,
}

/// Open alerts and the last ones that are over.
#[derive(Debug, Clone, Template)]
#[template(path = "alerts.html", config = "src/web/askama.toml")]
pub struct AlertsPage {
    /// What stands around the page.
    pub frame: Frame,
    /// Open alerts, the most pressing first.
    pub alerts: Vec<Alert>,
    /// What nobody is told of for now.
    pub aside: Vec<Aside>,
    /// Those that are over, the latest first.
    pub earlier: Vec<Earlier>,
    /// When the monitor itself was not running.
    pub off: Vec<Off>,
    /// How well forecasts did, room by room: where, and the record.
    pub forecasts: Vec<(String, String)>,
    /// How well the alerts themselves did.
    pub figures: super::figures::Section,
}

/// An alert that is over.
#[derive(Debug, Clone)]
pub struct Earlier {
    /// Shape and colour it had.
    pub tone: Tone,
    /// Priority in words.
    pub priority: String,
    /// "Mon 23 Nov, 4:40".
    pub when: String,
    /// What and where.
    pub headline: String,
    /// "lasted 3 h 20 min".
    pub lasted: String,
    /// "seen by Ida at 6:02", "not seen by anyone".
    pub seen: String,
    /// Its own page.
    pub href: String,
}

/// A time in which nothing was recorded.
#[derive(Debug, Clone)]
pub struct Off {
    /// "Sun 22 Nov, 18:05".
    pub from: String,
    /// "Sun 22 Nov, 19:40".
    pub to: String,
    /// "1 h 35 min".
    pub lasted: String,
}

/// How the crates are grouped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    /// One list, the crate most at risk first.
    Risk,
    /// One list in order of their codes.
    Crate,
    /// By where they stand.
    Place,
    /// By what is in them.
    Variety,
}

impl By {
    /// Value of the `by` parameter.
    pub const fn key(self) -> &'static str {
        match self {
            Self::Risk => "risk",
            Self::Crate => "crate",
            Self::Place => "place",
            Self::Variety => "variety",
        }
    }

    /// What the link says.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Risk => "Risk",
            Self::Crate => "Crate",
            Self::Place => "Place",
            Self::Variety => "Variety",
        }
    }

    const ALL: [Self; 4] = [Self::Risk, Self::Crate, Self::Place, Self::Variety];
}

/// Every crate, where it stands and what is in it.
#[derive(Debug, Clone, Template)]
#[template(path = "crates.html", config = "src/web/askama.toml")]
pub struct CratesPage {
    /// What stands around the page.
    pub frame: Frame,
    /// The grouping shown.
    pub by: By,
    /// What was searched for, empty for everything.
    pub q: String,
    /// "7 of 112 crates match", for a search.
    pub found: Option<String>,
    /// A variety that may have been meant: its address and its name.
    pub mean: Option<(String, String)>,
    /// The whole stock: ("112", "crates"), ("1,460", "tubers"), ("38", "varieties").
    pub totals: Vec<(String, String)>,
    /// Where all groups are, when the page shows one of them.
    pub whole: Option<String>,
    /// The crates.
    pub groups: Vec<CrateGroup>,
    /// Groups that have pages of their own.
    pub index: Vec<GroupLink>,
    /// What of all is on this page.
    pub paging: Paging,
    /// Crates in which nothing is, as far as they are named: address and code.
    pub empty: Vec<(String, String)>,
    /// How many of them there are.
    pub n_empty: usize,
}

/// A group of crates that has a page of its own.
#[derive(Debug, Clone)]
pub struct GroupLink {
    /// Its page.
    pub href: String,
    /// "Cellar, north rack", "Brondle Vesk".
    pub title: String,
    /// "14 crates, 180 pieces".
    pub count: String,
    /// Set where an open alert names one of its crates.
    pub tone: Option<Tone>,
}

impl CratesPage {
    fn groupings(&self) -> [(By, bool); 4] {
        By::ALL.map(|by| (by, by == self.by))
    }
}

/// Crates shown together.
#[derive(Debug, Clone)]
pub struct CrateGroup {
    /// Names it in the page.
    pub id: String,
    /// It can be folded: whether it is open.
    pub folded: Option<bool>,
    /// Set where an open alert names one of its crates and it is folded.
    pub tone: Option<Tone>,
    /// "Cellar, north rack", "Brondle Vesk", "All crates".
    pub title: String,
    /// "14 crates, 180 tubers".
    pub count: String,
    /// The air where they stand; several when they stand in several rooms.
    pub air: Vec<(Tone, String)>,
    /// The crates.
    pub krates: Vec<Krate>,
    /// Where something is noted for all of them at once.
    pub several: Option<String>,
}

/// One crate.
#[derive(Debug, Clone)]
pub struct Krate {
    /// What its label says: "A12".
    pub code: String,
    /// Where it stands: "North rack, shelf 2"; empty where the heading says so already.
    pub place: String,
    /// Its own page.
    pub href: String,
    /// Set where an open alert names this crate.
    pub tone: Option<Tone>,
    /// What threatens it most, where it is worth a look: "Drying: 18 % lighter by planting".
    pub threat: Option<(Tone, String)>,
    /// What is in it.
    pub lots: Vec<Lot>,
    /// "Dug 14 Oct", or empty.
    pub dug: String,
    /// The grower's note.
    pub note: Option<String>,
}

/// One lot of a crate.
#[derive(Debug, Clone)]
pub struct Lot {
    /// Its variety.
    pub variety: String,
    /// Count, form and packing: "12 divisions in shavings".
    pub what: String,
}

/// The sensors, and where their readings come from.
#[derive(Debug, Clone, Template)]
#[template(path = "sensors.html", config = "src/web/askama.toml")]
pub struct SensorsPage {
    /// What stands around the page.
    pub frame: Frame,
    /// "6 of 7 sensors heard".
    pub summary: String,
    /// Every sensor.
    pub sensors: Vec<Sensor>,
    /// Every source.
    pub sources: Vec<Source>,
    /// Sensors that speak but are not in the configuration.
    pub unknown: Vec<Unknown>,
}

/// One sensor.
#[derive(Debug, Clone)]
pub struct Sensor {
    /// Its name.
    pub name: String,
    /// The room it belongs to.
    pub room: String,
    /// What it measures: "air of the room".
    pub role: String,
    /// How it stands.
    pub tone: Tone,
    /// The same in words: "Heard", "No word for 3 hours", "Its clock is wrong".
    pub state: String,
    /// What to do about it, if anything.
    pub advice: Option<String>,
    /// "49.8 F, 80 %".
    pub reading: String,
    /// What it says itself, where it is corrected.
    pub corrected: Option<String>,
    /// When it was last compared: "10 Jan".
    pub checked: Option<String>,
    /// Where it is compared.
    pub compare: String,
    /// "2 minutes ago".
    pub heard: String,
    /// "every 5 min".
    pub interval: String,
    /// "battery 84 %".
    pub battery: Option<String>,
    /// Counts in words: ("41,210", "stored"), ("3", "duplicate").
    pub counts: Vec<(String, String)>,
    /// The source it comes by.
    pub source: String,
    /// It is out of service.
    pub out: bool,
}

/// One way by which readings come in.
#[derive(Debug, Clone)]
pub struct Source {
    /// What it is called in the configuration.
    pub name: String,
    /// "file", "serial port", "posted over the network".
    pub kind: String,
    /// How it stands.
    pub tone: Tone,
    /// "Port closed, trying again in 8 s".
    pub state: String,
    /// "14 lines refused, the last 3:", where any were.
    pub refused_count: Option<String>,
    /// The last of them.
    pub refused: Vec<Refused>,
}

/// A line that could not be understood.
#[derive(Debug, Clone)]
pub struct Refused {
    /// When it came.
    pub at: String,
    /// Why it was refused.
    pub reason: String,
    /// The line as it came.
    pub line: String,
}

/// A sensor that speaks but is not in the configuration.
#[derive(Debug, Clone)]
pub struct Unknown {
    /// What it calls itself.
    pub name: String,
    /// "14 readings, the last 2 minutes ago".
    pub heard: String,
}

/// A page that could not be given.
#[derive(Debug, Clone, Template)]
#[template(path = "error.html", config = "src/web/askama.toml")]
pub struct ErrorPage {
    /// What stands around the page.
    pub frame: Frame,
    /// "404".
    pub status: String,
    /// "There is no such page".
    pub headline: String,
    /// What happened.
    pub what: String,
    /// What to do.
    pub todo: Vec<String>,
}
