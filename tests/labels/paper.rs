//! A page on paper, and what can be read there: printed by Debian's chromium, drawn by poppler's
//! `pdftoppm` at the resolution of a printer, read by a reader that shares nothing with the writer.

use std::{
    fs,
    path::{Path, PathBuf},
    process::{Command, Stdio},
};

/// A camera is held so close that it sees each dot of the printer as a square of so many of its own.
const CLOSE: [usize; 4] = [1, 2, 3, 4];

/// A page in grey, row by row.
pub(crate) struct Page {
    pub(crate) width: usize,
    pub(crate) height: usize,
    dots: Vec<u8>,
    dpi: u32,
}

/// What a reader makes of one symbol.
#[derive(Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Read {
    pub(crate) text: String,
    /// Modules on one side, without the quiet zone.
    pub(crate) modules: usize,
    /// As the symbol itself says it: 3 is Q (ISO/IEC 18004, 7.9.1).
    pub(crate) level: u16,
}

/// Prints what is at an address into a folder; waits until the browser is done.
pub(crate) fn print(folder: &Path, name: &str, url: &str) -> PathBuf {
    let pdf = folder.join(format!("{name}.pdf"));
    let done = Command::new("chromium")
        .args([
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--disable-dev-shm-usage",
            "--no-pdf-header-footer",
        ])
        .arg(format!(
            "--user-data-dir={}",
            folder.join("profile").display()
        ))
        .arg(format!("--print-to-pdf={}", pdf.display()))
        .arg(url)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .expect("chromium: install Debian's chromium, or run tests/run");
    assert!(done.success() && pdf.exists(), "{name} was not printed");
    pdf
}

/// The pages of a PDF as a printer of this resolution has them.
pub(crate) fn pages(pdf: &Path, dpi: u32) -> Vec<Page> {
    let root = pdf.with_extension(dpi.to_string());
    let done = Command::new("pdftoppm")
        .args(["-gray", "-r", &dpi.to_string()])
        .args([pdf, &root])
        .status()
        .expect("pdftoppm: install Debian's poppler-utils, or run tests/run");
    assert!(done.success());
    let stem = format!("{}-", root.file_name().unwrap().to_string_lossy());
    let mut files: Vec<PathBuf> = fs::read_dir(root.parent().unwrap())
        .unwrap()
        .map(|f| f.unwrap().path())
        .filter(|f| f.file_name().unwrap().to_string_lossy().starts_with(&stem))
        .collect();
    files.sort();
    files.iter().map(|f| Page::read(f, dpi)).collect()
}

impl Page {
    /// A portable greymap, as `pdftoppm` writes it: `P5`, width, height, 255, and the dots.
    fn read(file: &Path, dpi: u32) -> Self {
        let bytes = fs::read(file).unwrap();
        let head: Vec<&[u8]> = bytes.splitn(5, u8::is_ascii_whitespace).collect();
        let [b"P5", width, height, b"255", dots] = head[..] else {
            panic!("{}: no greymap", file.display());
        };
        let number = |text: &[u8]| std::str::from_utf8(text).unwrap().parse().unwrap();
        let page = Self {
            width: number(width),
            height: number(height),
            dots: dots.to_vec(),
            dpi,
        };
        assert_eq!(page.dots.len(), page.width * page.height);
        page
    }

    /// Dots of so many millimetres.
    pub(crate) fn dots_of(&self, mm: f64) -> usize {
        (mm * f64::from(self.dpi) / 25.4).round() as usize
    }

    fn is_white(&self, x: usize, y: usize) -> bool {
        200 <= self.dots[y * self.width + x]
    }

    /// Whether nothing is printed within so many millimetres of the edges.
    pub(crate) fn edge_is_white(&self, mm: f64) -> bool {
        let edge = self.dots_of(mm);
        (0..self.height).all(|y| {
            let inside = edge <= y && y < self.height - edge;
            let white = |x| self.is_white(x, y);
            if inside {
                (0..edge).chain(self.width - edge..self.width).all(white)
            } else {
                (0..self.width).all(white)
            }
        })
    }

    /// A part of it, in millimetres from the upper left corner.
    pub(crate) fn part(&self, left: f64, top: f64, width: f64, height: f64) -> Self {
        let (x, y) = (self.dots_of(left), self.dots_of(top));
        let (width, height) = (self.dots_of(width), self.dots_of(height));
        let rows = self.dots.chunks(self.width).skip(y).take(height);
        Self {
            width,
            height,
            dots: rows.flat_map(|row| &row[x..x + width]).copied().collect(),
            dpi: self.dpi,
        }
    }

    /// Every symbol that can be read, its quiet zone looked at: four modules of nothing on all sides
    /// (ISO/IEC 18004, 5.3.8), less a dot on either side, which the printer's grid takes.
    ///
    /// A phone looks many times a second, from here and from there; this reader, which is easily put off,
    /// looks from a few distances.
    pub(crate) fn symbols(&self) -> Vec<Read> {
        let mut looks = CLOSE.into_iter().map(|close| self.look(close));
        looks.find(|read| !read.is_empty()).unwrap_or_default()
    }

    fn look(&self, close: usize) -> Vec<Read> {
        let (width, height) = (close * self.width, close * self.height);
        let dot = |x: usize, y: usize| self.dots[y / close * self.width + x / close];
        let mut prepared = rqrr::PreparedImage::prepare_from_greyscale(width, height, dot);
        let grids = prepared.detect_grids();
        let read = grids.iter().filter_map(|grid| {
            let (meta, text) = grid.decode().ok()?;
            let modules = meta.version.to_size();
            let corners = (grid.bounds).map(|p| (p.x / close as i32, p.y / close as i32));
            self.assert_quiet(corners, modules, &text);
            Some(Read {
                text,
                modules,
                level: meta.ecc_level,
            })
        });
        read.collect()
    }

    fn assert_quiet(&self, corners: [(i32, i32); 4], modules: usize, text: &str) {
        let (left, top, right, bottom) = self.around(corners, modules);
        let quiet = 4 * (right - left) / modules - 2;
        assert!(
            quiet <= left
                && quiet <= top
                && right + quiet <= self.width
                && bottom + quiet <= self.height,
            "{text}: at the edge of its label"
        );
        for y in top - quiet..bottom + quiet {
            for x in left - quiet..right + quiet {
                let inside = (left..right).contains(&x) && (top..bottom).contains(&y);
                assert!(
                    inside || self.is_white(x, y),
                    "{text}: not quiet at {x}, {y}"
                );
            }
        }
    }

    /// The box around a symbol whose corners a reader knows roughly: grown from inside until nothing lies
    /// on its sides. No row and no column of a symbol is empty.
    fn around(&self, corners: [(i32, i32); 4], modules: usize) -> (usize, usize, usize, usize) {
        let dot = |at: i32| usize::try_from(at).unwrap();
        let [top_left, top_right, _, bottom_left] = corners;
        let (mut left, mut top) = (dot(top_left.0), dot(top_left.1));
        let (mut right, mut bottom) = (dot(top_right.0), dot(bottom_left.1));
        let two = 2 * (right - left) / modules;
        (left, top, right, bottom) = (left + two, top + two, right - two, bottom - two);
        loop {
            let before = (left, top, right, bottom);
            let column = |x: usize| (top..bottom).any(|y| !self.is_white(x, y));
            let (to_left, to_right) = (column(left - 1), column(right));
            let row = |y: usize| (left..right).any(|x| !self.is_white(x, y));
            let (up, down) = (row(top - 1), row(bottom));
            left -= usize::from(to_left);
            right += usize::from(to_right);
            top -= usize::from(up);
            bottom += usize::from(down);
            if before == (left, top, right, bottom) {
                return before;
            }
        }
    }
}
