//! Readings as CSV (RFC 4180): our interchange file, or any other through a mapping of columns.

use csv::{ByteRecord, ReaderBuilder};

use super::{Decoded, Fields, TimeShape, number};
use crate::climate::Unit;
use crate::watch::{Heard, SensorName};

/// The header of the interchange file; `received_at` may follow.
pub const HEADER: &str = "measured_at,sensor,temperature_c,humidity_pct,battery_pct";

/// Which column holds what, by its name in the header.
#[derive(Debug, Clone, PartialEq)]
pub struct Columns {
    /// When it was measured.
    pub measured_at: Option<String>,
    /// When it was first received.
    pub received_at: Option<String>,
    /// Which sensor.
    pub sensor: Option<String>,
    /// Temperature in C.
    pub temperature_c: Option<String>,
    /// Temperature in F.
    pub temperature_f: Option<String>,
    /// Relative humidity in percent.
    pub humidity_pct: Option<String>,
    /// Battery in percent.
    pub battery_pct: Option<String>,
}

impl Default for Columns {
    /// The interchange file; a column that is not there is absent.
    fn default() -> Self {
        let own = |name: &str| Some(name.to_owned());
        Self {
            measured_at: own("measured_at"),
            received_at: own("received_at"),
            sensor: own("sensor"),
            temperature_c: own("temperature_c"),
            temperature_f: own("temperature_f"),
            humidity_pct: own("humidity_pct"),
            battery_pct: own("battery_pct"),
        }
    }
}

/// How a CSV file is laid out.
#[derive(Debug, Clone, PartialEq)]
pub struct TableShape {
    /// Which column holds what.
    pub columns: Columns,
    /// Columns given by a mapping must be there; those of the interchange file may be absent.
    pub mapped: bool,
    /// How times are written.
    pub time: TimeShape,
    /// Between two fields.
    pub delimiter: u8,
    /// Numbers have a comma for the point.
    pub decimal_comma: bool,
    /// The sensor where a row names none.
    pub sensor: Option<SensorName>,
}

impl Default for TableShape {
    fn default() -> Self {
        Self {
            columns: Columns::default(),
            mapped: false,
            time: TimeShape::default(),
            delimiter: b',',
            decimal_comma: false,
            sensor: None,
        }
    }
}

/// Reads rows once the header is known.
#[derive(Debug, Clone)]
pub struct Table {
    shape: TableShape,
    width: usize,
    measured_at: Option<usize>,
    received_at: Option<usize>,
    sensor: Option<usize>,
    temperature: Option<(usize, Unit)>,
    humidity: Option<usize>,
    battery: Option<usize>,
}

impl Table {
    /// Finds the columns in a header row; `Err` says which one is missing and what to do.
    pub fn new(shape: &TableShape, header: &ByteRecord) -> Result<Self, String> {
        let names: Vec<String> = header
            .iter()
            .map(|f| String::from_utf8_lossy(f).trim().to_owned())
            .collect();
        let find = |wanted: &Option<String>| -> Result<Option<usize>, String> {
            let Some(wanted) = wanted else {
                return Ok(None);
            };
            let at = names.iter().position(|n| n == wanted);
            if at.is_none() && shape.mapped {
                return Err(format!(
                    "column `{wanted}` is not in the header `{}`; correct `columns` for this source",
                    names.join(",")
                ));
            }
            Ok(at)
        };
        let c = &shape.columns;
        let (celsius, fahrenheit) = (find(&c.temperature_c)?, find(&c.temperature_f)?);
        let temperature = match (celsius, fahrenheit) {
            (Some(_), Some(_)) => {
                return Err("temperature_c and temperature_f are both there; keep one".to_owned());
            }
            (Some(c), None) => Some((c, Unit::C)),
            (None, Some(f)) => Some((f, Unit::F)),
            (None, None) => None,
        };
        let table = Self {
            width: names.len(),
            measured_at: find(&c.measured_at)?,
            received_at: find(&c.received_at)?,
            sensor: find(&c.sensor)?,
            temperature,
            humidity: find(&c.humidity_pct)?,
            battery: find(&c.battery_pct)?,
            shape: shape.clone(),
        };
        if table.temperature.is_none() && table.humidity.is_none() {
            return Err(format!(
                "the header `{}` has neither temperature_c, temperature_f nor humidity_pct; map the columns with `columns` for this source, or write `{HEADER}`",
                names.join(",")
            ));
        }
        Ok(table)
    }

    /// Decodes one row.
    pub fn row(&self, record: &ByteRecord, line: u64) -> Result<Heard, String> {
        if record.len() != self.width {
            return Err(format!(
                "has {} fields, the header has {}",
                record.len(),
                self.width
            ));
        }
        let text = |at: Option<usize>| -> Result<Option<&str>, String> {
            let Some(field) = at.and_then(|at| record.get(at)) else {
                return Ok(None);
            };
            let text = std::str::from_utf8(field).map_err(|_| "is not UTF-8".to_owned())?;
            Ok(Some(text.trim()).filter(|t| !t.is_empty()))
        };
        let value = |at: Option<usize>| -> Result<Option<f64>, String> {
            text(at)?
                .map(|t| number(t, self.shape.decimal_comma))
                .transpose()
        };
        let time = |at: Option<usize>| text(at)?.map(|t| self.shape.time.parse(t)).transpose();
        let temperature = match self.temperature {
            Some((at, unit)) => value(Some(at))?.map(|t| (t, unit)),
            None => None,
        };
        Fields {
            sensor: text(self.sensor)?,
            measured_at: time(self.measured_at)?,
            received_at: time(self.received_at)?,
            temperature,
            humidity_pct: value(self.humidity)?,
            battery_pct: value(self.battery)?,
        }
        .check(line, self.shape.sensor.as_ref())
    }
}

fn reader<R: std::io::Read>(shape: &TableShape, from: R) -> csv::Reader<R> {
    ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(shape.delimiter)
        .from_reader(from)
}

/// The fields of a row as they were written, for showing.
fn written(record: &ByteRecord) -> String {
    let fields: Vec<_> = record.iter().map(String::from_utf8_lossy).collect();
    fields.join(",")
}

/// Reads a header row and the rows after it from anything, one at a time.
pub struct Rows<R> {
    reader: csv::Reader<R>,
    table: Table,
    record: ByteRecord,
}

impl<R: std::io::Read> Rows<R> {
    /// Reads the header; `Err` when it cannot be used.
    pub fn new(shape: &TableShape, from: R) -> Result<Self, String> {
        let mut reader = reader(shape, from);
        let mut header = ByteRecord::new();
        let found = reader
            .read_byte_record(&mut header)
            .map_err(|e| format!("cannot be read: {e}"))?;
        if !found {
            return Err(format!("is empty; the first line must be `{HEADER}`"));
        }
        // The csv crate strips a byte order mark at the start of the input.
        Ok(Self {
            table: Table::new(shape, &header)?,
            reader,
            record: ByteRecord::new(),
        })
    }

    /// The next row, understood or with its line, its text and what is wrong; `Err` when reading
    /// itself fails.
    #[allow(clippy::type_complexity)]
    pub fn next_row(&mut self) -> Result<Option<(u64, String, Result<Heard, String>)>, String> {
        let line = self.reader.position().line();
        match self.reader.read_byte_record(&mut self.record) {
            Ok(true) => {
                let line = self.record.position().map_or(line, csv::Position::line);
                let row = self.table.row(&self.record, line);
                let text = match &row {
                    Ok(_) => String::new(),
                    Err(_) => written(&self.record),
                };
                Ok(Some((line, text, row)))
            }
            Ok(false) => Ok(None),
            Err(error) => Err(format!("line {line} cannot be read: {error}")),
        }
    }
}

/// Decodes whole text that begins with a header. `Err` when the header cannot be used.
pub fn body(text: &[u8], shape: &TableShape) -> Result<Decoded, String> {
    let mut rows = Rows::new(shape, text)?;
    let mut decoded = Decoded::default();
    while let Some((line, text, row)) = rows.next_row()? {
        decoded.push(line, &text, row);
    }
    Ok(decoded)
}

/// Decodes complete lines of a growing file whose header was read before; `first_line` numbers the
/// first of them.
pub fn lines(text: &[u8], table: &Table, first_line: u64) -> Decoded {
    let mut decoded = Decoded::default();
    // Line by line, so that a stray quote cannot swallow what follows it.
    for (line, bytes) in (first_line..).zip(text.split_inclusive(|&b| b == b'\n')) {
        let bytes = bytes.trim_ascii_end();
        if bytes.is_empty() {
            continue;
        }
        let mut record = ByteRecord::new();
        let row = match reader(&table.shape, bytes).read_byte_record(&mut record) {
            Ok(_) => table.row(&record, line),
            Err(error) => Err(format!("cannot be read: {error}")),
        };
        decoded.push(line, &String::from_utf8_lossy(bytes), row);
    }
    decoded
}

/// Finds the columns in a header line.
pub fn header(line: &[u8], shape: &TableShape) -> Result<Table, String> {
    let mut record = ByteRecord::new();
    let found = reader(shape, line).read_byte_record(&mut record);
    found.map_err(|e| format!("the header cannot be read: {e}"))?;
    Table::new(shape, &record)
}
