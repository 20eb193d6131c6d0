//! The page Planting: whether there will be enough of each variety, the days of the spring, and the soil.

mod ask;

use askama::Template;
use axum::{
    Extension, Form,
    extract::{OriginalUri, Query, State, rejection::FormRejection, rejection::QueryRejection},
    http::StatusCode,
    response::{IntoResponse, Redirect, Response},
};
use chrono::{NaiveDate, Timelike as _};
use serde::Deserialize;

use self::ask::{Sent, days, lengths_mm, wished};
use super::{
    super::{
        Site,
        access::Who,
        acts,
        html::{Frame, Tab, Tone},
        pages::{Failed, path_of, render},
        view,
    },
    note::{here, note},
};
use crate::{
    climate::Unit,
    engine::due::{self, Here, Outlook},
    notify::{
        duties,
        telling::local,
        words::{Manner, count},
    },
    stock::{
        ledger,
        plan::{self, Basis, Dates, Line, SoilState, Verdict, soil_ready},
        winter::winter_of,
    },
    store::StoreError,
    watch::{
        Role, SensorSettings, Stamp,
        reading::{HOUR_MS, MINUTE_MS},
    },
};

/// How far back mornings of the soil are looked at: a spring.
const SPRING_MS: i64 = 60 * 24 * HOUR_MS;
/// A morning is the mean of stretches of so many milliseconds; zones differ by quarters of an hour.
const STRETCH_MS: i64 = 15 * MINUTE_MS;
/// Longest name of a variety that is taken from an address, in characters.
const NAME: usize = 80;

/// The page.
#[derive(Debug, Clone, Template)]
#[template(path = "planting.html", config = "src/web/askama.toml")]
pub struct PlantingPage {
    /// What stands around the page.
    pub frame: Frame,
    /// How it stands.
    pub tone: Tone,
    /// "You will be short of 3 varieties; order before Sunday 10 January."
    pub sentence: String,
    /// What, the day, how far off.
    pub dates: Vec<(&'static str, String, String)>,
    /// "Soil by bed: 58 F this morning; ready at 60 F on 3 mornings in a row."
    pub soil: Vec<(Tone, String)>,
    /// Varieties by how they stand, the worst first; empty ones are left out.
    pub groups: Vec<Group>,
    /// What was assumed, a line each.
    pub assumed: Vec<String>,
    /// The form for what is wanted.
    pub wish: WishForm,
    /// The form for the days.
    pub days: DaysForm,
}

/// Varieties that stand alike.
#[derive(Debug, Clone)]
pub struct Group {
    /// Unique on the page.
    pub key: &'static str,
    /// "Short", "Just enough".
    pub title: &'static str,
    /// Shape and colour.
    pub tone: Tone,
    /// What that means, where it needs saying.
    pub lead: &'static str,
    /// They are many and nobody has to act: folded away.
    pub folded: bool,
    /// Each variety.
    pub rows: Vec<Row>,
}

/// One variety.
#[derive(Debug, Clone)]
pub struct Row {
    /// Its name.
    pub variety: String,
    /// "short by 9"; may be empty.
    pub by: String,
    /// "40 wanted. 10 clumps here. 31 plants expected, between 22 and 38."
    pub figures: String,
    /// Where its wish is written.
    pub href: String,
}

/// The form for what is wanted of a variety, as it was filled in.
#[derive(Debug, Clone, Default)]
pub struct WishForm {
    /// Name of the variety.
    pub variety: String,
    /// Number of plants.
    pub plants: String,
    /// Length of the bed.
    pub length: String,
    /// Its rows.
    pub rows: String,
    /// From plant to plant.
    pub spacing: String,
    /// "ft", "m".
    pub length_unit: &'static str,
    /// "in", "cm".
    pub spacing_unit: &'static str,
    /// What is common.
    pub common: &'static str,
    /// All varieties, to choose from.
    pub varieties: Vec<String>,
    /// Why it was refused.
    pub fault: Option<String>,
}

/// The form for the days of the spring.
#[derive(Debug, Clone, Default)]
pub struct DaysForm {
    /// As the field wants it: `2027-05-15`.
    pub planting: String,
    /// The same.
    pub order_by: String,
    /// Weeks in the warm.
    pub wake_weeks: String,
    /// Why it was refused.
    pub fault: Option<String>,
}

/// Which variety somebody came for.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    variety: String,
}

/// `GET /planting?variety=..`.
pub(super) async fn planting(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Result<Response, Failed> {
    let asked = asked.map_or_else(|_| Asked::default(), |Query(asked)| asked);
    let variety: String = asked.variety.trim().chars().take(NAME).collect();
    page(&site, &variety, None, path_of(&uri)).await
}

/// `POST /planting`: a wish, or the days of the spring.
pub(super) async fn settle(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    form: Result<Form<Sent>, FormRejection>,
) -> Result<Response, Failed> {
    let sent = acts::form(&site, form)?;
    let deed = match sent.what.as_str() {
        "wish" => wished(&sent, site.manner.unit),
        "days" => {
            let winter = winter_of(here(&site).today());
            let stock = site.store.stock().await.map_err(Failed::store(&site))?;
            days(&sent, winter, stock.season(winter))
        }
        _ => Err("That is not understood. Use the forms of this page.".to_owned()),
    };
    let refused = match deed {
        Ok(deed) => note(&site, who, vec![deed.into()]).await?,
        Err(why) => Some(why),
    };
    match refused {
        None => {
            let anchor = if sent.what == "days" { "days" } else { "plan" };
            Ok(Redirect::to(&format!("/planting#{anchor}")).into_response())
        }
        Some(why) => page(&site, "", Some((why, sent)), "/planting".to_owned()).await,
    }
}

async fn page(
    site: &Site,
    variety: &str,
    refused: Option<(String, Sent)>,
    path: String,
) -> Result<Response, Failed> {
    let status = site.status.borrow().clone();
    let here = here(site);
    let outlook = due::outlook(&site.store, &status.settings, here).await;
    let outlook = outlook.map_err(Failed::store(site))?;
    let mut soil = Vec::new();
    for sensor in status
        .settings
        .sensors
        .iter()
        .filter(|s| s.role == Role::Soil)
    {
        soil.push(
            bed_of(site, sensor, here)
                .await
                .map_err(Failed::store(site))?,
        );
    }
    let answer = if refused.is_some() {
        StatusCode::UNPROCESSABLE_ENTITY
    } else {
        StatusCode::OK
    };
    let (wish, days) = forms(&outlook, variety, refused, site.manner.unit);
    let (tone, sentence) = sentence(&outlook.plan, &outlook.dates);
    let page = PlantingPage {
        frame: view::frame(site, &status, here.now, "Planting", Tab::Crates, path),
        tone,
        sentence,
        dates: told_dates(&outlook.dates),
        soil,
        assumed: assumed(&outlook),
        groups: groups(&outlook.plan),
        wish,
        days,
    };
    Ok((answer, render(&page)).into_response())
}

fn varieties(n: usize) -> String {
    count(n, "variety", "varieties")
}

/// The answer to "is there enough?".
fn sentence(plan: &plan::Plan, dates: &Dates) -> (Tone, String) {
    let totals = &plan.totals;
    let order = duties::day(dates.order_by.day);
    if totals.wanted == 0 {
        return (
            Tone::LookSoon,
            "Nobody has said yet how many plants are wanted. Say it below, and this page tells what is short."
                .to_owned(),
        );
    }
    match (totals.short, totals.likely) {
        (0, 0) => (Tone::Well, "Enough of everything.".to_owned()),
        (0, n) => (
            Tone::LookSoon,
            format!(
                "Probably enough. After a bad winter you would be short of {}.",
                varieties(n)
            ),
        ),
        (n, _) if dates.order_by.has_passed() => (
            Tone::ActToday,
            format!(
                "You will be short of {}. {order}, the day to order, has passed: ask today what can still be had.",
                varieties(n)
            ),
        ),
        (n, _) => (
            Tone::ActToday,
            format!(
                "You will be short of {}; order before {order}.",
                varieties(n)
            ),
        ),
    }
}

fn told_dates(dates: &Dates) -> Vec<(&'static str, String, String)> {
    let mut days = vec![
        ("Order what is short", dates.order_by),
        ("Into the warmth", dates.wake),
        ("Divide clumps", dates.divide),
        ("Planting", dates.planting),
    ];
    days.sort_by_key(|(_, due)| due.day);
    days.into_iter()
        .map(|(what, due)| (what, duties::day(due.day), duties::off(due.days_left)))
        .collect()
}

/// How warm the ground is at one sensor.
async fn bed_of(
    site: &Site,
    sensor: &SensorSettings,
    here: Here,
) -> Result<(Tone, String), StoreError> {
    let since = here.now.plus(-SPRING_MS);
    let means = site.store.means(sensor.id, since, STRETCH_MS).await?;
    let mut days: Vec<(NaiveDate, Vec<(f64, f64)>)> = Vec::new();
    for mean in means {
        let (day, hour) = hour_of(site.manner, mean.at);
        if days.last().is_none_or(|(last, _)| *last != day) {
            days.push((day, Vec::new()));
        }
        if let Some((_, hours)) = days.last_mut() {
            hours.push((hour, mean.temperature));
        }
    }
    let mornings: Vec<(NaiveDate, f64)> = days
        .iter()
        .filter_map(|(day, hours)| Some((*day, plan::morning_mean(hours)?)))
        .collect();
    let place = format!("Soil at {}", sensor.name);
    let Some((last_day, last)) = mornings.last().copied() else {
        return Ok((
            Tone::NoWord,
            format!("{place}: no morning was measured yet."),
        ));
    };
    let when = match (here.today() - last_day).num_days() {
        0 => "this morning".to_owned(),
        1 => "yesterday morning".to_owned(),
        _ => format!("on the morning of {}", duties::day(last_day)),
    };
    let (warm, degrees) = (
        site.manner.limit(plan::WARM_C),
        site.manner.temperature(last),
    );
    let (tone, state) = match soil_ready(&mornings, plan::MORNINGS) {
        SoilState::Unknown => (Tone::NoWord, "nothing is known yet".to_owned()),
        SoilState::NotYet { .. } => (
            Tone::LookSoon,
            format!("ready at {warm} on {} mornings in a row", plan::MORNINGS),
        ),
        SoilState::Warming { in_row, of } => (
            Tone::LookSoon,
            format!("{in_row} of {of} mornings in a row at {warm} or more"),
        ),
        SoilState::Ready { since } => (
            Tone::Well,
            format!("warm enough to plant since {}", duties::day(since)),
        ),
    };
    Ok((tone, format!("{place}: {degrees} {when}; {state}.")))
}

/// The local day and hour of an instant.
fn hour_of(manner: Manner, at: Stamp) -> (NaiveDate, f64) {
    let local = local(manner.zone, at);
    (
        local.date(),
        f64::from(local.hour()) + f64::from(local.minute()) / 60.0,
    )
}

fn groups(plan: &plan::Plan) -> Vec<Group> {
    let group = |key, title, tone, lead| Group {
        key,
        title,
        tone,
        lead,
        folded: matches!(tone, Tone::Well | Tone::NoWord),
        rows: (plan.lines.iter())
            .filter(|line| key_of(line.verdict) == key)
            .map(row)
            .collect(),
    };
    let mut groups = vec![
        group("short", "Short", Tone::ActToday, ""),
        group(
            "likely",
            "Likely enough",
            Tone::LookSoon,
            "In nineteen winters of twenty there is at least the lower figure.",
        ),
        group("enough", "Enough", Tone::Well, ""),
        group(
            "spare",
            "To spare",
            Tone::Well,
            "So many can be given away even after a bad winter.",
        ),
        group("unsaid", "Nobody said how many", Tone::NoWord, ""),
    ];
    groups.retain(|g| !g.rows.is_empty());
    groups
}

fn key_of(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Short { .. } => "short",
        Verdict::Likely { .. } => "likely",
        Verdict::Enough => "enough",
        Verdict::Spare { .. } => "spare",
        Verdict::NotWanted => "unsaid",
    }
}

fn row(line: &Line) -> Row {
    let by = match line.verdict {
        Verdict::Short { by, .. } => format!("short by {by}"),
        Verdict::Likely { at_worst } => format!("{at_worst} short in a bad winter"),
        Verdict::Spare { by } => format!("{by} to spare"),
        Verdict::Enough | Verdict::NotWanted => String::new(),
    };
    let clumps = count(line.clumps as usize, "clump", "clumps");
    let others = line.have - line.clumps;
    let have = match (line.clumps, others) {
        (0, 0) => "none here".to_owned(),
        (0, n) => format!("{} here", count(n as usize, "tuber", "tubers")),
        (_, 0) => format!("{clumps} here"),
        (_, n) => format!("{clumps} and {} here", count(n as usize, "tuber", "tubers")),
    };
    let e = &line.expected;
    let wanted = match line.wanted {
        Some(wanted) => format!("{wanted} wanted, {have}."),
        None => format!("{}.", capital(&have)),
    };
    let plants = count(e.median as usize, "plant", "plants");
    let expected = match (line.have, e.low == e.high) {
        (0, _) => String::new(),
        (_, true) => format!(" {plants} expected."),
        _ => format!(" {plants} expected, between {} and {}.", e.low, e.high),
    };
    let bad = match line.bad {
        0 => String::new(),
        n => format!(" {n} found bad and still here."),
    };
    Row {
        variety: line.name.clone(),
        by,
        figures: format!("{wanted}{expected}{bad}"),
        href: format!("/planting?variety={}#wish", view::url(&line.name)),
    }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().collect::<String>() + letters.as_str()
    })
}

/// What the figures rest on, where it was not counted here.
fn assumed(outlook: &Outlook) -> Vec<String> {
    let lines = &outlook.plan.lines;
    let of = |basis| {
        lines
            .iter()
            .filter_map(|l| l.per_clump)
            .find(|y| y.basis == basis)
    };
    let mut told = Vec::new();
    if of(Basis::Assumed).is_some() {
        told.push(
            "Assumed 4 plants from a clump; your own record replaces it after five clumps divided."
                .to_owned(),
        );
    }
    if let Some(farm) = of(Basis::Farm) {
        told.push(format!(
            "{:.1} plants from a clump, by your {} divided, where a variety has no record of its own.",
            farm.per_clump(),
            count(farm.counts.clumps as usize, "clump", "clumps")
        ));
    }
    if !lines.is_empty() {
        told.push(if outlook.past_winters {
            "Losses as in your own winters before, as far as a variety and the farm have been counted.".to_owned()
        } else {
            "Assumed that about one in ten is lost in a winter, and more in a bad one; your own winters replace it, and what you find this winter counts at once.".to_owned()
        });
        told.push(
            "\u{201c}Between\u{201d} holds in nine winters of ten. Tubers found soft, mouldy, gnawed or galled are not counted, though they are still here."
                .to_owned(),
        );
    }
    told
}

fn forms(
    outlook: &Outlook,
    variety: &str,
    refused: Option<(String, Sent)>,
    unit: Unit,
) -> (WishForm, DaysForm) {
    let stock = &outlook.stock;
    let mut varieties: Vec<String> = outlook.plan.lines.iter().map(|l| l.name.clone()).collect();
    varieties.sort_by_key(|name| name.to_lowercase());
    let (length_unit, spacing_unit, common) = match unit {
        // 12 to 18 inches, for large plants 18 to 24 (common practice).
        Unit::F => (
            "ft",
            "in",
            "18 to 24 in between large plants is common practice, 12 to 18 between others.",
        ),
        Unit::C => (
            "m",
            "cm",
            "45 to 60 cm between large plants is common practice, 30 to 45 between others.",
        ),
    };
    let mut wish = WishForm {
        variety: variety.to_owned(),
        rows: "1".to_owned(),
        spacing: match unit {
            Unit::F => "18",
            Unit::C => "45",
        }
        .to_owned(),
        length_unit,
        spacing_unit,
        common,
        varieties,
        ..WishForm::default()
    };
    let known = stock
        .wishes()
        .find(|(name, _)| name.to_lowercase() == variety.to_lowercase());
    match known {
        Some((_, ledger::Wish { bed: Some(bed), .. })) => {
            let (long, apart) = lengths_mm(unit);
            let short =
                |mm: u32, unit: f64| format!("{}", (f64::from(mm) / unit * 100.0).round() / 100.0);
            wish.length = short(bed.length_mm, long);
            wish.rows = bed.rows.to_string();
            wish.spacing = short(bed.spacing_mm, apart);
        }
        Some((_, known)) => wish.plants = known.plants.to_string(),
        None => {}
    }
    let dates = &outlook.dates;
    let weeks = (dates.planting.day - dates.wake.day).num_days() / 7;
    let mut days = DaysForm {
        planting: dates.planting.day.to_string(),
        order_by: dates.order_by.day.to_string(),
        wake_weeks: weeks.to_string(),
        fault: None,
    };
    match refused {
        Some((why, sent)) if sent.what == "days" => {
            days = DaysForm {
                planting: sent.planting,
                order_by: sent.order_by,
                wake_weeks: sent.wake_weeks,
                fault: Some(why),
            };
        }
        Some((why, sent)) => {
            wish = WishForm {
                variety: sent.variety,
                plants: sent.plants,
                length: sent.length,
                rows: sent.rows,
                spacing: sent.spacing,
                fault: Some(why),
                ..wish
            };
        }
        None => {}
    }
    (wish, days)
}
