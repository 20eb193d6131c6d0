//! From what is asked to what it does to the stock.

use chrono::{DateTime, NaiveDate, Utc};

use super::{
    Account, Change, Crate, CrateId, Deed, Draft, Lot, LotId, MOST, Refusal, Steps, Stock, To,
};
use crate::stock::{
    CrateCode, Form, Treatment,
    cell::{self, Wrong},
    list,
};

/// Longest bed's name, in characters.
const BED: usize = 60;

impl Stock {
    /// Does a deed at an instant: what it changes, or why it cannot be done, and then nothing is changed.
    ///
    /// An entry is taken back by [`Stock::take_back`]; [`Deed::Undone`] alone does not say what it did.
    pub fn enter(&mut self, deed: &Deed, at: DateTime<Utc>) -> Result<Vec<Change>, Refusal> {
        let changes = self.all_or_nothing(|draft| draft.work_out(deed, at))?;
        if changes.is_empty() && !deed.only_adds() {
            return Err(Refusal::AsItStands);
        }
        Ok(changes)
    }

    /// The crates an entry is about, whether it changes them or only tells of them.
    pub fn about(&self, deed: &Deed, changes: &[Change]) -> Vec<CrateId> {
        let mut about = self.touched(changes);
        let named = match deed {
            Deed::Packed { krate, .. }
            | Deed::Moved { krate, .. }
            | Deed::Looked { krate, .. }
            | Deed::Treated { krate, .. }
            | Deed::Weighed { krate, .. }
            | Deed::Woken { krate } => Some(krate),
            _ => None,
        };
        about.extend(named.and_then(|code| Some(self.find(code)?.0)));
        about.into_iter().collect()
    }

    /// The crate whose state a deed starts from.
    pub fn starts_from(&self, deed: &Deed) -> Option<CrateId> {
        match deed {
            Deed::Packed { krate, .. }
            | Deed::Moved { krate, .. }
            | Deed::Merged { krate, .. }
            | Deed::Looked { krate, .. }
            | Deed::Treated { krate, .. }
            | Deed::Weighed { krate, .. }
            | Deed::Woken { krate } => Some(self.find(krate)?.0),
            Deed::Lifted { into, .. } => Some(self.find(&into.code)?.0),
            Deed::Listed { krate } => Some(self.find(&krate.code)?.0),
            Deed::Divided { lot, .. }
            | Deed::Split { lot, .. }
            | Deed::Culled { lot, .. }
            | Deed::Planted { lot, .. }
            | Deed::Sold { lot, .. }
            | Deed::Given { lot, .. }
            | Deed::Corrected { lot, .. } => Some(self.lot(*lot)?.0.krate),
            Deed::Planned { .. } | Deed::Season { .. } | Deed::Undone { .. } => None,
        }
    }
}

fn words(what: Result<String, Wrong>) -> Result<String, Refusal> {
    what.map(|text| text.trim().to_owned())
        .map_err(|(why, remedy)| Refusal::Words { why, remedy })
}

/// A name that may not be missing.
fn some(what: &'static str, text: &str, most: usize) -> Result<String, Refusal> {
    let text = text.trim();
    if text.is_empty() {
        return Err(Refusal::Missing(what));
    }
    words(cell::words(text, most))
}

fn any(text: &str, most: usize) -> Result<String, Refusal> {
    words(cell::words(text.trim(), most))
}

fn dig(day: Option<NaiveDate>) -> Result<Option<NaiveDate>, Refusal> {
    let day = day.map(cell::dig).transpose();
    day.map_err(|(why, remedy)| Refusal::Words { why, remedy })
}

fn counted(count: u32) -> Result<i64, Refusal> {
    match count {
        0 => Err(Refusal::Nothing),
        1..=MOST => Ok(i64::from(count)),
        _ => Err(Refusal::TooMany),
    }
}

impl Draft<'_> {
    fn work_out(&mut self, deed: &Deed, at: DateTime<Utc>) -> Result<(), Refusal> {
        match deed {
            Deed::Lifted {
                into,
                variety,
                form,
                count,
                dug,
            } => {
                let count = counted(*count)?;
                let variety = some("variety", variety, list::VARIETY)?;
                let krate = self.crate_for(into, Steps::default())?;
                let fresh = self.stock.content(krate).next().is_none();
                self.steps(krate, |steps| {
                    if fresh {
                        *steps = Steps::default();
                    }
                    // Entered late, it lies where it is since the day it was dug.
                    let dug = dug.and_then(|day| day.and_hms_opt(12, 0, 0));
                    steps.lifted = Some(dug.map_or(at, |noon| noon.and_utc().min(at)));
                })?;
                let lot = self.lot_like(Lot {
                    krate,
                    variety,
                    form: *form,
                    dug: dig(*dug)?,
                    each_ug: None,
                    note: String::new(),
                    prepared: crate::stock::Prepared::default(),
                })?;
                self.tubers(lot, count, Account::Lifted)
            }
            Deed::Listed { krate } => self.listed(krate),
            Deed::Packed {
                krate,
                packing,
                skins_dry,
            } => {
                let (id, was) = self.krate(krate)?;
                self.full(id, krate)?;
                let packing = some("packing", packing, list::PACKING)?;
                let cured = skins_dry.or(was.steps.skins_dry.map(|_| true));
                let steps = Steps {
                    packed: Some(at),
                    ..was.steps
                };
                self.set_crate(
                    id,
                    Crate {
                        packing,
                        steps,
                        ..was
                    },
                )?;
                if cured.is_some() {
                    self.prepare(id, |prepared| prepared.cured = cured)?;
                }
                Ok(())
            }
            Deed::Moved { krate, room, place } => {
                let (id, was) = self.krate(krate)?;
                let (room, place) = (some("room", room, list::ROOM)?, any(place, list::PLACE)?);
                self.set_crate(id, Crate { room, place, ..was })
            }
            Deed::Divided {
                lot,
                count,
                yielded,
                into,
            } => {
                let (from, _) = self.lot(*lot)?;
                if from.form != Form::Clump {
                    return Err(Refusal::NotAClump(from.form));
                }
                let (taken, new) = (counted(*count)?, i64::from(*yielded));
                let steps = self
                    .stock
                    .krate(from.krate)
                    .map(|c| c.steps)
                    .unwrap_or_default();
                let krate = match into {
                    Some(into) => self.crate_for(into, steps)?,
                    None => from.krate,
                };
                if self.stock.content(krate).next().is_none() {
                    self.steps(krate, |of| *of = steps)?;
                }
                self.tubers(*lot, -taken, Account::Divided)?;
                if new != 0 {
                    let made = Lot {
                        krate,
                        form: Form::Division,
                        each_ug: None,
                        ..from
                    };
                    let made = self.lot_like(made)?;
                    self.tubers(made, counted(*yielded)?, Account::Divided)?;
                }
                self.steps(krate, |steps| {
                    steps.divided = Some(at);
                    steps.cuts_dry = None;
                })
            }
            Deed::Merged { krate, into } => {
                let ((from, was), (to, _)) = (self.krate(krate)?, self.krate(into)?);
                if from == to {
                    return Err(Refusal::SameCrate);
                }
                self.full(from, krate)?;
                if self.stock.content(to).next().is_none() {
                    self.steps(to, |steps| *steps = was.steps)?;
                }
                let all: Vec<_> = self
                    .stock
                    .content(from)
                    .map(|(id, _, count)| (id, count))
                    .collect();
                all.into_iter()
                    .try_for_each(|(lot, count)| self.carry(lot, i64::from(count), to))
            }
            Deed::Split { lot, count, into } => {
                let (from, _) = self.lot(*lot)?;
                let steps = self
                    .stock
                    .krate(from.krate)
                    .map(|c| c.steps)
                    .unwrap_or_default();
                let to = self.crate_for(into, steps)?;
                if to == from.krate {
                    return Err(Refusal::SameCrate);
                }
                if self.stock.content(to).next().is_none() {
                    self.steps(to, |of| *of = steps)?;
                }
                self.carry(*lot, counted(*count)?, to)
            }
            Deed::Culled {
                lot,
                finding,
                count,
            } => self.out(*lot, *count, Account::Culled(*finding)),
            Deed::Planted { lot, count, bed } => {
                any(bed, BED)?;
                self.out(*lot, *count, Account::Planted)
            }
            Deed::Sold { lot, count } => self.out(*lot, *count, Account::Sold),
            Deed::Given { lot, count } => self.out(*lot, *count, Account::Given),
            Deed::Looked {
                krate, lot, count, ..
            } => {
                let (id, _) = self.krate(krate)?;
                if let Some(lot) = lot {
                    let (of, have) = self.lot(*lot)?;
                    if of.krate != id {
                        return Err(Refusal::Elsewhere(krate.clone()));
                    }
                    if let Some(count) = count.filter(|count| have < *count) {
                        return Err(Refusal::count(&of, have, -i64::from(count)));
                    }
                }
                count.map_or(Ok(()), |count| counted(count).map(|_| ()))
            }
            Deed::Treated { krate, how } => self.treated(krate, *how, at),
            Deed::Weighed { krate, grams } => {
                let (id, _) = self.krate(krate)?;
                self.full(id, krate)?;
                if *grams == 0 {
                    Err(Refusal::Nothing)
                } else {
                    Ok(())
                }
            }
            Deed::Woken { krate } => {
                let (id, _) = self.krate(krate)?;
                self.full(id, krate)?;
                self.steps(id, |steps| steps.woken = Some(at))
            }
            Deed::Corrected {
                lot,
                count,
                variety,
                form,
                dug,
                note,
                prepared,
            } => {
                let (was, have) = self.lot(*lot)?;
                let lot_now = Lot {
                    variety: variety.as_deref().map_or(Ok(was.variety.clone()), |v| {
                        some("variety", v, list::VARIETY)
                    })?,
                    form: form.unwrap_or(was.form),
                    dug: dig(*dug)?.or(was.dug),
                    note: note
                        .as_deref()
                        .map_or(Ok(was.note.clone()), |n| any(n, list::NOTE))?,
                    prepared: prepared.unwrap_or(was.prepared),
                    ..was
                };
                self.set_lot(*lot, lot_now)?;
                let by = count.map_or(0, |count| i64::from(count) - i64::from(have));
                self.tubers(*lot, by, Account::Corrected)
            }
            Deed::Planned { variety, wish } => {
                let variety = some("variety", variety, list::VARIETY)?;
                let before = self.stock.wishes.get(&variety.to_lowercase()).cloned();
                let before = before.map(|(_, wish)| wish);
                if wish.as_ref().is_some_and(|w| MOST < w.plants) {
                    return Err(Refusal::TooMany);
                }
                if before == *wish {
                    return Ok(());
                }
                self.make(Change::Wish {
                    variety,
                    before,
                    after: wish.clone(),
                })
            }
            Deed::Season { winter, season } => {
                let before = self.stock.season(*winter);
                if before == *season {
                    return Ok(());
                }
                self.make(Change::Season {
                    winter: *winter,
                    before,
                    after: *season,
                })
            }
            Deed::Undone { entry } => Err(Refusal::NoEntry(*entry)),
        }
    }

    fn treated(
        &mut self,
        krate: &CrateCode,
        how: Treatment,
        at: DateTime<Utc>,
    ) -> Result<(), Refusal> {
        let (id, _) = self.krate(krate)?;
        self.full(id, krate)?;
        self.steps(id, |steps| match how {
            Treatment::Washed => {
                steps.cleaned = Some(at);
                steps.skins_dry = None;
            }
            Treatment::Brushed => steps.cleaned = Some(at),
            Treatment::Dipped => {
                steps.dipped = Some(at);
                steps.skins_dry = None;
            }
            Treatment::SkinsDry => steps.skins_dry = Some(at),
            Treatment::CutsDry => steps.cuts_dry = Some(at),
            Treatment::Dusted | Treatment::Dampened | Treatment::Aired => {}
        })?;
        match how {
            Treatment::Washed => self.prepare(id, |prepared| prepared.washed = true),
            Treatment::Brushed => self.prepare(id, |prepared| prepared.brushed = true),
            _ => Ok(()),
        }
    }

    /// Makes a crate what a list says.
    fn listed(&mut self, listed: &list::Crate) -> Result<(), Refusal> {
        let (room, place, packing) = (
            some("room", &listed.room, list::ROOM)?,
            any(&listed.place, list::PLACE)?,
            any(&listed.packing, list::PACKING)?,
        );
        let id = if let Ok((id, was)) = self.krate(&listed.code) {
            let fresh = !listed.lots.is_empty() && self.stock.content(id).next().is_none();
            // What it went through was of other tubers.
            let steps = if fresh { Steps::default() } else { was.steps };
            self.set_crate(
                id,
                Crate {
                    room,
                    place,
                    packing,
                    steps,
                    ..was
                },
            )?;
            id
        } else {
            let code = listed.code.clone();
            self.new_crate(Crate {
                code,
                room,
                place,
                packing,
                steps: Steps::default(),
            })?
        };
        let mut known: Vec<_> = self
            .stock
            .lots()
            .filter(|(_, lot, _)| lot.krate == id)
            .map(|(id, lot, count)| (id, lot.clone(), count))
            .collect();
        // Those that hold something first: a list speaks of them rather than of what is gone.
        known.sort_by_key(|(_, _, count)| *count == 0);
        let mut wanted = Vec::new();
        for lot in &listed.lots {
            let (count, variety) = (
                counted(lot.count)?,
                some("variety", &lot.variety, list::VARIETY)?,
            );
            let each = lot
                .weight_g
                .map(|g| (i64::from(g) * 1_000_000 + count / 2) / count);
            let now = Lot {
                krate: id,
                variety,
                form: lot.form,
                dug: dig(lot.dug)?,
                each_ug: each,
                note: any(&lot.note, list::NOTE)?,
                prepared: lot.prepared,
            };
            wanted.push((now, lot, None));
        }
        let named =
            |k: &Lot, now: &Lot| k.variety.eq_ignore_ascii_case(&now.variety) && k.form == now.form;
        // A list that gives a date where none was known, or none where one was, tells more of the same
        // lot, if there is no other that fits it to the day.
        for closeness in 0..3 {
            let fits = |k: &Lot, have: u32, now: &Lot| match closeness {
                0 => k.is_alike(now),
                1 => named(k, now) && k.dug == now.dug,
                _ => have != 0 && named(k, now) && (k.dug.is_none() || now.dug.is_none()),
            };
            for (now, _, same) in wanted.iter_mut().filter(|(.., same)| same.is_none()) {
                let at = known
                    .iter()
                    .position(|(_, lot, have)| fits(lot, *have, now));
                *same = at.map(|at| known.remove(at));
            }
        }
        for (mut now, lot, same) in wanted {
            let (key, have) = match same {
                Some((key, was, have)) => {
                    // What comes to the same weight is the same.
                    if was.weight_g(lot.count) == lot.weight_g {
                        now.each_ug = was.each_ug;
                    }
                    self.set_lot(key, now)?;
                    (key, have)
                }
                None => (self.new_lot(now)?, 0),
            };
            self.tubers(key, i64::from(lot.count) - i64::from(have), Account::Listed)?;
        }
        for (gone, _, count) in known {
            self.tubers(gone, -i64::from(count), Account::Listed)?;
        }
        Ok(())
    }

    // ---- what deeds are made of ----

    fn krate(&self, code: &CrateCode) -> Result<(CrateId, Crate), Refusal> {
        let (id, krate) = self
            .stock
            .find(code)
            .ok_or_else(|| Refusal::NoCrate(code.clone()))?;
        Ok((id, krate.clone()))
    }

    fn full(&self, id: CrateId, code: &CrateCode) -> Result<(), Refusal> {
        let any = self.stock.content(id).next();
        any.map(|_| ()).ok_or_else(|| Refusal::Empty(code.clone()))
    }

    fn lot(&self, id: LotId) -> Result<(Lot, u32), Refusal> {
        let (lot, count) = self.stock.lot(id).ok_or(Refusal::NoLot(id))?;
        Ok((lot.clone(), count))
    }

    fn crate_for(&mut self, to: &To, steps: Steps) -> Result<CrateId, Refusal> {
        if let Some((id, _)) = self.stock.find(&to.code) {
            return Ok(id);
        }
        if to.room.trim().is_empty() {
            return Err(Refusal::NoRoom(to.code.clone()));
        }
        self.new_crate(Crate {
            code: to.code.clone(),
            room: some("room", &to.room, list::ROOM)?,
            place: any(&to.place, list::PLACE)?,
            packing: any(&to.packing, list::PACKING)?,
            steps,
        })
    }

    fn new_crate(&mut self, krate: Crate) -> Result<CrateId, Refusal> {
        let id = CrateId(self.stock.last.0 + 1);
        self.make(Change::Crate {
            id,
            before: None,
            after: Some(krate),
        })?;
        Ok(id)
    }

    fn new_lot(&mut self, lot: Lot) -> Result<LotId, Refusal> {
        let id = LotId(self.stock.last.1 + 1);
        self.make(Change::Lot {
            id,
            before: None,
            after: Some(lot),
        })?;
        Ok(id)
    }

    fn set_crate(&mut self, id: CrateId, now: Crate) -> Result<(), Refusal> {
        let before = self.stock.crates.get(&id).cloned();
        if before.as_ref() == Some(&now) {
            return Ok(());
        }
        self.make(Change::Crate {
            id,
            before,
            after: Some(now),
        })
    }

    fn set_lot(&mut self, id: LotId, now: Lot) -> Result<(), Refusal> {
        let before = self.stock.lots.get(&id).map(|(lot, _)| lot.clone());
        if before.as_ref() == Some(&now) {
            return Ok(());
        }
        self.make(Change::Lot {
            id,
            before,
            after: Some(now),
        })
    }

    fn steps(&mut self, id: CrateId, set: impl FnOnce(&mut Steps)) -> Result<(), Refusal> {
        let Some(mut now) = self.stock.krate(id).cloned() else {
            return Ok(());
        };
        set(&mut now.steps);
        self.set_crate(id, now)
    }

    fn prepare(
        &mut self,
        id: CrateId,
        set: impl Fn(&mut crate::stock::Prepared),
    ) -> Result<(), Refusal> {
        let all: Vec<_> = self
            .stock
            .content(id)
            .map(|(key, lot, _)| (key, lot.clone()))
            .collect();
        all.into_iter().try_for_each(|(key, mut lot)| {
            set(&mut lot.prepared);
            self.set_lot(key, lot)
        })
    }

    fn tubers(&mut self, lot: LotId, by: i64, account: Account) -> Result<(), Refusal> {
        if by == 0 {
            return Ok(());
        }
        self.make(Change::Tubers { lot, by, account })
    }

    fn out(&mut self, lot: LotId, count: u32, account: Account) -> Result<(), Refusal> {
        self.lot(lot)?;
        self.tubers(lot, -counted(count)?, account)
    }

    /// The lot of its crate in which these may lie, made when there is none.
    fn lot_like(&mut self, wanted: Lot) -> Result<LotId, Refusal> {
        // An empty lot is taken up again only if it says nothing of tubers that are gone.
        let alike = self.stock.lots().filter(|(_, lot, count)| {
            lot.krate == wanted.krate
                && lot.is_alike(&wanted)
                && (*count != 0 || (lot.each_ug == wanted.each_ug && lot.note == wanted.note))
        });
        match alike.min_by_key(|(id, _, count)| (*count == 0, *id)) {
            Some((id, ..)) => Ok(id),
            None => self.new_lot(wanted),
        }
    }

    /// Carries so many of a lot to another crate.
    fn carry(&mut self, lot: LotId, count: i64, to: CrateId) -> Result<(), Refusal> {
        let (from, _) = self.lot(lot)?;
        let other = self.lot_like(Lot { krate: to, ..from })?;
        self.tubers(lot, -count, Account::Lot)?;
        self.tubers(other, count, Account::Lot)
    }
}
