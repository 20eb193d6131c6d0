//! What the judge says of a run.

use overwinter::{
    climate::Packing,
    watch::{
        Arrives, CrateFacts, Input, Judge, Kind, Limits, Priority, Reading, Role, RoomSettings,
        SensorId, SensorName, SensorSettings, Settings, Stamp, Transition, Values,
        reading::MINUTE_MS,
    },
};

use crate::store_room::{Run, Scenario};

/// Something a person is told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Notice {
    /// When.
    pub(crate) at_ms: i64,
    /// What of.
    pub(crate) kind: Kind,
    /// Low ones wait for the morning summary, the others ask for an act.
    pub(crate) priority: Priority,
}

const ROOM: &str = "store";
/// The crate with the probe, against the outer wall.
const WALL: &str = "W-01";
const SENSORS: [(&str, Role); 3] = [
    ("air", Role::Air),
    ("crate", Role::Crate),
    ("outdoor", Role::Outdoor),
];

fn settings(scenario: &Scenario) -> Settings {
    let sensors = SENSORS
        .iter()
        .zip(1..)
        .map(|((name, role), id)| SensorSettings {
            id: SensorId(id),
            name: SensorName::new(name).unwrap(),
            room: ROOM.to_owned(),
            role: *role,
            crate_code: (*role == Role::Crate).then(|| WALL.to_owned()),
            interval_ms: scenario.interval_min as i64 * MINUTE_MS,
            arrives: Arrives::Live,
            near: None,
            accuracy: None,
            checked: None,
        });
    Settings {
        rooms: vec![RoomSettings::storing(ROOM, Limits::default())],
        sensors: sensors.collect(),
        ..Settings::default()
    }
}

/// A few of the crates in the middle, two of them with their tubers in paper, and the one at the wall.
fn crates(scenario: &Scenario, since: Stamp) -> Vec<CrateFacts> {
    let codes = ["M-01", "M-02", "M-03", "M-04", "P-01", "P-02", WALL];
    let of = |code: &str| CrateFacts {
        code: code.to_owned(),
        room: ROOM.to_owned(),
        place: if code == WALL { "wall" } else { "middle" }.to_owned(),
        packing: if code.starts_with('P') {
            Packing::Newspaper
        } else {
            Packing::Shavings
        },
        tubers_g: Some((scenario.tubers_kg * 1000.0) as u32),
        divided: false,
        washed: false,
        uncured: false,
        since: Some(since),
    };
    codes.into_iter().map(of).collect()
}

/// Every raising, in order of time.
pub(crate) fn notices(scenario: &Scenario, run: &Run) -> Vec<Notice> {
    let start = Stamp(run.readings[0].at_ms);
    let mut judge = Judge::new();
    let mut notices = Vec::new();
    let mut hear = |input: &Input| {
        let told = judge.step(input).into_iter().filter(Transition::raises);
        notices.extend(told.map(|t| Notice {
            at_ms: t.at.0,
            kind: t.kind,
            priority: t.priority,
        }));
    };
    hear(&Input::Settings {
        at: start,
        settings: settings(scenario),
    });
    hear(&Input::Crates {
        at: start,
        changed: crates(scenario, start),
        gone: Vec::new(),
    });
    for (reading, seq) in run.readings.iter().zip(1..) {
        let sensor = SENSORS.iter().position(|(name, _)| *name == reading.sensor);
        let thousandths = |value: f64| (value * 1000.0).round() as i32;
        let at = Stamp(reading.at_ms);
        hear(&Input::Reading(Reading {
            seq,
            sensor: SensorId(sensor.unwrap() as u32 + 1),
            measured_at: at,
            received_at: at,
            values: Values {
                temperature_mc: reading.temperature_c.map(thousandths),
                humidity_mpct: reading.humidity_pct.map(thousandths),
                battery_pct: None,
            },
        }));
    }
    notices
}
