//! What a crate has taken stays with it, wherever it goes and whatever is set anew.

use overwinter::{
    climate::Packing,
    watch::{Input, Stage, models::CrateNow},
};

use super::{Store, facts, site};

const ALL: [u32; 5] = [1, 2, 3, 4, 5];

/// Ten warm days, damp and cold enough at the end that everything has something to count: dose, wet
/// hours, mould and warmth. C-1 has a probe, C-9 stands in the barn.
fn stored() -> Store {
    let mut crates: Vec<_> = ["C-1", "C-2", "C-3"]
        .map(|code| facts(code, "cellar", Packing::Shavings))
        .to_vec();
    crates.push(facts("C-9", "barn", Packing::Shavings));
    let mut store = Store::new(site(), crates);
    store.at = store.at.plus(40 * super::DAY_MS);
    store.hold(&ALL, 24, 12.0, 80.0);
    store.at = store.at.plus(8 * super::HOUR_MS);
    store.hold(&ALL[..2], 20 * 24, 18.0, 99.0);
    store.hold(&ALL[2..3], 24, 8.0, 60.0);
    store
}

/// Dose, hours that nobody covered, wet hours, hours that nobody can tell, mould index by surface, warmth.
fn taken(now: &CrateNow<'_>) -> Vec<f64> {
    let mut all = vec![now.dose, now.gap_h, now.wet_h, now.unsure_h];
    all.extend(now.cohort.mould.map(|m| m.index));
    all.push(now.cohort.heat);
    all
}

fn assert_same(before: &[f64], after: &[f64], what: &str) {
    for (a, b) in before.iter().zip(after) {
        assert!((a - b).abs() < 1e-9, "{what}: {before:?} {after:?}");
    }
}

/// Moves a crate in some way; it keeps what it has taken, and goes on from there.
fn moves(what: &str, code: &str, change: impl Fn(&mut Store)) {
    let mut store = stored();
    let before = taken(&store.stand(code));
    assert!(0.1 < before[0] && 1.0 < before[1] && 0.0 < before[2] + before[3]);
    assert!(0.5 < before[4] && 100.0 < before[8], "{before:?}");
    change(&mut store);
    assert_same(&before, &taken(&store.stand(code)), what);
    store.hold(&ALL, 6, 10.0, 70.0);
    let after = taken(&store.stand(code));
    assert!(before[0] < after[0], "{what}");
}

fn put(store: &mut Store, code: &str, change: impl Fn(&mut overwinter::watch::CrateFacts)) {
    let krate = store.judge.models().krate(code).unwrap();
    let mut facts = krate.facts.clone();
    change(&mut facts);
    store.crates(vec![facts]);
}

#[test]
fn a_crate_that_moves_keeps_what_it_has_taken() {
    moves("another room", "C-2", |s| {
        put(s, "C-2", |f| f.room = "barn".to_owned());
    });
    moves("another place", "C-2", |s| {
        put(s, "C-2", |f| f.place = "north wall, shelf 1".to_owned());
    });
    moves("another packing", "C-2", |s| {
        put(s, "C-2", |f| f.packing = Packing::Bare);
    });
    moves("weighed for the list", "C-2", |s| {
        put(s, "C-2", |f| f.tubers_g = Some(20_000));
    });
    moves("its day told later", "C-2", |s| {
        s.weigh("C-2", s.at, 20_000.0);
        put(s, "C-2", |f| f.since = Some(super::START));
        let weighings = &s.judge.models().krate("C-2").unwrap().weighings;
        assert_eq!(weighings.len(), 1);
    });
    moves("one with a probe", "C-1", |s| {
        put(s, "C-1", |f| f.place = "north wall, shelf 1".to_owned());
    });
    moves("there and back", "C-2", |s| {
        put(s, "C-2", |f| f.room = "barn".to_owned());
        put(s, "C-2", |f| f.room = "cellar".to_owned());
    });
}

#[test]
fn others_come_and_go_and_it_keeps_what_it_has_taken() {
    moves("another one gone", "C-2", |s| {
        let (at, gone) = (s.at, vec!["C-1".to_owned(), "C-3".to_owned()]);
        s.step(Input::Crates {
            at,
            changed: Vec::new(),
            gone,
        });
    });
    moves("a new one", "C-2", |s| {
        s.crates(vec![facts("C-7", "cellar", Packing::Bare)]);
    });
}

#[test]
fn settings_change_and_it_keeps_what_it_has_taken() {
    moves("other limits", "C-2", |s| {
        let mut settings = site();
        settings.rooms[0].limits.shrink.steps[0].limit = 1.0;
        s.settings(settings);
    });
    moves("a new sensor", "C-2", |s| {
        let mut settings = site();
        let new = super::sensor(6, "new", "cellar", overwinter::watch::Role::Air);
        settings.sensors.push(new);
        s.settings(settings);
    });
    moves("a sensor that speaks for its place", "C-2", |s| {
        let mut settings = site();
        settings.sensors[1].near = Some("rack".to_owned());
        s.settings(settings);
    });
    moves("a probe in it", "C-2", |s| {
        let mut settings = site();
        settings.sensors[3].crate_code = Some("C-2".to_owned());
        s.settings(settings);
    });
    moves("waking", "C-2", |s| {
        let (at, room) = (s.at, "cellar".to_owned());
        let stage = Stage::Waking;
        s.step(Input::Stage { at, room, stage });
    });
}

#[test]
fn an_empty_room_begins_anew() {
    let mut store = stored();
    let stage = |store: &mut Store, stage| {
        let (at, room) = (store.at, "cellar".to_owned());
        store.step(Input::Stage { at, room, stage });
    };
    let cellar = |store: &Store| {
        let air = store.judge.models().room("cellar").unwrap();
        let air = air.exposures.last().unwrap().clone();
        (air.dose, air.gap_h, air.covered_h, air.heat, air.since)
    };
    assert!(0.5 < cellar(&store).0);
    // The crates go to their beds, and others come in autumn.
    store.step(Input::Crates {
        at: store.at,
        changed: Vec::new(),
        gone: ["C-1", "C-2", "C-3"].map(str::to_owned).to_vec(),
    });
    stage(&mut store, Stage::Empty);
    store.hold(&ALL, 48, 25.0, 50.0);
    let before = cellar(&store);
    store.hold(&ALL, 48, 25.0, 50.0);
    assert_eq!(
        before,
        cellar(&store),
        "nothing is counted while it is empty"
    );
    stage(&mut store, Stage::Storing);
    assert_eq!(cellar(&store), (0.0, 0.0, 0.0, 0.0, None));
    store.crates(vec![facts("C-2", "cellar", Packing::Shavings)]);
    assert_same(&[0.0; 9], &taken(&store.stand("C-2")), "anew");
    assert!(store.stand("C-2").mould < 1e-12);
    store.hold(&ALL, 24, 10.0, 70.0);
    // 368 Pa lacking over a day, less the two slots at its ends.
    let dose = store.stand("C-2").dose;
    assert!(
        (dose - 0.368 * (24.0 - 2.0 / 6.0) / 24.0).abs() < 0.01,
        "{dose}"
    );
}

/// Ten minutes that were filling when the last reading of spring came are no part of the next winter.
#[test]
fn sensors_that_were_silent_over_summer_begin_with_the_first_reading() {
    let mut store = stored();
    let stage = |store: &mut Store, stage| {
        let (at, room) = (store.at, "cellar".to_owned());
        store.step(Input::Stage { at, room, stage });
    };
    stage(&mut store, Stage::Empty);
    store.at = store.at.plus(150 * super::DAY_MS);
    let begins = store.at;
    stage(&mut store, Stage::Storing);
    store.hold(&ALL, 24, 10.0, 70.0);
    let air = store.judge.models().room("cellar").unwrap();
    let air = air.exposures.last().unwrap();
    assert!(
        air.since.is_some_and(|since| begins <= since),
        "{:?}",
        air.since
    );
    assert!(air.gap_h.abs() < 1e-9, "{}", air.gap_h);
}

/// Nobody took the crate off the list; but its room was called empty, so what is in it by that name next
/// autumn is another filling.
#[test]
fn a_crate_that_is_still_listed_begins_anew_after_the_room_was_empty() {
    let mut store = stored();
    store.weigh("C-2", store.at, 9000.0);
    // A glove that slips is no end of a winter: within a day everything is as it was.
    let whole = |store: &Store| {
        let now = store.stand("C-2");
        (
            now.dose,
            now.wet_h,
            now.cohort.heat,
            now.krate.weighings.len(),
        )
    };
    let kept = whole(&store);
    for (stage, hours) in [(Stage::Empty, 6), (Stage::Storing, 0)] {
        let (at, room) = (store.at, "cellar".to_owned());
        store.step(Input::Stage { at, room, stage });
        store.hold(&ALL, hours, 10.0, 80.0);
    }
    assert_eq!(kept, whole(&store));
    for (stage, hours) in [(Stage::Empty, 25), (Stage::Storing, 6)] {
        let (at, room) = (store.at, "cellar".to_owned());
        store.step(Input::Stage { at, room, stage });
        store.hold(&ALL, hours, 10.0, 80.0);
    }
    let now = store.stand("C-2");
    assert!(now.dose < 0.1, "{}", now.dose);
    assert!(now.wet_h + now.unsure_h < 7.0);
    assert!(now.krate.weighings.is_empty());
    // One that was brought in while it was empty keeps what it took elsewhere.
    let mut store = stored();
    let stage = |store: &mut Store, stage| {
        let (at, room) = (store.at, "cellar".to_owned());
        store.step(Input::Stage { at, room, stage });
    };
    stage(&mut store, Stage::Empty);
    let before = taken(&store.stand("C-9"));
    put(&mut store, "C-9", |f| f.room = "cellar".to_owned());
    store.hold(&ALL[..2], 6, 10.0, 80.0);
    stage(&mut store, Stage::Storing);
    assert_same(&before, &taken(&store.stand("C-9")), "brought in");
}

/// The dew point of 18 C and 70 % is 12.4 C (WMO-No. 8): a crate at 4 C is wet until it has warmed.
#[test]
fn a_cold_crate_brought_into_a_warm_room_sweats_until_it_has_warmed() {
    let mut store = Store::new(
        site(),
        vec![
            facts("C-2", "barn", Packing::Bare),
            facts("C-3", "cellar", Packing::Bare),
        ],
    );
    for _ in 0..48 {
        store.hold(&[1, 2], 1, 18.0, 70.0);
        store.hold(&[3], 1, 4.0, 70.0);
    }
    put(&mut store, "C-2", |f| f.room = "cellar".to_owned());
    store.hold(&[1, 2], 12, 18.0, 70.0);
    // It follows with 4 h: 14 K too cold, 5.6 K where it dries, 4 ln(14 / 5.6) = 3.7 h.
    let (moved, other) = (store.stand("C-2"), store.stand("C-3"));
    assert!((moved.wet_h - 3.7).abs() < 0.5, "{}", moved.wet_h);
    assert!(other.wet_h < 1e-12);
}

#[test]
fn a_list_that_comes_in_the_middle_of_winter_finds_the_warmth_of_its_room() {
    let mut store = Store::new(site(), Vec::new());
    store.at = store.at.plus(40 * super::DAY_MS);
    store.hold(&[1, 2, 3], 20 * 24, 15.5, 80.0);
    store.crates(vec![
        facts("C-2", "cellar", Packing::Shavings),
        facts("C-3", "cellar", Packing::Bare),
    ]);
    // Ten K above the base for twenty days.
    for code in ["C-2", "C-3"] {
        let heat = store.stand(code).cohort.heat;
        assert!((heat - 200.0).abs() < 1.0, "{code}: {heat}");
    }
}
