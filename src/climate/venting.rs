//! Opening up, adding water and heating: what each does to the air of a room.

use super::{
    air::{Air, MASS_RATIO, WATER_VAPOUR_GAS, saturation_over_water},
    units::{Celsius, Pascal},
};

/// Heat capacities and heat of evaporation in J/(kg K) and J/kg, ASHRAE Fundamentals 2017,
/// chapter 1, eq. 30.
const DRY_AIR_HEAT: f64 = 1006.0;
const VAPOUR_HEAT: f64 = 1860.0;
const EVAPORATION: f64 = 2_501_000.0;
/// Heat that liquid water takes up less than vapour does, in J/(kg K): 4186 - 1860.
const EVAPORATION_FALL: f64 = 2326.0;
/// Specific gas constant of dry air in J/(kg K), ASHRAE Fundamentals 2017, chapter 1, eq. 1.
const DRY_AIR_GAS: f64 = 287.042;
/// Heat capacity of tubers in kJ/(kg K): four fifths water; assumption, as for potatoes.
const TUBER_HEAT: f64 = 3.6;

/// Humidity ratio of air of vapour pressure `e`. No store is near boiling; the cap keeps figures
/// finite where the pressure given is absurd.
fn ratio(e: f64, pressure: Pascal) -> f64 {
    let p = pressure.pascal();
    let e = e.min(0.99 * p);
    MASS_RATIO * e / (p - e)
}

fn enthalpy(t_c: f64, w: f64) -> f64 {
    DRY_AIR_HEAT * t_c + w * (EVAPORATION + VAPOUR_HEAT * t_c)
}

fn saturation(t_c: f64) -> f64 {
    saturation_over_water(Celsius::computed(t_c)).pascal()
}

/// Air of two origins, mixed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mixed {
    /// C.
    pub temperature_c: f64,
    /// Over liquid water, in %; above 100 where there is fog.
    pub humidity_pct: f64,
    /// Whether the mixture holds more water than air can.
    pub fog: bool,
}

/// Mixes air so that `share` (0 to 1) of the dry air comes from outside: water and enthalpy add up.
/// Source: ASHRAE Fundamentals 2017, chapter 1, adiabatic mixing of two airstreams.
pub fn mix(inside: Air, outside: Air, share: f64, pressure: Pascal) -> Mixed {
    let of = |air: Air| {
        let w = ratio(air.vapour_pressure().pascal(), pressure);
        (w, enthalpy(air.temperature.degrees(), w))
    };
    let ((wi, hi), (wo, ho)) = (of(inside), of(outside));
    let w = (1.0 - share) * wi + share * wo;
    let h = (1.0 - share) * hi + share * ho;
    let temperature_c = (h - EVAPORATION * w) / (DRY_AIR_HEAT + VAPOUR_HEAT * w);
    let e = pressure.pascal() * w / (MASS_RATIO + w);
    let humidity_pct = 100.0 * e / saturation(temperature_c);
    Mixed {
        temperature_c,
        humidity_pct,
        fog: 100.0 < humidity_pct,
    }
}

/// The limits that advice on venting keeps to. Judgement, no source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Thresholds {
    /// Below it the room is dry enough, in %.
    pub dry_pct: f64,
    /// The room is not cooled below it, in C.
    pub frost_c: f64,
    /// Above it venting is advised rather than optional, in %.
    pub damp_pct: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            dry_pct: 70.0,
            frost_c: 3.0,
            damp_pct: 85.0,
        }
    }
}

/// Why to leave it closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// Outdoor air would wet the coldest tubers.
    WouldWetTubers,
    /// Outdoor air holds no less water, within what sensors tell apart.
    NoDrier,
    /// The room is dry enough.
    AlreadyDry,
    /// Too little of the outdoor air would bring the room to its low limit.
    TooCold,
    /// Too little of the outdoor air would dry the room beyond its limit.
    TooDry,
    /// Outdoor air is no cooler; only where cooling was asked for.
    NoCooler,
}

/// Whether to open up.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Leave it closed.
    Closed(Why),
    /// Does no harm and little good.
    Optional,
    /// Open.
    Open,
    /// Open until the share of air that the advice names is exchanged.
    OpenBriefly,
}

/// Advice on opening up, with the figures it rests on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Advice {
    /// What to do.
    pub verdict: Verdict,
    /// Share of the room's air that may be exchanged, 0 to 1: not worth it where that is too cold or
    /// too dry, and 0 where it stays closed for another reason.
    pub share_max: f64,
    /// Humidity of the outdoor air once it is as warm as the room, in %; may exceed 100.
    pub outside_at_room_pct: f64,
    /// Dew point inside, in C.
    pub dew_point_inside_c: f64,
    /// Dew point outside, in C.
    pub dew_point_outside_c: f64,
}

/// How far two dew points have to differ to be told apart, in K: sensor error, rounded up.
const DEW_POINT_GUARD_K: f64 = 1.0;
/// Exchanging less than this share is not worth opening for.
const LEAST_SHARE: f64 = 0.05;

/// Whether to open up against damp. `coldest_c` is the coldest tuber.
///
/// In this order: outdoor air must not wet tubers, must be drier, the room must not be dry already,
/// what the room's low limits leave to exchange must be worth it; up to `damp_pct` it is optional.
pub fn advise(
    inside: Air,
    outside: Air,
    coldest_c: f64,
    pressure: Pascal,
    thresholds: Thresholds,
) -> Advice {
    judge(inside, outside, coldest_c, pressure, thresholds, false)
}

/// Whether to open up to cool a warm room: outdoor air must be cooler and must not wet tubers, and
/// the room's low limits bound how much; dampness is not asked about.
pub fn advise_cooling(
    inside: Air,
    outside: Air,
    coldest_c: f64,
    pressure: Pascal,
    thresholds: Thresholds,
) -> Advice {
    judge(inside, outside, coldest_c, pressure, thresholds, true)
}

fn judge(
    inside: Air,
    outside: Air,
    coldest_c: f64,
    pressure: Pascal,
    thresholds: Thresholds,
    cooling: bool,
) -> Advice {
    let dew_in = inside.dew_point().degrees();
    let dew_out = outside.dew_point().degrees();
    let (ti, to) = (inside.temperature.degrees(), outside.temperature.degrees());
    let rh = inside.humidity.percent();
    let (by_frost, by_dryness) = shares(inside, outside, pressure, thresholds);
    let share = by_frost.min(by_dryness);

    let verdict = if coldest_c - DEW_POINT_GUARD_K < dew_out {
        Verdict::Closed(Why::WouldWetTubers)
    } else if cooling && ti <= to {
        Verdict::Closed(Why::NoCooler)
    } else if !cooling && dew_in - DEW_POINT_GUARD_K < dew_out {
        Verdict::Closed(Why::NoDrier)
    } else if !cooling && rh < thresholds.dry_pct {
        Verdict::Closed(Why::AlreadyDry)
    } else if share < LEAST_SHARE {
        Verdict::Closed(if by_frost <= by_dryness {
            Why::TooCold
        } else {
            Why::TooDry
        })
    } else if !cooling && rh <= thresholds.damp_pct {
        Verdict::Optional
    } else if share < 1.0 {
        Verdict::OpenBriefly
    } else {
        Verdict::Open
    };
    let closed =
        matches!(verdict, Verdict::Closed(why) if !matches!(why, Why::TooCold | Why::TooDry));
    Advice {
        verdict,
        share_max: if closed { 0.0 } else { share },
        outside_at_room_pct: 100.0 * outside.vapour_pressure().pascal() / saturation(ti),
        dew_point_inside_c: dew_in,
        dew_point_outside_c: dew_out,
    }
}

/// Shares of air that may be exchanged before the room is at its low limits: of temperature, and of
/// humidity once the air is as warm as before.
fn shares(inside: Air, outside: Air, pressure: Pascal, thresholds: Thresholds) -> (f64, f64) {
    let (ti, to) = (inside.temperature.degrees(), outside.temperature.degrees());
    let frost = thresholds.frost_c;
    let by_frost = if frost <= to {
        1.0
    } else if ti <= frost {
        0.0
    } else {
        (ti - frost) / (ti - to)
    };
    let wi = ratio(inside.vapour_pressure().pascal(), pressure);
    let wo = ratio(outside.vapour_pressure().pascal(), pressure);
    let dry = ratio(thresholds.dry_pct / 100.0 * saturation(ti), pressure);
    let by_dryness = if dry <= wo {
        1.0
    } else if wi <= dry {
        0.0
    } else {
        (wi - dry) / (wi - wo)
    };
    (by_frost, by_dryness)
}

/// Minutes until a share of the air is exchanged, `-ln(1 - x) / n`; `None` for all of it, which
/// takes for ever, or without exchange. Source: the well-mixed room.
pub fn minutes(share: f64, air_changes_per_hour: f64) -> Option<f64> {
    (share < 1.0 && 0.0 < air_changes_per_hour)
        .then(|| -60.0 * (-share.max(0.0)).ln_1p() / air_changes_per_hour)
}

/// Water in kg that raises the humidity of closed air from `rh1` to `rh2` %, ideal gas. The least
/// that it takes: packing takes up far more ([`packing_uptake_kg`]) and leaks take it away again
/// ([`leak_g_per_h`]).
pub fn water_kg(volume_m3: f64, t_c: f64, rh1: f64, rh2: f64) -> f64 {
    volume_m3 * (rh2 - rh1) / 100.0 * saturation(t_c) / (WATER_VAPOUR_GAS * (t_c + 273.15))
}

/// Heat in kJ that evaporating water takes from a room: `2501 - 2.326 t` kJ/kg, the difference of
/// the enthalpies of vapour and liquid in ASHRAE Fundamentals 2017, chapter 1, eq. 33.
pub fn evaporation_kj(water_kg: f64, t_c: f64) -> f64 {
    water_kg * (EVAPORATION - EVAPORATION_FALL * t_c) / 1000.0
}

/// Water in g that leaves a room with its air in an hour; below 0 where outdoor air brings some.
/// What comes in is counted as warm as the room.
pub fn leak_g_per_h(volume_m3: f64, air_changes_per_hour: f64, inside: Air, outside: Air) -> f64 {
    let gone = inside.vapour_pressure().pascal() - outside.vapour_pressure().pascal();
    1000.0 * volume_m3 * air_changes_per_hour * gone
        / (WATER_VAPOUR_GAS * inside.temperature.kelvin())
}

/// Equilibrium moisture of wood in % of its dry mass, at `t_c` and `rh_pct`.
///
/// 13.4, 16.4 and 20.9 % at 70, 80 and 90 % and 10 C. Source: Simpson 1998, USDA Forest Products
/// Laboratory research note 268 (number from memory), after Hailwood and Horrobin.
pub fn wood_moisture(t_c: f64, rh_pct: f64) -> f64 {
    let (t, h) = (t_c, rh_pct / 100.0);
    let w = 349.0 + 1.29 * t + 0.0135 * t * t;
    let k = 0.805 + 7.36e-4 * t - 2.73e-6 * t * t;
    let k1 = 6.27 - 9.38e-3 * t - 3.03e-4 * t * t;
    let k2 = 1.91 + 0.0407 * t - 2.93e-4 * t * t;
    let (kh, both) = (k * h, k1 * k2 * k * k * h * h);
    1800.0 / w * (kh / (1.0 - kh) + (k1 * kh + 2.0 * both) / (1.0 + k1 * kh + both))
}

/// Water in kg that dry wood packing takes up from `rh1` to `rh2` %, given days to do so.
pub fn packing_uptake_kg(dry_kg: f64, t_c: f64, rh1: f64, rh2: f64) -> f64 {
    dry_kg * (wood_moisture(t_c, rh2) - wood_moisture(t_c, rh1)) / 100.0
}

/// Heat in kJ that takes the air of a room from its temperature to `to_c`, and the humidity it then
/// has in %, above 100 where it fogs. Walls and tubers take more.
pub fn heat_kj(volume_m3: f64, from: Air, to_c: f64, pressure: Pascal) -> (f64, f64) {
    let e = from.vapour_pressure().pascal();
    let t = from.temperature.degrees();
    let dry_kg = volume_m3 * (pressure.pascal() - e) / (DRY_AIR_GAS * from.temperature.kelvin());
    let w = ratio(e, pressure);
    let kj = dry_kg * (DRY_AIR_HEAT + VAPOUR_HEAT * w) * (to_c - t) / 1000.0;
    (kj, 100.0 * e / saturation(to_c))
}

/// Heat in kJ that warms tubers: 3.6 kJ/(kg K), half a kilowatt-hour a kelvin for 500 kg.
pub fn tubers_kj(kg: f64, delta_k: f64) -> f64 {
    TUBER_HEAT * kg * delta_k
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::climate::RelativeHumidity;

    fn air(t: f64, rh: f64) -> Air {
        Air::new(Celsius::new(t).unwrap(), RelativeHumidity::new(rh).unwrap())
    }

    fn near(found: f64, said: f64, by: f64) {
        assert!((found - said).abs() <= by, "{found}, expected {said}");
    }

    #[test]
    fn adding_water_to_air_is_the_least_of_it() {
        // Computed elsewhere by the same equations: 50 m3 at 10 C.
        near(water_kg(50.0, 10.0, 60.0, 80.0), 0.094, 0.0005);
        near(evaporation_kj(1.0, 10.0), 2478.0, 1.0);
        near(packing_uptake_kg(100.0, 10.0, 60.0, 80.0), 5.1, 0.1);
        near(
            leak_g_per_h(50.0, 0.3, air(10.0, 80.0), air(0.0, 80.0)),
            57.0,
            1.0,
        );
        for (rh, moisture) in [(70.0, 13.4), (80.0, 16.4), (90.0, 20.9)] {
            near(wood_moisture(10.0, rh), moisture, 0.05);
        }
    }

    #[test]
    fn warming_dries() {
        let (_, rh) = heat_kj(50.0, air(10.0, 88.0), 12.0, Pascal::STANDARD_ATMOSPHERE);
        near(rh, 77.0, 0.3);
        near(tubers_kj(500.0, 1.0), 0.5 * 3600.0, 1e-9);
    }

    #[test]
    fn a_share_takes_its_time() {
        near(minutes(0.5, 1.0).unwrap(), 60.0 * 2f64.ln(), 1e-9);
        assert_eq!(minutes(1.0, 5.0), None);
        assert_eq!(minutes(0.5, 0.0), None);
        near(minutes(-1.0, 5.0).unwrap(), 0.0, 1e-12);
    }

    #[test]
    fn cooling_asks_for_cold_air_and_keeps_the_tubers_dry() {
        let ask = |outside| {
            advise_cooling(
                air(13.0, 80.0),
                outside,
                12.0,
                Pascal::STANDARD_ATMOSPHERE,
                Thresholds::default(),
            )
            .verdict
        };
        assert_eq!(ask(air(14.0, 50.0)), Verdict::Closed(Why::NoCooler));
        assert_eq!(ask(air(12.5, 98.0)), Verdict::Closed(Why::WouldWetTubers));
        // Dew point 8.7 C: no drier than the room, which does not matter for cooling.
        assert_eq!(ask(air(9.2, 97.0)), Verdict::Open);
        assert_eq!(ask(air(-2.0, 80.0)), Verdict::OpenBriefly);
    }
}
