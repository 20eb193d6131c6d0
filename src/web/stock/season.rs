//! The page From field to crate: where each crate is on its way, what the next step waits for, one
//! button for each.

mod ask;
mod way;

use askama::Template;
use axum::{
    Extension, Form,
    extract::{OriginalUri, State, rejection::FormRejection},
    http::StatusCode,
    response::{IntoResponse, Redirect, Response},
};
use chrono::{DateTime, NaiveDate, Utc};

use self::{
    ask::{Sent, asked, chosen, divided, frost, lifted, pack, sent},
    way::{Way, ways},
};
use super::{
    super::{
        Site,
        access::Who,
        acts,
        html::{Frame, Tab, Tone},
        pages::{Failed, path_of, render},
        view,
    },
    form,
    krate::href,
    note::{here, note},
};
use crate::{
    engine::due::Here,
    notify::{duties, message::the, words::count},
    stock::{
        Form as TuberForm, Treatment,
        due::BARE_DAYS,
        field::{self, At},
        ledger::{Deed, Stock},
        winter::winter_of,
    },
    watch::reading::HOUR_MS,
};

/// So many crates that dry out are named, more are counted.
const FEW: usize = 4;

/// The page.
#[derive(Debug, Clone, Template)]
#[template(path = "season.html", config = "src/web/askama.toml")]
pub struct SeasonPage {
    /// What stands around the page.
    pub frame: Frame,
    /// How it stands.
    pub tone: Tone,
    /// "F-01, F-02 dry out: pack them today. 5 crates are on the way from the field."
    pub sentence: String,
    /// What the killing frost means for lifting.
    pub frost: String,
    /// Its day, as the field wants it.
    pub frost_day: String,
    /// Why a form of the page's head was refused.
    pub fault: Option<String>,
    /// Crates at one step, in the order of the steps.
    pub groups: Vec<Group>,
    /// Code, its page, when packed and in what.
    pub packed: Vec<(String, String, String)>,
    /// The form for what was lifted.
    pub lift: LiftForm,
    /// Key of what this page will ask for.
    pub key: String,
}

/// Crates at one step.
#[derive(Debug, Clone)]
pub struct Group {
    /// Unique on the page.
    pub key: &'static str,
    /// "Drying".
    pub title: &'static str,
    /// What the next step wants.
    pub wants: &'static str,
    /// What can hurt.
    pub cautions: Vec<&'static str>,
    /// Each crate.
    pub crates: Vec<Row>,
    /// Value, words, whether it is the next step.
    pub buttons: Vec<(&'static str, &'static str, bool)>,
    /// It asks for the packing, as it was filled in.
    pub packing: Option<PackForm>,
    /// Why it was refused.
    pub fault: Option<String>,
}

/// What the form asks before crates are packed.
#[derive(Debug, Clone, Default)]
pub struct PackForm {
    /// In what.
    pub packing: String,
    /// What is used already.
    pub known: Vec<String>,
    /// Somebody was told that they are wet: packing all the same can be chosen.
    pub doubted: bool,
}

/// One crate on its way.
#[derive(Debug, Clone)]
pub struct Row {
    /// What its label says.
    pub code: String,
    /// Its page.
    pub href: String,
    /// "12 clumps Brindolet".
    pub holds: String,
    /// Where it stands.
    pub place: String,
    /// "Lifted", "Tue 20 Oct, 9:00".
    pub steps: Vec<(&'static str, String)>,
    /// "9 hours of drying air since it was washed".
    pub air: String,
    /// What presses.
    pub warning: Option<(Tone, String)>,
    /// Key and name of lots that can be divided.
    pub clumps: Vec<(i64, String)>,
    /// It is chosen.
    pub ticked: bool,
}

/// The form for what was lifted, as it was filled in.
#[derive(Debug, Clone, Default)]
pub struct LiftForm {
    /// What the label says.
    pub krate: String,
    /// Name, whether it is chosen.
    pub rooms: Vec<(String, bool)>,
    /// Name of the variety.
    pub variety: String,
    /// How many.
    pub count: String,
    /// Somebody was refused: it is shown unfolded.
    pub open: bool,
}

/// `GET /season`.
pub(super) async fn season(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
) -> Result<Response, Failed> {
    page(&site, None, path_of(&uri)).await
}

/// `POST /season`: a step of one or more crates, clumps divided, what was lifted, or the killing frost.
pub(super) async fn step(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    form: Result<Form<Sent>, FormRejection>,
) -> Result<Response, Failed> {
    let form = acts::form(&site, form)?;
    let refused = match deeds(&site, &form).await? {
        Ok(deeds) => match asked(&form, deeds) {
            Ok(asked) => note(&site, who, asked).await?,
            Err(why) => Some(why),
        },
        Err(why) => Some(why),
    };
    match refused {
        None => {
            let group = sent(&form, "group");
            let back = match ["clean", "dry", "pack"]
                .into_iter()
                .find(|key| *key == group)
            {
                Some(key) => format!("/season#{key}"),
                None => "/season".to_owned(),
            };
            Ok(Redirect::to(&back).into_response())
        }
        Some(why) => page(&site, Some((why, form)), "/season".to_owned()).await,
    }
}

/// What a form asks for.
async fn deeds(site: &Site, form: &Sent) -> Result<Result<Vec<Deed>, String>, Failed> {
    let here = here(site);
    let stock = site.store.stock().await.map_err(Failed::store(site))?;
    Ok(match sent(form, "step") {
        "frost" => frost(form, &stock, here).map(|deed| vec![deed]),
        "lifted" => lifted(form).map(|deed| vec![deed]),
        "divided" => divided(form).map(|deed| vec![deed]),
        "packed" => {
            let status = site.status.borrow().clone();
            let ways = ways(site, &status, &stock, here)
                .await
                .map_err(Failed::store(site))?;
            pack(form, &ways)
        }
        how => match how.parse::<Treatment>() {
            Ok(how) => chosen(form).map(|crates| {
                let each = crates.into_iter();
                each.map(|krate| Deed::Treated { krate, how }).collect()
            }),
            Err(_) => Err("That is not understood. Use the buttons of this page.".to_owned()),
        },
    })
}

async fn page(
    site: &Site,
    refused: Option<(String, Sent)>,
    path: String,
) -> Result<Response, Failed> {
    let status = site.status.borrow().clone();
    let here = here(site);
    let stock = site.store.stock().await.map_err(Failed::store(site))?;
    let ways = ways(site, &status, &stock, here)
        .await
        .map_err(Failed::store(site))?;
    let answer = if refused.is_some() {
        StatusCode::UNPROCESSABLE_ENTITY
    } else {
        StatusCode::OK
    };
    let winter = winter_of(here.today());
    let frost = stock.season(winter).killing_frost;
    let (why, form) = refused.map_or((None, Sent::new()), |(why, form)| (Some(why), form));
    let mut groups = groups(site, &stock, &ways, &form, here);
    // A fault stands at the form it is about.
    let about = groups
        .iter_mut()
        .find(|g| !sent(&form, "group").is_empty() && g.key == sent(&form, "group"));
    let mut fault = why;
    if let Some(group) = about {
        group.fault = fault.take();
    }
    let (tone, sentence) = sentence(&ways, here);
    let room = sent(&form, "room");
    let page = SeasonPage {
        frame: view::frame(
            site,
            &status,
            here.now,
            "From field to crate",
            Tab::Crates,
            path,
        ),
        tone,
        sentence,
        frost: frost_words(frost, here.today()),
        frost_day: match sent(&form, "frost") {
            "" => frost.map_or_else(String::new, |day| day.to_string()),
            typed => typed.to_owned(),
        },
        groups,
        packed: (ways.iter().filter(|w| w.at == At::Packed))
            .map(|w| packed(site, &stock, w, here))
            .collect(),
        lift: LiftForm {
            krate: sent(&form, "code").to_owned(),
            rooms: (status.settings.rooms.iter())
                .map(|r| (r.name.clone(), r.name == room))
                .collect(),
            variety: sent(&form, "variety").to_owned(),
            count: if sent(&form, "step") == "lifted" {
                sent(&form, "count").to_owned()
            } else {
                String::new()
            },
            open: ways.is_empty() || (fault.is_some() && sent(&form, "step") == "lifted"),
        },
        fault,
        key: form::key(),
    };
    Ok((answer, render(&page)).into_response())
}

fn over_dry(way: &Way, now: DateTime<Utc>) -> bool {
    way.at != At::Packed && field::over_dry(&way.steps, way.washed).is_some_and(|from| from <= now)
}

fn sentence(ways: &[Way], here: Here) -> (Tone, String) {
    let on = ways.iter().filter(|w| w.at != At::Packed).count();
    let late = ways.iter().filter(|w| over_dry(w, here.now.to_utc()));
    let late: Vec<_> = late.map(|w| w.code.clone()).collect();
    let are = if on == 1 { "is" } else { "are" };
    let way = format!(
        "{} {are} on the way from the field.",
        count(on, "crate", "crates")
    );
    let dry = match late.as_slice() {
        [] if on == 0 => {
            let none = "Nothing is on its way from the field.".to_owned();
            return (Tone::Well, none);
        }
        [] => return (Tone::LookSoon, way),
        [one] => format!("{one} dries out: pack it today."),
        few if few.len() <= FEW => format!("{} dry out: pack them today.", duties::named(few)),
        many => {
            let many = count(many.len(), "crate", "crates");
            format!("{many} dry out: pack them today.")
        }
    };
    (Tone::ActToday, format!("{dry} {way}"))
}

/// What the killing frost means for lifting: tops are cut 3 to 4 days after it and tubers lifted 6 to 7
/// days later (Iowa State University Extension), or about two weeks after it (University of Minnesota
/// Extension); some growers lift without a frost.
fn frost_words(frost: Option<NaiveDate>, today: NaiveDate) -> String {
    let how = "Common practice: cut the tops 3 to 4 days after a killing frost and lift 10 to 14 days after it, before the ground freezes. Some lift without a frost.";
    match frost {
        None => format!("No killing frost is noted this season. {how}"),
        Some(day) => {
            let ago = (today - day).num_days();
            let when = match ago {
                0 => "today".to_owned(),
                n => format!("{} ago", count(n as usize, "day", "days")),
            };
            format!("Killing frost on {}, {when}. {how}", duties::day(day))
        }
    }
}

const LIFTING: &str = "A full crate weighs 25 to 50 lb (11 to 23 kg): lift it with two people, close to the body, with straight arms.";
const BLEACH: &str = "Dip: about 1 part of household bleach to 10 of water for 5 to 10 minutes is common practice; then let them dry. Gloves, eye protection, fresh air; mix it fresh, and never with acids or ammonia. A fungicide is used as its label says: the label is the law.";
const DUSTS: &str = "Dust of peat, vermiculite, sawdust and sulphur hurts lungs and eyes: wet the packing a little first, open the door, wear a dust mask (N95 or FFP2), and keep sulphur from flames.";

fn groups(site: &Site, stock: &Stock, ways: &[Way], form: &Sent, here: Here) -> Vec<Group> {
    let ticked = |way: &Way| {
        let mut codes = form.iter().filter(|(name, _)| name == "crate");
        codes.any(|(_, code)| way.code.as_str().eq_ignore_ascii_case(code.trim()))
    };
    let packing = || {
        let mut known: Vec<String> = stock
            .crates()
            .map(|(_, c)| c.packing.clone())
            .filter(|p| !p.is_empty())
            .collect();
        known.sort_by_key(|p| p.to_lowercase());
        known.dedup_by_key(|p| p.to_lowercase());
        PackForm {
            packing: sent(form, "packing").to_owned(),
            known,
            doubted: sent(form, "step") == "packed",
        }
    };
    let group = |at: At| {
        let own: Vec<&Way> = ways.iter().filter(|w| w.at == at).collect();
        let cut = (own.iter()).any(|w| w.steps.divided > w.steps.cuts_dry);
        let crates = own.iter().map(|way| {
            let alone = own.len() == 1;
            row(site, stock, way, alone || ticked(way), here)
        });
        let (key, title, wants, cautions, buttons) = match at {
            At::ToClean => (
                "clean",
                "To be cleaned",
                "Wash the soil off, or let it dry and brush it off. Keep labels with the tubers.",
                vec![LIFTING],
                vec![("washed", "Washed", true), ("brushed", "Brushed", true)],
            ),
            At::Drying => (
                "dry",
                "Drying",
                "Skins want about a day of airy dry after washing, 1 to 3 days in all; cut surfaces a few hours to a day. Bare for more than 3 days they dry out.",
                vec![BLEACH, DUSTS],
                [
                    (true, ("skins-dry", "Skins are dry", true)),
                    (cut, ("cuts-dry", "Cut surfaces are dry", true)),
                    (true, ("dipped", "Dipped", false)),
                ]
                .into_iter()
                .filter_map(|(asked, button)| asked.then_some(button))
                .collect(),
            ),
            At::ToPack | At::Packed => (
                "pack",
                "To be packed",
                "Dry to the hand and firm, no piece touching another, a label inside and out.",
                vec![DUSTS, LIFTING],
                vec![("packed", "Packed", true)],
            ),
        };
        Group {
            key,
            title,
            wants,
            cautions,
            crates: crates.collect(),
            buttons,
            // What is dry to the hand though nobody said so is packed from where it stands.
            packing: (at != At::ToClean).then(packing),
            fault: None,
        }
    };
    let mut groups: Vec<Group> = [At::ToClean, At::Drying, At::ToPack].map(group).into();
    groups.retain(|g| !g.crates.is_empty());
    groups
}

fn row(site: &Site, stock: &Stock, way: &Way, ticked: bool, here: Here) -> Row {
    let steps = &way.steps;
    let krate = stock.krate(way.id);
    let cleaned = if way.washed { "Washed" } else { "Brushed" };
    let done = [
        ("Lifted", steps.lifted),
        (cleaned, steps.cleaned),
        ("Dipped", steps.dipped),
        ("Divided", steps.divided),
        (
            "Cuts dry",
            steps.cuts_dry.filter(|dry| steps.divided <= Some(*dry)),
        ),
        ("Skins dry", steps.skins_dry),
    ];
    let now = here.now;
    let mut done: Vec<_> = done
        .into_iter()
        .filter_map(|(what, at)| Some((what, at?)))
        .collect();
    done.sort_by_key(|(_, at)| *at);
    let wet_at = field::wetted(steps, way.washed);
    let room = krate.map_or_else(String::new, |c| the(&c.room));
    let air = match (wet_at, way.hours) {
        (None, _) => String::new(),
        (Some(_), None) => format!("No sensor tells of the air in {room}: go by your hand."),
        (Some(_), Some(hours)) => format!(
            "{} of drying air since it was wet.",
            count(hours.round() as usize, "hour", "hours")
        ),
    };
    let warning = over_dry(way, now.to_utc()).then(|| {
        let days = wet_at.map_or(BARE_DAYS, |at| {
            now.since(at.into()) as f64 / (24 * HOUR_MS) as f64
        });
        let said = format!(
            "Drying out: bare for {}. Pack today.",
            count(days as usize, "day", "days")
        );
        (Tone::ActToday, said)
    });
    let content: Vec<_> = stock.content(way.id).collect();
    Row {
        code: way.code.to_string(),
        href: href(way.code.as_str()),
        holds: content
            .iter()
            .map(|(_, lot, n)| {
                format!(
                    "{} {}",
                    count(
                        *n as usize,
                        &lot.form.to_string(),
                        &format!("{}s", lot.form)
                    ),
                    lot.variety
                )
            })
            .collect::<Vec<_>>()
            .join(", "),
        place: krate.map_or_else(String::new, |c| {
            if c.place.is_empty() {
                room.clone()
            } else {
                format!("{room}, {}", c.place)
            }
        }),
        steps: done
            .into_iter()
            .map(|(what, at)| (what, site.manner.moment(at.into(), now)))
            .collect(),
        air,
        warning,
        clumps: content
            .iter()
            .filter(|(_, lot, _)| lot.form == TuberForm::Clump && way.at != At::ToClean)
            .map(|(id, lot, _)| (id.0, lot.variety.clone()))
            .collect(),
        ticked,
    }
}

fn packed(site: &Site, stock: &Stock, way: &Way, here: Here) -> (String, String, String) {
    let packing = stock.krate(way.id).map_or("", |c| c.packing.as_str());
    let when = way
        .steps
        .packed
        .map(|at| site.manner.moment(at.into(), here.now));
    let code = way.code.as_str();
    (
        code.to_owned(),
        href(code),
        format!("packed in {packing}, {}", when.unwrap_or_default()),
    )
}
