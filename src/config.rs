//! The configuration file: read once at the rim, every fault named with its line and remedy.

mod channels;
pub(crate) mod quantity;
mod reach;
mod rooms;
mod telling;
mod text;

use std::{
    collections::BTreeSet,
    fmt,
    net::SocketAddr,
    ops::Range,
    path::{Path, PathBuf},
    time::Duration,
};

use chrono::FixedOffset;
use chrono_tz::Tz;
use serde::Deserialize;
use toml::{
    Spanned,
    de::{DeTable, DeValue, ValueDeserializer},
};

use self::text::{
    AlertsText, CommandText, ContactText, EmailText, FileText, HttpText, RoomText, SensorText,
    SerialText, SiteText, WebhookText,
};
use crate::{
    climate::Unit,
    intake::{
        decode::{
            TimeShape,
            line::LineShape,
            table::{Columns, TableShape},
        },
        file_tail, http, serial,
    },
    notify::{channel::Channel, heartbeat, telling::Telling},
    watch::{SensorName, SensorSettings, Settings},
    web::serve,
};

/// A complete configuration with comments; `overwinter init` writes it.
pub const EXAMPLE: &str = include_str!("config/example.toml");

/// Everything the program is told.
#[derive(Debug, Clone, PartialEq)]
pub struct Config {
    /// What the store is called on the pages.
    pub site: String,
    /// Days and hours on the pages follow it.
    pub zone: Tz,
    /// Unit of temperatures on the pages.
    pub unit: Unit,
    /// Where everything is kept.
    pub database: PathBuf,
    /// Where the pages are served.
    pub listen: SocketAddr,
    /// The URL under which phones reach the pages, without a slash at its end.
    pub address: Option<String>,
    /// Names, certificate, and whether plain HTTP is meant.
    pub reach: serve::Settings,
    /// Rooms, limits and sensors.
    pub watch: Settings,
    /// Growing files.
    pub files: Vec<file_tail::Settings>,
    /// Gateways that post.
    pub gateways: Vec<http::Gateway>,
    /// Serial ports.
    pub serials: Vec<serial::Settings>,
    /// Ways out for messages, each with a name of its own.
    pub channels: Vec<Channel>,
    /// Who is told, and when.
    pub telling: Telling,
    /// The watcher outside.
    pub heartbeat: Option<heartbeat::Settings>,
    /// SHA-256 of the key in the address of the feed of alerts, in hexadecimal.
    pub feed_sha256: Option<String>,
    /// What is allowed but unwise.
    pub warnings: Vec<Fault>,
}

/// One thing that is wrong, where, and what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// Line in the file, from 1.
    pub line: usize,
    /// What is wrong and the remedy.
    pub what: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}: {}", self.line, self.what)
    }
}

impl Config {
    /// Reads the text of a configuration file; paths in it are taken from `folder`. `Err` holds
    /// every fault that could be found, in the order of the lines.
    pub fn parse(text: &str, folder: &Path) -> Result<Self, Vec<Fault>> {
        let mut reader = Reader {
            text,
            folder,
            faults: Vec::new(),
            warnings: Vec::new(),
            sources: BTreeSet::new(),
            rooms_known: false,
        };
        let config = reader.document();
        reader.faults.sort_by_key(|f| f.line);
        match config {
            Some(config) if reader.faults.is_empty() => Ok(config),
            _ => Err(reader.faults),
        }
    }
}

/// Collects faults instead of stopping at the first.
struct Reader<'a> {
    text: &'a str,
    folder: &'a Path,
    faults: Vec<Fault>,
    warnings: Vec<Fault>,
    sources: BTreeSet<SensorName>,
    /// Every room that is written could be read.
    rooms_known: bool,
}

const SECTIONS: &str = "[site], [[room]], [[sensor]], [[file]], [[http]], [[serial]], [alerts], [[contact]], [[email]], [[webhook]] and [[command]]";

impl Reader<'_> {
    fn line(&self, span: &Range<usize>) -> usize {
        let before = &self.text.as_bytes()[..span.start.min(self.text.len())];
        1 + before.iter().filter(|&&b| b == b'\n').count()
    }

    fn fault(&mut self, span: &Range<usize>, what: impl Into<String>) {
        let line = self.line(span);
        self.faults.push(Fault {
            line,
            what: what.into(),
        });
    }

    fn warn(&mut self, span: &Range<usize>, what: impl Into<String>) {
        let line = self.line(span);
        self.warnings.push(Fault {
            line,
            what: what.into(),
        });
    }

    /// The value, or a fault at its place.
    fn take<T>(&mut self, span: Range<usize>, result: Result<T, String>) -> Option<T> {
        result.map_err(|what| self.fault(&span, what)).ok()
    }

    fn spanned<T>(
        &mut self,
        text: &Spanned<String>,
        parse: impl Fn(&str) -> Result<T, String>,
    ) -> Option<T> {
        self.take(text.span(), parse(text.get_ref()))
    }

    fn name(&mut self, text: &Spanned<String>) -> Option<SensorName> {
        self.spanned(text, |t| SensorName::new(t).map_err(|e| e.to_string()))
    }

    fn zone(&mut self, text: &Spanned<String>) -> Option<Tz> {
        self.spanned(text, |t| {
            t.parse::<Tz>().map_err(|_| {
                format!("`{t}` is no time zone; use an IANA name such as America/Chicago")
            })
        })
    }

    fn section<T: for<'d> Deserialize<'d>>(&mut self, value: &Spanned<DeValue<'_>>) -> Option<T> {
        let deserializer = ValueDeserializer::from(value.clone());
        T::deserialize(deserializer)
            .map_err(|e| {
                let span = e.span().unwrap_or_else(|| value.span());
                let message = in_quotes(e.message());
                self.fault(&span, message);
            })
            .ok()
    }

    fn document(&mut self) -> Option<Config> {
        let (table, errors) = DeTable::parse_recoverable(self.text);
        for e in errors {
            let span = e.span().unwrap_or_default();
            self.fault(&span, in_quotes(e.message()));
        }
        if !self.faults.is_empty() {
            // Half a document would only bring up faults that are none.
            return None;
        }
        let mut site = None;
        let (mut rooms, mut written) = (Vec::new(), 0);
        let mut sensors = Vec::new();
        let (mut files, mut gateways, mut serials) = (Vec::new(), Vec::new(), Vec::new());
        let (mut emails, mut webhooks, mut commands) = (Vec::new(), Vec::new(), Vec::new());
        let (mut alerts, mut contacts) = (None, Vec::new());
        for (key, value) in table.get_ref() {
            let each: Vec<&Spanned<DeValue<'_>>> = match value.get_ref().as_array() {
                Some(array) => array.iter().collect(),
                None => vec![value],
            };
            for value in each {
                match key.get_ref().as_ref() {
                    "site" => site = self.section::<SiteText>(value),
                    "room" => {
                        written += 1;
                        rooms.extend(self.section::<RoomText>(value));
                    }
                    "sensor" => sensors.extend(self.section::<SensorText>(value)),
                    "file" => files.extend(self.section::<FileText>(value)),
                    "http" => gateways.extend(self.section::<HttpText>(value)),
                    "serial" => serials.extend(self.section::<SerialText>(value)),
                    "alerts" => alerts = self.section::<AlertsText>(value),
                    "contact" => contacts.extend(self.section::<ContactText>(value)),
                    "email" => emails.extend(self.section::<EmailText>(value)),
                    "webhook" => webhooks.extend(self.section::<WebhookText>(value)),
                    "command" => commands.extend(self.section::<CommandText>(value)),
                    other => {
                        let what = format!("there is no section `{other}`; there are {SECTIONS}");
                        self.fault(&key.span(), what);
                    }
                }
            }
        }
        let rooms = self.rooms(rooms);
        // A room that is faulty itself is there all the same.
        self.rooms_known = rooms.len() == written;
        let sensors = self.sensors(sensors, &rooms);
        if rooms.is_empty() && self.faults.is_empty() {
            self.fault(&(0..0), "names no room; add a [[room]] with a name");
        }
        let files = files
            .into_iter()
            .filter_map(|f| self.file(f, &sensors))
            .collect();
        let gateways = gateways
            .into_iter()
            .filter_map(|h| self.http(h, &sensors))
            .collect();
        let serials = serials
            .into_iter()
            .filter_map(|s| self.serial(s, &sensors))
            .collect();
        // Of the faulty ones too: a contact who names one is not at fault.
        let mut names: Vec<SensorName> = Vec::new();
        let written = (emails.iter().map(|t| &t.name))
            .chain(webhooks.iter().map(|t| &t.name))
            .chain(commands.iter().map(|t| &t.name));
        names.extend(written.filter_map(|n| SensorName::new(n.get_ref()).ok()));
        let channels = self.channels(emails, webhooks, commands);
        let site = site.unwrap_or_default();
        let (listen, address, reach) = self.reach(&site);
        let zone = site
            .time_zone
            .and_then(|z| self.zone(&z))
            .unwrap_or(Tz::UTC);
        let unit = site.units.and_then(|u| {
            self.spanned(&u, |u| match u {
                "F" => Ok(Unit::F),
                "C" => Ok(Unit::C),
                _ => Err(format!("`{u}`: units are F or C")),
            })
        });
        let handling = self.handling(alerts.as_ref());
        let telling = self.telling(alerts.as_ref(), &contacts, &names, zone);
        let heartbeat = alerts.as_ref().and_then(|a| self.heartbeat(a));
        let feed = alerts.as_ref().and_then(|a| a.feed_token_sha256.as_ref());
        let feed_sha256 = feed.and_then(|f| self.spanned(f, token_sha256));
        let planting = site.planting.as_ref();
        let planting = planting.and_then(|p| self.spanned(p, quantity::month_day));
        let altitude = site.altitude.as_ref();
        let altitude_m = altitude.and_then(|a| self.spanned(a, quantity::altitude_m));
        let usual = Settings::default();
        Some(Config {
            site: site.name.unwrap_or_else(|| "Tuber store".to_owned()),
            zone,
            unit: unit.unwrap_or(Unit::F),
            database: self
                .folder
                .join(site.database.unwrap_or_else(|| "overwinter.db".into())),
            listen,
            address,
            reach,
            watch: Settings {
                planting: planting.unwrap_or(usual.planting),
                altitude_m: altitude_m.unwrap_or(usual.altitude_m),
                rooms,
                sensors,
                handling,
            },
            files,
            gateways,
            serials,
            channels,
            telling,
            heartbeat,
            feed_sha256,
            warnings: std::mem::take(&mut self.warnings),
        })
    }

    // ---- sources ----

    fn source(&mut self, text: &Spanned<String>) -> Option<SensorName> {
        let name = self.name(text)?;
        if !self.sources.insert(name.clone()) {
            self.fault(
                &text.span(),
                format!("there are two sources `{name}`; rename one"),
            );
        }
        Some(name)
    }

    fn known_sensor(
        &mut self,
        text: &Spanned<String>,
        sensors: &[SensorSettings],
    ) -> Option<SensorName> {
        let name = self.name(text)?;
        if !sensors.iter().any(|s| s.name == name) {
            let what = format!("there is no sensor `{name}`; add a [[sensor]] with that name");
            self.fault(&text.span(), what);
        }
        Some(name)
    }

    fn file(&mut self, text: FileText, sensors: &[SensorSettings]) -> Option<file_tail::Settings> {
        let source = self.source(&text.name);
        let sensor = text
            .sensor
            .as_ref()
            .and_then(|s| self.known_sensor(s, sensors));
        let poll = text
            .poll
            .as_ref()
            .and_then(|p| self.spanned(p, quantity::duration))
            .unwrap_or(Duration::from_secs(1))
            .clamp(Duration::from_millis(50), Duration::from_secs(3600));
        let json = match &text.format {
            None => false,
            Some(format) => self.spanned(format, |f| match f {
                "csv" => Ok(false),
                "jsonl" => Ok(true),
                _ => Err(format!("`{f}`: a format is csv or jsonl")),
            })?,
        };
        let format = if json {
            file_tail::Format::JsonLines { sensor }
        } else {
            file_tail::Format::Csv(Box::new(self.table(&text, sensor)?))
        };
        Some(file_tail::Settings {
            source: source?,
            path: self.folder.join(text.path),
            format,
            poll,
        })
    }

    fn table(&mut self, text: &FileText, sensor: Option<SensorName>) -> Option<TableShape> {
        let offset = match &text.utc_offset {
            None => None,
            Some(offset) => Some(self.spanned(offset, |o| {
                o.parse::<FixedOffset>()
                    .map_err(|_| format!("`{o}` is no offset, such as +01:00"))
            })?),
        };
        let zone = match &text.time_zone {
            None => None,
            Some(zone) => Some(self.zone(zone)?),
        };
        let delimiter = match &text.delimiter {
            None => b',',
            Some(d) => self.spanned(d, |d| match d.as_bytes() {
                [byte] => Ok(*byte),
                _ => Err(format!("`{d}`: a delimiter is one character, such as `;`")),
            })?,
        };
        let columns = text.columns.as_ref().map(|c| Columns {
            measured_at: c.measured_at.clone(),
            received_at: c.received_at.clone(),
            sensor: c.sensor.clone(),
            temperature_c: c.temperature_c.clone(),
            temperature_f: c.temperature_f.clone(),
            humidity_pct: c.humidity_pct.clone(),
            battery_pct: c.battery_pct.clone(),
        });
        Some(TableShape {
            mapped: columns.is_some(),
            columns: columns.unwrap_or_default(),
            time: TimeShape {
                format: text.time_format.clone(),
                offset,
                zone,
            },
            delimiter,
            decimal_comma: text.decimal_comma.unwrap_or(false),
            sensor,
        })
    }

    fn http(&mut self, text: HttpText, sensors: &[SensorSettings]) -> Option<http::Gateway> {
        let source = self.source(&text.name);
        let token = self.spanned(&text.token_sha256, token_sha256);
        let own = text.sensors.unwrap_or_default();
        let own = own
            .iter()
            .filter_map(|s| self.known_sensor(s, sensors))
            .collect();
        let sensor = text
            .sensor
            .as_ref()
            .and_then(|s| self.known_sensor(s, sensors));
        Some(http::Gateway {
            source: source?,
            token_sha256: token?,
            sensors: own,
            sensor,
        })
    }

    fn serial(&mut self, text: SerialText, sensors: &[SensorSettings]) -> Option<serial::Settings> {
        let source = self.source(&text.name);
        let sensor = text
            .sensor
            .as_ref()
            .and_then(|s| self.known_sensor(s, sensors));
        Some(serial::Settings {
            source: source?,
            port: text.port,
            baud: text.baud.unwrap_or(9600),
            shape: LineShape {
                sensor,
                unit: text.unit,
            },
        })
    }
}

fn token_sha256(text: &str) -> Result<String, String> {
    let hex = text.len() == 64 && text.bytes().all(|b| b.is_ascii_hexdigit());
    if hex && text.bytes().any(|b| b != b'0') {
        Ok(text.to_ascii_lowercase())
    } else {
        Err(
            "is no SHA-256 of a token; `overwinter token NAME` makes a token and prints this line"
                .to_owned(),
        )
    }
}

/// The usual slip is a value without quotes, for which the parser has only words of its own.
fn in_quotes(message: &str) -> String {
    if message.starts_with("invalid float") || message.contains("must be quoted") {
        "words and values with a unit stand in quotes, such as \"north\" or \"5min\"".to_owned()
    } else if message.ends_with("expected a string") {
        format!("{message} in quotes, such as \"north\" or \"5min\"")
    } else {
        message.to_owned()
    }
}

#[cfg(test)]
mod tests;
