//! The only place that asks the machine for the time.

use std::{
    sync::{
        Arc, OnceLock,
        atomic::{AtomicI64, Ordering},
    },
    time::Instant,
};

use chrono::Utc;

use crate::watch::Stamp;

/// Tells the time: the machine's, a faster one for demonstrations, or one moved by hand.
#[derive(Debug, Clone)]
pub struct Clock(Arc<Kind>);

#[derive(Debug)]
enum Kind {
    Machine,
    Fast {
        from: Stamp,
        started: OnceLock<Instant>,
        speed: f64,
    },
    /// Where it stands, and how far it has been stepped.
    Hand(AtomicI64, AtomicI64),
}

impl Clock {
    /// The machine's clock.
    pub fn machine() -> Self {
        Self(Arc::new(Kind::Machine))
    }

    /// Stands at `from` until [`Clock::start`], then runs `speed` times as fast as the machine's.
    pub fn fast(from: Stamp, speed: f64) -> Self {
        Self(Arc::new(Kind::Fast {
            from,
            started: OnceLock::new(),
            speed,
        }))
    }

    /// Lets a clock made by [`Clock::fast`] run; does nothing to the others.
    pub fn start(&self) {
        if let Kind::Fast { started, .. } = &*self.0 {
            started.get_or_init(Instant::now);
        }
    }

    /// Stands still until [`Clock::set`] moves it.
    pub fn hand(at: Stamp) -> Self {
        Self(Arc::new(Kind::Hand(
            AtomicI64::new(at.0),
            AtomicI64::new(0),
        )))
    }

    /// The present.
    pub fn now(&self) -> Stamp {
        match &*self.0 {
            Kind::Machine => Utc::now().into(),
            Kind::Fast {
                from,
                started,
                speed,
            } => {
                let passed = started.get().map_or(0.0, |s| s.elapsed().as_secs_f64());
                from.plus((passed * speed * 1000.0) as i64)
            }
            Kind::Hand(at, _) => Stamp(at.load(Ordering::SeqCst)),
        }
    }

    /// How many times faster than the machine's clock this one runs.
    pub fn speed(&self) -> f64 {
        match &*self.0 {
            Kind::Fast { speed, .. } => *speed,
            Kind::Machine | Kind::Hand(..) => 1.0,
        }
    }

    /// Moves a clock made by [`Clock::hand`]; does nothing to the others.
    pub fn set(&self, to: Stamp) {
        if let Kind::Hand(at, _) = &*self.0 {
            at.store(to.0, Ordering::SeqCst);
        }
    }

    /// Steps a clock made by [`Clock::hand`] forward or back, as somebody who sets it right or wrong
    /// does; does nothing to the others.
    pub fn step(&self, ms: i64) {
        if let Kind::Hand(at, stepped) = &*self.0 {
            at.fetch_add(ms, Ordering::SeqCst);
            stepped.fetch_add(ms, Ordering::SeqCst);
        }
    }

    /// Milliseconds since the machine was started, its sleep included, which nobody can set; stands
    /// still where the clock is not the machine's.
    pub fn since_boot(&self) -> i64 {
        match &*self.0 {
            Kind::Machine => since_boot(),
            Kind::Fast { .. } | Kind::Hand(..) => 0,
        }
    }

    /// What the clock shows beyond what has passed, in milliseconds; changes only when it is stepped.
    pub fn offset(&self) -> i64 {
        match &*self.0 {
            Kind::Machine => Utc::now().timestamp_millis() - since_boot(),
            Kind::Fast { .. } => 0,
            Kind::Hand(_, stepped) => stepped.load(Ordering::SeqCst),
        }
    }
}

fn since_boot() -> i64 {
    // CLOCK_BOOTTIME goes on while the machine sleeps; where it is missing nothing is noticed.
    nix::time::clock_gettime(nix::time::ClockId::CLOCK_BOOTTIME)
        .map_or(0, |t| t.tv_sec() * 1000 + t.tv_nsec() / 1_000_000)
}
