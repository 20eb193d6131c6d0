//! A new crate, with what goes into it first.

use askama::Template;
use axum::{
    Extension, Form,
    extract::{OriginalUri, State, rejection::FormRejection},
    http::StatusCode,
    response::{IntoResponse, Redirect, Response},
};

use super::{
    super::{
        Site,
        access::Who,
        acts,
        html::{Frame, Tab},
        pages::{Failed, path_of, render},
        view,
    },
    enter,
    form::{self, Fields},
    history,
    krate::{href, unknown_room},
};
use crate::{
    notify::telling::local,
    stock::{
        ledger::{Asked, Deed, EntryId, Outcome},
        series::next_code,
    },
};

/// The form for a new crate.
#[derive(Debug, Clone, Template)]
#[template(path = "new-crate.html", config = "src/web/askama.toml")]
pub struct NewCratePage {
    /// What stands around the page.
    pub frame: Frame,
    /// The code that is proposed.
    pub code: String,
    /// Key of what this page will ask for.
    pub key: String,
    /// Today, as a form writes it.
    pub today: String,
    /// Rooms, packings and varieties that are known.
    pub rooms: Vec<String>,
    /// See above.
    pub packings: Vec<String>,
    /// See above.
    pub varieties: Vec<String>,
    /// Why nothing was entered.
    pub fault: Option<String>,
    /// What was typed then.
    pub fields: Fields,
}

impl NewCratePage {
    fn is_form(&self, word: &str) -> bool {
        self.or("form", "clump") == word
    }

    /// What was typed, or else what is proposed.
    fn or<'a>(&'a self, field: &str, proposed: &'a str) -> &'a str {
        if self.fault.is_some() {
            self.fields.get(field)
        } else {
            proposed
        }
    }
}

/// `GET /crate/new`.
pub(super) async fn ask(
    State(site): State<Site>,
    OriginalUri(uri): OriginalUri,
) -> Result<Response, Failed> {
    page(&site, None, Fields::default(), path_of(&uri)).await
}

/// `POST /crate/new`: lifted into it and, when a packing is named, packed.
pub(super) async fn make(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    form: Result<Form<Vec<(String, String)>>, FormRejection>,
) -> Result<Response, Failed> {
    let fields: Fields = acts::form(&site, form)?.into_iter().collect();
    let again =
        async |why: String, fields| page(&site, Some(why), fields, "/crate/new".to_owned()).await;
    let asked = match asked(&fields, &site) {
        Ok(asked) => asked,
        Err(why) => return again(why, fields).await,
    };
    let room = fields.get("room");
    let stock = site.store.stock().await.map_err(Failed::store(&site))?;
    if fields.get("new_room") != room
        && let Some(why) = unknown_room(&site, &stock, room)
    {
        let why = format!("{why} If it is right, press the button again.");
        return again(why, fields).await;
    }
    let outcomes = enter::enter(&site, who, asked, true).await;
    let outcomes = outcomes.map_err(|error| acts::unavailable(&site, &error))?;
    let stock = site.store.stock().await.map_err(Failed::store(&site))?;
    let now = site.clock.now();
    let told = outcomes.iter().find_map(|o| match o {
        Outcome::NotAlone => None,
        Outcome::Changed { .. } => Some((
            format!("There is a crate {} already.", fields.get("into")),
            "Choose another code, or put them in on its own page.".to_owned(),
        )),
        other => history::told(other, &stock, now, site.manner),
    });
    match told {
        Some((why, remedy)) => again(format!("{why} {remedy}"), fields).await,
        None => Ok(Redirect::to(&href(fields.get("into"))).into_response()),
    }
}

fn asked(fields: &Fields, site: &Site) -> Result<Vec<Asked>, String> {
    let part = |extra: &[(&str, &str)]| -> Fields {
        let own = fields.all().map(|(k, v)| (k.to_owned(), v.to_owned()));
        own.chain(
            extra
                .iter()
                .map(|(k, v)| ((*k).to_owned(), (*v).to_owned())),
        )
        .collect()
    };
    let lifted = part(&[("kind", "lifted"), ("packing", "")]);
    let mut asked = vec![Asked {
        // No crate of this code was there: any entry about one is of somebody else.
        seen: Some(EntryId(0)),
        ..lifted.asked(lifted.deed(site.manner.unit)?)?
    }];
    if !fields.get("packing").is_empty() {
        let packed = part(&[
            ("kind", "packed"),
            ("crate", fields.get("into")),
            ("note", ""),
        ]);
        let deed: Deed = packed.deed(site.manner.unit)?;
        let mut packed = packed.asked(deed)?;
        packed.key = packed.key.map(|key| format!("{key}p"));
        asked.push(packed);
    }
    Ok(asked)
}

async fn page(
    site: &Site,
    fault: Option<String>,
    fields: Fields,
    path: String,
) -> Result<Response, Failed> {
    let status = site.status.borrow().clone();
    let now = site.clock.now();
    let stock = site.store.stock().await.map_err(Failed::store(site))?;
    let known = |words: Vec<String>| -> Vec<String> {
        let words: std::collections::BTreeSet<String> =
            words.into_iter().filter(|w| !w.is_empty()).collect();
        words.into_iter().collect()
    };
    let answer = if fault.is_some() {
        StatusCode::UNPROCESSABLE_ENTITY
    } else {
        StatusCode::OK
    };
    let page = NewCratePage {
        frame: view::frame(site, &status, now, "New crate", Tab::Crates, path),
        code: next_code(stock.crates().map(|(_, c)| &c.code)).to_string(),
        key: form::key(),
        today: local(site.manner.zone, now).date().to_string(),
        rooms: known(
            status
                .settings
                .rooms
                .iter()
                .map(|r| r.name.clone())
                .collect(),
        ),
        packings: known(stock.crates().map(|(_, c)| c.packing.clone()).collect()),
        varieties: known(stock.lots().map(|(_, l, _)| l.variety.clone()).collect()),
        fault,
        fields,
    };
    Ok((answer, render(&page)).into_response())
}
