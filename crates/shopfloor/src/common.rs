//! Forms that several subjects share: checks, evidence, results, reasons, dates.

use jiff::civil::Date;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

use crate::forms::{record, words};
use crate::ids::{Code, FileDigest};

record! {
    /// One yes/no step of a task, answered one by one. What is asked is a code of the plan or of
    /// the trade, for example `airflow_arrow_matches`, `gasket_seated`, `tied_before_lifting`.
    pub struct Check {
        /// What was checked.
        check: Code,
        /// Whether it was found in order.
        ok: bool,
    }
}

record! {
    /// A file kept outside the log (photo, certificate), named by its SHA-256.
    pub struct Evidence {
        /// SHA-256 of the file.
        digest: FileDigest,
        /// Its media type, for example `image/jpeg`.
        media_type: MediaType,
    }
}

words! {
    /// Result of an inspection, check or test.
    pub enum Outcome {
        /// Within the limit, or found in order.
        Pass = "pass",
        /// Outside the limit, or not in order.
        Fail = "fail",
    }
}

words! {
    /// What a signature means (21 CFR 11.50(a)(3): the meaning is part of the signature).
    pub enum SignatureMeaning {
        /// The signer did the work.
        Performed = "performed",
        /// The signer saw that the work was done.
        Verified = "verified",
        /// The signer read the record and found it complete.
        Reviewed = "reviewed",
        /// The signer takes responsibility for the decision.
        Approved = "approved",
        /// The signer sets the thing free for use.
        Released = "released",
    }
}

/// Whether `checks` contains `name` answered yes; `None` when it was not asked.
pub fn answered(checks: &[Check], name: &str) -> Option<bool> {
    checks.iter().find(|c| c.check.as_str() == name).map(|c| c.ok)
}

/// A media type such as `image/jpeg`, without parameters.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct MediaType(String);

impl<'de> Deserialize<'de> for MediaType {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = String::deserialize(d)?;
        let token = |part: &str| {
            (1..=60).contains(&part.len())
                && part.bytes().all(|b| {
                    b.is_ascii_lowercase() || b.is_ascii_digit() || matches!(b, b'.' | b'+' | b'-')
                })
        };
        match text.split_once('/') {
            Some((kind, sub)) if token(kind) && token(sub) => Ok(Self(text)),
            Some(_) | None => Err(de::Error::custom(
                "a media type is two lower-case words with a slash, such as `image/jpeg`",
            )),
        }
    }
}
impl JsonSchema for MediaType {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "MediaType".into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({ "type": "string", "pattern": "^[a-z0-9.+-]{1,60}/[a-z0-9.+-]{1,60}$" })
    }
}

/// A calendar day `YYYY-MM-DD` in the site's local calendar.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Day(pub Date);

impl std::fmt::Display for Day {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        std::fmt::Display::fmt(&self.0, f)
    }
}
impl Serialize for Day {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(&self.0)
    }
}
impl<'de> Deserialize<'de> for Day {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = String::deserialize(d)?;
        // The parser alone would also take other ISO 8601 forms; the record keeps one.
        let plain = text.len() == 10
            && text.bytes().enumerate().all(|(i, b)| match i {
                4 | 7 => b == b'-',
                _ => b.is_ascii_digit(),
            });
        match text.parse::<Date>() {
            Ok(date) if plain => Ok(Self(date)),
            Ok(_) | Err(_) => {
                Err(de::Error::custom("a day is a calendar date such as `2026-03-05`"))
            }
        }
    }
}
impl JsonSchema for Day {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Day".into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({ "type": "string", "format": "date", "pattern": "^[0-9]{4}-[0-9]{2}-[0-9]{2}$" })
    }
}

/// An interval of calendar time: ISO 8601 duration of years, months, weeks or days only
/// (`P1Y`, `P14M`, `P1W`, `P90D`), because clocks of law and trade run in calendar days.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Interval {
    text: Box<str>,
    span: IntervalParts,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
struct IntervalParts {
    months: i32,
    days: i32,
}

impl Interval {
    /// Reads the text of an interval.
    pub fn new(text: &str) -> Result<Self, String> {
        let refused = || {
            format!("`{text}` is no interval: write `P1Y`, `P14M`, `P1W` or `P90D` (1 to 4 digits)")
        };
        let rest = text.strip_prefix('P').filter(|r| !r.is_empty()).ok_or_else(refused)?;
        let mut parts = IntervalParts::default();
        let mut number: Option<i32> = None;
        let mut last = 0;
        for (rank, c) in rest.chars().map(|c| ("YMWD".find(c).map(|i| i + 1), c)) {
            match (c.to_digit(10), rank, number) {
                (Some(d), _, n) if n.unwrap_or(0) < 1000 => {
                    number = Some(n.unwrap_or(0) * 10 + i32::try_from(d).map_err(|_| refused())?);
                }
                (None, Some(rank), Some(n)) if rank > last && n > 0 => {
                    match c {
                        'Y' => parts.months += 12 * n,
                        'M' => parts.months += n,
                        'W' => parts.days += 7 * n,
                        _ => parts.days += n,
                    }
                    (number, last) = (None, rank);
                }
                _ => return Err(refused()),
            }
        }
        if number.is_some() || last == 0 {
            return Err(refused());
        }
        Ok(Self { text: text.into(), span: parts })
    }

    /// The text as recorded.
    pub fn as_str(&self) -> &str {
        &self.text
    }

    /// The day that lies this interval after `start`: months first, then days. A 29 February
    /// that meets a common year becomes 1 March (the later day; waste-rules.md, "Dates").
    pub fn after(&self, start: Date) -> Date {
        crate::calendar::add_months(start, self.span.months)
            .saturating_add(jiff::Span::new().days(self.span.days))
    }
}

impl Serialize for Interval {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(&self.text)
    }
}
impl<'de> Deserialize<'de> for Interval {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        Self::new(&String::deserialize(d)?).map_err(de::Error::custom)
    }
}
impl JsonSchema for Interval {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Interval".into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "type": "string",
            "pattern": "^P(?=[0-9])([0-9]{1,4}Y)?([0-9]{1,4}M)?([0-9]{1,4}W)?([0-9]{1,4}D)?$",
            "description": "ISO 8601 duration of years, months, weeks and days"
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    #[test]
    fn intervals_count_calendar_time() {
        let cases = [
            ("P90D", date(2026, 1, 1), date(2026, 4, 1)), // WV-16, 40 CFR 262.17(a)
            ("P1W", date(2026, 6, 1), date(2026, 6, 8)),
            ("P14M", date(2026, 1, 31), date(2027, 3, 31)), // COSHH reg. 9: 14 months
            ("P3Y", date(2028, 2, 29), date(2031, 3, 1)),   // waste-rules.md, "Dates"
            ("P1Y2M3D", date(2026, 1, 1), date(2027, 3, 4)),
        ];
        for (text, start, expected) in cases {
            assert_eq!(Interval::new(text).unwrap().after(start), expected, "{text}");
        }
        for bad in ["", "P", "90D", "PT5H", "P1D1Y", "P0D", "P1", "P99999D", "P-1D"] {
            assert!(Interval::new(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn a_day_has_one_form() {
        assert!(serde_json::from_str::<Day>("\"2026-03-05\"").is_ok());
        for bad in ["2026-3-5", "20260305", "2026-02-30", "2026-03-05T00:00", "10000-01-01"] {
            assert!(serde_json::from_str::<Day>(&format!("\"{bad}\"")).is_err(), "{bad}");
        }
    }
}
