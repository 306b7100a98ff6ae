//! What a client is told when something goes wrong: RFC 9457 problem details.
//!
//! [`TABLE`] holds every type once, in the order in which they are checked: if several apply, the
//! first is returned. A type, its status and its meaning never change once released; new ones may
//! be added. `detail` is for people and may be reworded; programs use `type` and `pointer`.

use std::fmt;

use actix_web::http::{StatusCode, header};
use actix_web::{HttpResponse, HttpResponseBuilder, ResponseError};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use edge::problem::{MEDIA_TYPE, TYPE_PREFIX, echo};

/// One row of the table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Row {
    /// The kind.
    pub kind: Kind,
    /// Last part of the type URI; never changes.
    pub code: &'static str,
    /// HTTP status.
    pub status: u16,
    /// Short title, the same for every occurrence.
    pub title: &'static str,
    /// When it is returned.
    pub when: &'static str,
    /// What the client does about it.
    pub action: &'static str,
}

macro_rules! problems {
    ($($kind:ident $code:literal $status:literal $title:literal, when $when:literal, do $action:literal;)+) => {
        /// Every kind of problem.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub enum Kind { $(#[doc = $when] $kind),+ }

        /// Every kind of problem, in the order in which they are checked.
        pub const TABLE: &[Row] = &[$(Row {
            kind: Kind::$kind, code: $code, status: $status, title: $title, when: $when, action: $action,
        }),+];

        impl Kind {
            /// The row of the table.
            pub const fn row(self) -> &'static Row {
                &TABLE[self as usize]
            }
        }
    };
}

problems! {
    NotFound "not-found" 404 "Not found",
        when "nothing is there, or nothing that this token may see",
        do "check the address and the sites of the token";
    MethodNotAllowed "method-not-allowed" 405 "Method not allowed",
        when "the address exists but not with this method; `Allow` lists those it has",
        do "use a listed method";
    Unauthenticated "unauthenticated" 401 "Not signed in",
        when "there is no bearer token, or it is not one this log accepts; the reason is not told",
        do "get a new token from the issuer";
    RateLimited "rate-limited" 429 "Too many requests",
        when "this client sends faster than it may",
        do "wait as `Retry-After` says and send events in batches";
    Forbidden "forbidden" 403 "No right to do this",
        when "no role of the token has the right to the operation or to this type of event",
        do "ask for the role, or let a person who has it do it";
    ForbiddenSite "forbidden-site" 403 "Not your site",
        when "the token is not for this site",
        do "use a token for the site";
    ForbiddenOperator "forbidden-operator" 403 "Not in another person's name",
        when "a person names somebody else in `operator`; only services post for people",
        do "leave `operator` out";
    PersonLeft "person-left" 403 "The person has left",
        when "the record says that the token's person has left; an event that a service posts for such a person is kept and becomes a finding",
        do "ask the lead to enrol the person again";
    SignInStale "sign-in-stale" 401 "Sign in again to sign",
        when "an entry is signed with a token whose person signed in too long ago, or not in the way this log asks for; `WWW-Authenticate` says how long ago it may be, or how (RFC 9470)",
        do "let the person sign in again, and send the same event with the new token";
    UnsupportedMediaType "unsupported-media-type" 415 "Media type not understood",
        when "`Content-Type` is none of those of the operation",
        do "send one of the media types of the description";
    UnsupportedEncoding "unsupported-encoding" 415 "Content encoding not understood",
        when "`Content-Encoding` is neither absent nor `gzip`",
        do "send the body plain or with gzip";
    BodyTooLarge "body-too-large" 413 "Body too large",
        when "the body, an event or the number of events in a batch is over its limit, also after decompression",
        do "send less at a time";
    BodyTooSlow "body-too-slow" 408 "Body too slow",
        when "the body did not arrive in time",
        do "send it again with the same id";
    BadEncoding "bad-encoding" 400 "Broken body",
        when "the body ended early or is no valid gzip",
        do "send it again with the same id";
    BadParameter "bad-parameter" 400 "Bad parameter",
        when "a path, query or header parameter is missing, unknown, twice or not of its form",
        do "correct the parameter that `parameter` names";
    MalformedJson "malformed-json" 400 "Not JSON of the profile",
        when "the body is no JSON, or holds what two readers may read differently: duplicate members, fractions, exponents, integers beyond 2^53 - 1, lone surrogates, nesting too deep; `reason` tells which",
        do "correct the place that `pointer` and the byte offset name";
    WrongType "wrong-type" 422 "Wrong JSON type",
        when "a member has another JSON type than it must have",
        do "correct the member that `pointer` names";
    OwnedByTheLog "owned-by-the-log" 422 "Set by the log",
        when "a member is sent that only the log sets, such as `seq` or `recorded_at`",
        do "leave the member out";
    UnknownMember "unknown-member" 422 "Unknown member",
        when "a member is sent that this type does not have; nothing is dropped silently",
        do "leave the member out, or correct its name";
    MissingMember "missing-member" 422 "Member missing",
        when "a member that must be there is not",
        do "add the member";
    UnknownEventType "unknown-event-type" 422 "Unknown type of event",
        when "`type` is none of the catalogue, or one that only the log records",
        do "see `/v1/catalogue`";
    InvalidValue "invalid-value" 422 "Invalid value",
        when "a member's value is not of the form it must have, for example a wrong unit",
        do "correct the member that `pointer` names";
    UnknownEntry "unknown-entry" 422 "No such entry",
        when "the event is about an entry that does not exist",
        do "correct the sequence number";
    EntryIsVoid "entry-is-void" 422 "The entry is void",
        when "the entry to be amended was declared void",
        do "record what happened as a new event";
    NotAmendable "not-amendable" 422 "Cannot be amended",
        when "the entry to be amended is a correction, a signature or an entry of the log itself",
        do "amend the entry it is about";
    UnknownKey "unknown-key" 422 "Unknown key",
        when "the client signature names a key that is not enrolled, or no longer",
        do "have the key enrolled first";
    BadSignature "bad-signature" 422 "Signature does not fit",
        when "the client signature is not the named key's signature of the event's canonical bytes",
        do "sign the canonical form, with the log's origin";
    IdReused "id-reused" 409 "Id used for another event",
        when "an event with this `source` and `id` but other content is recorded already; `seq` names it",
        do "give the new event an id of its own";
    Stopped "stopped" 409 "Stopped by a rule",
        when "strict handling was asked for and the event breaks a rule that stops; `findings` lists them",
        do "do the work right, or send the event without strict handling and open a deviation";
    BatchRefused "batch-refused" 409 "Not recorded with its batch",
        when "another event of a batch that is recorded as a whole or not at all was refused",
        do "correct or take out that event and send the batch again";
    TooManyWaiting "too-many-waiting" 503 "Too many long requests",
        when "as many requests wait for news, or take reports or evidence away, as may",
        do "ask again as `Retry-After` says";
    Busy "busy" 503 "Busy",
        when "the writer's queue is full; nothing was written",
        do "send again with the same id as `Retry-After` says";
    Unanswered "unanswered" 503 "No answer from the writer in time",
        when "the writer did not answer in time; the event may or may not be recorded",
        do "send again with the same id: it is never recorded twice";
    NotCopied "not-copied" 503 "Not at the second copy in time",
        when "the event is recorded here, but a copy that receipts wait for does not stand yet",
        do "send again with the same id: it gets its receipt once the copy stands";
    StorageFull "storage-full" 507 "No room",
        when "the disk of the log is full; nothing was written",
        do "tell the operator; send again with the same id later";
    WriterStopped "writer-stopped" 503 "The log takes no entries",
        when "the log is open for reading only, after an error or while stopping",
        do "tell the operator; send again with the same id later";
    Internal "internal" 500 "Fault in the service",
        when "something failed that should not; the program log has the cause under `instance`",
        do "tell the operator the `instance`; send again with the same id";
}

impl Kind {
    /// The kind of a refusal by the reading or the rules of the shop floor.
    pub fn of_refusal(code: &str) -> Self {
        let row = TABLE.iter().find(|row| row.code == code && row.status == 422);
        match (row, code) {
            (Some(row), _) => row.kind,
            (None, "not-an-object") => Self::WrongType,
            (None, _) => Self::InvalidValue,
        }
    }

    /// Whether the answer says how long to wait.
    pub fn waits(self) -> bool {
        matches!(
            self,
            Self::RateLimited
                | Self::TooManyWaiting
                | Self::Busy
                | Self::Unanswered
                | Self::NotCopied
                | Self::StorageFull
                | Self::WriterStopped
        )
    }

    /// The HTTP status.
    pub fn status(self) -> StatusCode {
        StatusCode::from_u16(self.row().status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR)
    }

    /// The type URI.
    pub fn type_uri(self) -> String {
        format!("{TYPE_PREFIX}{}", self.row().code)
    }
}

/// One occurrence of a problem. Becomes an answer by [`ResponseError`].
#[derive(Debug, Clone, PartialEq)]
pub struct Problem {
    /// Which.
    pub kind: Kind,
    /// What exactly, for people.
    pub detail: String,
    /// JSON pointer to the member at fault.
    pub pointer: Option<String>,
    /// Parameter at fault.
    pub parameter: Option<String>,
    /// Finer code, for example `duplicate-member`.
    pub reason: Option<&'static str>,
    /// Entry that is in the way.
    pub seq: Option<u64>,
    /// Findings that stopped the event.
    pub findings: Vec<crate::api::wire::FindingView>,
    /// Seconds to wait.
    pub retry_after_s: Option<u32>,
    /// Methods the address has.
    pub allow: Option<String>,
    /// What another sign-in must be like, as attributes of the challenge (RFC 9470 section 3).
    pub sign_in: Option<Box<str>>,
}

/// A problem as sent (RFC 9457 section 3.1, with extension members).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Problem")]
pub struct ProblemBody {
    /// Type URI: what programs compare.
    #[serde(rename = "type")]
    pub type_uri: String,
    /// Title of the type.
    pub title: String,
    /// HTTP status, repeated.
    pub status: u16,
    /// What exactly, for people.
    pub detail: String,
    /// The request, as the program log knows it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub instance: Option<String>,
    /// JSON pointer (RFC 6901) to the member at fault, from the root of the event.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pointer: Option<String>,
    /// Name of the path, query or header parameter at fault.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub parameter: Option<String>,
    /// Finer code of the reason, for example `duplicate-member`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// Entry that is in the way.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub seq: Option<u64>,
    /// Findings that stopped the event.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<crate::api::wire::FindingView>,
}

/// Shorthand for handlers.
pub type Result<T, E = Problem> = std::result::Result<T, E>;

impl Problem {
    /// A problem with nothing but its detail.
    pub fn new(kind: Kind, detail: impl Into<String>) -> Self {
        Self {
            kind,
            detail: detail.into(),
            pointer: None,
            parameter: None,
            reason: None,
            seq: None,
            findings: Vec::new(),
            retry_after_s: None,
            allow: None,
            sign_in: None,
        }
    }

    /// Names the member at fault.
    #[must_use]
    pub fn at(mut self, pointer: impl Into<String>) -> Self {
        self.pointer = Some(pointer.into());
        self
    }

    /// Asks the client to wait.
    #[must_use]
    pub fn retry_after(mut self, seconds: u32) -> Self {
        self.retry_after_s = Some(seconds);
        self
    }

    /// A parameter that is wrong.
    pub fn parameter(name: &str, detail: impl Into<String>) -> Self {
        let mut problem = Self::new(Kind::BadParameter, detail);
        problem.parameter = Some(name.to_owned());
        problem
    }

    /// Nothing there. The same words for "not there" and "not yours".
    pub fn not_found() -> Self {
        Self::new(Kind::NotFound, "nothing is there that this token may see")
    }

    /// A fault of ours. The cause goes to the program log, never to the client.
    pub fn internal(cause: &(dyn std::error::Error + 'static)) -> Self {
        let causes: Vec<String> = std::iter::successors(Some(cause), |error| error.source())
            .map(ToString::to_string)
            .collect();
        tracing::error!(cause = causes.join(": "), "a request failed");
        Self::new(Kind::Internal, "the service failed; the operator finds the cause in its log")
    }

    /// The body, with the request's id.
    pub fn body(&self, instance: Option<String>) -> ProblemBody {
        let row = self.kind.row();
        ProblemBody {
            type_uri: self.kind.type_uri(),
            title: row.title.to_owned(),
            status: row.status,
            detail: self.detail.clone(),
            instance,
            pointer: self.pointer.clone(),
            parameter: self.parameter.clone(),
            reason: self.reason.map(str::to_owned),
            seq: self.seq,
            findings: self.findings.clone(),
        }
    }

    /// The whole answer.
    pub fn respond(&self, instance: Option<String>) -> HttpResponse {
        let mut response = HttpResponseBuilder::new(self.kind.status());
        response.insert_header((header::CONTENT_TYPE, MEDIA_TYPE));
        response.insert_header((header::X_CONTENT_TYPE_OPTIONS, "nosniff"));
        response.insert_header((header::CACHE_CONTROL, "no-store"));
        if let Some(seconds) = self.retry_after_s {
            response.insert_header((header::RETRY_AFTER, seconds.to_string()));
        }
        if let Some(allow) = &self.allow {
            response.insert_header((header::ALLOW, allow.clone()));
        }
        if self.kind == Kind::Unauthenticated {
            // RFC 6750 section 3; no error code, so that a guesser learns nothing.
            response.insert_header((header::WWW_AUTHENTICATE, "Bearer"));
        }
        if let Some(wanted) = &self.sign_in {
            let challenge = format!("Bearer error=\"insufficient_user_authentication\", {wanted}");
            response.insert_header((header::WWW_AUTHENTICATE, challenge));
        }
        response.body(serde_json::to_vec(&self.body(instance)).unwrap_or_default())
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.kind.row().code, self.detail)
    }
}

impl std::error::Error for Problem {}

impl ResponseError for Problem {
    fn status_code(&self) -> StatusCode {
        self.kind.status()
    }

    fn error_response(&self) -> HttpResponse {
        // The gate writes the answer again with the request's id; see `http::gate`.
        self.respond(None)
    }
}

impl From<shopfloor::Refusal> for Problem {
    fn from(refusal: shopfloor::Refusal) -> Self {
        Self::new(Kind::of_refusal(refusal.code), refusal.detail).at(refusal.pointer)
    }
}

impl From<chain::canon::CanonError> for Problem {
    fn from(error: chain::canon::CanonError) -> Self {
        let too_long = edge::problem::is_too_long(&error);
        let kind = if too_long { Kind::BodyTooLarge } else { Kind::MalformedJson };
        let mut problem = Self::new(kind, error.to_string()).at(error.pointer.clone());
        problem.reason = Some(error.code());
        problem
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_is_indexed_by_its_kinds_and_has_no_code_twice() {
        let mut codes = std::collections::BTreeSet::new();
        for row in TABLE {
            assert_eq!(row.kind.row(), row);
            assert!(codes.insert(row.code), "{}", row.code);
            assert!((400..=599).contains(&row.status), "{}", row.code);
            assert!(row.code.bytes().all(|b| b.is_ascii_lowercase() || b == b'-'));
        }
    }
}
