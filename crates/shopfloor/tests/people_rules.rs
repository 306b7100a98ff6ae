//! Who may do what, at the time of the work; and what needs two people.

mod equipment_shop;

use equipment_shop::{Shop, at, label, sieving_station};
use serde_json::{Value, json};
use shopfloor::ids::PersonId;
use shopfloor::people::Validity;

const ADMIN: &str = "op_admin1";
const LEAD: &str = "op_lead1";
const QUALITY: &str = "op_q1";
const EHS: &str = "op_e1";
const ANA: &str = "op_t7";
const BEN: &str = "op_t8";

fn commitment() -> Value {
    json!({ "c": format!("{}=", "A".repeat(43)) })
}

/// Six people enrolled on 1 March; a sieving station.
fn crew() -> Shop {
    let mut shop = Shop::default();
    let t = "2026-03-01T08:00:00+01:00";
    for (who, role) in [
        (ADMIN, "admin"),
        (LEAD, "lead"),
        (QUALITY, "quality"),
        (EHS, "ehs"),
        (ANA, "technician"),
        (BEN, "technician"),
    ] {
        let data = json!({ "identity": commitment(), "roles": [role] });
        shop.post_as(ADMIN, t, "person.enrolled", &format!("person/{who}"), data);
    }
    shop.post_as(LEAD, t, "equipment.registered", "equipment/S-02", sieving_station());
    assert!(shop.state.findings.is_empty(), "{:?}", shop.state.findings);
    shop
}

fn clean(shop: &mut Shop, who: &str, time: &str) -> Vec<String> {
    let data = json!({ "target": "main-sieve", "method": "vacuum" });
    let seq = shop.post_as(who, time, "cleaning.done", "equipment/S-02", data);
    shop.found(seq)
}

#[test]
fn a_log_without_people_asks_for_none() {
    let mut shop = Shop::default();
    let t = "2026-03-01T08:00:00+01:00";
    let seq = shop.post_as(LEAD, t, "equipment.registered", "equipment/S-02", sieving_station());
    assert_eq!(shop.found(seq), [""; 0]);
}

#[test]
fn people_are_enrolled_in_a_role_and_still_here() {
    let mut shop = crew();
    let t = "2026-03-02T08:00:00+01:00";
    assert_eq!(clean(&mut shop, ANA, t), [""; 0]);
    assert_eq!(
        clean(&mut shop, "op_nobody", t),
        ["people.unknown_person: `op_nobody` is not enrolled"]
    );
    assert_eq!(
        clean(&mut shop, QUALITY, t),
        ["people.role_not_held: `op_q1` holds quality; `cleaning.done` needs another role"]
    );

    let left = json!({ "last_day": "2026-03-03" });
    shop.post_as(ADMIN, "2026-03-03T16:00:00+01:00", "person.left", &format!("person/{ANA}"), left);
    assert_eq!(clean(&mut shop, ANA, "2026-03-03T17:00:00+01:00"), [""; 0], "the last day counts");
    assert_eq!(
        clean(&mut shop, ANA, "2026-03-04T07:00:00+01:00"),
        ["people.left: the last day of `op_t7` was 2026-03-03"]
    );
    let again = json!({ "identity": commitment(), "roles": ["technician"] });
    shop.post_as(
        ADMIN,
        "2026-03-05T07:00:00+01:00",
        "person.enrolled",
        &format!("person/{ANA}"),
        again,
    );
    assert_eq!(clean(&mut shop, ANA, "2026-03-05T08:00:00+01:00"), [""; 0], "came back");
}

#[test]
fn authority_counts_at_the_time_of_the_work() {
    let mut shop = crew();
    let grant = |shop: &mut Shop, who: &str, task: &str, valid_to: &str, time: &str| {
        let data = json!({ "task": task, "valid_to": valid_to });
        shop.post_as(LEAD, time, "authorisation.granted", &format!("person/{who}"), data)
    };
    let t = "2026-03-02T08:00:00+01:00";
    assert_eq!(clean(&mut shop, BEN, t), [""; 0], "nobody needs an authorisation yet");
    grant(&mut shop, ANA, "cleaning", "2026-03-31", "2026-03-02T09:00:00+01:00");

    let cases = [
        (ANA, "2026-03-31T23:00:00+02:00", None),
        (
            ANA,
            "2026-04-01T00:30:00+02:00",
            Some("`op_t7` was authorised for `cleaning` until 2026-03-31"),
        ),
        (BEN, "2026-03-10T08:00:00+01:00", Some("`op_t8` was never authorised for `cleaning`")),
        // Late entry of work done before the task needed an authorisation.
        (BEN, "2026-03-02T08:30:00+01:00", None),
    ];
    for (who, time, detail) in cases {
        let found = clean(&mut shop, who, time);
        let expected: Vec<String> =
            detail.iter().map(|d| format!("people.not_authorised: {d}")).collect();
        assert_eq!(found, expected, "{who} {time}");
    }

    let taken = json!({ "task": "cleaning", "reason": "incident" });
    shop.post_as(
        LEAD,
        "2026-03-20T08:00:00+01:00",
        "authorisation.withdrawn",
        &format!("person/{ANA}"),
        taken,
    );
    assert_eq!(
        clean(&mut shop, ANA, "2026-03-21T08:00:00+01:00"),
        ["people.not_authorised: the authorisation of `op_t7` for `cleaning` was withdrawn"]
    );
    assert_eq!(
        clean(&mut shop, ANA, "2026-03-19T08:00:00+01:00"),
        [""; 0],
        "before it was withdrawn"
    );

    let own = json!({ "task": "sieving", "valid_to": "2026-12-31" });
    let seq = shop.post_as(LEAD, t, "authorisation.granted", &format!("person/{LEAD}"), own);
    assert_eq!(shop.rules(seq), ["people.self_authorised"]);
}

#[test]
fn changing_a_sieve_is_an_activity_of_its_own() {
    let mut shop = crew();
    let data = json!({ "task": "sieve_change", "valid_to": "2026-03-31" });
    shop.post_as(
        LEAD,
        "2026-03-02T08:00:00+01:00",
        "authorisation.granted",
        &format!("person/{ANA}"),
        data,
    );
    let fit =
        |position: &str| json!({ "position": position, "in": { "serial": "X-1", "spec": {} } });
    let sieve = shop.post_as(
        BEN,
        "2026-03-02T09:00:00+01:00",
        "part.fitted",
        "equipment/S-02",
        fit("main-sieve"),
    );
    assert!(shop.rules(sieve).contains(&"people.not_authorised"), "{:?}", shop.found(sieve));
    let filter = shop.post_as(
        BEN,
        "2026-03-02T09:00:00+01:00",
        "part.fitted",
        "equipment/S-02",
        fit("exhaust"),
    );
    assert!(!shop.rules(filter).contains(&"people.not_authorised"), "{:?}", shop.found(filter));
}

/// 29 CFR 1910.134(f)(2): before first use and at least yearly.
#[test]
fn a_mask_fits_for_a_year() {
    let mut shop = crew();
    let test = |result: &str, valid_to: Option<&str>| {
        let mut data =
            json!({ "model": "FM-3", "size": "M", "method": "qualitative", "result": result });
        if let Some(day) = valid_to {
            data["valid_to"] = json!(day);
        }
        data
    };
    let subject = format!("person/{ANA}");
    let no_fit = "people.no_fit_test";
    shop.post_as(EHS, "2026-03-02T08:00:00+01:00", "fit_test.done", &subject, test("pass", None));
    for (time, rules) in [
        ("2026-03-02T07:00:00+01:00", &[][..]),
        ("2027-03-02T20:00:00+01:00", &[]),
        ("2027-03-03T08:00:00+01:00", &[no_fit]),
    ] {
        let data = json!({ "target": "main-sieve", "method": "vacuum" });
        let seq = shop.post_as(ANA, time, "cleaning.done", "equipment/S-02", data);
        assert_eq!(shop.rules(seq), rules, "{time}: {:?}", shop.found(seq));
    }
    shop.post_as(EHS, "2027-03-04T08:00:00+01:00", "fit_test.done", &subject, test("fail", None));
    assert_eq!(
        clean(&mut shop, ANA, "2027-03-04T09:00:00+01:00"),
        [
            "people.no_fit_test: the newest fit test of `op_t7` (fail, `FM-3`) counted until 2028-03-04"
        ]
    );
    shop.post_as(
        EHS,
        "2027-03-05T08:00:00+01:00",
        "fit_test.done",
        &subject,
        test("pass", Some("2027-06-30")),
    );
    assert_eq!(clean(&mut shop, ANA, "2027-06-30T09:00:00+01:00"), [""; 0]);
    assert!(!clean(&mut shop, ANA, "2027-07-01T09:00:00+01:00").is_empty(), "shorter than a year");

    // Without any record the site decides whether it is asked for.
    assert_eq!(clean(&mut shop, BEN, "2026-03-03T09:00:00+01:00"), [""; 0]);
    let config = json!({ "parameters": { "fit_test_required": "1" }, "reason": "site_rule" });
    shop.post_as(LEAD, "2026-03-03T10:00:00+01:00", "config.changed", "site/north", config);
    assert_eq!(
        clean(&mut shop, BEN, "2026-03-03T11:00:00+01:00"),
        ["people.no_fit_test: `op_t8` has no fit test on record"]
    );
    // A check with an instrument raises no dust.
    let check = json!({
        "check": "earthing", "measured": { "value": "2", "unit": "Ohm" },
        "limit": { "at_most": { "value": "10", "unit": "Ohm" } }, "result": "pass",
    });
    let seq = shop.post_as(BEN, "2026-03-03T11:00:00+01:00", "check.done", "equipment/S-02", check);
    assert_eq!(shop.rules(seq), [""; 0]);
}

#[test]
fn a_deviation_takes_two_people() {
    let mut shop = crew();
    let open = json!({ "about": ["equipment/S-02"], "what": "torn_sieve", "severity": "major" });
    let close = |approved_by: &str| json!({ "cause": "worn", "approved_by": approved_by });
    let t = |hour: u32| format!("2026-03-02T{hour:02}:00:00+01:00");
    let d1 = "deviation/DV-1";
    shop.post_as(QUALITY, &t(8), "deviation.opened", d1, open.clone());
    let action = json!({ "deviation": "DV-1", "what": "inspect_weekly", "owner": LEAD, "due": "2026-03-20" });
    shop.post_as(QUALITY, &t(9), "action.opened", "action/AC-1", action);

    let seq = shop.post_as(QUALITY, &t(10), "deviation.closed", d1, close(LEAD));
    assert_eq!(
        shop.rules(seq),
        ["people.deviation_closed_by_opener", "people.deviation_closed_with_open_actions"]
    );
    let seq = shop.post_as("op_q2", &t(11), "deviation.closed", d1, close("op_q2"));
    assert!(shop.rules(seq).contains(&"people.closure_self_approved"), "{:?}", shop.found(seq));
    let seq = shop.post_as(QUALITY, &t(11), "deviation.closed", "deviation/DV-9", close(LEAD));
    assert_eq!(shop.rules(seq), ["people.not_opened"]);

    let checked = json!({ "effective": true });
    let seq = shop.post_as(LEAD, &t(12), "action.checked", "action/AC-1", checked.clone());
    assert!(shop.rules(seq).contains(&"people.action_checked_by_owner"));
    let seq = shop.post_as(QUALITY, &t(13), "action.checked", "action/AC-1", checked);
    assert_eq!(shop.rules(seq), [""; 0]);
}

#[test]
fn a_handover_takes_two_people() {
    let mut shop = crew();
    let given = json!({
        "shift": "2026-03-02-early",
        "open": [{ "about": "equipment/S-02", "what": "sift_running" }],
    });
    shop.post_as(ANA, "2026-03-02T14:00:00+01:00", "handover.given", "handover/H-1", given);
    let now = at("2026-03-02T16:30:00+01:00");
    let waiting = shop.state.people.unaccepted_handovers(now);
    assert_eq!((waiting.len(), waiting[0].waiting_h), (1, Some(2)));

    let own = shop.post_as(
        ANA,
        "2026-03-02T17:00:00+01:00",
        "handover.accepted",
        "handover/H-1",
        json!({}),
    );
    assert_eq!(shop.rules(own), ["people.handover_accepted_by_giver"]);
    shop.void("2026-03-02T17:05:00+01:00", own);
    let queried = json!({ "queried": ["equipment/S-02"] });
    let seq = shop.post_as(
        BEN,
        "2026-03-02T17:10:00+01:00",
        "handover.accepted",
        "handover/H-1",
        queried,
    );
    assert_eq!(shop.rules(seq), [""; 0]);
    let view = shop.state.people.handover(&label("H-1"), now).unwrap();
    assert_eq!(view.state.as_str(), "queried");
    assert!(view.open[0].queried);
    let seq = shop.post_as(
        BEN,
        "2026-03-02T17:10:00+01:00",
        "handover.accepted",
        "handover/H-2",
        json!({}),
    );
    assert_eq!(shop.rules(seq), ["people.not_opened"]);
}

#[test]
fn questions_about_people_and_what_is_open() {
    let mut shop = crew();
    let subject = format!("person/{ANA}");
    for (task, to) in [("sieving", "2026-03-31"), ("build", "2026-12-31")] {
        let data = json!({ "task": task, "valid_to": to });
        shop.post_as(LEAD, "2026-03-02T08:00:00+01:00", "authorisation.granted", &subject, data);
    }
    let training = json!({ "topic": "powder_safety", "valid_to": "2026-04-30" });
    shop.post_as(EHS, "2026-03-02T08:00:00+01:00", "training.done", &subject, training);
    let now = at("2026-04-15T08:00:00+02:00");
    let record = &shop.state.record;
    let view = shop.state.people.person(record, &PersonId::new(ANA).unwrap(), now).unwrap();
    let authorisations: Vec<_> =
        view.authorisations.iter().map(|a| (a.task.as_str(), a.validity)).collect();
    assert_eq!(authorisations, [("build", Validity::Valid), ("sieving", Validity::Expired)]);
    assert_eq!(view.trainings[0].validity, Validity::Valid);

    let action = json!({ "what": "order_spares", "owner": LEAD, "due": "2026-04-10" });
    shop.post_as(QUALITY, "2026-04-01T08:00:00+02:00", "action.opened", "action/AC-7", action);
    let incident = json!({
        "kind": "spill", "room": "R-12", "mass": { "value": "0.4", "unit": "kg" },
        "ignition_sources_off": false, "somebody_hurt": false,
    });
    let seq = shop.post_as(
        ANA,
        "2026-04-02T08:00:00+02:00",
        "incident.reported",
        "incident/IN-1",
        incident,
    );
    assert_eq!(shop.rules(seq), ["people.ignition_sources_on"]);
    let actions = shop.state.people.actions(&shop.state.record, now);
    assert_eq!((actions[0].state.as_str(), actions[0].days_over), ("overdue", Some(5)));
    assert_eq!(shop.state.people.incidents()[0].mass.as_ref().unwrap().to_string(), "0.4 kg");
    let note = json!({ "text": commitment(), "entry": seq });
    shop.post_as(ANA, "2026-04-02T09:00:00+02:00", "note.added", "incident/IN-1", note);
    let remarks = shop.state.people.remarks(&"incident/IN-1".parse().unwrap());
    assert_eq!(remarks[0].about_entry, Some(seq));
}

/// 21 CFR 11.10(j): people answer for what they sign by a written policy they have acknowledged.
#[test]
fn nobody_signs_who_has_not_acknowledged_the_policy_in_force() {
    let mut shop = crew();
    let policy =
        |version: &str, digit: &str| json!({ "version": version, "document": digit.repeat(64) });
    let set = |shop: &mut Shop, time: &str, policy: Value| {
        let data = json!({ "signing_policy": policy, "reason": "first_settings" });
        shop.post_as(ADMIN, time, "config.changed", "site/north", data);
    };
    let sign = |shop: &mut Shop, who: &str, time: &str| {
        let work = shop.post_as(
            BEN,
            time,
            "cleaning.done",
            "equipment/S-02",
            json!({ "target": "main-sieve", "method": "vacuum" }),
        );
        let about = format!("entry/{work}");
        let seq = shop.post_as(who, time, "entry.signed", &about, json!({ "meaning": "verified" }));
        shop.found(seq)
    };
    let acknowledge = |shop: &mut Shop, who: &str, of: &str, time: &str, policy: Value| {
        let (about, data) = (format!("person/{of}"), json!({ "policy": policy }));
        let seq = shop.post_as(who, time, "signing_policy.acknowledged", &about, data);
        shop.found(seq)
    };
    let missing = |version: &str| {
        vec![format!(
            "record.signing_policy_not_acknowledged: `op_lead1` has not acknowledged policy \
             `{version}`: record `signing_policy.acknowledged` about `person/op_lead1` first"
        )]
    };
    assert_eq!(sign(&mut shop, LEAD, "2026-03-02T08:00:00+01:00"), [""; 0], "no policy is set");

    let first = policy("SP-1", "a");
    set(&mut shop, "2026-03-02T09:00:00+01:00", first.clone());
    assert_eq!(sign(&mut shop, LEAD, "2026-03-02T10:00:00+01:00"), missing("SP-1"));
    // Nobody acknowledges for another, and another text of the same name is another policy.
    let t = "2026-03-02T11:00:00+01:00";
    assert_eq!(
        acknowledge(&mut shop, EHS, LEAD, t, first.clone()),
        ["record.signing_policy_acknowledged_for_another: `op_e1` acknowledges for `op_lead1`"]
    );
    assert_eq!(acknowledge(&mut shop, LEAD, LEAD, t, policy("SP-1", "b")), [""; 0]);
    assert_eq!(sign(&mut shop, LEAD, "2026-03-02T12:00:00+01:00"), missing("SP-1"));
    let lead = PersonId::new(LEAD).unwrap();
    assert!(shop.state.signing_policy_due(&lead, Some(&label("north"))).is_some());

    assert_eq!(acknowledge(&mut shop, LEAD, LEAD, "2026-03-02T13:00:00+01:00", first), [""; 0]);
    assert_eq!(shop.state.signing_policy_due(&lead, Some(&label("north"))), None);
    assert_eq!(sign(&mut shop, LEAD, "2026-03-02T14:00:00+01:00"), [""; 0]);
    // What was signed before is judged by what stood then.
    assert_eq!(sign(&mut shop, LEAD, "2026-03-02T12:30:00+01:00"), missing("SP-1"));

    // Another version is acknowledged anew; at a site without a policy there is nothing to do.
    set(&mut shop, "2026-03-03T08:00:00+01:00", policy("SP-2", "c"));
    assert_eq!(sign(&mut shop, LEAD, "2026-03-03T09:00:00+01:00"), missing("SP-2"));
    assert_eq!(shop.state.signing_policy_due(&lead, Some(&label("south"))), None);
    let view =
        shop.state.people.person(&shop.state.record, &lead, at("2026-03-03T10:00:00Z")).unwrap();
    let versions: Vec<&str> =
        view.signing_policies.iter().map(|known| known.policy.document.as_str()).collect();
    assert_eq!(versions, ["b".repeat(64), "a".repeat(64)]);
}
