//! The ledger of a winter folded once: what came into every stratum, and what became of it there.
//!
//! A stratum is all that has one packing, one room and so on. It is kept crate by crate, so that a share
//! can be judged by crates. What is counted of a crate in a stratum are outcomes alone (lost, planted,
//! put elsewhere, still there): together they are what was at risk, so that never more is lost than was.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use chrono::{DateTime, NaiveDate, Utc};

use super::{
    Name,
    tally::{Held, In, Key, Stratum, Tally},
};
use crate::{
    season::period::Period,
    stock::{
        CrateCode, Form,
        ledger::{Account, Change, Crate, CrateId, Deed, Entry, EntryId, Lot, LotId},
        place::Place,
    },
};

/// In how many ways the stock is divided: the seven dimensions, and once not at all.
const WAYS: usize = 8;

/// A crate in a stratum.
type Cell = (Stratum, CrateId);

/// A lot as the fold knows it.
#[derive(Debug, Clone)]
struct Piece {
    krate: CrateId,
    variety: String,
    form: Form,
    dug: Option<NaiveDate>,
    count: u64,
    /// What left although it had not come: the entry by which it came was taken back, or is of a later
    /// day. The next to come are these.
    debt: u64,
    seen: bool,
    strata: [Stratum; WAYS],
}

/// What the ledger comes to.
#[derive(Default)]
pub(super) struct Fold {
    pub(super) keys: BTreeMap<Key, Stratum>,
    pub(super) cells: BTreeMap<Cell, Tally>,
    pub(super) crates: BTreeMap<CrateId, Held>,
    pub(super) came: In,
    pub(super) kept: bool,
    spelled: BTreeMap<Key, Name>,
    codes: BTreeMap<CrateCode, CrateId>,
    lots: BTreeMap<LotId, Piece>,
    within: BTreeMap<CrateId, Vec<LotId>>,
    /// Of the tubers that lie in a lot now: how many left which cell for which stratum, and are not back.
    elsewhere: BTreeMap<LotId, Away>,
    /// Tubers of a lot that were corrected away, and where; the last first.
    vanished: BTreeMap<LotId, Vec<Gone>>,
}

/// Tubers of which, and of how many, it is known that they left a cell for another stratum and are not back.
type Away = BTreeMap<(Cell, Stratum), u64>;

/// Tubers that were corrected away.
struct Gone {
    strata: [Stratum; WAYS],
    krate: CrateId,
    count: u64,
    away: Away,
}

/// On which side of the period's beginning an entry counts, and how many days are left from it.
#[derive(Clone, Copy)]
struct When {
    inside: bool,
    left: i64,
}

/// Folds the entries, in the order in which they were made. Each counts on the day on which it was done;
/// those after the period do not.
pub(super) fn fold(
    entries: &[Entry],
    period: Period,
    day: impl Fn(DateTime<Utc>) -> NaiveDate,
) -> Fold {
    let mut fold = Fold::default();
    let undone: BTreeSet<EntryId> = entries.iter().filter_map(taken_back).collect();
    for entry in entries {
        let on = day(entry.done_at());
        let counts = on < period.to && !undone.contains(&entry.id) && taken_back(entry).is_none();
        let inside = counts && period.from <= on;
        let left = period.to.signed_duration_since(on.max(period.from));
        let when = When {
            inside,
            left: left.num_days().max(0),
        };
        fold.changes(&entry.changes, counts.then_some(when));
        if inside {
            fold.looked(&entry.deed);
        }
    }
    fold.unseen();
    fold
}

/// The entry that this one takes back.
fn taken_back(entry: &Entry) -> Option<EntryId> {
    match entry.deed {
        Deed::Undone { entry } => Some(entry),
        _ => None,
    }
}

fn folded(text: &str) -> String {
    text.trim().to_lowercase()
}

fn place_key(room: &str, place: &str) -> (Key, Name) {
    let mut read = Place::read(place);
    read.position.clear();
    let name = Name::Place {
        room: room.trim().to_owned(),
        rack: read.rack.clone(),
        shelf: read.shelf.clone(),
    };
    (Key::Place(folded(room), read), name)
}

impl Fold {
    /// Makes the changes of an entry; with nothing for `when` only what it brought is remembered, since
    /// others may have used it.
    fn changes(&mut self, changes: &[Change], when: Option<When>) {
        let mut carried: VecDeque<(LotId, u64)> = VecDeque::new();
        for change in changes {
            match change {
                Change::Crate {
                    id,
                    before,
                    after: Some(after),
                } => self.krate(*id, before.as_ref(), after, when),
                Change::Lot {
                    id,
                    before,
                    after: Some(after),
                } => self.lot(*id, before.as_ref(), after, when),
                Change::Tubers { lot, by, account } => {
                    let Some(when) = when else { continue };
                    let count = by.unsigned_abs();
                    match (account, *by < 0) {
                        (Account::Lot, true) => carried.push_back((*lot, count)),
                        (Account::Lot, false) => self.carried(&mut carried, *lot, count, when),
                        (account, true) => self.went(*lot, count, *account, when),
                        (account, false) => self.came(*lot, count, *account, when),
                    }
                }
                _ => {}
            }
        }
    }

    fn krate(&mut self, id: CrateId, before: Option<&Crate>, after: &Crate, when: Option<When>) {
        if !self.crates.contains_key(&id) {
            self.codes.insert(after.code.clone(), id);
        } else if when.is_none() {
            return;
        }
        let held = self.crates.entry(id).or_insert_with(|| Held {
            code: after.code.clone(),
            room: after.room.clone(),
            place: after.place.clone(),
            packing: after.packing.clone(),
            varieties: BTreeSet::new(),
        });
        // An entry that was taken back may have changed the rest: only what this one changed counts.
        let changed = |of: fn(&Crate) -> &str| before.is_none_or(|b| of(b) != of(after));
        let (room, place, packing) = (
            changed(|c| &c.room),
            changed(|c| &c.place),
            changed(|c| &c.packing),
        );
        // Most changes of a crate are steps on its way from the field.
        if !room && !place && !packing {
            return;
        }
        if room {
            held.room.clone_from(&after.room);
        }
        if place {
            held.place.clone_from(&after.place);
        }
        if packing {
            held.packing.clone_from(&after.packing);
        }
        let held = held.clone();
        let counts = when.is_some();
        let (key, name) = place_key(&held.room, &held.place);
        self.spell(key, name, (room || place) && counts);
        let key = Key::Packing(folded(&held.packing));
        self.spell(key, Name::text(&held.packing), packing && counts);
        let key = Key::Room(folded(&held.room));
        self.spell(key, Name::text(&held.room), room && counts);
        if let Some(when) = when {
            let lots = self.within.get(&id).cloned().unwrap_or_default();
            for lot in lots {
                self.settle(lot, when);
            }
        }
    }

    fn lot(&mut self, id: LotId, before: Option<&Lot>, after: &Lot, when: Option<When>) {
        let known = self.lots.contains_key(&id);
        if when.is_none() && known {
            return;
        }
        let changed = |same: fn(&Lot, &Lot) -> bool| before.is_none_or(|b| !same(b, after));
        if let Some(piece) = self.lots.get_mut(&id) {
            if changed(|a, b| a.variety == b.variety) {
                piece.variety.clone_from(&after.variety);
            }
            if changed(|a, b| a.form == b.form) {
                piece.form = after.form;
            }
            if changed(|a, b| a.dug == b.dug) {
                piece.dug = after.dug;
            }
        } else {
            self.within.entry(after.krate).or_default().push(id);
            let mut piece = Piece {
                krate: after.krate,
                variety: after.variety.clone(),
                form: after.form,
                dug: after.dug,
                count: 0,
                debt: 0,
                seen: false,
                strata: [0; WAYS],
            };
            piece.strata = self.strata(&piece);
            self.lots.insert(id, piece);
        }
        let said = changed(|a, b| a.variety == b.variety) && when.is_some();
        let key = Key::Variety(folded(&after.variety));
        self.spell(key, Name::text(&after.variety), said);
        if let Some(when) = when {
            self.settle(id, when);
        }
    }

    /// Remembers how a stratum is written; the newest spelling that counts holds.
    fn spell(&mut self, key: Key, name: Name, anew: bool) {
        if anew {
            self.spelled.insert(key, name);
        } else {
            self.spelled.entry(key).or_insert(name);
        }
    }

    fn strata(&mut self, piece: &Piece) -> [Stratum; WAYS] {
        let held = self.crates.get(&piece.krate);
        let of = |text: fn(&Held) -> &str| held.map_or("", text);
        let (room, place) = (of(|c| &c.room), of(|c| &c.place));
        let keys = [
            Key::All,
            Key::Packing(folded(of(|c| &c.packing))),
            Key::Variety(folded(&piece.variety)),
            Key::Room(folded(room)),
            place_key(room, place).0,
            Key::Dug(piece.dug),
            Key::Divided(piece.form == Form::Division),
            Key::Crate(piece.krate),
        ];
        keys.map(|key| {
            let next = self.keys.len();
            *self.keys.entry(key).or_insert(next)
        })
    }

    /// Puts a lot into the strata where it belongs now.
    fn settle(&mut self, id: LotId, when: When) {
        let Some(piece) = self.lots.get(&id).cloned() else {
            return;
        };
        let strata = self.strata(&piece);
        if strata == piece.strata {
            return;
        }
        self.shift(
            (id, piece.krate, piece.strata),
            (id, piece.krate, strata),
            piece.count,
            when,
        );
        if let Some(piece) = self.lots.get_mut(&id) {
            piece.strata = strata;
        }
        self.held(id);
    }

    /// So many tubers from one lot, crate and strata to another.
    fn shift(
        &mut self,
        (from, from_crate, out_of): (LotId, CrateId, [Stratum; WAYS]),
        (to, to_crate, into): (LotId, CrateId, [Stratum; WAYS]),
        count: u64,
        when: When,
    ) {
        if count == 0 {
            return;
        }
        for (p, q) in out_of.into_iter().zip(into) {
            let (a, b) = ((p, from_crate), (q, to_crate));
            self.stand(a, -(count as i64), when);
            self.stand(b, count as i64, when);
            if when.inside && p != q {
                *self.cell(a).left.entry(q).or_default() += count;
                self.back(from, q, count);
            }
        }
        if !when.inside {
            return;
        }
        if from != to {
            // Those that are away from somewhere go on being so. Which of a lot they are nobody knows: as
            // many as can be.
            let mut away = self.elsewhere.remove(&from).unwrap_or_default();
            for (key, many) in &mut away {
                if !into.contains(&key.0.0) {
                    let moved = count.min(*many);
                    *many -= moved;
                    self.away(to, *key, moved);
                }
            }
            self.elsewhere.insert(from, away);
        }
        for (p, q) in out_of.into_iter().zip(into) {
            if p != q {
                self.away(to, ((p, from_crate), q), count);
            }
        }
    }

    fn away(&mut self, lot: LotId, key: (Cell, Stratum), count: u64) {
        let away = self.elsewhere.entry(lot).or_default();
        *away.entry(key).or_default() += count;
    }

    /// Tubers of a lot come to a stratum: those that left it before are not new there.
    fn back(&mut self, lot: LotId, stratum: Stratum, count: u64) {
        let Some(away) = self.elsewhere.get_mut(&lot) else {
            return;
        };
        let mut rest = count;
        for (((from, krate), to), many) in away.iter_mut().filter(|(key, _)| key.0.0 == stratum) {
            let back = rest.min(*many);
            rest -= back;
            *many -= back;
            if let Some(left) =
                (self.cells.get_mut(&(*from, *krate))).and_then(|tally| tally.left.get_mut(to))
            {
                *left = left.saturating_sub(back);
            }
        }
        away.retain(|_, many| *many != 0);
    }

    /// No more of a lot are away from anywhere than lie in it. Tells which are no longer.
    fn held(&mut self, lot: LotId) -> Away {
        let count = self.lots.get(&lot).map_or(0, |piece| piece.count);
        let mut gone = Away::new();
        if let Some(away) = self.elsewhere.get_mut(&lot) {
            for (key, many) in away.iter_mut().filter(|(_, many)| count < **many) {
                gone.insert(*key, *many - count);
                *many = count;
            }
            away.retain(|_, many| *many != 0);
        }
        gone
    }

    fn cell(&mut self, cell: Cell) -> &mut Tally {
        self.cells.entry(cell).or_default()
    }

    fn stand(&mut self, cell: Cell, by: i64, when: When) {
        let tally = self.cell(cell);
        tally.standing = tally.standing.saturating_add_signed(by);
        tally.days += by * when.left;
    }

    fn came(&mut self, id: LotId, count: u64, account: Account, when: When) {
        let Some(piece) = self.lots.get_mut(&id) else {
            return;
        };
        let paid = count.min(piece.debt);
        piece.debt -= paid;
        piece.count += count - paid;
        piece.seen = match account {
            Account::Corrected => piece.seen,
            // They went through hands.
            Account::Divided => piece.seen || when.inside,
            // Whoever looked saw others.
            _ => false,
        };
        let (strata, krate, variety) = (piece.strata, piece.krate, folded(&piece.variety));
        for stratum in strata {
            self.stand((stratum, krate), (count - paid) as i64, when);
        }
        if let Some(held) = self.crates.get_mut(&krate).filter(|_| when.inside) {
            held.varieties.insert(variety);
        }
        if !when.inside {
            self.came.stood += count as i64;
            return;
        }
        let again = match account {
            Account::Corrected | Account::Listed => self.found_again(id, count),
            _ => 0,
        };
        let new = count - again;
        match account {
            Account::Lifted => self.came.lifted += new,
            Account::Listed => self.came.listed += new,
            Account::Divided => self.came.divided += new,
            _ => self.came.corrected += new,
        }
    }

    /// What was corrected away and is corrected back was there all the time.
    fn found_again(&mut self, id: LotId, count: u64) -> u64 {
        let Some(now) = self.lots.get(&id).map(|piece| piece.strata) else {
            return 0;
        };
        let mut rest = count;
        while let Some(mut gone) = (self.vanished.get_mut(&id))
            .filter(|_| rest != 0)
            .and_then(Vec::pop)
        {
            let back = rest.min(gone.count);
            rest -= back;
            gone.count -= back;
            for stratum in gone.strata {
                let tally = self.cell((stratum, gone.krate));
                tally.corrected = tally.corrected.saturating_sub(back);
            }
            for (key, many) in &mut gone.away {
                let again = back.min(*many);
                *many -= again;
                self.away(id, *key, again);
            }
            // The lot may have gone back meanwhile to where they had left.
            for stratum in now {
                self.back(id, stratum, back);
            }
            if gone.count != 0 {
                self.vanished.entry(id).or_default().push(gone);
            }
        }
        count - rest
    }

    fn went(&mut self, id: LotId, count: u64, account: Account, when: When) {
        let Some(piece) = self.lots.get_mut(&id) else {
            return;
        };
        let paid = count.min(piece.count);
        piece.count -= paid;
        piece.debt += count - paid;
        let (strata, krate) = (piece.strata, piece.krate);
        if matches!(account, Account::Culled(_)) && when.inside {
            piece.seen = true;
        }
        for stratum in strata {
            self.stand((stratum, krate), -(paid as i64), when);
            if when.inside {
                let tally = self.cell((stratum, krate));
                *tally.outcome(account) += count;
                // A loss shortens no stay: else a bad place would seem one of passage.
                if matches!(account, Account::Culled(_)) {
                    tally.days += paid as i64 * when.left;
                }
            }
        }
        if !when.inside {
            self.came.stood -= count as i64;
        }
        let away = self.held(id);
        if when.inside && matches!(account, Account::Corrected | Account::Listed) {
            self.vanished.entry(id).or_default().push(Gone {
                strata,
                krate,
                count,
                away,
            });
        }
    }

    fn carried(
        &mut self,
        carried: &mut VecDeque<(LotId, u64)>,
        to: LotId,
        mut count: u64,
        when: When,
    ) {
        while let Some((from, many)) = carried.front_mut().filter(|_| count != 0) {
            let (from, some) = (*from, count.min(*many));
            count -= some;
            *many -= some;
            if *many == 0 {
                carried.pop_front();
            }
            self.carry(from, to, some, when);
        }
    }

    /// From lot to lot.
    fn carry(&mut self, from: LotId, to: LotId, count: u64, when: When) {
        let (Some(a), Some(b)) = (self.lots.get(&from).cloned(), self.lots.get(&to).cloned())
        else {
            return;
        };
        let (there, wanted) = (count.min(a.count), count - count.min(b.debt));
        let moved = there.min(wanted);
        if let Some(piece) = self.lots.get_mut(&from) {
            piece.count -= there;
            piece.debt += count - there;
        }
        self.shift(
            (from, a.krate, a.strata),
            (to, b.krate, b.strata),
            moved,
            when,
        );
        // What was not there comes anew; what was owed is there already.
        for (p, q) in a.strata.into_iter().zip(b.strata) {
            self.stand((p, a.krate), -((there - moved) as i64), when);
            self.stand((q, b.krate), (wanted - moved) as i64, when);
            if when.inside && p != q {
                *self.cell((p, a.krate)).left.entry(q).or_default() += there - moved;
            }
        }
        if let Some(piece) = self.lots.get_mut(&to) {
            piece.count += wanted;
            piece.debt -= count - wanted;
            // They went through hands.
            piece.seen |= when.inside;
        }
        if let Some(held) = self.crates.get_mut(&b.krate).filter(|_| when.inside) {
            held.varieties.insert(folded(&b.variety));
        }
        self.held(from);
        self.held(to);
    }

    fn looked(&mut self, deed: &Deed) {
        let saw: Vec<LotId> = match deed {
            Deed::Looked { lot: Some(lot), .. } | Deed::Culled { lot, .. } => vec![*lot],
            Deed::Looked { krate, .. } => {
                let id = self.codes.get(krate);
                id.and_then(|id| self.within.get(id))
                    .cloned()
                    .unwrap_or_default()
            }
            _ => return,
        };
        self.kept = true;
        for lot in saw {
            if let Some(piece) = self.lots.get_mut(&lot) {
                piece.seen = true;
            }
        }
    }

    /// What stands at the end in lots that nobody had a look at.
    fn unseen(&mut self) {
        let never: Vec<Piece> = (self.lots.values())
            .filter(|piece| !piece.seen && piece.count != 0)
            .cloned()
            .collect();
        for piece in never {
            for stratum in piece.strata {
                self.cell((stratum, piece.krate)).unseen += piece.count;
            }
        }
    }

    /// A stratum as people last wrote it.
    pub(super) fn name(&self, key: &Key) -> Name {
        match key {
            Key::All => Name::Rest,
            Key::Dug(day) => day.map_or(Name::NotSaid, Name::Day),
            Key::Divided(true) => Name::Divided,
            Key::Divided(false) => Name::Whole,
            Key::Crate(id) => (self.crates.get(id))
                .map_or(Name::NotSaid, |held| Name::Text(held.code.to_string())),
            other => self.spelled.get(other).cloned().unwrap_or(Name::NotSaid),
        }
    }
}
