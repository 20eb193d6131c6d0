//! Groups of tubers beside each other: shares, intervals and differences.

use std::{cmp::Ordering, collections::BTreeMap};

use super::{
    ALIKE_STAY, Breakdown, ByCrate, CONFIDENCE, Came, CrateLoss, Difference, Dimension, FEW_CRATES,
    FEW_TUBERS, Group, Losses, Name, Side,
    fold::Fold,
    tally::{Key, Stratum, Tally},
};
use crate::{
    season::proportion::{design_effect, newcombe, pooled_design_effect, wilson},
    stock::{CrateCode, ledger::CrateId, place::natural},
};

/// One group with what its figures follow from.
struct Counted<'a> {
    stratum: Stratum,
    name: Name,
    cells: BTreeMap<CrateId, &'a Tally>,
}

/// So many of so many, and the crates that they were in.
struct Counts {
    lost: u64,
    at_risk: u64,
    days: i64,
    /// Lost and at risk of every crate.
    clusters: Vec<(u64, u64)>,
}

impl Counts {
    fn of(clusters: Vec<(u64, u64)>, days: i64) -> Self {
        Self {
            lost: clusters.iter().map(|(k, _)| k).sum(),
            at_risk: clusters.iter().map(|(_, n)| n).sum(),
            days,
            clusters,
        }
    }

    fn share(&self) -> f64 {
        if self.at_risk == 0 {
            return 0.0;
        }
        self.lost as f64 / self.at_risk as f64
    }

    fn stay_days(&self) -> f64 {
        self.days.max(0) as f64 / self.at_risk.max(1) as f64
    }

    fn crates(&self) -> u64 {
        self.clusters.len() as u64
    }

    /// As many tubers of fates of their own would tell as much; none with too few crates.
    fn effective(&self, pooled: Option<f64>) -> Option<(Option<f64>, f64)> {
        if self.crates() < FEW_CRATES {
            return None;
        }
        let (n, m) = (self.at_risk as f64, self.clusters.len() as f64);
        let own = design_effect(&self.clusters);
        let effective = match (own, pooled) {
            (Some(own), _) => n / own,
            (None, Some(pooled)) => (n / pooled).max(m),
            (None, None) => m,
        };
        Some((own, effective))
    }

    fn by_crate(&self, pooled: Option<f64>) -> Option<ByCrate> {
        let (design_effect, effective) = self.effective(pooled)?;
        Some(ByCrate {
            design_effect,
            effective,
            interval: wilson(self.share() * effective, effective, CONFIDENCE),
            crates: self.crates(),
        })
    }

    fn side(&self, name: &Name) -> Side {
        Side {
            name: name.clone(),
            lost: self.lost,
            at_risk: self.at_risk,
            crates: self.crates(),
            stay_days: self.stay_days(),
        }
    }
}

impl Counted<'_> {
    fn counts(&self) -> Counts {
        let clusters = (self.cells.values())
            .map(|tally| (tally.lost(), tally.at_risk()))
            .collect();
        Counts::of(clusters, self.cells.values().map(|tally| tally.days).sum())
    }

    fn sum(&self) -> Tally {
        let mut sum = Tally::default();
        self.cells.values().for_each(|tally| sum.add(tally));
        sum
    }
}

/// Which way of dividing a stratum is of; none for the whole.
fn dimension(key: &Key) -> Option<Dimension> {
    match key {
        Key::All => None,
        Key::Packing(_) => Some(Dimension::Packing),
        Key::Variety(_) => Some(Dimension::Variety),
        Key::Room(_) => Some(Dimension::Room),
        Key::Place(..) => Some(Dimension::Place),
        Key::Dug(_) => Some(Dimension::Dug),
        Key::Divided(_) => Some(Dimension::Form),
        Key::Crate(_) => Some(Dimension::Crate),
    }
}

pub(super) fn account(fold: &Fold) -> Losses {
    let mut cells: BTreeMap<Stratum, BTreeMap<CrateId, &Tally>> = BTreeMap::new();
    for ((stratum, krate), tally) in &fold.cells {
        if tally.at_risk() != 0 {
            cells.entry(*stratum).or_default().insert(*krate, tally);
        }
    }
    let mut strata: BTreeMap<Option<Dimension>, Vec<Counted<'_>>> = BTreeMap::new();
    let mut crates = Vec::new();
    for (key, stratum) in &fold.keys {
        let Some(cells) = cells.remove(stratum) else {
            continue;
        };
        let group = Counted {
            stratum: *stratum,
            name: fold.name(key),
            cells,
        };
        if let Key::Crate(id) = key {
            crates.extend(crate_loss(fold, *id, &group.sum()));
        }
        strata.entry(dimension(key)).or_default().push(group);
    }
    crates.sort_by(|(a, _), (b, _)| a.cmp(b));
    let whole = strata.remove(&None).and_then(|mut all| all.pop());
    let (counts, sum) = whole.map_or_else(
        || (Counts::of(Vec::new(), 0), Tally::default()),
        |whole| (whole.counts(), whole.sum()),
    );
    let came = Came {
        stood: fold.came.stood.max(0).unsigned_abs(),
        lifted: fold.came.lifted,
        listed: fold.came.listed,
        divided: fold.came.divided,
        corrected: fold.came.corrected,
    };
    let breakdown = |dimension| {
        let groups = strata.remove(&Some(dimension)).unwrap_or_default();
        breakdown(dimension, groups)
    };
    Losses {
        kept: fold.kept,
        came,
        at_risk: counts.at_risk,
        lost: counts.lost,
        share: (counts.at_risk != 0).then(|| counts.share()),
        interval: wilson(counts.lost as f64, counts.at_risk as f64, CONFIDENCE),
        by_crate: counts.by_crate(None),
        by_month: Vec::new(),
        by_finding: sum.lost.clone(),
        out: sum.out(),
        breakdowns: Dimension::ALL.map(breakdown).into(),
        crates: crates.into_iter().map(|(_, loss)| loss).collect(),
    }
}

fn crate_loss(fold: &Fold, id: CrateId, sum: &Tally) -> Option<(CrateCode, CrateLoss)> {
    let held = fold.crates.get(&id)?;
    let spelled = |folded: &String| match fold.name(&Key::Variety(folded.clone())) {
        Name::Text(text) => text,
        _ => folded.clone(),
    };
    let loss = CrateLoss {
        code: held.code.to_string(),
        room: held.room.clone(),
        place: held.place.clone(),
        packing: held.packing.clone(),
        varieties: held.varieties.iter().map(spelled).collect(),
        at_risk: sum.at_risk(),
        lost: sum.lost(),
        by_finding: sum.lost.clone(),
        out: sum.out(),
    };
    Some((held.code.clone(), loss))
}

fn breakdown(dimension: Dimension, mut groups: Vec<Counted<'_>>) -> Breakdown {
    if dimension == Dimension::Crate {
        groups.sort_by(|a, b| match (&a.name, &b.name) {
            (Name::Text(a), Name::Text(b)) => natural(a, b).then_with(|| a.cmp(b)),
            _ => Ordering::Equal,
        });
    }
    groups.sort_by_key(|group| !group.name.is_said());
    let all: Vec<Counts> = groups.iter().map(Counted::counts).collect();
    let pooled = pooled_design_effect(all.iter().map(|counts| counts.clusters.as_slice()));
    let shown = |(group, counts): (&Counted<'_>, &Counts)| {
        let few = counts.crates() < FEW_CRATES && dimension != Dimension::Crate;
        Group {
            name: group.name.clone(),
            crates: counts.crates(),
            at_risk: counts.at_risk,
            lost: counts.lost,
            share_lost: counts.share(),
            interval: wilson(counts.lost as f64, counts.at_risk as f64, CONFIDENCE),
            by_crate: counts.by_crate(pooled),
            out: group.sum().out(),
            stay_days: counts.stay_days(),
            small: few || counts.at_risk < FEW_TUBERS,
        }
    };
    Breakdown {
        dimension,
        groups: groups.iter().zip(&all).map(shown).collect(),
        differences: differences(dimension, &groups, &all, pooled),
    }
}

/// Every comparison of a dimension. Which groups are compared follows from how many there were and never
/// from what was lost, so that the family of comparisons is settled before anything is seen.
fn differences(
    dimension: Dimension,
    groups: &[Counted<'_>],
    all: &[Counts],
    pooled: Option<f64>,
) -> Vec<Difference> {
    let fit: Vec<(&Counted<'_>, &Counts)> = groups
        .iter()
        .zip(all)
        .filter(|(group, counts)| group.name.is_said() && FEW_TUBERS <= counts.at_risk)
        .collect();
    let mut pairs: Vec<(&Counted<'_>, &Counts, Option<&Counted<'_>>, Counts)> = Vec::new();
    // Two groups are each other's rest, unless something was not said.
    if dimension.pairwise() || (fit.len() == 2 && groups.len() == 2) {
        for (nth, (a, counts)) in fit.iter().enumerate() {
            for (b, others) in &fit[nth + 1..] {
                let others = Counts::of(others.clusters.clone(), others.days);
                pairs.push((a, counts, Some(b), others));
            }
        }
    } else {
        for (a, counts) in &fit {
            let rest = rest(groups, a.stratum);
            if FEW_TUBERS <= rest.at_risk {
                pairs.push((a, counts, None, rest));
            }
        }
    }
    let confidence = 1.0 - (1.0 - CONFIDENCE) / pairs.len().max(1) as f64;
    let compared = |(a, one, b, other): (&Counted<'_>, &Counts, Option<&Counted<'_>>, Counts)| {
        let (x, y) = (one.effective(pooled), other.effective(pooled));
        let by_crate = x.is_some() && y.is_some();
        let numbers = |counts: &Counts, effective: Option<(Option<f64>, f64)>| {
            let n = (effective.filter(|_| by_crate)).map_or(counts.at_risk as f64, |(_, n)| n);
            (counts.share() * n, n)
        };
        let interval = newcombe(numbers(one, x), numbers(&other, y), confidence);
        let (stay, beside) = (one.stay_days(), other.stay_days());
        Difference {
            a: one.side(&a.name),
            b: other.side(b.map_or(&Name::Rest, |b| &b.name)),
            difference: one.share() - other.share(),
            interval,
            confidence,
            by_crate,
            excludes_none: 0.0 < interval.low || interval.high < 0.0,
            alike_stay: stay <= beside * ALIKE_STAY && beside <= stay * ALIKE_STAY,
            on_both: on_both_sides(groups, a, b),
        }
    };
    pairs.into_iter().map(compared).collect()
}

/// How many tubers were in a group and in another as well, or in any other.
fn on_both_sides(groups: &[Counted<'_>], a: &Counted<'_>, b: Option<&Counted<'_>>) -> u64 {
    let left = |from: &Counted<'_>, to: &Counted<'_>| -> u64 {
        (from.cells.values())
            .filter_map(|tally| tally.left.get(&to.stratum))
            .sum()
    };
    (groups.iter())
        .filter(|other| other.stratum != a.stratum)
        .filter(|other| b.is_none_or(|b| b.stratum == other.stratum))
        .map(|other| left(a, other) + left(other, a))
        .sum()
}

/// All groups but one. A tuber that went from one of them to another counts where it ended, one that went
/// into the group that is left out counts where it left.
fn rest(groups: &[Counted<'_>], but: Stratum) -> Counts {
    let mut crates: BTreeMap<CrateId, (u64, u64)> = BTreeMap::new();
    let mut days = 0;
    for group in groups.iter().filter(|group| group.stratum != but) {
        for (krate, tally) in &group.cells {
            let left = tally.left.get(&but).copied().unwrap_or(0);
            let sum = crates.entry(*krate).or_default();
            *sum = (sum.0 + tally.lost(), sum.1 + tally.ended() + left);
            days += tally.days;
        }
    }
    crates.retain(|_, (_, n)| *n != 0);
    Counts::of(crates.into_values().collect(), days)
}
