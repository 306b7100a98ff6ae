//! Rules about the record itself: late and future entries, self-approval, unknown people.

use crate::State;
use crate::catalogue::{Event, Origin};
use crate::fact::{Fact, Performer};
use crate::finding::{Confidence, Judge, Level, Rule};
use crate::ids::{Label, PersonId};
use crate::people::Point;

const LATE: Rule = Rule {
    id: "record.late",
    level: Level::Note,
    title: "An event is recorded while the work is fresh; a late one gives its reason",
    source: "PIC/S PI 041-1, contemporaneous; limit common practice, no source",
    confidence: Confidence::Memory,
};
const LATE_WITHOUT_REASON: Rule = Rule {
    id: "record.late_without_reason",
    level: Level::Warn,
    title: "A late event gives its reason",
    source: "PIC/S PI 041-1, contemporaneous",
    confidence: Confidence::Memory,
};
const FUTURE: Rule = Rule {
    id: "record.in_the_future",
    level: Level::Stop,
    title: "Work is recorded after it was done, not before",
    source: "21 CFR 11.10(e), time-stamped records of actions",
    confidence: Confidence::Seen,
};
const SELF_APPROVAL: Rule = Rule {
    id: "record.self_approval",
    level: Level::Stop,
    title: "Whoever asks for a correction does not approve it",
    source: "OWASP ASVS 5.0, 2.3.5 multi-user approval",
    confidence: Confidence::Seen,
};
const SIGNED_TWICE: Rule = Rule {
    id: "record.verified_by_the_performer",
    level: Level::Warn,
    title: "Work is verified by another person than the one who did it",
    source: "EU GMP Annex 11, section 6",
    confidence: Confidence::Memory,
};

const POLICY_NOT_ACKNOWLEDGED: Rule = Rule {
    id: "record.signing_policy_not_acknowledged",
    level: Level::Stop,
    title: "Who signs has acknowledged the written policy on electronic signatures",
    source: "21 CFR 11.10(j), policies that hold individuals accountable for what they sign",
    confidence: Confidence::Memory,
};
const ACKNOWLEDGED_FOR_ANOTHER: Rule = Rule {
    id: "record.signing_policy_acknowledged_for_another",
    level: Level::Stop,
    title: "A policy is acknowledged by the person whom it binds",
    source: "21 CFR 11.10(j), policies that hold individuals accountable for what they sign",
    confidence: Confidence::Memory,
};

/// Every rule about the record.
pub const RULES: &[Rule] = &[
    LATE,
    LATE_WITHOUT_REASON,
    FUTURE,
    SELF_APPROVAL,
    SIGNED_TWICE,
    POLICY_NOT_ACKNOWLEDGED,
    ACKNOWLEDGED_FOR_ANOTHER,
];

/// Clock difference that is still taken for now, ms.
pub const CLOCK_TOLERANCE_MS: i64 = 5 * 60 * 1000;

/// Raises what `fact` contradicts, judged on the state before it.
pub(crate) fn judge(state: &State, fact: &Fact, original: Option<&Fact>, judge: &mut Judge<'_>) {
    if fact.event.kind().origin != Origin::Log {
        timing(state, fact, judge);
    }
    let approver = match &fact.event {
        Event::EntryCorrected(c) => Some(&c.approver),
        Event::EntryVoided(v) => Some(&v.approver),
        _ => None,
    };
    let asked_by = fact.performer.person();
    if approver.is_some() && approver == asked_by {
        judge.raise(&SELF_APPROVAL, original.map(|o| o.seq), "the approver is the person who asks");
    }
    if let (Event::EntrySigned(signed), Some(original)) = (&fact.event, original) {
        use crate::common::SignatureMeaning::{Approved, Performed, Released, Reviewed, Verified};
        let own = asked_by.is_some() && original.performer.person() == asked_by;
        match signed.meaning {
            Verified | Reviewed | Approved if own => judge.raise(
                &SIGNED_TWICE,
                [original.seq],
                format!("`{}` by the person who did the work", signed.meaning),
            ),
            Performed | Released | Verified | Reviewed | Approved => {}
        }
    }
    match (&fact.event, asked_by) {
        (Event::EntrySigned(_), Some(person)) => policy(state, fact, original, person, judge),
        (Event::SigningPolicyAcknowledged(_), Some(person))
            if person.as_str() != fact.subject.id() =>
        {
            let detail = format!("`{person}` acknowledges for `{}`", fact.subject.id());
            judge.raise(&ACKNOWLEDGED_FOR_ANOTHER, [], detail);
        }
        _ => {}
    }
}

/// Whoever signs must have acknowledged the policy that stands where the entry belongs.
fn policy(
    state: &State,
    fact: &Fact,
    original: Option<&Fact>,
    person: &PersonId,
    judge: &mut Judge<'_>,
) {
    let site = fact.site.as_ref().or_else(|| original?.site.as_ref());
    let before = Some(Point::before(fact));
    if let Some(due) = state.signing_policy_due_before(person, site, before) {
        let detail = format!(
            "`{person}` has not acknowledged policy `{}`: record `signing_policy.acknowledged` about \
             `person/{person}` first",
            due.version
        );
        judge.raise(&POLICY_NOT_ACKNOWLEDGED, [], detail);
    }
}

fn timing(state: &State, fact: &Fact, judge: &mut Judge<'_>) {
    let lag_ms = fact.recorded_at.as_millisecond() - fact.time.ms();
    if lag_ms < -CLOCK_TOLERANCE_MS {
        judge.raise(
            &FUTURE,
            [],
            format!("the work lies {} min ahead of the log's clock", -lag_ms / 60_000),
        );
        return;
    }
    let limit_h = match &fact.site {
        Some(site) => state.record.site(site).late_after_h,
        None => state.record.site(&Label::new("default").expect("a label")).late_after_h,
    };
    let lag_h = rust_decimal::Decimal::new(lag_ms, 0) / rust_decimal::Decimal::from(3_600_000);
    if lag_h > limit_h {
        let detail =
            format!("recorded {} h after the work; the limit is {limit_h} h", lag_h.round_dp(1));
        match (&fact.late_reason, &fact.performer) {
            (Some(_), _) => judge.raise(&LATE, [], detail),
            (None, Performer::Person(_) | Performer::Service { .. } | Performer::Log) => {
                judge.raise(&LATE_WITHOUT_REASON, [], detail);
            }
        }
    }
}
