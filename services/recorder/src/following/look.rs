//! One look at a followed log: its checkpoint, the entries up to it, the proofs that they belong
//! together.

use std::sync::Arc;

use chain::Digest;
use chain::entry::Entry;
use chain::limits::ENTRY_BYTES_MAX;
use ledger::LedgerError;
use ledger::mirror::{Comparison, Mirror, NotTaken};
use shopfloor::record::events::Contradiction;
use shopfloor::{Event, Fact};

use super::{Followed, Inner, locked};
use crate::api::feed::FeedPage;
use crate::api::log::ConsistencyView;
use crate::limits::FOLLOW_PAGE;
use crate::log::Signed;

/// Longest answer that is read, in bytes: a page of the feed with every entry at its longest.
const ANSWER_BYTES_MAX: usize = FOLLOW_PAGE * (ENTRY_BYTES_MAX + 256) + 4_096;

/// Why a look led to nothing.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Trouble {
    /// No connection, none with a certificate that is trusted, or no answer in time.
    #[error("it could not be reached")]
    Unreachable,
    /// A status other than 200. 401 and 403: its operator has to give another token.
    #[error("it refused with status {0}")]
    Refused(u16),
    /// The file with the token cannot be read.
    #[error("`following.logs.token_file` cannot be read or holds no token")]
    NoToken,
    /// An answer without a checkpoint of the configured key, or of another form than is agreed.
    #[error("its answer is not what was asked for, or not signed by the configured key")]
    Unusable,
    /// Entries are left out: the token is not for every site.
    #[error("entry `{0}` is left out of its feed: a token for every site of that log is needed")]
    NotWhole(u64),
    /// It shows what cannot be true beside what was kept.
    #[error("it contradicts what was kept of it at entry `{at}`: {contradiction}")]
    Contradicts {
        /// In which way.
        contradiction: Contradiction,
        /// First entry in doubt.
        at: u64,
        /// The checkpoint that was kept before; `None` if there was none yet.
        kept: Option<Box<Signed>>,
        /// The checkpoint it showed.
        shown: Box<Signed>,
    },
    /// The mirror failed.
    #[error("what is kept of it cannot be read or written: {0}")]
    Mirror(String),
}

impl Trouble {
    /// A word from a closed set, for counters.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Unreachable => "unreachable",
            Self::Refused(_) => "refused",
            Self::NoToken => "no_token",
            Self::Unusable => "unusable",
            Self::NotWhole(_) => "not_whole",
            Self::Contradicts { contradiction, .. } => contradiction.as_str(),
            Self::Mirror(_) => "mirror",
        }
    }
}

impl From<LedgerError> for Trouble {
    fn from(error: LedgerError) -> Self {
        Self::Mirror(error.to_string())
    }
}

impl Inner {
    /// Fetches what is new of a log, and returns the checkpoint that it showed and that now stands
    /// over everything here.
    pub(super) async fn fetch(&self, followed: &Followed) -> Result<Signed, Trouble> {
        let note = self.get(followed, "/log/checkpoint", None).await?;
        let shown = with_mirror(followed, move |mirror| {
            mirror.read(&note).ok().flatten().ok_or(Trouble::Unusable)
        });
        let shown = shown.await?;
        loop {
            let seen = shown.clone();
            let compared =
                with_mirror(followed, move |mirror| Ok((mirror.compare(&seen)?, mirror.count())));
            match compared.await? {
                (Comparison::Same, _) => {
                    let seen = shown.clone();
                    with_mirror(followed, move |mirror| Ok(keep_newer(mirror, &seen)?)).await?;
                    self.remember(followed, &shown).await?;
                    return Ok(shown);
                }
                (Comparison::Contradicts(contradiction, at), _) => {
                    let kept = followed.view.kept().map(Box::new);
                    let shown = Box::new(shown);
                    return Err(Trouble::Contradicts { contradiction, at, kept, shown });
                }
                (Comparison::Longer, here) => self.take_page(followed, here, &shown).await?,
            }
        }
    }

    /// Takes the next page of entries in, if it lies under the checkpoint.
    async fn take_page(
        &self,
        followed: &Followed,
        here: u64,
        shown: &Signed,
    ) -> Result<(), Trouble> {
        let token = self.token(followed).await?;
        let after = here.checked_sub(1).map_or_else(String::new, |last| format!("&after={last}"));
        let path = format!("/v1/feed?limit={FOLLOW_PAGE}{after}");
        let page = self.get(followed, &path, Some(&token)).await?;
        let page: FeedPage = serde_json::from_slice(&page).map_err(|_| Trouble::Unusable)?;
        let mut lines: Vec<String> = Vec::with_capacity(page.items.len());
        for (wanted, item) in (here..shown.size).zip(page.items) {
            if item.seq != wanted {
                return Err(Trouble::NotWhole(wanted));
            }
            lines.push(Box::<str>::from(item.entry).into_string());
        }
        let end = here + lines.len() as u64;
        if lines.is_empty() {
            // The signed checkpoint says that there are more: what is not listed is left out.
            return Err(Trouble::NotWhole(here));
        }
        let proof = match end == shown.size {
            true => Vec::new(),
            false => self.consistency(followed, end, shown.size).await?,
        };
        let shown = shown.clone();
        let taken = with_mirror(followed, move |mirror| {
            let lines: Vec<&[u8]> = lines.iter().map(String::as_bytes).collect();
            match mirror.take(&lines, &shown, &proof) {
                Ok(()) => Ok(()),
                Err(NotTaken::Failed(error)) => Err(error.into()),
                Err(NotTaken::NotAsSigned { at, what }) => {
                    tracing::debug!(at, what, "entries were not taken in");
                    let contradiction = Contradiction::NotAsSigned;
                    let kept = mirror.view().kept().map(Box::new);
                    Err(Trouble::Contradicts { contradiction, at, kept, shown: Box::new(shown) })
                }
            }
        });
        taken.await
    }

    /// Compares the mirror with the checkpoint that the own log keeps: a mirror that was lost and begun
    /// anew has forgotten what the log has not.
    async fn remember(&self, followed: &Followed, shown: &Signed) -> Result<(), Trouble> {
        let Some(seq) = followed.kept_by(&self.log) else { return Ok(()) };
        if locked(&followed.standing).remembered == Some(seq) {
            return Ok(());
        }
        let line = self.log.entry(seq).map_err(|error| Trouble::Mirror(error.to_string()))?;
        let Some(note) = line.and_then(|line| note_in(&line)) else { return Ok(()) };
        let shown = shown.clone();
        let compared = with_mirror(followed, move |mirror| {
            // By another key than the configured one: the operator changed it, and said so here.
            let Ok(Some(kept)) = mirror.read(note.as_bytes()) else { return Ok(()) };
            let (contradiction, at) = match mirror.compare(&kept)? {
                Comparison::Longer => (Contradiction::Shortened, mirror.count()),
                Comparison::Contradicts(Contradiction::OtherHistory, at) => {
                    (Contradiction::OtherHistory, at)
                }
                // The mirror has grown since.
                Comparison::Same | Comparison::Contradicts(..) => return Ok(()),
            };
            let (kept, shown) = (Some(Box::new(kept)), Box::new(shown));
            Err(Trouble::Contradicts { contradiction, at, kept, shown })
        });
        compared.await?;
        locked(&followed.standing).remembered = Some(seq);
        Ok(())
    }

    async fn consistency(
        &self,
        followed: &Followed,
        from: u64,
        to: u64,
    ) -> Result<Vec<Digest>, Trouble> {
        let path = format!("/v1/proofs/consistency?from={from}&to={to}");
        let answer = self.get(followed, &path, None).await?;
        let answer: ConsistencyView =
            serde_json::from_slice(&answer).map_err(|_| Trouble::Unusable)?;
        let read = |text: &String| Digest::from_base64(text).map_err(|_| Trouble::Unusable);
        answer.hashes.iter().map(read).collect()
    }

    /// The token, read anew each time: its operator may have replaced it.
    async fn token(&self, followed: &Followed) -> Result<String, Trouble> {
        let file = followed.token_file.clone();
        let text = tokio::task::spawn_blocking(move || std::fs::read_to_string(file)).await;
        let text = text.ok().and_then(Result::ok).ok_or(Trouble::NoToken)?;
        let token = text.trim().to_owned();
        if token.is_empty() { Err(Trouble::NoToken) } else { Ok(token) }
    }

    async fn get(
        &self,
        followed: &Followed,
        path: &str,
        token: Option<&str>,
    ) -> Result<Vec<u8>, Trouble> {
        let mut request = self.http.get(format!("{}{path}", followed.url));
        if let Some(token) = token {
            request = request.bearer_auth(token);
        }
        let mut answer = request.send().await.map_err(|_| Trouble::Unreachable)?;
        let status = answer.status().as_u16();
        if status != 200 {
            return Err(Trouble::Refused(status));
        }
        let mut body = Vec::new();
        while let Some(chunk) = answer.chunk().await.map_err(|_| Trouble::Unreachable)? {
            if body.len() + chunk.len() > ANSWER_BYTES_MAX {
                return Err(Trouble::Unusable);
            }
            body.extend_from_slice(&chunk);
        }
        Ok(body)
    }
}

/// The checkpoint in an entry `log.followed`.
fn note_in(line: &[u8]) -> Option<String> {
    match Fact::from_entry(&Entry::parse(line).ok()?).ok()?.event {
        Event::LogFollowed(followed) => Some(followed.note),
        _ => None,
    }
}

/// A checkpoint over what is here already is kept if it bears other signatures than the kept one:
/// witnesses may have cosigned meanwhile.
fn keep_newer(mirror: &mut Mirror, shown: &Signed) -> Result<(), LedgerError> {
    match mirror.view().kept() {
        Some(kept) if kept.size > shown.size || kept.note == shown.note => Ok(()),
        Some(_) | None => mirror.keep(shown),
    }
}

/// Works on a mirror off the threads that serve requests.
async fn with_mirror<T: Send + 'static>(
    followed: &Followed,
    work: impl FnOnce(&mut Mirror) -> Result<T, Trouble> + Send + 'static,
) -> Result<T, Trouble> {
    let mirror = Arc::clone(&followed.mirror);
    let worked = tokio::task::spawn_blocking(move || match locked(&mirror).as_mut() {
        Some(mirror) => work(mirror),
        None => Err(Trouble::Mirror("it is closed".to_owned())),
    });
    worked.await.unwrap_or_else(|error| Err(Trouble::Mirror(error.to_string())))
}
