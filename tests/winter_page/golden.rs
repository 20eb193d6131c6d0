//! The account of the small winter as it was when somebody last read it through.
//!
//! `BLESS=1 cargo test --test winter_page golden` writes it anew, to be read before it is committed. What
//! differs with every version (the program's, the hash) is a word in capitals; the style sheets, which are
//! files of their own, are left out of the page.

use std::{fmt::Write as _, fs, path::Path, process::Command};

use serde_json::Value;

use crate::winter::{Cellar, WINTER};

/// Digits of a figure that are held: libraries of machines differ in the last of sixteen.
const DIGITS: usize = 9;

/// Held against what was blessed; says the first line that differs.
fn hold(name: &str, now: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/winter_page/golden")
        .join(name);
    if std::env::var_os("BLESS").is_some() {
        fs::write(&path, now).unwrap();
        return;
    }
    let then = fs::read_to_string(&path).unwrap_or_default();
    if then == now {
        return;
    }
    let (mut old, mut new) = (then.lines(), now.lines());
    let mut said = format!("{name} is not what it was; BLESS=1 writes it anew\n");
    for n in 1.. {
        let pair = (old.next(), new.next());
        if pair.0 != pair.1 || pair == (None, None) {
            let _ = writeln!(said, "line {n} was\n  {}", pair.0.unwrap_or("not there"));
            let _ = writeln!(said, "and is\n  {}", pair.1.unwrap_or("not there"));
            break;
        }
    }
    panic!("{said}");
}

/// Without what changes with every version.
fn settled(text: &str, hash: &str) -> String {
    let program = concat!("overwinter ", env!("CARGO_PKG_VERSION"));
    text.replace(program, "overwinter VERSION")
        .replace(hash, "HASH")
}

/// Figures with so many digits, one to a line.
fn rounded(value: &mut Value) {
    match value {
        Value::Number(n) if n.is_f64() => {
            let text = format!("{:.*e}", DIGITS - 1, n.as_f64().unwrap());
            *value = Value::from(text.parse::<f64>().unwrap());
        }
        Value::Array(all) => all.iter_mut().for_each(rounded),
        Value::Object(all) => all.values_mut().for_each(rounded),
        _ => {}
    }
}

/// A tag to a line, so that a difference is found and read.
fn in_lines(page: &str) -> String {
    page.replace("><", ">\n<")
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_small_winter_says_what_it_said() {
    let cellar = Cellar::open().await;
    let page = cellar.given("account.html").await;
    let sealed = cellar.given("account.json").await;
    let crates = cellar.given("tables/crates.csv").await;
    let config = cellar.path().join("overwinter.toml");
    let run = |args: &[&str]| {
        let done = Command::new(env!("CARGO_BIN_EXE_overwinter"))
            .args(args)
            .arg("--config")
            .arg(&config)
            .output();
        let done = done.unwrap();
        (done.status.code(), String::from_utf8(done.stdout).unwrap())
    };
    // The winter is over by the clock of any machine that runs this.
    let (code, terminal) = run(&["winter", WINTER]);
    assert_eq!(code, Some(0));
    let copy = cellar.path().join("copy.html");
    fs::write(&copy, &page).unwrap();
    let (code, said) = run(&["vouch", copy.to_str().unwrap()]);
    assert_eq!(code, Some(0), "{said}");
    // Another count in what the page shows, while its data are as they were.
    let changed = page.replacen("36 of 180", "16 of 180", 1);
    assert!(changed != page, "there is no such count");
    fs::write(&copy, &changed).unwrap();
    let (code, said) = run(&["vouch", copy.to_str().unwrap()]);
    assert_eq!(code, Some(1), "{said}");
    cellar.close().await;
    let mut data: Value = serde_json::from_str(&sealed).unwrap();
    let hash = data["sha256"].as_str().unwrap().to_owned();

    // The page and the data say the same, in whichever order they are asked for.
    assert!(page.contains(&sealed), "the page holds other data");
    let (head, rest) = page.split_once("<style>").unwrap();
    let (style, rest) = rest.split_once("</style>").unwrap();
    for sheet in ["static/overwinter.css", "static/winter.css"] {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(sheet);
        assert!(
            style.contains(&fs::read_to_string(path).unwrap()),
            "{sheet}"
        );
    }
    let page = format!("{head}<style>STYLE</style>{rest}").replace(&sealed, "DATA");
    hold("crates.csv", &crates);
    hold("terminal.txt", &settled(&terminal, &hash));
    hold("page.html", &settled(&in_lines(&page), &hash));

    rounded(&mut data);
    let data = serde_json::to_string_pretty(&data).unwrap();
    hold("data.json", &settled(&data, &hash));
}
