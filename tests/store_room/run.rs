//! One run: weather, people and mishap act on the room minute by minute; sensors and harm are noted.

use super::{
    Incident, Scenario,
    harm::{Harm, Watch},
    life::{Deed, deeds},
    moist::{dew_point_c, saturation_pa},
    room::{Forces, MIDDLE, Room, SIDE, WALL},
    sensors::{Reading, Sensor},
    weather::Weather,
};

/// Seconds in a step: short enough for the explicit bodies and for a door that stands open three minutes.
const DT: f64 = 60.0;
/// Hours the room is run before anything is noted, so that walls and crates are at home.
const BEFORE_H: f64 = 36.0;

/// The true state once an hour.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Truth {
    /// Milliseconds since 1970, UTC.
    pub(crate) at_ms: i64,
    /// Outdoor air, C.
    pub(crate) outdoor_t: f64,
    /// Air in the middle of the room, C.
    pub(crate) air_t: f64,
    /// And %.
    pub(crate) air_rh: f64,
    /// Its dew point, C.
    pub(crate) dew_point: f64,
    /// Core of a crate in the middle, C.
    pub(crate) middle_core: f64,
    /// Its surface, C.
    pub(crate) middle_surface: f64,
    /// Middle of a crate against the wall, C.
    pub(crate) wall_crate_core: f64,
    /// Its tubers where the probe is, C.
    pub(crate) probe: f64,
    /// Its side toward the wall, C.
    pub(crate) wall_crate_side: f64,
    /// The wall behind it, C.
    pub(crate) wall_surface: f64,
    /// Water condensed on all surfaces since the start, g.
    pub(crate) condensed_g: f64,
    /// Hours that water stood on middle crates and on wall sides.
    pub(crate) wet_h: [f64; 2],
    /// Mass a bare tuber has lost, %.
    pub(crate) lost_pct: f64,
    /// Mould: 0 none, 1 seen.
    pub(crate) mould: f64,
}

/// All that came of a scenario.
#[derive(Clone, Debug)]
pub(crate) struct Run {
    /// What the sensors said, in order of time.
    pub(crate) readings: Vec<Reading>,
    /// First time of each kind of harm, in order of time.
    pub(crate) harms: Vec<Harm>,
    /// When the incident began, if it did.
    pub(crate) incident_from_ms: Option<i64>,
    /// When its cause was over, or the end of the run.
    pub(crate) incident_to_ms: Option<i64>,
    /// The true state, hourly.
    pub(crate) truth: Vec<Truth>,
}

/// What people do in one minute.
#[derive(Clone, Copy, Default)]
struct Minute {
    door_per_h: f64,
    /// Are the vents to be opened, and is that by plan?
    airing: Option<bool>,
    spill_kg: f64,
}

fn minutes(s: &Scenario, start_s: f64) -> Vec<Minute> {
    let mut all = vec![Minute::default(); (s.days * 1440.0) as usize + 1];
    let mut each = |from_s: f64, to_s: f64, set: &dyn Fn(&mut Minute)| {
        let (from, to) = ((from_s / DT) as usize, (to_s / DT).ceil() as usize);
        all.iter_mut().take(to).skip(from).for_each(set);
    };
    for deed in deeds(s.seed, start_s, s.days) {
        match deed {
            Deed::Open {
                from_s,
                to_s,
                per_h,
            } => each(from_s, to_s, &|m| m.door_per_h = per_h),
            Deed::Air {
                from_s,
                to_s,
                planned,
            } => each(from_s, to_s, &|m| m.airing = Some(planned)),
            Deed::Splash { at_s, kg } => each(at_s, at_s + 1.0, &|m| m.spill_kg = kg),
        }
    }
    all
}

/// The forces of ordinary life at `s` seconds of the weather.
fn ordinary(
    scenario: &Scenario,
    weather: &Weather,
    at_s: f64,
    room: &Room,
    minute: Minute,
) -> Forces {
    let (t, rh) = weather.at(at_s);
    let out_t = t + scenario.outdoor_offset_k;
    let out_e = saturation_pa(out_t) * rh / 100.0;
    let night = !(6.0..21.0).contains(&Weather::hour(at_s));
    let setback = if night { scenario.setback_k } else { 0.0 };
    // Airing is done when it is not bitter outside, what comes in is the drier, and the plan or the damp asks
    // for it; never on purpose below what the stock needs.
    let wanted = |planned| room.rh() > if planned { 78.0 } else { 83.0 };
    let airing = minute.airing.is_some_and(wanted) && out_t > -8.0 && out_e < room.e();
    let airing = if airing { 1.5 } else { 0.0 };
    // Ground lags the year: coldest about day 80 of this series, 1.5 K below its mean (assumption).
    let year = (at_s / 86_400.0 - 80.0) / 365.25 * std::f64::consts::TAU;
    Forces {
        out_t,
        out_e,
        ground_t: scenario.ground_c - 1.5 * year.cos(),
        open_per_h: minute.door_per_h + airing,
        setpoint: scenario.setpoint_c - setback,
        heater: None,
        humidifier: true,
        spill_kg: minute.spill_kg,
        damp_kg_s: scenario.damp_g_per_h / 3.6e6,
    }
}

/// When the incident's cause lasts, hours since the start.
#[derive(Clone, Copy, Debug, Default)]
struct Course {
    from_h: Option<f64>,
    to_h: f64,
}

impl Course {
    /// Has it begun by hour `h`, and is it not yet over?
    fn acts(
        &mut self,
        incident: Incident,
        h: f64,
        end_h: f64,
        forces: &Forces,
        room: &Room,
    ) -> bool {
        if self.from_h.is_none() {
            let (at_h, for_h) = match incident {
                Incident::HeaterFails { at_h, for_h }
                | Incident::HeaterStuckOn { at_h, for_h }
                | Incident::Leak { at_h, for_h, .. }
                | Incident::ThawVenting { at_h, for_h, .. } => (at_h, for_h),
                Incident::HumidifierDies { at_h } | Incident::ColdWallSweating { at_h, .. } => {
                    (at_h, f64::MAX)
                }
            };
            let awaited = match incident {
                Incident::ThawVenting { by_k, .. } => {
                    saturation_pa(room.coldest() + by_k) < forces.out_e
                }
                _ => true,
            };
            if h >= at_h && awaited {
                *self = Self {
                    from_h: Some(h),
                    to_h: (h + for_h).min(end_h),
                };
            }
        }
        self.from_h.is_some() && h < self.to_h
    }
}

fn harmed(incident: Incident, since_h: f64, forces: &mut Forces, room: &mut Room) {
    match incident {
        Incident::HeaterFails { .. } => forces.heater = Some(false),
        Incident::HeaterStuckOn { .. } => forces.heater = Some(true),
        Incident::HumidifierDies { .. } => forces.humidifier = false,
        Incident::Leak { g_per_h, .. } => forces.spill_kg += g_per_h / 1000.0 * DT / 3600.0,
        Incident::ThawVenting { per_h, .. } => forces.open_per_h += per_h,
        Incident::ColdWallSweating {
            over_h,
            times,
            g_per_h,
            ..
        } => {
            let part = (since_h / over_h).min(1.0);
            forces.damp_kg_s += part * g_per_h / 3.6e6;
            // Every hour is often enough for so slow a thing.
            if since_h.fract() < DT / 3600.0 {
                room.wet_insulation(1.0 + part * (times - 1.0));
            }
        }
    }
}

/// Runs a scenario from its seed; the same scenario and weather give the same run.
pub(crate) fn simulate(s: &Scenario, weather: &Weather) -> Run {
    let start_s = s.start_day * 86_400.0;
    let ms = |h: f64| Weather::ms(start_s + h * 3600.0);
    let mut room = Room::new(s, s.setpoint_c, s.humidity_pct);
    for n in 0..(BEFORE_H * 3600.0 / DT) as usize {
        let at_s = start_s - BEFORE_H * 3600.0 + n as f64 * DT;
        let forces = ordinary(s, weather, at_s, &room, Minute::default());
        room.step(DT, &forces);
    }
    room.lost = 0.0;

    let every = (s.interval_min * 60.0 / DT) as usize;
    let mut sensors = ["air", "crate", "outdoor"]
        .iter()
        .zip(0..)
        .map(|(name, nth)| Sensor::new(name, s.seed, nth))
        .collect::<Vec<_>>();
    let (mut readings, mut truth) = (Vec::new(), Vec::new());
    let (mut watch, mut course, mut sound) = (Watch::default(), Course::default(), None);
    let end_h = s.days * 24.0;
    for (n, minute) in minutes(s, start_s).into_iter().enumerate() {
        let h = n as f64 * DT / 3600.0;
        let at_s = start_s + n as f64 * DT;
        let mut forces = ordinary(s, weather, at_s, &room, minute);
        if n % every == 0 {
            let rh = room.rh();
            let (_, out_rh) = weather.at(at_s);
            let said = [
                (room.t, Some(rh)),
                (probe(&room), None),
                (forces.out_t, Some(out_rh)),
            ];
            let heard = sensors.iter_mut().zip(said);
            readings.extend(heard.filter_map(|(sensor, (t, rh))| sensor.read(ms(h), t, rh)));
        }
        if n % 60 == 0 {
            watch.weigh(
                room.lost,
                sound.as_ref().map(|other: &Room| other.lost),
                ms(h),
            );
            truth.push(state(&room, &watch, &forces, ms(h)));
        }
        if let Some(other) = &mut sound {
            let forces = ordinary(s, weather, at_s, other, minute);
            other.step(DT, &forces);
        }
        if let Some(incident) = s.incident {
            let acts = course.acts(incident, h, end_h, &forces, &room);
            if let (true, Some(from_h)) = (acts, course.from_h) {
                sound.get_or_insert_with(|| room.clone());
                harmed(incident, h - from_h, &mut forces, &mut room);
            }
        }
        room.step(DT, &forces);
        watch.look(&room, DT, ms(h));
    }
    Run {
        readings,
        harms: watch.harms,
        incident_from_ms: course.from_h.map(ms),
        incident_to_ms: course.from_h.map(|_| ms(course.to_h)),
        truth,
    }
}

/// The probe lies among the tubers some 10 cm from the wall side.
fn probe(room: &Room) -> f64 {
    room.side.t[1]
}

fn state(room: &Room, watch: &Watch, forces: &Forces, at_ms: i64) -> Truth {
    Truth {
        at_ms,
        outdoor_t: forces.out_t,
        air_t: room.t,
        air_rh: room.rh(),
        dew_point: dew_point_c(room.e()),
        middle_core: room.middle.first(),
        middle_surface: room.surfaces[MIDDLE].t,
        wall_crate_core: f64::midpoint(room.side.t[2], room.side.t[3]),
        probe: probe(room),
        wall_crate_side: room.surfaces[SIDE].t,
        wall_surface: room.surfaces[WALL].t,
        condensed_g: room.surfaces.iter().map(|s| s.condensed).sum::<f64>() * 1000.0,
        wet_h: watch.wet_h,
        lost_pct: room.lost * 100.0,
        mould: watch.mould(),
    }
}
