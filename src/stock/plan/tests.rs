//! Verdicts, their order and the farm together.

use proptest::prelude::*;

use super::*;

fn on(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn farm() -> Farm {
    Farm {
        winter: Winter {
            from: on("2026-10-20"),
            to: on("2027-05-08"),
        },
        past: Counted { lost: 60, of: 800 },
        crates: Vec::new(),
        divided: Divided::default(),
    }
}

/// Looked at on 5 January, 77 days into a winter of 200.
fn held(form: Form, count: u32, bad: u32, culled: u32) -> Held {
    Held {
        form,
        count,
        bad,
        culled,
        looked: Some(on("2027-01-05")),
    }
}

fn variety(name: &str, wanted: Option<u32>, lots: Vec<Held>) -> Variety {
    Variety {
        name: name.to_owned(),
        wanted,
        lots,
        past: Counted::default(),
        divided: Divided::default(),
    }
}

fn one(variety: Variety, farm: &Farm) -> Line {
    plan(&[variety], farm).lines.remove(0)
}

#[test]
fn the_part_of_a_winter_is_counted_in_days() {
    let winter = farm().winter;
    for (day, want) in [
        ("2026-09-01", 0.0),
        ("2026-10-20", 0.0),
        ("2027-01-05", 0.385),
        ("2027-05-08", 1.0),
        ("2027-06-01", 1.0),
    ] {
        assert!((winter.passed(on(day)) - want).abs() < 1e-12, "{day}");
    }
    let none = Winter {
        to: winter.from,
        ..winter
    };
    assert!(none.passed(winter.from).abs() < 1e-12);
    assert!((none.passed(winter.to + chrono::Days::new(1)) - 1.0).abs() < 1e-12);
}

#[test]
fn divisions_are_known_or_assumed() {
    let divided = |clumps, divisions| Divided { clumps, divisions };
    let none = divided(0, 0);
    for (own, farm, basis, per_clump) in [
        (none, none, Basis::Assumed, 4.0),
        (divided(4, 40), none, Basis::Assumed, 4.0),
        (divided(5, 30), divided(100, 300), Basis::Own, 6.0),
        (divided(4, 40), divided(100, 300), Basis::Farm, 3.0),
        (divided(6, 0), none, Basis::Own, 0.0),
    ] {
        let got = Yield::of(own, farm);
        assert_eq!(got.basis, basis);
        assert!((got.per_clump() - per_clump).abs() < 1e-12);
    }
}

#[test]
fn plants_are_survivors_and_clumps_are_several() {
    let known = Farm {
        divided: Divided {
            clumps: 230,
            divisions: 922,
        },
        ..farm()
    };
    let lots = |form| vec![held(form, 230, 0, 6)];
    let divisions = one(variety("Brindolet", None, lots(Form::Division)), &known);
    let pots = one(variety("Brindolet", None, lots(Form::PotTuber)), &known);
    let clumps = one(variety("Brindolet", None, lots(Form::Clump)), &known);
    assert_eq!(divisions.expected, pots.expected);
    assert_eq!((divisions.if_all_live, divisions.per_clump), (230, None));
    assert_eq!(
        (clumps.if_all_live, clumps.clumps, clumps.have),
        (922, 230, 230)
    );
    assert_eq!(clumps.per_clump.unwrap().basis, Basis::Farm);
    assert_eq!(
        clumps.expected.median,
        divisions.expected.median * 922 / 230
    );
    // Bad ones are neither here nor expected, and tell of more to come.
    let bad = one(
        variety("Brindolet", None, vec![held(Form::Division, 230, 30, 6)]),
        &known,
    );
    assert_eq!((bad.have, bad.bad, bad.if_all_live), (200, 30, 200));
    let culled = one(
        variety("Brindolet", None, vec![held(Form::Division, 200, 0, 36)]),
        &known,
    );
    assert_eq!(bad.expected, culled.expected);
    // More bad than here is all of them.
    let slip = one(
        variety("Brindolet", None, vec![held(Form::Clump, 3, 9, 0)]),
        &known,
    );
    assert_eq!((slip.have, slip.bad, slip.expected.high), (0, 3, 0));
}

#[test]
fn an_old_look_leaves_more_to_be_lost() {
    let looked = |looked: Option<&str>| {
        let lot = Held {
            looked: looked.map(on),
            ..held(Form::Division, 100, 0, 3)
        };
        one(variety("Brindolet", None, vec![lot]), &farm()).expected
    };
    let (never, autumn, winter, spring, end) = (
        looked(None),
        looked(Some("2026-12-01")),
        looked(Some("2027-02-01")),
        looked(Some("2027-04-20")),
        looked(Some("2027-05-08")),
    );
    assert!(never.low < autumn.low && autumn.low < winter.low && winter.low < spring.low);
    assert!(never.median < winter.median);
    assert_eq!((end.low, end.high), (100, 100));
}

#[test]
fn verdicts_go_by_the_lower_end() {
    let expected = Expected {
        low: 30,
        median: 40,
        high: 45,
        mean: 38.0,
    };
    for (wanted, want) in [
        (None, Verdict::NotWanted),
        (Some(0), Verdict::Spare { by: 30 }),
        (Some(29), Verdict::Spare { by: 1 }),
        (Some(30), Verdict::Enough),
        (Some(31), Verdict::Likely { at_worst: 1 }),
        (Some(40), Verdict::Likely { at_worst: 10 }),
        (
            Some(41),
            Verdict::Short {
                by: 1,
                at_worst: 11,
            },
        ),
    ] {
        assert_eq!(Verdict::of(wanted, expected), want, "{wanted:?}");
    }
}

#[test]
fn the_worst_comes_first_and_the_farm_adds_up() {
    let divisions = |count| vec![held(Form::Division, count, 0, 0)];
    let lines = [
        variety("Brindolet", Some(10), divisions(90)),
        variety("Ambrolisk", None, divisions(12)),
        variety("Ossamurle", Some(80), divisions(40)),
        variety("Bobbinquaw", Some(95), divisions(100)),
        variety("Quenbrisk", Some(30), Vec::new()),
        variety("Pellastrine", Some(30), Vec::new()),
        variety("Corvelisk", Some(10), divisions(50)),
        variety("Dusklettle", Some(28), vec![held(Form::Clump, 9, 1, 2)]),
    ];
    let plan = plan(&lines, &farm());
    let names: Vec<&str> = plan.lines.iter().map(|line| line.name.as_str()).collect();
    assert_eq!(
        names,
        [
            "Ossamurle",
            "Pellastrine",
            "Quenbrisk",
            "Dusklettle",
            "Bobbinquaw",
            "Corvelisk",
            "Brindolet",
            "Ambrolisk"
        ],
        "{plan:#?}"
    );
    let none = Verdict::Short {
        by: 30,
        at_worst: 30,
    };
    assert_eq!(plan.lines[1].verdict, none);
    let totals = plan.totals;
    assert_eq!((totals.wanted, totals.have, totals.clumps), (283, 300, 8));
    assert_eq!(totals.bad, 1);
    assert_eq!((totals.short, totals.likely), (3, 2));
    assert_eq!((totals.enough, totals.not_wanted), (2, 1));
    let sum: f64 = plan.lines.iter().map(|line| line.expected.mean).sum();
    assert!((totals.expected - sum).abs() < 1e-9);
    assert!(totals.short_by > 60 && totals.at_worst > totals.short_by && totals.spare > 80);
    assert_eq!(super::plan(&[], &farm()).totals, Totals::default());
}

#[test]
fn a_bad_winter_shows_in_crates_nobody_opened() {
    let closed = Held {
        looked: None,
        ..held(Form::Division, 40, 0, 0)
    };
    let beside = |lots: &[Held]| {
        let mut varieties = vec![variety("Brindolet", None, vec![closed])];
        varieties.extend(
            lots.iter()
                .map(|lot| variety("Ossamurle", None, vec![*lot])),
        );
        let plan = plan(&varieties, &farm());
        let line = plan.lines.iter().find(|line| line.name == "Brindolet");
        line.unwrap().expected
    };
    let alone = beside(&[]);
    let sound = beside(&[held(Form::Clump, 60, 0, 0)]);
    let rotten = beside(&[held(Form::Clump, 30, 10, 20), held(Form::Division, 9, 4, 9)]);
    assert!(alone.low < sound.low, "{alone:?} {sound:?}");
    assert!(rotten.median < 30 && rotten.low < 20, "{rotten:?}");
    // Its own lots are not among the others.
    let seen = Seen {
        counted: Counted { lost: 5, of: 45 },
        passed: 0.385,
    };
    let together = Together {
        sound: 40,
        plants_each: 1.0,
        seen,
    };
    let known = Known {
        farm: farm().past,
        ..Known::default()
    };
    let [low, median, high] = Model::new(DESIGN).survivors(&[together], &known).quantiles;
    let alone_seen = one(
        variety("Brindolet", None, vec![held(Form::Division, 40, 0, 5)]),
        &farm(),
    );
    let got = alone_seen.expected;
    assert_eq!(
        [got.low, got.median, got.high].map(u64::from),
        [low, median, high]
    );
    // What nobody looked at either says nothing.
    assert_eq!(beside(&[closed, closed]), alone);
}

#[test]
fn looks_are_pooled_in_any_order() {
    let seen = |lost, of, passed| Seen {
        counted: Counted { lost, of },
        passed,
    };
    let none = seen(0, 500, 0.0);
    for (a, b, want) in [
        (Seen::default(), none, Seen::default()),
        (none, seen(1, 10, 0.5), seen(1, 10, 0.5)),
        (seen(0, 0, 0.9), seen(1, 10, 0.5), seen(1, 10, 0.5)),
        (seen(1, 10, 0.5), seen(2, 30, 0.25), seen(3, 40, 0.3125)),
    ] {
        assert_eq!(a.with(b), want);
        if want.passed > 0.0 {
            assert_eq!(b.with(a), want);
        }
    }
}

#[test]
fn crates_of_one_fate_widen_the_interval() {
    let width = |lost: [u32; 6]| {
        let crates = lost.map(|lost| Counted { lost, of: 40 }).to_vec();
        let line = one(
            variety("Brindolet", None, vec![held(Form::Division, 100, 0, 5)]),
            &Farm { crates, ..farm() },
        );
        line.expected.high - line.expected.low
    };
    assert!(width([4; 6]) < width([0, 20, 0, 2, 0, 2]));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn nothing_grows_in_store(
        lots in prop::collection::vec((0_u32..60, 0_u32..9, 0_u32..20, 0_u64..250, 0_u8..3), 0..5),
        wanted in prop::option::of(0_u32..300),
        clumps in 0_u32..30,
        divisions in 0_u32..200,
    ) {
        let held = |&(count, bad, culled, days, form): &(u32, u32, u32, u64, u8)| Held {
            form: [Form::Clump, Form::Division, Form::PotTuber][usize::from(form)],
            count,
            bad,
            culled,
            looked: (days < 200).then(|| on("2026-10-20") + chrono::Days::new(days)),
        };
        let mut variety = variety("Brindolet", wanted, lots.iter().map(held).collect());
        variety.divided = Divided { clumps, divisions };
        let line = one(variety, &farm());
        let Expected { low, median, high, mean } = line.expected;
        prop_assert!(low <= median && median <= high && high <= line.if_all_live);
        prop_assert!(0.0 <= mean && mean < f64::from(line.if_all_live) + 1.0);
        let count: u32 = lots.iter().map(|lot| lot.0).sum();
        prop_assert_eq!(line.have + line.bad, count);
        prop_assert_eq!(line.verdict == Verdict::NotWanted, wanted.is_none());
    }
}
