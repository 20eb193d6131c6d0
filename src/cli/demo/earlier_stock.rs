//! What the invented growers lifted, packed, looked at, threw away and planted in the earlier winter, as deeds.

use anyhow::Context as _;
use chrono::{DateTime, Days, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, Utc};
use serde::Deserialize;

use crate::stock::{
    Finding, Form,
    ledger::{Asked, Deed, LotId, Stock, To},
};

/// The crates as they were packed. Their codes were given up after that winter.
const CRATES: &str = include_str!("../../../demo-sensors/earlier-crates.csv");
/// Everything that was done with them afterwards, in the order of time.
const DEEDS: &str = include_str!("../../../demo-sensors/earlier-deeds.csv");

/// Skins are dry to the hand so many days after the dig. A figure of this project, within what growers tell.
const DRY_AFTER: Days = Days::new(3);
/// From one crate to the next on a walk. A figure of this project.
const A_CRATE: TimeDelta = TimeDelta::minutes(2);

/// One crate.
#[derive(Debug, Clone, Deserialize)]
pub(crate) struct Packed {
    pub(crate) code: String,
    pub(crate) room: String,
    pub(crate) place: String,
    pub(crate) variety: String,
    pub(crate) form: Form,
    pub(crate) packing: String,
    pub(crate) count: u32,
    dug: NaiveDate,
    packed: NaiveDate,
    pub(crate) prepared: String,
}

/// One line of what was done.
#[derive(Debug, Clone, Deserialize)]
pub(crate) struct Line {
    #[serde(deserialize_with = "minute")]
    at: DateTime<Utc>,
    who: String,
    pub(crate) what: String,
    /// A code, or for a walk how the places begin; `all` is all.
    #[serde(rename = "crate")]
    pub(crate) krate: String,
    variety: String,
    finding: String,
    pub(crate) count: Option<u32>,
    /// Of a division how many came of it, of a move where to, of planting the bed, of a treatment which.
    words: String,
}

/// `2025-11-08T09:00`, by the farm's clock, which is UTC.
fn minute<'de, D: serde::Deserializer<'de>>(from: D) -> Result<DateTime<Utc>, D::Error> {
    let text = String::deserialize(from)?;
    NaiveDateTime::parse_from_str(&text, "%Y-%m-%dT%H:%M")
        .map(|at| at.and_utc())
        .map_err(serde::de::Error::custom)
}

/// What somebody did in one go, and when it was entered.
#[derive(Debug, Clone)]
pub(crate) struct Visit {
    /// When.
    pub(crate) at: DateTime<Utc>,
    /// Who.
    pub(crate) who: String,
    what: Vec<Done>,
}

/// A deed that says all, or one that asks for the stock as it stands by then.
#[derive(Debug, Clone)]
enum Done {
    Deed(Deed),
    Line(Line),
}

/// The crates of that winter.
pub(crate) fn crates() -> anyhow::Result<Vec<Packed>> {
    let rows = csv::Reader::from_reader(CRATES.as_bytes())
        .into_deserialize()
        .collect::<Result<_, _>>()?;
    Ok(rows)
}

/// What was done with them once they were packed.
pub(crate) fn lines() -> anyhow::Result<Vec<Line>> {
    let rows = csv::Reader::from_reader(DEEDS.as_bytes())
        .into_deserialize()
        .collect::<Result<_, _>>()?;
    Ok(rows)
}

/// Every visit of that winter, in the order of time.
pub(crate) fn visits() -> anyhow::Result<Vec<Visit>> {
    let mut all: Vec<(DateTime<Utc>, String, Done)> = Vec::new();
    for (nth, krate) in (0..).zip(crates()?) {
        for (at, deed) in from_field_to_crate(&krate)? {
            // Odile digs, Wendel packs, or the other way round.
            let who = ["Odile", "Wendel"][nth % 2];
            all.push((at, who.to_owned(), Done::Deed(deed)));
        }
    }
    for line in lines()? {
        all.push((line.at, line.who.clone(), Done::Line(line)));
    }
    all.sort_by(|(at, who, _), (other, name, _)| at.cmp(other).then_with(|| who.cmp(name)));
    let mut visits: Vec<Visit> = Vec::new();
    for (at, who, done) in all {
        match visits.last_mut() {
            Some(last) if last.at == at && last.who == who => last.what.push(done),
            _ => visits.push(Visit {
                at,
                who,
                what: vec![done],
            }),
        }
    }
    Ok(visits)
}

/// Dug in the morning, cleaned at noon, dry some days later and packed; in the evening it is written down.
fn from_field_to_crate(krate: &Packed) -> anyhow::Result<Vec<(DateTime<Utc>, Deed)>> {
    let code: crate::stock::CrateCode = krate.code.parse()?;
    let at = |day: NaiveDate, hour: u32| {
        let time = NaiveTime::from_hms_opt(hour, 0, 0).context("an hour that exists")?;
        anyhow::Ok(day.and_time(time).and_utc())
    };
    let treated = |how: &str| {
        anyhow::Ok(Deed::Treated {
            krate: code.clone(),
            how: how.parse()?,
        })
    };
    let lifted = Deed::Lifted {
        into: To {
            code: code.clone(),
            room: krate.room.clone(),
            place: krate.place.clone(),
            packing: String::new(),
        },
        variety: krate.variety.clone(),
        form: krate.form,
        count: krate.count,
        dug: Some(krate.dug),
    };
    let mut way = vec![(at(krate.dug, 17)?, lifted)];
    for how in ["washed", "brushed"] {
        if krate.prepared.starts_with(how) {
            way.push((at(krate.dug, 18)?, treated(how)?));
        }
    }
    let wet = krate.prepared.ends_with("not cured");
    if krate.prepared.ends_with("cured") && !wet {
        way.push((at(krate.dug + DRY_AFTER, 12)?, treated("skins-dry")?));
    }
    let packed = Deed::Packed {
        krate: code,
        packing: krate.packing.clone(),
        skins_dry: wet.then_some(false),
    };
    way.push((at(krate.packed, 17)?, packed));
    Ok(way)
}

impl Visit {
    /// What is asked of the ledger, as the stock stands; a walk was noted crate by crate on the way.
    pub(crate) fn asked(&self, stock: &Stock) -> anyhow::Result<Vec<Asked>> {
        let mut deeds = Vec::new();
        for done in &self.what {
            match done {
                Done::Deed(deed) => deeds.push(deed.clone()),
                Done::Line(line) => deeds.extend(
                    line.deeds(stock)
                        .with_context(|| format!("{}: {} {}", self.at, line.what, line.krate))?,
                ),
            }
        }
        let all = deeds.len();
        let asked = deeds.into_iter().zip((0..all).rev()).map(|(deed, after)| {
            let noted = (0..after).fold(self.at, |at, _| at - A_CRATE);
            Asked {
                noted_at: matches!(deed, Deed::Looked { .. }).then_some(noted),
                ..Asked::from(deed)
            }
        });
        Ok(asked.collect())
    }
}

impl Line {
    fn deeds(&self, stock: &Stock) -> anyhow::Result<Vec<Deed>> {
        if self.what == "sound" {
            let held = stock.list().into_iter();
            let here = held.filter(|c| self.krate == "all" || c.place.starts_with(&self.krate));
            let sound = here.map(|c| Deed::Looked {
                krate: c.code,
                lot: None,
                finding: Finding::Sound,
                count: None,
            });
            return Ok(sound.collect());
        }
        let krate = self.krate.parse()?;
        let count = self.count.unwrap_or(0);
        let lot = || self.lot(stock).context("no such lot");
        Ok(vec![match self.what.as_str() {
            "taken out" => Deed::Culled {
                lot: lot()?,
                finding: self.finding.parse()?,
                count,
            },
            "left in" => Deed::Looked {
                krate,
                lot: Some(lot()?),
                finding: self.finding.parse()?,
                count: Some(count),
            },
            "sprouting" => Deed::Looked {
                krate,
                lot: None,
                finding: Finding::Sprouting,
                count: None,
            },
            "treated" => Deed::Treated {
                krate,
                how: self.words.parse()?,
            },
            "weighed" => Deed::Weighed {
                krate,
                grams: count,
            },
            "given" => Deed::Given { lot: lot()?, count },
            "sold" => Deed::Sold { lot: lot()?, count },
            "divided" => Deed::Divided {
                lot: lot()?,
                count,
                yielded: self.words.parse()?,
                into: None,
            },
            "moved" => Deed::Moved {
                krate,
                room: "back room".to_owned(),
                place: self.words.clone(),
            },
            "woken" => Deed::Woken { krate },
            "planted" => Deed::Planted {
                lot: lot()?,
                count,
                bed: self.words.clone(),
            },
            other => anyhow::bail!("`{other}` is not done here"),
        }])
    }

    fn lot(&self, stock: &Stock) -> Option<LotId> {
        let (krate, _) = stock.find(&self.krate.parse().ok()?)?;
        let mut content = stock.content(krate);
        let found = content.find(|(_, lot, _)| lot.variety == self.variety);
        found.map(|(id, ..)| id)
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;

    /// Every visit entered, and what was lost of each crate, by finding.
    fn lived_through() -> (Stock, BTreeMap<String, u32>) {
        let mut stock = Stock::default();
        let mut lost: BTreeMap<String, u32> = BTreeMap::new();
        let mut last = DateTime::<Utc>::MIN_UTC;
        for visit in visits().unwrap() {
            assert!(last <= visit.at);
            last = visit.at;
            for asked in visit.asked(&stock).unwrap() {
                if let Deed::Culled { lot, count, .. } = &asked.deed {
                    let (lot, _) = stock.lot(*lot).unwrap();
                    let code = stock.krate(lot.krate).unwrap().code.to_string();
                    *lost.entry(code).or_default() += count;
                }
                let done = asked.noted_at.unwrap_or(visit.at);
                stock
                    .enter(&asked.deed, done)
                    .unwrap_or_else(|why| panic!("{asked:?}: {why}"));
            }
        }
        (stock, lost)
    }

    #[test]
    fn nothing_stands_in_store_when_all_is_planted() {
        let (stock, _) = lived_through();
        assert_eq!(stock.tubers(), 0);
        assert_eq!(stock.crates().count(), 45);
    }

    #[test]
    fn losses_tell_the_story_of_that_winter() {
        let (_, lost) = lived_through();
        let crates = crates().unwrap();
        let lines = lines().unwrap();
        let divided = lines.iter().filter(|l| l.what == "divided");
        let divided: Vec<&String> = divided.map(|l| &l.krate).collect();
        let share = |fits: &dyn Fn(&Packed) -> bool| {
            let own: Vec<&Packed> = crates.iter().filter(|c| fits(c)).collect();
            let lost: u32 = own.iter().filter_map(|c| lost.get(&c.code)).sum();
            f64::from(lost) / f64::from(own.iter().map(|c| c.count).sum::<u32>())
        };
        let rots = |c: &Packed| c.variety == "Nacrewhistle";
        let top = |c: &Packed| c.place.contains("top shelf");
        let in_the = |c: &Packed, room: &str| c.room == room && !rots(c);
        // Paper bags on the back room's top shelf, against shavings in the same room.
        let paper = share(&|c| in_the(c, "back room") && top(c) && c.packing == "paper bags");
        let lower = share(&|c| in_the(c, "back room") && !top(c) && c.packing == "paper bags");
        let shavings = share(&|c| {
            in_the(c, "back room") && c.packing == "shavings" && c.form == Form::Division
        });
        let times = paper / shavings;
        assert!((1.6..2.6).contains(&times), "{paper} {shavings}");
        assert!(lower < paper, "{lower} {paper}");
        // The north wall, against the rest of the cellar.
        let divisions = |c: &Packed| in_the(c, "cellar") && c.form == Form::Division;
        let north = share(&|c| divisions(c) && c.place.starts_with("north wall"));
        let east = share(&|c| divisions(c) && c.place.starts_with("east wall"));
        assert!(1.3 * east < north, "{north} {east}");
        // One variety rots in every packing and on every shelf.
        for krate in crates.iter().filter(|c| rots(c)) {
            let share = f64::from(lost[&krate.code]) / f64::from(krate.count);
            assert!((0.2..0.35).contains(&share), "{} {share}", krate.code);
        }
        // Washed divisions lost more than brushed clumps; both stand in both rooms, and none in paper.
        let other = |c: &Packed| !rots(c) && c.packing != "paper bags";
        let washed = share(&|c| other(c) && c.prepared.starts_with("washed"));
        let clumps = |c: &Packed| {
            other(c) && c.prepared.starts_with("brushed") && !divided.contains(&&c.code)
        };
        let brushed = share(&clumps);
        assert!(brushed + 0.02 < washed, "{brushed} {washed}");
        let total: u32 = crates.iter().map(|c| c.count).sum();
        assert!((1500..2000).contains(&total), "{total}");
    }

    #[test]
    fn everybody_took_part_and_rounds_were_kept() {
        let visits = visits().unwrap();
        for who in ["Odile", "Wendel"] {
            assert!(visits.iter().any(|v| v.who == who));
        }
        let lines = lines().unwrap();
        assert!(lines.is_sorted_by_key(|l| l.at));
        let walks = lines
            .iter()
            .filter(|l| l.what == "sound" && l.krate == "all");
        assert_eq!(walks.count(), 9);
    }
}
