//! Rules of the life of a lot: made once, tested, released, held, decided on.

use crate::common::Outcome;
use crate::ids::Place;
use crate::powder::events::{LotDisposedOf, LotReceived, LotReleased, LotTested, PowderBlended};
use crate::powder::kept::{Deed, Key};
use crate::powder::lots::{self as life_of, Life};

use super::*;

fn life(case: &Case<'_, '_, '_>) -> Option<Life> {
    let lot = case.own()?;
    Some(Life::of(&case.powder.books, &case.powder.kept, &lot, case.moment))
}

/// The life of the lot the fact is about; raises when nothing made it.
fn known(case: &mut Case<'_, '_, '_>) -> Option<Life> {
    let life = life(case)?;
    if life.origin.is_none() {
        let detail = format!("lot `{}` was neither received nor blended", case.fact.subject.id());
        case.raise(&LOT_UNKNOWN, [], detail);
    }
    Some(life)
}

fn made_once(case: &mut Case<'_, '_, '_>) {
    let origin = life(case).and_then(|l| l.origin);
    if let Some(at) = origin {
        let seq = case.powder.kept[at].seq;
        let detail = format!("lot `{}` exists already", case.fact.subject.id());
        case.raise(&LOT_TWICE, [seq], detail);
    }
}

pub(super) fn received(case: &mut Case<'_, '_, '_>, d: &LotReceived) {
    made_once(case);
    let powder = case.powder;
    for (i, container) in d.containers.iter().enumerate() {
        let Ok(place) = Place::new(PlaceKind::LotContainer, container.id.as_str()) else {
            continue;
        };
        let again = d.containers[..i].iter().any(|c| c.id == container.id);
        let key = Key::Filled(place);
        let earlier = powder.books.facts_before(&powder.kept, &key, case.moment).next_back();
        if again || earlier.is_some() {
            let detail = format!("container `{}` was filled already", container.id);
            case.raise(&CONTAINER_TWICE, earlier.map(|k| k.seq), detail);
        }
    }
}

pub(super) fn blended(case: &mut Case<'_, '_, '_>, d: &PowderBlended) {
    made_once(case);
    let content = case.content(&d.into);
    if content.held.is_positive() {
        let detail = format!("`{}` still held {} kg", d.into, content.held.decimal());
        let entry = case.entry_of(content.id);
        case.raise(&RESIDUE, entry, detail);
    }
}

pub(super) fn tested(case: &mut Case<'_, '_, '_>, d: &LotTested) {
    known(case);
    if let Some(holds) = d.limit.holds(&d.measured)
        && holds != (d.result == Outcome::Pass)
    {
        let detail = format!("`{}`: {} was recorded as `{}`", d.test, d.measured, d.result);
        case.raise(&TEST_CONTRADICTS, [], detail);
    }
}

pub(super) fn released(case: &mut Case<'_, '_, '_>, d: &LotReleased) {
    if !life_of::sets_free(d.meaning) {
        case.raise(&RELEASE_MEANING, [], format!("signed as `{}`", d.meaning));
    }
    let Some(life) = known(case) else { return };
    let lot = case.fact.subject.id().to_owned();
    if let Some(at) = life.origin
        && let Deed::LotReceived(delivery) = &case.powder.kept[at].deed
    {
        let seq = case.powder.kept[at].seq;
        if delivery.certificate.is_none() {
            case.raise(&RELEASE_WITHOUT_CERTIFICATE, [seq], format!("lot `{lot}` has none"));
        }
        if delivery.seals_whole == Some(false) {
            let detail = format!("a seal of lot `{lot}` was not whole on receipt");
            case.raise(&RELEASE_WITHOUT_CERTIFICATE, [seq], detail);
        }
        if life.tests.is_empty() {
            case.raise(&RELEASE_UNTESTED, [seq], format!("no test of lot `{lot}` is on record"));
        }
    }
    for (test, (result, seq)) in &life.tests {
        if *result == Outcome::Fail {
            let detail = format!("test `{test}` of lot `{lot}` failed");
            case.raise(&RELEASE_FAILED, [*seq], detail);
        }
    }
    for hold in life.open_holds().filter(|h| h.is_undecided()) {
        let detail = format!("lot `{lot}` is on hold and was not decided on");
        case.raise(&RELEASE_ON_HOLD, [hold.seq], detail);
    }
}

pub(super) fn held(case: &mut Case<'_, '_, '_>) {
    known(case);
}

pub(super) fn disposed_of(case: &mut Case<'_, '_, '_>, d: &LotDisposedOf) {
    if !life_of::two_people(&d.decided_by) {
        let detail = "fewer than two different people are named: the hold stays";
        case.raise(&DECIDED_BY_ONE, [], detail);
    }
    let Some(life) = known(case) else { return };
    let last = life.holds.last().map(|h| h.seq);
    if life.open_holds().next().is_none() {
        let detail = format!("lot `{}` is not on hold", case.fact.subject.id());
        case.raise(&NOTHING_HELD, last, detail);
        return;
    }
    let open = |place: &Place| {
        let parts = life.open_holds().flat_map(|h| &h.parts);
        parts.filter(|p| p.decided.is_none()).any(|p| p.place.as_ref() == Some(place))
    };
    let others: Vec<&Place> = d.scope.iter().filter(|place| !open(place)).collect();
    for place in others {
        let detail = format!("`{place}` is not on hold with lot `{}`", case.fact.subject.id());
        case.raise(&NOTHING_HELD, last, detail);
    }
}
