//! What the pretend sensors said in the demonstration's earlier winter: two rooms worked out from the weather,
//! what people did to their air, and what went wrong.
//!
//! The figures of the rooms and of the story are this project's; only the weather was measured.

use chrono::{NaiveDate, Timelike as _};

use crate::{
    climate::tuber::core_step,
    watch::{
        Stamp,
        reading::{HOUR_MS, MINUTE_MS},
    },
};

use super::{
    room::{Build, Forces, Room},
    weather::{Outdoors, Weather},
};

/// Time between two readings, and between two steps of the rooms.
pub(crate) const STEP_MS: i64 = 10 * MINUTE_MS;
/// The rooms are worked out for so long before the first reading, so that their beginning is forgotten.
const BEFORE_MS: i64 = 7 * 24 * HOUR_MS;

/// An instant of the earlier winter by month, day, hour and minute; the demonstration's farm lives by UTC.
#[derive(Debug, Clone, Copy)]
pub(crate) struct When(
    pub(crate) u32,
    pub(crate) u32,
    pub(crate) u32,
    pub(crate) u32,
);

impl When {
    /// The instant. Months from July on are of 2025.
    pub(crate) fn at(self) -> Stamp {
        let When(month, day, hour, minute) = self;
        let year = if month < 7 { 2026 } else { 2025 };
        NaiveDate::from_ymd_opt(year, month, day)
            .and_then(|day| day.and_hms_opt(hour, minute, 0))
            .map_or(Stamp(0), |at| at.and_utc().into())
    }
}

/// From one instant to another, the second not included.
#[derive(Debug, Clone, Copy)]
pub(crate) struct While(pub(crate) When, pub(crate) When);

impl While {
    fn holds(self, at: Stamp) -> bool {
        self.0.at() <= at && at < self.1.at()
    }
}

/// The first reading: the store is aired and warmed for the first tubers.
pub(crate) const FIRST: When = When(10, 10, 6, 0);
/// The last: the sensors are put away.
pub(crate) const LAST: When = When(5, 20, 12, 0);
/// Tubers are packed, and both rooms are closed.
pub(crate) const CELLAR_STORES: When = When(11, 1, 17, 30);
/// The back room is filled last.
pub(crate) const BACK_STORES: When = When(11, 3, 17, 30);
/// The back room is warmed to wake what stands in it.
pub(crate) const BACK_WAKES: When = When(4, 6, 12, 0);
/// The last crate of the cellar is planted.
pub(crate) const CELLAR_EMPTY: When = When(5, 8, 19, 0);
/// The last crate of all is planted.
pub(crate) const BACK_EMPTY: When = When(5, 18, 19, 0);
/// No mains for an afternoon: no heater, no humidifier, and the recorder is off.
pub(crate) const POWER_CUT: While = While(When(12, 3, 13, 10), When(12, 3, 18, 40));
/// The back room's humidifier runs dry and then waits for a part.
pub(crate) const DRY: While = While(When(1, 6, 20, 0), When(1, 22, 16, 0));
/// A sensor with an empty battery.
pub(crate) const SILENT: (&str, While) = ("south", While(When(1, 30, 22, 30), When(2, 1, 16, 0)));
/// The heater of the back room trips in the coldest night.
pub(crate) const TRIPPED: While = While(When(2, 18, 2, 0), When(2, 18, 6, 20));
/// Melt water comes through the cellar's wall.
pub(crate) const THAW: While = While(When(2, 26, 12, 0), When(3, 6, 10, 0));
/// From some day on a sensor says so many points of humidity too little, until somebody puts it beside a salt.
pub(crate) const OFF: (&str, While, f64) =
    ("back", While(When(2, 24, 0, 0), When(4, 4, 15, 0)), -3.5);
/// Days on which people walk through both rooms for two hours from nine on, with the doors open now and then.
pub(crate) const WALKS: [(u32, u32); 10] = [
    (11, 8),
    (11, 22),
    (12, 6),
    (12, 27),
    (1, 24),
    (2, 21),
    (3, 7),
    (3, 14),
    (3, 28),
    (4, 25),
];

/// Above this somebody opens the vent, points.
const VENT_ABOVE_PCT: f64 = 83.5;
/// What an open vent brings, air changes an hour: 300 m3/h through a room of 60 m3, half open on the mean.
const VENT_PER_H: f64 = 2.5;

/// A vault of stone, half in the ground: 24 m2 of floor, 40 m2 of wall in the ground at some 0.7 W/(m2 K),
/// 64 m2 of stone of which 10 cm follow the air. Volume, cracks, vent, humidifier and packing are those of
/// the demonstration's configuration.
const CELLAR: Build = Build {
    volume_m3: 60.0,
    shell_w_k: 14.0,
    ground_w_k: 42.0,
    solid_j_k: 1.4e7,
    exchange_w_k: 380.0,
    leak_per_h: 0.2,
    heater_w: 1200.0,
    humidifier_kg_h: 0.5,
    packing_kg: 180.0,
    packing_exchange: 2.5e-8,
    damp_exchange: 0.8e-8,
    tuber_exchange: 0.4e-8,
};
/// A shed lined with boards: 18 m2 of concrete floor on the ground, of which 10 cm
/// follow the air, 45 m2 of wall and ceiling at some 1 W/(m2 K).
const BACK: Build = Build {
    volume_m3: 45.0,
    shell_w_k: 44.0,
    ground_w_k: 12.0,
    solid_j_k: 5.5e6,
    exchange_w_k: 450.0,
    leak_per_h: 0.3,
    heater_w: 2000.0,
    humidifier_kg_h: 0.4,
    packing_kg: 110.0,
    packing_exchange: 1.6e-8,
    damp_exchange: 1.6e-8,
    tuber_exchange: 0.5e-8,
};

/// Two metres down it is as warm as the year's mean, half a season late: coldest in the middle of March.
fn ground_c(at: Stamp, mean_c: f64, swing_k: f64) -> f64 {
    let coldest = When(3, 15, 0, 0).at();
    let years = at.since(coldest) as f64 / (365.25 * 24.0 * HOUR_MS as f64);
    mean_c - swing_k * (years * std::f64::consts::TAU).cos()
}

/// Those that speak at every second step only: what they measure changes slowly.
pub(crate) const SLOW: [&str; 2] = ["cold-crate", "outside"];

/// What one sensor said.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Said {
    /// Which sensor.
    pub(crate) sensor: &'static str,
    /// When.
    pub(crate) at: Stamp,
    /// C, to a tenth.
    pub(crate) temperature_c: f64,
    /// Percent, to a tenth.
    pub(crate) humidity_pct: f64,
}

/// Small steps up and down, the same every time: Marsaglia's xorshift (2003), 64 bits.
struct Flicker(u64);

impl Flicker {
    /// Even between -1 and 1.
    fn next(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    }
}

/// Mean of what was, the older the fainter.
struct Fading {
    value: f64,
    hours: f64,
}

impl Fading {
    fn add(&mut self, now: f64) -> f64 {
        self.value += (now - self.value) * STEP_MS as f64 / (self.hours * HOUR_MS as f64);
        self.value
    }
}

fn door(at: Stamp) -> f64 {
    let time = at.to_utc();
    let walk = |(month, day): &(u32, u32)| {
        (8..10).any(|hour| time.hour() == hour + 1)
            && While(When(*month, *day, 0, 0), When(*month, *day, 23, 59)).holds(at)
    };
    // Open for ten minutes in thirty.
    if WALKS.iter().any(walk) && time.minute() % 30 < 10 {
        5.0
    } else {
        0.0
    }
}

/// Vents and doors of a room that is aired while tubers dry, or stands open in May.
fn airing(at: Stamp) -> f64 {
    if (9..18).contains(&at.to_utc().hour()) {
        1.5
    } else {
        0.3
    }
}

/// A vent that is opened when it is too warm and outside is cooler, or too damp and outside is drier.
fn venting(build: &Build, room: &Room, outdoors: Outdoors, above_c: f64) -> f64 {
    let warmer = (room.air_c - above_c).clamp(0.0, 1.0);
    let damper = (room.humidity_pct(build, room.air_c) - VENT_ABOVE_PCT).clamp(0.0, 1.0);
    // Nobody airs a room that is cold already.
    let cool = outdoors.temperature_c < room.air_c - 1.0;
    let drier = outdoors.vapour_pa() < 0.95 * room.vapour_pa(build);
    let warm = if cool { warmer } else { 0.0 };
    let damp = if drier && cool && 8.0 < room.air_c {
        damper
    } else {
        0.0
    };
    VENT_PER_H * f64::max(warm, damp)
}

fn cellar(at: Stamp, room: &Room, outdoors: Outdoors) -> Forces {
    let storing = While(CELLAR_STORES, CELLAR_EMPTY).holds(at);
    let powered = !POWER_CUT.holds(at);
    let open = if THAW.holds(at) {
        // Outside is mild and wet, so the vent stays shut.
        0.0
    } else if storing {
        venting(&CELLAR, room, outdoors, 10.6)
    } else {
        airing(at)
    };
    Forces {
        outdoors,
        ground_c: ground_c(at, 9.0, 1.8),
        heat_to_c: powered.then_some(if storing { 10.2 } else { 11.0 }),
        mist_to_pct: (powered && storing).then_some(81.0),
        open_per_h: open + door(at),
        damp_times: if THAW.holds(at) { 14.0 } else { 1.0 },
    }
}

fn back(at: Stamp, room: &Room, outdoors: Outdoors) -> Forces {
    let storing = While(BACK_STORES, BACK_WAKES).holds(at);
    let waking = While(BACK_WAKES, BACK_EMPTY).holds(at);
    let powered = !POWER_CUT.holds(at);
    let open = if waking {
        venting(&BACK, room, outdoors, 22.0)
    } else if storing {
        venting(&BACK, room, outdoors, 10.6)
    } else {
        airing(at)
    };
    let set_c = match (storing, waking) {
        (true, _) => 10.0,
        (_, true) => 19.0,
        _ => 11.5,
    };
    let heated = powered && !TRIPPED.holds(at) && at < BACK_EMPTY.at();
    let misted = powered && !DRY.holds(at);
    Forces {
        outdoors,
        ground_c: ground_c(at, 8.0, 4.0),
        heat_to_c: heated.then_some(set_c),
        mist_to_pct: match (storing, waking) {
            (true, _) => misted.then_some(81.0),
            (_, true) => Some(74.0),
            _ => None,
        },
        open_per_h: open + door(at),
        damp_times: 1.0,
    }
}

/// Everything that was said, in the order of time.
pub(crate) fn said() -> anyhow::Result<Vec<Said>> {
    let weather = Weather::measured()?;
    let mut flicker = Flicker(0x9e37_79b9_7f4a_7c15);
    let mut cellar_room = Room::settled(&CELLAR, 12.0, 78.0);
    let mut back_room = Room::settled(&BACK, 12.0, 76.0);
    let mut two_days = Fading {
        value: 8.0,
        hours: 48.0,
    };
    let mut core_c = 11.0;
    let mut said = Vec::new();
    let mut at = FIRST.at().plus(-BEFORE_MS);
    while at <= LAST.at() {
        let outdoors = weather.at(at);
        let seconds = STEP_MS as f64 / 1000.0;
        let forces = cellar(at, &cellar_room, outdoors);
        cellar_room.step(&CELLAR, &forces, seconds);
        let forces = back(at, &back_room, outdoors);
        back_room.step(&BACK, &forces, seconds);
        // The north wall stands out of the ground: its air is so much of the way to outdoors colder, and
        // the crate against its stones more.
        let wall_k = cellar_room.air_c - two_days.add(outdoors.temperature_c);
        let north_c = cellar_room.air_c - 0.035 * wall_k;
        core_c = core_step(
            core_c,
            cellar_room.air_c - 0.07 * wall_k,
            cellar_room.air_c - 0.07 * wall_k,
            seconds / 3600.0,
            20.0,
        );
        // Half of what the crate's own air holds comes from damp peat at some 90 %.
        let crate_pct = f64::midpoint(cellar_room.humidity_pct(&CELLAR, core_c), 90.0);
        let all = [
            ("north", north_c, cellar_room.humidity_pct(&CELLAR, north_c)),
            ("cold-crate", core_c, crate_pct),
            ("outside", outdoors.temperature_c, outdoors.humidity_pct),
            (
                "south",
                cellar_room.air_c,
                cellar_room.humidity_pct(&CELLAR, cellar_room.air_c),
            ),
            (
                "back",
                back_room.air_c,
                back_room.humidity_pct(&BACK, back_room.air_c),
            ),
        ];
        for (sensor, t, rh) in all {
            let (dt, drh) = (0.08 * flicker.next(), 0.4 * flicker.next());
            let silent = SILENT.0 == sensor && SILENT.1.holds(at);
            let between = SLOW.contains(&sensor) && at.0 / STEP_MS % 2 == 1;
            if at < FIRST.at() || POWER_CUT.holds(at) || silent || between {
                continue;
            }
            let off = if OFF.0 == sensor && OFF.1.holds(at) {
                OFF.2
            } else {
                0.0
            };
            let tenth = |x: f64| (x * 10.0).round() / 10.0;
            said.push(Said {
                sensor,
                at,
                temperature_c: tenth(t + dt),
                humidity_pct: tenth(rh + drh + off).clamp(0.0, 100.0),
            });
        }
        at = at.plus(STEP_MS);
    }
    Ok(said)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::Band;

    fn of<'a>(all: &'a [Said], sensor: &str, during: While) -> Vec<&'a Said> {
        let own = |s: &&Said| s.sensor == sensor && during.holds(s.at);
        all.iter().filter(own).collect()
    }

    fn share(of: &[&Said], fits: impl Fn(&Said) -> bool) -> f64 {
        of.iter().filter(|s| fits(s)).count() as f64 / of.len() as f64
    }

    fn mean(of: &[&Said], value: fn(&Said) -> f64) -> f64 {
        of.iter().map(|s| value(s)).sum::<f64>() / of.len() as f64
    }

    fn coldest<'a>(of: &[&'a Said]) -> &'a Said {
        let by_t = |a: &&&Said, b: &&&Said| a.temperature_c.total_cmp(&b.temperature_c);
        of.iter().min_by(by_t).unwrap()
    }

    #[test]
    fn it_looks_like_a_winter() {
        let all = said().unwrap();
        assert!(all.is_sorted_by_key(|s| s.at));
        let band = Band::default();
        let fits = |s: &Said| {
            (band.low_c..=band.high_c).contains(&s.temperature_c)
                && (band.low_pct..=band.high_pct).contains(&s.humidity_pct)
        };
        let stored = |from, to| While(from, to);
        // Most of the time the rooms are as they should be, and not all of it.
        for (sensor, from, to, low, high) in [
            ("south", CELLAR_STORES, CELLAR_EMPTY, 0.80, 0.95),
            ("north", CELLAR_STORES, CELLAR_EMPTY, 0.75, 0.95),
            ("back", BACK_STORES, BACK_WAKES, 0.75, 0.92),
        ] {
            let inside = share(&of(&all, sensor, stored(from, to)), fits);
            assert!((low..high).contains(&inside), "{sensor} {inside}");
        }
        // The coldest night of the store is the one in which the heater tripped, and nothing froze.
        let back = of(&all, "back", stored(BACK_STORES, BACK_WAKES));
        let worst = coldest(&back);
        assert!(TRIPPED.holds(worst.at.plus(-STEP_MS)), "{worst:?}");
        assert!((2.0..4.0).contains(&worst.temperature_c), "{worst:?}");
        let below = share(&back, |s| s.temperature_c < band.low_c) * back.len() as f64;
        assert!((6.0..30.0).contains(&below), "{below} readings");
        // It was a cold night outside.
        let outside = of(&all, "outside", TRIPPED);
        assert!(coldest(&outside).temperature_c < -15.0);
        // The dry weeks, the damp week, and the same rooms a week later.
        let rh = |sensor, during| mean(&of(&all, sensor, during), |s| s.humidity_pct);
        assert!(rh("back", DRY) < 72.0);
        assert!(78.0 < rh("back", While(When(1, 24, 0, 0), When(2, 7, 0, 0))));
        assert!(88.0 < rh("north", THAW));
        assert!(rh("north", While(When(3, 8, 0, 0), When(3, 22, 0, 0))) < 85.0);
        // North is the colder and damper side.
        let winter = While(When(12, 1, 0, 0), When(3, 1, 0, 0));
        let t = |sensor| mean(&of(&all, sensor, winter), |s| s.temperature_c);
        assert!(t("cold-crate") < t("north") && t("north") < t("south") - 0.1);
        assert!(rh("south", winter) + 1.0 < rh("north", winter));
    }

    #[test]
    fn what_is_missing_is_missing_on_purpose() {
        let all = said().unwrap();
        for sensor in ["north", "cold-crate", "outside", "south", "back"] {
            let step = STEP_MS * if SLOW.contains(&sensor) { 2 } else { 1 };
            let own: Vec<Stamp> = (all.iter())
                .filter(|s| s.sensor == sensor)
                .map(|s| s.at)
                .collect();
            let gaps: Vec<(Stamp, Stamp)> = (own.windows(2))
                .map(|two| (two[0], two[1]))
                .filter(|(a, b)| step < b.since(*a))
                .collect();
            let mut wanted = vec![POWER_CUT];
            wanted.extend((SILENT.0 == sensor).then_some(SILENT.1));
            assert_eq!(gaps.len(), wanted.len(), "{sensor}");
            for ((from, to), while_) in gaps.into_iter().zip(wanted) {
                assert!(from < while_.0.at() && while_.1.at() <= to, "{sensor}");
                assert!(while_.0.at().since(from) <= step && to.since(while_.1.at()) < step);
            }
        }
    }

    #[test]
    fn it_is_the_same_every_time() {
        assert_eq!(said().unwrap(), said().unwrap());
    }
}
