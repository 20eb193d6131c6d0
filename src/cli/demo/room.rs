//! A storage room of the demonstration: one body of air, the walls and tubers around it, and the packing.
//!
//! Two balances, stepped implicitly, so that a step of any length is stable and what leaves one side comes
//! to the other:
//!
//! - heat: air against outdoors (shell, cracks, vents), against its walls and tubers, and the heater; walls
//!   and tubers against the ground;
//! - water: vapour in the air against outdoors (cracks, vents), damp walls, packing, and the humidifier.
//!
//! Evaporation takes no heat here: some grams an hour are a few watts. Where a source is not named, a figure is one of
//! this project, chosen so that the rooms are like the ones that growers tell of.

use super::weather::{Outdoors, saturation_pa};

/// Density times heat capacity of air, J/(m3 K): 1.25 kg/m3 and 1006 J/(kg K) at about 10 C (handbook).
pub(crate) const AIR_J_M3K: f64 = 1257.0;
/// Gas constant of water vapour, J/(kg K) (IAPWS: 461.523).
const R_VAPOUR: f64 = 461.523;
/// Kelvin below the setpoint at which the heater gives all it has. A thermostat switches many times between
/// two readings; what counts is its mean.
const HEATER_SPAN_K: f64 = 1.0;
/// Points below its setting at which the humidifier gives all it has.
const HUMIDIFIER_SPAN_PCT: f64 = 4.0;
/// Water that packing holds at 100 %, by its dry weight: the slope of wood between 70 and 90 % (13.4 and
/// 20.9 %, Simpson 1998), carried on as a straight line.
pub(crate) const PACKING_FULL: f64 = 0.30;
/// Water activity of a tuber: most produce is in balance with 97 to 98 % (handbook).
const TUBER_ACTIVITY: f64 = 0.98;

/// What a room is made of.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Build {
    /// Air, m3.
    pub(crate) volume_m3: f64,
    /// Ceiling, door and outer walls to the outdoor air, W/K.
    pub(crate) shell_w_k: f64,
    /// Walls and floor to the ground behind them, W/K.
    pub(crate) ground_w_k: f64,
    /// Room side of walls and floor, with the tubers, J/K.
    pub(crate) solid_j_k: f64,
    /// Air to walls, floor and tubers, W/K.
    pub(crate) exchange_w_k: f64,
    /// Air changes an hour through cracks.
    pub(crate) leak_per_h: f64,
    /// Heater, W.
    pub(crate) heater_w: f64,
    /// Humidifier, kg/h.
    pub(crate) humidifier_kg_h: f64,
    /// Dry packing, kg.
    pub(crate) packing_kg: f64,
    /// Air to packing, kg/(s Pa).
    pub(crate) packing_exchange: f64,
    /// Air to damp stones and floor, kg/(s Pa).
    pub(crate) damp_exchange: f64,
    /// Air to the tubers' skins, kg/(s Pa).
    pub(crate) tuber_exchange: f64,
}

/// What acts on it for one step.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Forces {
    /// Outdoor air.
    pub(crate) outdoors: Outdoors,
    /// Ground behind walls and floor, C.
    pub(crate) ground_c: f64,
    /// Thermostat, C; none while there is no heat.
    pub(crate) heat_to_c: Option<f64>,
    /// Humidifier's setting, percent; none while it does not work.
    pub(crate) mist_to_pct: Option<f64>,
    /// Air changes an hour through vents and doors.
    pub(crate) open_per_h: f64,
    /// How many times as wet as usual the stones are.
    pub(crate) damp_times: f64,
}

/// How it stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Room {
    /// Air, C.
    pub(crate) air_c: f64,
    /// Walls, floor and tubers, C.
    pub(crate) solid_c: f64,
    /// Vapour in the air, kg.
    pub(crate) vapour_kg: f64,
    /// Water in the packing, kg.
    pub(crate) packed_kg: f64,
}

/// What came to the room in one step, all of it; what left is negative. The balances are held against it.
#[cfg_attr(not(test), expect(dead_code, reason = "tests keep the books"))]
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Came {
    /// Heat of air, walls and tubers, J.
    pub(crate) heat_j: f64,
    /// Water of air and packing, kg.
    pub(crate) water_kg: f64,
}

/// Vapour in a cubic metre, kg, at a pressure in Pa and a temperature in C (ideal gas law).
fn density(pa: f64, t_c: f64) -> f64 {
    pa / (R_VAPOUR * (t_c + 273.15))
}

impl Room {
    /// A room that has long been at `t_c` and `rh_pct`.
    pub(crate) fn settled(build: &Build, t_c: f64, rh_pct: f64) -> Self {
        let pa = saturation_pa(t_c) * rh_pct / 100.0;
        Self {
            air_c: t_c,
            solid_c: t_c,
            vapour_kg: density(pa, t_c) * build.volume_m3,
            packed_kg: build.packing_kg * PACKING_FULL * rh_pct / 100.0,
        }
    }

    /// Vapour pressure, Pa.
    pub(crate) fn vapour_pa(&self, build: &Build) -> f64 {
        self.vapour_kg / build.volume_m3 * R_VAPOUR * (self.air_c + 273.15)
    }

    /// Relative humidity that this vapour makes at `t_c`, percent, at most 100.
    pub(crate) fn humidity_pct(&self, build: &Build, t_c: f64) -> f64 {
        (100.0 * self.vapour_pa(build) / saturation_pa(t_c)).min(100.0)
    }

    /// Moves on by `seconds`.
    pub(crate) fn step(&mut self, build: &Build, forces: &Forces, seconds: f64) -> Came {
        let changes_s = (build.leak_per_h + forces.open_per_h) / 3600.0;
        Came {
            heat_j: self.step_heat(build, forces, changes_s, seconds),
            water_kg: self.step_water(build, forces, changes_s, seconds),
        }
    }

    fn step_heat(&mut self, build: &Build, forces: &Forces, changes_s: f64, dt: f64) -> f64 {
        let air_j_k = AIR_J_M3K * build.volume_m3;
        let out_w_k = build.shell_w_k + air_j_k * changes_s;
        let to = |heater_w: f64, heater_w_k: f64| {
            // Two balances, both with the temperatures at the end of the step:
            // air (C/dt + out + x + h) T - x S = C/dt T0 + out To + Q;  walls (C/dt + g + x) S - x T = C/dt S0 + g G.
            let x = build.exchange_w_k;
            let a = air_j_k / dt + out_w_k + x + heater_w_k;
            let s = build.solid_j_k / dt + build.ground_w_k + x;
            let to_air =
                air_j_k / dt * self.air_c + out_w_k * forces.outdoors.temperature_c + heater_w;
            let to_solid = build.solid_j_k / dt * self.solid_c + build.ground_w_k * forces.ground_c;
            let det = a * s - x * x;
            (
                (to_air * s + x * to_solid) / det,
                (to_solid * a + x * to_air) / det,
            )
        };
        let heater = |set: f64, air_c: f64| {
            ((set - air_c) / HEATER_SPAN_K * build.heater_w).clamp(0.0, build.heater_w)
        };
        let mut heat_w = 0.0;
        let (mut air, mut solid) = to(0.0, 0.0);
        if let Some(set) = forces.heat_to_c
            && air < set
        {
            // In its span it gives less as the air warms; below, all it has.
            let slope = build.heater_w / HEATER_SPAN_K;
            (air, solid) = to(slope * set, slope);
            heat_w = heater(set, air);
            if build.heater_w <= heat_w {
                (air, solid) = to(build.heater_w, 0.0);
            }
        }
        let came = out_w_k * (forces.outdoors.temperature_c - air)
            + build.ground_w_k * (forces.ground_c - solid)
            + heat_w;
        (self.air_c, self.solid_c) = (air, solid);
        came * dt
    }

    fn step_water(&mut self, build: &Build, forces: &Forces, changes_s: f64, dt: f64) -> f64 {
        let outdoors = forces.outdoors;
        let outdoor = density(outdoors.vapour_pa(), outdoors.temperature_c) * build.volume_m3;
        let es = saturation_pa(self.air_c);
        // Pressure of a kilogram of vapour in this room, and of one in this packing.
        let pa_kg = R_VAPOUR * (self.air_c + 273.15) / build.volume_m3;
        let pack_pa_kg = es / (build.packing_kg * PACKING_FULL);
        let wet = build.damp_exchange * forces.damp_times;
        let wet_pa = saturation_pa(self.solid_c);
        let skin_pa = TUBER_ACTIVITY * wet_pa;
        let to = |mist_kg_s: f64, mist_per_pa: f64| {
            // vapour (1/dt + changes + (wet + skin + p + m) k) V - p kp P = V0/dt + changes Vo + wet ew + skin es + mist
            // packing (1/dt + p kp) P - p k V = P0/dt
            let p = build.packing_exchange;
            let a = 1.0 / dt + changes_s + (wet + build.tuber_exchange + p + mist_per_pa) * pa_kg;
            let b = 1.0 / dt + p * pack_pa_kg;
            let to_air = self.vapour_kg / dt
                + changes_s * outdoor
                + wet * wet_pa
                + build.tuber_exchange * skin_pa
                + mist_kg_s;
            let to_pack = self.packed_kg / dt;
            let det = a * b - p * pack_pa_kg * p * pa_kg;
            (
                (to_air * b + p * pack_pa_kg * to_pack) / det,
                (to_pack * a + p * pa_kg * to_air) / det,
            )
        };
        let most = build.humidifier_kg_h / 3600.0;
        let mut mist = 0.0;
        let (mut vapour, mut packed) = to(0.0, 0.0);
        if let Some(set) = forces.mist_to_pct {
            let set_pa = es * set / 100.0;
            if vapour * pa_kg < set_pa {
                let slope = most / (es * HUMIDIFIER_SPAN_PCT / 100.0);
                (vapour, packed) = to(slope * set_pa, slope);
                mist = (slope * (set_pa - vapour * pa_kg)).clamp(0.0, most);
                if most <= mist {
                    (vapour, packed) = to(most, 0.0);
                }
            }
        }
        let e = vapour * pa_kg;
        let came = changes_s * (outdoor - vapour)
            + wet * (wet_pa - e)
            + build.tuber_exchange * (skin_pa - e)
            + mist;
        // More than saturated air cannot hold: the rest runs down the walls and is gone.
        let fog = (vapour - es / pa_kg).max(0.0);
        (self.vapour_kg, self.packed_kg) = (vapour - fog, packed);
        came * dt - fog
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLAIN: Build = Build {
        volume_m3: 50.0,
        shell_w_k: 40.0,
        ground_w_k: 20.0,
        solid_j_k: 3e6,
        exchange_w_k: 250.0,
        leak_per_h: 0.0,
        heater_w: 1500.0,
        humidifier_kg_h: 0.4,
        packing_kg: 100.0,
        packing_exchange: 2e-8,
        damp_exchange: 0.0,
        tuber_exchange: 0.0,
    };

    fn still() -> Forces {
        Forces {
            outdoors: Outdoors {
                temperature_c: -4.0,
                humidity_pct: 85.0,
            },
            ground_c: 8.0,
            heat_to_c: None,
            mist_to_pct: None,
            open_per_h: 0.0,
            damp_times: 1.0,
        }
    }

    fn long(build: &Build, forces: &Forces) -> Room {
        let mut room = Room::settled(build, 9.0, 80.0);
        for _ in 0..400 * 144 {
            room.step(build, forces, 600.0);
        }
        room
    }

    #[test]
    fn without_heat_it_comes_to_rest_between_outdoors_and_ground() {
        // All that comes from the ground leaves through the shell, by way of the air:
        // ground 20 W/K in series with 250 W/K is 18.5185 W/K; (40 x -4 + 18.5185 x 8) / 58.5185 = -0.20253.
        let room = long(&PLAIN, &still());
        assert!((room.air_c - -0.202_53).abs() < 1e-4, "{}", room.air_c);
        // Walls: (250 x -0.20253 + 20 x 8) / 270 = 0.40507.
        assert!((room.solid_c - 0.405_07).abs() < 1e-4, "{}", room.solid_c);
    }

    #[test]
    fn the_heater_holds_within_its_span_and_gives_no_more_than_it_has() {
        let heated = |set, heater_w| {
            let forces = Forces {
                heat_to_c: Some(set),
                ..still()
            };
            let build = Build { heater_w, ..PLAIN };
            long(&build, &forces).air_c
        };
        // 58.5185 T = -160 + 148.148 + 1500 (9 - T): T = 13488.148 / 1558.5185 = 8.65447.
        assert!((heated(9.0, 1500.0) - 8.654_47).abs() < 1e-4);
        // With 300 W: (-11.852 + 300) / 58.5185 = 4.92406.
        assert!((heated(9.0, 300.0) - 4.924_06).abs() < 1e-4);
    }

    #[test]
    fn leaking_air_and_a_damp_wall_come_to_the_mean_of_both() {
        let build = Build {
            leak_per_h: 0.3,
            damp_exchange: 1e-8,
            ..PLAIN
        };
        let forces = Forces {
            outdoors: Outdoors {
                temperature_c: 8.0,
                humidity_pct: 60.0,
            },
            ..still()
        };
        let room = long(&build, &forces);
        assert!((room.air_c - 8.0).abs() < 1e-6);
        // Leak as a conductance: 0.3 x 50 / 3600 / (461.523 x 281.15) = 3.21117e-8 kg/(s Pa), against 1e-8:
        // (3.21117 x 60 + 1 x 100) / 4.21117 = 69.4985 %.
        let rh = room.humidity_pct(&build, room.air_c);
        assert!((rh - 69.4985).abs() < 1e-3, "{rh}");
        // In the end the packing is as damp as the air.
        let packing = room.packed_kg / (build.packing_kg * PACKING_FULL);
        assert!((packing * 100.0 - rh).abs() < 1e-2, "{packing}");
    }

    #[test]
    fn heat_and_water_are_kept() {
        let build = Build {
            leak_per_h: 0.3,
            damp_exchange: 4e-8,
            tuber_exchange: 1e-8,
            ..PLAIN
        };
        let mut room = Room::settled(&build, 9.0, 80.0);
        let heat = |r: &Room| r.air_c * AIR_J_M3K * build.volume_m3 + r.solid_c * build.solid_j_k;
        let water = |r: &Room| r.vapour_kg + r.packed_kg;
        let (heat_0, water_0) = (heat(&room), water(&room));
        let mut came = Came::default();
        let mut moved = 0.0;
        for step in 0..3000 {
            let swing = (f64::from(step) / 144.0 * std::f64::consts::TAU).sin();
            let forces = Forces {
                outdoors: Outdoors {
                    temperature_c: 2.0 + 12.0 * swing,
                    humidity_pct: 80.0 - 15.0 * swing,
                },
                heat_to_c: (step % 500 < 400).then_some(9.0),
                mist_to_pct: (step % 700 < 300).then_some(82.0),
                open_per_h: if step % 144 < 3 { 8.0 } else { 0.0 },
                damp_times: if step % 900 < 200 { 6.0 } else { 1.0 },
                ..still()
            };
            let one = room.step(&build, &forces, 600.0);
            came.heat_j += one.heat_j;
            came.water_kg += one.water_kg;
            moved += one.water_kg.abs();
        }
        let lost = heat(&room) - heat_0 - came.heat_j;
        assert!(lost.abs() < 1.0, "{lost} J of {}", came.heat_j);
        let lost = water(&room) - water_0 - came.water_kg;
        assert!(lost.abs() < 1e-9, "{lost} kg of {moved}");
        assert!(1.0 < moved);
    }

    #[test]
    fn it_fogs_and_holds_no_more_than_the_air_can() {
        let build = Build {
            damp_exchange: 1e-6,
            ..PLAIN
        };
        let forces = Forces {
            ground_c: 14.0,
            outdoors: Outdoors {
                temperature_c: 2.0,
                humidity_pct: 90.0,
            },
            ..still()
        };
        let room = long(&build, &forces);
        assert!(room.air_c < room.solid_c);
        assert!((room.humidity_pct(&build, room.air_c) - 100.0).abs() < 1e-9);
    }
}
