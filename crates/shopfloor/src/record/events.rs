//! What the log records about itself, and corrections of entries.

use std::collections::BTreeMap;

use crate::common::SignatureMeaning;
use crate::forms::{record, words};
use crate::ids::{Code, FileDigest, FreeText, Label, PersonId, Reason, Subject};
use crate::people::events::Role;
use crate::quantity::Hours;

record! {
    /// The first entry of every log.
    pub struct LogOpened {
        /// Origin: schema-less URL, one log per site group and year by default.
        origin: String,
        /// Verification key of the log (C2SP vkey).
        key: String,
        /// Version of the event schema.
        schema: u16,
        /// Final checkpoint of the log this one continues, verbatim.
        [continues]: String,
    }
}

words! {
    /// What a key is for.
    pub enum KeyUse {
        /// Signs events of a terminal or client system.
        Client = "client",
        /// Signs checkpoints of this log.
        Log = "log",
    }
}

record! {
    /// A key is trusted from now on.
    pub struct KeyEnrolled {
        /// The key (C2SP vkey: name, key id, base64).
        key: String,
        /// What it is for.
        usage: KeyUse,
        /// Who owns it: a person or a system.
        owner: Label,
        /// The second person.
        approved_by: PersonId,
    }
}

record! {
    /// A key is no longer trusted.
    pub struct KeyRevoked {
        /// The key.
        key: String,
        /// Why.
        reason: Reason,
        /// First entry that is suspect.
        [suspect_from]: u64,
        /// The second person.
        approved_by: PersonId,
    }
}

record! {
    /// Configuration of a site changed. Members left out keep their value.
    pub struct ConfigChanged {
        /// IANA time zone of the site, for example `Europe/Berlin`.
        [time_zone]: String,
        /// Rules the site's waste falls under, for example `us`, `eu`, `uk_eng`.
        [jurisdiction]: Code,
        /// An event recorded later than this after the work is late and needs a reason.
        [late_after]: Hours,
        /// Rules that stop an event under strict handling, replacing the default set.
        [stop_rules]: Vec<String>,
        /// Working days of the week, 1 = Monday to 7 = Sunday.
        [working_days]: Vec<u8>,
        /// Days on which nobody works although the day of the week is a working day (public
        /// holidays, shutdowns), replacing the list.
        [holidays]: Vec<crate::common::Day>,
        /// Named values of rule parameters, by parameter id.
        [parameters]: Parameters,
        /// Written policy on electronic signatures: from now on nobody signs who has not acknowledged
        /// it (21 CFR 11.10(j)).
        [signing_policy]: crate::people::events::SigningPolicy,
        /// Why.
        reason: Reason,
        /// Second person, where the site asks for one.
        [approved_by]: PersonId,
    }
}

/// Values of rule parameters by id; values are decimal digit strings.
pub type Parameters = BTreeMap<Code, String>;

record! {
    /// A checkpoint with signatures of others was kept, verbatim: a lower bound in time for
    /// what follows.
    pub struct AnchorKept {
        /// The signed note.
        note: String,
    }
}

record! {
    /// A checkpoint of another log was kept, verbatim, after every entry up to it was checked here:
    /// that log cannot be shortened or changed before it without this note telling.
    pub struct LogFollowed {
        /// The signed note; its first line is the origin of the other log.
        note: String,
    }
}

words! {
    /// How a followed log contradicts what was kept of it.
    pub enum Contradiction {
        /// It shows another root for entries that were checked: two histories under one key.
        OtherHistory = "other_history",
        /// It shows fewer entries than it showed before.
        Shortened = "shortened",
        /// An entry does not follow from the ones before, or is not under the signed root.
        NotAsSigned = "not_as_signed",
    }
}

record! {
    /// A followed log contradicts what was kept of it. Both signed notes are the evidence.
    pub struct LogDisputed {
        /// What is wrong.
        contradiction: Contradiction,
        /// First entry at which both cannot be true, as far as it is known.
        [at]: u64,
        /// What was kept, signed by the other log.
        kept: String,
        /// What it shows now, signed by the other log.
        shown: String,
    }
}

record! {
    /// A report was issued: about a site and a period, or about a lot.
    pub struct ReportIssued {
        /// Kind of report, for example `disposal`.
        report: Code,
        /// Site it is about.
        [site]: Label,
        /// First day.
        [from]: crate::common::Day,
        /// Last day.
        [to]: crate::common::Day,
        /// Powder lot it is about.
        [lot]: Label,
        /// Number of entries it rests on.
        as_of: u64,
        /// SHA-256 of the machine-readable form.
        digest: FileDigest,
        /// SHA-256 of the printed form.
        [pdf_digest]: FileDigest,
    }
}

record! {
    /// Digest of a fold's state, so that a replay elsewhere must reach the same value.
    pub struct FoldDigested {
        /// Name of the fold.
        fold: Code,
        /// Its version.
        version: u16,
        /// Number of entries folded.
        as_of: u64,
        /// SHA-256 of the canonical state.
        digest: FileDigest,
    }
}

record! {
    /// Personal data was erased from the people store.
    pub struct DataErased {
        /// Whose.
        person: PersonId,
        /// Why.
        reason: Reason,
        /// The one text that was erased; left out: everything of the person.
        [text]: FreeText,
        /// Who ordered it, by pseudonym.
        [ordered_by]: Label,
    }
}

record! {
    /// A command was stopped by a rule; nothing else was written.
    pub struct AttemptRefused {
        /// Type of the event that was refused.
        event: String,
        /// Its subject.
        subject: Subject,
        /// Rules that stopped it.
        rules: Vec<String>,
        /// SHA-256 of the refused event's canonical bytes.
        digest: FileDigest,
        /// Who tried, by pseudonym; for a system, the system.
        [who]: Label,
    }
}

record! {
    /// A request was refused because the role has no right to it.
    pub struct AccessRefused {
        /// The operation, by its id in the API description.
        operation: String,
        /// The roles that were presented.
        roles: Vec<Role>,
        /// Who asked, by pseudonym; for a system, the system.
        [who]: Label,
    }
}

record! {
    /// The log ended; the next one cites its final checkpoint.
    pub struct LogClosed {
        /// Why.
        reason: Reason,
    }
}

record! {
    /// A person signed an entry.
    pub struct EntrySigned {
        /// What the signature means.
        meaning: SignatureMeaning,
    }
}

record! {
    /// The content of an entry was wrong; this is what it should have been.
    pub struct EntryCorrected {
        /// Why.
        reason: Reason,
        /// Who approved the correction.
        approver: PersonId,
        /// The whole right `data` for the type of the corrected entry.
        data: serde_json::Map<String, serde_json::Value>,
    }
}

record! {
    /// An entry should never have been made.
    pub struct EntryVoided {
        /// Why.
        reason: Reason,
        /// Who approved.
        approver: PersonId,
    }
}

/// One signature of an entry, as the fold keeps it.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct SignatureOf {
    /// Entry of the signature.
    pub seq: u64,
    /// Who signed.
    pub person: PersonId,
    /// What it means.
    pub meaning: SignatureMeaning,
    /// When the log recorded it, ms since 1970 UTC.
    pub time_ms: i64,
}
