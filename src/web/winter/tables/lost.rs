//! What was lost: by what tubers had in common, compared, crate by crate, and against what crates lived
//! through.

use super::{ends, number, percent, table, word};
use crate::{
    season::{
        account::Account,
        survival::{ByCrate, CrateLoss, Difference, Dimension, Out, Side},
    },
    stock::Finding,
    web::winter::{
        losses::{figure, name},
        table::{
            Cell, Column,
            Kind::{Number, Text, YesNo},
            Table, column,
        },
    },
};

const FATES: &[Column] = &[
    column("what", Text, "Came, lost or left, or of what was left."),
    column(
        "how",
        Text,
        "How they came, what was found, or where they went.",
    ),
    column(
        "tubers",
        Number,
        "How many: clumps, divisions and pot tubers alike.",
    ),
];

pub(super) fn fates(account: &Account) -> Table {
    let losses = &account.losses;
    let (came, out) = (&losses.came, &losses.out);
    let mut all: Vec<(&str, &str, u64)> = vec![
        ("came", "stood there at the beginning", came.stood),
        ("came", "lifted", came.lifted),
        ("came", "listed", came.listed),
        ("came", "divided", came.divided),
        ("came", "found at a count", came.corrected),
        ("at risk", "all that came", losses.at_risk),
        ("lost", "all that was thrown away", losses.lost),
    ];
    all.extend((losses.by_finding.iter()).map(|(f, n)| ("lost", f.key(), *n)));
    all.extend([
        ("left", "planted", out.planted),
        ("left", "sold", out.sold),
        ("left", "given away", out.given),
        ("left", "cut apart", out.divided),
        ("left", "missing at a count", out.corrected),
        ("left", "still in store", out.standing),
        ("still in store", "nobody looked at them", out.unseen),
    ]);
    table(
        ("fates", "Where the tubers came from and went to"),
        FATES,
        all,
        |(what, how, n)| vec![what.into(), how.into(), n.into()],
    )
}

const LOSSES: &[Column] = &[
    column(
        "by",
        Text,
        "By what the stock is divided: all, packing, variety, room, place, dug, form or crate.",
    ),
    column("group", Text, "What these have in common."),
    column("said", YesNo, "Somebody said what it is."),
    column("crates", Number, "Crates."),
    column("at_risk", Number, "Tubers at risk."),
    column("lost", Number, "Of these lost."),
    column("lost_pct", Number, "The same in percent."),
    column(
        "low_pct",
        Number,
        "Lower end of Wilson's 95 % interval, as if every tuber had a fate of its own.",
    ),
    column("high_pct", Number, "Its upper end."),
    column(
        "crates_low_pct",
        Number,
        "Lower end of the interval by crates; empty with fewer than three crates.",
    ),
    column("crates_high_pct", Number, "Its upper end."),
    column(
        "design_effect",
        Number,
        "How many times less tubers tell because they share crates (Rao and Scott 1992); empty where it cannot be seen.",
    ),
    column(
        "effective_tubers",
        Number,
        "So many tubers with a fate of their own would tell as much.",
    ),
    column("planted", Number, "What became of the others: planted."),
    column("sold", Number, "Sold."),
    column("given", Number, "Given away."),
    column("divided", Number, "Cut apart."),
    column("missing", Number, "Missing at a count."),
    column("elsewhere", Number, "Put into another group, and not back."),
    column("standing", Number, "Still there."),
    column("unseen", Number, "Of these, nobody looked at them."),
    column(
        "stay_days",
        Number,
        "Days that one stayed in the group, in the mean.",
    ),
    column("small", YesNo, "So few that an odd one changes much."),
];

fn judged(by: Option<&ByCrate>) -> [Cell; 4] {
    let [low, high] = ends(by.map(|c| c.interval));
    [
        low,
        high,
        number(by.and_then(|c| c.design_effect)),
        number(by.map(|c| c.effective)),
    ]
}

fn out(of: &Out) -> [Cell; 8] {
    [
        of.planted,
        of.sold,
        of.given,
        of.divided,
        of.corrected,
        of.elsewhere,
        of.standing,
        of.unseen,
    ]
    .map(Cell::from)
}

pub(super) fn losses(account: &Account) -> Table {
    let losses = &account.losses;
    let mut whole: Vec<Cell> = vec![
        "all".into(),
        "all".into(),
        true.into(),
        losses.crates.len().into(),
        losses.at_risk.into(),
        losses.lost.into(),
        losses.share.map(percent).into(),
    ];
    whole.extend(ends(losses.share.map(|_| losses.interval)));
    whole.extend(judged(losses.by_crate.as_ref()));
    whole.extend(out(&losses.out));
    whole.extend([Cell::Empty, Cell::Empty]);
    let groups = losses.breakdowns.iter().flat_map(|b| {
        b.groups.iter().map(|g| {
            let mut row: Vec<Cell> = vec![
                word(&b.dimension),
                name(&g.name).into(),
                g.name.is_said().into(),
                g.crates.into(),
                g.at_risk.into(),
                g.lost.into(),
                percent(g.share_lost).into(),
            ];
            row.extend(ends(Some(g.interval)));
            row.extend(judged(g.by_crate.as_ref()));
            row.extend(out(&g.out));
            row.extend([number(Some(g.stay_days)), g.small.into()]);
            row
        })
    });
    let rows = std::iter::once(whole).chain(groups);
    table(
        (
            "losses",
            "What was lost, by what tubers have in common. Where nobody noted a look or took anything out, nothing lost means nothing known",
        ),
        LOSSES,
        rows.collect::<Vec<_>>(),
        |row| row,
    )
}

const DIFFERENCES: &[Column] = &[
    column("by", Text, "By what the stock is divided."),
    column("a", Text, "One group."),
    column("a_lost", Number, "Lost of it."),
    column("a_at_risk", Number, "Of so many at risk."),
    column("a_crates", Number, "In so many crates."),
    column("a_stay_days", Number, "Mean days that one stayed."),
    column("b", Text, "The other group, or all others."),
    column("b_lost", Number, "Lost of it."),
    column("b_at_risk", Number, "Of so many at risk."),
    column("b_crates", Number, "In so many crates."),
    column("b_stay_days", Number, "Mean days that one stayed."),
    column(
        "difference_pct",
        Number,
        "Percent lost of the first less that of the second, points.",
    ),
    column("low_pct", Number, "Lower end of Newcombe's interval of it."),
    column("high_pct", Number, "Its upper end."),
    column(
        "confidence_pct",
        Number,
        "How sure this interval is, so that all of its kind together are at 95 % (Bonferroni).",
    ),
    column("by_crate", YesNo, "Crates were counted rather than tubers."),
    column(
        "excludes_none",
        YesNo,
        "The interval excludes that there is no difference.",
    ),
    column(
        "alike_stay",
        YesNo,
        "Both were in store for about the same time.",
    ),
];

fn side(s: &Side) -> [Cell; 5] {
    [
        name(&s.name).into(),
        s.lost.into(),
        s.at_risk.into(),
        s.crates.into(),
        number(Some(s.stay_days)),
    ]
}

pub(super) fn differences(account: &Account) -> Table {
    let all = (account.losses.breakdowns.iter())
        .flat_map(|b| b.differences.iter().map(move |d| (b.dimension, d)));
    table(
        ("differences", "Groups beside each other"),
        DIFFERENCES,
        all,
        |(by, d): (Dimension, &Difference)| {
            let mut row = vec![word(&by)];
            row.extend(side(&d.a));
            row.extend(side(&d.b));
            row.push(percent(d.difference).into());
            row.extend(ends(Some(d.interval)));
            row.extend([
                percent(d.confidence).into(),
                d.by_crate.into(),
                d.excludes_none.into(),
                d.alike_stay.into(),
            ]);
            row
        },
    )
}

const CRATE_LOSSES: &[Column] = &[
    column("crate", Text, "What stands on its label."),
    column("room", Text, "The room it stood in at last."),
    column("place", Text, "Where in it."),
    column("packing", Text, "Its packing at last, as it was written."),
    column(
        "varieties",
        Text,
        "Varieties in it, with a semicolon between.",
    ),
    column("at_risk", Number, "Tubers that were in it."),
    column("lost", Number, "Thrown away out of it."),
    column("lost_pct", Number, "The same in percent."),
    column("sound", Number, "Thrown away though sound."),
    column("soft", Number, "Thrown away as soft."),
    column("mould", Number, "As mouldy."),
    column("shrivelled", Number, "As shrivelled."),
    column("sprouting", Number, "As sprouting."),
    column("mouse", Number, "As eaten by mice."),
    column("gall_or_virus", Number, "With gall or virus."),
    column("planted", Number, "What became of the others: planted."),
    column("sold", Number, "Sold."),
    column("given", Number, "Given away."),
    column("divided", Number, "Cut apart."),
    column("missing", Number, "Missing at a count."),
    column("elsewhere", Number, "Put into another crate, and not back."),
    column("standing", Number, "Still there."),
    column("unseen", Number, "Of these, nobody looked at them."),
];

pub(super) fn crate_losses(account: &Account) -> Table {
    table(
        ("crate-losses", "What was lost, crate by crate"),
        CRATE_LOSSES,
        &account.losses.crates,
        |c: &CrateLoss| {
            let share = (c.at_risk != 0).then(|| c.lost as f64 / c.at_risk as f64);
            let mut row: Vec<Cell> = vec![
                (&c.code).into(),
                (&c.room).into(),
                (&c.place).into(),
                (&c.packing).into(),
                c.varieties.join("; ").into(),
                c.at_risk.into(),
                c.lost.into(),
                share.map(percent).into(),
            ];
            let found = |f: Finding| c.by_finding.get(&f).copied().unwrap_or(0).into();
            row.extend(Finding::ALL.map(found));
            row.extend(out(&c.out));
            row
        },
    )
}

const PATTERNS: &[Column] = &[
    column("figure", Text, "What crates lived through."),
    column("says", Text, "The same in words."),
    column("unit", Text, "Its unit."),
    column("crates", Number, "Crates of which both are known."),
    column(
        "rho",
        Number,
        "Spearman's rank correlation with the share lost, -1 to 1; above 0 those with more of it lost more.",
    ),
    column(
        "low",
        Number,
        "Lower end of its interval (Bonett and Wright 2000).",
    ),
    column("high", Number, "Its upper end."),
    column(
        "confidence_pct",
        Number,
        "How sure the interval is, so that all together are at 95 %.",
    ),
    column(
        "tells",
        YesNo,
        "Ten crates or more, and the interval excludes 0. It is no proof.",
    ),
];

pub(super) fn patterns(account: &Account) -> Table {
    table(
        (
            "patterns",
            "Whether crates that lived through more of something lost more",
        ),
        PATTERNS,
        &account.patterns,
        |p| {
            let (says, unit) = figure(p.figure);
            vec![
                word(&p.figure),
                says.into(),
                unit.replace('\u{a0}', " ").into(),
                p.n.into(),
                number(p.rho),
                number(p.interval.map(|i| i.low)),
                number(p.interval.map(|i| i.high)),
                percent(p.confidence).into(),
                p.tells.into(),
            ]
        },
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::survival::Name;

    #[test]
    fn every_finding_and_way_out_has_a_column() {
        let names: Vec<String> = CRATE_LOSSES.iter().map(|c| c.name.to_owned()).collect();
        for finding in Finding::ALL {
            assert!(names.contains(&finding.key().replace('-', "_")));
        }
        assert_eq!(out(&Out::default()).len(), 8);
        assert_eq!(name(&Name::Rest), "all others");
    }
}
