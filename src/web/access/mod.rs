//! Who may open what: the gate in front of every page, the device behind each cookie, and the rules
//! that follow OWASP ASVS 5.0.

mod cookie;
pub mod devices;
pub mod door;
pub mod html;
pub mod passphrase;
pub mod qr;
pub mod throttle;

use std::{
    fmt,
    net::{IpAddr, Ipv4Addr, SocketAddr},
    sync::{
        Arc, Mutex, MutexGuard, PoisonError,
        atomic::{AtomicBool, Ordering},
    },
    time::Duration,
};

use axum::{
    Router,
    extract::{DefaultBodyLimit, Request, State},
    http::{HeaderMap, HeaderValue, Method, StatusCode, header},
    middleware::Next,
    response::{IntoResponse, Redirect, Response},
    routing::{get, post},
};
use tokio::{sync::Semaphore, task::spawn_blocking, time::timeout};
use tracing::error;

use self::{
    cookie::{cookie, is_encrypted, set_cookie},
    passphrase::NotMade,
    throttle::Throttle,
};
use super::{
    Site,
    names::{Names, is_here},
    serve::Peer,
};
use crate::{
    problem::Problem,
    store::{
        Store, StoreError,
        access::{Device, Digest},
    },
    watch::{
        Stamp,
        reading::{HOUR_MS, MINUTE_MS},
    },
};

/// What is open without a session; everything else is not. Readings bring tokens of their own.
pub const OPEN: &[&str] = &[
    "/api/readings",
    "/healthz",
    "/phone/*",
    "/readyz",
    "/sign-in",
    "/static/*",
    "/welcome",
];
/// What the key of the feeds opens.
const FEEDS: [&str; 2] = ["/feeds/alerts.atom", "/feeds/rounds.ics"];
/// Asked by programs and by scripts, which are told in a status and not led to a page.
const FOR_PROGRAMS: &[&str] = &["/api/*", "/events", "/feeds/*", "/metrics"];

/// Passphrases that are compared at a time, which takes 19 MiB each, and that wait for their turn.
const AT_A_TIME: usize = 1;
const WAITING: usize = 8;
/// Bytes of a form that is filled in without a session, and how long it may take to arrive.
const FORM_BODY: usize = 8 * 1024;
const FORM_TIME: Duration = Duration::from_secs(10);
/// How long a set-up code holds.
const CODE_MS: i64 = HOUR_MS;
/// A device's last sight is noted at most this often.
const SEEN_EVERY_MS: i64 = 10 * MINUTE_MS;
/// Characters of a person's name, and of what a device says of itself.
const NAME: usize = 40;
const DESCRIPTION: usize = 80;
/// Who it was where nobody gave a name.
pub const NOBODY: &str = "the grower";

/// What the gate knows; shared by every request.
pub struct Access {
    /// The names that are answered.
    pub names: Names,
    /// Where the pages are served, as phones are told when nothing better is known.
    pub served: SocketAddr,
    /// A passphrase is set; never taken back.
    locked: AtomicBool,
    /// The last sight of some device is just being noted.
    noting: AtomicBool,
    code: Mutex<Option<(Digest, Stamp)>>,
    throttle: Mutex<Throttle>,
    queue: Arc<Semaphore>,
    turn: Arc<Semaphore>,
}

impl fmt::Debug for Access {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Access")
            .field("names", &self.names)
            .field("served", &self.served)
            .field("locked", &self.is_locked())
            .finish_non_exhaustive()
    }
}

/// The device a request comes from.
#[derive(Debug, Clone)]
pub struct Session {
    /// Which one.
    pub device: Device,
    token: Token,
}

/// A digest of a token, which is nobody's to read.
#[derive(Clone, Copy)]
struct Token(Digest);

impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Token")
    }
}

/// The person who does it, for the record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Who(pub String);

/// Why a passphrase was not compared.
#[derive(Debug)]
enum Unverified {
    /// Too many wait already.
    Busy,
    Made(NotMade),
}

impl Access {
    /// Nobody has signed in yet.
    pub fn new(names: Names, served: SocketAddr) -> Self {
        Self {
            names,
            served,
            locked: AtomicBool::new(false),
            noting: AtomicBool::new(false),
            code: Mutex::new(None),
            throttle: Mutex::new(Throttle::default()),
            queue: Arc::new(Semaphore::new(AT_A_TIME + WAITING)),
            turn: Arc::new(Semaphore::new(AT_A_TIME)),
        }
    }

    /// Whether a passphrase was set when it was last looked.
    pub fn is_locked(&self) -> bool {
        self.locked.load(Ordering::Relaxed)
    }

    /// What others on the network can read along.
    pub fn unencrypted(&self) -> bool {
        self.names.beyond && !self.names.tls
    }

    /// Makes the code with which the first passphrase may be set from a browser; an earlier one holds
    /// no longer. It is kept in memory only: the next start makes another.
    pub fn offer_code(&self, now: Stamp) -> Result<String, NotMade> {
        let code = passphrase::code()?;
        *lock(&self.code) = Some((passphrase::code_digest(&code), now.plus(CODE_MS)));
        Ok(code)
    }

    fn code_offered(&self, now: Stamp) -> bool {
        lock(&self.code).is_some_and(|(_, until)| now < until)
    }

    fn code_is(&self, code: &str, now: Stamp) -> bool {
        let given = passphrase::code_digest(code);
        lock(&self.code).is_some_and(|(digest, until)| now < until && digest == given)
    }

    fn code_used(&self) {
        *lock(&self.code) = None;
    }

    async fn look(&self, store: &Store) -> Result<bool, StoreError> {
        if !self.is_locked() && store.passphrase().await?.is_some() {
            self.locked.store(true, Ordering::Relaxed);
        }
        Ok(self.is_locked())
    }

    /// Does a slow computation in its turn, on a thread of its own.
    async fn in_turn<T: Send + 'static>(
        &self,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> Result<T, Unverified> {
        let place = self.queue.clone().try_acquire_owned();
        let place = place.map_err(|_| Unverified::Busy)?;
        let turn = self.turn.clone().acquire_owned().await;
        let work = move || {
            let done = work();
            // Held until it is done, even when nobody waits for the answer any more.
            drop((turn, place));
            done
        };
        spawn_blocking(work).await.map_err(|_| Unverified::Busy)
    }

    async fn is_right(&self, passphrase: String, hash: String) -> Result<bool, Unverified> {
        self.in_turn(move || passphrase::is_right(&passphrase, &hash))
            .await
    }

    async fn hash(&self, passphrase: String) -> Result<String, Unverified> {
        self.in_turn(move || passphrase::hash(&passphrase))
            .await?
            .map_err(Unverified::Made)
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // Nothing can go wrong half-way while one of these is held.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The pages of this folder.
pub(super) fn routes() -> Router<Site> {
    let back = async || Redirect::to("/devices");
    Router::new()
        .route("/sign-in", get(door::sign_in).post(door::signed_in))
        .route("/welcome", get(door::welcome).post(door::welcomed))
        .route("/phone/{token}", get(door::phone).post(door::phone_in))
        .route("/sign-out", post(devices::sign_out).get(back))
        .route("/devices", get(devices::devices))
        .route("/devices/end", post(devices::end).get(back))
        .route("/devices/end-others", post(devices::end_others).get(back))
        .route("/devices/add", post(devices::add).get(back))
        .layer(DefaultBodyLimit::max(FORM_BODY))
}

fn matches(list: &[&str], path: &str) -> bool {
    list.iter().any(|known| match known.strip_suffix('*') {
        Some(start) => path.starts_with(start),
        None => path == *known,
    })
}

/// Lets a request through, with the device it comes from, or sends it to sign in.
pub async fn gate(State(site): State<Site>, mut request: Request, next: Next) -> Response {
    let open = matches(OPEN, request.uri().path()) || has_feed_key(&site, &request);
    let token = cookie(request.headers(), &site.access.names);
    let now = site.clock.now();
    let known = async {
        let locked = site.access.look(&site.store).await?;
        let session = match token {
            Some(token) if locked => session(&site.store, token, now).await?,
            _ => None,
        };
        Ok::<_, StoreError>((locked, session))
    };
    match known.await {
        Ok((_, Some(session))) => {
            note_seen(&site, &session.device, now);
            let extensions = request.extensions_mut();
            extensions.insert(Who(session.device.person.clone()));
            extensions.insert(session);
        }
        Ok((true, None)) if !open => return unknown(&request),
        Ok((false, None)) if !open && !from_here(&site, &request) => {
            return Problem::new(
                StatusCode::FORBIDDEN,
                "/problems/passphrase",
                "No passphrase yet",
                "the pages open only on the computer itself until a passphrase is set: `overwinter passphrase`",
            )
            .into_response();
        }
        Ok(_) => {}
        // Health and static files need nothing of the store.
        Err(_) if open => {}
        Err(fault) => {
            error!(error = ?fault, "nobody can be let in");
            return Problem::new(
                StatusCode::SERVICE_UNAVAILABLE,
                "/problems/unavailable",
                "Nobody can be let in",
                fault.to_string(),
            )
            .into_response();
        }
    }
    next.run(request).await
}

/// A feed reader cannot sign in; it shows the key that stands in its address, good for the feeds alone.
fn has_feed_key(site: &Site, request: &Request) -> bool {
    let key = request
        .uri()
        .query()
        .and_then(|q| q.split('&').find_map(|pair| pair.strip_prefix("key=")));
    let hex = |key: &str| -> String {
        let digest = passphrase::digest(key);
        digest.iter().map(|byte| format!("{byte:02x}")).collect()
    };
    let hash = site.told.feed_sha256.as_deref();
    FEEDS.contains(&request.uri().path()) && hash.is_some() && key.map(hex).as_deref() == hash
}

/// What servers add that pass a request on for somebody else (RFC 7239; RFC 9110, 7.6.3; the others
/// are common practice).
const PASSED_ON: [&str; 4] = ["forwarded", "via", "x-forwarded-for", "x-real-ip"];

/// Without a passphrase only this computer is served: the connection and the name must both be its
/// own, and nothing may say that it is passed on for somebody else.
fn from_here(site: &Site, request: &Request) -> bool {
    let peer = request.extensions().get::<Peer>();
    !site.access.names.beyond
        && !PASSED_ON
            .iter()
            .any(|name| request.headers().contains_key(*name))
        && peer.is_some_and(|Peer(peer)| peer.ip().to_canonical().is_loopback())
        && host(request.headers()).is_some_and(is_here)
}

/// Nobody known: a person is led to the sign-in page and back again, a program is told.
fn unknown(request: &Request) -> Response {
    let path = request.uri().path();
    if matches(FOR_PROGRAMS, path) {
        let mut response = Problem::new(
            StatusCode::UNAUTHORIZED,
            "/problems/session",
            "Signed out",
            "sign in at /sign-in; programs have no way in of their own yet",
        )
        .into_response();
        // RFC 9110, 11.6.1 asks for a challenge; a bearer token would not help here.
        response.headers_mut().insert(
            header::WWW_AUTHENTICATE,
            HeaderValue::from_static("Cookie realm=\"pages\""),
        );
        return response;
    }
    let wanted = match *request.method() {
        Method::GET | Method::HEAD => super::pages::path_of(request.uri()),
        _ => "/".to_owned(),
    };
    Redirect::to(&sign_in_path(&wanted)).into_response()
}

fn sign_in_path(wanted: &str) -> String {
    if wanted == "/" {
        return "/sign-in".to_owned();
    }
    format!("/sign-in?next={}", super::view::url(wanted))
}

/// Only a path of our own, as a browser writes it: nobody is to be led elsewhere (CWE-601).
pub fn own_path(path: &str) -> Option<&str> {
    let own = path.starts_with('/')
        && !path.starts_with("//")
        && !path.contains('\\')
        // Nothing else may stand in `Location` (RFC 3986, 2).
        && path.bytes().all(|b| b.is_ascii_graphic());
    own.then_some(path)
}

/// Who is at the other end; nobody in particular where it is not known.
fn peer_of(peer: Option<Peer>) -> IpAddr {
    peer.map_or(IpAddr::V4(Ipv4Addr::UNSPECIFIED), |Peer(p)| {
        p.ip().to_canonical()
    })
}

fn host(headers: &HeaderMap) -> Option<&str> {
    headers.get(header::HOST)?.to_str().ok()
}

async fn session(store: &Store, token: Digest, now: Stamp) -> Result<Option<Session>, StoreError> {
    let device = store.device(&token, now).await?;
    Ok(device.map(|device| Session {
        device,
        token: Token(token),
    }))
}

/// Nobody waits for it, and one at a time is enough.
fn note_seen(site: &Site, device: &Device, now: Stamp) {
    if now.since(device.last_seen_at) < SEEN_EVERY_MS
        || site.access.noting.swap(true, Ordering::Relaxed)
    {
        return;
    }
    let (site, id) = (site.clone(), device.id);
    tokio::spawn(async move {
        let noted = async {
            let mut tx = site.store.begin().await?;
            tx.device_seen(id, now).await?;
            tx.commit().await
        };
        if let Err(fault) = noted.await {
            error!(error = ?fault, "a device was seen, which could not be noted");
        }
        site.access.noting.store(false, Ordering::Relaxed);
    });
}

impl Site {
    /// Whether who opened a stream may go on reading it: until a passphrase is set everyone who could
    /// open it, then only a device that is signed in.
    pub(super) async fn still_open_to(&self, session: Option<&Session>) -> bool {
        let Ok(locked) = self.access.look(&self.store).await else {
            return false;
        };
        match session {
            None => !locked,
            Some(s) => {
                let found = self.store.device(&s.token.0, self.clock.now()).await;
                matches!(found, Ok(Some(_)))
            }
        }
    }
}

/// A person's name as it is kept: one line, not long, never empty.
fn person(text: &str) -> String {
    let name = one_line(text, NAME);
    if name.is_empty() {
        NOBODY.to_owned()
    } else {
        name
    }
}

/// What a browser says of the machine it is on: the first comment of its `User-Agent` (RFC 9110,
/// 10.1.5), which is what tells one phone from another.
fn description(headers: &HeaderMap) -> String {
    let agent = headers.get(header::USER_AGENT);
    let agent = agent.and_then(|a| a.to_str().ok()).unwrap_or_default();
    let comment = agent
        .split_once('(')
        .and_then(|(_, rest)| rest.split_once(')'));
    let said = one_line(comment.map_or(agent, |(comment, _)| comment), DESCRIPTION);
    if said.is_empty() {
        "a browser that says nothing of itself".to_owned()
    } else {
        said
    }
}

fn one_line(text: &str, most: usize) -> String {
    // Signs that turn the direction of writing would turn what stands beside them too (Unicode UAX 9, 2).
    let turns = |c: &char| matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    let plain = text.trim().chars().filter(|c| !c.is_control() && !turns(c));
    plain.take(most).collect::<String>().trim().to_owned()
}

/// A form that is not too large and does not take for ever to arrive.
async fn form<T: serde::de::DeserializeOwned>(request: Request) -> Option<T> {
    use axum::{Form, extract::FromRequest as _};
    let read = timeout(FORM_TIME, Form::<T>::from_request(request, &())).await;
    read.ok()?.ok().map(|Form(form)| form)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_paths_of_our_own_are_led_to() {
        for good in ["/", "/crates?by=place&q=a%20b", "/alerts#x"] {
            assert_eq!(own_path(good), Some(good));
        }
        for bad in [
            "",
            "crates",
            "//evil.example",
            "/\\evil.example",
            "https://evil.example",
            "/\t/evil.example",
            "/a\nb",
            "/a b",
            "/k\u{e4}fig",
            "/\u{2028}/evil.example",
        ] {
            assert_eq!(own_path(bad), None, "{bad:?}");
        }
    }

    #[test]
    fn names_and_descriptions_are_one_short_line() {
        assert_eq!(person("  Ida\r\n of the\u{0} shed "), "Ida of the shed");
        assert_eq!(person(" \n "), NOBODY);
        assert_eq!(person("\u{202e}adI\u{2066}"), "adI");
        assert_eq!(person(&"x".repeat(1000)).len(), NAME);
        let mut headers = HeaderMap::new();
        assert_eq!(
            description(&headers),
            "a browser that says nothing of itself"
        );
        for (agent, said) in [
            (
                "Any/5.0 (Handheld; System 14; K) Other/1",
                "Handheld; System 14; K",
            ),
            ("curl/8.1", "curl/8.1"),
            ("Any/5.0 (unclosed", "Any/5.0 (unclosed"),
        ] {
            headers.insert(header::USER_AGENT, HeaderValue::from_str(agent).unwrap());
            assert_eq!(description(&headers), said);
        }
    }

    #[test]
    fn what_is_shown_for_looking_holds_no_secret() {
        let names = Names {
            beyond: false,
            tls: false,
            own: None,
            named: Vec::new(),
            address: None,
        };
        let access = Access::new(names, SocketAddr::from(([127, 0, 0, 1], 1)));
        let code = access.offer_code(Stamp(0)).unwrap();
        assert!(access.code_is(&code, Stamp(CODE_MS - 1)));
        assert!(!access.code_is(&code, Stamp(CODE_MS)));
        assert!(!access.code_is("", Stamp(0)));
        let shown = format!(
            "{access:?} {:?} {:?}",
            Token([171; 32]),
            set_cookie("secret", true)
        );
        assert!(
            !shown.contains(&code) && !shown.contains("171") && !shown.contains("secret"),
            "{shown}"
        );
    }

    #[tokio::test]
    async fn eight_wait_and_the_next_is_sent_away() {
        let names = Names {
            beyond: false,
            tls: false,
            own: None,
            named: Vec::new(),
            address: None,
        };
        let access = Arc::new(Access::new(names, SocketAddr::from(([127, 0, 0, 1], 1))));
        let (go, wait) = std::sync::mpsc::channel::<()>();
        let wait = Arc::new(Mutex::new(wait));
        let mut tasks = Vec::new();
        for _ in 0..=WAITING {
            let (access, wait) = (access.clone(), wait.clone());
            tasks.push(tokio::spawn(async move {
                access.in_turn(move || lock(&wait).recv().is_ok()).await
            }));
        }
        while access.queue.available_permits() != 0 {
            tokio::task::yield_now().await;
        }
        assert!(matches!(access.in_turn(|| ()).await, Err(Unverified::Busy)));
        for task in tasks {
            go.send(()).unwrap();
            assert!(matches!(task.await.unwrap(), Ok(true)));
        }
        assert!(access.in_turn(|| ()).await.is_ok());
    }
}
