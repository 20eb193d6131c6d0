//! What a page sends twice, by a second knock on its button or from a page that was gone back to.

use std::io::Cursor;

use overwinter::stock::ledger::EntryId;

use crate::farm::{Answer, Daemon, Farm, encoded};

async fn fill(daemon: &Daemon, path: &str, pairs: &[(&str, &str)]) -> Answer {
    let request = daemon
        .client
        .post(format!("{}{path}", daemon.base))
        .header("content-type", "application/x-www-form-urlencoded")
        .body(encoded(pairs));
    Answer::of(request).await
}

async fn tubers(daemon: &Daemon) -> u64 {
    daemon.store().stock().await.unwrap().tubers()
}

async fn entries(daemon: &Daemon) -> usize {
    let all = daemon.store().entries_after(EntryId(0), 1000).await;
    all.unwrap().len()
}

/// What the first form of the page would send under a name.
fn hidden(page: &str, name: &str) -> String {
    let at = page.find(&format!("name=\"{name}\" value=\"")).unwrap();
    page[at..].split('"').nth(3).unwrap().to_owned()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_crate_from_the_field_is_lifted_and_divided_once() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    let key = hidden(&daemon.get("/season").await.text, "key");
    let lift = [
        ("step", "lifted"),
        ("code", "F-1"),
        ("room", "cellar"),
        ("variety", "Brindolet"),
        ("count", "12"),
        ("key", key.as_str()),
    ];
    for _ in 0..2 {
        let answer = fill(&daemon, "/season", &lift).await;
        assert_eq!(answer.status, 303, "{}", answer.text);
        assert_eq!(tubers(&daemon).await, 12);
    }
    let brush = [("step", "brushed"), ("group", "clean"), ("crate", "F-1")];
    assert_eq!(fill(&daemon, "/season", &brush).await.status, 303);
    let page = daemon.get("/season").await.text;
    let form = page.find("name=\"lot\"").unwrap();
    let key = hidden(&page[form..], "key");
    let cut = [
        ("step", "divided"),
        ("group", "dry"),
        ("lot", "1"),
        ("count", "2"),
        ("yielded", "7"),
        ("key", key.as_str()),
    ];
    for _ in 0..2 {
        let answer = fill(&daemon, "/season", &cut).await;
        assert_eq!(answer.status, 303, "{}", answer.text);
        assert_eq!(tubers(&daemon).await, 17);
    }
    assert_eq!(entries(&daemon).await, 3);
    // A key that no page gave is no key.
    let mut odd = lift;
    odd[5] = ("key", "odd");
    let refused = fill(&daemon, "/season", &odd).await;
    assert_eq!(refused.status, 422);
    assert!(refused.text.contains("This page is not as it was made."));
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_new_crate_is_made_once_and_by_one_of_two() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    let (ada, ben) = (
        daemon.get("/crate/new").await.text,
        daemon.get("/crate/new").await.text,
    );
    let code = "C-01";
    assert!(ada.contains("value=\"C-01\"") && ben.contains("value=\"C-01\""));
    let make = async |key: &str, variety: &str| {
        let new = [
            ("into", code),
            ("variety", variety),
            ("form", "clump"),
            ("count", "12"),
            ("room", "cellar"),
            ("packing", "peat"),
            ("key", key),
        ];
        fill(&daemon, "/crate/new", &new).await
    };
    let (ada, ben) = (hidden(&ada, "key"), hidden(&ben, "key"));
    for _ in 0..2 {
        let answer = make(&ada, "Brindolet").await;
        assert_eq!(answer.status, 303, "{}", answer.text);
    }
    let taken = make(&ben, "Quenbrisk").await;
    assert_eq!(taken.status, 422);
    assert!(taken.text.contains("There is a crate C-01 already."));
    assert_eq!((tubers(&daemon).await, entries(&daemon).await), (12, 2));
    daemon.running.finish().await;
}

fn png(shade: u8) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    image::RgbImage::from_pixel(8, 8, image::Rgb([shade; 3]))
        .write_to(&mut bytes, image::ImageFormat::Png)
        .unwrap();
    bytes.into_inner()
}

async fn send(daemon: &Daemon, krate: &str, key: &str, bytes: Vec<u8>) -> Answer {
    let path = format!("{}/api/stock/photos?crate={krate}&key={key}", daemon.base);
    Answer::of(daemon.client.post(path).body(bytes)).await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn another_picture_under_a_key_is_not_taken_for_the_first() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    let lift = [
        ("step", "lifted"),
        ("code", "F-1"),
        ("room", "cellar"),
        ("variety", "Brindolet"),
        ("count", "12"),
    ];
    assert_eq!(fill(&daemon, "/season", &lift).await.status, 303);
    let key = "page-in-the-shed-1";
    for (shade, status) in [(10, 201), (10, 200), (200, 422)] {
        let answer = send(&daemon, "F-1", key, png(shade)).await;
        assert_eq!(answer.status, status, "{}", answer.text);
        if status == 422 {
            assert!(
                answer.text.contains("load the page again"),
                "{}",
                answer.text
            );
        }
    }
    daemon.running.finish().await;
}

/// A picture of one colour is small to send and large to read.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_picture_that_is_huge_when_read_is_refused() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    let lift = [
        ("step", "lifted"),
        ("code", "F-1"),
        ("room", "cellar"),
        ("variety", "Brindolet"),
        ("count", "12"),
    ];
    assert_eq!(fill(&daemon, "/season", &lift).await.status, 303);
    let mut bytes = Cursor::new(Vec::new());
    // 128 MB at two bytes a colour.
    image::ImageBuffer::<image::Rgba<u16>, Vec<u16>>::new(4000, 4000)
        .write_to(&mut bytes, image::ImageFormat::Png)
        .unwrap();
    let bytes = bytes.into_inner();
    assert!(bytes.len() < 2 << 20);
    let answer = send(&daemon, "F-1", "page-in-the-shed-1", bytes).await;
    assert_eq!(answer.status, 422, "{}", answer.text);
    assert!(answer.text.contains("too many pixels"), "{}", answer.text);
    daemon.running.finish().await;
}
