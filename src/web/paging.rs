//! Long lists, a part at a time.

/// Which part of a long list a page shows.
#[derive(Debug, Clone, Default)]
pub struct Paging {
    from: usize,
    to: usize,
    /// "41 to 80 of 500"; none when all is on one page.
    pub words: Option<String>,
    /// The page before.
    pub back: Option<String>,
    /// The page after, and how many stand on it.
    pub next: Option<(String, usize)>,
}

impl Paging {
    /// Page number `page`, from 1, of `all` things, so many to a page; `href` is where a page is.
    pub fn new(page: usize, all: usize, each: usize, href: impl Fn(usize) -> String) -> Self {
        let pages = all.div_ceil(each).max(1);
        let page = page.clamp(1, pages);
        let (from, to) = ((page - 1) * each, all.min(page * each));
        Self {
            from,
            to,
            words: (1 < pages).then(|| format!("{} to {to} of {all}", from + 1)),
            back: (1 < page).then(|| href(page - 1)),
            next: (page < pages).then(|| (href(page + 1), each.min(all - to))),
        }
    }

    /// Which of all.
    pub fn range(&self) -> std::ops::Range<usize> {
        self.from..self.to
    }
}
