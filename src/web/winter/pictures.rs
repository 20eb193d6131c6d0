//! From the account to what pictures are drawn from.

use chrono::{Datelike as _, NaiveDate};

use super::{losses, part::Picture, rooms};
use crate::{
    climate::Pascal,
    notify::words::{Manner, hours_ms},
    season::{
        account::{Account, FIGURES, RoomWinter, fates, lost_to},
        conditions::InForce,
        pattern::Figure,
        survival::Breakdown,
    },
    watch::{Band, Priority, Stamp, reading::HOUR_MS},
    web::chart::{
        against::{Against, Dot},
        carpet::{Carpet, Day as CarpetDay, Quantity, Scale, Since},
        curves::{Curve, Curves},
        density::{Band as AirBand, Density, Stay},
        strip::{Alert, Day, Event, Rank, Ribbon, WinterStrip},
        survival::{Group, Survival},
    },
};

const DAY_MS: f64 = 24.0 * HOUR_MS as f64;
/// A distance from sweating of so many kelvin and more is clear; below, it is within reach of a door that
/// stands open. Twice the limit at which an alert is raised (1.5 K).
const CLEAR_K: f64 = 3.0;
/// Curves of crates that are drawn; more would hide each other.
const CURVES: usize = 8;

/// The days on which months begin, and the first day.
fn months(days: &[NaiveDate]) -> Vec<(usize, String)> {
    let begins = |(i, day): &(usize, &NaiveDate)| *i == 0 || day.day() == 1;
    let short = |(i, day): (usize, &NaiveDate)| (i, day.format("%b").to_string());
    days.iter().enumerate().filter(begins).map(short).collect()
}

/// Bands of a room by the number of the day from which they held.
fn bands(account: &Account, room: &RoomWinter) -> Vec<(usize, Band)> {
    let number = |b: &InForce| {
        let ms = Stamp::from(b.from).since(account.about.from.into());
        usize::try_from((ms as f64 / DAY_MS).round() as i64).unwrap_or_default()
    };
    // Of all its sensors: one may have come later, or left.
    let air = account.conditions.record.air(&room.room);
    let each = air
        .filter_map(|s| s.against.as_ref())
        .flat_map(|a| &a.bands);
    let mut bands: Vec<(usize, Band)> = each.map(|b| (number(b), b.band)).collect();
    bands.sort_by_key(|(day, _)| *day);
    bands.dedup_by(|next, last| next.1 == last.1);
    bands
}

/// The pictures of one room.
pub fn of_room(account: &Account, room: &RoomWinter, manner: Manner) -> Vec<Picture> {
    let id = |what: &str| super::part::id(what, &room.room);
    let days: Vec<NaiveDate> = room.days.iter().map(|d| d.date).collect();
    let bands = bands(account, room);
    let strip = strip(account, room, &days, &bands, manner);
    let mut out = vec![Picture {
        title: "The winter day by day".to_owned(),
        sentence: strip.sentence(),
        figure: strip.figure(&id("strip")),
    }];
    let degrees = |c: f64| manner.degrees(c);
    let scales = |words: &dyn Fn(Band) -> String, of: &dyn Fn(Band) -> (f64, f64)| -> Vec<Since> {
        let each = bands.iter().map(|(day, band)| {
            let (low, high) = of(*band);
            Since {
                day: *day,
                scale: Scale::band(low, high),
                words: words(*band),
            }
        });
        each.collect()
    };
    let t_words = |b: Band| format!("{} to {}", manner.limit(b.low_c), manner.limit(b.high_c));
    let rh_words = |b: Band| format!("{:.0} to {:.0}\u{a0}%", b.low_pct, b.high_pct);
    for (what, quantity, unit, scales, value) in [
        (
            "hours-t",
            Quantity::Temperature,
            manner.letter(),
            scales(&t_words, &|b| (degrees(b.low_c), degrees(b.high_c))),
            0,
        ),
        (
            "hours-rh",
            Quantity::Humidity,
            "%",
            scales(&rh_words, &|b| (b.low_pct, b.high_pct)),
            1,
        ),
    ] {
        let mut own = blank(&days);
        for hour in &room.hours {
            if let Some(day) = place(&days, hour.date) {
                let of = if value == 0 {
                    hour.temperature.map(degrees)
                } else {
                    hour.humidity
                };
                own[day].hours.push((hour.hour, of));
            }
        }
        if own.iter().all(|d| d.hours.iter().all(|(_, v)| v.is_none())) {
            continue;
        }
        let carpet = Carpet {
            quantity,
            unit: unit.to_owned(),
            days: own,
            months: months(&days),
            scales,
        };
        out.push(Picture {
            title: match quantity {
                Quantity::Temperature => "Temperature by day and hour".to_owned(),
                _ => "Humidity by day and hour".to_owned(),
            },
            sentence: carpet.sentence(),
            figure: carpet.figure(&id(what)),
        });
    }
    out.extend(margins(room, &days, manner, &id("hours-m")));
    out.extend(density(account, room, &bands, manner, &id("air")));
    out
}

fn blank(days: &[NaiveDate]) -> Vec<CarpetDay> {
    vec![CarpetDay::default(); days.len()]
}

fn place(days: &[NaiveDate], date: NaiveDate) -> Option<usize> {
    days.binary_search(&date).ok()
}

fn kelvin(k: f64, manner: Manner) -> f64 {
    match manner.letter() {
        "F" => k * 1.8,
        _ => k,
    }
}

/// Hours of the crate nearest to sweating.
fn margins(room: &RoomWinter, days: &[NaiveDate], manner: Manner, id: &str) -> Option<Picture> {
    if room.margins.is_empty() {
        return None;
    }
    let mut own = blank(days);
    // Margins are of UTC hours, which in a few zones begin within a local one.
    let mut margins = room.margins.iter().peekable();
    for hour in &room.hours {
        let end = hour.at + chrono::TimeDelta::hours(1);
        let mut least: Option<f64> = None;
        while let Some((at, k)) = margins.next_if(|(at, _)| *at < end) {
            if hour.at <= *at {
                least = Some(least.map_or(*k, |l| l.min(*k)));
            }
        }
        if let Some(day) = place(days, hour.date) {
            own[day]
                .hours
                .push((hour.hour, least.map(|k| kelvin(k, manner))));
        }
    }
    let carpet = Carpet {
        quantity: Quantity::Margin,
        unit: manner.letter().to_owned(),
        days: own,
        months: months(days),
        scales: vec![Since {
            day: 0,
            scale: Scale::margin(0.0, kelvin(CLEAR_K, manner)),
            words: String::new(),
        }],
    };
    Some(Picture {
        title: "Distance from sweating by day and hour".to_owned(),
        sentence: carpet.sentence(),
        figure: carpet.figure(id),
    })
}

fn strip(
    account: &Account,
    room: &RoomWinter,
    days: &[NaiveDate],
    bands: &[(usize, Band)],
    manner: Manner,
) -> WinterStrip {
    let degrees = |c: f64| manner.degrees(c);
    let since = |at: Stamp| at.since(account.about.from.into()) as f64 / DAY_MS;
    let ribbon =
        |of: &dyn Fn(usize) -> Option<[f64; 3]>, band: &dyn Fn(Band) -> (f64, f64)| Ribbon {
            days: (0..days.len())
                .map(|i| of(i).map(|[mean, low, high]| Day { low, mean, high }))
                .collect(),
            bands: bands
                .iter()
                .map(|(day, b)| (*day, Some(band(*b))))
                .collect(),
        };
    let alerts = account
        .responses
        .alerts
        .iter()
        .filter(|a| a.room == room.room);
    let alerts = alerts.map(|a| Alert {
        day: since(a.raised.into()),
        rank: match a.priority {
            Priority::High => Rank::High,
            Priority::Medium => Rank::Medium,
            Priority::Low => Rank::Low,
        },
    });
    WinterStrip {
        days: days.len(),
        months: months(days),
        temperature: ribbon(
            &|i| room.days[i].temperature.map(|t| t.map(degrees)),
            &|b| (degrees(b.low_c), degrees(b.high_c)),
        ),
        humidity: ribbon(&|i| room.days[i].humidity, &|b| (b.low_pct, b.high_pct)),
        unit: manner.letter(),
        alerts: alerts.collect(),
        off: (account.conditions.record.off.iter())
            .map(|(from, to)| (since((*from).into()), since((*to).into())))
            .collect(),
        events: events(account, room, manner),
    }
}

/// The first crate that came into the room and the last that left it.
fn events(account: &Account, room: &RoomWinter, manner: Manner) -> Vec<Event> {
    let stays = account.conditions.crates.iter().flat_map(|c| &c.stays);
    let here: Vec<_> = stays
        .filter(|s| s.room.trim().eq_ignore_ascii_case(&room.room))
        .collect();
    let since = |at: Stamp| at.since(account.about.from.into()) as f64 / DAY_MS;
    let mut events = Vec::new();
    let mut note = |at: Option<Stamp>, label: &str, words: &str| {
        if let Some(at) = at {
            events.push(Event {
                day: since(at),
                label: label.to_owned(),
                words: format!("{words} on {}", manner.day(at)),
            });
        }
    };
    note(
        here.iter().map(|s| s.from).min(),
        "first in",
        "First crate in",
    );
    if account.about.over {
        note(
            here.iter().map(|s| s.to).max(),
            "last out",
            "Last crate out",
        );
    }
    events
}

fn density(
    account: &Account,
    room: &RoomWinter,
    bands: &[(usize, Band)],
    manner: Manner,
    id: &str,
) -> Option<Picture> {
    let stays: Vec<Stay> = (room.hours.iter())
        .filter_map(|h| {
            Some(Stay {
                temperature_c: h.temperature?,
                humidity_pct: h.humidity?,
                hours: 1.0,
            })
        })
        .collect();
    if stays.is_empty() {
        return None;
    }
    let ends = bands
        .iter()
        .skip(1)
        .map(|(day, _)| *day)
        .chain([room.days.len()]);
    let mut held: Vec<(usize, Band)> = Vec::new();
    for ((from, band), to) in bands.iter().zip(ends) {
        let long = to.saturating_sub(*from);
        match held.iter_mut().find(|(_, b)| b == band) {
            Some((sum, _)) => *sum += long,
            None => held.push((long, *band)),
        }
    }
    held.sort_by_key(|(long, _)| std::cmp::Reverse(*long));
    let density = Density {
        stays,
        bands: (held.iter())
            .map(|(_, b)| AirBand {
                t_c: (b.low_c, b.high_c),
                rh: (b.low_pct, b.high_pct),
            })
            .collect(),
        unit: manner.letter(),
        pressure_pa: Pascal::at_altitude(account.about.altitude_m)
            .unwrap_or(Pascal::STANDARD_ATMOSPHERE)
            .pascal(),
    };
    Some(Picture {
        title: "All hours in the moist air".to_owned(),
        sentence: density.sentence(),
        figure: density.figure(id),
    })
}

/// Curves of the water that crates lost: those that were weighed, and of the others those that lost most.
pub fn of_crates(account: &Account) -> Vec<Picture> {
    let mut crates: Vec<_> = (account.conditions.crates.iter())
        .filter(|c| c.shrink.is_some() && 1 < c.days.len())
        .collect();
    crates.sort_by(|a, b| {
        let lost =
            |c: &crate::season::lived::Lived| c.shrink.as_ref().map_or(0.0, |s| s.lost.shrink);
        (b.weighings.len().cmp(&a.weighings.len())).then(lost(b).total_cmp(&lost(a)))
    });
    crates.truncate(CURVES);
    if crates.is_empty() {
        return Vec::new();
    }
    let (from, to) = (
        Stamp::from(account.about.from),
        Stamp::from(account.about.to),
    );
    let percent = |share: f64| share * 100.0;
    let curves = (crates.iter().enumerate()).map(|(i, c)| Curve {
        label: c.code.clone(),
        points: c
            .days
            .iter()
            .map(|d| (d.at.0, percent(d.lost.shrink)))
            .collect(),
        interval: if i == 0 {
            c.days
                .iter()
                .map(|d| (d.at.0, percent(d.lost.low), percent(d.lost.high)))
                .collect()
        } else {
            Vec::new()
        },
        // A weight tells of the time since the first that it compares with, and the curve of all.
        measured: Vec::new(),
    });
    let days: Vec<NaiveDate> = (account.conditions.rooms.first())
        .map(|r| r.days.iter().map(|d| d.date).collect())
        .unwrap_or_default();
    let curves = Curves {
        name: "Water lost".to_owned(),
        unit: "%".to_owned(),
        decimals: 0,
        from_ms: from.0,
        to_ms: to.0,
        join_ms: hours_ms(24.0 * 7.0),
        curves: curves.collect(),
        limits: vec![(
            percent(crate::climate::drying::LIMP),
            format!("limp {:.0}\u{a0}%", percent(crate::climate::drying::LIMP)),
        )],
        floor: Some(0.0),
        ticks: months(&days)
            .into_iter()
            .map(|(day, word)| (from.plus((day as f64 * DAY_MS) as i64).0, word))
            .collect(),
    };
    vec![Picture {
        title: "Water lost, crate by crate".to_owned(),
        sentence: curves.sentence(),
        figure: curves.figure("water"),
    }]
}

/// Who came through, by what they have in common.
pub fn survival(breakdown: &Breakdown) -> Picture {
    let whole = |n: u64| u32::try_from(n).unwrap_or(u32::MAX);
    // What nobody said has no name to be drawn under; it is in the table.
    let said = breakdown.groups.iter().filter(|g| g.name.is_said());
    let groups = said.map(|g| Group {
        name: losses::name(&g.name),
        alive: whole(g.at_risk - g.lost.min(g.at_risk)),
        of: whole(g.at_risk),
        interval: (1.0 - g.interval.high, 1.0 - g.interval.low),
        by_crate: (g.by_crate.as_ref()).map(|c| (1.0 - c.interval.high, 1.0 - c.interval.low)),
        small: g.small,
    });
    let survival = Survival {
        groups: groups.collect(),
        confidence_pct: 95,
    };
    let by = losses::dimension(breakdown.dimension);
    Picture {
        title: format!("Alive by {by}"),
        sentence: survival.sentence(),
        figure: survival.figure(&super::part::id("alive", by)),
    }
}

/// What crates lost against what they lived through: the figures that tell a pattern, and at least the
/// coldest and the driest.
pub fn against(account: &Account, manner: Manner) -> Vec<Picture> {
    let drawn = account.patterns.iter().filter(|p| {
        p.rho.is_some()
            && (p.tells || matches!(p.figure, Figure::LowestTemperature | Figure::DeficitDose))
    });
    let pictures = drawn.filter_map(|p| {
        let (_, value, findings) = FIGURES.iter().find(|(f, ..)| *f == p.figure)?;
        let (what, unit) = losses::figure(p.figure);
        let (unit, thermal) = if unit == "C" {
            (manner.letter(), true)
        } else {
            (unit, false)
        };
        let dots =
            fates(&account.conditions.crates, &account.losses).filter_map(|(krate, loss)| {
                let x = value(krate)?;
                let whole = |n: u64| u32::try_from(n).unwrap_or(u32::MAX);
                Some(Dot {
                    name: loss.code.clone(),
                    x: if thermal { manner.degrees(x) } else { x },
                    lost: whole(lost_to(loss, findings)),
                    of: whole(loss.at_risk),
                })
            });
        let against = Against {
            name: rooms::capital(what),
            unit: unit.to_owned(),
            decimals: usize::from(thermal || p.figure == Figure::Mould),
            dots: dots.collect(),
        };
        Some(Picture {
            title: format!("Lost, against {what}"),
            sentence: against.sentence(),
            figure: against.figure(&super::part::id("against", what)),
        })
    });
    pictures.collect()
}
