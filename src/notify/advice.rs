//! What to do with the air of a room now, with the figures behind it: open or shut, water, heat.
//!
//! It advises; nothing is ever switched. Thresholds are the room's own low and high limits, so that
//! following the advice does not lead out of the band.

use super::{
    message::{HEAT, WATER},
    words::{Manner, NB, percent, span},
};
use crate::{
    climate::{
        Air, Celsius, Pascal, RelativeHumidity, Unit,
        venting::{self, Thresholds, Verdict, Why},
    },
    watch::{
        Equipment, Kind, Models, RoomSettings, Stage, Stamp,
        limits::TARGET_PCT,
        reading::{HOUR_MS, MINUTE_MS},
    },
};

/// What a tip is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Matter {
    /// Opening up.
    Vent,
    /// Bringing in water.
    Water,
    /// Bringing in heat.
    Heat,
}

/// One thing to do, or to leave.
#[derive(Debug, Clone, PartialEq)]
pub struct Tip {
    /// About what.
    pub matter: Matter,
    /// "Open the vent for 12 minutes".
    pub what: String,
    /// Why, with the figures.
    pub why: String,
    /// What could hurt the person doing it.
    pub caution: Option<&'static str>,
}

/// Air that was heard this long ago says nothing about now.
const OLD_MS: i64 = HOUR_MS;
/// Water in a US gallon of 3.785 411 784 l (exact), a litre taken as a kilogram, in grams.
const GALLON_G: f64 = 3_785.411_784;
/// A room is warmed to so much above its low limit, in kelvin.
const ABOVE_LOW_K: f64 = 1.0;

/// What is known of a room's air and of what is around it.
struct Scene {
    inside: Air,
    outside: Option<Air>,
    coldest_c: f64,
    pressure: Pascal,
    equipment: Equipment,
    manner: Manner,
}

/// What to do about the air of a room at `now`; nothing where its air is not known, or nothing stands
/// in it.
pub fn tips(
    room: &RoomSettings,
    models: &Models,
    altitude_m: f64,
    now: Stamp,
    manner: Manner,
) -> Vec<Tip> {
    if room.stage == Stage::Empty {
        return Vec::new();
    }
    let Some(scene) = scene(room, models, altitude_m, now, manner) else {
        return Vec::new();
    };
    let band = room.in_force().band;
    let t = scene.inside.temperature.degrees();
    let rh = scene.inside.humidity.percent();
    let limits = Thresholds {
        dry_pct: band.low_pct,
        frost_c: band.low_c,
        damp_pct: band.high_pct,
    };
    let mut tips = Vec::new();
    if t < band.low_c {
        tips.push(scene.heat(band.low_c + ABOVE_LOW_K));
    }
    tips.extend(scene.vent(limits, band.high_c < t, band.high_pct < rh));
    if rh < band.low_pct {
        tips.push(scene.water(TARGET_PCT.clamp(band.low_pct, band.high_pct)));
    }
    tips
}

/// The tip that goes with an alert, if there is one.
pub fn for_alert(kind: Kind, tips: &[Tip]) -> Option<&Tip> {
    let matter = match kind {
        Kind::Sweating | Kind::RotRisk | Kind::Mould | Kind::Warm | Kind::Thaw => Matter::Vent,
        Kind::DryOut | Kind::Shrink => Matter::Water,
        Kind::Frost | Kind::FrostAhead | Kind::Cold => Matter::Heat,
        _ => return None,
    };
    tips.iter().find(|t| t.matter == matter)
}

fn scene(
    room: &RoomSettings,
    models: &Models,
    altitude_m: f64,
    now: Stamp,
    manner: Manner,
) -> Option<Scene> {
    let model = models.room(&room.name)?;
    let air = |t: f64, rh: f64| {
        Some(Air::new(
            Celsius::new(t).ok()?,
            RelativeHumidity::new(rh).ok()?,
        ))
    };
    let (at, t, rh) = model.exposures.last()?.air()?;
    if OLD_MS < now.since(at) {
        return None;
    }
    let inside = air(t, rh?)?;
    let outside = models
        .outdoor()
        .filter(|o| now.since(o.at) <= OLD_MS)
        .and_then(|o| air(o.temperature_c?, o.humidity_pct?));
    let cores = model.exposures.iter().flat_map(|e| &e.cohorts);
    let coldest = cores.filter_map(|c| c.core_c).reduce(f64::min);
    Some(Scene {
        inside,
        outside,
        coldest_c: coldest.unwrap_or(t),
        pressure: Pascal::at_altitude(altitude_m).unwrap_or(Pascal::STANDARD_ATMOSPHERE),
        equipment: room.equipment,
        manner,
    })
}

impl Scene {
    fn vent(&self, limits: Thresholds, warm: bool, damp: bool) -> Option<Tip> {
        let manner = self.manner;
        let tip = |what: String, why: String| Tip {
            matter: Matter::Vent,
            what,
            why,
            caution: None,
        };
        let Some(outside) = self.outside else {
            let dew = self.inside.dew_point().degrees() - 1.0;
            return damp.then(|| {
                tip(
                    "Air only while it is drier outside".to_owned(),
                    format!(
                        "That is while the dew point outside is below {}; a sensor outside would tell when.",
                        manner.temperature(dew)
                    ),
                )
            });
        };
        let advise = if warm {
            venting::advise_cooling
        } else {
            venting::advise
        };
        let advice = advise(self.inside, outside, self.coldest_c, self.pressure, limits);
        let (dew_in, dew_out) = (
            manner.temperature(advice.dew_point_inside_c),
            manner.temperature(advice.dew_point_outside_c),
        );
        let warmed = percent(advice.outside_at_room_pct.min(100.0));
        let shut = "Keep the vent shut".to_owned();
        let helps = if warm {
            format!(
                "It is {} outside.",
                manner.temperature(outside.temperature.degrees())
            )
        } else {
            format!("Outside air, warmed to the room, would be at {warmed}.")
        };
        Some(match advice.verdict {
            Verdict::Closed(Why::WouldWetTubers) => tip(
                shut,
                format!(
                    "The dew point outside is {dew_out} and the coldest crate at {}: outside air would wet the tubers.",
                    manner.temperature(self.coldest_c)
                ),
            ),
            Verdict::Closed(Why::NoDrier) => tip(
                shut,
                format!("Outside air is no drier: dew point {dew_out} outside, {dew_in} inside."),
            ),
            Verdict::Closed(Why::NoCooler) => tip(
                shut,
                format!(
                    "Outside air is no cooler: {}.",
                    manner.temperature(outside.temperature.degrees())
                ),
            ),
            Verdict::Closed(Why::AlreadyDry) => tip(
                shut,
                format!("The room is dry already, and outside air would be at {warmed} in it."),
            ),
            Verdict::Closed(Why::TooCold) => tip(
                shut,
                format!(
                    "Outside air at {} would cool the room to {} almost at once.",
                    manner.temperature(outside.temperature.degrees()),
                    manner.limit(limits.frost_c)
                ),
            ),
            Verdict::Closed(Why::TooDry) => tip(
                shut,
                format!(
                    "Outside air would dry the room to {} almost at once: warmed to the room it is at {warmed}.",
                    percent(limits.dry_pct)
                ),
            ),
            Verdict::Optional => tip(
                "No need to air".to_owned(),
                format!("The room is not damp. {helps}"),
            ),
            Verdict::Open => tip("Open the vent".to_owned(), helps),
            Verdict::OpenBriefly => {
                let share = advice.share_max;
                let minutes = self
                    .changes_per_h()
                    .and_then(|n| venting::minutes(share, n))
                    .map(|m| span((m * MINUTE_MS as f64) as i64));
                let until = percent(share * 100.0);
                let what = minutes.map_or_else(
                    || format!("Open the vent until about {until} of the air is exchanged"),
                    |m| format!("Open the vent for {m}"),
                );
                tip(
                    what,
                    format!(
                        "{helps} Longer would bring the room to {} or {}.",
                        manner.limit(limits.frost_c),
                        percent(limits.dry_pct)
                    ),
                )
            }
        })
    }

    fn changes_per_h(&self) -> Option<f64> {
        Some(self.equipment.vent_m3_h? / self.equipment.volume_m3?)
    }

    fn water(&self, to_pct: f64) -> Tip {
        let tip = |what: String, why: &[String]| Tip {
            matter: Matter::Water,
            what,
            why: why.join(" "),
            caution: Some(WATER),
        };
        let (t, rh) = (
            self.inside.temperature.degrees(),
            self.inside.humidity.percent(),
        );
        let goal = percent(to_pct);
        let grams = |volume: f64| venting::water_kg(volume, t, rh, to_pct) * 1000.0;
        let Equipment {
            volume_m3,
            leak_per_h,
            humidifier_g_h,
            packing_kg,
            ..
        } = self.equipment;
        let mut why = Vec::new();
        let what = match volume_m3 {
            Some(volume) => {
                let air = grams(volume);
                let leak = leak_per_h.zip(self.outside).map(|(n, outside)| {
                    venting::leak_g_per_h(volume, n, self.inside, outside).max(0.0)
                });
                if let Some(leak) = leak.filter(|g| 1.0 <= *g) {
                    why.push(format!("{} an hour leave through cracks.", weight(leak)));
                }
                if let Some(rate) = humidifier_g_h {
                    let net = rate - leak.unwrap_or(0.0);
                    why.push(if 0.0 < net {
                        let ms = (air / net * HOUR_MS as f64) as i64;
                        format!("For the air alone the humidifier needs {}.", span(ms))
                    } else {
                        "The humidifier gives less than that.".to_owned()
                    });
                }
                format!("Bring in {} of water and more", weight(air))
            }
            None => format!(
                "Bring in {} of water for every 10{NB}m³, and more",
                weight(grams(10.0))
            ),
        };
        why.insert(
            0,
            format!(
                "So much the air alone takes from {} to {goal}.",
                percent(rh)
            ),
        );
        let Some(dry) = packing_kg else {
            let each = venting::packing_uptake_kg(100.0, t, rh, to_pct) * 1000.0;
            why.push(format!(
                "Packing takes far more: 100{NB}kg of dry shavings {}.",
                weight(each)
            ));
            return tip(what, &why);
        };
        let more = venting::packing_uptake_kg(dry, t, rh, to_pct) * 1000.0;
        let air = volume_m3.map_or(0.0, grams);
        let all = format!(
            "Bring in about {} of water in all",
            self.water_amount(air + more)
        );
        why[0] = format!(
            "The packing takes {} from {} to {goal}, the air {}.",
            weight(more),
            percent(rh),
            weight(air)
        );
        tip(all, &why)
    }

    /// `2.4 kg (0.6 gal)`, `2.4 kg`.
    fn water_amount(&self, grams: f64) -> String {
        match self.manner.unit {
            Unit::F => format!("{} ({:.1}{NB}gal)", weight(grams), grams / GALLON_G),
            Unit::C => weight(grams),
        }
    }

    fn heat(&self, to_c: f64) -> Tip {
        let manner = self.manner;
        let t = self.inside.temperature.degrees();
        let Equipment {
            volume_m3,
            heater_w,
            tubers_kg,
            ..
        } = self.equipment;
        let air = volume_m3.map(|v| venting::heat_kj(v, self.inside, to_c, self.pressure));
        let tubers = tubers_kg.map(|kg| venting::tubers_kj(kg, to_c - self.coldest_c.min(t)));
        let mut why = Vec::new();
        let hour = |kj: f64| format!("{:.1}{NB}kWh", kj / 3600.0);
        if let Some((kj, rh)) = air {
            why.push(format!(
                "The air takes {} and will be at {} then.",
                hour(kj),
                percent(rh)
            ));
        }
        if let Some(kj) = tubers {
            why.push(format!("The tubers take {}.", hour(kj)));
        }
        let total = air.map_or(0.0, |(kj, _)| kj) + tubers.unwrap_or(0.0);
        if let Some(watts) = heater_w.filter(|_| 0.0 < total) {
            let ms = (total / (watts / 1000.0) * 1000.0) as i64;
            why.push(format!(
                "The heater needs {}, and what the walls lose.",
                span(ms)
            ));
        }
        if why.is_empty() {
            why.push(
                "With volume, heater and weight in the configuration this says for how long."
                    .to_owned(),
            );
        }
        Tip {
            matter: Matter::Heat,
            what: format!(
                "Warm the room from {} to {}",
                manner.temperature(t),
                manner.temperature(to_c)
            ),
            why: why.join(" "),
            caution: Some(HEAT),
        }
    }
}

/// `94 g`, `5.1 kg`.
fn weight(grams: f64) -> String {
    if grams < 999.5 {
        format!("{grams:.0}{NB}g")
    } else {
        format!("{:.1}{NB}kg", grams / 1000.0)
    }
}
