//! The simulator against what is known without it.

use std::{f64::consts::PI, fs, path::Path};

use crate::store_room::{
    Scenario,
    moist::{dew_point_c, saturation_pa, wood_humidity, wood_water},
    mould::per_day,
    room::{Forces, MIDDLE, Room, SIDE, WALL, wall},
    run::simulate,
    solid::Solid,
    weather::{Weather, weather},
};

fn near(got: f64, expected: f64, within: f64, what: &str) {
    assert!(
        (got - expected).abs() <= within,
        "{what}: {got} instead of {expected} within {within}"
    );
}

/// The published saturation pressures of ASHRAE Fundamentals 2017, table 3, from -20 C up.
#[test]
fn saturation_is_the_published_one() {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/published_points.csv");
    let text = fs::read_to_string(file).unwrap();
    let mut seen = 0;
    for line in text.lines().filter(|line| line.starts_with("es_pa,t=")) {
        let cells: Vec<&str> = line.split(',').collect();
        let t: f64 = cells[1].trim_start_matches("t=").parse().unwrap();
        let published: f64 = cells[2].parse().unwrap();
        // The table has ice below 0 C, this formula water: only the points above can be compared.
        if t > 0.0 && line.contains("ASHRAE") {
            near(saturation_pa(t), published, published * 5e-4, line);
            seen += 1;
        }
    }
    assert_eq!(seen, 3);
}

#[test]
fn dew_point_undoes_saturation() {
    for t in [-25.0, -3.0, 0.0, 6.7, 12.0, 24.0] {
        near(dew_point_c(saturation_pa(t)), t, 1e-6, "dew point");
    }
    // Worked example of a humidity sensor's maker: 40 C, 50 % gives 27.6 C (from memory).
    near(
        dew_point_c(saturation_pa(40.0) * 0.5),
        27.6,
        0.05,
        "40 C, 50 %",
    );
}

/// Simpson 1998: 13.4, 16.4 and 20.9 % at 70, 80 and 90 % and 10 C.
#[test]
fn wood_takes_up_what_was_measured() {
    for (rh, percent) in [(0.7, 13.4), (0.8, 16.4), (0.9, 20.9)] {
        near(wood_water(rh) * 100.0, percent, 0.4, "wood");
    }
    for n in 1..20 {
        let rh = f64::from(n) / 20.0;
        near(wood_humidity(wood_water(rh)), rh, 1e-9, "back");
    }
}

#[test]
fn mould_comes_sooner_the_warmer_and_the_damper() {
    near(per_day(10.0, 79.0), 0.0, 0.0, "too dry");
    near(per_day(-1.0, 99.0), 0.0, 0.0, "too cold");
    near(1.0 / per_day(10.0, 95.0), 9.0, 1e-9, "a point of the table");
    near(1.0 / per_day(30.0, 100.0), 3.0, 1e-9, "beyond the table");
    for t in 0..25 {
        for rh in 80..100 {
            let (t, rh) = (f64::from(t), f64::from(rh));
            assert!(per_day(t + 1.0, rh) >= per_day(t, rh), "{t} {rh}");
            assert!(per_day(t, rh + 1.0) >= per_day(t, rh), "{t} {rh}");
        }
    }
}

/// A wall between two airs ends up passing U A dT.
#[test]
fn a_wall_reaches_its_steady_state() {
    for (u, times) in [(0.22, 1.0), (0.5, 1.0), (0.3, 8.0)] {
        let (area, inside, outside) = (10.0, 9.0, -15.0);
        let mut wall = wall(area, u, times, 0.0);
        // The surface resistances of ISO 6946 for a wall, 0.04 outside and 0.13 inside.
        let face = |face: f64, r: f64| 1.0 / (1.0 / face + r / area);
        let (out_g, in_g) = (face(wall.first_face, 0.04), face(wall.last_face, 0.13));
        let mut flows = (0.0, 0.0);
        for _ in 0..20 * 1440 {
            flows = (
                out_g * (wall.first() - outside),
                in_g * (inside - wall.last()),
            );
            let mut into = wall.nothing();
            into[0] -= flows.0;
            into[5] += flows.1;
            wall.step(60.0, into);
        }
        // The insulation alone conducts `times` as well.
        let fixed = 0.05 / 0.8 + 0.02 / 0.13 + 0.17;
        let expected = area * (inside - outside) / (fixed + (1.0 / u - fixed) / times);
        near(flows.0, expected, expected * 1e-4, "out");
        near(flows.1, expected, expected * 1e-4, "in");
    }
}

/// A ball whose surface is suddenly warmer: monotone, the core last, and as the series has it.
#[test]
fn a_crate_warms_as_a_conducting_body() {
    let (radius, k, heat) = (0.16, 0.19, 1e6);
    let mut ball = Solid::ball(radius, k, heat, 20, 3.0, 0.0);
    near(
        ball.capacity.iter().sum(),
        3.0 * heat * 4.0 / 3.0 * PI * radius.powi(3),
        1.0,
        "heat",
    );
    let (mut s, dt) = (0.0, 10.0);
    for part in [0.1, 0.2, 0.4] {
        let until = part * radius * radius * heat / k;
        while s < until {
            let before = ball.t.clone();
            let mut into = ball.nothing();
            into[19] += ball.last_face * (1.0 - ball.last());
            ball.step(dt, into);
            s += dt;
            assert!(ball.t.iter().zip(&before).all(|(now, then)| now >= then));
            assert!(ball.t.windows(2).all(|two| two[0] <= two[1]));
        }
        // Carslaw and Jaeger: core of a ball with its surface held, Fourier number `part`.
        let series = |n: f64, sign: f64| sign * 2.0 * (-n * n * PI * PI * part).exp();
        let core = 1.0 - (series(1.0, 1.0) + series(2.0, -1.0) + series(3.0, 1.0));
        near(ball.first(), core, 0.01, "core");
    }
}

fn still() -> Forces {
    Forces {
        out_t: 0.0,
        out_e: 500.0,
        ground_t: 7.0,
        open_per_h: 0.0,
        setpoint: 9.0,
        heater: Some(false),
        humidifier: false,
        spill_kg: 0.0,
        damp_kg_s: 0.0,
    }
}

/// A store that nothing enters or leaves.
fn closed() -> Room {
    let mut room = Room::new(&Scenario::default(), 12.0, 85.0);
    (room.h_out, room.ground_w_k, room.respiration) = (0.0, 0.0, 0.0);
    (room.rest_w_k, room.leakage_per_h) = (0.0, 0.0);
    room
}

/// Cold crates, a cold wall and a puddle in a closed room: within a thousandth of what moves, nothing is lost.
#[test]
fn a_closed_room_keeps_its_heat_and_water() {
    let mut room = closed();
    room.middle.t.fill(3.0);
    room.side.t.fill(2.0);
    room.walls[1].t.fill(0.0);
    room.pool = 2.0;
    let (heat, water) = (room.heat_j(), room.water_kg());
    let (crates, pool) = (room.middle.heat_j(), room.pool);
    for _ in 0..5 * 1440 {
        room.step(60.0, &still());
        near(room.water_kg(), water, pool * 1e-3, "water");
    }
    let moved = (room.middle.heat_j() - crates).abs();
    assert!(moved > 1e6, "{moved}");
    near(room.heat_j(), heat, moved * 1e-3, "heat");
    assert!(room.surfaces[SIDE].condensed > 0.01);
    assert!(room.surfaces[WALL].condensed > 0.0);
    // In the end everything is equally warm.
    near(room.middle.mean(), room.t, 0.3, "crates");
    near(room.floor.mean(), room.t, 0.3, "floor");
}

/// Water comes on a surface at the dew point, not before, and goes again.
#[test]
fn water_stands_only_on_what_is_colder_than_the_dew_point() {
    let mut room = closed();
    let dew = dew_point_c(room.e());
    room.middle.t.fill(dew + 1.0);
    room.side.t.fill(dew - 7.0);
    let mut stood = false;
    for _ in 0..10 * 1440 {
        let dry = room.surfaces.map(|s| s.water <= 0.0);
        let dew = dew_point_c(room.e());
        room.step(60.0, &still());
        for n in [MIDDLE, SIDE] {
            let grew = dry[n] && room.surfaces[n].water > 0.0;
            assert!(!grew || room.surfaces[n].t <= dew + 0.3, "{n}");
        }
        stood |= room.surfaces[SIDE].water > 1e-3;
        assert!(room.surfaces[MIDDLE].water <= 0.0);
    }
    assert!(stood);
    assert!(room.surfaces[SIDE].water < 1e-6);
}

/// In a mild steady climate the heater's room comes to the balance of its conductances.
#[test]
fn a_heated_room_stands_still_where_gains_are_losses() {
    let s = Scenario {
        wall_crates: 0.001,
        middle_crates: 0.001,
        leakage_per_h: 0.0,
        ..Scenario::default()
    };
    let mut room = Room::new(&s, 9.0, 60.0);
    let forces = Forces {
        heater: Some(true),
        ..still()
    };
    for _ in 0..60 * 1440 {
        room.step(60.0, &forces);
    }
    // U with the inner surface at 6 instead of 7.7 and the outer at 20 instead of 25 W/(m2 K).
    let u = 1.0 / (1.0 / s.wall_u - 0.17 + 1.0 / 6.0 + 1.0 / 20.0);
    let floor = 1.0 / (1.0 / room.ground_w_k + 0.15 / 1.6 / 16.0 + 1.0 / (16.0 * 4.0));
    let up = s.rest_w_k + u * s.wall_m2;
    let expected = (s.heater_w + floor * 7.0) / (up + floor);
    near(room.t, expected, 0.3, "air");
}

#[test]
fn a_run_is_the_same_each_time_and_its_readings_are_in_order() {
    let weather = weather();
    let s = Scenario {
        days: 4.0,
        ..Scenario::default()
    };
    let run = simulate(&s, &weather);
    assert_eq!(run.readings, simulate(&s, &weather).readings);
    assert_ne!(
        run.readings,
        simulate(
            &Scenario {
                seed: 2,
                ..s.clone()
            },
            &weather
        )
        .readings
    );
    assert!(
        run.readings
            .windows(2)
            .all(|two| two[0].at_ms < two[1].at_ms)
    );
    // One in a hundred is lost.
    let most = 3.0 * (s.days * 288.0 + 1.0);
    let lost = 1.0 - run.readings.len() as f64 / most;
    assert!((0.003..0.02).contains(&lost), "{lost}");
    // The sensor errs by its bias, noise and rounding only; the probe knows no humidity.
    for reading in &run.readings {
        assert_eq!(reading.humidity_pct.is_none(), reading.sensor == "crate");
        let hour = run.truth.iter().find(|x| x.at_ms == reading.at_ms);
        if let (Some(truth), "air") = (hour, reading.sensor) {
            near(
                reading.temperature_c.unwrap(),
                truth.air_t,
                0.3 + 0.36 + 0.05,
                "air",
            );
            near(
                reading.humidity_pct.unwrap(),
                truth.air_rh,
                2.0 + 3.0 + 0.05,
                "air",
            );
        }
    }
}

/// Steady outdoor air of the room's own state: nothing happens and nothing comes to harm.
#[test]
fn in_steady_mild_weather_nothing_comes_to_harm() {
    let weather = Weather::steady(4.0, 85.0);
    let run = simulate(&Scenario::default(), &weather);
    assert!(run.harms.is_empty(), "{:?}", run.harms);
    assert!(run.incident_from_ms.is_none());
}

/// A step of a minute is short enough: a quarter of it tells the same of doors, frost and dew.
#[test]
fn shorter_steps_tell_the_same() {
    let run = |dt: f64| {
        let mut room = Room::new(&Scenario::default(), 9.0, 80.0);
        let mut states = Vec::new();
        for n in 0..(72.0 * 3600.0 / dt) as usize {
            let h = n as f64 * dt / 3600.0;
            // Cold for a day and a half, then a warm damp day with the vents open.
            let thaw = h >= 36.0;
            let (out_t, rh, open_per_h) = if thaw {
                (12.0, 0.95, 6.0)
            } else {
                (-15.0, 0.85, 0.0)
            };
            let door = if h % 12.0 < 0.1 { 6.0 } else { 0.0 };
            let forces = Forces {
                out_t,
                out_e: saturation_pa(out_t) * rh,
                open_per_h: open_per_h + door,
                ..still()
            };
            room.step(dt, &forces);
            // Between the doors, not in them.
            if (n as f64 * dt) as u64 % 21_600 == 10_800 {
                states.push((
                    room.t,
                    room.rh(),
                    room.side.first(),
                    room.surfaces[SIDE].film_g_m2(),
                ));
            }
        }
        states
    };
    let (long, short) = (run(60.0), run(15.0));
    assert!(long.len() >= 11 && short.len() >= 11);
    for (a, b) in long.iter().zip(&short) {
        near(a.0, b.0, 0.1, "air");
        near(a.1, b.1, 1.0, "humidity");
        near(a.2, b.2, 0.02, "wall crate");
        near(a.3, b.3, 0.05 * b.3 + 0.5, "film");
    }
    assert!(short.iter().any(|state| state.3 > 5.0), "{short:?}");
}

/// Aired long enough without any source, a room has the vapour of the air outside.
#[test]
fn an_aired_room_takes_on_the_air_outside() {
    let s = Scenario {
        middle_crates: 0.001,
        wall_crates: 0.001,
        ..Scenario::default()
    };
    let mut room = Room::new(&s, 9.0, 85.0);
    let forces = Forces {
        open_per_h: 20.0,
        heater: Some(true),
        ..still()
    };
    for _ in 0..60 * 1440 {
        room.step(60.0, &forces);
    }
    // The vapour of 0 C and 500 Pa, warmed.
    let expected = 500.0 * (room.t + 273.15) / 273.15;
    near(room.e(), expected, expected * 0.01, "vapour");
    assert!(room.t > 1.0);
}
