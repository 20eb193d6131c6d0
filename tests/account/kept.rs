//! Accounts that pages keep: of a winter that goes on, of one that is over, and after the clock was put back.

use std::sync::Arc;

use chrono_tz::Europe::Berlin;
use overwinter::{
    engine::account::{Accounts, Forecasts, Place, account},
    season::{account::Account, calendar::Calendar},
    watch::{Act, Judge, Role, Stamp, reading::HOUR_MS},
};

use super::sums::{Log, START, course, settings};

const DAY_MS: i64 = 24 * HOUR_MS;
const WINTER: i32 = 2026;

fn place() -> Place {
    Place {
        name: "the store".into(),
        calendar: Calendar::new(Berlin),
    }
}

async fn ask(accounts: &Accounts, log: &Log, now: Stamp) -> Option<Arc<Account>> {
    let judge = Judge::new();
    let models = judge.models();
    accounts
        .get(&log.store, &place(), WINTER, models, now)
        .await
        .unwrap()
}

async fn read(log: &Log, now: Stamp) -> Account {
    account(
        &log.store,
        &place(),
        WINTER,
        None,
        Forecasts::default(),
        now,
    )
    .await
    .unwrap()
    .unwrap()
}

/// Asks until the one that is made behind the page is there.
async fn until(accounts: &Accounts, log: &Log, now: Stamp, is: impl Fn(&Account) -> bool) {
    let asked = async {
        while !ask(accounts, log, now).await.is_some_and(|a| is(&a)) {
            tokio::task::yield_now().await;
        }
    };
    let long = std::time::Duration::from_secs(60);
    let made = tokio::time::timeout(long, asked).await;
    made.expect("it was never made anew");
}

#[tokio::test(flavor = "multi_thread")]
async fn it_grows_by_the_hour_also_where_nothing_is_heard() {
    let mut log = Log::new().await;
    log.say(&course(0, 0, 72)).await;
    let accounts = Accounts::default();
    let first = Stamp(START + 5 * HOUR_MS);
    let before = ask(&accounts, &log, first).await.unwrap();
    assert_eq!(Stamp::from(before.about.to), first);
    let later = first.plus(6 * HOUR_MS);
    until(&accounts, &log, later, |a| Stamp::from(a.about.to) == later).await;
    log.store.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_clock_that_was_put_back_leaves_no_account_of_times_to_come() {
    let mut log = Log::new().await;
    log.say(&course(0, 0, 72)).await;
    let accounts = Accounts::default();
    let ahead = Stamp(START + 3000 * DAY_MS);
    assert!(ask(&accounts, &log, ahead).await.unwrap().about.over);
    let now = Stamp(START + 20 * HOUR_MS);
    until(&accounts, &log, now, |a| !a.about.over).await;
    log.store.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_configured_later_changes_no_winter_that_is_over() {
    let mut log = Log::new().await;
    log.say(&course(0, 0, 72 * 3)).await;
    let now = Stamp(START + 400 * DAY_MS);
    let before = read(&log, now).await;
    assert!(before.about.over && before.conditions.record.air("cellar").count() == 2);
    let Act::Settings(mut later) = settings(&log.ids, 5.0) else {
        panic!("settings")
    };
    later.altitude_m = 900.0;
    for sensor in &mut later.sensors {
        sensor.role = Role::Outdoor;
        sensor.room = "yard".into();
    }
    log.acts = now.0 - DAY_MS;
    log.act(Act::Settings(later)).await;
    assert_eq!(read(&log, now).await, before);
    log.store.close().await;
}
