//! Time for the log: it follows the computer's clock, but neither jumps nor turns back with it.

use crate::{
    clock::Clock,
    watch::{Stamp, act::Started, reading::MINUTE_MS},
};

/// A clock that is set by less is followed without a word.
const STEP_MS: i64 = MINUTE_MS;
/// Between two looks at the clock there is a second; a machine that slept looks after this.
const SLEPT_MS: i64 = 5 * MINUTE_MS;

/// What was last seen of the clock.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pace {
    last: Stamp,
    since_boot: i64,
    offset: i64,
    /// How far the clock is behind the log, in milliseconds.
    behind: i64,
    /// What is left of the halves, so that looks a millisecond apart add up.
    half: i64,
}

impl Pace {
    pub(super) fn new(clock: &Clock, now: Stamp) -> Self {
        Self {
            last: now,
            since_boot: clock.since_boot(),
            offset: clock.offset(),
            behind: 0,
            half: 0,
        }
    }

    /// How far the clock is behind the log, in milliseconds.
    pub(super) fn behind(&self) -> i64 {
        self.behind
    }

    /// The time now, and the gap in which nobody was looking, if there was one.
    ///
    /// A clock that was set forward leaves a gap. One that was set back is caught up with: until then
    /// the log goes on at half the pace, so that every delay is at most doubled and none stands still,
    /// however wrong the date was: times on record are worth less than a frost that is noticed.
    pub(super) fn now(&mut self, clock: &Clock, floor: Stamp) -> (Stamp, Option<Started>) {
        let (wall, since_boot, offset) = (clock.now(), clock.since_boot(), clock.offset());
        let stepped = offset - self.offset;
        let passed = if since_boot == 0 {
            // Not the machine's clock: what it shows, without the step, is what has passed.
            wall.since(self.last) - stepped + self.behind
        } else {
            since_boot - self.since_boot
        }
        .max(0);
        let last = self.last.max(floor);
        let mut at = wall.max(last);
        self.behind = last.since(wall).max(0);
        if 0 < self.behind {
            let halves = passed + self.half;
            at = last.plus(halves / 2);
            self.half = halves % 2;
        }
        self.behind = at.since(wall).max(0);
        let gap = if STEP_MS < stepped && self.last.plus(STEP_MS) < at {
            Some(Started {
                off_from: last.min(at),
                stepped: true,
            })
        } else if SLEPT_MS < since_boot - self.since_boot {
            Some(Started {
                off_from: last,
                stepped: false,
            })
        } else {
            None
        };
        self.last = at;
        self.since_boot = since_boot;
        self.offset = offset;
        (at, gap)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::reading::HOUR_MS;

    #[test]
    fn looks_in_quick_succession_do_not_hold_up_time() {
        let start = Stamp(1_796_083_200_000);
        let clock = Clock::hand(start);
        let mut pace = Pace::new(&clock, start);
        clock.step(-HOUR_MS);
        let back = clock.now();
        let mut at = start;
        for n in 1..=1000 {
            clock.set(back.plus(n));
            at = pace.now(&clock, at).0;
        }
        assert!((499..=501).contains(&at.since(start)), "{at:?}");
    }
}
