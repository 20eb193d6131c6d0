//! Will there be enough to plant? Answered in early January, while replacements can still be bought.

use std::cmp::Reverse;

use chrono::NaiveDate;

use super::Form;

mod dates;
mod soil;
mod survivors;
mod wish;

pub use dates::{DateSettings, Dates, Due, MonthDay, NoSuchDay, dates};
pub use soil::{MORNINGS, SoilState, WARM_C, morning_mean, soil_ready};
pub use survivors::Counted;
use survivors::{DESIGN, Known, Model, Seen, Survivors, Together, design};
pub use wish::{BadWish, Bed, SPACING_M, Wish};

/// Divisions of a clump when nothing is known: one keen grower had 922 of 230 clumps (common practice).
const PER_CLUMP: u32 = 4;
/// A record of fewer clumps divided says too little; judgement.
const LEAST_DIVIDED: u32 = 5;

/// The stretch over which losses are spread: from the first dig to planting.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Winter {
    /// Its first day.
    pub from: NaiveDate,
    /// The day of planting.
    pub to: NaiveDate,
}

impl Winter {
    /// The part of it that has passed by a day, 0 to 1.
    fn passed(self, day: NaiveDate) -> f64 {
        let days = |from: NaiveDate, to: NaiveDate| (to - from).num_days() as f64;
        (days(self.from, day) / days(self.from, self.to).max(1.0)).clamp(0.0, 1.0)
    }
}

/// Tubers of one lot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Held {
    /// How they are stored.
    pub form: Form,
    /// Here now, the bad ones among them.
    pub count: u32,
    /// Found soft or mouldy and still here.
    pub bad: u32,
    /// Taken out and thrown away this winter.
    pub culled: u32,
    /// When they were last looked at, culled or otherwise gone through. What nobody has looked at since is not known to
    /// live, and without a look the lot tells nothing about the winter.
    pub looked: Option<NaiveDate>,
}

/// What was made of clumps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Divided {
    /// So many clumps ...
    pub clumps: u32,
    /// ... gave so many divisions.
    pub divisions: u32,
}

/// Whose record tells how many divisions a clump gives.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Basis {
    /// The variety's own.
    Own,
    /// That of all varieties of the farm.
    Farm,
    /// Nobody's: four is assumed.
    Assumed,
}

/// How many divisions a clump gives.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Yield {
    /// The counts it is the quotient of, with at least one clump.
    pub counts: Divided,
    /// Whose.
    pub basis: Basis,
}

impl Yield {
    /// From the variety's own record, else the farm's, else assumed; a record counts from five clumps on.
    fn of(own: Divided, farm: Divided) -> Self {
        let told = |counts: Divided, basis| {
            (counts.clumps >= LEAST_DIVIDED).then_some(Self { counts, basis })
        };
        let assumed = Self {
            counts: Divided {
                clumps: 1,
                divisions: PER_CLUMP,
            },
            basis: Basis::Assumed,
        };
        told(own, Basis::Own)
            .or_else(|| told(farm, Basis::Farm))
            .unwrap_or(assumed)
    }

    /// Divisions of one clump.
    pub fn per_clump(self) -> f64 {
        f64::from(self.counts.divisions) / f64::from(self.counts.clumps)
    }
}

/// A variety as it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Variety {
    /// Its name.
    pub name: String,
    /// Plants wanted, when somebody said.
    pub wanted: Option<u32>,
    /// Its lots.
    pub lots: Vec<Held>,
    /// Losses of its past winters, whole ones, together.
    pub past: Counted,
    /// What was made of its clumps so far.
    pub divided: Divided,
}

/// What is known of the whole farm.
#[derive(Debug, Clone, PartialEq)]
pub struct Farm {
    /// This winter.
    pub winter: Winter,
    /// Losses of past winters, whole ones, together.
    pub past: Counted,
    /// The same crate by crate, to tell how far tubers of one crate share its fate; may be empty.
    pub crates: Vec<Counted>,
    /// What was made of clumps so far.
    pub divided: Divided,
}

/// Plants at planting: the middle of what may come, and an interval that holds it in nine winters of ten.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expected {
    /// Lower end: fewer in one winter of twenty.
    pub low: u32,
    /// As likely more as less.
    pub median: u32,
    /// Upper end.
    pub high: u32,
    /// On average over many winters; below the middle where most winters lose little and some lose much.
    pub mean: f64,
}

/// Whether there will be enough, from the worst to the best.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Probably not.
    Short {
        /// So many plants are missing.
        by: u32,
        /// And so many in a bad winter.
        at_worst: u32,
    },
    /// Probably, but not in a bad winter.
    Likely {
        /// So many plants are missing then.
        at_worst: u32,
    },
    /// Just enough in a bad winter, too.
    Enough,
    /// More than enough even in a bad winter.
    Spare {
        /// So many plants can be given away.
        by: u32,
    },
    /// Nobody said how many are wanted.
    NotWanted,
}

impl Verdict {
    fn of(wanted: Option<u32>, expected: Expected) -> Self {
        let Some(wanted) = wanted else {
            return Self::NotWanted;
        };
        let at_worst = wanted.saturating_sub(expected.low);
        if expected.median < wanted {
            let by = wanted - expected.median;
            Self::Short { by, at_worst }
        } else if at_worst > 0 {
            Self::Likely { at_worst }
        } else if expected.low > wanted {
            let by = expected.low - wanted;
            Self::Spare { by }
        } else {
            Self::Enough
        }
    }

    /// What is worse comes first.
    fn order(self) -> (u8, Reverse<u32>, Reverse<u32>) {
        match self {
            Self::Short { by, at_worst } => (0, Reverse(by), Reverse(at_worst)),
            Self::Likely { at_worst } => (1, Reverse(at_worst), Reverse(0)),
            Self::Enough => (2, Reverse(0), Reverse(0)),
            Self::Spare { by } => (3, Reverse(u32::MAX - by), Reverse(0)),
            Self::NotWanted => (4, Reverse(0), Reverse(0)),
        }
    }
}

/// How a variety stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Its name.
    pub name: String,
    /// Plants wanted.
    pub wanted: Option<u32>,
    /// Sound tubers here now, clumps counted as one.
    pub have: u32,
    /// Clumps among them.
    pub clumps: u32,
    /// Bad ones still here, not counted in `have`.
    pub bad: u32,
    /// Plants if nothing more is lost.
    pub if_all_live: u32,
    /// Plants expected.
    pub expected: Expected,
    /// What a clump was taken to give; none without clumps.
    pub per_clump: Option<Yield>,
    /// Enough?
    pub verdict: Verdict,
}

/// The farm together. There is no interval, since a bad winter is bad for many varieties at once.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Totals {
    /// Plants wanted.
    pub wanted: u64,
    /// Sound tubers.
    pub have: u64,
    /// Clumps among them.
    pub clumps: u64,
    /// Bad ones still here.
    pub bad: u64,
    /// Plants expected on average; averages add up, middles do not.
    pub expected: f64,
    /// Varieties that are short ...
    pub short: usize,
    /// ... by so many plants together.
    pub short_by: u64,
    /// Varieties that may be short.
    pub likely: usize,
    /// Plants missing of both in a bad winter.
    pub at_worst: u64,
    /// Varieties with enough, those with some to spare among them.
    pub enough: usize,
    /// Plants to spare.
    pub spare: u64,
    /// Varieties without a wish.
    pub not_wanted: usize,
}

/// Every variety, the worst first, and the farm together.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// By verdict, then by how many are missing, then by name.
    pub lines: Vec<Line>,
    /// The farm.
    pub totals: Totals,
}

/// Whether there will be enough of each variety.
pub fn plan(varieties: &[Variety], farm: &Farm) -> Plan {
    let model = Model::new(design(&farm.crates).unwrap_or(DESIGN));
    let stocks: Vec<Stock> = (varieties.iter())
        .map(|variety| Stock::of(variety, farm))
        .collect();
    let mut lines = Vec::with_capacity(stocks.len());
    for (at, (variety, stock)) in varieties.iter().zip(&stocks).enumerate() {
        let others = (stocks[..at].iter().chain(&stocks[at + 1..]))
            .fold(Seen::default(), |seen, other| seen.with(other.seen));
        let known = Known {
            own: variety.past,
            farm: farm.past,
            others,
        };
        lines.push(stock.line(variety, model.survivors(&stock.lots, &known)));
    }
    lines.sort_by(|a, b| {
        let order = a.verdict.order().cmp(&b.verdict.order());
        order.then_with(|| a.name.cmp(&b.name))
    });
    let mut totals = Totals::default();
    for line in &lines {
        totals.add(line);
    }
    Plan { lines, totals }
}

impl Totals {
    fn add(&mut self, line: &Line) {
        self.wanted += line.wanted.map_or(0, u64::from);
        self.have += u64::from(line.have);
        self.clumps += u64::from(line.clumps);
        self.bad += u64::from(line.bad);
        self.expected += line.expected.mean;
        match line.verdict {
            Verdict::Short { by, at_worst } => {
                self.short += 1;
                self.short_by += u64::from(by);
                self.at_worst += u64::from(at_worst);
            }
            Verdict::Likely { at_worst } => {
                self.likely += 1;
                self.at_worst += u64::from(at_worst);
            }
            Verdict::Enough => self.enough += 1,
            Verdict::Spare { by } => {
                self.enough += 1;
                self.spare += u64::from(by);
            }
            Verdict::NotWanted => self.not_wanted += 1,
        }
    }
}

/// What is here of a variety.
struct Stock {
    clumps: u32,
    others: u32,
    bad: u32,
    per_clump: Yield,
    lots: Vec<Together>,
    seen: Seen,
}

impl Stock {
    fn of(variety: &Variety, farm: &Farm) -> Self {
        let mut stock = Self {
            clumps: 0,
            others: 0,
            bad: 0,
            per_clump: Yield::of(variety.divided, farm.divided),
            lots: Vec::with_capacity(variety.lots.len()),
            seen: Seen::default(),
        };
        for lot in &variety.lots {
            let bad = lot.bad.min(lot.count);
            let sound = lot.count - bad;
            let (kind, plants_each) = match lot.form {
                Form::Clump => (&mut stock.clumps, stock.per_clump.per_clump()),
                Form::Division | Form::PotTuber => (&mut stock.others, 1.0),
            };
            *kind = kind.saturating_add(sound);
            stock.bad = stock.bad.saturating_add(bad);
            let seen = Seen {
                counted: Counted {
                    lost: lot.culled.saturating_add(bad),
                    of: lot.culled.saturating_add(lot.count),
                },
                passed: lot.looked.map_or(0.0, |day| farm.winter.passed(day)),
            };
            stock.seen = stock.seen.with(seen);
            stock.lots.push(Together {
                sound,
                plants_each,
                seen,
            });
        }
        stock
    }

    fn line(&self, variety: &Variety, survivors: Survivors) -> Line {
        let have = self.clumps.saturating_add(self.others);
        // In whole numbers, so that all of 230 clumps that gave 922 give 922 again; a part of a plant is none.
        let counts = self.per_clump.counts;
        let [clumps, others, divisions, of] =
            [self.clumps, self.others, counts.divisions, counts.clumps].map(u128::from);
        let (all, each) = (
            clumps * divisions + others * of,
            u128::from(have.max(1)) * of,
        );
        let plants =
            |living: u64| u32::try_from(u128::from(living) * all / each).unwrap_or(u32::MAX);
        let [low, median, high] = survivors.quantiles.map(plants);
        let expected = Expected {
            low,
            median,
            high,
            mean: survivors.mean * all as f64 / each as f64,
        };
        Line {
            name: variety.name.clone(),
            wanted: variety.wanted,
            have,
            clumps: self.clumps,
            bad: self.bad,
            if_all_live: plants(u64::from(have)),
            expected,
            per_clump: (self.clumps > 0).then_some(self.per_clump),
            verdict: Verdict::of(variety.wanted, expected),
        }
    }
}

#[cfg(test)]
mod tests;
