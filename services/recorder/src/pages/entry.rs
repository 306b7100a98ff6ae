//! One entry: what was recorded, its hash and the one before, corrections beside the first value,
//! signatures, findings, and the way to its proof.

use actix_web::{HttpRequest, HttpResponse, web};
use chain::entry::{Entry, EntryView, leaf_hash};
use shopfloor::ids::Label;
use shopfloor::{Event, Fact};

use super::parts::{Block, BlocksPage, Cell, Table, facts};
use super::then::Then;
use super::visit::{self, Fault, Shown, Visit};
use super::words::Words;
use crate::log::LogError;

/// Most entries of a timeline.
pub(crate) const TIMELINE_MAX: usize = 60;
/// Most entries of it that came after an earlier moment.
const LATER_SHOWN: usize = 20;

/// The site of a stored entry; `None` if its event names none.
fn site_of(entry: &[u8]) -> Option<Label> {
    let view = EntryView::parse(entry).ok()?;
    let event = chain::canon::check(view.event).ok()?;
    Label::new(event.get("site")?.as_str()?).ok()
}

/// The bytes of an entry, if this person may see it.
fn bytes(visit: &Visit, seq: u64) -> Result<Option<Vec<u8>>, Fault> {
    let Some(bytes) = visit.recorder.log.entry(seq)? else { return Ok(None) };
    Ok(visit.may_see(site_of(&bytes).as_ref()).then_some(bytes))
}

fn parsed(bytes: &[u8]) -> Result<Entry, Fault> {
    Entry::parse(bytes).map_err(|error| LogError::Failed(error.to_string()).into())
}

/// The fact of an entry, if this person may see it.
pub(crate) fn fact(visit: &Visit, seq: u64) -> Result<Option<Fact>, Fault> {
    let Some(bytes) = bytes(visit, seq)? else { return Ok(None) };
    Ok(Fact::from_entry(&parsed(&bytes)?).ok())
}

/// The page.
pub(crate) async fn entry(request: HttpRequest, seq: web::Path<u64>) -> HttpResponse {
    visit::show(&request, "entry", async |visit| page(visit, *seq)).await
}

/// The proof file, as the API gives it.
pub(crate) async fn proof(request: HttpRequest, seq: web::Path<u64>) -> HttpResponse {
    visit::show(&request, "entry", async |visit| {
        let log = visit.recorder.log.clone();
        bytes(visit, *seq)?.ok_or(Fault::NotFound)?;
        let checkpoint = match log.published().filter(|signed| signed.size > *seq) {
            Some(signed) => signed,
            None => log.publish().await?,
        };
        let seq = *seq;
        let proof = web::block(move || log.proof(seq, &checkpoint)).await;
        let proof = proof.map_err(|error| LogError::Failed(error.to_string()))??;
        let name = format!("attachment; filename=\"{seq}.tlog-proof\"");
        Ok(HttpResponse::Ok()
            .content_type("text/plain; charset=utf-8")
            .insert_header(("content-disposition", name))
            .body(proof.to_string()))
    })
    .await
}

/// The entry's bytes, as they were hashed.
pub(crate) async fn raw(request: HttpRequest, seq: web::Path<u64>) -> HttpResponse {
    visit::show(&request, "entry", async |visit| {
        let bytes = bytes(visit, *seq)?.ok_or(Fault::NotFound)?;
        Ok(HttpResponse::Ok().content_type("application/json").body(bytes))
    })
    .await
}

fn page(visit: &Visit, seq: u64) -> Shown {
    let bytes = bytes(visit, seq)?.ok_or(Fault::NotFound)?;
    let entry = parsed(&bytes)?;
    let fact = Fact::from_entry(&entry).ok();
    let words = visit.words;
    let page = visit.recorder.log.ask(|state| {
        let zone = visit.zone(state, fact.as_ref().and_then(|f| f.site.as_ref()));
        let amendments = state.record.amendments(seq);
        let original = fact.as_ref().map(|f| f.event.data()).unwrap_or_default();
        let mut values =
            flat(words, &original).into_iter().map(|(name, value)| (name, vec![value])).collect();
        for amendment in amendments {
            let data = amendment.event.as_ref().map(Event::data).unwrap_or_default();
            correct(&mut values, &flat(words, &data));
        }
        let mut blocks = Vec::new();
        if let Some(last) = amendments.last() {
            let key = if last.event.is_some() { "entry.corrected" } else { "entry.void" };
            blocks.push(Block::Words(words.n(key, last.by)));
        }
        if let Some(fact) = &fact {
            blocks.push(head(visit, fact, &zone));
        }
        blocks.push(Block::Table(contents(visit, &values, amendments.len())));
        if !amendments.is_empty() {
            let rows = amendments.iter().map(|a| {
                vec![
                    Cell::Entries(vec![a.by]),
                    Cell::Text(reason(visit, &a.reason.to_string())),
                    Cell::Text(a.approver.to_string()),
                ]
            });
            blocks.push(Block::Table(
                Table::new(words, "entry.amendments", &["entry", "reason", "approver"]).with(rows),
            ));
        }
        let rows = state.record.signatures(seq).map(|s| {
            vec![
                Cell::Text(s.person.to_string()),
                Cell::Text(words.code("meaning", s.meaning.as_str())),
                Cell::Text(words.moment(s.time_ms, &zone)),
                Cell::Entries(vec![s.seq]),
            ]
        });
        blocks.push(Block::Table(
            Table::new(words, "entry.signatures", &["person", "meaning", "recorded", "entry"])
                .with(rows),
        ));
        let rows =
            state.findings.of_entry(seq).iter().map(|f| super::lists::finding_row(visit, f, &zone));
        blocks.push(Block::Table(
            Table::new(words, "entry.findings", super::lists::FINDING_COLUMNS).with(rows),
        ));
        blocks.push(Block::Heading(words.t("entry.chain").to_owned()));
        blocks.push(facts(
            words,
            vec![
                ("leaf", Cell::Text(leaf_hash(&bytes).to_string())),
                ("prev", Cell::Text(entry.prev.to_string())),
                ("recorded", Cell::Text(words.moment(entry.recorded_at_ms, &zone))),
                ("actor", Cell::Text(entry.actor.id.clone())),
                ("client_signature", Cell::maybe(entry.sig.as_ref().map(|s| s.by.clone()))),
            ],
        ));
        let mut doing = vec![
            (format!("/entries/{seq}/raw"), words.t("entry.raw").to_owned()),
            (format!("/entries/{seq}/proof"), words.t("entry.proof").to_owned()),
        ];
        if let Some(before) = seq.checked_sub(1) {
            doing.push((format!("/entries/{before}"), words.n("entry.before", before)));
        }
        if seq + 1 < state.as_of {
            doing.push((format!("/entries/{}", seq + 1), words.n("entry.after", seq + 1)));
        }
        blocks.push(Block::Doing(doing));
        let name = fact.as_ref().map_or("", |f| f.event.kind().name);
        BlocksPage {
            top: visit.top(words.n("entry.title", seq), Some(state.as_of)),
            lead: words.code("event", name),
            blocks,
        }
    });
    visit.page(&page)
}

fn reason(visit: &Visit, code: &str) -> String {
    visit.words.code("reason", code)
}

fn head(visit: &Visit, fact: &Fact, zone: &jiff::tz::TimeZone) -> Block {
    let who = fact.performer.person().map_or_else(|| "–".to_owned(), ToString::to_string);
    facts(
        visit.words,
        vec![
            ("subject", Cell::subject(&fact.subject)),
            ("done", Cell::Text(visit.words.moment(fact.time.ms(), zone))),
            ("person", Cell::Text(who)),
            ("site", Cell::maybe(fact.site.as_ref())),
            // As recorded: what programs look for.
            ("event", Cell::Text(fact.event.kind().name.to_owned())),
        ],
    )
}

type Values = Vec<(String, Vec<String>)>;

/// The values of a form by their path. A quantity is one value.
fn flat(words: &'static Words, data: &serde_json::Value) -> Vec<(String, String)> {
    fn walk(
        words: &'static Words,
        path: &str,
        value: &serde_json::Value,
        out: &mut Vec<(String, String)>,
    ) {
        match value {
            serde_json::Value::Object(members) => {
                if let (Some(value), Some(unit), 2) =
                    (members.get("value"), members.get("unit"), members.len())
                {
                    let number = words.number(value.as_str().unwrap_or_default());
                    let unit = match unit.as_str().unwrap_or_default() {
                        // A bare number.
                        "1" => String::new(),
                        unit => format!(" {}", words.code("unit", unit)),
                    };
                    out.push((path.to_owned(), format!("{number}{unit}")));
                } else if let (Some(check), Some(ok), 2) =
                    (members.get("check"), members.get("ok"), members.len())
                {
                    let ok = yes_no(words, ok.as_bool() == Some(true));
                    out.push((check.as_str().unwrap_or_default().to_owned(), ok));
                } else {
                    for (name, value) in members {
                        let path =
                            if path.is_empty() { name.clone() } else { format!("{path}.{name}") };
                        walk(words, &path, value, out);
                    }
                }
            }
            serde_json::Value::Array(items) => {
                for (number, item) in items.iter().enumerate() {
                    walk(words, &format!("{path}.{}", number + 1), item, out);
                }
            }
            serde_json::Value::String(text) => out.push((path.to_owned(), text.clone())),
            serde_json::Value::Bool(answer) => {
                out.push((path.to_owned(), yes_no(words, *answer)));
            }
            other => out.push((path.to_owned(), other.to_string())),
        }
    }
    let mut out = Vec::new();
    walk(words, "", data, &mut out);
    out
}

fn yes_no(words: &'static Words, yes: bool) -> String {
    words.t(if yes { "form.yes" } else { "form.no" }).to_owned()
}

/// Puts the values of a correction beside those before; a value that is gone leaves a dash.
fn correct(values: &mut Values, corrected: &[(String, String)]) {
    let so_far = values.first().map_or(1, |(_, columns)| columns.len());
    for (name, columns) in values.iter_mut() {
        let new = corrected.iter().find(|(n, _)| n == name).map(|(_, v)| v.clone());
        columns.push(new.unwrap_or_else(|| "–".to_owned()));
    }
    for (name, value) in corrected {
        if !values.iter().any(|(n, _)| n == name) {
            let mut columns = vec!["–".to_owned(); so_far];
            columns.push(value.clone());
            values.push((name.clone(), columns));
        }
    }
}

fn contents(visit: &Visit, values: &Values, corrections: usize) -> Table {
    let words = visit.words;
    let mut table = Table::new(words, "entry.contents", &["member", "recorded_value"]);
    for number in 1..=corrections {
        table.columns.push(words.n("entry.correction", number));
    }
    table.with(values.iter().map(|(name, columns)| {
        let changed = columns.windows(2).any(|pair| pair[0] != pair[1]);
        let mut row = vec![Cell::Text(member(words, name))];
        row.extend(columns.iter().map(|value| {
            if changed { Cell::Strong(value.clone()) } else { Cell::Text(value.clone()) }
        }));
        row
    }))
}

/// What a member of an event is called: the question of the form that asks for it, else its path.
fn member(words: &'static Words, path: &str) -> String {
    let asked = words.t(&format!("field.{}", path.replace('.', "_")));
    if asked == "?" { words.code("check", path) } else { asked.to_owned() }
}

/// Entries about a subject as a table: the newest, or those around an earlier moment, with what came
/// after it marked.
pub(crate) fn timeline(
    visit: &Visit,
    entries: &[u64],
    zone: &jiff::tz::TimeZone,
    then: Option<&Then>,
) -> Result<Table, Fault> {
    let words = visit.words;
    let newest = then.map_or(entries.len(), |then| {
        let told = entries.partition_point(|seq| *seq < then.known);
        entries.len().min(told + LATER_SHOWN)
    });
    let from = newest.saturating_sub(TIMELINE_MAX);
    let columns: &[&str] = &["done", "event", "what", "person", "entry"];
    let mut table = Table::new(words, "thing.timeline", columns);
    if then.is_some() {
        table.columns.insert(0, words.t("column.then").to_owned());
    }
    let mut facts = Vec::new();
    for seq in &entries[from..newest] {
        facts.extend(fact(visit, *seq)?);
    }
    // In order of work, newest first: a late entry stands where the work was done.
    facts.sort_by_key(|fact| std::cmp::Reverse((fact.time.ms(), fact.seq)));
    table.rows.extend(facts.iter().map(|fact| {
        let who = fact.performer.person().map_or_else(|| "–".to_owned(), ToString::to_string);
        let mut row = vec![
            Cell::Text(words.moment(fact.time.ms(), zone)),
            Cell::Text(words.code("event", fact.event.kind().name)),
            Cell::Text(short(words, &fact.event.data())),
            Cell::Text(who),
            Cell::Entries(vec![fact.seq]),
        ];
        if let Some(then) = then {
            let later = then.is_before(fact.time.ms(), fact.seq);
            let cell = if later {
                Cell::Strong(words.t("then.later").to_owned())
            } else {
                Cell::Text(words.t("then.told").to_owned())
            };
            row.insert(0, cell);
        }
        row
    }));
    let hidden = [("thing.earlier", from), ("thing.later", entries.len() - newest)];
    for (key, count) in hidden.into_iter().filter(|(_, count)| *count > 0) {
        table.caption = format!("{} ({})", table.caption, words.n(key, count));
    }
    Ok(table)
}

/// The first few values of a form in one line.
fn short(words: &'static Words, data: &serde_json::Value) -> String {
    const SHOWN: usize = 3;
    let mut values = flat(words, data);
    // Digests and steps answered yes tell a reader nothing; they stand on the page of the entry.
    let yes = yes_no(words, true);
    values.retain(|(_, value)| value.len() < 40 && *value != yes);
    let more = if values.len() > SHOWN { " …" } else { "" };
    let shown = values.iter().take(SHOWN).map(|(_, value)| value.as_str());
    format!("{}{more}", shown.collect::<Vec<_>>().join(", "))
}

/// Entries about a subject and those that amend them, ascending.
pub(crate) fn about(visit: &Visit, subject: &str) -> Result<Vec<u64>, Fault> {
    const MAX: usize = 100_000;
    Ok(with_amendments(visit, visit.recorder.log.by_subject(subject, 0, MAX)?))
}

/// Entries with those that corrected or voided them, ascending.
pub(crate) fn with_amendments(visit: &Visit, mut entries: Vec<u64>) -> Vec<u64> {
    let amendments: Vec<u64> = visit.recorder.log.ask(|state| {
        let of = |seq: &u64| state.record.amendments(*seq).iter().map(|amendment| amendment.by);
        entries.iter().flat_map(of).collect()
    });
    entries.extend(amendments);
    entries.sort_unstable();
    entries.dedup();
    entries
}
