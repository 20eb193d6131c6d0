//! What people found sensors to be off by, as it stands in the log.

use super::{Store, StoreError};
use crate::watch::{
    Act, Correction, SensorId, SensorName, Stamp,
    correction::{Offsets, offsets},
};

impl Store {
    /// Every correction that was ever entered, in that order; those that were replaced or taken back too.
    pub async fn corrections(&self) -> Result<Vec<Correction>, StoreError> {
        let rows =
            sqlx::query!("select at, who, body from act where kind = 'corrected' order by seq")
                .fetch_all(&self.read)
                .await?;
        let mut all = Vec::with_capacity(rows.len());
        for row in rows {
            let act = Act::parse("corrected", &row.body)
                .map_err(|e| StoreError::Packed(format!("an act: {e}")))?;
            if let Act::Corrected(corrected) = act {
                all.push(Correction {
                    sensor: corrected.sensor,
                    from: corrected.from,
                    temperature_mk: corrected.temperature_mk,
                    humidity_mpct: corrected.humidity_mpct,
                    why: corrected.why,
                    who: row.who,
                    entered_at: Stamp(row.at),
                });
            }
        }
        Ok(all)
    }

    /// What one sensor was found to be off by.
    pub(super) async fn offsets(&self, sensor: SensorId) -> Result<Offsets, StoreError> {
        let corrections = self.corrections().await?;
        if corrections.is_empty() {
            return Ok(Offsets::default());
        }
        let name = sqlx::query_scalar!("select name from sensor where sensor_id = ?1", sensor.0)
            .fetch_optional(&self.read)
            .await?;
        let name = name.and_then(|name| SensorName::new(&name).ok());
        let own = name.and_then(|name| offsets(&corrections).remove(&name));
        Ok(own.unwrap_or_default())
    }
}
