//! Where mould can begin: the critical humidity of the published surface-mould model.

use super::units::{Celsius, RelativeHumidity};

/// Lowest relative humidity at which mould can grow on sensitive surfaces such as wood and paper.
///
/// `max(80, 100 - 3.13 t + 0.160 t^2 - 0.00267 t^3)` for 0 < t <= 20 C, 80 % above, none (100 %) at
/// and below freezing. An index for boxes, packing and skins, not a prediction of rot: no such
/// measurements on dahlia tubers are published. Source: Hukka & Viitanen 1999, Wood Science and
/// Technology 33:475, as implemented in public code that cites it. The sign of the linear term is
/// minus; a plus, found in one public copy, would put the line above 100 %.
pub fn critical_humidity(t: Celsius) -> RelativeHumidity {
    let t = t.degrees();
    let percent = if t <= 0.0 {
        100.0
    } else if t <= 20.0 {
        (100.0 - 3.13 * t + 0.160 * t * t - 0.002_67 * t * t * t).max(80.0)
    } else {
        80.0
    };
    RelativeHumidity::new(percent).expect("between 80 and 100")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_line_runs_through_its_published_points() {
        // Evaluated from the published polynomial (Hukka & Viitanen 1999), rounded to 0.05 %.
        for (t, rh) in [
            (-5.0, 100.0),
            (1.0, 97.0),
            (2.0, 94.4),
            (4.0, 89.9),
            (5.0, 88.0),
            (7.0, 85.0),
            (8.0, 83.8),
            (10.0, 82.03),
            (12.0, 80.9),
            (15.0, 80.0),
            (30.0, 80.0),
        ] {
            let line = critical_humidity(Celsius::new(t).unwrap()).percent();
            assert!((line - rh).abs() <= 0.1, "{t} C: {line}, published {rh}");
        }
    }
}
