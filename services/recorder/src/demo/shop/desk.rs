//! Where the shop's people and systems write down what they did: turns work into posts.
//!
//! A site's MES keeps what it sees for a while and sends it as a batch; people send one event at a
//! time. Within a site everything is sent in the order in which it is written here, because that
//! is how a client that waits for its receipt behaves; only posts that are delayed on purpose
//! arrive out of order.

use std::collections::BTreeMap;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use jiff::{SignedDuration, Timestamp};
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};

use super::calendar::Site;
use super::cast::{PEOPLE, Who};
use super::rng::Rng;
use super::script::{Client, Deposit, EventNo, Expect, Item, Mode, Post, Template};

/// Most events in a batch of the MES.
const BATCH_MAX: usize = 100;

/// How an event is sent, when not in the usual way.
#[derive(Debug, Clone, Default)]
pub(super) struct Sending {
    /// Ask to be stopped.
    pub(super) strict: bool,
    /// Binary mode instead of structured.
    pub(super) binary: bool,
    /// Sent so long after the work, whatever else is sent in between.
    pub(super) delay: Option<SignedDuration>,
    /// The reason for a late entry.
    pub(super) late_reason: Option<&'static str>,
    /// What must become of it, if not an entry.
    pub(super) expect: Option<Expect>,
}

impl Sending {
    pub(super) fn strict() -> Self {
        Self { strict: true, ..Self::default() }
    }
    pub(super) fn expecting(self, expect: Expect) -> Self {
        Self { expect: Some(expect), ..self }
    }
    pub(super) fn late(delay: SignedDuration, reason: Option<&'static str>) -> Self {
        Self { delay: Some(delay), late_reason: reason, ..Self::default() }
    }
}

/// What happened, in the words of the catalogue.
pub(super) struct Work<'a> {
    pub(super) name: &'a str,
    pub(super) subject: String,
    pub(super) site: Site,
    pub(super) at: Timestamp,
    pub(super) data: Value,
}

struct Queued {
    post: Post,
    order: usize,
}

/// The desk.
pub(super) struct Desk {
    rng: Rng,
    posts: Vec<Queued>,
    pending: BTreeMap<Site, Vec<(Item, Timestamp)>>,
    last_sent: BTreeMap<Site, Timestamp>,
    numbers: BTreeMap<String, u32>,
    deposits: Vec<Deposit>,
    sent: Vec<Value>,
    subjects: Vec<String>,
}

impl Desk {
    pub(super) fn new(seed: u64) -> Self {
        Self {
            rng: Rng::new(seed),
            posts: Vec::new(),
            pending: BTreeMap::new(),
            last_sent: BTreeMap::new(),
            numbers: BTreeMap::new(),
            deposits: Vec::new(),
            sent: Vec::new(),
            subjects: Vec::new(),
        }
    }

    /// Everybody who posts: the people in their order, then the MES of each site.
    pub(super) fn clients() -> Vec<Client> {
        let people = PEOPLE.iter().map(|p| Client {
            id: p.id.to_owned(),
            role: p.role,
            site: p.site.map(Site::label),
        });
        let systems = Site::BOTH.into_iter().map(|site| Client {
            id: format!("svc_mes_{}", site.label()),
            role: "service",
            site: Some(site.label()),
        });
        people.chain(systems).collect()
    }

    fn mes_client(site: Site) -> usize {
        PEOPLE.len() + usize::from(site == Site::South)
    }

    /// A commitment to words of a person's own.
    pub(super) fn words(&mut self, text: &str) -> Value {
        let salt: [u8; 32] = self.rng.bytes();
        let mut hash = Sha256::new();
        hash.update(salt);
        hash.update(text.as_bytes());
        let commitment = BASE64.encode(hash.finalize());
        let text = text.to_owned();
        self.deposits.push(Deposit { commitment: commitment.clone(), salt, text, identity: None });
        json!({ "c": commitment })
    }

    /// A commitment to who a person is.
    pub(super) fn identity(&mut self, who: Who) -> Value {
        let name = PEOPLE[who.0].name;
        let commitment = self.words(&json!({ "name": name }).to_string());
        if let Some(deposit) = self.deposits.last_mut() {
            deposit.identity = Some(who.id());
            deposit.text = name.to_owned();
        }
        commitment
    }

    /// SHA-256 of an invented file.
    pub(super) fn digest(&mut self) -> String {
        let bytes: [u8; 32] = self.rng.bytes();
        bytes.iter().map(|b| format!("{b:02x}")).collect()
    }

    /// A person records what was done, at once and in the usual way.
    pub(super) fn person(&mut self, who: Who, work: Work<'_>) -> EventNo {
        self.person_with(who, work, Sending::default())
    }

    /// A person records what was done.
    pub(super) fn person_with(&mut self, who: Who, work: Work<'_>, how: Sending) -> EventNo {
        self.flush(work.site);
        let source = format!("/terminal/{}/{}", work.site.label(), who.id());
        let (site, at) = (work.site, work.at);
        let item = self.write(&source, None, work, &how);
        let no = item.no;
        let sent_at = match how.delay {
            Some(delay) => at + delay,
            None => self.next_slot(site, at, 45),
        };
        let mode = if how.binary { Mode::Binary } else { Mode::Single };
        self.send(sent_at, who.0, mode, how.strict, Some(site), vec![item]);
        no
    }

    /// The MES of the site records what it saw, for the person who did it.
    pub(super) fn mes(&mut self, operator: Who, work: Work<'_>) -> EventNo {
        let (site, at) = (work.site, work.at);
        let item = self.write(&mes_source(site), Some(operator), work, &Sending::default());
        let no = item.no;
        let waiting = self.pending.entry(site).or_default();
        waiting.push((item, at));
        if waiting.len() >= BATCH_MAX {
            self.flush(site);
        }
        no
    }

    /// The MES sends one event in another way than in its batches.
    pub(super) fn mes_with(&mut self, operator: Who, work: Work<'_>, how: Sending) -> EventNo {
        self.flush(work.site);
        let (site, at) = (work.site, work.at);
        let item = self.write(&mes_source(site), Some(operator), work, &how);
        let no = item.no;
        let sent_at = match how.delay {
            Some(delay) => at + delay,
            None => self.next_slot(site, at, 5),
        };
        let mode = if how.binary { Mode::Binary } else { Mode::Single };
        self.send(sent_at, Self::mes_client(site), mode, how.strict, Some(site), vec![item]);
        no
    }

    /// The very bytes of an earlier event are sent again, by the same client.
    pub(super) fn again(&mut self, first: EventNo, at: Timestamp) -> EventNo {
        let event = self.sent[first.0].clone();
        self.resend(first, at, event, Expect::Repeated(first))
    }

    /// The id of an earlier event is used again for other content.
    pub(super) fn clash(
        &mut self,
        first: EventNo,
        at: Timestamp,
        change: impl FnOnce(&mut Value),
    ) -> EventNo {
        let mut event = self.sent[first.0].clone();
        change(&mut event);
        assert_ne!(event, self.sent[first.0], "a clash needs other content");
        self.resend(first, at, event, Expect::Conflict(first))
    }

    fn resend(&mut self, first: EventNo, at: Timestamp, event: Value, expect: Expect) -> EventNo {
        let sender = |q: &&Queued| q.post.items.iter().any(|item| item.no == first);
        let pending = |site| {
            self.pending.get(&site).is_some_and(|w| w.iter().any(|(item, _)| item.no == first))
        };
        for site in Site::BOTH {
            if pending(site) {
                self.flush(site);
                return self.resend(first, at, event, expect);
            }
        }
        let (client, site, sent_as) = self
            .posts
            .iter()
            .rev()
            .find(sender)
            .map(|q| (q.post.client, q.post.site, q.post.mode))
            .expect("the first event was sent");
        // The binary mode leaves `datacontenttype` to the transport: other modes, other bytes.
        let mode = if sent_as == Mode::Binary { Mode::Binary } else { Mode::Single };
        let site = Site::BOTH.into_iter().find(|s| Some(s.label()) == site).expect("a site");
        self.flush(site);
        let no = self.number(event.clone());
        let item = Item { no, event: Template::new(&event), expect };
        let sent_at = self.next_slot(site, at, 5);
        self.send(sent_at, client, mode, false, Some(site), vec![item]);
        no
    }

    fn number(&mut self, event: Value) -> EventNo {
        let no = EventNo(self.sent.len());
        self.subjects.push(event["subject"].as_str().unwrap_or_default().to_owned());
        self.sent.push(event);
        no
    }

    /// What an earlier event is about.
    pub(super) fn subject(&self, no: EventNo) -> &str {
        &self.subjects[no.0]
    }

    /// The `data` of an earlier event.
    pub(super) fn data(&self, no: EventNo) -> &Value {
        &self.sent[no.0]["data"]
    }

    fn write(
        &mut self,
        source: &str,
        operator: Option<Who>,
        work: Work<'_>,
        how: &Sending,
    ) -> Item {
        let number = self.numbers.entry(source.to_owned()).or_default();
        *number += 1;
        let mut event = json!({
            "specversion": "1.0",
            "id": format!("{number:06}"),
            "source": source,
            "type": format!("pulverlog.{}", work.name),
            "subject": work.subject,
            "time": work.site.text(work.at),
            "site": work.site.label(),
            "datacontenttype": "application/json",
            "data": work.data,
        });
        if let Some(operator) = operator {
            event["operator"] = operator.id().into();
        }
        if let Some(reason) = how.late_reason {
            event["latereason"] = reason.into();
        }
        let no = self.number(event.clone());
        let expect = how.expect.clone().unwrap_or(Expect::Recorded);
        Item { no, event: Template::new(&event), expect }
    }

    /// Sends what the MES of a site holds back.
    pub(super) fn flush(&mut self, site: Site) {
        let waiting = std::mem::take(self.pending.entry(site).or_default());
        let Some(last) = waiting.iter().map(|(_, at)| *at).max() else { return };
        let sent_at = self.next_slot(site, last, 5);
        let items: Vec<Item> = waiting.into_iter().map(|(item, _)| item).collect();
        let mode = if items.len() == 1 { Mode::Binary } else { Mode::Batch };
        self.send(sent_at, Self::mes_client(site), mode, false, Some(site), items);
    }

    /// A moment after the work at which the site's line is free: never before an earlier post.
    fn next_slot(&mut self, site: Site, at: Timestamp, about_s: i64) -> Timestamp {
        let wished = at + SignedDuration::from_secs(self.rng.range(1, about_s));
        let last = self.last_sent.entry(site).or_insert(wished);
        *last = (*last).max(wished);
        *last
    }

    fn send(
        &mut self,
        at: Timestamp,
        client: usize,
        mode: Mode,
        strict: bool,
        site: Option<Site>,
        items: Vec<Item>,
    ) {
        let order = self.posts.len();
        let post = Post { at, client, mode, strict, site: site.map(Site::label), items };
        self.posts.push(Queued { post, order });
    }

    /// Everything that was written, in order of sending.
    pub(super) fn close(mut self) -> (Vec<Post>, Vec<Deposit>) {
        for site in Site::BOTH {
            self.flush(site);
        }
        self.posts.sort_by_key(|q| (q.post.at, q.order));
        (self.posts.into_iter().map(|q| q.post).collect(), self.deposits)
    }
}

fn mes_source(site: Site) -> String {
    format!("/mes/{}", site.label())
}
