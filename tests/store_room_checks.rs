//! The simulated store room is checked by itself before anything is judged by it.

#[path = "store_room/mod.rs"]
mod store_room;

use store_room::{HarmKind, scenarios, simulate, weather};

/// One line for each scenario: the span of the air, and each harm with hours after the incident began.
#[test]
fn scenarios_in_one_table() {
    let weather = weather();
    for s in scenarios() {
        let began = std::time::Instant::now();
        let run = simulate(&s, &weather);
        let took = began.elapsed();
        let span = |of: fn(&store_room::Truth) -> f64| {
            let all = run.truth.iter().map(of);
            let low = all.clone().fold(f64::MAX, f64::min);
            (low, all.fold(f64::MIN, f64::max))
        };
        let ((t0, t1), (rh0, rh1)) = (span(|x| x.air_t), span(|x| x.air_rh));
        let last = run.truth.last().unwrap();
        let from = run.incident_from_ms;
        let harms: Vec<(HarmKind, f64)> = run
            .harms
            .iter()
            .map(|h| {
                (
                    h.kind,
                    (h.at_ms - from.unwrap_or(run.truth[0].at_ms)) as f64 / 3.6e6,
                )
            })
            .collect();
        println!(
            "{:<19} {} {t0:5.1}..{t1:4.1} C {rh0:4.0}..{rh1:3.0} % side {:.1} wet {:.0}/{:.0} lost {:.2} mould {:.2} from {:.0} h {harms:.0?} {took:.0?}",
            s.name,
            s.seed,
            span(|x| x.wall_crate_side).0,
            last.wet_h[0],
            last.wet_h[1],
            last.lost_pct,
            last.mould,
            from.map_or(0.0, |ms| (ms - run.truth[0].at_ms) as f64 / 3.6e6),
        );
    }
}
