//! The pages that are open to everyone: sign in, set the first passphrase, use a one-time link.

use askama::Template;
use axum::{
    Extension,
    extract::{Path, Query, Request, State, rejection::QueryRejection},
    http::{HeaderMap, HeaderValue, StatusCode, header},
    response::{IntoResponse, Redirect, Response},
};
use serde::Deserialize;
use tracing::{error, warn};

use super::{
    Session, Unverified, description, form,
    html::{Door, PhonePage, SignInPage, WelcomePage, WordsPage},
    is_encrypted, lock, own_path, passphrase, peer_of, person, set_cookie,
};
use crate::{
    notify::words::span_exact,
    store::{StoreError, Tx, access::Digest},
    watch::Stamp,
    web::{Site, pages::render, serve::Peer},
};

fn door(site: &Site, title: &str) -> Door {
    Door::new(title, site.access.unencrypted())
}

fn page(status: StatusCode, page: &impl Template) -> Response {
    (status, render(page)).into_response()
}

fn words(
    site: &Site,
    status: StatusCode,
    title: &str,
    what: impl Into<String>,
    todo: &str,
    on: Option<(&str, &'static str)>,
) -> Response {
    let words = WordsPage {
        door: door(site, title),
        what: what.into(),
        todo: todo.to_owned(),
        on: on.map(|(path, word)| (path.to_owned(), word)),
    };
    page(status, &words)
}

fn not_understood(site: &Site) -> Response {
    let status = StatusCode::BAD_REQUEST;
    let what = "The form did not arrive whole.";
    words(
        site,
        status,
        "That was not understood",
        what,
        "Go back and send it again.",
        None,
    )
}

/// The store does not answer; whoever has a session keeps it.
pub(super) fn broken(site: &Site, fault: &StoreError) -> Response {
    error!(error = ?fault, "a door page could not be made");
    let status = StatusCode::SERVICE_UNAVAILABLE;
    let todo = "Look at the computer and its disk, then try again.";
    words(
        site,
        status,
        "That could not be stored",
        format!("{fault}."),
        todo,
        None,
    )
}

fn unmade(site: &Site, why: Unverified) -> Response {
    let what = match why {
        Unverified::Busy => "Too many are signing in at the same time.".to_owned(),
        Unverified::Made(fault) => {
            error!(%fault, "nobody can sign in");
            format!("This computer cannot do it just now: {fault}.")
        }
    };
    let status = StatusCode::SERVICE_UNAVAILABLE;
    let todo = "Go back and try again in half a minute.";
    let mut response = words(site, status, "One moment", what, todo, None);
    response
        .headers_mut()
        .insert(header::RETRY_AFTER, HeaderValue::from_static("30"));
    response
}

fn too_many(site: &Site, wait_ms: i64) -> Response {
    let seconds = (wait_ms + 999) / 1000;
    let status = StatusCode::TOO_MANY_REQUESTS;
    let what = format!(
        "There were too many wrong ones. The next is looked at in {}.",
        span_exact(seconds * 1000)
    );
    let todo = "Wait so long, then go back and try again. On the computer itself, `overwinter pair` makes a link that signs a phone in at once.";
    let mut response = words(site, status, "Wait a little", what, todo, None);
    response
        .headers_mut()
        .insert(header::RETRY_AFTER, seconds.into());
    response
}

/// Logs an attempt that failed. What was typed is not kept: it may be the passphrase in the wrong field.
async fn log_failure(site: &Site, peer: std::net::IpAddr, headers: &HeaderMap, what: &str) {
    warn!(%peer, "{what} was wrong");
    let logged = async {
        let mut tx = site.store.begin().await?;
        let detail = format!("{what}; {}", description(headers));
        tx.log_access(
            site.clock.now(),
            &peer.to_string(),
            "sign-in failed",
            &detail,
        )
        .await?;
        tx.commit().await
    };
    if let Err(fault) = logged.await {
        error!(error = ?fault, "a failed sign-in could not be logged");
    }
}

/// Begins a session within a transaction; a session that this browser had before ends with it
/// (OWASP ASVS 5.0, 7.2.4). Gives the answer that hands over the cookie.
async fn begin(
    site: &Site,
    mut tx: Tx,
    (headers, before): (&HeaderMap, Option<&Session>),
    name: &str,
    next: &str,
    now: Stamp,
) -> Result<Response, StoreError> {
    let token = match passphrase::token::<32>() {
        Ok(token) => token,
        Err(why) => return Ok(unmade(site, Unverified::Made(why))),
    };
    if let Some(before) = before {
        tx.end_device(before.device.id, now, name, "signed out", "signed in anew")
            .await?;
    }
    let digest: Digest = passphrase::digest(&token);
    tx.sign_in(&digest, name, &description(headers), now)
        .await?;
    tx.commit().await?;
    let next = own_path(next).unwrap_or("/");
    let mut response = Redirect::to(next).into_response();
    let encrypted = is_encrypted(headers, &site.access.names);
    response
        .headers_mut()
        .insert(header::SET_COOKIE, set_cookie(&token, encrypted));
    Ok(response)
}

// ---- sign in ----

/// Where the sign-in page leads.
#[derive(Deserialize)]
pub struct Wanted {
    next: Option<String>,
}

fn sign_in_page(site: &Site, next: &str, name: &str, fault: Option<String>) -> Response {
    let status = if fault.is_some() {
        StatusCode::FORBIDDEN
    } else {
        StatusCode::OK
    };
    let sign_in = SignInPage {
        door: door(site, "Sign in"),
        site: site.name.clone(),
        next: next.to_owned(),
        person: name.to_owned(),
        fault,
    };
    page(status, &sign_in)
}

/// `GET /sign-in`.
pub async fn sign_in(
    State(site): State<Site>,
    session: Option<Extension<Session>>,
    wanted: Result<Query<Wanted>, QueryRejection>,
) -> Response {
    let next = wanted.ok().and_then(|Query(w)| w.next).unwrap_or_default();
    let next = own_path(&next).unwrap_or("/");
    if session.is_some() || !site.access.is_locked() {
        return Redirect::to(next).into_response();
    }
    sign_in_page(&site, next, "", None)
}

/// What the sign-in page sends.
#[derive(Deserialize)]
pub struct SignIn {
    passphrase: String,
    #[serde(default)]
    name: String,
    #[serde(default)]
    next: String,
}

/// `POST /sign-in`.
pub async fn signed_in(
    State(site): State<Site>,
    peer: Option<Extension<Peer>>,
    session: Option<Extension<Session>>,
    headers: HeaderMap,
    request: Request,
) -> Response {
    let Some(form) = form::<SignIn>(request).await else {
        return not_understood(&site);
    };
    let (peer, now) = (peer_of(peer.map(|Extension(p)| p)), site.clock.now());
    if let Err(wait_ms) = lock(&site.access.throttle).begin(peer, now) {
        return too_many(&site, wait_ms);
    }
    let hash = match site.store.passphrase().await {
        Ok(Some(hash)) => hash,
        other => {
            lock(&site.access.throttle).undo(peer);
            return match other {
                Err(fault) => broken(&site, &fault),
                Ok(_) => Redirect::to("/").into_response(),
            };
        }
    };
    match site.access.is_right(form.passphrase, hash.clone()).await {
        Err(why) => {
            lock(&site.access.throttle).undo(peer);
            unmade(&site, why)
        }
        Ok(false) => {
            log_failure(&site, peer, &headers, "a passphrase").await;
            let next = own_path(&form.next).unwrap_or("/");
            let fault = "That is not the passphrase. Capitals and spaces count.";
            sign_in_page(&site, next, form.name.trim(), Some(fault.to_owned()))
        }
        Ok(true) => {
            lock(&site.access.throttle).right(peer);
            let done = async {
                let mut tx = site.store.begin().await?;
                // It may have been changed while it was compared.
                if tx.passphrase().await? != Some(hash) {
                    return Ok(Redirect::to("/sign-in").into_response());
                }
                let before = session.as_ref().map(|Extension(s)| s);
                begin(
                    &site,
                    tx,
                    (&headers, before),
                    &person(&form.name),
                    &form.next,
                    now,
                )
                .await
            };
            done.await.unwrap_or_else(|fault| broken(&site, &fault))
        }
    }
}

// ---- the first passphrase ----

fn welcome_page(site: &Site, form: &Welcome, fault: Option<String>) -> Response {
    let status = if fault.is_some() {
        StatusCode::FORBIDDEN
    } else {
        StatusCode::OK
    };
    let welcome = WelcomePage {
        door: door(site, "Set the passphrase"),
        site: site.name.clone(),
        code: form.code.chars().take(40).collect(),
        person: form.name.chars().take(40).collect(),
        fault,
    };
    page(status, &welcome)
}

fn no_code(site: &Site) -> Response {
    let what = "No set-up code holds. The recorder prints one when it starts without a passphrase; it can be used for an hour, once.";
    let todo = "Run `overwinter passphrase` on the computer. Or stop the recorder and start it again: it prints a new code.";
    words(
        site,
        StatusCode::GONE,
        "No set-up code",
        what,
        todo,
        Some(("/", "How the rooms are now")),
    )
}

/// `GET /welcome`.
pub async fn welcome(State(site): State<Site>) -> Response {
    if site.access.is_locked() {
        return Redirect::to("/sign-in").into_response();
    }
    if !site.access.code_offered(site.clock.now()) {
        return no_code(&site);
    }
    welcome_page(&site, &Welcome::default(), None)
}

/// What the welcome page sends.
#[derive(Default, Deserialize)]
pub struct Welcome {
    code: String,
    passphrase: String,
    again: String,
    #[serde(default)]
    name: String,
}

/// `POST /welcome`: a slip in the passphrase does not use the code up.
pub async fn welcomed(
    State(site): State<Site>,
    peer: Option<Extension<Peer>>,
    headers: HeaderMap,
    request: Request,
) -> Response {
    let Some(form) = form::<Welcome>(request).await else {
        return not_understood(&site);
    };
    let (peer, now) = (peer_of(peer.map(|Extension(p)| p)), site.clock.now());
    if site.access.is_locked() {
        return Redirect::to("/sign-in").into_response();
    }
    if !site.access.code_offered(now) {
        return no_code(&site);
    }
    if let Err(wait_ms) = lock(&site.access.throttle).begin(peer, now) {
        return too_many(&site, wait_ms);
    }
    if !site.access.code_is(&form.code, now) {
        log_failure(&site, peer, &headers, "a set-up code").await;
        let fault = "That is not the code. It stands where the recorder was started: four groups of four letters.";
        return welcome_page(&site, &form, Some(fault.to_owned()));
    }
    lock(&site.access.throttle).right(peer);
    let fit = if form.passphrase == form.again {
        passphrase::fit(&form.passphrase, &site.name)
    } else {
        Err(passphrase::Weak::Differs)
    };
    if let Err(weak) = fit {
        return welcome_page(&site, &form, Some(format!("Not taken: {weak}.")));
    }
    let hash = match site.access.hash(form.passphrase).await {
        Ok(hash) => hash,
        Err(why) => return unmade(&site, why),
    };
    let name = person(&form.name);
    let done = async {
        let mut tx = site.store.begin().await?;
        if !tx.set_first_passphrase(&hash, now, &name).await? {
            return Ok(Redirect::to("/sign-in").into_response());
        }
        begin(&site, tx, (&headers, None), &name, "/devices", now).await
    };
    match done.await {
        Ok(response) => {
            site.access.code_used();
            response
        }
        Err(fault) => broken(&site, &fault),
    }
}

// ---- one-time links ----

fn void_link(site: &Site) -> Response {
    let what = "A link signs in one phone, once, within ten minutes; and a newer link makes an older one void.";
    let todo = "Make another: on the page Devices of a phone that is signed in, or with `overwinter pair` on the computer.";
    words(
        site,
        StatusCode::GONE,
        "This link holds no longer",
        what,
        todo,
        Some(("/sign-in", "Sign in with the passphrase")),
    )
}

/// `GET /phone/{token}`: a button; looking at a link does not use it up.
pub async fn phone(State(site): State<Site>, Path(token): Path<String>) -> Response {
    let holds = site
        .store
        .link_holds(&passphrase::digest(&token), site.clock.now())
        .await;
    match holds {
        Ok(true) => {
            let phone = PhonePage {
                door: door(&site, "Sign this phone in"),
                site: site.name.clone(),
            };
            page(StatusCode::OK, &phone)
        }
        Ok(false) => void_link(&site),
        Err(fault) => broken(&site, &fault),
    }
}

/// What the button of a link sends.
#[derive(Deserialize)]
pub struct Phone {
    #[serde(default)]
    name: String,
}

/// `POST /phone/{token}`: uses the link up and signs in.
pub async fn phone_in(
    State(site): State<Site>,
    Path(token): Path<String>,
    session: Option<Extension<Session>>,
    headers: HeaderMap,
    request: Request,
) -> Response {
    let Some(form) = form::<Phone>(request).await else {
        return not_understood(&site);
    };
    let (name, now) = (person(&form.name), site.clock.now());
    let done = async {
        let mut tx = site.store.begin().await?;
        if !tx.use_link(&passphrase::digest(&token), now, &name).await? {
            return Ok(void_link(&site));
        }
        let before = session.as_ref().map(|Extension(s)| s);
        begin(&site, tx, (&headers, before), &name, "/", now).await
    };
    done.await.unwrap_or_else(|fault| broken(&site, &fault))
}
