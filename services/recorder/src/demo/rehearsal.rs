//! Plays a script against the folds alone: no network, no disk. The rules of acceptance are those
//! of the recorder in short, so that the folds can be tested with a whole year in seconds.

use std::collections::{BTreeMap, HashMap};

use chain::Digest;
use chain::canon;
use chain::entry::{Actor, Via};
use shopfloor::{Envelope, Fact, Finding, State};

use super::played::{Answer, Played};
use super::shop::{Client, Item, Post, Script};

/// What the rehearsal leaves.
pub(super) struct Rehearsal {
    /// The answers.
    pub(super) played: Played,
    /// Every fact, by entry number.
    pub(super) facts: Vec<Fact>,
    /// The state after the last one.
    pub(super) state: State,
    /// How many events of the log itself it would have written, by name.
    pub(super) own: BTreeMap<&'static str, usize>,
    known: HashMap<(String, String), (u64, Digest)>,
}

/// Plays the whole script.
pub(super) fn rehearse(script: &Script) -> Rehearsal {
    let mut rehearsal = Rehearsal {
        played: Played::default(),
        facts: Vec::new(),
        state: State::default(),
        own: BTreeMap::new(),
        known: HashMap::new(),
    };
    for post in &script.posts {
        for item in &post.items {
            let answer = rehearsal.take(&script.clients[post.client], post, item);
            rehearsal.played.note(item.no, answer);
        }
    }
    rehearsal
}

impl Rehearsal {
    fn take(&mut self, client: &Client, post: &Post, item: &Item) -> Answer {
        let text = match item.event.fill(|no| self.played.seq(no)) {
            Ok(text) => text,
            Err(no) => return Answer::Other(format!("event {} has no entry yet", no.0)),
        };
        let value = match canon::parse(text.as_bytes()) {
            Ok(value) => value,
            Err(error) => return Answer::Other(error.to_string()),
        };
        let (envelope, event) = match Envelope::read(&value) {
            Ok(read) => read,
            Err(refusal) => return Answer::Other(format!("{}: {refusal}", refusal.pointer)),
        };
        if !event.kind().roles.iter().any(|role| role.as_str() == client.role) {
            *self.own.entry("access.refused").or_default() += 1;
            return Answer::Forbidden;
        }
        let digest = Digest::of(&canon::to_bytes(&value));
        let key = (envelope.source.clone(), envelope.id.clone());
        if let Some((seq, before)) = self.known.get(&key) {
            return if *before == digest { Answer::Known(*seq) } else { Answer::Conflict };
        }
        let seq = self.facts.len() as u64;
        let operator = envelope.operator.as_ref().map(|p| p.as_str().to_owned());
        let service = client.id.starts_with("svc_");
        let actor = Actor {
            id: client.id.clone(),
            via: if service { Via::Service } else { Via::Oidc },
            on_behalf_of: operator.filter(|_| service),
        };
        let fact = Fact::new(envelope, event, &actor, seq, post.at);
        let original = fact.about_entry().and_then(|n| self.effective(n));
        let findings = match self.state.judge(&fact, original.as_ref()) {
            Ok(findings) => findings,
            Err(refusal) => return Answer::Other(format!("{}: {refusal}", refusal.pointer)),
        };
        let stops: Vec<String> =
            self.state.stops(&fact, &findings).iter().map(|f| f.rule.clone()).collect();
        if post.strict && !stops.is_empty() {
            *self.own.entry("attempt.refused").or_default() += 1;
            return Answer::Stopped(stops);
        }
        self.state.apply(&fact, original.as_ref());
        self.known.insert(key, (seq, digest));
        self.facts.push(fact);
        Answer::Recorded(seq)
    }

    fn effective(&self, seq: u64) -> Option<Fact> {
        let fact = self.facts.get(usize::try_from(seq).ok()?)?.clone();
        self.state.record.effective(fact)
    }

    /// Every finding.
    pub(super) fn findings(&self) -> impl Iterator<Item = &Finding> {
        self.state.findings.iter()
    }
}
