//! Posted readings: what is answered, what is kept, and what a device without the time is given.

use overwinter::watch::Stamp;
use serde_json::json;

use crate::farm::{Answer, Daemon, Farm, HEADER, START, hour, minute, object, row};

fn is_problem(answer: &Answer, status: u16, kind: &str) {
    assert_eq!(
        (answer.status, answer.media.as_str()),
        (status, "application/problem+json"),
        "{}",
        answer.text
    );
    let json = answer.json();
    assert_eq!(json["type"], kind, "{json}");
    assert_eq!(json["status"], status, "{json}");
    for member in ["title", "detail"] {
        assert!(
            json[member].as_str().is_some_and(|t| !t.is_empty()),
            "{json}"
        );
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_answer_has_its_status_and_its_reason() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    let readings = format!("{}/api/readings", daemon.base);
    let good = object("north", START, 9.0, 80.0);

    let bare = daemon
        .client
        .post(&readings)
        .header("content-type", "application/json");
    is_problem(
        &Answer::of(bare.body(good.clone())).await,
        401,
        "/problems/token",
    );
    for wrong in ["Bearer another-token", "Bearer ", "Basic YTpi"] {
        let asked = daemon
            .client
            .post(&readings)
            .header("authorization", wrong)
            .header("content-type", "application/json")
            .body(good.clone());
        is_problem(&Answer::of(asked).await, 401, "/problems/token");
    }
    is_problem(
        &Answer::of(daemon.client.get(&readings)).await,
        405,
        "/problems/method",
    );
    is_problem(
        &Answer::of(daemon.client.put(&readings)).await,
        405,
        "/problems/method",
    );
    for media in ["text/plain", "", "application/x-www-form-urlencoded"] {
        let answer = daemon.post(media, good.clone()).await;
        is_problem(&answer, 415, "/problems/media-type");
    }
    for (media, body) in [
        ("application/json", b"{\"sensor\":".to_vec()),
        ("application/json", b"".to_vec()),
        ("application/json", b"\xff\xfe{}".to_vec()),
        ("text/csv", b"when,what\n1,2\n".to_vec()),
        ("text/csv", b"".to_vec()),
    ] {
        is_problem(&daemon.post(media, body).await, 400, "/problems/body");
    }
    for (media, limit) in [("application/json", 1 << 20), ("text/csv", 5 << 20)] {
        let answer = daemon.post(media, vec![b' '; limit + 1]).await;
        is_problem(&answer, 413, "/problems/too-large");
    }
    let beyond = daemon
        .post(
            "application/json; charset=utf-8",
            object("north", START, 9.0, 180.0),
        )
        .await;
    is_problem(&beyond, 422, "/problems/nothing-understood");
    assert_eq!(beyond.counts(), [0, 0, 0, 1]);
    let error = &beyond.json()["errors"][0];
    assert_eq!(
        (&error["status"], &error["line"]),
        (&json!(422), &json!(1)),
        "{error}"
    );
    assert!(error["detail"].as_str().unwrap().contains("180"), "{error}");
    assert_eq!(daemon.store().count_readings().await.unwrap(), 0);

    let some = format!(
        "{HEADER}{}2026-12-01T00:20:00Z,north,warm,80,\n{}",
        row("north", START, 9.0, 80.0),
        row("attic", START, 9.0, 80.0)
    );
    let answer = daemon.post("text/csv", some.clone()).await;
    assert_eq!(
        (answer.status, answer.counts()),
        (200, [1, 0, 0, 2]),
        "{}",
        answer.text
    );
    let errors = answer.json()["errors"].clone();
    for (index, line, what) in [(0, 3, "`warm` is no number"), (1, 4, "`attic`")] {
        let error = &errors[index];
        assert_eq!(
            (&error["type"], &error["line"]),
            (&json!("/problems/reading"), &json!(line))
        );
        assert!(error["detail"].as_str().unwrap().contains(what), "{error}");
    }
    let again = daemon.post("text/csv", some).await;
    assert_eq!(
        (again.status, again.counts()),
        (200, [0, 1, 0, 2]),
        "{}",
        again.text
    );
    // Nothing in it, nothing wrong with it.
    let nothing = daemon.post("application/json", "[]").await;
    assert_eq!((nothing.status, nothing.counts()), (200, [0, 0, 0, 0]));
    // SenML (RFC 8428): seconds of 1970 stand for the time of day, one quantity a record.
    let seconds = START.0 / 1000 - 7200;
    let pack = format!(
        r#"[{{"bn":"north/","bt":{seconds},"n":"t","u":"Cel","v":9.1}},
            {{"n":"rh","u":"%RH","v":80.5}},{{"n":"t","u":"degF","v":50}}]"#
    );
    let answer = daemon.post("application/senml+json", pack).await;
    assert_eq!(answer.status, 200, "{}", answer.text);
    let said = answer.json();
    assert_eq!((&said["stored"], &said["refused"]), (&json!(1), &json!(1)));
    assert_eq!(said["errors"][0]["line"], 3, "{said}");
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_first_word_stands_and_halves_become_one_reading() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    let post = async |text: &str| {
        daemon
            .post("application/json", text.to_owned())
            .await
            .counts()
    };
    let at = START.to_rfc3339();

    let first = object("back", START, 9.0, 80.0);
    assert_eq!(post(&first).await, [1, 0, 0, 0]);
    assert_eq!(post(&first).await, [0, 1, 0, 0]);
    assert_eq!(post(&object("back", START, 9.5, 80.0)).await, [0, 0, 1, 0]);
    let status = daemon.get("/api/status").await.json();
    assert_eq!(
        status["sensors"][2]["temperature_c"], 9.0,
        "the first is kept"
    );
    let page = daemon.get("/sensors").await.text;
    assert!(page.contains("<b>1</b> contradicting"), "{page}");

    // Temperature and humidity apart: one instant, and the mould line knows both.
    let t = format!(r#"{{"sensor":"north","measured_at":"{at}","temperature_c":10.0}}"#);
    let rh = format!(r#"{{"sensor":"north","measured_at":"{at}","humidity_pct":84.0}}"#);
    assert_eq!(post(&t).await, [1, 0, 0, 0]);
    assert_eq!(post(&rh).await, [1, 0, 0, 0]);
    assert_eq!(post(&format!("[{rh},{t}]")).await, [0, 2, 0, 0]);
    let status = daemon.get("/api/status").await.json();
    let north = &status["sensors"][0];
    assert_eq!(
        [
            &north["measured_at"],
            &north["temperature_c"],
            &north["humidity_pct"]
        ],
        [&json!("2026-12-01T00:00:00Z"), &json!(10.0), &json!(84.0)]
    );
    // WMO-No. 8 (2018), annex 4.B, for 10 C and 84 %.
    let dew = north["dew_point_c"].as_f64().unwrap();
    assert!((dew - 7.42).abs() < 0.01, "{dew}");
    daemon.running.finish().await;
}

/// Halves that arrive apart are judged with both: the damp limit follows the temperature.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn halves_are_judged_together() {
    // At 40 F mould begins at 90 %: 88 % is damp by the band alone and not by the line.
    for (t, alerts) in [(4.6, 0), (10.0, 1)] {
        let farm = Farm::new("");
        let daemon = farm.start().await;
        for step in 0..=18 {
            let now = minute(20 * step);
            farm.clock.set(now);
            let at = now.to_rfc3339();
            let halves = [
                format!(r#"{{"sensor":"north","measured_at":"{at}","temperature_c":{t}}}"#),
                format!(r#"{{"sensor":"north","measured_at":"{at}","humidity_pct":88}}"#),
            ];
            for half in halves {
                assert_eq!(
                    daemon.post("application/json", half).await.counts(),
                    [1, 0, 0, 0]
                );
            }
        }
        let found = daemon.get("/api/alerts").await.json();
        let damp = found
            .as_array()
            .unwrap()
            .iter()
            .filter(|a| a["kind"] == "rot-risk")
            .count();
        assert_eq!(damp, alerts, "{t} C: {found}");
        daemon.running.finish().await;
    }
}

async fn measured(daemon: &Daemon) -> Vec<Stamp> {
    let mut found = Vec::new();
    daemon
        .store()
        .fold(|input| {
            if let overwinter::watch::Input::Reading(r) = input {
                found.push(r.measured_at);
            }
        })
        .await
        .unwrap();
    found
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_device_without_the_time_is_kept_marked_and_judged_now() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    daemon.say("north", START, 9.0, 80.0).await;
    let page = daemon.get("/sensors").await.text;
    assert!(!page.contains("Its clock is wrong"), "{page}");

    // Ten minutes ahead.
    let now = minute(20);
    farm.clock.set(now);
    daemon.say("north", minute(30), 9.0, 80.0).await;
    let page = daemon.shows("/sensors", "Its clock is wrong").await;
    assert_eq!(page.matches("Its clock is wrong").count(), 1);
    assert_eq!(measured(&daemon).await, [START, now]);
    // Four minutes ahead is merely fast.
    farm.clock.set(minute(40));
    daemon.say("north", minute(44), 9.0, 80.0).await;
    let page = daemon.get("/sensors").await.text;
    assert!(!page.contains("Its clock is wrong"), "{page}");

    // A board that starts at 1970 and sends three readings, ten minutes apart, at once.
    let now = hour(2);
    farm.clock.set(now);
    let rows: Vec<String> = (0..3)
        .map(|n| object("south", Stamp(n * 600_000), 0.5, 80.0))
        .collect();
    let body = format!("[{}]", rows.join(","));
    let first = daemon.post("application/json", body.clone()).await;
    assert_eq!(first.counts(), [3, 0, 0, 0], "{}", first.text);
    let given = [now.plus(-1_200_000), now.plus(-600_000), now];
    assert_eq!(measured(&daemon).await[3..], given);
    let page = daemon.shows("/sensors", "Its clock is wrong").await;
    assert_eq!(page.matches("Its clock is wrong").count(), 1, "of south");

    // The answer was lost: the same three again, a little later.
    farm.clock.set(now.plus(30_000));
    let again = daemon.post("application/json", body.clone()).await;
    assert_eq!(again.counts(), [0, 3, 0, 0], "{}", again.text);
    assert_eq!(daemon.store().count_readings().await.unwrap(), 6);

    // A long memory, sent twice: the distances reach further back than a retry may come late.
    let rows: Vec<String> = (0..13)
        .map(|n| object("back", Stamp(n * 600_000), 9.0, 80.0))
        .collect();
    let body = format!("[{}]", rows.join(","));
    for counts in [[13, 0, 0, 0], [0, 13, 0, 0]] {
        let answer = daemon.post("application/json", body.clone()).await;
        assert_eq!(answer.counts(), counts, "{}", answer.text);
        farm.clock.set(now.plus(90_000));
    }

    // Frost for fifteen minutes by its own distances: 20 minutes of it were in that post.
    let alerts = daemon.get("/api/alerts").await.json();
    let frost: Vec<_> = alerts
        .as_array()
        .unwrap()
        .iter()
        .filter(|a| a["kind"] == "frost")
        .collect();
    assert_eq!(frost.len(), 1, "{alerts}");
    assert_eq!(frost[0]["raised_at"], now.to_rfc3339());
    daemon.running.finish().await;
}

/// Two copies of one post may share a transaction.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_retry_beside_the_first_try_is_no_second_reading() {
    use overwinter::inbox::{Batch, Message};
    let farm = Farm::new("");
    let mut engine = farm.engine().await.unwrap();
    let heard = (0..3).map(|n| overwinter::watch::Heard {
        sensor: overwinter::watch::SensorName::new("south").unwrap(),
        device_at: Some(Stamp(n * 600_000)),
        received_at: None,
        values: overwinter::watch::Values {
            temperature_mc: Some(9000),
            ..Default::default()
        },
        line: 1,
    });
    let batch = Batch {
        source: overwinter::watch::SensorName::new("gateway").unwrap(),
        heard: heard.collect(),
        refused: Vec::new(),
        position: None,
    };
    let copies = vec![Message::Readings(batch.clone()), Message::Readings(batch)];
    let receipts = engine.commit(copies).await.unwrap();
    let counts: Vec<_> = receipts
        .iter()
        .flatten()
        .map(|r| (r.stored, r.duplicate))
        .collect();
    assert_eq!(counts, [(3, 0), (0, 3)]);
    engine.close().await;
}

/// `received_at` belongs to files of the past; who speaks now is heard now.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nobody_can_say_when_they_will_be_heard() {
    let farm = Farm::new(crate::farm::FILE);
    let daemon = farm.start().await;
    let far = "2099-01-01T00:00:00Z";
    let header = format!("{},received_at\n", HEADER.trim_end());
    let text = |sensor: &str| {
        let row = row(sensor, START, 9.0, 80.0);
        format!("{header}{},{far}\n", row.trim_end())
    };
    let posted = daemon.post("text/csv", text("back")).await;
    assert_eq!(posted.counts(), [1, 0, 0, 0], "{}", posted.text);
    farm.append("north.csv", &text("north"));
    daemon.stored(2).await;
    farm.clock.set(minute(20));
    daemon.say("south", minute(20), 9.0, 80.0).await;
    let status = daemon.get("/api/status").await.json();
    let heard: Vec<_> = status["sensors"]
        .as_array()
        .unwrap()
        .iter()
        .map(|s| &s["heard_at"])
        .collect();
    assert_eq!(
        heard,
        [
            "2026-12-01T00:00:00Z",
            "2026-12-01T00:20:00Z",
            "2026-12-01T00:00:00Z"
        ]
    );
    daemon.running.finish().await;
}
