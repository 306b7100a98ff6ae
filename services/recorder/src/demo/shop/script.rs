//! What the simulation hands to whoever plays it: clients, posts in order, what to expect.

use jiff::Timestamp;

use super::troubles::Planted;

/// Index of a client in [`Script::clients`].
pub type ClientIx = usize;

/// Number of an event of the script. A receipt gives it a place in the log; later events name it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct EventNo(pub usize);

/// Who posts: the token the player needs for it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Client {
    /// `op_..` a person, `svc_..` a system.
    pub id: String,
    /// Role in the token, a word of the catalogue's roles.
    pub role: &'static str,
    /// Site it works at; `None`: all sites.
    pub site: Option<&'static str>,
}

/// How a post travels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// One event, CloudEvents structured mode.
    Single,
    /// One event, CloudEvents binary mode: attributes in headers, data in the body.
    Binary,
    /// Several events, CloudEvents batch mode.
    Batch,
}

/// What must become of an event.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Expect {
    /// It is recorded.
    Recorded,
    /// It was recorded before with the same bytes: the first receipt again.
    Repeated(EventNo),
    /// Its id was used before with other bytes: refused as a conflict.
    Conflict(EventNo),
    /// Strict handling stops it for this rule.
    Stopped(&'static str),
    /// The role has no right to record it.
    Forbidden,
}

/// One event, with holes where the number of an earlier entry belongs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Template {
    text: String,
    holes: Vec<(usize, EventNo)>,
}

/// What [`Template::value_hole`] and [`Template::subject_hole`] write before and after the number.
const MARK: &str = "@entry(";

impl Template {
    /// Stands for the sequence number of `event` as an integer member.
    pub(super) fn value_hole(event: EventNo) -> serde_json::Value {
        format!("{MARK}{})", event.0).into()
    }

    /// Stands for the subject `entry/<number>` of `event`.
    pub(super) fn subject_hole(event: EventNo) -> String {
        format!("entry/{MARK}{})", event.0)
    }

    /// Finds the holes in an event. The mark cannot occur in a readable event: `@` and `(` are in
    /// no label, code or number, and titles exclude `@`.
    pub(super) fn new(event: &serde_json::Value) -> Self {
        let source = event.to_string();
        let (mut text, mut holes) = (String::with_capacity(source.len()), Vec::new());
        let mut rest = source.as_str();
        while let Some(at) = rest.find(MARK) {
            let (before, after) = (&rest[..at], &rest[at + MARK.len()..]);
            let (number, after) = after.split_once(')').expect("a mark is closed");
            // A hole that is a whole string stands for an integer: its quotes go.
            let whole = before.ends_with('"') && after.starts_with('"');
            text.push_str(if whole { &before[..before.len() - 1] } else { before });
            holes.push((text.len(), EventNo(number.parse().expect("a number in a mark"))));
            rest = if whole { &after[1..] } else { after };
        }
        text.push_str(rest);
        Self { text, holes }
    }

    /// The earlier events whose entry numbers are needed.
    pub fn needs(&self) -> impl Iterator<Item = EventNo> {
        self.holes.iter().map(|(_, event)| *event)
    }

    /// The event as JSON text; `seq` tells the entry number of an earlier event.
    ///
    /// # Errors
    /// The first event that has no entry number.
    pub fn fill(&self, seq: impl Fn(EventNo) -> Option<u64>) -> Result<String, EventNo> {
        let mut out = String::with_capacity(self.text.len() + 8 * self.holes.len());
        let mut from = 0;
        for (at, event) in &self.holes {
            out.push_str(&self.text[from..*at]);
            out.push_str(&seq(*event).ok_or(*event)?.to_string());
            from = *at;
        }
        out.push_str(&self.text[from..]);
        Ok(out)
    }
}

/// One event of a post.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Item {
    /// Its number in the script.
    pub no: EventNo,
    /// Its text.
    pub event: Template,
    /// What must become of it.
    pub expect: Expect,
}

/// One request a client sends.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Post {
    /// When it is sent, in the shop's time.
    pub at: Timestamp,
    /// Who sends it.
    pub client: ClientIx,
    /// How.
    pub mode: Mode,
    /// Whether the client asks to be stopped (`Prefer: handling=strict`).
    pub strict: bool,
    /// Site, or `None` for the office.
    pub site: Option<&'static str>,
    /// What it carries: one item unless the mode is [`Mode::Batch`].
    pub items: Vec<Item>,
}

/// Words that were committed in an event, for the erasable people store.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Deposit {
    /// The commitment as it stands in the event.
    pub commitment: String,
    /// 32 bytes of salt.
    pub salt: [u8; 32],
    /// The words, or the name.
    pub text: String,
    /// Whose name it is, if it is one.
    pub identity: Option<&'static str>,
}

/// A whole year of the shop.
#[derive(Debug, Clone)]
pub struct Script {
    /// Everybody who posts.
    pub clients: Vec<Client>,
    /// Everything that is posted, in order of sending.
    pub posts: Vec<Post>,
    /// Words behind the commitments.
    pub deposits: Vec<Deposit>,
    /// The troubles that were planted, with what must come out of each.
    pub troubles: Vec<Planted>,
    /// When the shop begins: the log is opened then.
    pub begins: Timestamp,
    /// When the shop ends: reports are made as of then.
    pub ends: Timestamp,
}

impl Script {
    /// How many events are sent, repeats included.
    pub fn events(&self) -> usize {
        self.posts.iter().map(|post| post.items.len()).sum()
    }

    /// How many entries must be in the log because of the posts (the log's own events not counted).
    pub fn recorded(&self) -> usize {
        self.items().filter(|item| item.expect == Expect::Recorded).count()
    }

    /// Every item in order of sending.
    pub fn items(&self) -> impl Iterator<Item = &Item> {
        self.posts.iter().flat_map(|post| &post.items)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn holes_become_entry_numbers() {
        let event = json!({
            "data": { "entry": Template::value_hole(EventNo(3)), "n": 1 },
            "subject": Template::subject_hole(EventNo(7)),
        });
        let template = Template::new(&event);
        assert_eq!(template.needs().collect::<Vec<_>>(), [EventNo(3), EventNo(7)]);
        let text = template.fill(|no| Some(100 + no.0 as u64)).unwrap();
        assert_eq!(text, r#"{"data":{"entry":103,"n":1},"subject":"entry/107"}"#);
        assert_eq!(template.fill(|no| (no.0 == 3).then_some(1)), Err(EventNo(7)));
    }
}
