//! Excerpts: single entries with their proofs, for somebody who may not or need not see the rest.
//!
//! With one line of an issued report an excerpt holds the entries the line rests on and the entry
//! that tells of the report's digest. Whoever has the report, the excerpt and the log's key needs
//! nothing else to see that this report was issued and that these entries are in the log.

use std::collections::BTreeSet;
use std::io::{Cursor, Write as _};
use std::sync::Arc;

use actix_web::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use actix_web::{HttpResponse, get, web};
use chain::bundle::{self, BundleKind, ReadMe};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use shopfloor::ids::FileDigest;
use shopfloor::record::events::ReportIssued;
use zip::write::{SimpleFileOptions, ZipWriter};

use super::entries::visible;
use super::reports::issued;
use crate::app::{Caller, Recorder};
use crate::authn::Identity;
use crate::limits::EXCERPT_ENTRIES_MAX;
use crate::log::Signed;
use crate::problem::{Problem, Result};
use crate::reports::Form;

/// Which entries.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ExcerptQuery {
    /// Numbers of entries, divided by commas: `4,9,17`.
    pub entries: String,
}

/// Which line of a report.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct LineQuery {
    /// JSON pointer (RFC 6901) to a line of the machine-readable form that names its `entries` or its
    /// one `entry`: `/containers/3`, `/parts/0`.
    pub line: String,
}

/// Take single entries with their proofs
///
/// A zip archive: the entries, a tlog-proof file for each, keys, policy, and words on what is proved.
/// It proves that these entries are in the log, and nothing about others.
#[utoipa::path(
    operation_id = "takeExcerpt", tag = "reports",
    params(ExcerptQuery),
    responses((status = 200, description = "The archive.", body = Vec<u8>, content_type = "application/zip")),
)]
#[get("/v1/excerpt")]
pub(super) async fn take_excerpt(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<ExcerptQuery>,
) -> Result<HttpResponse> {
    let numbers = query.entries.split(',').map(|number| number.parse().ok());
    let seqs: Option<BTreeSet<u64>> = numbers.collect();
    let seqs = seqs.ok_or_else(|| {
        Problem::parameter("entries", "numbers of entries are wanted, divided by commas")
    })?;
    let entries = read(&recorder, &caller, seqs, "entries")?;
    answer(&recorder, entries, "excerpt").await
}

/// Take the proof of one line of an issued report
///
/// A zip archive as of `takeExcerpt`: the entries the line rests on, and the entry that records the
/// digest of the report. Together with the report in its machine-readable form and the log's key it
/// is enough to check that line offline.
#[utoipa::path(
    operation_id = "proveReportLine", tag = "reports",
    params(
        ("digest" = String, Path, description = "SHA-256 of the machine-readable form, 64 hexadecimal digits."),
        LineQuery,
    ),
    responses((status = 200, description = "The archive.", body = Vec<u8>, content_type = "application/zip")),
)]
#[get("/v1/reports/{digest}/excerpt")]
pub(super) async fn prove_report_line(
    recorder: web::Data<Recorder>,
    caller: Caller,
    digest: web::Path<String>,
    query: web::Query<LineQuery>,
) -> Result<HttpResponse> {
    proved(&recorder, &caller, &digest, &query.line).await
}

/// A report as it was issued: the entry that tells of it, what it tells, and its machine-readable
/// form.
pub(crate) async fn as_data(
    recorder: &web::Data<Recorder>,
    who: &Identity,
    digest: &str,
) -> Result<(u64, ReportIssued, Vec<u8>)> {
    let (seq, report) = issued(recorder, who, digest)?;
    let (shared, digest) = (recorder.clone(), report.digest.clone());
    let read_report = move || Ok(shared.reports.get(&digest, Form::Json, Some(&digest))?);
    let json = recorder.blocking(read_report).await?.ok_or_else(Problem::not_found)?;
    Ok((seq, report, json))
}

/// The proof of one line of an issued report.
pub(crate) async fn proved(
    recorder: &web::Data<Recorder>,
    who: &Identity,
    digest: &str,
    line: &str,
) -> Result<HttpResponse> {
    let (seq, report, json) = as_data(recorder, who, digest).await?;
    let seqs = line_entries(&json, line).ok_or_else(|| {
        Problem::parameter(
            "line",
            "a JSON pointer to a line that names its `entries` or `entry` is wanted",
        )
    })?;
    let mut entries = read(recorder, who, seqs, "line")?;
    // It belongs to no site; who may read the report may read that it was issued.
    let issue = recorder.log.entry(seq)?.ok_or_else(Problem::not_found)?;
    entries.push((seq, issue));
    entries.sort_unstable();
    entries.dedup();
    answer(recorder, entries, &name_of(&report.digest)).await
}

fn name_of(digest: &FileDigest) -> String {
    format!("excerpt-{}", &digest.as_str()[..12])
}

/// The entries that a line of a report names.
fn line_entries(json: &[u8], pointer: &str) -> Option<BTreeSet<u64>> {
    let report: Value = serde_json::from_slice(json).ok()?;
    named_entries(report.pointer(pointer)?)
}

/// The entries that a value of a report names as what it rests on.
fn named_entries(line: &Value) -> Option<BTreeSet<u64>> {
    let one = line.get("entry").map(std::slice::from_ref);
    let entries = line.get("entries").and_then(Value::as_array).map(Vec::as_slice).or(one)?;
    let seqs: BTreeSet<u64> = entries.iter().map(Value::as_u64).collect::<Option<_>>()?;
    (!seqs.is_empty()).then_some(seqs)
}

/// A line of a report that can be proved.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Line {
    /// JSON pointer (RFC 6901) into the machine-readable form.
    pub(crate) pointer: String,
    /// Its first values, so that a reader finds it in the print.
    pub(crate) told: String,
    /// The entries it rests on, ascending.
    pub(crate) entries: BTreeSet<u64>,
}

/// Every line of a report that names the entries it rests on, in the order of the report.
pub(crate) fn lines(json: &[u8]) -> Vec<Line> {
    fn walk(value: &Value, pointer: &str, out: &mut Vec<Line>) {
        if let Some(entries) = named_entries(value) {
            out.push(Line { pointer: pointer.to_owned(), told: first_values(value), entries });
        }
        match value {
            Value::Object(members) => {
                for (name, inner) in members {
                    let name = name.replace('~', "~0").replace('/', "~1");
                    walk(inner, &format!("{pointer}/{name}"), out);
                }
            }
            Value::Array(items) => {
                for (number, inner) in items.iter().enumerate() {
                    walk(inner, &format!("{pointer}/{number}"), out);
                }
            }
            Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
        }
    }
    let mut out = Vec::new();
    if let Ok(report) = serde_json::from_slice(json) {
        walk(&report, "", &mut out);
    }
    out
}

/// The first words and numbers of a line.
fn first_values(line: &Value) -> String {
    const SHOWN: usize = 4;
    const LONG: usize = 40;
    let members = line.as_object().into_iter().flatten();
    let texts = members.filter_map(|(name, value)| match value {
        Value::String(text) if text.len() <= LONG => Some(text.clone()),
        Value::Number(number) if name != "entry" => Some(number.to_string()),
        _ => None,
    });
    texts.take(SHOWN).collect::<Vec<_>>().join(" · ")
}

type Entries = Vec<(u64, Vec<u8>)>;

fn read(
    recorder: &Recorder,
    who: &Identity,
    seqs: BTreeSet<u64>,
    parameter: &'static str,
) -> Result<Entries> {
    if seqs.len() > EXCERPT_ENTRIES_MAX {
        let detail = format!("an excerpt has at most {EXCERPT_ENTRIES_MAX} entries");
        return Err(Problem::parameter(parameter, detail));
    }
    seqs.into_iter().map(|seq| Ok((seq, visible(recorder, who, seq)?))).collect()
}

async fn answer(
    recorder: &web::Data<Recorder>,
    entries: Entries,
    name: &str,
) -> Result<HttpResponse> {
    let _export = recorder.export()?;
    let last = entries.last().map_or(0, |(seq, _)| *seq);
    // For a stranger a checkpoint is worth what others say to it.
    let signed = recorder.witnesses.cosigned(recorder.checkpoint_over(last).await?).await;
    let shared = recorder.clone().into_inner();
    let packed =
        move || pack(&shared, &signed, &entries).map_err(|error| Problem::internal(&*error));
    let bytes = recorder.blocking(packed).await?;
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "application/zip"))
        .insert_header((CONTENT_DISPOSITION, format!("attachment; filename=\"{name}.zip\"")))
        .body(bytes))
}

fn pack(
    recorder: &Arc<Recorder>,
    signed: &Signed,
    entries: &Entries,
) -> std::result::Result<Vec<u8>, Box<dyn std::error::Error + Send + Sync>> {
    let keys = recorder.witnesses.keys().to_string();
    let policy = recorder.witnesses.policy().to_string();
    let read_me = ReadMe {
        kind: BundleKind::Excerpt,
        origin: recorder.log.origin(),
        entries: entries.len() as u64,
        checkpoint_size: signed.size,
        root: signed.root,
        keys: keys.as_bytes(),
        policy: policy.as_bytes(),
    };
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    let mut file = |name: &str, bytes: &[u8]| -> std::result::Result<(), zip::result::ZipError> {
        zip.start_file(name, SimpleFileOptions::default())?;
        Ok(zip.write_all(bytes)?)
    };
    file(bundle::READ_ME, read_me.text().as_bytes())?;
    file(bundle::KEYS, keys.as_bytes())?;
    file(bundle::POLICY, policy.as_bytes())?;
    let lines: Vec<u8> = entries.iter().flat_map(|(_, line)| [line, &b"\n"[..]].concat()).collect();
    file(bundle::ENTRIES, &lines)?;
    for (seq, _) in entries {
        let proof = recorder.log.proof(*seq, signed)?;
        file(&bundle::proof_name(*seq), proof.to_string().as_bytes())?;
    }
    Ok(zip.finish()?.into_inner())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_of_a_report_are_found_with_their_pointers() {
        let report = br#"{"containers":[{"container":"D-1","entries":[4,9],"net_kg":"3.2"},
            {"container":"D-2","entries":[]}],"parts":{"a/b":{"entry":7,"serial":"SV-1"}}}"#;
        let line = |pointer: &str, told: &str, entries: &[u64]| Line {
            pointer: pointer.to_owned(),
            told: told.to_owned(),
            entries: entries.iter().copied().collect(),
        };
        let found = lines(report);
        assert_eq!(
            found,
            [line("/containers/0", "D-1 · 3.2", &[4, 9]), line("/parts/a~1b", "SV-1", &[7])]
        );
        for line in found {
            assert_eq!(line_entries(report, &line.pointer), Some(line.entries));
        }
    }
}
