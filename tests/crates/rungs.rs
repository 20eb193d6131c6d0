//! What a rung is called does not depend on what was set for the rungs before it.

use overwinter::{climate::Packing, watch::Kind};

use super::{Store, facts, site};

/// The level of the alert once there is mould on the packing.
fn grown(ahead: usize) -> u8 {
    let mut settings = site();
    let limits = &mut settings.rooms[1].limits;
    limits.mould_ahead.steps.truncate(ahead);
    let mut store = Store::new(settings, vec![facts("C-9", "barn", Packing::Shavings)]);
    store.hold(&[3], 25 * 24, 15.0, 97.0);
    let mould = store.stand("C-9").mould;
    assert!((1.0..3.0).contains(&mould), "{mould}");
    let standing = store.judge.standing();
    let mut own = standing.iter().map(|s| &s.occurrence);
    own.find(|o| o.kind == Kind::Mould).unwrap().level
}

#[test]
fn mould_that_has_begun_is_not_on_its_way() {
    assert_eq!([2, 1, 0].map(grown), [3, 3, 3]);
}
