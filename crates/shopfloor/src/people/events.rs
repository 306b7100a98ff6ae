//! What can be recorded about people, deviations, handovers and incidents.

use crate::common::{Day, Evidence, Outcome};
use crate::forms::{record, words};
use crate::ids::{Code, FileDigest, FreeText, Label, PersonId, Reason, Subject};
use crate::quantity::{AnyQuantity, Mass};

words! {
    /// What a person or system may do.
    pub enum Role {
        /// Does the work in the powder room.
        Technician = "technician",
        /// Plans and releases work.
        Lead = "lead",
        /// Releases lots, decides on holds and deviations.
        Quality = "quality",
        /// Environment, health and safety: waste, exposure, permits.
        Ehs = "ehs",
        /// Reads and verifies everything but personal data.
        Auditor = "auditor",
        /// Reads reports released to it.
        Authority = "authority",
        /// A system that posts for enrolled people.
        Service = "service",
        /// Keeps accounts, keys and configuration; records no shop-floor work.
        Admin = "admin",
    }
}

record! {
    /// A person is known from now on, by pseudonym. The identity is committed, not recorded.
    pub struct PersonEnrolled {
        /// Commitment to the identity kept in the people store.
        identity: FreeText,
        /// What the person may do.
        roles: Vec<Role>,
    }
}

record! {
    /// A person left.
    pub struct PersonLeft {
        /// Last day.
        last_day: Day,
    }
}

record! {
    /// A person may do a task until a day.
    pub struct AuthorisationGranted {
        /// Which task, for example `sieve_change`.
        task: Code,
        /// Last valid day.
        valid_to: Day,
        /// Digest of the training evidence.
        [evidence]: FileDigest,
    }
}

record! {
    /// A person may no longer do a task.
    pub struct AuthorisationWithdrawn {
        /// Which task.
        task: Code,
        /// Why.
        reason: Reason,
    }
}

words! {
    /// Kind of fit test (29 CFR 1910.134(f)).
    pub enum FitTestMethod {
        /// Qualitative.
        Qualitative = "qualitative",
        /// Quantitative, with a fit factor.
        Quantitative = "quantitative",
    }
}

record! {
    /// A breathing mask was tested on a person's face.
    /// Record: person, type of test, make/model/size, date, result (29 CFR 1910.134(m)(2)(i)).
    pub struct FitTestDone {
        /// Model of the mask, by the shop's label.
        model: Label,
        /// Size.
        size: Label,
        /// Kind of test.
        method: FitTestMethod,
        /// Fit factor of a quantitative test, unit `1`.
        [fit_factor]: AnyQuantity,
        /// Pass or fail.
        result: Outcome,
        /// Last valid day, when shorter than a year.
        [valid_to]: Day,
    }
}

record! {
    /// A person was trained.
    pub struct TrainingDone {
        /// On what.
        topic: Code,
        /// Last valid day.
        [valid_to]: Day,
        /// Digest of the evidence.
        [evidence]: FileDigest,
    }
}

record! {
    /// A version of the shop's written policy that makes people answer for what they sign
    /// (21 CFR 11.10(j)).
    pub struct SigningPolicy {
        /// Label of the version, for example `SP-2026-1`.
        version: Label,
        /// Digest of the document, so that nobody can say it was another text.
        document: FileDigest,
    }
}

record! {
    /// A person has read the written policy on electronic signatures and answers for what she or he signs
    /// (21 CFR 11.10(j)). Recorded by that person, before the first signature.
    pub struct SigningPolicyAcknowledged {
        /// What was acknowledged.
        policy: SigningPolicy,
    }
}

words! {
    /// How grave a deviation is.
    pub enum Severity {
        /// No effect on parts, people or waste.
        Minor = "minor",
        /// May have an effect.
        Major = "major",
        /// Has an effect, or could have hurt somebody.
        Critical = "critical",
    }
}

record! {
    /// Something was not as it should be.
    pub struct DeviationOpened {
        /// What it is about.
        about: Vec<Subject>,
        /// Entries that show it.
        [entries]: Vec<u64>,
        /// What happened.
        what: Reason,
        /// How grave.
        severity: Severity,
        /// What was done at once.
        [immediate_action]: Reason,
    }
}

record! {
    /// A deviation was closed.
    pub struct DeviationClosed {
        /// The cause that was found.
        cause: Reason,
        /// Who approved.
        approved_by: PersonId,
    }
}

record! {
    /// A corrective or preventive action was started.
    pub struct ActionOpened {
        /// Deviation it answers.
        [deviation]: Label,
        /// What is to be done.
        what: Reason,
        /// Who does it.
        owner: PersonId,
        /// Until when.
        due: Day,
    }
}

record! {
    /// It was checked whether an action worked.
    pub struct ActionChecked {
        /// Whether it did.
        effective: bool,
        /// What it is judged by.
        [evidence]: Vec<Evidence>,
    }
}

record! {
    /// One thing left open at the end of a shift.
    pub struct OpenItem {
        /// What it is about.
        about: Subject,
        /// What is open.
        what: Reason,
    }
}

record! {
    /// A shift was handed over.
    pub struct HandoverGiven {
        /// Shift by label, for example `2026-03-05-late`.
        shift: Label,
        /// What is open.
        [open]: Vec<OpenItem>,
    }
}

record! {
    /// A handover was accepted.
    pub struct HandoverAccepted {
        /// Items that were not understood or not accepted.
        [queried]: Vec<Subject>,
    }
}

words! {
    /// Kind of incident.
    pub enum IncidentKind {
        /// Powder spilled.
        Spill = "spill",
        /// Something ignited, smouldered or sparked.
        Ignition = "ignition",
        /// Somebody was exposed.
        Exposure = "exposure",
    }
}

record! {
    /// An incident happened.
    pub struct IncidentReported {
        /// Kind.
        kind: IncidentKind,
        /// Room.
        room: Label,
        /// Powder place the mass came from.
        [from]: crate::ids::Place,
        /// Estimated mass.
        [mass]: Mass,
        /// Whether ignition sources were switched off.
        [ignition_sources_off]: bool,
        /// Whether somebody was hurt.
        somebody_hurt: bool,
        /// What was done at once.
        [immediate_action]: Reason,
    }
}

record! {
    /// A remark to anything.
    pub struct NoteAdded {
        /// The words, committed.
        text: FreeText,
        /// Entry it belongs to.
        [entry]: u64,
    }
}
