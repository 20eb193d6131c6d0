//! What the models need to know of a store: read with its units, refused with its line and remedy.

use super::*;
use crate::watch::{Equipment, Stage, limits::Rungs};

/// The example with these lines, which it shows behind comment marks, taken in.
fn taken_in(lines: &[&str]) -> String {
    let mut text = EXAMPLE.to_owned();
    for line in lines {
        let shown = format!("\n# {line}");
        assert_eq!(text.matches(&shown).count(), 1, "{line}");
        text = text.replace(&shown, &format!("\n{line}"));
    }
    text
}

const EQUIPMENT: [&str; 8] = [
    "[room.equipment]",
    "volume = ",
    "leak = ",
    "vent = ",
    "humidifier = ",
    "heater = ",
    "packing = ",
    "tubers = ",
];

#[test]
fn what_the_models_need_is_read_with_its_units() {
    let plain = Config::parse(EXAMPLE, Path::new("/store")).unwrap();
    let shown = ["planting = ", "altitude = ", "near = ", "accuracy = "];
    let text = taken_in(&shown);
    let config = Config::parse(&text, Path::new("/store")).unwrap();
    assert_eq!(config.watch.planting, plain.watch.planting);
    assert!((config.watch.altitude_m - plain.watch.altitude_m).abs() < 1e-9);
    let (own, usual) = (&config.watch.sensors[0], &plain.watch.sensors[0]);
    assert_eq!(own.near.as_deref(), Some("north wall"));
    assert_eq!((&usual.near, usual.accuracy), (&None, None));
    // What is shown as the accuracy is what holds without it.
    let (own, usual) = (own.accuracy(), usual.accuracy());
    assert!((own.temperature_k - usual.temperature_k).abs() < 1e-9);
    assert!((own.humidity_pct - usual.humidity_pct).abs() < 1e-9);

    assert_eq!(plain.watch.rooms[0].equipment, Equipment::default());
    let config = Config::parse(&taken_in(&EQUIPMENT), Path::new("/store")).unwrap();
    let want = Equipment {
        volume_m3: Some(60.0),
        leak_per_h: Some(0.3),
        vent_m3_h: Some(300.0),
        humidifier_g_h: Some(500.0),
        heater_w: Some(1500.0),
        packing_kg: Some(120.0),
        tubers_kg: Some(500.0),
    };
    assert_eq!(config.watch.rooms[0].equipment, want);
}

#[test]
fn faults_of_what_the_models_need_have_their_line_and_remedy() {
    let mut lines = vec!["planting = ", "altitude = ", "near = ", "accuracy = "];
    lines.extend(EQUIPMENT);
    lines.extend([
        "[room.frost-ahead]",
        "steps = [{ beyond = \"6h\", for = \"0s\", priority = \"low\" }]",
        "[room.mould-ahead]",
        "steps = [{ beyond = \"60d\", for = \"24h\", priority = \"low\" }, {",
        "[room.warmth]",
        "steps = [{ beyond = \"190C day\", for = \"1h\", priority = \"low\" }]",
        "[room.thaw]",
        "steps = [{ beyond = \"0F\", for = \"30min\", priority = \"low\" }]",
    ]);
    let text = taken_in(&lines);
    assert_eq!(faults(&text), [""; 0]);
    for (from, to, words) in [
        ("\"05-15\"", "\"15 May\"", "`05-15` for 15 May"),
        ("\"05-15\"", "\"02-29\"", "not in every year"),
        ("\"0m\"", "\"300\"", "has no unit"),
        ("\"0m\"", "\"9000m\"", "outside -450 to 5000 m"),
        (
            "near = \"north wall\"",
            "near = \" \"",
            "1 to 80 characters",
        ),
        ("\"0.54F\", humidity", "\"0.54\", humidity", "has no unit"),
        ("\"0.54F\", humidity", "\"0C\", humidity", "data sheet"),
        ("humidity = \"3%\"", "humidity = \"30%\"", "data sheet"),
        ("humidity = \"3%\"", "wetness = \"3%\"", "unknown field"),
        ("\"60m3\"", "\"60\"", "such as `60m3` or `2100ft3`"),
        ("\"60m3\"", "\"0m3\"", "outside 0.1 to 100000 m3"),
        ("\"60m3\"", "60", "in quotes"),
        ("leak = 0.3", "leak = 0", "0.01 to 20"),
        ("leak = 0.3", "leak = 300", "0.01 to 20"),
        ("leak = 0.3", "leak = nan", "0.01 to 20"),
        ("\"300m3/h\"", "\"300m3\"", "such as `300m3/h`"),
        ("\"500ml/h\"", "\"500ml\"", "such as `500ml/h`"),
        ("\"1500W\"", "\"1500\"", "such as `1500W`"),
        ("\"120kg\"", "\"-120kg\"", "outside 0.001"),
        ("\"500kg\"", "\"1,100 lb\"", "comma"),
        (
            "\"6h\", for = \"0s\"",
            "\"7h\", for = \"0s\"",
            "`6h` or less",
        ),
        (
            "\"6h\", for = \"0s\"",
            "\"0h\", for = \"0s\"",
            "`6h` or less",
        ),
        ("\"60d\"", "\"60\"", "no duration"),
        ("\"190C day\"", "\"190\"", "such as `190C day`"),
        (
            "\"0F\", for = \"30min\", priority = \"low\"",
            "\"0%\", for = \"1h\", priority = \"low\"",
            "has no unit",
        ),
    ] {
        assert!(text.contains(from), "{from}");
        let line = 1 + text[..text.find(from).unwrap()].matches('\n').count();
        let found = faults(&text.replacen(from, to, 1));
        assert_eq!(found.len(), 1, "{to}: {found:?}");
        assert!(found[0].starts_with(&format!("line {line}: ")), "{found:?}");
        assert!(found[0].contains(words), "{to}: {found:?}");
    }
    let found = faults(&text.replacen("role = \"air\"", "role = \"surface\"", 1));
    assert!(found[0].contains("its role is not `air`"), "{found:?}");
}

#[test]
fn what_is_computed_can_be_left_out_in_a_room() {
    let limits = |more: &str| {
        let text = format!("[[room]]\nname = \"a\"\n{more}\n");
        let config = Config::parse(&text, Path::new("/store"));
        config.map(|c| c.watch.rooms[0].limits.clone())
    };
    let plain = limits("").unwrap();
    let off = |kind: &str| limits(&format!("{kind} = {{ watched = false }}")).unwrap();
    assert_eq!(limits("shrink = { watched = true }").unwrap(), plain);
    let none = |rungs: &Rungs| rungs.steps.is_empty();
    let (ahead, shrink, mould) = (off("frost-ahead"), off("shrink"), off("mould"));
    assert!(none(&ahead.frost_ahead) && none(&ahead.frost_ahead_below));
    assert!(none(&shrink.shrink) && none(&shrink.shrink_weighed));
    assert!(none(&mould.mould) && none(&mould.mould_ahead));
    assert_eq!((&mould.shrink, &mould.frost), (&plain.shrink, &plain.frost));
    assert!(none(&off("thaw").thaw) && none(&off("warmth").waking));
    let weighed = off("shrink-weighed");
    assert!(none(&weighed.shrink_weighed) && !none(&weighed.shrink));
    // The second has words of its own.
    let own =
        limits("shrink = { watched = false }\nshrink-weighed = { deadband = \"2%\" }").unwrap();
    assert!(none(&own.shrink) && !none(&own.shrink_weighed));
    // Nothing of a kind that is left out comes back in another stage.
    let text = "[[room]]\nname = \"a\"\nthaw = { watched = false }\n";
    let config = Config::parse(text, Path::new("/store")).unwrap();
    for stage in Stage::ALL {
        assert!(none(&config.watch.rooms[0].limits_of(stage).thaw));
    }
    let step = "{ beyond = \"9%\", for = \"1h\", priority = \"low\" }";
    for (more, words) in [
        ("frost = { watched = false }".to_owned(), "always watched"),
        (
            "sweating = { watched = false }".to_owned(),
            "always watched",
        ),
        (
            format!("shrink = {{ watched = false, steps = [{step}] }}"),
            "take one of the two out",
        ),
        ("shrink = { steps = [] }".to_owned(), "`watched = false`"),
        ("cold = { steps = [] }".to_owned(), "for the default"),
        ("shrink = { watched = \"no\" }".to_owned(), "boolean"),
    ] {
        let found = limits(&more).unwrap_err();
        assert_eq!((found.len(), found[0].line), (1, 3), "{found:?}");
        assert!(found[0].what.contains(words), "{found:?}");
    }
    // Falling and rising kinds each know which step is milder.
    let two = |a: &str, b: &str| {
        let step =
            |v: &str, p: &str| format!("{{ beyond = \"{v}\", for = \"0s\", priority = \"{p}\" }}");
        format!("{{ steps = [{}, {}] }}", step(a, "low"), step(b, "medium"))
    };
    for (kind, mild, bad) in [
        ("frost-ahead", "6h", "2h"),
        ("frost-ahead-below", "6h", "2h"),
        ("mould-ahead", "60d", "20d"),
        ("thaw", "0C", "2C"),
        ("shrink", "5%", "9%"),
        ("shrink-weighed", "10%", "15%"),
        ("mould", "1", "2.5"),
        ("warmth", "190C day", "396F day"),
    ] {
        let taken = limits(&format!("{kind} = {}", two(mild, bad)));
        assert!(taken.is_ok(), "{kind}: {taken:?}");
        let found = limits(&format!("{kind} = {}", two(bad, mild))).unwrap_err();
        let words = format!("this step of {kind} is milder");
        assert!(found[0].what.starts_with(&words), "{found:?}");
    }
}
