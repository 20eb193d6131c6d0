//! Venting, water and heat against psychrolib.

use overwinter::climate::Pascal;
use overwinter::climate::venting::{
    Thresholds, Verdict, Why, advise, evaporation_kj, heat_kj, mix, water_kg,
};
use serde::Deserialize;

use super::{air, near, rows};

#[derive(Deserialize)]
struct Vent {
    room_t_c: f64,
    room_rh: f64,
    out_t_c: f64,
    out_rh: f64,
    tuber_t_c: f64,
    p_pa: f64,
    x: f64,
    t_mix_c: f64,
    rh_mix_pct: f64,
    fog: u8,
    td_in_c: f64,
    td_out_c: f64,
    rh_out_at_room_t_pct: f64,
    verdict: String,
    x_max: f64,
}

fn verdict(words: &str) -> Verdict {
    match words {
        "open" => Verdict::Open,
        "open_briefly" => Verdict::OpenBriefly,
        "optional" => Verdict::Optional,
        "closed:would_wet_tubers" => Verdict::Closed(Why::WouldWetTubers),
        "closed:no_drier_outside" => Verdict::Closed(Why::NoDrier),
        "closed:room_already_dry" => Verdict::Closed(Why::AlreadyDry),
        "closed:too_cold" => Verdict::Closed(Why::TooCold),
        "closed:too_dry_outside" => Verdict::Closed(Why::TooDry),
        _ => panic!("no verdict {words}"),
    }
}

#[test]
fn mixing_and_advice_agree() {
    let all: Vec<Vent> = rows(include_str!("../data/vectors/ventilation.csv"), 60);
    let mut decided = 0;
    for row in &all {
        let (inside, outside) = (air(row.room_t_c, row.room_rh), air(row.out_t_c, row.out_rh));
        let pressure = Pascal::new(row.p_pa).unwrap();
        let what = format!(
            "{} C, {} % and {} C, {} %",
            row.room_t_c, row.room_rh, row.out_t_c, row.out_rh
        );

        let mixed = mix(inside, outside, row.x, pressure);
        near(&what, mixed.temperature_c, row.t_mix_c, 0.01);
        near(&what, mixed.humidity_pct, row.rh_mix_pct, 0.4);
        // Two parcels of 100 % mix to 100 %, where rounding decides.
        if 0.4 < (row.rh_mix_pct - 100.0).abs() {
            assert_eq!(mixed.fog, row.fog == 1, "{what}");
        }

        let advice = advise(
            inside,
            outside,
            row.tuber_t_c,
            pressure,
            Thresholds::default(),
        );
        near(&what, advice.dew_point_inside_c, row.td_in_c, 0.05);
        near(&what, advice.dew_point_outside_c, row.td_out_c, 0.05);
        near(
            &what,
            advice.outside_at_room_pct,
            row.rh_out_at_room_t_pct,
            0.4,
        );
        // Two saturation formulas may fall on either side of a threshold.
        let close = |a: f64| a.abs() < 0.05;
        if close(row.td_out_c - row.tuber_t_c + 1.0) || close(row.td_out_c - row.td_in_c + 1.0) {
            continue;
        }
        decided += 1;
        assert_eq!(advice.verdict, verdict(&row.verdict), "{what}");
        near(&what, advice.share_max, row.x_max, 0.004);
    }
    assert!(55 <= decided, "{decided} rows clear of a threshold");
}

#[derive(Deserialize)]
struct Water {
    volume_m3: f64,
    t_c: f64,
    rh1: f64,
    rh2: f64,
    vapour_density_1_g_m3: f64,
    vapour_density_2_g_m3: f64,
    water_kg_closed_volume: f64,
    latent_heat_kj: f64,
}

#[test]
fn water_for_closed_air_agrees() {
    let all: Vec<Water> = rows(include_str!("../data/vectors/humidify.csv"), 20);
    for row in &all {
        let what = format!("{} m3 at {} C", row.volume_m3, row.t_c);
        for (rh, said) in [
            (row.rh1, row.vapour_density_1_g_m3),
            (row.rh2, row.vapour_density_2_g_m3),
        ] {
            near(
                &what,
                air(row.t_c, rh).absolute_humidity(),
                said,
                0.005 * said,
            );
        }
        let (water, heat) = (row.water_kg_closed_volume, row.latent_heat_kj);
        let found = water_kg(row.volume_m3, row.t_c, row.rh1, row.rh2);
        near(&what, found, water, 0.005 * water);
        near(&what, evaporation_kj(found, row.t_c), heat, 0.005 * heat);
    }
}

#[derive(Deserialize)]
struct Heat {
    volume_m3: f64,
    t1_c: f64,
    rh1: f64,
    t2_c: f64,
    q_air_kj: f64,
    rh2_pct: f64,
}

#[test]
fn heat_for_the_air_agrees() {
    let all: Vec<Heat> = rows(include_str!("../data/vectors/heat.csv"), 12);
    for row in &all {
        let from = air(row.t1_c, row.rh1);
        let (kj, rh) = heat_kj(row.volume_m3, from, row.t2_c, Pascal::STANDARD_ATMOSPHERE);
        let what = format!("{} m3 from {} to {} C", row.volume_m3, row.t1_c, row.t2_c);
        near(&what, kj, row.q_air_kj, 0.005 * row.q_air_kj);
        near(&what, rh, row.rh2_pct, 0.005 * row.rh2_pct);
    }
}
