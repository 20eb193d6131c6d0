//! What the ledger tells of this winter and of those before, made ready for the plan.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Datelike as _, NaiveDate, Utc};

use super::{
    Finding,
    ledger::{CrateId, LotId, Season, Stock},
    plan::{Counted, DateSettings, Divided, Farm, Held, MonthDay, Variety, Winter},
};

/// The year in which the winter of a day begins. A winter runs from 1 July to 30 June: by then the last
/// tubers are planted and the first not yet lifted, north of the equator.
pub fn winter_of(day: NaiveDate) -> i32 {
    if day.month() < 7 {
        day.year() - 1
    } else {
        day.year()
    }
}

/// The first day of a winter.
pub fn first_day(winter: i32) -> NaiveDate {
    NaiveDate::from_ymd_opt(winter, 7, 1).unwrap_or(NaiveDate::MIN)
}

/// The farm's own days: the usual ones around the day of planting, and what was settled for a winter.
pub fn date_settings(planting: (u32, u32), season: &Season) -> DateSettings {
    let of = |day: NaiveDate| MonthDay::new(day.month(), day.day()).ok();
    let planting =
        (season.planting.and_then(of)).or_else(|| MonthDay::new(planting.0, planting.1).ok());
    let usual = DateSettings::around(planting.unwrap_or(MonthDay::MID_MAY));
    DateSettings {
        order_by: season.order_by.and_then(of).unwrap_or(usual.order_by),
        wake_weeks: season.wake_weeks.unwrap_or(usual.wake_weeks),
        ..usual
    }
}

/// What became of one lot in one winter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Course {
    /// Which lot.
    pub lot: LotId,
    /// The year in which the winter begins.
    pub winter: i32,
    /// Tubers that came to it, less those that were put elsewhere.
    pub came: i64,
    /// Thrown away.
    pub lost: i64,
    /// Planted, sold or given away.
    pub went: i64,
    /// When its tubers last went through hands to be divided or put elsewhere.
    pub handled: Option<DateTime<Utc>>,
}

/// What somebody saw, or took out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sight {
    /// In which crate.
    pub krate: CrateId,
    /// Of which lot; none for the whole crate.
    pub lot: Option<LotId>,
    /// What.
    pub finding: Finding,
    /// On how many, when counted.
    pub count: Option<u32>,
    /// They were taken out.
    pub out: bool,
    /// When.
    pub at: DateTime<Utc>,
}

/// What the ledger tells of winters.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Record {
    /// Every lot in every winter, in the order of lots and then of winters.
    pub courses: Vec<Course>,
    /// Winters in which anybody noted a look or took anything out. Of the others nobody knows what was lost.
    pub kept: BTreeSet<i32>,
    /// Every sight of this winter, oldest first.
    pub sights: Vec<Sight>,
    /// What was made of clumps, by variety as it is written.
    pub cuts: Vec<(String, Divided)>,
}

/// Sums over past winters, by lot.
fn past(record: &Record, winter: i32) -> BTreeMap<LotId, Counted> {
    let mut past: BTreeMap<LotId, Counted> = BTreeMap::new();
    let mut standing: BTreeMap<LotId, i64> = BTreeMap::new();
    for course in record.courses.iter().filter(|c| c.winter < winter) {
        let standing = standing.entry(course.lot).or_default();
        let of = *standing + course.came;
        *standing = of - course.lost - course.went;
        // What only stands there, perhaps because nobody noted its planting, tells of no winter.
        if record.kept.contains(&course.winter) && (course.came != 0 || course.lost != 0) {
            let sum = past.entry(course.lot).or_default();
            let number = |n: i64| u32::try_from(n.max(0)).unwrap_or(u32::MAX);
            sum.lost = sum.lost.saturating_add(number(course.lost));
            sum.of = sum.of.saturating_add(number(of));
        }
    }
    past
}

/// Tubers found bad and still in each lot: what the newest look counted of every finding, less what was
/// taken out for it since. A look that counted none found at least one; a whole crate that was sound
/// later has none.
fn bad(stock: &Stock, sights: &[Sight]) -> BTreeMap<LotId, u32> {
    let mut bad: BTreeMap<(LotId, Finding), u32> = BTreeMap::new();
    for sight in sights {
        let lots: Vec<LotId> = match sight.lot {
            Some(lot) => vec![lot],
            None => stock.content(sight.krate).map(|(lot, ..)| lot).collect(),
        };
        match (sight.finding, lots.as_slice()) {
            (Finding::Sound, lots) if sight.count.is_none() => {
                bad.retain(|(lot, _), _| !lots.contains(lot));
            }
            // What was seen in a crate of several lots was seen of nobody knows which.
            (finding, [lot]) if finding.is_lost() => {
                let left = bad.entry((*lot, finding)).or_default();
                if sight.out {
                    *left = left.saturating_sub(sight.count.unwrap_or(0));
                } else {
                    *left = sight.count.unwrap_or(1);
                }
            }
            _ => {}
        }
    }
    let mut by_lot: BTreeMap<LotId, u32> = BTreeMap::new();
    for ((lot, _), count) in bad {
        let sum = by_lot.entry(lot).or_default();
        *sum = sum.saturating_add(count);
    }
    by_lot
}

/// When each lot was last looked at or went through hands this winter.
fn looked(stock: &Stock, record: &Record, winter: i32) -> BTreeMap<LotId, DateTime<Utc>> {
    let mut looked: BTreeMap<LotId, DateTime<Utc>> = BTreeMap::new();
    let mut saw = |lot: LotId, at: DateTime<Utc>| {
        let last = looked.entry(lot).or_insert(at);
        *last = at.max(*last);
    };
    for course in record.courses.iter().filter(|c| c.winter == winter) {
        if let Some(at) = course.handled {
            saw(course.lot, at);
        }
    }
    let mut content: BTreeMap<CrateId, Vec<LotId>> = BTreeMap::new();
    for (lot, of, _) in stock.lots() {
        content.entry(of.krate).or_default().push(lot);
    }
    for sight in &record.sights {
        match sight.lot {
            Some(lot) => saw(lot, sight.at),
            None => (content.get(&sight.krate).into_iter().flatten())
                .for_each(|lot| saw(*lot, sight.at)),
        }
    }
    looked
}

/// What the plan is made from, in a winter that runs from the first dig to the day of planting. `day`
/// tells the day of an instant where the farm is.
pub fn inputs(
    stock: &Stock,
    record: &Record,
    planting: NaiveDate,
    today: NaiveDate,
    day: impl Fn(DateTime<Utc>) -> NaiveDate,
) -> (Vec<Variety>, Farm) {
    let winter = winter_of(today);
    let (past, bad, looked) = (
        past(record, winter),
        bad(stock, &record.sights),
        looked(stock, record, winter),
    );
    let culled: BTreeMap<LotId, i64> = (record.courses.iter())
        .filter(|c| c.winter == winter)
        .map(|c| (c.lot, c.lost.max(0)))
        .collect();
    let empty = |name: &str| Variety {
        name: name.to_owned(),
        wanted: None,
        lots: Vec::new(),
        past: Counted::default(),
        divided: Divided::default(),
    };
    let mut varieties: BTreeMap<String, Variety> = BTreeMap::new();
    let (mut farm_past, mut crates) = (Counted::default(), BTreeMap::<CrateId, Counted>::new());
    let mut first_dig = today;
    for (id, lot, count) in stock.lots() {
        let before = past.get(&id).copied().unwrap_or_default();
        let lost = culled.get(&id).copied().unwrap_or(0);
        let held = count != 0 || lost != 0;
        if before.of != 0 {
            add(&mut farm_past, before);
            add(crates.entry(lot.krate).or_default(), before);
        }
        if !held && before.of == 0 {
            continue;
        }
        let key = lot.variety.to_lowercase();
        let variety = varieties.entry(key).or_insert_with(|| empty(&lot.variety));
        add(&mut variety.past, before);
        if held {
            let dug = lot.dug.filter(|dug| winter_of(*dug) == winter);
            first_dig = dug.map_or(first_dig, |dug| dug.min(first_dig));
            variety.lots.push(Held {
                form: lot.form,
                count,
                bad: bad.get(&id).copied().unwrap_or(0),
                culled: u32::try_from(lost).unwrap_or(u32::MAX),
                looked: looked.get(&id).map(|at| day(*at)),
            });
        }
    }
    for (name, wish) in stock.wishes() {
        let variety = varieties
            .entry(name.to_lowercase())
            .or_insert_with(|| empty(name));
        variety.wanted = Some(wish.plants);
    }
    let mut all_cut = Divided::default();
    for (name, cut) in &record.cuts {
        all_cut.clumps = all_cut.clumps.saturating_add(cut.clumps);
        all_cut.divisions = all_cut.divisions.saturating_add(cut.divisions);
        if let Some(variety) = varieties.get_mut(&name.to_lowercase()) {
            variety.divided = *cut;
        }
    }
    // Varieties that are gone and that nobody wants are of no spring.
    let varieties = (varieties.into_values())
        .filter(|v| !v.lots.is_empty() || v.wanted.is_some())
        .collect();
    let farm = Farm {
        winter: Winter {
            from: first_dig,
            to: planting,
        },
        past: farm_past,
        crates: crates.into_values().collect(),
        divided: all_cut,
    };
    (varieties, farm)
}

fn add(sum: &mut Counted, more: Counted) {
    sum.lost = sum.lost.saturating_add(more.lost);
    sum.of = sum.of.saturating_add(more.of);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stock::{
        Form,
        ledger::{Deed, To, Wish},
        plan::MonthDay,
    };

    fn day(y: i32, m: u32, d: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(y, m, d).unwrap()
    }

    fn at(y: i32, m: u32, d: u32) -> DateTime<Utc> {
        day(y, m, d).and_hms_opt(9, 0, 0).unwrap().and_utc()
    }

    #[test]
    fn a_winter_runs_from_july_to_june() {
        for (of, winter) in [
            (day(2026, 6, 30), 2025),
            (day(2026, 7, 1), 2026),
            (day(2026, 12, 31), 2026),
            (day(2027, 1, 1), 2026),
        ] {
            assert_eq!(winter_of(of), winter, "{of}");
        }
        assert_eq!(first_day(2026), day(2026, 7, 1));
    }

    #[test]
    fn settled_days_replace_the_usual_ones() {
        let usual = date_settings((5, 20), &Season::default());
        assert_eq!(usual.planting, MonthDay::new(5, 20).unwrap());
        assert_eq!(
            (usual.order_by, usual.wake_weeks),
            (MonthDay::new(1, 10).unwrap(), 5)
        );
        let season = Season {
            planting: Some(day(2027, 4, 30)),
            order_by: Some(day(2026, 12, 20)),
            wake_weeks: Some(6),
            ..Season::default()
        };
        let own = date_settings((5, 20), &season);
        assert_eq!(own.planting, MonthDay::new(4, 30).unwrap());
        assert_eq!(
            (own.order_by, own.wake_weeks),
            (MonthDay::new(12, 20).unwrap(), 6)
        );
    }

    fn lifted(krate: &str, variety: &str, count: u32) -> Deed {
        Deed::Lifted {
            into: To {
                code: krate.parse().unwrap(),
                room: "cellar".into(),
                place: String::new(),
                packing: String::new(),
            },
            variety: variety.into(),
            form: Form::Clump,
            count,
            dug: Some(day(2026, 10, 20)),
        }
    }

    fn a_stock() -> Stock {
        let mut stock = Stock::default();
        for deed in [
            lifted("A-1", "Brindolet", 30),
            lifted("A-2", "Quenbrisk", 10),
            lifted("A-2", "Brindolet", 5),
        ] {
            stock.enter(&deed, at(2026, 10, 20)).unwrap();
        }
        stock
    }

    fn sight(
        lot: Option<i64>,
        krate: i64,
        finding: Finding,
        count: Option<u32>,
        out: bool,
        d: u32,
    ) -> Sight {
        Sight {
            krate: CrateId(krate),
            lot: lot.map(LotId),
            finding,
            count,
            out,
            at: at(2026, 12, d),
        }
    }

    #[test]
    fn what_was_found_bad_counts_until_it_is_taken_out() {
        use Finding::{Mould, Shrivelled, Soft, Sound};
        let stock = a_stock();
        for (sights, want) in [
            (vec![sight(Some(1), 1, Soft, Some(3), false, 1)], 3),
            // The same ones again, and one more.
            (
                vec![
                    sight(Some(1), 1, Soft, Some(3), false, 1),
                    sight(Some(1), 1, Soft, Some(4), false, 8),
                ],
                4,
            ),
            (
                vec![
                    sight(Some(1), 1, Soft, Some(3), false, 1),
                    sight(Some(1), 1, Soft, Some(2), true, 8),
                ],
                1,
            ),
            (
                vec![
                    sight(Some(1), 1, Soft, Some(3), false, 1),
                    sight(Some(1), 1, Soft, Some(9), true, 8),
                ],
                0,
            ),
            (
                vec![
                    sight(Some(1), 1, Soft, Some(3), false, 1),
                    sight(Some(1), 1, Mould, Some(2), false, 1),
                ],
                5,
            ),
            (vec![sight(Some(1), 1, Soft, None, false, 1)], 1),
            (vec![sight(None, 1, Soft, None, false, 1)], 1),
            (
                vec![
                    sight(Some(1), 1, Soft, Some(3), false, 1),
                    sight(None, 1, Sound, None, false, 8),
                ],
                0,
            ),
            (vec![sight(Some(1), 1, Shrivelled, Some(3), false, 1)], 0),
            // Two lots are in it: nobody knows of which.
            (vec![sight(None, 2, Soft, Some(2), false, 1)], 0),
        ] {
            let found: u32 = bad(&stock, &sights).values().sum();
            assert_eq!(found, want, "{sights:?}");
        }
    }

    #[test]
    fn past_winters_count_where_somebody_kept_a_record() {
        let course = |lot, winter, came, lost, went| Course {
            lot: LotId(lot),
            winter,
            came,
            lost,
            went,
            handled: None,
        };
        let record = Record {
            courses: vec![
                course(1, 2024, 30, 3, 27),
                // Nobody looked that winter.
                course(2, 2023, 40, 0, 40),
                // Its planting was not noted: it stands for ever, and tells nothing.
                course(3, 2024, 20, 2, 0),
                course(3, 2025, 0, 0, 18),
                // This winter is not over.
                course(4, 2026, 10, 5, 0),
            ],
            kept: [2024, 2025, 2026].into_iter().collect(),
            ..Record::default()
        };
        let past = past(&record, 2026);
        let want = [
            (1, Counted { lost: 3, of: 30 }),
            (3, Counted { lost: 2, of: 20 }),
        ];
        assert_eq!(
            past,
            want.map(|(lot, c)| (LotId(lot), c)).into_iter().collect()
        );
    }

    #[test]
    fn the_plan_is_made_from_lots_wishes_and_what_was_seen() {
        let mut stock = a_stock();
        for (variety, plants) in [("brindolet", 60), ("Ossamurle", 12)] {
            let wish = Some(Wish { plants, bed: None });
            let planned = Deed::Planned {
                variety: variety.into(),
                wish,
            };
            stock.enter(&planned, at(2026, 11, 1)).unwrap();
        }
        let culled = Deed::Culled {
            lot: LotId(1),
            finding: Finding::Soft,
            count: 2,
        };
        stock.enter(&culled, at(2026, 12, 1)).unwrap();
        let record = Record {
            courses: vec![Course {
                lot: LotId(1),
                winter: 2026,
                came: 30,
                lost: 2,
                went: 0,
                handled: None,
            }],
            kept: [2026].into_iter().collect(),
            sights: vec![sight(None, 2, Finding::Sound, None, false, 3)],
            cuts: vec![(
                "BRINDOLET".into(),
                Divided {
                    clumps: 6,
                    divisions: 25,
                },
            )],
        };
        let (varieties, farm) =
            inputs(&stock, &record, day(2027, 5, 15), day(2026, 12, 10), |at| {
                at.date_naive()
            });
        let told: Vec<_> = (varieties.iter())
            .map(|v| {
                let lots: Vec<_> = v
                    .lots
                    .iter()
                    .map(|l| (l.count, l.culled, l.looked))
                    .collect();
                (v.name.as_str(), v.wanted, v.divided.divisions, lots)
            })
            .collect();
        let third = Some(day(2026, 12, 3));
        assert_eq!(
            told,
            [
                (
                    "Brindolet",
                    Some(60),
                    25,
                    vec![(28, 2, None), (5, 0, third)]
                ),
                ("Ossamurle", Some(12), 0, vec![]),
                ("Quenbrisk", None, 0, vec![(10, 0, third)]),
            ]
        );
        assert_eq!(
            farm.winter,
            Winter {
                from: day(2026, 10, 20),
                to: day(2027, 5, 15)
            }
        );
        assert_eq!(
            farm.divided,
            Divided {
                clumps: 6,
                divisions: 25
            }
        );
    }
}
