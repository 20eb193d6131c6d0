//! When stock comes to harm, by rules that share nothing with the program's.

use super::{
    moist::saturation_pa,
    mould::Mould,
    room::{MIDDLE, Room, SIDE},
};

/// What became of the stock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum HarmKind {
    /// A layer of tubers at or below -1 C, where their tissue begins to freeze.
    Frost,
    /// Tubers above 15 C for ten days in all: they sprout.
    Heat,
    /// A bare tuber has lost 1 point more than in the same store without the incident, and at the last
    /// day's rate would have lost more than 15 % by day 150.
    Drying,
    /// Liquid water stood on a tuber's skin or a crate's wall side for two hours.
    Sweating,
    /// Mould is seen on a crate or its topmost tubers.
    Mould,
}

/// The first time of one kind of harm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Harm {
    /// What.
    pub(crate) kind: HarmKind,
    /// Milliseconds since 1970, UTC.
    pub(crate) at_ms: i64,
}

const FREEZING_C: f64 = -1.0;
const SPROUTING_C: f64 = 15.0;
const SPROUTING_S: f64 = 10.0 * 86_400.0;
/// Water that stands: a film that is felt, g/m2.
const STANDING_G_M2: f64 = 1.0;
const STANDING_S: f64 = 2.0 * 3600.0;
const BEYOND_SOUND: f64 = 0.01;
const BY_DAY: f64 = 150.0;
const TOO_MUCH: f64 = 0.15;

/// Watches one room for harm.
#[derive(Clone, Debug, Default)]
pub(crate) struct Watch {
    /// First time of each kind so far.
    pub(crate) harms: Vec<Harm>,
    /// Hours that water stood on the middle crates and on the wall sides.
    pub(crate) wet_h: [f64; 2],
    standing_s: [f64; 2],
    warm_s: f64,
    mould: [Mould; 2],
    lost: Vec<f64>,
}

impl Watch {
    fn note(&mut self, kind: HarmKind, at_ms: i64) {
        if self.harms.iter().all(|harm| harm.kind != kind) {
            self.harms.push(Harm { kind, at_ms });
        }
    }

    /// Growth of mould on the surface farthest gone, 1 being seen.
    pub(crate) fn mould(&self) -> f64 {
        self.mould[0].0.max(self.mould[1].0)
    }

    /// Looks at the room after a step of `dt` s.
    pub(crate) fn look(&mut self, room: &Room, dt: f64, at_ms: i64) {
        let cells = room.middle.t.iter().chain(&room.side.t);
        if cells.fold(f64::MAX, |low, t| low.min(*t)) <= FREEZING_C {
            self.note(HarmKind::Frost, at_ms);
        }
        if room.middle.last() > SPROUTING_C {
            self.warm_s += dt;
        }
        if self.warm_s >= SPROUTING_S {
            self.note(HarmKind::Heat, at_ms);
        }
        let e = room.e();
        for (n, place) in [MIDDLE, SIDE].into_iter().enumerate() {
            let surface = &room.surfaces[place];
            if surface.film_g_m2() > STANDING_G_M2 {
                self.standing_s[n] += dt;
                self.wet_h[n] += dt / 3600.0;
            } else {
                self.standing_s[n] = 0.0;
            }
            if self.standing_s[n] >= STANDING_S {
                self.note(HarmKind::Sweating, at_ms);
            }
            let wet = if surface.water > 0.0 { 100.0 } else { 0.0 };
            let humidity = (e / saturation_pa(surface.t) * 100.0).clamp(wet, 100.0);
            self.mould[n].step(dt, surface.t, humidity);
            if self.mould[n].0 >= 1.0 {
                self.note(HarmKind::Mould, at_ms);
            }
        }
    }

    /// Once an hour: what a bare tuber has lost, here and in the store without the incident.
    pub(crate) fn weigh(&mut self, lost: f64, sound: Option<f64>, at_ms: i64) {
        self.lost.push(lost);
        let hours = self.lost.len();
        let (Some(sound), Some(before)) = (sound, hours.checked_sub(25)) else {
            return;
        };
        let a_day = lost - self.lost[before];
        let projected = lost + a_day * (BY_DAY - hours as f64 / 24.0);
        if lost - sound > BEYOND_SOUND && projected > TOO_MUCH {
            self.note(HarmKind::Drying, at_ms);
        }
    }
}
