//! Earlier moments that questions are asked about.

use jiff::Timestamp;

use crate::app::Recorder;
use crate::problem::{Problem, Result, echo};

/// The log at an earlier time.
#[derive(Debug, Clone, Copy)]
pub(super) struct Moment {
    /// Entries it held.
    pub(super) known: u64,
    /// The time.
    pub(super) at: Timestamp,
}

/// The parameter `as_of`: a number of entries, or a time. `None`: now.
pub(super) async fn resolve(recorder: &Recorder, as_of: Option<&str>) -> Result<Option<Moment>> {
    let Some(text) = as_of else { return Ok(None) };
    let log = recorder.log.clone();
    let parameter = |detail: String| Problem::parameter("as_of", detail);
    if let Ok(known) = text.parse::<u64>() {
        let size = log.size();
        if known == 0 || known > size {
            return Err(parameter(format!("1 to {size} entries is wanted")));
        }
        let recorded = recorder.blocking(move || Ok(log.recorded_at_ms(known - 1)?)).await?;
        let at = recorded.and_then(|ms| Timestamp::from_millisecond(ms).ok());
        return Ok(Some(Moment { known, at: at.ok_or_else(Problem::not_found)? }));
    }
    let at: Timestamp = text.parse().map_err(|_| {
        let text = echo(text);
        parameter(format!("`{text}` is neither a number of entries nor a time of RFC 3339"))
    })?;
    if at > recorder.now() {
        return Err(parameter("a time that is not past yet has no answer".to_owned()));
    }
    let known = recorder.blocking(move || Ok(log.recorded_by(at.as_millisecond())?)).await?;
    Ok(Some(Moment { known, at }))
}
