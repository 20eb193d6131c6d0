//! One crate: what it took from its air, and what its weighings taught.

use std::{collections::BTreeMap, sync::Arc};

use serde::{Deserialize, Serialize};

use super::{Cohort, Exposure, Models, cohort::Key};
use crate::{
    climate::{
        Packing,
        drying::{self, Coefficient, WeighIn},
        tuber,
    },
    watch::{
        crates::CrateFacts,
        reading::Stamp,
        settings::{Role, Settings, Stage},
    },
};

/// One weighing of one crate.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Weighing {
    /// When.
    pub at: Stamp,
    /// Grams.
    pub grams: u32,
    /// Deficit dose that the crate had taken by then, kPa day.
    pub dose: f64,
}

/// How the loss of water of a crate is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Known {
    /// From handbooks and the packing alone.
    Assumed,
    /// From so many other crates in the same packing that were weighed.
    Alike(usize),
    /// From so many weighings of its own.
    Weighed(usize),
}

/// What the air has done up to some instant.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Toll {
    pub(super) dose: f64,
    pub(super) gap_h: f64,
    pub(super) wet_h: f64,
    pub(super) unsure_h: f64,
}

impl Toll {
    pub(super) fn of(air: &Exposure, cohort: &Cohort) -> Self {
        Self {
            dose: air.dose,
            gap_h: air.gap_h,
            wet_h: cohort.wet_h,
            unsure_h: cohort.unsure_h,
        }
    }

    pub(super) fn minus(self, from: Self) -> Self {
        Self {
            dose: self.dose - from.dose,
            gap_h: self.gap_h - from.gap_h,
            wet_h: self.wet_h - from.wet_h,
            unsure_h: self.unsure_h - from.unsure_h,
        }
    }
}

/// One crate with what was learnt of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Krate {
    /// What was told of it.
    pub facts: CrateFacts,
    /// When its dose began to count.
    pub since: Stamp,
    /// Its weighings in order of time.
    pub weighings: Vec<Weighing>,
    /// Loss of water.
    pub coefficient: Coefficient,
    /// How that is known.
    pub known: Known,
    /// What its air had done before it came.
    pub(super) from: Toll,
    /// What it had taken when things were laid out anew.
    taken: Option<Toll>,
    /// It stood in its room when that was called empty.
    pub(super) left: bool,
    /// Room, air and cohort.
    pub(super) berth: Option<(usize, usize, usize)>,
    /// Those that moved together; 0 for one that has stood in one air.
    course: u32,
}

/// Where a crate stood when things were laid out anew, and the state of those that stood there with it.
#[derive(Debug, Clone)]
pub(super) struct Past {
    room: String,
    near: Option<String>,
    cohort: Arc<Cohort>,
}

/// Weighings of one crate that are kept: the first and the newest.
const MOST_WEIGHINGS: usize = 60;
/// What a farm scale and the moisture of the packing leave open of one weighing (common practice).
const SCALE_SHARE: f64 = 0.005;
/// Deviations of the normal distribution to either end of 90 %.
const TO_90: f64 = 1.645;

impl Past {
    /// From there it comes to another air, or follows it in another way.
    fn is_elsewhere(&self, room: &str, air: &Exposure, key: &Key) -> bool {
        self.room != room || self.near != air.near || !self.cohort.key.follows_as(key)
    }
}

impl Krate {
    pub(super) fn new(facts: CrateFacts, at: Stamp) -> Self {
        Self {
            since: facts.since.filter(|since| *since <= at).unwrap_or(at),
            weighings: Vec::new(),
            coefficient: facts.packing.transpiration(),
            known: Known::Assumed,
            from: Toll::default(),
            taken: None,
            left: false,
            berth: None,
            course: 0,
            facts,
        }
    }

    pub(super) fn weigh(&mut self, weighing: Weighing) {
        let place = self.weighings.partition_point(|w| w.at < weighing.at);
        match self.weighings.get_mut(place) {
            Some(same) if same.at == weighing.at => *same = weighing,
            _ => self.weighings.insert(place, weighing),
        }
        if MOST_WEIGHINGS < self.weighings.len() {
            self.weighings.remove(1);
        }
    }

    /// Weight lost since the first weighing, as a share of it.
    pub fn weighed_loss(&self) -> Option<f64> {
        let (first, last) = (self.weighings.first()?, self.weighings.last()?);
        (first.at < last.at).then(|| 1.0 - f64::from(last.grams) / f64::from(first.grams))
    }
}

/// One figure is better than another when its ends lie closer together.
fn narrower(a: Coefficient, b: Coefficient) -> bool {
    a.high / a.low < b.high / b.low
}

/// Weighings say something where they leave less open than the packing does, as a factor and as a
/// difference: after a day the error of the scale is all that there is to see, and where it makes `k`
/// large it looks narrow as a factor.
fn tells(own: Coefficient, assumed: Coefficient) -> bool {
    narrower(own, assumed) && own.high - own.low < assumed.high - assumed.low
}

/// The loss by a crate's own weighings: the slope of ln(mass) on dose, and 90 % around it.
///
/// With two weighings the interval rests on an error of half a percent in each, with more on the
/// larger of that and their scatter. None where the weight did not fall.
fn by_weighings(weighings: &[Weighing]) -> Option<Coefficient> {
    let points: Vec<WeighIn> = weighings
        .iter()
        .map(|w| WeighIn {
            dose: w.dose,
            grams: f64::from(w.grams),
        })
        .collect();
    let slope = drying::crate_slope(&points)?;
    if slope.k <= 0.0 {
        return None;
    }
    let mean = points.iter().map(|p| p.dose).sum::<f64>() / points.len() as f64;
    let spread = points.iter().map(|p| (p.dose - mean).powi(2)).sum::<f64>();
    let sd = slope.se.unwrap_or(0.0).max(SCALE_SHARE / spread.sqrt());
    Some(Coefficient {
        k: slope.k,
        // Nothing dries at less than a tenth of what it was seen to do; a floor, not a finding.
        low: (slope.k - TO_90 * sd).max(slope.k / 10.0),
        high: slope.k + TO_90 * sd,
    })
}

/// Coefficients with how they are known.
#[derive(Debug, Clone, PartialEq)]
pub struct Learnt {
    /// Of every crate, in the order in which they were given.
    pub crates: Vec<(Coefficient, Known)>,
    /// Of packings of which crates were weighed.
    pub packings: BTreeMap<Packing, (Coefficient, Known)>,
}

/// What weighings say about crates, their packings, and crates packed alike. Each crate is given with its
/// packing and its weighings in that packing, of one filling.
pub fn learnt(given: &[(Packing, &[Weighing])]) -> Learnt {
    let mut slopes: BTreeMap<Packing, Vec<f64>> = BTreeMap::new();
    let own: Vec<Option<Coefficient>> = (given.iter())
        .map(|(packing, weighings)| {
            let own = by_weighings(weighings)?;
            let assumed = packing.transpiration();
            // By what the scale leaves open and not by what came out, or the mean would lean to
            // crates that seemed to lose much.
            if own.high - own.k < assumed.k / 2.0 {
                slopes.entry(*packing).or_default().push(own.k);
            }
            tells(own, assumed).then_some(own)
        })
        .collect();
    let packings: BTreeMap<Packing, (Coefficient, Known)> = slopes
        .into_iter()
        .filter_map(|(packing, slopes)| {
            let fitted = drying::pooled(&slopes)?.coefficient()?;
            Some((packing, (fitted, Known::Alike(slopes.len()))))
        })
        .collect();
    let crates = (given.iter().zip(own))
        .map(|((packing, weighings), own)| {
            let assumed = (packing.transpiration(), Known::Assumed);
            let alike = packings.get(packing).copied().unwrap_or(assumed);
            own.filter(|own| narrower(*own, alike.0))
                .map_or(alike, |own| (own, Known::Weighed(weighings.len())))
        })
        .collect();
    Learnt { crates, packings }
}

impl Models {
    /// Before anything is laid out anew: what every crate has taken by now, and gone through.
    pub(super) fn note_tolls(&mut self) {
        let rooms = &self.rooms;
        let pasts = Arc::make_mut(&mut self.pasts);
        let mut shared: BTreeMap<(usize, usize, usize), Arc<Cohort>> = BTreeMap::new();
        for (code, krate) in Arc::make_mut(&mut self.crates) {
            let Some(berth) = krate.berth.take() else {
                continue;
            };
            let room = &rooms[berth.0];
            let air = &room.exposures[berth.1];
            let Some(cohort) = air.cohorts.get(berth.2) else {
                continue;
            };
            krate.taken = Some(Toll::of(air, cohort).minus(krate.from));
            // What the last winter did to an empty room is no past of what is brought into it.
            if room.stage != Stage::Empty || krate.course != 0 {
                let cohort = shared
                    .entry(berth)
                    .or_insert_with(|| Arc::new(cohort.clone()));
                let past = Past {
                    room: room.name.clone(),
                    near: air.near.clone(),
                    cohort: Arc::clone(cohort),
                };
                pasts.insert(code.clone(), past);
            }
        }
    }

    /// What stands in a room as it is called empty is gone: by the same name it comes back as another
    /// filling, once the room has been empty for a day; before that it was a slip of the glove. What is
    /// brought in later, before the room is in use again, keeps what it went through.
    pub(super) fn empty_crates(&mut self, at: Stamp, settings: &Settings) {
        let stage_of = |name: &str| {
            let mut rooms = settings.rooms.iter();
            rooms.find(|r| r.name == name).map(|r| r.stage)
        };
        for room in &self.rooms {
            let (was, is) = (room.stage, stage_of(&room.name));
            let of_room = |k: &Krate| k.facts.room.trim().eq_ignore_ascii_case(&room.name);
            if was != Stage::Empty && is == Some(Stage::Empty) {
                for krate in Arc::make_mut(&mut self.crates).values_mut() {
                    krate.left |= of_room(krate);
                }
            } else if was == Stage::Empty && is != Some(Stage::Empty) {
                let anew = room.is_long_empty(at);
                for (code, krate) in Arc::make_mut(&mut self.crates) {
                    if !krate.left || !of_room(krate) {
                        continue;
                    }
                    krate.left = false;
                    if anew {
                        Arc::make_mut(&mut self.pasts).remove(code);
                        *krate = Krate {
                            since: room.emptied_at.unwrap_or(at),
                            ..Krate::new(krate.facts.clone(), at)
                        };
                    }
                }
            }
        }
    }

    /// Puts every crate where it belongs, and makes the cohorts that they need.
    pub(super) fn settle_crates(&mut self, settings: &Settings) {
        let probed = |code: &str| {
            settings.sensors.iter().any(|s| {
                s.role == Role::Crate
                    && s.crate_code
                        .as_deref()
                        .is_some_and(|c| c.eq_ignore_ascii_case(code))
            })
        };
        let mut places: BTreeMap<&str, (usize, usize, Key)> = BTreeMap::new();
        let mut courses: BTreeMap<String, u32> = BTreeMap::new();
        let mut moved: Vec<(usize, usize, Key, &Arc<Cohort>)> = Vec::new();
        for (code, krate) in self.crates.iter() {
            let facts = &krate.facts;
            let name = facts.room.trim();
            let Some(room) = self
                .rooms
                .iter()
                .position(|r| r.name.eq_ignore_ascii_case(name))
            else {
                continue;
            };
            let kg = facts.tubers_g.map(|g| f64::from(g) / 1000.0);
            let key = Key::new(
                tuber::lag_h(facts.packing, kg),
                probed(code).then_some(code),
            );
            let here = &self.rooms[room];
            let near = here.near(&facts.place);
            let mut course = krate.course;
            if let Some(past) = self.pasts.get(code) {
                if past.is_elsewhere(&here.name, &here.exposures[near], &key) {
                    let natives = &here.exposures[near].cohorts;
                    let same = natives.iter().find(|c| c.key == key);
                    let together = moved.iter().find(|(r, n, k, cohort)| {
                        (*r, *n) == (room, near)
                            && k.follows_as(&key)
                            && Arc::ptr_eq(cohort, &past.cohort)
                    });
                    course = if here.stage != Stage::Empty
                        && same.is_some_and(|c| c.is_like(&past.cohort))
                    {
                        0
                    } else if let Some((_, _, key, _)) = together {
                        key.course()
                    } else {
                        self.courses += 1;
                        self.courses
                    };
                }
                let key = key.clone().on(course);
                moved.push((room, near, key, &past.cohort));
            }
            courses.insert(code.clone(), course);
            places.insert(code, (room, near, key.on(course)));
        }
        let probes = Arc::clone(&self.probes);
        for (index, room) in self.rooms.iter_mut().enumerate() {
            let room = Arc::make_mut(room);
            let listed = places.values().any(|(r, ..)| *r == index);
            let whole = room.exposures.len() - 1;
            for (n, exposure) in room.exposures.iter_mut().enumerate() {
                let mut keys: Vec<Key> = Vec::new();
                for (r, e, key) in places.values() {
                    if (*r, *e) == (index, n) && !keys.contains(key) {
                        keys.push(key.clone());
                    }
                }
                // A room whose crates nobody has listed holds some all the same.
                if !listed && n == whole {
                    keys.push(Key::new(tuber::lag_h(Packing::Unknown, None), None));
                }
                let pasts: Vec<(Key, Arc<Cohort>)> = (moved.iter())
                    .filter(|(r, e, ..)| (*r, *e) == (index, n))
                    .map(|(.., key, cohort)| (key.clone(), Arc::clone(cohort)))
                    .collect();
                exposure.keep_cohorts(keys, &pasts, &probes);
            }
        }
        let berths: BTreeMap<String, (usize, usize, usize)> = places
            .into_iter()
            .filter_map(|(code, (room, exposure, key))| {
                let cohorts = &self.rooms[room].exposures[exposure].cohorts;
                let cohort = cohorts.iter().position(|c| c.key == key)?;
                Some((code.to_owned(), (room, exposure, cohort)))
            })
            .collect();
        let rooms = &self.rooms;
        let settled = Arc::make_mut(&mut self.pasts);
        settled.retain(|code, _| self.crates.contains_key(code));
        for (code, krate) in Arc::make_mut(&mut self.crates) {
            krate.berth = berths.get(code).copied();
            let Some((room, exposure, cohort)) = krate.berth else {
                continue;
            };
            krate.course = courses.get(code).copied().unwrap_or(0);
            settled.remove(code);
            let air = &rooms[room].exposures[exposure];
            let here = Toll::of(air, &air.cohorts[cohort]);
            krate.from = match krate.taken.take() {
                // It goes on from here with what it has taken elsewhere.
                Some(taken) => here.minus(taken),
                None => Toll {
                    dose: air.dose_at(krate.since),
                    gap_h: air.gap_at(krate.since),
                    ..here
                },
            };
        }
        self.learn();
    }

    /// What weighings say about crates, their packings, and crates packed alike.
    pub(super) fn learn(&mut self) {
        let given: Vec<(Packing, &[Weighing])> = (self.crates.values())
            .map(|krate| (krate.facts.packing, krate.weighings.as_slice()))
            .collect();
        let Learnt { crates, packings } = learnt(&given);
        let crates = crates.into_iter();
        for (krate, known) in Arc::make_mut(&mut self.crates).values_mut().zip(crates) {
            (krate.coefficient, krate.known) = known;
        }
        self.packings = Arc::new(packings);
    }
}
