//! The page Sensors: who is heard, how well, and what could not be understood.

use std::{collections::BTreeMap, sync::Arc};

use axum::{
    extract::{OriginalUri, State},
    response::Response,
};

use super::{
    Site, compare,
    html::{Refused, Sensor, SensorsPage, Source, Tab, Tone, Unknown},
    pages::{Failed, last_values, path_of, render, sentence},
    view,
};
use crate::{
    engine::Status,
    notify::words::{ago, count, percent, span, thousands},
    store::sources::{RefusedLine, Tally},
    watch::{Arrives, Correction, Role, SensorName, SensorNow, Stamp},
};

/// Refused lines looked at, and shown of each source.
const REFUSED_READ: i64 = 400;
const REFUSED_SHOWN: usize = 5;

/// `GET /sensors`: who is heard, how well, and what could not be understood.
pub async fn sensors(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
) -> Result<Response, Failed> {
    let status: Arc<Status> = site.status.borrow().clone();
    let failed = || Failed::store(&site);
    let tallies = site.store.tallies().await.map_err(failed())?;
    let refused = site.store.refused(REFUSED_READ).await.map_err(failed())?;
    let corrections = site.store.corrections().await.map_err(failed())?;
    let odd = site.store.odd_clocks().await.map_err(failed())?;
    let now = site.clock.now();
    let sensors: Vec<Sensor> = status
        .sensors
        .iter()
        .map(|s| {
            let own: Vec<_> = tallies
                .iter()
                .filter(|t| t.sensor == s.settings.name.as_str())
                .collect();
            let odd = odd.get(&s.settings.id).map(|(at, _)| *at);
            let newest = s.temperature.map(|t| t.0).max(s.humidity.map(|h| h.0));
            let wrong = odd.is_some() && odd >= newest;
            let sum = |f: fn(&Tally) -> i64| own.iter().map(|t| f(t)).sum();
            sensor(
                &site,
                s,
                &corrections,
                wrong,
                now,
                &own.iter().map(|t| t.source.as_str()).collect::<Vec<_>>(),
                [
                    (sum(|t| t.stored), "stored"),
                    (sum(|t| t.duplicate), "known already"),
                    (sum(|t| t.conflict), "contradicting"),
                ],
            )
        })
        .collect();
    let heard = status
        .sensors
        .iter()
        .filter(|s| s.heard_at.is_some() && !s.silent)
        .count();
    let sources = site.board.all().into_iter().map(|(name, now_doing)| {
        let own = || tallies.iter().filter(|t| t.source == name.as_str());
        let refused_total = own().map(|t| t.refused).sum();
        let last = own().map(|t| Stamp(t.last_at)).max();
        source(
            &site,
            &name,
            &now_doing,
            (refused_total, last),
            &refused,
            now,
        )
    });
    let page = SensorsPage {
        frame: view::frame(&site, &status, now, "Sensors", Tab::Sensors, path_of(&uri)),
        summary: format!(
            "{heard} of {} heard",
            count(status.sensors.len(), "sensor", "sensors")
        ),
        sources: sources.collect(),
        unknown: unknown(&refused, &status, now),
        sensors,
    };
    Ok(render(&page))
}

fn sensor(
    site: &Site,
    s: &SensorNow,
    corrections: &[Correction],
    clock_wrong: bool,
    now: Stamp,
    sources: &[&str],
    counts: [(i64, &str); 3],
) -> Sensor {
    let live = s.settings.arrives == Arrives::Live;
    let (tone, state, advice) = match s.heard_at {
        _ if s.out.is_some() => (
            Tone::NoWord,
            "Out of service".to_owned(),
            Some("Return it once it is mended."),
        ),
        None => (
            Tone::NoWord,
            "Not heard yet".to_owned(),
            Some("Look at its name, its source and its power."),
        ),
        Some(at) if s.silent => (
            Tone::NoWord,
            format!("No word for {}", span(now.since(at))),
            Some("Look at its battery, cable, plug and reach."),
        ),
        Some(_) if clock_wrong => (
            Tone::LookSoon,
            "Its clock is wrong".to_owned(),
            Some(
                "Its readings are kept and counted from when they were heard. Set its clock or its battery right.",
            ),
        ),
        Some(_) => (Tone::Well, "Heard".to_owned(), None),
    };
    let role = match s.settings.role {
        Role::Air => "air of the room".to_owned(),
        Role::Crate => match &s.settings.crate_code {
            Some(code) => format!("probe in crate {code}"),
            None => "probe among tubers".to_owned(),
        },
        Role::Surface => "cold surface".to_owned(),
        Role::Outdoor => "outdoors".to_owned(),
        Role::Soil => "soil of the bed".to_owned(),
    };
    Sensor {
        name: s.settings.name.to_string(),
        room: s.settings.room.clone(),
        role,
        tone,
        state,
        advice: match (&s.out, advice) {
            (Some(out), Some(advice)) => Some(format!(
                "Since {}, by {}: {}. {advice}",
                site.manner.moment(out.since, now),
                out.by,
                out.reason.trim_end_matches('.')
            )),
            _ => advice.map(str::to_owned),
        },
        reading: last_values(site, s),
        corrected: compare::in_short(s, corrections, site.manner, now),
        checked: compare::last_compared(s, corrections, site.manner, now),
        compare: compare::href(s.settings.name.as_str()),
        heard: s
            .heard_at
            .map_or_else(|| "never".to_owned(), |at| ago(at, now)),
        interval: if live {
            format!("every {}", span(s.settings.interval_ms))
        } else {
            "in batches".to_owned()
        },
        battery: s
            .battery_pct
            .map(|b| format!("battery {}", percent(f64::from(b)))),
        counts: counts
            .into_iter()
            .filter(|(n, word)| 0 < *n || *word == "stored")
            .map(|(n, word)| (thousands(n), word.to_owned()))
            .collect(),
        out: s.out.is_some(),
        source: if sources.is_empty() {
            "no source yet".to_owned()
        } else {
            sources.join(", ")
        },
    }
}

fn source(
    site: &Site,
    name: &SensorName,
    doing: &crate::inbox::SourceNow,
    (total, last): (i64, Option<Stamp>),
    refused: &[RefusedLine],
    now: Stamp,
) -> Source {
    let lines: Vec<Refused> = refused
        .iter()
        .filter(|r| r.source == name.as_str())
        .take(REFUSED_SHOWN)
        .map(|r| Refused {
            at: site.manner.day_and_clock(r.at),
            reason: format!("line {}: {}", r.refused.line, r.refused.reason),
            line: r.refused.text.clone(),
        })
        .collect();
    Source {
        name: name.to_string(),
        kind: match doing.kind {
            "http" => "posted over the network".to_owned(),
            "serial" => "serial port".to_owned(),
            other => other.to_owned(),
        },
        tone: if doing.well { Tone::Well } else { Tone::NoWord },
        state: match last {
            Some(at) => format!("{} Last word {}.", sentence(&doing.sentence), ago(at, now)),
            None => sentence(&doing.sentence),
        },
        refused_count: (0 < total).then(|| {
            format!(
                "{} refused{}",
                count(total as usize, "line", "lines"),
                if (lines.len() as i64) < total {
                    format!(", the last {}", lines.len())
                } else {
                    String::new()
                }
            )
        }),
        refused: lines,
    }
}

fn unknown(refused: &[RefusedLine], status: &Status, now: Stamp) -> Vec<Unknown> {
    let mut found: BTreeMap<&str, (usize, Stamp)> = BTreeMap::new();
    for line in refused {
        let name = line.refused.unknown_name();
        let known = |n: &&str| {
            status
                .sensors
                .iter()
                .any(|s| s.settings.name.as_str() == *n)
        };
        if let Some(name) = name.filter(|n| !known(n)) {
            let entry = found.entry(name).or_insert((0, line.at));
            entry.0 += 1;
            entry.1 = entry.1.max(line.at);
        }
    }
    found
        .into_iter()
        .map(|(name, (n, last))| Unknown {
            name: name.to_owned(),
            heard: format!(
                "{}, the last {}",
                count(n, "reading", "readings"),
                ago(last, now)
            ),
        })
        .collect()
}
