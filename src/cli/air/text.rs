//! The answer for people: short words, one column of figures, nothing beyond 80 columns.

use std::fmt::Write as _;

use super::{
    answer::{Answer, Check, Drying, Growth, Heat, Range, Venting, Waking, Water},
    asked::Asked,
};
use crate::{
    climate::{Air, Packing, Pascal, Unit, mould, warmth},
    config::quantity::{BTU_J, GALLON_L},
    notify::words::{Manner, NB, percent, span_exact, thousands},
};

/// Where the values begin, and where lines end.
const VALUES: usize = 26;
const WIDTH: usize = 80;

struct Page {
    text: String,
    manner: Manner,
}

impl Page {
    /// A name and its value, which goes on below itself where it is long.
    fn row(&mut self, name: &str, value: &str) {
        let mut line = format!("{name:<VALUES$}");
        let mut width = VALUES;
        for word in value.split(' ') {
            let more = word.chars().count();
            if VALUES < width && WIDTH < width + 1 + more {
                let _ = writeln!(self.text, "{line}");
                line = " ".repeat(VALUES);
                width = VALUES;
            }
            if VALUES < width {
                line.push(' ');
                width += 1;
            }
            // What was kept on one line needs no mark any more.
            line.push_str(&word.replace(NB, " "));
            width += more;
        }
        let _ = writeln!(self.text, "{line}");
    }

    /// What belongs to the value above.
    fn note(&mut self, text: &str) {
        self.row("", text);
    }

    fn gap(&mut self) {
        self.text.push('\n');
    }

    fn is_fahrenheit(&self) -> bool {
        self.manner.unit == Unit::F
    }

    /// `0.16 kWh (537 BTU)`.
    fn energy(&self, kj: f64) -> String {
        let kwh = format!("{}{NB}kWh", sized(kj / 3600.0));
        if self.is_fahrenheit() {
            format!("{kwh} ({}{NB}BTU)", sized(1000.0 * kj / BTU_J))
        } else {
            kwh
        }
    }

    /// `94 g (0.09 l)`, `5.1 l (1.3 gal)`.
    fn water(&self, g: f64) -> String {
        let litres = g / 1000.0;
        if litres < 1.0 {
            format!("{}{NB}g ({}{NB}l)", sized(g), sized(litres))
        } else if self.is_fahrenheit() {
            let gallons = sized(litres / GALLON_L);
            format!("{}{NB}l ({gallons}{NB}gal)", sized(litres))
        } else {
            format!("{}{NB}l", sized(litres))
        }
    }
}

/// No more figures than count.
fn sized(value: f64) -> String {
    match value.abs() {
        v if v < 0.1 => format!("{value:.3}"),
        v if v < 1.0 => format!("{value:.2}"),
        v if v < 10.0 => format!("{value:.1}"),
        v if 1000.0 <= v => {
            let scale = 10f64.powi(v.log10().floor() as i32 - 2);
            thousands(((value / scale).round() * scale) as i64)
        }
        _ => format!("{value:.0}"),
    }
}

fn days(days: f64) -> String {
    match days {
        d if d < 100.0 => format!("{d:.1}{NB}days"),
        d if d < 3650.0 => format!("{d:.0}{NB}days"),
        _ => format!("more than ten{NB}years"),
    }
}

fn minutes(minutes: f64) -> String {
    if minutes < 1.0 {
        "less than a minute".to_owned()
    } else {
        span_exact((minutes.round() * 60_000.0) as i64)
    }
}

/// The air, and what follows from it.
pub(super) fn text(asked: &Asked, answer: &Answer) -> String {
    let manner = Manner {
        zone: chrono_tz::UTC,
        unit: asked.unit,
    };
    let mut page = Page {
        text: String::new(),
        manner,
    };
    air(&mut page, asked.air, asked.pressure);
    page.gap();
    growth(&mut page, &answer.mould);
    page.gap();
    drying(&mut page, &answer.drying, asked.packing);
    page.gap();
    waking(&mut page, &answer.waking);
    if let Some(outside) = &answer.outside {
        page.gap();
        venting(&mut page, asked, outside);
    }
    if let Some(water) = &answer.water {
        page.gap();
        humidity(&mut page, asked, water);
    }
    if let Some(heat) = &answer.heat {
        page.gap();
        heating(&mut page, heat);
    }
    if let Some(check) = &answer.check {
        page.gap();
        over_salt(&mut page, check);
    }
    page.text
}

fn both(manner: Manner, air: Air) -> String {
    let (t, rh) = (air.temperature.degrees(), air.humidity.percent());
    format!("{}, {}", manner.temperature(t), percent(rh))
}

fn air(page: &mut Page, air: Air, pressure: Pascal) {
    let manner = page.manner;
    page.row("air", &both(manner, air));
    let dew_point = air.dew_point().degrees();
    page.row("dew point", &manner.temperature(dew_point));
    if let Some(frost) = air.frost_point() {
        page.row("frost point", &manner.temperature(frost.degrees()));
    }
    let clear = air.temperature.degrees() - dew_point;
    page.row("clear of sweating", &manner.difference(clear));
    if let Some(wet) = air.wet_bulb(pressure) {
        page.row("wet bulb", &manner.temperature(wet.degrees()));
    }
    let pascal = air.vapour_pressure().pascal();
    page.row("vapour pressure", &format!("{pascal:.1} Pa"));
    let deficit = air.vapour_pressure_deficit();
    page.row("vapour pressure deficit", &format!("{deficit:.1} Pa"));
    if let Some(w) = air.humidity_ratio(pressure) {
        page.row("humidity ratio", &format!("{:.2} g/kg", w * 1000.0));
    }
    let density = air.absolute_humidity();
    page.row("absolute humidity", &format!("{density:.2} g/m3"));
    let line = mould::critical_humidity(air.temperature).percent();
    page.row("mould can begin above", &format!("{line:.0} %"));
}

fn growth(page: &mut Page, growth: &Growth) {
    let said = |d: Option<f64>| d.map_or_else(|| "never at these conditions".to_owned(), days);
    page.row(
        "first mould on raw wood",
        &said(growth.days_to_index_1_on_raw_wood),
    );
    page.row(
        "first mould on paper",
        &said(growth.days_to_index_1_on_paper),
    );
    if growth.days_to_index_1_on_raw_wood.is_some() {
        page.note("index 1, seen only with a lens; not a forecast of rot");
    }
}

fn drying(page: &mut Page, drying: &Drying, packing: Packing) {
    let Some(shrink) = &drying.shrink_a_month_pct else {
        page.row(
            "shrink a month",
            "not reckoned in frost, which kills tubers",
        );
        return;
    };
    let Range { middle, low, high } = shrink;
    page.row(
        "shrink a month",
        &format!(
            "{middle:.1}{NB}% ({low:.1} to {high:.1}{NB}%), {}",
            packing.words()
        ),
    );
    match &drying.days_to_limp {
        Some(limp) => {
            let range = format!("({:.0} to {})", limp.low, days_rounded(limp.high));
            page.row(
                "limp (15 % lost) after",
                &format!("{} {range}", days_rounded(limp.middle)),
            );
        }
        None => page.row("limp (15 % lost) after", "never at these conditions"),
    }
    page.note("range: nine crates in ten, assumed until you weigh");
}

fn days_rounded(d: f64) -> String {
    if d < 3650.0 {
        format!("{d:.0}{NB}days")
    } else {
        days(d)
    }
}

fn waking(page: &mut Page, waking: &Waking) {
    let manner = page.manner;
    let Some(month) = waking.warmth_a_month_c_day else {
        let beyond = manner.limit(warmth::OPTIMUM_C);
        page.row("warmth a month", &format!("not reckoned above {beyond}"));
        return;
    };
    let base = manner.limit(warmth::BASE_C);
    if month <= 0.0 {
        page.row("warmth a month", &format!("none: eyes wait below {base}"));
        return;
    }
    page.row(
        "warmth a month",
        &format!(
            "{} above {base}; the first eyes need {} (early) to {} (late)",
            manner.warmth(month),
            manner.warmth(warmth::EARLY),
            manner.warmth(warmth::LATE)
        ),
    );
    if let (Some(early), Some(late)) = (
        waking.days_to_first_eyes_early,
        waking.days_to_first_eyes_late,
    ) {
        page.row(
            "first eyes after",
            &format!(
                "{early:.0} to {} from about 1{NB}January",
                days_rounded(late)
            ),
        );
    }
}

fn venting(page: &mut Page, asked: &Asked, venting: &Venting) {
    let manner = page.manner;
    if let Some(vent) = &asked.vent {
        page.row("outside", &both(manner, vent.outside));
    }
    let verdict = match venting.verdict {
        "open-briefly" => "open briefly",
        "optional" => "as you like",
        "closed" => "keep closed",
        open => open,
    };
    page.row("vent?", &format!("{verdict}: {}", venting.reason));
    if let Some(after) = &venting.room_after {
        let share = venting.share_of_air_max;
        page.row(
            "share of the air",
            &if share < 1.0 {
                format!("at most {}", percent(100.0 * share))
            } else {
                "all of it".to_owned()
            },
        );
        if let (Some(time), Some(n), Some(exchanged)) = (
            venting.minutes,
            venting.air_changes_per_h,
            venting.exchanged_share,
        ) {
            let most = if share < 1.0 {
                String::new()
            } else {
                format!(" for {} of it", percent(100.0 * exchanged))
            };
            page.row(
                "time it takes",
                &format!(
                    "{}{most}, at {}{NB}air changes an hour",
                    minutes(time),
                    sized(n)
                ),
            );
        }
        let right_after = if after.fog {
            "fog".to_owned()
        } else {
            percent(after.humidity_pct)
        };
        page.row(
            "room after",
            &format!(
                "{}, {right_after}; warm again {}",
                manner.temperature(after.temperature_c),
                percent(after.humidity_once_warm_again_pct)
            ),
        );
    }
    page.row(
        "dew point outside",
        &manner.temperature(venting.dew_point_c),
    );
    let coldest = manner.temperature(venting.coldest_crate_c);
    let origin = if venting.coldest_said {
        ""
    } else {
        ", taken as the room; --tuber tells it"
    };
    page.row("coldest crate", &format!("{coldest}{origin}"));
    let warmed = venting.outside_warmed_to_room_pct;
    let room = manner.temperature(asked.air.temperature.degrees());
    page.row(
        "outside air, warmed",
        &if 100.0 < warmed {
            format!("more water than air of {room} can hold")
        } else {
            format!("{} at {room}", percent(warmed))
        },
    );
    page.row(
        "limits",
        &format!(
            "kept above {} and {}; damp above {}",
            manner.limit(venting.kept_above_c),
            percent(venting.kept_above_pct),
            percent(venting.damp_above_pct)
        ),
    );
}

fn humidity(page: &mut Page, asked: &Asked, water: &Water) {
    let adding = asked.air.humidity.percent() < water.to_pct;
    let amount = page.water(water.air_g.abs());
    let to = percent(water.to_pct);
    if adding {
        page.row("water for the air", &format!("{amount} to {to}"));
    } else {
        page.row("water out of the air", &format!("{amount} to {to}"));
    }
    let share = water.packing_share_pct.map_or(0.0, f64::abs);
    match water.packing_takes_up_kg {
        Some(kg) => {
            let amount = page.water(1000.0 * kg.abs());
            let does = if adding {
                "packing takes up"
            } else {
                "packing gives off"
            };
            page.row(does, &format!("{amount} meanwhile, over days"));
            if 50.0 < share {
                let larger = if adding {
                    "takes the larger part"
                } else {
                    "holds the larger part"
                };
                page.note(&format!(
                    "The packing {larger}, {}: the air stays short of {to} until it has done so.",
                    percent(share.min(99.0))
                ));
            }
            if !matches!(
                asked.packing,
                Packing::Unknown | Packing::Shavings | Packing::Sawdust
            ) {
                page.note("Reckoned as dry wood; other packing differs.");
            }
        }
        None if adding => {
            page.note("Packing takes the larger part: --packing-kg tells how much.");
        }
        None => page.note("Packing holds the larger part: --packing-kg tells how much."),
    }
    if let Some(leak) = water.leak_g_h {
        let amount = format!("{}{NB}g an hour", sized(leak.abs()));
        if 0.0 <= leak {
            page.row("leaks take away", &format!("{amount} at {to}"));
        } else {
            page.row("leaks bring in", &format!("{amount} at {to}"));
        }
    }
    if let Some(rate) = water.humidifier_g_h {
        let name = "humidifier runs";
        match (water.minutes_air_alone, water.minutes_with_packing) {
            (Some(alone), None) => page.row(name, &minutes(alone)),
            (Some(alone), Some(with)) => page.row(
                name,
                &format!(
                    "{} in all; {} for the air alone",
                    minutes(with),
                    minutes(alone)
                ),
            ),
            (None, _) => page.row(
                name,
                &format!(
                    "for ever: leaks take all of its {}{NB}g an hour",
                    sized(rate)
                ),
            ),
        }
    }
    if let Some(kj) = water.evaporation_kj {
        let energy = page.energy(kj);
        page.row("heat it takes", &format!("{energy}, by evaporating"));
    }
    if let Some(caution) = water.caution {
        page.row("caution", caution);
    }
}

fn heating(page: &mut Page, heat: &Heat) {
    let to = page.manner.temperature(heat.to_c);
    let air = page.energy(heat.air_kj);
    page.row("heat for the air", &format!("{air} to {to}"));
    match heat.tubers_kj {
        Some(kj) => {
            let tubers = page.energy(kj);
            page.row("heat for the tubers", &tubers);
            page.note("At the least: walls, floor and crates take more.");
        }
        None => page.note("At the least: tubers (--tubers-kg), walls and floor take far more."),
    }
    page.row("humidity after", &percent(heat.humidity_after_pct));
    if let Some(time) = heat.minutes {
        page.row("heater runs", &minutes(time));
    }
    page.row("caution", heat.caution);
}

fn over_salt(page: &mut Page, check: &Check) {
    let salt = check.salt.replace('-', " ");
    page.row(
        &format!("over damp {salt}"),
        &format!("{:.1}{NB}%", check.true_humidity_pct),
    );
    let off = check.too_much_pct;
    let word = if off < 0.0 { "little" } else { "much" };
    page.row(
        "the sensor shows",
        &format!("{:.1}{NB}points too {word}", off.abs()),
    );
    page.note("A slurry in a closed box at a steady temperature, the sensor above it for some hours, never touching. Table salt and potassium chloride lie on either side of a store's air.");
}
