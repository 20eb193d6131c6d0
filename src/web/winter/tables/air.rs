//! What the air did: days, hours, sensors, excursions, and how complete the record is.

use super::{number, percent, table, word};
use crate::{
    season::{
        account::{Account, RoomWinter},
        conditions::{Against, At, Excursion, Quantity, SensorWinter, SideHours},
        lived::apart::{Apart, Difference},
        sheet::Side,
    },
    web::winter::table::{
        Cell, Column,
        Kind::{Day, Instant, Number, Text, YesNo},
        Table, column,
    },
};

const DAYS: &[Column] = &[
    column("room", Text, "The room."),
    column("date", Day, "The local day, in the farm's zone."),
    column(
        "span_h",
        Number,
        "Hours of all its air sensors that should be on record.",
    ),
    column("covered_h", Number, "Of these, hours that are known."),
    column(
        "temperature_mean_c",
        Number,
        "Mean by time over all its air sensors, C.",
    ),
    column(
        "temperature_low_c",
        Number,
        "Lowest of any of its air sensors, C.",
    ),
    column(
        "temperature_high_c",
        Number,
        "Highest of any of its air sensors, C.",
    ),
    column(
        "humidity_mean_pct",
        Number,
        "Mean by time of relative humidity, percent.",
    ),
    column(
        "humidity_low_pct",
        Number,
        "Lowest of any of its air sensors, percent.",
    ),
    column(
        "humidity_high_pct",
        Number,
        "Highest of any of its air sensors, percent.",
    ),
    column(
        "judged_h",
        Number,
        "Sensor hours that were held against the band in force.",
    ),
    column("in_band_h", Number, "Of these, hours within it."),
    column(
        "cold_h",
        Number,
        "Sensor hours below the band's temperatures.",
    ),
    column("warm_h", Number, "Sensor hours above them."),
    column("dry_h", Number, "Sensor hours below the band's humidities."),
    column("damp_h", Number, "Sensor hours above them."),
    column(
        "deficit_mean_kpa",
        Number,
        "Mean vapour pressure deficit over the time that is known, kPa.",
    ),
];

pub(super) fn days(account: &Account) -> Table {
    let days = (account.conditions.rooms.iter()).flat_map(|r| r.days.iter().map(move |d| (r, d)));
    table(
        ("days", "The air of every room by the local day"),
        DAYS,
        days,
        |(room, day)| {
            let three = |of: Option<[f64; 3]>| match of {
                Some(three) => three.map(|v| number(Some(v))),
                None => [Cell::Empty, Cell::Empty, Cell::Empty],
            };
            let mut row: Vec<Cell> = vec![
                (&room.room).into(),
                day.date.into(),
                day.span_h.into(),
                day.covered_h.into(),
            ];
            row.extend(three(day.temperature));
            row.extend(three(day.humidity));
            row.extend([day.judged_h.into(), day.in_band_h.into()]);
            row.extend(day.outside_h.map(Cell::Number));
            row.push(number(day.deficit_kpa));
            row
        },
    )
}

const HOURS: &[Column] = &[
    column("room", Text, "The room."),
    column("at", Instant, "When the hour begins, in UTC."),
    column("date", Day, "Its local day, in the farm's zone."),
    column("clock_h", Number, "The hour on the farm's clock, 0 to 23."),
    column(
        "temperature_mean_c",
        Number,
        "Mean by time over the room's air sensors, C; empty where nothing is known.",
    ),
    column(
        "humidity_mean_pct",
        Number,
        "Mean by time of relative humidity, percent; empty where nothing is known.",
    ),
];

pub(super) fn hours(account: &Account) -> Table {
    let hours = (account.conditions.rooms.iter()).flat_map(|r| r.hours.iter().map(move |h| (r, h)));
    table(
        ("hours", "The air of every room by the hour"),
        HOURS,
        hours,
        |(room, hour)| {
            vec![
                (&room.room).into(),
                hour.at.into(),
                hour.date.into(),
                hour.hour.into(),
                hour.temperature.into(),
                hour.humidity.into(),
            ]
        },
    )
}

const MARGINS: &[Column] = &[
    column("room", Text, "The room."),
    column("at", Instant, "When the hour begins, in UTC."),
    column(
        "margin_k",
        Number,
        "Least distance of any crate in the room from sweating, K; 0 or less is wet.",
    ),
];

pub(super) fn margins(account: &Account) -> Table {
    let rooms = account.conditions.rooms.iter();
    let margins = rooms.flat_map(|r| r.margins.iter().map(move |m| (r, m)));
    table(
        (
            "margins",
            "How near any crate of a room came to sweating, by the hour",
        ),
        MARGINS,
        margins,
        |(room, (at, margin))| vec![(&room.room).into(), (*at).into(), (*margin).into()],
    )
}

const SENSORS: &[Column] = &[
    column("sensor", Text, "The sensor."),
    column("room", Text, "Its room."),
    column(
        "role",
        Text,
        "What it stands for: air, crate, surface, outdoor or soil.",
    ),
    column(
        "near",
        Text,
        "How the places near it begin; empty for the whole room.",
    ),
    column("interval_s", Number, "Time between two readings, seconds."),
    column(
        "hold_s",
        Number,
        "How long one reading speaks for its place, seconds.",
    ),
    column(
        "error_k",
        Number,
        "How far its temperature may be off, kelvin.",
    ),
    column(
        "error_pct",
        Number,
        "How far its humidity may be off, points.",
    ),
    column("readings", Number, "Readings in the period."),
    column("first_at", Instant, "The first of them, in UTC."),
    column("last_at", Instant, "The last of them, in UTC."),
    column(
        "span_h",
        Number,
        "Hours of the period in which its room was in use.",
    ),
    column(
        "out_of_service_h",
        Number,
        "Of these, hours in which it was out of service.",
    ),
    column("covered_h", Number, "Of these, hours that are known."),
    column("covered_pct", Number, "The same in percent of the span."),
    column(
        "gaps",
        Number,
        "Stretches of which nothing is known, while it was in service.",
    ),
    column("gaps_h", Number, "Hours of all of them."),
    column("longest_gap_h", Number, "Hours of the longest."),
    column(
        "longest_gap_from",
        Instant,
        "When the longest began, in UTC.",
    ),
    column(
        "temperature_known_h",
        Number,
        "Hours in which temperature is known.",
    ),
    column("temperature_mean_c", Number, "Mean by time, C."),
    column("temperature_low_c", Number, "Lowest, C."),
    column(
        "temperature_low_at",
        Instant,
        "When that was first reached, in UTC.",
    ),
    column("temperature_high_c", Number, "Highest, C."),
    column(
        "temperature_high_at",
        Instant,
        "When that was first reached, in UTC.",
    ),
    column(
        "humidity_known_h",
        Number,
        "Hours in which humidity is known.",
    ),
    column("humidity_mean_pct", Number, "Mean by time, percent."),
    column("humidity_low_pct", Number, "Lowest, percent."),
    column(
        "humidity_low_at",
        Instant,
        "When that was first reached, in UTC.",
    ),
    column("humidity_high_pct", Number, "Highest, percent."),
    column(
        "humidity_high_at",
        Instant,
        "When that was first reached, in UTC.",
    ),
    column("both_known_h", Number, "Hours in which both are known."),
    column(
        "dose_kpa_day",
        Number,
        "Vapour pressure deficit summed over these hours, kPa day.",
    ),
    column(
        "spread_low_k",
        Number,
        "Least distance of the air from its own dew point, kelvin.",
    ),
    column(
        "spread_low_at",
        Instant,
        "When that was first reached, in UTC.",
    ),
    column(
        "judged_h",
        Number,
        "Hours held against the band; empty where the sensor is held against none.",
    ),
    column("in_band_h", Number, "Of these, hours within it."),
    column("in_band_pct", Number, "The same in percent."),
    column(
        "temperature_judged_h",
        Number,
        "Hours in which temperature was held against the band.",
    ),
    column("temperature_in_band_h", Number, "Of these, within."),
    column(
        "humidity_judged_h",
        Number,
        "Hours in which humidity was held against the band.",
    ),
    column("humidity_in_band_h", Number, "Of these, within."),
    column("cold_h", Number, "Hours below the band's temperatures."),
    column(
        "cold_sure_h",
        Number,
        "Of these, by more than the sensor may be off.",
    ),
    column("cold_k_h", Number, "Kelvin below times hours."),
    column("cold_excursions", Number, "Unbroken stretches."),
    column("cold_longest_h", Number, "Hours of the longest."),
    column("cold_worst_c", Number, "The furthest, C."),
    column("cold_worst_at", Instant, "When, in UTC."),
    column("warm_h", Number, "Hours above the band's temperatures."),
    column(
        "warm_sure_h",
        Number,
        "Of these, by more than the sensor may be off.",
    ),
    column("warm_k_h", Number, "Kelvin above times hours."),
    column("warm_excursions", Number, "Unbroken stretches."),
    column("warm_longest_h", Number, "Hours of the longest."),
    column("warm_worst_c", Number, "The furthest, C."),
    column("warm_worst_at", Instant, "When, in UTC."),
    column("dry_h", Number, "Hours below the band's humidities."),
    column(
        "dry_sure_h",
        Number,
        "Of these, by more than the sensor may be off.",
    ),
    column("dry_pct_h", Number, "Points below times hours."),
    column("dry_excursions", Number, "Unbroken stretches."),
    column("dry_longest_h", Number, "Hours of the longest."),
    column("dry_worst_pct", Number, "The furthest, percent."),
    column("dry_worst_at", Instant, "When, in UTC."),
    column("damp_h", Number, "Hours above the band's humidities."),
    column(
        "damp_sure_h",
        Number,
        "Of these, by more than the sensor may be off.",
    ),
    column("damp_pct_h", Number, "Points above times hours."),
    column("damp_excursions", Number, "Unbroken stretches."),
    column("damp_longest_h", Number, "Hours of the longest."),
    column("damp_worst_pct", Number, "The furthest, percent."),
    column("damp_worst_at", Instant, "When, in UTC."),
];

fn value_and_when(at: Option<At>) -> [Cell; 2] {
    match at {
        Some(at) => [at.value.into(), at.at.into()],
        None => [Cell::Empty, Cell::Empty],
    }
}

fn quantity(of: Option<&Quantity>) -> Vec<Cell> {
    let mut cells: Vec<Cell> = vec![of.map(|q| q.covered_h).into(), of.map(|q| q.mean).into()];
    cells.extend(value_and_when(of.map(|q| q.low)));
    cells.extend(value_and_when(of.map(|q| q.high)));
    cells
}

fn side_hours(of: Option<&SideHours>) -> Vec<Cell> {
    let mut cells: Vec<Cell> = vec![
        of.map(|s| s.hours).into(),
        of.map(|s| s.sure_h).into(),
        of.map(|s| s.area).into(),
        of.map(|s| s.excursions).into(),
        of.map(|s| s.longest_h).into(),
    ];
    cells.extend(value_and_when(of.and_then(|s| s.worst)));
    cells
}

pub(super) fn sensors(account: &Account) -> Table {
    let row = |s: &SensorWinter| {
        let mut row: Vec<Cell> = vec![
            (&s.sensor).into(),
            (&s.room).into(),
            word(&s.role),
            s.near.as_ref().into(),
            s.interval_s.into(),
            s.hold_s.into(),
            s.error[0].into(),
            s.error[1].into(),
            s.readings.into(),
            s.first.into(),
            s.last.into(),
            s.span_h.into(),
            s.out_of_service_h.into(),
            s.covered_h.into(),
            percent(s.coverage()).into(),
            s.gaps.count.into(),
            s.gaps.hours.into(),
            s.gaps.longest_h.into(),
            s.gaps.longest_from.into(),
        ];
        row.extend(quantity(s.temperature.as_ref()));
        row.extend(quantity(s.humidity.as_ref()));
        row.extend([s.both_h.into(), s.dose_kpa_day.into()]);
        row.extend(value_and_when(s.spread_low_k));
        let a = s.against.as_ref();
        row.extend([
            a.map(|a| a.judged_h).into(),
            a.map(|a| a.in_band_h).into(),
            a.and_then(Against::share).map(percent).into(),
            a.map(|a| a.temperature_h[0]).into(),
            a.map(|a| a.temperature_h[1]).into(),
            a.map(|a| a.humidity_h[0]).into(),
            a.map(|a| a.humidity_h[1]).into(),
        ]);
        for side in Side::ALL {
            row.extend(side_hours(a.map(|a| &a.sides[side as usize])));
        }
        row
    };
    table(
        ("sensors", "Every sensor over the period"),
        SENSORS,
        &account.conditions.record.sensors,
        row,
    )
}

const EXCURSIONS: &[Column] = &[
    column("room", Text, "The room."),
    column("sensor", Text, "The sensor that told of it."),
    column("side", Text, "On which side: cold, warm, dry or damp."),
    column("from", Instant, "Its beginning, in UTC."),
    column("to", Instant, "Its end, in UTC."),
    column("hours_h", Number, "How long it is known to have lasted."),
    column(
        "peak_c",
        Number,
        "The temperature furthest outside, C, of cold and warm ones.",
    ),
    column(
        "peak_pct",
        Number,
        "The humidity furthest outside, percent, of dry and damp ones.",
    ),
    column("peak_at", Instant, "When that was first reached, in UTC."),
    column("area_k_h", Number, "Kelvin beyond the limit times hours."),
    column("area_pct_h", Number, "Points beyond the limit times hours."),
    column(
        "after_gap",
        YesNo,
        "Nobody knows what was before: it may be longer.",
    ),
    column("before_gap", YesNo, "Nobody knows what was after."),
    column(
        "crates",
        Text,
        "Codes of the crates that stood in that air, with spaces between.",
    ),
];

pub(super) fn excursions(account: &Account) -> Table {
    let sensors = account.conditions.record.sensors.iter();
    let mut all: Vec<&Excursion> = (sensors.filter_map(|s| s.against.as_ref()))
        .flat_map(|a| &a.excursions)
        .collect();
    all.sort_by(|a, b| {
        let of = |e: &Excursion| (e.from, e.to, e.side);
        (&a.room, of(a), &a.sensor).cmp(&(&b.room, of(b), &b.sensor))
    });
    table(
        (
            "excursions",
            "Stretches outside the band: of each sensor and side the twenty largest, in order of time. The table of sensors counts all",
        ),
        EXCURSIONS,
        all,
        |e| {
            let thermal = e.side.is_thermal();
            let only = |of: f64, so: bool| Cell::from(so.then_some(of));
            vec![
                (&e.room).into(),
                (&e.sensor).into(),
                word(&e.side),
                e.from.into(),
                e.to.into(),
                e.hours.into(),
                only(e.peak.value, thermal),
                only(e.peak.value, !thermal),
                e.peak.at.into(),
                only(e.area, thermal),
                only(e.area, !thermal),
                e.after_gap.into(),
                e.before_gap.into(),
                e.crates.join(" ").into(),
            ]
        },
    )
}

const PLACES: &[Column] = &[
    column("room", Text, "The room."),
    column("near", Text, "How the places of the one part begin."),
    column("other", Text, "How the places of the other begin."),
    column(
        "quantity",
        Text,
        "What is compared: temperature or humidity.",
    ),
    column(
        "mean_k",
        Number,
        "Of temperature: mean of the first less the second, kelvin.",
    ),
    column(
        "mean_pct",
        Number,
        "Of humidity: mean of the first less the second, points.",
    ),
    column("days", Number, "Days that were compared."),
    column("weeks", Number, "Weeks from which the interval was made."),
    column(
        "low",
        Number,
        "Lower end of the 95 % interval by chance, in the unit of the mean.",
    ),
    column("high", Number, "Its upper end."),
    column(
        "error",
        Number,
        "What the sensors may be off together, in the same unit.",
    ),
    column("tells", YesNo, "It can be told from no difference."),
];

pub(super) fn places(account: &Account) -> Table {
    let rooms = account.conditions.rooms.iter();
    let each = rooms.flat_map(|r: &RoomWinter| &r.apart).flat_map(|a| {
        let of = |what, d: Option<Difference>| d.map(|d| (a, what, d));
        [
            of("temperature", a.temperature_k),
            of("humidity", a.humidity_pct),
        ]
        .into_iter()
        .flatten()
    });
    table(
        ("places", "Parts of a room against each other"),
        PLACES,
        each,
        |(a, what, d): (&Apart, &str, Difference)| {
            let thermal = what == "temperature";
            vec![
                (&a.room).into(),
                a.near.as_ref().into(),
                a.other.as_ref().into(),
                what.into(),
                number(thermal.then_some(d.mean)),
                number((!thermal).then_some(d.mean)),
                d.days.into(),
                d.weeks.into(),
                number(d.interval.map(|(low, _)| low)),
                number(d.interval.map(|(_, high)| high)),
                number(Some(d.error)),
                d.tells.into(),
            ]
        },
    )
}
