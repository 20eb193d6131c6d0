//! Which crates of a room something computed is about.

use super::{CrateNow, Models, RoomModel};
use crate::watch::{reading::Stamp, rule::Quantity};

/// Crates with the figures behind them.
#[derive(Debug, Clone, PartialEq, Default)]
pub(in crate::watch) struct Concern {
    /// Codes, the worst first; empty where it is about all of them, or none is listed.
    pub(in crate::watch) crates: Vec<String>,
    /// 90 % around the worst.
    pub(in crate::watch) range: Option<(f64, f64)>,
    /// When the worst will be limp, if before planting.
    pub(in crate::watch) by: Option<Stamp>,
}

impl Models {
    /// The crates for which a quantity is past its limit at `now`.
    pub(in crate::watch) fn concern(
        &self,
        room: &RoomModel,
        quantity: Quantity,
        limit: f64,
        now: Stamp,
    ) -> Concern {
        let dew = self.outdoor_dew_point(now);
        // The further past its limit, the larger.
        let past = |c: &CrateNow<'_>| -> Option<f64> {
            let margin = || c.cohort.margin_k.map(|(_, m)| m);
            match quantity {
                Quantity::CoreMargin => margin().map(|m| limit - m),
                Quantity::Thaw => Some(dew? - c.cohort.core_c? - limit),
                Quantity::Excess => {
                    let loss = c.loss.filter(|l| !l.weighed)?;
                    Some((loss.planting.shrink - loss.at_target) * 100.0 - limit)
                }
                Quantity::Total => {
                    let loss = c.loss.filter(|l| l.weighed)?;
                    Some(loss.planting.shrink * 100.0 - limit)
                }
                Quantity::MouldIndex => Some(c.mould - limit),
                Quantity::MouldDays => Some(limit - c.mould_days?),
                Quantity::Warmth => Some(c.cohort.heat - limit),
                _ => None,
            }
        };
        let all = self.stand_all(room, now);
        let mut about: Vec<(f64, &CrateNow<'_>)> = all
            .iter()
            .filter_map(|c| Some((past(c)?, c)))
            .filter(|(past, _)| 0.0 <= *past)
            .collect();
        about.sort_by(|a, b| b.0.total_cmp(&a.0));
        let worst = about.first().map(|(_, c)| *c);
        let loss = worst.and_then(|c| c.loss);
        let percent = |v: f64| v * 100.0;
        let (range, by) = match (quantity, loss) {
            (Quantity::Excess | Quantity::Total, Some(loss)) => {
                let of = loss.planting;
                let range = (percent(of.low), percent(of.high));
                (Some(range), loss.limp_at)
            }
            _ => (None, None),
        };
        Concern {
            crates: about
                .iter()
                .map(|(_, c)| c.krate.facts.code.clone())
                .filter(|code| !code.is_empty())
                .collect(),
            range,
            by,
        }
    }
}
