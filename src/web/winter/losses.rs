//! What was lost, by what tubers had in common, and what crates had lived through; in words, pictures and
//! tables.

use std::fmt::Write as _;

use super::{
    part::{Part, Rows, share},
    pictures,
    rooms::capital,
};
use crate::{
    notify::words::{Manner, NB, count, thousands},
    season::{
        account::{Account, FIGURES},
        pattern::{ENOUGH_CRATES, Figure, Pattern},
        proportion::Interval,
        survival::{Breakdown, Difference, Dimension, Group, Losses, Name, Side},
    },
    stock::Finding,
};

/// The part.
pub fn part(account: &Account, manner: Manner) -> Part {
    let losses = &account.losses;
    let mut part = Part {
        id: "losses".to_owned(),
        title: "What was lost".to_owned(),
        words: words(losses),
        ..Part::default()
    };
    if !losses.kept || losses.at_risk == 0 {
        return part;
    }
    part.tables.extend(months(losses));
    part.tables.push(fates(losses));
    for breakdown in &losses.breakdowns {
        if breakdown.dimension == Dimension::Crate || breakdown.groups.len() < 2 {
            continue;
        }
        part.pictures.push(pictures::survival(breakdown));
        part.tables.push(groups(breakdown));
        part.tables.extend(differences(breakdown));
    }
    part.tables.push(crates(losses));
    part.words.push(patterns(&account.patterns));
    part.pictures.extend(pictures::against(account, manner));
    part
}

/// "412 of 455 tubers came through, 43 were lost (9 %; 7 to 12 by chance)."
pub fn sentence(losses: &Losses) -> String {
    if losses.at_risk == 0 {
        return "No tubers were entered for this winter.".to_owned();
    }
    if !losses.kept {
        return format!(
            "{} in store; nobody noted a look, so what was lost is not known.",
            count(
                usize::try_from(losses.at_risk).unwrap_or(usize::MAX),
                "tuber was",
                "tubers were"
            )
        );
    }
    let lost = losses.share.unwrap_or(0.0);
    let interval = losses
        .by_crate
        .as_ref()
        .map_or(losses.interval, |c| c.interval);
    format!(
        "{} of {} tubers were lost, {}. By luck alone it could have been {}.",
        number(losses.lost),
        number(losses.at_risk),
        share(lost),
        range(interval),
    )
}

fn words(losses: &Losses) -> Vec<String> {
    let mut out = vec![sentence(losses)];
    if losses.kept && losses.at_risk != 0 {
        let said: Vec<String> = (losses.by_finding.iter())
            .map(|(finding, n)| format!("{} {}", number(*n), found(*finding)))
            .collect();
        if !said.is_empty() {
            out.push(format!("Thrown away: {}.", said.join(", ")));
        }
        if losses.out.divided != 0 {
            out.push(format!(
                "{} were cut apart: each is counted once as it was and once as its pieces.",
                count(
                    usize::try_from(losses.out.divided).unwrap_or(usize::MAX),
                    "clump",
                    "clumps"
                )
            ));
        }
        if losses.out.unseen != 0 {
            out.push(format!(
                "{} still in store whose crates nobody looked at: they may be lost, and are counted as alive.",
                count(usize::try_from(losses.out.unseen).unwrap_or(usize::MAX), "tuber is", "tubers are")
            ));
        }
        out.push("A range is where the true share lies 95 times in 100. Tubers of one crate share its fate; where three crates or more have something in common, the range by crates is the one to trust.".to_owned());
    }
    out
}

fn number(n: u64) -> String {
    thousands(i64::try_from(n).unwrap_or(i64::MAX))
}

fn range(i: Interval) -> String {
    format!("{:.0} to {:.0}{NB}%", i.low * 100.0, i.high * 100.0)
}

fn points(i: Interval) -> String {
    let sign = |v: f64| {
        let v = (v * 100.0).round();
        if v < 0.0 {
            format!("\u{2212}{:.0}", -v)
        } else {
            format!("{v:.0}")
        }
    };
    format!("{} to {}", sign(i.low), sign(i.high))
}

/// What a finding is called.
pub fn found(finding: Finding) -> &'static str {
    match finding {
        Finding::Sound => "sound",
        Finding::Soft => "soft",
        Finding::Mould => "mouldy",
        Finding::Shrivelled => "shrivelled",
        Finding::Sprouting => "sprouting",
        Finding::Mouse => "eaten by mice",
        Finding::GallOrVirus => "with gall or virus",
    }
}

/// What a dimension is called.
pub fn dimension(d: Dimension) -> &'static str {
    match d {
        Dimension::Packing => "packing",
        Dimension::Variety => "variety",
        Dimension::Room => "room",
        Dimension::Place => "place",
        Dimension::Dug => "day of the dig",
        Dimension::Form => "whole or divided",
        Dimension::Crate => "crate",
    }
}

/// What a group is called.
pub fn name(name: &Name) -> String {
    match name {
        Name::NotSaid => "not said".to_owned(),
        Name::Text(text) => text.clone(),
        Name::Day(day) => format!("dug {}", day.format("%-d %b %Y")),
        Name::Whole => "whole".to_owned(),
        Name::Divided => "divided".to_owned(),
        Name::Place { room, rack, shelf } => {
            let parts = [room, rack, shelf].into_iter().filter(|p| !p.is_empty());
            parts.cloned().collect::<Vec<_>>().join(", ")
        }
        Name::Rest => "all others".to_owned(),
    }
}

fn fates(losses: &Losses) -> Rows {
    let (came, out) = (&losses.came, &losses.out);
    let mut rows = Rows::new("Where they came from and went to", &["", "Tubers"]);
    for (what, n) in [
        ("in store at the beginning", came.stood),
        ("lifted", came.lifted),
        ("taken from lists", came.listed),
        ("more by dividing", came.divided),
        ("found at a count", came.corrected),
        ("counted in all", losses.at_risk),
        ("thrown away", losses.lost),
        ("planted", out.planted),
        ("sold", out.sold),
        ("given away", out.given),
        ("cut apart", out.divided),
        ("missing at a count", out.corrected),
        ("still in store", out.standing),
    ] {
        if n != 0 {
            rows.push([what.to_owned(), number(n)]);
        }
    }
    rows
}

fn row(g: &Group) -> [String; 6] {
    [
        name(&g.name),
        number(g.crates),
        format!("{} of {}", number(g.lost), number(g.at_risk)),
        share(g.share_lost),
        range(g.interval),
        match &g.by_crate {
            Some(c) => range(c.interval),
            None if g.small => "too few".to_owned(),
            None => "\u{2013}".to_owned(),
        },
    ]
}

fn groups(b: &Breakdown) -> Rows {
    let mut rows = Rows::new(
        &format!("Lost by {}", dimension(b.dimension)),
        &[
            &capital(dimension(b.dimension)),
            "Crates",
            "Lost",
            "Share",
            "Range, tuber by tuber",
            "Range by crates",
        ],
    );
    for g in &b.groups {
        rows.push(row(g));
    }
    rows
}

fn differences(b: &Breakdown) -> Option<Rows> {
    if b.differences.is_empty() {
        return None;
    }
    let mut rows = Rows::new(
        &format!("Differences by {}", dimension(b.dimension)),
        &[
            "Lost more",
            "Lost less",
            "Difference, points",
            "Range",
            "Counted by",
            "More than chance",
        ],
    );
    let side = |s: &Side| {
        format!(
            "{}: {} of {}",
            name(&s.name),
            number(s.lost),
            number(s.at_risk)
        )
    };
    let mut sorted: Vec<&Difference> = b.differences.iter().collect();
    sorted.sort_by(|a, b| {
        (b.excludes_none.cmp(&a.excludes_none))
            .then(b.difference.abs().total_cmp(&a.difference.abs()))
    });
    let beyond = sorted.iter().filter(|d| d.excludes_none).count();
    for d in sorted.into_iter().take(beyond.max(3)) {
        let turned = d.difference < 0.0;
        let (more, less) = if turned { (&d.b, &d.a) } else { (&d.a, &d.b) };
        let interval = if turned {
            Interval {
                low: -d.interval.high,
                high: -d.interval.low,
            }
        } else {
            d.interval
        };
        let chance = match (d.excludes_none, d.is_fair(), d.alike_stay) {
            (true, true, _) => "yes",
            (true, false, false) => "yes, but they were in store for different times",
            (true, false, true) => "yes, but many tubers were in both",
            (false, ..) => "no",
        };
        rows.push([
            side(more),
            side(less),
            format!("{:.0}", d.difference.abs() * 100.0),
            points(interval),
            if d.by_crate { "crates" } else { "tubers" }.to_owned(),
            chance.to_owned(),
        ]);
    }
    let confidence = b.differences.first().map_or(0.95, |d| d.confidence);
    let n = b.differences.len();
    let left = n - rows.rows.len();
    let mut note = String::new();
    if left != 0 {
        note = format!("{} more: no difference seen. ", thousands(left as i64));
    }
    if 1 < n {
        let _ = write!(
            note,
            "{} in all, so each range is drawn so wide ({:.1}{NB}%) that all of them hold together 95 times in 100.",
            count(n, "comparison", "comparisons"),
            confidence * 100.0
        );
    }
    Some(rows.noting(note.trim()))
}

fn crates(losses: &Losses) -> Rows {
    let mut rows = Rows::new(
        "Lost crate by crate",
        &["Crate", "Where", "Packing", "Varieties", "Lost", "Found"],
    );
    let mut sorted: Vec<_> = losses.crates.iter().collect();
    sorted.sort_by(|a, b| {
        b.lost
            .cmp(&a.lost)
            .then_with(|| crate::stock::place::natural(&a.code, &b.code))
    });
    for c in sorted {
        let place = if c.place.is_empty() {
            c.room.clone()
        } else {
            format!("{}, {}", c.room, c.place)
        };
        let seen: Vec<String> = (c.by_finding.iter())
            .map(|(f, n)| format!("{} {}", number(*n), found(*f)))
            .collect();
        rows.push([
            c.code.clone(),
            place,
            c.packing.clone(),
            c.varieties.join(", "),
            format!("{} of {}", number(c.lost), number(c.at_risk)),
            seen.join(", "),
        ]);
    }
    rows
}

/// What a figure is called, and its unit.
pub fn figure(f: Figure) -> (&'static str, &'static str) {
    match f {
        Figure::MeanTemperature => ("mean temperature among the tubers", "C"),
        Figure::LowestTemperature => ("lowest temperature among the tubers", "C"),
        Figure::HighestTemperature => ("highest temperature among the tubers", "C"),
        Figure::MeanHumidity => ("mean humidity of the air", "%"),
        Figure::HoursCold => ("hours too cold", "h"),
        Figure::HoursWarm => ("hours too warm", "h"),
        Figure::HoursDry => ("hours in air too dry", "h"),
        Figure::HoursDamp => ("hours in air too damp", "h"),
        Figure::DeficitDose => ("drying power of the air", "kPa\u{a0}day"),
        Figure::Shrink => ("water lost", "%"),
        Figure::Mould => ("highest mould index", ""),
        Figure::HoursSweating => ("hours wet", "h"),
    }
}

/// What a figure is held against: "shrivelled", "soft or mouldy", or nothing for all.
pub fn against(f: Figure) -> String {
    let findings = FIGURES
        .iter()
        .find(|(own, ..)| *own == f)
        .map_or(&[][..], |(.., of)| *of);
    findings
        .iter()
        .map(|f| found(*f))
        .collect::<Vec<_>>()
        .join(" or ")
}

/// One sentence of what crates had in common that lost more.
pub fn pattern(p: &Pattern) -> String {
    let (what, _) = figure(p.figure);
    let more = p.rho.is_some_and(|rho| 0.0 < rho);
    let lost = match against(p.figure).as_str() {
        "" => "lost".to_owned(),
        of => format!("lost {of} tubers,"),
    };
    let interval = p.interval.map_or_else(String::new, |i| {
        let sign = |v: f64| {
            if v < 0.0 {
                format!("\u{2212}{:.2}", -v)
            } else {
                format!("{v:.2}")
            }
        };
        format!(
            " (rank correlation {}, {} to {})",
            sign(p.rho.unwrap_or(0.0)),
            sign(i.low),
            sign(i.high)
        )
    });
    format!(
        "Of {}, those with a higher figure of {what} {lost} {}{interval}",
        count(p.n, "crate", "crates"),
        if more { "more" } else { "less" }
    )
}

fn patterns(all: &[Pattern]) -> String {
    let most = all.iter().map(|p| p.n).max().unwrap_or(0);
    let crates = count(most, "crate", "crates");
    if most < ENOUGH_CRATES {
        return format!(
            "What crates lived through is not held against what they lost: {crates} are too few to tell a pattern from luck."
        );
    }
    let told: Vec<String> = all.iter().filter(|p| p.tells).map(pattern).collect();
    if told.is_empty() {
        return format!(
            "In {crates} it cannot be seen that those in colder, drier or damper air lost more. That does not show that the air did no harm."
        );
    }
    format!(
        "{}. That is no proof: such crates may have had something else in common as well.",
        told.join(". ")
    )
}

fn months(losses: &Losses) -> Option<Rows> {
    let found_any: Vec<Finding> = losses.by_finding.keys().copied().collect();
    if losses.by_month.is_empty() || found_any.is_empty() {
        return None;
    }
    let mut rows = Rows {
        head: std::iter::once("Month".to_owned())
            .chain(found_any.iter().map(|f| capital(found(*f))))
            .collect(),
        ..Rows::new("When it was thrown away", &[]).open()
    };
    for month in &losses.by_month {
        let each = found_any.iter().map(|f| {
            let n = month.by_finding.get(f).copied().unwrap_or(0);
            if n == 0 {
                "\u{2013}".to_owned()
            } else {
                number(n)
            }
        });
        rows.push(std::iter::once(month.first.format("%B %Y").to_string()).chain(each));
    }
    Some(rows.noting("When it was found, which is later than when it began."))
}
