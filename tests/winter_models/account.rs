//! The account in words and tables, 80 columns wide.

use std::{collections::BTreeMap, fmt::Write as _};

use chrono::Datelike;
use overwinter::{
    climate::{
        drying::{self, Coefficient},
        mould::{Surface, critical},
    },
    watch::{
        Kind, Models, Stamp, Transition,
        models::{CrateNow, Day, Outcome, Target},
        reading::HOUR_MS,
    },
};

use super::{CRATES, ROOM, Row, WARMTH, Winter, planting};

macro_rules! line {
    ($out:expr) => { $out.push('\n') };
    ($out:expr, $($text:tt)*) => { writeln!($out, $($text)*).unwrap() };
}

/// Words in lines of at most 80 characters, with an empty line before and after.
fn say(out: &mut String, text: &str) {
    let mut width = 0;
    out.push('\n');
    for word in text.split_whitespace() {
        let long = word.chars().count();
        if 0 < width && 80 < width + 1 + long {
            out.push('\n');
            width = 0;
        }
        if 0 < width {
            out.push(' ');
            width += 1;
        }
        out.push_str(word);
        width += long;
    }
    out.push_str("\n\n");
}

fn head(out: &mut String, text: &str) {
    if !out.ends_with("\n\n") {
        out.push('\n');
    }
    write!(out, "{text}\n{}\n", "-".repeat(text.len())).unwrap();
}

fn date(at: Stamp) -> String {
    at.to_utc().format("%e %b").to_string().trim().to_owned()
}

fn time(at: Stamp) -> String {
    at.to_utc().format("%e %b %H:%M").to_string()
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    let odd = values.len() % 2 == 1;
    let upper = *values.get(middle)?;
    Some(if odd {
        upper
    } else {
        f64::midpoint(values[middle - 1], upper)
    })
}

fn stand<'a>(models: &'a Models, code: &str, now: Stamp) -> CrateNow<'a> {
    models.stand(models.krate(code).unwrap(), now).unwrap()
}

/// Low and high of some figures.
fn range(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
        (low.min(v), high.max(v))
    })
}

/// Means of temperature and humidity by the hour.
fn hourly(rows: &[Row]) -> Vec<(f64, f64)> {
    let mut hours: BTreeMap<i64, Vec<(f64, f64)>> = BTreeMap::new();
    for (at, t, rh) in rows {
        let hour = at.0.div_euclid(HOUR_MS);
        hours.entry(hour).or_default().push((*t, *rh));
    }
    let mean = |all: Vec<(f64, f64)>| {
        let n = all.len() as f64;
        let (t, rh) = all.iter().fold((0.0, 0.0), |s, v| (s.0 + v.0, s.1 + v.1));
        (t / n, rh / n)
    };
    hours.into_values().map(mean).collect()
}

pub(crate) fn write(winter: &Winter, rows: &[Row]) -> String {
    let mut out = String::new();
    opening(&mut out, rows);
    months(&mut out, winter);
    loss(&mut out, winter);
    honesty(&mut out, winter);
    mould(&mut out, winter, rows);
    wet(&mut out, winter);
    cores(&mut out, winter, rows);
    warmth(&mut out, winter);
    forecasts(&mut out, winter);
    alerts(&mut out, winter);
    out
}

fn opening(out: &mut String, rows: &[Row]) {
    line!(
        out,
        "A winter in a room in Tampere, and what it did to six crates"
    );
    line!(out, "{}", "=".repeat(60));
    let (first, last) = (rows[0].0, rows[rows.len() - 1].0);
    let (low, high) = range(rows.iter().map(|r| r.1));
    let (dry, damp) = range(rows.iter().map(|r| r.2));
    say(
        out,
        &format!(
            "Air and weather were measured every ten minutes ({} rows, {} to {}; TRH-database and Finnish \
             Meteorological Institute, CC BY 4.0). The room was half heated and held no tubers: the crates are \
             invented, and the room is judged as if it were a store at 40 to 52 F and 75 to 85 %. It was from \
             {low:.1} to {high:.1} C and from {dry:.1} to {damp:.1} %, so this is the account of a bad store: too warm \
             and much too dry. Months, days and hours are in UTC.",
            rows.len(),
            first.to_utc().format("%e %B %Y"),
            last.to_utc().format("%e %B %Y").to_string().trim(),
        ),
    );
    line!(out, "crate  packing         tubers  prepared");
    for (code, packing, kg, divided) in CRATES {
        line!(
            out,
            "{code:<6} {:<15} {:<7} {}",
            packing.words(),
            kg.map_or("-".to_owned(), |kg| format!("{kg} kg")),
            if divided { "divided" } else { "-" },
        );
    }
}

const MONTHS: [(i32, u32, &str); 6] = [
    (2020, 12, "December, from the 18th"),
    (2021, 1, "January"),
    (2021, 2, "February"),
    (2021, 3, "March"),
    (2021, 4, "April"),
    (2021, 5, "May, to the 15th"),
];

fn months(out: &mut String, winter: &Winter) {
    head(out, "How thirsty the air was");
    say(
        out,
        "The deficit dose sums up how much water the air could still take (its vapour pressure deficit) over \
         time, in kPa day; loss of weight follows it. Air at 50 F and 80 % has a deficit of 0.245 kPa, and the \
         last column says what that would have summed up to. A gap is time that no reading covers.",
    );
    let models = winter.judge.models();
    let air = &models.room(ROOM).unwrap().exposures[0];
    let last = Day {
        day: planting().0.div_euclid(24 * HOUR_MS),
        dose: air.dose,
        covered_h: air.covered_h,
        gap_h: air.gap_h,
        heat: air.heat,
    };
    line!(
        out,
        "month                     covered     gaps     dose   at target"
    );
    let (mut dose, mut covered, mut gap) = (0.0, 0.0, 0.0);
    let row = |out: &mut String, name: &str, dose: f64, covered: f64, gap: f64| {
        line!(
            out,
            "{name:<24} {covered:>6.0} h {gap:>6.0} h {dose:>8.2} {:>11.2}",
            covered / 24.0 * 0.2452
        );
    };
    for (year, month, name) in MONTHS {
        let within = |d: &&Day| {
            let at = Stamp(d.day * 24 * HOUR_MS).to_utc();
            (at.year(), at.month()) == (year, month)
        };
        let all = air.days.iter().chain([&last]);
        let end = all.rev().find(within).unwrap();
        row(
            out,
            name,
            end.dose - dose,
            end.covered_h - covered,
            end.gap_h - gap,
        );
        (dose, covered, gap) = (end.dose, end.covered_h, end.gap_h);
    }
    row(out, "the whole winter", dose, covered, gap);
}

fn loss(out: &mut String, winter: &Winter) {
    head(out, "Weight lost by planting, as it was projected");
    say(
        out,
        "In percent of the weight, by 15 May: what was projected on three days from what had been lost and how the \
         seven days before went on, with the range that should hold it nine times in ten; and what it came to by \
         the same k, once the air was known. k, the share lost per kPa day, is assumed from the packing, since no \
         crate was weighed; what it leaves open is nearly all of the range.",
    );
    line!(
        out,
        "crate  k (range), 1/(kPa day)     on 1 Jan     on 1 Feb     on 1 Mar   came to"
    );
    for (code, ..) in CRATES {
        let stands = winter.asked.iter().map(|(at, m)| stand(m, code, *at));
        let stands: Vec<CrateNow<'_>> = stands.collect();
        let k = stands[0].krate.coefficient;
        let mut text = format!("{code:<6} {:.4} ({:.4}-{:.4})  ", k.k, k.low, k.high);
        for stand in &stands[..3] {
            let of = stand.loss.unwrap().planting;
            let [shrink, low, high] = [of.shrink, of.low, of.high].map(|v| v * 100.0);
            let cell = format!("{shrink:.0} ({low:.0}-{high:.0})");
            write!(text, "{cell:>13}").unwrap();
        }
        let came = drying::shrink(k.k, stands[3].dose) * 100.0;
        line!(out, "{text} {came:>9.1}");
    }
}

/// What the later air brought, with what is not known of the tubers left out.
fn honesty(out: &mut String, winter: &Winter) {
    head(out, "Whether the projection of the air was honest");
    say(
        out,
        "The same with k held fixed, so that only what the air would do is open: the dose by planting as projected \
         (range of nine in ten, from how unlike the days of the last two weeks were) against the dose it came to. \
         The pace is that of the last seven days, so a projection knows nothing of the coming spring.",
    );
    line!(
        out,
        "on       so far   pace a day   projected (range)      came to"
    );
    let came = stand(&winter.asked[3].1, "W-6", planting()).dose;
    let (mut held, mut asked) = (0, 0);
    for (at, models) in &winter.asked[..3] {
        let now = stand(models, "W-6", *at);
        let pace = now.air.pace().unwrap();
        let k = now.krate.coefficient.k;
        let days = planting().since(*at) as f64 / (24.0 * HOUR_MS as f64);
        let fixed = Coefficient { k, low: k, high: k };
        let of = drying::outlook(fixed, now.dose, pace.dose, pace.dose_sd, days, now.gap_h);
        let dose = |shrink: f64| -(-shrink).ln_1p() / k;
        let (low, high) = (dose(of.low), dose(of.high));
        let inside = (low..=high).contains(&came);
        asked += 1;
        held += i32::from(inside);
        line!(
            out,
            "{:<8} {:>6.1} {:>12.3} {:>9.1} ({:.1}-{:.1}) {:>13.1}  {}",
            date(*at),
            now.dose,
            pace.dose,
            dose(of.shrink),
            low,
            high,
            came,
            if inside { "inside" } else { "OUTSIDE" },
        );
    }
    say(out, &format!("Inside the range: {held} of {asked}."));
}

fn mould(out: &mut String, winter: &Winter, rows: &[Row]) {
    head(out, "Mould");
    let hours = hourly(rows);
    let below = |limit: f64| {
        let n = hours.iter().filter(|(_, rh)| *rh < limit).count();
        n as f64 / hours.len() as f64 * 100.0
    };
    let over = |(t, rh): &(f64, f64)| critical(Surface::VerySensitive, *t) <= *rh;
    let (_, dampest) = range(hours.iter().map(|h| h.1));
    say(
        out,
        &format!(
            "The mould index runs from 0 to 6; at 1 growth shows under the microscope, at 3 to the eye. Nothing \
             grows below 80 % at any temperature. Here the hour's mean was below 60 % in {:.2} % of {} hours, \
             its highest was {dampest:.1} %, and in {} hours it reached the line above which raw wood moulds at \
             the temperature of the air; so the index should stay at about 0. It is computed at the skins, which \
             in a crate that lags may be colder and so damper than the air.",
            below(60.0),
            hours.len(),
            hours.iter().filter(|h| over(h)).count(),
        ),
    );
    line!(
        out,
        "surface                    highest index of any crate and day   at the end"
    );
    let models = winter.judge.models();
    for (n, surface) in Surface::ALL.into_iter().enumerate() {
        let stands = CRATES.map(|(code, ..)| stand(models, code, planting()));
        let days = stands.iter().flat_map(|s| s.cohort.days.iter());
        let (_, highest) = range(days.map(|d| d.mould[n]));
        let (_, end) = range(stands.iter().map(|s| s.cohort.mould[n].index));
        line!(out, "{:<26} {highest:>36.3} {end:>12.3}", surface.words());
    }
}

fn wet(out: &mut String, winter: &Winter) {
    head(out, "Water on the tubers");
    say(
        out,
        "Tubers sweat when their skins are colder than the dew point of the air. The margin is the distance from \
         that in kelvin; within its own error (about 1 K) nobody can tell.",
    );
    line!(
        out,
        "crate  packing         wet hours  cannot tell  smallest margin"
    );
    let models = winter.judge.models();
    for (code, packing, ..) in CRATES {
        let now = stand(models, code, planting());
        let days = now.cohort.days.iter();
        let least = days
            .filter_map(|d| Some((d.margin_k?, d.day)))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .unwrap();
        line!(
            out,
            "{code:<6} {:<15} {:>7.1} h {:>10.1} h {:>8.2} K on {}",
            packing.words(),
            now.wet_h,
            now.unsure_h,
            least.0,
            date(Stamp(least.1 * 24 * HOUR_MS)),
        );
    }
}

fn cores(out: &mut String, winter: &Winter, rows: &[Row]) {
    head(out, "Temperature among the tubers");
    say(
        out,
        "A crate follows the air with its time constant: the longer that is, the less of a day's swing reaches the \
         tubers. The swing is the difference of the highest and the lowest of a day, the median of all days.",
    );
    line!(
        out,
        "                       time constant  lowest  highest  a day's swing"
    );
    let by_day = |all: &[(Stamp, f64)]| {
        let mut days: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
        for (at, t) in all {
            let day = at.0.div_euclid(24 * HOUR_MS);
            days.entry(day).or_default().push(*t);
        }
        let swings = days.into_values().map(|day| {
            let (low, high) = range(day.into_iter());
            high - low
        });
        median(swings.collect()).unwrap()
    };
    let row = |out: &mut String, name: &str, lag: &str, all: &[(Stamp, f64)]| {
        let (low, high) = range(all.iter().map(|c| c.1));
        let swing = by_day(all);
        line!(
            out,
            "{name:<22} {lag:>13} {low:>5.1} C {high:>6.1} C {swing:>10.2} K"
        );
    };
    let air: Vec<(Stamp, f64)> = rows.iter().map(|(at, t, _)| (*at, *t)).collect();
    row(out, "air", "-", &air);
    let models = winter.judge.models();
    for (code, packing, ..) in CRATES {
        let lag = stand(models, code, planting()).cohort.lag_h();
        let name = format!("{code} {}", packing.words());
        row(out, &name, &format!("{lag:.1} h"), &winter.cores[code]);
    }
}

fn warmth(out: &mut String, winter: &Winter) {
    head(out, "Warmth");
    say(
        out,
        "Warmth above 5.5 C since 1 January, in C day. The notice comes at 190, early varieties show eyes at \
         about 220 and late ones at about 545: figures derived from what growers report, not measured.",
    );
    line!(
        out,
        "crate  packing         15 May    passed 190   220      545"
    );
    let models = winter.judge.models();
    for (code, packing, ..) in CRATES {
        let heat = stand(models, code, planting()).cohort.heat;
        let passed = WARMTH.map(|sum| {
            let at = winter.warm.get(&(code, sum));
            at.map_or("-".to_owned(), |at| date(*at))
        });
        line!(
            out,
            "{code:<6} {:<15} {heat:>6.0}    {:<12} {:<8} {}",
            packing.words(),
            passed[0],
            passed[1],
            passed[2]
        );
    }
}

fn forecasts(out: &mut String, winter: &Winter) {
    head(out, "Forecasts");
    say(
        out,
        "A forecast says that the air will pass a limit within six hours if it goes on so. It came when the air was \
         beyond the limit for half an hour, beginning within nine hours; unseen is one during which nobody was \
         looking, open one whose time was not over. The median lead is between the making and the passing, of \
         those that came; beside it what these had said. Elsewhere about half came.",
    );
    line!(
        out,
        "towards    made  came   not  unseen  open   median lead   had said"
    );
    for target in Target::ALL {
        let all = winter.forecasts.values().filter(|f| f.target == target);
        let count = |outcome| all.clone().filter(|f| f.outcome == outcome).count();
        let came = || all.clone().filter(|f| f.outcome == Outcome::Came);
        let hours = |v: Option<f64>| v.map_or("-".to_owned(), |v| format!("{v:.1} h"));
        line!(
            out,
            "{:<10} {:>4} {:>5} {:>5} {:>7} {:>5} {:>13} {:>10}",
            format!("{target:?}").to_lowercase(),
            all.clone().count(),
            count(Outcome::Came),
            count(Outcome::Not),
            count(Outcome::Unseen),
            count(Outcome::Open),
            hours(median(came().filter_map(|f| f.came_after_h).collect())),
            hours(median(came().map(|f| f.arrives.hours).collect())),
        );
    }
}

const COMPUTED: [Kind; 6] = [
    Kind::FrostAhead,
    Kind::Sweating,
    Kind::Thaw,
    Kind::Shrink,
    Kind::Mould,
    Kind::Waking,
];

fn alerts(out: &mut String, winter: &Winter) {
    head(out, "Alerts on what is computed");
    say(
        out,
        "Every raising, with its rung and the figure behind it, and when its condition ended or a higher rung was \
         raised in its place. Nobody acknowledged anything.",
    );
    line!(
        out,
        "raised         kind         rung  priority   figure  ended"
    );
    let raised: Vec<&Transition> = winter.told.iter().filter(|t| t.raises()).collect();
    for told in raised.iter().filter(|t| COMPUTED.contains(&t.kind)) {
        let alike = |t: &&Transition| (t.kind, &t.subject) == (told.kind, &told.subject);
        let later = winter.told.iter().filter(|t| told.at < t.at).filter(alike);
        let end = later
            .clone()
            .find(|t| !t.active || t.occurrence != told.occurrence);
        let ended = match end {
            None => "-".to_owned(),
            Some(end) if end.active => format!("{}, a higher rung", time(end.at)),
            Some(end) => time(end.at),
        };
        line!(
            out,
            "{:<14} {:<12} {:>4}  {:<8} {:>8}  {ended}",
            time(told.at),
            told.kind.as_str(),
            told.occurrence.level,
            told.priority.as_str(),
            told.figures
                .value
                .map_or("-".to_owned(), |v| format!("{v:.1}")),
        );
    }
    let mut rest: BTreeMap<&str, usize> = BTreeMap::new();
    for told in raised.iter().filter(|t| !COMPUTED.contains(&t.kind)) {
        *rest.entry(told.kind.as_str()).or_default() += 1;
    }
    let rest: Vec<String> = rest.iter().map(|(k, n)| format!("{k} {n}")).collect();
    say(
        out,
        &format!(
            "Raised beside them on what was measured: {}.",
            rest.join(", ")
        ),
    );
    out.pop();
}
