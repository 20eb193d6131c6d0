//! The pages a grower looks at, what they are drawn from, and the same for programs.

pub mod access;
pub mod acts;
pub mod alert;
pub mod api;
pub mod chart;
pub mod compare;
pub mod feed;
pub mod figures;
pub mod forms;
pub mod guard;
pub mod html;
pub mod kinds;
pub mod look_back;
pub mod names;
pub mod pages;
pub mod paging;
mod pictures;
pub mod sensors;
pub mod serve;
pub mod stock;
pub mod tls;
pub mod told;
pub mod verdict;
pub mod view;
pub mod winter;

use std::{convert::Infallible, sync::Arc, time::Duration};

use axum::{
    Extension, Router,
    extract::{Path, State},
    http::{HeaderValue, StatusCode, header},
    middleware,
    response::{
        IntoResponse, Redirect, Response,
        sse::{Event, Sse},
    },
    routing::{get, post},
};
use rust_embed::RustEmbed;
use tokio::{
    sync::{Semaphore, watch},
    time::interval,
};
use tokio_stream::{
    Stream, StreamExt, once,
    wrappers::{IntervalStream, WatchStream},
};

use self::{
    access::{Access, Session},
    told::Told,
};
use crate::{
    clock::Clock,
    engine::{Status, account::Accounts},
    inbox::{Board, Inbox},
    notify::words::Manner,
    problem::Problem,
    store::Store,
};

/// Changes are told to a page at most this often.
const TELL_EVERY: Duration = Duration::from_secs(1);
/// The event stream says something at least this often, so that a page can notice its end.
const PING_EVERY: Duration = Duration::from_secs(15);

/// What pages are made from.
#[derive(Debug, Clone)]
pub struct Site {
    /// What the store is called.
    pub name: String,
    /// How it wants to read things.
    pub manner: Manner,
    /// A line above every page, such as that this is a demonstration.
    pub notice: Option<String>,
    /// The present.
    pub clock: Clock,
    /// Snapshots of what is known.
    pub status: watch::Receiver<Arc<Status>>,
    /// Lists and history.
    pub store: Store,
    /// Where an acknowledgement goes.
    pub inbox: Inbox,
    /// What sources are doing.
    pub board: Board,
    /// Who may open what.
    pub access: Arc<Access>,
    /// Who is told, and by which channels.
    pub told: Arc<Told>,
    /// Accounts of winters that were made.
    pub accounts: Accounts,
    /// One look back at a time.
    pub looking: Arc<Semaphore>,
}

#[derive(RustEmbed)]
#[folder = "static/"]
struct Static;

/// Every page and the API beside them; readings are posted elsewhere.
pub fn router(site: Site) -> Router {
    Router::new()
        .route("/", get(pages::now))
        .route("/alerts", get(pages::alerts))
        .route(
            "/alerts/acknowledge",
            // Who comes back to this address wants to see the alerts.
            post(pages::acknowledge).get(async || Redirect::to("/alerts")),
        )
        .route("/alert", get(alert::alert))
        .route(
            "/alerts/shelve",
            post(acts::shelve).get(async || Redirect::to("/alerts")),
        )
        .route(
            "/alerts/unshelve",
            post(acts::unshelve).get(async || Redirect::to("/alerts")),
        )
        .route(
            "/alerts/reset",
            post(acts::reset).get(async || Redirect::to("/alerts")),
        )
        .route("/alerts/look-back", get(look_back::look_back))
        .route("/told", get(told::told))
        .route(
            "/told/test",
            post(told::test).get(async || Redirect::to("/told")),
        )
        .route(
            "/sensors/service",
            post(acts::service).get(async || Redirect::to("/sensors")),
        )
        .route(
            "/rooms/stage",
            post(acts::stage).get(async || Redirect::to("/")),
        )
        .route("/sensors", get(sensors::sensors))
        .route(
            "/sensors/compare",
            get(compare::compare).post(compare::enter),
        )
        .route(
            "/api/sensors/{name}/corrections",
            get(compare::list).post(compare::post),
        )
        .route("/events", get(events))
        .route("/static/{*path}", get(file))
        .route("/api/status", get(api::status))
        .route("/api/alerts", get(api::alerts))
        .route("/api/alerts/figures", get(figures::api))
        .route("/alerts/kinds", get(kinds::kinds))
        .route("/feeds/alerts.atom", get(feed::alerts))
        .route("/healthz", get(async || "alive\n"))
        .route("/readyz", get(api::ready))
        .merge(stock::routes())
        .merge(winter::page::routes())
        .merge(access::routes())
        .fallback(pages::nothing_here)
        .with_state(site)
}

/// Puts the checks that hold for every answer around a router: the name and the origin, then who asks.
pub fn guarded(router: Router, site: Site) -> Router {
    let access = site.access.clone();
    router
        .layer(middleware::from_fn_with_state(site, access::gate))
        .layer(middleware::from_fn_with_state(access, guard::check))
}

async fn events(
    State(site): State<Site>,
    session: Option<Extension<Session>>,
) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    // The event carries nothing: the page asks for itself anew. When the recorder is gone it ends.
    let changes = WatchStream::from_changes(site.status.clone())
        .map(|_| Some("changed"))
        .throttle(TELL_EVERY)
        .chain(once(None));
    let pings = IntervalStream::new(interval(PING_EVERY)).skip(1);
    let events = changes
        .merge(pings.map(|_| Some("ping")))
        .then(move |event| {
            let (site, session) = (site.clone(), session.clone());
            async move {
                // A device that was ended hears nothing more.
                let open = site
                    .still_open_to(session.as_ref().map(|Extension(s)| s))
                    .await;
                event.filter(|_| open)
            }
        })
        .map_while(|event| Some(Ok(Event::default().event(event?).data("-"))));
    Sse::new(events)
}

async fn file(Path(path): Path<String>) -> Response {
    let Some(found) = Static::get(&path) else {
        return Problem::new(
            StatusCode::NOT_FOUND,
            "about:blank",
            "Not found",
            "there is no such file",
        )
        .into_response();
    };
    let kind = HeaderValue::from_str(found.metadata.mimetype())
        .unwrap_or_else(|_| HeaderValue::from_static("application/octet-stream"));
    let mut response = found.data.into_owned().into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, kind);
    headers.insert(
        header::CACHE_CONTROL,
        HeaderValue::from_static("max-age=86400"),
    );
    response
}
