//! What follows from the air and the questions, in figures; also the shape of the JSON object.

use serde::Serialize;

use super::{
    Row,
    asked::{self, Asked},
    rounded,
};
use crate::{
    climate::{
        Air, Celsius, Packing, Pascal, RelativeHumidity,
        air::saturation_over_water,
        drying::{self, LIMP},
        mould::{self, Mould, Surface},
        venting::{self, Thresholds, Verdict, Why},
        warmth,
    },
    notify::message,
};

/// Days of the month that shrink and warmth are told for.
const MONTH_D: f64 = 30.0;
/// All of the air takes for ever; this much takes three air changes.
const NEARLY_ALL: f64 = 0.95;

/// Everything that is told.
#[derive(Serialize)]
pub(super) struct Answer {
    pub(super) air: Row,
    pub(super) mould: Growth,
    pub(super) drying: Drying,
    pub(super) waking: Waking,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) outside: Option<Venting>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) water: Option<Water>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) heat: Option<Heat>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) check: Option<Check>,
}

/// What a sensor shows above a damp salt, and what is there.
#[derive(Serialize)]
pub(super) struct Check {
    pub(super) salt: &'static str,
    pub(super) true_humidity_pct: f64,
    /// What the sensor shows too much; below 0 too little.
    pub(super) too_much_pct: f64,
}

/// Mould on clean surfaces, should the air stay so.
#[derive(Serialize)]
pub(super) struct Growth {
    can_begin_above_pct: f64,
    /// `None` where it never grows so far.
    pub(super) days_to_index_1_on_raw_wood: Option<f64>,
    pub(super) days_to_index_1_on_paper: Option<f64>,
}

/// Shrink, should the air stay so; `None` in frost.
#[derive(Serialize)]
pub(super) struct Drying {
    packing: &'static str,
    pub(super) shrink_a_month_pct: Option<Range>,
    limp_at_pct: f64,
    /// `None` also in air that takes no water.
    pub(super) days_to_limp: Option<Range>,
}

/// A middle and what holds nine crates in ten.
#[derive(Serialize)]
pub(super) struct Range {
    pub(super) middle: f64,
    pub(super) low: f64,
    pub(super) high: f64,
}

/// Warmth towards the first eyes, should the air stay so.
#[derive(Serialize)]
pub(super) struct Waking {
    /// Above the base; `None` beyond what the sum is known for.
    pub(super) warmth_a_month_c_day: Option<f64>,
    base_c: f64,
    early_needs_c_day: f64,
    late_needs_c_day: f64,
    /// Counted from when rest is over, about 1 January.
    pub(super) days_to_first_eyes_early: Option<f64>,
    pub(super) days_to_first_eyes_late: Option<f64>,
}

/// Whether to open up.
#[derive(Serialize)]
pub(super) struct Venting {
    temperature_c: f64,
    humidity_pct: f64,
    pub(super) dew_point_c: f64,
    pub(super) coldest_crate_c: f64,
    #[serde(skip)]
    pub(super) coldest_said: bool,
    pub(super) kept_above_c: f64,
    pub(super) kept_above_pct: f64,
    pub(super) damp_above_pct: f64,
    pub(super) verdict: &'static str,
    pub(super) reason: &'static str,
    pub(super) share_of_air_max: f64,
    pub(super) air_changes_per_h: Option<f64>,
    /// The share that the minutes are for.
    pub(super) exchanged_share: Option<f64>,
    pub(super) minutes: Option<f64>,
    /// May exceed 100: then it wets what is as warm as the room.
    pub(super) outside_warmed_to_room_pct: f64,
    pub(super) room_after: Option<After>,
}

/// The room right after an exchange of air.
#[derive(Serialize)]
pub(super) struct After {
    pub(super) temperature_c: f64,
    pub(super) humidity_pct: f64,
    pub(super) fog: bool,
    pub(super) humidity_once_warm_again_pct: f64,
}

/// Water to another humidity; below 0 where it has to leave.
#[derive(Serialize)]
pub(super) struct Water {
    pub(super) to_pct: f64,
    volume_m3: f64,
    pub(super) air_g: f64,
    /// What leaves with leaking air once the room is there.
    pub(super) leak_g_h: Option<f64>,
    packing_dry_kg: Option<f64>,
    /// As wood; below 0 where it gives off.
    pub(super) packing_takes_up_kg: Option<f64>,
    pub(super) packing_share_pct: Option<f64>,
    /// Heat that evaporating all of it takes from the room.
    pub(super) evaporation_kj: Option<f64>,
    pub(super) humidifier_g_h: Option<f64>,
    pub(super) minutes_air_alone: Option<f64>,
    pub(super) minutes_with_packing: Option<f64>,
    pub(super) caution: Option<&'static str>,
}

/// Heat to another temperature.
#[derive(Serialize)]
pub(super) struct Heat {
    pub(super) to_c: f64,
    volume_m3: f64,
    pub(super) air_kj: f64,
    tubers_kg: Option<f64>,
    pub(super) tubers_kj: Option<f64>,
    pub(super) total_kj: f64,
    pub(super) humidity_after_pct: f64,
    pub(super) heater_w: Option<f64>,
    pub(super) minutes: Option<f64>,
    pub(super) caution: &'static str,
}

impl Answer {
    pub(super) fn to(asked: &Asked) -> Self {
        let (air, pressure) = (asked.air, asked.pressure);
        Self {
            air: Row::of(air, pressure),
            mould: Growth::of(air),
            drying: Drying::of(air, asked.packing),
            waking: Waking::of(air),
            outside: asked.vent.as_ref().map(|v| Venting::of(air, v, pressure)),
            water: asked.water.as_ref().map(|w| Water::of(air, w)),
            heat: asked.heat.as_ref().map(|h| Heat::of(air, h, pressure)),
            check: asked.over.map(|salt| {
                let there = salt.humidity_pct(air.temperature.degrees());
                Check {
                    salt: salt.as_str(),
                    true_humidity_pct: rounded(there, 2),
                    too_much_pct: rounded(air.humidity.percent() - there, 2),
                }
            }),
        }
    }
}

impl Growth {
    fn of(air: Air) -> Self {
        let (t, rh) = (air.temperature.degrees(), air.humidity.percent());
        let days = |surface| {
            mould::days_to(surface, Mould::default(), t, rh, 1.0).map(|days| rounded(days, 2))
        };
        Self {
            can_begin_above_pct: rounded(mould::critical_humidity(air.temperature).percent(), 2),
            days_to_index_1_on_raw_wood: days(Surface::VerySensitive),
            days_to_index_1_on_paper: days(Surface::Sensitive),
        }
    }
}

impl Drying {
    fn of(air: Air, packing: Packing) -> Self {
        let k = packing.transpiration();
        let rate = drying::deficit_kpa(air);
        // In frost tubers are lost another way.
        let thawed = Celsius::FREEZING < air.temperature;
        let month = |k: f64| rounded(100.0 * drying::shrink(k, rate * MONTH_D), 2);
        let days = |k: f64| drying::days_until(k, 0.0, rate, LIMP).map(|days| rounded(days, 1));
        let limp = || {
            // The thirstiest crates are limp first.
            Some(Range {
                middle: days(k.k)?,
                low: days(k.high)?,
                high: days(k.low)?,
            })
        };
        Self {
            packing: packing.as_str(),
            shrink_a_month_pct: thawed.then(|| Range {
                middle: month(k.k),
                low: month(k.low),
                high: month(k.high),
            }),
            limp_at_pct: rounded(100.0 * LIMP, 1),
            days_to_limp: thawed.then(limp).flatten(),
        }
    }
}

impl Waking {
    fn of(air: Air) -> Self {
        let t = air.temperature.degrees();
        let known = t <= warmth::OPTIMUM_C;
        let days = |target| {
            let days = warmth::days_to(0.0, target, t).filter(|_| known);
            days.map(|d| rounded(d, 1))
        };
        Self {
            warmth_a_month_c_day: known.then(|| rounded(warmth::degree_days(t, 24.0 * MONTH_D), 1)),
            base_c: warmth::BASE_C,
            early_needs_c_day: warmth::EARLY,
            late_needs_c_day: warmth::LATE,
            days_to_first_eyes_early: days(warmth::EARLY),
            days_to_first_eyes_late: days(warmth::LATE),
        }
    }
}

impl Venting {
    fn of(air: Air, asked: &asked::Vent, pressure: Pascal) -> Self {
        let Thresholds {
            dry_pct,
            frost_c,
            damp_pct,
        } = asked.thresholds;
        let advice = venting::advise(
            air,
            asked.outside,
            asked.coldest_c,
            pressure,
            asked.thresholds,
        );
        let closed = matches!(advice.verdict, Verdict::Closed(_));
        let share = if closed { 0.0 } else { advice.share_max };
        let (verdict, reason) = words(advice.verdict);
        let exchanged = (!closed).then_some(if share < 1.0 { share } else { NEARLY_ALL });
        let minutes = exchanged
            .zip(asked.changes_per_h)
            .and_then(|(share, n)| venting::minutes(share, n));
        Self {
            temperature_c: rounded(asked.outside.temperature.degrees(), 4),
            humidity_pct: rounded(asked.outside.humidity.percent(), 4),
            dew_point_c: rounded(advice.dew_point_outside_c, 4),
            coldest_crate_c: rounded(asked.coldest_c, 4),
            coldest_said: asked.coldest_said,
            kept_above_c: rounded(frost_c, 4),
            kept_above_pct: rounded(dry_pct, 4),
            damp_above_pct: rounded(damp_pct, 4),
            verdict,
            reason,
            share_of_air_max: rounded(share, 5),
            air_changes_per_h: asked.changes_per_h.map(|n| rounded(n, 4)),
            exchanged_share: exchanged.map(|share| rounded(share, 5)),
            minutes: minutes.map(|m| rounded(m, 2)),
            outside_warmed_to_room_pct: rounded(advice.outside_at_room_pct, 2),
            room_after: (!closed).then(|| After::of(air, asked.outside, share, pressure)),
        }
    }
}

impl After {
    fn of(air: Air, outside: Air, share: f64, pressure: Pascal) -> Self {
        let mixed = venting::mix(air, outside, share, pressure);
        let saturation = |t: Celsius| saturation_over_water(t).pascal();
        let there = Celsius::new(mixed.temperature_c).unwrap_or(air.temperature);
        let warmed = mixed.humidity_pct * saturation(there) / saturation(air.temperature);
        Self {
            temperature_c: rounded(mixed.temperature_c, 3),
            humidity_pct: rounded(mixed.humidity_pct, 2),
            fog: mixed.fog,
            humidity_once_warm_again_pct: rounded(warmed, 2),
        }
    }
}

/// The verdict for programs, and why, for people.
fn words(verdict: Verdict) -> (&'static str, &'static str) {
    match verdict {
        Verdict::Open => ("open", "the room is damp and the outside air is drier"),
        Verdict::OpenBriefly => (
            "open-briefly",
            "the room is damp and the outside air is drier, but all of it would be too much",
        ),
        Verdict::Optional => (
            "optional",
            "the outside air does no harm, and the room is not damp",
        ),
        Verdict::Closed(why) => (
            "closed",
            match why {
                Why::WouldWetTubers => {
                    "outside air would leave water on the coldest tubers, or come too close to it"
                }
                Why::NoDrier => {
                    "the outside air holds no less water, as far as sensors can tell them apart"
                }
                Why::AlreadyDry => "the room is dry enough",
                Why::TooCold => "even a little outside air would make the room too cold",
                Why::TooDry => "even a little outside air would make the room too dry",
                Why::NoCooler => "the outside air is no cooler",
            },
        ),
    }
}

impl Water {
    fn of(air: Air, asked: &asked::Water) -> Self {
        let t = air.temperature.degrees();
        let percent = RelativeHumidity::percent;
        let (from, to) = (percent(air.humidity), percent(asked.to.humidity));
        let air_g = 1000.0 * venting::water_kg(asked.volume_m3, t, from, to);
        let packing = asked
            .packing_kg
            .map(|kg| venting::packing_uptake_kg(kg, t, from, to));
        let leak = asked
            .leak
            .map(|(n, outside)| venting::leak_g_per_h(asked.volume_m3, n, asked.to, outside));
        let all_g = air_g + packing.unwrap_or_default() * 1000.0;
        // A leak that brings water is no help to rely on.
        let net = asked
            .humidifier_g_h
            .map(|rate| rate - leak.unwrap_or_default().max(0.0))
            .filter(|net| 0.0 < *net);
        Self {
            to_pct: rounded(to, 4),
            volume_m3: rounded(asked.volume_m3, 4),
            air_g: rounded(air_g, 2),
            leak_g_h: leak.map(|g| rounded(g, 2)),
            packing_dry_kg: asked.packing_kg.map(|kg| rounded(kg, 4)),
            packing_takes_up_kg: packing.map(|kg| rounded(kg, 4)),
            packing_share_pct: packing.map(|kg| rounded(100_000.0 * kg / all_g, 1)),
            evaporation_kj: (from < to)
                .then(|| rounded(venting::evaporation_kj(all_g / 1000.0, t), 1)),
            humidifier_g_h: asked.humidifier_g_h.map(|g| rounded(g, 2)),
            minutes_air_alone: net.map(|net| rounded(60.0 * air_g / net, 2)),
            minutes_with_packing: net
                .filter(|_| packing.is_some())
                .map(|net| rounded(60.0 * all_g / net, 2)),
            caution: (from < to).then_some(message::WATER),
        }
    }
}

impl Heat {
    fn of(air: Air, asked: &asked::Heat, pressure: Pascal) -> Self {
        let (air_kj, after) = venting::heat_kj(asked.volume_m3, air, asked.to_c, pressure);
        let rise = asked.to_c - air.temperature.degrees();
        let tubers_kj = asked.tubers_kg.map(|kg| venting::tubers_kj(kg, rise));
        let total = air_kj + tubers_kj.unwrap_or_default();
        Self {
            to_c: rounded(asked.to_c, 4),
            volume_m3: rounded(asked.volume_m3, 4),
            air_kj: rounded(air_kj, 2),
            tubers_kg: asked.tubers_kg.map(|kg| rounded(kg, 4)),
            tubers_kj: tubers_kj.map(|kj| rounded(kj, 2)),
            total_kj: rounded(total, 2),
            humidity_after_pct: rounded(after, 2),
            heater_w: asked.heater_w.map(|w| rounded(w, 2)),
            minutes: asked
                .heater_w
                .map(|w| rounded(total * 1000.0 / w / 60.0, 2)),
            caution: message::HEAT,
        }
    }
}
