//! Which column feeds which field, as plain data that a form can carry.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use thiserror::Error;

use super::{DateOrder, MAX_COLUMNS};
use crate::stock::{Form, list::COLUMNS};

/// Which columns of a sheet feed which fields of the crate list, and what the sheet does not say.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Mapping {
    /// Columns, counted from 0, by field of [`COLUMNS`]; only place and note have more than one.
    pub columns: BTreeMap<&'static str, Vec<usize>>,
    /// The room of every crate when no column names it.
    pub room: String,
    /// The packing of every crate when no column names it.
    pub packing: String,
    /// The form of rows that name none.
    pub form: Option<Form>,
    /// The day rows were dug that name none.
    pub dug: Option<NaiveDate>,
    /// Which part of a day comes first; none is asked for when a day can be read in two ways.
    pub date_order: Option<DateOrder>,
    /// Whether `12,4` is a little more than twelve.
    pub decimal_comma: bool,
    /// The unit of weights that name none.
    pub unit: Option<Unit>,
    /// How codes begin that are made for rows of a sheet without a column of codes, such as `C-`.
    pub series: Option<String>,
    /// Whether a row without a code is one more lot of the crate above.
    pub fill_down: bool,
}

/// The unit of a column of weights.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unit {
    /// Kilograms.
    Kilogram,
    /// Grams.
    Gram,
    /// International pounds.
    Pound,
}

impl Unit {
    /// As the crate list writes it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Kilogram => "kg",
            Self::Gram => "g",
            Self::Pound => "lb",
        }
    }

    /// A unit by any of its common names.
    pub(super) fn named(word: &str) -> Option<Self> {
        match word {
            "kg" | "kgs" | "kilo" | "kilos" | "kilogram" | "kilograms" => Some(Self::Kilogram),
            "g" | "gram" | "grams" => Some(Self::Gram),
            "lb" | "lbs" | "pound" | "pounds" => Some(Self::Pound),
            _ => None,
        }
    }
}

/// A field of a form that no page of ours sends so.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("the field `{0}` cannot be read")]
pub struct BadField(pub String);

const ORDERS: [(&str, DateOrder); 3] = [
    ("day", DateOrder::DayFirst),
    ("month", DateOrder::MonthFirst),
    ("year", DateOrder::YearFirst),
];

impl Mapping {
    /// The fields of a form: `column-code` and so on with column numbers counted from 0 and divided
    /// by commas, `room`, `packing`, `form`, `dug`, `dates` (day, month or year), `decimal-comma`
    /// and `fill-down` (yes), `unit` (kg, g or lb), `series`. What is not said is left out.
    pub fn to_fields(&self) -> BTreeMap<String, String> {
        let columns = self.columns.iter().map(|(field, columns)| {
            let columns: Vec<_> = columns.iter().map(usize::to_string).collect();
            (format!("column-{field}"), columns.join(","))
        });
        let order = ORDERS.into_iter().find(|o| Some(o.1) == self.date_order);
        let yes = |said: bool| if said { "yes" } else { "" }.to_owned();
        let said = [
            ("room", self.room.clone()),
            ("packing", self.packing.clone()),
            ("form", self.form.map(|f| f.to_string()).unwrap_or_default()),
            ("dug", self.dug.map(|d| d.to_string()).unwrap_or_default()),
            ("dates", order.map_or("", |o| o.0).to_owned()),
            ("decimal-comma", yes(self.decimal_comma)),
            ("unit", self.unit.map_or("", Unit::word).to_owned()),
            ("series", self.series.clone().unwrap_or_default()),
            ("fill-down", yes(self.fill_down)),
        ];
        columns
            .chain(said.map(|(key, value)| (key.to_owned(), value)))
            .filter(|(_, value)| !value.is_empty())
            .collect()
    }

    /// Reads what [`Self::to_fields`] wrote, perhaps changed by a person; fields of other names are
    /// passed over and an empty one is not said.
    pub fn from_fields(fields: &BTreeMap<String, String>) -> Result<Self, BadField> {
        let said = |key: &str| {
            let value = fields.get(key).map(|value| value.trim());
            value.filter(|value| !value.is_empty())
        };
        fn read<T>(
            key: &str,
            value: Option<&str>,
            read: impl Fn(&str) -> Option<T>,
        ) -> Result<Option<T>, BadField> {
            value
                .map(|value| read(value).ok_or_else(|| BadField(key.to_owned())))
                .transpose()
        }
        let order = |word: &str| ORDERS.into_iter().find(|o| o.0 == word).map(|o| o.1);
        let mut columns = BTreeMap::new();
        for field in COLUMNS {
            let key = format!("column-{field}");
            let numbers = read(&key, said(&key), |value| {
                let numbers = value.split(',').map(|nth| nth.trim().parse().ok());
                numbers.collect::<Option<Vec<usize>>>()
            })?;
            let Some(numbers) = numbers else { continue };
            let many = ["place", "note"].contains(&field);
            if numbers.len() > if many { MAX_COLUMNS } else { 1 } {
                return Err(BadField(key));
            }
            columns.insert(field, numbers);
        }
        let text = |key| said(key).map(str::to_owned);
        Ok(Self {
            columns,
            room: text("room").unwrap_or_default(),
            packing: text("packing").unwrap_or_default(),
            form: read("form", said("form"), |word| word.parse().ok())?,
            dug: read("dug", said("dug"), |day| day.parse().ok())?,
            date_order: read("dates", said("dates"), order)?,
            decimal_comma: said("decimal-comma").is_some(),
            unit: read("unit", said("unit"), Unit::named)?,
            series: text("series"),
            fill_down: said("fill-down").is_some(),
        })
    }

    /// The columns that feed a field.
    pub(super) fn of(&self, field: &str) -> &[usize] {
        self.columns.get(field).map_or(&[], Vec::as_slice)
    }
}
