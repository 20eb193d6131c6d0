//! Stores in which something goes wrong: what the judge says before the harm, and what a plain threshold says.
//!
//! `table.txt` is what came of it; `BLESS=1 cargo test --test incidents` writes it anew, to be read before
//! it is committed. `-- --nocapture` shows every run.

#[path = "../store_room/mod.rs"]
mod store_room;

mod judged;
mod plain;
mod score;
mod table;

use std::{
    fs,
    path::Path,
    sync::{
        LazyLock, Mutex,
        atomic::{AtomicUsize, Ordering},
    },
    thread,
};

use plain::{Series, Tuned};
use score::{By, Case, Score};
use store_room::{HarmKind, scenarios, simulate, weather};

/// Every run once, with what the judge said of it.
static CASES: LazyLock<Vec<Case>> = LazyLock::new(|| {
    let (weather, all, next) = (weather(), scenarios(), AtomicUsize::new(0));
    let done = Mutex::new(Vec::new());
    thread::scope(|scope| {
        for _ in 0..thread::available_parallelism().map_or(1, usize::from) {
            scope.spawn(|| {
                while let Some(scenario) = all.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let run = simulate(scenario, &weather);
                    let notices = judged::notices(scenario, &run);
                    let case = Case {
                        series: Series::of(&run),
                        scenario: scenario.clone(),
                        run,
                        notices,
                    };
                    done.lock().unwrap().push(case);
                }
            });
        }
    });
    let mut cases = done.into_inner().unwrap();
    cases.sort_by_key(|case| case.scenario.seed);
    cases
});

/// The three ways, scored.
struct Compared {
    models: Score,
    /// With those that wait for the morning summary.
    with_low: Score,
    plain: Score,
    tuned: Vec<Tuned>,
}

static COMPARED: LazyLock<Compared> = LazyLock::new(|| {
    let models = Score::of(By::Models, &CASES, Case::acts);
    let tuned = score::HARMS.map(|harm| plain::tuned(harm, &models, &CASES));
    Compared {
        with_low: Score::of(By::Models, &CASES, |case| case.notices.clone()),
        plain: Score::of(By::Plain, &CASES, |case| {
            let rules = plain::careful().into_iter();
            rules.flat_map(|rule| rule.notices(&case.series)).collect()
        }),
        models,
        tuned: tuned.into(),
    }
});

const HEAD: &str = "\
Simulated stores (tests/store_room): 6 sound ones and 30 with an incident, on weather measured in one winter.
Models: the judge at its default limits, told of air, a probe in a crate at the wall, the weather and seven
crates. Plain: fixed limits on air temperature, humidity and the probe, each with a delay, as a careful grower
would set them. Tuned: one limit and delay for each kind of harm, chosen with these very runs before it: of
those that find as many as the models the one with the fewest false notices, then the earliest. Nobody has
that choice in a real store.

Found: told with medium or high priority, of a kind that speaks of the harm, between the beginning of the
incident and the harm; harms that an incident was not meant for count as well. Lead: from the first such
notice to the harm. With low: also what waits for the morning summary. Not earlier: the lead is no longer than
tuned, missed ones counted as none. Of sweating a plain threshold can only say that the air is damp, and that
counts; of the models only what says sweating or thaw does.

False: medium or high in a sound store, or before the incident, or of a kind that is no consequence of it. A
plain threshold's notices are all to be acted on. Which kinds fit what is in score.rs. A limit tuned to damp
for sweating and one for mould are counted as one, with the false notices of the worse.

";

/// Where the models speak no earlier than a threshold that was tuned to these runs, and why.
const NOT_EARLIER: [(&str, HarmKind, &str); 5] = [
    (
        "heater fails",
        HarmKind::Frost,
        "a falling temperature is a threshold's own ground",
    ),
    (
        "heater fails",
        HarmKind::Sweating,
        "it comes with the heat; that the cooling air is damp is told all the while before",
    ),
    (
        "heater stuck on",
        HarmKind::Heat,
        "a rising temperature is a threshold's own ground",
    ),
    (
        "humidifier dies",
        HarmKind::Drying,
        "a limit of 77 % is passed at once, days before a week's mean has moved",
    ),
    (
        "leak",
        HarmKind::Mould,
        "days to mould are told low; a limit at 79 % is earlier, and speaks in sound stores",
    ),
];

#[test]
fn the_models_find_what_a_threshold_finds_and_speak_earlier_where_physics_can() {
    let Compared {
        models,
        plain,
        tuned,
        ..
    } = &*COMPARED;
    for (key, found) in &models.found {
        assert!(plain.found[key].found <= found.found, "{key:?}");
        let tuned = tuned.iter().find(|t| t.harm as usize == key.1).unwrap();
        let known = NOT_EARLIER
            .iter()
            .any(|(name, harm, _)| (*name, *harm as usize) == *key);
        let earlier = tuned.score.found[key].start_h() < found.start_h();
        assert!(earlier != known, "{key:?} earlier: {earlier}");
    }
    let false_ones = table::tuned_false(tuned, Score::false_ones);
    assert!(models.false_ones() <= false_ones, "{false_ones}");
}

#[test]
fn the_table_is_as_it_was() {
    for case in CASES.iter() {
        print!("{}", table::of_case(case));
    }
    let text = table::of(&CASES, &COMPARED);
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/incidents/table.txt");
    if std::env::var_os("BLESS").is_some() {
        fs::write(&path, &text).unwrap();
    }
    let before = fs::read_to_string(&path).unwrap_or_default();
    assert!(before == text, "differs from {}:\n{text}", path.display());
}
