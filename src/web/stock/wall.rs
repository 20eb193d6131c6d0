//! The page Wall: the crates of a room as they stand, on their racks and shelves.

use std::{collections::BTreeSet, sync::Arc};

use askama::Template;
use axum::{
    extract::{OriginalUri, Query, State, rejection::QueryRejection},
    response::Response,
};
use serde::Deserialize;

use super::{
    super::{
        Site,
        html::{Frame, Tab, Tone},
        pages::{Failed, path_of, render},
        view::{self, standing_tone},
    },
    crates::threats_of,
    krate::href,
    note::here,
};
use crate::{
    engine::{Status, due},
    notify::words::count,
    stock::{
        ledger::{CrateId, Stock},
        place::{self, natural, wall as walls},
    },
    watch::{Stamp, Subject},
};

/// Crates side by side that a phone shows at once; longer shelves are moved sideways.
const ABREAST: usize = 4;
/// Characters of a code that a plate holds in large type.
const PLATE: usize = 6;
/// Free places in a row that are drawn one by one; more are drawn as one.
const FREE: u32 = 3;

/// In the order in which the signs are explained.
const TONES: [Tone; 5] = [
    Tone::ActNow,
    Tone::ActToday,
    Tone::LookSoon,
    Tone::Well,
    Tone::NoWord,
];

/// One room.
#[derive(Debug, Clone, Template)]
#[template(path = "wall.html", config = "src/web/askama.toml")]
pub struct WallPage {
    /// What stands around the page.
    pub frame: Frame,
    /// The room's name; empty where there is no crate at all.
    pub room: String,
    /// Every room with crates: name, address, whether it is this one.
    pub rooms: Vec<(String, String, bool)>,
    /// "24 crates, 2 due for a look, 1 with no tubers left".
    pub count: String,
    /// Its racks and walls.
    pub stands: Vec<Stand>,
}

/// A rack, a wall, a pallet on the floor.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stand {
    /// "North wall".
    pub name: String,
    /// The top one first.
    pub shelves: Vec<Shelf>,
}

/// One shelf.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shelf {
    /// "Shelf 2"; empty where crates stand on the floor.
    pub name: String,
    /// From left to right.
    pub spots: Vec<Spot>,
}

/// A place on a shelf.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Spot {
    /// A crate stands there.
    Crate(Standing),
    /// Nothing stands there: "3", "5 to 9".
    Free(String),
}

/// A crate where it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Standing {
    /// What its label says.
    pub code: String,
    /// Its page.
    pub href: String,
    /// How it is; none where nothing is left in it that could suffer.
    pub tone: Option<Tone>,
    /// A look at it is due.
    pub due: bool,
    /// "Quenbrisk, 64", or empty.
    pub holds: String,
}

impl Stand {
    fn is_wide(&self) -> bool {
        self.shelves.iter().any(Shelf::is_wide)
    }

    /// It has no shelves, so it has no posts either.
    fn is_floor(&self) -> bool {
        self.shelves.iter().all(|shelf| shelf.name.is_empty())
    }
}

impl Standing {
    fn is_long(&self) -> bool {
        PLATE < self.code.chars().count()
    }
}

impl Shelf {
    fn is_wide(&self) -> bool {
        ABREAST < self.spots.len()
    }
}

/// Which room.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    room: String,
}

/// `GET /wall?room=..`; the first room with crates unless one is named.
pub(super) async fn wall(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Result<Response, Failed> {
    let asked = asked.map(|Query(a)| a.room).unwrap_or_default();
    let status: Arc<Status> = site.status.borrow().clone();
    let now = site.clock.now();
    let stock = site.store.stock().await.map_err(Failed::store(&site))?;
    let here = here(&site);
    let visits = site.store.visits().await.map_err(Failed::store(&site))?;
    let all = due::crates(&visits, &stock, &status.settings, &status.models, here);
    let due: BTreeSet<CrateId> = (all.iter())
        .filter(|c| c.standing.look.is_some_and(|look| look.day <= here.today()))
        .map(|c| c.id)
        .collect();
    let rooms = rooms(&status, &stock);
    let open = (rooms.iter())
        .find(|room| room.eq_ignore_ascii_case(asked.trim()))
        .or(rooms.first())
        .cloned()
        .unwrap_or_default();
    let silent = is_silent(&status, &open);
    let crates: Vec<(String, Standing)> = (stock.crates())
        .filter(|(_, krate)| krate.room.eq_ignore_ascii_case(&open))
        .map(|(id, krate)| {
            let mut standing = standing(&status, &stock, id, krate.code.as_str(), now);
            if silent && standing.tone == Some(Tone::Well) {
                standing.tone = Some(Tone::NoWord);
            }
            standing.due = due.contains(&id);
            (krate.place.clone(), standing)
        })
        .collect();
    let bare = crates.iter().filter(|(_, k)| k.tone.is_none()).count();
    let told = |n: usize, what: &str| match n {
        0 => String::new(),
        n => format!(", {n} {what}"),
    };
    let bare = told(bare, "with no tubers left");
    let look = told(
        crates.iter().filter(|(_, k)| k.due).count(),
        "due for a look",
    );
    let page = WallPage {
        frame: view::frame(&site, &status, now, "The wall", Tab::Crates, path_of(&uri)),
        count: format!("{}{look}{bare}", count(crates.len(), "crate", "crates")),
        rooms: (rooms.iter())
            .map(|room| {
                let to = format!("/wall?room={}", view::url(room));
                (capital(room), to, *room == open)
            })
            .collect(),
        room: capital(&open),
        stands: stands(crates),
    };
    Ok(render(&page))
}

/// Rooms with crates: those that are watched in the order of the configuration, then the others.
fn rooms(status: &Status, stock: &Stock) -> Vec<String> {
    let mut rooms: Vec<&str> = Vec::new();
    for (_, krate) in stock.crates() {
        if !rooms.iter().any(|r| r.eq_ignore_ascii_case(&krate.room)) {
            rooms.push(&krate.room);
        }
    }
    let watched = &status.settings.rooms;
    let at = |room: &str| (watched.iter()).position(|r| r.name.eq_ignore_ascii_case(room));
    rooms.sort_by(|a, b| {
        let place = |room: &str| at(room).unwrap_or(watched.len());
        place(a).cmp(&place(b)).then_with(|| natural(a, b))
    });
    rooms.into_iter().map(str::to_owned).collect()
}

/// Nothing speaks for the air of a room, so nothing in it can be said to be well.
fn is_silent(status: &Status, room: &str) -> bool {
    let watched = (status.settings.rooms.iter()).find(|r| r.name.eq_ignore_ascii_case(room));
    watched.is_none_or(|room| {
        let air = view::room_air(status, &room.name);
        air.temperature.is_none() && air.humidity.is_none()
    })
}

fn standing(status: &Status, stock: &Stock, id: CrateId, code: &str, now: Stamp) -> Standing {
    let lots: Vec<_> = stock.content(id).collect();
    let holds = match lots.as_slice() {
        [] => String::new(),
        [(_, lot, count)] => format!("{}, {count}", lot.variety),
        [(_, lot, count), more @ ..] => {
            format!("{}, {count} and {} more", lot.variety, more.len())
        }
    };
    Standing {
        code: code.to_owned(),
        href: href(code),
        tone: (!lots.is_empty()).then(|| tone(status, code, now)),
        due: false,
        holds,
    }
}

/// How a crate is: the worst of what threatens it and of the alerts that name it.
fn tone(status: &Status, code: &str, now: Stamp) -> Tone {
    let is = |named: &str| named.eq_ignore_ascii_case(code);
    let named = status.alerts.iter().filter(|a| {
        a.state.is_sounding()
            && match &a.occurrence.subject {
                Subject::Crate(c) => is(c),
                _ => a.figures.crates.iter().any(|c| is(c)),
            }
    });
    let threats = threats_of(status, code, now);
    let by_air = match threats.first() {
        None => Tone::NoWord,
        Some(worst) => worst.priority().map_or(Tone::Well, view::tone),
    };
    let all = named.map(standing_tone).chain([by_air]);
    all.min_by_key(|tone| match tone {
        Tone::ActNow => 0,
        Tone::ActToday => 1,
        Tone::LookSoon => 2,
        Tone::NoWord => 3,
        Tone::Well => 4,
    })
    .unwrap_or(by_air)
}

/// Puts crates where their places say, with what is free between two on a shelf.
fn stands(crates: impl IntoIterator<Item = (String, Standing)>) -> Vec<Stand> {
    walls(crates, |(place, _)| place.as_str())
        .into_iter()
        .map(|rack| Stand {
            name: if rack.name.is_empty() {
                "No place given".to_owned()
            } else {
                capital(&rack.name)
            },
            shelves: (rack.shelves.into_iter())
                .map(|shelf| Shelf {
                    name: capital(&shelf.name),
                    spots: spots(shelf.spots),
                })
                .collect(),
        })
        .collect()
}

fn spots(row: Vec<place::Spot<(String, Standing)>>) -> Vec<Spot> {
    let mut spots = Vec::new();
    let mut next: u32 = 1;
    for spot in row {
        if let Ok(position) = spot.position.parse::<u32>() {
            if next < position {
                if position - next <= FREE {
                    spots.extend((next..position).map(|n| Spot::Free(n.to_string())));
                } else {
                    spots.push(Spot::Free(format!("{next} to {}", position - 1)));
                }
            }
            next = position.saturating_add(1);
        }
        spots.extend(spot.items.into_iter().map(|(_, k)| Spot::Crate(k)));
    }
    spots
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One stand to a line, its shelves from the top, free places in brackets.
    fn check(places: &[(&str, &str)], drawn: &str) {
        let crates = places.iter().map(|(code, place)| {
            let krate = Standing {
                code: (*code).to_owned(),
                href: String::new(),
                tone: None,
                due: false,
                holds: String::new(),
            };
            ((*place).to_owned(), krate)
        });
        let text: Vec<String> = stands(crates)
            .iter()
            .map(|stand| {
                let shelves = stand.shelves.iter().map(|shelf| {
                    let spots = shelf.spots.iter().map(|spot| match spot {
                        Spot::Crate(krate) => krate.code.clone(),
                        Spot::Free(which) => format!("[{which}]"),
                    });
                    let spots: Vec<String> = spots.collect();
                    format!("{}: {}", shelf.name, spots.join(" "))
                });
                let shelves: Vec<String> = shelves.collect();
                format!("{} | {}", stand.name, shelves.join(" | "))
            })
            .collect();
        assert_eq!(text.join("\n"), drawn);
    }

    #[test]
    fn crates_stand_where_their_places_say() {
        check(&[], "");
        check(
            &[
                ("A", "north wall / shelf 1 / 1"),
                ("B", "North Wall/Shelf 2 / 1"),
            ],
            "North Wall | Shelf 2: B | Shelf 1: A",
        );
        check(
            &[
                ("A", "rack 10 / shelf 1 / 3"),
                ("B", "rack 2 / shelf 1 / 2"),
                ("C", "rack 2 / shelf 1 / 2"),
            ],
            "Rack 2 | Shelf 1: [1] B C\nRack 10 | Shelf 1: [1] [2] A",
        );
        check(
            &[
                ("A", "pallet / 9"),
                ("B", "pallet"),
                ("C", "pallet / 1"),
                ("D", ""),
            ],
            "Pallet | : C [2 to 8] A B\nNo place given | : D",
        );
        check(
            &[
                ("A", "rack / shelf 1 / 4294967295"),
                ("B", "rack / shelf 1 / left"),
            ],
            "Rack | Shelf 1: [1 to 4294967294] A B",
        );
    }
}
