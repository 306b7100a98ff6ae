//! Who may do what: one table of operations, the event catalogue for types of event, and sites.
//!
//! Nothing is allowed that does not stand here: an address under `/v1` or `/log` without a row is
//! not found, and a row without the role refuses. The API description is generated from the
//! handlers; a test compares it with this table in both directions.

use actix_web::http::Method;
use chain::entry::Via;
use shopfloor::catalogue::EventKind;
use shopfloor::ids::Label;
use shopfloor::people::events::Role;
use shopfloor::{Envelope, catalogue};

use crate::authn::Identity;
use crate::config::AuthConfig;
use crate::problem::{Kind, Problem, Result, TABLE};

use Role::{Admin, Auditor, Authority, Ehs, Lead, Quality, Service, Technician};

/// Who may call an operation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Access {
    /// Anybody: what is served holds nothing of the shop. Hashes hide their entries by salt.
    Public,
    /// Whoever has one of these roles.
    Roles(&'static [Role]),
}

/// Everybody who is signed in with a role we know.
const EVERYONE: &[Role] = Role::ALL;
/// Those who send events.
const SENDERS: &[Role] = &[Technician, Lead, Quality, Ehs, Service, Admin];
/// Those who see the work.
const READERS: &[Role] = &[Technician, Lead, Quality, Ehs, Auditor, Service];
/// Those who see who did it.
const PEOPLE: &[Role] = &[Lead, Quality, Ehs, Auditor, Admin];
/// Those who see who did it, and those who may ask about themselves.
const PEOPLE_AND_SELF: &[Role] = &[Technician, Lead, Quality, Ehs, Auditor, Admin];
/// Those who may read free text, which may hold personal data.
const WORDS: &[Role] = &[Lead, Quality, Ehs];
/// Those who enrol people and so know their names.
const ENROLLERS: &[Role] = &[Lead, Admin];
/// Those who erase personal data.
const ERASERS: &[Role] = &[Lead, Quality, Admin];
/// Those whom reports are for.
const REPORTS: &[Role] = &[Lead, Quality, Ehs, Auditor, Authority];
/// Those who compile reports.
const OFFICE: &[Role] = &[Lead, Quality, Ehs, Auditor];
/// Those who issue reports.
const ISSUERS: &[Role] = &[Lead, Quality, Ehs];
/// Those who take the whole record away.
const EVIDENCE: &[Role] = &[Quality, Auditor];
/// Those who watch the service.
const WATCHERS: &[Role] = &[Admin, Service];

/// Those who keep the service going.
const KEEPERS: &[Role] = &[Admin];

/// One operation of the interface.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Operation {
    /// Its id in the API description.
    pub id: &'static str,
    /// GET, POST ...
    pub method: &'static str,
    /// Path template as in the API description.
    pub path: &'static str,
    /// Who may call it.
    pub access: Access,
    /// Problems of its own, besides those that every operation has.
    pub problems: &'static [Kind],
}

const fn row(
    id: &'static str,
    method: &'static str,
    path: &'static str,
    access: Access,
    problems: &'static [Kind],
) -> Operation {
    Operation { id, method, path, access, problems }
}

/// Problems of a question with parameters.
const ASKED: &[Kind] = &[Kind::BadParameter];
/// Problems of a question about one thing.
const ONE: &[Kind] = &[Kind::BadParameter, Kind::NotFound];
/// Problems of a question that goes over all sites.
const TRACED: &[Kind] = &[Kind::BadParameter, Kind::NotFound, Kind::ForbiddenSite];
/// Problems of a list with parameters that goes over all sites.
const ASKED_OVER_SITES: &[Kind] = &[Kind::BadParameter, Kind::ForbiddenSite];
/// Problems of a list that goes over all sites.
const EVERY_SITE: &[Kind] = &[Kind::ForbiddenSite];
/// Problems of a question about people.
const NOBODYS: &[Kind] = &[Kind::NotFound, Kind::ForbiddenSite];
/// Problems of a question that needs a checkpoint made.
const PROVED: &[Kind] = &[Kind::BadParameter, Kind::NotFound, Kind::WriterStopped];
/// Problems of waiting.
const WAITED: &[Kind] = &[Kind::BadParameter, Kind::TooManyWaiting];
/// Problems of words that are deposited: those of a body and of naming whose they are.
const SENT: &[Kind] = &[
    Kind::ForbiddenOperator,
    Kind::UnsupportedMediaType,
    Kind::UnsupportedEncoding,
    Kind::BodyTooLarge,
    Kind::BodyTooSlow,
    Kind::BadEncoding,
    Kind::BadParameter,
    Kind::MalformedJson,
    Kind::WrongType,
    Kind::UnknownMember,
    Kind::MissingMember,
    Kind::InvalidValue,
];
/// Problems of sending events: those of a body, of the reading, of the rules and of the writer.
const RECORDED: &[Kind] = &[
    Kind::ForbiddenSite,
    Kind::ForbiddenOperator,
    Kind::SignInStale,
    Kind::UnsupportedMediaType,
    Kind::UnsupportedEncoding,
    Kind::BodyTooLarge,
    Kind::BodyTooSlow,
    Kind::BadEncoding,
    Kind::BadParameter,
    Kind::MalformedJson,
    Kind::WrongType,
    Kind::OwnedByTheLog,
    Kind::UnknownMember,
    Kind::MissingMember,
    Kind::UnknownEventType,
    Kind::InvalidValue,
    Kind::UnknownEntry,
    Kind::EntryIsVoid,
    Kind::NotAmendable,
    Kind::UnknownKey,
    Kind::BadSignature,
    Kind::IdReused,
    Kind::Stopped,
    Kind::BatchRefused,
    Kind::Busy,
    Kind::Unanswered,
    Kind::StorageFull,
    Kind::WriterStopped,
];
/// Problems of an answer that takes long.
const EXPORTED: &[Kind] =
    &[Kind::BadParameter, Kind::NotFound, Kind::TooManyWaiting, Kind::WriterStopped];
/// The same, of what goes over all sites.
const EXPORTED_OVER_SITES: &[Kind] = &[
    Kind::BadParameter,
    Kind::NotFound,
    Kind::ForbiddenSite,
    Kind::TooManyWaiting,
    Kind::WriterStopped,
];
/// Problems of taking everything away.
const TAKEN: &[Kind] = &[Kind::ForbiddenSite, Kind::TooManyWaiting, Kind::WriterStopped];
/// Problems of an answer that is recorded.
const ISSUED: &[Kind] = &[
    Kind::NotFound,
    Kind::UnsupportedMediaType,
    Kind::UnsupportedEncoding,
    Kind::BodyTooLarge,
    Kind::BodyTooSlow,
    Kind::BadEncoding,
    Kind::BadParameter,
    Kind::MalformedJson,
    Kind::WrongType,
    Kind::UnknownMember,
    Kind::MissingMember,
    Kind::InvalidValue,
    Kind::TooManyWaiting,
    Kind::Busy,
    Kind::Unanswered,
    Kind::StorageFull,
    Kind::WriterStopped,
];
/// The same, of what goes over all sites.
const ISSUED_OVER_SITES: &[Kind] = &[
    Kind::NotFound,
    Kind::ForbiddenSite,
    Kind::UnsupportedMediaType,
    Kind::UnsupportedEncoding,
    Kind::BodyTooLarge,
    Kind::BodyTooSlow,
    Kind::BadEncoding,
    Kind::BadParameter,
    Kind::MalformedJson,
    Kind::WrongType,
    Kind::UnknownMember,
    Kind::MissingMember,
    Kind::InvalidValue,
    Kind::TooManyWaiting,
    Kind::Busy,
    Kind::Unanswered,
    Kind::StorageFull,
    Kind::WriterStopped,
];
/// Problems of an erasure: those of a body and of the writer.
const ERASED: &[Kind] = &[
    Kind::NotFound,
    Kind::UnsupportedMediaType,
    Kind::UnsupportedEncoding,
    Kind::BodyTooLarge,
    Kind::BodyTooSlow,
    Kind::BadEncoding,
    Kind::BadParameter,
    Kind::MalformedJson,
    Kind::WrongType,
    Kind::UnknownMember,
    Kind::MissingMember,
    Kind::InvalidValue,
    Kind::Busy,
    Kind::Unanswered,
    Kind::StorageFull,
    Kind::WriterStopped,
];
/// Problems of a name that is deposited.
const IDENTIFIED: &[Kind] = &[
    Kind::NotFound,
    Kind::UnsupportedMediaType,
    Kind::UnsupportedEncoding,
    Kind::BodyTooLarge,
    Kind::BodyTooSlow,
    Kind::BadEncoding,
    Kind::MalformedJson,
    Kind::WrongType,
    Kind::UnknownMember,
    Kind::MissingMember,
    Kind::InvalidValue,
];
/// No problems of its own.
const NONE: &[Kind] = &[];

/// Every operation.
pub const OPERATIONS: &[Operation] = {
    use Access::{Public, Roles};
    &[
        row("recordEvents", "POST", "/v1/events", Roles(SENDERS), RECORDED),
        row("readFeed", "GET", "/v1/feed", Roles(READERS), WAITED),
        row("streamFeed", "GET", "/v1/feed/stream", Roles(READERS), WAITED),
        row("readEntry", "GET", "/v1/entries/{seq}", Roles(READERS), ONE),
        row("readStanding", "GET", "/v1/entries/{seq}/standing", Roles(READERS), ONE),
        row("proveEntry", "GET", "/v1/entries/{seq}/proof", Roles(EVERYONE), PROVED),
        row("proveConsistency", "GET", "/v1/proofs/consistency", Public, ASKED),
        row("readCheckpoint", "GET", "/log/checkpoint", Public, NONE),
        row("readKeys", "GET", "/log/keys", Public, NONE),
        row("readPolicy", "GET", "/log/policy", Public, NONE),
        row("readAnchors", "GET", "/v1/anchors", Roles(EVERYONE), NONE),
        row("readEntryTile", "GET", "/log/tile/entries/{index}", Roles(EVIDENCE), ONE),
        row("readHashTile", "GET", "/log/tile/{level}/{index}", Public, ONE),
        row("listFindings", "GET", "/v1/findings", Roles(READERS), ASKED),
        row("listCautions", "GET", "/v1/cautions", Roles(EVERYONE), NONE),
        row("readCatalogue", "GET", "/v1/catalogue", Roles(EVERYONE), NONE),
        row("listEquipment", "GET", "/v1/equipment", Roles(READERS), ASKED),
        row("readMachine", "GET", "/v1/equipment/{id}", Roles(READERS), ONE),
        row("readReadiness", "GET", "/v1/equipment/{id}/readiness", Roles(READERS), ONE),
        row("readHistory", "GET", "/v1/equipment/{id}/history", Roles(READERS), ONE),
        row("readScale", "GET", "/v1/equipment/{id}/scale", Roles(READERS), ONE),
        row("readPressure", "GET", "/v1/equipment/{id}/pressure", Roles(READERS), ONE),
        row("suggestPlan", "GET", "/v1/equipment/{id}/starter-plan", Roles(READERS), ONE),
        row("listDue", "GET", "/v1/due", Roles(READERS), ONE),
        row("listParts", "GET", "/v1/parts", Roles(READERS), EVERY_SITE),
        row("readPart", "GET", "/v1/parts/{serial}", Roles(READERS), TRACED),
        row("readPartLives", "GET", "/v1/part-lives", Roles(READERS), TRACED),
        row("readPartStock", "GET", "/v1/part-stock", Roles(READERS), TRACED),
        row("listDustSurveys", "GET", "/v1/dust", Roles(READERS), NONE),
        row("listExposures", "GET", "/v1/exposures", Roles(PEOPLE), NONE),
        row("listLots", "GET", "/v1/lots", Roles(READERS), NONE),
        row("readLot", "GET", "/v1/lots/{id}", Roles(READERS), ONE),
        row("listPlaces", "GET", "/v1/places", Roles(READERS), NONE),
        row("readPlace", "GET", "/v1/places/{kind}/{id}", Roles(READERS), ONE),
        row("balancePlace", "GET", "/v1/places/{kind}/{id}/balances", Roles(READERS), ONE),
        row("readBuild", "GET", "/v1/builds/{id}", Roles(READERS), ONE),
        row("balanceBuild", "GET", "/v1/builds/{id}/balance", Roles(READERS), ONE),
        row("balanceLot", "GET", "/v1/lots/{id}/balance", Roles(READERS), ONE),
        row("balanceBuilds", "GET", "/v1/balances/builds", Roles(READERS), TRACED),
        row("balanceSite", "GET", "/v1/sites/{site}/balances", Roles(READERS), ONE),
        row("readEconomy", "GET", "/v1/sites/{site}/economy", Roles(READERS), ONE),
        row("readSieve", "GET", "/v1/sieves/{serial}", Roles(READERS), ONE),
        row("drawSample", "GET", "/v1/samples", Roles(READERS), TRACED),
        row("drawTrace", "GET", "/v1/trace/picture", Roles(READERS), TRACED),
        row("traceBack", "GET", "/v1/trace/back", Roles(READERS), TRACED),
        row("traceForward", "GET", "/v1/trace/forward", Roles(READERS), TRACED),
        row("askImpact", "GET", "/v1/impact", Roles(READERS), TRACED),
        row("listContainers", "GET", "/v1/containers", Roles(READERS), ASKED),
        row("readContainer", "GET", "/v1/containers/{id}", Roles(READERS), ONE),
        row("printLabel", "GET", "/v1/containers/{id}/label", Roles(READERS), EXPORTED),
        row("listShipments", "GET", "/v1/shipments", Roles(READERS), NONE),
        row("readShipment", "GET", "/v1/shipments/{id}", Roles(READERS), ONE),
        row(
            "printCustodySheet",
            "GET",
            "/v1/shipments/{id}/custody-sheet",
            Roles(READERS),
            EXPORTED,
        ),
        row("listClocks", "GET", "/v1/clocks", Roles(READERS), ONE),
        row("listMonths", "GET", "/v1/months", Roles(READERS), ONE),
        row("listRetention", "GET", "/v1/retention", Roles(READERS), ONE),
        row("listKeptApart", "GET", "/v1/kept-apart", Roles(READERS), ONE),
        row("listRules", "GET", "/v1/rules", Roles(READERS), ONE),
        row("listPeople", "GET", "/v1/people", Roles(PEOPLE), NOBODYS),
        row("readPerson", "GET", "/v1/people/{id}", Roles(PEOPLE_AND_SELF), NOBODYS),
        row("listDeviations", "GET", "/v1/deviations", Roles(READERS), NONE),
        row("listActions", "GET", "/v1/actions", Roles(READERS), NONE),
        row("listHandovers", "GET", "/v1/handovers", Roles(READERS), NONE),
        row("listIncidents", "GET", "/v1/incidents", Roles(READERS), NONE),
        row("listKeys", "GET", "/v1/keys", Roles(PEOPLE), NONE),
        row("compileDisposalReport", "GET", "/v1/reports/disposal", Roles(OFFICE), EXPORTED),
        row("compileMaintenanceReport", "GET", "/v1/reports/maintenance", Roles(OFFICE), EXPORTED),
        row("compileLotReport", "GET", "/v1/reports/lots/{id}", Roles(OFFICE), EXPORTED_OVER_SITES),
        row("issueDisposalReport", "POST", "/v1/reports/disposal", Roles(ISSUERS), ISSUED),
        row("issueMaintenanceReport", "POST", "/v1/reports/maintenance", Roles(ISSUERS), ISSUED),
        row("issueLotReport", "POST", "/v1/reports/lots/{id}", Roles(ISSUERS), ISSUED_OVER_SITES),
        row("listReports", "GET", "/v1/reports", Roles(REPORTS), NONE),
        row("readReport", "GET", "/v1/reports/{digest}", Roles(REPORTS), ONE),
        row("takeEvidence", "GET", "/v1/evidence", Roles(EVIDENCE), TAKEN),
        row("takeExcerpt", "GET", "/v1/excerpt", Roles(OFFICE), EXPORTED),
        row("proveReportLine", "GET", "/v1/reports/{digest}/excerpt", Roles(OFFICE), EXPORTED),
        row("depositText", "POST", "/v1/texts", Roles(SENDERS), SENT),
        row("openText", "GET", "/v1/texts/{digest}", Roles(WORDS), ONE),
        row("eraseText", "POST", "/v1/texts/{digest}/erasure", Roles(ERASERS), ERASED),
        row("keepIdentity", "PUT", "/v1/people/{id}/identity", Roles(ENROLLERS), IDENTIFIED),
        row("readIdentity", "GET", "/v1/people/{id}/identity", Roles(WORDS), &[Kind::NotFound]),
        row("erasePerson", "POST", "/v1/people/{id}/erasure", Roles(ERASERS), ERASED),
        row("listLogs", "GET", "/v1/logs", Roles(OFFICE), EVERY_SITE),
        row("listDueEverywhere", "GET", "/v1/logs/due", Roles(OFFICE), ASKED_OVER_SITES),
        row("listClocksEverywhere", "GET", "/v1/logs/clocks", Roles(OFFICE), ASKED_OVER_SITES),
        row("listFindingsEverywhere", "GET", "/v1/logs/findings", Roles(OFFICE), ASKED_OVER_SITES),
        row("findLotEverywhere", "GET", "/v1/logs/lots/{id}", Roles(OFFICE), TRACED),
        row("readFollowedEntry", "GET", "/v1/logs/{log}/entries/{seq}", Roles(OFFICE), TRACED),
        row(
            "proveFollowedEntry",
            "GET",
            "/v1/logs/{log}/entries/{seq}/proof",
            Roles(OFFICE),
            TRACED,
        ),
        row("listWebhooks", "GET", "/v1/webhooks", Roles(KEEPERS), NONE),
        row(
            "listDeadLetters",
            "GET",
            "/v1/webhooks/{name}/dead-letters",
            Roles(KEEPERS),
            &[Kind::NotFound],
        ),
        row(
            "retryDeadLetter",
            "POST",
            "/v1/webhooks/{name}/dead-letters/{seq}/retry",
            Roles(KEEPERS),
            ONE,
        ),
        row(
            "resumeWebhook",
            "POST",
            "/v1/webhooks/{name}/resume",
            Roles(KEEPERS),
            &[Kind::NotFound],
        ),
        row("readWebhookKeys", "GET", "/.well-known/jwks.json", Public, NONE),
        row("live", "GET", "/healthz", Public, NONE),
        row("ready", "GET", "/readyz", Public, &[Kind::WriterStopped]),
        row("readMetrics", "GET", "/metrics", Roles(WATCHERS), NONE),
    ]
};

/// Operations that tell of people, of their words, of what they were exposed to, or of waste: every
/// reading is noted; see [`Recorder::note_reading`](crate::app::Recorder::note_reading). The same holds for
/// the pages that are marked so.
const NOTED: &[&str] = &[
    "compileDisposalReport",
    "listClocks",
    "listContainers",
    "listExposures",
    "listMonths",
    "listPeople",
    "listReports",
    "listRetention",
    "listShipments",
    "openText",
    "printCustodySheet",
    "printLabel",
    "proveReportLine",
    "readContainer",
    "readIdentity",
    "readPerson",
    "readReport",
    "readShipment",
    "takeEvidence",
    "takeExcerpt",
];

impl Operation {
    /// Whether every reading is noted.
    pub fn is_noted(&self) -> bool {
        NOTED.contains(&self.id)
    }

    /// The operation with this id.
    pub fn by_id(id: &str) -> Option<&'static Self> {
        OPERATIONS.iter().find(|operation| operation.id == id)
    }

    /// The operation behind a method and a path template.
    pub fn find(method: &Method, template: &str) -> Option<&'static Self> {
        Self::find_by(method.as_str(), template)
    }

    /// The operation behind the name of a method and a path template.
    pub fn find_by(method: &str, template: &str) -> Option<&'static Self> {
        OPERATIONS.iter().find(|operation| operation.method == method && operation.path == template)
    }

    /// Every problem it can answer with, in the order of the table.
    pub fn all_problems(&self) -> Vec<Kind> {
        const SIGNED_IN: &[Kind] =
            &[Kind::Unauthenticated, Kind::RateLimited, Kind::Forbidden, Kind::PersonLeft];
        let shared = if self.access == Access::Public { &[] } else { SIGNED_IN };
        TABLE
            .iter()
            .map(|row| row.kind)
            .filter(|kind| {
                *kind == Kind::Internal || shared.contains(kind) || self.problems.contains(kind)
            })
            .collect()
    }

    /// The methods of a path template, as for `Allow`; empty if it has none.
    pub fn methods(template: &str) -> Vec<&'static str> {
        let mut methods: Vec<&str> =
            OPERATIONS.iter().filter(|o| o.path == template).map(|o| o.method).collect();
        if methods.contains(&"GET") {
            methods.push("HEAD");
        }
        methods
    }

    /// Whether these roles have the right.
    pub fn allows(&self, roles: &[Role]) -> bool {
        match self.access {
            Access::Public => true,
            Access::Roles(allowed) => roles.iter().any(|role| allowed.contains(role)),
        }
    }

    /// Checks the right of somebody who is signed in.
    ///
    /// # Errors
    /// [`Kind::Forbidden`].
    pub fn demand(&self, who: &Identity) -> Result<()> {
        if self.allows(&who.roles) {
            return Ok(());
        }
        let detail = format!("operation `{}` needs another role than {}", self.id, words(who));
        Err(Problem::new(Kind::Forbidden, detail))
    }
}

fn words(who: &Identity) -> String {
    if who.roles.is_empty() {
        return "none".to_owned();
    }
    let words: Vec<String> = who.roles.iter().map(|role| format!("`{role}`")).collect();
    words.join(", ")
}

/// Checks that this token may record this event: the role has the right to the type, the site is
/// one of the token's, and only a service names another person.
///
/// # Errors
/// [`Kind::UnknownEventType`] for types that only the log records, [`Kind::Forbidden`],
/// [`Kind::ForbiddenSite`], [`Kind::ForbiddenOperator`].
pub fn may_record(who: &Identity, envelope: &Envelope, kind: &EventKind) -> Result<()> {
    if kind.origin == catalogue::Origin::Log {
        let detail = format!("`{}` is recorded by the log itself and never sent", kind.name);
        return Err(Problem::new(Kind::UnknownEventType, detail).at("/type"));
    }
    if !who.roles.iter().any(|role| kind.roles.contains(role)) {
        let detail = format!("event `{}` needs another role than {}", kind.name, words(who));
        return Err(Problem::new(Kind::Forbidden, detail).at("/type"));
    }
    if let Some(site) = &envelope.site
        && !who.may_see(Some(site))
    {
        let detail = format!("the token is not for site `{site}`");
        return Err(Problem::new(Kind::ForbiddenSite, detail).at("/site"));
    }
    match &envelope.operator {
        Some(operator) if !who.is_service() && operator.as_str() != who.subject => {
            let detail = "only a service posts for another person";
            Err(Problem::new(Kind::ForbiddenOperator, detail).at("/operator"))
        }
        Some(_) | None => Ok(()),
    }
}

/// Checks that somebody may read names and free text.
///
/// # Errors
/// [`Kind::Forbidden`].
pub fn may_see_names(who: &Identity) -> Result<()> {
    if who.roles.iter().any(|role| WORDS.contains(role)) {
        return Ok(());
    }
    Err(Problem::new(Kind::Forbidden, format!("names need another role than {}", words(who))))
}

/// Checks that whoever signs an entry signed in just now: a session that somebody left open signs
/// nothing. Source: 21 CFR 11.200(a)(1), two components at signing. At the pages a signature asks
/// for badge and PIN itself; elsewhere the identity provider asks, and its token says when and, where
/// that is configured, how.
///
/// # Errors
/// [`Kind::SignInStale`].
pub fn may_sign(who: &Identity, kind: &EventKind, config: &AuthConfig, now_s: i64) -> Result<()> {
    if kind.name != "entry.signed" {
        return Ok(());
    }
    let within_s = config.sign_within_s;
    let stale = |detail: String, wanted: String| {
        Err(Problem { sign_in: Some(wanted.into()), ..Problem::new(Kind::SignInStale, detail) })
    };
    if who.signed_in_s.is_none_or(|at| now_s.saturating_sub(at) > i64::from(within_s)) {
        let detail = format!("a signature needs a sign-in at most {within_s} s ago");
        return stale(detail, format!("max_age={within_s}"));
    }
    let strong = config.sign_acr.is_empty()
        || who.via == Via::Badge
        || who.acr.as_ref().is_some_and(|acr| config.sign_acr.contains(acr));
    if strong {
        return Ok(());
    }
    let classes = config.sign_acr.join(" ");
    let detail = format!("a signature needs a sign-in of class `{classes}`");
    stale(detail, format!("acr_values=\"{classes}\""))
}

/// Checks that a token may see something of this site. The answer is the same as for something
/// that is not there.
///
/// # Errors
/// [`Kind::NotFound`].
pub fn may_see(who: &Identity, site: Option<&Label>) -> Result<()> {
    if who.may_see(site) { Ok(()) } else { Err(Problem::not_found()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_noted_is_an_operation() {
        for id in NOTED {
            assert!(Operation::by_id(id).is_some(), "{id}");
        }
    }
}
