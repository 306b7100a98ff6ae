//! Rules of the account: masses, overdrawn places, builds, materials, counts.

use std::collections::BTreeMap;

use crate::catalogue::Event;
use crate::ids::{Place, PlaceKind};
use crate::powder::amount::Kg;
use crate::powder::books::Only;
use crate::powder::events::{BuildFinished, BuildStarted, PowderRecovered, StockCounted};
use crate::powder::kept::{Deed, Kept, Key};
use crate::quantity::Mass;

use super::*;

/// One mass an event tells: from where to where, and whether it may be zero.
struct Told {
    from: Option<Place>,
    into: Option<Place>,
    mass: Kg,
    may_be_zero: bool,
}

fn told(from: &Place, into: &Place, mass: &Mass) -> Told {
    Told {
        from: Some(from.clone()),
        into: Some(into.clone()),
        mass: Kg::of(mass),
        may_be_zero: false,
    }
}

/// Masses as the event tells them.
fn masses_of(event: &Event) -> Vec<Told> {
    let source = |from: Option<&Place>, mass: Kg| Told {
        from: from.cloned(),
        into: None,
        mass,
        may_be_zero: false,
    };
    match event {
        Event::LotReceived(d) => {
            let net = |c: &crate::powder::events::LotContainer| Kg::of(&c.gross) - Kg::of(&c.tare);
            d.containers.iter().map(|c| source(None, net(c))).collect()
        }
        Event::PowderLoaded(d) => vec![told(&d.from, &d.into, &d.mass)],
        Event::PowderSieved(d) => [&d.through, &d.oversize]
            .map(|out| Told { may_be_zero: true, ..told(&d.from, &out.into, &out.mass) })
            .into(),
        Event::PowderBlended(d) => {
            d.components.iter().map(|c| told(&c.from, &d.into, &c.mass)).collect()
        }
        Event::PowderMoved(d) => vec![told(&d.from, &d.into, &d.mass)],
        Event::PowderRecovered(d) => vec![source(None, Kg::of(&d.mass))],
        Event::BuildFinished(d) => [&d.mass_used, &d.parts_mass]
            .map(|m| Told { may_be_zero: true, ..source(None, Kg::of(m)) })
            .into(),
        Event::CleaningDone(d) => d
            .residue
            .iter()
            .map(|r| Told {
                from: r.from.clone(),
                into: Some(r.into.clone()),
                mass: Kg::of(&r.mass),
                may_be_zero: true,
            })
            .collect(),
        Event::StockCounted(d) => {
            vec![Told { may_be_zero: true, ..source(None, Kg::of(&d.mass)) }]
        }
        Event::IncidentReported(d) => {
            d.mass.iter().map(|m| source(d.from.as_ref(), Kg::of(m))).collect()
        }
        // Its mass is judged with the waste; here only what it takes out of a place.
        Event::WasteAdded(d) => d
            .from
            .iter()
            .map(|from| Told {
                may_be_zero: true,
                ..source(Some(from), Kg::of(&d.mass).max(Kg::ZERO))
            })
            .collect(),
        _ => Vec::new(),
    }
}

/// Masses are positive, places differ, and no place gives more than it holds.
pub(super) fn masses(case: &mut Case<'_, '_, '_>) {
    let mut taken: Taken = BTreeMap::new();
    for told in masses_of(&case.fact.event) {
        let wrong = told.mass.is_negative() || (told.mass == Kg::ZERO && !told.may_be_zero);
        if wrong {
            case.raise(&MASS_NOT_POSITIVE, [], format!("{} kg", told.mass.decimal()));
            continue;
        }
        if told.from.is_some() && told.from == told.into {
            let place = told.from.map(|p| p.to_string()).unwrap_or_default();
            case.raise(&SAME_PLACE, [], format!("from `{place}` into itself"));
            continue;
        }
        if let Some(from) = told.from.filter(|f| f.kind != PlaceKind::Supplier) {
            *taken.entry(from).or_default() += told.mass;
        }
    }
    for (from, mass) in taken {
        overdrawn(case, &from, mass, &OVERDRAWN);
    }
}

fn overdrawn(case: &mut Case<'_, '_, '_>, from: &Place, mass: Kg, rule: &'static Rule) {
    let content = case.content(from);
    let missing = mass - content.held;
    if missing.is_positive() {
        let entry = case.entry_of(content.id);
        let detail = format!(
            "`{from}` held {} kg by the book, {} kg were taken: {} kg are UNKNOWN powder",
            content.held.decimal(),
            mass.decimal(),
            missing.decimal()
        );
        case.raise(rule, entry, detail);
    }
}

/// Powders of different materials do not meet.
pub(super) fn materials(case: &mut Case<'_, '_, '_>, into: &Place, from: &[Place]) {
    let watched = match into.kind {
        PlaceKind::LotContainer
        | PlaceKind::Hopper
        | PlaceKind::Build
        | PlaceKind::Bin
        | PlaceKind::VacuumBag => true,
        PlaceKind::Supplier
        | PlaceKind::Parts
        | PlaceKind::Oversize
        | PlaceKind::Waste
        | PlaceKind::Sample
        | PlaceKind::Loss => false,
    };
    if !watched {
        return;
    }
    let books = &case.powder.books;
    let mut first: Option<(Only, Option<u64>)> = None;
    for place in [into].into_iter().chain(from) {
        let content = case.content(place);
        let Some(id) = content.id else { continue };
        let material @ Only::One(this) = books.mark(id).material else { continue };
        match first {
            None => first = Some((material, case.entry_of(content.id))),
            Some((Only::One(other), entry)) if other != this => {
                let detail = format!(
                    "`{}` and `{}` meet in `{into}`",
                    books.material(other),
                    books.material(this)
                );
                let entries = entry.into_iter().chain(case.entry_of(content.id));
                let entries: Vec<u64> = entries.collect();
                case.raise(&MATERIALS_MIXED, entries, detail);
                return;
            }
            Some(_) => {}
        }
    }
}

/// Facts of this build before this one.
fn life<'a>(case: &Case<'a, '_, '_>) -> Vec<&'a Kept> {
    let Some(build) = case.own() else { return Vec::new() };
    let powder = case.powder;
    powder.books.facts_before(&powder.kept, &Key::Build(build), case.moment).collect()
}

fn entry(life: &[&Kept], wanted: impl Fn(&Deed) -> bool) -> Option<u64> {
    life.iter().find(|k| wanted(&k.deed)).map(|k| k.seq)
}

fn is_start(deed: &Deed) -> bool {
    matches!(deed, Deed::BuildStarted(_))
}

fn is_end(deed: &Deed) -> bool {
    matches!(deed, Deed::BuildFinished(_))
}

/// A build is started once, on a free printer.
pub(super) fn started(case: &mut Case<'_, '_, '_>, d: &BuildStarted) {
    let build = case.fact.subject.id().to_owned();
    if let Some(seq) = entry(&life(case), is_start) {
        case.raise(&STARTED_TWICE, [seq], format!("build `{build}` was started already"));
    }
    let powder = case.powder;
    let key = Key::Printer(d.printer.clone());
    let last = powder.books.facts_before(&powder.kept, &key, case.moment).next_back();
    let Some(last) = last.filter(|k| k.subject != case.fact.subject) else { return };
    let Some(other) = last.label() else { return };
    let ended = powder
        .books
        .facts_before(&powder.kept, &Key::Build(other.clone()), case.moment)
        .any(|k| is_end(&k.deed));
    if !ended {
        let detail = format!("build `{other}` on printer `{}` is not finished", d.printer);
        case.raise(&PRINTER_BUSY, [last.seq], detail);
    }
}

/// A build was started, ends once, draws what the hopper holds and gives back no more.
pub(super) fn finished(case: &mut Case<'_, '_, '_>, d: &BuildFinished) {
    let build = case.fact.subject.id().to_owned();
    let life = life(case);
    if let Some(seq) = entry(&life, is_end) {
        case.raise(&FINISHED_TWICE, [seq], format!("build `{build}` was finished already"));
    }
    let hopper = life.iter().rev().find_map(|k| match &k.deed {
        Deed::BuildStarted(d) => Some(d.hopper.clone()),
        _ => None,
    });
    match hopper {
        Some(hopper) => overdrawn(case, &hopper, Kg::of(&d.mass_used), &OVERDRAWN),
        None => {
            let detail = format!("nobody recorded the start of build `{build}`");
            case.raise(&NOT_STARTED, [], detail);
        }
    }
    let Ok(place) = Place::new(PlaceKind::Build, &build) else { return };
    let there = case.content(&place).held + Kg::of(&d.mass_used).max(Kg::ZERO);
    let parts = Kg::of(&d.parts_mass);
    if (parts - there).is_positive() {
        let detail =
            format!("parts of {} kg came out of {} kg of powder", parts.decimal(), there.decimal());
        case.raise(&MORE_OUT, [], detail);
    }
}

/// Powder is recovered from a finished build, and no more than went in.
pub(super) fn recovered(case: &mut Case<'_, '_, '_>, d: &PowderRecovered) {
    let build = case.fact.subject.id().to_owned();
    let life = life(case);
    if entry(&life, is_end).is_none() {
        let detail = format!("build `{build}` was not finished");
        case.raise(&RECOVERED_EARLY, entry(&life, is_start), detail);
    }
    if let Ok(place) = Place::new(PlaceKind::Build, &build) {
        overdrawn(case, &place, Kg::of(&d.mass), &MORE_OUT);
    }
}

/// A count agrees with the book within the uncertainty of the weighings since the last count.
pub(super) fn counted(case: &mut Case<'_, '_, '_>, d: &StockCounted) {
    let balance = case.powder.count_against(
        &d.place,
        Kg::of(&d.mass),
        d.scale.as_ref(),
        case.moment,
        case.bound,
    );
    if balance.unaccounted.base().is_zero() {
        return;
    }
    let entries = balance.entries.iter().copied().filter(|seq| *seq != case.fact.seq).take(20);
    let entries: Vec<u64> = entries.collect();
    let difference = format!(
        "`{}`: unaccounted {} kg since the last count",
        d.place,
        balance.unaccounted.base()
    );
    match (balance.closed, &balance.expanded_uncertainty) {
        (Some(true), _) => {}
        (Some(false), Some(u)) => {
            case.raise(&COUNT_DIFFERS, entries, format!("{difference}, U = {} kg", u.base()));
        }
        (Some(false), None) | (None, _) => {
            let unstated = balance.weighings_unstated;
            let detail = format!("{difference}; {unstated} masses state no uncertainty");
            case.raise(&COUNT_UNDECIDED, entries, detail);
        }
    }
}
