//! The first page never says that all is well when nobody can know.

use std::sync::Arc;

use overwinter::{
    inbox::{self, Board},
    notify::words::Manner,
    watch::Stamp,
    web::{self, Site, access::Access},
};

use crate::farm::{Answer, Daemon, Farm, START, client, field, minute};

const WALL: &str = r#"
[[sensor]]
name = "wall"
room = "cellar"
role = "surface"
interval = "10min"
"#;

async fn both(daemon: &Daemon, at: Stamp, north: (f64, f64), south: (f64, f64)) {
    daemon.say("north", at, north.0, north.1).await;
    daemon.say("south", at, south.0, south.1).await;
    daemon.say("back", at, 9.0, 80.0).await;
}

async fn part(daemon: &Daemon, sensor: &str, at: Stamp, name: &str, value: f64) {
    let at = at.to_rfc3339();
    let body = format!(r#"{{"sensor":"{sensor}","measured_at":"{at}","{name}":{value}}}"#);
    assert_eq!(daemon.post("application/json", body).await.status, 200);
}

fn verdict(page: &str) -> String {
    let (_, after) = page.split_once("<h1 id=\"verdict\">").unwrap();
    after.split_once("</h1>").unwrap().0.replace("\u{a0}", " ")
}

async fn says(daemon: &Daemon) -> String {
    verdict(&daemon.get("/").await.text)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_cold_corner_is_not_hidden_by_a_mean() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    both(&daemon, START, (9.0, 80.0), (9.0, 80.0)).await;
    assert_eq!(
        says(&daemon).await,
        "All well in the cellar and the back-room."
    );
    both(&daemon, START.plus(1000), (1.0, 80.0), (11.0, 80.0)).await;
    assert_eq!(
        says(&daemon).await,
        "No alert, but it is cold in the cellar just now."
    );
    let list = "code,room,place,variety,form,packing,count,dug,weight,note\n\
                C-01,cellar,wall / 1,Morrowlin,clump,peat,4,,,\n";
    let mut tx = daemon.store().begin().await.unwrap();
    let crates = overwinter::stock::list::parse(list).crates;
    tx.import_crates(&crates, START, "a test").await.unwrap();
    tx.commit().await.unwrap();
    let page = daemon.get("/crates").await.text;
    assert!(page.contains("cold, no alert yet"), "{page}");
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn sweating_is_not_well() {
    let farm = Farm::new(WALL);
    let daemon = farm.start().await;
    both(&daemon, START, (10.0, 80.0), (10.0, 80.0)).await;
    // The dew point of 10 C and 80 % is 6.7 C (WMO-No. 8).
    part(&daemon, "wall", START, "temperature_c", 6.0).await;
    assert_eq!(
        says(&daemon).await,
        "No alert, but it is sweating in the cellar just now."
    );
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_humidity_that_is_no_longer_said_is_missed() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    both(&daemon, START, (9.0, 81.0), (9.0, 81.0)).await;
    for n in [20, 40] {
        farm.clock.set(minute(n));
        for sensor in ["north", "south"] {
            part(&daemon, sensor, minute(n), "temperature_c", 9.0).await;
        }
        daemon.say("back", minute(n), 9.0, 80.0).await;
    }
    let page = daemon.get("/").await.text;
    assert_eq!(
        verdict(&page),
        "No humidity is heard from the cellar any more."
    );
    // What each sensor says now; the picture of the last two days still has it.
    let said: Vec<&str> = page.split("class=\"read\">").skip(1).collect();
    assert_eq!(said.len(), 2);
    for sensor in said {
        assert!(!sensor[..sensor.find('<').unwrap()].contains("81"));
    }
    let status = daemon.get("/api/status").await.json();
    assert_eq!(
        status["sensors"][0]["humidity_pct"],
        serde_json::Value::Null
    );
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_recorder_that_is_gone_is_told() {
    let farm = Farm::new("");
    let engine = farm.engine().await.unwrap();
    let (inbox, _) = inbox::channel();
    let config = farm.config();
    let site = Site {
        name: config.site,
        manner: Manner {
            zone: config.zone,
            unit: config.unit,
        },
        notice: None,
        clock: farm.clock.clone(),
        status: engine.status(),
        store: engine.store().clone(),
        inbox,
        board: Board::default(),
        access: Arc::new(Access::new(
            overwinter::cli::access::names(&farm.config()),
            config.listen,
        )),
        told: Arc::default(),
        accounts: overwinter::engine::account::Accounts::default(),
        looking: Arc::new(tokio::sync::Semaphore::new(1)),
    };
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let base = format!("http://{}", listener.local_addr().unwrap());
    let pages = tokio::spawn(axum::serve(listener, web::router(site)).into_future());
    for (path, status) in [("/readyz", 200), ("/", 200)] {
        let answer = Answer::of(client().get(format!("{base}{path}"))).await;
        assert_eq!(answer.status, status, "{path}");
        assert!(!answer.text.contains("stands still"));
    }
    drop(engine);
    for (path, status) in [("/readyz", 503), ("/", 200)] {
        let answer = Answer::of(client().get(format!("{base}{path}"))).await;
        assert_eq!(answer.status, status, "{path}");
        assert!(answer.text.contains("stands still"), "{}", answer.text);
    }
    pages.abort();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nobody_is_led_elsewhere() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    both(&daemon, START, (0.5, 80.0), (9.0, 80.0)).await;
    farm.clock.set(minute(20));
    both(&daemon, minute(20), (0.5, 80.0), (9.0, 80.0)).await;
    let page = daemon.get("/").await.text;
    let occurrence = field(&page, "occurrence");
    for back in [
        "//evil.example",
        "/\t/evil.example",
        "/\\evil.example",
        "https://evil.example",
    ] {
        let body = crate::farm::encoded(&[("occurrence", &occurrence), ("back", back)]);
        let answer = daemon
            .client
            .post(format!("{}/alerts/acknowledge", daemon.base))
            .header("content-type", "application/x-www-form-urlencoded")
            .body(body)
            .send()
            .await
            .unwrap();
        assert_eq!(answer.headers()["location"], "/", "{back:?}");
    }
    daemon.running.finish().await;
}
