//! What every crate lived through, as one table.

use super::{
    part::{Part, Rows, hours, moment},
    pictures,
};
use crate::{
    notify::words::{Manner, NB, count},
    season::{account::Account, lived::Lived},
};

/// The part.
pub fn part(account: &Account, manner: Manner) -> Part {
    let crates = &account.conditions.crates;
    let mut words = Vec::new();
    if crates.is_empty() {
        words.push("No crate was in store.".to_owned());
    } else {
        words.push(format!(
            "{} in store. What each lived through is worked out from the air where it stood, by its packing and weight; what was not recorded is not counted.",
            count(crates.len(), "crate was", "crates were")
        ));
        words.extend(wet(crates));
    }
    let mut tables = Vec::new();
    if !crates.is_empty() {
        tables.push(table(crates, manner));
    }
    Part {
        id: "crates".to_owned(),
        title: "What crates lived through".to_owned(),
        words,
        pictures: pictures::of_crates(account),
        tables,
    }
}

fn wet(crates: &[Lived]) -> Option<String> {
    let mut wet: Vec<&Lived> = crates.iter().filter(|c| 0.0 < c.wet_h).collect();
    wet.sort_by(|a, b| b.wet_h.total_cmp(&a.wet_h));
    let worst = wet.first()?;
    Some(format!(
        "{}, calculated and not seen; the longest was {}, {}.",
        count(
            wet.len(),
            "crate was wet for some time",
            "crates were wet for some time"
        ),
        worst.code,
        hours(worst.wet_h)
    ))
}

/// The code, and which filling of the winter where there was more than one.
pub fn code(krate: &Lived) -> String {
    if krate.filling == 1 {
        krate.code.clone()
    } else {
        format!("{} ({}.)", krate.code, krate.filling)
    }
}

fn table(crates: &[Lived], manner: Manner) -> Rows {
    let mut rows = Rows::new(
        "Crate by crate",
        &[
            "Crate",
            "Last stood",
            "On record",
            "Coldest",
            "Warmest",
            "Too cold",
            "Too warm",
            "Dry air",
            "Damp air",
            "Wet",
            "Nearest to sweating",
            "Mould index",
            "Water lost",
        ],
    );
    let mut sorted: Vec<&Lived> = crates.iter().collect();
    sorted.sort_by(|a, b| {
        crate::stock::place::natural(&a.code, &b.code).then(a.filling.cmp(&b.filling))
    });
    let dash = || "\u{2013}".to_owned();
    for c in sorted {
        let at = |a: &crate::season::lived::At| {
            format!(
                "{}, {}",
                manner.temperature(a.value),
                moment(a.at.to_utc(), manner)
            )
        };
        let last = c.stays.last();
        rows.push([
            code(c),
            last.map_or_else(dash, |s| {
                if s.place.is_empty() {
                    s.room.clone()
                } else {
                    format!("{}, {}", s.room, s.place)
                }
            }),
            format!("{} of {}", hours(c.cover.covered_h), hours(c.cover.of_h)),
            c.core.as_ref().map_or_else(dash, |core| at(&core.low)),
            c.core.as_ref().map_or_else(dash, |core| at(&core.high)),
            hours(c.cold_h),
            hours(c.warm_h),
            hours(c.dry_h),
            hours(c.damp_h),
            if 0.0 < c.unsure_h {
                format!("{}, perhaps {} more", hours(c.wet_h), hours(c.unsure_h))
            } else {
                hours(c.wet_h)
            },
            c.margin_k.as_ref().map_or_else(dash, |m| {
                format!(
                    "{}, {}",
                    manner.difference(m.value),
                    moment(m.at.to_utc(), manner)
                )
            }),
            c.mould_high
                .as_ref()
                .map_or_else(dash, |m| format!("{:.1}", m.value)),
            water(c, manner).unwrap_or_else(dash),
        ]);
    }
    rows.noting(
        "Coldest and warmest among the tubers, too cold and too warm against the band in force. Dry and damp air is that of the place where the crate stood. The mould index runs from 0 to 6 on the surface of the packing; 1 is the first growth that a microscope shows. Water lost is a rough guess, with the range that holds nine times in ten: without two good weights of a crate it may be four times too high or too low. All of it follows the air near a crate, so crates in one place share most figures. Too cold is against the band of the time, in spring that for waking.",
    )
}

fn water(c: &Lived, manner: Manner) -> Option<String> {
    // The last weight that compares with one before it, and that one.
    let last = c.weighings.iter().rposition(|w| w.lost_pct.is_some());
    let weighed = last.and_then(|last| {
        let first = c.weighings[..last]
            .iter()
            .rev()
            .find(|w| w.lost_pct.is_none())?;
        let (from, to) = (first.at, c.weighings[last].at);
        let lost = c.weighings[last].lost_pct?;
        Some(format!(
            "on the scale {lost:.0}{NB}% from {} to {}",
            manner.day(from),
            manner.day(to)
        ))
    });
    let reckoned = c.shrink.as_ref().map(|s| {
        format!(
            "{:.0}{NB}% ({:.0} to {:.0})",
            s.lost.shrink * 100.0,
            s.lost.low * 100.0,
            s.lost.high * 100.0
        )
    });
    match (weighed, reckoned) {
        (Some(w), Some(r)) => Some(format!("{r}; {w}")),
        (Some(w), None) => Some(w),
        (None, r) => r,
    }
}
