//! The shape of the source tree, checked like any other behaviour.
//!
//! A folder directly under `src/` is a layer. This test reads every file as text and fails with
//! `path:line: what is wrong, what to do instead` when a layer reaches where it may not.

use std::{fmt::Write as _, fs, path::Path};

const PURE_FOUR: [&str; 4] = ["climate", "watch", "stock", "season"];

/// layer, and the layers it may name beside itself. Anything absent here may be named by nobody else.
/// `pure` stands for the four pure folders.
const MAY_IMPORT: &[(&str, &[&str])] = &[
    ("climate", &[]),
    ("watch", &["climate"]),
    ("stock", &["climate"]),
    ("season", &["climate", "watch", "stock"]),
    ("clock", &["watch"]),
    ("inbox", &["pure"]),
    ("problem", &[]),
    ("store", &["pure"]),
    ("intake", &["pure", "clock", "store", "inbox", "problem"]),
    ("notify", &["pure", "clock", "store", "inbox"]),
    // What is owed is planned and worded where it is written: in the recorder's transaction.
    ("engine", &["pure", "clock", "store", "inbox", "notify"]),
    (
        "web",
        &[
            "pure", "clock", "store", "engine", "inbox", "problem", "notify",
        ],
    ),
    ("config", &["pure", "store", "intake", "notify", "web"]),
    (
        "cli",
        &[
            "pure", "clock", "store", "inbox", "intake", "engine", "notify", "web", "config",
        ],
    ),
    ("main", &["cli"]),
    ("lib", &[]),
];

/// text, where it may stand, and the way out.
const ONLY_IN: &[(&str, &[&str], &str)] = &[
    (
        "Utc::now",
        &["clock.rs"],
        "take the time from `clock` or from the input",
    ),
    (
        "Local::now",
        &["clock.rs"],
        "take the time from `clock` or from the input",
    ),
    (
        "SystemTime::now",
        &["clock.rs"],
        "take the time from `clock` or from the input",
    ),
    (
        "Instant::now",
        &["clock.rs"],
        "take the time from `clock` or from the input",
    ),
    ("sqlx::", &["store/"], "add a function to `store`"),
    (
        "axum::",
        &["web/", "intake/http.rs", "problem.rs", "cli/run.rs"],
        "keep HTTP in `web`",
    ),
    (
        "std::env::",
        &["config.rs", "config/", "cli/"],
        "read it in `config`",
    ),
    ("lettre::", &["notify/email.rs"], "keep mail in `notify`"),
    (
        "reqwest::",
        &["notify/webhook.rs", "cli/demo.rs"],
        "keep requests in `notify`",
    ),
    (
        "rustls::",
        &["notify/channel.rs", "web/"],
        "keep certificates in `notify`",
    ),
    (
        "println!",
        &["cli/", "main.rs"],
        "return the text to `cli`, or use tracing",
    ),
    ("dbg!", &[], "remove it"),
];

/// Files that compute and nothing else, wherever they live.
const PURE: &[&str] = &[
    "climate/",
    "watch/",
    "stock/",
    "season/",
    "intake/decode/",
    "notify/advice.rs",
    "notify/ahead.rs",
    "notify/computed.rs",
    "notify/duties.rs",
    "notify/kinds.rs",
    "notify/letter.rs",
    "notify/message.rs",
    "notify/perils.rs",
    "notify/plan.rs",
    "notify/summary.rs",
    "notify/telling.rs",
    "notify/words.rs",
    "web/compare/ask.rs",
    "web/forms.rs",
    "web/html.rs",
    "web/paging.rs",
    "web/pictures.rs",
    "web/chart.rs",
    "web/chart/",
    "cli/demo/earlier_stock.rs",
    "cli/demo/room.rs",
    "cli/demo/weather.rs",
    "cli/demo/winter.rs",
];
const NOT_IN_PURE: &[&str] = &[
    "tokio::",
    "std::fs",
    "std::net",
    "async fn",
    ".await",
    "tracing::",
    "HashMap",
    "crate::clock",
    "crate::store",
];

const MOST_FILES: usize = 325;

#[test]
fn layers_hold() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut faults = String::new();
    let mut files = 0;
    walk(&root, &mut |path| {
        files += 1;
        let name = path
            .strip_prefix(&root)
            .unwrap()
            .to_str()
            .unwrap()
            .replace('\\', "/");
        faults += &check(&name, &fs::read_to_string(path).unwrap());
    });
    if MOST_FILES < files {
        writeln!(
            faults,
            "src: {files} files, the limit is {MOST_FILES}: merge before you add"
        )
        .unwrap();
    }
    assert!(faults.is_empty(), "\n{faults}");
}

fn check(name: &str, text: &str) -> String {
    let mut faults = String::new();
    if !text.starts_with("//! ") {
        writeln!(
            faults,
            "{name}:1: no opening sentence, say what the file is for"
        )
        .unwrap();
    }
    let layer = name.split(['/', '.']).next().unwrap();
    let Some((_, allowed)) = MAY_IMPORT.iter().find(|(l, _)| *l == layer) else {
        return faults + &format!("{name}:1: `{layer}` is no layer, add it to tests/layers.rs\n");
    };
    let pure = PURE.iter().any(|p| name.starts_with(p));
    let code: Vec<&str> = text
        .lines()
        .map(|l| l.split("//").next().unwrap())
        .collect();
    for (line, named) in imports(&code) {
        if named != layer
            && MAY_IMPORT.iter().any(|(l, _)| *l == named)
            && !allowed.contains(&named.as_str())
            && !(allowed.contains(&"pure") && PURE_FOUR.contains(&named.as_str()))
        {
            writeln!(faults, "{name}:{line}: `{layer}` may not import `{named}`").unwrap();
        }
    }
    for (i, l) in code.iter().enumerate() {
        for (banned, places, way_out) in ONLY_IN {
            if l.contains(banned) && !places.iter().any(|p| name.starts_with(p)) {
                writeln!(
                    faults,
                    "{name}:{}: `{banned}` does not belong here: {way_out}",
                    i + 1
                )
                .unwrap();
            }
        }
        for banned in NOT_IN_PURE.iter().filter(|_| pure) {
            if l.contains(banned) {
                writeln!(faults, "{name}:{}: `{banned}` in a pure file", i + 1).unwrap();
            }
        }
    }
    faults
}

/// Every first name after `crate::`, groups in braces included, with its line number.
fn imports(code: &[&str]) -> Vec<(usize, String)> {
    let text = code.join("\n");
    let ident = |s: &str| {
        s.chars()
            .take_while(|c| c.is_alphanumeric() || *c == '_')
            .collect::<String>()
    };
    let mut found = Vec::new();
    for (at, _) in text.match_indices("crate::") {
        let line = text[..at].matches('\n').count() + 1;
        let rest = &text[at + "crate::".len()..];
        let Some(group) = rest.strip_prefix('{') else {
            found.push((line, ident(rest)));
            continue;
        };
        let (mut depth, mut start) = (0, true);
        for (i, c) in group.char_indices() {
            match c {
                '{' => depth += 1,
                '}' if depth == 0 => break,
                '}' => depth -= 1,
                ',' if depth == 0 => start = true,
                c if start && !c.is_whitespace() => {
                    found.push((line, ident(&group[i..])));
                    start = false;
                }
                _ => (),
            }
        }
    }
    found
}

fn walk(dir: &Path, visit: &mut dyn FnMut(&Path)) {
    let mut entries: Vec<_> = fs::read_dir(dir)
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            walk(&path, visit);
        } else if path.extension().is_some_and(|e| e == "rs") {
            visit(&path);
        }
    }
}

#[test]
fn the_check_itself_bites() {
    let seen = check(
        "climate/air.rs",
        "//! Air.\nuse crate::{\n    climate::units,\n    store::{log, outbox},\n};\nfn f() { let t = Utc::now(); }\n// sqlx:: in a comment is fine\nasync fn g() {}\n",
    );
    let expected = "\
climate/air.rs:2: `climate` may not import `store`
climate/air.rs:6: `Utc::now` does not belong here: take the time from `clock` or from the input
climate/air.rs:8: `async fn` in a pure file
";
    assert_eq!(seen, expected);
}
