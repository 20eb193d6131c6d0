//! What every crate lived through, where it stood and what the scale said.

use super::{number, percent, table, word};
use crate::{
    season::{
        account::Account,
        lived::{At, Lived},
    },
    watch::models::Known,
    web::winter::table::{
        Cell, Column,
        Kind::{Instant, Number, Text, YesNo},
        Table, column,
    },
};

const CODE: Column = column("crate", Text, "What stands on its label.");
const FILLING: Column = column(
    "filling",
    Number,
    "Which filling of the period, from 1; a crate that was empty for a day holds another.",
);

const CRATES: &[Column] = &[
    CODE,
    FILLING,
    column("room", Text, "The room in which it stood last."),
    column("place", Text, "Where in it."),
    column(
        "packing",
        Text,
        "Its packing at last, as it was understood.",
    ),
    column("from", Instant, "First tubers in, in UTC."),
    column(
        "to",
        Instant,
        "Last tubers out, in UTC, or the end of the period.",
    ),
    column("stored_h", Number, "Hours in store."),
    column(
        "covered_h",
        Number,
        "Of these, hours in which the temperature of its air is known.",
    ),
    column(
        "humid_h",
        Number,
        "Of these, hours in which humidity is known as well.",
    ),
    column(
        "bridged_h",
        Number,
        "Hours in gaps so short that the models went straight over them.",
    ),
    column("gap_h", Number, "Hours over which no dose was summed."),
    column(
        "core_known_h",
        Number,
        "Hours in which the temperature among its tubers is known.",
    ),
    column("core_mean_c", Number, "Mean among its tubers, C."),
    column("core_low_c", Number, "Lowest among its tubers, C."),
    column("core_low_at", Instant, "When first, in UTC."),
    column("core_high_c", Number, "Highest among its tubers, C."),
    column("core_high_at", Instant, "When first, in UTC."),
    column(
        "cold_h",
        Number,
        "Hours of its core below the band's temperatures.",
    ),
    column("warm_h", Number, "Hours of its core above them."),
    column(
        "dry_h",
        Number,
        "Hours of its air below the band's humidities.",
    ),
    column("damp_h", Number, "Hours of its air above them."),
    column(
        "dose_kpa_day",
        Number,
        "Vapour pressure deficit summed, kPa day.",
    ),
    column("wet_h", Number, "Hours sweating."),
    column(
        "unsure_h",
        Number,
        "Hours so near to sweating that nobody can tell.",
    ),
    column("margin_k", Number, "Smallest distance from sweating, K."),
    column("margin_at", Instant, "When, in UTC."),
    column("mould_end", Number, "Mould index at the end, 0 to 6."),
    column("mould_high", Number, "The highest it was."),
    column("mould_high_at", Instant, "When, in UTC."),
    column(
        "heat_c_day",
        Number,
        "Warmth above the base since 1 January, C day.",
    ),
    column(
        "water_lost_pct",
        Number,
        "Water lost, percent of its weight.",
    ),
    column("water_lost_low_pct", Number, "Lower end of 90 % around it."),
    column(
        "water_lost_high_pct",
        Number,
        "Upper end of 90 % around it.",
    ),
    column(
        "coefficient_per_kpa_day",
        Number,
        "By how much of its weight a kPa day dries it, 1/(kPa day).",
    ),
    column(
        "coefficient_known",
        Text,
        "How that is known: assumed (from handbooks and the packing), alike (others in the same packing were weighed) or weighed.",
    ),
    column(
        "coefficient_of",
        Number,
        "From so many crates, or weighings.",
    ),
];

fn value_and_when(at: Option<At>) -> [Cell; 2] {
    match at {
        Some(at) => [number(Some(at.value)), at.at.to_utc().into()],
        None => [Cell::Empty, Cell::Empty],
    }
}

/// Six significant digits: of a coefficient of some thousandths, thousandths say nothing.
fn fine(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}

fn lived(c: &Lived) -> Vec<Cell> {
    let last = c.stays.last();
    let mut row: Vec<Cell> = vec![
        (&c.code).into(),
        c.filling.into(),
        last.map(|s| &s.room).into(),
        last.map(|s| &s.place).into(),
        last.map(|s| s.packing.as_str()).into(),
        c.from.to_utc().into(),
        c.to.to_utc().into(),
    ];
    let cover = &c.cover;
    row.extend(
        [
            cover.of_h,
            cover.covered_h,
            cover.humid_h,
            cover.bridged_h,
            cover.gap_h,
        ]
        .map(|h| number(Some(h))),
    );
    let core = c.core.as_ref();
    row.push(number(core.map(|k| k.known_h)));
    row.push(number(core.map(|k| k.mean_c)));
    row.extend(value_and_when(core.map(|k| k.low)));
    row.extend(value_and_when(core.map(|k| k.high)));
    // Where humidity was never known nothing is known of what follows from it.
    let known = core.is_some();
    let humid = 0.0 < cover.humid_h;
    row.extend([
        number(known.then_some(c.cold_h)),
        number(known.then_some(c.warm_h)),
        number(humid.then_some(c.dry_h)),
        number(humid.then_some(c.damp_h)),
        number(humid.then_some(c.dose)),
        number(humid.then_some(c.wet_h)),
        number(humid.then_some(c.unsure_h)),
    ]);
    row.extend(value_and_when(c.margin_k));
    row.push(number(humid.then_some(c.mould_end)));
    row.extend(value_and_when(c.mould_high));
    row.push(number(known.then_some(c.heat)));
    let shrink = c.shrink.as_ref();
    let (known, of) = match shrink.map(|s| s.known) {
        None => (Cell::Empty, Cell::Empty),
        Some(Known::Assumed) => ("assumed".into(), Cell::Empty),
        Some(Known::Alike(n)) => ("alike".into(), n.into()),
        Some(Known::Weighed(n)) => ("weighed".into(), n.into()),
    };
    row.extend([
        shrink.map(|s| percent(s.lost.shrink)).into(),
        shrink.map(|s| percent(s.lost.low)).into(),
        shrink.map(|s| percent(s.lost.high)).into(),
        shrink.map(|s| fine(s.by.k)).into(),
        known,
        of,
    ]);
    row
}

pub(super) fn crates(account: &Account) -> Table {
    table(
        ("crates", "What every crate lived through"),
        CRATES,
        &account.conditions.crates,
        lived,
    )
}

const STAYS: &[Column] = &[
    CODE,
    FILLING,
    column("from", Instant, "From when, in UTC."),
    column("to", Instant, "Until when, in UTC."),
    column("room", Text, "The room, as it was written."),
    column("place", Text, "Where in it."),
    column("packing", Text, "Its packing, as it was understood."),
    column(
        "tubers_g",
        Number,
        "Weight of the tubers at the end, grams, where all of them were weighed.",
    ),
    column("divided", YesNo, "Some were cut apart."),
    column("washed", YesNo, "Some were washed."),
    column(
        "uncured",
        YesNo,
        "Some were packed before their skins had dried.",
    ),
];

pub(super) fn stays(account: &Account) -> Table {
    let crates = account.conditions.crates.iter();
    let stays = crates.flat_map(|c| c.stays.iter().map(move |s| (c, s)));
    table(
        ("stays", "Where every crate stood, and how it was packed"),
        STAYS,
        stays,
        |(c, s)| {
            vec![
                (&c.code).into(),
                c.filling.into(),
                s.from.to_utc().into(),
                s.to.to_utc().into(),
                (&s.room).into(),
                (&s.place).into(),
                word(&s.packing),
                s.tubers_g.into(),
                s.divided.into(),
                s.washed.into(),
                s.uncured.into(),
            ]
        },
    )
}

const CRATE_DAYS: &[Column] = &[
    CODE,
    FILLING,
    column(
        "at",
        Instant,
        "The end of the local day, or of its time in store, in UTC.",
    ),
    column(
        "dose_kpa_day",
        Number,
        "Vapour pressure deficit summed by then, kPa day.",
    ),
    column(
        "water_lost_pct",
        Number,
        "Water lost by then, percent of its weight.",
    ),
    column("water_lost_low_pct", Number, "Lower end of 90 % around it."),
    column(
        "water_lost_high_pct",
        Number,
        "Upper end of 90 % around it.",
    ),
];

pub(super) fn crate_days(account: &Account) -> Table {
    let crates = account.conditions.crates.iter();
    let days = crates.flat_map(|c| c.days.iter().map(move |d| (c, d)));
    table(
        ("crate-days", "Water that every crate lost, by the day"),
        CRATE_DAYS,
        days,
        |(c, d)| {
            vec![
                (&c.code).into(),
                c.filling.into(),
                d.at.to_utc().into(),
                number(Some(d.dose)),
                percent(d.lost.shrink).into(),
                percent(d.lost.low).into(),
                percent(d.lost.high).into(),
            ]
        },
    )
}

const WEIGHINGS: &[Column] = &[
    CODE,
    FILLING,
    column("at", Instant, "When, in UTC."),
    column("weight_g", Number, "Grams."),
    column(
        "lost_pct",
        Number,
        "Lost since the first weight that compares with it, percent; empty for that one.",
    ),
    column(
        "dose_kpa_day",
        Number,
        "Vapour pressure deficit summed by then, kPa day.",
    ),
];

pub(super) fn weighings(account: &Account) -> Table {
    let crates = account.conditions.crates.iter();
    let all = crates.flat_map(|c| c.weighings.iter().map(move |w| (c, w)));
    table(
        ("weighings", "What the scale said"),
        WEIGHINGS,
        all,
        |(c, w)| {
            vec![
                (&c.code).into(),
                c.filling.into(),
                w.at.to_utc().into(),
                w.grams.into(),
                number(w.lost_pct),
                number(Some(w.dose)),
            ]
        },
    )
}
