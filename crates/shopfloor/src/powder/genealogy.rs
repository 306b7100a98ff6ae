//! Trace back and forward: what is in this powder, and where did it go? A graph of places whose
//! every edge names its entry; bounded and paged; as of any moment of work.

use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::Serialize;

use crate::ids::{Label, Place, PlaceKind};
use crate::quantity::Mass;

use super::Powder;
use super::amount::{Kg, Share};
use super::books::{MoveId, PlaceId};
use super::kept::{Deed, Kept, Key, Moment};
use super::lots::{self, Life};
use super::moves::MoveKind;
use super::trace::{self, Bits, Forward, Seeds};
use super::views::{AsOf, LISTED_MAX, Makeup, Unanswered};

/// Most edges of one page.
pub const PAGE_MAX: usize = 500;

/// What a trace is about.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Target {
    /// What lies in a place (`parts/B22` for the parts of a build).
    Place(Place),
    /// A delivered or blended lot.
    Lot(Label),
    /// What a build drew.
    Build(Label),
}

impl std::fmt::Display for Target {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Target::Place(place) => place.fmt(f),
            Target::Lot(lot) => write!(f, "lot/{lot}"),
            Target::Build(build) => write!(f, "build/{build}"),
        }
    }
}

/// Which part of a long answer.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Page {
    /// Most edges wanted, 1 to [`PAGE_MAX`]; `None`: [`LISTED_MAX`].
    pub limit: Option<usize>,
    /// `next` of the page before.
    pub after: Option<String>,
}

/// A place in a trace.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct TraceNode {
    /// The place, or `UNKNOWN`.
    pub id: String,
    /// Lots that were received or blended into it by edges of this page.
    pub lots: Vec<Label>,
}

/// A move in a trace.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct TraceEdge {
    /// Entry that tells it.
    pub entry: u64,
    /// When, ms since 1970 UTC.
    pub time_ms: i64,
    /// Why the mass moved.
    pub kind: MoveKind,
    /// From where (a place, or `UNKNOWN`).
    pub from: String,
    /// Where to.
    pub into: String,
    /// What moved in all.
    pub mass: Mass,
    /// Back: fraction of the target that came along this edge. Forward: fraction of the traced
    /// powder in what moved.
    #[schemars(with = "String")]
    pub fraction: Decimal,
    /// Mass of the target (back) or of the traced powder (forward) on this edge.
    pub traced: Mass,
    /// The lot that was received or blended.
    pub lot: Option<Label>,
}

/// What a target consists of, and on which ways it came.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct TraceBack {
    /// What was asked about.
    pub of: String,
    /// Mass of the target.
    pub mass: Mass,
    /// Of what it consists; `None` when there is nothing in it.
    pub makeup: Option<Makeup>,
    /// Places on this page.
    pub nodes: Vec<TraceNode>,
    /// Moves on this page, latest first.
    pub edges: Vec<TraceEdge>,
    /// How many moves there are in all.
    pub edges_total: usize,
    /// Mark of the next page; `None` on the last.
    pub next: Option<String>,
}

/// Where powder went.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct TraceForward {
    /// What was asked about.
    pub of: String,
    /// What it reached.
    pub reach: Reach,
    /// Places on this page.
    pub nodes: Vec<TraceNode>,
    /// Moves on this page, earliest first.
    pub edges: Vec<TraceEdge>,
    /// How many moves there are in all.
    pub edges_total: usize,
    /// Mark of the next page; `None` on the last.
    pub next: Option<String>,
}

/// Everything that traced powder reached. Lists are bounded by [`LISTED_MAX`]; totals count all.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Reach {
    /// Where the traced powder is now, by kind of place.
    pub where_now: Vec<KindTotal>,
    /// Builds that drew some of it, in order of work.
    pub builds: Vec<ReachedBuild>,
    /// How many builds.
    pub builds_total: usize,
    /// Blends that some of it went into, in order of work.
    pub lots: Vec<ReachedLot>,
    /// How many blends.
    pub lots_total: usize,
    /// Places that hold some of it now, most first.
    pub places: Vec<ReachedPlace>,
    /// How many places.
    pub places_total: usize,
    /// Traced mass in waste containers that were shipped.
    pub shipped: Mass,
}

/// Traced powder in places of one kind.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct KindTotal {
    /// Kind of place.
    pub kind: String,
    /// Traced mass in them.
    pub traced: Mass,
    /// How many places.
    pub places: usize,
}

/// A build that drew traced powder.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ReachedBuild {
    /// The build.
    pub build: Label,
    /// Fraction of the traced powder in what it drew. An upper bound for dilution, not a
    /// permission to release.
    #[schemars(with = "String")]
    pub fraction: Decimal,
    /// Mass of its parts.
    pub parts: Mass,
    /// Entry of the draw; of a build that runs, its start.
    pub entry: u64,
    /// Whether it still runs: the fraction then is that of its hopper.
    pub running: bool,
}

/// A blend that traced powder went into.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ReachedLot {
    /// The blended lot.
    pub lot: Label,
    /// Fraction of the traced powder in it as it was made.
    #[schemars(with = "String")]
    pub fraction: Decimal,
    /// Entry of the blending.
    pub entry: u64,
}

/// A place that holds traced powder.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ReachedPlace {
    /// The place.
    pub place: Place,
    /// What it holds in all.
    pub held: Mass,
    /// Fraction of the traced powder in it.
    #[schemars(with = "String")]
    pub fraction: Decimal,
    /// Mass of the traced powder in it.
    pub traced: Mass,
    /// Whether an open hold covers some of its content.
    pub on_hold: bool,
    /// Of a waste container: the shipment it was offered on.
    pub shipment: Option<Label>,
    /// Whether that shipment was accepted by a transporter.
    pub shipped: bool,
    /// Entry that last brought mass in.
    pub entry: u64,
}

/// A content and how much of it there is.
type Start = (MoveId, Kg);

impl Powder {
    /// What a target consists of, and every move on which it came.
    pub fn trace_back(
        &self,
        of: &Target,
        as_of: AsOf,
        page: &Page,
    ) -> Result<TraceBack, Unanswered> {
        let (moment, bound) = self.bound(as_of)?;
        let start = self.start_of(of, moment, bound)?;
        let before = self.page_mark(page)?.unwrap_or(MoveId::MAX);
        let limit = page_limit(page);
        let (mut total, mut found) = (0, Vec::new());
        if let Some((content, _)) = start {
            trace::shares_back(self.books.links(), content, |id, share| {
                total += 1;
                if id < before && found.len() <= limit {
                    found.push((id, share));
                }
            });
        }
        let next = (found.len() > limit).then(|| self.mark_of(found[limit - 1].0));
        found.truncate(limit);
        let mass = start.map_or(Kg::ZERO, |(_, held)| held);
        let edges: Vec<TraceEdge> =
            found.into_iter().map(|(id, share)| self.edge(id, share, mass.times(share))).collect();
        Ok(TraceBack {
            of: of.to_string(),
            mass: mass.shown(),
            makeup: start.map(|(content, held)| self.makeup(content, held)),
            nodes: nodes(&edges),
            edges,
            edges_total: total,
            next,
        })
    }

    /// Where a target's powder went: places, builds, blends, waste and shipments, with every move
    /// it took part in. Of a place, what lies in it at the moment `from`; of a lot, all of it.
    /// The answer is as of `as_of`.
    pub fn trace_forward(
        &self,
        of: &Target,
        from: AsOf,
        as_of: AsOf,
        page: &Page,
    ) -> Result<TraceForward, Unanswered> {
        let (moment, bound) = self.bound(as_of)?;
        let seeds = self.seeds_of(of, from)?;
        let after = self.page_mark(page)?;
        let limit = page_limit(page);
        let walk = trace::forward(&self.books, seeds, bound);
        let (mut total, mut found) = (0, Vec::new());
        for id in walk.first()..bound {
            let Some(share) = walk.portion(&self.books, id) else { continue };
            total += 1;
            if after.is_none_or(|after| id > after) && found.len() <= limit {
                found.push((id, share));
            }
        }
        let next = (found.len() > limit).then(|| self.mark_of(found[limit - 1].0));
        found.truncate(limit);
        let edge = |(id, share): (MoveId, Share)| {
            self.edge(id, share, self.books.moves()[id as usize].mass.times(share))
        };
        let edges: Vec<TraceEdge> = found.into_iter().map(edge).collect();
        Ok(TraceForward {
            of: of.to_string(),
            reach: self.reach(&walk, moment, bound),
            nodes: nodes(&edges),
            edges,
            edges_total: total,
            next,
        })
    }

    /// The content a trace back starts from.
    fn start_of(
        &self,
        of: &Target,
        moment: Moment,
        bound: MoveId,
    ) -> Result<Option<Start>, Unanswered> {
        let books = &self.books;
        match of {
            Target::Place(place) => {
                let unknown = || Unanswered::Place(place.clone());
                let id = books.find_place(place).ok_or_else(unknown)?;
                let content = books.content(id, bound);
                Ok(content.id.map(|id| (id, content.held)))
            }
            Target::Lot(lot) => {
                let life = Life::of(books, &self.kept, lot, moment);
                let at = life.origin.ok_or_else(|| Unanswered::Lot(lot.clone()))?;
                // A delivery in several containers is one powder: the first stands for all.
                let moves = books.moves_of(at);
                let first = match &self.kept[at].deed {
                    Deed::PowderBlended(_) => lots::blend_content(books, at),
                    _ => (!moves.is_empty()).then_some(moves.start),
                };
                let made = |id: &MoveId| {
                    let m = books.moves()[*id as usize];
                    (m.kind != MoveKind::Overdrawn).then_some(m.mass)
                };
                Ok(first.map(|id| (id, moves.clone().filter_map(|m| made(&m)).sum())))
            }
            Target::Build(build) => {
                let unknown = || Unanswered::Build(build.clone());
                let place = Place::new(PlaceKind::Build, build.as_str()).map_err(|_| unknown())?;
                let account = self.build_account(&place, bound);
                if let Some(content) = account.drawn_content {
                    return Ok(Some((content, account.drawn)));
                }
                let hopper = self.running_hopper(build, moment).ok_or_else(unknown)?;
                let content = books.find_place(&hopper.0).map(|id| books.content(id, bound));
                Ok(content.and_then(|c| Some((c.id?, c.held))))
            }
        }
    }

    /// Hopper and start entry of a build that has not drawn yet.
    fn running_hopper(&self, build: &Label, moment: Moment) -> Option<(Place, u64)> {
        let facts = self.books.facts_before(&self.kept, &Key::Build(build.clone()), moment);
        let mut running = None;
        for kept in facts {
            match &kept.deed {
                Deed::BuildStarted(d) => running = Some((d.hopper.clone(), kept.seq)),
                Deed::BuildFinished(_) => return None,
                _ => {}
            }
        }
        running
    }

    /// Where a trace forward begins.
    fn seeds_of(&self, of: &Target, from: AsOf) -> Result<Seeds, Unanswered> {
        let (moment, bound) = self.bound(from)?;
        match of {
            Target::Lot(lot) => {
                let life = Life::of(&self.books, &self.kept, lot, moment);
                life.origin.ok_or_else(|| Unanswered::Lot(lot.clone()))?;
                Ok(lots::whole_lot(&self.books, &self.kept, lot, &life))
            }
            Target::Place(place) => {
                let unknown = || Unanswered::Place(place.clone());
                let id = self.books.find_place(place).ok_or_else(unknown)?;
                let content = self.books.content(id, bound).id;
                Ok(Seeds::of_contents(content.map(|c| (c, bound))))
            }
            Target::Build(build) => {
                let unknown = || Unanswered::Build(build.clone());
                let place = Place::new(PlaceKind::Build, build.as_str()).map_err(|_| unknown())?;
                let account = self.build_account(&place, bound);
                let content = account.drawn_content.ok_or_else(unknown)?;
                Ok(Seeds::of_contents([(content, content + 1)]))
            }
        }
    }

    /// What a walk forward reached, as of a moment.
    pub(crate) fn reach(&self, walk: &Forward, moment: Moment, bound: MoveId) -> Reach {
        let books = &self.books;
        let mut touched = Bits::new(books.place_count());
        let (mut builds, mut lots) = (Listed::default(), Listed::default());
        for id in walk.first()..bound {
            let moved = &books.moves()[id as usize];
            let Some(share) = walk.of(id) else { continue };
            touched.set(moved.into);
            match moved.kind {
                MoveKind::Drawn => {
                    if let Some(portion) = walk.portion(books, id) {
                        builds.push(|| self.reached_build(id, portion));
                    }
                }
                MoveKind::Blended => {
                    if let Some(lot) = lots::blend_of(books, &self.kept, id) {
                        lots.push(|| {
                            let entry = self.seq_of_move(id);
                            Some(ReachedLot { lot, fraction: share.decimal(), entry })
                        });
                    }
                }
                _ => {}
            }
        }
        self.running_builds(walk, moment, bound, &mut builds);
        let places = self.reached_places(walk, &touched, bound);
        let mut kinds: std::collections::BTreeMap<PlaceKind, (Kg, usize)> = Default::default();
        let mut shipped = Kg::ZERO;
        for (id, _, _, mass) in &places {
            let Some(place) = books.place(*id) else { continue };
            let total = kinds.entry(place.kind).or_default();
            *total = (total.0 + *mass, total.1 + 1);
            if place.kind == PlaceKind::Waste
                && let Some((_, true)) = self.shipment_of(place, moment)
            {
                shipped += *mass;
            }
        }
        let holds = lots::open_holds(books, &self.kept, moment);
        let holds: Vec<Forward> =
            holds.into_iter().map(|h| trace::forward(books, h.seeds, bound)).collect();
        Reach {
            where_now: kinds
                .into_iter()
                .map(|(kind, (mass, places))| KindTotal {
                    kind: kind.as_str().to_owned(),
                    traced: mass.shown(),
                    places,
                })
                .collect(),
            builds: builds.list,
            builds_total: builds.total,
            lots: lots.list,
            lots_total: lots.total,
            places_total: places.len(),
            places: places
                .into_iter()
                .take(LISTED_MAX)
                .filter_map(|found| self.reached_place(found, &holds, moment))
                .collect(),
            shipped: shipped.shown(),
        }
    }

    /// Places that hold reached content, most traced mass first.
    fn reached_places(
        &self,
        walk: &Forward,
        touched: &Bits,
        bound: MoveId,
    ) -> Vec<(PlaceId, MoveId, Share, Kg)> {
        let books = &self.books;
        let mut places: Vec<_> = touched
            .iter()
            .filter_map(|id| {
                let content = books.content(id, bound);
                let share = walk.of(content.id?)?;
                Some((id, content.id?, share, content.held.times(share)))
            })
            .collect();
        places.sort_by(|a, b| b.3.cmp(&a.3).then_with(|| books.place(a.0).cmp(&books.place(b.0))));
        places
    }

    fn reached_place(
        &self,
        (id, content, share, traced): (PlaceId, MoveId, Share, Kg),
        holds: &[Forward],
        moment: Moment,
    ) -> Option<ReachedPlace> {
        let place = self.books.place(id)?.clone();
        let shipment = self.shipment_of(&place, moment);
        let bound = self.books.moves_before(&self.kept, moment);
        Some(ReachedPlace {
            held: self.books.content(id, bound).held.shown(),
            fraction: share.decimal(),
            traced: traced.shown(),
            on_hold: holds.iter().any(|hold| hold.of(content).is_some()),
            shipped: shipment.as_ref().is_some_and(|(_, accepted)| *accepted),
            shipment: shipment.map(|(shipment, _)| shipment),
            entry: self.seq_of_move(content),
            place,
        })
    }

    fn reached_build(&self, id: MoveId, portion: Share) -> Option<ReachedBuild> {
        let moved = self.books.moves()[id as usize];
        let kept = &self.kept[moved.kept as usize];
        let Deed::BuildFinished(d) = &kept.deed else { return None };
        Some(ReachedBuild {
            build: kept.label()?,
            fraction: portion.decimal(),
            parts: d.parts_mass.clone(),
            entry: kept.seq,
            running: false,
        })
    }

    /// Builds that run from a hopper that holds reached content.
    fn running_builds(
        &self,
        walk: &Forward,
        moment: Moment,
        bound: MoveId,
        builds: &mut Listed<ReachedBuild>,
    ) {
        for (build, hopper, entry) in self.running(moment) {
            let Some(id) = self.books.find_place(&hopper) else { continue };
            let Some((share, _)) = walk.in_place(&self.books, id, bound) else { continue };
            builds.push(|| {
                Some(ReachedBuild {
                    build,
                    fraction: share.decimal(),
                    parts: Kg::ZERO.shown(),
                    entry,
                    running: true,
                })
            });
        }
    }

    /// Builds that run at a moment: on each printer the last one that was started, unless it is
    /// finished. Build, hopper, entry of the start.
    pub(crate) fn running(&self, moment: Moment) -> Vec<(Label, Place, u64)> {
        let Ok(first) = Label::new("0") else { return Vec::new() };
        let first = Key::Printer(first);
        let mut running = Vec::new();
        for (key, _) in self.books.keys_from(&first) {
            let Key::Printer(_) = key else { break };
            let last = self.books.facts_before(&self.kept, key, moment).next_back();
            if let Some(build) = last.and_then(Kept::label)
                && let Some((hopper, entry)) = self.running_hopper(&build, moment)
            {
                running.push((build, hopper, entry));
            }
        }
        running
    }

    /// Shipment a waste container was last offered on, and whether a transporter took it.
    pub(crate) fn shipment_of(&self, place: &Place, moment: Moment) -> Option<(Label, bool)> {
        let books = &self.books;
        let offered = books
            .facts_before(&self.kept, &Key::Shipped(place.clone()), moment)
            .next_back()?
            .label()?;
        let accepted = books
            .facts_before(&self.kept, &Key::Shipment(offered.clone()), moment)
            .any(|k| matches!(k.deed, Deed::ShipmentAccepted(_)));
        Some((offered, accepted))
    }

    fn edge(&self, id: MoveId, share: Share, traced: Kg) -> TraceEdge {
        let moved = self.books.moves()[id as usize];
        let kept = &self.kept[moved.kept as usize];
        let lot = match moved.kind {
            MoveKind::Received | MoveKind::Blended => kept.label(),
            _ => None,
        };
        TraceEdge {
            entry: kept.seq,
            time_ms: kept.time_ms,
            kind: moved.kind,
            from: self.books.place_name(moved.from),
            into: self.books.place_name(moved.into),
            mass: moved.mass.shown(),
            fraction: share.decimal(),
            traced: traced.shown(),
            lot,
        }
    }

    /// A page mark: entry and number of the move within it.
    fn mark_of(&self, id: MoveId) -> String {
        let kept = self.books.moves()[id as usize].kept as usize;
        format!("{}.{}", self.kept[kept].seq, id - self.books.moves_of(kept).start)
    }

    fn page_mark(&self, page: &Page) -> Result<Option<MoveId>, Unanswered> {
        let Some(mark) = &page.after else { return Ok(None) };
        let read = || -> Option<MoveId> {
            let (seq, number) = mark.split_once('.')?;
            let kept = self.books.kept_of(seq.parse().ok()?)?;
            let moves = self.books.moves_of(kept);
            let id = moves.start.checked_add(number.parse().ok()?)?;
            moves.contains(&id).then_some(id)
        };
        read().map(Some).ok_or_else(|| Unanswered::Page(mark.clone()))
    }
}

fn page_limit(page: &Page) -> usize {
    page.limit.unwrap_or(LISTED_MAX).clamp(1, PAGE_MAX)
}

/// A bounded list that counts everything.
struct Listed<T> {
    list: Vec<T>,
    total: usize,
}

impl<T> Default for Listed<T> {
    fn default() -> Self {
        Self { list: Vec::new(), total: 0 }
    }
}

impl<T> Listed<T> {
    /// Counts one; makes it only while the list is not full.
    fn push(&mut self, make: impl FnOnce() -> Option<T>) {
        self.total += 1;
        if self.list.len() < LISTED_MAX {
            self.list.extend(make());
        }
    }
}

/// Places of some edges, in order of their names.
fn nodes(edges: &[TraceEdge]) -> Vec<TraceNode> {
    let mut nodes: std::collections::BTreeMap<&str, Vec<Label>> = Default::default();
    for edge in edges {
        nodes.entry(&edge.from).or_default();
        nodes.entry(&edge.into).or_default().extend(edge.lot.clone());
    }
    nodes
        .into_iter()
        .map(|(id, mut lots)| {
            lots.sort_unstable();
            lots.dedup();
            TraceNode { id: id.to_owned(), lots }
        })
        .collect()
}
