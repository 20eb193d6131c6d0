//! Where the air is heading, in words, beside how often such words came true here.

use super::words::{Manner, NB, count, hours_ms, percent, span};
use crate::{
    season::proportion::wilson,
    watch::models::{Expected, Tally, Target},
};

/// "Heading for 40 F in about 3 hours (2 hours at the soonest, or not at all). 5 of 12 such forecasts
/// here came true, which leaves 22 to 64 % open."
pub fn words(
    target: Target,
    limit: f64,
    arrives: Expected,
    tally: Tally,
    manner: Manner,
) -> String {
    let limit = self::limit(target, limit, manner);
    let latest = arrives.latest_h.map_or_else(
        || "or not at all".to_owned(),
        |h| format!("{} at the latest", span(hours_ms(h))),
    );
    format!(
        "Heading for {limit} in about {} ({} at the soonest, {latest}). {}",
        span(hours_ms(arrives.hours)),
        span(hours_ms(arrives.soonest_h)),
        record(tally)
    )
}

/// `40 F`, `85 %`: the limit that a forecast is about.
pub fn limit(target: Target, limit: f64, manner: Manner) -> String {
    if target.is_humidity() {
        percent(limit)
    } else {
        manner.limit(limit)
    }
}

/// Fewer say nothing of the next.
const FEWEST: u32 = 5;

/// How many came true, of those that are decided.
pub fn record(tally: Tally) -> String {
    let decided = tally.came + tally.not;
    if decided == 0 {
        "About half of such forecasts come true; none was made here yet.".to_owned()
    } else if decided < FEWEST {
        format!("About half of such forecasts come true; {decided} here are too few to tell.")
    } else {
        // Of few it is not said how often they come true, only what that leaves open.
        let open = wilson(tally.came, decided, 0.9);
        format!(
            "{} of {} here came true, which leaves {:.0} to {:.0}{NB}% open.",
            tally.came,
            count(decided as usize, "such forecast", "such forecasts"),
            open.low * 100.0,
            open.high * 100.0
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::climate::Unit;

    #[test]
    fn a_forecast_says_how_often_it_was_right() {
        let manner = Manner {
            zone: chrono_tz::UTC,
            unit: Unit::F,
        };
        let arrives = Expected {
            hours: 3.1,
            soonest_h: 1.6,
            latest_h: None,
        };
        let tally = Tally {
            came: 5,
            not: 7,
            unseen: 1,
        };
        let said = words(
            Target::Cold,
            40.0f64.mul_add(5.0 / 9.0, -160.0 / 9.0),
            arrives,
            tally,
            manner,
        );
        assert_eq!(
            said.replace('\u{a0}', " "),
            "Heading for 40 F in about 3 hours (2 hours at the soonest, or not at all). 5 of 12 such forecasts here came true, which leaves 22 to 64 % open."
        );
        assert!(record(Tally::default()).contains("none was made here yet"));
    }
}
