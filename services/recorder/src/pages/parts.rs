//! Parts that pages are made of: tables, measured bars, charts. Drawings are SVG in the page, and
//! each stands beside the table of its figures.

use std::borrow::Cow;
use std::fmt::Write as _;

use askama::Template;
use shopfloor::ids::{Place, PlaceKind, Subject, SubjectKind};

use super::words::Words;

/// One cell of a table.
pub(crate) enum Cell {
    /// Words.
    Text(String),
    /// Words that are recorded or cited in English, whatever the language of the page.
    English(String),
    /// Many words: their column is not squeezed.
    Long(String),
    /// Digits, set flush right.
    Number(String),
    /// A link.
    Link { href: String, text: String },
    /// Words whose weight tells that they matter.
    Strong(String),
    /// A bar with its words.
    Bar(Bar),
    /// Links to entries.
    Entries(Vec<u64>),
    /// Links side by side: address and text.
    Links(Vec<(String, String)>),
}

/// Most entries that one cell links; the rest is counted.
const ENTRIES_SHOWN: usize = 4;

impl Cell {
    /// Something that may be absent.
    pub(crate) fn maybe(text: Option<impl ToString>) -> Self {
        Self::Text(text.map_or_else(|| "–".to_owned(), |text| text.to_string()))
    }

    /// The page of a thing, where it has one.
    pub(crate) fn subject(subject: &Subject) -> Self {
        match subject_href(subject) {
            Some(href) => Self::Link { href, text: subject.to_string() },
            None => Self::Text(subject.to_string()),
        }
    }

    /// The page of a place.
    pub(crate) fn place(place: &Place) -> Self {
        match place_href(place) {
            Some(href) => Self::Link { href, text: place.to_string() },
            None => Self::Text(place.to_string()),
        }
    }

    /// Links to entries that are shown, and how many more there are.
    pub(crate) fn shown(entries: &[u64]) -> (&[u64], usize) {
        let newest = entries.len().saturating_sub(ENTRIES_SHOWN);
        (&entries[newest..], newest)
    }
}

/// The page of a thing.
pub(crate) fn subject_href(subject: &Subject) -> Option<String> {
    let id = subject.id();
    match subject.kind {
        SubjectKind::Equipment => Some(format!("/equipment/{id}")),
        SubjectKind::Lot => Some(format!("/lots/{id}")),
        SubjectKind::Container => Some(format!("/containers/{id}")),
        SubjectKind::Shipment => Some(format!("/shipments/{id}")),
        SubjectKind::Build => Some(format!("/builds/{id}")),
        SubjectKind::Entry => Some(format!("/entries/{id}")),
        SubjectKind::Person => Some(format!("/people#{id}")),
        SubjectKind::Stream
        | SubjectKind::Area
        | SubjectKind::Deviation
        | SubjectKind::Action
        | SubjectKind::Handover
        | SubjectKind::Incident
        | SubjectKind::Recipe
        | SubjectKind::Site
        | SubjectKind::Log => None,
    }
}

/// The page of a powder place.
pub(crate) fn place_href(place: &Place) -> Option<String> {
    match place.kind {
        PlaceKind::Waste => Some(format!("/containers/{}", place.id())),
        PlaceKind::Build | PlaceKind::Parts => Some(format!("/builds/{}", place.id())),
        PlaceKind::LotContainer
        | PlaceKind::Hopper
        | PlaceKind::Bin
        | PlaceKind::Oversize
        | PlaceKind::VacuumBag => Some(format!("/powder/{}/{}", place.kind.as_str(), place.id())),
        PlaceKind::Supplier | PlaceKind::Sample | PlaceKind::Loss => None,
    }
}

/// A measured bar: how much of a limit is used. The words say the same.
pub(crate) struct Bar {
    /// Percent of the limit.
    pub(crate) percent: u32,
    /// The same in words and numbers.
    pub(crate) words: String,
    /// Whether the limit is reached.
    pub(crate) over: bool,
}

impl Bar {
    /// Where the filled part ends; the limit stands at 100 of 120.
    pub(crate) fn end(&self) -> u32 {
        self.percent.min(118)
    }
}

/// A table with its caption.
#[derive(Default)]
pub(crate) struct Table {
    pub(crate) caption: String,
    pub(crate) columns: Vec<String>,
    pub(crate) rows: Vec<Vec<Cell>>,
    /// What stands there when there is no row.
    pub(crate) empty: String,
}

impl Table {
    /// A table; `columns` are keys of the message table `column`.
    pub(crate) fn new(words: &'static Words, caption: &str, columns: &[&str]) -> Self {
        Self {
            caption: words.t(caption).to_owned(),
            columns: columns
                .iter()
                .map(|key| words.t(&format!("column.{key}")).to_owned())
                .collect(),
            rows: Vec::new(),
            empty: words.t("list.none").to_owned(),
        }
    }

    /// The same with rows.
    pub(crate) fn with(mut self, rows: impl IntoIterator<Item = Vec<Cell>>) -> Self {
        self.rows.extend(rows);
        self
    }
}

/// A part of a page.
pub(crate) enum Block {
    /// A table.
    Table(Table),
    /// Named values: what stands at the head of a thing.
    Facts(Vec<(String, Cell)>),
    /// A drawing with its title; the SVG is made here from numbers and escaped labels only.
    Drawing { title: String, svg: String },
    /// A paragraph.
    Words(String),
    /// What to do, one after the other.
    Steps(Vec<String>),
    /// A heading.
    Heading(String),
    /// Large links to what can be done here.
    Doing(Vec<(String, String)>),
    /// Something that must be seen.
    Notice(String),
    /// A form.
    Form(Form),
    /// Which moment the page shows, and the way to others.
    Then(super::then::Panel),
}

impl Block {
    /// What can be done here, if there is anything.
    pub(crate) fn doing(links: Vec<(String, String)>) -> Option<Self> {
        (!links.is_empty()).then_some(Self::Doing(links))
    }
}

/// A short form in a page: what to tick, to choose and to type, and a second person if wanted.
#[derive(Default)]
pub(crate) struct Form {
    pub(crate) title: String,
    pub(crate) lead: String,
    pub(crate) action: Cow<'static, str>,
    pub(crate) method: &'static str,
    pub(crate) hidden: Vec<(String, String)>,
    /// Ticked from the start.
    pub(crate) choices: Vec<Choice>,
    pub(crate) selects: Vec<Select>,
    /// Name, label, value.
    pub(crate) texts: Vec<(String, String, String)>,
    /// Whether a second person stands for it with badge and PIN.
    pub(crate) second: bool,
    pub(crate) submit: String,
    pub(crate) badge: &'static str,
    pub(crate) pin: &'static str,
}

/// One of several to choose.
pub(crate) struct Select {
    pub(crate) name: &'static str,
    pub(crate) label: String,
    /// Value and words of each.
    pub(crate) options: Vec<(String, String)>,
}

/// Something to tick.
pub(crate) struct Choice {
    pub(crate) name: String,
    pub(crate) value: String,
    pub(crate) text: String,
}

impl Form {
    /// A form that asks.
    pub(crate) fn get(action: impl Into<Cow<'static, str>>, submit: &str) -> Self {
        Self { action: action.into(), method: "get", submit: submit.to_owned(), ..Self::default() }
    }

    /// A form that records.
    pub(crate) fn post(action: &'static str, submit: &str) -> Self {
        Self { action: action.into(), method: "post", submit: submit.to_owned(), ..Self::default() }
    }
}

/// Named values from keys of the message table `column`.
pub(crate) fn facts(words: &'static Words, rows: Vec<(&str, Cell)>) -> Block {
    Block::Facts(
        rows.into_iter()
            .map(|(key, cell)| (words.t(&format!("column.{key}")).to_owned(), cell))
            .collect(),
    )
}

/// The page that most reading pages are: blocks one below the other.
#[derive(Template)]
#[template(path = "blocks.html")]
pub(crate) struct BlocksPage {
    pub(crate) top: super::visit::Top,
    /// A line under the title.
    pub(crate) lead: String,
    pub(crate) blocks: Vec<Block>,
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// A line of values over days, an optional limit, and an optional band of forecast days.
pub(crate) struct LineChart<'a> {
    pub(crate) title: &'a str,
    /// Day number and value, ascending.
    pub(crate) points: Vec<(i32, f64)>,
    pub(crate) limit: Option<f64>,
    pub(crate) limit_label: String,
    /// Early, expected and late day.
    pub(crate) band: Option<(i32, i32, i32)>,
    /// First and last day as people write them.
    pub(crate) first: String,
    pub(crate) last: String,
    /// Lowest and highest value as people write them.
    pub(crate) low: String,
    pub(crate) high: String,
}

impl LineChart<'_> {
    /// The drawing, 640 x 200. Left of the axis there is room for a value like `12,345.6 cycles`.
    pub(crate) fn svg(&self) -> Option<String> {
        let (first, last) = (self.points.first()?, self.points.last()?);
        let late = self.band.map_or(last.0, |band| band.2).max(last.0).max(first.0 + 1);
        let values = self.points.iter().map(|p| p.1).chain(self.limit);
        let (low, high) = values.fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
        let high = if high > low { high } else { low + 1.0 };
        let x = |day: i32| 110.0 + f64::from(day - first.0) / f64::from(late - first.0) * 500.0;
        let y = |value: f64| 165.0 - (value - low) / (high - low) * 140.0;
        let mut out = format!(
            r#"<svg class="chart" viewBox="0 0 640 200" role="img" aria-label="{}"><path class="axis" d="M110 20V165H610"/>"#,
            escape(self.title)
        );
        if let Some((early, expected, late)) = self.band {
            let _ = write!(
                out,
                r#"<rect class="band" x="{:.1}" y="20" width="{:.1}" height="145"/><path class="expected" d="M{:.1} 20V165"/>"#,
                x(early),
                (x(late) - x(early)).max(1.0),
                x(expected)
            );
        }
        if let Some(limit) = self.limit {
            let _ = write!(
                out,
                r#"<path class="limit" d="M110 {0:.1}H610"/><text x="606" y="{1:.1}" class="end">{2}</text>"#,
                y(limit),
                y(limit) - 5.0,
                escape(&self.limit_label)
            );
        }
        let line: Vec<String> =
            self.points.iter().map(|p| format!("{:.1} {:.1}", x(p.0), y(p.1))).collect();
        let _ = write!(out, r#"<path class="line" d="M{}"/>"#, line.join("L"));
        let _ = write!(
            out,
            r#"<text x="110" y="185">{}</text><text x="{:.1}" y="185" class="end">{}</text><text x="102" y="169" class="end">{}</text><text x="102" y="29" class="end">{}</text></svg>"#,
            escape(&self.first),
            x(last.0).max(280.0),
            escape(&self.last),
            escape(&self.low),
            escape(&self.high)
        );
        Some(out)
    }
}

/// Values one after another against the limits of their baseline. A value outside is marked by its
/// shape, so that it is seen in black and white.
pub(crate) struct ControlChart<'a> {
    pub(crate) title: &'a str,
    /// Each value, and whether it lies outside.
    pub(crate) points: Vec<(f64, bool)>,
    /// Lower limit, mean and upper limit, each with its words.
    pub(crate) low: (f64, String),
    pub(crate) mean: (f64, String),
    pub(crate) high: (f64, String),
    /// First and last value in words.
    pub(crate) first: String,
    pub(crate) last: String,
}

impl ControlChart<'_> {
    /// The drawing, 640 x 220.
    pub(crate) fn svg(&self) -> Option<String> {
        let steps = u32::try_from(self.points.len().checked_sub(1)?.max(1)).ok()?;
        let values = self.points.iter().map(|p| p.0).chain([self.low.0, self.high.0]);
        let (low, high) = values.fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
        let high = if high > low { high } else { low + 1.0 };
        let x = |n: u32| 20.0 + f64::from(n) / f64::from(steps) * 460.0;
        let y = |value: f64| 180.0 - (value - low) / (high - low) * 155.0;
        let mut out = format!(
            r#"<svg class="chart" viewBox="0 0 640 220" role="img" aria-label="{}"><path class="axis" d="M14 20V186H486"/>"#,
            escape(self.title)
        );
        for ((at, words), class) in
            [(&self.low, "limit"), (&self.mean, "expected"), (&self.high, "limit")]
        {
            let _ = write!(
                out,
                r#"<path class="{class}" d="M14 {0:.1}H486"/><text x="494" y="{1:.1}">{2}</text>"#,
                y(*at),
                y(*at) + 5.0,
                escape(words)
            );
        }
        let places = (0..).map(x).zip(&self.points);
        let line: Vec<String> =
            places.clone().map(|(x, p)| format!("{x:.1} {:.1}", y(p.0))).collect();
        let _ = write!(out, r#"<path class="line" d="M{}"/>"#, line.join("L"));
        for (x, (value, _)) in places.filter(|(_, p)| p.1) {
            let y = y(*value);
            let _ = write!(
                out,
                r#"<path class="line" d="M{0:.1} {2:.1}L{1:.1} {3:.1}M{0:.1} {3:.1}L{1:.1} {2:.1}"/>"#,
                x - 5.0,
                x + 5.0,
                y - 5.0,
                y + 5.0
            );
        }
        let _ = write!(
            out,
            r#"<text x="14" y="206">{}</text><text x="486" y="206" class="end">{}</text></svg>"#,
            escape(&self.first),
            escape(&self.last)
        );
        Some(out)
    }
}

/// A strip of stretches one after another: who held something how long.
pub(crate) fn strip(title: &str, stretches: &[(String, i64)]) -> Option<String> {
    let total: i64 = stretches.iter().map(|(_, length)| (*length).max(1)).sum();
    let total = u32::try_from(total.max(1)).ok()?;
    // Every holder stays visible however short the stay: each gets 24 of 640, the rest by time.
    let least = 24.0_f64.min(600.0 / stretches.len().max(1) as f64);
    let free = 640.0 - least * stretches.len() as f64;
    let mut out = format!(
        r#"<svg class="strip" viewBox="0 0 640 26" role="img" aria-label="{}">"#,
        escape(title)
    );
    let mut at = 0.0;
    for (number, (_, length)) in stretches.iter().enumerate() {
        let length = u32::try_from((*length).max(1)).unwrap_or(u32::MAX);
        let width = least + free * f64::from(length) / f64::from(total);
        let _ = write!(
            out,
            r#"<rect class="hold{}" x="{at:.1}" y="1" width="{width:.1}" height="24"/><text x="{:.1}" y="18" class="mid">{}</text>"#,
            number % 2,
            at + width / 2.0,
            number + 1
        );
        at += width;
    }
    out.push_str("</svg>");
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bar_never_leaves_its_frame() {
        for (percent, end) in [(0, 0), (100, 100), (119, 118), (u32::MAX, 118)] {
            assert_eq!(Bar { percent, words: String::new(), over: false }.end(), end);
        }
    }
}
