//! A large stock on pages that stay small, found with a slip in the word, and carried out whole.

use std::fmt::Write as _;

use overwinter::stock::{
    ledger::{EntryId, file},
    list::{Parsed, parse},
};
use serde_json::Value;

use crate::farm::{Daemon, Farm};

/// Five hundred crates and two hundred varieties on eighty shelves of two rooms.
fn list() -> Parsed {
    let mut text = String::from("code,room,place,variety,form,packing,count,dug\n");
    for n in 0..500 {
        let room = ["cellar", "back-room"][n % 2];
        for lot in 0..2 {
            let _ = writeln!(
                text,
                "K-{n:03},{room},rack {} / shelf {} / {},Variety Number {},{},peat,{},2026-10-{:02}",
                n % 8,
                n % 10,
                n / 80,
                (n * 7 + lot * 101) % 200,
                ["clump", "division"][lot],
                10 + n % 9,
                1 + n % 28
            );
        }
    }
    text.push_str(
        "Z-1,cellar,door,Brindolet,clump,peat,3,\nZ-2,cellar,door,Quenbrisk,clump,peat,5,\n",
    );
    parse(&text)
}

async fn brought_in(farm: &Farm, daemon: &Daemon) {
    let parsed = list();
    assert_eq!(parsed.faults, []);
    let mut tx = daemon.store().begin().await.unwrap();
    let at = farm.clock.now();
    tx.import_crates(&parsed.crates, at, "a list")
        .await
        .unwrap();
    tx.commit().await.unwrap();
    // Z-2 is emptied.
    let lot = 1002;
    let entry = format!(r#"{{"entries":[{{"deed":{{"kind":"sold","lot":{lot},"count":5}}}}]}}"#);
    let request = daemon
        .client
        .post(format!("{}/api/stock/entries", daemon.base))
        .header("content-type", "application/json")
        .body(entry);
    let answer = crate::farm::Answer::of(request).await;
    assert!(answer.text.contains("entered"), "{}", answer.text);
}

/// Addresses on a page that begin so, as a browser reads them.
fn links(page: &str, start: &str) -> Vec<String> {
    let links = page
        .split("href=\"")
        .skip(1)
        .filter_map(|rest| rest.split('"').next());
    links
        .map(|link| link.replace("&#38;", "&").replace("&amp;", "&"))
        .filter(|link| link.starts_with(start))
        .collect()
}

fn cards(page: &str) -> usize {
    page.matches("href=\"/crate?code=").count()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_large_stock_stays_on_small_pages() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    brought_in(&farm, &daemon).await;
    for (by, words) in [
        ("risk", "1 to 40 of 501"),
        ("crate", "1 to 40 of 501"),
        ("variety", "1 to 100 of 201"),
    ] {
        let page = daemon.get(&format!("/crates?by={by}")).await.text;
        assert!(page.len() < 100_000, "{by}: {} bytes", page.len());
        assert!(page.contains(words), "{by}: no `{words}`");
    }
    let page = daemon.get("/crates?by=place").await.text;
    assert!(page.len() < 100_000, "{} bytes", page.len());
    assert_eq!(cards(&page), 1, "only the empty one: {page}");

    // From page to page every crate is met once, and at the end the empty ones.
    let mut address = "/crates?by=crate".to_owned();
    let mut met = Vec::new();
    loop {
        let page = daemon.get(&address).await.text;
        met.extend(links(&page, "/crate?code="));
        let next = links(&page, "/crates?by=crate&page=");
        let further = page.contains("rel=\"next\"");
        assert_eq!(page.contains("Empty crates"), !further);
        match next.last() {
            Some(next) if further => address.clone_from(next),
            _ => break,
        }
    }
    assert_eq!(met.len(), 502);
    met.sort();
    met.dedup();
    assert_eq!(met.len(), 502);
    assert_eq!(
        daemon
            .get("/crates?by=crate&page=99")
            .await
            .text
            .matches("rel=\"next\"")
            .count(),
        0
    );

    // A shelf and a variety have pages of their own.
    for (by, way_back) in [("place", "All by place"), ("variety", "All by variety")] {
        let index = daemon.get(&format!("/crates?by={by}")).await.text;
        let group = links(&index, &format!("/crates?by={by}&group=")).swap_remove(3);
        let page = daemon.get(&group).await.text;
        assert!(page.contains(way_back), "{page}");
        assert!(
            (1..=40).contains(&cards(&page)),
            "{group}: {}",
            cards(&page)
        );
    }
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_sought_is_found_with_a_slip() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    brought_in(&farm, &daemon).await;
    for (q, found, first) in [
        ("k007", "1 of 502 crates match", "K-007"),
        ("K-007", "1 of 502 crates match", "K-007"),
        ("brindolte", "1 of 502 crates match", "Z-1"),
        ("door", "2 of 502 crates match", "Z-1"),
        ("z2", "1 of 502 crates match", "Z-2"),
    ] {
        let page = daemon.get(&format!("/crates?q={q}")).await.text;
        assert!(page.contains(found), "{q}: {page}");
        assert_eq!(
            links(&page, "/crate?code=")[0],
            format!("/crate?code={first}"),
            "{q}"
        );
    }
    let page = daemon.get("/crates?by=variety&q=brnidolaat").await.text;
    let mean = "Did you mean <a href=\"/crates?by=variety&#38;q=Brindolet\">Brindolet</a>?";
    assert!(
        page.contains("0 of 502 crates match") && page.contains(mean),
        "{page}"
    );
    // A search for a variety does not bring up its neighbours.
    let page = daemon.get("/crates?by=variety&q=number%20107").await.text;
    assert!(page.contains("<h2>Variety Number 107</h2>"), "{page}");
    assert!(!page.contains("<h2>Variety Number 6</h2>"), "{page}");

    let found = daemon.get("/api/stock/crates?q=brindolte").await.json();
    assert_eq!(
        found,
        serde_json::json!([{"code": "Z-1", "room": "cellar", "place": "door", "packing": "peat",
            "lots": [{"id": 1001, "variety": "Brindolet", "form": "clump", "count": 3, "dug": null}]}])
    );
    assert_eq!(
        daemon
            .get("/api/stock/crates")
            .await
            .json()
            .as_array()
            .map(Vec::len),
        Some(502)
    );
    assert_eq!(
        daemon.get("/api/stock/crates?q=nothing").await.json(),
        Value::Array(Vec::new())
    );
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn everything_can_be_carried_out() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    let answer = daemon.get("/stock/ledger.json").await;
    assert_eq!(file::read(answer.text.as_bytes()).unwrap(), []);
    brought_in(&farm, &daemon).await;
    let answer = daemon.get("/stock/crates.csv").await;
    assert_eq!(answer.media, "text/csv; charset=utf-8");
    let parsed = parse(&answer.text);
    assert_eq!(parsed.faults, []);
    assert_eq!(parsed.crates, daemon.store().crates().await.unwrap());
    let answer = daemon.get("/stock/ledger.json").await;
    assert_eq!(answer.media, "application/json");
    let entries = file::read(answer.text.as_bytes()).unwrap();
    let kept = daemon
        .store()
        .entries_after(EntryId(0), 10_000)
        .await
        .unwrap();
    assert_eq!((entries.len(), entries), (503, kept));

    let paper = daemon.get("/stock/list?by=place").await.text;
    for text in [
        "The stock by place",
        "501 crates, 201 varieties, ",
        "<thead>",
        "class=\"box\"",
        "rack 0 / shelf 0 / 0",
    ] {
        assert!(paper.contains(text), "{text}");
    }
    assert_eq!(paper.matches("class=\"box\"").count(), 1001);
    let at = |page: &str, text: &str| page.find(text).unwrap_or_else(|| panic!("no {text}"));
    let paper = daemon.get("/stock/list?by=variety").await.text;
    assert!(at(&paper, "<td>Brindolet") < at(&paper, "<td>Variety Number 0"));
    daemon.running.finish().await;
}
