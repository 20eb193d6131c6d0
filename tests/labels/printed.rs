//! Every symbol of every sheet is printed and read back, and says what it should.

use std::{collections::BTreeSet, fmt::Write as _, fs, process::Command};

use crate::{
    farm::Farm,
    paper::{Page, Read, pages, print},
    with,
};

const SHORT: &str = "http://store.lan:8480";
const LONG: &str = "https://tuber-storage-room.long-name-of-a-network.example:8480";
/// One of each length that makes a larger symbol, and signs that a browser could take for steps in a path.
const CODES: [&str; 9] = [
    "7",
    "B-07",
    "b-08",
    "A/../B",
    "NORTH-112",
    "RACK.2/12-09",
    "ABCDEFGHIJKLMNOPQRST",
    "ABCDEFGHIJKLMNOPQRSTUVWX",
    "0-/.9",
];
const COPIES: usize = 3;
/// Dots to the inch of a plain label printer: every label is read.
const FINE: u32 = 200;
/// Half of that, about three dots to a module of a small label: the reader misses up to one in seven.
const COARSE: u32 = 100;

/// Labels as they lie on a page, in millimetres: size of the page, margin, how many side by side and
/// below each other, width and height.
struct Laid {
    page: (f64, f64),
    margin: f64,
    grid: (usize, usize),
    label: (f64, f64),
}

fn laid(paper: &str, size: &str) -> Laid {
    let (page, margin, grid, label) = match (paper, size) {
        ("a4", "large") => ((210.0, 297.0), 10.0, (2, 4), (95.0, 69.0)),
        ("a4", "small") => ((210.0, 297.0), 10.0, (3, 8), (63.0, 34.5)),
        ("letter", "large") => ((215.9, 279.4), 10.0, (2, 4), (97.5, 64.5)),
        ("letter", "small") => ((215.9, 279.4), 10.0, (3, 8), (65.0, 32.0)),
        ("single", _) => ((100.0, 60.0), 3.0, (1, 1), (94.0, 54.0)),
        other => panic!("{other:?}"),
    };
    Laid {
        page,
        margin,
        grid,
        label,
    }
}

/// The first crate holds nothing of note, the last one more than a label takes.
fn rows() -> String {
    let long = "Vintrelow of the Upper Meadow beside the Old Brick Kiln Lane";
    let mut rows = String::new();
    for (n, code) in CODES.iter().enumerate() {
        for lot in 0..=n {
            let _ = writeln!(
                rows,
                "{code},cellar,north wall / shelf {} / {},{long} {lot},division,peat,6{lot},2026-10-2{lot},,,",
                n % 3 + 1,
                n / 3 + 1
            );
        }
    }
    rows
}

fn expected(base: &str) -> Vec<String> {
    let one = |code: &&str| format!("{base}/k/{}", code.replace('/', "%2F")).to_ascii_uppercase();
    let mut all: Vec<String> = CODES
        .iter()
        .map(one)
        .flat_map(|text| std::iter::repeat_n(text, COPIES))
        .collect();
    all.sort();
    all
}

/// Label by label, as a phone is held to one of them; each carries one symbol, and no more labels lie on a page.
fn read(pages: &[Page], laid: &Laid, what: &str) -> Vec<Read> {
    let mut all = Vec::new();
    for page in pages {
        assert!(
            page.width.abs_diff(page.dots_of(laid.page.0)) <= page.dots_of(0.3)
                && page.height.abs_diff(page.dots_of(laid.page.1)) <= page.dots_of(0.3),
            "{what}: {} x {}",
            page.width,
            page.height
        );
        assert!(
            page.edge_is_white(laid.margin - 0.5),
            "{what}: printed over the margin"
        );
        for n in 0..laid.grid.0 * laid.grid.1 {
            let (column, row) = ((n % laid.grid.0) as f64, (n / laid.grid.0) as f64);
            let (width, height) = laid.label;
            let label = page.part(
                laid.margin + column * width,
                laid.margin + row * height,
                width,
                height,
            );
            let symbols = label.symbols();
            assert!(symbols.len() <= 1, "{what}: {symbols:?} on one label");
            all.extend(symbols);
        }
    }
    all.sort();
    all
}

fn hold(pdf: &std::path::Path, paper: &str, size: &str, base: &str) {
    let laid = laid(paper, size);
    let expected = expected(base);
    for dpi in [FINE, COARSE] {
        let what = format!("{paper} {size} {base} at {dpi} dpi");
        let pages = pages(pdf, dpi);
        let each = laid.grid.0 * laid.grid.1;
        assert_eq!(pages.len(), expected.len().div_ceil(each), "{what}");
        let read = read(&pages, &laid, &what);
        let texts: Vec<&str> = read.iter().map(|r| r.text.as_str()).collect();
        if dpi == FINE {
            assert_eq!(texts, expected, "{what}");
        } else {
            // Each crate by one of its three labels at least, and nothing that is not there.
            let crates = |texts: &[&str]| -> BTreeSet<String> {
                texts.iter().map(|t| (*t).to_owned()).collect()
            };
            assert_eq!(crates(&texts), expected.iter().cloned().collect(), "{what}");
        }
        for one in &read {
            assert_eq!(one.level, 3, "{what}: {one:?}");
            // Capitals and figures that 25, 29, 33, 37 and 41 modules hold at level Q (ISO/IEC 18004, table 7).
            let least = [(29, 25), (47, 29), (67, 33), (87, 37), (108, 41)];
            let (_, modules) = least
                .into_iter()
                .find(|(most, _)| one.text.len() <= *most)
                .unwrap();
            assert_eq!(one.modules, modules, "{what}: {one:?}");
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_symbol_of_every_sheet_reads_back() {
    let farm = Farm::new("");
    let daemon = with(&farm, &rows(), Some(SHORT)).await;
    for (paper, size) in [
        ("a4", "large"),
        ("a4", "small"),
        ("letter", "large"),
        ("letter", "small"),
        ("single", "large"),
    ] {
        let url = format!(
            "{}/labels?all=yes&copies={COPIES}&paper={paper}&size={size}",
            daemon.base
        );
        let pdf = print(&farm.path(""), &format!("{paper}-{size}"), &url);
        hold(&pdf, paper, size, SHORT);
    }
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_command_line_writes_a_page_that_prints_alone() {
    let farm = Farm::new("");
    with(&farm, &rows(), None).await.running.finish().await;
    fs::write(farm.path("overwinter.toml"), farm.text()).unwrap();
    let labels = |more: &[&str]| {
        let done = Command::new(env!("CARGO_BIN_EXE_overwinter"))
            .arg("labels")
            .arg("--config")
            .arg(farm.path("overwinter.toml"))
            .args(more)
            .output()
            .unwrap();
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap().replace('\u{a0}', " ");
        (done.status.code(), text(done.stdout), text(done.stderr))
    };
    for (more, says) in [
        (&[][..], "set `address` under [site]"),
        (&["--address", "store"], "--address http://store.lan:8480"),
        (
            &["--address", SHORT, "X-9", "b-07"],
            "no crate has the code X-9",
        ),
        (&["--paper", "a5"], "[possible values: a4, letter, single]"),
        (&["--copies", "7"], "1..=6"),
    ] {
        let (status, out, told) = labels(more);
        assert_eq!((status, out.as_str()), (Some(1), ""), "{more:?}: {told}");
        assert!(told.contains(says), "{more:?}: {told}");
    }
    let (status, page, told) = labels(&["--address", "http://localhost:8480", "b-07"]);
    assert_eq!(status, Some(0));
    assert_eq!(page.matches("<li>").count(), 3);
    assert!(
        told.starts_with("3 labels for 1 crate, on 1 sheet."),
        "{told}"
    );
    assert!(told.contains("A phone cannot follow these"), "{told}");

    let (status, page, told) = labels(&["--address", LONG, "--size", "small"]);
    assert_eq!(status, Some(0), "{told}");
    for foreign in ["<link", "<script", "src=", "url(", "@import"] {
        assert!(!page.contains(foreign), "{foreign}");
    }
    let file = farm.path("labels.html");
    fs::write(&file, page).unwrap();
    let url = format!("file://{}", file.display());
    let pdf = print(&farm.path(""), "file", &url);
    hold(&pdf, "a4", "small", LONG);
}
