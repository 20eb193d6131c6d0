//! Every address there is, asked for by nobody known.

use std::{fs, path::Path};

use overwinter::web::access::OPEN;
use reqwest::Method;

use crate::{browser::Store, farm::Farm};

/// What may be open. A new line here is a decision: it is readable by everyone on the network.
const MAY_BE_OPEN: [&str; 7] = [
    "/api/readings",
    "/healthz",
    "/phone/{token}",
    "/readyz",
    "/sign-in",
    "/static/{*path}",
    "/welcome",
];
/// Told to programs in a status.
const FOR_PROGRAMS: [&str; 3] = ["/api/", "/events", "/feeds/"];

/// The first argument of every `.route(` in the sources.
fn routes(folder: &Path, found: &mut Vec<String>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            routes(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            let text = fs::read_to_string(&path).unwrap();
            // Routes given in another way would not be found here.
            for way in [".nest(", ".nest_service(", ".route_service("] {
                assert!(!text.contains(way), "{}: {way}", path.display());
            }
            for part in text.split(".route(").skip(1) {
                let literal = part.trim_start().strip_prefix('"');
                let literal = literal.unwrap_or_else(|| panic!("{}: {part:.40}", path.display()));
                found.push(literal.split('"').next().unwrap().to_owned());
            }
        }
    }
}

/// Every address in the sources.
pub(crate) fn all() -> Vec<String> {
    let mut found = Vec::new();
    routes(
        &Path::new(env!("CARGO_MANIFEST_DIR")).join("src"),
        &mut found,
    );
    found.sort();
    assert!(
        15 <= found.len() && found.contains(&"/".to_owned()),
        "{found:?}"
    );
    found
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_is_open_but_what_is_meant_to_be() {
    let mut found = all();
    let open = MAY_BE_OPEN.map(|o| o.split('{').next().unwrap());
    assert_eq!(OPEN.len(), open.len());
    for (known, open) in OPEN.iter().zip(open) {
        assert_eq!(known.trim_end_matches('*'), open);
    }
    found.extend(
        [
            "/no/such/page",
            "/Healthz",
            "/healthz/",
            "/sign-in/x",
            "/statics/x",
            "/feeds/x",
            "//healthz",
        ]
        .map(str::to_owned),
    );

    let farm = Farm::new("");
    let store = Store::locked(&farm).await;
    let browser = store.browser();
    // A token that was never given out, and one that is none.
    for cookie in [
        "",
        "overwinter=",
        "overwinter=0000",
        "__Host-overwinter=0000",
    ] {
        cookie.clone_into(&mut browser.cookie.lock().unwrap());
        for route in &found {
            let path = route
                .replace("{token}", "0000")
                .replace("{*path}", "overwinter.css");
            for method in [
                Method::GET,
                Method::HEAD,
                Method::POST,
                Method::PUT,
                Method::DELETE,
            ] {
                let answer = browser.ask(method.clone(), &path, &[], None).await;
                let what = format!("{method} {path}: {answer:?}");
                if MAY_BE_OPEN.contains(&route.as_str()) {
                    // Who has a passphrase is not welcomed again.
                    assert!(answer.status != 303 || path == "/welcome", "{what}");
                } else if FOR_PROGRAMS.iter().any(|p| path.starts_with(p)) {
                    assert_eq!(answer.status, 401, "{what}");
                } else {
                    assert_eq!(answer.status, 303, "{what}");
                    assert!(answer.location().starts_with("/sign-in"), "{what}");
                }
                for (name, value) in [
                    ("x-content-type-options", "nosniff"),
                    ("referrer-policy", "same-origin"),
                ] {
                    assert_eq!(answer.header(name), value, "{what}");
                }
                assert!(
                    answer
                        .header("content-security-policy")
                        .contains("default-src 'none'")
                );
                assert_eq!(answer.header("strict-transport-security"), "");
                if !path.starts_with("/static/") {
                    assert_eq!(answer.header("cache-control"), "no-store", "{what}");
                }
            }
        }
    }
    store.running.finish().await;
}
