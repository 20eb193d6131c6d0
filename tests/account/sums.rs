//! Sheets on disk follow from the readings, however these came and whatever was made of them before.

use std::collections::BTreeMap;

use chrono_tz::{Europe::Berlin, Tz};
use overwinter::{
    engine::sums::{sum_up, sum_up_again},
    season::{
        calendar::Calendar,
        folding::{Folding, Vapour},
        sheet::Sheet,
    },
    store::{Store, log::Tail},
    watch::{
        Act, Arrives, Band, Limits, Reading, Role, RoomSettings, SensorId, SensorName,
        SensorSettings, Settings, Stage, Stamp, Values,
        act::{Corrected, Service, Staged},
        reading::{HOUR_MS, MINUTE_MS, Merge, merge},
    },
};
use proptest::{prelude::*, test_runner::Config};

/// 22:00 of the day before the clocks are put back in Berlin.
pub(crate) const START: i64 = 1_792_872_000_000;
/// Hours from then to the midnights after it.
const MIDNIGHTS: [i64; 4] = [2, 27, 51, 75];
const NAMES: [&str; 3] = ["north", "south", "probe"];

pub(crate) fn settings(ids: &[SensorId], low_c: f64) -> Act {
    let band = Band {
        low_c,
        high_c: 10.0,
        low_pct: 75.0,
        high_pct: 85.0,
    };
    let sensor = |(id, name): (&SensorId, &str)| SensorSettings {
        id: *id,
        name: SensorName::new(name).unwrap(),
        room: "cellar".into(),
        role: if name == "probe" {
            Role::Crate
        } else {
            Role::Air
        },
        crate_code: None,
        interval_ms: 20 * MINUTE_MS,
        // One is a logger that is read now and then.
        arrives: if name == "south" {
            Arrives::Batches
        } else {
            Arrives::Live
        },
        near: None,
        accuracy: None,
        checked: None,
    };
    Act::Settings(Settings {
        rooms: vec![RoomSettings::storing("cellar", Limits::storing(band))],
        sensors: ids.iter().zip(NAMES).map(sensor).collect(),
        ..Settings::default()
    })
}

/// What is written between two times of summing up.
#[derive(Debug, Clone)]
enum Step {
    /// Readings: which sensor, how long after the start, and what.
    Said(Vec<(usize, i64, Values)>),
    Stage(Stage),
    Service(usize, bool),
    Limits(f64),
    Correct(usize, i64, i32, i32),
    /// Everything is made again.
    Again,
}

fn values() -> impl Strategy<Value = Values> {
    let t = prop::option::weighted(0.8, 3000..12_000i32);
    let rh = prop::option::weighted(0.7, 70_000..90_000i32);
    (t, rh).prop_map(|(temperature_mc, humidity_mpct)| Values {
        temperature_mc,
        humidity_mpct,
        battery_pct: Some(90),
    })
}

fn said() -> impl Strategy<Value = Vec<(usize, i64, Values)>> {
    // Instants are few, so that parts and repeats come.
    let instant = prop_oneof![
        3 => (0..240i64).prop_map(|n| n * 20 * MINUTE_MS),
        1 => prop::sample::select(MIDNIGHTS.to_vec()).prop_map(|n| n * HOUR_MS),
        1 => 0..80 * HOUR_MS,
    ];
    prop::collection::vec((0..3usize, instant, values()), 1..60)
}

fn step() -> impl Strategy<Value = Step> {
    let ordered = said().prop_map(|mut said| {
        said.sort_by_key(|s| s.1);
        said
    });
    prop_oneof![
        3 => said().prop_map(Step::Said),
        6 => ordered.prop_map(Step::Said),
        1 => prop::sample::select(vec![Stage::Empty, Stage::Storing, Stage::Curing]).prop_map(Step::Stage),
        1 => (0..3usize, any::<bool>()).prop_map(|(s, out)| Step::Service(s, out)),
        1 => (3.0..7.0f64).prop_map(|low| Step::Limits((low * 1000.0).round() / 1000.0)),
        2 => (0..3usize, 0..80 * HOUR_MS, -900..900, -4000..4000).prop_map(|(s, at, t, rh)| Step::Correct(s, at, t, rh)),
        1 => Just(Step::Again),
    ]
}

pub(crate) struct Log {
    pub(crate) store: Store,
    pub(crate) ids: Vec<SensorId>,
    seq: u64,
    tail: Tail,
    /// Acts are stamped one after the other, over the days that are read.
    pub(crate) acts: i64,
    folder: tempfile::TempDir,
}

impl Log {
    pub(crate) async fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(&folder.path().join("sums.db")).await.unwrap();
        let names = NAMES.map(|n| SensorName::new(n).unwrap());
        let mut tx = store.begin().await.unwrap();
        let ids = tx.sensor_ids(&names, Stamp(START)).await.unwrap();
        tx.commit().await.unwrap();
        let mut log = Self {
            store,
            seq: 1,
            tail: Tail::default(),
            acts: START,
            folder,
            ids,
        };
        let first = settings(&log.ids, 5.0);
        log.act(first).await;
        log
    }

    pub(crate) async fn act(&mut self, act: Act) {
        let mut tx = self.store.begin().await.unwrap();
        tx.append_act(self.seq, Stamp(self.acts), "Odile", &act)
            .await
            .unwrap();
        tx.commit().await.unwrap();
        self.seq += 1;
        self.acts += 7 * HOUR_MS + 123;
    }

    /// As the recorder does: what is known already is left out, what is new for an instant is a part.
    pub(crate) async fn say(&mut self, said: &[(usize, i64, Values)]) {
        let mut tx = self.store.begin().await.unwrap();
        for (sensor, after, values) in said {
            let (sensor, at) = (self.ids[*sensor], Stamp(START + after));
            let known = tx.known(&[(sensor, at)]).await.unwrap();
            let mut before = Values::default();
            for (_, _, part) in &known {
                before = overwinter::watch::reading::union(before, *part);
            }
            let (Merge::New(values), _) = merge(before, *values) else {
                continue;
            };
            let reading = Reading {
                seq: self.seq,
                sensor,
                measured_at: at,
                received_at: Stamp(START + self.seq as i64),
                values,
            };
            let parts = [known.len() as i64];
            tx.append_readings(&[reading], &parts, &mut self.tail)
                .await
                .unwrap();
            self.seq += 1;
        }
        tx.commit().await.unwrap();
    }

    async fn take(&mut self, step: &Step) {
        match step {
            Step::Said(said) => self.say(said).await,
            Step::Stage(stage) => {
                let room = "cellar".into();
                let stage = *stage;
                self.act(Act::Stage(Staged { room, stage })).await;
            }
            Step::Service(sensor, out) => {
                let sensor = SensorName::new(NAMES[*sensor]).unwrap();
                let out = out.then(|| "on the bench".to_owned());
                self.act(Act::Service(Service { sensor, out })).await;
            }
            Step::Limits(low) => {
                let changed = settings(&self.ids, *low);
                self.act(changed).await;
            }
            Step::Correct(sensor, at, t, rh) => {
                let corrected = Corrected {
                    sensor: SensorName::new(NAMES[*sensor]).unwrap(),
                    from: Stamp(START + at),
                    temperature_mk: *t,
                    humidity_mpct: *rh,
                    why: "ice water".into(),
                };
                self.act(Act::Corrected(corrected)).await;
            }
            Step::Again => {}
        }
    }

    /// Every sheet on disk, and what it was made with.
    async fn kept(&self) -> BTreeMap<(SensorId, i64), (i64, Sheet)> {
        let mut all = BTreeMap::new();
        for (sensor, day, with) in self.store.sheets_made().await.unwrap() {
            let sheets = self.store.sheets(sensor, day, day + 1).await.unwrap();
            let [(_, sheet)] = &sheets[..] else {
                panic!("one sheet");
            };
            all.insert((sensor, day), (with, sheet.clone()));
        }
        all
    }

    /// The same from the readings alone.
    async fn plain(&self, calendar: Calendar) -> BTreeMap<(SensorId, i64), (i64, Sheet)> {
        let (mut all, mut vapour) = (BTreeMap::new(), Vapour::default());
        for (sensor, yardstick) in &self.store.yardsticks().await.unwrap().0 {
            let first = (Stamp(i64::MIN), 0);
            let said = self
                .store
                .said(*sensor, first, Stamp(i64::MAX), u32::MAX)
                .await
                .unwrap();
            let mut folding = Folding::new(yardstick.clone(), calendar);
            let mut done = |day: overwinter::season::calendar::LocalDay, sheet| {
                let with = yardstick.version(&calendar, day.from, day.to);
                all.insert((*sensor, day.number()), (with, sheet));
            };
            for ((at, _), values) in said {
                folding.push(at, values, &mut vapour, &mut done).unwrap();
            }
            folding.finish(&mut vapour, &mut done);
        }
        all
    }
}

fn alike(steps: &[Step], zone: Tz) -> Result<(), TestCaseError> {
    let runtime = tokio::runtime::Runtime::new().unwrap();
    runtime.block_on(async {
        let calendar = Calendar::new(zone);
        let mut log = Log::new().await;
        for step in steps {
            log.take(step).await;
            if matches!(step, Step::Again) {
                sum_up_again(&log.store, &calendar).await.unwrap();
            } else {
                sum_up(&log.store, &calendar).await.unwrap();
            }
            prop_assert_eq!(log.kept().await, log.plain(calendar).await);
            let again = sum_up(&log.store, &calendar).await.unwrap();
            prop_assert_eq!(
                (again.readings, again.sheets),
                (0, 0),
                "nothing is left to do"
            );
        }
        let once = log.kept().await;
        let rebuilt = sum_up_again(&log.store, &calendar).await.unwrap();
        prop_assert!(rebuilt.rebuilt);
        prop_assert_eq!(log.kept().await, once);
        log.store.close().await;
        Ok(())
    })
}

proptest! {
    #![proptest_config(Config { cases: 24, ..Config::default() })]

    #[test]
    fn bit_by_bit_or_all_at_once_it_is_the_same(steps in prop::collection::vec(step(), 1..8)) {
        alike(&steps, Berlin)?;
    }
}

/// Readings of one sensor every twenty minutes, so many of them from a place on.
pub(crate) fn course(sensor: usize, from: i64, count: i64) -> Vec<(usize, i64, Values)> {
    let value = |n: i64| Values {
        temperature_mc: Some(4000 + (n * 37 % 7000) as i32),
        humidity_mpct: Some(78_000 + (n * 91 % 9000) as i32),
        battery_pct: None,
    };
    let each = (from..from + count).map(|n| (sensor, n * 20 * MINUTE_MS, value(n)));
    each.collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn what_comes_late_touches_its_days_and_no_others() {
    let calendar = Calendar::new(Berlin);
    let mut log = Log::new().await;
    log.say(&course(0, 0, 72 * 100)).await;
    log.say(&course(2, 0, 72 * 20)).await;
    let first = sum_up(&log.store, &calendar).await.unwrap();
    assert!(first.rebuilt);
    assert_eq!(first.readings, 72 * 120);
    // An afternoon of a logger.
    log.say(&course(1, 72 * 3 + 40, 10)).await;
    let late = sum_up(&log.store, &calendar).await.unwrap();
    assert!(!late.rebuilt);
    assert_eq!((late.readings, late.sheets), (10, 1));
    // At midnight, and held over it: midnights are an hour later since the night.
    log.say(&[course(1, 72 * 9 + 9, 1), course(1, 72 * 12 + 8, 1)].concat())
        .await;
    let late = sum_up(&log.store, &calendar).await.unwrap();
    assert_eq!((late.readings, late.sheets), (2, 4));
    assert_eq!(log.kept().await, log.plain(calendar).await);
    log.store.close().await;
}

/// The clock was put back before somebody said that the logger is read once a day: what was summed with
/// short holds goes on for days.
#[tokio::test(flavor = "multi_thread")]
async fn a_hold_that_grew_reaches_as_far_as_it_may() {
    let calendar = Calendar::new(Berlin);
    let mut log = Log::new().await;
    log.say(&course(0, 0, 72 * 60)).await;
    log.say(&course(1, 72 * 10, 3)).await;
    sum_up(&log.store, &calendar).await.unwrap();
    let Act::Settings(mut daily) = settings(&log.ids, 5.0) else {
        panic!("settings")
    };
    daily.sensors[1].interval_ms = 24 * HOUR_MS;
    log.act(Act::Settings(daily)).await;
    let stale = sum_up(&log.store, &calendar).await.unwrap();
    assert!(!stale.rebuilt);
    assert_eq!(log.kept().await, log.plain(calendar).await);
    log.store.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn another_zone_makes_other_days() {
    let mut log = Log::new().await;
    log.say(&course(0, 0, 500)).await;
    sum_up(&log.store, &Calendar::new(Berlin)).await.unwrap();
    let kolkata = Calendar::new(chrono_tz::Asia::Kolkata);
    assert!(sum_up(&log.store, &kolkata).await.unwrap().rebuilt);
    assert_eq!(log.kept().await, log.plain(kolkata).await);
    log.store.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn two_at_once_end_with_the_same_sheets() {
    let calendar = Calendar::new(Berlin);
    let mut log = Log::new().await;
    log.say(&course(0, 0, 72 * 90)).await;
    let (one, other) = tokio::join!(
        sum_up_again(&log.store, &calendar),
        sum_up(&log.store, &calendar)
    );
    assert_eq!(one.unwrap().readings, 72 * 90);
    assert_eq!(
        other.unwrap().readings,
        0,
        "it waited, and nothing was left to do"
    );
    assert_eq!(log.kept().await, log.plain(calendar).await);
    log.store.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn two_programs_at_once_end_with_the_same_sheets() {
    let calendar = Calendar::new(Berlin);
    let mut log = Log::new().await;
    log.say(&course(0, 0, 72 * 90)).await;
    let beside = Store::open(&log.folder.path().join("sums.db"))
        .await
        .unwrap();
    let (one, other) = tokio::join!(
        sum_up_again(&log.store, &calendar),
        sum_up_again(&beside, &calendar)
    );
    one.unwrap();
    other.unwrap();
    assert_eq!(log.kept().await, log.plain(calendar).await);
    beside.close().await;
    log.store.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_was_broken_off_is_gone_on_with() {
    let calendar = Calendar::new(Berlin);
    let mut log = Log::new().await;
    log.say(&course(0, 0, 72 * 90)).await;
    sum_up(&log.store, &calendar).await.unwrap();
    // Begun to be dropped by a program that was ended then.
    let mut mark = log.store.summed().await.unwrap().unwrap();
    mark.through_seq = 0;
    mark.zone = "Europe/Berlin - 1-1".to_owned();
    let mut tx = log.store.begin().await.unwrap();
    tx.set_summed(&mark).await.unwrap();
    tx.drop_sheets(50).await.unwrap();
    tx.commit().await.unwrap();
    assert!(sum_up(&log.store, &calendar).await.unwrap().rebuilt);
    assert_eq!(log.kept().await, log.plain(calendar).await);
    log.store.close().await;
}
