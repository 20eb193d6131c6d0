//! The page Round: what is due and why, in the order of walking, bounded; and the forms for whoever has no
//! script.

use serde_json::{Value, json};

use crate::farm::{Answer, Daemon, Farm, encoded, field, hour};

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

async fn enter(daemon: &Daemon, entries: Value) {
    let request = daemon
        .client
        .post(format!("{}/api/stock/entries", daemon.base))
        .header("content-type", "application/json")
        .body(json!({ "entries": entries }).to_string());
    let answer = Answer::of(request).await.json();
    for one in answer["entries"].as_array().unwrap() {
        assert_eq!(one["outcome"], "entered", "{answer}");
    }
}

/// Twelve clumps that came on a day at seven in the morning.
fn lifted(code: &str, place: &str, day: &str) -> Value {
    json!({ "noted_at": format!("{day}T07:00:00Z"), "deed": {
        "kind": "lifted", "into": { "crate": code, "room": "cellar", "place": place },
        "variety": "Quenbrisk", "count": 12, "dug": day } })
}

async fn note(daemon: &Daemon, fields: &[(&str, &str)]) -> (Answer, String) {
    let request = daemon
        .client
        .post(format!("{}/round/note", daemon.base))
        .header("content-type", "application/x-www-form-urlencoded")
        .body(encoded(fields));
    let response = request.try_clone().unwrap().send().await.unwrap();
    let location = response.headers().get("location");
    let location = location.map_or("", |l| l.to_str().unwrap()).to_owned();
    // Sent twice, as by an impatient finger: once is in.
    (Answer::of(request).await, location)
}

/// The crates of a page, in its order.
fn codes(page: &str) -> Vec<&str> {
    let crates = page.split("data-code=\"").skip(1);
    crates.map(|c| c.split('"').next().unwrap()).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_due_stands_there_in_the_order_of_walking_with_its_reason() {
    let farm = Farm::new("");
    farm.clock.set(hour(8));
    let daemon = farm.start().await;
    let empty = words(&daemon.get("/round").await.text);
    assert!(empty.contains("No crate is in store."), "{empty}");
    enter(
        &daemon,
        json!([
            lifted("A-1", "north wall / shelf 1 / 1", "2026-11-28"),
            lifted("A-2", "north wall / shelf 2 / 10", "2026-11-10"),
            lifted("A-3", "north wall / shelf 2 / 9", "2026-10-01"),
            lifted("A-4", "east wall / shelf 1 / 1", "2026-10-01"),
            lifted("A-5", "north wall / shelf 2 / 1", "2026-11-18"),
            { "noted_at": "2026-11-20T10:00:00Z", "note": "at the neck",
              "deed": { "kind": "culled", "lot": 4, "finding": "soft", "count": 2 } },
            { "noted_at": "2026-11-20T10:01:00Z",
              "deed": { "kind": "looked", "crate": "A-3", "finding": "sound" } },
        ]),
    )
    .await;
    let page = daemon.get("/round").await.text;
    // A-3 was looked at lately, A-1 came lately; A-5 is due tomorrow, and stands where one goes anyway.
    assert_eq!(codes(&page), ["A-4", "A-5", "A-2"]);
    let told = words(&page);
    for what in [
        "2 crates are due. 1 beside them would be due within two days.",
        "Not looked at for 11 days; due since Fri 27 Nov, soft or mouldy tubers or a mouse were found last time.",
        "Fri 20 Nov: took out 2 Quenbrisk: soft, \u{201c}at the neck\u{201d}.",
        "Not looked at yet, 21 days after it came; due since Tue 24 Nov, every two weeks in the first six weeks.",
        "due on Wed 2 Dec",
        "All crates in the cellar",
    ] {
        assert!(told.contains(what), "`{what}` is not in: {told}");
    }
    // Walked past whether due or not; what was done today is done. A-1 is on its way from the field still.
    enter(
        &daemon,
        json!([{ "deed": { "kind": "looked", "crate": "A-4", "finding": "sound" } }]),
    )
    .await;
    let page = daemon.get("/round?room=Cellar").await.text;
    assert_eq!(codes(&page), ["A-5", "A-3", "A-2", "A-1"]);
    assert!(words(&page).contains("4 crates in the cellar, due or not."));
    let page = daemon.get("/round?all=yes").await.text;
    assert_eq!(codes(&page).len(), 4);
    enter(
        &daemon,
        json!(["A-1", "A-2", "A-3", "A-5"].map(
            |code| json!({ "deed": { "kind": "looked", "crate": code, "finding": "sound" } })
        )),
    )
    .await;
    let told = words(&daemon.get("/round").await.text);
    assert!(
        told.contains("No crate is due. The next one is A-2 on Tue 15 Dec."),
        "{told}"
    );
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_walk_has_an_end() {
    let farm = Farm::new("");
    farm.clock.set(hour(8));
    let daemon = farm.start().await;
    let crates: Vec<Value> = (1..=72)
        .map(|n| {
            lifted(
                &format!("A-{n}"),
                &format!("wall / shelf 1 / {n}"),
                "2026-11-01",
            )
        })
        .collect();
    enter(&daemon, Value::Array(crates)).await;
    let page = daemon.get("/round").await.text;
    assert_eq!(codes(&page).len(), 60);
    let told = words(&page);
    assert!(
        told.contains("60 crates are due. 12 more are due after these."),
        "{told}"
    );
    let told = words(&daemon.get("/round?all=yes").await.text);
    assert!(
        told.contains("The first 60 crates in store, due or not; 12 more come after these"),
        "{told}"
    );
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_form_notes_and_goes_on_and_says_what_is_wrong_with_what_was_typed() {
    let farm = Farm::new("");
    farm.clock.set(hour(8));
    let daemon = farm.start().await;
    enter(
        &daemon,
        json!([
            lifted("A-1", "wall / shelf 1 / 1", "2026-11-01"),
            lifted("N/E", "wall / shelf 1 / 2", "2026-11-01"),
        ]),
    )
    .await;
    let page = daemon.get("/round?room=cellar").await.text;
    let (seen, key) = (field(&page, "seen"), field(&page, "key"));
    let base = [
        ("crate", "A-1"),
        ("next", "N/E"),
        ("room", "cellar"),
        ("key", &*key),
        ("seen", &*seen),
    ];
    let with = |more: &[(&'static str, &'static str)]| [&base[..], more].concat();
    for (more, why) in [
        (&[][..], "Choose what you found, or write the weight."),
        (
            &[("finding", "soft"), ("out", "yes"), ("count", "2")][..],
            "Choose which of the lots",
        ),
        (
            &[
                ("finding", "soft"),
                ("out", "yes"),
                ("lot", "1"),
                ("count", "40"),
            ],
            "There are 12 Quenbrisk (clumps), not 40.",
        ),
        (
            &[("weight", "heavy")],
            "That is no weight. Write a weight such as 23.4, or 10.6 kg.",
        ),
    ] {
        let more = [more, &[("note", "seen by lamp")]].concat();
        let (answer, _) = note(&daemon, &with(&more)).await;
        assert_eq!(answer.status, 422);
        let told = words(&answer.text);
        assert!(told.contains(why), "{told}");
        assert!(told.contains("A-1 is not noted yet"), "{told}");
        assert!(answer.text.contains("value=\"seen by lamp\""));
        // Where one was is kept.
        assert_eq!(field(&answer.text, "room"), "cellar");
    }
    // A weight that can be and a count that cannot: neither is in.
    let both = with(&[
        ("finding", "soft"),
        ("out", "yes"),
        ("lot", "1"),
        ("count", "40"),
        ("weight", "10"),
    ]);
    assert_eq!(note(&daemon, &both).await.0.status, 422);
    // Somebody else was there.
    enter(
        &daemon,
        json!([{ "deed": { "kind": "culled", "lot": 1, "finding": "mould", "count": 1 } }]),
    )
    .await;
    let mine = [
        ("finding", "soft"),
        ("out", "yes"),
        ("lot", "1"),
        ("count", "2"),
        ("weight", "10"),
    ];
    let (told, _) = note(&daemon, &with(&mine)).await;
    assert_eq!(told.status, 422);
    assert!(words(&told.text).contains("Since you looked, this crate was changed."));
    assert!(words(&told.text).contains("Note it all the same"));
    let newest = field(&told.text, "newest");
    // Sent again without the tick it is still news.
    let again: Vec<(&str, &str)> = [&with(&mine)[..], &[("newest", &*newest)]].concat();
    assert_eq!(note(&daemon, &again).await.0.status, 422);
    let sure: Vec<(&str, &str)> = [&again[..], &[("sure", "yes")]].concat();
    let (done, location) = note(&daemon, &sure).await;
    assert_eq!(done.status, 303);
    assert_eq!(location, "/round?room=cellar&noted=A-1#crate-N%2FE");
    let told = words(&daemon.get("/round?room=cellar&noted=A-1").await.text);
    assert!(
        told.contains("A-1 is noted: took out 2 Quenbrisk: soft."),
        "{told}"
    );
    let page = words(&daemon.get("/crate?code=A-1").await.text);
    assert!(
        page.contains("Quenbrisk 9") && page.contains("weighed 10.00 kg"),
        "{page}"
    );
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_picture_sent_by_the_script_is_kept_once() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    enter(&daemon, json!([lifted("A-1", "wall", "2026-11-01")])).await;
    let mut png = std::io::Cursor::new(Vec::new());
    image::DynamicImage::new_rgb8(40, 30)
        .write_to(&mut png, image::ImageFormat::Jpeg)
        .unwrap();
    let send = async |query: &str, bytes: Vec<u8>| {
        let request = daemon
            .client
            .post(format!("{}/api/stock/photos?{query}", daemon.base))
            .header("content-type", "image/jpeg")
            .body(bytes);
        Answer::of(request).await
    };
    let good = "crate=A-1&key=phone-in-the-shed-1";
    for (query, bytes, status) in [
        (good, png.get_ref().clone(), 201),
        (good, png.get_ref().clone(), 200),
        ("crate=A-1&key=short", png.get_ref().clone(), 400),
        ("crate=A-1", png.get_ref().clone(), 400),
        (
            "crate=Z-9&key=phone-in-the-shed-2",
            png.get_ref().clone(),
            422,
        ),
        (
            "crate=A-1&key=phone-in-the-shed-3",
            b"no picture".to_vec(),
            422,
        ),
        (
            "crate=A-1&key=phone-in-the-shed-4",
            vec![0; (2 << 20) + 1],
            413,
        ),
    ] {
        let answer = send(query, bytes).await;
        assert_eq!(answer.status, status, "{query}: {}", answer.text);
    }
    let page = daemon.get("/crate?code=A-1").await.text;
    assert_eq!(page.matches("src=\"/crate/photo/").count(), 1);
    daemon.running.finish().await;
}
