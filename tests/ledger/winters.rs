//! What the database sums of winters.

use chrono::{DateTime, Utc};
use overwinter::{
    stock::{
        Finding,
        ledger::{Asked, CrateId, Deed, EntryId, LotId, Outcome},
        plan::Divided,
        winter::Course,
    },
    store::{Store, ledger::Request},
    watch::Stamp,
};

use crate::{code, lifted, lot, open};

fn on(text: &str) -> DateTime<Utc> {
    format!("{text}T09:00:00Z").parse().unwrap()
}

/// Enters deeds, each on its day.
async fn done(store: &Store, deeds: &[(&str, Deed)]) {
    for (day, deed) in deeds {
        let mut tx = store.begin().await.unwrap();
        let request = Request {
            asked: &[Asked::from(deed.clone())],
            together: false,
            at: on(day).into(),
            who: "Ada",
            doubt: &|_| None,
        };
        let (outcomes, ..) = tx.enter(&request).await.unwrap();
        tx.commit().await.unwrap();
        assert!(
            matches!(outcomes[..], [Outcome::Entered(_)]),
            "{outcomes:?}"
        );
    }
}

fn culled(n: i64, finding: Finding, count: u32) -> Deed {
    Deed::Culled {
        lot: lot(n),
        finding,
        count,
    }
}

fn looked(n: Option<i64>, finding: Finding, count: Option<u32>) -> Deed {
    Deed::Looked {
        krate: code("A-1"),
        lot: n.map(lot),
        finding,
        count,
    }
}

#[tokio::test]
async fn losses_are_summed_by_lot_and_winter() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path()).await;
    let planted = Deed::Planted {
        lot: lot(1),
        count: 15,
        bed: String::new(),
    };
    let divided = Deed::Divided {
        lot: lot(2),
        count: 4,
        yielded: 17,
        into: None,
    };
    done(
        &store,
        &[
            ("2025-10-20", lifted("A-1", "Amber Lantern", 20)),
            ("2025-12-01", culled(1, Finding::Soft, 3)),
            ("2026-04-01", culled(1, Finding::Mould, 2)),
            ("2026-06-30", planted),
            ("2026-07-01", lifted("B-1", "Blue Hour", 9)),
            ("2026-10-20", divided),
            ("2026-10-21", looked(Some(1), Finding::Sound, None)),
            ("2026-10-22", culled(3, Finding::Soft, 2)),
        ],
    )
    .await;
    // A slip that was taken back is no loss, and no division.
    let slip = Deed::Divided {
        lot: lot(2),
        count: 5,
        yielded: 1,
        into: None,
    };
    done(
        &store,
        &[
            ("2026-10-23", culled(3, Finding::Soft, 9)),
            ("2026-10-23", slip),
        ],
    )
    .await;
    for entry in [9, 10] {
        done(
            &store,
            &[(
                "2026-10-24",
                Deed::Undone {
                    entry: EntryId(entry),
                },
            )],
        )
        .await;
    }

    let record = store.winters(Stamp::from(on("2026-07-01"))).await.unwrap();
    let course = |n, winter, came, lost, went, handled: Option<&str>| Course {
        lot: LotId(n),
        winter,
        came,
        lost,
        went,
        handled: handled.map(on),
    };
    assert_eq!(
        record.courses,
        [
            course(1, 2025, 20, 5, 15, None),
            course(2, 2026, 5, 0, 0, Some("2026-10-24")),
            course(3, 2026, 17, 2, 0, Some("2026-10-24")),
        ]
    );
    assert_eq!(
        record.kept.iter().copied().collect::<Vec<_>>(),
        [2025, 2026]
    );
    let cut = Divided {
        clumps: 4,
        divisions: 17,
    };
    assert_eq!(record.cuts, [("Blue Hour".to_owned(), cut)]);
    let seen: Vec<_> = record
        .sights
        .iter()
        .map(|s| (s.lot, s.finding, s.count, s.out))
        .collect();
    assert_eq!(
        seen,
        [
            (Some(LotId(1)), Finding::Sound, None, false),
            (Some(LotId(3)), Finding::Soft, Some(2), true),
        ]
    );
}

#[tokio::test]
async fn the_last_visit_is_known_with_what_it_showed() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path()).await;
    done(
        &store,
        &[
            ("2026-10-01", lifted("A-1", "Amber Lantern", 20)),
            ("2026-10-01", lifted("B-1", "Blue Hour", 9)),
            ("2026-10-05", culled(1, Finding::Soft, 2)),
            ("2026-10-05", looked(Some(1), Finding::Sound, Some(3))),
            ("2026-10-12", looked(None, Finding::Sound, None)),
            ("2026-10-20", looked(None, Finding::Mouse, None)),
        ],
    )
    .await;
    let seen = async || {
        let visits = store.visits().await.unwrap();
        assert_eq!(visits[&CrateId(2)].looks, []);
        assert_eq!(visits[&CrateId(2)].came, on("2026-10-01"));
        let looks = &visits[&CrateId(1)].looks;
        looks
            .iter()
            .map(|e| (e.id.0, e.done_at()))
            .collect::<Vec<_>>()
    };
    assert_eq!(seen().await, [(6, on("2026-10-20"))]);
    // Taken back, the visit before counts, and then the one before that with all of it.
    for (entry, want) in [
        (6, vec![(5, on("2026-10-12"))]),
        (5, vec![(3, on("2026-10-05")), (4, on("2026-10-05"))]),
    ] {
        let undone = Deed::Undone {
            entry: EntryId(entry),
        };
        done(&store, &[("2026-10-21", undone)]).await;
        assert_eq!(seen().await, want);
    }
}
