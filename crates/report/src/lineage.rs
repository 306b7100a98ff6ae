//! The genealogy of powder as a picture (SVG): boxes in layers, time from left to right, lines as
//! wide as the share they carry. Made for reading in black and white: kinds differ by their frames
//! and words, never by colour. Presentation attributes only, so that a page with a strict content
//! policy may hold it.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use rust_decimal::Decimal;
use shopfloor::powder::MoveKind;
use shopfloor::powder::lineage::{BoxKind, Direction, Lineage, LineageBox, LineageLine};

use crate::pdf::Language;
use crate::texts::texts;

/// Width of a box and of the gap between two layers, in user units (pixels at 100 %).
const BOX_WIDTH: f64 = 184.0;
const GAP: f64 = 72.0;
/// Height of a box, and of the lane in which a line passes a layer.
const BOX_HEIGHT: f64 = 54.0;
const LANE_HEIGHT: f64 = 12.0;
/// Space between two of them.
const SPACE: f64 = 14.0;
/// Space around the picture.
const MARGIN: f64 = 12.0;
/// Room for the heading.
const HEAD: f64 = 26.0;
/// Thinnest and widest line.
const LINE_LEAST: f64 = 1.0;
const LINE_MOST: f64 = 12.0;
/// Letters of a name that fit a box; the whole name is told by its title.
const NAME_LETTERS: usize = 24;
/// Times the order of the boxes is improved.
const SWEEPS: usize = 8;

texts! {
    BackFrom = "Where {of} came from", "Woher {of} kam";
    ForwardFrom = "Where {of} went", "Wohin {of} ging";
    Described = "{mass} of powder; {places} places in {layers} layers, time from left to right. The wider a line, the larger the share of the powder that took this way.", "{mass} Pulver; {places} Orte in {layers} Schichten, Zeit von links nach rechts. Je breiter eine Linie, desto größer der Anteil des Pulvers, der diesen Weg nahm.";
    Together = "{places} smaller places are put together in boxes with a dotted frame.", "{places} kleinere Orte sind in Kästen mit punktiertem Rahmen zusammengefasst.";
    Largest = "Largest shares:", "Größte Anteile:";
    Lot = "delivered lot", "angelieferte Charge";
    Unknown = "source not recorded", "Herkunft nicht erfasst";
    BlendOf = "blend {lots}", "Mischung {lots}";
    Rest = "{places} smaller places", "{places} kleinere Orte";
    Earlier = "{places} places before", "{places} Orte davor";
    Later = "{places} places after", "{places} Orte danach";
    Stayed = "stayed there", "blieb dort";
    EntriesOf = "entries {list}", "Einträge {list}";
    AndMore = "and {more} more", "und {more} weitere";
    Asked = "asked about", "gefragt";
}

impl Key {
    fn words(self, language: Language, fill: &[(&str, String)]) -> String {
        let text = self.text(language).to_owned();
        fill.iter().fold(text, |text, (name, value)| text.replace(&format!("{{{name}}}"), value))
    }
}

/// How a picture is made.
pub struct Drawn<'a> {
    /// Language of its words.
    pub language: Language,
    /// Whether it stands alone as a file (white ground, black ink) or in a page, whose colour of
    /// text it takes.
    pub alone: bool,
    /// The address that a box leads to.
    pub href: &'a dyn Fn(&LineageBox) -> Option<String>,
    /// Words for why mass moved; `None`: as recorded.
    pub kind: Option<&'a dyn Fn(MoveKind) -> String>,
}

/// Draws a genealogy. The same data give the same bytes.
pub fn svg(lineage: &Lineage, drawn: &Drawn<'_>) -> String {
    let plan = Plan::of(lineage);
    let language = drawn.language;
    let of = [("of", lineage.of.clone())];
    let title = match lineage.direction {
        Direction::Back => Key::BackFrom.words(language, &of),
        Direction::Forward => Key::ForwardFrom.words(language, &of),
    };
    let (width, height) = (plan.width, plan.height);
    let mut out = String::new();
    // A file is a picture; in a page its links can be reached one by one.
    let role = if drawn.alone { "img" } else { "group" };
    let _ = write!(
        out,
        r#"<svg xmlns="http://www.w3.org/2000/svg" class="lineage" viewBox="0 0 {width:.0} {height:.0}" width="{width:.0}" height="{height:.0}" role="{role}" aria-labelledby="lineage-title lineage-text" font-family="sans-serif" font-size="13" color="{}"><title id="lineage-title">{}</title><desc id="lineage-text">{}</desc>"#,
        if drawn.alone { "black" } else { "currentColor" },
        escape(&title),
        escape(&described(lineage, language)),
    );
    if drawn.alone {
        let _ = write!(out, r#"<rect width="{width:.0}" height="{height:.0}" fill="white"/>"#);
    }
    let _ = write!(
        out,
        r#"<text x="{MARGIN}" y="{:.0}" font-size="15" font-weight="bold" fill="currentColor">{}</text>"#,
        MARGIN + 6.0,
        escape(&format!("{title} ({})", kg(lineage.mass.base(), language))),
    );
    for (number, line) in lineage.lines.iter().enumerate() {
        draw_line(&mut out, &plan.ways[number], line, drawn);
    }
    for (number, of) in lineage.boxes.iter().enumerate() {
        draw_box(&mut out, plan.at[number], of, drawn);
    }
    out.push_str("</svg>");
    out
}

/// The picture in words.
fn described(lineage: &Lineage, language: Language) -> String {
    let mut text = Key::Described.words(
        language,
        &[
            ("mass", kg(lineage.mass.base(), language)),
            ("places", lineage.places_total.to_string()),
            ("layers", lineage.layers_total.to_string()),
        ],
    );
    let together = lineage.boxes.iter().filter(|b| b.kind == BoxKind::Rest);
    let together: usize = together.map(|b| b.places).sum();
    if together > 0 {
        let told = Key::Together.words(language, &[("places", together.to_string())]);
        let _ = write!(text, " {told}");
    }
    let ends = |b: &&LineageBox| match lineage.direction {
        Direction::Back => matches!(b.kind, BoxKind::Lot | BoxKind::Unknown),
        Direction::Forward => b.kind == BoxKind::Place && !b.asked,
    };
    let mut largest: Vec<&LineageBox> = lineage.boxes.iter().filter(ends).collect();
    largest.sort_by(|a, b| b.fraction.cmp(&a.fraction).then_with(|| a.name.cmp(&b.name)));
    let shown = largest.iter().take(5);
    let shown: Vec<String> =
        shown.map(|b| format!("{} {}", b.name, percent(b.fraction, language))).collect();
    if !shown.is_empty() {
        let _ = write!(text, " {} {}.", Key::Largest.text(language), shown.join(", "));
    }
    text
}

/// Where everything stands.
struct Plan {
    /// Upper left corner of each box.
    at: Vec<(f64, f64)>,
    /// Points of each line: leaving a box, through lanes, into a box.
    ways: Vec<Vec<(f64, f64)>>,
    width: f64,
    height: f64,
}

/// What stands in a layer: a box, or a lane for a line that passes.
#[derive(Clone, Copy)]
enum Slot {
    Box,
    Lane,
}

impl Slot {
    fn height(self) -> f64 {
        match self {
            Slot::Box => BOX_HEIGHT,
            Slot::Lane => LANE_HEIGHT,
        }
    }
}

impl Plan {
    fn of(lineage: &Lineage) -> Plan {
        // Boxes first, then one lane for each layer that a line passes.
        let mut slots: Vec<(usize, Slot)> =
            lineage.boxes.iter().map(|b| (b.layer, Slot::Box)).collect();
        let mut chains: Vec<Vec<usize>> = Vec::new();
        for line in &lineage.lines {
            let (from, into) = (lineage.boxes[line.from].layer, lineage.boxes[line.into].layer);
            let mut chain = vec![line.from];
            for layer in from + 1..into {
                slots.push((layer, Slot::Lane));
                chain.push(slots.len() - 1);
            }
            chain.push(line.into);
            chains.push(chain);
        }
        let order = ordered(lineage.layers, &slots, &chains);
        let tall = |layer: &Vec<usize>| {
            layer.iter().map(|slot| slots[*slot].1.height() + SPACE).sum::<f64>()
        };
        let inner = order.iter().map(tall).fold(BOX_HEIGHT + SPACE, f64::max);
        let mut place = vec![(0.0, 0.0); slots.len()];
        for (layer, members) in order.iter().enumerate() {
            let left = MARGIN + layer as f64 * (BOX_WIDTH + GAP);
            let mut top = MARGIN + HEAD + (inner - tall(members)) / 2.0;
            for slot in members {
                place[*slot] = (left, top);
                top += slots[*slot].1.height() + SPACE;
            }
        }
        let middle = |slot: usize| place[slot].1 + slots[slot].1.height() / 2.0;
        let ports = ports(&chains, &middle, lineage.boxes.len());
        let ways = chains
            .iter()
            .enumerate()
            .map(|(number, chain)| {
                let (first, last) = (chain[0], chain[chain.len() - 1]);
                let mut way = vec![(place[first].0 + BOX_WIDTH, middle(first) + ports[number].0)];
                for lane in &chain[1..chain.len() - 1] {
                    way.push((place[*lane].0, middle(*lane)));
                    way.push((place[*lane].0 + BOX_WIDTH, middle(*lane)));
                }
                way.push((place[last].0, middle(last) + ports[number].1));
                way
            })
            .collect();
        let layers = lineage.layers.max(1) as f64;
        Plan {
            at: place[..lineage.boxes.len()].to_vec(),
            ways,
            width: (2.0 * MARGIN + layers * BOX_WIDTH + (layers - 1.0) * GAP).max(420.0),
            height: 2.0 * MARGIN + HEAD + inner,
        }
    }
}

/// Where lines leave and enter their boxes, off the middle: side by side, in the order of their
/// other ends, so that they do not cross before they part.
fn ports(chains: &[Vec<usize>], middle: &impl Fn(usize) -> f64, boxes: usize) -> Vec<(f64, f64)> {
    let mut out: Vec<Vec<usize>> = vec![Vec::new(); boxes];
    let mut into: Vec<Vec<usize>> = vec![Vec::new(); boxes];
    for (number, chain) in chains.iter().enumerate() {
        out[chain[0]].push(number);
        into[chain[chain.len() - 1]].push(number);
    }
    let mut ports = vec![(0.0, 0.0); chains.len()];
    let spread = |list: &mut Vec<usize>, other: &dyn Fn(usize) -> usize| {
        list.sort_by(|a, b| middle(other(*a)).total_cmp(&middle(other(*b))).then(a.cmp(b)));
        let step = (BOX_HEIGHT - 16.0) / list.len().max(1) as f64;
        let half = (list.len() as f64 - 1.0) / 2.0;
        let offsets = list.iter().enumerate().map(|(i, n)| (*n, (i as f64 - half) * step));
        offsets.collect::<Vec<_>>()
    };
    for list in &mut out {
        for (number, offset) in spread(list, &|n| chains[n][1]) {
            ports[number].0 = offset;
        }
    }
    for list in &mut into {
        for (number, offset) in spread(list, &|n| chains[n][chains[n].len() - 2]) {
            ports[number].1 = offset;
        }
    }
    ports
}

/// Orders each layer so that few lines cross: every slot moves to the mean position of its
/// neighbours, layer by layer, to and fro (the barycentre method of Sugiyama, Tagawa and Toda,
/// IEEE Trans. Syst. Man Cybern. 11(2), 1981; from memory).
fn ordered(layers: usize, slots: &[(usize, Slot)], chains: &[Vec<usize>]) -> Vec<Vec<usize>> {
    let mut order: Vec<Vec<usize>> = vec![Vec::new(); layers.max(1)];
    for (slot, (layer, _)) in slots.iter().enumerate() {
        order[*layer].push(slot);
    }
    let mut before: Vec<Vec<usize>> = vec![Vec::new(); slots.len()];
    let mut after = before.clone();
    for pair in chains.iter().flat_map(|chain| chain.windows(2)) {
        after[pair[0]].push(pair[1]);
        before[pair[1]].push(pair[0]);
    }
    let mut position = vec![0.0; slots.len()];
    let number = |members: &[usize], position: &mut Vec<f64>| {
        for (i, slot) in members.iter().enumerate() {
            // From the middle, so that layers of different size compare.
            position[*slot] = i as f64 - (members.len() as f64 - 1.0) / 2.0;
        }
    };
    order.iter().for_each(|members| number(members, &mut position));
    for sweep in 0..SWEEPS {
        let (neighbours, there): (_, Vec<usize>) = match sweep % 2 {
            0 => (&before, (1..order.len()).collect()),
            _ => (&after, (0..order.len().saturating_sub(1)).rev().collect()),
        };
        for layer in there {
            let mean = |slot: usize| {
                let list = &neighbours[slot];
                let sum: f64 = list.iter().map(|n| position[*n]).sum();
                if list.is_empty() { position[slot] } else { sum / list.len() as f64 }
            };
            let means: BTreeMap<usize, f64> =
                order[layer].iter().map(|slot| (*slot, mean(*slot))).collect();
            order[layer].sort_by(|a, b| means[a].total_cmp(&means[b]).then(a.cmp(b)));
            let members = order[layer].clone();
            number(&members, &mut position);
        }
    }
    order
}

fn draw_line(out: &mut String, way: &[(f64, f64)], line: &LineageLine, drawn: &Drawn<'_>) {
    let language = drawn.language;
    let share = f64::try_from(line.fraction).unwrap_or(0.0).clamp(0.0, 1.0);
    let width = LINE_LEAST + (LINE_MOST - LINE_LEAST) * share;
    let mut path = format!("M{:.1} {:.1}", way[0].0, way[0].1);
    for (i, pair) in way.windows(2).enumerate() {
        let ((x0, y0), (x1, y1)) = (pair[0], pair[1]);
        if i % 2 == 1 {
            // Through a lane.
            let _ = write!(path, "H{x1:.1}");
        } else {
            let bend = f64::midpoint(x0, x1);
            let _ = write!(path, "C{bend:.1} {y0:.1} {bend:.1} {y1:.1} {x1:.1} {y1:.1}");
        }
    }
    let kinds: Vec<String> = line
        .kinds
        .iter()
        .map(|kind| drawn.kind.map_or_else(|| kind.to_string(), |words| words(*kind)))
        .collect();
    let why =
        if kinds.is_empty() { Key::Stayed.text(language).to_owned() } else { kinds.join(", ") };
    let mut told =
        format!("{} · {}: {why}", kg(line.mass.base(), language), percent(line.fraction, language));
    if !line.entries.is_empty() {
        let list: Vec<String> = line.entries.iter().map(u64::to_string).collect();
        let list = Key::EntriesOf.words(language, &[("list", list.join(", "))]);
        let _ = write!(told, "; {list}");
        if line.entries_total > line.entries.len() {
            let more = (line.entries_total - line.entries.len()).to_string();
            let _ = write!(told, " {}", Key::AndMore.words(language, &[("more", more)]));
        }
    }
    // A line for what stayed in its place is broken.
    let dash = if line.kinds.is_empty() { r#" stroke-dasharray="6 4""# } else { "" };
    let _ = write!(
        out,
        r#"<path d="{path}" fill="none" stroke="currentColor" stroke-opacity="0.5" stroke-width="{width:.2}"{dash}><title>{}</title></path>"#,
        escape(&told)
    );
}

fn draw_box(out: &mut String, (x, y): (f64, f64), of: &LineageBox, drawn: &Drawn<'_>) {
    let language = drawn.language;
    let places = [("places", of.places.to_string())];
    let lots: Vec<&str> = of.lots.iter().map(|lot| lot.as_str()).collect();
    let (name, kind) = match of.kind {
        BoxKind::Lot => (of.name.clone(), Key::Lot.text(language).to_owned()),
        BoxKind::Unknown => (of.name.clone(), Key::Unknown.text(language).to_owned()),
        BoxKind::Place if lots.is_empty() => (of.name.clone(), String::new()),
        BoxKind::Place => {
            (of.name.clone(), Key::BlendOf.words(language, &[("lots", lots.join(", "))]))
        }
        BoxKind::Rest => (Key::Rest.words(language, &places), String::new()),
        BoxKind::Earlier => (Key::Earlier.words(language, &places), String::new()),
        BoxKind::Later => (Key::Later.words(language, &places), String::new()),
    };
    let kind = match (of.asked, kind.is_empty()) {
        (true, true) => Key::Asked.text(language).to_owned(),
        (true, false) => format!("{kind}, {}", Key::Asked.text(language)),
        (false, _) => kind,
    };
    // Frames tell the kinds apart without colour.
    let (stroke, dash) = match of.kind {
        _ if of.asked => ("3", ""),
        BoxKind::Lot | BoxKind::Place => ("1.2", ""),
        BoxKind::Unknown => ("1.2", r#" stroke-dasharray="8 4""#),
        BoxKind::Rest | BoxKind::Earlier | BoxKind::Later => {
            ("1.2", r#" stroke-dasharray="1.5 3.5" stroke-linecap="round""#)
        }
    };
    let mass = format!("{} · {}", kg(of.mass.base(), language), percent(of.fraction, language));
    let mut inner = format!(
        r#"<rect x="{x:.1}" y="{y:.1}" width="{BOX_WIDTH}" height="{BOX_HEIGHT}" rx="3" fill="none" stroke="currentColor" stroke-width="{stroke}"{dash}/>"#
    );
    if of.kind == BoxKind::Lot {
        let _ = write!(
            inner,
            r#"<rect x="{:.1}" y="{:.1}" width="{}" height="{}" rx="2" fill="none" stroke="currentColor" stroke-width="0.8"/>"#,
            x + 3.0,
            y + 3.0,
            BOX_WIDTH - 6.0,
            BOX_HEIGHT - 6.0
        );
    }
    let mut text = |dy: f64, size: u32, weight: &str, words: &str| {
        let _ = write!(
            inner,
            r#"<text x="{:.1}" y="{:.1}" font-size="{size}" font-weight="{weight}" fill="currentColor">{}</text>"#,
            x + 9.0,
            y + dy,
            escape(&short(words))
        );
    };
    text(18.0, 13, "bold", &name);
    text(33.0, 12, "normal", &mass);
    text(47.0, 11, "normal", &kind);
    let told = [name, mass, kind].into_iter().filter(|t| !t.is_empty()).collect::<Vec<_>>();
    let _ = match (drawn.href)(of) {
        Some(href) => write!(
            out,
            r#"<a href="{}"><title>{}</title>{inner}</a>"#,
            escape(&href),
            escape(&told.join("; "))
        ),
        None => write!(out, "<g><title>{}</title>{inner}</g>", escape(&told.join("; "))),
    };
}

/// What fits a box.
fn short(name: &str) -> String {
    if name.chars().count() <= NAME_LETTERS {
        return name.to_owned();
    }
    // The ends tell more than the middle.
    let letters: Vec<char> = name.chars().collect();
    let head: String = letters[..NAME_LETTERS / 2].iter().collect();
    let tail: String = letters[letters.len() - NAME_LETTERS / 2 + 1..].iter().collect();
    format!("{head}…{tail}")
}

fn number(text: String, language: Language) -> String {
    match language {
        Language::English => text,
        Language::German => text.replace('.', ","),
    }
}

fn kg(mass: Decimal, language: Language) -> String {
    let shown = mass.round_dp(3).normalize();
    if shown.is_zero() && !mass.is_zero() {
        return format!("< {} kg", number("0.001".into(), language));
    }
    format!("{} kg", number(shown.to_string(), language))
}

fn percent(fraction: Decimal, language: Language) -> String {
    let shown = (fraction * Decimal::ONE_HUNDRED).round_dp(1).normalize();
    if shown.is_zero() && !fraction.is_zero() {
        return format!("< {} %", number("0.1".into(), language));
    }
    format!("{} %", number(shown.to_string(), language))
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_text_is_there_in_both_languages() {
        for key in Key::ALL {
            for language in [Language::English, Language::German] {
                assert!(!key.text(language).trim().is_empty(), "{key:?}");
            }
        }
    }

    #[test]
    fn long_names_keep_both_ends() {
        assert_eq!(short("bin/UB-3"), "bin/UB-3");
        assert_eq!(short("lot_container/PA12-2026-0417-B"), "lot_containe…2026-0417-B");
    }

    #[test]
    fn small_shares_are_not_shown_as_nothing() {
        let d = |text: &str| text.parse::<Decimal>().unwrap();
        assert_eq!(percent(d("0.0004"), Language::English), "< 0.1 %");
        assert_eq!(percent(d("0.1234"), Language::German), "12,3 %");
        assert_eq!(kg(d("0.0000001"), Language::German), "< 0,001 kg");
        assert_eq!(kg(Decimal::ZERO, Language::English), "0 kg");
    }
}
