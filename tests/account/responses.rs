//! What the record tells of alerts and of what people did, read from disk.

use overwinter::{
    season::{
        calendar::Calendar,
        period::Period,
        responses::{History, Responses, responses},
        trail::Row,
    },
    stock::{
        CrateCode, Form, Treatment,
        ledger::{Asked, Deed, Entry, EntryId, To},
    },
    store::{Store, ledger::Request, photos::Photo, responses::Responded},
    watch::{
        Act, Band, Figures, Kind, Limits, Occurrence, Priority, RoomSettings, Settings, Stage,
        Stamp, State, Subject, Transition,
        act::{Shelve, Staged, Started},
        reading::HOUR_MS,
    },
};

const CALENDAR: Calendar = Calendar::new(chrono_tz::UTC);

/// So many hours into the winter.
fn hour(n: i64) -> Stamp {
    CALENDAR.span(Period::whole(2026)).0.plus(n * HOUR_MS)
}

fn code(text: &str) -> CrateCode {
    text.parse().unwrap()
}

fn lifted(into: &str) -> Deed {
    Deed::Lifted {
        into: To {
            code: code(into),
            room: "cellar".into(),
            place: String::new(),
            packing: "peat".into(),
        },
        variety: "Nacrewhistle".into(),
        form: Form::Clump,
        count: 12,
        dug: None,
    }
}

fn dampened(krate: &str) -> Deed {
    Deed::Treated {
        krate: code(krate),
        how: Treatment::Dampened,
    }
}

fn settings(low_c: f64) -> Act {
    let limits = Limits::storing(Band {
        low_c,
        high_c: 10.0,
        low_pct: 75.0,
        high_pct: 90.0,
    });
    Act::Settings(Settings {
        rooms: vec![RoomSettings::storing("cellar", limits)],
        ..Settings::default()
    })
}

fn dry_at(at: Stamp) -> Occurrence {
    Occurrence {
        raised_at: at,
        kind: Kind::DryOut,
        level: 1,
        subject: Subject::Room("cellar".into()),
    }
}

fn changed(occurrence: &Occurrence, at: Stamp, from: State, to: State, active: bool) -> Transition {
    Transition {
        at,
        occurrence: occurrence.clone(),
        kind: occurrence.kind,
        subject: occurrence.subject.clone(),
        room: "cellar".into(),
        priority: Priority::Medium,
        from,
        to,
        active,
        figures: Figures::default(),
    }
}

async fn enter(store: &Store, at: Stamp, deed: Deed) {
    let mut tx = store.begin().await.unwrap();
    let asked = [Asked::from(deed)];
    let request = Request {
        asked: &asked,
        together: false,
        at,
        who: "Wendel",
        doubt: &|_| None,
    };
    tx.enter(&request).await.unwrap();
    tx.commit().await.unwrap();
}

/// A store with a little of everything.
async fn filled(store: &Store) {
    let occurrence = dry_at(hour(100));
    let mut tx = store.begin().await.unwrap();
    let shelve = Act::Shelve(Shelve {
        occurrence: occurrence.clone(),
        until: hour(110),
        one_shot: false,
        reason: "the humidifier is being filled".into(),
    });
    let acts = [
        (hour(0), "configuration", settings(4.0)),
        (
            hour(50),
            "recorder",
            Act::Started(Started {
                off_from: hour(48),
                stepped: false,
            }),
        ),
        (hour(103), "Odile", shelve),
        (hour(200), "configuration", settings(5.0)),
        (
            hour(300),
            "Odile",
            Act::Stage(Staged {
                room: "cellar".into(),
                stage: Stage::Waking,
            }),
        ),
    ];
    for (n, (at, who, act)) in acts.iter().enumerate() {
        tx.append_act(n as u64 + 1, *at, who, act).await.unwrap();
    }
    use State::{Acknowledged, Normal, Unacknowledged};
    let raised = changed(&occurrence, hour(100), Normal, Unacknowledged, true);
    let seen = changed(&occurrence, hour(102), Unacknowledged, Acknowledged, true);
    let over = changed(&occurrence, hour(130), Acknowledged, Normal, false);
    tx.record(&raised, None).await.unwrap();
    tx.record(&seen, Some("Odile")).await.unwrap();
    tx.record(&over, None).await.unwrap();
    tx.log_access(hour(90), "Odile", "signed in", "a phone")
        .await
        .unwrap();
    tx.commit().await.unwrap();
    enter(store, hour(10), lifted("A-1")).await;
    enter(store, hour(104), dampened("A-1")).await;
    let krate = store.stock().await.unwrap().find(&code("A-1")).unwrap().0;
    let photo = Photo {
        key: "p-1".into(),
        krate,
        at: hour(104),
        who: "Wendel".into(),
        jpeg: vec![1],
    };
    store.keep_photo(&photo).await.unwrap();
}

async fn account(store: &Store) -> Responses {
    let (from, to) = CALENDAR.span(Period::whole(2026));
    let known = store.responded(from, to).await.unwrap();
    let entries = store.entries_after(EntryId(0), 10_000).await.unwrap();
    told(&known, &entries)
}

fn told(known: &Responded, entries: &[Entry]) -> Responses {
    let (from, to) = CALENDAR.span(Period::whole(2026));
    responses(&History {
        from,
        to,
        calendar: &CALENDAR,
        alerts: &known.alerts,
        acts: &known.acts,
        messages: &known.messages,
        entries,
        forecasts: &[],
        forgotten: None,
        heard: &known.heard,
    })
}

#[tokio::test]
async fn the_record_tells_what_was_said_and_done() {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::open(&dir.path().join("store.db")).await.unwrap();
    filled(&store).await;
    let told = account(&store).await;
    let [alert] = &told.alerts[..] else {
        panic!("one alert: {:?}", told.alerts);
    };
    assert_eq!(alert.seen_after_min, Some(120.0));
    assert_eq!(alert.seen_by.as_deref(), Some("Odile"));
    assert_eq!(alert.hours, Some(30.0));
    assert_eq!(alert.answers[0].what, "shelved");
    assert_eq!(
        (alert.after[0].what.as_str(), alert.after[0].crates),
        ("dampened", 1)
    );
    assert!((told.off_h - 2.0).abs() < 1e-9);
    assert_eq!(told.rounds.crates[0].to.to_string(), "2026-07-13");
    let json = serde_json::to_string(&told).unwrap();
    assert_eq!(serde_json::from_str::<Responses>(&json).unwrap(), told);
    store.close().await;
}

#[tokio::test]
async fn the_trail_is_the_same_in_pieces_of_any_size() {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::open(&dir.path().join("store.db")).await.unwrap();
    filled(&store).await;
    let whole = trail(&store, 1000).await;
    let words: Vec<_> = whole
        .iter()
        .map(|r| format!("{} {} {}: {}", r.what, r.who, r.about, r.detail))
        .collect();
    let starts = [
        "settings configuration : 1 rooms, 0 sensors",
        "lifted Wendel A-1: {",
        "started recorder recorder: off from 2026-07-03T00:00:00Z",
        "signed in Odile : a phone",
        "shelve Odile 20260705T040000000Z dry-out 1 room cellar: until ",
        "treated Wendel A-1: {",
        "photo Wendel A-1: ",
    ];
    for (word, start) in words.iter().zip(starts) {
        assert!(word.starts_with(start), "{word}, wanted {start}");
    }
    let band = "settings configuration room cellar: limits.band.low_c: 4.0 -> 5.0";
    assert!(words.iter().any(|w| w == band), "{words:#?}");
    assert_eq!(words.last().unwrap(), "stage Odile room cellar: waking");
    assert!(whole.is_sorted_by_key(|r| r.at));
    for most in 1..=6 {
        assert_eq!(trail(&store, most).await, whole, "in pieces of {most}");
    }
    store.close().await;
}

async fn trail(store: &Store, most: u32) -> Vec<Row> {
    let (from, to) = CALENDAR.span(Period::whole(2026));
    let (mut all, mut after) = (Vec::new(), None);
    loop {
        let (rows, mark) = store.trail(from, to, after, most).await.unwrap();
        all.extend(rows);
        if mark.is_none() {
            return all;
        }
        after = mark;
    }
}
