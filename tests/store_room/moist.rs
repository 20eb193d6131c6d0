//! Moist air by other equations than the program's: four-term saturation, vapour in mass per volume.

/// Gas constant of water vapour, J/(kg K) (IAPWS: 461.523).
pub(crate) const R_VAPOUR: f64 = 461.523;
/// Heat of evaporation, J/kg, held constant so that heat and water balance exactly (0 to 10 C, from memory).
pub(crate) const LATENT: f64 = 2.48e6;
/// Density times heat capacity of air at about 9 C, J/(m3 K) (1.25 kg/m3, 1006 J/(kg K)).
pub(crate) const AIR_J_M3K: f64 = 1257.0;

/// Saturation pressure over liquid water, Pa, for -45..60 C; Sonntag 1990, four terms, coefficients
/// as quoted by a public radiative-transfer library from Sonntag 1994.
pub(crate) fn saturation_pa(t_c: f64) -> f64 {
    let k = t_c + 273.15;
    let x = -6096.9385 / k + 16.635_794 - 0.027_111_93 * k + 1.673_952e-5 * k * k;
    100.0 * (x + 2.433_502 * k.ln()).exp()
}

/// Dew point over water, C, by Newton's steps on the logarithm of the saturation pressure.
pub(crate) fn dew_point_c(e_pa: f64) -> f64 {
    let aim = e_pa.max(1.0).ln();
    let mut t = 5.0;
    for _ in 0..12 {
        let here = saturation_pa(t).ln();
        let slope = (saturation_pa(t + 0.01).ln() - here) / 0.01;
        t += (aim - here) / slope;
    }
    t
}

/// Vapour held, kg/m3.
pub(crate) fn density(e_pa: f64, t_c: f64) -> f64 {
    e_pa / (R_VAPOUR * (t_c + 273.15))
}

/// Mass transfer coefficient, kg/(m2 s Pa), beside a heat transfer coefficient in W/(m2 K):
/// Lewis relation with Le^(2/3) = 0.9 for water vapour in air (textbook value, from memory).
pub(crate) fn lewis(h: f64) -> f64 {
    h / (AIR_J_M3K * 0.9) / (R_VAPOUR * 282.0)
}

/// GAB isotherm of wood: monolayer, C and K chosen here to give the 13.4, 16.4 and 20.9 % that
/// Simpson 1998 gives at 70, 80 and 90 % humidity and 10 C.
const GAB: (f64, f64, f64) = (0.068, 10.0, 0.76);

/// Water in wood, kg/kg, at a relative humidity of 0..1.
pub(crate) fn wood_water(rh: f64) -> f64 {
    let (layer, c, k) = GAB;
    let x = k * rh;
    layer * c * x / ((1.0 - x) * (1.0 - x + c * x))
}

/// Relative humidity, 0..1, above wood that holds `water` kg/kg: the same isotherm solved backward.
pub(crate) fn wood_humidity(water: f64) -> f64 {
    let (layer, c, k) = GAB;
    if water <= 0.0 {
        return 0.0;
    }
    // water (1-x)(1+(c-1)x) = layer c x, a quadratic in x.
    let (square, linear) = (water * (1.0 - c), water * (c - 2.0) - layer * c);
    let x = (-linear - (linear * linear - 4.0 * square * water).sqrt()) / (2.0 * square);
    (x / k).clamp(0.0, 1.0)
}
