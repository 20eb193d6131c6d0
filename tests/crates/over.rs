//! What was computed ends, or is hidden, with what it rested on.

use overwinter::{
    climate::Packing,
    watch::{
        Input, Kind, Priority, Quantity, SensorName, Stamp, Standing, State,
        models::{Target, planting_day},
    },
};

use super::{DAY_MS, SLOT_MS, Store, facts, site};

fn of(store: &Store, kind: Kind, room: &str) -> Option<Standing> {
    let standing = store.judge.standing().into_iter();
    let mut own = standing.filter(|s| s.occurrence.kind == kind && s.room == room);
    own.next()
}

/// A barn so dry that its one crate will be limp long before it is planted.
fn dry() -> Store {
    let mut store = Store::new(site(), vec![facts("C-9", "barn", Packing::Bare)]);
    store.hold(&[3], 4 * 24, 12.0, 50.0);
    store
}

#[test]
fn a_forecast_ends_with_the_sensor_that_made_it() {
    let mut store = Store::new(site(), Vec::new());
    store.hold(&[1, 2], 6, 6.0, 80.0);
    // By the north wall it falls, and then nothing is heard from there.
    for n in 1..=18 {
        store.at = store.at.plus(SLOT_MS);
        store.say(1, 0, 6.0 - 0.3 * f64::from(n), 80.0);
        store.say(2, 0, 6.0, 80.0);
    }
    let ahead = of(&store, Kind::FrostAhead, "cellar").expect("it is heading for frost");
    assert!(ahead.active);
    store.hold(&[2], 12, 6.0, 80.0);
    let ahead = of(&store, Kind::FrostAhead, "cellar");
    assert!(ahead.is_none_or(|a| !a.active));
    let models = store.judge.models();
    let room = models.room("cellar").unwrap();
    let said = models.ahead(room, store.at);
    assert!(said.iter().all(|(t, ..)| *t != Target::Frost));
}

#[test]
fn what_was_computed_from_a_sensor_is_hidden_with_it() {
    let mut store = dry();
    let drying = of(&store, Kind::Shrink, "barn").expect("it dries out");
    assert_eq!(
        (drying.state, drying.priority),
        (State::Unacknowledged, Priority::Medium)
    );
    let service = |store: &mut Store, out: Option<(String, String)>| {
        let (at, sensor) = (store.at, SensorName::new("barn").unwrap());
        store.step(Input::Service { at, sensor, out });
    };
    service(&mut store, Some(("broken".to_owned(), "Ida".to_owned())));
    let hidden = of(&store, Kind::Shrink, "barn").unwrap();
    assert_eq!(hidden.state, State::OutOfService);
    service(&mut store, None);
    // Nobody was told of it meanwhile: it is raised anew.
    let back = of(&store, Kind::Shrink, "barn").unwrap();
    assert_eq!(back.state, State::Unacknowledged);
    assert!(drying.occurrence.raised_at < back.occurrence.raised_at);
}

#[test]
fn a_crate_that_is_weighed_is_no_longer_held_against_an_assumption() {
    let mut store = Store::new(site(), vec![facts("C-9", "barn", Packing::Bare)]);
    store.hold(&[3], 24, 10.0, 60.0);
    store.weigh("C-9", store.at, 10_000.0);
    store.hold(&[3], 40 * 24, 10.0, 60.0);
    assert!(of(&store, Kind::Shrink, "barn").unwrap().active);
    // It lost far less than was assumed.
    store.weigh("C-9", store.at, 9_710.0);
    let loss = store.stand("C-9").loss.unwrap();
    assert!(
        loss.weighed && loss.planting.shrink < 0.13,
        "{:?}",
        loss.planting
    );
    store.hold(&[3], 2 * 24, 10.0, 60.0);
    let drying = of(&store, Kind::Shrink, "barn");
    assert!(drying.as_ref().is_none_or(|d| !d.active), "{drying:?}");
}

#[test]
fn a_crate_that_is_planted_late_has_no_year_before_it() {
    let mut settings = site();
    settings.planting = (12, 3);
    let mut store = Store::new(settings, vec![facts("C-9", "barn", Packing::Bare)]);
    store.hold(&[3], 8 * 24, 10.0, 70.0);
    let loss = store.stand("C-9").loss.unwrap();
    assert_eq!(loss.planting_at.to_rfc3339(), "2026-12-03T12:00:00Z");
    assert_eq!(loss.planting, loss.now);
    assert_eq!(of(&store, Kind::Shrink, "barn"), None);

    let at = |text: &str| -> Stamp {
        let at = chrono::DateTime::parse_from_rfc3339(text).unwrap();
        at.to_utc().into()
    };
    let day = |text, planting| planting_day(at(text), planting).to_rfc3339();
    for (now, planting, then) in [
        ("2027-05-16T00:00:00Z", (5, 15), "2027-05-15T12:00:00Z"),
        ("2027-10-01T00:00:00Z", (5, 15), "2028-05-15T12:00:00Z"),
        ("2027-01-20T00:00:00Z", (12, 15), "2026-12-15T12:00:00Z"),
        ("2027-05-01T00:00:00Z", (10, 15), "2027-10-15T12:00:00Z"),
        ("2027-03-01T00:00:00Z", (2, 29), "2027-02-28T12:00:00Z"),
        ("2028-02-01T00:00:00Z", (2, 29), "2028-02-29T12:00:00Z"),
    ] {
        assert_eq!(day(now, planting), then, "{now}");
    }
    assert!(store.at.since(at("2026-12-03T12:00:00Z")) < 10 * DAY_MS);
}

#[test]
fn nobody_is_told_that_a_crate_will_be_limp_which_will_not() {
    let mut settings = site();
    settings.rooms[1].limits.shrink_weighed.steps[0].limit = 8.0;
    let mut store = Store::new(settings, vec![facts("C-9", "barn", Packing::Bare)]);
    store.hold(&[3], 24, 10.0, 60.0);
    store.weigh("C-9", store.at, 10_000.0);
    store.hold(&[3], 40 * 24, 10.0, 60.0);
    store.weigh("C-9", store.at, 9_710.0);
    store.hold(&[3], 2 * 24, 10.0, 60.0);
    let drying = of(&store, Kind::Shrink, "barn").unwrap();
    assert!(drying.active && drying.figures.measure == Some(Quantity::Total));
    assert_eq!(store.stand("C-9").loss.unwrap().limp_at, None);
    assert_eq!(drying.figures.by, None);
}
