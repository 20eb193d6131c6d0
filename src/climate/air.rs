//! Moist air: from a temperature and a relative humidity to everything else that is asked of it.
//!
//! Relative humidity is over liquid water at every temperature. The saturation formula is the one of
//! WMO-No. 8 (Guide to Instruments and Methods of Observation, annex 4.B): it is closed in both
//! directions and has a branch over ice. Against IAPWS-95 its dew point is within 0.08 C for
//! -20 to 40 C and 5 to 100 %, within 0.033 C for 0 to 25 C and 40 to 100 %; a sensor's 3 % of
//! humidity is 0.5 C of dew point.

use super::units::{Celsius, Pascal, RelativeHumidity};

/// `es = E0 exp(A t / (B + t))`, t in C, es in Pa.
struct Magnus {
    a: f64,
    b: f64,
}

/// Saturation pressure at 0 C in Pa, WMO-No. 8, eq. 4.B.1.
const E0: f64 = 611.2;
/// Over liquid water, -45 to 60 C, WMO-No. 8, eq. 4.B.1.
const WATER: Magnus = Magnus {
    a: 17.62,
    b: 243.12,
};
/// Over ice, -65 to 0 C, WMO-No. 8, eq. 4.B.2.
const ICE: Magnus = Magnus {
    a: 22.46,
    b: 272.62,
};
/// Ratio of the molar masses of water and dry air, ASHRAE Fundamentals 2017, chapter 1, eq. 20.
pub(super) const MASS_RATIO: f64 = 0.621_945;
/// Specific gas constant of water vapour in J/(kg K); 8.314 462 / 0.018 015 268.
pub(super) const WATER_VAPOUR_GAS: f64 = 461.523;

impl Magnus {
    fn pressure(&self, t: f64) -> f64 {
        E0 * (self.a * t / (self.b + t)).exp()
    }

    fn temperature(&self, e: f64) -> f64 {
        let x = (e / E0).ln();
        self.b * x / (self.a - x)
    }
}

/// Saturation vapour pressure over liquid water, also below freezing.
///
/// Valid -45 to 60 C; within 0.33 % of IAPWS-95 over 0 to 40 C. Source: WMO-No. 8, eq. 4.B.1.
pub fn saturation_over_water(t: Celsius) -> Pascal {
    Pascal::computed(WATER.pressure(t.degrees()))
}

/// Saturation vapour pressure over ice.
///
/// Valid -65 to 0 C. Source: WMO-No. 8, eq. 4.B.2.
pub fn saturation_over_ice(t: Celsius) -> Pascal {
    Pascal::computed(ICE.pressure(t.degrees()))
}

/// Vapour pressure deficit in Pa of air whose saturation pressure over water is known already.
pub fn deficit(saturation: Pascal, humidity: RelativeHumidity) -> f64 {
    saturation.pascal() * (1.0 - humidity.fraction())
}

/// A parcel of moist air as a sensor describes it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Air {
    /// Dry-bulb temperature.
    pub temperature: Celsius,
    /// Over liquid water at every temperature.
    pub humidity: RelativeHumidity,
}

impl Air {
    /// Describes air by temperature and relative humidity.
    pub fn new(temperature: Celsius, humidity: RelativeHumidity) -> Self {
        Self {
            temperature,
            humidity,
        }
    }

    /// Partial pressure of water vapour, `RH/100 es(t)`, in Pa. Source: WMO-No. 8, annex 4.B.
    pub fn vapour_pressure(self) -> Pascal {
        let es = saturation_over_water(self.temperature).pascal();
        Pascal::computed(self.humidity.fraction() * es)
    }

    /// Temperature at which this air, cooled, first wets a surface; liquid water also below
    /// freezing. Never above the temperature itself.
    ///
    /// Within 0.08 C of IAPWS-95 over -20 to 40 C and 5 to 100 %. Source: WMO-No. 8, annex 4.B.
    pub fn dew_point(self) -> Celsius {
        let t = WATER.temperature(self.vapour_pressure().pascal());
        // At 100 % the way there and back may end a rounding error above the start.
        Celsius::computed(t.min(self.temperature.degrees()))
    }

    /// How far the dew point moves in K for one kelvin and for one % of humidity more: about 0.97
    /// and 0.18 at 10 C and 80 %. Source: derivative of WMO-No. 8, eq. 4.B.1.
    pub fn dew_point_slopes(self) -> (f64, f64) {
        let Magnus { a, b } = WATER;
        let x = (self.vapour_pressure().pascal() / E0).ln();
        let per_x = a * b / (a - x).powi(2);
        let x_per_kelvin = a * b / (b + self.temperature.degrees()).powi(2);
        (per_x * x_per_kelvin, per_x / self.humidity.percent())
    }

    /// Temperature at which this air, cooled, first shows hoar frost; `None` when that lies above
    /// freezing and dew comes first. Source: WMO-No. 8, annex 4.B, ice branch.
    pub fn frost_point(self) -> Option<Celsius> {
        let t = ICE.temperature(self.vapour_pressure().pascal());
        (t < 0.0).then(|| Celsius::computed(t))
    }

    /// Vapour pressure deficit `es(t) - e` in Pa, 0 or more: what draws water out of a tuber at
    /// air temperature. Source: the usual definition, as in FAO Irrigation and Drainage Paper 56.
    pub fn vapour_pressure_deficit(self) -> f64 {
        deficit(saturation_over_water(self.temperature), self.humidity)
    }

    /// Humidity ratio in kg of water per kg of dry air, ideal gas; ASHRAE's table values, with an
    /// enhancement factor, are 0.4 to 0.5 % higher. `None` where the vapour pressure reaches the
    /// total pressure. Source: ASHRAE Fundamentals 2017, chapter 1, eq. 20.
    pub fn humidity_ratio(self, pressure: Pascal) -> Option<f64> {
        let (p, e) = (pressure.pascal(), self.vapour_pressure().pascal());
        (e < p).then(|| MASS_RATIO * e / (p - e))
    }

    /// Vapour density (absolute humidity) in g/m3: `e / (Rw T)`. Source: ideal gas law.
    pub fn absolute_humidity(self) -> f64 {
        1000.0 * self.vapour_pressure().pascal() / (WATER_VAPOUR_GAS * self.temperature.kelvin())
    }

    /// Thermodynamic wet-bulb temperature by bisection to 1e-6 C; over ice when below freezing.
    ///
    /// Air just above freezing can be in balance with a wet wick above 0 C and with a frozen one
    /// below: the wet one is given. Air that is supersaturated over ice has no ice bulb below its
    /// own temperature, which is then the answer. `None` where the humidity ratio has no value.
    /// Source: ASHRAE Fundamentals 2017, chapter 1, eqs. 33 and 35 (saturation from WMO-No. 8).
    pub fn wet_bulb(self, pressure: Pascal) -> Option<Celsius> {
        let (t, p) = (self.temperature.degrees(), pressure.pascal());
        let target = self.humidity_ratio(pressure)?;
        // Rises with the wet bulb on either side of freezing, but steps down at 0 C, where the
        // heat of melting leaves the balance: each side has to be searched on its own.
        let thawed = 0.0 <= t && balance(t, 0.0, p) <= target;
        let (mut low, mut high) = if thawed {
            (0.0, t)
        } else {
            (t.min(0.0) - 100.0, t.min(0.0))
        };
        while 1e-6 < high - low {
            let middle = f64::midpoint(low, high);
            if balance(t, middle, p) < target {
                low = middle;
            } else {
                high = middle;
            }
        }
        Some(Celsius::computed(f64::midpoint(low, high)))
    }

    /// How far a surface is from being wetted by this air, in kelvin: surface temperature minus
    /// dew point; 0 or less means sweating.
    pub fn condensation_margin(self, surface: Celsius) -> f64 {
        surface.degrees() - self.dew_point().degrees()
    }
}

/// Humidity ratio that air at `t` would have if its wet bulb were `wet`, all in C, pressure in Pa.
fn balance(t: f64, wet: f64, pressure: f64) -> f64 {
    let saturation = if wet < 0.0 {
        ICE.pressure(wet)
    } else {
        WATER.pressure(wet)
    };
    if pressure <= saturation {
        // Boiling: more vapour than any target, where the quotient below would turn negative.
        return f64::INFINITY;
    }
    let ws = MASS_RATIO * saturation / (pressure - saturation);
    if wet < 0.0 {
        ((2830.0 - 0.24 * wet) * ws - 1.006 * (t - wet)) / (2830.0 + 1.86 * t - 2.1 * wet)
    } else {
        ((2501.0 - 2.326 * wet) * ws - 1.006 * (t - wet)) / (2501.0 + 1.86 * t - 4.186 * wet)
    }
}
