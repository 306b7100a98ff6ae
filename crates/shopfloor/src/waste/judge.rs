//! What a fact about waste contradicts, judged on the state before it.

use std::rc::Rc;

use rust_decimal::Decimal;

use super::container::{Container, CustodyEvent, Holder};
use super::discrepancy;
use super::events::*;
use super::facts::{Addition, ContainerFact, Effect, ShipmentFact, effects};
use super::formats::{self, Form};
use super::law::{Law, plus_days};
use super::rules::*;
use super::shipment::Shipment;
use super::view::site_config;
use super::{Kg, areas, clocks, compatibility};
use crate::State;
use crate::catalogue::Event;
use crate::common::{Day, Outcome};
use crate::fact::Fact;
use crate::finding::{Judge, Rule};
use crate::ids::Label;
use crate::powder::views::AsOf;
use crate::record::SiteConfig;

/// Raises what `fact` contradicts, judged on the state before it.
pub(crate) fn judge(state: &State, fact: &Fact, judge: &mut Judge<'_>) {
    if let Event::BagChanged(e) = &fact.event {
        bag(e, judge);
    }
    let effects = effects(fact);
    if effects.is_empty() {
        return;
    }
    let config = site_config(state, fact.site.as_ref());
    let mut bench = Bench { state, fact, config, at: fact.time.ms(), judge };
    for effect in effects {
        match effect {
            Effect::Stream(id, e) => bench.stream(&id, &e),
            Effect::Container(id, e) => bench.container(&id, &e),
            Effect::Added(id, addition) => bench.added(&id, &addition),
            Effect::Shipment(id, e) => bench.shipment(&id, &e),
            Effect::Inspected(area, e) => bench.inspected(&area, &e),
        }
    }
}

fn bag(e: &BagChanged, judge: &mut Judge<'_>) {
    let id = &e.bag.id;
    if !e.off_and_unplugged {
        judge.raise(&VACUUM_ON, [], format!("bag `{id}` was changed with the vacuum ready to run"));
    }
    if !e.bag.tied_before_lifting {
        judge.raise(&BAG_NOT_TIED, [], format!("bag `{id}` was lifted open"));
    }
    if e.bag.tare.base() <= Decimal::ZERO {
        judge.raise(&TARE_MISSING, [], format!("tare `{}` of bag `{id}`", e.bag.tare));
    }
    if e.into.is_none() && e.bag.gross.base() <= e.bag.tare.base() {
        let detail = format!("bag `{id}`: gross {} is not above its tare", e.bag.gross);
        judge.raise(&MASS_NOT_POSITIVE, [], detail);
    }
}

/// Why wastes are kept apart, as a sentence.
fn why(pairs: &[&compatibility::Pair]) -> String {
    let each = pairs.iter().map(|p| {
        let danger = p.danger.as_str().replace('_', " ");
        format!("`{}` and `{}` ({danger}; {})", p.a, p.b, p.section)
    });
    each.collect::<Vec<_>>().join(", ")
}

struct Bench<'a, 'j, 'f> {
    state: &'a State,
    fact: &'a Fact,
    config: &'a SiteConfig,
    at: i64,
    judge: &'j mut Judge<'f>,
}

impl<'a> Bench<'a, '_, '_> {
    fn law(&self) -> Law<'a> {
        Law::of(self.config)
    }

    fn today(&self) -> Day {
        Day(self.config.day(self.fact.time.at))
    }

    /// A container without the entry that is judged: the original of a correction is in the fold
    /// still.
    fn before(&self, id: &Label) -> Option<Container<'a>> {
        self.state.waste.container(id).map(|c| c.without(self.fact.seq))
    }

    /// The same of a shipment.
    fn shipment_before(&self, id: &Label) -> Option<Shipment<'a>> {
        self.state.waste.shipment(id).map(|s| s.without(self.fact.seq))
    }

    /// The container, when it was opened; otherwise a finding.
    fn known(&mut self, id: &Label) -> Option<Container<'a>> {
        let found = self.before(id).filter(|c| c.opened().is_some());
        if found.is_none() {
            self.judge.raise(&UNKNOWN_CONTAINER, [], format!("`{id}` was never opened"));
        }
        found
    }

    fn still_here(&mut self, container: &Container<'_>) {
        let custody = container.custody();
        let Some(last) = custody.iter().rfind(|h| h.from_ms <= self.at) else { return };
        let event = last.event;
        let away = match event {
            // What was sent back is taken over on site by a move.
            CustodyEvent::Opened | CustodyEvent::Moved | CustodyEvent::SentBack => false,
            CustodyEvent::Accepted
            | CustodyEvent::Delivered
            | CustodyEvent::Forwarded
            | CustodyEvent::Certified => true,
        };
        if away {
            let detail = format!("`{}` had left the site ({event})", container.id);
            self.judge.raise(&AFTER_SHIPPED, [last.seq], detail);
        }
    }

    fn stream(&mut self, id: &Label, e: &StreamDetermined) {
        for code in &e.codes.rcra {
            if let Form::Bad(why) = formats::rcra_code(code.as_str()) {
                self.judge.raise(&CODE_FORM, [], why);
            }
        }
        match e.codes.list_of_waste.as_ref().map(|c| formats::list_of_waste(c.as_str())) {
            Some(Form::Bad(why)) => self.judge.raise(&CODE_FORM, [], why),
            Some(Form::Unusual(why)) => self.judge.raise(&CODE_UNUSUAL, [], why),
            Some(Form::Good) | None => {}
        }
        let law = self.law();
        let given = Decimal::from(e.codes.rcra.len());
        if let Some(max) = law.find("us.manifest.codes_per_line", self.today())
            && max.reached_by(given)
        {
            let detail = format!("{given} codes; a line takes {}", max.value);
            self.judge.raise(&TOO_MANY_CODES, [], detail);
        }
        for why in formats::contradictions(e) {
            self.judge.raise(&CODES_CONTRADICT, [], why);
        }
        if let Some(own) = &self.config.jurisdiction
            && own != &e.jurisdiction
        {
            let detail =
                format!("determined under `{}`, the site falls under `{own}`", e.jurisdiction);
            self.judge.raise(&JURISDICTION, [], detail);
        }
        self.standing(id, &e.reactivity);
    }

    /// What a determination makes incompatible with what stands beside it.
    fn standing(&mut self, stream: &Label, groups: &[ReactivityGroup]) {
        let (Some(site), false) = (self.fact.site.as_ref(), groups.is_empty()) else { return };
        let (waste, at) = (&self.state.waste, self.at);
        for container in waste.between(site, at, at) {
            if container.stream() != Some(stream) || !container.stands(at) {
                continue;
            }
            let Some(area) = container.area(at) else { continue };
            if container.separation(at).is_none() {
                self.beside(&INCOMPATIBLE_STANDING, container.id, &area.location, groups);
            }
        }
    }

    /// What waste of these groups may not stand beside in an area.
    fn beside(
        &mut self,
        rule: &'static Rule,
        id: &Label,
        area: &Label,
        groups: &[ReactivityGroup],
    ) {
        let (Some(site), false) = (self.fact.site.as_ref(), groups.is_empty()) else { return };
        for other in compatibility::beside(&self.state.waste, site, area, id, groups, self.at) {
            let detail =
                format!("`{id}` beside `{}` in `{area}`: {}", other.container, why(&other.pairs));
            self.judge.raise(rule, [other.entry], detail);
        }
    }

    /// Whether what goes in may meet what is in the container: as told of the thing, and as
    /// determined for other streams of the materials it comes from.
    fn together(&mut self, container: &Container<'_>, addition: &Addition) {
        let waste = &self.state.waste;
        let mut groups = addition.reactivity.clone();
        let mut told = Vec::new();
        for material in self.materials(addition) {
            let others = waste.streams().filter(|(id, _)| Some(*id) != container.stream());
            let determined = others.filter_map(|(id, _)| waste.determination(id, self.at));
            for m in determined.filter(|m| m.value.fact.material == material) {
                groups.extend(&m.value.fact.reactivity);
                told.extend(m.value.fact.reactivity.iter().map(|group| (*group, m.seq)));
            }
        }
        if groups.is_empty() {
            return;
        }
        let held = compatibility::inside(waste, container, self.at);
        let of_held: Vec<ReactivityGroup> = held.iter().map(|(group, _)| *group).collect();
        let pairs = compatibility::between(&of_held, &groups);
        if pairs.is_empty() {
            return;
        }
        told.extend(held);
        let meets = |group: &ReactivityGroup| pairs.iter().any(|p| p.a == *group || p.b == *group);
        let entries = told.iter().filter(|(group, _)| meets(group)).map(|(_, seq)| *seq);
        let detail = format!("into `{}`: {}", container.id, why(&pairs));
        self.judge.raise(&INCOMPATIBLE_TOGETHER, entries, detail);
    }

    /// The materials of the powder place that waste comes from.
    fn materials(&self, addition: &Addition) -> Vec<Label> {
        let Some(from) = &addition.from else { return Vec::new() };
        self.state.powder.materials_in(from, AsOf::Time(self.fact.time.at))
    }

    fn container(&mut self, id: &Label, e: &ContainerFact) {
        if let ContainerFact::Opened(e) = e {
            return self.opened(id, e);
        }
        let Some(container) = self.known(id) else { return };
        match e {
            ContainerFact::Opened(_) => {}
            ContainerFact::Closed(_) => self.still_here(&container),
            ContainerFact::Weighed(e) => self.weighed(&container, e),
            ContainerFact::Labelled(e) => self.labelled(&container, e),
            ContainerFact::Moved(e) => self.moved(&container, e),
            ContainerFact::Extended(e) => self.extended(&container, e),
        }
    }

    fn opened(&mut self, id: &Label, e: &ContainerOpened) {
        if let Some((earlier, _)) = self.before(id).and_then(|c| c.opened()) {
            self.judge.raise(&OPENED_TWICE, [earlier.seq], format!("`{id}` was opened already"));
        }
        if self.state.waste.determination(&e.stream, self.at).is_none() {
            let detail = format!("stream `{}` was never determined", e.stream);
            self.judge.raise(&UNKNOWN_STREAM, [], detail);
        }
        if e.tare.base() <= Decimal::ZERO {
            self.judge.raise(&TARE_MISSING, [], format!("tare `{}` of `{id}`", e.tare));
        }
        if e.separated_by.is_none() {
            let groups = compatibility::of_stream(&self.state.waste, &e.stream, self.at);
            self.beside(&INCOMPATIBLE_BESIDE, id, &e.location, groups);
        }
    }

    fn added(&mut self, id: &Label, addition: &Addition) {
        if addition.mass_kg <= Kg::ZERO {
            let detail = format!("{} into `{id}`", addition.mass_kg);
            self.judge.raise(&MASS_NOT_POSITIVE, [], detail);
        }
        if let Some((seq, before)) = self.state.waste.told_before(self.at, self.fact.seq, addition)
        {
            let what = addition.item.as_deref().unwrap_or("the waste of the cited entry");
            let detail = format!("`{what}` went into `{before}` already, now into `{id}`");
            self.judge.raise(&ITEM_TWICE, [seq], detail);
        }
        let Some(container) = self.known(id) else { return };
        if let Some(closed) = container.closed(self.at) {
            self.judge.raise(&ADDED_TO_CLOSED, [closed.seq], format!("`{id}` was closed"));
        }
        self.still_here(&container);
        self.material(&container, addition);
        self.together(&container, addition);
        self.too_long(&container);
    }

    /// Whether the powder that goes in is of the material the stream was determined for.
    fn material(&mut self, container: &Container<'_>, addition: &Addition) {
        let (Some(from), Some(stream)) = (&addition.from, container.stream()) else { return };
        let Some(determined) = self.state.waste.determination(stream, self.at) else { return };
        let wanted = &determined.value.fact.material;
        let found = self.materials(addition);
        let others: Vec<&str> = found.iter().filter(|m| *m != wanted).map(Label::as_str).collect();
        if !others.is_empty() {
            let detail = format!(
                "`{from}` holds `{}`; `{}` takes stream `{stream}` of `{wanted}`",
                others.join("`, `"),
                container.id
            );
            self.judge.raise(&WRONG_STREAM, [determined.seq], detail);
        }
    }

    fn weighed(&mut self, container: &Container<'_>, e: &ContainerWeighed) {
        self.still_here(container);
        let Some((opening, opened)) = container.opened() else { return };
        let net = Kg(e.gross.base() - opened.tare.base());
        if net < Kg::ZERO {
            let detail = format!("`{}`: gross {} is below its tare", container.id, e.gross);
            self.judge.raise(&MASS_NOT_POSITIVE, [opening.seq], detail);
            return;
        }
        let added = container.added_kg(self.at);
        let pieces = container.additions().filter(|a| a.moment.time_ms <= self.at).count();
        let difference = net - added;
        if !discrepancy::sum_agrees(&self.law(), difference, pieces) {
            let detail = format!(
                "`{}`: {} put in by {pieces} entries, {} weighed, difference {}",
                container.id, added, net, difference
            );
            self.judge.raise(&SUM_AND_WEIGHING, [opening.seq], detail);
        }
    }

    fn labelled(&mut self, container: &Container<'_>, e: &ContainerLabelled) {
        let determined =
            container.stream().and_then(|s| self.state.waste.determination(s, self.at));
        let hazardous = match determined.map(|m| m.value.fact.determination) {
            Some(Determination::Hazardous | Determination::AcuteHazardous) => true,
            Some(Determination::NonHazardous) | None => false,
        };
        if !hazardous {
            return;
        }
        let central = container.area(self.at).is_some_and(|a| a.area == AreaKind::Central);
        let mut missing = Vec::new();
        if !e.words.iter().any(|w| w.as_str() == "hazardous_waste") {
            missing.push("the words `hazardous_waste`");
        }
        if e.hazards.is_empty() {
            missing.push("the hazards");
        }
        if central && e.start.is_none() {
            missing.push("the start date");
        }
        if !missing.is_empty() {
            let detail = format!("`{}` lacks {}", container.id, missing.join(", "));
            self.judge.raise(&MARKING, [], detail);
        }
        // A drum may be marked just before the first waste goes in.
        if let (Some(shown), Some((ms, seq))) = (e.start, container.clock_start()) {
            let began = self.law().days.day(ms);
            if central && ms <= self.at && shown != began {
                let detail = format!("`{}` shows {shown}, it began on {began}", container.id);
                self.judge.raise(&MARKED_DATE, [seq], detail);
            }
        }
    }

    fn moved(&mut self, container: &Container<'_>, e: &ContainerMoved) {
        let id = container.id;
        if e.giver == e.receiver {
            let detail = format!("`{}` gives `{id}` to itself", e.giver);
            self.judge.raise(&GIVER_IS_RECEIVER, [], detail);
        }
        self.still_here(container);
        let custody = container.custody();
        if let Some(last) = custody.iter().rfind(|h| h.from_ms <= self.at) {
            let giver = Holder::Person(e.giver.clone());
            // Whoever took it back from the road signs for it; the driver is not named. The keeper
            // of an area hands over what nobody was named to hold.
            let named = matches!(last.holder, Holder::Person(_));
            if named && last.holder != giver {
                let detail = format!("`{giver}` gives `{id}`, but `{}` holds it", last.holder);
                self.judge.raise(&CUSTODY_GAP, [last.seq], detail);
            }
        }
        if let Some(stands) = container.area(self.at)
            && (stands.area, &stands.location) != (e.from.area, &e.from.location)
        {
            let detail =
                format!("`{id}` stands in `{}`, not in `{}`", stands.location, e.from.location);
            self.judge.raise(&MOVED_FROM_ELSEWHERE, [], detail);
        }
        if e.to.area == AreaKind::Satellite && e.from != e.to {
            let detail = format!("`{id}` to satellite area `{}`", e.to.location);
            self.judge.raise(&MOVED_TO_SATELLITE, [], detail);
        }
        if let (Some(stream), None) = (container.stream(), e.separated_by) {
            let groups = compatibility::of_stream(&self.state.waste, stream, self.at);
            self.beside(&INCOMPATIBLE_BESIDE, id, &e.to.location, groups);
        }
        self.too_long(container);
    }

    fn extended(&mut self, container: &Container<'_>, e: &AccumulationExtended) {
        let days = Decimal::from(e.days);
        if let Some(max) = self.law().find("us.accumulation.extension_days", self.today())
            && max.reached_by(days)
        {
            let detail = format!(
                "{days} days for `{}`; at most {} can be granted, so it is not counted",
                container.id, max.value
            );
            self.judge.raise(&EXTENSION_TOO_LONG, [], detail);
        }
    }

    fn too_long(&mut self, container: &Container<'_>) {
        let (Some(site), Some((start_ms, _))) = (container.site(), container.first_clock_start())
        else {
            return;
        };
        // Which limit binds needs the masses of whole months: asked only when the shortest of them
        // could have passed.
        let law = self.law();
        let start = law.days.day(start_ms);
        let shortest = clocks::ACCUMULATION_LIMITS.iter().find_map(|id| law.find(id, start));
        if shortest.is_none_or(|limit| self.today() <= law.last_day(start, &limit)) {
            return;
        }
        let Some(clock) = clocks::accumulation_of(self.state, site, container, self.fact.time.at)
        else {
            return;
        };
        if clock.margin_days < 0 {
            let detail = format!(
                "`{}` began on {}, its last day was {} ({})",
                container.id,
                clock.start,
                clock.last_day,
                clock.rules.last().map(|r| r.version()).unwrap_or_default()
            );
            self.judge.raise(&ACCUMULATED_TOO_LONG, clock.entries, detail);
        }
    }

    fn inspected(&mut self, area: &Label, e: &AreaInspected) {
        let mut wrong = Vec::new();
        if e.leaks {
            wrong.push("leaks");
        }
        if !e.closed {
            wrong.push("open containers");
        }
        if !e.labels_readable {
            wrong.push("marks that cannot be read");
        }
        if e.result == Outcome::Fail && wrong.is_empty() {
            wrong.push("not in order");
        }
        if !wrong.is_empty() {
            let detail = format!("area `{area}`: {}", wrong.join(", "));
            self.judge.raise(&INSPECTION_FAILED, [], detail);
        }
        self.inspection_gap(area, e);
        self.inspection_list(area, e);
    }

    fn inspection_gap(&mut self, area: &Label, e: &AreaInspected) {
        let Some(site) = self.fact.site.as_ref().filter(|_| e.area == AreaKind::Central) else {
            return;
        };
        let told = self.state.waste.inspections_of(site, area);
        let last =
            told.and_then(|t| t.iter().rfind(|m| m.time_ms <= self.at && m.seq != self.fact.seq));
        let since = last.map_or(i64::MIN, |m| m.time_ms);
        // For the first inspection of an area that is all there ever was before.
        let there: Vec<Rc<Container<'_>>> =
            self.state.waste.between(site, since, self.at).map(Rc::new).collect();
        let occupied = areas::occupied(&there, area, |_| true);
        let Some((from, until)) = areas::longest_between(&occupied, since, self.at) else { return };
        let law = self.law();
        let (first, until) = (law.days.day(from), law.days.day(until));
        let limit = law
            .find("us.inspection.gap_days", first)
            .or_else(|| law.find("shop.inspection_gap_days", first));
        let gap = clocks::days_between(first, until);
        if let Some(limit) = limit
            && limit.reached_by(Decimal::from(gap))
        {
            let detail = format!(
                "area `{area}`: {gap} days with waste since {first}; the limit is {} ({})",
                limit.value,
                limit.rule.version()
            );
            self.judge.raise(&INSPECTION_GAP, last.map(|m| m.seq), detail);
        }
    }

    fn inspection_list(&mut self, area: &Label, e: &AreaInspected) {
        let Some(site) = &self.fact.site else { return };
        let mut missing: Vec<&str> = Vec::new();
        let mut seen: Vec<&Label> = e.containers.iter().collect();
        for container in self.state.waste.standing(site, area, self.at) {
            match seen.iter().position(|label| *label == container) {
                Some(at) => {
                    seen.swap_remove(at);
                }
                None => missing.push(container.as_str()),
            }
        }
        if !missing.is_empty() {
            let detail = format!("area `{area}`: `{}` not seen", missing.join("`, `"));
            self.judge.raise(&INSPECTION_LIST, [], detail);
        }
        if !seen.is_empty() {
            let labels: Vec<&str> = seen.iter().map(|l| l.as_str()).collect();
            let detail = format!("area `{area}`: `{}` should not be here", labels.join("`, `"));
            self.judge.raise(&INSPECTION_LIST, [], detail);
        }
    }

    fn shipment(&mut self, id: &Label, e: &ShipmentFact) {
        if let ShipmentFact::Offered(e) = e {
            return self.offered(id, e);
        }
        let Some(shipment) = self.shipment_before(id).filter(|s| s.offered().is_some()) else {
            self.judge.raise(&UNKNOWN_SHIPMENT, [], format!("`{id}` was never offered"));
            return;
        };
        match e {
            ShipmentFact::Offered(_) | ShipmentFact::Discrepancy(_) => {}
            ShipmentFact::Accepted(e) => self.accepted(&shipment, e),
            ShipmentFact::Delivered(e) => self.delivered(&shipment, e),
            ShipmentFact::Rejected(e) => self.rejected(&shipment, e),
            ShipmentFact::Settled(e) => {
                if !shipment.discrepancies().any(|(m, _)| m.seq == e.entry) {
                    let detail = format!("entry `{}` is no discrepancy of `{id}`", e.entry);
                    self.judge.raise(&SETTLES_NOTHING, [e.entry], detail);
                }
            }
            ShipmentFact::Queried(_) | ShipmentFact::Exception(_) => {
                let copy = shipment.signed_copy().filter(|(m, _)| m.time_ms <= self.at);
                if let Some((m, _)) = copy {
                    let detail = format!("the signed copy of `{id}` was there already");
                    self.judge.raise(&NOTHING_MISSING, [m.seq], detail);
                }
            }
            ShipmentFact::Certified(e) => self.certified(&shipment, e),
        }
    }

    fn offered(&mut self, id: &Label, e: &ShipmentOffered) {
        if let Some((earlier, _)) = self.shipment_before(id).and_then(|s| s.offered()) {
            self.judge.raise(&OFFERED_TWICE, [earlier.seq], format!("`{id}` was offered already"));
        }
        self.document(id, e);
        for (what, label) in [("transporter", &e.transporter), ("facility", &e.facility)] {
            self.registration(what, label);
        }
        if e.containers.is_empty() {
            self.judge.raise(&SHIPPED_EMPTY, [], format!("`{id}` names no container"));
        }
        for (i, label) in e.containers.iter().enumerate() {
            if e.containers[..i].contains(label) {
                let detail = format!("`{id}` names `{label}` twice");
                self.judge.raise(&SHIPPED_EMPTY, [], detail);
            } else {
                self.offered_container(id, label, e);
            }
        }
    }

    fn offered_container(&mut self, id: &Label, label: &Label, e: &ShipmentOffered) {
        let at = self.at;
        let other = self.state.waste.offers_of(label).find(|offer| {
            let shipment = self.state.waste.shipment(&offer.value);
            &offer.value != id && !shipment.is_some_and(|s| s.refused(label, at))
        });
        if let Some(other) = other {
            let detail = format!("`{label}` is on shipment `{}` already", other.value);
            self.judge.raise(&ON_TWO_SHIPMENTS, [other.seq], detail);
        }
        let Some(container) = self.known(label) else { return };
        if container.closed(at).is_none() {
            self.judge.raise(&SHIPPED_UNCLOSED, [], format!("`{label}` was not closed"));
        }
        if container.weighed(at).is_none() {
            self.judge.raise(&SHIPPED_UNWEIGHED, [], format!("`{label}` was not weighed"));
        }
        let custody = container.custody();
        if let Some(last) = custody.iter().rfind(|h| h.from_ms <= at) {
            let named = matches!(last.holder, Holder::Person(_));
            if named && last.holder != Holder::Person(e.offered_by.clone()) {
                let detail =
                    format!("`{}` offers `{label}`, but `{}` holds it", e.offered_by, last.holder);
                self.judge.raise(&OFFERED_BY_OTHER, [last.seq], detail);
            }
        }
    }

    fn document(&mut self, id: &Label, e: &ShipmentOffered) {
        let number = e.document.number.as_str();
        let form = match e.document.kind {
            DocumentKind::Manifest => formats::manifest_number(number),
            DocumentKind::ConsignmentNote => formats::consignment_code(number),
            DocumentKind::IdentificationDocument | DocumentKind::TransportDocument => Form::Good,
        };
        match form {
            Form::Bad(why) | Form::Unusual(why) => self.judge.raise(&DOCUMENT_FORM, [], why),
            Form::Good => {}
        }
        let other = self.state.waste.document_offers(&e.document).find(|(other, _)| *other != id);
        if let Some((other, seq)) = other {
            let detail = format!("`{number}` goes with shipment `{other}` already");
            self.judge.raise(&DOCUMENT_TWICE, [seq], detail);
        }
    }

    /// Labels of twelve characters are taken for EPA identification numbers where US rules bind.
    fn registration(&mut self, what: &str, label: &Label) {
        if self.law().binds("US") && label.as_str().len() == 12 {
            match formats::epa_id(label.as_str()) {
                Form::Bad(why) | Form::Unusual(why) => {
                    self.judge.raise(&ID_FORM, [], format!("{what}: {why}"));
                }
                Form::Good => {}
            }
        }
    }

    fn accepted(&mut self, shipment: &Shipment<'_>, e: &ShipmentAccepted) {
        let at = self.at;
        let Some((offer, offered)) = shipment.offered() else { return };
        let before: Vec<_> = shipment.legs().filter(|l| l.time_ms <= at).collect();
        let expected = before.iter().map(|l| l.accepted.leg).max().unwrap_or(0).saturating_add(1);
        if e.leg != expected {
            let detail = format!("leg {} is signed, leg {expected} comes next", e.leg);
            self.judge.raise(&CHAIN_ORDER, before.iter().map(|l| l.seq), detail);
        }
        let offer_day = self.law().days.day(offer.time_ms);
        let last = before.last().map_or((offer_day, offer.seq), |l| (l.accepted.day, l.seq));
        self.not_before(last, e.day, "the transporter signed");
        if e.leg <= 1 && e.transporter != offered.transporter {
            let detail =
                format!("`{}` took it over, `{}` is named", e.transporter, offered.transporter);
            self.judge.raise(&OTHER_PARTY, [offer.seq], detail);
        }
        self.registration("transporter", &e.transporter);
        self.register_in_time(e.day);
        if e.leg <= 1 {
            for label in &offered.containers {
                if let Some(container) = self.before(label) {
                    self.too_long(&container);
                }
            }
        }
    }

    fn not_before(&mut self, (before, seq): (Day, u64), day: Day, who: &str) {
        if day < before {
            let detail = format!("{who} on {day}, the signature before is of {before}");
            self.judge.raise(&CHAIN_ORDER, [seq], detail);
        }
    }

    /// The day by which a handover must stand in the register, where a rule sets one.
    fn register_in_time(&mut self, day: Day) {
        let law = self.law();
        let recorded = law.days.day(self.fact.recorded_at.as_millisecond());
        if let Some(limit) = law.find("eu_de.register.entry_days", day)
            && recorded.0 > plus_days(day.0, limit.whole())
        {
            let detail = format!("of {day}, recorded on {recorded} ({})", limit.rule.version());
            self.judge.raise(&REGISTER_LATE, [], detail);
        }
    }

    fn delivered(&mut self, shipment: &Shipment<'_>, e: &ShipmentDelivered) {
        let Some((offer, offered)) = shipment.offered() else { return };
        match shipment.legs().rfind(|l| l.time_ms <= self.at) {
            Some(leg) => {
                self.not_before((leg.accepted.day, leg.seq), e.day, "the facility signed");
            }
            None => {
                let detail =
                    format!("`{}` was received before any transporter took it", shipment.id);
                self.judge.raise(&CHAIN_ORDER, [offer.seq], detail);
            }
        }
        let forwarded = shipment.rejections().filter_map(|(_, r)| r.facility.as_ref());
        if e.facility != offered.facility && !forwarded.into_iter().any(|f| f == &e.facility) {
            let detail = format!("`{}` received it, `{}` is named", e.facility, offered.facility);
            self.judge.raise(&OTHER_PARTY, [offer.seq], detail);
        }
        self.received(shipment, offered, e);
        self.register_in_time(e.day);
        // The tests run on the state as it will be, so that a late weighing counts too.
        let law = self.law();
        let tests = discrepancy::of_delivery(&self.state.waste, shipment, e, &law);
        for (what, test) in tests.weights() {
            let detail = format!(
                "{what}: {} shipped, {} received, {} %, E_n {}",
                test.shipped_kg, test.received_kg, test.percent, test.e_n
            );
            if test.significant == Some(true) {
                self.judge.raise(&WEIGHT_SIGNIFICANT, [offer.seq], detail);
            } else if !test.agree {
                self.judge.raise(&WEIGHT_DISAGREES, [offer.seq], detail);
            }
        }
        if let Some(pieces) = tests.pieces.filter(|p| p.shipped != p.received) {
            let detail = format!("{} shipped, {} received", pieces.shipped, pieces.received);
            self.judge.raise(&PIECES_DIFFER, [offer.seq], detail);
        }
    }

    fn received(
        &mut self,
        shipment: &Shipment<'_>,
        offered: &ShipmentOffered,
        e: &ShipmentDelivered,
    ) {
        for found in &e.received {
            if !offered.containers.contains(&found.container) {
                let detail = format!("`{}` is not on `{}`", found.container, shipment.id);
                self.judge.raise(&DELIVERED_UNKNOWN, [], detail);
            }
            if found.mass.base() <= Decimal::ZERO {
                let detail = format!("`{}`: {} received", found.container, found.mass);
                self.judge.raise(&MASS_NOT_POSITIVE, [], detail);
            }
        }
        let missing: Vec<&str> = offered
            .containers
            .iter()
            .filter(|c| !e.received.iter().any(|r| &r.container == *c))
            .filter(|c| shipment.received(c).is_none() && !shipment.refused(c, i64::MAX))
            .map(Label::as_str)
            .collect();
        if !missing.is_empty() {
            let detail = format!("`{}` of `{}`", missing.join("`, `"), shipment.id);
            self.judge.raise(&NOT_ALL_DELIVERED, [], detail);
        }
    }

    fn rejected(&mut self, shipment: &Shipment<'_>, e: &ShipmentRejected) {
        let Some((offer, offered)) = shipment.offered() else { return };
        for container in e.containers.iter().filter(|c| !offered.containers.contains(c)) {
            let detail = format!("`{container}` is not on `{}`", shipment.id);
            self.judge.raise(&DELIVERED_UNKNOWN, [offer.seq], detail);
        }
        match shipment.legs().rfind(|l| l.time_ms <= self.at) {
            Some(leg) => {
                self.not_before((leg.accepted.day, leg.seq), e.day, "the facility refused");
            }
            None => {
                let detail =
                    format!("`{}` was refused before any transporter took it", shipment.id);
                self.judge.raise(&CHAIN_ORDER, [offer.seq], detail);
            }
        }
    }

    fn certified(&mut self, shipment: &Shipment<'_>, e: &DisposalCertified) {
        match formats::method(e.method.as_str()) {
            Form::Bad(why) => self.judge.raise(&METHOD_FORBIDDEN, [], why),
            Form::Unusual(why) => self.judge.raise(&METHOD_UNKNOWN, [], why),
            Form::Good => {}
        }
        if e.mass.base() <= Decimal::ZERO {
            let detail = format!("certificate `{}`: {}", e.certificate, e.mass);
            self.judge.raise(&MASS_NOT_POSITIVE, [], detail);
        }
        let Some((delivery, _)) = shipment.deliveries().rfind(|(m, _)| m.time_ms <= self.at) else {
            let detail = format!("`{}` was not received", shipment.id);
            self.judge.raise(&CERTIFIED_EARLY, [], detail);
            return;
        };
        let (received, drums) = shipment.received_total();
        let before: Kg = shipment.certificates().map(|(_, c)| Kg(c.mass.base())).sum();
        let covered = before + Kg(e.mass.base());
        let law = self.law();
        let agree = discrepancy::certificates_agree(&law, covered - received, drums);
        if drums > 0 && !agree {
            let detail = format!(
                "certificates of `{}` cover {covered} so far, {received} was received",
                shipment.id
            );
            self.judge.raise(&CERTIFICATE_MASS, [delivery.seq], detail);
        }
    }
}
