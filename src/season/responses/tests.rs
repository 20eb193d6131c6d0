//! What was said and done over hand-made winters.

use super::*;
use crate::{
    season::period::Period,
    stock::{
        CrateCode, Form, Treatment,
        ledger::{Deed, EntryId, Stock, To},
    },
    watch::{
        Arrives, Band, Limits, Role, RoomSettings, SensorId, SensorName, SensorSettings,
        act::{Named, Service, Shelve, Staged, Started},
        models::Expected,
    },
};

const CALENDAR: Calendar = Calendar::new(chrono_tz::UTC);

fn on(m: u32, d: u32, h: u32) -> Stamp {
    let year = if m < 7 { 2027 } else { 2026 };
    let day = NaiveDate::from_ymd_opt(year, m, d).unwrap();
    day.and_hms_opt(h, 0, 0).unwrap().and_utc().into()
}

fn alert(kind: Kind, subject: Subject, at: Stamp, ended: Option<Stamp>) -> Alerted {
    Alerted {
        occurrence: Occurrence {
            raised_at: at,
            kind,
            level: 1,
            subject,
        },
        room: "cellar".into(),
        priority: Priority::Medium,
        ended_at: ended,
        acknowledged_at: None,
        acknowledged_by: None,
        open: ended.is_none(),
    }
}

fn seen(alert: Alerted, after_h: i64) -> Alerted {
    Alerted {
        acknowledged_at: Some(alert.occurrence.raised_at.plus(after_h * HOUR_MS)),
        acknowledged_by: Some("Wendel".into()),
        ..alert
    }
}

fn cellar() -> Subject {
    Subject::Room("cellar".into())
}

fn did(at: Stamp, act: Act) -> Did {
    let who = "Odile".into();
    Did { at, who, act }
}

fn settings(checked: Option<NaiveDate>) -> Act {
    let limits = Limits::storing(Band {
        low_c: 4.0,
        high_c: 10.0,
        low_pct: 75.0,
        high_pct: 90.0,
    });
    Act::Settings(Settings {
        rooms: vec![RoomSettings::storing("cellar", limits)],
        sensors: vec![SensorSettings {
            id: SensorId(1),
            name: SensorName::new("north").unwrap(),
            room: "cellar".into(),
            role: Role::Air,
            crate_code: None,
            interval_ms: 5 * MINUTE_MS,
            arrives: Arrives::Live,
            near: None,
            accuracy: None,
            checked,
        }],
        ..Settings::default()
    })
}

fn entries(deeds: Vec<(Stamp, Deed)>) -> Vec<Entry> {
    let mut stock = Stock::default();
    let enter = |(n, (at, deed)): (usize, (Stamp, Deed))| Entry {
        id: EntryId(n as i64 + 1),
        at: at.to_utc(),
        noted_at: None,
        who: "Odile".into(),
        key: None,
        note: String::new(),
        changes: stock.enter(&deed, at.to_utc()).unwrap(),
        deed,
    };
    deeds.into_iter().enumerate().map(enter).collect()
}

fn code(text: &str) -> CrateCode {
    text.parse().unwrap()
}

fn lifted(krate: &str, room: &str) -> Deed {
    Deed::Lifted {
        into: To {
            code: code(krate),
            room: room.into(),
            place: String::new(),
            packing: "peat".into(),
        },
        variety: "Quenbrisk".into(),
        form: Form::Clump,
        count: 10,
        dug: None,
    }
}

fn dampened(krate: &str) -> Deed {
    Deed::Treated {
        krate: code(krate),
        how: Treatment::Dampened,
    }
}

fn nothing() -> History<'static> {
    let (from, to) = CALENDAR.span(Period::whole(2026));
    History {
        from,
        to,
        calendar: &CALENDAR,
        alerts: &[],
        acts: &[],
        messages: &[],
        entries: &[],
        forecasts: &[],
        forgotten: None,
        heard: &[],
    }
}

#[test]
fn of_nothing_there_is_nothing() {
    let told = responses(&nothing());
    assert_eq!((told.alerts.len(), told.counts.len()), (0, 0));
    assert_eq!((told.rounds.due, told.off_h), (0, 0.0));
    assert!(told.forecasts_complete);
    let json = serde_json::to_string(&told).unwrap();
    assert_eq!(serde_json::from_str::<Responses>(&json).unwrap(), told);
}

#[test]
fn an_alert_is_told_with_what_was_done() {
    let dry = seen(
        alert(Kind::DryOut, cellar(), on(12, 1, 2), Some(on(12, 3, 2))),
        6,
    );
    let again = seen(alert(Kind::DryOut, cellar(), on(12, 9, 2), None), 2);
    let unseen = alert(Kind::DryOut, cellar(), on(12, 20, 2), Some(on(12, 20, 3)));
    let before = alert(Kind::Frost, cellar(), on(7, 1, 0).plus(-1), None);
    let occurrence = dry.occurrence.clone();
    let shelve = Act::Shelve(Shelve {
        occurrence: occurrence.clone(),
        until: on(12, 2, 2),
        one_shot: false,
        reason: "the humidifier is being filled".into(),
    });
    let out = Act::Service(Service {
        sensor: SensorName::new("north").unwrap(),
        out: Some("it lies in the wet".into()),
    });
    let stage = Act::Stage(Staged {
        room: "Cellar".into(),
        stage: Stage::Storing,
    });
    let acts = [
        did(on(10, 1, 0), settings(None)),
        did(on(12, 1, 8), Act::Acknowledge(Named { occurrence })),
        did(on(12, 1, 9), shelve),
        did(on(12, 2, 20), out),
        did(on(12, 4, 0), stage),
    ];
    let entries = entries(vec![
        (on(10, 10, 9), lifted("A-1", "Cellar")),
        (on(10, 10, 9), lifted("A-2", "cellar")),
        (on(10, 10, 9), lifted("B-1", "barn")),
        (on(12, 1, 10), dampened("A-1")),
        (on(12, 1, 11), dampened("A-2")),
        (on(12, 1, 12), dampened("A-2")),
        (on(12, 1, 12), dampened("B-1")),
        // A day later it answers nothing any more.
        (on(12, 2, 2), dampened("A-1")),
    ]);
    let alerts = [before, again, dry, unseen];
    let told = responses(&History {
        alerts: &alerts,
        acts: &acts,
        entries: &entries,
        ..nothing()
    });
    assert_eq!(told.alerts.len(), 3);
    let first = &told.alerts[0];
    assert_eq!(
        (first.hours, first.seen_after_min),
        (Some(48.0), Some(360.0))
    );
    assert_eq!(first.seen_by.as_deref(), Some("Wendel"));
    let answers: Vec<_> = first
        .answers
        .iter()
        .map(|a| (&a.what[..], &a.detail[..]))
        .collect();
    assert_eq!(
        answers,
        [
            ("shelved", "the humidifier is being filled"),
            ("out-of-service", "north: it lies in the wet")
        ]
    );
    let after: Vec<_> = first
        .after
        .iter()
        .map(|a| (&a.what[..], a.crates))
        .collect();
    assert_eq!(after, [("dampened", 2)]);
    assert_eq!(first.after[0].first_at, on(12, 1, 10).to_utc());
    let [count] = told.counts[..] else {
        panic!("one kind of one priority: {:?}", told.counts);
    };
    assert_eq!((count.raised, count.seen), (3, 2));
    assert_eq!(
        (count.median_min, count.longest_min),
        (Some(240.0), Some(360.0))
    );
    assert_eq!((told.standard.raised, told.standard.fleeting), (3, 0));
}

#[test]
fn a_crates_alert_is_told_with_its_own_crate() {
    let sweating = alert(
        Kind::Sweating,
        Subject::Crate("A-1".into()),
        on(12, 1, 2),
        None,
    );
    let silent = alert(
        Kind::Silent,
        Subject::Sensor("north".into()),
        on(12, 1, 2),
        None,
    );
    let entries = entries(vec![
        (on(10, 10, 9), lifted("A-1", "cellar")),
        (on(10, 10, 9), lifted("A-2", "cellar")),
        (on(12, 1, 10), dampened("A-1")),
        (on(12, 1, 11), dampened("A-2")),
    ]);
    let alerts = [sweating, silent];
    let told = responses(&History {
        alerts: &alerts,
        entries: &entries,
        ..nothing()
    });
    let after: Vec<u32> = told
        .alerts
        .iter()
        .map(|a| a.after.iter().map(|a| a.crates).sum())
        .collect();
    let of = |kind| told.alerts.iter().position(|a| a.kind == kind).unwrap();
    assert_eq!(after[of(Kind::Sweating)], 1);
    assert_eq!(after[of(Kind::Silent)], 0);
}

#[test]
fn offs_are_those_of_the_period() {
    let started = |from, to| {
        did(
            to,
            Act::Started(Started {
                off_from: from,
                stepped: false,
            }),
        )
    };
    let (from, to) = CALENDAR.span(Period::whole(2026));
    let stepped = did(
        on(12, 5, 0),
        Act::Started(Started {
            off_from: on(12, 1, 0),
            stepped: true,
        }),
    );
    let acts = [
        started(from.plus(-9 * HOUR_MS), from.plus(HOUR_MS)),
        started(on(12, 1, 0), on(12, 1, 6)),
        stepped,
        started(to.plus(-2 * HOUR_MS), to.plus(HOUR_MS)),
        started(to.plus(2 * HOUR_MS), to.plus(3 * HOUR_MS)),
    ];
    let told = responses(&History {
        acts: &acts,
        ..nothing()
    });
    let hours: Vec<f64> = told.offs.iter().map(|o| o.hours).collect();
    assert_eq!(hours, [1.0, 6.0, 2.0]);
    assert!((told.off_h - 9.0).abs() < 1e-9);
}

#[test]
fn a_check_holds_for_a_year() {
    let day = |y, m, d| NaiveDate::from_ymd_opt(y, m, d);
    for (checked, in_date) in [
        (None, false),
        (day(2026, 6, 29), false),
        (day(2026, 6, 30), true),
        (day(2026, 12, 1), true),
    ] {
        let acts = [did(on(10, 1, 0), settings(checked))];
        let told = responses(&History {
            acts: &acts,
            ..nothing()
        });
        assert_eq!(
            (told.checks[0].checked, told.checks[0].in_date),
            (checked, in_date)
        );
    }
}

fn forecast(
    target: Target,
    made_at: Stamp,
    outcome: Outcome,
    after: Option<f64>,
) -> (String, Forecast) {
    let forecast = Forecast {
        sensor: SensorId(1),
        target,
        limit: 0.0,
        made_at,
        arrives: Expected {
            hours: 5.0,
            soonest_h: 3.0,
            latest_h: None,
        },
        outcome,
        came_after_h: after,
    };
    ("cellar".into(), forecast)
}

#[test]
fn forecasts_and_warnings_are_held_against_what_came() {
    use Outcome::{Came, Not, Open};
    let (from, to) = CALENDAR.span(Period::whole(2026));
    let forecasts = [
        forecast(Target::Frost, from.plus(-1), Came, Some(1.0)),
        forecast(Target::Frost, from, Came, Some(2.0)),
        forecast(Target::Frost, on(12, 1, 0), Not, None),
        forecast(Target::Frost, on(12, 2, 0), Came, Some(5.0)),
        forecast(Target::Dry, on(12, 2, 0), Open, None),
        forecast(Target::Dry, to, Came, Some(5.0)),
    ];
    let alerts = [
        alert(Kind::FrostAhead, cellar(), on(1, 5, 0), None),
        alert(Kind::Frost, cellar(), on(1, 5, 9), None),
        alert(Kind::FrostAhead, cellar(), on(1, 6, 0), None),
        alert(Kind::Mould, cellar(), on(1, 7, 0), None),
    ];
    let looked = Deed::Looked {
        krate: code("A-1"),
        lot: None,
        finding: Finding::Mould,
        count: None,
    };
    let entries = entries(vec![
        (on(10, 10, 9), lifted("A-1", "cellar")),
        (on(1, 20, 9), looked),
    ]);
    let told = responses(&History {
        forecasts: &forecasts,
        forgotten: Some(from),
        alerts: &alerts,
        entries: &entries,
        ..nothing()
    });
    let counts: Vec<_> = told
        .forecasts
        .iter()
        .map(|f| (f.target, f.made, f.came, f.not, f.open, f.median_lead_h))
        .collect();
    assert_eq!(
        counts,
        [
            (Target::Frost, 3, 2, 1, 0, Some(3.5)),
            (Target::Dry, 1, 0, 0, 1, None)
        ]
    );
    assert!(!told.forecasts_complete);
    let warned: Vec<_> = told
        .warned
        .iter()
        .map(|w| (w.kind, w.raised, w.followed))
        .collect();
    assert_eq!(warned, [(Kind::FrostAhead, 2, 1), (Kind::Mould, 1, 1)]);
}

#[test]
fn messages_are_counted_by_purpose() {
    let sent = |purpose: &str, at, delivered| Sent {
        at,
        contact: "Odile".into(),
        room: "cellar".into(),
        purpose: purpose.into(),
        occurrences: Vec::new(),
        delivered,
    };
    let (from, to) = CALENDAR.span(Period::whole(2026));
    let messages = [
        sent("raise", from, Some(true)),
        sent("raise", on(12, 1, 0), Some(false)),
        sent("summary", on(12, 1, 0), None),
        sent("raise", to, Some(true)),
    ];
    let told = responses(&History {
        messages: &messages,
        ..nothing()
    });
    let counts: Vec<_> = told
        .messages
        .iter()
        .map(|p| (&p.purpose[..], p.sent, p.given_up, p.waiting))
        .collect();
    assert_eq!(counts, [("raise", 1, 1, 0), ("summary", 0, 0, 1)]);
    assert_eq!(told.standard.messages, 2);
}
