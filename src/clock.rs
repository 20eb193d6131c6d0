//! The only place that asks the machine for the time.

use std::{
    sync::{
        Arc,
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
        started: Instant,
        speed: f64,
    },
    Hand(AtomicI64),
}

impl Clock {
    /// The machine's clock.
    pub fn machine() -> Self {
        Self(Arc::new(Kind::Machine))
    }

    /// Starts now at `from` and runs `speed` times as fast as the machine's.
    pub fn fast(from: Stamp, speed: f64) -> Self {
        Self(Arc::new(Kind::Fast {
            from,
            started: Instant::now(),
            speed,
        }))
    }

    /// Stands still until [`Clock::set`] moves it.
    pub fn hand(at: Stamp) -> Self {
        Self(Arc::new(Kind::Hand(AtomicI64::new(at.0))))
    }

    /// The present.
    pub fn now(&self) -> Stamp {
        match &*self.0 {
            Kind::Machine => Utc::now().into(),
            Kind::Fast {
                from,
                started,
                speed,
            } => from.plus((started.elapsed().as_secs_f64() * speed * 1000.0) as i64),
            Kind::Hand(at) => Stamp(at.load(Ordering::SeqCst)),
        }
    }

    /// How many times faster than the machine's clock this one runs.
    pub fn speed(&self) -> f64 {
        match &*self.0 {
            Kind::Fast { speed, .. } => *speed,
            Kind::Machine | Kind::Hand(_) => 1.0,
        }
    }

    /// Moves a clock made by [`Clock::hand`]; does nothing to the others.
    pub fn set(&self, to: Stamp) {
        if let Kind::Hand(at) = &*self.0 {
            at.store(to.0, Ordering::SeqCst);
        }
    }
}
