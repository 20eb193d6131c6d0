//! The pages of the door and of the devices, as text ready to be set.

use askama::Template;

use crate::web::html::{Frame, Tab};

/// What stands around a page that is open to everyone: nothing about the store.
#[derive(Debug, Clone)]
pub struct Door {
    /// Title and heading.
    pub title: String,
    /// Version of the program, in the addresses of its static files.
    pub version: &'static str,
    /// Others on the network can read along.
    pub unencrypted: bool,
}

impl Door {
    /// A page of this title.
    pub fn new(title: &str, unencrypted: bool) -> Self {
        Self {
            title: title.to_owned(),
            version: env!("CARGO_PKG_VERSION"),
            unencrypted,
        }
    }
}

/// Passphrase and name.
#[derive(Debug, Clone, Template)]
#[template(path = "sign-in.html", config = "src/web/askama.toml")]
pub struct SignInPage {
    /// What stands around it.
    pub door: Door,
    /// What the store is called.
    pub site: String,
    /// Where it leads.
    pub next: String,
    /// The name that was given, to begin with again.
    pub person: String,
    /// What was wrong.
    pub fault: Option<String>,
}

/// The first passphrase; never shown for looking, as it holds a code.
#[derive(Clone, Template)]
#[template(path = "welcome.html", config = "src/web/askama.toml")]
pub struct WelcomePage {
    /// What stands around it.
    pub door: Door,
    /// What the store is called.
    pub site: String,
    /// The code that was given, to begin with again.
    pub code: String,
    /// The name that was given.
    pub person: String,
    /// What was wrong.
    pub fault: Option<String>,
}

/// The button that uses a one-time link up.
#[derive(Debug, Clone, Template)]
#[template(path = "phone.html", config = "src/web/askama.toml")]
pub struct PhonePage {
    /// What stands around it.
    pub door: Door,
    /// What the store is called.
    pub site: String,
}

/// A few words and a way on.
#[derive(Debug, Clone, Template)]
#[template(path = "words.html", config = "src/web/askama.toml")]
pub struct WordsPage {
    /// What stands around it.
    pub door: Door,
    /// What happened.
    pub what: String,
    /// What to do.
    pub todo: String,
    /// Where it goes on: path and word.
    pub on: Option<(String, &'static str)>,
}

/// Every device that is signed in; never shown for looking, as it may hold a link.
#[derive(Clone, Template)]
#[template(path = "devices.html", config = "src/web/askama.toml")]
pub struct DevicesPage {
    /// What stands around it.
    pub frame: Frame,
    /// The devices, the last seen first.
    pub devices: Vec<DeviceRow>,
    /// A link that was just made.
    pub link: Option<Link>,
    /// Why phones cannot come here yet.
    pub hindrance: Option<&'static str>,
}

/// One device.
#[derive(Debug, Clone)]
pub struct DeviceRow {
    /// What its button sends.
    pub id: i64,
    /// Whose it is.
    pub person: String,
    /// What it says of itself.
    pub description: String,
    /// "Wed 25 Nov, 10:32".
    pub since: String,
    /// "2 minutes ago".
    pub seen: String,
    /// It is the one that asks.
    pub this: bool,
}

/// A one-time link to be photographed or typed; never shown for looking.
#[derive(Clone)]
pub struct Link {
    /// The whole address.
    pub address: String,
    /// Until when it holds: "10:42".
    pub until: String,
    /// The symbol: modules on a side and the path of the dark ones; none where it would be too large.
    pub symbol: Option<(usize, String)>,
}
