//! The page and the file as a phone shows them, by day and by night, with and without scripts.

use std::fmt::Write as _;

use std::{fs, path::Path};

use fantoccini::{Client, Locator, key::Key};
use serde_json::{Value, json};

use crate::{
    PARTS,
    browser::{Driver, fits, words},
    farm::until,
    winter::Cellar,
};

/// As the system is set, the browser sees it.
pub(crate) async fn scheme(driver: &Driver, phone: &Client, dark: bool) {
    let value = if dark { "dark" } else { "light" };
    let features = json!({ "features": [{ "name": "prefers-color-scheme", "value": value }] });
    driver
        .tell(phone, "Emulation.setEmulatedMedia", features)
        .await;
}

/// How bright what is behind the words is, from 0 to 255.
async fn paper(phone: &Client) -> f64 {
    let script = "return (getComputedStyle(document.body).backgroundColor.match(/\\d+/g) || []).slice(0, 3).map(Number)";
    let colours = phone.execute(script, Vec::new()).await.unwrap();
    let colours: Vec<f64> = serde_json::from_value(colours).unwrap();
    assert_eq!(colours.len(), 3, "the page has a colour of its own");
    colours.iter().sum::<f64>() / 3.0
}

/// What is wider than the page and stands in no box that scrolls by itself.
async fn sticks_out(phone: &Client) -> Vec<String> {
    let script = "const out = [];
        const scrolls = e => e && (['auto', 'scroll'].includes(getComputedStyle(e).overflowX) ? e !== document.body : scrolls(e.parentElement));
        for (const e of document.querySelectorAll('body *')) {
            const box = e.getBoundingClientRect();
            if (innerWidth + 1 < box.right && 0 < box.width && !e.closest('svg') && !scrolls(e.parentElement))
                out.push(e.outerHTML.slice(0, 120));
        }
        return out";
    let found = phone.execute(script, Vec::new()).await.unwrap();
    serde_json::from_value(found).unwrap()
}

/// Everything that axe-core has to say against it by WCAG 2.0, 2.1 and 2.2, levels A and AA.
async fn faults(phone: &Client) -> String {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/axe/axe.min.js");
    let axe = fs::read_to_string(file).unwrap();
    phone.execute(&axe, Vec::new()).await.unwrap();
    let script = "const done = arguments[arguments.length - 1];
        for (const d of document.querySelectorAll('details')) d.open = true;
        axe.run(document, {
            runOnly: { type: 'tag', values: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'] },
            resultTypes: ['violations'], preload: false,
        }).then(r => done({
            passed: r.passes.length,
            faults: r.violations.map(v => `${v.id} (${v.impact}): ${v.help}\\n` + v.nodes.slice(0, 10).map(
                n => `    ${n.html.slice(0, 160)}\\n      ${n.failureSummary.replaceAll('\\n', ' ')}\\n`).join('')),
        }), e => done({ passed: 0, faults: [String(e)] }))";
    let found = phone.execute_async(script, Vec::new()).await.unwrap();
    let passed = found["passed"].as_u64().unwrap();
    let faults = found["faults"].as_array().unwrap();
    let faults: Vec<&str> = faults.iter().filter_map(Value::as_str).collect();
    if faults.is_empty() {
        assert!(10 <= passed, "only {passed} rules looked at anything");
    }
    faults.join("")
}

async fn all_parts(phone: &Client, what: &str) {
    let headings = phone.find_all(Locator::Css("h2")).await.unwrap();
    let mut titles = Vec::new();
    for heading in headings {
        titles.push(heading.text().await.unwrap());
    }
    for part in PARTS {
        assert!(
            titles.iter().any(|t| t == part),
            "{what}: {part}: {titles:?}"
        );
    }
    // Each part that counts anything has a table, and some have pictures.
    for (least, css) in [
        (10, ".part details.sheet"),
        (5, ".part figure svg"),
        (2, ".next > li"),
    ] {
        let found = phone.find_all(Locator::Css(css)).await.unwrap().len();
        assert!(least <= found, "{what}: {found} of {css}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_page_and_its_file_fit_a_phone_by_day_and_by_night_and_are_open_to_everybody() {
    let cellar = Cellar::open().await;
    let (_, file) = cellar.file().await;
    let driver = Driver::start();
    let phone = driver.phone().await;
    let mut against = String::new();
    for (what, address) in [("page", cellar.page()), ("file", file)] {
        for dark in [false, true] {
            let what = format!("{what}, {}", if dark { "dark" } else { "light" });
            scheme(&driver, &phone, dark).await;
            phone.goto(&address).await.unwrap();
            all_parts(&phone, &what).await;
            let paper = paper(&phone).await;
            assert_eq!(paper < 128.0, dark, "{what}: {paper}");
            for open in [false, true] {
                let script = format!(
                    "for (const d of document.querySelectorAll('details')) d.open = {open} || d.open"
                );
                phone.execute(&script, Vec::new()).await.unwrap();
                fits(&phone).await;
                let out = sticks_out(&phone).await;
                assert!(out.is_empty(), "{what}: {out:?}");
            }
            let faults = faults(&phone).await;
            if !faults.is_empty() {
                let _ = write!(against, "{what}:\n{faults}");
            }
        }
    }
    phone.close().await.unwrap();
    cellar.close().await;
    assert!(against.is_empty(), "{against}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_file_asks_nobody_for_anything_and_needs_no_script() {
    let cellar = Cellar::open().await;
    let (text, file) = cellar.file().await;
    let (page, sealed) = text
        .split_once("<script type=\"application/json\"")
        .unwrap();
    for attribute in [
        "src=\"",
        "href=\"",
        "action=\"",
        "srcset=\"",
        "data=\"",
        "poster=\"",
    ] {
        for part in page.split(&format!(" {attribute}")).skip(1) {
            assert!(part.starts_with('#'), "{attribute}{part:.60}");
        }
    }
    for word in [
        "url(", "@import", "<link", "<iframe", "<object", "<embed", "<base",
    ] {
        let (_, after) = page.split_once(word).unwrap_or_default();
        assert!(
            after.is_empty() || after.starts_with('#'),
            "{word}{after:.60}"
        );
    }
    assert!(!sealed.contains("<script src"));

    let driver = Driver::start();
    let phone = driver.phone().await;
    phone.goto(&file).await.unwrap();
    let script = "return performance.getEntriesByType('resource').map(r => r.name)";
    let asked = phone.execute(script, Vec::new()).await.unwrap();
    assert_eq!(asked, json!([]));
    phone.close().await.unwrap();

    let off = json!({ "profile.managed_default_content_settings.javascript": 2 });
    let phone = driver.with(off).await;
    phone.goto(&file).await.unwrap();
    all_parts(&phone, "without scripts").await;
    let closed = "//details[summary = 'Lost crate by crate']";
    assert!(!words(&phone).await.contains("north wall / shelf 1 / 1"));
    let summary = format!("{closed}/summary");
    let summary = phone.find(Locator::XPath(&summary)).await.unwrap();
    // Without scripts the browser can be driven by its keys alone.
    let enter = char::from(Key::Enter).to_string();
    summary.send_keys(&enter).await.unwrap();
    let table = phone
        .find(Locator::XPath(&format!("{closed}//table")))
        .await;
    let table = table.unwrap();
    until("the table is open", async || {
        let text = table.text().await.ok()?;
        text.contains("T-02").then_some(())
    })
    .await;
    phone.close().await.unwrap();
    cellar.close().await;
}
