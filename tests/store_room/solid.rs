//! Conducting bodies cut into cells: walls, floors and crates, stepped explicitly.

/// A row of cells; heat passes between neighbours and through the two faces.
#[derive(Clone, Debug)]
pub(crate) struct Solid {
    /// Cell temperatures, C, first to last.
    pub(crate) t: Vec<f64>,
    /// Heat capacity of each cell, J/K.
    pub(crate) capacity: Vec<f64>,
    /// Conductance between neighbours, W/K.
    between: Vec<f64>,
    /// Conductance from the first cell's middle to its face, W/K.
    pub(crate) first_face: f64,
    /// Conductance from the last cell's middle to its face, W/K.
    pub(crate) last_face: f64,
}

/// One layer of a wall: thickness m, conductivity W/(m K), heat capacity J/(m3 K), cells.
pub(crate) type Layer = (f64, f64, f64, usize);

impl Solid {
    /// A flat body of `area` m2, all at one temperature.
    pub(crate) fn slab(area: f64, layers: &[Layer], t: f64) -> Self {
        let (mut capacity, mut half) = (Vec::new(), Vec::new());
        for &(thick, k, heat, cells) in layers {
            for _ in 0..cells {
                let dx = thick / cells as f64;
                capacity.push(area * dx * heat);
                half.push(dx / 2.0 / (k * area));
            }
        }
        Self {
            t: vec![t; capacity.len()],
            between: half.windows(2).map(|two| 1.0 / (two[0] + two[1])).collect(),
            first_face: 1.0 / half[0],
            last_face: 1.0 / half[half.len() - 1],
            capacity,
        }
    }

    /// Equal shells from the core out, of a ball of radius `radius` m, `many` of them as one body.
    /// The last cell is the outermost; the first face conducts nothing.
    pub(crate) fn ball(radius: f64, k: f64, heat: f64, cells: usize, many: f64, t: f64) -> Self {
        use std::f64::consts::PI;
        let dr = radius / cells as f64;
        let volume = |r: f64| 4.0 / 3.0 * PI * r.powi(3);
        // Between the middles r1 and r2 of two shells.
        let path = |r1: f64, r2: f64| many * 4.0 * PI * k / (1.0 / r1 - 1.0 / r2);
        let mid = |n: usize| (n as f64 + 0.5) * dr;
        let capacity = (0..cells)
            .map(|n| many * heat * (volume((n + 1) as f64 * dr) - volume(n as f64 * dr)))
            .collect();
        Self {
            t: vec![t; cells],
            capacity,
            between: (1..cells).map(|n| path(mid(n - 1), mid(n))).collect(),
            first_face: 0.0,
            last_face: path(mid(cells - 1), radius),
        }
    }

    /// Moves on by `dt` s with the heat, W, that enters each cell from outside the body.
    pub(crate) fn step(&mut self, dt: f64, mut into: Vec<f64>) {
        for (n, g) in self.between.iter().enumerate() {
            let q = g * (self.t[n] - self.t[n + 1]);
            into[n] -= q;
            into[n + 1] += q;
        }
        for (n, q) in into.iter().enumerate() {
            self.t[n] += q * dt / self.capacity[n];
        }
    }

    /// Nothing yet for any cell.
    pub(crate) fn nothing(&self) -> Vec<f64> {
        vec![0.0; self.t.len()]
    }

    /// Temperature of the cell farthest from the room, C: a core, or a wall's outer skin.
    pub(crate) fn first(&self) -> f64 {
        self.t[0]
    }

    /// Temperature of the last cell, C.
    pub(crate) fn last(&self) -> f64 {
        self.t[self.t.len() - 1]
    }

    /// Mean by heat capacity, C.
    pub(crate) fn mean(&self) -> f64 {
        self.heat_j() / self.capacity.iter().sum::<f64>()
    }

    /// Heat above 0 C, J.
    pub(crate) fn heat_j(&self) -> f64 {
        self.t.iter().zip(&self.capacity).map(|(t, c)| t * c).sum()
    }
}
