//! Names of things: the shop's own labels, pseudonyms, places and subjects.
//!
//! Every string that reaches the hashed bytes has a closed form, so that free text (and with it
//! personal data) has no way in: words that may hold a name travel as a commitment
//! ([`FreeText`]) and their plain text lives in the erasable people store.

use std::fmt;
use std::str::FromStr;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

/// Why a name was refused. The message states the form that is wanted.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{found}` is no {what}: write {form}")]
pub struct NameError {
    /// What the name should have been, for example `label`.
    pub what: &'static str,
    /// The text that was refused, cut to 80 characters.
    pub found: String,
    /// The form that is wanted, in words.
    pub form: &'static str,
}

fn refuse(what: &'static str, found: &str, form: &'static str) -> NameError {
    NameError { what, found: found.chars().take(80).collect(), form }
}

fn is_label(text: &str) -> bool {
    let bytes = text.as_bytes();
    (1..=64).contains(&bytes.len())
        && bytes[0].is_ascii_alphanumeric()
        && bytes.iter().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'_' | b'-'))
}

fn is_code(text: &str) -> bool {
    let bytes = text.as_bytes();
    (1..=40).contains(&bytes.len())
        && bytes[0].is_ascii_lowercase()
        && bytes.iter().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || *b == b'_')
}

fn is_person(text: &str) -> bool {
    text.strip_prefix("op_").is_some_and(|rest| {
        (1..=40).contains(&rest.len()) && rest.bytes().all(|b| b.is_ascii_alphanumeric())
    })
}

fn is_title(text: &str) -> bool {
    (1..=80).contains(&text.chars().count())
        && text.trim() == text
        && text.chars().all(|c| {
            c.is_alphanumeric()
                || matches!(
                    c,
                    ' ' | '.' | ',' | '_' | '-' | '/' | '(' | ')' | '+' | '%' | '°' | '§' | ':'
                )
        })
}

fn is_hex_digest(text: &str) -> bool {
    text.len() == 64 && text.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b))
}

/// Declares a checked string type with serde and JSON Schema.
macro_rules! checked_string {
    ($(#[$doc:meta])* $name:ident, $what:literal, $check:ident, $form:literal, $pattern:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(Box<str>);

        impl $name {
            /// Checks the form and wraps the text.
            pub fn new(text: &str) -> Result<Self, NameError> {
                if $check(text) { Ok(Self(text.into())) } else { Err(refuse($what, text, $form)) }
            }
            /// The text as recorded.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }
        impl FromStr for $name {
            type Err = NameError;
            fn from_str(text: &str) -> Result<Self, NameError> {
                Self::new(text)
            }
        }
        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
                s.serialize_str(&self.0)
            }
        }
        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
                let text = <std::borrow::Cow<'_, str>>::deserialize(d)?;
                Self::new(&text).map_err(de::Error::custom)
            }
        }
        impl JsonSchema for $name {
            fn schema_name() -> std::borrow::Cow<'static, str> {
                stringify!($name).into()
            }
            fn json_schema(_: &mut SchemaGenerator) -> Schema {
                json_schema!({ "type": "string", "pattern": $pattern, "description": concat!($what, ": ", $form) })
            }
        }
    };
}

checked_string!(
    /// A label of the shop's own: lots, serials, containers, rooms, document numbers.
    Label, "label", is_label,
    "1 to 64 letters, digits, `.`, `_` or `-`, beginning with a letter or digit",
    "^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$"
);
checked_string!(
    /// A word of a closed or site-defined vocabulary, such as a task, a reason or an observation.
    Code, "code", is_code,
    "1 to 40 lower-case letters, digits or `_`, beginning with a letter",
    "^[a-z][a-z0-9_]{0,39}$"
);
checked_string!(
    /// Pseudonym of a person. Who it is stands only in the erasable people store.
    PersonId, "person", is_person,
    "`op_` and 1 to 40 letters or digits",
    "^op_[A-Za-z0-9]{1,40}$"
);
checked_string!(
    /// A short display name for a thing (never for a person).
    Title, "title", is_title,
    "1 to 80 letters, digits, spaces or `. , _ - / ( ) + % ° § :`, no space at either end",
    "^[\\p{L}\\p{N}.,_\\-/()+%°§:]([\\p{L}\\p{N} .,_\\-/()+%°§:]{0,78}[\\p{L}\\p{N}.,_\\-/()+%°§:])?$"
);
checked_string!(
    /// SHA-256 of a file kept outside the log (photo, certificate), lower-case hex.
    FileDigest, "digest", is_hex_digest,
    "64 lower-case hexadecimal digits (SHA-256)",
    "^[0-9a-f]{64}$"
);

/// Commitment to free text: base64 of SHA-256(salt || text). The text lives in the people store
/// and can be erased; the commitment then can no longer be opened, and the chain still verifies.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FreeText {
    /// Base64 (standard alphabet, padded) of the 32-byte commitment.
    #[schemars(regex(pattern = r"^[A-Za-z0-9+/]{43}=$"))]
    #[serde(deserialize_with = "commitment")]
    pub c: String,
}

fn commitment<'de, D: Deserializer<'de>>(d: D) -> Result<String, D::Error> {
    let text = String::deserialize(d)?;
    let well_formed = text.len() == 44
        && text.ends_with('=')
        && text.bytes().take(43).all(|b| b.is_ascii_alphanumeric() || b == b'+' || b == b'/');
    if well_formed {
        Ok(text)
    } else {
        Err(de::Error::custom(
            "a commitment is the base64 of 32 bytes: deposit the text first and send what you get",
        ))
    }
}

/// A reason: a code of the site's vocabulary, or a commitment to words of one's own.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(untagged)]
pub enum Reason {
    /// A code such as `torn` or `mis_read`.
    Code(Code),
    /// Words of one's own, committed.
    Text(FreeText),
}

impl<'de> Deserialize<'de> for Reason {
    // By hand, because the message of serde's untagged enums does not say which form was wrong.
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        match serde_json::Value::deserialize(d)? {
            serde_json::Value::String(text) => {
                Code::new(&text).map(Reason::Code).map_err(de::Error::custom)
            }
            value @ serde_json::Value::Object(_) => {
                FreeText::deserialize(value).map(Reason::Text).map_err(de::Error::custom)
            }
            _ => Err(de::Error::custom(
                "a reason is a code such as `torn` or a commitment `{\"c\": ..}`",
            )),
        }
    }
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Reason::Code(code) => write!(f, "{code}"),
            Reason::Text(_) => f.write_str("in words (kept outside the log)"),
        }
    }
}

/// Declares the kinds of a `kind/id` reference.
macro_rules! kinds {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $text:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum $name { $($(#[$vdoc])* $variant),+ }
        impl $name {
            /// Every kind, in declaration order.
            pub const ALL: &'static [$name] = &[$($name::$variant),+];
            /// The word used in records.
            pub fn as_str(self) -> &'static str {
                match self { $($name::$variant => $text),+ }
            }
            fn parse(text: &str) -> Option<Self> {
                match text { $($text => Some($name::$variant),)+ _ => None }
            }
        }
    };
}

kinds! {
    /// Where powder or waste can be. Every mass moves from one place to another.
    PlaceKind {
        /// Outside, before receipt. Id: the supplier's label.
        Supplier = "supplier",
        /// A container a lot came in or was blended into.
        LotContainer = "lot_container",
        /// A hopper, feeder or tank of a machine. Id: `<equipment>.<hopper>`.
        Hopper = "hopper",
        /// The build volume of one build.
        Build = "build",
        /// The parts taken out of a build (sintered or molten mass).
        Parts = "parts",
        /// A bin of used, unsieved or sieved powder.
        Bin = "bin",
        /// Oversize taken off a sieve.
        Oversize = "oversize",
        /// The bag or canister of a vacuum cleaner.
        VacuumBag = "vacuum_bag",
        /// A waste container.
        Waste = "waste",
        /// A sample handed to a laboratory.
        Sample = "sample",
        /// Lost for good: spilled and not recovered, extracted, blown away.
        Loss = "loss",
    }
}

kinds! {
    /// What an event is about.
    SubjectKind {
        /// A machine or device.
        Equipment = "equipment",
        /// A powder lot (received or blended).
        Lot = "lot",
        /// One build job.
        Build = "build",
        /// A waste stream.
        Stream = "stream",
        /// A waste container.
        Container = "container",
        /// A shipment of waste.
        Shipment = "shipment",
        /// An accumulation area.
        Area = "area",
        /// A person, by pseudonym.
        Person = "person",
        /// A deviation.
        Deviation = "deviation",
        /// A corrective or preventive action.
        Action = "action",
        /// A shift handover.
        Handover = "handover",
        /// An incident.
        Incident = "incident",
        /// A recipe (process parameters that rules compare with).
        Recipe = "recipe",
        /// A site.
        Site = "site",
        /// An entry of this log, by sequence number.
        Entry = "entry",
        /// The log itself.
        Log = "log",
    }
}

/// Declares a `kind/id` reference type over a kind enum.
macro_rules! reference {
    ($(#[$doc:meta])* $name:ident, $kind:ident, $what:literal, $form:literal, $check:path) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name {
            /// The kind before the slash.
            pub kind: $kind,
            id: Box<str>,
        }
        impl $name {
            /// Builds a reference from its parts.
            pub fn new(kind: $kind, id: &str) -> Result<Self, NameError> {
                if $check(kind, id) {
                    Ok(Self { kind, id: id.into() })
                } else {
                    Err(refuse($what, &format!("{}/{id}", kind.as_str()), $form))
                }
            }
            /// The id after the slash.
            pub fn id(&self) -> &str {
                &self.id
            }
        }
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{}/{}", self.kind.as_str(), self.id)
            }
        }
        impl FromStr for $name {
            type Err = NameError;
            fn from_str(text: &str) -> Result<Self, NameError> {
                let (kind, id) = text.split_once('/').ok_or_else(|| refuse($what, text, $form))?;
                let kind = $kind::parse(kind).ok_or_else(|| refuse($what, text, $form))?;
                Self::new(kind, id)
            }
        }
        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
                s.collect_str(self)
            }
        }
        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
                let text = <std::borrow::Cow<'_, str>>::deserialize(d)?;
                text.parse().map_err(de::Error::custom)
            }
        }
        impl JsonSchema for $name {
            fn schema_name() -> std::borrow::Cow<'static, str> {
                stringify!($name).into()
            }
            fn json_schema(_: &mut SchemaGenerator) -> Schema {
                let words: Vec<&str> = $kind::ALL.iter().map(|k| k.as_str()).collect();
                json_schema!({
                    "type": "string",
                    "pattern": format!("^({})/[A-Za-z0-9][A-Za-z0-9._/-]{{0,127}}$", words.join("|")),
                    "description": concat!($what, ": ", $form)
                })
            }
        }
    };
}

fn place_id(_: PlaceKind, id: &str) -> bool {
    is_label(id)
}

fn subject_id(kind: SubjectKind, id: &str) -> bool {
    match kind {
        SubjectKind::Person => is_person(id),
        SubjectKind::Entry => id.parse::<u64>().is_ok_and(|seq| seq.to_string() == id),
        // The origin of a log is a schema-less URL.
        SubjectKind::Log => {
            (1..=128).contains(&id.len())
                && id.bytes().all(|b| {
                    b.is_ascii_alphanumeric() || matches!(b, b'.' | b'_' | b'-' | b'/' | b':')
                })
        }
        SubjectKind::Equipment
        | SubjectKind::Lot
        | SubjectKind::Build
        | SubjectKind::Stream
        | SubjectKind::Container
        | SubjectKind::Shipment
        | SubjectKind::Area
        | SubjectKind::Deviation
        | SubjectKind::Action
        | SubjectKind::Handover
        | SubjectKind::Incident
        | SubjectKind::Recipe
        | SubjectKind::Site => is_label(id),
    }
}

reference!(
    /// A place of the double-entry powder account, for example `hopper/P-01.main`.
    Place, PlaceKind, "place",
    "`kind/label` such as `hopper/P-01.main`, `bin/UB-3` or `waste/D-118`", place_id
);
reference!(
    /// What an event is about, for example `equipment/S-02` or `entry/1234`.
    Subject, SubjectKind, "subject",
    "`kind/id` such as `equipment/S-02`, `lot/PA-0417` or `entry/1234`", subject_id
);

impl Subject {
    /// The sequence number, when the subject is an entry.
    pub fn entry(&self) -> Option<u64> {
        match self.kind {
            SubjectKind::Entry => self.id().parse().ok(),
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

    /// The subject of an entry by its sequence number.
    pub fn of_entry(seq: u64) -> Self {
        Self { kind: SubjectKind::Entry, id: seq.to_string().into() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_take_the_form_of_the_catalogue() {
        // Form: event catalogue v1, "Ids are the shop's own labels".
        for good in ["S-02", "PA-0417", "D.118_b", "7", &"a".repeat(64)] {
            assert!(Label::new(good).is_ok(), "{good}");
        }
        for bad in ["", "-x", "a b", "ä", "a/b", &"a".repeat(65)] {
            assert!(Label::new(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn free_text_has_no_way_into_a_reason() {
        let words = serde_json::from_str::<Reason>("\"Told by Mr X\"").unwrap_err().to_string();
        assert!(words.contains("is no code"), "{words}");
        assert!(serde_json::from_str::<Reason>("\"torn\"").is_ok());
        assert!(serde_json::from_str::<Reason>(r#"{"c":"plain text"}"#).is_err());
    }

    #[test]
    fn a_subject_of_an_entry_is_a_plain_number() {
        assert_eq!("entry/12".parse::<Subject>().unwrap().entry(), Some(12));
        for bad in ["entry/012", "entry/-1", "entry/x", "lot", "machine/S-02", "person/Jane"] {
            assert!(bad.parse::<Subject>().is_err(), "{bad}");
        }
    }
}
