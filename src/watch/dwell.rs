//! How long a value has been beyond a limit, counting only the time somebody was looking.

use super::reading::Stamp;

/// Where one value lies against one rule.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Side {
    /// Past the limit.
    Beyond,
    /// Inside the limit, but not by the deadband.
    Between,
    /// Inside the limit by the deadband or more.
    Inside,
}

/// One look at a value.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Look {
    pub measured_at: Stamp,
    pub value: f64,
    /// The limit in force at that look; the mould line moves with temperature.
    pub limit: f64,
    pub side: Side,
    /// The look still speaks for the present when it is heard.
    pub fresh: bool,
}

/// The delays of a rule and how long one reading speaks, in milliseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Delays {
    pub on_ms: i64,
    pub off_ms: i64,
    pub hold_ms: i64,
}

/// One stretch beyond a limit, for the record.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Stretch {
    /// First look beyond the limit.
    pub since: Stamp,
    /// First look of the run that ended it.
    pub until: Option<Stamp>,
    /// Time beyond the limit that was covered by readings.
    pub beyond_ms: i64,
    /// The value furthest beyond.
    pub worst: f64,
    /// The last value.
    pub value: f64,
    /// The last limit.
    pub limit: f64,
}

/// The memory of one rule at one sensor.
///
/// Readings hold until the next one, but no longer than `hold_ms`: a gap in the record stops the
/// count and does not fill it. A late reading counts towards the delay, yet only a fresh one may
/// complete it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Dwell {
    pub active: bool,
    pub stretch: Stretch,
    pending: bool,
    beyond: bool,
    fresh: bool,
    last_at: Stamp,
    run_ms: i64,
    run_since: Stamp,
    /// Looks in this run.
    looks: u8,
}

const NEVER: Stamp = Stamp(i64::MIN);

impl Default for Dwell {
    fn default() -> Self {
        Self {
            active: false,
            stretch: Stretch::default(),
            pending: false,
            beyond: false,
            fresh: false,
            last_at: NEVER,
            run_ms: 0,
            run_since: NEVER,
            looks: 0,
        }
    }
}

impl Dwell {
    /// Takes in one look; true when the rule became active or ended with it.
    #[inline]
    pub(crate) fn look(&mut self, look: &Look, below: bool, delays: Delays) -> bool {
        let at = look.measured_at;
        if at <= self.last_at {
            return false;
        }
        // The common case, a value inside its limits, ends here.
        if look.side != Side::Beyond && !self.active && !self.pending && !self.beyond {
            self.last_at = at;
            return false;
        }
        let held = if self.last_at == NEVER {
            0
        } else {
            at.since(self.last_at).min(delays.hold_ms)
        };
        if self.beyond {
            self.stretch.beyond_ms += held;
        }
        if self.pending {
            self.run_ms += held;
        }
        self.last_at = at;
        self.fresh = look.fresh;
        self.beyond = look.side == Side::Beyond;

        let wanted = if self.active {
            Side::Inside
        } else {
            Side::Beyond
        };
        if look.side != wanted {
            self.pending = false;
            self.run_ms = 0;
        } else if !self.pending {
            self.pending = true;
            self.run_ms = 0;
            self.run_since = at;
            self.looks = 0;
            if !self.active {
                self.stretch = Stretch {
                    since: at,
                    worst: look.value,
                    ..Stretch::default()
                };
            }
        }
        if self.beyond {
            let worst = self.stretch.worst;
            self.stretch.worst = if below {
                worst.min(look.value)
            } else {
                worst.max(look.value)
            };
        }
        self.stretch.value = look.value;
        self.stretch.limit = look.limit;

        self.looks = self.looks.saturating_add(1);
        if self.pending && look.fresh && self.delay(delays) <= self.run_ms {
            self.flip();
            return true;
        }
        false
    }

    /// The instant at which this rule becomes active or ends if nothing more is heard.
    #[inline]
    pub(crate) fn due(&self, delays: Delays) -> Option<Stamp> {
        if !self.pending || !self.fresh {
            return None;
        }
        let left = self.delay(delays) - self.run_ms;
        // Time counts on its own for one interval, and half of one in case the next word is late; then
        // the next look has to say that it still holds. A door that was opened as a sensor looked, and
        // its next word lost, are no frost; when nothing comes at all the silence is told.
        let reach = if self.looks < 2 {
            delays.hold_ms / 3
        } else {
            delays.hold_ms / 2
        };
        (left <= reach).then(|| self.last_at.plus(left))
    }

    /// Crosses the deadline that [`Dwell::due`] named.
    pub(crate) fn flip(&mut self) {
        self.active = !self.active;
        self.pending = false;
        self.run_ms = 0;
        if !self.active {
            self.stretch.until = Some(self.run_since);
        }
    }

    /// The recorder runs again after having been off: what was heard longer ago than a reading speaks
    /// for no longer speaks for the present.
    pub(crate) fn resume(&mut self, at: Stamp, hold_ms: i64) {
        self.fresh &= at.since(self.last_at) <= hold_ms;
    }

    fn delay(&self, delays: Delays) -> i64 {
        if self.active {
            delays.off_ms
        } else {
            delays.on_ms
        }
    }
}
