//! Readings in their order of arrival, packed for the rebuild at start (about 12 bytes each).

use serde::{Deserialize, Serialize};

use super::StoreError;
use crate::watch::{Reading, SensorId, Stamp, Values};

/// First byte of every body; a body with another one is rebuilt from the readings.
const FORMAT: u8 = 1;

/// One reading as differences from the one before, so that most fields take one or two bytes.
#[derive(Serialize, Deserialize)]
struct Row {
    seq_step: u64,
    received_step: i64,
    sensor: u32,
    /// How long it was on its way.
    lag: i64,
    temperature_mc: Option<i32>,
    humidity_mpct: Option<i32>,
    battery_pct: Option<u8>,
}

/// Packs readings that are in order of arrival.
pub fn pack(readings: &[Reading]) -> Vec<u8> {
    let mut body = Vec::with_capacity(1 + readings.len() * 16);
    body.push(FORMAT);
    let (mut seq, mut received) = (0, 0);
    for r in readings {
        let row = Row {
            seq_step: r.seq.wrapping_sub(seq),
            received_step: r.received_at.0.wrapping_sub(received),
            sensor: r.sensor.0,
            lag: r.received_at.0.wrapping_sub(r.measured_at.0),
            temperature_mc: r.values.temperature_mc,
            humidity_mpct: r.values.humidity_mpct,
            battery_pct: r.values.battery_pct,
        };
        (seq, received) = (r.seq, r.received_at.0);
        body = postcard::to_extend(&row, body).expect("plain numbers always encode");
    }
    body
}

/// Unpacks a body, one reading after the other.
pub fn unpack(body: &[u8], mut each: impl FnMut(Reading)) -> Result<(), StoreError> {
    let (format, mut rest) = body
        .split_first()
        .ok_or_else(|| StoreError::Packed("an empty body".to_owned()))?;
    if *format != FORMAT {
        return Err(StoreError::Packed(format!("format {format}")));
    }
    let (mut seq, mut received) = (0u64, 0i64);
    while !rest.is_empty() {
        let (row, after): (Row, _) =
            postcard::take_from_bytes(rest).map_err(|e| StoreError::Packed(e.to_string()))?;
        rest = after;
        seq = seq.wrapping_add(row.seq_step);
        received = received.wrapping_add(row.received_step);
        each(Reading {
            seq,
            sensor: SensorId(row.sensor),
            measured_at: Stamp(received.wrapping_sub(row.lag)),
            received_at: Stamp(received),
            values: Values {
                temperature_mc: row.temperature_mc,
                humidity_mpct: row.humidity_mpct,
                battery_pct: row.battery_pct,
            },
        });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn reading() -> impl Strategy<Value = Reading> {
        (
            any::<u64>(),
            any::<u32>(),
            any::<i64>(),
            any::<i64>(),
            any::<(Option<i32>, Option<i32>, Option<u8>)>(),
        )
            .prop_map(|(seq, sensor, measured, received, (t, rh, b))| Reading {
                seq,
                sensor: SensorId(sensor),
                measured_at: Stamp(measured),
                received_at: Stamp(received),
                values: Values {
                    temperature_mc: t,
                    humidity_mpct: rh,
                    battery_pct: b,
                },
            })
    }

    proptest! {
        #[test]
        fn what_is_packed_comes_out_again(readings in prop::collection::vec(reading(), 0..40)) {
            let mut out = Vec::new();
            unpack(&pack(&readings), |r| out.push(r)).unwrap();
            prop_assert_eq!(out, readings);
        }

        #[test]
        fn any_bytes_end_in_an_error_or_in_readings(body in prop::collection::vec(any::<u8>(), 0..200)) {
            let _ = unpack(&body, |_| ());
        }
    }
}
