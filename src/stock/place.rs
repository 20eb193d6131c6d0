//! Where in a room a crate stands, in the order in which a person walks past.

use std::{cmp::Ordering, mem};

/// Where in a room a crate stands: which rack or wall, which of its shelves, where on the shelf.
///
/// Each part is kept as it was written, spaces apart, and is empty when it was not said. Parts are
/// compared without regard to capitals and leading zeros (`Shelf 02` is `shelf 2`).
///
/// Ordered as one walks: rack by rack, along the top shelf first and then down, position by
/// position; what is not said comes last. From the top, as the drawing of a wall reads, and as what
/// crumbles from a crate then falls on those not yet looked at. Shelves are counted from the floor
/// up (common practice), so shelf 3 comes before shelf 2, and likewise C before B; the words top,
/// upper, lower, bottom, floor and ground go where they say, whatever is numbered between them.
#[derive(Debug, Clone, Default)]
pub struct Place {
    /// The rack, the wall, the pallet.
    pub rack: String,
    /// The level, by habit `shelf 2`.
    pub shelf: String,
    /// Along the shelf, by habit a number from the left.
    pub position: String,
}

impl Place {
    /// Reads `north wall / shelf 2 / 3`, with or without spaces around the strokes.
    ///
    /// Without a stroke the parts may be divided by commas or hyphens, each followed by a space
    /// (a hyphen also after one), when that gives two or three parts, none empty: `1,5 m` and
    /// `left-hand` are words, a longer list is a description and names the rack as a whole. Of four
    /// and more parts divided by strokes, all from the third on are the position.
    ///
    /// Fewer than three parts are told by their words. A part with the word shelf, level or tier is
    /// the shelf. A part without any letter is the position: whoever has shelves names them, and
    /// `floor pallet / 2` has none. Else the first part is the rack and the second the shelf.
    pub fn read(text: &str) -> Self {
        let mut parts: Vec<String> = divide(text).into_iter().map(squeezed).collect();
        match parts.as_mut_slice() {
            [one] => {
                let part = mem::take(one);
                if names_shelf(&part) {
                    Self::of("", part, "")
                } else if is_position(&part) {
                    Self::of("", "", part)
                } else {
                    Self::of(part, "", "")
                }
            }
            [first, second] => {
                let (first, second) = (mem::take(first), mem::take(second));
                if names_shelf(&first) {
                    Self::of("", first, second)
                } else if is_position(&second) {
                    Self::of(first, "", second)
                } else {
                    Self::of(first, second, "")
                }
            }
            [rack, shelf, position @ ..] => {
                Self::of(mem::take(rack), mem::take(shelf), position.join(" / "))
            }
            [] => Self::default(),
        }
    }

    fn of(rack: impl Into<String>, shelf: impl Into<String>, position: impl Into<String>) -> Self {
        Self {
            rack: rack.into(),
            shelf: shelf.into(),
            position: position.into(),
        }
    }

    /// Whether both are at one rack; not when either does not say at which it is.
    pub fn same_rack(&self, other: &Self) -> bool {
        !self.rack.is_empty() && natural(&self.rack, &other.rack).is_eq()
    }
}

fn divide(text: &str) -> Vec<&str> {
    if text.contains('/') {
        return text.split('/').collect();
    }
    [", ", " - "]
        .iter()
        .map(|between| text.split(between).collect::<Vec<_>>())
        .find(|parts| {
            (2..=3).contains(&parts.len()) && parts.iter().all(|part| !part.trim().is_empty())
        })
        .unwrap_or_else(|| vec![text])
}

/// Without spaces at its ends, and one between words.
fn squeezed(part: &str) -> String {
    part.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn has_word(part: &str, words: &[&str]) -> bool {
    part.split(|c: char| !c.is_alphabetic())
        .any(|word| words.iter().any(|known| known.eq_ignore_ascii_case(word)))
}

fn names_shelf(part: &str) -> bool {
    has_word(part, &["shelf", "level", "tier"])
}

fn is_position(part: &str) -> bool {
    !part.contains(char::is_alphabetic)
}

impl PartialEq for Place {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other).is_eq()
    }
}

impl Eq for Place {}

impl PartialOrd for Place {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Place {
    fn cmp(&self, other: &Self) -> Ordering {
        said_first(&self.rack, &other.rack, natural)
            .then_with(|| said_first(&self.shelf, &other.shelf, from_the_top))
            .then_with(|| said_first(&self.position, &other.position, natural))
    }
}

/// What is empty comes last.
fn said_first(a: &str, b: &str, order: fn(&str, &str) -> Ordering) -> Ordering {
    a.is_empty().cmp(&b.is_empty()).then_with(|| order(a, b))
}

fn from_the_top(a: &str, b: &str) -> Ordering {
    let down = |shelf: &str| {
        [
            &["top"][..],
            &["upper"],
            &[],
            &["lower"],
            &["bottom"],
            &["floor", "ground"],
        ]
        .iter()
        .position(|words| has_word(shelf, words))
        .unwrap_or(2)
    };
    down(a).cmp(&down(b)).then_with(|| natural(b, a))
}

/// A stretch of a text that is compared as a whole. Numbers come before words.
#[derive(PartialEq, Eq, PartialOrd, Ord)]
enum Run {
    /// Without leading zeros: the one with more digits is greater.
    Number(usize, String),
    Word(String),
}

/// The order in which people count: `A2` before `A10`, without regard to capitals and leading
/// zeros.
pub fn natural(a: &str, b: &str) -> Ordering {
    runs(a).cmp(&runs(b))
}

fn runs(text: &str) -> Vec<Run> {
    let mut runs = Vec::new();
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        let digits = first.is_ascii_digit();
        let end = rest
            .find(|c: char| c.is_ascii_digit() != digits)
            .unwrap_or(rest.len());
        let (run, after) = rest.split_at(end);
        rest = after;
        runs.push(if digits {
            let number = run.trim_start_matches('0');
            Run::Number(number.len(), number.to_owned())
        } else {
            Run::Word(run.to_lowercase())
        });
    }
    runs
}

/// A rack or wall as it is drawn.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rack<T> {
    /// As first written; empty for what stands at no named rack, which is the last.
    pub name: String,
    /// From the top.
    pub shelves: Vec<Shelf<T>>,
}

/// A shelf as it is drawn.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shelf<T> {
    /// As first written; empty for what stands on no named shelf, which is the last.
    pub name: String,
    /// In order of position.
    pub spots: Vec<Spot<T>>,
}

/// What stands at one position of a shelf.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Spot<T> {
    /// As first written; empty for everything without a position, which is the last.
    pub position: String,
    /// At least one, side by side, in the order in which they were given.
    pub items: Vec<T>,
}

/// What stands in one room, for a drawing of its walls: in walking order, put together by rack,
/// shelf and position. `place` gives the text of an item's place.
pub fn wall<T>(items: impl IntoIterator<Item = T>, place: impl Fn(&T) -> &str) -> Vec<Rack<T>> {
    let mut items: Vec<(Place, T)> = items
        .into_iter()
        .map(|item| (Place::read(place(&item)), item))
        .collect();
    items.sort_by(|(a, _), (b, _)| a.cmp(b));
    let mut racks: Vec<Rack<T>> = Vec::new();
    for (place, item) in items {
        let rack = last_or(
            &mut racks,
            |rack| same(&rack.name, &place.rack),
            || Rack {
                name: place.rack.clone(),
                shelves: Vec::new(),
            },
        );
        let shelf = last_or(
            &mut rack.shelves,
            |shelf| same(&shelf.name, &place.shelf),
            || Shelf {
                name: place.shelf.clone(),
                spots: Vec::new(),
            },
        );
        let spot = last_or(
            &mut shelf.spots,
            |spot| same(&spot.position, &place.position),
            || Spot {
                position: place.position.clone(),
                items: Vec::new(),
            },
        );
        spot.items.push(item);
    }
    racks
}

fn same(a: &str, b: &str) -> bool {
    natural(a, b).is_eq()
}

/// The last of a list when it fits, else a new last one.
fn last_or<T>(list: &mut Vec<T>, fits: impl Fn(&T) -> bool, new: impl FnOnce() -> T) -> &mut T {
    if !list.last().is_some_and(fits) {
        list.push(new());
    }
    list.last_mut()
        .expect("one was just pushed if none was there")
}

#[cfg(test)]
mod tests {
    use std::fmt::Write as _;

    use proptest::prelude::*;

    use super::*;

    #[test]
    fn places_are_read_by_their_parts() {
        for (text, rack, shelf, position) in [
            ("north wall / shelf 2 / 3", "north wall", "shelf 2", "3"),
            ("North Wall/Shelf 2/3", "North Wall", "Shelf 2", "3"),
            ("  north   wall /shelf 2/ 3 ", "north wall", "shelf 2", "3"),
            ("north wall, shelf 2, 3", "north wall", "shelf 2", "3"),
            ("north wall - shelf 2 - 3", "north wall", "shelf 2", "3"),
            ("A / 2 / 3", "A", "2", "3"),
            ("A / 2 / left / front", "A", "2", "left / front"),
            ("rack 1 / / 3", "rack 1", "", "3"),
            ("/ / 3", "", "", "3"),
            // Two parts.
            ("floor pallet / 2", "floor pallet", "", "2"),
            ("rack 1 / shelf 2", "rack 1", "shelf 2", ""),
            ("rack 1 / top", "rack 1", "top", ""),
            ("shelf 2 / 3", "", "shelf 2", "3"),
            ("Top shelf, left", "", "Top shelf", "left"),
            ("rack 1 /", "rack 1", "", ""),
            // One part.
            ("by the door", "by the door", "", ""),
            ("shelf 2", "", "shelf 2", ""),
            ("12", "", "", "12"),
            ("", "", "", ""),
            (" ", "", "", ""),
            // Not separators.
            ("1,5 m from the door", "1,5 m from the door", "", ""),
            ("left-hand rack", "left-hand rack", "", ""),
            ("A-2-3", "A-2-3", "", ""),
            ("a, b, c, d", "a, b, c, d", "", ""),
            ("wall, low / shelf 1", "wall, low", "shelf 1", ""),
        ] {
            let place = Place::read(text);
            assert_eq!(
                [&*place.rack, &*place.shelf, &*place.position],
                [rack, shelf, position],
                "{text:?}"
            );
        }
    }

    #[test]
    fn numbers_in_words_are_counted() {
        for (a, b, order) in [
            ("shelf 2", "shelf 10", Ordering::Less),
            ("A2", "a10", Ordering::Less),
            ("a2", "A02", Ordering::Equal),
            ("A", "A1", Ordering::Less),
            ("2", "a", Ordering::Less),
            ("0", "00", Ordering::Equal),
            ("a2b10", "a2b9", Ordering::Greater),
            (
                "99999999999999999999999",
                "100000000000000000000000",
                Ordering::Less,
            ),
            ("\u{c4}1", "\u{e4}1", Ordering::Equal),
        ] {
            assert_eq!(natural(a, b), order, "{a} {b}");
            assert_eq!(natural(b, a), order.reverse(), "{b} {a}");
        }
    }

    #[test]
    fn one_walks_rack_by_rack_from_the_top_shelf_down() {
        let walk = [
            "east wall / shelf 10 / 1",
            "east wall / shelf 2 / 1",
            "east wall / shelf 2 / 2",
            "east wall / shelf 2 / 10",
            "east wall / shelf 2",
            "east wall / shelf 1 / 1",
            "east wall / 1",
            "east wall",
            "rack 2 / top / 1",
            "rack 2 / upper shelf / 1",
            "rack 2 / C / 1",
            "rack 2 / B / 1",
            "rack 2 / shelf lower / 1",
            "rack 2 / bottom / 1",
            "rack 2 / floor / 1",
            "rack 10 / top / 1",
            "shelf 3 / 1",
            "4",
            "",
        ];
        for pair in walk.windows(2) {
            let [first, second] = [pair[0], pair[1]].map(Place::read);
            assert!(first < second, "{pair:?}");
        }
        assert_eq!(Place::read("A/shelf 02/3"), Place::read("a / Shelf 2 / 03"));
    }

    #[test]
    fn one_rack_is_one_however_it_is_written() {
        for (a, b, same) in [
            ("rack 1 / shelf 1 / 1", "Rack 01 / shelf 2", true),
            ("rack 1", "rack 10", false),
            ("shelf 1 / 2", "shelf 1 / 2", false),
        ] {
            assert_eq!(Place::read(a).same_rack(&Place::read(b)), same, "{a}, {b}");
        }
    }

    #[test]
    fn a_wall_is_drawn_shelf_by_shelf() {
        let crates = [
            ("a", "rack 2 / shelf 1 / 2"),
            ("b", "rack 2 / shelf 1"),
            ("c", "rack 2 / shelf 2 / 1"),
            ("d", "Rack 2/Shelf 1/1"),
            ("e", "rack 2 / shelf 1 / 2"),
            ("f", ""),
            ("g", "rack 1 / shelf 1 / 1"),
            ("h", "rack 2 / shelf 1"),
            ("i", "floor pallet / 1"),
        ];
        let mut drawn = String::new();
        for rack in wall(crates, |item| item.1) {
            write!(drawn, "[{}]", rack.name).unwrap();
            for shelf in rack.shelves {
                write!(drawn, " {}:", shelf.name).unwrap();
                for spot in shelf.spots {
                    let items: String = spot.items.iter().map(|item| item.0).collect();
                    write!(drawn, " {}={items}", spot.position).unwrap();
                }
            }
            drawn += "\n";
        }
        assert_eq!(
            drawn,
            "[floor pallet] : 1=i\n\
             [rack 1] shelf 1: 1=g\n\
             [rack 2] shelf 2: 1=c Shelf 1: 1=d 2=ae =bh\n\
             [] : =f\n"
        );
    }

    fn text() -> impl Strategy<Value = String> {
        prop_oneof![
            "[aB0-2 /,-]{0,12}",
            "(rack|shelf|top) ?[0-9]{0,2}( / [0-9]{0,2}){0,3}",
            ".{0,20}"
        ]
    }

    proptest! {
        #[test]
        fn the_order_is_total(a in text(), b in text(), c in text()) {
            let [a, b, c] = [a, b, c].map(|text| Place::read(&text));
            prop_assert_eq!(a.cmp(&b), b.cmp(&a).reverse());
            if a <= b && b <= c {
                prop_assert!(a <= c);
            }
            prop_assert_eq!(&a, &a.clone());
        }

        #[test]
        fn a_drawing_loses_nothing(places in prop::collection::vec(text(), 0..30)) {
            let items = places.iter().enumerate();
            let racks = wall(items, |(_, text)| text);
            let shelves = racks.iter().flat_map(|rack| &rack.shelves);
            let spots = shelves.flat_map(|shelf| &shelf.spots);
            let drawn: Vec<usize> = spots.flat_map(|s| s.items.iter().map(|(n, _)| *n)).collect();
            let mut sorted: Vec<usize> = (0..places.len()).collect();
            sorted.sort_by_key(|n| Place::read(&places[*n]));
            prop_assert_eq!(drawn, sorted);
        }
    }
}
