//! The page Devices: who is signed in, how to end it, and how to add a phone.

use axum::{
    Extension, Form,
    extract::{State, rejection::FormRejection},
    http::{HeaderMap, header},
    response::{IntoResponse, Redirect, Response},
};
use serde::Deserialize;
use tracing::error;

use super::{
    Session, door, host,
    html::{DeviceRow, DevicesPage, Link},
    is_encrypted, passphrase,
    qr::Symbol,
    set_cookie,
};
use crate::{
    engine::Status,
    notify::words::ago,
    store::{StoreError, access::LINK_MS},
    web::{Site, html::Tab, names::is_here, pages::render, view},
};

const ONLY_HERE: &str = "The pages are served on this computer only, so a phone cannot reach them yet: set listen in overwinter.toml. The part From your phone of the README says how.";

/// The path under which a one-time link is opened; what follows is its token.
pub const LINK_PATH: &str = "/phone/";

/// Where a session is needed: without a passphrase there is none, and nothing to show.
fn none_yet(site: &Site) -> Response {
    let to = if site.access.is_locked() {
        "/sign-in"
    } else {
        "/welcome"
    };
    Redirect::to(to).into_response()
}

async fn shown(site: &Site, session: &Session, link: Option<Link>) -> Result<Response, StoreError> {
    let status: std::sync::Arc<Status> = site.status.borrow().clone();
    let now = site.clock.now();
    let devices = site.store.devices(now).await?;
    let hindered = !site.access.names.beyond && site.access.names.address.is_none();
    let page = DevicesPage {
        frame: view::frame(
            site,
            &status,
            now,
            "Devices",
            Tab::Elsewhere,
            "/devices".to_owned(),
        ),
        devices: devices
            .into_iter()
            .map(|d| DeviceRow {
                this: d.id == session.device.id,
                id: d.id,
                person: d.person,
                description: d.description,
                since: site.manner.day_and_clock(d.made_at),
                seen: ago(d.last_seen_at, now),
            })
            .collect(),
        link,
        hindrance: hindered.then_some(ONLY_HERE),
    };
    Ok(render(&page))
}

fn or_broken(site: &Site, done: Result<Response, StoreError>) -> Response {
    done.unwrap_or_else(|fault| door::broken(site, &fault))
}

/// `GET /devices`.
pub async fn devices(State(site): State<Site>, session: Option<Extension<Session>>) -> Response {
    let Some(Extension(session)) = session else {
        return none_yet(&site);
    };
    or_broken(&site, shown(&site, &session, None).await)
}

/// Which device a button ends.
#[derive(Deserialize)]
pub struct Which {
    device: i64,
}

/// `POST /devices/end`: one device, which may be this one.
pub async fn end(
    State(site): State<Site>,
    session: Option<Extension<Session>>,
    headers: HeaderMap,
    which: Result<Form<Which>, FormRejection>,
) -> Response {
    let (Some(Extension(session)), Ok(Form(which))) = (session, which) else {
        return none_yet(&site);
    };
    if which.device == session.device.id {
        return sign_out(State(site), Some(Extension(session)), headers).await;
    }
    let done = async {
        let who = &session.device.person;
        let mut tx = site.store.begin().await?;
        tx.end_device(which.device, site.clock.now(), who, "device ended", "")
            .await?;
        tx.commit().await?;
        Ok(Redirect::to("/devices").into_response())
    };
    or_broken(&site, done.await)
}

/// `POST /devices/end-others`.
pub async fn end_others(State(site): State<Site>, session: Option<Extension<Session>>) -> Response {
    let Some(Extension(session)) = session else {
        return none_yet(&site);
    };
    let done = async {
        let (own, who) = (session.device.id, &session.device.person);
        let mut tx = site.store.begin().await?;
        tx.end_devices(Some(own), site.clock.now(), who, "all others")
            .await?;
        tx.commit().await?;
        Ok(Redirect::to("/devices").into_response())
    };
    or_broken(&site, done.await)
}

/// `POST /sign-out`.
pub async fn sign_out(
    State(site): State<Site>,
    session: Option<Extension<Session>>,
    headers: HeaderMap,
) -> Response {
    let Some(Extension(session)) = session else {
        return none_yet(&site);
    };
    let done = async {
        let who = &session.device.person;
        let mut tx = site.store.begin().await?;
        tx.end_device(session.device.id, site.clock.now(), who, "signed out", "")
            .await?;
        tx.commit().await?;
        let mut response = Redirect::to("/sign-in").into_response();
        let encrypted = is_encrypted(&headers, &site.access.names);
        let gone = set_cookie("", encrypted);
        response.headers_mut().insert(header::SET_COOKIE, gone);
        Ok(response)
    };
    or_broken(&site, done.await)
}

/// `POST /devices/add`: makes a link and shows it, this once.
pub async fn add(
    State(site): State<Site>,
    session: Option<Extension<Session>>,
    headers: HeaderMap,
) -> Response {
    let Some(Extension(session)) = session else {
        return none_yet(&site);
    };
    let token = match passphrase::token::<16>() {
        Ok(token) => token,
        Err(error) => {
            error!(%error, "no link could be made");
            return Redirect::to("/devices").into_response();
        }
    };
    let done = async {
        let now = site.clock.now();
        let mut tx = site.store.begin().await?;
        tx.make_link(&passphrase::digest(&token), now, &session.device.person)
            .await?;
        tx.commit().await?;
        let asked = host(&headers).filter(|host| !is_here(host));
        let base = site.access.names.base(asked, site.access.served);
        let address = format!("{base}{LINK_PATH}{token}");
        let symbol = Symbol::of(&address).map(|s| (s.size(), s.path()));
        let link = Link {
            address,
            until: site.manner.clock(now.plus(LINK_MS)),
            symbol,
        };
        shown(&site, &session, Some(link)).await
    };
    or_broken(&site, done.await)
}
