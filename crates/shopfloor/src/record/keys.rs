//! The keys that the log was told of: whose they are, who stands for them, whether they count.
//!
//! A key is enrolled by one person and counts once the second person, whom the enrolment names, has
//! signed that entry as `approved`, with a sign-in of their own. A revocation counts at once, because
//! waiting would leave a thief time; its second person is told just the same. What was signed from
//! `suspect_from` on is suspect; it is listed, never dropped. (Two people: OWASP ASVS 5.0, 2.3.5
//! multi-user approval.)

use serde::{Deserialize, Serialize};

use super::events::{EntrySigned, KeyEnrolled, KeyRevoked, KeyUse};
use crate::catalogue::Event;
use crate::common::SignatureMeaning;
use crate::fact::Fact;
use crate::ids::{Label, PersonId, Reason};

/// Two people and the entries they stand for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TwoPeople {
    /// The entry.
    pub seq: u64,
    /// Who asked; `None` if it was no person.
    pub by: Option<PersonId>,
    /// Who is to approve.
    pub approver: PersonId,
    /// Entry by which that other person approved.
    pub approved_in: Option<u64>,
}

impl TwoPeople {
    fn of(fact: &Fact, approver: &PersonId) -> Self {
        let by = fact.performer.person().cloned();
        Self { seq: fact.seq, by, approver: approver.clone(), approved_in: None }
    }

    /// Whether they can be two.
    pub fn are_two(&self) -> bool {
        self.by.as_ref().is_some_and(|by| *by != self.approver)
    }

    fn signed(&mut self, about: u64, fact: &Fact) {
        if self.seq == about && self.are_two() && fact.performer.person() == Some(&self.approver) {
            self.approved_in.get_or_insert(fact.seq);
        }
    }
}

/// How a key ended.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Revocation {
    /// Who revoked it.
    pub people: TwoPeople,
    /// Why.
    pub reason: Reason,
    /// First entry that is suspect: as told, else that of the revocation.
    pub suspect_from: u64,
}

/// A key and what became of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct EnrolledKey {
    /// The key as enrolled (C2SP vkey).
    pub key: String,
    /// What it is for.
    pub usage: KeyUse,
    /// Whose it is.
    pub owner: Label,
    /// Who enrolled it.
    pub enrolled: TwoPeople,
    /// How it ended.
    pub revoked: Option<Revocation>,
}

impl EnrolledKey {
    /// Whether what is signed with it counts: two people stand for it, and it was not revoked.
    pub fn is_in_force(&self) -> bool {
        self.enrolled.approved_in.is_some() && self.revoked.is_none()
    }

    /// Whether it is named `label`, which is name and key id.
    pub fn is_named(&self, label: &str) -> bool {
        self.key.strip_prefix(label).is_some_and(|rest| rest.starts_with('+'))
    }
}

/// Every key the log was told of, in the order of enrolment.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct EnrolledKeys(pub(super) Vec<EnrolledKey>);

impl EnrolledKeys {
    pub(super) fn apply(&mut self, fact: &Fact) {
        match &fact.event {
            Event::KeyEnrolled(enrolled) => self.enrol(fact, enrolled),
            Event::KeyRevoked(revoked) => self.revoke(fact, revoked),
            Event::EntrySigned(EntrySigned { meaning: SignatureMeaning::Approved }) => {
                let Some(about) = fact.about_entry() else { return };
                for key in &mut self.0 {
                    key.enrolled.signed(about, fact);
                    if let Some(revoked) = &mut key.revoked {
                        revoked.people.signed(about, fact);
                    }
                }
            }
            _ => {}
        }
    }

    fn enrol(&mut self, fact: &Fact, enrolled: &KeyEnrolled) {
        self.0.push(EnrolledKey {
            key: enrolled.key.clone(),
            usage: enrolled.usage,
            owner: enrolled.owner.clone(),
            enrolled: TwoPeople::of(fact, &enrolled.approved_by),
            revoked: None,
        });
    }

    fn revoke(&mut self, fact: &Fact, revoked: &KeyRevoked) {
        for key in &mut self.0 {
            if key.key == revoked.key && key.revoked.is_none() {
                key.revoked = Some(Revocation {
                    people: TwoPeople::of(fact, &revoked.approved_by),
                    reason: revoked.reason.clone(),
                    suspect_from: revoked.suspect_from.unwrap_or(fact.seq),
                });
            }
        }
    }
}
