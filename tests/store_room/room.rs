//! The room's heat and water: every flow is worked out once and taken from one side as it is given to the other.

use super::{
    Scenario,
    moist::{
        AIR_J_M3K, LATENT, R_VAPOUR, density, lewis, saturation_pa, wood_humidity, wood_water,
    },
    solid::Solid,
};

/// What acts on the room in one step.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Forces {
    /// Outdoor air, C.
    pub(crate) out_t: f64,
    /// Outdoor vapour pressure, Pa.
    pub(crate) out_e: f64,
    /// Ground under the floor, C.
    pub(crate) ground_t: f64,
    /// Air changes per hour through doors and vents, on top of the cracks.
    pub(crate) open_per_h: f64,
    /// Thermostat, C.
    pub(crate) setpoint: f64,
    /// Heater: `None` follows the thermostat, else always on or off.
    pub(crate) heater: Option<bool>,
    /// Does the humidifier work?
    pub(crate) humidifier: bool,
    /// Water poured onto the floor in this step, kg.
    pub(crate) spill_kg: f64,
    /// Water coming through the floor as vapour, kg/s.
    pub(crate) damp_kg_s: f64,
}

/// A surface that water can condense on.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Surface {
    /// Mass transfer, kg/(s Pa).
    exchange: f64,
    area: f64,
    /// Temperature, C.
    pub(crate) t: f64,
    /// Liquid on it, kg.
    pub(crate) water: f64,
    /// All that ever condensed on it, kg.
    pub(crate) condensed: f64,
    /// Heat of condensing, W, in this step.
    latent: f64,
}

impl Surface {
    fn new(area: f64, t: f64) -> Self {
        // 2.5 W/(m2 K): free convection at a surface in a room (building physics practice).
        Self {
            exchange: area * lewis(2.5),
            area,
            t,
            water: 0.0,
            condensed: 0.0,
            latent: 0.0,
        }
    }

    /// Liquid, g/m2.
    pub(crate) fn film_g_m2(&self) -> f64 {
        self.water * 1000.0 / self.area
    }
}

/// Tubers and the packing around them, of all crates of one kind.
#[derive(Clone, Debug)]
pub(crate) struct Fill {
    /// Tubers, kg.
    pub(crate) tubers: f64,
    dry_packing: f64,
    /// Water in the packing, kg/kg.
    pub(crate) water: f64,
    /// To the room's air through slats and packing, kg/(s Pa).
    exchange: f64,
}

/// Places in `Room::surfaces`.
pub(crate) const FREE_WALL: usize = 0;
/// The wall behind the crates.
pub(crate) const WALL: usize = 1;
/// Crates in the middle, and a tuber that lies on top of one.
pub(crate) const MIDDLE: usize = 2;
/// Wall-side surface of the crates that stand against the wall.
pub(crate) const SIDE: usize = 3;

/// Face of a crate to the wall, its other surface and its whole surface, m2; 0.6 x 0.4 x 0.2 m.
const CRATE_FACE: f64 = 0.12;
const CRATE_AREA: f64 = 0.88;
const CRATE_M3: f64 = 0.048;
/// Tubers with shavings, W/(m K) (0.18 to 0.20 is assumed for such beds).
const BED_K: f64 = 0.19;
/// Room air to a crate, a wall, the floor, W/(m2 K), radiation included (ISO 6946 gives 7.7 for a wall;
/// less in a full room).
const H_CRATE: f64 = 5.0;
const H_WALL: f64 = 6.0;
const H_FLOOR: f64 = 4.0;
/// In the gap behind the crates: convection each side, and radiation across.
const H_GAP: f64 = 1.5;
const H_ACROSS: f64 = 4.5;
/// Small things that follow the air, J/K.
const FITTINGS: f64 = 60_000.0;
/// Shelves and slats, kg of wood that takes part, and kg/(s Pa).
const SLATS_KG: f64 = 30.0;
const SLATS_EXCHANGE: f64 = 1.5e-7;
/// A crate's slats and packing, kg/(m2 s Pa): a few centimetres of still air and shavings.
const PACKING_EXCHANGE: f64 = 5e-9;
/// Water activity of a tuber: most produce is in balance with 97-98 %.
const TUBER_ACTIVITY: f64 = 0.98;

/// The state of a store and what it is made of.
#[derive(Clone, Debug)]
pub(crate) struct Room {
    /// Air, C.
    pub(crate) t: f64,
    /// Vapour in the air, kg.
    pub(crate) vapour: f64,
    /// Outer wall from outside to inside: where it is free, and behind the crates.
    pub(crate) walls: [Solid; 2],
    /// From the ground up.
    pub(crate) floor: Solid,
    /// Middle crates from the core out.
    pub(crate) middle: Solid,
    /// Wall crates from the wall to the room.
    pub(crate) side: Solid,
    lateral: Vec<f64>,
    /// See `FREE_WALL` and the others.
    pub(crate) surfaces: [Surface; 4],
    /// Middle crates, wall crates.
    pub(crate) fills: [Fill; 2],
    slats: f64,
    /// Water on the floor, kg.
    pub(crate) pool: f64,
    /// Part of its mass that a bare tuber on top of a middle crate has lost.
    pub(crate) lost: f64,
    /// Is the heater on?
    pub(crate) heating: bool,
    /// Is the humidifier on?
    pub(crate) misting: bool,
    /// To the outdoor air, W/(m2 K).
    pub(crate) h_out: f64,
    /// To the ground, W/K.
    pub(crate) ground_w_k: f64,
    /// Respiration, W/kg: some 10 mW at 10 C for a resting tuber (potato, from memory).
    pub(crate) respiration: f64,
    /// The rest of the shell, W/K.
    pub(crate) rest_w_k: f64,
    /// Cracks, 1/h at 10 K.
    pub(crate) leakage_per_h: f64,
    wall_areas: [f64; 2],
    side_area: f64,
    wall_u: f64,
    volume: f64,
    heater_w: f64,
    mist_kg_s: f64,
    humidity: f64,
    skin: f64,
}

/// Outer wall from outside in: brick, insulation thick enough for the wanted U, wood board.
/// Conductivities and heat capacities are ordinary handbook values (from memory).
pub(crate) fn wall(area: f64, u: f64, times: f64, t: f64) -> Solid {
    let fixed = 0.05 / 0.8 + 0.02 / 0.13 + 0.04 + 0.13;
    let insulation = (1.0 / u - fixed).max(0.1) * 0.04;
    let layers = [
        (0.05, 0.8, 1.5e6, 1),
        (insulation, 0.04 * times, 5e4, 3),
        (0.02, 0.13, 9e5, 2),
    ];
    Solid::slab(area, &layers, t)
}

impl Room {
    /// A store that has long been at `t` C and `rh` %.
    pub(crate) fn new(s: &Scenario, t: f64, rh: f64) -> Self {
        let behind = (s.wall_crates * 0.15).min(s.wall_m2 * 0.8);
        let wall_areas = [s.wall_m2 - behind, behind];
        let floor_m2 = s.volume_m3 / 2.5;
        let side_area = s.wall_crates * CRATE_FACE;
        let bed = (s.tubers_kg * 3600.0 + s.packing_kg * 1800.0) / CRATE_M3;
        let radius = 3.0 * CRATE_M3 / CRATE_AREA;
        let balls = s.middle_crates * CRATE_AREA / (4.0 * std::f64::consts::PI * radius * radius);
        let side = Solid::slab(side_area, &[(0.4, BED_K, bed, 6)], t);
        // Top and ends of a wall crate, half of them covered by its neighbours.
        let lateral = s.wall_crates * 0.32 / (1.0 / H_CRATE + 0.05 / BED_K) / 6.0;
        let water = wood_water(rh / 100.0);
        let fill = |crates: f64, area: f64| Fill {
            tubers: crates * s.tubers_kg,
            dry_packing: crates * s.packing_kg,
            water,
            exchange: crates * area * PACKING_EXCHANGE,
        };
        Self {
            t,
            vapour: density(saturation_pa(t) * rh / 100.0, t) * s.volume_m3,
            walls: wall_areas.map(|area| wall(area, s.wall_u, 1.0, t)),
            floor: Solid::slab(floor_m2, &[(0.15, 1.6, 2e6, 3)], t),
            middle: Solid::ball(radius, BED_K, bed, 5, balls, t),
            lateral: vec![lateral; side.t.len()],
            side,
            surfaces: [
                wall_areas[0],
                behind,
                s.middle_crates * CRATE_AREA,
                side_area,
            ]
            .map(|area| Surface::new(area, t)),
            fills: [fill(s.middle_crates, CRATE_AREA), fill(s.wall_crates, 0.6)],
            slats: water,
            pool: 0.0,
            lost: 0.0,
            heating: false,
            misting: false,
            h_out: 20.0,
            ground_w_k: floor_m2 * 0.7,
            respiration: 0.01,
            rest_w_k: s.rest_w_k,
            leakage_per_h: s.leakage_per_h,
            wall_areas,
            side_area,
            wall_u: s.wall_u,
            volume: s.volume_m3,
            heater_w: s.heater_w,
            mist_kg_s: s.humidifier_g_per_h / 3.6e6,
            humidity: s.humidity_pct,
            skin: s.skin * 1e-12,
        }
    }

    /// Vapour pressure, Pa.
    pub(crate) fn e(&self) -> f64 {
        self.vapour / self.volume * R_VAPOUR * (self.t + 273.15)
    }

    /// Relative humidity, %.
    pub(crate) fn rh(&self) -> f64 {
        self.e() / saturation_pa(self.t) * 100.0
    }

    /// The coldest surface of any crate, C.
    pub(crate) fn coldest(&self) -> f64 {
        self.surfaces[MIDDLE].t.min(self.surfaces[SIDE].t)
    }

    /// Insulation that conducts `times` as well as when it was dry.
    pub(crate) fn wet_insulation(&mut self, times: f64) {
        for (old, area) in self.walls.iter_mut().zip(self.wall_areas) {
            let t = std::mem::take(&mut old.t);
            *old = wall(area, self.wall_u, times, 0.0);
            old.t = t;
        }
    }

    /// All water in the room, kg, tubers counted by weight.
    pub(crate) fn water_kg(&self) -> f64 {
        self.vapour
            + self.pool
            + self.slats * SLATS_KG
            + self.surfaces.iter().map(|s| s.water).sum::<f64>()
            + self
                .fills
                .iter()
                .map(|f| f.tubers + f.water * f.dry_packing)
                .sum::<f64>()
    }

    /// Heat above 0 C with that of the vapour, J.
    pub(crate) fn heat_j(&self) -> f64 {
        let solids = self
            .walls
            .iter()
            .chain([&self.floor, &self.middle, &self.side]);
        solids.map(Solid::heat_j).sum::<f64>()
            + self.t * (AIR_J_M3K * self.volume + FITTINGS)
            + self.vapour * LATENT
    }

    /// Moves on by `dt` s, at most 60.
    pub(crate) fn step(&mut self, dt: f64, forces: &Forces) {
        self.switch(forces);
        let changes = (self.leakage_per_h * ((self.t - forces.out_t).abs() / 10.0).sqrt()
            + forces.open_per_h)
            / 3600.0;
        let heats = self.step_water(dt, changes, forces);
        self.step_heat(dt, changes, forces, heats);
    }

    fn switch(&mut self, forces: &Forces) {
        if (self.t - forces.setpoint).abs() > 0.5 {
            self.heating = self.t < forces.setpoint;
        }
        self.heating = forces.heater.unwrap_or(self.heating);
        let rh = self.rh();
        if (rh - self.humidity).abs() > 2.0 {
            self.misting = rh < self.humidity;
        }
        self.misting &= forces.humidifier;
    }

    /// Vapour, implicit in the air's; gives the heat, W, that leaves with it: from the air, from the
    /// floor and from the two kinds of crates.
    fn step_water(&mut self, dt: f64, changes: f64, forces: &Forces) -> [f64; 4] {
        self.pool += forces.spill_kg;
        let per_kg = R_VAPOUR * (self.t + 273.15) / self.volume;
        let e0 = self.e();
        // Each place that gives or takes vapour: conductance, and pressure there.
        let mut places = [(0.0, 0.0); 8];
        let mut spent = [None; 5];
        let pool_exchange = lewis(2.5) * (self.pool / 0.3).clamp(0.0, 12.0);
        let films = self.surfaces.map(|s| (s.exchange, s.t, s.water));
        let pool = (pool_exchange, self.floor.last(), self.pool);
        for (n, (exchange, t, water)) in films.into_iter().chain([pool]).enumerate() {
            let es = saturation_pa(t);
            if e0 > es || water > 0.0 {
                places[n] = (exchange, es);
                if water > 0.0 && exchange * (es - e0) * dt > water {
                    // The last of a film goes at once, so that no more is given off than was there.
                    places[n] = (0.0, 0.0);
                    spent[n] = Some(water / dt);
                }
            }
        }
        places[5] = (
            SLATS_EXCHANGE,
            wood_humidity(self.slats) * saturation_pa(self.t),
        );
        let beds = [self.middle.mean(), self.side.mean()].map(saturation_pa);
        for n in 0..2 {
            let fill = &mut self.fills[n];
            let inside = wood_humidity(fill.water) * beds[n];
            places[6 + n] = (fill.exchange, inside);
            let lost = self.skin * fill.tubers * (TUBER_ACTIVITY * beds[n] - inside) * dt;
            fill.tubers -= lost;
            fill.water += lost / fill.dry_packing;
        }
        let mist = if self.misting { self.mist_kg_s } else { 0.0 };
        let source = mist + forces.damp_kg_s + spent.iter().flatten().sum::<f64>();
        let given: f64 = places.iter().map(|(g, e)| g * e).sum();
        let taken: f64 = places.iter().map(|(g, _)| g).sum();
        let outdoor = density(forces.out_e, forces.out_t) * self.volume;
        self.vapour = (self.vapour + dt * (given + source + changes * outdoor))
            / (1.0 + dt * (taken * per_kg + changes));
        let e1 = self.vapour * per_kg;
        let flow = |n: usize| places[n].0 * (places[n].1 - e1);
        for (n, surface) in self.surfaces.iter_mut().enumerate() {
            let off = spent[n].unwrap_or_else(|| flow(n));
            surface.water -= off * dt;
            surface.condensed += (-off * dt).max(0.0);
            surface.latent = -off * LATENT;
        }
        let off_floor = spent[4].unwrap_or_else(|| flow(4));
        self.pool -= off_floor * dt;
        self.slats -= flow(5) * dt / SLATS_KG;
        for n in 0..2 {
            self.fills[n].water -= flow(6 + n) * dt / self.fills[n].dry_packing;
        }
        // Fog falls.
        let most = density(saturation_pa(self.t), self.t) * self.volume;
        let fog = (self.vapour - most).max(0.0);
        self.vapour -= fog;
        self.pool += fog;
        let bare = TUBER_ACTIVITY * saturation_pa(self.surfaces[MIDDLE].t) - e1;
        self.lost += self.skin * bare * (1.0 - self.lost) * dt;
        [
            (flow(5) + mist - fog / dt) * LATENT,
            (off_floor + forces.damp_kg_s) * LATENT,
            flow(6) * LATENT,
            flow(7) * LATENT,
        ]
    }

    fn step_heat(&mut self, dt: f64, changes: f64, forces: &Forces, heats: [f64; 4]) {
        let t = self.t;
        let mut to_air = -heats[0] + self.rest_w_k * (forces.out_t - t);
        if self.heating {
            to_air += self.heater_w;
        }
        let series = |a: f64, b: f64| if a + b > 0.0 { a * b / (a + b) } else { 0.0 };

        let outside = self.wall_areas.map(|area| area * self.h_out);
        let mut into_walls = [self.walls[0].nothing(), self.walls[1].nothing()];
        for (n, wall) in self.walls.iter().enumerate() {
            into_walls[n][0] = series(outside[n], wall.first_face) * (forces.out_t - wall.first());
        }
        let mut into_middle = self.middle.nothing();
        let last = into_middle.len() - 1;
        for (n, q) in into_middle.iter_mut().enumerate() {
            let part = self.middle.capacity[n] / self.middle.capacity.iter().sum::<f64>();
            *q = self.fills[0].tubers * self.respiration * part;
        }
        let mut into_side = self.side.nothing();
        let cells = into_side.len();

        // Surfaces without heat capacity: what comes from the air and from condensing goes into the body.
        let mut face = |surface: &mut Surface, body: &Solid, h: f64| {
            let air = surface.area * h;
            let body_g = body.last_face;
            surface.t = (air * t + body_g * body.last() + surface.latent) / (air + body_g);
            to_air += air * (surface.t - t);
            body_g * (surface.t - body.last())
        };
        let [free, behind, middle, side] = &mut self.surfaces;
        into_walls[0][5] += face(free, &self.walls[0], H_WALL);
        into_middle[last] += face(middle, &self.middle, H_CRATE) - heats[2];

        // The wall behind the crates and the crates' sides toward it see each other and some room air.
        let (wall_g, side_g) = (self.walls[1].last_face, self.side.first_face);
        let (wall_air, side_air) = (behind.area * H_GAP, self.side_area * H_GAP);
        let across = self.side_area * H_ACROSS;
        let (wall_sum, side_sum) = (wall_g + wall_air + across, side_g + side_air + across);
        let to_wall = wall_g * self.walls[1].last() + wall_air * t + behind.latent;
        let to_side = side_g * self.side.first() + side_air * t + side.latent;
        let det = wall_sum * side_sum - across * across;
        behind.t = (to_wall * side_sum + across * to_side) / det;
        side.t = (to_side * wall_sum + across * to_wall) / det;
        to_air += wall_air * (behind.t - t) + side_air * (side.t - t);
        into_walls[1][5] += wall_g * (behind.t - self.walls[1].last());
        into_side[0] += side_g * (side.t - self.side.first());

        for (n, q) in into_side.iter_mut().enumerate() {
            let flow = self.lateral[n] * (t - self.side.t[n]);
            *q += flow + (self.fills[1].tubers * self.respiration - heats[3]) / cells as f64;
            to_air -= flow;
        }
        let room_face =
            series(self.side_area * H_CRATE, self.side.last_face) * (t - self.side.last());
        into_side[cells - 1] += room_face;
        to_air -= room_face;

        let mut into_floor = self.floor.nothing();
        into_floor[0] =
            series(self.ground_w_k, self.floor.first_face) * (forces.ground_t - self.floor.first());
        let up =
            series(self.volume / 2.5 * H_FLOOR, self.floor.last_face) * (self.floor.last() - t);
        into_floor[2] -= up + heats[1];
        to_air += up;

        let capacity = AIR_J_M3K * self.volume + FITTINGS;
        let exchange = AIR_J_M3K * self.volume * changes;
        self.t =
            (capacity * t + dt * (to_air + exchange * forces.out_t)) / (capacity + dt * exchange);
        // The mass of vapour is kept when its pressure changes with the air's temperature.
        let [free, behind] = into_walls;
        self.walls[0].step(dt, free);
        self.walls[1].step(dt, behind);
        self.middle.step(dt, into_middle);
        self.side.step(dt, into_side);
        self.floor.step(dt, into_floor);
    }
}
