//! What stands of powder at the end of a log: which lots lie where, with how much, how often it went
//! through a build, and what is on hold.
//!
//! A lot is received again with what is left of it. What lies in its own containers, unmixed and
//! fresh, lies there at once; the rest of the lot is taken into one container of the opening
//! (`lot_container/carried-over.<entry>`) and moved from there to where it lies. The catalogue has no event
//! that tells an age, and used powder must not count as fresh in the next log. Powder that leaves a build
//! place has aged by one build (see [`super`]); so the used part of a place goes through
//! `build/carried-over.<n>` and counts as used once and not sieved since, however often it was used.

use std::collections::{BTreeMap, BTreeSet};

use rust_decimal::Decimal;

use super::Powder;
use super::amount::{Kg, Share};
use super::books::{LotId, MoveId};
use super::kept::{Deed, Key};
use super::lots::{self, Covered, Life};
use super::views::AsOf;
use super::{ages, trace};
use crate::Event;
use crate::ids::{Label, Place, PlaceKind, Subject, SubjectKind};
use crate::opening::{Draft, Form, HISTORY, Summary};
use crate::powder::events::{BlendComponent, LotContainer, PowderBlended, PowderMoved};
use crate::quantity::Mass;

/// Where powder lies that can still be used. Parts, samples, losses and waste are no stock; what is
/// left in a build place is what its build did not account for.
fn is_stock(kind: PlaceKind) -> bool {
    match kind {
        PlaceKind::LotContainer
        | PlaceKind::Hopper
        | PlaceKind::Bin
        | PlaceKind::Oversize
        | PlaceKind::VacuumBag => true,
        PlaceKind::Supplier
        | PlaceKind::Build
        | PlaceKind::Parts
        | PlaceKind::Waste
        | PlaceKind::Sample
        | PlaceKind::Loss => false,
    }
}

const LATEST: (i64, u64) = (i64::MAX, u64::MAX);

/// Kilograms to the micro-gram, as masses are recorded.
fn kg(held: Kg) -> Decimal {
    held.shown().base()
}

fn mass(kg: Decimal) -> Mass {
    Mass::from_base(kg.normalize())
}

/// What a place holds, taken apart.
struct Content {
    place: Place,
    id: MoveId,
    /// Entry that moved mass there last.
    entry: u64,
    /// Lots, with their masses.
    lots: Vec<(LotId, Decimal)>,
    /// Mass whose source nobody recorded.
    unknown: Decimal,
    /// Of the lots' mass, what went through so many builds: `[0]` is fresh.
    by_builds: Vec<Decimal>,
}

impl Content {
    fn known(&self) -> Decimal {
        self.lots.iter().map(|(_, mass)| *mass).sum()
    }

    fn used(&self) -> Decimal {
        self.by_builds.iter().skip(1).sum()
    }
}

/// What the opening takes out of each lot's delivery.
#[derive(Default)]
struct OfLot {
    /// Left in its own containers.
    there: BTreeMap<Label, Decimal>,
    /// Moved on to other places.
    elsewhere: Decimal,
}

impl Powder {
    /// Events that bring lots, masses and holds to where they stand. Places in `told` are left out.
    pub(crate) fn opening(&self, told: &BTreeSet<Place>) -> Vec<Draft> {
        let (books, all) = (&self.books, &self.kept);
        let mut lots: BTreeMap<LotId, OfLot> = BTreeMap::new();
        let (mut fills, mut blends) = (Vec::new(), BTreeSet::new());
        let contents = self.stock(told);
        for (number, content) in contents.iter().enumerate() {
            if let Some((lot, container, kg)) = self.in_own_container(content) {
                lots.entry(lot).or_default().there.insert(container, kg);
                continue;
            }
            for (lot, kg) in &content.lots {
                lots.entry(*lot).or_default().elsewhere += *kg;
            }
            let blend = lots::blend_of(books, all, content.id);
            fills.extend(self.fill(number, content, blend.as_ref()));
            blends.extend(blend);
        }
        let mut drafts = Vec::new();
        for (lot, left) in &lots {
            drafts.extend(self.delivery_again(*lot, left));
        }
        let delivered = lots.keys().map(|lot| books.lot(*lot).clone());
        for lot in delivered.chain(blends) {
            let life = Life::of(books, all, &lot, LATEST);
            let lasting = [life.downgraded, life.scrapped];
            let decided =
                |hold: &&lots::Hold| hold.ended().is_some_and(|by| lasting.contains(&Some(by)));
            let holds = life.holds.iter().filter(|h| h.scope.is_empty()).filter(decided);
            let mut entries: Vec<u64> = holds.map(|hold| hold.seq).collect();
            entries.extend(lasting.into_iter().chain([life.released]).flatten());
            entries.extend(life.tests.values().map(|(_, seq)| *seq));
            entries.sort_unstable();
            entries.dedup();
            drafts.extend(entries.into_iter().map(|seq| Draft::again(seq, Form::Whole)));
        }
        for (_, key) in books.recipes() {
            let last = books.facts(key).next_back().map(|at| all[at as usize].seq);
            drafts.extend(last.map(|seq| Draft::again(seq, Form::Whole)));
        }
        drafts.extend(fills);
        drafts.extend(self.holds_again(&contents));
        drafts
    }

    /// What lies in the places of the stock, in order of place.
    fn stock(&self, told: &BTreeSet<Place>) -> Vec<Content> {
        let (books, all) = (&self.books, &self.kept);
        let mut places: Vec<_> = books.place_list().collect();
        places.sort_by(|a, b| a.1.cmp(b.1));
        let stock = places.into_iter().filter(|(_, p)| is_stock(p.kind) && !told.contains(*p));
        let content = |(at, place): (_, &Place)| {
            let there = books.content_now(at);
            let (id, last) = (there.id?, books.touches(at).next_back()?);
            let held = kg(there.held);
            let part = |share: Share| kg(there.held.times(share));
            let composition = trace::composition(books, id);
            let mut lots: Vec<(LotId, Decimal)> =
                composition.lots.iter().map(|(lot, share)| (*lot, part(*share))).collect();
            // What rounding leaves over goes to the largest.
            let rounded: Decimal = lots.iter().map(|(_, kg)| *kg).sum();
            let unknown =
                if composition.unknown.is_zero() { Decimal::ZERO } else { held - rounded };
            if let Some((_, largest)) = lots.first_mut().filter(|_| unknown.is_zero()) {
                *largest += held - rounded;
            }
            lots.retain(|(_, kg)| *kg > Decimal::ZERO);
            let known: Decimal = lots.iter().map(|(_, kg)| *kg).sum();
            let ages = ages::of_content(books, all, id);
            let mut by_builds: Vec<Decimal> = ages.by_builds.iter().map(|s| part(*s)).collect();
            let largest = (0..by_builds.len()).max_by_key(|at| by_builds[*at]);
            if let Some(largest) = largest {
                let rounded: Decimal = by_builds.iter().sum();
                by_builds[largest] += known - rounded;
            }
            (held > Decimal::ZERO).then(|| Content {
                place: place.clone(),
                id,
                entry: self.seq_of_move(last),
                lots,
                unknown: unknown.max(Decimal::ZERO),
                by_builds,
            })
        };
        stock.filter_map(content).collect()
    }

    /// A container that its lot came in, and that holds nothing else and nothing used.
    fn in_own_container(&self, content: &Content) -> Option<(LotId, Label, Decimal)> {
        let [(lot, kg)] = content.lots.as_slice() else { return None };
        let own = content.place.kind == PlaceKind::LotContainer
            && content.unknown.is_zero()
            && content.used().is_zero();
        let delivery = self.delivery(self.books.lot(*lot)).filter(|_| own)?;
        let container = delivery.containers.iter().find(|c| c.id.as_str() == content.place.id())?;
        Some((*lot, container.id.clone(), *kg))
    }

    /// The first entry that delivered a lot.
    fn delivered_by(&self, lot: LotId) -> Option<u64> {
        let facts = self.books.facts(&Key::Lot(self.books.lot(lot).clone()));
        let mut facts = facts.map(|at| &self.kept[at as usize]);
        facts.find(|kept| matches!(kept.deed, Deed::LotReceived(_))).map(|kept| kept.seq)
    }

    /// The container of the opening that a lot's rest is moved from.
    fn carried(&self, lot: LotId) -> Option<Label> {
        Label::new(&format!("carried-over.{}", self.delivered_by(lot)?)).ok()
    }

    fn delivery_again(&self, lot: LotId, left: &OfLot) -> Option<Draft> {
        let delivery = self.delivery(self.books.lot(lot))?;
        let again = |container: &LotContainer| {
            let kg = left.there.get(&container.id)?;
            let gross = mass(*kg + container.tare.base());
            Some(LotContainer { gross, ..container.clone() })
        };
        let mut containers: Vec<LotContainer> =
            delivery.containers.iter().filter_map(again).collect();
        if left.elsewhere > Decimal::ZERO {
            let (id, tare) = (self.carried(lot)?, mass(Decimal::ZERO));
            containers.push(LotContainer { id, gross: mass(left.elsewhere), tare });
        }
        Some(Draft::again(self.delivered_by(lot)?, Form::Delivery(containers)))
    }

    /// The moves that fill a place. A blend is blended again, at its time; else at the closing.
    fn fill(&self, number: usize, content: &Content, blend: Option<&Label>) -> Vec<Draft> {
        let made = blend.and_then(|blend| {
            let facts = self.books.facts(&Key::Lot(blend.clone()));
            let mut facts = facts.map(|at| &self.kept[at as usize]);
            facts.find_map(|kept| match &kept.deed {
                Deed::PowderBlended(d) => Some((kept.seq, d.as_ref().clone())),
                _ => None,
            })
        });
        let mut fill = Fill { cited: content.entry, at_its_time: false, ..Fill::default() };
        if let Some((seq, _)) = made {
            (fill.cited, fill.at_its_time) = (seq, true);
        }
        let place = |kind, id: &str| Place::new(kind, id).ok();
        let mut parts: Vec<Part> = Vec::new();
        for (lot, kg) in &content.lots {
            let from = self.carried(*lot).and_then(|c| place(PlaceKind::LotContainer, c.as_str()));
            let Some(from) = from else { continue };
            let lot = Some(self.books.lot(*lot).clone());
            parts.push(Part { lot, from, into: content.place.clone(), kg: *kg });
        }
        let (known, used) = (content.known(), content.used());
        let staging = format!("carried-over.{number}");
        let stages = place(PlaceKind::Bin, &staging).zip(place(PlaceKind::Build, &staging));
        if let Some((mixed, build)) = stages.filter(|_| used > Decimal::ZERO) {
            // Lots and ages of a place are mixed alike: the used part is taken off the mix.
            for part in std::mem::take(&mut parts) {
                fill.moved(Part { into: mixed.clone(), ..part });
            }
            let part = |from: &Place, into: &Place, kg| Part {
                lot: None,
                from: from.clone(),
                into: into.clone(),
                kg,
            };
            fill.moved(part(&mixed, &build, used));
            parts.push(part(&build, &content.place, used));
            parts.push(part(&mixed, &content.place, known - used));
        }
        if let Some(nowhere) = place(PlaceKind::Bin, "carried-over.unknown") {
            let (into, kg) = (content.place.clone(), content.unknown);
            parts.push(Part { lot: None, from: nowhere, into, kg });
        }
        match made {
            Some((_, blended)) => fill.blended(&blended, blend, parts),
            None => parts.into_iter().for_each(|part| fill.moved(part)),
        }
        fill.drafts
    }

    /// Holds that are open, and lasting decisions about places. One of a whole delivery stands as it
    /// was told; else what it covers is held where it lies now.
    fn holds_again(&self, contents: &[Content]) -> Vec<Draft> {
        let (books, all) = (&self.books, &self.kept);
        let bound = books.moves_before(all, LATEST);
        let now_at = |covered: &Covered| -> Vec<Place> {
            let there = contents.iter().filter(|content| {
                let share = trace::share_of(books, &covered.seeds, content.id, bound);
                share.is_some_and(|share| !share.is_zero())
            });
            there.map(|content| content.place.clone()).collect()
        };
        let mut drafts = Vec::new();
        for covered in lots::open_holds(books, all, LATEST) {
            let life = Life::of(books, all, &covered.lot, LATEST);
            let whole = life.holds.iter().any(|h| h.seq == covered.seq && h.scope.is_empty());
            if whole && self.delivery(&covered.lot).is_some() {
                drafts.push(Draft::again(covered.seq, Form::Whole));
                continue;
            }
            let places = now_at(&covered);
            if !places.is_empty() {
                drafts.push(Draft::again(covered.seq, Form::Scope(places)));
            }
        }
        for covered in lots::restricted(books, all, LATEST) {
            let places = now_at(&covered);
            if let Some((_, decided_by)) = covered.decided.filter(|_| !places.is_empty()) {
                drafts.push(Draft::again(covered.seq, Form::Scope(places.clone())));
                drafts.push(Draft::again(decided_by, Form::Scope(places)));
            }
        }
        drafts
    }

    /// What lies in build places, and in how many: powder that its builds did not account for.
    pub(crate) fn left_in_builds(&self) -> (usize, Decimal) {
        let builds = self.books.place_list().filter(|(_, p)| p.kind == PlaceKind::Build);
        let held = builds.map(|(id, _)| kg(self.books.content_now(id).held));
        let held: Vec<Decimal> = held.filter(|kg| *kg > Decimal::ZERO).collect();
        (held.len(), held.iter().sum())
    }

    /// What stands, by name of the thing.
    pub(crate) fn stand_as(&self, summary: &mut Summary) {
        for (place, held) in self.places() {
            if !is_stock(place.kind) || held.base() <= Decimal::ZERO {
                continue;
            }
            summary.insert(format!("powder in `{place}`"), format!("{} kg", held.base()));
            let Ok(view) = self.place(&place, AsOf::Now) else { continue };
            let Some(makeup) = view.makeup else { continue };
            for lot in &makeup.lots {
                if lot.mass.base() > Decimal::ZERO {
                    let what = format!("lot `{}` in `{place}`", lot.lot);
                    summary.insert(what, format!("{} kg", lot.mass.base()));
                }
            }
            let mut say = |what: &str, told: String| {
                summary.insert(format!("{what} in `{place}`"), told);
            };
            let percent = |share: Decimal| (share * Decimal::ONE_HUNDRED).round_dp(2).normalize();
            say("fresh powder", format!("{} %", percent(makeup.fresh_fraction)));
            let (age, unsieved) = (&makeup.age, percent(makeup.unsieved_fraction));
            let (builds, hours) = (age.mean_builds, age.mean_hours_at_temperature);
            let (builds, hours) = (builds.round_dp(2).normalize(), hours.round_dp(1).normalize());
            let history = format!("{builds} builds, {hours} h hot, {unsieved} % not sieved since");
            summary.insert(format!("{HISTORY} in `{place}`"), history);
            let mut say = |what: &str, told: String| {
                summary.insert(format!("{what} in `{place}`"), told);
            };
            if let Some(lot) = view.lot {
                say("lot alone", lot.to_string());
            }
            for hold in view.holds {
                say(
                    &format!("hold of `{}`", hold.lot),
                    hold.fraction.round_dp(6).normalize().to_string(),
                );
            }
        }
        let contents = self.stock(&BTreeSet::new());
        let lots: BTreeSet<LotId> =
            contents.iter().flat_map(|c| &c.lots).map(|(lot, _)| *lot).collect();
        for lot in lots {
            let lot = self.books.lot(lot);
            let life = Life::of(&self.books, &self.kept, lot, LATEST);
            if let Some(status) = life.status(&self.kept) {
                summary.insert(format!("status of lot `{lot}`"), status.to_string());
            }
            if let Some((day, _)) = lots::expires(&self.books, &self.kept, lot, LATEST) {
                summary.insert(format!("last day of lot `{lot}`"), day.to_string());
            }
        }
    }
}

/// One mass on its way into a place.
struct Part {
    /// The lot, where it is one alone.
    lot: Option<Label>,
    from: Place,
    into: Place,
    kg: Decimal,
}

/// The events that fill one place.
#[derive(Default)]
struct Fill {
    cited: u64,
    /// At the time of the entry that is cited; else at the closing.
    at_its_time: bool,
    drafts: Vec<Draft>,
}

impl Fill {
    fn push(&mut self, subject: Subject, event: Event) {
        let form = Form::Anew { subject, event: Box::new(event), at_its_time: self.at_its_time };
        self.drafts.push(Draft::again(self.cited, form));
    }

    fn moved(&mut self, Part { lot, from, into, kg }: Part) {
        let subject = match &lot {
            Some(lot) => Subject::new(SubjectKind::Lot, lot.as_str()),
            None => Subject::new(SubjectKind::Build, "carried-over"),
        };
        if let Some(subject) = subject.ok().filter(|_| kg > Decimal::ZERO) {
            let moved = PowderMoved { from, into, mass: mass(kg), reason: None, scale: None };
            self.push(subject, Event::PowderMoved(moved));
        }
    }

    fn blended(&mut self, d: &PowderBlended, blend: Option<&Label>, parts: Vec<Part>) {
        let parts = parts.into_iter().filter(|part| part.kg > Decimal::ZERO);
        let components = parts.zip(1..).map(|(part, order)| BlendComponent {
            from: part.from,
            mass: mass(part.kg),
            order,
        });
        let blended = PowderBlended { components: components.collect(), scale: None, ..d.clone() };
        let subject = blend.map(|blend| Subject::new(SubjectKind::Lot, blend.as_str()));
        if let Some(Ok(subject)) = subject {
            self.push(subject, Event::PowderBlended(blended));
        }
    }
}
