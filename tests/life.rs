//! The life of an alert, line by line: states and transitions of ANSI/ISA-18.2 and IEC 62682 (their
//! letters from the figure as commonly taught; OPC 10000-9 v1.05 is the open text).
//!
//! One test row to a line of the transition table: what happens, and the state before and after.

use overwinter::watch::{
    Arrives, Input, Judge, Kind, Limits, Occurrence, Reading, Refusal, Role, RoomSettings,
    SensorId, SensorName, SensorSettings, Settings, Stage, Stamp, Standing, State, Subject, Values,
    reading::{HOUR_MS, MINUTE_MS},
};

const START: Stamp = Stamp(1_796_083_200_000); // 2026-12-01T00:00:00Z

/// Air for each alert used here: cold is ordinary, frost latches, hot is high and does not latch.
const FINE: f64 = 8.0;
const COLD: f64 = 3.0;
const FROST: f64 = 0.5;
const HOT: f64 = 18.0;

struct Store {
    judge: Judge,
    minute: i64,
    seq: u64,
    air: f64,
    /// Every raising that was told, in order.
    raised: Vec<Occurrence>,
}

impl Store {
    fn new() -> Self {
        let sensor = |id: u32, name: &str, role| SensorSettings {
            id: SensorId(id),
            name: SensorName::new(name).unwrap(),
            room: "cellar".to_owned(),
            role,
            crate_code: None,
            interval_ms: 10 * MINUTE_MS,
            arrives: Arrives::Live,
            near: None,
            accuracy: None,
            checked: None,
        };
        let mut store = Self {
            judge: Judge::new(),
            minute: 0,
            seq: 0,
            air: FINE,
            raised: Vec::new(),
        };
        store.step(&Input::Settings {
            at: START,
            settings: Settings {
                rooms: vec![RoomSettings::storing("cellar", Limits::default())],
                sensors: vec![
                    sensor(1, "north", Role::Air),
                    sensor(2, "out", Role::Outdoor),
                ],
                ..Settings::default()
            },
        });
        store
    }

    fn now(&self) -> Stamp {
        START.plus(self.minute * MINUTE_MS)
    }

    fn step(&mut self, input: &Input) {
        for t in self.judge.step(input) {
            if t.to == State::Unacknowledged && !self.raised.contains(&t.occurrence) {
                self.raised.push(t.occurrence);
            }
        }
    }

    fn say(&mut self, id: u32) {
        self.seq += 1;
        let at = self.now();
        self.step(&Input::Reading(Reading {
            seq: self.seq,
            sensor: SensorId(id),
            measured_at: at,
            received_at: at,
            values: Values {
                temperature_mc: Some((self.air * 1000.0) as i32),
                humidity_mpct: Some(80_000),
                battery_pct: None,
            },
        }));
    }

    /// Both sensors speak every ten minutes.
    fn pass(mut self, hours: f64, air: f64) -> Self {
        self.air = air;
        for _ in 0..(hours * 6.0) as i64 {
            self.minute += 10;
            self.say(1);
            self.say(2);
        }
        self
    }

    /// Nothing is said by the room's sensor.
    fn silence(mut self, hours: f64) -> Self {
        for _ in 0..(hours * 6.0) as i64 {
            self.minute += 10;
            self.say(2);
        }
        self
    }

    fn find(&self, kind: Kind) -> Option<Standing> {
        let standing = self.judge.standing();
        standing.into_iter().find(|s| s.occurrence.kind == kind)
    }

    fn state(&self, kind: Kind) -> State {
        self.find(kind).map_or(State::Normal, |s| s.state)
    }

    fn occurrence(&self, kind: Kind) -> Occurrence {
        self.find(kind).expect("it stands").occurrence
    }

    fn ask(mut self, input: impl Fn(Stamp) -> Input) -> Self {
        let input = input(self.now());
        assert_eq!(self.judge.refuses(&input), None);
        self.step(&input);
        self
    }

    fn acknowledge(self, kind: Kind) -> Self {
        let occurrence = self.occurrence(kind);
        self.ask(|at| Input::Acknowledge {
            at,
            occurrence: occurrence.clone(),
        })
    }

    fn reset(self, kind: Kind) -> Self {
        let occurrence = self.occurrence(kind);
        self.ask(|at| Input::Reset {
            at,
            occurrence: occurrence.clone(),
        })
    }

    fn shelve_input(&self, kind: Kind, hours: f64, one_shot: bool) -> Input {
        Input::Shelve {
            at: self.now(),
            occurrence: self.occurrence(kind),
            until: self.now().plus((hours * HOUR_MS as f64) as i64),
            one_shot,
            reason: "the heater is on its way".to_owned(),
            by: "Odile".to_owned(),
        }
    }

    fn shelve(mut self, kind: Kind, hours: f64, one_shot: bool) -> Self {
        let input = self.shelve_input(kind, hours, one_shot);
        assert_eq!(self.judge.refuses(&input), None);
        self.step(&input);
        self
    }

    fn unshelve(self, kind: Kind) -> Self {
        let occurrence = self.occurrence(kind);
        self.ask(|at| Input::Unshelve {
            at,
            occurrence: occurrence.clone(),
        })
    }

    fn service(self, out: bool) -> Self {
        self.ask(|at| Input::Service {
            at,
            sensor: SensorName::new("north").unwrap(),
            out: out.then(|| ("its cable is mended".to_owned(), "Odile".to_owned())),
        })
    }

    fn restart(self) -> Self {
        self.ask(|at| Input::Started {
            at,
            off_from: at,
            stepped: false,
        })
    }
}

/// Cold for an hour: an ordinary alert, unacknowledged.
fn cold() -> Store {
    Store::new().pass(1.0, FINE).pass(1.5, COLD)
}

fn frost() -> Store {
    Store::new().pass(1.0, FINE).pass(1.0, FROST)
}

fn hot() -> Store {
    Store::new().pass(1.0, FINE).pass(6.5, HOT)
}

use Kind::{Cold, Frost, RecorderOff, Silent, Warm};
use State::{
    Acknowledged, LatchedAcknowledged, LatchedUnacknowledged, Normal, OutOfService,
    ReturnedUnacknowledged, Shelved, Suppressed, Unacknowledged,
};

type Row = (
    &'static str,
    fn() -> Store,
    Kind,
    State,
    fn(Store) -> Store,
    State,
);

/// Line of the table, how it comes to stand, which alert, the state before, what happens, the state
/// after.
const TABLE: &[Row] = &[
    // ---- A, B, C, D ----
    (
        "A, condition true for the on-delay: B",
        || Store::new().pass(1.0, FINE),
        Cold,
        Normal,
        |s| s.pass(1.2, COLD),
        Unacknowledged,
    ),
    (
        "A, condition true but not for the on-delay: A",
        || Store::new().pass(1.0, FINE),
        Cold,
        Normal,
        |s| s.pass(0.9, COLD).pass(0.5, FINE),
        Normal,
    ),
    (
        "B, acknowledge: C",
        cold,
        Cold,
        Unacknowledged,
        |s| s.acknowledge(Cold),
        Acknowledged,
    ),
    (
        "B, acknowledge twice: C",
        cold,
        Cold,
        Unacknowledged,
        |s| {
            let occurrence = s.occurrence(Cold);
            s.acknowledge(Cold).ask(|at| Input::Acknowledge {
                at,
                occurrence: occurrence.clone(),
            })
        },
        Acknowledged,
    ),
    (
        "B, condition false for the off-delay and past the deadband: D",
        cold,
        Cold,
        Unacknowledged,
        |s| s.pass(1.0, FINE),
        ReturnedUnacknowledged,
    ),
    (
        "B, condition false but not for the off-delay: B",
        cold,
        Cold,
        Unacknowledged,
        |s| s.pass(0.4, FINE),
        Unacknowledged,
    ),
    (
        "B, back inside but not past the deadband: B",
        cold,
        Cold,
        Unacknowledged,
        |s| s.pass(2.0, 4.6),
        Unacknowledged,
    ),
    (
        "C, condition cleared: A",
        || cold().acknowledge(Cold),
        Cold,
        Acknowledged,
        |s| s.pass(1.0, FINE),
        Normal,
    ),
    (
        "D, acknowledge: A",
        || cold().pass(1.0, FINE),
        Cold,
        ReturnedUnacknowledged,
        |s| s.acknowledge(Cold),
        Normal,
    ),
    (
        "D, condition confirmed again: B, a new occurrence",
        || cold().pass(1.0, FINE),
        Cold,
        ReturnedUnacknowledged,
        |s| {
            let old = s.occurrence(Cold);
            let s = s.pass(1.2, COLD);
            assert_ne!(s.occurrence(Cold), old);
            // The old name reaches nothing any more.
            s.ask(|at| Input::Acknowledge {
                at,
                occurrence: old.clone(),
            })
        },
        Unacknowledged,
    ),
    // ---- E, F: latched ----
    (
        "B of a latching kind, condition cleared: E",
        frost,
        Frost,
        Unacknowledged,
        |s| s.pass(1.0, FINE),
        LatchedUnacknowledged,
    ),
    (
        "C of a latching kind, condition cleared: F",
        || frost().acknowledge(Frost),
        Frost,
        Acknowledged,
        |s| s.pass(1.0, FINE),
        LatchedAcknowledged,
    ),
    (
        "E, acknowledge: F",
        || frost().pass(1.0, FINE),
        Frost,
        LatchedUnacknowledged,
        |s| s.acknowledge(Frost),
        LatchedAcknowledged,
    ),
    (
        "E, reset before it was acknowledged is refused: E",
        || frost().pass(1.0, FINE),
        Frost,
        LatchedUnacknowledged,
        |mut s| {
            let input = Input::Reset {
                at: s.now(),
                occurrence: s.occurrence(Frost),
            };
            assert_eq!(s.judge.refuses(&input), Some(Refusal::NotLatched));
            s.step(&input);
            s
        },
        LatchedUnacknowledged,
    ),
    (
        "E, condition returns: B",
        || frost().pass(1.0, FINE),
        Frost,
        LatchedUnacknowledged,
        |s| s.pass(0.6, FROST),
        Unacknowledged,
    ),
    (
        "F, reset: A",
        || frost().pass(1.0, FINE).acknowledge(Frost),
        Frost,
        LatchedAcknowledged,
        |s| s.reset(Frost),
        Normal,
    ),
    (
        "F, condition returns: B, because the grower is alone",
        || frost().pass(1.0, FINE).acknowledge(Frost),
        Frost,
        LatchedAcknowledged,
        |s| s.pass(0.6, FROST),
        Unacknowledged,
    ),
    (
        "C of a latching kind, reset while active is refused: C (OPC 10000-9, 5.8.5)",
        || frost().acknowledge(Frost),
        Frost,
        Acknowledged,
        |mut s| {
            let input = Input::Reset {
                at: s.now(),
                occurrence: s.occurrence(Frost),
            };
            assert_eq!(s.judge.refuses(&input), Some(Refusal::NotLatched));
            s.step(&input);
            s
        },
        Acknowledged,
    ),
    (
        "the recorder was off: raised and over at once, latched: E",
        || Store::new().restart().pass(1.0, FINE),
        RecorderOff,
        Normal,
        |mut s| {
            let off_from = s.now();
            s.minute += 45;
            s.ask(|at| Input::Started {
                at,
                off_from,
                stepped: false,
            })
        },
        LatchedUnacknowledged,
    ),
    (
        "the recorder was off for less than half an hour: A",
        || Store::new().restart().pass(1.0, FINE),
        RecorderOff,
        Normal,
        |mut s| {
            let off_from = s.now();
            s.minute += 25;
            s.ask(|at| Input::Started {
                at,
                off_from,
                stepped: false,
            })
        },
        Normal,
    ),
    // ---- re-alarm ----
    (
        "C, re-alarm time expires still active: B (OPC 10000-9, B.1.5)",
        || hot().acknowledge(Warm),
        Warm,
        Acknowledged,
        |s| {
            let old = s.occurrence(Warm);
            let s = s.pass(24.2, HOT);
            assert_ne!(s.occurrence(Warm), old);
            s
        },
        Unacknowledged,
    ),
    (
        "C of less than high priority is not raised again: C",
        || cold().acknowledge(Cold),
        Cold,
        Acknowledged,
        |s| s.pass(30.0, COLD),
        Acknowledged,
    ),
    // ---- G: shelved ----
    (
        "B, shelve: G",
        cold,
        Cold,
        Unacknowledged,
        |s| s.shelve(Cold, 2.0, false),
        Shelved,
    ),
    (
        "C, shelve: G",
        || cold().acknowledge(Cold),
        Cold,
        Acknowledged,
        |s| s.shelve(Cold, 2.0, false),
        Shelved,
    ),
    (
        "D, shelve: G",
        || cold().pass(1.0, FINE),
        Cold,
        ReturnedUnacknowledged,
        |s| s.shelve(Cold, 2.0, false),
        Shelved,
    ),
    (
        "E, shelve: G",
        || frost().pass(1.0, FINE),
        Frost,
        LatchedUnacknowledged,
        |s| s.shelve(Frost, 2.0, false),
        Shelved,
    ),
    (
        "F, shelve: G",
        || frost().pass(1.0, FINE).acknowledge(Frost),
        Frost,
        LatchedAcknowledged,
        |s| s.shelve(Frost, 2.0, false),
        Shelved,
    ),
    (
        "B, shelve for longer than the cap is refused, not cut: B (OPC 10000-9, 5.8.17)",
        cold,
        Cold,
        Unacknowledged,
        |mut s| {
            for (hours, one_shot) in [(24.1, false), (24.1, true)] {
                let input = s.shelve_input(Cold, hours, one_shot);
                assert_eq!(s.judge.refuses(&input), Some(Refusal::TooLong));
                s.step(&input);
            }
            s
        },
        Unacknowledged,
    ),
    (
        "G, a worse rung is an alert of its own: B",
        || Store::new().pass(7.0, 12.0).shelve(Warm, 23.0, false),
        Warm,
        Shelved,
        |s| s.pass(6.5, HOT),
        Unacknowledged,
    ),
    (
        "G, time up, still active: B, and it is told anew",
        || cold().acknowledge(Cold).shelve(Cold, 2.0, false),
        Cold,
        Shelved,
        |s| {
            let old = s.occurrence(Cold);
            let s = s.pass(2.2, COLD);
            assert_ne!(s.occurrence(Cold), old);
            assert_eq!(s.raised.len(), 2);
            s
        },
        Unacknowledged,
    ),
    (
        "G, time not up: G, and it is still judged",
        || cold().shelve(Cold, 2.0, false),
        Cold,
        Shelved,
        |s| {
            let s = s.pass(1.0, FINE);
            assert!(!s.find(Cold).unwrap().active);
            s.pass(0.9, FINE)
        },
        Shelved,
    ),
    (
        "G, time up, over: A",
        || cold().shelve(Cold, 2.0, false).pass(1.0, FINE),
        Cold,
        Shelved,
        |s| s.pass(1.2, FINE),
        Normal,
    ),
    (
        "G, taken off, still active: B",
        || cold().shelve(Cold, 2.0, false),
        Cold,
        Shelved,
        |s| s.unshelve(Cold),
        Unacknowledged,
    ),
    (
        "G, taken off, over: A",
        || cold().shelve(Cold, 2.0, false).pass(1.0, FINE),
        Cold,
        Shelved,
        |s| s.unshelve(Cold),
        Normal,
    ),
    (
        "G once, condition cleared: A",
        || cold().shelve(Cold, 20.0, true),
        Cold,
        Shelved,
        |s| s.pass(1.0, FINE),
        Normal,
    ),
    (
        "G once, time up, still active: B",
        || cold().shelve(Cold, 2.0, true),
        Cold,
        Shelved,
        |s| s.pass(2.2, COLD),
        Unacknowledged,
    ),
    // ---- H: suppressed ----
    (
        "B, its only sensor in fault: H",
        cold,
        Cold,
        Unacknowledged,
        |s| {
            let s = s.silence(0.7);
            assert_eq!(
                s.state(Silent),
                Unacknowledged,
                "the alert that names the cause is never hidden"
            );
            s
        },
        Suppressed,
    ),
    (
        "C, its only sensor in fault: H",
        || cold().acknowledge(Cold),
        Cold,
        Acknowledged,
        |s| s.silence(0.7),
        Suppressed,
    ),
    (
        "H, heard again and still true: B",
        || cold().silence(0.7),
        Cold,
        Suppressed,
        |s| s.pass(0.2, COLD),
        Unacknowledged,
    ),
    (
        "H, heard again and still true, seen before: C",
        || cold().acknowledge(Cold).silence(0.7),
        Cold,
        Suppressed,
        |s| s.pass(0.2, COLD),
        Acknowledged,
    ),
    (
        "H, heard again and over: D",
        || cold().silence(0.7),
        Cold,
        Suppressed,
        |s| s.pass(1.0, FINE),
        ReturnedUnacknowledged,
    ),
    (
        "B, the room is declared empty: A",
        cold,
        Cold,
        Unacknowledged,
        |s| {
            s.ask(|at| Input::Stage {
                at,
                room: "cellar".to_owned(),
                stage: Stage::Empty,
            })
        },
        Normal,
    ),
    // ---- I: out of service ----
    (
        "B, its only sensor taken out of service: I",
        cold,
        Cold,
        Unacknowledged,
        |s| s.service(true),
        OutOfService,
    ),
    (
        "C, its only sensor taken out of service: I",
        || cold().acknowledge(Cold),
        Cold,
        Acknowledged,
        |s| s.service(true),
        OutOfService,
    ),
    (
        "D, its only sensor taken out of service: I",
        || cold().pass(1.0, FINE),
        Cold,
        ReturnedUnacknowledged,
        |s| s.service(true),
        OutOfService,
    ),
    (
        "G, its only sensor taken out of service: I",
        || cold().shelve(Cold, 2.0, false),
        Cold,
        Shelved,
        |s| s.service(true),
        OutOfService,
    ),
    (
        "H, its only sensor taken out of service: I",
        || cold().silence(0.7),
        Cold,
        Suppressed,
        |s| s.service(true),
        OutOfService,
    ),
    (
        "I, returned to service, still true: B, and it is told anew",
        || cold().acknowledge(Cold).service(true).pass(1.0, COLD),
        Cold,
        OutOfService,
        |s| {
            let old = s.occurrence(Cold);
            let s = s.service(false);
            assert_ne!(s.occurrence(Cold), old);
            s
        },
        Unacknowledged,
    ),
    (
        "I, returned to service, over: A",
        || cold().service(true).pass(1.0, FINE),
        Cold,
        OutOfService,
        |s| s.service(false),
        Normal,
    ),
    (
        "silence of a sensor out of service is no alert: A",
        || cold().service(true),
        Silent,
        Normal,
        |s| s.silence(3.0),
        Normal,
    ),
    // ---- restart ----
    (
        "A, restart: A",
        || Store::new().pass(1.0, FINE),
        Cold,
        Normal,
        Store::restart,
        Normal,
    ),
    (
        "B, restart: B",
        cold,
        Cold,
        Unacknowledged,
        Store::restart,
        Unacknowledged,
    ),
    (
        "C, restart: C",
        || cold().acknowledge(Cold),
        Cold,
        Acknowledged,
        Store::restart,
        Acknowledged,
    ),
    (
        "D, restart: D",
        || cold().pass(1.0, FINE),
        Cold,
        ReturnedUnacknowledged,
        Store::restart,
        ReturnedUnacknowledged,
    ),
    (
        "E, restart: E",
        || frost().pass(1.0, FINE),
        Frost,
        LatchedUnacknowledged,
        Store::restart,
        LatchedUnacknowledged,
    ),
    (
        "F, restart: F",
        || frost().pass(1.0, FINE).acknowledge(Frost),
        Frost,
        LatchedAcknowledged,
        Store::restart,
        LatchedAcknowledged,
    ),
    (
        "G, restart: G",
        || cold().shelve(Cold, 2.0, false),
        Cold,
        Shelved,
        Store::restart,
        Shelved,
    ),
    (
        "G, restart: it ends when it should have",
        || cold().shelve(Cold, 2.0, false).restart(),
        Cold,
        Shelved,
        |s| s.pass(2.2, COLD),
        Unacknowledged,
    ),
    (
        "H, restart: H",
        || cold().silence(0.7),
        Cold,
        Suppressed,
        Store::restart,
        Suppressed,
    ),
    (
        "I, restart: I",
        || cold().service(true),
        Cold,
        OutOfService,
        Store::restart,
        OutOfService,
    ),
];

#[test]
fn every_line_of_the_table() {
    let mut wrong = Vec::new();
    for (line, stand, kind, from, happens, to) in TABLE {
        let before = stand();
        let raised = before.raised.len();
        if before.state(*kind) != *from {
            wrong.push(format!("{line}: stands {:?} at first", before.state(*kind)));
            continue;
        }
        let after = happens(before);
        if after.state(*kind) != *to {
            wrong.push(format!("{line}: came to {:?}", after.state(*kind)));
        }
        if line.contains("restart") && !line.contains("ends when") && after.raised.len() != raised {
            wrong.push(format!("{line}: a restart raised something"));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert!(50 < TABLE.len(), "no line is lost");
}

#[test]
fn what_is_refused_says_why_and_changes_nothing() {
    let s = cold();
    let shelve = |at: Stamp, until: Stamp, reason: &str, occurrence: Occurrence| Input::Shelve {
        at,
        occurrence,
        until,
        one_shot: false,
        reason: reason.to_owned(),
        by: "Odile".to_owned(),
    };
    let (now, later, it) = (s.now(), s.now().plus(HOUR_MS), s.occurrence(Cold));
    let never = Occurrence {
        raised_at: now,
        ..it.clone()
    };
    for (input, why) in [
        (shelve(now, later, "  ", it.clone()), Refusal::NoReason),
        (shelve(now, now, "why not", it.clone()), Refusal::NoTime),
        (
            shelve(now, later, "why not", never.clone()),
            Refusal::NotStanding,
        ),
        (
            Input::Unshelve {
                at: now,
                occurrence: it.clone(),
            },
            Refusal::NotShelved,
        ),
        (
            Input::Reset {
                at: now,
                occurrence: it,
            },
            Refusal::NotLatched,
        ),
        (
            Input::Service {
                at: now,
                sensor: SensorName::new("nobody").unwrap(),
                out: None,
            },
            Refusal::NoSensor,
        ),
        (
            Input::Stage {
                at: now,
                room: "attic".to_owned(),
                stage: Stage::Curing,
            },
            Refusal::NoRoom,
        ),
    ] {
        assert_eq!(s.judge.refuses(&input), Some(why), "{input:?}");
        assert!(why.to_string().len() > 10);
        let mut judge = s.judge.clone();
        judge.step(&input);
        assert_eq!(judge.standing(), s.judge.standing(), "{input:?}");
    }
    // It is over: once is never.
    let over = cold().pass(1.0, FINE);
    let input = over.shelve_input(Cold, 1.0, true);
    assert_eq!(over.judge.refuses(&input), Some(Refusal::OverAlready));
}

#[test]
fn a_sound_sensor_keeps_an_alert_from_being_suppressed() {
    let mut store = Store::new();
    let mut settings = store.judge.given().clone();
    settings.sensors[1].role = Role::Air;
    store.step(&Input::Settings {
        at: START,
        settings,
    });
    // Both are cold, then one says nothing.
    let store = store.pass(1.5, COLD).silence(1.0);
    assert_eq!(store.state(Silent), Unacknowledged);
    assert_eq!(store.state(Cold), Unacknowledged);
    assert_eq!(store.find(Cold).unwrap().figures.sensor, "out");
}

#[test]
fn a_channel_that_fails_for_a_quarter_of_an_hour_raises_an_alert() {
    let fails = |since: i64| {
        move |at: Stamp| Input::Channel {
            at,
            channel: "mail".to_owned(),
            failing_since: Some(at.plus(since * MINUTE_MS)),
        }
    };
    let works = |at: Stamp| Input::Channel {
        at,
        channel: "mail".to_owned(),
        failing_since: None,
    };
    let kind = Kind::ChannelFailing;
    let s = Store::new().ask(fails(0)).pass(0.2, FINE);
    assert_eq!(s.state(kind), Normal, "ten minutes");
    let s = s.pass(0.2, FINE);
    assert_eq!(s.state(kind), Unacknowledged, "twenty minutes");
    let o = s.occurrence(kind);
    assert_eq!(o.raised_at, START.plus(15 * MINUTE_MS));
    assert_eq!(o.subject, Subject::Channel("mail".to_owned()));
    assert_eq!(s.ask(works).state(kind), ReturnedUnacknowledged);
    // A few failures between deliveries are none; what failed before the start counts.
    let s = Store::new().ask(fails(0)).pass(0.2, FINE).ask(works);
    assert_eq!(s.pass(1.0, FINE).state(kind), Normal);
    assert_eq!(Store::new().ask(fails(-20)).state(kind), Unacknowledged);
}

#[test]
fn a_stage_said_by_a_person_holds_until_the_configuration_changes() {
    let stage = |s: &Store| s.judge.settings().rooms[0].stage;
    let mut s = Store::new().ask(|at| Input::Stage {
        at,
        room: "cellar".to_owned(),
        stage: Stage::Waking,
    });
    assert_eq!(stage(&s), Stage::Waking);
    assert_eq!(s.judge.given().rooms[0].stage, Stage::Storing);
    let mut settings = s.judge.given().clone();
    settings.rooms[0].limits.frost.steps[0].limit = 1.0;
    s.step(&Input::Settings {
        at: s.now(),
        settings: settings.clone(),
    });
    assert_eq!(stage(&s), Stage::Waking, "something else was changed");
    settings.rooms[0].stage = Stage::Curing;
    s.step(&Input::Settings {
        at: s.now(),
        settings,
    });
    assert_eq!(stage(&s), Stage::Curing);
    // Curing has its own band: 66 F is no matter, though it is in storage.
    let s = s.pass(8.0, 19.0);
    assert_eq!(s.state(Warm), Normal);
}

#[test]
fn a_sensor_that_is_returned_raises_what_still_holds_once() {
    let mut store = hot().service(true);
    store.minute += 1;
    let at = store.now();
    let told = store.judge.step(&Input::Service {
        at,
        sensor: SensorName::new("north").unwrap(),
        out: None,
    });
    let raised: Vec<String> = told
        .iter()
        .filter(|t| t.raises() && t.kind == Kind::Warm)
        .map(|t| t.occurrence.to_string())
        .collect();
    assert_eq!(raised.len(), 1, "{raised:?}");
}

#[test]
fn a_stage_with_shorter_delays_completes_none_with_what_was_heard_long_ago() {
    // Cold for half an hour, then no word for forty minutes; cold while waking is told sooner.
    let mut store = Store::new().pass(1.0, FINE).pass(0.5, COLD).silence(0.7);
    let at = store.now();
    let mut settings = store.judge.settings().clone();
    settings.rooms[0].limits.cold.steps[0].delay_ms = 20 * MINUTE_MS;
    store.step(&Input::Settings { at, settings });
    store.minute += 1;
    let at = store.now();
    store.step(&Input::Tick { at });
    assert_eq!(store.state(Kind::Cold), State::Normal);
}
