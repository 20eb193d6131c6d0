//! What is known now, for programs.

use std::sync::Arc;

use axum::{
    Json,
    extract::State,
    http::StatusCode,
    response::{IntoResponse, Response},
};
use serde_json::{Value, json};

use super::{Site, view};
use crate::{
    climate::{Air, Celsius, RelativeHumidity},
    engine::Status,
    problem::Problem,
    watch::{SensorNow, Standing},
};

/// `GET /api/status`: rooms, sensors, the newest values and the alerts that are not normal.
pub async fn status(State(site): State<Site>) -> Json<Value> {
    let status: Arc<Status> = site.status.borrow().clone();
    let sensors: Vec<Value> = status.sensors.iter().map(sensor).collect();
    let rooms: Vec<Value> = status
        .settings
        .rooms
        .iter()
        .map(|room| {
            let air = view::room_air(&status, &room.name);
            let band = room.in_force().band;
            json!({
                "name": room.name,
                "stage": room.stage,
                "temperature_c": air.temperature,
                "humidity_pct": air.humidity,
                "dew_point_c": air.dew_point(),
                "band": {
                    "temperature_c": [band.low_c, band.high_c],
                    "humidity_pct": [band.low_pct, band.high_pct],
                },
            })
        })
        .collect();
    Json(json!({
        "at": status.at.to_rfc3339(),
        "site": site.name,
        "version": status.version,
        "rooms": rooms,
        "sensors": sensors,
        "alerts": status.alerts.iter().map(alert).collect::<Vec<_>>(),
        "store_fault": status.store_fault,
    }))
}

/// `GET /api/alerts`: every alert that is not normal, the most urgent first.
pub async fn alerts(State(site): State<Site>) -> Json<Value> {
    let status = site.status.borrow().clone();
    Json(status.alerts.iter().map(alert).collect())
}

/// `GET /readyz`: whether readings can be stored.
pub async fn ready(State(site): State<Site>) -> Response {
    let still = view::stands_still(&site).then(|| "the recorder stands still".to_owned());
    let fault = site.status.borrow().store_fault.clone();
    match fault.or(still) {
        None => "ready\n".into_response(),
        Some(fault) => Problem::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "/problems/unavailable",
            "Not ready",
            fault,
        )
        .into_response(),
    }
}

fn alert(a: &Standing) -> Value {
    json!({
        "occurrence": a.occurrence,
        "room": a.room,
        "subject": a.occurrence.subject,
        "kind": a.occurrence.kind,
        "priority": a.priority,
        "state": a.state,
        "active": a.active,
        "shelved_until": a.shelf.as_ref().map(|s| s.until.to_rfc3339()),
        "raised_at": a.occurrence.raised_at.to_rfc3339(),
        "since": a.since.to_rfc3339(),
        "figures": a.figures,
    })
}

fn sensor(s: &SensorNow) -> Value {
    let (t, rh) = s.together();
    let dew_point = t.zip(rh).and_then(|(t, rh)| {
        let air = Air::new(Celsius::new(t).ok()?, RelativeHumidity::new(rh).ok()?);
        Some(air.dew_point().degrees())
    });
    let measured_at = s.temperature.map(|t| t.0).max(s.humidity.map(|h| h.0));
    json!({
        "name": s.settings.name,
        "room": s.settings.room,
        "role": s.settings.role,
        "measured_at": measured_at.map(crate::watch::Stamp::to_rfc3339),
        "heard_at": s.heard_at.map(crate::watch::Stamp::to_rfc3339),
        "silent": s.silent,
        "temperature_c": t,
        "humidity_pct": rh,
        "dew_point_c": dew_point,
        // What it says itself, where that is corrected.
        "said": {
            "temperature_c": s.said.temperature,
            "humidity_pct": s.said.humidity,
        },
        "battery_pct": s.battery_pct,
    })
}
