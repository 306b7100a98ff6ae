//! A small shop to write scenarios in: facts by name, time and JSON; Brackwater Works is invented.

use chain::entry::{Actor, Via};
use jiff::Timestamp;
use rust_decimal::Decimal;
use serde_json::{Value, json};
use shopfloor::ids::{Label, Place};
use shopfloor::powder::Powder;
use shopfloor::{Envelope, Fact, Finding, State};

/// The shop and everything that was recorded.
#[derive(Clone, Default)]
pub(crate) struct Shop {
    pub(crate) state: State,
    pub(crate) facts: Vec<Fact>,
}

pub(crate) fn kg(value: &str) -> Value {
    json!({ "value": value, "unit": "kg" })
}
pub(crate) fn min(value: &str) -> Value {
    json!({ "value": value, "unit": "min" })
}
pub(crate) fn um(value: &str) -> Value {
    json!({ "value": value, "unit": "um" })
}
pub(crate) fn label(text: &str) -> Label {
    Label::new(text).unwrap()
}
pub(crate) fn place(text: &str) -> Place {
    text.parse().unwrap()
}
pub(crate) fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}
pub(crate) fn d(text: &str) -> Decimal {
    text.parse().unwrap()
}

/// Agrees with all digits of a check value.
#[track_caller]
pub(crate) fn agrees(found: Decimal, shown: &str) {
    let shown_value = d(shown);
    assert_eq!(found.round_dp(shown_value.scale()), shown_value, "{found} is not {shown}");
}

/// A fact as the log would hold it.
pub(crate) fn fact(seq: u64, time: &str, name: &str, subject: &str, data: &Value) -> Fact {
    let event = json!({
        "specversion": "1.0", "id": format!("e{seq}"), "source": "/test", "site": "north",
        "type": format!("pulverlog.{name}"), "subject": subject, "time": time, "data": data,
    });
    let value = chain::canon::parse(event.to_string().as_bytes()).unwrap();
    let (envelope, event) = Envelope::read(&value).unwrap_or_else(|e| panic!("{name}: {e:?}"));
    let recorded_at = envelope.time.unwrap().at;
    let actor = Actor { id: "op_k7".into(), via: Via::Oidc, on_behalf_of: None };
    Fact::new(envelope, event, &actor, seq, recorded_at)
}

impl Shop {
    pub(crate) fn powder(&self) -> &Powder {
        &self.state.powder
    }

    /// Records a fact; returns its entry.
    pub(crate) fn note(&mut self, time: &str, name: &str, subject: &str, data: Value) -> u64 {
        self.tell(time, name, subject, data).0
    }

    /// Records a fact; returns its entry and what it contradicts.
    pub(crate) fn tell(
        &mut self,
        time: &str,
        name: &str,
        subject: &str,
        data: Value,
    ) -> (u64, Vec<Finding>) {
        let seq = self.facts.len() as u64;
        let fact = fact(seq, time, name, subject, &data);
        let original = fact.about_entry().and_then(|about| {
            self.state.record.effective(self.facts[usize::try_from(about).unwrap()].clone())
        });
        let findings = self.state.apply(&fact, original.as_ref());
        self.facts.push(fact);
        (seq, findings)
    }

    /// Rules of the powder room that a fact would break, without recording it.
    pub(crate) fn rules(&self, time: &str, name: &str, subject: &str, data: Value) -> Vec<String> {
        let fact = fact(self.facts.len() as u64, time, name, subject, &data);
        let findings = self.state.judge(&fact, None).unwrap();
        powder_rules(&findings)
    }

    /// A lot in one container of the same name, 10.5 kg gross on 0.5 kg tare unless stated.
    pub(crate) fn receive(&mut self, time: &str, lot: &str, net_kg: &str) -> u64 {
        let gross = (d(net_kg) + d("0.5")).to_string();
        self.note(
            time,
            "lot.received",
            &format!("lot/{lot}"),
            json!({
                "material": "PA12", "supplier": "SUP-A", "supplier_lot": "X1",
                "containers": [{ "id": lot, "gross": kg(&gross), "tare": kg("0.5") }],
                "certificate": { "number": "C-1", "digest": "ab".repeat(32) },
                "seals_whole": true,
            }),
        )
    }

    pub(crate) fn release(&mut self, time: &str, lot: &str) -> u64 {
        self.note(time, "lot.released", &format!("lot/{lot}"), json!({ "meaning": "released" }))
    }

    pub(crate) fn load(&mut self, time: &str, from: &str, into: &str, mass: &str) -> u64 {
        self.note(
            time,
            "powder.loaded",
            "equipment/P-01",
            json!({ "from": from, "into": into, "mass": kg(mass), "checks": [
                { "check": "seal_removed_whole", "ok": true }, { "check": "bonded", "ok": true },
            ] }),
        )
    }

    pub(crate) fn transfer(&mut self, time: &str, from: &str, into: &str, mass: &str) -> u64 {
        self.note(
            time,
            "powder.moved",
            "equipment/P-01",
            json!({ "from": from, "into": into, "mass": kg(mass) }),
        )
    }

    /// A blend of components `(from, kg)` in the order given.
    pub(crate) fn blend(
        &mut self,
        time: &str,
        lot: &str,
        into: &str,
        parts: &[(&str, &str)],
    ) -> u64 {
        self.note(time, "powder.blended", &format!("lot/{lot}"), blend_data(into, parts))
    }

    pub(crate) fn sieve(
        &mut self,
        time: &str,
        sieve: &str,
        (from, into): (&str, &str),
        through: &str,
        oversize: &str,
    ) -> u64 {
        self.note(
            time,
            "powder.sieved",
            "equipment/S-02",
            json!({
                "sieve": sieve, "aperture": um("150"), "spec_id": "ISO-3310-1", "from": from,
                "through": { "mass": kg(through), "into": into },
                "oversize": { "mass": kg(oversize), "into": "oversize/OV-1" },
                "duration": min("30"),
            }),
        )
    }

    /// A whole build: start, end, recovery. Returns the three entries.
    pub(crate) fn build(
        &mut self,
        day: &str,
        build: &str,
        (used, parts, recovered): (&str, &str, &str),
        hours: &str,
        into: &str,
    ) -> [u64; 3] {
        let subject = format!("build/{build}");
        let started = self.note(
            &format!("{day}T08:00:00Z"),
            "build.started",
            &subject,
            json!({ "printer": "P-01", "hopper": "hopper/P-01.main" }),
        );
        let finished = self.note(
            &format!("{day}T20:00:00Z"),
            "build.finished",
            &subject,
            json!({ "mass_used": kg(used), "parts_mass": kg(parts),
                "hours_at_temperature": { "value": hours, "unit": "h" } }),
        );
        let recovered = self.note(
            &format!("{day}T22:00:00Z"),
            "powder.recovered",
            &subject,
            json!({ "into": into, "mass": kg(recovered) }),
        );
        [started, finished, recovered]
    }

    /// A class III scale with verification interval 0.02 kg.
    pub(crate) fn scale(&mut self, time: &str, id: &str) -> u64 {
        self.note(
            time,
            "equipment.registered",
            &format!("equipment/{id}"),
            json!({ "kind": "scale", "label": "Floor scale", "room": "R1",
                "scale": { "interval": kg("0.02"), "capacity": kg("150") } }),
        )
    }

    /// Fractions of a place by lot, `UNKNOWN` included.
    pub(crate) fn fractions(&self, of: &str) -> Vec<(String, Decimal)> {
        let view = self.powder().place(&place(of), shopfloor::powder::AsOf::Now).unwrap();
        let Some(makeup) = view.makeup else { return Vec::new() };
        let mut found: Vec<_> =
            makeup.lots.into_iter().map(|l| (l.lot.to_string(), l.fraction)).collect();
        if !makeup.unknown_fraction.is_zero() {
            found.push(("UNKNOWN".into(), makeup.unknown_fraction));
        }
        found.sort();
        found
    }

    pub(crate) fn held(&self, of: &str) -> Decimal {
        self.powder().held_kg(&place(of))
    }
}

pub(crate) fn blend_data(into: &str, parts: &[(&str, &str)]) -> Value {
    let components: Vec<Value> = parts
        .iter()
        .zip(1..)
        .map(|((from, mass), order)| json!({ "from": from, "mass": kg(mass), "order": order }))
        .collect();
    json!({ "into": into, "components": components, "blender": "B-01", "duration": min("20") })
}

pub(crate) fn powder_rules(findings: &[Finding]) -> Vec<String> {
    findings.iter().map(|f| f.rule.clone()).filter(|r| r.starts_with("powder.")).collect()
}

/// Fractions as pairs, for comparing.
pub(crate) fn shares(pairs: &[(&str, &str)]) -> Vec<(String, Decimal)> {
    pairs.iter().map(|(lot, share)| ((*lot).to_owned(), d(share))).collect()
}
