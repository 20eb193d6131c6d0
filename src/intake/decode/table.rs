//! Readings as CSV (RFC 4180): our interchange file, or any other through a mapping of columns.

use std::io::{BufRead, Read as _};

use csv::{ByteRecord, ReaderBuilder};

use super::{Decoded, Fields, TimeShape, number, shown};
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
    header: ByteRecord,
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
            .map(|f| std::str::from_utf8(f).map(|f| f.trim().to_owned()))
            .collect::<Result<_, _>>()
            .map_err(|_| "the header is not UTF-8; save the file as CSV in UTF-8".to_owned())?;
        let written = shown(&names.join(","));
        // What a spreadsheet writes where the comma is the decimal point.
        if let ([only], b',') = (&names[..], shape.delimiter)
            && let Some(other) = [';', '\t'].into_iter().find(|&d| only.contains(d))
        {
            return Err(format!(
                "the header `{written}` is divided by {other:?}, not by ','; save the file with commas, or set `delimiter` for this source"
            ));
        }
        let find = |wanted: &Option<String>| -> Result<Option<usize>, String> {
            let Some(wanted) = wanted else {
                return Ok(None);
            };
            let at = names.iter().position(|n| n == wanted);
            if at.is_none() && shape.mapped {
                return Err(format!(
                    "column `{wanted}` is not in the header `{written}`; correct `columns` for this source"
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
            header: header.clone(),
        };
        if table.temperature.is_none() && table.humidity.is_none() {
            return Err(format!(
                "the header `{written}` has neither temperature_c, temperature_f nor humidity_pct; map the columns with `columns` for this source, or write `{HEADER}`"
            ));
        }
        Ok(table)
    }

    /// A logger that starts anew may write its header again in the middle of a file.
    fn is_header(&self, record: &ByteRecord) -> bool {
        *record == self.header
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
            let text = std::str::from_utf8(field)
                .map_err(|_| "is not UTF-8; save the file as CSV in UTF-8".to_owned())?;
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

/// A line longer than this is no row of readings.
const LONGEST_LINE: usize = 64 * 1024;

/// Divides one line into its fields. A field in quotation marks ends on the line it begins on, so a
/// stray mark cannot swallow the rows after it.
fn divide(line: &[u8], delimiter: u8, record: &mut ByteRecord) -> Result<(), String> {
    record.clear();
    if !line.contains(&b'"') {
        for field in line.split(|&b| b == delimiter) {
            record.push_field(field);
        }
        return Ok(());
    }
    if line.iter().filter(|&&b| b == b'"').count() % 2 == 1 {
        return Err("has a quotation mark that is not closed on its line".to_owned());
    }
    ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(delimiter)
        .from_reader(line)
        .read_byte_record(record)
        .map(|_| ())
        .map_err(|e| format!("cannot be read: {e}"))
}

/// The line without its end, and without the byte order mark that some programs begin a file with.
fn bare(line: &[u8]) -> &[u8] {
    let line = line.strip_suffix(b"\n").unwrap_or(line);
    let line = line.strip_suffix(b"\r").unwrap_or(line);
    line.strip_prefix(b"\xef\xbb\xbf").unwrap_or(line)
}

/// The lines of a table that hold anything, divided into fields.
pub struct Lines<R> {
    from: R,
    delimiter: u8,
    /// Number of the line last read, from 1.
    pub number: u64,
    bytes: Vec<u8>,
}

impl<R: BufRead> Lines<R> {
    /// Reads from the first line on.
    pub fn new(from: R, delimiter: u8) -> Self {
        Self {
            from,
            delimiter,
            number: 0,
            bytes: Vec::new(),
        }
    }

    /// Brings the next line into `record`, and says why where it is no row; `None` at the end, `Err`
    /// when reading itself fails.
    pub fn next_line(
        &mut self,
        record: &mut ByteRecord,
    ) -> Result<Option<Result<(), String>>, String> {
        let unreadable = |e: std::io::Error| format!("cannot be read: {e}");
        loop {
            self.number += 1;
            self.bytes.clear();
            let read = (&mut self.from)
                .take(LONGEST_LINE as u64)
                .read_until(b'\n', &mut self.bytes)
                .map_err(unreadable)?;
            if read == 0 {
                return Ok(None);
            }
            if read == LONGEST_LINE && !self.bytes.ends_with(b"\n") {
                self.from.skip_until(b'\n').map_err(unreadable)?;
                return Ok(Some(Err(format!("is longer than {LONGEST_LINE} bytes"))));
            }
            let line = bare(&self.bytes);
            if !line.trim_ascii().is_empty() {
                return Ok(Some(divide(line, self.delimiter, record)));
            }
        }
    }

    /// The line as it was written.
    pub fn text(&self) -> String {
        String::from_utf8_lossy(bare(&self.bytes)).into_owned()
    }
}

/// Reads a header row and the rows after it from anything, one at a time.
pub struct Rows<R> {
    lines: Lines<R>,
    table: Table,
    record: ByteRecord,
}

impl<R: BufRead> Rows<R> {
    /// Reads the header; `Err` when it cannot be used.
    pub fn new(shape: &TableShape, from: R) -> Result<Self, String> {
        let mut lines = Lines::new(from, shape.delimiter);
        let mut record = ByteRecord::new();
        match lines.next_line(&mut record)? {
            None => Err(format!("is empty; the first line must be `{HEADER}`")),
            Some(Err(why)) => Err(format!("line {}, the header, {why}", lines.number)),
            Some(Ok(())) => Ok(Self {
                table: Table::new(shape, &record)?,
                lines,
                record,
            }),
        }
    }

    /// The next row, understood or with its line, its text and what is wrong; `Err` when reading
    /// itself fails.
    #[allow(clippy::type_complexity)]
    pub fn next_row(&mut self) -> Result<Option<(u64, String, Result<Heard, String>)>, String> {
        let divided = loop {
            let Some(divided) = self.lines.next_line(&mut self.record)? else {
                return Ok(None);
            };
            if divided.is_err() || !self.table.is_header(&self.record) {
                break divided;
            }
        };
        let line = self.lines.number;
        let row = divided.and_then(|()| self.table.row(&self.record, line));
        let text = match &row {
            Ok(_) => String::new(),
            Err(_) => self.lines.text(),
        };
        Ok(Some((line, text, row)))
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
    let mut record = ByteRecord::new();
    for (line, bytes) in (first_line..).zip(text.split_inclusive(|&b| b == b'\n')) {
        let bytes = bare(bytes);
        if bytes.trim_ascii().is_empty() {
            continue;
        }
        let divided = divide(bytes, table.shape.delimiter, &mut record);
        if divided.is_ok() && table.is_header(&record) {
            continue;
        }
        let row = divided.and_then(|()| table.row(&record, line));
        decoded.push(line, &String::from_utf8_lossy(bytes), row);
    }
    decoded
}

/// Finds the columns in a header line.
pub fn header(line: &[u8], shape: &TableShape) -> Result<Table, String> {
    let mut record = ByteRecord::new();
    divide(bare(line), shape.delimiter, &mut record).map_err(|why| format!("the header {why}"))?;
    Table::new(shape, &record)
}
