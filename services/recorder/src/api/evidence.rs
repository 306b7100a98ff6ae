//! The evidence bundle: everything an auditor takes away, in one archive, written as it is sent.

use std::io::{self, Write};
use std::sync::Arc;

use actix_web::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use actix_web::{HttpResponse, get, web};
use chain::bundle::{self, BundleKind, ReadMe};
use futures_util::stream;
use tokio::sync::mpsc;
use zip::write::{SimpleFileOptions, ZipWriter};

use crate::app::{Caller, Recorder};
use crate::limits::{EVIDENCE_CHECKPOINTS_MAX, SCAN_BYTES};
use crate::log::Signed;
use crate::problem::Result;
use crate::reports::{Form, bundle_name};

/// Bytes that are sent in one piece.
const PIECE_BYTES: usize = 64 << 10;
/// Pieces that wait for a slow client before the archive waits too.
const PIECES_WAITING: usize = 8;

/// Take the whole record away, to be checked elsewhere
///
/// A zip archive: every entry up to a checkpoint made now, the published checkpoints, the keys, the
/// policy, the reports issued, and words on what is proved and how to check it. For tokens of every
/// site. Who takes it is noted in the program log.
#[utoipa::path(
    operation_id = "takeEvidence", tag = "reports",
    responses((status = 200, description = "The archive.", body = Vec<u8>, content_type = "application/zip")),
)]
#[get("/v1/evidence")]
pub(super) async fn take_evidence(
    recorder: web::Data<Recorder>,
    caller: Caller,
) -> Result<HttpResponse> {
    caller.demand_every_site()?;
    let export = recorder.export()?;
    let signed = recorder.log.publish().await?;
    let (pieces, rest) = mpsc::channel::<io::Result<web::Bytes>>(PIECES_WAITING);
    let shared = recorder.clone().into_inner();
    let name = format!("evidence-{}.zip", signed.size);
    // A thread of its own: it may take as long as the client does.
    tokio::task::spawn_blocking(move || {
        let _export = export;
        let mut out = Pieces { buffer: Vec::with_capacity(PIECE_BYTES), pieces };
        if let Err(error) = archive(&shared, &signed, &mut out) {
            tracing::warn!(%error, "the evidence was not sent whole");
            // An archive without its end is recognised as broken by whoever opens it.
            let _ = out.pieces.blocking_send(Err(io::Error::other("broken off")));
        }
    });
    let body = stream::unfold(rest, |mut rest| async {
        let piece = rest.recv().await?;
        Some((piece, rest))
    });
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "application/zip"))
        .insert_header((CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")))
        .streaming(body))
}

/// Gathers bytes and passes them on piece by piece; waits while the client is slow.
struct Pieces {
    buffer: Vec<u8>,
    pieces: mpsc::Sender<io::Result<web::Bytes>>,
}

impl Pieces {
    fn pass_on(&mut self) -> io::Result<()> {
        if self.buffer.is_empty() {
            return Ok(());
        }
        let full = std::mem::replace(&mut self.buffer, Vec::with_capacity(PIECE_BYTES));
        let gone = |_| io::Error::new(io::ErrorKind::BrokenPipe, "the client went away");
        self.pieces.blocking_send(Ok(web::Bytes::from(full))).map_err(gone)
    }
}

impl Write for Pieces {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.buffer.extend_from_slice(bytes);
        if self.buffer.len() >= PIECE_BYTES {
            self.pass_on()?;
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.pass_on()
    }
}

fn archive(recorder: &Arc<Recorder>, signed: &Signed, out: &mut Pieces) -> anyhow::Result<()> {
    let log = &recorder.log;
    let keys = recorder.witnesses.keys().to_string();
    let policy = recorder.witnesses.policy().to_string();
    let read_me = ReadMe {
        kind: BundleKind::Full,
        origin: log.origin(),
        entries: signed.size,
        checkpoint_size: signed.size,
        root: signed.root,
        keys: keys.as_bytes(),
        policy: policy.as_bytes(),
    };
    let mut zip = ZipWriter::new_stream(&mut *out);
    let options = SimpleFileOptions::default();
    let file = |zip: &mut ZipWriter<_>, name: &str, bytes: &[u8]| -> anyhow::Result<()> {
        zip.start_file(name, options)?;
        Ok(zip.write_all(bytes)?)
    };
    file(&mut zip, bundle::READ_ME, read_me.text().as_bytes())?;
    file(&mut zip, bundle::KEYS, keys.as_bytes())?;
    file(&mut zip, bundle::POLICY, policy.as_bytes())?;
    let sizes = log.checkpoint_sizes()?;
    let held: Vec<u64> = sizes.into_iter().filter(|size| *size <= signed.size).collect();
    let newest = held.len().saturating_sub(EVIDENCE_CHECKPOINTS_MAX);
    // The one that enough witnesses cosigned may be older than all of these.
    let covered = recorder.witnesses.covered().map(|covered| covered.size);
    let older = held[..newest].iter().filter(|size| Some(**size) == covered);
    for size in older.chain(&held[newest..]) {
        if let Some(note) = log.checkpoint(*size)? {
            file(&mut zip, &bundle::checkpoint_name(*size), &note)?;
        }
    }
    for issued in log.ask(|state| state.record.reports().to_vec()) {
        for form in Form::ALL {
            let digest = &issued.report.digest;
            if let Some(bytes) = recorder.reports.get(digest, *form, None)? {
                file(&mut zip, &bundle_name(&issued.report, issued.seq, *form), &bytes)?;
            }
        }
    }
    // Entries may outgrow what the old form of zip can count.
    zip.start_file(bundle::ENTRIES, options.large_file(true))?;
    let mut from = 0;
    while from < signed.size {
        let chunk = log.scan(from, SCAN_BYTES)?;
        anyhow::ensure!(!chunk.is_empty(), "entry {from} is not there");
        for (_, line) in chunk.iter().take_while(|(seq, _)| *seq < signed.size) {
            zip.write_all(line)?;
            zip.write_all(b"\n")?;
        }
        from = chunk.end();
    }
    zip.finish()?;
    out.flush()?;
    Ok(())
}
