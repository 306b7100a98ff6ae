//! The keys that the log was told of: whose they are, who stands for them, what is suspect.

use actix_web::{get, web};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use shopfloor::record::keys::{EnrolledKey, Revocation, TwoPeople};

use super::answers::{lists, stamp};
use crate::app::{Caller, Recorder};
use crate::problem::Result;

/// Two people and the entries by which they stand for something.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "KeyDecision")]
pub struct DecisionView {
    /// Entry of who asked.
    pub entry: u64,
    /// Who asked, by pseudonym.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// Who is to confirm, by pseudonym.
    pub approver: String,
    /// Entry by which that person confirmed; left out while nobody has.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub approved_in: Option<u64>,
}

/// How a key ended.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "KeyRevocation")]
pub struct RevocationView {
    /// Who stands for it. It counts at once, confirmed or not.
    #[serde(flatten)]
    pub decision: DecisionView,
    /// Why: a code, or a note that the words are kept outside the log.
    pub reason: String,
    /// First entry that is suspect: what was signed with the key from there on is looked at again.
    pub suspect_from: u64,
}

/// A key of a terminal or client system, or of the next log.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "EnrolledKey")]
pub struct KeyView {
    /// The key as enrolled (C2SP vkey): name, key id, base64.
    pub key: String,
    /// `client`: it signs events; `log`: it signs the next log.
    pub usage: String,
    /// Whose it is: a person or a system.
    pub owner: String,
    /// Whether what is signed with it counts now.
    pub in_force: bool,
    /// Who enrolled it, and who confirmed that.
    pub enrolled: DecisionView,
    /// How it ended.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub revoked: Option<RevocationView>,
}

impl From<&TwoPeople> for DecisionView {
    fn from(people: &TwoPeople) -> Self {
        Self {
            entry: people.seq,
            by: people.by.as_ref().map(ToString::to_string),
            approver: people.approver.to_string(),
            approved_in: people.approved_in,
        }
    }
}

impl From<&Revocation> for RevocationView {
    fn from(revoked: &Revocation) -> Self {
        Self {
            decision: (&revoked.people).into(),
            reason: revoked.reason.to_string(),
            suspect_from: revoked.suspect_from,
        }
    }
}

impl From<&EnrolledKey> for KeyView {
    fn from(key: &EnrolledKey) -> Self {
        Self {
            key: key.key.clone(),
            usage: key.usage.to_string(),
            owner: key.owner.to_string(),
            in_force: key.is_in_force(),
            enrolled: (&key.enrolled).into(),
            revoked: key.revoked.as_ref().map(Into::into),
        }
    }
}

lists! {
    /// Keys that the log was told of, in the order of their enrolment.
    KeyList of KeyView;
}

/// List the keys of terminals and client systems
///
/// Enrolled by one person, in force once the second has confirmed, revoked at once. Nothing signed
/// with a revoked key is dropped: `suspect_from` says from which entry on it is to be looked at again.
/// The keys that count now stand in `/log/keys` too.
#[utoipa::path(
    operation_id = "listKeys", tag = "log",
    responses((status = 200, description = "Keys.", body = KeyList)),
)]
#[get("/v1/keys")]
pub(super) async fn list_keys(
    recorder: web::Data<Recorder>,
    _: Caller,
) -> Result<web::Json<KeyList>> {
    let now = recorder.now();
    let list = recorder
        .ask(move |state| {
            let items = state.record.keys().iter().map(KeyView::from).collect();
            Ok(KeyList { as_of: state.as_of, now: stamp(now), items })
        })
        .await?;
    Ok(web::Json(list))
}
