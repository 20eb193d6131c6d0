//! What a look at tubers can show, and what can be done to them.

use std::{fmt, str::FromStr};

use serde::{Deserialize, Serialize};

/// What a look at a crate or a lot showed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Finding {
    /// Firm, dry, asleep.
    Sound,
    /// Soft or wet rot.
    Soft,
    /// Mould on the skin.
    Mould,
    /// Wrinkled or limp.
    Shrivelled,
    /// Shoots.
    Sprouting,
    /// Gnawed.
    Mouse,
    /// Leafy gall or signs of a virus: not to be grown on.
    GallOrVirus,
}

impl Finding {
    /// All of them, the good one first.
    pub const ALL: [Self; 7] = [
        Self::Sound,
        Self::Soft,
        Self::Mould,
        Self::Shrivelled,
        Self::Sprouting,
        Self::Mouse,
        Self::GallOrVirus,
    ];

    /// The word in forms and files.
    pub fn key(self) -> &'static str {
        match self {
            Self::Sound => "sound",
            Self::Soft => "soft",
            Self::Mould => "mould",
            Self::Shrivelled => "shrivelled",
            Self::Sprouting => "sprouting",
            Self::Mouse => "mouse",
            Self::GallOrVirus => "gall-or-virus",
        }
    }

    /// Tubers that will not be planted, if they are still in the crate.
    pub fn is_lost(self) -> bool {
        matches!(
            self,
            Self::Soft | Self::Mould | Self::Mouse | Self::GallOrVirus
        )
    }
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::GallOrVirus => "gall or virus",
            other => other.key(),
        })
    }
}

/// Something done to all tubers in a crate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Treatment {
    /// Washed with water.
    Washed,
    /// Brushed dry.
    Brushed,
    /// Dipped against rot.
    Dipped,
    /// The skins are dry to the hand.
    SkinsDry,
    /// The cut surfaces are dry to the hand.
    CutsDry,
    /// Dusted.
    Dusted,
    /// The packing was dampened.
    Dampened,
    /// Opened up or given drier packing.
    Aired,
}

impl Treatment {
    /// All of them, in the order of the season.
    pub const ALL: [Self; 8] = [
        Self::Washed,
        Self::Brushed,
        Self::Dipped,
        Self::SkinsDry,
        Self::CutsDry,
        Self::Dusted,
        Self::Dampened,
        Self::Aired,
    ];

    /// The word in forms and files.
    pub fn key(self) -> &'static str {
        match self {
            Self::Washed => "washed",
            Self::Brushed => "brushed",
            Self::Dipped => "dipped",
            Self::SkinsDry => "skins-dry",
            Self::CutsDry => "cuts-dry",
            Self::Dusted => "dusted",
            Self::Dampened => "dampened",
            Self::Aired => "aired",
        }
    }
}

impl fmt::Display for Treatment {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::SkinsDry => "skins dry",
            Self::CutsDry => "cut surfaces dry",
            other => other.key(),
        })
    }
}

/// A word that is not one of them.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is not known here")]
pub struct UnknownWord(String);

macro_rules! by_key {
    ($($name:ty),*) => {$(
        impl FromStr for $name {
            type Err = UnknownWord;

            fn from_str(text: &str) -> Result<Self, UnknownWord> {
                let wanted = text.trim().to_lowercase().replace(' ', "-");
                (Self::ALL.into_iter())
                    .find(|one| one.key() == wanted)
                    .ok_or_else(|| UnknownWord(text.chars().take(40).collect()))
            }
        }
    )*};
}
by_key!(Finding, Treatment);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_and_json_say_the_same() {
        for one in Finding::ALL {
            assert_eq!(one.key().parse(), Ok(one));
            assert_eq!(one.to_string().parse(), Ok(one));
            assert_eq!(
                serde_json::to_string(&one).unwrap(),
                format!("\"{}\"", one.key())
            );
        }
        for one in Treatment::ALL {
            assert_eq!(one.key().parse(), Ok(one));
            assert_eq!(
                serde_json::to_string(&one).unwrap(),
                format!("\"{}\"", one.key())
            );
        }
        assert!("rotten".parse::<Finding>().is_err());
    }
}
