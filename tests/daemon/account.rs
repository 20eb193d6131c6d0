//! What is looked back on: the figures of the alerts, their kinds, and the feed.

use overwinter::watch::Stamp;

use crate::farm::{Daemon, Farm, START, client, encoded, field, minute};

async fn frost(farm: &Farm, daemon: &Daemon) {
    for at in [START, minute(20)] {
        farm.clock.set(at);
        daemon.say("north", at, 0.5, 80.0).await;
        daemon.say("south", at, 9.0, 80.0).await;
        daemon.say("back", at, 9.0, 80.0).await;
    }
}

async fn see(daemon: &Daemon, occurrence: &str) {
    let answer = daemon
        .client
        .post(format!("{}/alerts/acknowledge", daemon.base))
        .header("content-type", "application/x-www-form-urlencoded")
        .body(encoded(&[("occurrence", occurrence)]))
        .send()
        .await
        .unwrap();
    assert_eq!(answer.status(), 303);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn alerts_have_figures() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    frost(&farm, &daemon).await;
    farm.clock.set(minute(30));
    let figures = daemon.get("/api/alerts/figures").await.json();
    assert_eq!(figures["days"], 30);
    assert_eq!(figures["to"], "2026-12-01T00:30:00Z");
    assert_eq!(figures["alerts"]["by_priority"]["high"], 1);
    assert_eq!(figures["alerts"]["most_frequent"]["kind"], "frost");
    let open = daemon.get("/api/alerts").await.json();
    let raised_at = open[0]["raised_at"].as_str().unwrap();
    let raised_at: Stamp = chrono::DateTime::parse_from_rfc3339(raised_at)
        .unwrap()
        .to_utc()
        .into();
    assert_eq!(
        figures["alerts"]["longest_unacknowledged_s"],
        minute(30).since(raised_at) / 1000
    );
    assert_eq!(figures["messages"]["windows"], 30 * 144);
    assert_eq!(figures["messages"]["count"], 0, "nobody is told here");
    for days in ["1", "400"] {
        let path = format!("/api/alerts/figures?days={days}");
        assert_eq!(daemon.get(&path).await.status, 200, "{days}");
    }
    for days in ["0", "401", "-1", "x", "", "1e2", "99999999999999999999"] {
        let answer = daemon
            .get(&format!("/api/alerts/figures?days={days}"))
            .await;
        assert_eq!(answer.status, 400, "{days}");
        assert_eq!(answer.json()["type"], "/problems/days");
    }
    let page = daemon.get("/alerts").await.text.replace('\u{a0}', " ");
    assert!(page.contains("<details id=\"figures\">"), "{page}");
    assert!(page.contains("Figures of the last 30 days"), "{page}");
    assert!(page.contains("Frost near in the cellar: 1 of 1 (100 %)"));
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn kinds_are_explained_as_they_are_configured() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    let page = daemon.get("/alerts/kinds").await;
    assert_eq!(page.status, 200);
    let text = page.text.replace('\u{a0}', " ");
    assert!(text.contains("cellar and back-room, storing"), "{text}");
    assert!(text.contains("1.7 C or less, for 15 min"), "{text}");
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_feed_follows_an_alert_and_spares_who_has_it() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    let address = format!("{}/feeds/alerts.atom", daemon.base);
    let fetch = async |known: Option<&str>| {
        let mut request = client().get(&address);
        if let Some(known) = known {
            request = request.header("if-none-match", known);
        }
        let answer = request.send().await.unwrap();
        let tag = answer.headers()["etag"].to_str().unwrap().to_owned();
        let media = answer.headers().get("content-type").cloned();
        (
            answer.status().as_u16(),
            tag,
            media,
            answer.text().await.unwrap(),
        )
    };
    let part = |text: &str, name: &str| -> Vec<String> {
        let document = roxmltree::Document::parse(text).unwrap();
        document
            .descendants()
            .filter(|n| n.has_tag_name(name) || n.tag_name().name() == name)
            .filter_map(|n| n.text().map(str::to_owned))
            .collect()
    };
    let (status, empty, media, _) = fetch(None).await;
    assert_eq!(status, 200);
    assert_eq!(media.unwrap(), "application/atom+xml; charset=utf-8");
    frost(&farm, &daemon).await;
    let (status, fresh, _, text) = fetch(Some(&empty)).await;
    assert_eq!(status, 200);
    assert_eq!(
        part(&text, "title")[1],
        "Frost near in the cellar: not seen yet"
    );
    let ids = part(&text, "id");
    let (status, same, media, nothing) = fetch(Some(&format!("\"x\", W/{fresh}"))).await;
    assert_eq!((status, same.as_str()), (304, fresh.as_str()));
    assert!(media.is_none() && nothing.is_empty());

    farm.clock.set(minute(40));
    let page = daemon.get("/").await.text;
    see(&daemon, &field(&page, "occurrence")).await;
    let (status, _, _, later) = fetch(Some(&fresh)).await;
    assert_eq!(status, 200);
    assert_eq!(part(&later, "id"), ids);
    assert_eq!(part(&later, "title")[1], "Frost near in the cellar: seen");
    assert!(part(&text, "updated")[1] < part(&later, "updated")[1]);
    daemon.running.finish().await;
}
