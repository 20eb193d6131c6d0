//! Rooms with their limits and the sensors in them, checked one by one and together.

use chrono::NaiveDate;
use toml::Spanned;

use super::{
    Reader, quantity,
    text::{AccuracyText, EquipmentText, RoomText, RungsText, SensorText, StageText},
};
use crate::{
    climate::{trend::HORIZON_H, tuber::SensorError},
    watch::{
        Arrives, Band, Equipment, Kind, Limits, Priority, Role, RoomSettings, SensorId,
        SensorSettings, Stage, Step, Swings, limits::Rungs, reading::MINUTE_MS,
    },
};

type Parse = fn(&str) -> Result<f64, String>;

/// How the rungs of a section are written.
struct Ladder {
    name: &'static str,
    limit: Parse,
    gap: Parse,
    /// Less is worse.
    falling: bool,
    /// What is computed may be left unwatched; what is measured may not.
    may_be_off: bool,
}

impl Ladder {
    const MOULD_AHEAD: Self = Self {
        name: "mould-ahead",
        limit: quantity::days,
        gap: quantity::days,
        falling: true,
        may_be_off: true,
    };

    fn of(kind: Kind) -> Self {
        use quantity::{degree_days, difference, hours, mould_index, percent, temperature};
        let (limit, gap): (Parse, Parse) = match kind {
            Kind::DryOut | Kind::RotRisk | Kind::Battery | Kind::Shrink => (percent, percent),
            Kind::Sweating | Kind::Thaw => (difference, difference),
            Kind::FrostAhead => (ahead, hours),
            Kind::Mould => (mould_index, mould_index),
            Kind::Waking => (degree_days, degree_days),
            _ => (temperature, difference),
        };
        Self {
            // The word of the kind names a stage already.
            name: if kind == Kind::Waking {
                "warmth"
            } else {
                kind.as_str()
            },
            limit,
            gap,
            falling: matches!(
                kind,
                Kind::Frost
                    | Kind::Cold
                    | Kind::DryOut
                    | Kind::Sweating
                    | Kind::Battery
                    | Kind::FrostAhead
            ),
            may_be_off: matches!(
                kind,
                Kind::FrostAhead | Kind::Thaw | Kind::Shrink | Kind::Mould | Kind::Waking
            ),
        }
    }
}

/// How far ahead a trend is looked along, in hours.
fn ahead(text: &str) -> Result<f64, String> {
    let hours = quantity::hours(text)?;
    if 0.0 < hours && hours <= HORIZON_H {
        Ok(hours)
    } else {
        Err(format!(
            "`{text}`: the air is forecast for up to {HORIZON_H} hours; write `{HORIZON_H}h` or less"
        ))
    }
}

impl Reader<'_> {
    pub(super) fn rooms(&mut self, texts: Vec<RoomText>) -> Vec<RoomSettings> {
        let mut rooms: Vec<RoomSettings> = Vec::new();
        for text in texts {
            let name = text.name.get_ref().trim().to_owned();
            if name.is_empty() || 60 < name.chars().count() || name.chars().any(char::is_control) {
                self.fault(&text.name.span(), "a room's name has 1 to 60 characters");
                continue;
            }
            if rooms.iter().any(|r| r.name == name) {
                self.fault(
                    &text.name.span(),
                    format!("there are two rooms `{name}`; rename one"),
                );
                continue;
            }
            let limits = self.limits(&text);
            let stage = text.stage.as_ref().and_then(|stage| {
                self.spanned(stage, |s| {
                    Stage::parse(s).ok_or_else(|| {
                        format!("`{s}`: a stage is curing, storing, waking or empty")
                    })
                })
            });
            let mut stages = Vec::new();
            for (stage, given) in [(Stage::Curing, &text.curing), (Stage::Waking, &text.waking)] {
                if let Some(given) = given {
                    stages.push((stage, self.stage(&text, stage, given, &limits)));
                }
            }
            let equipment = text.equipment.as_ref();
            let equipment = equipment.map(|e| self.equipment(e)).unwrap_or_default();
            rooms.push(RoomSettings {
                equipment,
                name,
                limits,
                stage: stage.unwrap_or_default(),
                stages,
            });
        }
        rooms
    }

    fn equipment(&mut self, text: &EquipmentText) -> Equipment {
        let mut read = |given: &Option<Spanned<String>>, parse: fn(&str) -> Result<f64, String>| {
            given.as_ref().and_then(|g| self.spanned(g, parse))
        };
        let equipment = Equipment {
            volume_m3: read(&text.volume, quantity::volume_m3),
            leak_per_h: text.leak.as_ref().map(|l| *l.get_ref()),
            vent_m3_h: read(&text.vent, quantity::flow_m3_h),
            humidifier_g_h: read(&text.humidifier, quantity::water_g_h),
            heater_w: read(&text.heater, quantity::power_w),
            packing_kg: read(&text.packing, quantity::weight_kg),
            tubers_kg: read(&text.tubers, quantity::weight_kg),
        };
        if let Some(leak) = &text.leak
            && !(0.01..=20.0).contains(leak.get_ref())
        {
            let what = "`leak` is air changes an hour with everything shut, 0.01 to 20, such as 0.3; leave it out where it is not known";
            self.fault(&leak.span(), what);
        }
        equipment
    }

    fn band(
        &mut self,
        temperature: Option<&Spanned<[String; 2]>>,
        humidity: Option<&Spanned<[String; 2]>>,
        mut band: Band,
    ) -> Band {
        if let Some(pair) = temperature
            && let Some((low, high)) = self.pair(pair, quantity::temperature)
        {
            (band.low_c, band.high_c) = (low, high);
        }
        if let Some(pair) = humidity
            && let Some((low, high)) = self.pair(pair, quantity::percent)
        {
            (band.low_pct, band.high_pct) = (low, high);
        }
        band
    }

    /// The limits of another stage: its defaults, moved with its band, and what is said beside it.
    fn stage(
        &mut self,
        room: &RoomText,
        stage: Stage,
        text: &StageText,
        storing: &Limits,
    ) -> Limits {
        let mut limits = Limits::of_stage(stage, storing);
        let (temperature, humidity) = (text.temperature.as_ref(), text.humidity.as_ref());
        limits.band = self.band(temperature, humidity, limits.band);
        let band = limits.band;
        for (rungs, edge) in [
            (&mut limits.cold, band.low_c),
            (&mut limits.warm, band.high_c),
            (&mut limits.dry_out, band.low_pct),
            (&mut limits.rot_risk, band.high_pct),
        ] {
            let by = rungs.steps.first().map_or(0.0, |s| edge - s.limit);
            rungs.steps.iter_mut().for_each(|s| s.limit += by);
        }
        self.adjust(
            &mut limits,
            [
                (Kind::Frost, &text.frost),
                (Kind::Cold, &text.cold),
                (Kind::Warm, &text.warm),
                (Kind::DryOut, &text.dry_out),
                (Kind::RotRisk, &text.rot_risk),
                (Kind::Sweating, &text.sweating),
            ],
        );
        self.together(room, &limits);
        limits
    }

    fn pair(
        &mut self,
        pair: &Spanned<[String; 2]>,
        parse: impl Fn(&str) -> Result<f64, String>,
    ) -> Option<(f64, f64)> {
        let [low, high] = pair.get_ref();
        let both = parse(low).and_then(|l| parse(high).map(|h| (l, h)));
        let (l, h) = self.take(pair.span(), both)?;
        if l < h {
            return Some((l, h));
        }
        self.fault(
            &pair.span(),
            format!("`{low}` is not below `{high}`; give the low end first"),
        );
        None
    }

    fn limits(&mut self, text: &RoomText) -> Limits {
        let (temperature, humidity) = (text.temperature.as_ref(), text.humidity.as_ref());
        let band = self.band(temperature, humidity, Band::default());
        let mut limits = Limits::storing(band);
        if let Some(given) = &text.swinging
            && let Some(outside_ms) = self.spanned(&given.get_ref().outside, quantity::duration_ms)
        {
            let pieces = given.get_ref().pieces;
            if pieces < 2 {
                self.fault(
                    &given.span(),
                    "a room that swings does so at least twice a day",
                );
            }
            limits.swings = Some(Swings { outside_ms, pieces });
        }
        self.adjust(
            &mut limits,
            [
                (Kind::Frost, &text.frost),
                (Kind::Cold, &text.cold),
                (Kind::Warm, &text.warm),
                (Kind::DryOut, &text.dry_out),
                (Kind::RotRisk, &text.rot_risk),
                (Kind::Sweating, &text.sweating),
                (Kind::Battery, &text.battery),
                (Kind::FrostAhead, &text.frost_ahead),
                (Kind::Thaw, &text.thaw),
                (Kind::Shrink, &text.shrink),
                (Kind::Mould, &text.mould),
                (Kind::Waking, &text.warmth),
            ],
        );
        // The second ladders of computed kinds.
        for (given, ladder, rungs) in [
            (
                &text.frost_ahead_below,
                Ladder {
                    name: "frost-ahead-below",
                    ..Ladder::of(Kind::FrostAhead)
                },
                &mut limits.frost_ahead_below,
            ),
            (
                &text.shrink_weighed,
                Ladder {
                    name: "shrink-weighed",
                    ..Ladder::of(Kind::Shrink)
                },
                &mut limits.shrink_weighed,
            ),
            (
                &text.mould_ahead,
                Ladder::MOULD_AHEAD,
                &mut limits.mould_ahead,
            ),
        ] {
            if let Some(given) = given {
                self.rungs(&ladder, given, rungs);
            }
        }
        // One word for both ladders of a kind, unless the second has words of its own.
        for (first, second, rungs) in [
            (
                &text.frost_ahead,
                &text.frost_ahead_below,
                &mut limits.frost_ahead_below,
            ),
            (
                &text.shrink,
                &text.shrink_weighed,
                &mut limits.shrink_weighed,
            ),
            (&text.mould, &text.mould_ahead, &mut limits.mould_ahead),
        ] {
            let watched = first.as_ref().and_then(|f| f.watched.as_ref());
            if second.is_none() && watched.is_some_and(|w| !w.get_ref()) {
                rungs.steps.clear();
            }
        }
        self.together(text, &limits);
        limits
    }

    fn adjust<const N: usize>(
        &mut self,
        limits: &mut Limits,
        given: [(Kind, &Option<RungsText>); N],
    ) {
        for (kind, given) in given {
            if let (Some(given), Some(rungs)) = (given, limits.rungs_mut(kind)) {
                self.rungs(&Ladder::of(kind), given, rungs);
            }
        }
    }

    fn rungs(&mut self, ladder: &Ladder, given: &RungsText, rungs: &mut Rungs) {
        let Ladder {
            name, limit, gap, ..
        } = *ladder;
        if let Some(watched) = &given.watched
            && !watched.get_ref()
        {
            if !ladder.may_be_off {
                let what = format!(
                    "{name} is always watched; take `watched` out, and widen its steps where they are too strict"
                );
                self.fault(&watched.span(), what);
            } else if given.steps.is_some() {
                let what = format!("{name} is not watched but has steps; take one of the two out");
                self.fault(&watched.span(), what);
            }
            rungs.steps.clear();
            return;
        }
        if let Some(text) = &given.deadband
            && let Some(deadband) = self.spanned(text, gap)
        {
            rungs.deadband = deadband;
            if deadband < 0.0 {
                self.fault(&text.span(), "a deadband is not below 0");
            }
        }
        if let Some(text) = &given.off_delay
            && let Some(ms) = self.spanned(text, quantity::duration_ms)
        {
            rungs.off_delay_ms = ms;
        }
        let Some(steps) = &given.steps else { return };
        let span = steps.span();
        let steps = steps.get_ref();
        let mut taken: Vec<Step> = Vec::new();
        for step in steps {
            let text = step.get_ref();
            let priority = self.spanned(&text.priority, |p| {
                Priority::parse(p).ok_or_else(|| format!("`{p}`: use low, medium or high"))
            });
            let (Some(limit), Some(delay_ms), Some(priority)) = (
                self.spanned(&text.beyond, limit),
                self.spanned(&text.r#for, quantity::duration_ms),
                priority,
            ) else {
                continue;
            };
            if let Some(last) = taken.last() {
                let worse = if ladder.falling {
                    limit <= last.limit
                } else {
                    last.limit <= limit
                };
                if !worse || priority < last.priority {
                    let what = format!(
                        "this step of {name} is milder than the one before it; the mildest comes first"
                    );
                    self.fault(&step.span(), what);
                }
            }
            taken.push(Step {
                limit,
                delay_ms,
                priority,
            });
        }
        if steps.is_empty() {
            let off = if ladder.may_be_off {
                ", or write `watched = false`"
            } else {
                ""
            };
            let what = format!("{name} has no step; leave `steps` out for the default{off}");
            self.fault(&span, what);
        } else if 9 < steps.len() {
            self.fault(&steps[9].span(), format!("{name} has more than nine steps"));
        }
        rungs.steps = taken;
    }

    /// Limits that contradict each other.
    fn together(&mut self, text: &RoomText, limits: &Limits) {
        let at = text.name.span();
        let room = text.name.get_ref();
        let first = |r: &Rungs| r.steps.first().map(|s| s.limit);
        let pairs = [
            (first(&limits.frost), first(&limits.cold), "frost", "cold"),
            (first(&limits.cold), first(&limits.warm), "cold", "warm"),
            (
                first(&limits.dry_out),
                first(&limits.rot_risk),
                "dry-out",
                "rot-risk",
            ),
        ];
        for (low, high, below, above) in pairs {
            if let (Some(low), Some(high)) = (low, high)
                && high <= low
            {
                let what = format!(
                    "room `{room}`: the {below} limit is not below the {above} limit; correct one of them"
                );
                self.fault(&at, what);
            }
        }
        // What can never be inside both limits by the deadband would never end.
        let ends = [
            (&limits.cold, &limits.warm, "cold and warm"),
            (&limits.dry_out, &limits.rot_risk, "dry-out and rot-risk"),
        ];
        for (low, high, which) in ends {
            if let (Some(l), Some(h)) = (first(low), first(high))
                && h < l + low.deadband.max(high.deadband)
            {
                let what = format!(
                    "room `{room}`: {which} lie closer together than their deadband, so an alert could not end; widen the band"
                );
                self.fault(&at, what);
            }
        }
    }

    // ---- sensors ----

    pub(super) fn sensors(
        &mut self,
        texts: Vec<SensorText>,
        rooms: &[RoomSettings],
    ) -> Vec<SensorSettings> {
        let mut sensors: Vec<SensorSettings> = Vec::new();
        for text in texts {
            let name = self.name(&text.name);
            let room = text.room.get_ref().clone();
            if self.rooms_known && !rooms.iter().any(|r| r.name == room) {
                let known: Vec<_> = rooms.iter().map(|r| format!("`{}`", r.name)).collect();
                let known = if known.is_empty() {
                    "none".to_owned()
                } else {
                    known.join(", ")
                };
                let what = format!("there is no room `{room}`; rooms are {known}");
                self.fault(&text.room.span(), what);
            }
            let arrives = text.arrives.unwrap_or(Arrives::Live);
            let interval_ms = self.spanned(&text.interval, quantity::duration_ms);
            if let Some(ms) = interval_ms {
                let span = text.interval.span();
                if ms < 1000 {
                    self.fault(&span, "an interval is at least `1s`");
                } else if arrives == Arrives::Live && 30 * MINUTE_MS <= ms {
                    self.fault(&span, "a live sensor is heard at least twice an hour: measure every 10 minutes, or set `arrives = \"batches\"`");
                } else if arrives == Arrives::Live && 15 * MINUTE_MS < ms {
                    self.warn(&span, "an interval above 15 minutes notices trouble late; 10 minutes or less is common practice");
                }
            }
            if text.krate.is_some() && *text.role.get_ref() != Role::Crate {
                self.fault(
                    &text.role.span(),
                    "names a crate but its role is not `crate`",
                );
            }
            let near = text.near.as_ref().and_then(|n| self.near(n, &text.role));
            let accuracy = text.accuracy.as_ref().map(|a| self.accuracy(a));
            let checked = text.checked.as_ref().and_then(|day| {
                self.spanned(day, |text| {
                    text.parse::<NaiveDate>()
                        .map_err(|_| format!("`{text}` is no day, such as \"2026-10-01\""))
                })
            });
            let elsewhere = |s: &SensorSettings| {
                s.room != room && s.crate_code.is_some() && s.crate_code == text.krate
            };
            if let Some(other) = sensors.iter().find(|s| elsewhere(s)) {
                let what = format!(
                    "is in the same crate as `{}`, which stands in `{}`; a crate stands in one room",
                    other.name, other.room
                );
                self.fault(&text.room.span(), what);
            }
            let (Some(name), Some(interval_ms)) = (name, interval_ms) else {
                continue;
            };
            if sensors.iter().any(|s| s.name == name) {
                self.fault(
                    &text.name.span(),
                    format!("there are two sensors `{name}`; rename one"),
                );
                continue;
            }
            sensors.push(SensorSettings {
                near,
                accuracy,
                checked,
                id: SensorId(0),
                name,
                room,
                role: *text.role.get_ref(),
                crate_code: text.krate,
                interval_ms,
                arrives,
            });
        }
        sensors
    }

    /// How the places begin that an air sensor speaks for.
    fn near(&mut self, text: &Spanned<String>, role: &Spanned<Role>) -> Option<String> {
        let near = text.get_ref().trim().to_owned();
        if *role.get_ref() != Role::Air {
            let what = "says which places it is near but its role is not `air`; take `near` out, or name the crate of a probe with `crate`";
            self.fault(&text.span(), what);
        }
        if near.is_empty() || 80 < near.chars().count() || near.chars().any(char::is_control) {
            let what = "`near` has 1 to 80 characters, the beginning of places on the crate list, such as \"north wall\"";
            self.fault(&text.span(), what);
            return None;
        }
        Some(near)
    }

    /// Kelvin and points of humidity; what is not said is as common sensors have it.
    fn accuracy(&mut self, text: &AccuracyText) -> (f64, f64) {
        let usual = SensorError::default();
        // Of either sign and larger than nothing; beyond the upper end it is no measurement.
        let within = |value: f64, most: f64, said: &str| {
            let sane = 0.0 < value && value <= most;
            sane.then_some(value).ok_or_else(|| {
                format!("no sensor is off by `{said}`; write what its data sheet says, such as `0.5F` and `3%`, or leave it out")
            })
        };
        let kelvin = |t: &str| quantity::difference(t).and_then(|k| within(k, 5.0, t));
        let points = |h: &str| quantity::percent(h).and_then(|p| within(p, 20.0, h));
        let temperature = text.temperature.as_ref();
        let temperature = temperature.and_then(|t| self.spanned(t, kelvin));
        let humidity = text.humidity.as_ref();
        let humidity = humidity.and_then(|h| self.spanned(h, points));
        (
            temperature.unwrap_or(usual.temperature_k),
            humidity.unwrap_or(usual.humidity_pct),
        )
    }
}
