//! What a machine is told when nothing was taken: RFC 9457 problem details, with the types of the
//! recorder (`urn:pulverlog:problem:..`) where it would say the same.

use actix_web::http::{StatusCode, header};
use actix_web::{HttpResponse, HttpResponseBuilder, ResponseError};
use chain::canon::CanonError;
use serde::Serialize;

pub use edge::problem::{MEDIA_TYPE, TYPE_PREFIX, echo};

macro_rules! kinds {
    ($($kind:ident $code:literal $status:literal $title:literal)+) => {
        /// Every kind of problem of the relay.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Kind { $(#[doc = $title] $kind),+ }

        impl Kind {
            /// Every kind.
            pub const ALL: &[Self] = &[$(Self::$kind),+];

            /// Last part of the type URI.
            pub const fn code(self) -> &'static str {
                match self { $(Self::$kind => $code),+ }
            }

            /// The HTTP status.
            pub const fn status(self) -> u16 {
                match self { $(Self::$kind => $status),+ }
            }

            /// The same for every occurrence.
            pub const fn title(self) -> &'static str {
                match self { $(Self::$kind => $title),+ }
            }
        }
    };
}

kinds! {
    NotFound "not-found" 404 "Not found"
    Unauthenticated "unauthenticated" 401 "Not signed in"
    ForbiddenSource "forbidden-source" 403 "Not a source of this client"
    UnsupportedMediaType "unsupported-media-type" 415 "Media type not understood"
    UnsupportedEncoding "unsupported-encoding" 415 "Content encoding not understood"
    BodyTooLarge "body-too-large" 413 "Body too large"
    BodyTooSlow "body-too-slow" 408 "Body too slow"
    BadEncoding "bad-encoding" 400 "Broken body"
    BadParameter "bad-parameter" 400 "Bad parameter"
    MalformedJson "malformed-json" 400 "Not JSON of the profile"
    WrongType "wrong-type" 422 "Wrong JSON type"
    MissingMember "missing-member" 422 "Member missing"
    InvalidValue "invalid-value" 422 "Invalid value"
    BatchRefused "batch-refused" 409 "Not taken with its batch"
    SpoolFull "spool-full" 503 "The spool is full"
    StorageFull "storage-full" 507 "No room"
    SpoolBroken "spool-broken" 503 "The relay takes no events"
    Internal "internal" 500 "Fault in the service"
}

/// One occurrence.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Which.
    pub kind: Kind,
    /// What exactly, for people.
    pub detail: String,
    /// JSON pointer to the member at fault.
    pub pointer: Option<String>,
    /// Header or query parameter at fault.
    pub parameter: Option<String>,
    /// Finer code.
    pub reason: Option<&'static str>,
    /// Seconds to wait.
    pub retry_after_s: Option<u32>,
}

/// A problem as sent.
#[derive(Debug, Serialize)]
pub struct ProblemBody<'p> {
    #[serde(rename = "type")]
    type_uri: String,
    title: &'static str,
    status: u16,
    detail: &'p str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pointer: Option<&'p str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    parameter: Option<&'p str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    reason: Option<&'static str>,
}

impl Problem {
    /// A problem with nothing but its detail.
    pub fn new(kind: Kind, detail: impl Into<String>) -> Self {
        let detail = detail.into();
        Self { kind, detail, pointer: None, parameter: None, reason: None, retry_after_s: None }
    }

    /// Names the member at fault.
    #[must_use]
    pub fn at(mut self, pointer: impl Into<String>) -> Self {
        self.pointer = Some(pointer.into());
        self
    }

    /// Puts the member at fault below another.
    #[must_use]
    pub fn below(mut self, parent: &str) -> Self {
        self.pointer = self.pointer.map(|pointer| format!("{parent}{pointer}"));
        self
    }

    /// A parameter that is wrong.
    pub fn parameter(name: &str, detail: impl Into<String>) -> Self {
        let mut problem = Self::new(Kind::BadParameter, detail);
        problem.parameter = Some(name.to_owned());
        problem
    }

    /// Asks the client to wait.
    #[must_use]
    pub fn retry_after(mut self, seconds: u32) -> Self {
        self.retry_after_s = Some(seconds);
        self
    }

    /// The form that is sent.
    pub fn body(&self) -> ProblemBody<'_> {
        ProblemBody {
            type_uri: format!("{TYPE_PREFIX}{}", self.kind.code()),
            title: self.kind.title(),
            status: self.kind.status(),
            detail: &self.detail,
            pointer: self.pointer.as_deref(),
            parameter: self.parameter.as_deref(),
            reason: self.reason,
        }
    }
}

impl std::fmt::Display for Problem {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: {}", self.kind.code(), self.detail)
    }
}

impl std::error::Error for Problem {}

impl ResponseError for Problem {
    fn status_code(&self) -> StatusCode {
        StatusCode::from_u16(self.kind.status()).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR)
    }

    fn error_response(&self) -> HttpResponse {
        let mut response = HttpResponseBuilder::new(self.status_code());
        response.insert_header((header::CONTENT_TYPE, MEDIA_TYPE));
        response.insert_header((header::CACHE_CONTROL, "no-store"));
        if let Some(seconds) = self.retry_after_s {
            response.insert_header((header::RETRY_AFTER, seconds.to_string()));
        }
        if self.kind == Kind::Unauthenticated {
            response.insert_header((header::WWW_AUTHENTICATE, "Bearer"));
        }
        response.body(serde_json::to_vec(&self.body()).unwrap_or_default())
    }
}

impl From<CanonError> for Problem {
    fn from(error: CanonError) -> Self {
        let too_long = edge::problem::is_too_long(&error);
        let kind = if too_long { Kind::BodyTooLarge } else { Kind::MalformedJson };
        let mut problem = Self::new(kind, error.to_string()).at(error.pointer.clone());
        problem.reason = Some(error.code());
        problem
    }
}
