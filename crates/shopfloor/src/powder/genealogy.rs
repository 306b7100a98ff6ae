//! Trace back and forward: what is in this powder, and where did it go? A graph of places whose
//! every edge names its entry; bounded and paged; as of any moment of work.

use std::collections::{BTreeMap, BTreeSet};

use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::Serialize;

use crate::ids::{Label, Place, PlaceKind};
use crate::quantity::Mass;

use super::Powder;
use super::amount::{Kg, Share};
use super::books::{Books, MoveId, PlaceId};
use super::kept::{Deed, Kept, Key, Moment};
use super::lots::{self, Hold, Life};
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
    /// Places whose content could still be used or handed on, that no open hold covers and that
    /// nobody has decided on since the failure, most traced mass first: the scope of a hold.
    pub to_hold: Vec<Place>,
    /// How many of them.
    pub to_hold_total: usize,
    /// How many places are on hold and wait for a decision.
    pub on_hold_total: usize,
    /// How many places were decided on since the failure.
    pub decided_total: usize,
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
    /// Entry of the decision, after the failure, that covers all of the traced powder in it.
    pub decided_by: Option<u64>,
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
        let (mut total, mut found) = (0, Vec::new());
        let mut met = Met::new(&self.books, &seeds);
        let walk = trace::forward_with(&self.books, seeds, bound, |id, share| {
            total += 1;
            if after.is_none_or(|after| id > after) && found.len() <= limit {
                found.push((id, share));
            }
            met.moved(&self.books, id, share);
        });
        let next = (found.len() > limit).then(|| self.mark_of(found[limit - 1].0));
        found.truncate(limit);
        let edge = |(id, share): (MoveId, Share)| {
            self.edge(id, share, self.books.moves()[id as usize].mass.times(share))
        };
        let edges: Vec<TraceEdge> = found.into_iter().map(edge).collect();
        Ok(TraceForward {
            of: of.to_string(),
            reach: self.reach(&walk, &met, (moment, bound), |_| false),
            nodes: nodes(&edges),
            edges,
            edges_total: total,
            next,
        })
    }

    /// The content a trace back starts from.
    pub(super) fn start_of(
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
    pub(super) fn seeds_of(&self, of: &Target, from: AsOf) -> Result<Seeds, Unanswered> {
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

    /// What a walk forward reached, as of a moment. `answers` tells which holds answer the
    /// question: what was decided under them need not be held again.
    pub(crate) fn reach(
        &self,
        walk: &Forward,
        met: &Met,
        (moment, bound): (Moment, MoveId),
        answers: impl Fn(&Hold) -> bool,
    ) -> Reach {
        let books = &self.books;
        let mut builds = Listed { total: met.draws_total, list: Vec::new() };
        builds
            .list
            .extend(met.draws.iter().filter_map(|(id, share)| self.reached_build(*id, *share)));
        let lots = met.blends.iter().filter_map(|kept| {
            let content = lots::blend_content(books, *kept as usize)?;
            Some(ReachedLot {
                lot: lots::blend_of(books, &self.kept, content)?,
                fraction: walk.of(content)?.decimal(),
                entry: self.kept[*kept as usize].seq,
            })
        });
        let lots: Vec<ReachedLot> = lots.collect();
        self.running_builds(walk, moment, bound, &mut builds);
        let mut found = self.reached_places(walk, &met.places, bound);
        let gone = self.shipped_places(moment);
        let mut kinds: BTreeMap<PlaceKind, (Kg, usize)> = BTreeMap::new();
        let mut shipped = Kg::ZERO;
        for at in &found {
            let Some(kind) = books.kind_of(at.place) else { continue };
            let total = kinds.entry(kind).or_default();
            *total = (total.0 + at.traced, total.1 + 1);
            if gone.contains(&at.place) {
                shipped += at.traced;
            }
        }
        let walked = |holds: Vec<lots::Covered>| -> Vec<(Option<u64>, Forward)> {
            let walk = |h: lots::Covered| {
                (h.decided.map(|(_, seq)| seq), trace::forward(books, h.seeds, bound))
            };
            holds.into_iter().map(walk).collect()
        };
        let open = walked(lots::open_holds(books, &self.kept, moment));
        let decided = walked(lots::covered(books, &self.kept, moment, |hold, part| {
            part.decided.is_some() && answers(hold)
        }));
        let on_hold = |at: &Found| open.iter().any(|(_, hold)| hold.of(at.content).is_some());
        // A decision counts when it is about at least all of the traced powder there.
        let decided_by = |at: &Found| {
            let covers = |hold: &Forward| hold.of(at.content).is_some_and(|s| s >= at.share);
            decided.iter().find(|(_, hold)| covers(hold)).and_then(|(seq, _)| *seq)
        };
        // What an unpacked build did not give back is missing; nobody can hold it.
        let there = |at: &&Found| {
            books.kind_of(at.place).is_some_and(can_be_held)
                && (books.kind_of(at.place) != Some(PlaceKind::Build)
                    || self.last_unpack(at.place, bound).is_none())
        };
        let usable: Vec<&Found> = found.iter().filter(there).collect();
        let on_hold_total = usable.iter().filter(|at| on_hold(at)).count();
        let free = |at: &&&Found| !on_hold(at);
        let decided_total =
            usable.iter().filter(free).filter(|at| decided_by(at).is_some()).count();
        let mut to_hold: Vec<Found> = usable
            .iter()
            .filter(free)
            .filter(|at| decided_by(at).is_none())
            .map(|at| **at)
            .collect();
        let (places_total, to_hold_total) = (found.len(), to_hold.len());
        most_first(&mut found, books);
        most_first(&mut to_hold, books);
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
            lots,
            lots_total: met.blends_total,
            places_total,
            places: found
                .iter()
                .filter_map(|at| self.reached_place(*at, on_hold(at), decided_by(at), moment))
                .collect(),
            to_hold: to_hold.iter().filter_map(|at| books.place(at.place).cloned()).collect(),
            to_hold_total,
            on_hold_total,
            decided_total,
            shipped: shipped.shown(),
        }
    }

    /// Places that hold reached content.
    fn reached_places(&self, walk: &Forward, touched: &Bits, bound: MoveId) -> Vec<Found> {
        let found = |place| {
            let content = self.books.content(place, bound);
            let (id, held) = (content.id?, content.held);
            let share = walk.of(id)?;
            Some(Found { place, content: id, held, share, traced: held.times(share) })
        };
        touched.iter().filter_map(found).collect()
    }

    fn reached_place(
        &self,
        at: Found,
        on_hold: bool,
        decided_by: Option<u64>,
        moment: Moment,
    ) -> Option<ReachedPlace> {
        let place = self.books.place(at.place)?.clone();
        let shipment = self.shipment_of(&place, moment);
        Some(ReachedPlace {
            held: at.held.shown(),
            fraction: at.share.decimal(),
            traced: at.traced.shown(),
            on_hold,
            decided_by,
            shipped: shipment.as_ref().is_some_and(|(_, accepted)| *accepted),
            shipment: shipment.map(|(shipment, _)| shipment),
            entry: self.seq_of_move(at.content),
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
        let mut running = Vec::new();
        for key in self.books.printers() {
            let last = self.books.facts_before(&self.kept, key, moment).next_back();
            if let Some(build) = last.and_then(Kept::label)
                && let Some((hopper, entry)) = self.running_hopper(&build, moment)
            {
                running.push((build, hopper, entry));
            }
        }
        running
    }

    /// Waste containers whose last shipment a transporter accepted.
    fn shipped_places(&self, moment: Moment) -> BTreeSet<PlaceId> {
        let gone = |place: &&Place| self.shipment_of(place, moment).is_some_and(|s| s.1);
        let places = self.books.offered_places().filter(gone);
        places.filter_map(|place| self.books.find_place(place)).collect()
    }

    /// Shipment a waste container was last offered on, and whether a transporter took it; `None`
    /// when it came back.
    pub(crate) fn shipment_of(&self, place: &Place, moment: Moment) -> Option<(Label, bool)> {
        let books = &self.books;
        let last = books
            .facts_before(&self.kept, &Key::Shipped(place.clone()), moment)
            .next_back()
            .filter(|k| matches!(k.deed, Deed::ShipmentOffered(_)))?;
        let offered = last.label()?;
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

/// A place that holds reached content.
#[derive(Debug, Clone, Copy)]
struct Found {
    place: PlaceId,
    content: MoveId,
    held: Kg,
    share: Share,
    traced: Kg,
}

/// Keeps the [`LISTED_MAX`] places with most traced mass, in that order.
fn most_first(found: &mut Vec<Found>, books: &Books) {
    let by = |a: &Found, b: &Found| {
        b.traced.cmp(&a.traced).then_with(|| books.place(a.place).cmp(&books.place(b.place)))
    };
    if found.len() > LISTED_MAX {
        found.select_nth_unstable_by(LISTED_MAX, by);
        found.truncate(LISTED_MAX);
    }
    found.sort_unstable_by(by);
}

/// Whether a hold of such a place makes sense: it can still be used or handed on.
fn can_be_held(kind: PlaceKind) -> bool {
    match kind {
        PlaceKind::LotContainer
        | PlaceKind::Hopper
        | PlaceKind::Build
        | PlaceKind::Parts
        | PlaceKind::Bin
        | PlaceKind::Oversize
        | PlaceKind::Sample => true,
        PlaceKind::Supplier | PlaceKind::VacuumBag | PlaceKind::Waste | PlaceKind::Loss => false,
    }
}

/// What a walk forward met on its way.
pub(crate) struct Met {
    /// Places that anything of it went into.
    places: Bits,
    /// Draws of builds, bounded, with the share in what they drew.
    draws: Vec<(MoveId, Share)>,
    draws_total: usize,
    /// Blends by kept fact, bounded.
    blends: Vec<u32>,
    blends_total: usize,
    last_blend: Option<u32>,
}

impl Met {
    pub(crate) fn new(books: &Books, seeds: &Seeds) -> Self {
        let mut places = Bits::new(books.place_count());
        for content in seeds.contents() {
            places.set(books.moves()[content as usize].into);
        }
        Self {
            places,
            draws: Vec::new(),
            draws_total: 0,
            blends: Vec::new(),
            blends_total: 0,
            last_blend: None,
        }
    }

    /// Takes note of a move that carried some of the seeds.
    #[inline]
    pub(crate) fn moved(&mut self, books: &Books, id: MoveId, share: Share) {
        let moved = &books.moves()[id as usize];
        self.places.set(moved.into);
        match moved.kind {
            MoveKind::Drawn => {
                self.draws_total += 1;
                if self.draws.len() < LISTED_MAX {
                    self.draws.push((id, share));
                }
            }
            // Several components of one blend may carry it; their moves follow each other.
            MoveKind::Blended if self.last_blend != Some(moved.kept) => {
                self.last_blend = Some(moved.kept);
                self.blends_total += 1;
                if self.blends.len() < LISTED_MAX {
                    self.blends.push(moved.kept);
                }
            }
            _ => {}
        }
    }
}

/// A bounded list that counts everything.
struct Listed<T> {
    list: Vec<T>,
    total: usize,
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
    let mut nodes: BTreeMap<&str, Vec<Label>> = BTreeMap::new();
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
