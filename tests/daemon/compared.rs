//! A sensor that was compared with something known: entered on the page or by a program, judged, shown,
//! taken back, kept over a restart, and not in what goes out as readings.

use std::process::Command;

use overwinter::{
    cli::data::write_readings,
    engine::{
        backtest::recorded,
        due::{Here, due},
    },
    inbox::Message,
    stock::due::Duty,
    watch::{Act, Correction, Kind, SensorName, act::Corrected, correction},
};
use serde_json::{Value, json};

use crate::farm::{Answer, Daemon, Farm, encoded, hour, minute};

const GATEWAY: &str = r#"
[[sensor]]
name = "gw-1/7"
room = "cellar"
role = "air"
interval = "10min"
"#;

async fn press(daemon: &Daemon, pairs: &[(&str, &str)]) -> Answer {
    let request = daemon
        .client
        .post(format!("{}/sensors/compare", daemon.base))
        .header("content-type", "application/x-www-form-urlencoded")
        .body(encoded(pairs));
    Answer::of(request).await
}

async fn send(daemon: &Daemon, sensor: &str, body: &Value) -> Answer {
    let path = format!("{}/api/sensors/{sensor}/corrections", daemon.base);
    let request = daemon.client.post(path).body(body.to_string());
    Answer::of(request).await
}

/// The first sensor of the status, the cellar's north.
async fn north(daemon: &Daemon) -> Value {
    daemon.get("/api/status").await.json()["sensors"][0].clone()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_found_in_ice_is_shown_and_judged_from_then_on() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    for n in [0, 10] {
        farm.clock.set(minute(n));
        daemon.say("north", minute(n), 3.0, 80.0).await;
    }
    let page = daemon.get("/sensors").await.text;
    assert!(page.contains("/sensors/compare?sensor=north"), "{page}");
    let page = daemon.get("/sensors/compare?sensor=north").await.text;
    assert!(page.contains("Nothing is added to what it says."), "{page}");
    let page = daemon
        .get("/sensors/compare?sensor=north&way=ice")
        .await
        .text;
    assert!(page.contains("unplug what hangs on the mains"), "{page}");

    let ice = [("sensor", "north"), ("way", "ice"), ("t_read", "2")];
    let answer = press(&daemon, &ice).await;
    assert_eq!(answer.status, 303, "{}", answer.text);
    // Shown at once, with what it says itself.
    let now = north(&daemon).await;
    assert_eq!(now["temperature_c"], 1.0);
    assert_eq!(
        now["said"],
        json!({"temperature_c": 3.0, "humidity_pct": null})
    );
    let page = daemon.get("/sensors").await.text;
    assert!(
        page.contains("Corrected: it says 3.0 C itself; \u{2212}2.0 C added since 1 Dec."),
        "{page}"
    );
    assert!(page.contains("last compared 1 Dec"), "{page}");
    let page = daemon.get("/sensors/compare?sensor=north").await.text;
    assert!(
        page.contains("<b>\u{2212}2.0 C</b> from 1 Dec, 0:10, holds now"),
        "{page}"
    );
    assert!(page.contains("In melting ice it said 2.0 C."), "{page}");
    assert!(page.contains("the grower, 1 Dec, 0:10"), "{page}");

    // 3 C is no frost, 1 C is.
    for n in (20..=60).step_by(10) {
        farm.clock.set(minute(n));
        daemon.say("north", minute(n), 3.0, 80.0).await;
    }
    let alerts = daemon.get("/api/alerts").await.json();
    let frost = alerts.as_array().unwrap();
    let frost = frost.iter().find(|a| a["kind"] == "frost").unwrap();
    assert_eq!(frost["figures"]["value"], 1.0);

    // What is stored stays as it was said; sums of the past go by the correction, also where it was
    // entered later.
    let id = daemon.running.status.borrow().settings.sensors[0].id;
    let mean = async || {
        let all = daemon
            .store()
            .means(id, minute(0), 3_600_000)
            .await
            .unwrap();
        (all[0].temperature, all[0].humidity.unwrap())
    };
    // Of the six readings in the first hour those from 0:10 on are corrected.
    assert_eq!(mean().await, ((3.0 + 5.0 * 1.0) / 6.0, 80.0));
    let back = json!({"humidity_points": 25.0 - 5.5, "temperature_k": 0.5, "from": minute(-10).to_rfc3339(), "why": "a salt"});
    let answer = send(&daemon, "north", &back).await;
    assert_eq!(answer.status, 201, "{}", answer.text);
    assert_eq!(
        mean().await,
        ((3.5 + 5.0 * 1.0) / 6.0, (99.5 + 5.0 * 80.0) / 6.0)
    );
    let recent = daemon.running.status.borrow().recent[&id].clone();
    let slots: Vec<_> = recent.slots().map(|s| s.temperature.unwrap()).collect();
    assert_eq!(slots, [3.5, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0]);
    let mut out = Vec::new();
    write_readings(daemon.store(), &mut out).await.unwrap();
    let out = String::from_utf8(out).unwrap();
    assert_eq!(out.matches(",north,3,80,").count(), 7, "{out}");

    // Played again from the log it comes to the same.
    let config = farm.config();
    let again = recorded(daemon.store(), config.watch, &config.telling)
        .await
        .unwrap();
    let frosts = again.raised.iter().filter(|(_, o)| o.kind == Kind::Frost);
    let frosts: Vec<_> = frosts.map(|(_, o)| o.to_string()).collect();
    assert_eq!(frosts, [frost["occurrence"].as_str().unwrap()]);

    // It is asked for again in a year.
    let here = Here {
        zone: chrono_tz::UTC,
        now: minute(60),
    };
    let status = daemon.running.status.borrow().clone();
    let all = due(daemon.store(), &status.settings, &status.models, here)
        .await
        .unwrap();
    let check = all.iter().find(|d| matches!(d.what, Duty::Check { .. }));
    let check = check.unwrap();
    assert_eq!(check.day.to_string(), "2027-12-01");
    let sensors = vec!["north".to_owned()];
    assert_eq!(check.what, Duty::Check { sensors });
    daemon.running.finish().await;

    let config = farm.path("overwinter.toml");
    std::fs::write(&config, farm.text()).unwrap();
    let ended = Command::new(env!("CARGO_BIN_EXE_overwinter"))
        .args(["export", "readings", "--config"])
        .arg(config)
        .output()
        .unwrap();
    assert_eq!(String::from_utf8_lossy(&ended.stdout), out);
    let told = String::from_utf8_lossy(&ended.stderr);
    assert!(
        told.contains("corrections were entered for north and are not in the file"),
        "{told}"
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_cannot_be_is_refused_and_what_was_typed_stands() {
    let farm = Farm::new(GATEWAY);
    let daemon = farm.start().await;
    farm.clock.set(minute(0));
    daemon.say("north", minute(0), 9.0, 80.0).await;
    let difference = |t: &'static str, from: &'static str, why: &'static str| {
        let daemon = &daemon;
        async move {
            let pairs = [
                ("sensor", "north"),
                ("way", "difference"),
                ("t_off", t),
                ("from", from),
                ("why", why),
            ];
            press(daemon, &pairs).await
        }
    };
    for (t, from, why, says) in [
        ("5.1", "", "a hunch", "and replace it"),
        (
            "1",
            "2027-01-01T08:00",
            "ice",
            "from now on or from an earlier time",
        ),
        ("1", "yesterday", "ice", "no day and hour"),
        ("1", "", "  ", "so that the next person knows"),
        ("warm", "", "ice", "is no number"),
        ("", "", "ice", "Fill in temperatures"),
    ] {
        let answer = difference(t, from, why).await;
        assert_eq!(answer.status, 422, "{t} {from} {why}");
        assert!(answer.text.contains(says), "{says}: {}", answer.text);
        assert!(answer.text.contains(&format!("value=\"{t}\"")));
    }
    let nobody = [("sensor", "west"), ("way", "ice"), ("t_read", "0")];
    assert_eq!(press(&daemon, &nobody).await.status, 404);
    assert_eq!(daemon.get("/sensors/compare?sensor=west").await.status, 404);
    assert_eq!(daemon.get("/sensors/compare").await.status, 404);
    let none = [
        ("sensor", "north"),
        ("begins", "2026-12-01T00:00:00Z"),
        ("why", "a slip"),
    ];
    let answer = press(&daemon, &none).await;
    assert_eq!(answer.status, 422);
    assert!(answer.text.contains("no such correction"));
    for (body, status) in [
        (json!({"temperature_k": 0.1, "why": ""}), 422),
        (json!({"temperature_k": -9.0, "why": "ice"}), 422),
        (json!({"why": "ice"}), 422),
        (
            json!({"temperature_k": 0.1, "from": "2030-01-01T00:00:00Z", "why": "ice"}),
            422,
        ),
        (
            json!({"temperature_k": 0.1, "why": "ice", "sensor": "south"}),
            400,
        ),
        (json!({"temperature_k": "0.1", "why": "ice"}), 400),
        (json!({"temperature_k": 0.1, "why": "x".repeat(401)}), 400),
    ] {
        let answer = send(&daemon, "north", &body).await;
        assert_eq!(answer.status, status, "{body}: {}", answer.text);
        assert_eq!(answer.json()["title"], "Nothing was corrected");
    }
    assert_eq!(send(&daemon, "west", &json!({})).await.status, 400);
    let fine = json!({"temperature_k": 0.0, "why": "right"});
    assert_eq!(send(&daemon, "west", &fine).await.status, 404);
    assert_eq!(daemon.store().corrections().await.unwrap(), []);

    // One sensor's name may hold a slash.
    let answer = send(&daemon, "gw-1%2F7", &fine).await;
    assert_eq!(answer.status, 201, "{}", answer.text);
    let list = daemon.get("/api/sensors/gw-1%2F7/corrections").await.json();
    assert_eq!(list["corrections"][0]["why"], "right");
    assert_eq!(list["corrections"][0]["who"], "the grower");
    let page = daemon.get("/sensors/compare?sensor=gw-1%2F7").await.text;
    assert!(page.contains("<b>nothing</b> from"), "{page}");
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn it_is_kept_with_who_and_when_and_can_be_taken_back() {
    let farm = Farm::new("");
    farm.clock.set(hour(1));
    let daemon = farm.start().await;
    let north = SensorName::new("north").unwrap();
    let act = Corrected {
        sensor: north.clone(),
        from: minute(30),
        temperature_mk: -400,
        humidity_mpct: 0,
        why: "in melting ice it said 0.4 C".to_owned(),
    };
    let message = Message::Act {
        act: Act::Corrected(act.clone()),
        who: "Odile".to_owned(),
    };
    daemon.running.inbox.send(message).await.unwrap();
    let first = Correction {
        sensor: north.clone(),
        from: act.from,
        temperature_mk: -400,
        humidity_mpct: 0,
        why: act.why,
        who: "Odile".to_owned(),
        entered_at: hour(1),
    };
    let all = daemon.store().corrections().await.unwrap();
    assert_eq!(all, std::slice::from_ref(&first));
    for n in [40, 70, 80] {
        farm.clock.set(minute(n.max(60)));
        daemon.say("north", minute(n), 9.0, 80.0).await;
    }
    // A salt says nothing of the temperature, which stays corrected.
    let salt = [
        ("sensor", "north"),
        ("way", "salt"),
        ("salt", "table-salt"),
        ("rh_read", "73.7"),
        ("t_read", "10"),
    ];
    assert_eq!(press(&daemon, &salt).await.status, 303);
    let now = self::north(&daemon).await;
    assert_eq!(
        (&now["temperature_c"], &now["said"]["temperature_c"]),
        (&json!(8.6), &json!(9.0))
    );
    assert_eq!(now["humidity_pct"], 81.978);
    // Half a correction may not begin before another one.
    let early = [
        ("sensor", "north"),
        ("way", "ice"),
        ("t_read", "0.1"),
        ("from", "2026-12-01T00:45"),
    ];
    let answer = press(&daemon, &early).await;
    assert_eq!(answer.status, 422);
    assert!(
        answer
            .text
            .contains("Another correction begins later, on 1 Dec, 1:20")
    );

    let before = (
        daemon.get("/api/status").await.json()["sensors"].clone(),
        daemon.running.status.borrow().recent.clone(),
    );
    daemon.running.finish().await;
    let daemon = farm.start().await;
    let after = (
        daemon.get("/api/status").await.json()["sensors"].clone(),
        daemon.running.status.borrow().recent.clone(),
    );
    assert_eq!(before, after, "folded again");

    let begins = minute(80).to_rfc3339();
    let back = [
        ("sensor", "north"),
        ("begins", begins.as_str()),
        ("why", "the salt was dry"),
    ];
    let mute = &back[..2];
    let answer = press(&daemon, mute).await;
    assert_eq!(answer.status, 422);
    assert!(answer.text.contains("Write why it is taken back"));
    assert_eq!(press(&daemon, &back).await.status, 303);
    let now = self::north(&daemon).await;
    assert_eq!(now["temperature_c"], 8.6, "what held before holds on");
    assert_eq!(now["humidity_pct"], 80.0);
    let page = daemon.get("/sensors/compare?sensor=north").await.text;
    assert!(page.contains("replaced by a later entry"), "{page}");
    assert!(page.contains("Taken back: the salt was dry."), "{page}");
    assert!(page.contains("Odile, 1 Dec, 1:00"), "{page}");
    let all = daemon.store().corrections().await.unwrap();
    assert_eq!(all.len(), 3);
    assert_eq!(all[0], first);
    assert_eq!(correction::compared(&all)[&north], hour(1));
    daemon.running.finish().await;
}
