//! What people do with alerts, sensors and rooms over HTTP, and what the pages say of it.

use std::process::Command;

use crate::farm::{Answer, Daemon, Farm, encoded, hour, minute};

async fn press(daemon: &Daemon, path: &str, pairs: &[(&str, &str)]) -> Answer {
    let request = daemon
        .client
        .post(format!("{}{path}", daemon.base))
        .header("content-type", "application/x-www-form-urlencoded")
        .body(encoded(pairs));
    Answer::of(request).await
}

async fn say(daemon: &Daemon, n: i64, cellar: (f64, f64)) {
    for sensor in ["north", "south"] {
        daemon.say(sensor, minute(n), cellar.0, cellar.1).await;
    }
    daemon.say("back", minute(n), 9.0, 80.0).await;
}

/// The cellar's air for these minutes, spoken every ten.
async fn pass(farm: &Farm, daemon: &Daemon, minutes: std::ops::RangeInclusive<i64>, t: f64) {
    for n in minutes.step_by(10) {
        farm.clock.set(minute(n));
        say(daemon, n, (t, 80.0)).await;
    }
}

async fn occurrence(daemon: &Daemon, kind: &str) -> String {
    let alerts = daemon.get("/api/alerts").await.json();
    let found = alerts
        .as_array()
        .unwrap()
        .iter()
        .find(|a| a["kind"] == kind);
    let found = found.unwrap_or_else(|| panic!("no {kind}: {alerts}"));
    found["occurrence"].as_str().unwrap().to_owned()
}

fn open(page: &str) -> usize {
    page.matches("<article").count()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_shelf_has_a_reason_and_an_end() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    pass(&farm, &daemon, 0..=70, 3.0).await;
    let it = occurrence(&daemon, "cold").await;
    let shelve = |reason: &'static str, span: &'static str| {
        let it = it.clone();
        let daemon = &daemon;
        async move {
            let pairs = [
                ("occurrence", it.as_str()),
                ("reason", reason),
                ("span", span),
            ];
            press(daemon, "/alerts/shelve", &pairs).await
        }
    };
    // Refused in words, and what was typed is still there.
    for (reason, span, why) in [
        ("", "2h", "so that the next person knows"),
        (
            "the flap sticks",
            "25h",
            "longer than an alert may lie on the shelf",
        ),
        ("the flap sticks", "soon", "Choose for how long"),
        ("the flap sticks", "0s", "must end in the future"),
    ] {
        let answer = shelve(reason, span).await;
        assert_eq!(answer.status, 422, "{span}");
        assert!(answer.text.contains(why), "{}", answer.text);
        assert!(answer.text.contains(&format!("value=\"{reason}\"")));
    }
    assert_eq!(open(&daemon.get("/alerts").await.text), 1);

    assert_eq!(shelve("the flap sticks", "2h").await.status, 303);
    let page = daemon.get("/alerts").await.text;
    assert_eq!(open(&page), 0, "{page}");
    assert!(
        page.contains("Set aside") && page.contains("the flap sticks"),
        "{page}"
    );
    let now = daemon.get("/").await.text;
    assert!(!now.contains("class=\"tally"), "it is not counted");
    let api = daemon.get("/api/alerts").await.json();
    assert_eq!(api[0]["state"], "shelved");
    assert_eq!(api[0]["active"], true);

    // Taken off by hand it is told anew under a name of its own; the old one reaches nothing.
    let pairs = [("occurrence", it.as_str())];
    assert_eq!(press(&daemon, "/alerts/unshelve", &pairs).await.status, 303);
    let later = occurrence(&daemon, "cold").await;
    assert_ne!(later, it);
    assert_eq!(press(&daemon, "/alerts/unshelve", &pairs).await.status, 422);
    assert_eq!(
        press(&daemon, "/alerts/acknowledge", &pairs).await.status,
        303
    );
    assert_eq!(
        daemon.get("/api/alerts").await.json()[0]["state"],
        "unacknowledged"
    );
    let old = daemon.get(&format!("/alert?{}", encoded(&pairs))).await;
    assert!(
        old.text.contains("A later one has followed it"),
        "{}",
        old.text
    );
    assert!(old.text.contains("What stands now"));

    // Every act of a person is on record, with who did it and why.
    let deeds = daemon.store().deeds(9).await.unwrap();
    let kinds: Vec<&str> = deeds.iter().map(|(_, _, act)| act.kind()).collect();
    assert_eq!(kinds, ["unshelve", "shelve"]);
    assert!(format!("{:?}", deeds[1]).contains("the flap sticks"));
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn frost_stands_until_somebody_has_looked_at_the_crates() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    pass(&farm, &daemon, 0..=30, 0.5).await;
    // Dry air, or the cold crates would sweat in it.
    for n in (40..=90).step_by(10) {
        farm.clock.set(minute(n));
        say(&daemon, n, (9.0, 45.0)).await;
    }
    let it = occurrence(&daemon, "frost").await;
    let pairs = [("occurrence", it.as_str())];
    let now = daemon.get("/").await.text;
    assert!(
        now.contains("It was near frost in the cellar from 0:00 in the night, for 40 minutes. Look at the crates, then acknowledge and reset it."),
        "{now}"
    );
    assert!(
        !now.contains("if it comes back"),
        "it is looked at now: {now}"
    );
    assert_eq!(
        press(&daemon, "/alerts/reset", &pairs).await.status,
        422,
        "not seen yet"
    );
    assert_eq!(
        press(&daemon, "/alerts/acknowledge", &pairs).await.status,
        303
    );
    let page = daemon
        .get(&format!("/alert?{}", encoded(&pairs)))
        .await
        .text;
    assert!(
        page.contains("Reset: I have looked at the crates"),
        "{page}"
    );
    assert_eq!(press(&daemon, "/alerts/reset", &pairs).await.status, 303);
    assert_eq!(
        daemon.get("/api/alerts").await.json(),
        serde_json::json!([])
    );
    let page = daemon
        .get(&format!("/alert?{}", encoded(&pairs)))
        .await
        .text;
    assert!(page.contains("It is over. Seen by the grower"), "{page}");
    assert!(page.contains("the grower: reset"), "{page}");
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_shelf_ends_by_itself_and_is_no_secret_until_then() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    pass(&farm, &daemon, 0..=70, 3.0).await;
    let it = occurrence(&daemon, "cold").await;
    let pairs = [
        ("occurrence", it.as_str()),
        ("reason", "the flap sticks"),
        ("span", "2h"),
    ];
    assert_eq!(press(&daemon, "/alerts/shelve", &pairs).await.status, 303);
    let now = daemon.get("/").await.text;
    assert!(
        now.contains("No alert, but it is cold in the cellar just now."),
        "{now}"
    );
    assert!(
        now.contains("On the shelf: cold in the cellar, until 3:10 in the night."),
        "{now}"
    );
    assert!(now.contains("Cold, set aside"), "{now}");
    pass(&farm, &daemon, 80..=180, 3.0).await;
    assert_eq!(
        daemon.get("/api/alerts").await.json()[0]["state"],
        "shelved"
    );
    pass(&farm, &daemon, 190..=200, 3.0).await;
    let alerts = daemon.get("/api/alerts").await.json();
    assert_eq!(alerts[0]["state"], "unacknowledged");
    assert_ne!(alerts[0]["occurrence"], it.as_str(), "a raising of its own");
    // What was done about the old one is still to be read.
    let old = daemon
        .get(&format!("/alert?{}", encoded(&pairs[..1])))
        .await;
    let done = "the grower: put on the shelf until Tue 1 Dec, 3:10: the flap sticks";
    assert!(old.text.contains(done), "{}", old.text);
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_longest_shelf_of_its_own_is_offered_and_named() {
    let farm = Farm::new("[alerts]\nlongest_shelf = \"3h\"\n");
    let daemon = farm.start().await;
    pass(&farm, &daemon, 0..=70, 3.0).await;
    let it = occurrence(&daemon, "cold").await;
    let page = daemon
        .get(&format!("/alert?{}", encoded(&[("occurrence", &it)])))
        .await
        .text;
    assert!(page.contains("3 h, the longest"), "{page}");
    assert!(!page.contains("four hours"), "{page}");
    let shelve = [
        ("occurrence", it.as_str()),
        ("reason", "the flap sticks"),
        ("span", "4h"),
    ];
    let refused = press(&daemon, "/alerts/shelve", &shelve).await;
    assert_eq!(refused.status, 422);
    assert!(refused.text.contains("at most 3 h"), "{}", refused.text);
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_sensor_that_is_mended_and_a_room_that_is_empty_tell_nothing() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    pass(&farm, &daemon, 0..=70, 3.0).await;
    for sensor in ["north", "south"] {
        let pairs = [("sensor", sensor), ("reason", "its cable is mended")];
        assert_eq!(press(&daemon, "/sensors/service", &pairs).await.status, 303);
    }
    let page = daemon.get("/alerts").await.text;
    assert_eq!(open(&page), 0, "{page}");
    assert!(page.contains("Sensor north in the cellar"), "{page}");
    let now = daemon.get("/").await.text;
    assert!(
        now.contains("Nobody watches the cellar: the sensors there are out of service."),
        "{now}"
    );
    assert!(
        daemon
            .get("/sensors")
            .await
            .text
            .contains("by the grower: its cable is mended. Return it")
    );
    // Nor is their silence told.
    for n in (80..=200).step_by(10) {
        farm.clock.set(minute(n));
        daemon.say("back", minute(n), 9.0, 80.0).await;
    }
    assert_eq!(open(&daemon.get("/alerts").await.text), 0);
    let refused = press(
        &daemon,
        "/sensors/service",
        &[("sensor", "north"), ("reason", " ")],
    )
    .await;
    assert_eq!(refused.status, 422);
    let refused = press(&daemon, "/sensors/service", &[("sensor", "nobody")]).await;
    assert_eq!(refused.status, 422);
    for sensor in ["north", "south"] {
        press(&daemon, "/sensors/service", &[("sensor", sensor)]).await;
    }
    pass(&farm, &daemon, 210..=280, 3.0).await;
    assert_eq!(open(&daemon.get("/alerts").await.text), 1);

    let stage = [("room", "cellar"), ("stage", "empty")];
    assert_eq!(press(&daemon, "/rooms/stage", &stage).await.status, 303);
    assert_eq!(open(&daemon.get("/alerts").await.text), 0);
    assert_eq!(
        daemon.get("/api/status").await.json()["rooms"][0]["stage"],
        "empty"
    );
    pass(&farm, &daemon, 290..=400, -2.0).await;
    assert_eq!(open(&daemon.get("/alerts").await.text), 0);
    let now = daemon.get("/").await.text;
    assert!(now.contains("All well in the back-room."), "{now}");
    assert!(
        !now.contains("no alert yet") && !now.contains("<b>below</b>"),
        "{now}"
    );
    let unknown = press(
        &daemon,
        "/rooms/stage",
        &[("room", "cellar"), ("stage", "party")],
    )
    .await;
    assert_eq!(unknown.status, 400);
    daemon.running.finish().await;
    // It is still empty after a restart.
    let daemon = farm.start().await;
    assert_eq!(
        daemon.get("/api/status").await.json()["rooms"][0]["stage"],
        "empty"
    );
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nobody_is_told_and_the_page_says_so() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    let page = daemon.get("/told").await.text;
    assert!(page.contains("Nobody is told anything"), "{page}");
    let answer = press(&daemon, "/told/test", &[("channel", "mail")]).await;
    assert_eq!(answer.status, 422);
    assert!(answer.text.contains("add a [[contact]]"), "{}", answer.text);
    for missing in [
        "/alert",
        "/alert?occurrence=x",
        "/alert?occurrence=20261201T021000000Z+frost+1+room+x",
    ] {
        assert_eq!(daemon.get(missing).await.status, 404, "{missing}");
    }
    daemon.running.finish().await;
}

const TOLD: &str = r#"
[[command]]
name = "siren"
run = ["cat"]

[[contact]]
name = "Odile"
channels = ["siren"]
"#;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn another_limit_is_looked_back_with_before_it_is_put_into_force() {
    let farm = Farm::new(TOLD);
    let daemon = farm.start().await;
    // Dry at 73 % for sixteen hours of each of three days.
    for n in 0..3 * 24 * 3 {
        farm.clock.set(minute(n * 20));
        let rh = if n % 72 < 48 { 73.0 } else { 80.0 };
        say(&daemon, n * 20, (9.0, rh)).await;
    }
    farm.clock.set(hour(72));
    let page = |limit: &str| {
        let daemon = &daemon;
        let query = encoded(&[
            ("room", "cellar"),
            ("kind", "dry-out"),
            ("limit", limit),
            ("since", "2026-12-01"),
        ]);
        async move { daemon.get(&format!("/alerts/look-back?{query}")).await.text }
    };
    let told = page("72").await;
    assert!(
        told.contains("With 72 % instead of 75 % in the cellar you would have had 0 messages instead of 3 since 1 December."),
        "{told}"
    );
    assert!(told.contains("3 messages were really owed"), "{told}");
    assert!(
        told.contains("beyond = &#34;72%&#34;")
            || told.contains("beyond = \"72%\"")
            || told.contains("72%"),
        "{told}"
    );
    assert!(page("dry").await.contains("Give the limit as a number"));
    assert!(page("69").await.contains("the first must be milder"));
    assert!(
        page("")
            .await
            .contains("75 % for 12 hours, then 70 % for 24 hours")
    );
    daemon.running.finish().await;

    // The same on the command line, from the database, with the limits of another file.
    let other = farm.text().replace(
        "[[room]]\nname = \"cellar\"",
        "[[room]]\nname = \"cellar\"\nhumidity = [\"72%\", \"85%\"]",
    );
    std::fs::write(farm.path("other.toml"), other).unwrap();
    let replay = |format: &str| {
        let output = Command::new(env!("CARGO_BIN_EXE_overwinter"))
            .args(["replay", "--config"])
            .arg(farm.path("other.toml"))
            .args(["--since", "2026-12-01", "--format", format])
            .output()
            .unwrap();
        assert!(output.status.success(), "{output:?}");
        String::from_utf8(output.stdout).unwrap()
    };
    let days: Vec<serde_json::Value> = replay("jsonl")
        .lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .filter(|l: &serde_json::Value| l.get("day").is_some())
        .collect();
    let sum = |name: &str| days.iter().filter_map(|d| d[name].as_i64()).sum::<i64>();
    assert_eq!(
        (sum("messages"), sum("sent"), sum("difference")),
        (0, 3, -3),
        "{days:#?}"
    );
    let table = replay("text");
    assert!(
        table.contains("together") && table.contains("difference"),
        "{table}"
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_morning_summary_tells_the_night() {
    let farm = Farm::new("");
    let heard = farm.path("heard");
    let farm = farm.and(&format!(
        r#"
[[command]]
name = "phone"
run = ["sh", "-c", "cat >> '{}'"]

[[contact]]
name = "Odile"
channels = ["phone"]
"#,
        heard.display()
    ));
    let daemon = farm.start().await;
    let entry = |days: i64, deed: &str| {
        let at = minute(-days * 24 * 60).to_rfc3339();
        format!(r#"{{"noted_at":"{at}","deed":{deed}}}"#)
    };
    let lifted = |code: &str| {
        format!(
            r#"{{"kind":"lifted","into":{{"crate":"{code}","room":"back-room"}},"variety":"Brindolet","count":9}}"#
        )
    };
    let entries = [
        entry(4, &lifted("F-1")),
        entry(20, &lifted("F-2")),
        entry(18, r#"{"kind":"packed","crate":"F-2","packing":"peat"}"#),
    ];
    let request = daemon
        .client
        .post(format!("{}/api/stock/entries", daemon.base))
        .header("content-type", "application/json")
        .body(format!(r#"{{"entries":[{}]}}"#, entries.join(",")));
    assert!(!Answer::of(request).await.text.contains("refused"));
    // Warm and damp until midnight, colder than the band for two hours, back again; one sensor dies.
    for n in (0..=420).step_by(10) {
        farm.clock.set(minute(n));
        let t = if (120..240).contains(&n) { 3.5 } else { 9.0 };
        daemon.say("north", minute(n), t, 80.0).await;
        if n < 300 {
            daemon.say("south", minute(n), 9.5, 81.0).await;
        }
        daemon.say("back", minute(n), 8.0, 78.0).await;
    }
    let text = crate::farm::until("the summary comes", async || {
        let text = std::fs::read_to_string(&heard).unwrap_or_default();
        let summary = text
            .lines()
            .map(|l| serde_json::from_str::<serde_json::Value>(l).unwrap())
            .find(|m| m["purpose"] == "summary")?;
        Some(summary["long"].as_str()?.to_owned())
    })
    .await;
    for line in [
        "- the cellar: 3.5 to 9.5 C, 80 to 81 %, outside its band for 2 hours, heard for 7 hours.",
        "- the back-room: 8.0 C, 78 %, in its band all the time, heard for 7 hours.",
        "2 of 3 sensors heard; no word from south.",
        "Standing:\n- Act today: No word from sensor south in the cellar. Since 4:50 in the night",
        "Came and went, or waits:\n- Look soon: Cold in the cellar.",
        "With the crates:\n- 1 crate is due for a look.\n- Bare for three days: F-1. They dry out: pack them today.",
    ] {
        assert!(text.contains(line), "{line}\n---\n{text}");
    }
    daemon.running.finish().await;
}
