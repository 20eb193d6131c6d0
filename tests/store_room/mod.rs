//! A store room worked out from first principles, to judge the judge by: it shares no equation with the program.
//!
//! Air is one well-mixed node with heat and water; the outer wall, the floor and the crates are cut into
//! layers that conduct; tubers lose water through their skin, packing and wood take it up and give it back,
//! and it condenses on whatever is colder than the dew point. The weather is measured, everything else
//! follows from the seed of the scenario.

#![allow(
    dead_code,
    unused_imports,
    reason = "each test binary uses a part of the room"
)]

pub(crate) mod harm;
pub(crate) mod life;
pub(crate) mod moist;
pub(crate) mod mould;
pub(crate) mod room;
pub(crate) mod run;
pub(crate) mod scenarios;
pub(crate) mod sensors;
pub(crate) mod solid;
pub(crate) mod weather;

pub(crate) use self::{
    harm::{Harm, HarmKind},
    run::{Run, Truth, simulate},
    scenarios::{held_out, scenarios},
    sensors::Reading,
    weather::{Weather, weather},
};

/// One store for some days of the measured winter, and what goes wrong in it, if anything.
#[derive(Clone, Debug)]
pub(crate) struct Scenario {
    /// Name for tables.
    pub(crate) name: &'static str,
    /// Everything that is chance follows from this.
    pub(crate) seed: u64,
    /// How long it is watched, days.
    pub(crate) days: f64,
    /// Days after the first row of the weather (2020-12-18 15:15, UTC+2).
    pub(crate) start_day: f64,
    /// Added to the measured outdoor temperature, K, at the same relative humidity.
    pub(crate) outdoor_offset_k: f64,
    /// What goes wrong.
    pub(crate) incident: Option<Incident>,
    /// Air in the room, m3.
    pub(crate) volume_m3: f64,
    /// Cold outer wall that crates stand against, m2.
    pub(crate) wall_m2: f64,
    /// Its thermal transmittance, W/(m2 K).
    pub(crate) wall_u: f64,
    /// Heat lost through the rest of the shell to the outdoor air, W/K.
    pub(crate) rest_w_k: f64,
    /// Air changes through cracks, per hour, at 10 K between in and out.
    pub(crate) leakage_per_h: f64,
    /// Heater, W, on a thermostat of `setpoint_c` with 0.5 K either side.
    pub(crate) heater_w: f64,
    /// Thermostat by day, C.
    pub(crate) setpoint_c: f64,
    /// Lower by so much from 21 to 6 o'clock, K.
    pub(crate) setback_k: f64,
    /// Humidifier, g/h, on a humidistat of `humidity_pct` with 2 % either side.
    pub(crate) humidifier_g_per_h: f64,
    /// Humidistat, %.
    pub(crate) humidity_pct: f64,
    /// Water rising through the floor, g/h.
    pub(crate) damp_g_per_h: f64,
    /// Ground under the floor, C, at its mean.
    pub(crate) ground_c: f64,
    /// Crates in the middle of the room.
    pub(crate) middle_crates: f64,
    /// Crates against the outer wall.
    pub(crate) wall_crates: f64,
    /// Tubers in a crate, kg.
    pub(crate) tubers_kg: f64,
    /// Dry packing (shavings) in a crate, kg.
    pub(crate) packing_kg: f64,
    /// Water lost through the skin, ng/(kg s Pa): 60 is the middle of 30 to 170, no figure for this tuber is published.
    pub(crate) skin: f64,
    /// Between readings, minutes.
    pub(crate) interval_min: f64,
}

impl Default for Scenario {
    fn default() -> Self {
        Self {
            name: "store",
            seed: 1,
            days: 21.0,
            start_day: 10.0,
            outdoor_offset_k: 0.0,
            incident: None,
            volume_m3: 40.0,
            wall_m2: 10.0,
            wall_u: 0.22,
            rest_w_k: 10.0,
            leakage_per_h: 0.3,
            heater_w: 1000.0,
            setpoint_c: 9.3,
            setback_k: 0.6,
            humidifier_g_per_h: 160.0,
            humidity_pct: 79.5,
            damp_g_per_h: 2.0,
            ground_c: 7.0,
            middle_crates: 30.0,
            wall_crates: 10.0,
            tubers_kg: 12.0,
            packing_kg: 2.0,
            skin: 60.0,
            interval_min: 5.0,
        }
    }
}

/// What goes wrong, in hours since the start.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Incident {
    /// No heat.
    HeaterFails { at_h: f64, for_h: f64 },
    /// Heat whatever the thermostat says.
    HeaterStuckOn { at_h: f64, for_h: f64 },
    /// No more water from the humidifier.
    HumidifierDies { at_h: f64 },
    /// Water runs onto the floor, which gives it to the air.
    Leak { at_h: f64, for_h: f64, g_per_h: f64 },
    /// The first time after `at_h` that the outdoor dew point is `by_k` K above the coldest crate, the room is
    /// aired for `for_h` hours with `per_h` air changes an hour.
    ThawVenting {
        at_h: f64,
        by_k: f64,
        for_h: f64,
        per_h: f64,
    },
    /// Over `over_h` hours the wall's insulation conducts `times` as well and the floor grows damper.
    ColdWallSweating {
        at_h: f64,
        over_h: f64,
        times: f64,
        g_per_h: f64,
    },
}
