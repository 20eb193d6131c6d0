//! When mould is first seen on a damp surface: a table of days, not an index formula.

/// Temperatures of the table's columns, C.
const T: [f64; 5] = [0.0, 5.0, 10.0, 15.0, 20.0];
/// Humidities of its rows, %.
const RH: [f64; 5] = [80.0, 85.0, 90.0, 95.0, 100.0];
/// Days until growth is seen on a substrate mould can live on (soil on tubers, wood, paper); 0 is never.
/// Rounded, from memory, in the manner of the published isopleth systems for spore germination and
/// growth: none below about 80 % at 15 C or 86 % at 5 C, halved for each 5 K and each 5 % upward.
const DAYS: [[f64; 5]; 5] = [
    [0.0, 0.0, 0.0, 60.0, 40.0],
    [0.0, 0.0, 40.0, 24.0, 16.0],
    [80.0, 36.0, 18.0, 11.0, 8.0],
    [40.0, 18.0, 9.0, 6.0, 4.0],
    [24.0, 11.0, 6.0, 4.0, 3.0],
];
/// Dry days that undo all of it: what has begun dries back slowly (assumption).
const DRYING_DAYS: f64 = 20.0;

/// Growth per day, 1 being the first that is seen, at a surface's temperature C and humidity %.
pub(crate) fn per_day(t: f64, rh: f64) -> f64 {
    if t < 0.0 || rh < RH[0] {
        return 0.0;
    }
    let spot = |axis: &[f64; 5], x: f64| {
        let n = axis[1..4].iter().filter(|edge| x >= **edge).count();
        (n, ((x - axis[n]) / (axis[n + 1] - axis[n])).min(1.0))
    };
    let rate = |row: usize, column: usize| match DAYS[row][column] {
        0.0 => 0.0,
        days => 1.0 / days,
    };
    let ((row, down), (column, along)) = (spot(&RH, rh), spot(&T, t));
    let line = |row| rate(row, column) * (1.0 - along) + rate(row, column + 1) * along;
    line(row) * (1.0 - down) + line(row + 1) * down
}

/// Growth on one surface so far: 0 none, 1 seen.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Mould(pub(crate) f64);

impl Mould {
    /// Moves on by `dt` s.
    pub(crate) fn step(&mut self, dt: f64, t: f64, rh: f64) {
        let rate = per_day(t, rh);
        let rate = if rate > 0.0 { rate } else { -1.0 / DRYING_DAYS };
        self.0 = (self.0 + rate * dt / 86_400.0).max(0.0);
    }
}
