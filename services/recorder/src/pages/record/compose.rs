//! From the answers of a form to an event. The same function serves browsers with and without
//! scripts, and a form that waited in the browser until the network was back: the same answers
//! give the same bytes, so that sending twice records once.

use std::collections::HashMap;

use jiff::tz::TimeZone;
use jiff::{Timestamp, civil};
use rust_decimal::Decimal;
use serde_json::{Map, Value, json};
use shopfloor::fact::WorkTime;
use shopfloor::ids::{Label, SubjectKind};

use super::kinds::{Field, Input, Kind, Usual};
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

/// A number that is more than nothing; a concentration may be nothing.
fn size(answers: &Answers, name: &str, units: &[Usual]) -> Result<Option<Value>, Mistake> {
    let codes: Vec<&str> = units.iter().map(|usual| usual.unit).collect();
    let Some(value) = quantity(answers, name, &codes) else { return Ok(None) };
    let number: Option<Decimal> = value["value"].as_str().and_then(|text| text.parse().ok());
    let zero_counts = units.iter().any(|usual| usual.least == "0");
    match number {
        Some(number) if number > Decimal::ZERO || (zero_counts && number.is_zero()) => {
            Ok(Some(value))
        }
        Some(_) | None => Err(mistake(name, "size")),
    }
}

/// Name of an answer in a row, rows counted from 0.
pub(super) fn in_row(field: &str, row: usize, column: &str) -> String {
    format!("{field}.{row}.{column}")
}

/// Rows that were filled in, in order.
fn rows(
    field: &Field,
    count: usize,
    columns: &[Field],
    answers: &Answers,
) -> Result<Option<Value>, Mistake> {
    let mut filled = Vec::new();
    for row in 0..count {
        let name = |column: &Field| in_row(field.path, row, column.path);
        if columns.iter().all(|column| answer(answers, &name(column)).is_none()) {
            continue;
        }
        let mut members = Map::new();
        for column in columns {
            let value = match column.input {
                Input::RowNumber => Some(Value::from(filled.len() + 1)),
                _ => read_as(column, &name(column), answers)?,
            };
            match value {
                Some(value) => {
                    members.insert(column.path.to_owned(), value);
                }
                None if column.need => return Err(mistake(name(column), "need")),
                None => {}
            }
        }
        filled.push(Value::Object(members));
    }
    Ok((!filled.is_empty()).then_some(Value::Array(filled)))
}

fn read(field: &Field, answers: &Answers) -> Result<Option<Value>, Mistake> {
    read_as(field, field.path, answers)
}

fn read_as(field: &Field, name: &str, answers: &Answers) -> Result<Option<Value>, Mistake> {
    Ok(match field.input {
        Input::Size(units) => size(answers, name, units)?,
        Input::Rows(count, columns) => rows(field, count, columns, answers)?,
        // Whom the event is about, not what it says: see `event`.
        Input::Wearer => None,
        // Filled in by the rows that have it.
        Input::RowNumber => None,
        Input::Label(_) | Input::Word(_) | Input::Choice(..) | Input::Place(_) => {
            answer(answers, name).map(|text| Value::String(text.to_owned()))
        }
        Input::Me => answer(answers, "person").map(|text| Value::String(text.to_owned())),
        Input::Day => match answer(answers, name) {
            Some(text) if text.parse::<civil::Date>().is_ok() => Some(text.into()),
            Some(_) => return Err(mistake(name, "no_day")),
            None => None,
        },
        Input::Count => match answer(answers, name).map(str::parse::<u32>) {
            Some(Ok(number)) => Some(number.into()),
            Some(Err(_)) => return Err(mistake(name, "count")),
            None => None,
        },
        Input::Many(_) | Input::Ticks(..) => {
            let several = several(answers, name);
            (!several.is_empty()).then(|| several.into())
        }
        Input::Digest => {
            let files = answer(answers, name).map(files);
            files.and_then(|files| files.get(0)?.get("digest").cloned())
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

/// Of several answers to one question: those ticked, each under a name of its own, and those typed,
/// divided by spaces or commas. Each once.
pub(super) fn several(answers: &Answers, name: &str) -> Vec<String> {
    let place = |key: &str| key.strip_prefix(name)?.strip_prefix('.')?.parse::<usize>().ok();
    let mut ticked: Vec<(usize, &str)> =
        answers.iter().filter_map(|(key, value)| Some((place(key)?, value.trim()))).collect();
    ticked.sort_unstable();
    let typed = answer(answers, name).unwrap_or_default();
    let typed = typed.split(|c: char| c.is_whitespace() || matches!(c, ',' | ';'));
    let mut several: Vec<String> = Vec::new();
    for text in ticked.into_iter().map(|(_, text)| text).chain(typed) {
        if !text.is_empty() && !several.iter().any(|known| known == text) {
            several.push(text.to_owned());
        }
    }
    several
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
    for part in ["in", "part"] {
        if let Some(Value::Object(part)) = data.get_mut(part) {
            // A part without a specification has an empty one.
            part.entry("spec").or_insert_with(|| json!({}));
        }
    }
    if kind.event == "stream.determined" {
        // A stream that no list names has no codes.
        data.entry("codes").or_insert_with(|| json!({}));
    }
    certificate(&mut data, &mut mistakes);
    residue(&mut data, &mut mistakes);
    if minutes_of(data.get("samples")) > Decimal::from(24 * 60) {
        mistakes.push(mistake("samples", "day"));
    }
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

/// The certificate of a lot is told with its number and its digest, or not at all.
fn certificate(data: &mut Map<String, Value>, mistakes: &mut Vec<Mistake>) {
    let Some(Value::Object(certificate)) = data.get("certificate") else { return };
    for member in ["number", "digest"].iter().filter(|member| !certificate.contains_key(**member)) {
        mistakes.push(mistake(format!("certificate.{member}"), "need"));
    }
}

/// How long the samples of a shift took together.
fn minutes_of(samples: Option<&Value>) -> Decimal {
    let minutes = |sample: &Value| {
        let duration = &sample["duration"];
        let value: Decimal = duration["value"].as_str()?.parse().ok()?;
        let factor = if duration["unit"] == "h" { 60 } else { 1 };
        value.checked_mul(Decimal::from(factor))
    };
    samples.and_then(Value::as_array).into_iter().flatten().filter_map(minutes).sum()
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
    let worn = kind.fields().find(|field| field.input == Input::Wearer);
    let subject = match worn.and_then(|field| answer(answers, field.path)) {
        Some(person) => format!("{}/{person}", SubjectKind::Person.as_str()),
        None => format!("{}/{subject}", kind.about.as_str()),
    };
    let mut event = json!({
        "specversion": "1.0",
        "id": id,
        "source": SOURCE,
        "type": format!("{}{}", shopfloor::catalogue::TYPE_PREFIX, kind.event),
        "subject": subject,
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

    #[test]
    fn a_shipment_is_offered_with_the_containers_ticked_and_typed() {
        let pairs = [
            ("person", "op_k7"),
            ("document.kind", "manifest"),
            ("document.number", "TD 2026/7"),
            ("containers.10", "D-119"),
            ("containers.2", "D-118"),
            ("containers", "D-120, D-118"),
            ("transporter", "TR-1"),
            ("facility", "FAC-1"),
        ];
        let data = data(kind("shipment_offer").unwrap(), &answers(&pairs)).unwrap();
        assert_eq!(data["containers"], json!(["D-118", "D-119", "D-120"]));
        assert_eq!(data["offered_by"], "op_k7");
        assert_eq!(data["document"], json!({ "kind": "manifest", "number": "TD 2026/7" }));
    }

    #[test]
    fn components_of_a_blend_are_numbered_in_the_order_told() {
        let pairs = [
            ("into", "bin/BN-9"),
            ("components.0.from", "lot_container/A-1"),
            ("components.0.mass", "3"),
            ("components.2.from", "lot_container/B-1"),
            ("components.2.mass", "1,5"),
            ("blender", "BL-1"),
            ("duration", "20"),
        ];
        let data = data(kind("blend").unwrap(), &answers(&pairs)).unwrap();
        let orders: Vec<_> =
            data["components"].as_array().unwrap().iter().map(|c| &c["order"]).collect();
        assert_eq!(orders, [1, 2]);
    }

    #[test]
    fn days_and_counts_are_read_or_named() {
        let mut pairs = vec![("transporter", "TR-1"), ("leg", "1"), ("day", "2026-03-05")];
        let kind = kind("shipment_accept").unwrap();
        assert_eq!(data(kind, &answers(&pairs)).unwrap()["leg"], 1);
        pairs[1] = ("leg", "one");
        pairs[2] = ("day", "soon");
        let found = data(kind, &answers(&pairs)).unwrap_err();
        assert_eq!(found, [mistake("leg", "count"), mistake("day", "no_day")]);
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
    fn a_survey_of_a_room_takes_the_rows_that_were_filled_in() {
        let survey = [
            ("room", "powder-1"),
            ("footprint", "200"),
            ("height", "3"),
            ("bulk_density", "0,45"),
            ("bulk_density.unit", "g/cm3"),
            ("layers.0.depth", "2,2"),
            ("layers.0.area", "10.1"),
            ("layers.3.depth", "200"),
            ("layers.3.depth.unit", "um"),
            ("layers.3.area", "4"),
        ];
        let kind = kind("dust_survey").unwrap();
        let found = data(kind, &answers(&survey)).unwrap();
        assert_eq!(found["bulk_density"], json!({ "value": "0.45", "unit": "g/cm3" }));
        assert_eq!(
            found["layers"],
            json!([
                { "depth": { "value": "2.2", "unit": "mm" }, "area": { "value": "10.1", "unit": "m2" } },
                { "depth": { "value": "200", "unit": "um" }, "area": { "value": "4", "unit": "m2" } },
            ])
        );
        let but = |name: &'static str, value: &'static str| {
            let mut changed = answers(&survey);
            changed.insert(name.to_owned(), value.to_owned());
            data(kind, &changed).unwrap_err()
        };
        assert_eq!(but("height", "0"), [mistake("height", "size")]);
        assert_eq!(but("layers.3.area", ""), [mistake("layers.3.area", "need")]);
        assert_eq!(but("layers.0.depth", "deep"), [mistake("layers.0.depth", "size")]);
    }

    #[test]
    fn an_exposure_is_about_whoever_wore_the_sampler() {
        let mut shift = answers(&[
            ("id", "e-2"),
            ("subject", "north"),
            ("room", "powder-1"),
            ("fraction", "respirable"),
            ("samples.0.concentration", "0.8"),
            ("samples.0.duration", "7"),
            ("samples.0.duration.unit", "h"),
            ("samples.0.assumed", "no"),
            ("samples.1.concentration", "0"),
            ("samples.1.duration", "60"),
            ("samples.1.assumed", "yes"),
        ]);
        let kind = kind("exposure").unwrap();
        let site = Label::new("north").unwrap();
        let made =
            |answers: &Answers| event(kind, answers, &site, &TimeZone::UTC, Timestamp::UNIX_EPOCH);
        assert_eq!(made(&shift).unwrap()["subject"], "site/north");
        shift.insert("worn_by".to_owned(), "op_k7".to_owned());
        let told = made(&shift).unwrap();
        assert_eq!((&told["subject"], &told["site"]), (&json!("person/op_k7"), &json!("north")));
        let canonical = chain::canon::parse(sorted(&told).as_bytes()).unwrap();
        shopfloor::Envelope::read(&canonical).unwrap();
        shift.insert("samples.1.duration".to_owned(), "1080".to_owned());
        assert_eq!(made(&shift).unwrap_err(), [mistake("samples", "day")]);
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
