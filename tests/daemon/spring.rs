//! The way from field to crate, the planting plan and the calendar, over HTTP.

use overwinter::watch::{Stamp, reading::HOUR_MS};
use serde_json::{Value, json};

use crate::farm::{Answer, Daemon, Farm, HEADER, encoded, hour, minute, row};

const SOIL: &str = r#"
[[sensor]]
name = "bed"
room = "cellar"
role = "soil"
interval = "30min"
arrives = "batches"
"#;

async fn fill(daemon: &Daemon, path: &str, pairs: &[(&str, &str)]) -> Answer {
    let request = daemon
        .client
        .post(format!("{}{path}", daemon.base))
        .header("content-type", "application/x-www-form-urlencoded")
        .body(encoded(pairs));
    Answer::of(request).await
}

/// Enters deeds as a program does; all of them are taken.
async fn enter(daemon: &Daemon, deeds: &[(Stamp, Value)]) {
    let entries: Vec<Value> = deeds
        .iter()
        .map(|(at, deed)| json!({ "noted_at": at.to_rfc3339(), "deed": deed }))
        .collect();
    let request = daemon
        .client
        .post(format!("{}/api/stock/entries", daemon.base))
        .header("content-type", "application/json")
        .body(json!({ "entries": entries }).to_string());
    let answer = Answer::of(request).await;
    let told = answer.json();
    let all = told["entries"].as_array().unwrap();
    assert!(
        all.iter().all(|e| e["outcome"] == "entered"),
        "{}",
        answer.text
    );
}

fn lifted(krate: &str, room: &str, variety: &str, count: u32) -> Value {
    json!({ "kind": "lifted", "into": { "crate": krate, "room": room }, "variety": variety, "count": count })
}

fn treated(krate: &str, how: &str) -> Value {
    json!({ "kind": "treated", "crate": krate, "how": how })
}

fn holds(page: &str, told: &[&str]) {
    for text in told {
        assert!(page.contains(text), "`{text}` is not there:\n{page}");
    }
}

/// The entries of one crate, oldest first, as kept.
async fn deeds(daemon: &Daemon, code: &str) -> Vec<Value> {
    let store = daemon.store();
    let stock = store.stock().await.unwrap();
    let (id, _) = stock.find(&code.parse().unwrap()).unwrap();
    let mut told = store.history(id, 50).await.unwrap();
    told.reverse();
    let each = told
        .iter()
        .map(|t| serde_json::to_value(&t.entry.deed).unwrap());
    each.collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn tubers_are_followed_from_the_field_into_their_packing() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    let page = daemon.get("/season").await;
    assert_eq!(page.status, 200);
    holds(
        &page.text,
        &[
            "Nothing is on its way from the field.",
            "No killing frost is noted",
            "lift 10 to 14 days after it",
        ],
    );

    // Air that dries in the cellar by day and not by night; none is told of the back room.
    farm.clock.set(hour(96));
    let mut text = HEADER.to_owned();
    for n in 0..192 {
        let rh = if n % 48 < 24 { 60.0 } else { 95.0 };
        text.push_str(&row("north", minute(30 * n), 12.0, rh));
    }
    let answer = daemon.post("text/csv", text).await;
    assert_eq!(answer.counts(), [192, 0, 0, 0], "{}", answer.text);
    enter(
        &daemon,
        &[
            (hour(10), lifted("F-1", "cellar", "Brindolet", 30)),
            (hour(12), treated("F-1", "washed")),
            (hour(90), lifted("F-2", "cellar", "Quenbrisk", 12)),
            (hour(90), lifted("F-3", "cellar", "Quenbrisk", 8)),
            (hour(70), lifted("B-1", "back-room", "Ossamurle", 20)),
            (hour(88), treated("B-1", "washed")),
        ],
    )
    .await;
    let page = daemon.get("/season").await.text;
    holds(
        &page,
        &[
            "F-1 dries out: pack it today. 4 crates are on the way from the field.",
            "To be cleaned",
            "Drying out: bare for 3 days. Pack today.",
            // From hour 12 on by day, three times twelve.
            "36 hours of drying air since it was wet.",
            "No sensor tells of the air in the back-room",
            "12 clumps Quenbrisk",
            "1 part of household bleach to 10 of water",
            "never with acids or ammonia",
            "the label is the law",
            "wear a dust mask",
            "lift it with two people",
        ],
    );

    // One button for two crates, all or none.
    let both = [
        ("group", "clean"),
        ("step", "brushed"),
        ("crate", "F-2"),
        ("crate", "F-3"),
    ];
    assert_eq!(fill(&daemon, "/season", &both).await.status, 303);
    for code in ["F-2", "F-3"] {
        assert_eq!(deeds(&daemon, code).await[1], treated(code, "brushed"));
    }
    let stranger = [
        ("group", "dry"),
        ("step", "skins-dry"),
        ("crate", "F-2"),
        ("crate", "Z-9"),
    ];
    let answer = fill(&daemon, "/season", &stranger).await;
    assert_eq!(answer.status, 422);
    holds(
        &answer.text,
        &[
            "role=\"alert\"",
            "There is no crate Z-9.",
            "value=\"F-2\" form=\"f-dry\" checked",
        ],
    );
    assert_eq!(deeds(&daemon, "F-2").await.len(), 2);
    let answer = fill(
        &daemon,
        "/season",
        &[("group", "dry"), ("step", "skins-dry")],
    )
    .await;
    assert_eq!(answer.status, 422);
    holds(&answer.text, &["No crate is ticked."]);

    // Washed eight hours ago: told, and packed only for who says that they are dry or means it.
    let pack = |more: &'static [(&str, &str)]| {
        let base = [
            ("group", "dry"),
            ("step", "packed"),
            ("crate", "B-1"),
            ("packing", "shavings"),
        ];
        let pairs: Vec<(&str, &str)> = base.iter().chain(more).copied().collect();
        let daemon = &daemon;
        async move { fill(daemon, "/season", &pairs).await }
    };
    let answer = pack(&[]).await;
    assert_eq!(answer.status, 422);
    holds(
        &answer.text,
        &[
            "Packed wet, tubers rot. B-1: wet 8 hours ago",
            "value=\"shavings\"",
            "Pack all the same",
        ],
    );
    assert_eq!(pack(&[("dry", "yes")]).await.status, 303);
    let packed =
        json!({ "kind": "packed", "crate": "B-1", "packing": "shavings", "skins_dry": true });
    assert_eq!(deeds(&daemon, "B-1").await[2], packed);
    holds(
        &daemon.get("/season").await.text,
        &["Packed in the last two weeks", "packed in shavings"],
    );

    // Only a few hours of drying air since it was lifted.
    let brushed = [
        ("group", "dry"),
        ("step", "packed"),
        ("crate", "F-2"),
        ("packing", "peat"),
    ];
    let answer = fill(&daemon, "/season", &brushed).await;
    assert_eq!(answer.status, 422);
    holds(
        &answer.text,
        &["F-2: only 0 hours of drying air since it was wet"],
    );
    let anyhow: Vec<_> = brushed.iter().copied().chain([("anyhow", "yes")]).collect();
    assert_eq!(fill(&daemon, "/season", &anyhow).await.status, 303);
    assert_eq!(deeds(&daemon, "F-2").await[2]["skins_dry"], false);

    // Clumps are divided; the cuts are to dry.
    let stock = daemon.store().stock().await.unwrap();
    let (id, _) = stock.find(&"F-1".parse().unwrap()).unwrap();
    let lot = stock.content(id).next().unwrap().0.0.to_string();
    let cut = |count: &'static str, yielded: &'static str| {
        let lot = lot.clone();
        let daemon = &daemon;
        async move {
            let pairs = [
                ("group", "dry"),
                ("step", "divided"),
                ("lot", &lot),
                ("count", count),
                ("yielded", yielded),
            ];
            fill(daemon, "/season", &pairs).await
        }
    };
    let answer = cut("31", "90").await;
    assert_eq!(answer.status, 422);
    holds(&answer.text, &["There are 30 Brindolet (clumps), not 31."]);
    assert_eq!(cut("10", "43").await.status, 303);
    holds(
        &daemon.get("/season").await.text,
        &["43 divisions Brindolet", "Cut surfaces are dry"],
    );

    // The frost, and what was lifted, by the forms.
    for (day, status, told) in [
        ("2026-12-24", 422, "still to come"),
        ("someday", 422, "That is no day"),
        ("2026-11-29", 303, ""),
    ] {
        let answer = fill(&daemon, "/season", &[("step", "frost"), ("frost", day)]).await;
        assert_eq!(answer.status, status, "{day}");
        holds(&answer.text, &[told]);
    }
    holds(
        &daemon.get("/season").await.text,
        &["Killing frost on Sunday 29 November, 6 days ago."],
    );
    let lift = |code: &'static str, count: &'static str| {
        let daemon = &daemon;
        async move {
            let pairs = [
                ("step", "lifted"),
                ("code", code),
                ("room", "cellar"),
                ("variety", "Fennuvar"),
                ("count", count),
            ];
            fill(daemon, "/season", &pairs).await
        }
    };
    let answer = lift("F 9", "12").await;
    assert_eq!(answer.status, 422);
    holds(
        &answer.text,
        &[
            "a crate code holds only letters",
            "value=\"Fennuvar\"",
            "value=\"12\"",
        ],
    );
    assert_eq!(lift("F-9", "12").await.status, 303);
    holds(&daemon.get("/season").await.text, &["12 clumps Fennuvar"]);
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_plan_tells_what_is_short_and_until_when() {
    let farm = Farm::new(SOIL);
    let daemon = farm.start().await;
    farm.clock.set(hour(200));
    let page = daemon.get("/planting").await;
    assert_eq!(page.status, 200);
    holds(
        &page.text,
        &[
            "Nobody has said yet how many plants are wanted.",
            "Soil at bed: no morning was measured yet.",
        ],
    );
    enter(
        &daemon,
        &[
            (hour(1), lifted("F-1", "cellar", "Brindolet", 10)),
            (
                hour(1),
                json!({ "kind": "packed", "crate": "F-1", "packing": "peat" }),
            ),
            (hour(1), lifted("F-2", "cellar", "Quenbrisk", 40)),
            (
                hour(1),
                json!({ "kind": "packed", "crate": "F-2", "packing": "peat" }),
            ),
        ],
    )
    .await;
    let want = async |pairs: &[(&str, &str)]| {
        let all: Vec<_> = [("what", "wish")].iter().chain(pairs).copied().collect();
        fill(&daemon, "/planting", &all).await
    };
    assert_eq!(
        want(&[("variety", "brindolet"), ("plants", "60")])
            .await
            .status,
        303
    );
    // Nine metres, two rows, 45 cm: 40 plants.
    let bed = [
        ("variety", "Quenbrisk"),
        ("length", "9"),
        ("rows", "2"),
        ("spacing", "45"),
    ];
    assert_eq!(want(&bed).await.status, 303);
    let page = daemon.get("/planting").await.text;
    holds(
        &page,
        &[
            "You will be short of 1 variety; order before Sunday 10 January.",
            "60 wanted, 10 clumps here.",
            "plants expected, between",
            "40 wanted, 40 clumps here.",
            "Assumed 4 plants from a clump; your own record replaces it after five clumps divided.",
            "holds in nine winters of ten",
            "Sunday 10 January</span> <span class=\"quiet\">in 32 days",
            "Saturday 10 April",
            "Saturday 24 April",
            "Saturday 15 May",
            "href=\"/planting?variety=Brindolet#wish\"",
        ],
    );
    let one = daemon.get("/planting?variety=quenbrisk").await.text;
    holds(
        &one,
        &[
            "name=\"length\" type=\"text\" inputmode=\"decimal\" autocomplete=\"off\" maxlength=\"9\" value=\"9\"",
            "value=\"45\"",
        ],
    );
    // Refused in words, and what was typed is still there.
    for (pairs, told) in [
        (
            &[("variety", "Brindolet"), ("plants", "lots")][..],
            "no whole number",
        ),
        (
            &[("variety", "Brindolet"), ("plants", "4"), ("length", "9")],
            "plants and a bed",
        ),
        (
            &[
                ("variety", "Brindolet"),
                ("length", "9"),
                ("rows", "1"),
                ("spacing", "9000"),
            ],
            "That is no bed",
        ),
        (
            &[("variety", "Brindolet"), ("plants", "999999")],
            "at most 100000",
        ),
        (&[("plants", "4")], "No variety is named"),
    ] {
        let answer = want(pairs).await;
        assert_eq!(answer.status, 422, "{told}");
        holds(&answer.text, &["role=\"alert\"", told]);
        for (_, typed) in pairs {
            holds(&answer.text, &[&format!("value=\"{typed}\"")]);
        }
    }
    // What is taken back is wanted no more.
    assert_eq!(want(&[("variety", "Brindolet")]).await.status, 303);
    let page = daemon.get("/planting").await.text;
    holds(&page, &["Enough of everything."]);

    let settle = async |planting: &str, weeks: &str| {
        let pairs = [
            ("what", "days"),
            ("planting", planting),
            ("order_by", "2026-12-05"),
            ("wake_weeks", weeks),
        ];
        fill(&daemon, "/planting", &pairs).await
    };
    let answer = settle("soon", "6").await;
    assert_eq!(answer.status, 422);
    holds(
        &answer.text,
        &[
            "The day of planting is no day",
            "value=\"soon\"",
            "<details id=\"settle\" open>",
        ],
    );
    assert_eq!(settle("2027-05-20", "6").await.status, 303);
    want(&[("variety", "brindolet"), ("plants", "60")]).await;
    holds(
        &daemon.get("/planting").await.text,
        &[
            "You will be short of 1 variety. Saturday 5 December, the day to order, has passed",
            "Saturday 5 December</span> <span class=\"quiet\">passed",
            "Thursday 20 May",
            "Thursday 8 April",
        ],
    );
    assert_eq!(
        fill(&daemon, "/planting", &[("what", "else")]).await.status,
        422
    );

    // Two warm mornings, then a third.
    let mornings = async |days: std::ops::Range<i64>| {
        for day in days {
            let at = hour(24 * day + 7);
            farm.clock.set(at.plus(HOUR_MS));
            daemon.say("bed", at, 16.0, 50.0).await;
        }
    };
    mornings(9..11).await;
    holds(
        &daemon.get("/planting").await.text,
        &["Soil at bed: 16.0 C this morning; 2 of 3 mornings in a row at 15.6 C or more."],
    );
    mornings(11..12).await;
    holds(
        &daemon.get("/planting").await.text,
        &["warm enough to plant since Saturday 12 December"],
    );
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_due_is_told_on_the_first_page_and_in_a_calendar() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    farm.clock.set(hour(100));
    assert!(!daemon.get("/").await.text.contains("due for a look"));
    let packed = |code: &str, room: &str| {
        let deed = json!({ "kind": "packed", "crate": code, "packing": "peat", "skins_dry": true });
        [
            (hour(1), lifted(code, room, "Brindolet", 10)),
            (hour(30), deed),
        ]
    };
    for (code, room) in [("C-1", "cellar"), ("C-2", "cellar"), ("B-1", "back-room")] {
        enter(&daemon, &packed(code, room)).await;
    }
    // Packed on 2 December: to be looked at after two weeks.
    farm.clock.set(hour(14 * 24 + 20));
    assert!(!daemon.get("/").await.text.contains("due for a look"));
    farm.clock.set(hour(15 * 24 + 20));
    holds(
        &daemon.get("/").await.text,
        &[
            "<a href=\"/round\">3 crates are due for a look: 1 in the back-room, 2 in the cellar</a>",
        ],
    );
    let look = |at| {
        (
            at,
            json!({ "kind": "looked", "crate": "C-1", "finding": "sound" }),
        )
    };
    enter(&daemon, &[look(hour(15 * 24 + 19))]).await;
    holds(
        &daemon.get("/").await.text,
        &["2 crates are due for a look"],
    );
    let wish = [("what", "wish"), ("variety", "Ossamurle"), ("plants", "12")];
    assert_eq!(fill(&daemon, "/planting", &wish).await.status, 303);

    let feed = daemon.get("/feeds/rounds.ics").await;
    assert_eq!(
        (feed.status, feed.media.as_str()),
        (200, "text/calendar; charset=utf-8")
    );
    let read: Vec<_> = ical::IcalParser::new(feed.text.as_bytes()).collect();
    let events = &read[0].as_ref().unwrap().events;
    let told: Vec<(String, String)> = events
        .iter()
        .map(|event| {
            let value = |name: &str| {
                let property = event.properties.iter().find(|p| p.name == name);
                property.and_then(|p| p.value.clone()).unwrap_or_default()
            };
            assert!(!value("UID").is_empty() && !value("DTSTAMP").is_empty());
            (value("DTSTART"), value("SUMMARY"))
        })
        .collect();
    let told: Vec<(&str, &str)> = told
        .iter()
        .map(|(day, what)| (day.as_str(), what.as_str()))
        .collect();
    assert_eq!(
        told,
        [
            ("20261216", "Look at 1 crate in the back-room"),
            ("20261216", "Look at 1 crate in the cellar"),
            ("20261230", "Look at 1 crate in the cellar"),
            ("20270110", "Order what is short: 1 variety"),
            ("20270410", "Bring tubers into the warmth"),
            ("20270424", "Divide 30 clumps"),
            ("20270515", "Planting begins"),
        ]
    );
    // Who has it already is told so.
    let request = daemon
        .client
        .get(format!("{}/feeds/rounds.ics", daemon.base));
    let response = request.send().await.unwrap();
    let tag = response.headers()["etag"].clone();
    let request = daemon
        .client
        .get(format!("{}/feeds/rounds.ics", daemon.base));
    let again = request.header("if-none-match", tag).send().await.unwrap();
    assert_eq!(again.status().as_u16(), 304);
    holds(
        &daemon.get("/planting").await.text,
        &["href=\"/feeds/rounds.ics\""],
    );
    daemon.running.finish().await;
}
