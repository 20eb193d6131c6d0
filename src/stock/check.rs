//! A check character beside each crate's code, and what a person types from a label.
//!
//! The label says the code and after it one more letter or digit that follows from it, so that a
//! slip of a gloved finger is noticed instead of being booked on another crate.

use std::collections::BTreeSet;

use super::CrateCode;

/// Letters and digits together, and so the values a check character can have.
const RADIX: u32 = 36;

/// So many letters and digits at most are read: twice the longest code with its check character.
/// More is no code; it may be the text of a page that was pasted by mistake.
const MOST_TYPED: usize = 50;

/// So many crates at most are offered after a slip: what a phone shows without scrolling.
const MOST_NEAREST: usize = 5;

/// A difference that is one slip: a wrong, missing or added character, or two that changed places.
const SLIP: usize = 2;

/// A character written for one that looks like it: half a slip.
const ALIKE: usize = 1;

/// The check character of a code: ISO/IEC 7064, the hybrid system MOD 37,36.
///
/// Computed over the letters (as capitals) and digits of the code; the signs `-`, `.` and `/` are
/// passed over, so codes that differ in signs alone share it. It is itself a letter or digit.
///
/// Notices every single wrong character, and of the swaps of two neighbours all but 1 in 630: at
/// each place of a code there is one pair that can be swapped unseen, and its two characters follow
/// one another in the order 0 to 9, A to Z, 0 (at the beginning of a code it is `IJ` and `JI`). Of
/// other slips about 1 in 36 passes.
pub fn check_character(code: &CrateCode) -> char {
    let state = letters(code.as_str())
        .filter_map(|c| c.to_digit(RADIX))
        .fold(RADIX, step);
    char::from_digit((RADIX + 1 - state) % RADIX, RADIX)
        .expect("below 36")
        .to_ascii_uppercase()
}

/// One character of the hybrid system; the state is 1 to 36.
fn step(state: u32, value: u32) -> u32 {
    let sum = match (state + value) % RADIX {
        0 => RADIX,
        sum => sum,
    };
    sum * 2 % (RADIX + 1)
}

/// What a text typed from a label may mean.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Typed {
    /// The code of this crate and its check character.
    Exact(CrateCode),
    /// The code of this crate alone. A slip would not have been noticed, so ask.
    Bare(CrateCode),
    /// More than one crate; those whose check character was typed come first.
    Several(Vec<CrateCode>),
    /// No crate: the check character does not fit, or there is no such code.
    Slip {
        /// Up to five crates whose label differs least, the likeliest first; may be none.
        nearest: Vec<CrateCode>,
    },
}

/// Which crate is meant by a text that was typed from a label.
///
/// Small letters, spaces and signs left out do not matter, nor do characters that look alike:
/// O and 0, I, L and 1, S and 5, B and 8, Z and 2. Anything that is no letter, digit or sign of a
/// code is passed over. Growers choose their codes freely, so a text may have several readings:
///
/// - It is read as a code with its check character and as a code alone. When it can be both
///   (`E-82` is a crate, and 2 the check character of `E-8`), that is `Several`: a text that is a
///   crate's whole code is never taken for another crate without asking.
/// - Signs left out fit any signs, so `B07` is `Several` where `B-07` and `B07` are crates, with the
///   check character too, which they share. Signs that were typed inside the code decide, when
///   some crate has just those; when none has, they are passed over. A sign typed between code and
///   check character says nothing.
/// - With a check character, the crate that fits as written goes before crates that fit by
///   characters that look alike. Does none fit as written, and one wrong character or swap of
///   neighbours parts the text from another crate's label, that is `Several` with it: otherwise a
///   check character of O read as 0 would let such a slip pass.
/// - A code alone that fits several crates by characters that look alike (`B-07` and `8-07`) is
///   `Several`, the one as written first, since nothing tells whether it was read well.
/// - Leading zeros count: `B-7` is not `B-07`, but offered as near.
///
/// After a slip, crates are near whose label or bare code differs in at most half of the characters
/// typed (one difference is always near). Of equally near ones those near by their label come
/// first, then they follow in the order of their codes.
pub fn typed<'a>(text: &str, known: impl IntoIterator<Item = &'a CrateCode>) -> Typed {
    let typed: Vec<char> = letters(text).take(MOST_TYPED + 1).collect();
    if typed.is_empty() || typed.len() > MOST_TYPED {
        return Typed::Slip {
            nearest: Vec::new(),
        };
    }
    let known: BTreeSet<&CrateCode> = known.into_iter().collect();
    let mut readings: Vec<Reading<'_>> = known
        .iter()
        .filter_map(|code| Reading::of(text, &typed, code))
        .collect();
    if readings.iter().any(|r| r.signs == Signs::Same) {
        readings.retain(|r| r.signs != Signs::Other);
    }
    let (mut checked, mut bare): (Vec<_>, Vec<_>) = readings.into_iter().partition(|r| r.checked);
    bare.sort_by_key(|r| !r.as_written);
    let mut asked: Vec<&CrateCode> = bare.iter().map(|r| r.code).collect();
    if checked.iter().any(|r| r.as_written) {
        checked.retain(|r| r.as_written);
    } else if !checked.is_empty() {
        asked.extend(known.iter().filter(|code| {
            one_slip(&typed, &label(code)) && checked.iter().all(|r| r.code != **code)
        }));
    }
    match (checked.as_slice(), asked.as_slice()) {
        ([], []) => Typed::Slip {
            nearest: nearest(&typed, &known),
        },
        ([one], []) => Typed::Exact(one.code.clone()),
        ([], [one]) => Typed::Bare((*one).clone()),
        _ => Typed::Several(
            checked
                .iter()
                .map(|r| r.code)
                .chain(asked)
                .cloned()
                .collect(),
        ),
    }
}

/// Letters, as capitals, and digits.
fn letters(text: &str) -> impl Iterator<Item = char> + '_ {
    text.chars()
        .filter(|c| c.is_alphanumeric())
        .map(|c| c.to_ascii_uppercase())
}

/// One character for all that look like it.
fn plain(c: char) -> char {
    match c {
        'O' => '0',
        'I' | 'L' => '1',
        'S' => '5',
        'B' => '8',
        'Z' => '2',
        c => c,
    }
}

fn alike(a: &[char], b: &[char]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| plain(*a) == plain(*b))
}

/// Whether one character is another, or two neighbours changed places, and all else is as written.
fn one_slip(a: &[char], b: &[char]) -> bool {
    let differing: Vec<usize> = (0..a.len().min(b.len()))
        .filter(|at| a[*at] != b[*at])
        .collect();
    a.len() == b.len()
        && match differing[..] {
            [_] => true,
            [i, j] => j == i + 1 && a[i] == b[j] && a[j] == b[i],
            _ => false,
        }
}

/// How the signs that were typed inside a code agree with a crate's.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Signs {
    Untyped,
    Same,
    Other,
}

/// One way in which a text means a crate.
struct Reading<'a> {
    code: &'a CrateCode,
    /// With its check character.
    checked: bool,
    /// Letter for letter, not by characters that look alike.
    as_written: bool,
    signs: Signs,
}

impl<'a> Reading<'a> {
    /// None when the text cannot mean this crate. It cannot be both its code and its code with the
    /// check character, as their lengths differ.
    fn of(text: &str, typed: &[char], code: &'a CrateCode) -> Option<Self> {
        let label = label(code);
        let checked = typed.len() == label.len();
        let whole = if checked {
            label.as_slice()
        } else {
            &label[..label.len() - 1]
        };
        alike(typed, whole).then(|| Self {
            code,
            checked,
            as_written: typed == whole,
            signs: signs(text, checked, code),
        })
    }
}

/// The letters and digits of a code and its check character.
fn label(code: &CrateCode) -> Vec<char> {
    letters(code.as_str())
        .chain([check_character(code)])
        .collect()
}

fn is_sign(c: char) -> bool {
    ['-', '.', '/'].contains(&c)
}

/// Compares the signs inside a text whose letters fit; those at its end or before a check
/// character may belong to the code or to nothing.
fn signs(text: &str, checked: bool, code: &CrateCode) -> Signs {
    let shape = |text: &str| -> String {
        text.chars()
            .map(|c| match c {
                // A phone writes a longer dash for a hyphen now and then.
                '\u{2010}'..='\u{2015}' | '\u{2212}' => '-',
                c => plain(c.to_ascii_uppercase()),
            })
            .filter(|c| c.is_alphanumeric() || is_sign(*c))
            .collect()
    };
    let mut part = shape(text);
    if checked {
        let check = part.rfind(|c: char| !is_sign(c)).unwrap_or(part.len());
        part.truncate(check);
    }
    let inside = part.trim_end_matches(is_sign);
    let code = shape(code.as_str());
    if !inside.contains(is_sign) {
        Signs::Untyped
    } else if part == code || inside == code {
        Signs::Same
    } else {
        Signs::Other
    }
}

/// Crates by how little of what was typed differs from their label or bare code.
fn nearest(typed: &[char], known: &BTreeSet<&CrateCode>) -> Vec<CrateCode> {
    let within = SLIP * (typed.len() / 2).max(1);
    // Where as little differs, a label goes before a code alone.
    let mut near: Vec<(usize, bool, &CrateCode)> = known
        .iter()
        .filter_map(|code| {
            let label = label(code);
            let bare = &label[..label.len() - 1];
            let (differs, alone) =
                (difference(typed, &label), false).min((difference(typed, bare), true));
            (differs <= within).then_some((differs, alone, *code))
        })
        .collect();
    near.sort();
    near.into_iter()
        .take(MOST_NEAREST)
        .map(|(_, _, code)| code.clone())
        .collect()
}

/// The least sum of slips that turns one into the other: the edit distance in which two neighbours
/// may change places once (optimal string alignment).
fn difference(a: &[char], b: &[char]) -> usize {
    let mut rows = vec![vec![0; b.len() + 1]; a.len() + 1];
    for i in 0..=a.len() {
        for j in 0..=b.len() {
            rows[i][j] = if i == 0 || j == 0 {
                (i + j) * SLIP
            } else {
                let other = match (a[i - 1], b[j - 1]) {
                    (a, b) if a == b => 0,
                    (a, b) if plain(a) == plain(b) => ALIKE,
                    _ => SLIP,
                };
                let mut least = (rows[i - 1][j - 1] + other)
                    .min(rows[i - 1][j] + SLIP)
                    .min(rows[i][j - 1] + SLIP);
                if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                    least = least.min(rows[i - 2][j - 2] + SLIP);
                }
                least
            };
        }
    }
    rows[a.len()][b.len()]
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const ALPHABET: &str = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ";

    fn code(text: &str) -> CrateCode {
        text.parse().unwrap()
    }

    fn codes(text: &str) -> Vec<CrateCode> {
        text.split_whitespace().map(code).collect()
    }

    fn ask(text: &str, known: &str) -> String {
        let join = |codes: Vec<CrateCode>| {
            let codes: Vec<_> = codes.iter().map(CrateCode::as_str).collect();
            codes.join(" ")
        };
        match typed(text, &codes(known)) {
            Typed::Exact(code) => format!("exact {code}"),
            Typed::Bare(code) => format!("bare {code}"),
            Typed::Several(codes) => format!("several {}", join(codes)),
            Typed::Slip { nearest } => format!("slip {}", join(nearest)).trim().to_owned(),
        }
    }

    /// Published examples of the system: release identifiers of recorded music, which use it
    /// (the first from memory, all three also found in tests of public libraries).
    #[test]
    fn agrees_with_published_examples() {
        for (text, check) in [
            ("A12425GABC1234002", 'M'),
            ("A1-2425G-ABC1234002", 'M'),
            ("a1/2425g.abc1234002", 'M'),
            ("B159D8FA01240000", 'K'),
            ("188166C734200000", '3'),
        ] {
            assert_eq!(check_character(&code(text)), check, "{text}");
        }
    }

    /// From every state, each pair of different characters once: one pair of 630 can be swapped
    /// unseen, and they follow one another in the alphabet, taken as a ring.
    #[test]
    fn swaps_that_pass_are_known_exactly() {
        for state in 1..=RADIX {
            let passing: Vec<_> = (0..RADIX)
                .flat_map(|a| (a + 1..RADIX).map(move |b| (a, b)))
                .filter(|&(a, b)| step(step(state, a), b) == step(step(state, b), a))
                .collect();
            assert_eq!(passing.len(), 1, "{state}");
            let (a, b) = passing[0];
            assert!(b - a == 1 || (a, b) == (0, RADIX - 1), "{state}: {a} {b}");
        }
        assert_eq!(
            check_character(&code("IJ-07")),
            check_character(&code("JI-07"))
        );
    }

    /// The last character of a code and its check character: unseen only for `0` before `1` and `1`
    /// before `0`, after one of the 36 states.
    #[test]
    fn swaps_with_the_check_character_are_known_exactly() {
        let last = |state, value| (RADIX + 1 - step(state, value)) % RADIX;
        let mut passing = Vec::new();
        for state in 1..=RADIX {
            for value in 0..RADIX {
                let check = last(state, value);
                if check != value && last(state, check) == value {
                    passing.push((state, value, check));
                }
            }
        }
        assert_eq!(passing, [(18, 0, 1), (18, 1, 0)]);
    }

    #[test]
    fn what_is_typed_finds_its_crate() {
        let farm = "A-01 B-07 B-08 C-01 C-15";
        assert_eq!(check_character(&code("B-07")), '9');
        for (text, known, want) in [
            ("B-07 9", farm, "exact B-07"),
            ("b079", farm, "exact B-07"),
            ("  b - 0 7   9 ", farm, "exact B-07"),
            ("B-07-9", farm, "exact B-07"),
            ("B\u{2013}07.9.", farm, "exact B-07"),
            ("BO79", farm, "exact B-07"),
            ("8-o7 9", farm, "exact B-07"),
            ("B-07", farm, "bare B-07"),
            ("b07", farm, "bare B-07"),
            ("8O7", farm, "bare B-07"),
            ("", farm, "slip"),
            (" -. ", farm, "slip"),
            ("something else entirely", farm, "slip"),
            ("\u{e9}07", "B-07", "slip B-07"),
            ("B-07 G", "B-07", "slip B-07"),
            ("B-7", "B-07", "slip B-07"),
            ("B-70 9", "B-07", "slip B-07"),
            // X is the check character of 2.
            ("X", "1 2 3 4 5 6 7", "slip 2 1 3 4 5"),
            ("B-07", "", "slip"),
        ] {
            assert_eq!(ask(text, known), want, "{text:?}");
        }
        assert_eq!(ask(&"7".repeat(10_000), farm), "slip");
    }

    #[test]
    fn doubtful_texts_are_asked_about() {
        let check = |text: &str| check_character(&code(text));
        assert_eq!((check("E-8"), check("B07"), check("807")), ('2', '9', 'V'));
        for (text, known, want) in [
            // A code alone, or a shorter code with its check character.
            ("E-82", "E-8 E-82", "several E-8 E-82"),
            ("E-82", "E-8", "exact E-8"),
            ("E-82", "E-82", "bare E-82"),
            ("E-8Z", "E-8 E-82", "several E-8 E-82"),
            ("E-82", "E-8 E-8Z", "several E-8 E-8Z"),
            // The last character is not the check of the shorter code: never taken for it.
            ("E-85", "E-8 E-85", "bare E-85"),
            ("E-85", "E-8", "slip E-8"),
            // O for the check 0 of A-029, or 2 for the 5 of A-059, whose check is O.
            ("A029O", "A-029 A-059", "several A-029 A-059"),
            ("A0290", "A-029 A-059", "exact A-029"),
            ("A029O", "A-029", "exact A-029"),
            // Codes that differ in signs alone.
            ("B07", "B-07 B07", "several B-07 B07"),
            ("B079", "B-07 B07", "several B-07 B07"),
            ("B07-9", "B-07 B07", "several B-07 B07"),
            ("B-07", "B-07 B07", "bare B-07"),
            ("B-079", "B-07 B07", "exact B-07"),
            ("B.079", "B-07 B07", "several B-07 B07"),
            ("1-23", "1-23 12-3", "bare 1-23"),
            ("123", "1-23 12-3", "several 1-23 12-3"),
            ("A.", "A. A", "several A A."),
            // Codes that look alike.
            ("807", "B-07 8-07", "several 8-07 B-07"),
            ("B07", "B-07 8-07", "several B-07 8-07"),
            ("B079", "B-07 8-07", "exact B-07"),
            ("807V", "B-07 8-07", "exact 8-07"),
            // The check of 8-07 after the code of B-07.
            ("B07V", "B-07 8-07", "several 8-07 B-07"),
            ("B07V", "8-07", "exact 8-07"),
            // Said twice is one crate.
            ("B079", "b-07 B-07", "exact B-07"),
        ] {
            assert_eq!(ask(text, known), want, "{text:?} of {known}");
        }
    }

    /// Every wrong character and every swap of neighbours on labels of a farm, but for swaps that
    /// make the label of another crate: the right crate is among those offered.
    #[test]
    fn a_slip_on_a_farm_is_noticed() {
        let farm: Vec<CrateCode> = "AB"
            .chars()
            .flat_map(|row| (1..=100).map(move |n| code(&format!("{row}-{n:03}"))))
            .collect();
        let labels: BTreeSet<Vec<char>> = farm.iter().map(label).collect();
        for code in farm.iter().step_by(47) {
            let label = label(code);
            let mut slips = Vec::new();
            for at in 0..label.len() {
                for other in ALPHABET.chars() {
                    let mut slip = label.clone();
                    slip[at] = other;
                    slips.push(slip);
                }
                let mut slip = label.clone();
                slip.swap(at, (at + 1).min(label.len() - 1));
                slips.push(slip);
            }
            slips.retain(|slip| !alike(slip, &label) && !labels.contains(slip));
            for slip in slips {
                let slip: String = slip.into_iter().collect();
                match typed(&slip, &farm) {
                    Typed::Slip { nearest: offered } | Typed::Several(offered) => {
                        assert!(offered.contains(code), "{slip} for {code}: {offered:?}");
                    }
                    other => panic!("{slip} for {code}: {other:?}"),
                }
            }
        }
        // No single wrong character leads from one label to another.
        for label in &labels {
            for other in &labels {
                let differing = label.iter().zip(other).filter(|(a, b)| a != b).count();
                assert_ne!(differing, 1, "{label:?} {other:?}");
            }
        }
    }

    proptest! {
        #[test]
        fn a_wrong_character_changes_the_check(
            text in "[A-Z0-9]{1,24}",
            at in any::<prop::sample::Index>(),
            to in "[A-Z0-9]",
        ) {
            let at = at.index(text.len());
            let mut wrong = text.clone();
            wrong.replace_range(at..=at, &to);
            prop_assume!(wrong != text);
            prop_assert_ne!(check_character(&code(&text)), check_character(&code(&wrong)));
        }

        #[test]
        fn a_label_typed_carelessly_is_exact(
            text in "[A-Za-z0-9.][A-Za-z0-9./-]{0,22}[A-Za-z0-9]",
            how in prop::collection::vec(0..5_u8, 50),
        ) {
            let crate_code = code(&text);
            let whole = format!("{text} {}", check_character(&crate_code));
            let careless: String = whole.chars().zip(how).filter_map(|(c, how)| match how {
                0 if is_sign(c) => None,
                1 => Some(c.to_ascii_lowercase().to_string()),
                2 => Some(format!("{c} ")),
                3 => Some(plain(c.to_ascii_uppercase()).to_string()),
                _ => Some(c.to_string()),
            }).collect();
            prop_assert_eq!(typed(&careless, [&crate_code]), Typed::Exact(crate_code.clone()));
        }

        /// Whatever the codes, a crate's own code is never taken for another without asking.
        #[test]
        fn a_whole_code_is_never_another_crate(
            known in prop::collection::vec("[0-25BZA-C]{1,3}", 1..60),
            at in any::<prop::sample::Index>(),
        ) {
            let known: Vec<CrateCode> = known.iter().map(|text| code(text)).collect();
            let meant = at.get(&known);
            match typed(meant.as_str(), &known) {
                Typed::Bare(found) => prop_assert_eq!(&found, meant),
                Typed::Several(found) => prop_assert!(found.contains(meant)),
                other => prop_assert!(false, "{:?}", other),
            }
        }

        #[test]
        fn any_text_is_answered(text in ".{0,80}") {
            let known = codes("A-01 B-07 1 12 123");
            if let Typed::Slip { nearest } = typed(&text, &known) {
                prop_assert!(nearest.len() <= MOST_NEAREST);
            }
        }
    }
}
