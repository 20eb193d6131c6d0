//! The sections of the configuration as they are written, before anything is checked.

use std::path::PathBuf;

use serde::Deserialize;
use toml::Spanned;

use crate::{
    climate::Unit,
    watch::{Arrives, Role},
};

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SiteText {
    pub(super) name: Option<String>,
    pub(super) time_zone: Option<Spanned<String>>,
    pub(super) units: Option<Spanned<String>>,
    pub(super) database: Option<PathBuf>,
    pub(super) listen: Option<Spanned<String>>,
    pub(super) address: Option<Spanned<String>>,
    #[serde(default)]
    pub(super) names: Vec<Spanned<String>>,
    pub(super) tls_certificate: Option<Spanned<PathBuf>>,
    pub(super) tls_key: Option<Spanned<PathBuf>>,
    pub(super) plain_http: Option<Spanned<bool>>,
    pub(super) planting: Option<Spanned<String>>,
    pub(super) altitude: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RoomText {
    pub(super) name: Spanned<String>,
    pub(super) temperature: Option<Spanned<[String; 2]>>,
    pub(super) humidity: Option<Spanned<[String; 2]>>,
    pub(super) frost: Option<RungsText>,
    pub(super) cold: Option<RungsText>,
    pub(super) warm: Option<RungsText>,
    #[serde(rename = "dry-out")]
    pub(super) dry_out: Option<RungsText>,
    #[serde(rename = "rot-risk")]
    pub(super) rot_risk: Option<RungsText>,
    pub(super) sweating: Option<RungsText>,
    pub(super) battery: Option<RungsText>,
    #[serde(rename = "frost-ahead")]
    pub(super) frost_ahead: Option<RungsText>,
    #[serde(rename = "frost-ahead-below")]
    pub(super) frost_ahead_below: Option<RungsText>,
    pub(super) thaw: Option<RungsText>,
    pub(super) shrink: Option<RungsText>,
    #[serde(rename = "shrink-weighed")]
    pub(super) shrink_weighed: Option<RungsText>,
    #[serde(rename = "mould-ahead")]
    pub(super) mould_ahead: Option<RungsText>,
    pub(super) mould: Option<RungsText>,
    // `waking` is a stage of the room.
    pub(super) warmth: Option<RungsText>,
    pub(super) swinging: Option<Spanned<SwingText>>,
    pub(super) stage: Option<Spanned<String>>,
    pub(super) curing: Option<StageText>,
    pub(super) waking: Option<StageText>,
    pub(super) equipment: Option<EquipmentText>,
}

/// A room's size and what can change its air.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct EquipmentText {
    pub(super) volume: Option<Spanned<String>>,
    pub(super) leak: Option<Spanned<f64>>,
    pub(super) vent: Option<Spanned<String>>,
    pub(super) humidifier: Option<Spanned<String>>,
    pub(super) heater: Option<Spanned<String>>,
    pub(super) packing: Option<Spanned<String>>,
    pub(super) tubers: Option<Spanned<String>>,
}

/// What a room may say about another stage than storing.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct StageText {
    pub(super) temperature: Option<Spanned<[String; 2]>>,
    pub(super) humidity: Option<Spanned<[String; 2]>>,
    pub(super) frost: Option<RungsText>,
    pub(super) cold: Option<RungsText>,
    pub(super) warm: Option<RungsText>,
    #[serde(rename = "dry-out")]
    pub(super) dry_out: Option<RungsText>,
    #[serde(rename = "rot-risk")]
    pub(super) rot_risk: Option<RungsText>,
    pub(super) sweating: Option<RungsText>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SwingText {
    pub(super) outside: Spanned<String>,
    pub(super) pieces: u32,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct AlertsText {
    pub(super) longest_shelf: Option<Spanned<String>>,
    pub(super) again_after: Option<Spanned<String>>,
    pub(super) repeat_every: Option<Spanned<String>>,
    pub(super) summary_at: Option<Spanned<String>>,
    pub(super) remind_at: Option<Spanned<String>>,
    pub(super) feed_token_sha256: Option<Spanned<String>>,
    pub(super) heartbeat: Option<Spanned<String>>,
    pub(super) heartbeat_every: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ContactText {
    pub(super) name: Spanned<String>,
    pub(super) channels: Spanned<Vec<Spanned<String>>>,
    pub(super) hears: Option<Spanned<String>>,
    pub(super) after: Option<Spanned<String>>,
    pub(super) quiet: Option<Spanned<OneOrMore>>,
    pub(super) summary: Option<bool>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RungsText {
    pub(super) steps: Option<Spanned<Vec<Spanned<StepText>>>>,
    pub(super) deadband: Option<Spanned<String>>,
    pub(super) off_delay: Option<Spanned<String>>,
    pub(super) watched: Option<Spanned<bool>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct StepText {
    pub(super) beyond: Spanned<String>,
    pub(super) r#for: Spanned<String>,
    pub(super) priority: Spanned<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SensorText {
    pub(super) name: Spanned<String>,
    pub(super) room: Spanned<String>,
    pub(super) role: Spanned<Role>,
    pub(super) interval: Spanned<String>,
    pub(super) arrives: Option<Arrives>,
    #[serde(rename = "crate")]
    pub(super) krate: Option<String>,
    pub(super) near: Option<Spanned<String>>,
    pub(super) accuracy: Option<AccuracyText>,
    pub(super) checked: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct AccuracyText {
    pub(super) temperature: Option<Spanned<String>>,
    pub(super) humidity: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ColumnsText {
    pub(super) measured_at: Option<String>,
    pub(super) received_at: Option<String>,
    pub(super) sensor: Option<String>,
    pub(super) temperature_c: Option<String>,
    pub(super) temperature_f: Option<String>,
    pub(super) humidity_pct: Option<String>,
    pub(super) battery_pct: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FileText {
    pub(super) name: Spanned<String>,
    pub(super) path: PathBuf,
    pub(super) format: Option<Spanned<String>>,
    pub(super) poll: Option<Spanned<String>>,
    pub(super) sensor: Option<Spanned<String>>,
    pub(super) columns: Option<ColumnsText>,
    pub(super) time_format: Option<String>,
    pub(super) utc_offset: Option<Spanned<String>>,
    pub(super) time_zone: Option<Spanned<String>>,
    pub(super) delimiter: Option<Spanned<String>>,
    pub(super) decimal_comma: Option<bool>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct HttpText {
    pub(super) name: Spanned<String>,
    pub(super) token_sha256: Spanned<String>,
    pub(super) sensors: Option<Vec<Spanned<String>>>,
    pub(super) sensor: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SerialText {
    pub(super) name: Spanned<String>,
    pub(super) port: String,
    pub(super) baud: Option<u32>,
    pub(super) sensor: Option<Spanned<String>>,
    pub(super) unit: Option<Unit>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct EmailText {
    pub(super) name: Spanned<String>,
    pub(super) to: Spanned<OneOrMore>,
    pub(super) from: Spanned<String>,
    pub(super) server: Spanned<String>,
    pub(super) port: Option<Spanned<u16>>,
    pub(super) security: Option<Spanned<String>>,
    pub(super) unencrypted: Option<bool>,
    pub(super) user: Option<Spanned<String>>,
    pub(super) password_file: Option<Spanned<PathBuf>>,
    pub(super) password_env: Option<Spanned<String>>,
    pub(super) ca_file: Option<Spanned<PathBuf>>,
}

/// `"a"` or `["a", "b"]`.
#[derive(Deserialize)]
#[serde(untagged, expecting = "expected a text or a list of texts")]
pub(super) enum OneOrMore {
    One(String),
    More(Vec<String>),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WebhookText {
    pub(super) name: Spanned<String>,
    pub(super) url: Spanned<String>,
    pub(super) secret_file: Option<Spanned<PathBuf>>,
    pub(super) secret_env: Option<Spanned<String>>,
    pub(super) ca_file: Option<Spanned<PathBuf>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct CommandText {
    pub(super) name: Spanned<String>,
    pub(super) run: Spanned<Vec<String>>,
    pub(super) time_limit: Option<Spanned<String>>,
}
