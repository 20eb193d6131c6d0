//! How the record came to be: bands in force, times without a recorder, corrections.

use super::{number, table};
use crate::{
    season::account::Account,
    web::winter::table::{
        Column,
        Kind::{Instant, Number, Text},
        Table, column,
    },
};

const BANDS: &[Column] = &[
    column("room", Text, "The room."),
    column("sensor", Text, "The sensor that was held against it."),
    column(
        "from",
        Instant,
        "From when, in UTC, until the next of the same sensor.",
    ),
    column("low_c", Number, "Lowest temperature, C."),
    column("high_c", Number, "Highest temperature, C."),
    column("low_pct", Number, "Lowest humidity, percent."),
    column("high_pct", Number, "Highest humidity, percent."),
];

pub(super) fn bands(account: &Account) -> Table {
    let sensors = account.conditions.record.sensors.iter();
    let bands = sensors.flat_map(|s| {
        let own = s.against.iter().flat_map(|a| &a.bands);
        own.map(move |b| (s, b))
    });
    table(
        ("bands", "What the air was held against, and from when"),
        BANDS,
        bands,
        |(s, b)| {
            vec![
                (&s.room).into(),
                (&s.sensor).into(),
                b.from.into(),
                number(Some(b.band.low_c)),
                number(Some(b.band.high_c)),
                number(Some(b.band.low_pct)),
                number(Some(b.band.high_pct)),
            ]
        },
    )
}

const RECORDER_OFF: &[Column] = &[
    column("from", Instant, "Last known to run, in UTC."),
    column("to", Instant, "Running again, in UTC."),
    column("hours_h", Number, "Hours between the two."),
];

pub(super) fn recorder_off(account: &Account) -> Table {
    table(
        ("recorder-off", "When the recorder was off"),
        RECORDER_OFF,
        &account.responses.offs,
        |o| vec![o.from.into(), o.to.into(), o.hours.into()],
    )
}

const CORRECTIONS: &[Column] = &[
    column("sensor", Text, "The sensor."),
    column("from", Instant, "From when, in UTC."),
    column(
        "until",
        Instant,
        "Until the next one of the same sensor, in UTC; empty where it still holds.",
    ),
    column(
        "temperature_k",
        Number,
        "Added to the temperature it says, kelvin.",
    ),
    column(
        "humidity_pct",
        Number,
        "Added to the humidity it says, points.",
    ),
    column("why", Text, "Why."),
    column("who", Text, "By whom it was entered."),
    column("entered_at", Instant, "When it was entered, in UTC."),
];

pub(super) fn corrections(account: &Account) -> Table {
    table(
        (
            "corrections",
            "Corrections of sensors that were applied to every other table",
        ),
        CORRECTIONS,
        &account.conditions.record.corrections,
        |c| {
            vec![
                (&c.sensor).into(),
                c.from.into(),
                c.until.into(),
                c.temperature_k.into(),
                c.humidity_pct.into(),
                (&c.why).into(),
                (&c.who).into(),
                c.entered_at.into(),
            ]
        },
    )
}
