//! The page on which every kind of alert is explained: why it exists, its limits in force and what to do.
//!
//! It is the rationalised table that ANSI/ISA-18.2 asks for. Every figure is read from the settings in
//! force and every sentence from where alerts take theirs, so the page cannot say anything else.

use std::{collections::BTreeMap, sync::Arc};

use askama::Template;
use axum::{
    extract::{OriginalUri, State},
    response::Response,
};

use super::{
    Site,
    html::{Frame, Tab, Tone},
    pages::{path_of, render},
    view::{self, tone},
};
use crate::{
    engine::Status,
    notify::{
        kinds::reason,
        message::Message,
        words::{Manner, NB, count, hours_ms, span_exact},
    },
    watch::{
        Arrives, Figures, Kind, Limits, Occurrence, Priority, Role, Settings, Stage, Stamp,
        Subject, limits::Rungs,
    },
};

/// More rungs than any kind has words for.
const RUNGS: u8 = 4;

/// Every kind of alert.
#[derive(Debug, Clone, Template)]
#[template(path = "kinds.html", config = "src/web/askama.toml")]
pub struct KindsPage {
    /// What stands around the page.
    pub frame: Frame,
    /// Every kind, the most urgent first.
    pub kinds: Vec<Card>,
}

/// One kind.
#[derive(Debug, Clone)]
pub struct Card {
    /// The kind's own word, for addresses.
    pub key: &'static str,
    /// Tone of the worst it can come to here.
    pub tone: Tone,
    /// "Frost near".
    pub name: &'static str,
    /// What usually brings it about.
    pub cause: &'static str,
    /// How long a person has.
    pub time: &'static str,
    /// Where the defaults come from.
    pub origin: &'static str,
    /// Limits in force, rooms with the same ones together.
    pub limits: Vec<Group>,
    /// How it ends, and what else is done with it.
    pub rules: Vec<String>,
    /// What happens and what to do, by rung.
    pub told: Vec<Told>,
}

/// Rooms, or whatever else, that are held against the same limits.
#[derive(Debug, Clone)]
pub struct Group {
    /// "cellar and back room, storing".
    pub who: String,
    /// From the mildest to the worst; none where it is not watched.
    pub rungs: Vec<Rung>,
    /// "Over when it has been back inside by 1.0 F for 30 min."; empty where it is not watched.
    pub over: String,
}

/// One rung of a kind.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rung {
    /// How pressing it is.
    pub tone: Tone,
    /// "at or below 35 F".
    pub limit: String,
    /// "for 15 min".
    pub lasting: String,
}

/// What an alert of some rung says.
#[derive(Debug, Clone)]
pub struct Told {
    /// "Too dry", "Dry, in a crate".
    pub title: String,
    /// What happens if nothing is done.
    pub consequence: &'static str,
    /// What to do, in order.
    pub steps: &'static [&'static str],
    /// What could hurt the person doing it.
    pub caution: Option<&'static str>,
}

/// `GET /alerts/kinds`: what every alert means, its limits here and what to do.
pub async fn kinds(State(site): State<Site>, OriginalUri(uri): OriginalUri) -> Response {
    let status: Arc<Status> = site.status.borrow().clone();
    let now = site.clock.now();
    let frame = view::frame(
        &site,
        &status,
        now,
        "Kinds of alert",
        Tab::Alerts,
        path_of(&uri),
    );
    render(&KindsPage {
        frame,
        kinds: cards(&status.settings, site.manner),
    })
}

/// Every kind as these settings have it, in the manner of a site.
pub fn cards(settings: &Settings, manner: Manner) -> Vec<Card> {
    Kind::ALL
        .into_iter()
        .map(|kind| card(kind, settings, manner))
        .collect()
}

fn card(kind: Kind, settings: &Settings, manner: Manner) -> Card {
    let why = reason(kind);
    let limits = limits(kind, settings, manner);
    let worst = limits
        .iter()
        .flat_map(|g| &g.rungs)
        .map(|r| r.tone)
        .min_by_key(|t| match t {
            Tone::ActNow => 0,
            Tone::ActToday => 1,
            _ => 2,
        });
    Card {
        key: kind.as_str(),
        tone: worst.unwrap_or(Tone::LookSoon),
        name: why.name,
        cause: why.cause,
        time: why.time,
        origin: why.origin,
        rules: rules(kind, worst == Some(Tone::ActNow), settings),
        limits,
        told: told(kind),
    }
}

/// Every text that an alert of this kind can have.
fn told(kind: Kind) -> Vec<Told> {
    let places = [
        (Subject::Room(String::new()), ""),
        (Subject::Crate(String::new()), ", in a crate"),
    ];
    let mut all: Vec<Told> = Vec::new();
    for (subject, place) in places {
        for level in 1..=RUNGS {
            let occurrence = Occurrence {
                raised_at: Stamp(0),
                kind,
                level,
                subject: subject.clone(),
            };
            // Only the words that hold for every alert of the kind are used.
            let manner = Manner {
                zone: chrono_tz::UTC,
                unit: crate::climate::Unit::C,
            };
            let nothing = Figures::default();
            let m = Message::of(&occurrence, "", &nothing, Stamp(0), Stamp(0), manner);
            let known = |t: &Told| t.consequence == m.consequence && t.steps == m.steps;
            if !all.iter().any(known) {
                all.push(Told {
                    title: format!("{}{place}", m.state),
                    consequence: m.consequence,
                    steps: m.steps,
                    caution: m.caution,
                });
            }
        }
    }
    all
}

/// The rungs of a kind in the air of a room, and inside its crates where these have their own.
fn rungs_of(kind: Kind, limits: &Limits) -> Vec<(&'static str, &Rungs)> {
    match kind {
        Kind::Frost => vec![("", &limits.frost)],
        Kind::Cold => vec![("", &limits.cold)],
        Kind::Warm => vec![("", &limits.warm)],
        Kind::DryOut => vec![("", &limits.dry_out), ("crates in ", &limits.crate_dry)],
        Kind::RotRisk => vec![("", &limits.rot_risk), ("crates in ", &limits.crate_damp)],
        Kind::Sweating => vec![("", &limits.sweating)],
        Kind::Battery => vec![("", &limits.battery)],
        Kind::FrostAhead => vec![
            ("", &limits.frost_ahead),
            ("below its band: ", &limits.frost_ahead_below),
        ],
        Kind::Thaw => vec![("", &limits.thaw)],
        Kind::Shrink => vec![
            ("", &limits.shrink),
            ("weighed crates in ", &limits.shrink_weighed),
        ],
        Kind::Mould => vec![("", &limits.mould_ahead), ("by now: ", &limits.mould)],
        Kind::Waking => vec![("", &limits.waking)],
        Kind::Silent | Kind::Swinging | Kind::RecorderOff | Kind::ChannelFailing => Vec::new(),
    }
}

fn limits(kind: Kind, settings: &Settings, manner: Manner) -> Vec<Group> {
    let one = |who: &str, priority, limit: String, lasting: String, over: &str| Group {
        who: who.to_owned(),
        rungs: vec![Rung {
            tone: tone(priority),
            limit,
            lasting,
        }],
        over: over.to_owned(),
    };
    let handling = settings.handling;
    match kind {
        Kind::Silent => silences(settings),
        Kind::RecorderOff => vec![one(
            "the recorder",
            Priority::Medium,
            "nothing recorded".to_owned(),
            lasting(handling.off_ms),
            "Told at the next start.",
        )],
        Kind::ChannelFailing => vec![one(
            "every channel",
            Priority::Medium,
            "no message delivered".to_owned(),
            lasting(handling.failing_ms),
            "Over with the next message that is delivered.",
        )],
        Kind::Swinging => together(settings, |limits| {
            let rung = limits.swings.map(|s| Rung {
                tone: tone(Priority::Low),
                limit: format!(
                    "more than {} outside {} in a day",
                    span_exact(s.outside_ms),
                    band(limits, manner)
                ),
                lasting: format!(
                    "in {} or more, two days running",
                    count(s.pieces as usize, "piece", "pieces")
                ),
            });
            let over = "Over when a whole day was calm.".to_owned();
            vec![("", rung.into_iter().collect(), over)]
        }),
        _ => together(settings, |limits| {
            rungs_of(kind, limits)
                .into_iter()
                .map(|(place, rungs)| {
                    let each = rungs.steps.iter().map(|step| Rung {
                        tone: tone(step.priority),
                        limit: limit(kind, step.limit, place.is_empty(), manner),
                        lasting: lasting(step.delay_ms),
                    });
                    (place, each.collect(), over(kind, rungs, manner))
                })
                .collect()
        }),
    }
}

type Part = (&'static str, Vec<Rung>, String);

/// Rooms with the same limits stand together.
fn together(settings: &Settings, parts: impl Fn(&Limits) -> Vec<Part>) -> Vec<Group> {
    let mut groups: Vec<(Part, BTreeMap<Stage, Vec<&str>>)> = Vec::new();
    for room in &settings.rooms {
        for mut part in parts(&room.in_force()) {
            // What is not watched never ends.
            if part.1.is_empty() {
                part.2.clear();
            }
            let same = groups.iter_mut().find(|(known, _)| *known == part);
            if let Some((_, rooms)) = same {
                rooms.entry(room.stage).or_default().push(&room.name);
            } else {
                groups.push((part, BTreeMap::from([(room.stage, vec![&*room.name])])));
            }
        }
    }
    groups
        .into_iter()
        .map(|((place, rungs, over), rooms)| {
            let by_stage: Vec<String> = rooms
                .iter()
                .map(|(stage, names)| format!("{place}{}, {}", listed(names), stage.as_str()))
                .collect();
            Group {
                who: by_stage.join("; "),
                rungs,
                over,
            }
        })
        .collect()
}

/// `north, south and wall`.
fn listed(names: &[&str]) -> String {
    match names {
        [] => String::new(),
        [one] => (*one).to_owned(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// Sensors that may be silent for equally long; only of the air's can one be the last in its room.
fn silences(settings: &Settings) -> Vec<Group> {
    let mut alike: BTreeMap<(i64, bool), Vec<&str>> = BTreeMap::new();
    for s in settings
        .sensors
        .iter()
        .filter(|s| s.arrives == Arrives::Live)
    {
        let same = alike.entry((s.silence_ms(), s.role == Role::Air));
        same.or_default().push(s.name.as_str());
    }
    alike
        .into_iter()
        .map(|((ms, air), names)| {
            let last = air.then_some((Priority::High, "no word from the last of its room"));
            let rungs = [(Priority::Medium, "no word")].into_iter().chain(last);
            Group {
                who: listed(&names),
                rungs: rungs
                    .map(|(priority, what)| Rung {
                        tone: tone(priority),
                        limit: what.to_owned(),
                        lasting: lasting(ms),
                    })
                    .collect(),
                over: "Over when it is heard again.".to_owned(),
            }
        })
        .collect()
}

/// Without a decimal where there is none.
fn plain(value: f64) -> f64 {
    // Nothing below zero either: adding zero takes the sign from a rounded nothing.
    (value * 10.0).round() / 10.0 + 0.0
}

fn percent(value: f64) -> String {
    format!("{}{NB}%", plain(value))
}

fn band(limits: &Limits, manner: Manner) -> String {
    let band = limits.band;
    format!(
        "{} to {} or {} to {}",
        plain(manner.degrees(band.low_c)),
        manner.limit(band.high_c),
        plain(band.low_pct),
        percent(band.high_pct)
    )
}

fn limit(kind: Kind, value: f64, air: bool, manner: Manner) -> String {
    match kind {
        Kind::Frost => format!("{} or less", manner.limit(value)),
        Kind::Cold => format!("below {}", manner.limit(value)),
        Kind::Warm => format!("above {}", manner.limit(value)),
        Kind::DryOut => format!("below {}", percent(value)),
        // Inside a crate the mould line does not count.
        Kind::RotRisk if air => format!("above {} and the mould line", percent(value)),
        Kind::RotRisk => format!("above {}", percent(value)),
        Kind::Sweating if value == 0.0 => "at the dew point or below".to_owned(),
        Kind::Sweating => format!("{} or less above the dew point", manner.difference(value)),
        Kind::FrostAhead => format!("{} to freezing, or less", span_exact(hours_ms(value))),
        Kind::Thaw => "dew point outside above the coldest crate".to_owned(),
        Kind::Shrink if air => format!(
            "{} points more lost by planting than at {}",
            plain(value),
            manner.target()
        ),
        Kind::Shrink => format!("{} lost by planting", percent(value)),
        Kind::Mould if air => format!("{} days to the first growth, or less", plain(value)),
        Kind::Mould => format!("mould index {}", plain(value)),
        Kind::Waking => format!("{} since 1 January", manner.warmth(value)),
        _ => format!("{} or less", percent(value)),
    }
}

fn lasting(ms: i64) -> String {
    if ms == 0 {
        "at once".to_owned()
    } else {
        format!("for {}", span_exact(ms))
    }
}

fn over(kind: Kind, rungs: &Rungs, manner: Manner) -> String {
    let by = match kind {
        Kind::DryOut | Kind::RotRisk | Kind::Battery => {
            format!("{}{NB}points", plain(rungs.deadband))
        }
        Kind::Shrink => format!("{}{NB}point", plain(rungs.deadband)),
        Kind::Mould if 1.0 < rungs.deadband => format!("{} days", plain(rungs.deadband)),
        Kind::Mould => format!("{}", plain(rungs.deadband)),
        Kind::FrostAhead => span_exact(hours_ms(rungs.deadband)),
        Kind::Waking => manner.warmth(rungs.deadband),
        _ => manner.difference(rungs.deadband),
    };
    format!(
        "Over when it has been back inside by {by} for {}.",
        span_exact(rungs.off_delay_ms)
    )
}

fn rules(kind: Kind, high: bool, settings: &Settings) -> Vec<String> {
    let handling = settings.handling;
    let mut rules = Vec::new();
    rules.push(if kind.latches() {
        "Stands until a person has acknowledged and reset it, even when it is over.".to_owned()
    } else {
        "Ends by itself when it is over and somebody has seen it.".to_owned()
    });
    if high {
        rules.push(format!(
            "At its most urgent, seen but still going on, it is raised again after {}.",
            span_exact(handling.again_ms)
        ));
    }
    rules.push(format!(
        "Can be shelved for at most {}, with a reason.",
        span_exact(handling.longest_shelf_ms)
    ));
    rules
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        climate::Unit,
        watch::{Band, RoomSettings, SensorId, SensorName, SensorSettings},
    };

    const HOSTILE: &str = "<script>alert(1)</script>\" onload='x' &";

    fn settings() -> Settings {
        let sensor = |id, name| SensorSettings {
            id: SensorId(id),
            name: SensorName::new(name).unwrap(),
            room: "cellar".to_owned(),
            role: Role::Air,
            crate_code: None,
            interval_ms: 600_000,
            arrives: Arrives::Live,
            near: None,
            accuracy: None,
            checked: None,
        };
        let warmer = Band {
            high_c: 12.0,
            ..Band::default()
        };
        Settings {
            rooms: vec![
                RoomSettings::storing("cellar", Limits::default()),
                RoomSettings::storing(HOSTILE, Limits::default()),
                RoomSettings::storing("shed", Limits::storing(warmer)),
                RoomSettings {
                    stage: Stage::Empty,
                    ..RoomSettings::storing("loft", Limits::default())
                },
            ],
            sensors: vec![sensor(1, "north"), sensor(2, "south")],
            ..Settings::default()
        }
    }

    fn page() -> String {
        let manner = Manner {
            zone: chrono_tz::UTC,
            unit: Unit::F,
        };
        let frame = Frame {
            title: "Kinds of alert".to_owned(),
            tab: Tab::Alerts,
            path: "/alerts/kinds".to_owned(),
            made: String::new(),
            made_iso: String::new(),
            notice: None,
            open_alerts: 0,
            open_tone: Tone::Well,
            version: "0".to_owned(),
            devices: false,
            unencrypted: false,
        };
        let kinds = cards(&settings(), manner);
        KindsPage { frame, kinds }.render().unwrap()
    }

    fn escaped(text: &str) -> String {
        let one = |c: char| match c {
            '&' | '<' | '>' | '"' | '\'' => format!("&#{};", u32::from(c)),
            c => c.to_string(),
        };
        text.chars().map(one).collect()
    }

    #[test]
    fn every_kind_is_there_and_lacks_nothing() {
        let page = page();
        let manner = Manner {
            zone: chrono_tz::UTC,
            unit: Unit::F,
        };
        for (kind, card) in Kind::ALL.into_iter().zip(cards(&settings(), manner)) {
            assert!(page.contains(&format!("id=\"kind-{kind}\"")), "{kind}");
            assert!(!card.limits.is_empty() && !card.told.is_empty(), "{kind}");
            assert!(!card.rules.is_empty(), "{kind}");
            let mut texts = vec![card.name, card.cause, card.time, card.origin];
            for group in &card.limits {
                texts.push(&group.who);
                texts.extend((!group.rungs.is_empty()).then_some(group.over.as_str()));
                for rung in &group.rungs {
                    texts.extend([rung.limit.as_str(), rung.lasting.as_str()]);
                }
            }
            for told in &card.told {
                assert!(!told.steps.is_empty(), "{kind}");
                texts.extend([told.title.as_str(), told.consequence]);
                texts.extend(told.steps.iter().copied().chain(told.caution));
            }
            texts.extend(card.rules.iter().map(String::as_str));
            for text in texts {
                assert!(!text.trim().is_empty(), "{kind}");
                assert!(page.contains(&escaped(text)), "{kind}: {text}");
            }
        }
    }

    #[test]
    fn limits_are_those_in_force_in_the_unit_of_the_site() {
        let manner = Manner {
            zone: chrono_tz::UTC,
            unit: Unit::F,
        };
        let cards = cards(&settings(), manner);
        let of = |key: &str| cards.iter().find(|c| c.key == key).unwrap();
        let plain = |text: &str| text.replace(NB, " ");
        let frost = of("frost");
        assert_eq!(frost.limits.len(), 2, "three rooms alike, one empty");
        assert!(frost.limits[0].who.ends_with("and shed, storing"));
        let rung = &frost.limits[0].rungs[0];
        assert_eq!(plain(&rung.limit), "35 F or less");
        assert_eq!(plain(&rung.lasting), "for 15 min");
        assert_eq!(
            plain(&frost.limits[0].over),
            "Over when it has been back inside by 1.0 F for 30 min."
        );
        assert!(frost.limits[1].rungs.is_empty());
        let warm = of("warm");
        assert_eq!(warm.limits.len(), 3);
        assert_eq!(plain(&warm.limits[1].rungs[0].limit), "above 53.6 F");
        assert_eq!(of("warm").told.len(), 2);
        assert_eq!(of("dry-out").told.len(), 3);
        assert_eq!(of("silent").limits[0].who, "north and south");
        let swinging = &of("swinging").limits[0].rungs[0];
        assert_eq!(
            plain(&swinging.limit),
            "more than 2 h outside 40 to 52 F or 75 to 85 % in a day"
        );
    }

    #[test]
    fn a_room_s_name_is_no_markup() {
        let page = page();
        assert!(!page.contains("<script>") && !page.contains("\" onload"));
        assert!(page.contains("&#60;script&#62;"));
    }
}
