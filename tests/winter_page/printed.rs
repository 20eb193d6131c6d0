//! The account on paper: printed by Debian's chromium, read back by poppler's `pdftotext` and `pdftoppm`.

use std::{
    collections::BTreeSet,
    fs,
    path::{Path, PathBuf},
    process::Command,
};

use fantoccini::Client;
use serde_json::json;

use crate::{PARTS, browser::Driver, sight::scheme, winter::Cellar};

/// Printers leave the outermost quarter of an inch white.
const EDGE_PT: f64 = 18.0;
/// Of what is on paper, a page of the small winter has so many at most.
const MOST_PAGES: usize = 30;

/// RFC 4648, section 4; what is not of the alphabet is passed over.
fn from_base64(text: &str) -> Vec<u8> {
    let (mut bytes, mut held, mut bits) = (Vec::new(), 0u32, 0);
    for sign in text.bytes() {
        let six = match sign {
            b'A'..=b'Z' => sign - b'A',
            b'a'..=b'z' => sign - b'a' + 26,
            b'0'..=b'9' => sign - b'0' + 52,
            b'+' => 62,
            b'/' => 63,
            _ => continue,
        };
        held = (held << 6) | u32::from(six);
        bits += 6;
        if 8 <= bits {
            bits -= 8;
            bytes.push((held >> bits) as u8);
            held &= (1 << bits) - 1;
        }
    }
    bytes
}

/// What the browser shows, on paper of so many inches.
async fn print(driver: &Driver, phone: &Client, to: PathBuf, paper: (f64, f64)) -> PathBuf {
    let how = json!({ "paperWidth": paper.0, "paperHeight": paper.1, "printBackground": true });
    let printed = driver.tell(phone, "Page.printToPDF", how).await;
    fs::write(&to, from_base64(printed["data"].as_str().unwrap())).unwrap();
    to
}

fn read(pdf: &Path, how: &[&str]) -> String {
    let done = Command::new("pdftotext")
        .args(how)
        .args([pdf, Path::new("-")])
        .output()
        .expect("pdftotext: install Debian's poppler-utils, or run tests/run");
    assert!(done.status.success());
    String::from_utf8(done.stdout)
        .unwrap()
        .replace('\u{a0}', " ")
}

/// One page: its size and the words on it with their edges, in points.
struct Page {
    size: (f64, f64),
    words: Vec<(String, [f64; 4])>,
}

fn pages(pdf: &Path) -> Vec<Page> {
    let text = read(pdf, &["-bbox"]);
    let value = |line: &str, name: &str| -> f64 {
        let (_, rest) = line.split_once(&format!(" {name}=\"")).unwrap();
        rest.split('"').next().unwrap().parse().unwrap()
    };
    let mut pages: Vec<Page> = Vec::new();
    for line in text.lines().map(str::trim) {
        if line.starts_with("<page ") {
            pages.push(Page {
                size: (value(line, "width"), value(line, "height")),
                words: Vec::new(),
            });
        } else if line.starts_with("<word ") {
            let edges = ["xMin", "yMin", "xMax", "yMax"].map(|name| value(line, name));
            let word = line.split_once('>').unwrap().1.replace("</word>", "");
            pages.last_mut().unwrap().words.push((word, edges));
        }
    }
    pages
}

/// The shortest pieces of a text that no line break cuts apart.
fn pieces(text: &str) -> BTreeSet<String> {
    text.split(|c: char| !c.is_alphanumeric())
        .filter(|p| !p.is_empty() && p.chars().count() <= 20)
        .map(str::to_owned)
        .collect()
}

/// What stands in the page for people and goes on paper, closed or not: all but the trail, which has thousands of rows.
/// The words under pictures stand beside them already.
async fn told(phone: &Client) -> String {
    let script = "const page = document.querySelector('main').cloneNode(true);
        for (const e of page.querySelectorAll('.strip, script, .pick, .also, #out, code, #trail .sheet')) e.remove();
        const all = [];
        const walk = document.createTreeWalker(page, NodeFilter.SHOW_TEXT);
        while (walk.nextNode()) all.push(walk.currentNode.data);
        return all.join(' ')";
    let told = phone.execute(script, Vec::new()).await.unwrap();
    told.as_str().unwrap().replace('\u{a0}', " ")
}

/// Whether the corners of every page are white and some of it is not.
fn is_light(pdf: &Path, pages: usize) {
    let root = pdf.with_extension("");
    let done = Command::new("pdftoppm")
        .args(["-gray", "-r", "30"])
        .args([pdf, &root])
        .status()
        .expect("pdftoppm: install Debian's poppler-utils, or run tests/run");
    assert!(done.success());
    let stem = format!("{}-", root.file_name().unwrap().to_string_lossy());
    let files = fs::read_dir(root.parent().unwrap()).unwrap();
    let files = files.map(|f| f.unwrap().path()).filter(|f| {
        let name = f.file_name().unwrap().to_string_lossy().into_owned();
        name.starts_with(&stem) && f.extension().is_some_and(|e| e == "pgm")
    });
    let mut seen = 0;
    for file in files {
        let bytes = fs::read(&file).unwrap();
        let dots = bytes.splitn(5, u8::is_ascii_whitespace).nth(4).unwrap();
        let white = dots.iter().filter(|d| 230 <= **d).count();
        let share = white as f64 / dots.len() as f64;
        // Words and pictures on white; a page in the colours of the night would be nearly all dark.
        assert!(0.6 < share && share < 0.9999, "{}: {share}", file.display());
        assert!(250 <= dots[0], "{}: its paper is not white", file.display());
        seen += 1;
    }
    assert_eq!(seen, pages);
}

fn squeezed(text: &str) -> String {
    text.split_whitespace().collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_file_prints_whole_on_either_paper_and_in_light_colours() {
    let cellar = Cellar::open().await;
    let (text, file) = cellar.file().await;
    let (_, hash) = text.split_once("\"sha256\":\"").unwrap();
    let hash = &hash[..64];
    let driver = Driver::start();
    let phone = driver.phone().await;
    let (a4, letter) = ((210.0 / 25.4, 297.0 / 25.4), (8.5, 11.0));
    let mut lengths = Vec::new();
    for (name, dark, paper) in [
        ("a4", false, a4),
        ("letter", false, letter),
        ("a4-dark", true, a4),
    ] {
        scheme(&driver, &phone, dark).await;
        phone.goto(&file).await.unwrap();
        let told = told(&phone).await;
        let pdf = cellar.path().join(format!("{name}.pdf"));
        let pdf = print(&driver, &phone, pdf, paper).await;
        let pages = pages(&pdf);
        assert!(
            (PARTS.len()..=MOST_PAGES).contains(&pages.len()),
            "{name}: {} pages",
            pages.len()
        );
        lengths.push(pages.len());
        for (n, page) in (1..).zip(&pages) {
            let (width, height) = (paper.0 * 72.0, paper.1 * 72.0);
            assert!(
                (page.size.0 - width).abs() < 1.0 && (page.size.1 - height).abs() < 1.0,
                "{name}: {:?}",
                page.size
            );
            assert!(
                5 <= page.words.len(),
                "{name}: page {n} is all but blank: {:?}",
                page.words
            );
            for (word, [left, top, right, bottom]) in &page.words {
                assert!(
                    EDGE_PT <= *left
                        && EDGE_PT <= *top
                        && *right <= width - EDGE_PT
                        && *bottom <= height - EDGE_PT,
                    "{name}: page {n}: `{word}` at {left} {top} {right} {bottom} of {width} x {height}"
                );
            }
        }
        is_light(&pdf, pages.len());

        let words = read(&pdf, &["-layout"]);
        let headline = phone.find(fantoccini::Locator::Css(".said")).await.unwrap();
        let headline = headline.text().await.unwrap();
        let flat = squeezed(&read(&pdf, &[]));
        for line in PARTS
            .iter()
            .copied()
            .chain([headline.as_str(), "The trail", hash])
        {
            assert!(
                flat.contains(&squeezed(line)),
                "{name}: `{line}` is not on paper"
            );
        }
        // Each piece of every table and sentence, also of what is closed on the screen.
        let (told, printed) = (pieces(&told), pieces(&words));
        let missing: Vec<&String> = told.difference(&printed).collect();
        assert!(missing.is_empty(), "{name}: {missing:?}");
    }
    assert!(lengths[0].abs_diff(lengths[1]) <= 4, "{lengths:?}");
    assert_eq!(lengths[0], lengths[2], "the dark system changes the paper");
    phone.close().await.unwrap();

    // Without a script nothing is opened for the printer, and is printed all the same.
    let off = json!({ "profile.managed_default_content_settings.javascript": 2 });
    let phone = driver.with(off).await;
    for (name, address) in [("plain", file), ("page", cellar.page())] {
        phone.goto(&address).await.unwrap();
        let pdf = cellar.path().join(format!("{name}.pdf"));
        let pdf = print(&driver, &phone, pdf, a4).await;
        let text = read(&pdf, &["-layout"]);
        assert!(text.contains("north wall / shelf 1 / 1"), "{name}: {text}");
    }
    phone.close().await.unwrap();
    cellar.close().await;
}
