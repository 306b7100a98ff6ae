//! From the answers of a form to an event. The same function serves browsers with and without
//! scripts, and a form that waited in the browser until the network was back: the same answers
//! give the same bytes, so that sending twice records once.

use std::collections::HashMap;

use jiff::tz::TimeZone;
use jiff::{Timestamp, civil};
use serde_json::{Map, Value, json};
use shopfloor::fact::WorkTime;
use shopfloor::ids::Label;

use super::kinds::{Field, Input, Kind};
use crate::pages::words::digits;

/// `source` of the events that the pages send.
const SOURCE: &str = "/pages";

/// The answers of a form by name of the field.
pub(crate) type Answers = HashMap<String, String>;

/// An answer that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Mistake {
    /// Name of the field.
    pub(crate) field: String,
    /// Key of the message table `mistake`.
    pub(crate) what: &'static str,
}

fn mistake(field: impl Into<String>, what: &'static str) -> Mistake {
    Mistake { field: field.into(), what }
}

/// An answer without the spaces around it; `None` when nothing was answered.
pub(crate) fn answer<'a>(answers: &'a Answers, name: &str) -> Option<&'a str> {
    answers.get(name).map(|text| text.trim()).filter(|text| !text.is_empty())
}

/// Puts a value where a path leads.
fn put(data: &mut Map<String, Value>, path: &str, value: Value) {
    match path.split_once('.') {
        None => {
            data.insert(path.to_owned(), value);
        }
        Some((first, rest)) => {
            let inner = data.entry(first).or_insert_with(|| json!({}));
            if let Value::Object(inner) = inner {
                put(inner, rest, value);
            }
        }
    }
}

fn quantity(answers: &Answers, name: &str, units: &[&str]) -> Option<Value> {
    let value = answer(answers, name)?;
    let unit =
        answer(answers, &format!("{name}.unit")).unwrap_or(units.first().copied().unwrap_or("1"));
    Some(json!({ "value": digits(value), "unit": unit }))
}

fn read(field: &Field, answers: &Answers) -> Result<Option<Value>, Mistake> {
    let name = field.path;
    Ok(match field.input {
        Input::Label(_) | Input::Word(_) | Input::Place(_) => {
            answer(answers, name).map(|text| Value::String(text.to_owned()))
        }
        Input::Quantity(units) => quantity(answers, name, units),
        Input::YesNo => match answer(answers, name) {
            Some("yes") => Some(Value::Bool(true)),
            Some("no") => Some(Value::Bool(false)),
            Some(_) => return Err(mistake(name, "answer")),
            None => None,
        },
        Input::Files => answer(answers, name).map(files),
        Input::Limit => {
            let unit = answer(answers, "measured.unit").unwrap_or("1");
            let side = match answer(answers, "limit.side") {
                Some("at_least") => "at_least",
                Some(_) | None => "at_most",
            };
            answer(answers, name)
                .map(|value| json!({ side: { "value": digits(value), "unit": unit } }))
        }
        Input::Reading => match (answer(answers, "reading.meter"), answer(answers, "reading")) {
            (Some(meter), Some(value)) => {
                let unit = answer(answers, "reading.unit").unwrap_or("h");
                Some(json!({ "meter": meter, "value": { "value": digits(value), "unit": unit } }))
            }
            (None, Some(_)) => return Err(mistake("reading.meter", "need")),
            (Some(_) | None, None) => None,
        },
    })
}

/// Files by digest, as the browser wrote them: `digest;media/type`, divided by spaces.
fn files(told: &str) -> Value {
    told.split_whitespace()
        .map(|file| {
            let (digest, media_type) = file.split_once(';').unwrap_or((file, ""));
            json!({ "digest": digest, "media_type": media_type })
        })
        .collect()
}

/// The `data` of the event.
pub(crate) fn data(kind: &Kind, answers: &Answers) -> Result<Value, Vec<Mistake>> {
    let mut data = Map::new();
    let mut mistakes = Vec::new();
    let mut checks = Vec::new();
    for check in kind.checks {
        match answer(answers, &format!("check.{check}")) {
            Some(word @ ("yes" | "no")) => {
                checks.push(json!({ "check": check, "ok": word == "yes" }))
            }
            Some(_) | None => mistakes.push(mistake(format!("check.{check}"), "answer")),
        }
    }
    if !checks.is_empty() {
        data.insert("checks".to_owned(), Value::Array(checks));
    }
    for field in kind.fields() {
        match read(field, answers) {
            Ok(Some(value)) => put(&mut data, field.path, value),
            Ok(None) if field.need => mistakes.push(mistake(field.path, "need")),
            Ok(None) => {}
            Err(wrong) => mistakes.push(wrong),
        }
    }
    if let Some(Value::Object(part)) = data.get_mut("in") {
        // A part without a specification has an empty one.
        part.entry("spec").or_insert_with(|| json!({}));
    }
    residue(&mut data, &mut mistakes);
    if let Some(task) = answer(answers, "task").filter(|_| names_task(kind)) {
        data.insert("task".to_owned(), task.into());
    }
    if kind.event == "meter.read" {
        // A reading alone is told flat, not as a reading that came along with other work.
        if let Some(Value::Object(reading)) = data.remove("reading") {
            data.insert("meter".to_owned(), reading.get("meter").cloned().unwrap_or_default());
            data.insert("reading".to_owned(), reading.get("value").cloned().unwrap_or_default());
        }
    }
    if kind.event == "equipment.returned" {
        // What was tried after the work are the tests on which the person releases the machine.
        let tests = data.remove("checks").unwrap_or_else(|| json!([]));
        data.insert("tests".to_owned(), tests);
        let person = answer(answers, "person").unwrap_or_default();
        data.insert("released_by".to_owned(), person.into());
    }
    if mistakes.is_empty() { Ok(Value::Object(data)) } else { Err(mistakes) }
}

/// What came off and where it went are told together or not at all.
fn residue(data: &mut Map<String, Value>, mistakes: &mut Vec<Mistake>) {
    let Some(Value::Object(residue)) = data.get("residue") else { return };
    for (here, there) in [("mass", "into"), ("into", "mass"), ("scale", "mass")] {
        if residue.contains_key(here) && !residue.contains_key(there) {
            mistakes.push(mistake(format!("residue.{there}"), "need"));
        }
    }
}

/// Whether events of this kind name the planned task they do.
pub(crate) fn names_task(kind: &Kind) -> bool {
    matches!(kind.event, "part.swapped" | "cleaning.done" | "inspection.done" | "check.done")
}

/// When the work was done: the moment the browser noted, else the local time that was typed, else
/// now. With the offset of the site.
pub(crate) fn time(answers: &Answers, zone: &TimeZone, now: Timestamp) -> Result<String, Mistake> {
    let stamp = |at: Timestamp| {
        at.to_zoned_datetime(zone.clone()).strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
    };
    if let Some(typed) = answer(answers, "done_at") {
        let local: civil::DateTime = typed.parse().map_err(|_| mistake("done_at", "time"))?;
        let at = local.to_zoned_datetime(zone.clone()).map_err(|_| mistake("done_at", "time"))?;
        return Ok(stamp(at.timestamp()));
    }
    match answer(answers, "at") {
        Some(noted) => {
            let at = WorkTime::parse(noted).map_err(|_| mistake("at", "time"))?;
            Ok(stamp(at.at))
        }
        None => Ok(stamp(now)),
    }
}

/// The whole event.
pub(crate) fn event(
    kind: &Kind,
    answers: &Answers,
    site: &Label,
    zone: &TimeZone,
    now: Timestamp,
) -> Result<Value, Vec<Mistake>> {
    let subject = answer(answers, "subject").ok_or_else(|| vec![mistake("subject", "need")])?;
    let id = answer(answers, "id").ok_or_else(|| vec![mistake("id", "need")])?;
    let mut event = json!({
        "specversion": "1.0",
        "id": id,
        "source": SOURCE,
        "type": format!("{}{}", shopfloor::catalogue::TYPE_PREFIX, kind.event),
        "subject": format!("{}/{subject}", kind.about.as_str()),
        "time": time(answers, zone, now).map_err(|wrong| vec![wrong])?,
        "site": site.as_str(),
        "datacontenttype": "application/json",
        "data": data(kind, answers)?,
    });
    if let Some(reason) = answer(answers, "latereason") {
        event["latereason"] = reason.into();
    }
    Ok(event)
}

/// An event beside the one of a form, such as a signature: same source, an id derived from it.
pub(crate) fn beside(
    id: &str,
    name: &str,
    subject: &str,
    site: Option<&Label>,
    at: &str,
    data: &Value,
) -> Value {
    let mut event = json!({
        "specversion": "1.0",
        "id": id,
        "source": SOURCE,
        "type": format!("{}{name}", shopfloor::catalogue::TYPE_PREFIX),
        "subject": subject,
        "time": at,
        "datacontenttype": "application/json",
        "data": data,
    });
    if let Some(site) = site {
        event["site"] = site.as_str().into();
    }
    event
}

#[cfg(test)]
mod tests {
    use super::super::kinds::{KINDS, kind};
    use super::*;

    fn answers(pairs: &[(&str, &str)]) -> Answers {
        pairs.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect()
    }

    const SIEVE: &[(&str, &str)] = &[
        ("id", "e-1"),
        ("subject", "S-02"),
        ("task", "sieve_replace"),
        ("check.area_vacuumed_first", "yes"),
        ("check.mesh_whole", "yes"),
        ("check.seal_seated", "no"),
        ("position", "deck"),
        ("in.serial", "SV-9"),
        ("in.spec.aperture", "63"),
        ("out.serial", "SV-8"),
        ("out.condition", "worn"),
        ("out.reason", "interval_reached"),
        ("out.mass", "0,420"),
        ("reading.meter", "sift"),
        ("reading", "1204,5"),
        ("at", "2026-03-05T13:07:00Z"),
    ];

    #[test]
    fn a_sieve_change_becomes_the_event_of_the_catalogue() {
        let zone = TimeZone::get("Europe/Berlin").unwrap();
        let site = Label::new("north").unwrap();
        let kind = kind("sieve_change").unwrap();
        let event = event(kind, &answers(SIEVE), &site, &zone, Timestamp::UNIX_EPOCH).unwrap();
        assert_eq!(event["time"], "2026-03-05T14:07:00+01:00");
        assert_eq!(event["data"]["out"]["mass"], json!({ "value": "0.420", "unit": "kg" }));
        let canonical = chain::canon::parse(sorted(&event).as_bytes()).unwrap();
        let (envelope, _) = shopfloor::Envelope::read(&canonical).unwrap();
        assert_eq!(envelope.subject.to_string(), "equipment/S-02");
    }

    /// Through `Value`, whose objects are sorted by name.
    fn sorted(value: &Value) -> String {
        serde_json::to_string(value).unwrap()
    }

    #[test]
    fn unanswered_questions_are_named() {
        for kind in KINDS {
            let found = data(kind, &answers(&[])).unwrap_err();
            let named: Vec<&str> = found.iter().map(|m| m.field.as_str()).collect();
            for field in kind.fields().filter(|f| f.need) {
                assert!(named.contains(&field.path), "{}: {named:?}", kind.id);
            }
        }
    }

    #[test]
    fn the_same_answers_give_the_same_bytes_at_any_hour() {
        let (zone, site) = (TimeZone::UTC, Label::new("north").unwrap());
        let kind = kind("sieve_change").unwrap();
        let once = event(kind, &answers(SIEVE), &site, &zone, Timestamp::UNIX_EPOCH).unwrap();
        let again = event(kind, &answers(SIEVE), &site, &zone, Timestamp::MAX).unwrap();
        assert_eq!(sorted(&once), sorted(&again));
    }

    #[test]
    fn photos_are_recorded_by_digest() {
        let (one, two) = ("a".repeat(64), "b".repeat(64));
        let told = format!("{one};image/jpeg {two};application/pdf");
        let pairs = [("reading.meter", "sift"), ("reading", "7"), ("evidence", &*told)];
        let data = data(kind("meter").unwrap(), &answers(&pairs)).unwrap();
        let wanted = json!([
            { "digest": one, "media_type": "image/jpeg" },
            { "digest": two, "media_type": "application/pdf" },
        ]);
        assert_eq!(data["evidence"], wanted);
    }

    #[test]
    fn half_a_residue_is_a_mistake() {
        let pairs = [
            ("check.nothing_blown_down", "yes"),
            ("check.surfaces_clean", "yes"),
            ("target", "deck"),
            ("method", "vacuum"),
            ("residue.mass", "0.2"),
        ];
        let found = data(kind("cleaning").unwrap(), &answers(&pairs)).unwrap_err();
        assert_eq!(found, [mistake("residue.into", "need")]);
    }
}
