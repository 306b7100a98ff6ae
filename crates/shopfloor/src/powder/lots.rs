//! Life of a lot: received, tested, released, held, decided on. Derived from the lot's own facts
//! up to a moment, so that a late test or release counts from the time it was done.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::common::{Outcome, SignatureMeaning};
use crate::forms::words;
use crate::ids::{Code, Label, Place};
use crate::powder::events::{LotDecision, PowderBlended};

use super::amount::Share;
use super::archive::Archive;
use super::books::{Books, MoveId, Only, Origin};
use super::kept::{Deed, Kept, Key, Moment};
use super::moves::MoveKind;
use super::trace;

words! {
    /// Where a lot stands.
    pub enum LotStatus {
        /// Delivered, with a certificate and whole seals; no test yet.
        Received = "received",
        /// Delivered without certificate, with a broken seal, or with a failed test.
        Quarantined = "quarantined",
        /// Every test so far was passed; not released yet.
        Tested = "tested",
        /// Blended from other powder; not released by itself (see `released_by_components`).
        Blended = "blended",
        /// Released for use.
        Released = "released",
        /// On hold: not to be used until two people have decided.
        Held = "held",
        /// Decided to be waste.
        Scrapped = "scrapped",
    }
}

/// A hold of a lot or of some places.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Hold {
    /// Entry that tells it.
    pub(crate) seq: u64,
    pub(crate) moment: Moment,
    /// The places it names; none means the whole lot.
    pub(crate) scope: Vec<Place>,
    /// Each of them, or the whole lot, with what became of it.
    pub(crate) parts: Vec<Part>,
}

/// What a hold covers and is decided on at once.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Part {
    /// The place; `None`: the whole lot.
    pub(crate) place: Option<Place>,
    /// Entry of a decision for rework: the part is free with the next release.
    pub(crate) rework: Option<u64>,
    /// Decision that ended the hold of it, and the entry.
    pub(crate) decided: Option<(LotDecision, u64)>,
}

impl Hold {
    fn new(kept: &Kept, scope: &[Place]) -> Hold {
        let part = |place| Part { place, rework: None, decided: None };
        let mut parts: Vec<Part> = scope.iter().cloned().map(Some).map(part).collect();
        if parts.is_empty() {
            parts.push(part(None));
        }
        Hold { seq: kept.seq, moment: kept.moment(), scope: scope.to_vec(), parts }
    }

    pub(crate) fn is_open(&self) -> bool {
        self.parts.iter().any(|p| p.decided.is_none())
    }

    /// Whether something of it waits for a decision.
    pub(crate) fn is_undecided(&self) -> bool {
        self.parts.iter().any(|p| p.decided.is_none() && p.rework.is_none())
    }

    /// Entry that ended it, when nothing of it is left.
    pub(crate) fn ended(&self) -> Option<u64> {
        let ends: Option<Vec<u64>> = self.parts.iter().map(|p| Some(p.decided?.1)).collect();
        ends.and_then(|ends| ends.into_iter().max())
    }

    /// Takes a decision about some of its places; about everything when `scope` is empty.
    fn decide(&mut self, decision: LotDecision, scope: &[Place], seq: u64) {
        let open = self.parts.iter_mut().filter(|p| p.decided.is_none());
        let meant = |p: &Part| {
            scope.is_empty() || p.place.as_ref().is_some_and(|place| scope.contains(place))
        };
        for part in open.filter(|p| meant(p)) {
            match decision {
                LotDecision::Rework => part.rework = Some(seq),
                LotDecision::UseAsIs | LotDecision::Downgrade | LotDecision::Scrap => {
                    part.decided = Some((decision, seq));
                }
            }
        }
    }
}

/// What the facts of a lot add up to.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Life {
    /// Position of the fact that made the lot (delivery or blend).
    pub(crate) origin: Option<usize>,
    /// Last result of each test, with its entry.
    pub(crate) tests: BTreeMap<Code, (Outcome, u64)>,
    pub(crate) released: Option<u64>,
    pub(crate) holds: Vec<Hold>,
    pub(crate) downgraded: Option<u64>,
    pub(crate) scrapped: Option<u64>,
    /// Every entry of the lot's own life.
    pub(crate) entries: Vec<u64>,
}

impl Life {
    /// Facts of `lot` before `moment`.
    pub(crate) fn of(books: &Books, all: &Archive, lot: &Label, moment: Moment) -> Life {
        let mut life = Life::default();
        let facts = books.facts(&Key::Lot(lot.clone()));
        for i in facts {
            if all.moment(i as usize) >= moment {
                break;
            }
            let kept = &all[i as usize];
            life.entries.push(kept.seq);
            life.take(i as usize, kept);
        }
        life
    }

    fn take(&mut self, at: usize, kept: &Kept) {
        match &kept.deed {
            Deed::LotReceived(_) | Deed::PowderBlended(_) => {
                self.origin.get_or_insert(at);
            }
            Deed::LotTested(d) => {
                self.tests.insert(d.test.clone(), (d.result, kept.seq));
            }
            Deed::LotReleased(d) if sets_free(d.meaning) => {
                self.released = Some(kept.seq);
                let parts = self.holds.iter_mut().flat_map(|h| &mut h.parts);
                for part in parts.filter(|p| p.rework.is_some()) {
                    part.decided.get_or_insert((LotDecision::Rework, kept.seq));
                }
            }
            Deed::LotHeld(d) => self.holds.push(Hold::new(kept, &d.scope)),
            Deed::LotDisposedOf(d) if two_people(&d.decided_by) => {
                // A decision about a hold of some places does not scrap the rest of the lot.
                let places_only = !d.scope.is_empty()
                    || (self.open_holds().next().is_some()
                        && self.open_holds().all(|h| !h.scope.is_empty()));
                match d.decision {
                    _ if places_only => {}
                    LotDecision::UseAsIs | LotDecision::Rework => {}
                    LotDecision::Downgrade => self.downgraded = Some(kept.seq),
                    LotDecision::Scrap => self.scrapped = Some(kept.seq),
                }
                for hold in &mut self.holds {
                    hold.decide(d.decision, &d.scope, kept.seq);
                }
            }
            // Decided by one person, signed with another meaning, or not about the lot's life.
            _ => {}
        }
    }

    pub(crate) fn open_holds(&self) -> impl Iterator<Item = &Hold> {
        self.holds.iter().filter(|h| h.is_open())
    }

    /// The status; `None` when no fact made the lot.
    pub(crate) fn status(&self, all: &Archive) -> Option<LotStatus> {
        let origin = &all[self.origin?];
        let failed = self.tests.values().any(|(outcome, _)| *outcome == Outcome::Fail);
        Some(if self.scrapped.is_some() {
            LotStatus::Scrapped
        } else if self.open_holds().any(|h| h.scope.is_empty()) {
            LotStatus::Held
        } else if self.released.is_some() {
            LotStatus::Released
        } else {
            match &origin.deed {
                Deed::LotReceived(d) if d.certificate.is_none() || d.seals_whole == Some(false) => {
                    LotStatus::Quarantined
                }
                _ if failed => LotStatus::Quarantined,
                _ if !self.tests.is_empty() => LotStatus::Tested,
                Deed::PowderBlended(_) => LotStatus::Blended,
                _ => LotStatus::Received,
            }
        })
    }
}

/// Whether a signature of this meaning releases a lot.
pub(crate) fn sets_free(meaning: SignatureMeaning) -> bool {
    match meaning {
        SignatureMeaning::Released | SignatureMeaning::Approved => true,
        SignatureMeaning::Performed | SignatureMeaning::Verified | SignatureMeaning::Reviewed => {
            false
        }
    }
}

/// Whether at least two different people are named. A decision of one does not end a hold
/// (job-map.md, gate 37).
pub(crate) fn two_people<T: PartialEq>(people: &[T]) -> bool {
    people.first().is_some_and(|first| people.iter().any(|p| p != first))
}

/// Whether the lot was released (and not scrapped) before the moment. Holds are asked apart.
pub(crate) fn released(books: &Books, all: &Archive, lot: &Label, moment: Moment) -> bool {
    let mut free = false;
    for kept in books.facts_before(all, &Key::Lot(lot.clone()), moment) {
        match &kept.deed {
            Deed::LotReleased(d) if sets_free(d.meaning) => free = true,
            Deed::LotDisposedOf(d)
                if d.decision == LotDecision::Scrap
                    && d.scope.is_empty()
                    && two_people(&d.decided_by) =>
            {
                return false;
            }
            _ => {}
        }
    }
    free
}

/// Delivered lots in this content that are not released at the moment. Powder counts as released
/// from when it leaves the container of a released lot, and a blend released by itself is
/// released whatever went into it. The rule for blends that were not released by themselves: a
/// blend may be used when nothing unreleased is in it. `UNKNOWN` powder has no lot that could be
/// released and is told by other findings.
pub(crate) fn unreleased(
    books: &Books,
    all: &Archive,
    content: MoveId,
    moment: Moment,
) -> Vec<Label> {
    if books.mark(content).unreleased.is_zero() {
        return Vec::new();
    }
    let mut lots = Vec::new();
    trace::ancestors(books.links(), content, 0, |id| {
        if books.mark(id).unreleased.is_zero() {
            return false;
        }
        if let Some(blend) = blend_of(books, all, id)
            && released(books, all, &blend, moment)
        {
            return false;
        }
        if let Origin::Lot(lot) = books.links()[id as usize].origin() {
            lots.push(lot);
        }
        true
    });
    lots.sort_unstable();
    lots.dedup();
    let mut lots: Vec<Label> = lots.into_iter().map(|l| books.lot(l).clone()).collect();
    lots.retain(|lot| !released(books, all, lot, moment));
    lots
}

/// The blend whose last component made this content.
pub(crate) fn blend_of(books: &Books, all: &Archive, content: MoveId) -> Option<Label> {
    let kept = books.moves()[content as usize].kept as usize;
    let last =
        books.moves()[content as usize].kind == MoveKind::Blended && books.is_last_of_fact(content);
    last.then(|| all[kept].label()).flatten()
}

/// Content of a blend when it was made.
pub(crate) fn blend_content(books: &Books, kept: usize) -> Option<MoveId> {
    let moves = books.moves_of(kept);
    (!moves.is_empty()).then(|| moves.end - 1)
}

/// The lot a place holds: a delivery nothing else was added to, or a blend as it was made.
pub(crate) fn direct_lot(books: &Books, all: &Archive, content: MoveId) -> Option<Label> {
    let mark = books.mark(content);
    match mark.lot {
        Only::One(lot) if mark.known == Share::ONE => Some(books.lot(lot).clone()),
        Only::One(_) | Only::Untold | Only::Mixed => blend_of(books, all, content),
    }
}

/// The lot whose last day a content has: the blend it was made as, else the lot it holds.
pub(crate) fn dated_lot(books: &Books, all: &Archive, content: MoveId) -> Option<Label> {
    blend_of(books, all, content).or_else(|| direct_lot(books, all, content))
}

/// Last day of a blend by the rule of its recipe, when the recipe has one, with the entry that set
/// it.
fn usable_for(books: &Books, all: &Archive, at: usize, d: &PowderBlended) -> Option<(Date, u64)> {
    let kept = &all[at];
    let key = Key::Recipe(d.recipe.clone()?);
    let set = books.facts_before(all, &key, kept.moment()).next_back()?;
    let Deed::RecipeSet(recipe) = &set.deed else { return None };
    let blended = Timestamp::from_millisecond(kept.time_ms).ok()?;
    let day = blended.to_zoned_datetime(TimeZone::UTC).date();
    Some((recipe.blend_usable_for.as_ref()?.after(day), set.seq))
}

/// Last day of use: a delivery's own; a blend's is what its recipe says, else the earliest among
/// the lots that were blended (trade rule, job-map.md row 41). Used powder out of a bin has none
/// of its own.
pub(crate) fn expires(
    books: &Books,
    all: &Archive,
    lot: &Label,
    moment: Moment,
) -> Option<(Date, u64)> {
    let mut earliest: Option<(Date, u64)> = None;
    let mut asked = vec![lot.clone()];
    let mut seen = std::collections::BTreeSet::new();
    while let Some(lot) = asked.pop() {
        let Some(at) = Life::of(books, all, &lot, moment).origin else { continue };
        if !seen.insert(lot) {
            continue;
        }
        match &all[at].deed {
            Deed::LotReceived(d) => {
                let own = d.expires.map(|day| (day.0, all[at].seq));
                earliest = [earliest, own].into_iter().flatten().min();
            }
            Deed::PowderBlended(d) => {
                if let Some(own) = usable_for(books, all, at, d) {
                    earliest = [earliest, Some(own)].into_iter().flatten().min();
                    continue;
                }
                for id in books.moves_of(at) {
                    if let Origin::Content(from) = books.links()[id as usize].origin() {
                        asked.extend(dated_lot(books, all, from));
                    }
                }
            }
            _ => {}
        }
    }
    earliest
}

/// A hold, or the decided part of one, and what it covers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Covered {
    pub(crate) lot: Label,
    /// Entry of the hold.
    pub(crate) seq: u64,
    pub(crate) moment: Moment,
    /// How it was decided, and the entry; `None` while it is open.
    pub(crate) decided: Option<(LotDecision, u64)>,
    pub(crate) seeds: trace::Seeds,
}

/// Holds that are open at a moment.
pub(crate) fn open_holds(books: &Books, all: &Archive, moment: Moment) -> Vec<Covered> {
    covered(books, all, moment, |_, part| part.decided.is_none())
}

/// What the wanted parts of holds cover, one for each hold and decision.
pub(crate) fn covered(
    books: &Books,
    all: &Archive,
    moment: Moment,
    wanted: impl Fn(&Hold, &Part) -> bool,
) -> Vec<Covered> {
    let mut found = Vec::new();
    for lot in books.held_lots() {
        let life = Life::of(books, all, lot, moment);
        for hold in &life.holds {
            let bound = books.moves_before(all, hold.moment);
            let mut places: BTreeMap<Option<(LotDecision, u64)>, Vec<MoveId>> = BTreeMap::new();
            for part in hold.parts.iter().filter(|p| wanted(hold, p)) {
                let of_decision = places.entry(part.decided).or_default();
                let id = part.place.as_ref().and_then(|p| books.find_place(p));
                of_decision.extend(id.and_then(|id| books.content(id, bound).id));
            }
            found.extend(places.into_iter().map(|(decided, contents)| Covered {
                lot: lot.clone(),
                seq: hold.seq,
                moment: hold.moment,
                decided,
                seeds: if hold.scope.is_empty() {
                    whole_lot(books, all, lot, &life)
                } else {
                    trace::Seeds::of_contents(contents.into_iter().map(|c| (c, bound)))
                },
            }));
        }
    }
    found
}

/// Parts of holds of places that were decided to be scrap or for less demanding parts. A lot that
/// was decided on as a whole is told by its own life.
pub(crate) fn restricted(books: &Books, all: &Archive, moment: Moment) -> Vec<Covered> {
    covered(books, all, moment, |_, part| {
        let lasting = |(decision, _): (LotDecision, u64)| match decision {
            LotDecision::Scrap | LotDecision::Downgrade => true,
            LotDecision::UseAsIs | LotDecision::Rework => false,
        };
        part.place.is_some() && part.decided.is_some_and(lasting)
    })
}

/// Everything that a lot is: its delivery, or the content of its blend.
pub(crate) fn whole_lot(books: &Books, all: &Archive, lot: &Label, life: &Life) -> trace::Seeds {
    match life.origin.map(|at| (at, &all[at].deed)) {
        Some((at, Deed::PowderBlended(_))) => trace::Seeds::of_contents(
            blend_content(books, at).map(|content| (content, content + 1)),
        ),
        Some((at, _)) => {
            let seed = |id| trace::Seeds::of_lot(id, books.moves_of(at).start);
            books.find_lot(lot).map(seed).unwrap_or_default()
        }
        None => trace::Seeds::default(),
    }
}

/// Those of some holds that cover some of this content, with the share they cover.
pub(crate) fn on_content(
    books: &Books,
    holds: Vec<Covered>,
    content: MoveId,
    at: MoveId,
) -> Vec<(Covered, Share)> {
    holds
        .into_iter()
        .filter_map(|hold| {
            let share = trace::share_of(books, &hold.seeds, content, at)?;
            Some((hold, share))
        })
        .collect()
}
