//! Known humidities over damp salts, by which a sensor is checked.

/// A salt whose saturated solution holds the air above it at a known humidity.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Salt {
    /// MgCl2, far below a store's air.
    MagnesiumChloride,
    /// K2CO3.
    PotassiumCarbonate,
    /// NaCl, table salt: just below a store's air.
    TableSalt,
    /// KCl: just above it.
    PotassiumChloride,
    /// K2SO4, near saturation.
    PotassiumSulphate,
}

impl Salt {
    /// Every salt, the driest first.
    pub const ALL: [Self; 5] = [
        Self::MagnesiumChloride,
        Self::PotassiumCarbonate,
        Self::TableSalt,
        Self::PotassiumChloride,
        Self::PotassiumSulphate,
    ];

    /// The word used on the command line.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::MagnesiumChloride => "magnesium-chloride",
            Self::PotassiumCarbonate => "potassium-carbonate",
            Self::TableSalt => "table-salt",
            Self::PotassiumChloride => "potassium-chloride",
            Self::PotassiumSulphate => "potassium-sulphate",
        }
    }

    /// The salt with that word.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|s| s.as_str() == word)
    }

    /// Relative humidity above a slurry of it in percent, 0 to 30 C.
    ///
    /// Source: Greenspan 1977, J. Res. NBS 81A:89, polynomials as in public code headed with the paper.
    /// The sign of the linear term of potassium carbonate is doubtful there; it changes 0.08 points at
    /// most. Uncertainty at 10 C, from memory: 0.2 to 0.4 points, potassium sulphate 0.8.
    pub fn humidity_pct(self, t_c: f64) -> f64 {
        let [a, b, c, d] = match self {
            Self::MagnesiumChloride => [33.6686, -7.973_97e-3, -1.089_88e-3, 0.0],
            Self::PotassiumCarbonate => [43.1315, -1.475_23e-3, 0.0, 0.0],
            Self::TableSalt => [75.5164, 0.039_832_1, -2.654_59e-3, 2.848e-5],
            Self::PotassiumChloride => [88.6190, -0.193_340, 8.997_06e-4, 0.0],
            Self::PotassiumSulphate => [98.7792, -0.059_050_2, 0.0, 0.0],
        };
        a + t_c * (b + t_c * (c + t_c * d))
    }
}
