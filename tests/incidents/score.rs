//! What counts as found, and what as false.

use std::collections::BTreeMap;

use overwinter::watch::{Kind, Priority};

use crate::{
    judged::Notice,
    plain::Series,
    store_room::{Harm, HarmKind, Incident, Run, Scenario},
};

const HOUR_MS: f64 = 3.6e6;

/// Every kind of harm.
pub(crate) const HARMS: [HarmKind; 5] = [
    HarmKind::Frost,
    HarmKind::Heat,
    HarmKind::Drying,
    HarmKind::Sweating,
    HarmKind::Mould,
];

/// A run, and what was said of it.
pub(crate) struct Case {
    pub(crate) scenario: Scenario,
    pub(crate) run: Run,
    pub(crate) series: Series,
    /// By the judge, in order of time.
    pub(crate) notices: Vec<Notice>,
}

impl Case {
    /// What the judge asks a person to act on.
    pub(crate) fn acts(&self) -> Vec<Notice> {
        let acts = |n: &&Notice| Priority::Low < n.priority;
        self.notices.iter().filter(acts).copied().collect()
    }

    pub(crate) fn weeks(&self) -> f64 {
        self.scenario.days / 7.0
    }

    /// Was something in the room within 1.5 K of the dew point then, whatever came of it?
    pub(crate) fn near_sweating(&self, at_ms: i64) -> bool {
        let hour = self.run.truth.iter().rfind(|x| x.at_ms <= at_ms);
        hour.is_some_and(|x| {
            let places = [x.middle_core, x.middle_surface, x.probe, x.wall_crate_side];
            places.into_iter().fold(f64::MAX, f64::min) - x.dew_point <= 1.5
        })
    }

    /// Does a notice of that kind at that time speak of nothing that is the matter?
    pub(crate) fn is_false(&self, notice: &Notice) -> bool {
        let (Some(incident), Some(from)) = (self.scenario.incident, self.run.incident_from_ms)
        else {
            return true;
        };
        let of_harm = |harm: &Harm| By::Plain.speaks_of(harm.kind, notice.kind);
        let fits = follows_from(incident).contains(&notice.kind);
        notice.at_ms < from || !(fits || self.run.harms.iter().any(of_harm))
    }
}

/// Who speaks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum By {
    Models,
    /// That the air is damp is all that it can say of sweating, so of this one it counts.
    Plain,
}

impl By {
    fn speaks_of(self, harm: HarmKind, kind: Kind) -> bool {
        let damp = self == Self::Plain && harm == HarmKind::Sweating && kind == Kind::RotRisk;
        damp || speaks_of(harm).contains(&kind)
    }
}

/// The kinds of notice that speak of a harm.
fn speaks_of(harm: HarmKind) -> &'static [Kind] {
    match harm {
        HarmKind::Frost => &[Kind::Frost, Kind::FrostAhead, Kind::Cold],
        HarmKind::Heat => &[Kind::Warm, Kind::Waking],
        HarmKind::Drying => &[Kind::Shrink, Kind::DryOut],
        HarmKind::Sweating => &[Kind::Sweating, Kind::Thaw],
        HarmKind::Mould => &[Kind::Mould, Kind::RotRisk, Kind::Sweating],
    }
}

/// The kinds of notice that are true of an incident's physical consequences, whether or not they end in harm.
fn follows_from(incident: Incident) -> &'static [Kind] {
    match incident {
        // As the room cools its air comes nearer to saturation, and crates sweat when the heat is back.
        Incident::HeaterFails { .. } => &[
            Kind::Frost,
            Kind::FrostAhead,
            Kind::Cold,
            Kind::RotRisk,
            Kind::Sweating,
            Kind::Thaw,
        ],
        // Warmer air is drier.
        Incident::HeaterStuckOn { .. } => &[Kind::Warm, Kind::Waking, Kind::DryOut, Kind::Shrink],
        Incident::HumidifierDies { .. } => &[Kind::DryOut, Kind::Shrink],
        Incident::Leak { .. } => &[Kind::RotRisk, Kind::Mould, Kind::Sweating],
        Incident::ThawVenting { .. } => &[Kind::Sweating, Kind::Thaw, Kind::RotRisk, Kind::Mould],
        // The wall and what stands against it grow cold as well as wet.
        Incident::ColdWallSweating { .. } => &[
            Kind::Sweating,
            Kind::RotRisk,
            Kind::Mould,
            Kind::Cold,
            Kind::Frost,
            Kind::FrostAhead,
        ],
    }
}

/// How often one harm was foreseen, and how long before.
#[derive(Clone, Debug, Default)]
pub(crate) struct Found {
    /// Harms that came.
    pub(crate) came: usize,
    /// Of these spoken of between the beginning of the incident and the harm.
    pub(crate) found: usize,
    /// Hours from the first such notice to the harm, the shortest first.
    leads_h: Vec<f64>,
}

fn median(sorted: &[f64]) -> Option<f64> {
    let n = sorted.len();
    let (low, high) = (n.checked_sub(1)? / 2, n / 2);
    Some(f64::midpoint(sorted[low], sorted[high]))
}

impl Found {
    pub(crate) fn median_lead_h(&self) -> Option<f64> {
        median(&self.leads_h)
    }

    /// The same with none for what was missed, so that few that were found early do not look better.
    pub(crate) fn start_h(&self) -> f64 {
        let mut all = vec![0.0; self.came - self.found];
        all.extend(&self.leads_h);
        median(&all).unwrap_or(0.0)
    }

    fn add(&mut self, lead_h: Option<f64>) {
        self.came += 1;
        self.found += usize::from(lead_h.is_some());
        self.leads_h.extend(lead_h);
        self.leads_h.sort_by(f64::total_cmp);
    }
}

/// Everything that one way of telling did in all runs.
#[derive(Clone, Debug, Default)]
pub(crate) struct Score {
    /// By name of the incident, and harm.
    pub(crate) found: BTreeMap<(&'static str, usize), Found>,
    /// False notices by name of the run, and kind.
    pub(crate) wrong: BTreeMap<(&'static str, Kind), usize>,
    /// False ones about sweating that were so near to it in truth as they said.
    pub(crate) near: usize,
    by_harm: BTreeMap<usize, Found>,
}

impl Score {
    pub(crate) fn of(by: By, cases: &[Case], told: impl Fn(&Case) -> Vec<Notice>) -> Self {
        let mut score = Self::default();
        for case in cases {
            let (name, told) = (case.scenario.name, told(case));
            for notice in told.iter().filter(|n| case.is_false(n)) {
                *score.wrong.entry((name, notice.kind)).or_default() += 1;
                let sweating = notice.kind == Kind::Sweating;
                score.near += usize::from(sweating && case.near_sweating(notice.at_ms));
            }
            let from = case.run.incident_from_ms.unwrap_or(i64::MAX);
            for harm in &case.run.harms {
                let lead_h = told
                    .iter()
                    .filter(|n| from <= n.at_ms && n.at_ms < harm.at_ms)
                    .filter(|n| by.speaks_of(harm.kind, n.kind))
                    .map(|n| (harm.at_ms - n.at_ms) as f64 / HOUR_MS)
                    .reduce(f64::max);
                let nth = harm.kind as usize;
                score.found.entry((name, nth)).or_default().add(lead_h);
                score.by_harm.entry(nth).or_default().add(lead_h);
            }
        }
        score
    }

    pub(crate) fn of_harm(&self, harm: HarmKind) -> Found {
        let found = self.by_harm.get(&(harm as usize));
        found.cloned().unwrap_or_default()
    }

    pub(crate) fn false_ones(&self) -> usize {
        self.wrong.values().sum()
    }

    pub(crate) fn false_in(&self, name: &str) -> usize {
        let of = self.wrong.iter().filter(|((n, _), _)| *n == name);
        of.map(|(_, count)| count).sum()
    }
}
