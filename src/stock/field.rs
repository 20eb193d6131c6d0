//! From the field to the crate: which steps are done, what the next one waits for, and whether tubers
//! are packed wet or dry out.

use chrono::{DateTime, TimeDelta, Utc};

use super::{due::BARE_DAYS, ledger::Steps};
use crate::climate::{Air, Celsius, RelativeHumidity};

/// Air takes up water from skins worth speaking of from this deficit on, in pascal: what 50 F and 80 %
/// have. Judgement: a store at its target does not dry washed tubers in a day.
const DRYING_PA: f64 = 250.0;
/// Fewer hours of such air than this since the tubers were wet, and they may still be: half of the day
/// that extension services let washed tubers dry. Judgement.
pub const DRYING_HOURS: f64 = 12.0;
/// Washed tubers dry for a day (Iowa State University and University of Minnesota Extension).
pub const WASHED_HOURS: f64 = 24.0;
/// Cut surfaces want a few hours at least (a dahlia society); the number is our choice.
pub const CUTS_HOURS: f64 = 4.0;

/// Where a crate is on its way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum At {
    /// Lifted, with soil on.
    ToClean,
    /// Free of soil, drying.
    Drying,
    /// Dry to the hand.
    ToPack,
    /// In its packing.
    Packed,
}

/// Where a crate is by the steps that were noted.
pub fn at(steps: &Steps, washed: bool) -> At {
    let wet = wetted(steps, washed);
    let since_wet =
        |done: Option<DateTime<Utc>>| done.is_some_and(|done| wet.is_none_or(|wet| wet <= done));
    if steps
        .packed
        .is_some_and(|packed| steps.lifted.is_none_or(|lifted| lifted <= packed))
    {
        At::Packed
    } else if steps.cleaned.is_none() && !since_wet(steps.skins_dry) {
        At::ToClean
    } else if since_wet(steps.skins_dry)
        && (steps.divided.is_none() || steps.divided <= steps.cuts_dry)
    {
        At::ToPack
    } else {
        At::Drying
    }
}

/// When the tubers were last wet: lifted, washed or dipped.
pub fn wetted(steps: &Steps, washed: bool) -> Option<DateTime<Utc>> {
    let washed = steps.cleaned.filter(|_| washed);
    steps.lifted.max(washed).max(steps.dipped)
}

/// The day and hour from which bare tubers are over-dry.
pub fn over_dry(steps: &Steps, washed: bool) -> Option<DateTime<Utc>> {
    let bare = at(steps, washed) != At::Packed;
    let wet = wetted(steps, washed).filter(|_| bare)?;
    wet.checked_add_signed(TimeDelta::minutes((BARE_DAYS * 24.0 * 60.0) as i64))
}

/// Hours of air that dries, from the means of a room over stretches of so many hours, each C and
/// percent. Stretches without a mean are not counted.
pub fn drying_hours(means: impl IntoIterator<Item = (f64, f64)>, hours_each: f64) -> f64 {
    let dries = |(t, rh): &(f64, f64)| {
        let (Ok(t), Ok(rh)) = (Celsius::new(*t), RelativeHumidity::new(*rh)) else {
            return false;
        };
        DRYING_PA <= Air::new(t, rh).vapour_pressure_deficit()
    };
    means.into_iter().filter(dries).count() as f64 * hours_each
}

/// Why tubers may be too wet to be packed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Wet {
    /// Washed so few hours ago.
    Washed(f64),
    /// So few hours of drying air since they were wet.
    Air(f64),
    /// Cut so few hours ago, and nobody said that the cuts are dry.
    Cut(f64),
}

/// Whether tubers may be too wet to be packed now; none where the hand has said that they are dry.
/// `hours` are those of drying air since they were wet, where a sensor tells.
pub fn wet(steps: &Steps, washed: bool, hours: Option<f64>, now: DateTime<Utc>) -> Option<Wet> {
    let ago = |then: DateTime<Utc>| (now - then).num_minutes() as f64 / 60.0;
    let fresh = steps
        .divided
        .filter(|divided| steps.cuts_dry.is_none_or(|dry| dry < *divided))
        .map(ago)
        .filter(|h| *h < CUTS_HOURS);
    if let Some(hours) = fresh {
        return Some(Wet::Cut(hours));
    }
    let wet_at = wetted(steps, washed);
    if steps
        .skins_dry
        .is_some_and(|dry| wet_at.is_none_or(|wet| wet <= dry))
    {
        return None;
    }
    let since_washed = steps.cleaned.filter(|_| washed).max(steps.dipped).map(ago);
    if let Some(hours) = since_washed.filter(|h| *h < WASHED_HOURS) {
        return Some(Wet::Washed(hours));
    }
    wet_at?;
    hours.filter(|h| *h < DRYING_HOURS).map(Wet::Air)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hour(h: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(1_792_400_000 + h * 3600, 0).unwrap()
    }

    fn steps(lifted: i64, cleaned: Option<i64>, dry: Option<i64>) -> Steps {
        Steps {
            lifted: Some(hour(lifted)),
            cleaned: cleaned.map(hour),
            skins_dry: dry.map(hour),
            ..Steps::default()
        }
    }

    #[test]
    fn a_crate_is_where_its_steps_say() {
        let cut = |divided, dry: Option<i64>| Steps {
            divided: Some(hour(divided)),
            cuts_dry: dry.map(hour),
            ..steps(0, Some(4), Some(30))
        };
        let packed = |at| Steps {
            packed: Some(hour(at)),
            ..steps(10, None, None)
        };
        for (steps, washed, want) in [
            (steps(0, None, None), false, At::ToClean),
            (steps(0, Some(4), None), true, At::Drying),
            (steps(0, Some(4), None), false, At::Drying),
            (steps(0, Some(4), Some(30)), true, At::ToPack),
            // Washed after they were said to be dry.
            (steps(0, Some(40), Some(30)), true, At::Drying),
            // Brushed, not washed: they stay as dry as they were.
            (steps(0, Some(40), Some(30)), false, At::ToPack),
            // Dry soil may stay on.
            (steps(0, None, Some(30)), false, At::ToPack),
            (cut(31, None), true, At::Drying),
            (cut(31, Some(36)), true, At::ToPack),
            (packed(20), false, At::Packed),
            // More was lifted into it.
            (packed(5), false, At::ToClean),
            (Steps::default(), false, At::ToClean),
        ] {
            assert_eq!(at(&steps, washed), want, "{steps:?}");
        }
    }

    #[test]
    fn wet_tubers_are_told_before_they_are_packed() {
        let told = |steps: &Steps, washed, hours, now| wet(steps, washed, hours, hour(now));
        let washed = steps(0, Some(4), None);
        assert_eq!(told(&washed, true, Some(20.0), 10), Some(Wet::Washed(6.0)));
        assert_eq!(told(&washed, true, Some(11.5), 29), Some(Wet::Air(11.5)));
        assert_eq!(told(&washed, true, Some(12.0), 29), None);
        // No sensor tells: the day after washing is what is known.
        assert_eq!(told(&washed, true, None, 29), None);
        assert_eq!(told(&washed, false, Some(3.0), 10), Some(Wet::Air(3.0)));
        let dry = steps(0, Some(4), Some(9));
        assert_eq!(told(&dry, true, Some(0.0), 10), None);
        let cut = Steps {
            divided: Some(hour(9)),
            ..dry
        };
        assert_eq!(told(&cut, true, Some(0.0), 10), Some(Wet::Cut(1.0)));
        assert_eq!(told(&cut, true, Some(0.0), 14), None);
        // Taken over from a list: nothing is known of its way.
        assert_eq!(told(&Steps::default(), true, Some(0.0), 10), None);
    }

    #[test]
    fn bare_tubers_are_over_dry_after_three_days() {
        assert_eq!(over_dry(&steps(0, Some(4), None), true), Some(hour(76)));
        assert_eq!(over_dry(&steps(0, Some(4), None), false), Some(hour(72)));
        let packed = Steps {
            packed: Some(hour(50)),
            ..steps(0, None, None)
        };
        assert_eq!(over_dry(&packed, false), None);
        assert_eq!(over_dry(&Steps::default(), false), None);
    }

    #[test]
    fn only_air_that_takes_up_water_dries() {
        // 60 F and 60 % have 0.71 kPa, 40 F and 80 % 0.17, 50 F and 80 % just less than a quarter.
        let air = [
            (15.6, 60.0),
            (4.4, 80.0),
            (10.0, 80.0),
            (10.0, 75.0),
            (f64::NAN, 50.0),
        ];
        assert!((drying_hours(air, 0.5) - 1.0).abs() < 1e-9);
        assert!(drying_hours([], 0.5).abs() < 1e-9);
    }
}
