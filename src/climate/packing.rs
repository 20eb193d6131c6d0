//! What lies around the tubers, and what it does to their drying, their mould and their warmth.

use serde::{Deserialize, Serialize};

use super::{drying::Coefficient, mould::Surface};

/// The medium or wrapping around the tubers of a crate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Packing {
    /// Nothing around them.
    Bare,
    /// Peat, also coir.
    Peat,
    /// Wood shavings, also chips and wood wool.
    Shavings,
    /// Sawdust.
    Sawdust,
    /// Vermiculite.
    Vermiculite,
    /// Perlite.
    Perlite,
    /// Sand.
    Sand,
    /// Soil, also potting compost.
    Soil,
    /// Paper bags.
    PaperBag,
    /// Newspaper.
    Newspaper,
    /// Plastic film, tuber by tuber.
    PlasticWrap,
    /// Not said, or in words that are not known here.
    Unknown,
}

impl Packing {
    /// Every kind, in the order of the list.
    pub const ALL: [Self; 12] = [
        Self::Bare,
        Self::Peat,
        Self::Shavings,
        Self::Sawdust,
        Self::Vermiculite,
        Self::Perlite,
        Self::Sand,
        Self::Soil,
        Self::PaperBag,
        Self::Newspaper,
        Self::PlasticWrap,
        Self::Unknown,
    ];

    /// The name in files and addresses.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Bare => "bare",
            Self::Peat => "peat",
            Self::Shavings => "shavings",
            Self::Sawdust => "sawdust",
            Self::Vermiculite => "vermiculite",
            Self::Perlite => "perlite",
            Self::Sand => "sand",
            Self::Soil => "soil",
            Self::PaperBag => "paper-bag",
            Self::Newspaper => "newspaper",
            Self::PlasticWrap => "plastic-wrap",
            Self::Unknown => "unknown",
        }
    }

    /// Reads what a grower wrote, such as "damp wood shavings, vented liner".
    ///
    /// The first word of the trade that names a medium or a wrapping wins; "bare", "none", "open"
    /// and "loose" count only where none does, since peat may be loose too. Whole words only, so
    /// that a thousand is no sand. Words that say nothing give `Unknown`.
    pub fn read(text: &str) -> Self {
        let text = text.to_lowercase();
        let words: Vec<&str> = text
            .split(|c: char| !c.is_alphanumeric())
            .filter(|w| !w.is_empty())
            .collect();
        let next = |i: usize| words.get(i + 1).copied().unwrap_or("");
        let named = words.iter().enumerate().find_map(|(i, word)| match *word {
            "peat" | "peatmoss" | "coir" => Some(Self::Peat),
            "shavings" | "shaving" | "chips" | "excelsior" => Some(Self::Shavings),
            "wood" if next(i) == "wool" => Some(Self::Shavings),
            "sawdust" => Some(Self::Sawdust),
            "saw" if next(i) == "dust" => Some(Self::Sawdust),
            "vermiculite" => Some(Self::Vermiculite),
            "perlite" => Some(Self::Perlite),
            "sand" => Some(Self::Sand),
            "soil" | "compost" | "earth" | "dirt" => Some(Self::Soil),
            "potting" if next(i) == "mix" => Some(Self::Soil),
            "newspaper" | "newspapers" | "newsprint" => Some(Self::Newspaper),
            "paper" | "paperbag" | "kraft" => Some(Self::PaperBag),
            "cling" | "clingfilm" | "film" | "wrap" | "wraps" => Some(Self::PlasticWrap),
            // A plastic crate is no wrap, and what is wrapped may be wrapped in paper.
            "plastic" if matches!(next(i), "wrap" | "wraps" | "wrapped" | "film") => {
                Some(Self::PlasticWrap)
            }
            "wrapped"
                if words[i + 1..].starts_with(&["in", "plastic"])
                    || words[i + 1..].starts_with(&["plastic"]) =>
            {
                Some(Self::PlasticWrap)
            }
            _ => None,
        });
        let bare = || {
            words.iter().any(|w| {
                matches!(
                    *w,
                    "bare" | "none" | "nothing" | "open" | "loose" | "unpacked"
                )
            }) || words.windows(2).any(|w| w == ["no", "packing"])
        };
        named.unwrap_or_else(|| if bare() { Self::Bare } else { Self::Unknown })
    }

    /// In words for people, to follow "in" or stand alone.
    pub fn words(self) -> &'static str {
        match self {
            Self::Bare => "bare",
            Self::Peat => "peat",
            Self::Shavings => "wood shavings",
            Self::Sawdust => "sawdust",
            Self::Vermiculite => "vermiculite",
            Self::Perlite => "perlite",
            Self::Sand => "sand",
            Self::Soil => "soil",
            Self::PaperBag => "paper bags",
            Self::Newspaper => "newspaper",
            Self::PlasticWrap => "plastic wrap",
            Self::Unknown => "packing not known",
        }
    }

    /// The mould sensitivity class nearest to it.
    ///
    /// The classes are of building materials (Ojanen & Viitanen 2010): shavings and sawdust are
    /// untreated wood, paper is paper, vermiculite, perlite and sand are mineral. Peat and soil are
    /// taken as wood, tuber skins (bare or in film) as planed wood: assumptions, since neither was
    /// measured. What is not known counts as the most sensitive. In a mineral medium the tubers
    /// themselves may mould sooner than the class says.
    pub fn surface(self) -> Surface {
        match self {
            Self::Peat | Self::Shavings | Self::Sawdust | Self::Soil | Self::Unknown => {
                Surface::VerySensitive
            }
            Self::Bare | Self::PaperBag | Self::Newspaper | Self::PlasticWrap => Surface::Sensitive,
            Self::Vermiculite | Self::Perlite | Self::Sand => Surface::MediumResistant,
        }
    }

    /// What tubers packed so are taken to lose before a crate of them was weighed; see
    /// [`Coefficient`] for where the figures come from.
    pub fn transpiration(self) -> Coefficient {
        match self {
            Self::Bare => Coefficient::bare(),
            Self::PaperBag | Self::Newspaper => Coefficient::paper(),
            Self::PlasticWrap => Coefficient::plastic_wrap(),
            Self::Unknown => Coefficient::unknown(),
            Self::Peat
            | Self::Shavings
            | Self::Sawdust
            | Self::Vermiculite
            | Self::Perlite
            | Self::Sand
            | Self::Soil => Coefficient::buried(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_growers_write_is_understood() {
        for (text, packing) in [
            ("damp wood shavings, vented liner", Packing::Shavings),
            ("Loose SHAVINGS", Packing::Shavings),
            ("wood-wool", Packing::Shavings),
            ("peat + sawdust", Packing::Peat),
            ("Peat moss", Packing::Peat),
            ("saw dust", Packing::Sawdust),
            ("coarse vermiculite in bag", Packing::Vermiculite),
            ("a thousand in perlite", Packing::Perlite),
            ("barely moist sand", Packing::Sand),
            ("clump in its own soil", Packing::Soil),
            ("brown paper bag", Packing::PaperBag),
            ("wrapped in newspaper", Packing::Newspaper),
            ("newspaper in plastic crate", Packing::Newspaper),
            ("Plastic wrap", Packing::PlasticWrap),
            ("cling film", Packing::PlasticWrap),
            ("wrapped in plastic", Packing::PlasticWrap),
            ("none", Packing::Bare),
            ("Open tray", Packing::Bare),
            ("no packing", Packing::Bare),
            ("plastic bin", Packing::Unknown),
            ("", Packing::Unknown),
            ("~~ ?? ~~", Packing::Unknown),
        ] {
            assert_eq!(Packing::read(text), packing, "{text:?}");
        }
    }

    #[test]
    fn every_kind_reads_back_from_its_own_name_and_words() {
        for packing in Packing::ALL {
            assert_eq!(Packing::read(packing.as_str()), packing);
            if packing != Packing::Unknown {
                assert_eq!(Packing::read(packing.words()), packing);
            }
            let file = serde_json::to_string(&packing).unwrap();
            assert_eq!(file, format!("\"{}\"", packing.as_str()));
            let k = packing.transpiration();
            assert!(0.0 < k.low && k.low < k.k && k.k < k.high);
        }
    }
}
