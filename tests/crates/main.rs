//! What the models keep of crates, whatever order things come in: properties of the fold over random
//! histories with crates, weighings, probes and weather.

mod alike;
mod fold;
mod moves;
mod over;
mod ranking;
mod rungs;

use overwinter::{
    climate::Packing,
    watch::{
        Arrives, CrateFacts, Input, Judge, Limits, Reading, Role, RoomSettings, SensorId,
        SensorName, SensorSettings, Settings, Stamp, Transition, Values,
        models::CrateNow,
        reading::{HOUR_MS, MINUTE_MS},
    },
};

const START: Stamp = Stamp(1_796_083_200_000); // 2026-12-01T00:00:00Z
const DAY_MS: i64 = 24 * HOUR_MS;
/// A mean of the air is of so much time.
const SLOT_MS: i64 = 10 * MINUTE_MS;

fn sensor(id: u32, name: &str, room: &str, role: Role) -> SensorSettings {
    SensorSettings {
        id: SensorId(id),
        name: SensorName::new(name).unwrap(),
        room: room.to_owned(),
        role,
        crate_code: (role == Role::Crate).then(|| "C-1".to_owned()),
        interval_ms: SLOT_MS,
        arrives: Arrives::Live,
        near: None,
        accuracy: None,
        checked: None,
    }
}

/// Two rooms: a cellar with two sensors, one of them at the north wall, and a barn with one.
fn site() -> Settings {
    let room = |name: &str| RoomSettings::storing(name, Limits::default());
    let mut sensors = vec![
        sensor(1, "north", "cellar", Role::Air),
        sensor(2, "south", "cellar", Role::Air),
        sensor(3, "barn", "barn", Role::Air),
        sensor(4, "probe", "cellar", Role::Crate),
        sensor(5, "weather", "cellar", Role::Outdoor),
    ];
    sensors[0].near = Some("north wall".to_owned());
    Settings {
        rooms: vec![room("cellar"), room("barn")],
        sensors,
        ..Settings::default()
    }
}

fn only(id: u32) -> Settings {
    let mut settings = site();
    settings.sensors.retain(|s| s.id == SensorId(id));
    settings
}

fn facts(code: &str, room: &str, packing: Packing) -> CrateFacts {
    CrateFacts {
        code: code.to_owned(),
        room: room.to_owned(),
        place: "rack".to_owned(),
        packing,
        tubers_g: None,
        divided: false,
        washed: false,
        uncured: false,
        since: None,
    }
}

/// A judge with everything that it was told and said.
#[derive(Clone)]
struct Store {
    judge: Judge,
    at: Stamp,
    told: Vec<Transition>,
    inputs: Vec<Input>,
    seq: u64,
}

impl Store {
    fn new(settings: Settings, crates: Vec<CrateFacts>) -> Self {
        let mut store = Self {
            judge: Judge::new(),
            at: START,
            told: Vec::new(),
            inputs: Vec::new(),
            seq: 0,
        };
        let at = START;
        store.step(Input::Settings { at, settings });
        store.crates(crates);
        store
    }

    fn step(&mut self, input: Input) {
        self.told.extend(self.judge.step(&input));
        self.inputs.push(input);
    }

    fn crates(&mut self, changed: Vec<CrateFacts>) {
        let (at, gone) = (self.at, Vec::new());
        self.step(Input::Crates { at, changed, gone });
    }

    fn settings(&mut self, settings: Settings) {
        let at = self.at;
        self.step(Input::Settings { at, settings });
    }

    fn tick(&mut self) {
        let at = self.at;
        self.step(Input::Tick { at });
    }

    /// One reading that was measured some minutes ago.
    fn say(&mut self, id: u32, lag_min: i64, t: f64, rh: f64) {
        self.seq += 1;
        self.step(Input::Reading(Reading {
            seq: self.seq,
            sensor: SensorId(id),
            measured_at: self.at.plus(-lag_min * MINUTE_MS),
            received_at: self.at,
            values: Values {
                temperature_mc: Some((t * 1000.0).round() as i32),
                humidity_mpct: Some((rh * 1000.0).round() as i32),
                battery_pct: None,
            },
        }));
    }

    /// Every ten minutes the same from every sensor of these, for so many hours.
    fn hold(&mut self, ids: &[u32], hours: i64, t: f64, rh: f64) {
        for _ in 0..hours * 6 {
            self.at = self.at.plus(SLOT_MS);
            for id in ids {
                self.say(*id, 0, t, rh);
            }
        }
    }

    fn weigh(&mut self, code: &str, weighed_at: Stamp, grams: f64) {
        let at = self.at;
        self.step(Input::Weighed {
            at,
            krate: code.to_owned(),
            weighed_at,
            grams: grams.round() as u32,
            anew: false,
        });
    }

    fn stand(&self, code: &str) -> CrateNow<'_> {
        let models = self.judge.models();
        models.stand(models.krate(code).unwrap(), self.at).unwrap()
    }

    /// Everything that is computed, written out to the last digit.
    fn models(&self) -> String {
        format!("{:?}", self.judge.models())
    }
}

/// xorshift64*: the same figures for the same seed.
struct Dice(u64);

impl Dice {
    fn new(seed: u64) -> Self {
        let mut dice = Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
        (0..8).for_each(|_| {
            dice.share();
        });
        dice
    }

    /// 0 to 1.
    fn share(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.share()
    }

    /// Standard normal (Box and Muller).
    fn normal(&mut self) -> f64 {
        let radius = (-2.0 * self.share().max(1e-300).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.share()).cos()
    }
}
