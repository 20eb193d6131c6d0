//! Crates that are listed beside a running daemon, and what is weighed of them.

use std::sync::Arc;

use overwinter::{
    climate::Packing,
    engine::status::Status,
    inbox::{Message, Unavailable},
    stock::list::{parse, write},
    store::Store,
    watch::{
        Act, Refusal, Stamp,
        act::Weighed,
        models::{Krate, Weighing},
        reading::MINUTE_MS,
    },
};
use sqlx::{Connection, SqliteConnection};

use crate::farm::{Answer, Daemon, Farm, HEADER, START, STEP_MS, encoded, hour, row, until};

const LIST: &str = "\
code,room,place,variety,form,packing,count,dug,weight,note,prepared
C-01,cellar,north wall / 1,Brindolet,division,shavings,60,2026-10-21,4.5 kg,,washed; not cured
C-02,cellar,north wall / 2,Quenbrisk,clump,peat,24,2026-10-22,,,brushed; cured
B-01,back-room,rack 1 / 1,Ossamurle,clump,bare,20,2026-10-22,,,
";

/// Brings a list in as somebody does who knows nothing of the daemon.
async fn import(farm: &Farm, list: &str) {
    let parsed = parse(list);
    assert_eq!(parsed.faults, []);
    let store = Store::open(&farm.config().database).await.unwrap();
    let mut tx = store.begin().await.unwrap();
    let at = farm.clock.now();
    tx.import_crates(&parsed.crates, at, "a test")
        .await
        .unwrap();
    tx.commit().await.unwrap();
    store.close().await;
}

/// How often such an act is in the log.
async fn acts(farm: &Farm, kind: &str) -> i64 {
    let url = format!("sqlite://{}", farm.config().database.display());
    let mut db = SqliteConnection::connect(&url).await.unwrap();
    let acts = sqlx::query_scalar("select count(*) from act where kind = ?1").bind(kind);
    let acts = acts.fetch_one(&mut db).await.unwrap();
    db.close().await.unwrap();
    acts
}

/// The air of both rooms over these hours, brought in at their end.
async fn pass(farm: &Farm, daemon: &Daemon, from: i64, to: i64) {
    farm.clock.set(hour(to));
    let mut text = HEADER.to_owned();
    let mut at = hour(from);
    let mut rows = 0;
    while at < hour(to) {
        for (sensor, t, rh) in [
            ("north", 9.0, 70.0),
            ("south", 9.4, 72.0),
            ("back", 8.0, 60.0),
        ] {
            text.push_str(&row(sensor, at, t, rh));
            rows += 1;
        }
        at = at.plus(STEP_MS);
    }
    let answer = daemon.post("text/csv", text).await;
    assert_eq!(answer.counts(), [rows, 0, 0, 0], "{}", answer.text);
}

fn status(daemon: &Daemon) -> Arc<Status> {
    daemon.running.status.borrow().clone()
}

/// Waits until the daemon knows this of a crate.
async fn knows(daemon: &Daemon, code: &str, what: impl Fn(&Krate) -> bool) -> Arc<Status> {
    until(&format!("the daemon has heard of {code}"), async || {
        let now = status(daemon);
        now.models.krate(code).is_some_and(&what).then_some(now)
    })
    .await
}

/// Lets minutes pass, and waits at each until the recorder has looked around.
async fn minutes(farm: &Farm, daemon: &Daemon, n: i64) {
    for _ in 0..n {
        let at = farm.clock.now().plus(MINUTE_MS);
        farm.clock.set(at);
        until("a minute has passed", async || {
            (at <= status(daemon).at).then_some(())
        })
        .await;
    }
}

/// Every crate, and the dose it took up to an instant.
fn stock(status: &Status, at: Stamp) -> Vec<(Krate, f64)> {
    let models = &status.models;
    let dose = |k: &Krate| models.stand(k, at).expect("a crate in a watched room").dose;
    models.crates().map(|k| (k.clone(), dose(k))).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_list_that_comes_beside_the_daemon_is_noticed_once() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    pass(&farm, &daemon, 0, 26).await;
    minutes(&farm, &daemon, 1).await;
    assert_eq!(status(&daemon).models.crates().count(), 0);
    import(&farm, LIST).await;
    // Nothing arrives: it is looked all the same, a few seconds later.
    farm.clock.set(farm.clock.now().plus(6000));
    let now = knows(&daemon, "b-01", |_| true).await;
    let facts: Vec<_> = (now.models.crates())
        .map(|k| {
            let f = &k.facts;
            (
                f.code.as_str(),
                f.room.as_str(),
                f.packing,
                f.tubers_g,
                f.divided,
                f.washed,
                f.uncured,
            )
        })
        .collect();
    assert_eq!(
        facts,
        [
            (
                "B-01",
                "back-room",
                Packing::Bare,
                None,
                false,
                false,
                false
            ),
            (
                "C-01",
                "cellar",
                Packing::Shavings,
                Some(4500),
                true,
                true,
                true
            ),
            ("C-02", "cellar", Packing::Peat, None, false, false, false),
        ]
    );
    assert_eq!(acts(&farm, "crates").await, 1);
    let kept = daemon.store().crates().await.unwrap();
    let mut listed = parse(LIST).crates;
    listed.sort_by(|a, b| a.code.cmp(&b.code));
    assert_eq!(parse(&write(&kept)).crates, listed);

    // Looked at again and again, and a remark that is nothing to the air: no further word of it.
    minutes(&farm, &daemon, 2).await;
    import(
        &farm,
        &LIST.replace("24,2026-10-22,,,", "24,2026-10-22,,soft,"),
    )
    .await;
    minutes(&farm, &daemon, 2).await;
    assert_eq!(acts(&farm, "crates").await, 1);

    pass(&farm, &daemon, 27, 52).await;
    let before = stock(&status(&daemon), hour(52));
    assert!(before.iter().all(|(_, dose)| 0.0 < *dose), "{before:?}");
    let other = LIST.replace("division,shavings", "division,plastic wrap");
    import(&farm, &other.replace("brushed; cured", "washed; cured")).await;
    farm.clock.set(hour(52).plus(6000));
    let now = knows(&daemon, "C-01", |k| k.facts.packing == Packing::PlasticWrap).await;
    assert!(now.models.krate("C-02").unwrap().facts.washed);
    assert_eq!(acts(&farm, "crates").await, 2);
    let after = stock(&now, hour(52));
    for ((was, dose), (is, same)) in before.iter().zip(&after) {
        assert_eq!(
            (&was.facts.code, dose.to_bits()),
            (&is.facts.code, same.to_bits())
        );
    }
    assert_ne!(before[1].0.coefficient, after[1].0.coefficient);
    assert_eq!(before[0].0, after[0].0);
    daemon.running.finish().await;

    // The log holds all of it: the same crates with the same dose, and nothing is written again.
    for _ in 0..2 {
        let daemon = farm.start().await;
        assert_eq!(stock(&status(&daemon), hour(52)), after);
        minutes(&farm, &daemon, 1).await;
        assert_eq!(acts(&farm, "crates").await, 2);
        daemon.running.finish().await;
    }
    // What was listed while the daemon was off is known when it starts.
    import(
        &farm,
        &format!("{LIST}C-03,cellar,,Fennuvar,clump,sand,9,,,,\n"),
    )
    .await;
    let daemon = farm.start().await;
    let now = status(&daemon);
    assert_eq!(
        now.models.krate("C-01").unwrap().facts.packing,
        Packing::Shavings
    );
    assert_eq!(now.models.crates().count(), 4);
    assert_eq!(acts(&farm, "crates").await, 3);
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn weighings_are_kept_and_impossible_ones_refused() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    pass(&farm, &daemon, 0, 30).await;
    import(&farm, LIST).await;
    farm.clock.set(hour(30).plus(6000));
    knows(&daemon, "C-01", |_| true).await;
    let weigh = async |krate: &str, weighed_at: Stamp, grams: u32| {
        let weighed = Weighed {
            krate: krate.to_owned(),
            weighed_at,
            grams,
            anew: false,
        };
        let who = "the grower".to_owned();
        let act = Act::Weighed(weighed);
        daemon.running.inbox.send(Message::Act { act, who }).await
    };
    for (krate, at, refusal) in [
        ("C-99", hour(30), Refusal::NoCrate),
        ("C-01", hour(31), Refusal::NoAirThen),
        ("C-01", START.plus(-1), Refusal::NoAirThen),
    ] {
        let told = weigh(krate, at, 9000).await.unwrap_err();
        assert_eq!(told, Unavailable::Refused(refusal.to_string()));
    }
    assert_eq!(
        Refusal::NoCrate.to_string(),
        "there is no such crate in a room that is watched"
    );
    assert_eq!(
        Refusal::NoAirThen.to_string(),
        "a weighing lies between the first reading of the room and now"
    );
    assert_eq!(acts(&farm, "weighed").await, 0);

    weigh("C-01", hour(1), 9000).await.unwrap();
    weigh("c-01", hour(29), 8960).await.unwrap();
    let now = knows(&daemon, "C-01", |k| k.weighings.len() == 2).await;
    let weighed = &now.models.krate("C-01").unwrap().weighings;
    let grams: Vec<(Stamp, u32)> = weighed.iter().map(|w| (w.at, w.grams)).collect();
    assert_eq!(grams, [(hour(1), 9000), (hour(29), 8960)]);
    let dose = |w: &Weighing| w.dose;
    assert!(dose(&weighed[0]) < dose(&weighed[1]), "{weighed:?}");
    let before = stock(&now, hour(30));
    daemon.running.finish().await;

    let daemon = farm.start().await;
    assert_eq!(stock(&status(&daemon), hour(30)), before);
    assert_eq!(acts(&farm, "weighed").await, 2);
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_crate_has_a_page_with_what_threatens_it_and_takes_its_weight() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    pass(&farm, &daemon, 0, 50).await;
    import(&farm, LIST).await;
    farm.clock.set(hour(50).plus(6000));
    knows(&daemon, "C-01", |_| true).await;
    let page = daemon.get("/crate?code=c-01").await.text;
    for told in [
        "Crate C-01",
        "the cellar, north wall / 1",
        "Drying",
        "by planting on 15 May",
        "Mould index 0.00 of 6 on raw wood",
        "divided and washed and packed before the skins were dry",
        "Hukka and Viitanen 1999",
        "two weighings of this crate make it a measured one",
        "aria-labelledby=\"of-drying-n\"",
    ] {
        assert!(page.contains(told), "`{told}` is not on the page:\n{page}");
    }
    // In dry air the barest crate is lost first.
    let list = daemon.get("/crates").await.text;
    let place = |code: &str| list.find(&format!("/crate?code={code}")).unwrap();
    assert!(place("B-01") < place("C-01").min(place("C-02")), "{list}");

    let weigh = async |code: &str, weight: &str| {
        let form = [("kind", "weighed"), ("crate", code), ("weight", weight)];
        let request = daemon
            .client
            .post(format!("{}/crate/enter", daemon.base))
            .header("content-type", "application/x-www-form-urlencoded")
            .body(encoded(&form));
        Answer::of(request).await
    };
    assert_eq!(weigh("C-01", "4.5 kg").await.status, 303);
    let now = knows(&daemon, "C-01", |k| k.weighings.len() == 1).await;
    assert_eq!(now.models.krate("C-01").unwrap().weighings[0].grams, 4500);
    let page = daemon.get("/crate?code=C-01").await.text;
    assert!(page.contains("Weighed once."), "{page}");
    for (weight, why) in [
        ("heavy", "That is no weight"),
        ("0", "No crate weighs that"),
    ] {
        let answer = weigh("C-01", weight).await;
        assert_eq!(answer.status, 422);
        assert!(answer.text.contains(why), "{}", answer.text);
    }
    assert_eq!(acts(&farm, "weighed").await, 1);
    for code in ["C-99", "", "<script>alert(1)</script>"] {
        assert_eq!(weigh(code, "4").await.status, 404);
        let path = format!("/crate?{}", encoded(&[("code", code)]));
        let answer = daemon.get(&path).await;
        assert_eq!(answer.status, 404);
        assert!(!answer.text.contains("<script>alert"), "{}", answer.text);
    }
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_weighing_that_is_taken_back_tells_of_no_drying() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    pass(&farm, &daemon, 0, 50).await;
    import(&farm, LIST).await;
    farm.clock.set(hour(50).plus(6000));
    knows(&daemon, "C-01", |_| true).await;
    let enter = async |deed: &str| {
        let request = daemon
            .client
            .post(format!("{}/api/stock/entries", daemon.base))
            .header("content-type", "application/json")
            .body(format!(
                "{{\"entries\":[{{\"deed\":{deed},\"sure\":true}}]}}"
            ));
        let answer = Answer::of(request).await;
        assert!(answer.text.contains("\"entered\""), "{}", answer.text);
    };
    let weigh = |grams: u32| format!(r#"{{"kind":"weighed","crate":"C-01","grams":{grams}}}"#);
    enter(&weigh(4500)).await;
    farm.clock.set(hour(51));
    // Entry 4 is the first weighing. A figure was left out.
    enter(&weigh(440)).await;
    knows(&daemon, "C-01", |k| {
        k.weighings.iter().any(|w| w.grams == 440)
    })
    .await;
    enter(r#"{"kind":"undone","entry":5}"#).await;
    let now = knows(&daemon, "C-01", |k| {
        k.weighings.iter().all(|w| w.grams != 440)
    })
    .await;
    assert_eq!(now.models.krate("C-01").unwrap().weighed_loss(), None);
    let before = stock(&now, hour(52));
    daemon.running.finish().await;
    let daemon = farm.start().await;
    assert_eq!(stock(&status(&daemon), hour(52)), before);
    daemon.running.finish().await;
}
