//! What people enter about crates, over HTTP: the API a phone uses, the forms, and the words of refusals.

use std::io::Cursor;

use overwinter::{
    stock::ledger::{EntryId, Stock},
    store::Store,
};
use serde_json::{Value, json};

use crate::farm::{Answer, Daemon, Farm, encoded, hour, minute};

async fn enter(daemon: &Daemon, body: Value) -> Answer {
    let request = daemon
        .client
        .post(format!("{}/api/stock/entries", daemon.base))
        .header("content-type", "application/json")
        .body(body.to_string());
    Answer::of(request).await
}

/// Enters deeds that must all come to be, and gives back their numbers.
async fn entered(daemon: &Daemon, deeds: Vec<Value>) -> Vec<i64> {
    let entries: Vec<Value> = deeds
        .into_iter()
        .map(|deed| json!({ "deed": deed }))
        .collect();
    let answer = enter(daemon, json!({ "entries": entries })).await;
    assert_eq!(answer.status, 200, "{}", answer.text);
    let answers: Value = serde_json::from_str(&answer.text).unwrap();
    let answers = answers["entries"].as_array().unwrap().clone();
    answers
        .iter()
        .map(|a| {
            assert_eq!(a["outcome"], "entered", "{a}");
            a["id"].as_i64().unwrap()
        })
        .collect()
}

async fn form(daemon: &Daemon, path: &str, fields: &[(&str, &str)]) -> Answer {
    let request = daemon
        .client
        .post(format!("{}{path}", daemon.base))
        .header("content-type", "application/x-www-form-urlencoded")
        .body(encoded(fields));
    Answer::of(request).await
}

async fn stock(farm: &Farm) -> Stock {
    let store = Store::open(&farm.config().database).await.unwrap();
    let stock = store.stock().await.unwrap();
    let mut folded = Stock::default();
    for entry in store.entries_after(EntryId(0), 10_000).await.unwrap() {
        folded.apply(&entry.changes).unwrap();
    }
    assert_eq!(
        *stock, folded,
        "what is derived is what the entries come to"
    );
    store.close().await;
    folded
}

fn lifted(code: &str, variety: &str, count: u32) -> Value {
    json!({ "kind": "lifted", "into": { "crate": code, "room": "cellar", "place": "north wall / shelf 1 / 2" },
            "variety": variety, "count": count, "dug": "2026-10-21" })
}

/// What stands between two words of a page, without its tags.
fn words(page: &str) -> String {
    let mut text = String::new();
    let mut tag = false;
    for c in page.chars() {
        match c {
            '<' => tag = true,
            '>' => tag = false,
            _ if !tag => text.push(c),
            _ => {}
        }
    }
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn hidden(page: &str, name: &str) -> String {
    let at = page.find(&format!("name=\"{name}\" value=\"")).unwrap();
    page[at..].split('"').nth(3).unwrap().to_owned()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_phone_that_sends_again_enters_once_and_odd_bodies_are_told() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    let one = json!({ "key": "phone-in-the-shed-1", "deed": lifted("A-1", "Quenbrisk", 12) });
    let body = json!({ "entries": [one, one] });
    for (first, second) in [("entered", "known"), ("known", "known")] {
        let answer: Value = serde_json::from_str(&enter(&daemon, body.clone()).await.text).unwrap();
        assert_eq!(answer["entries"][0]["outcome"], first);
        assert_eq!(answer["entries"][1]["outcome"], second);
        assert_eq!(answer["entries"][1]["id"], 1);
    }
    let many: Vec<Value> = (0..201)
        .map(|_| json!({ "deed": lifted("A-1", "Q", 1) }))
        .collect();
    for (body, status, why) in [
        (json!({ "entries": many }), 413, "send at most 200 at once"),
        (
            json!({ "entries": [{ "key": "short", "deed": lifted("A-1", "Q", 1) }] }),
            400,
            "a key has 16 to 64",
        ),
        (
            json!({ "entries": [{ "deed": { "kind": "felled" } }] }),
            400,
            "unknown variant `felled`",
        ),
        (json!({ "entry": [] }), 400, "unknown field `entry`"),
    ] {
        let answer = enter(&daemon, body).await;
        assert_eq!(answer.status, status, "{}", answer.text);
        assert!(answer.text.contains(why), "{}", answer.text);
        assert!(
            answer.text.contains("That is not understood"),
            "{}",
            answer.text
        );
    }
    // What cannot be is told one by one, and what can be is in.
    let mixed = json!({ "entries": [
        { "deed": { "kind": "sold", "lot": 1, "count": 40 } },
        { "deed": { "kind": "given", "lot": 1, "count": 2 } },
        { "deed": { "kind": "woken", "crate": "Z-9" } },
    ] });
    let answer: Value = serde_json::from_str(&enter(&daemon, mixed).await.text).unwrap();
    let told = &answer["entries"];
    assert_eq!(told[0]["outcome"], "refused");
    assert_eq!(told[0]["why"], "There are 12 Quenbrisk (clumps), not 40.");
    assert_eq!(
        told[0]["remedy"],
        "Count again. If there are fewer than the list says, note the right count first."
    );
    assert_eq!(told[1]["outcome"], "entered");
    assert_eq!(told[2]["why"], "There is no crate Z-9.");
    daemon.running.finish().await;
    assert_eq!(stock(&farm).await.tubers(), 10);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_page_of_a_crate_tells_what_others_did_and_takes_it_all_the_same() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    entered(&daemon, vec![lifted("A-1", "Quenbrisk", 12)]).await;
    let page = daemon.get("/crate?code=a-1").await.text;
    assert!(
        words(&page).contains("Crate A-1 the cellar, north wall / shelf 1 / 2"),
        "{}",
        words(&page)
    );
    let (seen, key) = (hidden(&page, "seen"), hidden(&page, "key"));
    let look = [
        ("kind", "looked"),
        ("crate", "A-1"),
        ("finding", "soft"),
        ("lot", "1"),
        ("count", "3"),
        ("out", "yes"),
        ("note", "wet at the neck"),
        ("seen", &seen),
        ("key", &key),
    ];
    // Pressed twice it is one.
    assert_eq!(form(&daemon, "/crate/enter", &look).await.status, 303);
    assert_eq!(form(&daemon, "/crate/enter", &look).await.status, 303);
    // Another form of the page as it was before says so, instead of being taken for the same.
    let other = [("kind", "woken"), ("crate", "A-1"), ("key", key.as_str())];
    let told = form(&daemon, "/crate/enter", &other).await;
    assert!(
        words(&told.text).contains("This page has noted something else already."),
        "{}",
        told.text
    );
    // Somebody else had the same page open.
    let sold = [
        ("kind", "sold"),
        ("crate", "A-1"),
        ("lot", "1"),
        ("count", "4"),
        ("seen", &seen),
        ("key", "another-page-of-hers-1"),
    ];
    let asked_again = form(&daemon, "/crate/enter", &sold).await;
    assert_eq!(asked_again.status, 422);
    let told = words(&asked_again.text);
    for what in [
        "Since you looked, this crate was changed.",
        "took out 3 Quenbrisk: soft.",
        "Look whether yours is still right, and note it all the same or leave it.",
        "Note it all the same",
    ] {
        assert!(told.contains(what), "`{what}` is not in: {told}");
    }
    // The button sends what stands in its form.
    let again = asked_again.text.split("id=\"again\"").nth(1).unwrap();
    let again = again.split("</form>").next().unwrap();
    let fields: Vec<(String, String)> = again
        .split("<input type=\"hidden\" ")
        .skip(1)
        .map(|i| {
            (
                i.split('"').nth(1).unwrap().to_owned(),
                i.split('"').nth(3).unwrap().to_owned(),
            )
        })
        .collect();
    let fields: Vec<(&str, &str)> = fields
        .iter()
        .map(|(k, v)| (k.as_str(), v.as_str()))
        .collect();
    assert_eq!(form(&daemon, "/crate/enter", &fields).await.status, 303);
    let page = daemon.get("/crate?code=A-1").await.text;
    let told = words(&page);
    assert!(told.contains("Quenbrisk 5"), "{told}");
    assert!(told.contains("sold 4 Quenbrisk"), "{told}");
    assert!(told.contains("wet at the neck"), "{told}");
    // Taken back, the newest first; the entry stays, and says so.
    let undo = |entry: &'static str| [("kind", "undone"), ("crate", "A-1"), ("entry", entry)];
    // What a crate came with is asked about first.
    let refused = form(&daemon, "/crate/enter", &undo("1")).await;
    assert_eq!(refused.status, 422);
    let told = words(&refused.text);
    assert!(
        told.contains("Taken back, the 12 that were lifted leave crate A-1"),
        "{told}"
    );
    let sure = [&undo("1")[..], &[("sure", "yes")]].concat();
    let refused = form(&daemon, "/crate/enter", &sure).await;
    assert_eq!(refused.status, 422);
    assert!(
        words(&refused.text).contains("There are 5 Quenbrisk (clumps), not 12."),
        "{}",
        refused.text
    );
    assert_eq!(form(&daemon, "/crate/enter", &undo("3")).await.status, 303);
    let refused = form(&daemon, "/crate/enter", &undo("3")).await;
    assert!(
        words(&refused.text).contains("That was taken back already."),
        "{}",
        refused.text
    );
    let told = words(&daemon.get("/crate?code=A-1").await.text);
    assert!(told.contains("Quenbrisk 9"), "{told}");
    assert!(told.contains("sold 4 Quenbrisk taken back"), "{told}");
    daemon.running.finish().await;
    assert_eq!(stock(&farm).await.tubers(), 9);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_can_hardly_be_is_asked_about_first() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    entered(
        &daemon,
        vec![
            lifted("A-1", "Quenbrisk", 12),
            lifted("B-1", "Brindolet", 3),
        ],
    )
    .await;
    for (fields, why) in [
        (
            vec![("kind", "moved"), ("crate", "A-1"), ("room", "celar")],
            "No sensor watches a room called \u{201c}celar\u{201d}; watched are cellar, back-room.",
        ),
        (
            vec![
                ("kind", "divided"),
                ("crate", "A-1"),
                ("lot", "1"),
                ("count", "12"),
                ("yielded", "4000"),
            ],
            "That is 333 divisions from every clump.",
        ),
        (
            vec![("kind", "undone"), ("crate", "B-1"), ("entry", "2")],
            "Taken back, the 3 that were lifted leave crate B-1",
        ),
    ] {
        let asked = form(&daemon, "/crate/enter", &fields).await;
        assert_eq!(asked.status, 422);
        let told = words(&asked.text);
        assert!(told.contains(why), "`{why}` is not in {told}");
        assert!(told.contains("Note it all the same"), "{told}");
        let sure: Vec<_> = fields.into_iter().chain([("sure", "yes")]).collect();
        assert_eq!(form(&daemon, "/crate/enter", &sure).await.status, 303);
    }
    let new = [
        ("into", "C-1"),
        ("variety", "Ossamurle"),
        ("count", "4"),
        ("room", "shedd"),
        ("key", ""),
    ];
    let asked = form(&daemon, "/crate/new", &new).await;
    assert_eq!(asked.status, 422);
    assert!(
        words(&asked.text).contains("called \u{201c}shedd\u{201d}"),
        "{}",
        asked.text
    );
    assert_eq!(hidden(&asked.text, "new_room"), "shedd");
    let sure = [&new[..], &[("new_room", "shedd")]].concat();
    assert_eq!(form(&daemon, "/crate/new", &sure).await.status, 303);
    daemon.running.finish().await;
    assert_eq!(stock(&farm).await.tubers(), 4004);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_filled_in_wrongly_is_said_and_nothing_typed_is_lost() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    entered(&daemon, vec![lifted("A-1", "Quenbrisk", 12)]).await;
    for (fields, why) in [
        (
            vec![
                ("kind", "sold"),
                ("lot", "1"),
                ("count", "a few"),
                ("note", "to the florist"),
            ],
            "Write how many, in digits alone.",
        ),
        (
            vec![
                ("kind", "split"),
                ("lot", "1"),
                ("count", "3"),
                ("into", "B_1"),
                ("note", "to the florist"),
            ],
            "`B_1` is no crate: a crate code holds only letters A to Z, digits, `-`, `.` and `/`.",
        ),
        (
            vec![
                ("kind", "merged"),
                ("into", "Q-7"),
                ("note", "to the florist"),
            ],
            "There is no crate Q-7.",
        ),
        (
            vec![("kind", "moved"), ("room", ""), ("note", "to the florist")],
            "No room is named. Write it in.",
        ),
    ] {
        let fields: Vec<_> = fields.into_iter().chain([("crate", "A-1")]).collect();
        let answer = form(&daemon, "/crate/enter", &fields).await;
        assert_eq!(answer.status, 422);
        assert!(words(&answer.text).contains(why), "{}", words(&answer.text));
        assert!(
            answer.text.contains("value=\"to the florist\""),
            "what was typed stays"
        );
        assert!(answer.text.contains(" open>"), "the form stands open");
    }
    assert_eq!(
        form(
            &daemon,
            "/crate/enter",
            &[("kind", "woken"), ("crate", "Z-9")]
        )
        .await
        .status,
        404
    );
    daemon.running.finish().await;
    assert_eq!(stock(&farm).await.tubers(), 12);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_whole_shelf_is_moved_or_not_at_all() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    let mut crates = vec![
        lifted("A-1", "Quenbrisk", 12),
        lifted("A-2", "Brindolet", 8),
        lifted("B-1", "Quenbrisk", 5),
    ];
    crates[1]["into"]["place"] = "north wall / shelf 1 / 3".into();
    crates[2]["into"]["place"] = "south wall / shelf 1 / 1".into();
    entered(&daemon, crates).await;
    let path = format!(
        "/several?{}",
        encoded(&[("room", "cellar"), ("shelf", "north wall / shelf 1")])
    );
    let page = daemon.get(&path).await.text;
    assert!(
        words(&page).contains("2 crates in cellar, north wall / shelf 1"),
        "{}",
        words(&page)
    );
    let (one, two, key) = (
        hidden(&page, "seen-A-1"),
        hidden(&page, "seen-A-2"),
        hidden(&page, "key"),
    );
    let mut moved = vec![
        ("in-room", "cellar"),
        ("in-shelf", "north wall / shelf 1"),
        ("kind", "moved"),
        ("room", "back-room"),
        ("place", "rack 4"),
        ("code", "A-1"),
        ("code", "A-2"),
        ("seen-A-1", &one),
        ("seen-A-2", &two),
        ("key", &key),
    ];
    // Somebody sells from one of them first.
    entered(
        &daemon,
        vec![json!({ "kind": "sold", "lot": 2, "count": 1 })],
    )
    .await;
    let told = form(&daemon, "/several", &moved).await;
    assert_eq!(told.status, 422);
    let text = words(&told.text);
    assert!(
        text.contains("Crate A-2: Since you looked, this crate was changed."),
        "{text}"
    );
    assert!(text.contains("Nothing of it was noted."), "{text}");
    assert!(told.text.contains("value=\"rack 4\""), "{}", told.text);
    let newest = hidden(&told.text, "seen-A-2");
    let again = hidden(&told.text, "key");
    moved.retain(|(k, _)| *k != "seen-A-2" && *k != "key");
    moved.extend([("seen-A-2", newest.as_str()), ("key", again.as_str())]);
    assert_eq!(form(&daemon, "/several", &moved).await.status, 303);
    // Without a shelf there is nothing to keep a position on.
    let nowhere = [
        ("in-room", "back-room"),
        ("in-shelf", "rack 4"),
        ("kind", "moved"),
        ("room", "cellar"),
        ("code", "A-2"),
    ];
    let told = form(&daemon, "/several", &nowhere).await;
    assert_eq!(told.status, 422);
    assert!(
        words(&told.text).contains("Name the wall or rack and the shelf"),
        "{}",
        told.text
    );
    // Each kept its position on the shelf.
    let page = words(&daemon.get("/crate?code=A-2").await.text);
    assert!(page.contains("the back-room, rack 4 / 3"), "{page}");
    // All of a variety, wherever it lies.
    let gone = [
        ("of-variety", "quenbrisk"),
        ("kind", "planted"),
        ("bed", "long bed"),
        ("code", "A-1"),
        ("code", "B-1"),
    ];
    assert_eq!(form(&daemon, "/several", &gone).await.status, 303);
    let none = [("of-variety", "Brindolet"), ("kind", "sold")];
    let told = form(&daemon, "/several", &none).await;
    assert!(
        words(&told.text).contains("Tick at least one crate."),
        "{}",
        told.text
    );
    daemon.running.finish().await;
    assert_eq!(stock(&farm).await.tubers(), 7);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_weight_that_can_hardly_be_is_asked_about_unless_the_ledger_explains_it() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    for nth in 0..3 {
        farm.clock.set(minute(20 * nth));
        daemon.say("north", minute(20 * nth), 10.0, 80.0).await;
    }
    entered(&daemon, vec![lifted("A-1", "Quenbrisk", 12)]).await;
    let weigh = async |weight: &str, sure: &str| {
        let fields = [
            ("kind", "weighed"),
            ("crate", "A-1"),
            ("weight", weight),
            ("sure", sure),
        ];
        form(&daemon, "/crate/enter", &fields).await
    };
    assert_eq!(weigh("10 kg", "").await.status, 303);
    farm.clock.set(hour(24));
    let doubted = weigh("8 kg", "").await;
    assert_eq!(doubted.status, 422);
    let told = words(&doubted.text);
    assert!(
        told.contains("That is 20 % less than at the last weighing."),
        "{told}"
    );
    assert!(told.contains("Note it all the same"), "{told}");
    // With a third sold, the scale is believed, and counts from there.
    entered(
        &daemon,
        vec![json!({ "kind": "sold", "lot": 1, "count": 4 })],
    )
    .await;
    assert_eq!(weigh("7 kg", "").await.status, 303);
    let status = daemon.running.status.borrow().clone();
    let weighings = status.models.krate("A-1").unwrap().weighings.len();
    assert_eq!(weighings, 1, "earlier weights count no more");
    // Who is sure is believed too.
    assert_eq!(weigh("5 kg", "yes").await.status, 303);
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_picture_is_kept_small_upright_and_without_what_the_camera_says() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    entered(&daemon, vec![lifted("A-1", "Quenbrisk", 12)]).await;
    // Lying on its side as a phone stores it, with a word that the camera adds.
    let mut jpeg = Vec::new();
    let lying = image::RgbImage::from_fn(1600, 800, |x, _| {
        image::Rgb([if x < 800 { 250 } else { 5 }, 90, 60])
    });
    lying
        .write_to(&mut Cursor::new(&mut jpeg), image::ImageFormat::Jpeg)
        .unwrap();
    let mut exif = b"Exif\0\0II*\0\x08\0\0\0\x02\0".to_vec();
    // Orientation (0x0112) is 6: to be turned right by a quarter. Camera's maker (0x010f) is a word.
    exif.extend(
        b"\x12\x01\x03\0\x01\0\0\0\x06\0\0\0\x0f\x01\x02\0\x08\0\0\0\x26\0\0\0\0\0\0\0SECRETS\0",
    );
    let mut marked = jpeg[..2].to_vec();
    marked.extend([0xff, 0xe1]);
    marked.extend((exif.len() as u16 + 2).to_be_bytes());
    marked.extend(&exif);
    marked.extend(&jpeg[2..]);
    let send = async |bytes: &[u8], key: &str| {
        let mut body = Vec::new();
        for (name, value) in [("crate", "A-1"), ("key", key)] {
            body.extend(
                format!(
                    "--x\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n"
                )
                .bytes(),
            );
        }
        body.extend(
            b"--x\r\nContent-Disposition: form-data; name=\"photo\"; filename=\"p.jpg\"\r\n\r\n",
        );
        body.extend(bytes);
        body.extend(b"\r\n--x--\r\n");
        let request = daemon
            .client
            .post(format!("{}/crate/photo", daemon.base))
            .header("content-type", "multipart/form-data; boundary=x")
            .body(body);
        Answer::of(request).await
    };
    let answer = send(&marked, "phone-in-the-shed-7").await;
    assert_eq!(answer.status, 303, "{}", answer.text);
    assert_eq!(send(&marked, "phone-in-the-shed-7").await.status, 303);
    let page = daemon.get("/crate?code=A-1").await.text;
    assert_eq!(page.matches("<img ").count(), 1, "sent twice, kept once");
    let kept = daemon
        .client
        .get(format!("{}/crate/photo/1", daemon.base))
        .send()
        .await
        .unwrap();
    assert_eq!(kept.headers()["content-type"], "image/jpeg");
    let kept = kept.bytes().await.unwrap();
    assert!(!kept.windows(4).any(|w| w == b"Exif" || w == b"SECR"));
    let seen = image::load_from_memory(&kept).unwrap().to_rgb8();
    assert_eq!(seen.dimensions(), (640, 1280));
    assert!(200 < seen.get_pixel(320, 10).0[0] && seen.get_pixel(320, 1270).0[0] < 50);
    let odd = send(b"GIF89a no picture", "phone-in-the-shed-8").await;
    assert_eq!(odd.status, 422);
    assert!(odd.text.contains("no JPEG or PNG picture"), "{}", odd.text);
    let large = send(&vec![0; 13 << 20], "phone-in-the-shed-9").await;
    assert_eq!(large.status, 413);
    assert!(large.text.contains("larger than 12 MB"), "{}", large.text);
    assert_eq!(daemon.get("/crate/photo/99").await.status, 404);
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_new_crate_goes_on_with_the_grower_s_numbers() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    entered(
        &daemon,
        vec![
            lifted("K-08", "Quenbrisk", 12),
            lifted("K-09", "Brindolet", 4),
        ],
    )
    .await;
    let page = daemon.get("/crate/new").await.text;
    assert!(page.contains("value=\"K-10\""), "{page}");
    let key = hidden(&page, "key");
    let mut new = vec![
        ("into", "K-09"),
        ("variety", "Ossamurle"),
        ("form", "division"),
        ("count", "30"),
        ("dug", "2026-11-30"),
        ("room", "cellar"),
        ("place", "north wall / shelf 3 / 1"),
        ("packing", "peat"),
        ("note", "from the long bed"),
        ("key", &key),
    ];
    let taken = form(&daemon, "/crate/new", &new).await;
    assert_eq!(taken.status, 422);
    assert!(
        words(&taken.text).contains("There is a crate K-09 already."),
        "{}",
        taken.text
    );
    assert!(
        taken.text.contains("value=\"from the long bed\""),
        "{}",
        taken.text
    );
    new[0] = ("into", "K-10");
    new[1] = ("variety", "");
    let nameless = form(&daemon, "/crate/new", &new).await;
    assert!(
        words(&nameless.text).contains("No variety is named. Write it in."),
        "{}",
        words(&nameless.text)
    );
    new[1] = ("variety", "Ossamurle");
    assert_eq!(form(&daemon, "/crate/new", &new).await.status, 303);
    let page = words(&daemon.get("/crate?code=K-10").await.text);
    for what in [
        "the cellar, north wall / shelf 3 / 1",
        "Ossamurle 30",
        "packed in peat",
        "lifted 30 divisions of Ossamurle",
    ] {
        assert!(page.contains(what), "`{what}` is not in {page}");
    }
    daemon.running.finish().await;
    assert_eq!(stock(&farm).await.tubers(), 46);
}
