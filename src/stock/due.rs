//! What is due in the store and on which day: looks, weighings, packing, and the days of the spring.

use std::collections::BTreeMap;

use chrono::{Days, Months, NaiveDate};

use super::{CrateCode, plan::Dates, round};

/// A sample crate is weighed every so many days: monthly, as crates are looked at (University of
/// Minnesota Extension; common among farms).
const WEIGH: u64 = 30;
/// A sensor is compared again after so many months: yearly is the usual practice (of EN 13486, from memory).
pub const CHECK_MONTHS: u32 = 12;
/// Bare tubers are over-dry after about so many days (growers).
pub const BARE_DAYS: f64 = 3.0;

/// A crate as it stands, for what is due.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Standing {
    /// Its label.
    pub code: CrateCode,
    /// The room it stands in.
    pub room: String,
    /// Its packing; may be empty.
    pub packing: String,
    /// The day it was packed or came into store.
    pub packed: NaiveDate,
    /// When it is to be looked at; none in an empty room.
    pub look: Option<round::Due>,
    /// When it was last weighed.
    pub weighed: Option<NaiveDate>,
    /// It lies bare, and is over-dry from this day on.
    pub dries_out: Option<NaiveDate>,
}

/// Something to be done.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Duty {
    /// Bare tubers go into their packing.
    Pack {
        /// Which crates.
        crates: Vec<CrateCode>,
    },
    /// Crates of one room are looked at.
    Look {
        /// The room.
        room: String,
        /// Which.
        crates: Vec<CrateCode>,
    },
    /// A crate is put on the scale, for all in the same packing.
    Weigh {
        /// Which.
        krate: CrateCode,
        /// The packing it speaks for.
        packing: String,
    },
    /// What is short is ordered.
    Order {
        /// So many varieties.
        varieties: usize,
    },
    /// Clumps kept whole are divided.
    Divide {
        /// So many.
        clumps: u64,
    },
    /// Tubers come into the warmth.
    Wake,
    /// Planting begins.
    Plant,
    /// Sensors are compared with something that is known.
    Check {
        /// Their names.
        sensors: Vec<String>,
    },
}

/// Something to be done on a day.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Due {
    /// The day; what is overdue keeps the day on which it was due.
    pub day: NaiveDate,
    /// What.
    pub what: Duty,
}

/// What the plan says of the spring.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spring {
    /// Its days.
    pub dates: Dates,
    /// Varieties of which there will not be enough.
    pub short: usize,
    /// Clumps kept whole.
    pub clumps: u64,
    /// Sound tubers and clumps.
    pub tubers: u64,
}

/// The crate of each packing that is weighed for all of them, and when.
///
/// Three crates weighed speak for all in a packing, and one weighed again and again tells more than many
/// weighed once: so it is the one that was weighed last. A packing of which none was weighed asks for its
/// first crate on the day it was packed, but only on a farm that weighs at all: nobody is to be reminded
/// of a scale that is not there.
fn weighings(crates: &[Standing]) -> impl Iterator<Item = Due> {
    let weighs = crates.iter().any(|c| c.weighed.is_some());
    let mut sample: BTreeMap<String, &Standing> = BTreeMap::new();
    let packed = crates
        .iter()
        .filter(|c| weighs && !c.packing.is_empty() && c.dries_out.is_none() && c.look.is_some());
    for krate in packed {
        let key = krate.packing.trim().to_lowercase();
        let best = sample.entry(key).or_insert(krate);
        let by = |c: &Standing| (c.weighed, std::cmp::Reverse(c.code.clone()));
        if by(best) < by(krate) {
            *best = krate;
        }
    }
    sample.into_values().map(|krate| Due {
        day: krate
            .weighed
            .map_or(krate.packed, |last| after(last, WEIGH)),
        what: Duty::Weigh {
            krate: krate.code.clone(),
            packing: krate.packing.clone(),
        },
    })
}

fn after(day: NaiveDate, days: u64) -> NaiveDate {
    day.checked_add_days(Days::new(days))
        .unwrap_or(NaiveDate::MAX)
}

/// The looks that are due, room by room and day by day, by the present state of each crate.
pub fn looks(crates: &[Standing]) -> Vec<Due> {
    let mut looks: BTreeMap<(NaiveDate, &str), Vec<CrateCode>> = BTreeMap::new();
    for krate in crates {
        if let Some(due) = krate.look {
            let codes = looks.entry((due.day, krate.room.as_str())).or_default();
            codes.push(krate.code.clone());
        }
    }
    let each = looks.into_iter().map(|((day, room), mut crates)| {
        crates.sort();
        let room = room.to_owned();
        Due {
            day,
            what: Duty::Look { room, crates },
        }
    });
    each.collect()
}

/// Sensors to be compared again, by the day on which each was last; those of which nobody said are left out.
pub fn checks<'a>(checked: impl IntoIterator<Item = (&'a str, NaiveDate)>) -> Vec<Due> {
    let mut days: BTreeMap<NaiveDate, Vec<String>> = BTreeMap::new();
    for (sensor, last) in checked {
        let day = last.checked_add_months(Months::new(CHECK_MONTHS));
        days.entry(day.unwrap_or(last))
            .or_default()
            .push(sensor.to_owned());
    }
    let each = days.into_iter().map(|(day, sensors)| Due {
        day,
        what: Duty::Check { sensors },
    });
    each.collect()
}

/// All that is due, the earliest first; what nothing speaks for is left out: an order of nothing, the
/// dividing where no clump is, a spring without tubers.
pub fn due(crates: &[Standing], spring: &Spring) -> Vec<Due> {
    let mut all = looks(crates);
    let mut bare: BTreeMap<NaiveDate, Vec<CrateCode>> = BTreeMap::new();
    for krate in crates {
        if let Some(day) = krate.dries_out {
            bare.entry(day).or_default().push(krate.code.clone());
        }
    }
    all.extend(bare.into_iter().map(|(day, mut crates)| {
        crates.sort();
        let what = Duty::Pack { crates };
        Due { day, what }
    }));
    all.extend(weighings(crates));
    let Spring {
        dates,
        short,
        clumps,
        tubers,
    } = *spring;
    let varieties = short;
    let days = [
        (0 < short, dates.order_by.day, Duty::Order { varieties }),
        (0 < clumps, dates.divide.day, Duty::Divide { clumps }),
        (0 < tubers, dates.wake.day, Duty::Wake),
        (0 < tubers, dates.planting.day, Duty::Plant),
    ];
    let asked = days.into_iter().filter(|(asked, ..)| *asked);
    all.extend(asked.map(|(_, day, what)| Due { day, what }));
    all.sort();
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stock::{
        plan::{DateSettings, MonthDay, dates},
        round::Reason,
    };

    fn day(m: u32, d: u32) -> NaiveDate {
        let year = if m < 7 { 2027 } else { 2026 };
        NaiveDate::from_ymd_opt(year, m, d).unwrap()
    }

    #[test]
    fn a_sensor_is_compared_again_after_a_year() {
        let on = |y, m, d| NaiveDate::from_ymd_opt(y, m, d).unwrap();
        let told = checks([
            ("north", on(2026, 10, 1)),
            ("probe", on(2024, 2, 29)),
            ("back", on(2026, 10, 1)),
        ]);
        let days: Vec<_> = told.iter().map(|due| (due.day, due.what.clone())).collect();
        let check = |names: &[&str]| Duty::Check {
            sensors: names.iter().map(|n| (*n).to_owned()).collect(),
        };
        assert_eq!(
            days,
            [
                (on(2025, 2, 28), check(&["probe"])),
                (on(2027, 10, 1), check(&["north", "back"]))
            ]
        );
    }

    fn krate(code: &str, room: &str, packing: &str, look: NaiveDate) -> Standing {
        Standing {
            code: code.parse().unwrap(),
            room: room.into(),
            packing: packing.into(),
            packed: day(10, 25),
            look: Some(round::Due {
                day: look,
                reason: Reason::Monthly,
                overdue: 0,
            }),
            weighed: None,
            dries_out: None,
        }
    }

    fn spring(short: usize, clumps: u64, tubers: u64) -> Spring {
        Spring {
            dates: dates(&DateSettings::around(MonthDay::MID_MAY), day(12, 1)),
            short,
            clumps,
            tubers,
        }
    }

    fn told(due: &[Due]) -> Vec<String> {
        let codes = |crates: &[CrateCode]| {
            crates
                .iter()
                .map(CrateCode::as_str)
                .collect::<Vec<_>>()
                .join(" ")
        };
        let each = due.iter().map(|due| {
            let what = match &due.what {
                Duty::Pack { crates } => format!("pack {}", codes(crates)),
                Duty::Look { room, crates } => format!("{room}: {}", codes(crates)),
                Duty::Weigh { krate, packing } => format!("weigh {krate} {packing}"),
                Duty::Order { varieties } => format!("order {varieties}"),
                Duty::Divide { clumps } => format!("divide {clumps}"),
                Duty::Wake => "wake".to_owned(),
                Duty::Plant => "plant".to_owned(),
                Duty::Check { sensors } => format!("check {}", sensors.len()),
            };
            format!("{} {what}", due.day.format("%m-%d"))
        });
        each.collect()
    }

    #[test]
    fn looks_come_by_room_and_day() {
        let crates = [
            krate("C-2", "cellar", "peat", day(12, 4)),
            krate("C-1", "cellar", "peat", day(12, 4)),
            krate("B-1", "barn", "peat", day(12, 4)),
            krate("C-3", "cellar", "peat", day(11, 30)),
            Standing {
                look: None,
                ..krate("C-4", "shed", "peat", day(12, 1))
            },
        ];
        let want = [
            "11-30 cellar: C-3",
            "12-04 barn: B-1",
            "12-04 cellar: C-1 C-2",
        ];
        assert_eq!(told(&looks(&crates)), want);
    }

    #[test]
    fn one_crate_is_weighed_for_its_packing() {
        let at = day(12, 20);
        let mut crates = vec![
            krate("C-1", "cellar", "peat", at),
            krate("C-2", "cellar", "Peat", at),
            krate("C-3", "cellar", "shavings", at),
            krate("C-4", "cellar", "", at),
        ];
        let weighed = |crates: &[Standing]| told(&weighings(crates).collect::<Vec<_>>());
        // There is no scale.
        assert_eq!(weighed(&crates), [""; 0]);
        crates[1].weighed = Some(day(12, 1));
        assert_eq!(
            weighed(&crates),
            ["12-31 weigh C-2 Peat", "10-25 weigh C-3 shavings"]
        );
        crates[0].weighed = Some(day(12, 3));
        assert_eq!(weighed(&crates)[0], "01-02 weigh C-1 peat");
    }

    #[test]
    fn the_spring_asks_only_for_what_there_is() {
        let days = |spring| told(&due(&[], &spring));
        assert_eq!(days(spring(0, 0, 0)), [""; 0]);
        assert_eq!(days(spring(2, 0, 0)), ["01-10 order 2"]);
        assert_eq!(
            days(spring(0, 4, 40)),
            ["04-10 wake", "04-24 divide 4", "05-15 plant"]
        );
        let bare = Standing {
            dries_out: Some(day(12, 2)),
            look: None,
            ..krate("C-1", "cellar", "", day(12, 4))
        };
        assert_eq!(told(&due(&[bare], &spring(0, 0, 0))), ["12-02 pack C-1"]);
    }
}
