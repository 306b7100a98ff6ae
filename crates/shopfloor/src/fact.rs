//! One recorded event as the folds see it, and the strict reading of its envelope.

use chain::canon::Value;
use chain::entry::{Actor, Entry};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::catalogue::{self, Event, Origin, TYPE_PREFIX};
use crate::ids::{Label, PersonId, Reason, Subject, SubjectKind};

/// Longest `id` or `source` of an event, in bytes.
pub const ATTRIBUTE_BYTES_MAX: usize = 256;

/// Why an event was refused before it reached the rules: unreadable or not attributable.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{detail}")]
pub struct Refusal {
    /// Stable code, for example `unknown-member`.
    pub code: &'static str,
    /// JSON pointer to the member at fault, from the root of the event.
    pub pointer: String,
    /// What is wrong and what is wanted.
    pub detail: String,
}

impl Refusal {
    /// Builds a refusal.
    pub fn new(code: &'static str, pointer: impl Into<String>, detail: impl Into<String>) -> Self {
        Self { code, pointer: pointer.into(), detail: detail.into() }
    }
}

/// When the work was done, with the offset from UTC as the client gave it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct WorkTime {
    /// The instant.
    pub at: Timestamp,
    /// Offset from UTC in seconds.
    pub offset_s: i32,
}

impl WorkTime {
    /// Reads an RFC 3339 time with an offset. Leap seconds, `24:00` and years outside 1970 to 9999
    /// are refused, because they cannot be ordered or shown without guessing.
    pub fn parse(text: &str) -> Result<Self, String> {
        let refused = |why: &str| {
            let shown: String = text.chars().take(40).collect();
            format!(
                "`{shown}` is no time: {why}; write RFC 3339 such as `2026-03-05T14:07:00+01:00`"
            )
        };
        let bytes = text.as_bytes();
        let shape = |pattern: &[u8]| {
            bytes.len() >= pattern.len()
                && pattern.iter().zip(bytes).all(|(p, b)| match p {
                    b'd' => b.is_ascii_digit(),
                    p => p == b,
                })
        };
        if !shape(b"dddd-dd-ddTdd:dd:dd") {
            return Err(refused("date and time are not in the RFC 3339 form"));
        }
        if &bytes[17..19] == b"60" {
            return Err(refused("leap seconds cannot be ordered"));
        }
        if &bytes[11..13] == b"24" {
            return Err(refused("the hour goes from 00 to 23"));
        }
        let mut rest = &text[19..];
        if let Some(fraction) = rest.strip_prefix('.') {
            let digits = fraction.bytes().take_while(u8::is_ascii_digit).count();
            if !(1..=9).contains(&digits) {
                return Err(refused("1 to 9 digits may follow the point"));
            }
            rest = &fraction[digits..];
        }
        let offset_s = if rest == "Z" {
            0
        } else {
            let o = rest.as_bytes();
            let formed = o.len() == 6
                && matches!(o[0], b'+' | b'-')
                && o[3] == b':'
                && [1, 2, 4, 5].iter().all(|i| o[*i].is_ascii_digit());
            if !formed {
                return Err(refused("the offset from UTC is missing"));
            }
            let number = |at: usize| i32::from(o[at] - b'0') * 10 + i32::from(o[at + 1] - b'0');
            let (hours, minutes) = (number(1), number(4));
            if hours > 18 || minutes > 59 {
                return Err(refused("the offset is out of range"));
            }
            let sign = if o[0] == b'-' { -1 } else { 1 };
            sign * (hours * 3600 + minutes * 60)
        };
        let at: Timestamp = text.parse().map_err(|_| refused("no such day or hour"))?;
        if at.as_second() < 0 {
            return Err(refused("the year is before 1970"));
        }
        Ok(Self { at, offset_s })
    }

    /// Milliseconds since 1970-01-01 UTC.
    pub fn ms(self) -> i64 {
        self.at.as_millisecond()
    }
}

/// The CloudEvents attributes of an event, read strictly (CloudEvents 1.0, section 3).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Envelope {
    /// `id`: with `source` it names the event once and for all.
    pub id: String,
    /// `source`: who sends, as a URI reference.
    pub source: String,
    /// Event name without the prefix.
    pub name: String,
    /// What it is about.
    pub subject: Subject,
    /// When the work was done; `None` only for events of the log itself.
    pub time: Option<WorkTime>,
    /// Extension `site`.
    pub site: Option<Label>,
    /// Extension `operator`: the person a service posts for.
    pub operator: Option<PersonId>,
    /// Extension `latereason`: why the event comes late.
    pub late_reason: Option<Reason>,
}

/// Attributes this service knows. Anything else is refused, never dropped.
const ATTRIBUTES: &[&str] = &[
    "data",
    "datacontenttype",
    "id",
    "latereason",
    "operator",
    "site",
    "source",
    "specversion",
    "subject",
    "time",
    "type",
];

/// Attributes that only the log sets; sent by a client they are refused with their own code.
const OWNED_BY_THE_LOG: &[&str] = &["seq", "prev", "recorded_at", "salt", "actor", "v", "sig"];

impl Envelope {
    /// Reads the attributes of a canonical event and decodes its `data`.
    pub fn read(event: &Value) -> Result<(Envelope, Event), Refusal> {
        let Value::Object(members) = event else {
            return Err(Refusal::new("not-an-object", "", "an event is a JSON object"));
        };
        if let Some((name, _)) = members.iter().find(|(name, _)| !ATTRIBUTES.contains(name)) {
            let (code, why) = if OWNED_BY_THE_LOG.contains(&name) {
                ("owned-by-the-log", "is set by the log")
            } else {
                ("unknown-member", "is no attribute known here")
            };
            let detail = format!("`{name}` {why}: leave it out");
            return Err(Refusal::new(code, format!("/{name}"), detail));
        }
        let text = |name: &'static str| -> Result<Option<&str>, Refusal> {
            match members.get(name) {
                None => Ok(None),
                Some(Value::String(text)) => Ok(Some(text)),
                Some(_) => Err(Refusal::new(
                    "wrong-type",
                    format!("/{name}"),
                    format!("`{name}` is a string"),
                )),
            }
        };
        let need = |name: &'static str| -> Result<&str, Refusal> {
            text(name)?.ok_or_else(|| {
                Refusal::new("missing-member", format!("/{name}"), format!("`{name}` is missing"))
            })
        };
        let bad = |name: &'static str, detail: String| {
            Refusal::new("invalid-value", format!("/{name}"), detail)
        };

        if need("specversion")? != "1.0" {
            return Err(bad("specversion", "`specversion` is `1.0`".into()));
        }
        if text("datacontenttype")?.is_some_and(|t| t != "application/json") {
            return Err(bad("datacontenttype", "`datacontenttype` is `application/json`".into()));
        }
        let printable = |name: &'static str| -> Result<String, Refusal> {
            let value = need(name)?;
            let formed = (1..=ATTRIBUTE_BYTES_MAX).contains(&value.len())
                && value.bytes().all(|b| b.is_ascii_graphic());
            if formed {
                Ok(value.to_owned())
            } else {
                Err(bad(
                    name,
                    format!(
                        "`{name}` is 1 to {ATTRIBUTE_BYTES_MAX} printable ASCII characters without spaces"
                    ),
                ))
            }
        };
        let (id, source) = (printable("id")?, printable("source")?);
        let type_ = need("type")?;
        let kind =
            type_.strip_prefix(TYPE_PREFIX).and_then(catalogue::kind_of).ok_or_else(|| {
                let shown: String = type_.chars().take(80).collect();
                Refusal::new(
                    "unknown-event-type",
                    "/type",
                    format!("`{shown}` is no event type of the catalogue"),
                )
            })?;
        let subject: Subject = need("subject")?
            .parse()
            .map_err(|e: crate::ids::NameError| bad("subject", e.to_string()))?;
        if !kind.subjects.is_empty() && !kind.subjects.contains(&subject.kind) {
            let wanted: Vec<&str> = kind.subjects.iter().map(|k| k.as_str()).collect();
            let detail = format!("`{}` is about `{}/..`", kind.name, wanted.join("/..` or `"));
            return Err(bad("subject", detail));
        }
        let time = text("time")?.map(WorkTime::parse).transpose().map_err(|e| bad("time", e))?;
        let site =
            text("site")?.map(Label::new).transpose().map_err(|e| bad("site", e.to_string()))?;
        match kind.origin {
            Origin::Shop if site.is_none() => {
                need("site")?;
            }
            Origin::Shop | Origin::Office if time.is_none() => {
                need("time")?;
            }
            Origin::Shop | Origin::Office | Origin::Log => {}
        }
        let operator = text("operator")?
            .map(PersonId::new)
            .transpose()
            .map_err(|e| bad("operator", e.to_string()))?;
        let late_reason = text("latereason")?
            .map(|t| crate::ids::Code::new(t).map(Reason::Code))
            .transpose()
            .map_err(|e| bad("latereason", e.to_string()))?;
        let data = members
            .get("data")
            .ok_or_else(|| Refusal::new("missing-member", "/data", "`data` is missing"))?;
        if !matches!(data, Value::Object(_)) {
            return Err(Refusal::new("wrong-type", "/data", "`data` is an object"));
        }
        let event = match Event::decode(kind.name, data) {
            Some(Ok(event)) => event,
            Some(Err(error)) => {
                let code = if error.detail.starts_with("unknown field") {
                    "unknown-member"
                } else if error.detail.starts_with("missing field") {
                    "missing-member"
                } else {
                    "invalid-value"
                };
                return Err(Refusal::new(code, error.pointer, error.detail));
            }
            // `kind` was found in the same table; kept as a refusal so that nothing can panic.
            None => {
                return Err(Refusal::new(
                    "unknown-event-type",
                    "/type",
                    "no decoder for this type",
                ));
            }
        };
        let envelope = Envelope {
            id,
            source,
            name: kind.name.to_owned(),
            subject,
            time,
            site,
            operator,
            late_reason,
        };
        Ok((envelope, event))
    }
}

/// Who did what was recorded.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub enum Performer {
    /// A person who signed in.
    Person(PersonId),
    /// A system, and the person it posts for.
    Service {
        /// Id of the system, `svc_..`.
        id: String,
        /// The person, when the event names one.
        operator: Option<PersonId>,
    },
    /// The log itself.
    Log,
}

impl Performer {
    /// The performer the server authenticated.
    pub fn of(actor: &Actor, operator: Option<&PersonId>) -> Performer {
        if actor.id == "sys" {
            Performer::Log
        } else {
            match PersonId::new(&actor.id) {
                Ok(person) => Performer::Person(person),
                Err(_) => Performer::Service { id: actor.id.clone(), operator: operator.cloned() },
            }
        }
    }

    /// The person who did the work, as far as the record says.
    pub fn person(&self) -> Option<&PersonId> {
        match self {
            Performer::Person(person) => Some(person),
            Performer::Service { operator, .. } => operator.as_ref(),
            Performer::Log => None,
        }
    }
}

/// One recorded event, decoded: what the rules judge and the folds apply.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Fact {
    /// Sequence number of the entry.
    pub seq: u64,
    /// When the work was done. For events of the log itself: when it was recorded.
    pub time: WorkTime,
    /// When the log recorded it.
    pub recorded_at: Timestamp,
    /// The site.
    pub site: Option<Label>,
    /// What it is about.
    pub subject: Subject,
    /// Who did it.
    pub performer: Performer,
    /// Why it came late.
    pub late_reason: Option<Reason>,
    /// What happened.
    pub event: Event,
}

impl Fact {
    /// A fact from an envelope that was read and the place the log gives it.
    pub fn new(
        envelope: Envelope,
        event: Event,
        actor: &Actor,
        seq: u64,
        recorded_at: Timestamp,
    ) -> Fact {
        let performer = Performer::of(actor, envelope.operator.as_ref());
        Fact {
            seq,
            time: envelope.time.unwrap_or(WorkTime { at: recorded_at, offset_s: 0 }),
            recorded_at,
            site: envelope.site,
            subject: envelope.subject,
            performer,
            late_reason: envelope.late_reason,
            event,
        }
    }

    /// Reads a fact back from a stored entry.
    pub fn from_entry(entry: &Entry) -> Result<Fact, Refusal> {
        let (envelope, event) = Envelope::read(&entry.event)?;
        let recorded_at = Timestamp::from_millisecond(entry.recorded_at_ms).map_err(|_| {
            Refusal::new("invalid-value", "/recorded_at", "the time is out of range")
        })?;
        Ok(Fact::new(envelope, event, &entry.actor, entry.seq, recorded_at))
    }

    /// The earlier entry this one is about (signature, correction, void).
    pub fn about_entry(&self) -> Option<u64> {
        match self.subject.kind {
            SubjectKind::Entry => self.subject.entry(),
            SubjectKind::Equipment
            | SubjectKind::Lot
            | SubjectKind::Build
            | SubjectKind::Stream
            | SubjectKind::Container
            | SubjectKind::Shipment
            | SubjectKind::Area
            | SubjectKind::Person
            | SubjectKind::Deviation
            | SubjectKind::Action
            | SubjectKind::Handover
            | SubjectKind::Incident
            | SubjectKind::Recipe
            | SubjectKind::Site
            | SubjectKind::Log => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_have_one_reading() {
        // security-tests.md H18.
        let good = [
            ("2026-03-05T14:07:00+01:00", 3600),
            ("2026-03-05T14:07:00.250Z", 0),
            ("9999-12-30T12:00:00-05:30", -19_800),
        ];
        for (text, offset) in good {
            assert_eq!(WorkTime::parse(text).unwrap().offset_s, offset, "{text}");
        }
        for bad in [
            "2026-03-05T14:07:00",
            "2026-03-05 14:07:00Z",
            "2026-06-30T23:59:60Z",
            "2026-03-05T24:00:00Z",
            "0000-01-01T00:00:00Z",
            "1969-12-31T23:59:59Z",
            "10000-01-01T00:00:00Z",
            "2026-02-30T00:00:00Z",
            "2026-03-05T14:07:00+25:00",
            "2026-03-05t14:07:00z",
            "2026-03-05T14:07Z",
            "",
        ] {
            assert!(WorkTime::parse(bad).is_err(), "{bad}");
        }
    }

    fn read(event: &str) -> Result<(Envelope, Event), Refusal> {
        Envelope::read(&chain::canon::parse(event.as_bytes()).unwrap())
    }

    #[test]
    fn an_event_is_read_whole_or_refused_at_the_member() {
        let good = r#"{"specversion":"1.0","id":"a1","source":"/mes/line-1","type":"pulverlog.meter.read",
            "subject":"equipment/S-02","site":"north","time":"2026-03-05T14:07:00+01:00","operator":"op_k7",
            "data":{"meter":"run","reading":{"value":"412.5","unit":"h"}}}"#;
        let (envelope, event) = read(good).unwrap();
        assert_eq!(envelope.subject.to_string(), "equipment/S-02");
        assert_eq!(event.kind().name, "meter.read");

        let refused = [
            (good.replace("\"id\":\"a1\",", ""), "missing-member", "/id"),
            (good.replace("\"site\":\"north\",", ""), "missing-member", "/site"),
            (good.replace("meter.read", "meter.guessed"), "unknown-event-type", "/type"),
            (good.replace("equipment/S-02", "lot/S-02"), "invalid-value", "/subject"),
            (good.replace("\"id\"", "\"seq\":4,\"id\""), "owned-by-the-log", "/seq"),
            (good.replace("\"id\"", "\"colour\":4,\"id\""), "unknown-member", "/colour"),
            (
                good.replace("\"meter\":\"run\"", "\"meter\":\"run\",\"x\":1"),
                "unknown-member",
                "/data/x",
            ),
            (good.replace("op_k7", "Jane Doe"), "invalid-value", "/operator"),
        ];
        for (event, code, pointer) in refused {
            let refusal = read(&event).unwrap_err();
            assert_eq!((refusal.code, refusal.pointer.as_str()), (code, pointer), "{event}");
        }
    }
}
