//! Two winters side by side.

use super::{
    part::{Rows, day, day_of, hours, share},
    rooms::{capital, side},
};
use crate::{
    notify::{
        message::the,
        words::{Manner, NB, percent, span, thousands},
    },
    season::{
        account::{Account, RoomWinter},
        conditions::{At, Quantity, SensorWinter},
        proportion::{Interval, newcombe},
        sheet::Side,
        survival::{CONFIDENCE, Losses},
    },
    watch::{Priority, Role},
};

const DASH: &str = "\u{2013}";

/// The main figures of both, and by how much the first has more than the second.
pub fn rows(a: &Account, b: &Account, manner: Manner) -> Rows {
    let mut rows = Rows::new(
        "Side by side",
        &["", &a.about.winter, &b.about.winter, "Difference"],
    )
    .open();
    let both = [a, b];
    let over = a.about.over && b.about.over;
    let mut line = |name: &str, of: [Option<String>; 2], difference: Option<String>| {
        if of.iter().any(Option::is_some) {
            let [a, b] = of.map(|v| v.unwrap_or_else(|| DASH.to_owned()));
            // A part of a winter beside a whole one differs by what is still to come.
            let difference = difference.filter(|_| over).unwrap_or_default();
            rows.push([name.to_owned(), a, b, difference]);
        }
    };
    line("Days", both.map(|x| Some(days(x))), None);
    let covered = both.map(coverage);
    line("On record", covered.map(|c| c.map(share)), points(covered));
    for (room, pair) in by_room(a, b) {
        let within = pair.map(|r| r.and_then(within_band));
        line(
            &format!("Within the band, {}", the(&room)),
            [0, 1].map(|n| {
                Some(format!(
                    "{} of {}",
                    share(within[n]?),
                    hours(pair[n]?.judged_h)
                ))
            }),
            points(within),
        );
    }
    for s in Side::ALL {
        // Winters are not equally long, and have not as many sensors: the share tells more than the hours.
        let outside = both.map(|x| outside(x, s));
        line(
            &format!("Too {}", side(s)),
            outside.map(|o| o.map(|(h, of)| format!("{} ({})", hours(h), share(h / of)))),
            points(outside.map(|o| o.map(|(h, of)| h / of))),
        );
    }
    let degrees = |at: At| {
        format!(
            "{}, {}",
            manner.temperature(at.value),
            day_of(at.at, manner)
        )
    };
    let damp = |at: At| format!("{}, {}", percent(at.value), day_of(at.at, manner));
    let kelvin = |d: f64| signed(d, |d| manner.difference(d));
    let wet = |d: f64| signed(d, |d| format!("{d:.0}{NB}points"));
    let thermal: fn(&SensorWinter) -> Option<&Quantity> = |s| s.temperature.as_ref();
    let humid: fn(&SensorWinter) -> Option<&Quantity> = |s| s.humidity.as_ref();
    let coldest = both.map(|x| furthest(x, thermal, false));
    line(
        "Coldest air",
        coldest.map(|v| v.map(degrees)),
        less(coldest.map(value)).map(kelvin),
    );
    let warmest = both.map(|x| furthest(x, thermal, true));
    line(
        "Warmest air",
        warmest.map(|v| v.map(degrees)),
        less(warmest.map(value)).map(kelvin),
    );
    let driest = both.map(|x| furthest(x, humid, false));
    line(
        "Driest air",
        driest.map(|v| v.map(damp)),
        less(driest.map(value)).map(wet),
    );
    let dampest = both.map(|x| furthest(x, humid, true));
    line(
        "Dampest air",
        dampest.map(|v| v.map(damp)),
        less(dampest.map(value)).map(wet),
    );
    let deficit = both.map(mean_deficit);
    let kpa = |v: f64| format!("{v:.3}{NB}kPa");
    line(
        "Drying power of the air, mean",
        deficit.map(|v| v.map(kpa)),
        less(deficit).map(|d| signed(d, kpa)),
    );
    let dose = both.map(mean_dose);
    let summed = |v: f64| format!("{v:.1}{NB}kPa{NB}day");
    line(
        "Drying power that a crate took, mean",
        dose.map(|v| v.map(summed)),
        less(dose).map(|d| signed(d, summed)),
    );
    let losses = both.map(|x| &x.losses);
    line(
        "Tubers lost",
        losses.map(|l| Some(lost(l))),
        lost_more(losses),
    );
    let raised = both.map(|x| x.responses.alerts.len() as f64);
    let counted = |n: f64| thousands(n as i64);
    line(
        "Alerts",
        raised.map(|n| Some(counted(n))),
        Some(signed(raised[0] - raised[1], counted)),
    );
    let urgent = both.map(|x| {
        let urgent = |p: &Priority| *p == Priority::High;
        (x.responses.alerts.iter())
            .filter(|a| urgent(&a.priority))
            .count() as f64
    });
    line(
        "Of these, to act on at once",
        urgent.map(|n| Some(counted(n))),
        Some(signed(urgent[0] - urgent[1], counted)),
    );
    let waited = |min: f64| span((min * 60_000.0) as i64);
    let seen = both.map(|x| x.responses.standard.median_seen_min);
    line(
        "Half of them seen within",
        seen.map(|m| m.map(waited)),
        less(seen).map(|d| signed(d, waited)),
    );
    let due = both.map(|x| {
        let r = &x.responses.rounds;
        (r.due != 0).then(|| (f64::from(r.missed), f64::from(r.due)))
    });
    line(
        "Looks at crates missed",
        due.map(|d| d.map(|(missed, due)| format!("{} of {}", counted(missed), counted(due)))),
        points(due.map(|d| d.map(|(missed, due)| missed / due))),
    );
    let off = both.map(|x| x.responses.off_h);
    line(
        "Recorder off",
        off.map(|h| Some(hours(h))),
        Some(signed(off[0] - off[1], hours)),
    );
    let mut note = "Hours are those of all air sensors. Sensors, limits and the days that are counted may not be the same in both winters.".to_owned();
    if !over {
        note.insert_str(
            0,
            "One of them is not over: differences are given once it is. ",
        );
    }
    rows.noting(&note)
}

fn days(of: &Account) -> String {
    let last = of.about.end_day.pred_opt().unwrap_or(of.about.end_day);
    let told = format!("{} to {}", day(of.about.first_day), day(last));
    if of.about.over {
        told
    } else {
        format!("{told}, not over")
    }
}

/// Of all rooms together.
fn coverage(of: &Account) -> Option<f64> {
    let (covered, span) =
        (of.conditions.rooms.iter()).fold((0.0, 0.0), |(c, s), r| (c + r.covered_h, s + r.span_h));
    (0.0 < span).then(|| (covered / span).min(1.0))
}

fn within_band(room: &RoomWinter) -> Option<f64> {
    (0.0 < room.judged_h).then(|| room.in_band_h / room.judged_h)
}

/// Every room of both, in order of its name in the first and then of those the second alone has.
fn by_room<'a>(a: &'a Account, b: &'a Account) -> Vec<(String, [Option<&'a RoomWinter>; 2])> {
    let of = |x: &'a Account, name: &str| {
        let mut rooms = x.conditions.rooms.iter();
        rooms.find(|r| r.room.trim().eq_ignore_ascii_case(name.trim()))
    };
    let first = (a.conditions.rooms.iter()).map(|r| (r.room.clone(), [Some(r), of(b, &r.room)]));
    let alone = b
        .conditions
        .rooms
        .iter()
        .filter(|r| of(a, &r.room).is_none());
    first
        .chain(alone.map(|r| (r.room.clone(), [None, Some(r)])))
        .collect()
}

/// Air sensors of every room.
fn air(of: &Account) -> impl Iterator<Item = &SensorWinter> {
    let sensors = of.conditions.record.sensors.iter();
    sensors.filter(|s| s.role == Role::Air)
}

/// Hours on one side, and hours that were judged; none where nothing was.
fn outside(of: &Account, side: Side) -> Option<(f64, f64)> {
    let against = air(of).filter_map(|s| s.against.as_ref());
    let (out, judged) = against.fold((0.0, 0.0), |(out, judged), a| {
        let of = if side.is_thermal() {
            a.temperature_h
        } else {
            a.humidity_h
        };
        (out + a.sides[side as usize].hours, judged + of[0])
    });
    (0.0 < judged).then_some((out, judged))
}

/// The first of the lowest or highest values.
fn furthest(
    of: &Account,
    quantity: fn(&SensorWinter) -> Option<&Quantity>,
    high: bool,
) -> Option<At> {
    let all = air(of)
        .filter_map(quantity)
        .map(|q| if high { q.high } else { q.low });
    all.reduce(|a, b| {
        let further = if high {
            a.value < b.value
        } else {
            b.value < a.value
        };
        if further || (a.value.total_cmp(&b.value).is_eq() && b.at < a.at) {
            b
        } else {
            a
        }
    })
}

fn value(at: Option<At>) -> Option<f64> {
    at.map(|at| at.value)
}

/// Mean vapour pressure deficit over all hours that are known, kPa.
fn mean_deficit(of: &Account) -> Option<f64> {
    let (dose, known) = air(of).fold((0.0, 0.0), |(d, h), s| (d + s.dose_kpa_day, h + s.both_h));
    (0.0 < known).then(|| dose * 24.0 / known)
}

/// Mean deficit dose of crates, kPa day.
fn mean_dose(of: &Account) -> Option<f64> {
    let known = (of.conditions.crates.iter()).filter(|c| 0.0 < c.cover.humid_h);
    let (sum, n) = known.fold((0.0, 0.0), |(sum, n), c| (sum + c.dose, n + 1.0));
    (0.0 < n).then(|| sum / n)
}

fn lost(of: &Losses) -> String {
    let number = |n: u64| thousands(i64::try_from(n).unwrap_or(i64::MAX));
    if of.at_risk == 0 {
        return DASH.to_owned();
    }
    if !of.kept {
        return format!("not known, of {}", number(of.at_risk));
    }
    let interval = of.by_crate.as_ref().map_or(of.interval, |c| c.interval);
    format!(
        "{} of {} ({}; {:.0} to {:.0} by chance)",
        number(of.lost),
        number(of.at_risk),
        share(of.share.unwrap_or(0.0)),
        interval.low * 100.0,
        interval.high * 100.0
    )
}

/// The difference of the shares lost with Newcombe's interval: by crates where both winters have enough of
/// them, else by tubers.
fn lost_interval(of: [&Losses; 2]) -> Option<(f64, Interval, bool)> {
    if of.iter().any(|l| !l.kept || l.at_risk == 0) {
        return None;
    }
    let [p, q] = of.map(|l| l.lost as f64 / l.at_risk as f64);
    let by_crate = of.iter().all(|l| l.by_crate.is_some());
    let [first, second] = of.map(|l| {
        let n = l.at_risk as f64;
        let n = match &l.by_crate {
            Some(c) if by_crate => c.effective.min(n),
            _ => n,
        };
        (n * l.lost as f64 / l.at_risk as f64, n)
    });
    Some((p - q, newcombe(first, second, CONFIDENCE), by_crate))
}

fn lost_more(of: [&Losses; 2]) -> Option<String> {
    let (difference, interval, by_crate) = lost_interval(of)?;
    let more = 0.0 < interval.low || interval.high < 0.0;
    let whole = |v: f64| signed(v * 100.0, |v| format!("{v:.0}"));
    Some(format!(
        "{} points ({} to {} by chance, counted by {}): {}",
        whole(difference),
        whole(interval.low),
        whole(interval.high),
        if by_crate { "crates" } else { "tubers" },
        if more {
            "more than chance"
        } else {
            "chance explains it"
        }
    ))
}

/// The first less the second, where both are known.
fn less(of: [Option<f64>; 2]) -> Option<f64> {
    Some(of[0]? - of[1]?)
}

/// The difference of two shares in points.
fn points(of: [Option<f64>; 2]) -> Option<String> {
    let difference = less(of)? * 100.0;
    Some(signed(difference, |d| format!("{d:.1}{NB}points")))
}

/// With its sign before it; what is shown as nothing has none.
fn signed(value: f64, told: impl Fn(f64) -> String) -> String {
    let size = told(value.abs());
    if size == told(0.0) {
        size
    } else if value < 0.0 {
        format!("\u{2212}{size}")
    } else {
        format!("+{size}")
    }
}

/// "2025-26 beside 2024-25".
pub fn title(a: &Account, b: &Account) -> String {
    capital(&format!("{} beside {}", a.about.winter, b.about.winter))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{climate::Unit, web::winter::tables::tests::data};

    const MANNER: Manner = Manner {
        zone: chrono_tz::UTC,
        unit: Unit::C,
    };

    fn cell<'a>(rows: &'a Rows, name: &str, place: usize) -> &'a str {
        let row = rows.rows.iter().find(|r| r[0] == name);
        &row.unwrap_or_else(|| panic!("no row `{name}`"))[place]
    }

    #[test]
    fn a_winter_beside_itself_differs_in_nothing() {
        let a = data().account;
        let rows = rows(&a, &a, MANNER);
        for row in &rows.rows {
            assert_eq!(row.len(), 4);
            assert_eq!(row[1], row[2]);
            let told = row[3].trim_start_matches(['0', '.']);
            assert!(!row[3].contains(['+', '\u{2212}']), "{row:?}");
            assert!(told.is_empty() || told.starts_with([NB, ' ']), "{row:?}");
        }
        assert_eq!(cell(&rows, "On record", 1), "75\u{a0}%");
        assert_eq!(cell(&rows, "Tubers lost", 1), DASH);
    }

    /// Newcombe's interval for 30 of 100 less 10 of 100: Wilson's ends are 0.2189 to 0.3958 and 0.0552 to
    /// 0.1744, so it is 0.2 - hypot(0.0811, 0.0744) = 0.090 to 0.2 + hypot(0.0958, 0.0448) = 0.306.
    #[test]
    fn losses_of_two_winters_are_compared_with_their_interval() {
        let with = |lost: u64| {
            let mut losses = data().account.losses;
            (losses.kept, losses.at_risk, losses.lost) = (true, 100, lost);
            losses
        };
        let told = lost_more([&with(30), &with(10)]).unwrap();
        assert_eq!(
            told,
            "+20 points (+9 to +31 by chance, counted by tubers): more than chance"
        );
        let told = lost_more([&with(10), &with(12)]).unwrap();
        assert!(told.ends_with("chance explains it"), "{told}");
        let mut unknown = with(0);
        unknown.kept = false;
        assert_eq!(lost_more([&unknown, &with(10)]), None);
        assert_eq!(lost(&unknown), "not known, of 100");
    }
}
