//! Who may do what: one table of operations, the event catalogue for types of event, and sites.
//!
//! Nothing is allowed that does not stand here: an address under `/v1` or `/log` without a row is
//! not found, and a row without the role refuses. The API description is generated from the
//! handlers; a test compares it with this table in both directions.

use actix_web::http::Method;
use shopfloor::catalogue::EventKind;
use shopfloor::ids::Label;
use shopfloor::people::events::Role;
use shopfloor::{Envelope, catalogue};

use crate::authn::Identity;
use crate::problem::{Kind, Problem, Result};

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
/// Those who may read free text, which may hold personal data.
const WORDS: &[Role] = &[Lead, Quality, Ehs];
/// Those whom reports are for.
const REPORTS: &[Role] = &[Lead, Quality, Ehs, Auditor, Authority];
/// Those who take the whole record away.
const EVIDENCE: &[Role] = &[Quality, Auditor];
/// Those who watch the service.
const WATCHERS: &[Role] = &[Admin, Service];

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
}

const fn get(id: &'static str, path: &'static str, roles: &'static [Role]) -> Operation {
    Operation { id, method: "GET", path, access: Access::Roles(roles) }
}
const fn post(id: &'static str, path: &'static str, roles: &'static [Role]) -> Operation {
    Operation { id, method: "POST", path, access: Access::Roles(roles) }
}
const fn public(id: &'static str, path: &'static str) -> Operation {
    Operation { id, method: "GET", path, access: Access::Public }
}

/// Every operation.
pub const OPERATIONS: &[Operation] = &[
    post("recordEvents", "/v1/events", SENDERS),
    get("readEntry", "/v1/entries/{seq}", READERS),
    get("proveEntry", "/v1/entries/{seq}/proof", EVERYONE),
    public("proveConsistency", "/v1/proofs/consistency"),
    public("readCheckpoint", "/log/checkpoint"),
    get("readEntryTile", "/log/tile/entries/{index}", EVIDENCE),
    public("readHashTile", "/log/tile/{level}/{index}"),
    public("live", "/healthz"),
    public("ready", "/readyz"),
    get("readMetrics", "/metrics", WATCHERS),
];

impl Operation {
    /// The operation with this id.
    pub fn by_id(id: &str) -> Option<&'static Self> {
        OPERATIONS.iter().find(|operation| operation.id == id)
    }

    /// The operation behind a method and a path template.
    pub fn find(method: &Method, template: &str) -> Option<&'static Self> {
        OPERATIONS
            .iter()
            .find(|operation| operation.method == method.as_str() && operation.path == template)
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

/// Checks that a token may see something of this site. The answer is the same as for something
/// that is not there.
///
/// # Errors
/// [`Kind::NotFound`].
pub fn may_see(who: &Identity, site: Option<&Label>) -> Result<()> {
    if who.may_see(site) { Ok(()) } else { Err(Problem::not_found()) }
}
