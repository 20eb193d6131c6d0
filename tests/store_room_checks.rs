//! The simulated store room is checked by itself before anything is judged by it.

#[path = "store_room/mod.rs"]
mod store_room;

#[path = "store_room/checks.rs"]
mod checks;

use store_room::{HarmKind, Incident, Run, Scenario, Truth, scenarios, simulate, weather};

fn sorted(all: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut all: Vec<f64> = all.collect();
    all.sort_by(f64::total_cmp);
    all
}

/// The value that `part` of them do not exceed.
fn quantile(sorted: &[f64], part: f64) -> f64 {
    sorted[((sorted.len() - 1) as f64 * part).round() as usize]
}

/// The longest time, hours, for which every air reading is `out`.
fn longest_h(run: &Run, out: impl Fn(f64) -> bool) -> f64 {
    let (mut longest, mut since) = (0, None);
    for reading in run.readings.iter().filter(|r| r.sensor == "air") {
        if out(reading.humidity_pct.unwrap()) {
            longest = longest.max(reading.at_ms - *since.get_or_insert(reading.at_ms));
        } else {
            since = None;
        }
    }
    longest as f64 / 3.6e6
}

/// The harm an incident is there to end in.
fn meant(incident: Incident) -> HarmKind {
    match incident {
        Incident::HeaterFails { .. } => HarmKind::Frost,
        Incident::HeaterStuckOn { .. } => HarmKind::Heat,
        Incident::HumidifierDies { .. } => HarmKind::Drying,
        Incident::Leak { .. } => HarmKind::Mould,
        Incident::ThawVenting { .. } | Incident::ColdWallSweating { .. } => HarmKind::Sweating,
    }
}

fn row(s: &Scenario, run: &Run) -> String {
    let first = run.truth[0].at_ms;
    let span = |all: &[&Truth], of: fn(&Truth) -> f64| {
        let all = sorted(all.iter().map(|x| of(x)));
        (all[0], all[all.len() - 1])
    };
    let from = run.incident_from_ms.unwrap_or(i64::MAX);
    let all: Vec<&Truth> = run.truth.iter().collect();
    let before: Vec<&Truth> = run.truth.iter().filter(|x| x.at_ms < from).collect();
    let (t, rh, sound) = (
        span(&all, |x| x.air_t),
        span(&all, |x| x.air_rh),
        span(&before, |x| x.air_rh),
    );
    let since = if from == i64::MAX { first } else { from };
    let hours = |ms: i64| (ms - since) as f64 / 3.6e6;
    let harms: Vec<String> = run
        .harms
        .iter()
        .map(|harm| format!("{:?} {:.0} h", harm.kind, hours(harm.at_ms)))
        .collect();
    format!(
        "{:<18} {} | {:5.1}..{:4.1} C | {:3.0}..{:3.0} % (before {:2.0}..{:2.0}) | at {:3.0} h | {}",
        s.name,
        s.seed,
        t.0,
        t.1,
        rh.0,
        rh.1,
        sound.0,
        sound.1,
        if from == i64::MAX { 0.0 } else { -hours(first) },
        harms.join(", ")
    )
}

/// A line for each scenario (`--nocapture` shows them): the air's span, the incident, harm in hours after it.
#[test]
fn sound_stores_keep_and_most_incidents_end_as_meant() {
    let weather = weather();
    let (mut as_meant, mut incidents) = (0, 0);
    for s in scenarios() {
        let run = simulate(&s, &weather);
        println!("{}", row(&s, &run));
        if let Some(incident) = s.incident {
            let from = run.incident_from_ms.unwrap();
            assert!(run.harms.iter().all(|harm| harm.at_ms > from), "{}", s.seed);
            assert!(run.incident_to_ms.unwrap() > from, "{}", s.seed);
            incidents += 1;
            as_meant += u32::from(run.harms.iter().any(|h| h.kind == meant(incident)));
        } else {
            assert!(run.harms.is_empty(), "{} {:?}", s.seed, run.harms);
            looks_like_a_store(&s, &run);
        }
    }
    assert!(as_meant * 10 >= incidents * 9, "{as_meant} of {incidents}");
}

/// 7 to 11 C and 73 to 88 %, with the swings of a day and doors, and no long spell outside 75 to 85 %.
fn looks_like_a_store(s: &Scenario, run: &Run) {
    let t = sorted(run.truth.iter().map(|x| x.air_t));
    let rh = sorted(run.truth.iter().map(|x| x.air_rh));
    let at = (s.name, s.seed);
    let (low, high) = (quantile(&t, 0.01), quantile(&t, 0.99));
    assert!(low > 7.0 && high < 11.0, "{at:?}: {low}..{high} C");
    assert!(high - low > 1.0, "{at:?}: no swings, {low}..{high} C");
    let (low, high) = (quantile(&rh, 0.03), quantile(&rh, 0.97));
    assert!(low > 73.0 && high < 88.0, "{at:?}: {low}..{high} %");
    let (damp, dry) = (
        longest_h(run, |rh| rh > 85.0),
        longest_h(run, |rh| rh < 75.0),
    );
    println!(
        "{:21} | readings above 85 % for {damp:.1} h, below 75 % for {dry:.1} h at most",
        ""
    );
    assert!(
        damp < 4.0 && dry < 4.0,
        "{at:?}: {damp} h damp, {dry} h dry"
    );
}
