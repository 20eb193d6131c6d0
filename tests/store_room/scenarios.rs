//! Stores that are well, and stores in which something goes wrong.

use super::{Incident, Scenario};

/// All of them; sound ones first.
pub(crate) fn scenarios() -> Vec<Scenario> {
    let mut all = Vec::new();
    // Seed, start day, outdoor offset, setpoint, humidistat, interval.
    for (seed, start_day, outdoor_offset_k, setpoint_c, humidity_pct, interval_min) in [
        (11, 2.0, 0.0, 9.3, 79.5, 5.0),
        (12, 20.0, 0.0, 9.0, 80.0, 10.0),
        (13, 40.0, 0.0, 9.6, 79.0, 5.0),
        (14, 57.0, 0.0, 8.8, 79.0, 5.0),
        (15, 75.0, 0.0, 9.3, 79.0, 10.0),
        (16, 83.0, 0.0, 9.6, 77.5, 5.0),
    ] {
        all.push(Scenario {
            name: "sound",
            seed,
            start_day,
            outdoor_offset_k,
            setpoint_c,
            humidity_pct,
            interval_min,
            ..Scenario::default()
        });
    }
    // Smaller stores with fewer crates cool sooner.
    for (seed, start_day, at_h, for_h, wall_u, rest_w_k, middle_crates, ground_c) in [
        (21, 24.0, 60.0, 72.0, 0.3, 14.0, 30.0, 7.0),
        (22, 44.0, 50.0, 96.0, 0.3, 16.0, 20.0, 6.0),
        (23, 52.0, 90.0, 96.0, 0.4, 18.0, 30.0, 7.0),
        (24, 57.0, 70.0, 40.0, 0.5, 25.0, 10.0, 5.0),
        (25, 78.0, 55.0, 72.0, 0.35, 20.0, 15.0, 6.0),
    ] {
        all.push(Scenario {
            name: "heater fails",
            seed,
            days: 10.0,
            start_day,
            wall_u,
            rest_w_k,
            middle_crates,
            ground_c,
            incident: Some(Incident::HeaterFails { at_h, for_h }),
            ..Scenario::default()
        });
    }
    for (seed, start_day, at_h, for_h, heater_w, leakage_per_h) in [
        (31, 5.0, 70.0, 400.0, 600.0, 0.3),
        (32, 33.0, 100.0, 380.0, 800.0, 0.4),
        (33, 64.0, 60.0, 420.0, 700.0, 0.3),
        (34, 85.0, 90.0, 400.0, 500.0, 0.5),
        (35, 100.0, 50.0, 430.0, 450.0, 0.4),
    ] {
        all.push(Scenario {
            name: "heater stuck on",
            seed,
            start_day,
            heater_w,
            leakage_per_h,
            incident: Some(Incident::HeaterStuckOn { at_h, for_h }),
            ..Scenario::default()
        });
    }
    for (seed, start_day, at_h, leakage_per_h, packing_kg) in [
        (41, 25.0, 80.0, 0.6, 1.0),
        (42, 42.0, 60.0, 0.4, 2.5),
        (43, 50.0, 120.0, 0.7, 2.0),
        (44, 60.0, 70.0, 0.8, 2.0),
        (45, 5.0, 90.0, 0.5, 2.0),
    ] {
        all.push(Scenario {
            name: "humidifier dies",
            seed,
            days: 35.0,
            start_day,
            leakage_per_h,
            packing_kg,
            humidifier_g_per_h: 300.0,
            damp_g_per_h: 0.0,
            incident: Some(Incident::HumidifierDies { at_h }),
            ..Scenario::default()
        });
    }
    for (seed, start_day, at_h, for_h, g_per_h, leakage_per_h) in [
        (51, 4.0, 70.0, 400.0, 500.0, 0.2),
        (52, 30.0, 50.0, 500.0, 800.0, 0.2),
        (53, 60.0, 100.0, 300.0, 400.0, 0.15),
        (54, 70.0, 60.0, 450.0, 1000.0, 0.25),
        (55, 96.0, 80.0, 400.0, 300.0, 0.3),
    ] {
        all.push(Scenario {
            name: "leak",
            seed,
            days: 28.0,
            start_day,
            leakage_per_h,
            incident: Some(Incident::Leak {
                at_h,
                for_h,
                g_per_h,
            }),
            ..Scenario::default()
        });
    }
    for (seed, start_day, outdoor_offset_k, at_h, by_k, for_h, per_h) in [
        (61, 28.0, 8.5, 80.0, 1.5, 14.0, 6.0),
        (62, 61.0, 5.0, 60.0, 1.0, 10.0, 8.0),
        (63, 95.0, 4.0, 50.0, 1.5, 12.0, 5.0),
        (64, 108.0, 4.0, 60.0, 2.0, 20.0, 8.0),
        (65, 134.0, 1.0, 70.0, 1.0, 16.0, 8.0),
    ] {
        all.push(Scenario {
            name: "thaw venting",
            seed,
            days: 14.0,
            start_day,
            outdoor_offset_k,
            setpoint_c: 6.8,
            humidity_pct: 77.0,
            leakage_per_h: 0.4,
            ground_c: 6.0,
            incident: Some(Incident::ThawVenting {
                at_h,
                by_k,
                for_h,
                per_h,
            }),
            ..Scenario::default()
        });
    }
    for (seed, start_day, at_h, over_h, times, g_per_h) in [
        (71, 22.0, 60.0, 72.0, 8.0, 5.0),
        (72, 40.0, 80.0, 96.0, 8.0, 20.0),
        (73, 48.0, 50.0, 120.0, 6.0, 10.0),
        (74, 58.0, 60.0, 60.0, 12.0, 10.0),
        (75, 74.0, 90.0, 96.0, 9.0, 10.0),
    ] {
        all.push(Scenario {
            name: "cold wall sweating",
            seed,
            days: 21.0,
            start_day,
            incident: Some(Incident::ColdWallSweating {
                at_h,
                over_h,
                times,
                g_per_h,
            }),
            ..Scenario::default()
        });
    }
    all
}
