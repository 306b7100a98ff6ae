//! The genealogy of powder as a picture can show it: places as boxes in layers, time from left to
//! right, no line ever going back. What does not fit is put together in boxes that say how many
//! places and how much mass they stand for.
//!
//! A place that powder comes back to (a bin, a hopper) is drawn again, further to the right, with
//! a line from its earlier self for what stayed in it.

use std::collections::{BTreeMap, HashMap};

use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::Serialize;

use crate::forms::words;
use crate::ids::Label;
use crate::quantity::Mass;

use super::Powder;
use super::amount::{Kg, Share};
use super::books::{LotId, MoveId, Origin, PlaceId, UNKNOWN, UNKNOWN_PLACE};
use super::genealogy::Target;
use super::moves::MoveKind;
use super::trace;
use super::views::{AsOf, Unanswered};

/// Most boxes of one picture, those that stand for others apart.
pub const BOXES_MAX: usize = 500;
/// Layers of one picture unless asked otherwise.
pub const LAYERS_DEFAULT: usize = 12;
/// Most layers of one picture.
pub const LAYERS_MAX: usize = 60;
/// Entries listed with a box or a line; totals count all.
const ENTRIES_MAX: usize = 6;

words! {
    /// Which way a trace goes.
    pub enum Direction {
        /// Where it came from.
        Back = "back",
        /// Where it went.
        Forward = "forward",
    }
}

/// What is asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LineageQuestion {
    /// What is traced.
    pub of: Target,
    /// Which way.
    pub direction: Direction,
    /// Up to when.
    pub as_of: AsOf,
    /// Most boxes, 1 to [`BOXES_MAX`].
    pub boxes: usize,
    /// Most layers, 1 to [`LAYERS_MAX`].
    pub layers: usize,
    /// Layers to skip, counted from what is traced: the next page of a long story.
    pub skip: usize,
}

words! {
    /// What a box stands for.
    pub enum BoxKind {
        /// A delivered lot.
        Lot = "lot",
        /// A place.
        Place = "place",
        /// Powder whose source nobody recorded.
        Unknown = "unknown",
        /// Smaller places of the same layer, together.
        Rest = "rest",
        /// Everything in the layers before those shown.
        Earlier = "earlier",
        /// Everything in the layers after those shown.
        Later = "later",
    }
}

/// A box of the picture.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LineageBox {
    /// What it stands for.
    pub kind: BoxKind,
    /// The place (`bin/UB-3`), the lot (`lot/PA-0417`) or `UNKNOWN`; empty when it stands for
    /// several.
    pub name: String,
    /// Layer, from 0 on the left.
    pub layer: usize,
    /// Blends that were made in it.
    pub lots: Vec<Label>,
    /// Traced mass that passed through it.
    pub mass: Mass,
    /// The same as a fraction of what is traced.
    #[schemars(with = "String")]
    pub fraction: Decimal,
    /// How many places it stands for.
    pub places: usize,
    /// Whether it is what was asked about.
    pub asked: bool,
}

/// A line of the picture, from left to right.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LineageLine {
    /// Box it starts from, by its position in the list.
    pub from: usize,
    /// Box it ends at.
    pub into: usize,
    /// Traced mass along it.
    pub mass: Mass,
    /// The same as a fraction of what is traced.
    #[schemars(with = "String")]
    pub fraction: Decimal,
    /// Why the mass moved; empty when it stayed in its place.
    pub kinds: Vec<MoveKind>,
    /// Entries that tell it, the first ones.
    pub entries: Vec<u64>,
    /// How many entries.
    pub entries_total: usize,
}

/// The genealogy, ready to be drawn.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Lineage {
    /// What is traced.
    pub of: String,
    /// Which way.
    pub direction: Direction,
    /// Mass of what is traced.
    pub mass: Mass,
    /// Boxes, by layer and then by mass.
    pub boxes: Vec<LineageBox>,
    /// Lines between them.
    pub lines: Vec<LineageLine>,
    /// Layers of this picture.
    pub layers: usize,
    /// Layers in all.
    pub layers_total: usize,
    /// Places in all.
    pub places_total: usize,
    /// Moves in all.
    pub moves_total: usize,
    /// `skip` of the next page; `None` when nothing is left.
    pub next_skip: Option<usize>,
}

/// Under which name a box is found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
enum At {
    Lot(LotId),
    Unknown,
    Place(PlaceId),
}

/// A box while the graph grows.
struct Stay {
    at: At,
    layer: usize,
    carried: Kg,
    left: Kg,
    lots: Vec<Label>,
    source: bool,
}

#[derive(Default)]
struct Line {
    mass: Kg,
    kinds: Vec<MoveKind>,
    entries: Vec<u64>,
    entries_total: usize,
}

/// The whole graph. Lines only go from a lower layer to a higher one.
#[derive(Default)]
struct Graph {
    stays: Vec<Stay>,
    /// The latest box of a place.
    current: HashMap<At, usize>,
    lines: BTreeMap<(usize, usize), Line>,
}

impl Graph {
    fn add(&mut self, at: At, layer: usize, source: bool) -> usize {
        let (carried, left, lots) = (Kg::ZERO, Kg::ZERO, Vec::new());
        self.stays.push(Stay { at, layer, carried, left, lots, source });
        self.current.insert(at, self.stays.len() - 1);
        self.stays.len() - 1
    }

    fn source(&mut self, at: At) -> usize {
        self.current.get(&at).copied().unwrap_or_else(|| self.add(at, 0, true))
    }

    /// The box that a portion out of `from` enters: to the right of it, whatever came before.
    fn target(&mut self, at: At, from: usize) -> usize {
        let after = self.stays[from].layer + 1;
        let Some(here) = self.current.get(&at).copied() else { return self.add(at, after, false) };
        let stay = &mut self.stays[here];
        if stay.layer >= after {
            return here;
        }
        if stay.left == Kg::ZERO && !stay.source {
            stay.layer = after;
            return here;
        }
        // It gave some away already: what stayed goes on in a box further right.
        let (rest, layer) = (stay.carried - stay.left, stay.layer.max(after - 1) + 1);
        let next = self.add(at, layer, false);
        if rest.is_positive() {
            self.line(here, next, rest);
        }
        next
    }

    fn line(&mut self, from: usize, into: usize, mass: Kg) -> &mut Line {
        self.stays[from].left += mass;
        self.stays[into].carried += mass;
        let line = self.lines.entry((from, into)).or_default();
        line.mass += mass;
        line
    }

    /// Sources stand right before the first box they go into, not at the far left.
    fn pull_sources(&mut self) {
        let mut first: HashMap<usize, usize> = HashMap::new();
        for (from, into) in self.lines.keys() {
            let layer = self.stays[*into].layer;
            let least = first.entry(*from).or_insert(layer);
            *least = layer.min(*least);
        }
        for (at, stay) in self.stays.iter_mut().enumerate().filter(|(_, s)| s.source) {
            if let Some(layer) = first.get(&at).and_then(|l| l.checked_sub(1)) {
                stay.layer = layer;
            }
        }
    }
}

impl Stay {
    /// Traced mass that passed through it: what came in, or of a source what left it.
    fn through(&self) -> Kg {
        self.carried.max(self.left)
    }
}

/// What a box of the picture stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Group {
    /// One box of the graph.
    Alone(usize),
    /// The smaller ones of a layer.
    Rest(usize),
    /// Layers before the picture.
    Earlier,
    /// Layers after it.
    Later,
}

/// A box of the picture with what it stands for.
struct Boxed {
    group: Group,
    mass: Kg,
    shown: LineageBox,
}

/// What of the graph fits the picture.
struct Chosen {
    /// Layers shown.
    window: std::ops::Range<usize>,
    layers_total: usize,
    /// By box of the graph: whether it stands by itself.
    alone: Vec<bool>,
    /// By box of the graph: whether it is what was asked about.
    asked: Vec<bool>,
}

impl Chosen {
    /// The layers next to what is traced, and in them the largest boxes.
    fn of(question: &LineageQuestion, graph: &Graph, asked: &[At]) -> Chosen {
        let layers_total = graph.stays.iter().map(|s| s.layer + 1).max().unwrap_or(0);
        let wanted = question.layers.clamp(1, LAYERS_MAX);
        let window = match question.direction {
            Direction::Forward => {
                let start = question.skip.min(layers_total);
                start..(start + wanted).min(layers_total)
            }
            Direction::Back => {
                let end = layers_total.saturating_sub(question.skip);
                end.saturating_sub(wanted)..end
            }
        };
        let is_asked = |(at, stay): (usize, &Stay)| {
            let first_or_last = match question.direction {
                Direction::Forward => stay.source,
                Direction::Back => graph.current.get(&stay.at) == Some(&at),
            };
            asked.contains(&stay.at) && first_or_last
        };
        let asked: Vec<bool> = graph.stays.iter().enumerate().map(is_asked).collect();
        let mut inside: Vec<usize> =
            (0..graph.stays.len()).filter(|i| window.contains(&graph.stays[*i].layer)).collect();
        inside.sort_by_key(|i| {
            let stay = &graph.stays[*i];
            (!asked[*i], std::cmp::Reverse(stay.through()), stay.layer, *i)
        });
        let kept = question.boxes.clamp(1, BOXES_MAX).min(inside.len());
        let mut alone = vec![false; graph.stays.len()];
        inside[..kept].iter().for_each(|i| alone[*i] = true);
        // A box that would stand for a single other one shows that one instead.
        let mut small: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for at in &inside[kept..] {
            small.entry(graph.stays[*at].layer).or_default().push(*at);
        }
        small.values().filter(|v| v.len() == 1).for_each(|v| alone[v[0]] = true);
        Chosen { window, layers_total, alone, asked }
    }

    fn group(&self, graph: &Graph, at: usize) -> Group {
        match graph.stays[at].layer {
            layer if layer < self.window.start => Group::Earlier,
            layer if layer >= self.window.end => Group::Later,
            _ if self.alone[at] => Group::Alone(at),
            layer => Group::Rest(layer),
        }
    }

    /// Lines between groups; what goes between boxes of one group stays inside it.
    fn lines(&self, graph: &Graph) -> BTreeMap<(Group, Group), Line> {
        let mut lines: BTreeMap<(Group, Group), Line> = BTreeMap::new();
        for ((from, into), line) in &graph.lines {
            let (from, into) = (self.group(graph, *from), self.group(graph, *into));
            if from == into {
                continue;
            }
            let sum = lines.entry((from, into)).or_default();
            sum.mass += line.mass;
            sum.entries_total += line.entries_total;
            let room = ENTRIES_MAX.saturating_sub(sum.entries.len());
            sum.entries.extend(line.entries.iter().take(room));
            for kind in &line.kinds {
                if !sum.kinds.contains(kind) {
                    sum.kinds.push(*kind);
                }
            }
        }
        lines
    }
}

/// A mass as a fraction of what is traced, at most one.
fn fraction(mass: Kg, whole: Kg) -> Decimal {
    let known = whole.is_positive() && mass.is_positive();
    let share = known.then(|| Share::ratio(mass.min(whole), whole).decimal());
    share.unwrap_or_default()
}

impl Powder {
    /// The genealogy of a lot, a place or a build as layers of boxes.
    pub fn lineage(&self, question: &LineageQuestion) -> Result<Lineage, Unanswered> {
        let (moment, bound) = self.bound(question.as_of)?;
        let books = &self.books;
        let mut moves: Vec<(MoveId, Kg)> = Vec::new();
        let mut asked: Vec<At> = Vec::new();
        let whole;
        match question.direction {
            Direction::Back => {
                let start = self.start_of(&question.of, moment, bound)?;
                whole = start.map_or(Kg::ZERO, |(_, mass)| mass);
                if let Some((content, _)) = start {
                    asked.push(At::Place(books.moves()[content as usize].into));
                    trace::shares_back(books.links(), content, |id, share| {
                        moves.push((id, whole.times(share)));
                    });
                    moves.reverse();
                }
            }
            Direction::Forward => {
                let seeds = self.seeds_of(&question.of, question.as_of)?;
                let mut seeded: Vec<(At, Kg)> = seeds
                    .contents()
                    .map(|id| {
                        let m = books.moves()[id as usize];
                        (At::Place(m.into), books.content(m.into, bound.min(id + 1)).held)
                    })
                    .collect();
                if let Target::Place(place) = &question.of
                    && let Some(id) = books.find_place(place)
                {
                    seeded = vec![(At::Place(id), books.content(id, bound).held)];
                }
                asked.extend(seeded.iter().map(|(at, _)| *at));
                trace::forward_with(books, seeds, bound, |id, share: Share| {
                    moves.push((id, books.moves()[id as usize].mass.times(share)));
                });
                let delivered = |(id, mass): &(MoveId, Kg)| {
                    let lot = matches!(books.links()[*id as usize].origin(), Origin::Lot(_));
                    lot.then_some(*mass)
                };
                whole = match seeded.is_empty() {
                    true => moves.iter().filter_map(delivered).sum(),
                    false => seeded.iter().map(|(_, mass)| *mass).sum(),
                };
            }
        }
        let moves_total = moves.len();
        let graph = self.grow(&moves, &asked);
        Ok(self.shown(question, &graph, &asked, whole, moves_total))
    }

    fn grow(&self, moves: &[(MoveId, Kg)], asked: &[At]) -> Graph {
        let books = &self.books;
        let mut graph = Graph::default();
        for (id, mass) in moves.iter().filter(|(_, mass)| mass.is_positive()) {
            let moved = books.moves()[*id as usize];
            let from = match books.links()[*id as usize].origin() {
                Origin::Lot(lot) => graph.source(At::Lot(lot)),
                Origin::Unknown => graph.source(At::Unknown),
                Origin::Content(_) => graph.source(At::Place(moved.from)),
            };
            let into = graph.target(At::Place(moved.into), from);
            let (seq, lot) = (self.seq_of_move(*id), self.blended_by(*id));
            let line = graph.line(from, into, *mass);
            if !line.kinds.contains(&moved.kind) {
                line.kinds.push(moved.kind);
            }
            if line.entries.last() != Some(&seq) {
                line.entries_total += 1;
                if line.entries.len() < ENTRIES_MAX {
                    line.entries.push(seq);
                }
            }
            let lots = &mut graph.stays[into].lots;
            if let Some(lot) = lot.filter(|lot| !lots.contains(lot)) {
                lots.push(lot);
            }
        }
        if let Some(at) = asked.first().filter(|_| graph.stays.is_empty()) {
            graph.source(*at);
        }
        graph.pull_sources();
        graph
    }

    fn blended_by(&self, id: MoveId) -> Option<Label> {
        let moved = self.books.moves()[id as usize];
        let blended = moved.kind == MoveKind::Blended;
        blended.then(|| self.kept[moved.kept as usize].label()).flatten()
    }

    /// The picture of what was chosen.
    fn shown(
        &self,
        question: &LineageQuestion,
        graph: &Graph,
        asked: &[At],
        whole: Kg,
        moves_total: usize,
    ) -> Lineage {
        let chosen = Chosen::of(question, graph, asked);
        let lines = chosen.lines(graph);
        let mut boxes = self.boxes(graph, &chosen, &lines, whole);
        boxes.sort_by(|a, b| {
            let order = |x: &Boxed| (x.shown.layer, x.shown.name.is_empty());
            let by_mass = || b.mass.cmp(&a.mass).then_with(|| a.shown.name.cmp(&b.shown.name));
            order(a).cmp(&order(b)).then_with(by_mass)
        });
        let position: BTreeMap<Group, usize> =
            boxes.iter().enumerate().map(|(i, b)| (b.group, i)).collect();
        let mut places: Vec<At> = graph.stays.iter().map(|s| s.at).collect();
        places.sort_unstable();
        places.dedup();
        let rest = match question.direction {
            Direction::Forward => chosen.layers_total.saturating_sub(chosen.window.end),
            Direction::Back => chosen.window.start,
        };
        Lineage {
            of: question.of.to_string(),
            direction: question.direction,
            mass: whole.shown(),
            lines: lines
                .into_iter()
                .map(|((from, into), line)| LineageLine {
                    from: position[&from],
                    into: position[&into],
                    mass: line.mass.shown(),
                    fraction: fraction(line.mass, whole),
                    kinds: line.kinds,
                    entries: line.entries,
                    entries_total: line.entries_total,
                })
                .collect(),
            layers: boxes.iter().map(|b| b.shown.layer + 1).max().unwrap_or(0),
            boxes: boxes.into_iter().map(|b| b.shown).collect(),
            layers_total: chosen.layers_total,
            places_total: places.len(),
            moves_total,
            next_skip: (rest > 0).then_some(question.skip + chosen.window.len()),
        }
    }

    /// A box for every group.
    fn boxes(
        &self,
        graph: &Graph,
        chosen: &Chosen,
        lines: &BTreeMap<(Group, Group), Line>,
        whole: Kg,
    ) -> Vec<Boxed> {
        let mut members: BTreeMap<Group, Vec<usize>> = BTreeMap::new();
        for at in 0..graph.stays.len() {
            members.entry(chosen.group(graph, at)).or_default().push(at);
        }
        let crossing = |wanted: &dyn Fn(&(Group, Group)) -> bool| -> Kg {
            lines.iter().filter(|(ends, _)| wanted(ends)).map(|(_, line)| line.mass).sum()
        };
        // One column before the window for what comes earlier, when there is anything.
        let first = usize::from(chosen.window.start > 0);
        let column = |layer: usize| layer - chosen.window.start + first;
        let boxed = |(group, at): (Group, Vec<usize>)| {
            let carried = || at.iter().map(|i| graph.stays[*i].through()).sum::<Kg>();
            let (mass, layer, kind) = match group {
                Group::Alone(only) => {
                    let stay = &graph.stays[only];
                    (carried(), column(stay.layer), self.named(stay.at).0)
                }
                Group::Rest(layer) => (carried(), column(layer), BoxKind::Rest),
                // What crosses the edge of the picture.
                Group::Earlier => (crossing(&|(from, _)| *from == group), 0, BoxKind::Earlier),
                Group::Later => {
                    let layer = first + chosen.window.len();
                    (crossing(&|(_, into)| *into == group), layer, BoxKind::Later)
                }
            };
            let alone = match group {
                Group::Alone(only) => Some(only),
                Group::Rest(_) | Group::Earlier | Group::Later => None,
            };
            let shown = LineageBox {
                kind,
                name: alone.map(|i| self.named(graph.stays[i].at).1).unwrap_or_default(),
                layer,
                lots: alone.map(|i| graph.stays[i].lots.clone()).unwrap_or_default(),
                mass: mass.shown(),
                fraction: fraction(mass, whole),
                places: at.len(),
                asked: alone.is_some_and(|i| chosen.asked[i]),
            };
            Boxed { group, mass, shown }
        };
        members.into_iter().map(boxed).collect()
    }

    fn named(&self, at: At) -> (BoxKind, String) {
        match at {
            At::Lot(lot) => (BoxKind::Lot, format!("lot/{}", self.books.lot(lot))),
            At::Unknown | At::Place(UNKNOWN_PLACE) => (BoxKind::Unknown, UNKNOWN.to_owned()),
            At::Place(id) => (BoxKind::Place, self.books.place_name(id)),
        }
    }
}
