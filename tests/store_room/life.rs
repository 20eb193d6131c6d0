//! What people do in a store, drawn from a seed: doors, airing by hand, a wet floor.

use super::weather::Weather;

/// SplitMix64 (Steele, Lea, Flood 2014; constants from memory): the same numbers on every machine.
#[derive(Clone, Debug)]
pub(crate) struct Random(u64);

impl Random {
    /// A stream of its own for each purpose.
    pub(crate) fn new(seed: u64, purpose: u64) -> Self {
        let mut it = Self(seed ^ purpose.wrapping_mul(0x9E37_79B9_7F4A_7C15));
        it.next();
        it
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Evenly between the two.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// About normal with mean 0 and deviation 1: twelve even draws.
    pub(crate) fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.between(0.0, 1.0)).sum::<f64>() - 6.0
    }
}

/// Something done by hand.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Deed {
    /// The door or a hatch stands open; air changes per hour on top of leakage.
    Open { from_s: f64, to_s: f64, per_h: f64 },
    /// The vents are opened; by plan, or only if it is damp inside.
    Air {
        from_s: f64,
        to_s: f64,
        planned: bool,
    },
    /// Water thrown on the floor, kg.
    Splash { at_s: f64, kg: f64 },
}

/// All deeds of a stay, seconds since its start, in order of their day.
pub(crate) fn deeds(seed: u64, start_s: f64, days: f64) -> Vec<Deed> {
    let mut random = Random::new(seed, 1);
    let mut all = Vec::new();
    for day in 0..days.ceil() as u32 {
        let midnight = f64::from(day) * 86_400.0 - Weather::hour(start_s) * 3600.0;
        let span = |random: &mut Random, hours: (f64, f64), minutes: (f64, f64)| {
            let from_s = midnight + random.between(hours.0, hours.1) * 3600.0;
            (from_s, from_s + random.between(minutes.0, minutes.1) * 60.0)
        };
        for _ in 0..random.between(1.0, 5.0) as u32 {
            let (from_s, to_s) = span(&mut random, (7.0, 18.0), (1.0, 3.0));
            all.push(Deed::Open {
                from_s,
                to_s,
                per_h: 6.0,
            });
        }
        // Crates are carried in or out about twice a week.
        if random.between(0.0, 1.0) < 0.3 {
            let (from_s, to_s) = span(&mut random, (9.0, 15.0), (6.0, 12.0));
            all.push(Deed::Open {
                from_s,
                to_s,
                per_h: 5.0,
            });
        }
        let (from_s, to_s) = span(&mut random, (10.0, 15.0), (20.0, 60.0));
        let planned = random.between(0.0, 1.0) < 0.25;
        all.push(Deed::Air {
            from_s,
            to_s,
            planned,
        });
        if random.between(0.0, 1.0) < 0.2 {
            let kg = random.between(0.1, 0.3);
            let at_s = midnight + random.between(8.0, 17.0) * 3600.0;
            all.push(Deed::Splash { at_s, kg });
        }
    }
    all.retain(|deed| match deed {
        Deed::Open { from_s, .. } | Deed::Air { from_s, .. } => *from_s >= 0.0,
        Deed::Splash { at_s, .. } => *at_s >= 0.0,
    });
    all
}
