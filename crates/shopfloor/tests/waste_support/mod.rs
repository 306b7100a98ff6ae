//! A small language for shop days, so that a scenario reads like a log book.
//!
//! One line an event: local time, who, what, about what, then its data as `name=value`:
//!
//! ```text
//! 2026-06-03 09:00 op_t1 waste.added container/D-1 what=powder mass=3.00kg pieces=1
//! ```
//!
//! Values: `3.00kg` is a quantity, `[a,b]` a list, `D-1=9.6kg` inside a list a received container,
//! bare digits a number, anything else a word; `name.member=` nests. `#` begins a remark.
//! `every N days A..B` in place of the day repeats a line. `== title` begins a block for [`blocks`].
//! A line `! rule` says that the event before it raises exactly this waste finding.
//! `=name` after the subject names the entry; `@name` as a value is its number.

#![allow(dead_code, reason = "each test file uses a part of it")]

use std::collections::BTreeMap;

use chain::entry::Actor;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde_json::{Map, Value, json};
use shopfloor::fact::{Envelope, Fact};
use shopfloor::finding::Finding;
use shopfloor::ids::Label;
use shopfloor::{Event, State};

/// A shop under test: its state and every fact that was recorded.
pub(crate) struct Shop {
    pub(crate) state: State,
    pub(crate) facts: Vec<Fact>,
    pub(crate) names: BTreeMap<String, u64>,
    pub(crate) site: String,
    tz: TimeZone,
}

impl Shop {
    /// A shop with one site `north` under a jurisdiction and time zone.
    pub(crate) fn new(jurisdiction: &str, zone: &str) -> Shop {
        let mut shop = Shop {
            state: State::default(),
            facts: Vec::new(),
            names: BTreeMap::new(),
            site: "north".into(),
            tz: TimeZone::get(zone).unwrap(),
        };
        shop.configure(
            json!({ "time_zone": zone, "jurisdiction": jurisdiction, "reason": "set_up" }),
        );
        shop
    }

    /// Sets site configuration.
    pub(crate) fn configure(&mut self, data: Value) -> Vec<Finding> {
        let at = self.local("2020-01-01", "08:00");
        let subject = format!("site/{}", self.site);
        self.record(at, at, "op_admin", "config.changed", &subject, data)
    }

    /// Sets one rule parameter of the site.
    pub(crate) fn parameter(&mut self, id: &str, value: &str) {
        self.configure(json!({ "reason": "set_up", "parameters": { id: value } }));
    }

    /// The instant of a local day and minute.
    pub(crate) fn local(&self, day: &str, minute: &str) -> Timestamp {
        let civil: jiff::civil::DateTime = format!("{day}T{minute}:00").parse().unwrap();
        civil.to_zoned_datetime(self.tz.clone()).unwrap().timestamp()
    }

    /// Noon of a local day.
    pub(crate) fn noon(&self, day: &str) -> Timestamp {
        self.local(day, "12:00")
    }

    pub(crate) fn label(&self) -> Label {
        Label::new(&self.site).unwrap()
    }

    /// Records one event through the strict reader, as the service does.
    pub(crate) fn record(
        &mut self,
        at: Timestamp,
        recorded_at: Timestamp,
        who: &str,
        name: &str,
        subject: &str,
        data: Value,
    ) -> Vec<Finding> {
        let seq = self.facts.len() as u64;
        let offset = self.tz.to_offset(at);
        let time = at.display_with_offset(offset).to_string();
        let event = json!({
            "specversion": "1.0", "id": format!("e{seq}"), "source": "/test",
            "type": format!("pulverlog.{name}"), "subject": subject, "site": self.site,
            "time": time, "data": data,
        });
        let canonical = chain::canon::parse(event.to_string().as_bytes()).unwrap();
        let (envelope, event) = Envelope::read(&canonical)
            .unwrap_or_else(|e| panic!("{name} {subject}: {} at {}", e.detail, e.pointer));
        let actor = Actor { id: who.into(), via: chain::entry::Via::Oidc, on_behalf_of: None };
        let fact = Fact::new(envelope, event, &actor, seq, recorded_at);
        self.push(fact)
    }

    /// Applies a fact with the next sequence number.
    pub(crate) fn push(&mut self, fact: Fact) -> Vec<Finding> {
        let original = fact
            .about_entry()
            .and_then(|seq| self.facts.get(usize::try_from(seq).unwrap()).cloned())
            .and_then(|original| self.state.record.effective(original));
        let findings = self.state.apply(&fact, original.as_ref());
        self.facts.push(fact);
        findings
    }

    /// Plays a script; checks the expectations written in it.
    pub(crate) fn play(&mut self, script: &str) -> &mut Self {
        let lines: Vec<String> = script
            .lines()
            .map(|l| l.split(" #").next().unwrap_or("").trim())
            .filter(|l| !l.is_empty() && !l.starts_with('#') && !l.starts_with("=="))
            .flat_map(repeated)
            .collect();
        let mut i = 0;
        while i < lines.len() {
            let line = lines[i].as_str();
            let findings = self.tell(line);
            let mut expected: Vec<&str> = Vec::new();
            while let Some(rule) = lines.get(i + 1).and_then(|l| l.strip_prefix("! ")) {
                expected.push(rule);
                i += 1;
            }
            let mut raised: Vec<&str> = findings
                .iter()
                .map(|f| f.rule.as_str())
                .filter(|r| r.starts_with("waste."))
                .collect();
            raised.sort_unstable();
            expected.sort_unstable();
            assert_eq!(raised, expected, "findings of `{line}`: {findings:#?}");
            i += 1;
        }
        self
    }

    /// Records one line of a script and returns what it raised.
    pub(crate) fn tell(&mut self, line: &str) -> Vec<Finding> {
        let mut words = line.split_whitespace();
        let mut next = || words.next().unwrap_or_else(|| panic!("line too short: {line}"));
        let (day, minute, who, name, subject) = (next(), next(), next(), next(), next());
        let subject = self.refer(subject);
        let at = self.local(day, minute);
        let mut data = Map::new();
        for word in words {
            if let Some(name) = word.strip_prefix('=') {
                self.names.insert(name.to_owned(), self.facts.len() as u64);
                continue;
            }
            let (path, value) =
                word.split_once('=').unwrap_or_else(|| panic!("`{word}` in: {line}"));
            let value = self.value(value);
            put(&mut data, path, value);
        }
        self.record(at, at, who, name, &subject, Value::Object(data))
    }

    fn refer(&self, word: &str) -> String {
        match word.split_once('@') {
            Some((kind, name)) => format!("{kind}{}", self.names[name]),
            None => word.to_owned(),
        }
    }

    fn value(&self, text: &str) -> Value {
        if let Some(name) = text.strip_prefix('@') {
            return json!(self.names[name]);
        }
        if let Some(inner) = text.strip_prefix('[').and_then(|t| t.strip_suffix(']')) {
            let items = inner.split(',').filter(|i| !i.is_empty());
            return items.map(|item| self.item(item)).collect();
        }
        if let Some(quantity) = quantity(text) {
            return quantity;
        }
        match text {
            "true" => json!(true),
            "false" => json!(false),
            "<digest>" => json!("5f".repeat(32)),
            _ => match text.parse::<u64>() {
                Ok(number) if number.to_string() == text => json!(number),
                // `~` writes the spaces of a text as `_`.
                Ok(_) | Err(_) => match text.strip_prefix('~') {
                    Some(spaced) => json!(spaced.replace('_', " ")),
                    None => json!(text),
                },
            },
        }
    }
}

impl Shop {
    /// An item of a list: `D-1=9.6kg` received, `lid_tight+` a step found in order, `TC-1:gross=12kg:tare=2kg` a lot container.
    fn item(&self, item: &str) -> Value {
        if let Some(step) = item.strip_suffix('+') {
            return json!({ "check": step, "ok": true });
        }
        let mut parts = item.split(':').peekable();
        // `from=bin/1:mass=4kg` has members only; `F-1:gross=4kg` begins with its id.
        let id = parts.next_if(|first| !item.contains(':') || !first.contains('='));
        let members: Vec<(&str, &str)> = parts.filter_map(|p| p.split_once('=')).collect();
        if !members.is_empty() {
            let mut object = Map::new();
            object.extend(id.map(|id| ("id".to_owned(), json!(id))));
            object.extend(members.into_iter().map(|(k, v)| (k.to_owned(), self.value(v))));
            return Value::Object(object);
        }
        match item.split_once('=') {
            Some((container, mass)) => {
                json!({ "container": container, "mass": self.value(mass) })
            }
            None => self.value(item),
        }
    }
}

/// `3.00kg`, `55gal`, `322km`, `200mi`, `208L`, `4.1%`, `1pc` as quantities.
fn quantity(text: &str) -> Option<Value> {
    let split = text.find(|c: char| !(c.is_ascii_digit() || c == '.' || c == '-'))?;
    let (digits, unit) = text.split_at(split);
    let unit = match unit {
        "kg" | "g" | "t" | "km" | "L" | "%" | "um" | "min" | "h" => unit,
        "lb" => "[lb_av]",
        "mi" => "[mi_i]",
        "gal" => "[gal_us]",
        "pc" => "1",
        _ => return None,
    };
    (!digits.is_empty() && digits != "-").then(|| json!({ "value": digits, "unit": unit }))
}

fn put(data: &mut Map<String, Value>, path: &str, value: Value) {
    match path.split_once('.') {
        None => {
            data.insert(path.to_owned(), value);
        }
        Some((head, rest)) => {
            let inner = data.entry(head.to_owned()).or_insert_with(|| json!({}));
            put(inner.as_object_mut().unwrap(), rest, value);
        }
    }
}

/// The lines that `every N days A..B ..` stands for.
fn repeated(line: &str) -> Vec<String> {
    let Some(rest) = line.strip_prefix("every ") else { return vec![line.to_owned()] };
    let (step, rest) = rest.split_once(" days ").unwrap();
    let (range, rest) = rest.split_once(' ').unwrap();
    let (from, to) = range.split_once("..").unwrap();
    let (mut day, to): (jiff::civil::Date, jiff::civil::Date) =
        (from.parse().unwrap(), to.parse().unwrap());
    let step = jiff::Span::new().days(step.parse::<i64>().unwrap());
    let mut lines = Vec::new();
    while day <= to {
        lines.push(format!("{day} {rest}"));
        day = day.checked_add(step).unwrap();
    }
    lines
}

/// A label.
pub(crate) fn label(text: &str) -> Label {
    Label::new(text).unwrap()
}

/// Whether an event is of a kind that a shuffle may move.
pub(crate) fn is_shop_event(event: &Event) -> bool {
    event.kind().origin == shopfloor::catalogue::Origin::Shop
}

/// The parts of a script, each with the title that ends it.
pub(crate) fn stages(script: &str) -> Vec<(&str, &str)> {
    let mut stages = Vec::new();
    let mut rest = script;
    while let Some((part, after)) = rest.split_once("\n== ") {
        let (title, after) = after.split_once('\n').unwrap_or((after, ""));
        stages.push((title.trim(), part));
        rest = after;
    }
    stages
}

/// The blocks of a script, by title.
pub(crate) fn blocks(script: &str) -> Vec<(&str, &str)> {
    script
        .split("\n== ")
        .skip(1)
        .map(|block| block.split_once('\n').unwrap_or((block, "")))
        .collect()
}
