//! Answers about powder as plain data: places, lots, builds. Every answer names the entries it
//! rests on.

use jiff::Timestamp;
use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::Serialize;

use crate::common::{Day, Outcome};
use crate::ids::{Code, Label, PersonId, Place, PlaceKind};
use crate::powder::events::{Certificate, LotDecision, LotReceived};
use crate::quantity::{Hours, Mass};

use super::amount::{Kg, Share};
use super::books::{MoveId, Only, Origin, UNKNOWN_PLACE};
use super::kept::{Deed, Kept, Key, Moment};
use super::lots::{self, Life, LotStatus};
use super::moves::MoveKind;
use super::refresh::RefreshView;
use super::{Powder, ages, trace};

/// Most entries or rows an answer lists; totals count all.
pub const LISTED_MAX: usize = 200;

/// Up to where a question looks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AsOf {
    /// Everything.
    Now,
    /// Up to and with this entry, in order of work. Only entries that concern powder have a place
    /// in that order; ask for others by their time.
    Entry(u64),
    /// Up to and with this millisecond of work.
    Time(Timestamp),
}

/// Why a question has no answer.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Unanswered {
    /// The entry has no place in the order of powder work.
    #[error("entry `{0}` moves no powder and tells nothing about it: ask by its time")]
    Entry(u64),
    /// No mass was ever in this place.
    #[error("no entry names the place `{0}`")]
    Place(Place),
    /// No entry made this lot.
    #[error("no entry tells of lot `{0}`: it was neither received nor blended")]
    Lot(Label),
    /// No entry tells of this build.
    #[error("no entry tells of build `{0}`")]
    Build(Label),
    /// No entry tells of this sieve.
    #[error("no entry tells of sieve `{0}`")]
    Sieve(Label),
    /// No entry tells of this scale.
    #[error("no entry tells of scale `{0}`")]
    Scale(Label),
    /// The page mark is not one of this answer.
    #[error("`{0}` is no page mark: pass on `next` as it was given")]
    Page(String),
}

/// A lot's part in a content.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LotShare {
    /// The delivered lot.
    pub lot: Label,
    /// Mass fraction, 12 decimals.
    #[schemars(with = "String")]
    pub fraction: Decimal,
    /// Its mass in the content.
    pub mass: Mass,
}

/// Of what a content consists.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Makeup {
    /// Delivered lots, largest first (at most [`LISTED_MAX`]).
    pub lots: Vec<LotShare>,
    /// How many lots there are in all.
    pub lots_total: usize,
    /// Fraction whose source nobody recorded. Fractions and this sum to one when all are listed.
    #[schemars(with = "String")]
    pub unknown_fraction: Decimal,
    /// Fraction with a known source lot (C23).
    #[schemars(with = "String")]
    pub coverage: Decimal,
    /// Fraction that was never in a build.
    #[schemars(with = "String")]
    pub fresh_fraction: Decimal,
    /// Fraction that was in a build and was not sieved since.
    #[schemars(with = "String")]
    pub unsieved_fraction: Decimal,
    /// Age of the powder.
    pub age: Age,
}

/// Age of the powder in a content. Means are over the powder with a known source.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Age {
    /// Mean number of builds gone through.
    #[schemars(with = "String")]
    pub mean_builds: Decimal,
    /// Mean hours at bed temperature.
    #[schemars(with = "String")]
    pub mean_hours_at_temperature: Decimal,
    /// Mass fraction by number of builds, youngest first, without empty classes. The class of 63
    /// builds holds everything older too.
    pub by_builds: Vec<AgeClass>,
    /// Highest number of builds that more than 1 % of the powder went through.
    pub highest_builds_above_one_percent: Option<usize>,
}

/// One class of age.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct AgeClass {
    /// Builds gone through.
    pub builds: usize,
    /// Mass fraction of exactly this age.
    #[schemars(with = "String")]
    pub fraction: Decimal,
    /// Mass fraction of this age or older.
    #[schemars(with = "String")]
    pub fraction_at_least: Decimal,
}

/// What is in a place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct PlaceView {
    /// The place.
    pub place: Place,
    /// What the book says it holds.
    pub held: Mass,
    /// The lot it holds, when nothing else was added to it.
    pub lot: Option<Label>,
    /// Materials in it.
    pub materials: Vec<Label>,
    /// Whether more than one material is in it.
    pub materials_mixed: bool,
    /// Of what it consists; `None` when it is empty.
    pub makeup: Option<Makeup>,
    /// Open holds that cover some of it.
    pub holds: Vec<HoldOn>,
    /// Latest count, when there is one.
    pub counted: Option<CountView>,
    /// Latest entries that moved mass in or out, newest first (at most [`LISTED_MAX`]).
    pub entries: Vec<u64>,
    /// How many such entries there are.
    pub entries_total: usize,
}

/// A hold that covers part of a content.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct HoldOn {
    /// Lot that was put on hold.
    pub lot: Label,
    /// Entry of the hold.
    pub entry: u64,
    /// Mass fraction that it covers.
    #[schemars(with = "String")]
    pub fraction: Decimal,
}

/// A count of a place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct CountView {
    /// Entry of the count.
    pub entry: u64,
    /// What was found.
    pub counted: Mass,
    /// What the book said at that moment.
    pub book: Mass,
    /// Book minus counted: positive is missing, negative is surplus.
    pub missing: Mass,
}

/// A lot's story.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LotView {
    /// The lot.
    pub lot: Label,
    /// Site that received or blended it.
    pub site: Option<Label>,
    /// When that was, ms since 1970 UTC.
    pub made_ms: i64,
    /// Where it stands.
    pub status: LotStatus,
    /// Material; of a blend, when all its components agree.
    pub material: Option<Label>,
    /// Supplier, of a delivery.
    pub supplier: Option<Label>,
    /// The supplier's own lot number, of a delivery.
    pub supplier_lot: Option<Label>,
    /// The certificate that came along: its number and the digest of its file.
    pub certificate: Option<Certificate>,
    /// Whether all seals were whole on receipt.
    pub seals_whole: Option<bool>,
    /// Places it came into.
    pub containers: Vec<ContainerOfLot>,
    /// Mass that was received or blended.
    pub made: Mass,
    /// Latest result of each test.
    pub tests: Vec<TestOfLot>,
    /// Entry that released it.
    pub released_by: Option<u64>,
    /// Who released it.
    pub released_by_person: Option<PersonId>,
    /// Of a blend that was not released by itself: whether everything in it was released.
    pub released_by_components: bool,
    /// Delivered lots in it that are not released.
    pub unreleased: Vec<Label>,
    /// Every hold.
    pub holds: Vec<HoldView>,
    /// Entry that restricted it to less demanding parts.
    pub downgraded_by: Option<u64>,
    /// Last day of use. A blend inherits the earliest of the lots that were blended.
    pub expires: Option<Day>,
    /// Entry the last day of use comes from.
    pub expires_by: Option<u64>,
    /// When it was first opened (powder taken out), and the entry.
    pub opened: Option<Opened>,
    /// Of what a blend consists, as it was made.
    pub makeup: Option<Makeup>,
    /// Share of fresh powder in a blend, held against its recipe.
    pub refresh: Option<RefreshView>,
    /// Entries of its own life, in order of work.
    pub entries: Vec<u64>,
}

/// A container or place that a lot came into.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ContainerOfLot {
    /// The place.
    pub place: Place,
    /// What it holds now.
    pub held: Mass,
    /// Whether only this lot is in it.
    pub unmixed: bool,
}

/// A test of a lot.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct TestOfLot {
    /// Which test.
    pub test: Code,
    /// Result.
    pub result: Outcome,
    /// Entry.
    pub entry: u64,
}

/// When a lot was opened.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Opened {
    /// Entry that first took powder out.
    pub entry: u64,
    /// When, ms since 1970 UTC.
    pub time_ms: i64,
    /// Hours since then.
    pub hours: Hours,
}

/// A hold of a lot.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct HoldView {
    /// Entry of the hold.
    pub entry: u64,
    /// Places it names; none means the whole lot.
    pub scope: Vec<Place>,
    /// Places of it that nobody has decided on.
    pub open: Vec<Place>,
    /// What was decided, place by place.
    pub decided: Vec<DecidedPart>,
    /// Entry that decided on rework.
    pub rework_by: Option<u64>,
    /// Entry that ended it; `None` while it is open.
    pub ended_by: Option<u64>,
}

/// A decision about what was on hold.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct DecidedPart {
    /// The place; `None`: the whole lot.
    pub place: Option<Place>,
    /// The decision.
    pub decision: LotDecision,
    /// Entry of it; for rework, the release after it.
    pub entry: u64,
}

/// A build's powder.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct BuildView {
    /// The build.
    pub build: Label,
    /// Printer.
    pub printer: Option<Label>,
    /// Hopper it drew from.
    pub hopper: Option<Place>,
    /// Recipe.
    pub recipe: Option<Label>,
    /// Entry of the start.
    pub started: Option<u64>,
    /// Entry of the end.
    pub finished: Option<u64>,
    /// Powder it drew.
    pub drawn: Mass,
    /// Mass that became parts.
    pub parts: Mass,
    /// Powder that was recovered.
    pub recovered: Mass,
    /// What went in and did not come out again; negative: more came out than went in.
    pub unaccounted: Mass,
    /// Of what the drawn powder consisted; before the end: what lies in the hopper.
    pub makeup: Option<Makeup>,
    /// Entries, in order of work.
    pub entries: Vec<u64>,
}

impl Powder {
    /// The moment and number of moves up to which a question looks.
    pub(crate) fn bound(&self, as_of: AsOf) -> Result<(Moment, MoveId), Unanswered> {
        let moment = match as_of {
            AsOf::Now => (i64::MAX, u64::MAX),
            AsOf::Entry(seq) => {
                let at = self.books.kept_of(seq).ok_or(Unanswered::Entry(seq))?;
                (self.kept[at].time_ms, seq + 1)
            }
            AsOf::Time(at) => (at.as_millisecond(), u64::MAX),
        };
        Ok((moment, self.books.moves_before(&self.kept, moment)))
    }

    /// Whether there is such a moment in the order of powder work.
    pub fn has(&self, as_of: AsOf) -> bool {
        self.bound(as_of).is_ok()
    }

    /// Every place that ever held mass, with what it holds, in order of kind and id.
    pub fn places(&self) -> Vec<(Place, Mass)> {
        let held =
            |(id, place): (_, &Place)| (place.clone(), self.books.content_now(id).held.shown());
        let mut places: Vec<_> = self.books.place_list().map(held).collect();
        places.sort_by(|a, b| a.0.cmp(&b.0));
        places
    }

    /// What the book says a place holds now, in kg; zero for a place nobody named.
    pub fn held_kg(&self, place: &Place) -> Decimal {
        self.books.held_now(place).decimal()
    }

    /// How many moves are booked.
    pub fn move_count(&self) -> usize {
        self.books.moves().len()
    }

    /// Mass that came out of nowhere recorded in all, in kg. With the books of all places (those
    /// of suppliers are negative) it always adds up to zero.
    pub fn from_unknown_kg(&self) -> Decimal {
        (-self.books.content_now(UNKNOWN_PLACE).held).decimal()
    }

    /// Every lot that was received or blended, in order of its label.
    pub fn lots(&self) -> Vec<Label> {
        self.books.made().cloned().collect()
    }

    /// What is in a place.
    pub fn place(&self, place: &Place, as_of: AsOf) -> Result<PlaceView, Unanswered> {
        let (moment, bound) = self.bound(as_of)?;
        let books = &self.books;
        let unknown = || Unanswered::Place(place.clone());
        let id = books.find_place(place).ok_or_else(unknown)?;
        let touches = books.touches_between(id, 0, bound);
        let content = books.content(id, bound);
        let mut entries: Vec<u64> = touches.rev().map(|t| self.seq_of_move(t)).collect();
        entries.dedup();
        if entries.is_empty() {
            return Err(unknown());
        }
        let material = content.id.map_or(Only::Untold, |c| books.mark(c).material);
        let open = lots::open_holds(books, &self.kept, moment);
        let holds = content.id.map(|c| lots::on_content(books, open, c, bound));
        Ok(PlaceView {
            place: place.clone(),
            held: content.held.shown(),
            lot: content.id.and_then(|c| lots::direct_lot(books, &self.kept, c)),
            materials: content.id.map_or_else(Vec::new, |c| self.materials(c)),
            materials_mixed: material == Only::Mixed,
            makeup: content.id.map(|c| self.makeup(c, content.held)),
            holds: holds
                .into_iter()
                .flatten()
                .map(|(hold, share)| HoldOn {
                    lot: hold.lot,
                    entry: hold.seq,
                    fraction: share.decimal(),
                })
                .collect(),
            counted: self.last_count(place, moment).map(|c| c.view()),
            entries_total: entries.len(),
            entries: entries.into_iter().take(LISTED_MAX).collect(),
        })
    }

    /// Materials of the lots in a place; none where nobody knows.
    pub(crate) fn materials_in(&self, place: &Place, as_of: AsOf) -> Vec<Label> {
        let Ok((_, bound)) = self.bound(as_of) else { return Vec::new() };
        let content = self.books.find_place(place).and_then(|id| self.books.content(id, bound).id);
        content.map_or_else(Vec::new, |content| self.materials(content))
    }

    /// Materials of the lots in a content.
    fn materials(&self, content: MoveId) -> Vec<Label> {
        match self.books.mark(content).material {
            Only::Untold => Vec::new(),
            Only::One(id) => vec![self.books.material(id).clone()],
            Only::Mixed => {
                let mut found = std::collections::BTreeSet::new();
                trace::ancestors(self.books.links(), content, 0, |id| {
                    if let Origin::Lot(_) = self.books.links()[id as usize].origin()
                        && let Only::One(m) = self.material_of_delivery(id)
                    {
                        found.insert(self.books.material(m).clone());
                    }
                    true
                });
                found.into_iter().collect()
            }
        }
    }

    fn material_of_delivery(&self, id: MoveId) -> Only {
        let kept = self.books.moves()[id as usize].kept as usize;
        match &self.kept[kept].deed {
            Deed::LotReceived(d) => self.books.find_material(&d.material),
            _ => Only::Untold,
        }
    }

    pub(crate) fn makeup(&self, content: MoveId, held: Kg) -> Makeup {
        let composition = trace::composition(&self.books, content);
        let mut shares: Vec<Share> = composition.lots.iter().map(|(_, s)| *s).collect();
        shares.push(composition.unknown);
        let mut decimals = Share::decimals(&shares);
        let unknown_fraction = decimals.pop().unwrap_or_default();
        let mark = self.books.mark(content);
        let ages = ages::of_content(&self.books, &self.kept, content);
        Makeup {
            lots: composition
                .lots
                .iter()
                .zip(decimals)
                .take(LISTED_MAX)
                .map(|((lot, share), fraction)| LotShare {
                    lot: self.books.lot(*lot).clone(),
                    fraction,
                    mass: held.times(*share).shown(),
                })
                .collect(),
            lots_total: composition.lots.len(),
            unknown_fraction,
            coverage: Decimal::ONE - unknown_fraction,
            fresh_fraction: mark.fresh.decimal(),
            unsieved_fraction: mark.unsieved.decimal(),
            age: age_view(&ages),
        }
    }

    /// Lots that must not be used now, on hold or in quarantine, in order of label. Looks at no other.
    pub fn kept_back(&self) -> impl Iterator<Item = (&Label, LotStatus)> {
        self.books.kept_back()
    }

    /// A lot's story, with hours counted up to `now`.
    pub fn lot(&self, lot: &Label, as_of: AsOf, now: Timestamp) -> Result<LotView, Unanswered> {
        let (moment, bound) = self.bound(as_of)?;
        let (books, all) = (&self.books, &self.kept);
        let life = Life::of(books, all, lot, moment);
        let unknown = || Unanswered::Lot(lot.clone());
        let origin = life.origin.ok_or_else(unknown)?;
        let status = life.status(all).ok_or_else(unknown)?;
        let moves = books.moves_of(origin);
        let made: Kg = moves
            .clone()
            .map(|m| books.moves()[m as usize])
            .filter(|m| m.kind != MoveKind::Overdrawn)
            .map(|m| m.mass)
            .sum();
        let blend = lots::blend_content(books, origin)
            .filter(|_| matches!(all[origin].deed, Deed::PowderBlended(_)));
        let unreleased = match blend {
            Some(content) if life.released.is_none() => {
                lots::unreleased(books, all, content, moment)
            }
            Some(_) | None => Vec::new(),
        };
        let delivery = match &all[origin].deed {
            Deed::LotReceived(d) => Some(d.as_ref()),
            _ => None,
        };
        let material = match delivery {
            Some(d) => Some(d.material.clone()),
            None => blend.and_then(|c| match books.mark(c).material {
                Only::One(id) => Some(books.material(id).clone()),
                Only::Untold | Only::Mixed => None,
            }),
        };
        let expires = lots::expires(books, all, lot, moment);
        let by = |seq: u64| books.kept_of(seq).and_then(|at| all[at].by.clone());
        Ok(LotView {
            lot: lot.clone(),
            site: all[origin].site.clone(),
            made_ms: all[origin].time_ms,
            status,
            material,
            supplier: delivery.map(|d| d.supplier.clone()),
            supplier_lot: delivery.map(|d| d.supplier_lot.clone()),
            certificate: delivery.and_then(|d| d.certificate.clone()),
            seals_whole: delivery.and_then(|d| d.seals_whole),
            containers: self.containers_of(lot, origin, bound),
            made: made.shown(),
            tests: life
                .tests
                .iter()
                .map(|(test, (result, entry))| TestOfLot {
                    test: test.clone(),
                    result: *result,
                    entry: *entry,
                })
                .collect(),
            released_by: life.released,
            released_by_person: life.released.and_then(by),
            released_by_components: blend.is_some()
                && life.released.is_none()
                && unreleased.is_empty(),
            unreleased,
            holds: life.holds.iter().map(hold_view).collect(),
            downgraded_by: life.downgraded,
            expires: expires.map(|(day, _)| Day(day)),
            expires_by: expires.map(|(_, seq)| seq),
            opened: self.opened(origin, bound, now),
            makeup: blend.map(|content| self.makeup(content, made)),
            refresh: self.refresh_of(origin),
            entries: life.entries,
        })
    }

    /// What was recorded of the delivery of a lot; `None` for a blend and for an unknown lot.
    pub fn delivery(&self, lot: &Label) -> Option<&LotReceived> {
        let facts =
            self.books.facts_before(&self.kept, &Key::Lot(lot.clone()), (i64::MAX, u64::MAX));
        let mut made = facts.filter_map(|kept| match &kept.deed {
            Deed::LotReceived(d) => Some(Some(d.as_ref())),
            Deed::PowderBlended(_) => Some(None),
            _ => None,
        });
        made.next().flatten()
    }

    fn containers_of(&self, lot: &Label, origin: usize, bound: MoveId) -> Vec<ContainerOfLot> {
        let books = &self.books;
        let mut ids: Vec<_> =
            books.moves_of(origin).map(|m| books.moves()[m as usize].into).collect();
        ids.dedup();
        ids.into_iter()
            .filter_map(|id| {
                let content = books.content(id, bound);
                let direct = content.id.and_then(|c| lots::direct_lot(books, &self.kept, c));
                Some(ContainerOfLot {
                    place: books.place(id)?.clone(),
                    held: content.held.shown(),
                    unmixed: direct.as_ref() == Some(lot),
                })
            })
            .collect()
    }

    /// First move out of the places a lot came into.
    fn opened(&self, origin: usize, bound: MoveId, now: Timestamp) -> Option<Opened> {
        let books = &self.books;
        let made = books.moves_of(origin);
        let out = |m: MoveId| {
            let place = books.moves()[m as usize].into;
            let mut later = books.touches_between(place, made.end, MoveId::MAX);
            later.find(|t| books.moves()[*t as usize].from == place)
        };
        let first = made.clone().filter_map(out).filter(|m| *m < bound).min()?;
        let kept = &self.kept[books.moves()[first as usize].kept as usize];
        let since_ms = (now.as_millisecond() - kept.time_ms).max(0);
        let hours = Decimal::from(since_ms) / Decimal::from(3_600_000);
        Some(Opened {
            entry: kept.seq,
            time_ms: kept.time_ms,
            hours: Hours::from_base(hours.round_dp(2).normalize()),
        })
    }

    /// A build's powder.
    pub fn build(&self, build: &Label, as_of: AsOf) -> Result<BuildView, Unanswered> {
        let (moment, bound) = self.bound(as_of)?;
        let (books, all) = (&self.books, &self.kept);
        let facts: Vec<&Kept> =
            books.facts_before(all, &Key::Build(build.clone()), moment).collect();
        let unknown = || Unanswered::Build(build.clone());
        let place = Place::new(PlaceKind::Build, build.as_str()).map_err(|_| unknown())?;
        if facts.is_empty() && books.find_place(&place).is_none() {
            return Err(unknown());
        }
        let started = facts.iter().find_map(|k| match &k.deed {
            Deed::BuildStarted(d) => Some((k.seq, d.as_ref())),
            _ => None,
        });
        let finished =
            facts.iter().find(|k| matches!(k.deed, Deed::BuildFinished(_))).map(|k| k.seq);
        let account = self.build_account(&place, bound);
        let makeup = match (account.drawn_content, started) {
            (Some(content), _) => Some(self.makeup(content, account.drawn)),
            (None, Some((_, start))) => books.find_place(&start.hopper).and_then(|id| {
                let content = books.content(id, bound);
                content.id.map(|c| self.makeup(c, content.held))
            }),
            (None, None) => None,
        };
        let mut entries: Vec<u64> = facts.iter().map(|k| k.seq).collect();
        entries.extend(account.entries);
        entries.sort_unstable();
        entries.dedup();
        Ok(BuildView {
            build: build.clone(),
            printer: started.map(|(_, d)| d.printer.clone()),
            hopper: started.map(|(_, d)| d.hopper.clone()),
            recipe: started.and_then(|(_, d)| d.recipe.clone()),
            started: started.map(|(seq, _)| seq),
            finished,
            drawn: account.drawn.shown(),
            parts: account.parts.shown(),
            recovered: account.recovered.shown(),
            unaccounted: (account.in_total - account.out_total).shown(),
            makeup,
            entries,
        })
    }

    /// Entry that tells a move.
    pub(crate) fn seq_of_move(&self, id: MoveId) -> u64 {
        self.kept[self.books.moves()[id as usize].kept as usize].seq
    }
}

fn hold_view(hold: &lots::Hold) -> HoldView {
    let open = hold.parts.iter().filter(|p| p.decided.is_none());
    let decided = hold.parts.iter().filter_map(|p| {
        let (decision, entry) = p.decided?;
        Some(DecidedPart { place: p.place.clone(), decision, entry })
    });
    HoldView {
        entry: hold.seq,
        scope: hold.scope.clone(),
        open: open.filter_map(|p| p.place.clone()).collect(),
        decided: decided.collect(),
        rework_by: hold.parts.iter().find_map(|p| p.rework),
        ended_by: hold.ended(),
    }
}

fn age_view(ages: &ages::Ages) -> Age {
    let classes = ages.by_builds.iter().enumerate().filter(|(_, share)| !share.is_zero());
    Age {
        mean_builds: ages.mean_builds,
        mean_hours_at_temperature: ages.mean_hours,
        by_builds: classes
            .map(|(builds, share)| AgeClass {
                builds,
                fraction: share.decimal(),
                fraction_at_least: ages.at_least(builds).decimal(),
            })
            .collect(),
        highest_builds_above_one_percent: ages.highest_above_one_percent(),
    }
}
