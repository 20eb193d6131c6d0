//! The judge's contract: ticks never change history, delays and deadbands hold, a late batch raises
//! nothing, an acknowledgement reaches its own occurrence only.

use std::collections::{BTreeMap, BTreeSet};

use overwinter::watch::{
    Arrives, Input, Judge, Kind, Limits, Occurrence, Offset, Priority, Reading, Refusal, Role,
    RoomSettings, SensorId, SensorName, SensorSettings, Settings, Stage, Stamp, State, Transition,
    Values,
    reading::{HOUR_MS, MINUTE_MS},
};
use proptest::prelude::*;

const START: Stamp = Stamp(1_796_083_200_000); // 2026-12-01T00:00:00Z

fn sensor(id: u32, name: &str, room: &str, role: Role) -> SensorSettings {
    SensorSettings {
        id: SensorId(id),
        name: SensorName::new(name).unwrap(),
        room: room.to_owned(),
        role,
        crate_code: (role == Role::Crate).then(|| "C-07".to_owned()),
        interval_ms: 10 * MINUTE_MS,
        arrives: Arrives::Live,
        near: None,
        accuracy: None,
        checked: None,
    }
}

fn site() -> Settings {
    let room = |name: &str| RoomSettings::storing(name, Limits::default());
    Settings {
        rooms: vec![room("cellar"), room("back-room")],
        sensors: vec![
            sensor(1, "north", "cellar", Role::Air),
            sensor(2, "south", "cellar", Role::Air),
            sensor(3, "back", "back-room", Role::Air),
            sensor(4, "probe", "cellar", Role::Crate),
            sensor(5, "wall", "back-room", Role::Surface),
        ],
        ..Settings::default()
    }
}

/// A judge that is fed by the minute and keeps everything it said.
struct Story {
    judge: Judge,
    told: Vec<Transition>,
    seq: u64,
    inputs: Vec<Input>,
}

impl Story {
    fn new(settings: Settings) -> Self {
        let mut story = Self {
            judge: Judge::new(),
            told: Vec::new(),
            seq: 0,
            inputs: Vec::new(),
        };
        story.step(&Input::Settings {
            at: START,
            settings,
        });
        story
    }

    fn step(&mut self, input: &Input) {
        self.inputs.push(input.clone());
        self.told.extend(self.judge.step(input));
    }

    fn reading(&mut self, id: u32, measured_min: i64, received_min: i64, t: f64, rh: f64) {
        self.seq += 1;
        let reading = Reading {
            seq: self.seq,
            sensor: SensorId(id),
            measured_at: START.plus(measured_min * MINUTE_MS),
            received_at: START.plus(received_min * MINUTE_MS),
            values: Values {
                temperature_mc: Some((t * 1000.0).round() as i32),
                humidity_mpct: Some((rh * 1000.0).round() as i32),
                battery_pct: None,
            },
        };
        self.step(&Input::Reading(reading));
    }

    /// One sensor every ten minutes over `minutes`, the others left out of it.
    fn hold(&mut self, id: u32, minutes: std::ops::Range<i64>, t: f64, rh: f64) {
        for minute in minutes.step_by(10) {
            self.reading(id, minute, minute, t, rh);
        }
    }

    fn tick(&mut self, minute: i64) {
        self.step(&Input::Tick {
            at: START.plus(minute * MINUTE_MS),
        });
    }

    /// `minute kind priority from>to`, silence left out.
    fn heard(&self) -> Vec<String> {
        self.told
            .iter()
            .filter(|t| t.kind != Kind::Silent)
            .map(|t| {
                format!(
                    "{} {} {} {}>{}",
                    t.at.since(START) / MINUTE_MS,
                    t.kind,
                    t.priority.as_str(),
                    t.from.as_str(),
                    t.to.as_str()
                )
            })
            .collect()
    }
}

fn only(id: u32) -> Settings {
    let mut settings = site();
    settings.sensors.retain(|s| s.id == SensorId(id));
    settings
}

#[test]
fn dry_air_is_told_after_its_delay_and_ends_past_the_deadband() {
    let mut story = Story::new(only(3));
    story.hold(3, 0..60, 10.0, 80.0);
    story.hold(3, 60..60 + 13 * 60, 10.0, 72.0);
    // 12 h after the first reading below 75 %, although no reading falls on that minute exactly.
    assert_eq!(story.heard(), ["780 dry-out low normal>unacknowledged"]);
    // Back over the limit but within the deadband of 2 points: nothing.
    story.hold(3, 840..1000, 10.0, 76.5);
    assert_eq!(story.heard().len(), 1);
    story.hold(3, 1000..1100, 10.0, 78.0);
    assert_eq!(
        story.heard()[1..],
        ["1030 dry-out low unacknowledged>returned-unacknowledged"]
    );
    let figures = &story.told[1].figures;
    assert_eq!(figures.since, "2026-12-01T01:00:00Z");
    assert_eq!(figures.until.as_deref(), Some("2026-12-01T16:40:00Z"));
    assert_eq!(figures.hours_beyond, Some(13.0));
    assert_eq!(figures.worst, Some(72.0));
}

#[test]
fn the_deadline_is_the_stamp_even_between_two_readings() {
    let mut story = Story::new(only(3));
    story.hold(3, 5..25, 1.0, 80.0);
    // 35 F or less for 15 minutes: told at minute 20, by a tick that comes later.
    story.tick(24);
    assert_eq!(story.heard(), ["20 frost high normal>unacknowledged"]);
}

#[test]
fn the_damp_side_of_the_band_is_no_alert_and_the_mould_line_moves_with_the_cold() {
    for (t, rh, raised) in [
        // 83 % at 50 F: above the mould line (82 %) but within the band.
        (10.0, 83.0, 0),
        (10.0, 86.0, 1),
        // 40 F: the line is near 89 %, so 87 % is still allowed.
        (4.5, 87.0, 0),
        (4.5, 89.9, 1),
    ] {
        let mut story = Story::new(only(3));
        story.hold(3, 0..8 * 60, t, rh);
        let rot = story.heard();
        assert_eq!(
            rot.iter().filter(|l| l.contains("rot-risk")).count(),
            raised,
            "{t} C {rh} %: {rot:?}"
        );
    }
}

#[test]
fn a_worse_rung_is_a_new_occurrence_that_an_old_acknowledgement_does_not_reach() {
    let mut story = Story::new(only(3));
    story.hold(3, 0..13 * 60, 10.0, 68.0);
    let first = story.told[0].occurrence.clone();
    let at = START.plus(13 * HOUR_MS);
    let ack = |occurrence| Input::Acknowledge { at, occurrence };
    story.step(&ack(first.clone()));
    story.step(&ack(first.clone()));
    story.hold(3, 13 * 60..25 * 60, 10.0, 68.0);
    let at = START.plus(25 * HOUR_MS);
    story.step(&Input::Acknowledge {
        at,
        occurrence: first,
    });
    assert_eq!(
        story.heard(),
        [
            "720 dry-out low normal>unacknowledged",
            "780 dry-out low unacknowledged>acknowledged",
            "1440 dry-out medium acknowledged>unacknowledged",
        ]
    );
    let standing = story.judge.standing();
    assert_eq!(standing[0].state, State::Unacknowledged);
    assert_eq!(standing[0].priority, Priority::Medium);
    // It eases to the first rung without another word, and ends.
    story.hold(3, 25 * 60..26 * 60, 10.0, 73.0);
    story.hold(3, 26 * 60..27 * 60, 10.0, 80.0);
    assert_eq!(
        story.heard()[3..],
        [
            "1530 dry-out low unacknowledged>unacknowledged",
            "1590 dry-out low unacknowledged>returned-unacknowledged",
        ]
    );
}

#[test]
fn a_late_batch_fills_the_record_and_raises_nothing() {
    let mut settings = only(3);
    settings.sensors[0].arrives = Arrives::Batches;
    let mut story = Story::new(settings);
    let read_out = 40 * 24 * 60;
    for minute in (0..30 * 24 * 60).step_by(10) {
        story.reading(3, minute, read_out, 10.0, 60.0);
    }
    story.tick(read_out + 10_000);
    assert_eq!(story.told, []);
}

#[test]
fn a_backlog_counts_once_a_fresh_reading_confirms_it() {
    let mut story = Story::new(only(3));
    story.hold(3, 0..10, 10.0, 80.0);
    // Fourteen hours of dry air arrive together after the link was down, then one that is fresh.
    for minute in (10..14 * 60).step_by(10) {
        story.reading(3, minute, 15 * 60, 10.0, 72.0);
    }
    assert_eq!(story.heard(), Vec::<String>::new());
    story.reading(3, 15 * 60 + 1, 15 * 60 + 1, 10.0, 72.0);
    assert_eq!(story.heard(), ["901 dry-out low normal>unacknowledged"]);
    let dry = story.told.iter().find(|t| t.kind == Kind::DryOut).unwrap();
    assert_eq!(dry.figures.since, "2026-12-01T00:10:00Z");
}

#[test]
fn time_without_readings_does_not_count() {
    let mut story = Story::new(only(3));
    story.hold(3, 0..6 * 60, 10.0, 72.0);
    // Off for ten hours. Six more hours are then owed, less the half hour the last reading held.
    story.hold(3, 16 * 60..23 * 60, 10.0, 72.0);
    assert_eq!(
        story.heard(),
        [format!(
            "{} dry-out low normal>unacknowledged",
            16 * 60 + 6 * 60 - 20
        )]
    );
}

#[test]
fn a_silent_sensor_is_told_and_is_worse_when_it_is_the_last_one() {
    let mut story = Story::new(only(3));
    story.hold(3, 0..30, 10.0, 80.0);
    story.tick(120);
    let told = &story.told[0];
    assert_eq!((told.kind, told.priority), (Kind::Silent, Priority::High));
    assert_eq!(
        told.at,
        START.plus(55 * MINUTE_MS),
        "three words of ten minutes after the last one, and half of one"
    );
    story.hold(3, 130..131, 10.0, 80.0);
    assert_eq!(story.told[1].to, State::ReturnedUnacknowledged);

    let mut story = Story::new(site());
    story.hold(1, 0..200, 10.0, 80.0);
    let south = story.told.iter().find(|t| t.figures.sensor == "south");
    assert_eq!(south.unwrap().priority, Priority::Medium);
}

#[test]
fn the_sensor_that_is_still_beyond_gives_the_figures() {
    let mut story = Story::new(site());
    for minute in (0..120).step_by(10) {
        // North is the first to freeze and the first to recover; south stays frozen.
        let north = if minute < 40 { 0.5 } else { 9.0 };
        story.reading(1, minute, minute, north, 80.0);
        story.reading(2, minute, minute, 1.0, 80.0);
    }
    let frost = story
        .judge
        .standing()
        .into_iter()
        .find(|s| s.occurrence.kind == Kind::Frost)
        .unwrap();
    assert_eq!(frost.figures.sensor, "south");
    assert_eq!(frost.figures.value, Some(1.0));
    assert_eq!(frost.figures.until, None);
}

#[test]
fn a_pause_of_the_recorder_is_not_a_silence() {
    let mut story = Story::new(only(3));
    story.hold(3, 0..60, 10.0, 80.0);
    story.step(&Input::Started {
        at: START.plus(10 * HOUR_MS),
        off_from: START.plus(HOUR_MS),
        stepped: false,
    });
    story.tick(10 * 60 + 34);
    assert_eq!(story.told, []);
    story.tick(10 * 60 + 36);
    assert_eq!(story.told[0].at, START.plus(10 * HOUR_MS + 35 * MINUTE_MS));
}

#[test]
fn a_start_of_the_recorder_is_no_word_from_a_sensor() {
    let mut story = Story::new(only(3));
    story.hold(3, 0..60, 10.0, 80.0);
    story.step(&Input::Started {
        at: START.plus(10 * HOUR_MS),
        off_from: START.plus(HOUR_MS),
        stepped: false,
    });
    let back = story.judge.sensors().next().unwrap();
    assert_eq!(back.heard_at, Some(START.plus(50 * MINUTE_MS)));
}

#[test]
fn a_logger_does_not_stand_in_for_the_last_sensor_that_is_heard() {
    let mut settings = site();
    settings
        .sensors
        .retain(|s| s.room == "cellar" && s.role == Role::Air);
    settings.sensors[1].arrives = Arrives::Batches;
    let mut story = Story::new(settings);
    story.hold(1, 0..60, 10.0, 80.0);
    story.tick(120);
    assert_eq!(story.told[0].kind, Kind::Silent);
    assert_eq!(story.told[0].priority, Priority::High);
}

#[test]
fn a_cold_wall_sweats_before_the_air_is_damp() {
    let mut story = Story::new(site());
    // 50 F / 80 % has its dew point at 6.71 C (WMO-No. 8): a wall at 7.5 C is within 1.5 C of it, one
    // at 6.5 C below it.
    for minute in (0..300).step_by(10) {
        let wall = if minute < 60 {
            9.0
        } else if minute < 180 {
            7.5
        } else {
            6.5
        };
        story.reading(3, minute, minute, 10.0, 80.0);
        story.reading(5, minute, minute, wall, 80.0);
    }
    let sweat: Vec<_> = story
        .heard()
        .into_iter()
        .filter(|l| l.contains("sweating"))
        .collect();
    assert_eq!(
        sweat,
        [
            "90 sweating medium normal>unacknowledged",
            "210 sweating high unacknowledged>unacknowledged",
        ]
    );
}

#[test]
fn changed_limits_hold_from_the_change_on() {
    let mut story = Story::new(only(3));
    story.hold(3, 0..13 * 60, 10.0, 72.0);
    assert_eq!(story.heard().len(), 1);
    let mut settings = only(3);
    settings.rooms[1].limits = Limits::storing(overwinter::watch::Band {
        low_pct: 65.0,
        ..Default::default()
    });
    story.step(&Input::Settings {
        at: START.plus(13 * HOUR_MS),
        settings: settings.clone(),
    });
    story.hold(3, 13 * 60..14 * 60, 10.0, 72.0);
    assert_eq!(
        story.heard()[1..],
        ["810 dry-out low unacknowledged>returned-unacknowledged"]
    );
    // A sensor taken out of the configuration leaves no alert behind.
    story.tick(20 * 60);
    assert!(
        story
            .judge
            .standing()
            .iter()
            .any(|s| s.occurrence.kind == Kind::Silent)
    );
    settings.sensors.clear();
    story.step(&Input::Settings {
        at: START.plus(21 * HOUR_MS),
        settings,
    });
    assert_eq!(story.judge.standing(), []);
}

#[test]
fn what_a_sensor_is_off_by_is_added_from_the_moment_it_is_known() {
    let mut story = Story::new(only(3));
    let correct = |minute: i64, from: i64, temperature_mk, humidity_mpct| Input::Correct {
        at: START.plus(minute * MINUTE_MS),
        sensor: SensorName::new("back").unwrap(),
        offset: Offset {
            from: START.plus(from * MINUTE_MS),
            temperature_mk,
            humidity_mpct,
        },
        why: "in melting ice it said 2 C".to_owned(),
    };
    story.hold(3, 0..60, 3.0, 80.0);
    let newest = |story: &Story| {
        let now = story.judge.sensors().next().unwrap();
        (
            now.temperature.unwrap().1,
            now.humidity.unwrap().1,
            now.said.temperature,
            now.said.humidity,
        )
    };
    assert_eq!(newest(&story), (3.0, 80.0, None, None));
    story.step(&correct(55, 0, -2000, 0));
    // What is shown is corrected at once; what was judged stays.
    assert_eq!(newest(&story), (1.0, 80.0, Some(3.0), None));
    assert_eq!(story.heard(), Vec::<String>::new());
    story.hold(3, 60..90, 3.0, 80.0);
    assert_eq!(
        story.heard(),
        [
            "60 cold low normal>unacknowledged",
            "75 frost high normal>unacknowledged"
        ],
        "a quarter of an hour after the first that was known to be cold"
    );
    assert_eq!(story.judge.standing()[0].figures.value, Some(1.0));
    // Another one from then on, and what is a backlog goes by its own time.
    story.step(&correct(90, 90, 500, 30));
    story.reading(3, 85, 95, 3.0, 80.0);
    assert_eq!(newest(&story), (1.0, 80.0, Some(3.0), None));
    story.reading(3, 95, 95, 3.0, 80.0);
    assert_eq!(newest(&story), (3.5, 80.03, Some(3.0), Some(80.0)));
    // Limits that change carry it over, and nothing is added once it ends.
    story.step(&Input::Settings {
        at: START.plus(96 * MINUTE_MS),
        settings: only(3),
    });
    assert_eq!(newest(&story), (3.5, 80.03, Some(3.0), Some(80.0)));
    story.step(&correct(97, 95, 0, 0));
    assert_eq!(newest(&story), (3.0, 80.0, None, None));

    let refused = |input: Input| story.judge.refuses(&input);
    assert_eq!(refused(correct(100, 100, 5000, -20_000)), None);
    assert_eq!(
        refused(correct(100, 100, -5001, 0)),
        Some(Refusal::OffByTooMuch)
    );
    assert_eq!(
        refused(correct(100, 100, 0, 20_001)),
        Some(Refusal::OffByTooMuch)
    );
    assert_eq!(refused(correct(100, 101, 0, 0)), Some(Refusal::NotYet));
    let mut mute = correct(100, 100, 0, 0);
    let Input::Correct { why, .. } = &mut mute else {
        unreachable!()
    };
    " ".clone_into(why);
    assert_eq!(refused(mute), Some(Refusal::NoReason));
    let nobody = Input::Correct {
        at: START.plus(HOUR_MS * 2),
        sensor: SensorName::new("north").unwrap(),
        offset: Offset {
            from: START,
            temperature_mk: 0,
            humidity_mpct: 0,
        },
        why: "ice".to_owned(),
    };
    assert_eq!(refused(nobody), Some(Refusal::NoSensor));
}

// ---- properties ----

#[derive(Debug, Clone)]
enum Act {
    Say {
        id: u32,
        lag_min: i64,
        t: i32,
        rh: i32,
    },
    Ack,
    Off(i64),
    Limits(bool),
    Shelve(i64, bool),
    Unshelve,
    Reset,
    Service(bool),
    Stage(Stage),
    Channel(bool),
}

fn act() -> impl Strategy<Value = Act> {
    prop_oneof![
        60 => (1u32..6, prop_oneof![4 => 0i64..3, 1 => 0i64..600], -2i32..18, 55i32..99)
            .prop_map(|(id, lag_min, t, rh)| Act::Say { id, lag_min, t, rh }),
        3 => Just(Act::Ack),
        1 => (1i64..900).prop_map(Act::Off),
        1 => any::<bool>().prop_map(Act::Limits),
        2 => (1i64..1440, any::<bool>()).prop_map(|(m, one)| Act::Shelve(m, one)),
        1 => Just(Act::Unshelve),
        2 => Just(Act::Reset),
        2 => any::<bool>().prop_map(Act::Service),
        1 => prop::sample::select(Stage::ALL.to_vec()).prop_map(Act::Stage),
        2 => any::<bool>().prop_map(Act::Channel),
    ]
}

/// Runs a history; `ticks` are extra looks at the clock, as offsets into each pause.
fn run(history: &[(i64, Act)], ticks: &[i64]) -> (Vec<Transition>, Judge) {
    run_keeping(history, ticks, &mut Vec::new())
}

fn run_keeping(
    history: &[(i64, Act)],
    ticks: &[i64],
    kept: &mut Vec<Input>,
) -> (Vec<Transition>, Judge) {
    let mut story = Story::new(site());
    let mut minute = 0;
    let mut extra = ticks.iter().cycle();
    for (pause, act) in history {
        for _ in 0..2 {
            if let Some(offset) = extra.next() {
                let at = START.plus(minute * MINUTE_MS + offset % (pause * MINUTE_MS + 1));
                story.step(&Input::Tick { at });
            }
        }
        minute += pause;
        let at = START.plus(minute * MINUTE_MS);
        match act {
            Act::Say { id, lag_min, t, rh } => {
                story.reading(*id, minute - lag_min, minute, f64::from(*t), f64::from(*rh));
            }
            Act::Ack => {
                // What is seen, and so what can be acknowledged, is the state at that minute.
                story.tick(minute);
                let standing = story.judge.standing();
                if let Some(first) = standing.first() {
                    let occurrence = first.occurrence.clone();
                    story.step(&Input::Acknowledge { at, occurrence });
                }
            }
            Act::Off(minutes) => {
                minute += minutes;
                story.step(&Input::Started {
                    at: START.plus(minute * MINUTE_MS),
                    off_from: at,
                    stepped: false,
                });
            }
            Act::Shelve(minutes, one_shot) => {
                story.tick(minute);
                if let Some(first) = story.judge.standing().first() {
                    story.step(&Input::Shelve {
                        at,
                        occurrence: first.occurrence.clone(),
                        until: at.plus(minutes * MINUTE_MS),
                        one_shot: *one_shot,
                        reason: "a valve is on its way".to_owned(),
                        by: "Odile".to_owned(),
                    });
                }
            }
            Act::Unshelve => {
                story.tick(minute);
                if let Some(s) = story.judge.standing().iter().find(|s| s.shelf.is_some()) {
                    let occurrence = s.occurrence.clone();
                    story.step(&Input::Unshelve { at, occurrence });
                }
            }
            Act::Reset => {
                story.tick(minute);
                for s in story.judge.standing() {
                    let occurrence = s.occurrence;
                    story.step(&Input::Reset { at, occurrence });
                }
            }
            Act::Service(out) => {
                story.step(&Input::Service {
                    at,
                    sensor: SensorName::new("north").unwrap(),
                    out: out.then(|| ("its cable is mended".to_owned(), "Odile".to_owned())),
                });
            }
            Act::Stage(stage) => {
                let room = "cellar".to_owned();
                story.step(&Input::Stage {
                    at,
                    room,
                    stage: *stage,
                });
            }
            Act::Channel(fails) => {
                story.step(&Input::Channel {
                    at,
                    channel: "mail".to_owned(),
                    failing_since: fails.then(|| at.plus(-5 * MINUTE_MS)),
                });
            }
            Act::Limits(wide) => {
                let mut settings = site();
                if *wide {
                    settings.rooms[0].limits.dry_out.steps[0].limit = 50.0;
                    settings.sensors.remove(1);
                }
                story.step(&Input::Settings { at, settings });
            }
        }
    }
    story.tick(minute + 10_000);
    kept.append(&mut story.inputs);
    (story.told, story.judge)
}

/// The inputs that a history comes to.
fn inputs_of(history: &[(i64, Act)]) -> Vec<Input> {
    let mut kept = Vec::new();
    run_keeping(history, &[], &mut kept);
    kept
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn extra_ticks_never_change_history(
        history in prop::collection::vec((0i64..90, act()), 1..120),
        ticks in prop::collection::vec(0i64..6_000_000, 1..9),
    ) {
        let (plain, judge) = run(&history, &[]);
        let (ticked, other) = run(&history, &ticks);
        prop_assert_eq!(&plain, &ticked);
        prop_assert_eq!(judge.standing(), other.standing());
        prop_assert_eq!(judge.next_due(), other.next_due());
        // Nor does time run backwards, or an occurrence come twice.
        for w in plain.windows(2) {
            prop_assert!(w[0].at <= w[1].at, "{:?}\n{:?}", w[0], w[1]);
        }
        let mut last = BTreeMap::new();
        for t in &plain {
            let key = (t.kind, t.subject.clone());
            let before: Option<Occurrence> = last.insert(key, t.occurrence.clone());
            if let Some(before) = before.filter(|b| *b != t.occurrence) {
                prop_assert!(before.raised_at < t.occurrence.raised_at, "{:?}", t);
                prop_assert!(t.at <= t.occurrence.raised_at);
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn an_acknowledgement_reaches_its_own_occurrence_only(
        history in prop::collection::vec((0i64..90, act()), 1..120),
        later in 0usize..40,
    ) {
        let (told, _) = run(&history, &[]);
        let occurrences: BTreeSet<Occurrence> = told.iter().map(|t| t.occurrence.clone()).collect();
        let Some(named) = occurrences.iter().nth(later % occurrences.len().max(1)) else {
            return Ok(());
        };
        // Folded again, with this one acknowledged after every input from its raising on.
        let mut judge = Judge::new();
        for input in &inputs_of(&history) {
            judge.step(input);
            let at = judge.now();
            // What falls due at that very instant is no doing of the acknowledgement.
            judge.step(&Input::Tick { at });
            let before = judge.standing();
            let told = judge.step(&Input::Acknowledge { at, occurrence: named.clone() });
            prop_assert!(told.iter().all(|t| t.occurrence == *named), "{:?}", told);
            for s in judge.standing() {
                let was = before.iter().find(|b| b.occurrence == s.occurrence);
                prop_assert!(s.occurrence == *named || was.is_some_and(|w| *w == s));
            }
        }
    }
}

const NAMES: [&str; 5] = ["north", "south", "back", "probe", "wall"];

/// What somebody found: after which input, of which sensor, how long before that it begins in minutes, and
/// by how much it is off.
type Off = (usize, u32, i64, i32, i32);

/// The inputs with corrections entered among them, and the same readings changed by hand instead.
fn corrected(inputs: &[Input], offs: &[Off]) -> (Vec<Input>, Vec<Input>) {
    let mut offs: Vec<(usize, &Off)> = offs
        .iter()
        .map(|off| (1 + off.0 % inputs.len(), off))
        .collect();
    offs.sort_by_key(|(place, _)| *place);
    let mut offs = offs.into_iter().peekable();
    let (mut entered, mut by_hand) = (Vec::new(), Vec::new());
    let mut known: Vec<(SensorId, Offset)> = Vec::new();
    let mut now = START;
    for (place, input) in (1..).zip(inputs) {
        entered.push(input.clone());
        now = now.max(input.at());
        let mut input = input.clone();
        if let Input::Reading(r) = &mut input {
            let own = known.iter().filter(|(id, _)| *id == r.sensor);
            let begun = own.filter(|(_, o)| o.from <= r.measured_at);
            // Of two that begin together the last entered.
            if let Some((_, o)) = begun.max_by_key(|(_, o)| o.from) {
                let v = &mut r.values;
                v.temperature_mc = v.temperature_mc.map(|t| t + o.temperature_mk);
                let rh = v.humidity_mpct.map(|rh| rh + o.humidity_mpct);
                v.humidity_mpct = rh.map(|rh| rh.clamp(0, 100_000));
            }
        }
        by_hand.push(input);
        while let Some((_, off)) = offs.next_if(|(at, _)| *at <= place) {
            let (_, id, back, temperature_mk, humidity_mpct) = off;
            let offset = Offset {
                from: now.plus(-back * MINUTE_MS),
                temperature_mk: *temperature_mk,
                humidity_mpct: *humidity_mpct,
            };
            known.push((SensorId(*id), offset));
            entered.push(Input::Correct {
                at: now,
                sensor: SensorName::new(NAMES[*id as usize - 1]).unwrap(),
                offset,
                why: "ice".to_owned(),
            });
            by_hand.push(Input::Tick { at: now });
        }
    }
    (entered, by_hand)
}

fn fold(inputs: &[Input]) -> (Vec<Transition>, Judge) {
    let mut judge = Judge::new();
    let told = inputs.iter().flat_map(|i| judge.step(i)).collect();
    (told, judge)
}

/// Without what a sensor says at the moment: that is corrected as soon as anybody knows of it.
fn but_for_the_newest(mut told: Vec<Transition>) -> Vec<Transition> {
    for t in &mut told {
        let f = &mut t.figures;
        (f.temperature_c, f.humidity_pct, f.dew_point_c) = (None, None, None);
    }
    told
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 500, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_correction_known_from_the_beginning_is_the_same_as_a_sensor_that_is_right(
        history in prop::collection::vec((0i64..90, act()), 1..120),
        offs in prop::collection::vec((1u32..6, -5000i32..5001, -20_000i32..20_001), 1..6),
    ) {
        let inputs = inputs_of(&history);
        // After the settings, and from before the first reading that there can be.
        let offs: Vec<Off> = offs
            .into_iter()
            .map(|(id, t, rh)| (0, id, 1000, t, rh))
            .collect();
        let (entered, by_hand) = corrected(&inputs, &offs);
        let ((told, judge), (expected, other)) = (fold(&entered), fold(&by_hand));
        prop_assert_eq!(told, expected);
        prop_assert_eq!(judge.standing(), other.standing());
        prop_assert_eq!(judge.next_due(), other.next_due());
        for (a, b) in judge.sensors().zip(other.sensors()) {
            prop_assert_eq!(a.temperature, b.temperature);
            prop_assert_eq!(a.humidity, b.humidity);
        }
    }

    #[test]
    fn a_correction_reaches_what_arrives_after_it_and_was_measured_since_it_began(
        history in prop::collection::vec((0i64..90, act()), 1..120),
        offs in prop::collection::vec(
            (0usize..1000, 1u32..4, 0i64..900, -5000i32..5001, -20_000i32..20_001),
            1..6,
        ),
    ) {
        // Probes are held against the newest air, which is corrected as soon as it is known.
        let history: Vec<_> = history
            .into_iter()
            .filter(|(_, act)| !matches!(act, Act::Say { id: 4.., .. }))
            .collect();
        let (entered, by_hand) = corrected(&inputs_of(&history), &offs);
        let ((told, judge), (expected, other)) = (fold(&entered), fold(&by_hand));
        prop_assert_eq!(but_for_the_newest(told), but_for_the_newest(expected));
        let standing = |judge: &Judge| {
            let each = judge.standing().into_iter().map(|s| s.as_transition());
            but_for_the_newest(each.collect())
        };
        prop_assert_eq!(standing(&judge), standing(&other));
        prop_assert_eq!(judge.next_due(), other.next_due());
    }
}
