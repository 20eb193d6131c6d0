//! All three kinds of source at once, from a dry and a damp room to the button that was pressed; and
//! a cable that is pulled out.

use overwinter::{cli::demo::Cable, stock::list::parse, watch::Stamp};

use crate::farm::{
    Answer, Daemon, FILE, Farm, HEADER, START, STEP_MS, encoded, field, hour, minute, object, row,
    until,
};

fn serial(port: &str) -> String {
    format!("\n[[serial]]\nname = \"usb\"\nport = \"{port}\"\nsensor = \"south\"\nunit = \"C\"\n")
}

/// Dew point over water in C, solved here from WMO-No. 8 (2018), annex 4.B:
/// es = 6.112 exp(17.62 t / (243.12 + t)) hPa.
fn dew_point(t: f64, rh: f64) -> f64 {
    let x = (rh / 100.0).ln() + 17.62 * t / (243.12 + t);
    243.12 * x / (17.62 - x)
}

async fn press(daemon: &Daemon, occurrence: &str, origin: Option<&str>) -> Answer {
    let mut request = daemon
        .client
        .post(format!("{}/alerts/acknowledge", daemon.base))
        .header("content-type", "application/x-www-form-urlencoded")
        .body(encoded(&[("occurrence", occurrence), ("back", "/alerts")]));
    if let Some(origin) = origin {
        request = request.header("origin", origin);
    }
    Answer::of(request).await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_pages_say_the_same_of_a_room() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    let list = "code,room,variety,form,count\nB-01,back-room,Quenbrisk,clump,8\n";
    let mut tx = daemon.store().begin().await.unwrap();
    let crates = parse(list).crates;
    tx.import_crates(&crates, START, "list").await.unwrap();
    tx.commit().await.unwrap();

    farm.clock.set(minute(5));
    daemon.say("back", minute(5), 9.0, 65.0).await;
    daemon.shows("/", "Dry, no alert yet").await;
    daemon
        .shows("/crates", "9.0 C 65 %, dry, no alert yet")
        .await;
    daemon.say("back", minute(6), 9.0, 80.0).await;
    daemon.shows("/crates", "9.0 C 80 %, well").await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn three_sources_end_in_two_alerts_and_one_press() {
    let cable = Cable::new().unwrap();
    let farm = Farm::new(&format!("{FILE}{}", serial(&cable.path)));
    farm.append("north.csv", HEADER);
    let daemon = farm.start().await;
    daemon
        .shows("/sensors", &format!("{}: open", cable.path))
        .await;
    let page = daemon.get("/").await.text;
    assert!(page.contains("Nothing is heard from"), "{page}");

    // The cellar is damp by file and cable, the back room dry by post, for twelve hours.
    let mut stored = 0;
    let mut at = START;
    while at <= hour(12) {
        farm.clock.set(at);
        farm.append("north.csv", &row("north", at, 10.0, 92.0));
        cable.say("T=9.5C RH=93% bat=80%");
        daemon.say("back", at, 9.0, 65.0).await;
        stored += 3;
        daemon.stored(stored).await;
        at = at.plus(STEP_MS);
    }

    let page = daemon.shows("/", "Dry in the back-room").await;
    assert!(page.contains("Too damp in the cellar"), "{page}");
    let alerts = daemon.get("/api/alerts").await.json();
    let brief: Vec<_> = alerts
        .as_array()
        .unwrap()
        .iter()
        .map(|a| {
            ["kind", "subject", "priority", "state", "raised_at"].map(|k| a[k].as_str().unwrap())
        })
        .collect();
    assert_eq!(
        brief,
        [
            // The greater of the band's 90 % and the mould line, for six hours.
            [
                "rot-risk",
                "room cellar",
                "medium",
                "unacknowledged",
                "2026-12-01T06:00:00Z"
            ],
            [
                "dry-out",
                "room back-room",
                "low",
                "unacknowledged",
                "2026-12-01T12:00:00Z"
            ],
        ]
    );

    let status = daemon.get("/api/status").await.json();
    let close = |found: &serde_json::Value, wanted: f64| {
        let found = found.as_f64().unwrap();
        assert!((found - wanted).abs() < 0.005, "{found} for {wanted}");
    };
    for (sensor, t, rh) in [(0, 10.0, 92.0), (1, 9.5, 93.0), (2, 9.0, 65.0)] {
        close(&status["sensors"][sensor]["dew_point_c"], dew_point(t, rh));
    }
    close(&status["rooms"][0]["dew_point_c"], dew_point(9.75, 92.5));
    close(&status["rooms"][1]["dew_point_c"], dew_point(9.0, 65.0));
    assert_eq!(status["sensors"][1]["battery_pct"], 80);
    let shown = format!("Dew point {:.1} C", dew_point(9.75, 92.5));
    assert!(page.contains(&shown), "{shown}: {page}");

    one_press(&farm, &daemon, &page).await;
    daemon.running.finish().await;
}

async fn one_press(farm: &Farm, daemon: &Daemon, page: &str) {
    let occurrence = field(page, "occurrence");
    assert_eq!(occurrence, "20261201T060000000Z rot-risk 2 room cellar");
    let before = daemon.store().transitions().await.unwrap();

    // Not from another site, and not under another name.
    let elsewhere = press(daemon, &occurrence, Some("http://flowers.example")).await;
    assert_eq!(
        (elsewhere.status, elsewhere.media.as_str()),
        (403, "application/problem+json")
    );
    let port = daemon.running.address.port();
    let neighbour = format!("http://127.0.0.1:{}", port.wrapping_add(1));
    assert_eq!(
        press(daemon, &occurrence, Some(&neighbour)).await.status,
        403
    );
    assert_eq!(press(daemon, &occurrence, Some("null")).await.status, 403);
    for path in ["/", "/api/alerts", "/sensors"] {
        let named = daemon
            .client
            .get(format!("{}{path}", daemon.base))
            .header("host", "flowers.example");
        assert_eq!(Answer::of(named).await.status, 403, "{path}");
    }
    assert_eq!(daemon.store().transitions().await.unwrap(), before);

    farm.clock.set(hour(12).plus(60_000));
    for _ in 0..2 {
        let pressed = press(daemon, &occurrence, Some(&daemon.base)).await;
        assert_eq!(pressed.status, 303, "{}", pressed.text);
        farm.clock.set(hour(12).plus(120_000));
    }
    let page = daemon.shows("/", "Seen by the grower at 12:01").await;
    assert!(!page.contains("at 12:02"), "{page}");
    assert_eq!(
        field(&page, "occurrence"),
        "20261201T120000000Z dry-out 1 room back-room"
    );
    let after = daemon.store().transitions().await.unwrap();
    assert_eq!(after.len(), before.len() + 1, "pressed twice is once");
    let (named, at, from, to) = &after[before.len()];
    assert_eq!(
        (named.as_str(), *at, from.as_str(), to.as_str()),
        (
            occurrence.as_str(),
            hour(12).plus(60_000),
            "unacknowledged",
            "acknowledged"
        )
    );
    let alerts = daemon.get("/api/alerts").await.json();
    assert_eq!(alerts[0]["state"], "acknowledged");
    assert_eq!(alerts[1]["state"], "unacknowledged");

    // What names nothing that stands does nothing; what names nothing at all is said.
    let past = press(daemon, "20261201T055900000Z rot-risk 2 room cellar", None).await;
    assert_eq!(past.status, 303);
    assert_eq!(press(daemon, "<b>nothing", None).await.status, 400);
    assert_eq!(daemon.store().transitions().await.unwrap(), after);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_bad_line_of_each_source_is_counted_and_shown() {
    let cable = Cable::new().unwrap();
    let farm = Farm::new(&format!("{FILE}{}", serial(&cable.path)));
    let bad = "2026-12-01T00:00:00Z,north,<b>warm</b>,80,\n";
    let good = row("north", START, 9.0, 80.0);
    farm.append("north.csv", &format!("{HEADER}{bad}\"\n{good}"));
    let daemon = farm.start().await;
    daemon
        .shows("/sensors", &format!("{}: open", cable.path))
        .await;
    cable.say("<script>alert(1)</script>");
    cable.say("T=49.8K RH=80%");
    cable.say(&"x".repeat(400));
    cable.say("T=9.4C RH=180%");
    cable.say("T=9.4C RH=80%");
    let posted = daemon
        .post(
            "application/json",
            format!(
                r#"[{{"sensor":"back","temperature_c":"<i>9</i>"}},{},{{"sensor":"back","temperature":9}},7,{{"sensor":"attic","temperature_c":9}}]"#,
                object("back", START, 9.0, 80.0)
            ),
        )
        .await;
    assert_eq!(
        (posted.status, posted.counts()),
        (200, [1, 0, 0, 4]),
        "{}",
        posted.text
    );
    daemon.stored(3).await;

    let page = daemon.shows("/sensors", "&#60;script&#62;alert(1)").await;
    for shown in [
        "line 2: `&#60;b&#62;warm&#60;/b&#62;` is no number",
        "2 lines refused",
        "has no unit; call it temperature_c or temperature_f",
        "&#60;i&#62;9&#60;/i&#62;",
        "is longer than 256 bytes",
        "<code>attic</code>",
    ] {
        assert!(page.contains(shown), "{shown}: {page}");
    }
    for raw in ["<b>warm", "<script>alert", "<i>9"] {
        assert!(!page.contains(raw), "{raw}: {page}");
    }
    until("every refused line is counted", async || {
        let tallies = daemon.store().tallies().await.unwrap();
        let refused = |source: &str| -> i64 {
            tallies
                .iter()
                .filter(|t| t.source == source)
                .map(|t| t.refused)
                .sum()
        };
        let all = [refused("logger"), refused("usb"), refused("gateway")];
        (all == [2, 4, 4]).then_some(())
    })
    .await;

    // It runs on.
    farm.clock.set(minute(20));
    farm.append("north.csv", &row("north", minute(20), 9.0, 80.0));
    cable.say("id=south T=9.4C RH=80%");
    daemon.say("back", minute(20), 9.0, 80.0).await;
    daemon.stored(6).await;
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_cable_that_is_pulled_and_put_back_is_read_again() {
    let farm = Farm::new("");
    let link = farm.path("usb-port");
    let plug = |cable: &Cable| {
        let _ = std::fs::remove_file(&link);
        std::os::unix::fs::symlink(&cable.path, &link).unwrap();
    };
    let first = Cable::new().unwrap();
    plug(&first);
    let farm = farm.and(&serial(&link.display().to_string()));
    let daemon = farm.start().await;
    let open = format!("{}: open", link.display());
    daemon.shows("/sensors", &open).await;
    first.say("T=9.4C RH=80%");
    daemon.stored(1).await;

    let second = Cable::new().unwrap();
    drop(first);
    daemon.shows("/sensors", "closed (unplugged?)").await;
    plug(&second);
    farm.clock.set(minute(20));
    daemon.shows("/sensors", &open).await;
    second.say("T=9.6C RH=81%");
    daemon.stored(2).await;
    let newest: Stamp = minute(20);
    let status = daemon.get("/api/status").await.json();
    assert_eq!(status["sensors"][1]["temperature_c"], 9.6);
    assert_eq!(status["sensors"][1]["measured_at"], newest.to_rfc3339());
    daemon.running.finish().await;
}
