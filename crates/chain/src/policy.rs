//! Policies (C2SP tlog-policy): which logs are trusted and which witnesses must have cosigned.

use std::fmt;

use crate::limits::{POLICY_BYTES_MAX, POLICY_NAMES_MAX};
use crate::note::{KeyError, KeyKind, VerifierKey};

/// A log that a policy accepts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PolicyLog {
    /// Its key; the key name is the origin.
    pub key: VerifierKey,
    /// Where it can be reached; not used when checking.
    pub url: Option<String>,
}

/// A witness that a policy knows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PolicyWitness {
    /// Its name within the policy.
    pub name: String,
    /// Its key.
    pub key: VerifierKey,
    /// Where it can be reached; not used when checking.
    pub url: Option<String>,
}

/// A group of witnesses and groups.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PolicyGroup {
    /// Its name within the policy.
    pub name: String,
    /// How many members must have witnessed.
    pub threshold: usize,
    /// Its members.
    pub members: Vec<Member>,
}

/// A witness or a group, by its place in the policy.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Member {
    /// The witness `witnesses[i]`.
    Witness(usize),
    /// The group `groups[i]`.
    Group(usize),
}

/// What must be met for a checkpoint to count as witnessed; `None` asks for no witness.
pub type Quorum = Option<Member>;

/// A policy.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Policy {
    /// The logs accepted.
    pub logs: Vec<PolicyLog>,
    /// The witnesses known.
    pub witnesses: Vec<PolicyWitness>,
    /// The groups; a group's members stand before it.
    pub groups: Vec<PolicyGroup>,
    /// The rule.
    pub quorum: Quorum,
}

/// A text that is not a policy: the line at fault, from 1, and what is wrong with it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("line {line} of the policy: {fault}")]
pub struct PolicyError {
    /// The line, from 1.
    pub line: usize,
    /// What is wrong.
    pub fault: PolicyFault,
}

/// What can be wrong with a policy.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PolicyFault {
    /// Longer than [`POLICY_BYTES_MAX`].
    #[error("the file is longer than {POLICY_BYTES_MAX} bytes")]
    TooLong,
    /// Not UTF-8, or a control character other than tab and line feed.
    #[error("a policy is UTF-8 text without control characters")]
    Text,
    /// The last line has no line feed: the file may be cut.
    #[error("the last line does not end in a line feed")]
    Unterminated,
    /// Not one of the lines a policy has.
    #[error(
        "a line is `log KEY [URL]`, `witness NAME KEY [URL]`, `group NAME all|any|K NAME...` or `quorum NAME|none`"
    )]
    Shape,
    /// A key that cannot be used.
    #[error("the key cannot be used: {0}")]
    Key(KeyError),
    /// A log key that is not of type 0x01, or a witness key that is not of type 0x04.
    #[error("the key is of the wrong type for this line")]
    KeyKind,
    /// The same public key twice.
    #[error("the key stands in the policy twice")]
    DuplicateKey,
    /// A name defined twice, or the word `none`.
    #[error("the name `{0}` is taken")]
    NameTaken(String),
    /// A name not defined on a line before.
    #[error("the name `{0}` is not defined on a line before")]
    UnknownName(String),
    /// A name that is already a member of a group.
    #[error("`{0}` is a member of a group already")]
    SecondMembership(String),
    /// A threshold that is not between 1 and the number of members.
    #[error("a threshold lies between 1 and the number of members")]
    Threshold,
    /// More than [`POLICY_NAMES_MAX`] logs, witnesses or groups.
    #[error("there are more than {POLICY_NAMES_MAX} of these")]
    TooMany,
    /// A second quorum line, or none.
    #[error("a policy has exactly one quorum line")]
    OneQuorum,
}

impl Policy {
    /// Reads a policy.
    ///
    /// # Errors
    /// [`PolicyError`] for the first line at fault.
    pub fn parse(bytes: &[u8]) -> Result<Self, PolicyError> {
        let whole = |fault| PolicyError { line: 1, fault };
        if bytes.len() > POLICY_BYTES_MAX {
            return Err(whole(PolicyFault::TooLong));
        }
        let text = std::str::from_utf8(bytes).map_err(|_| whole(PolicyFault::Text))?;
        let mut reader = PolicyReader::default();
        let mut count = 0;
        for line in text.split_inclusive('\n') {
            count += 1;
            reader.line(line).map_err(|fault| PolicyError { line: count, fault })?;
        }
        let missing = PolicyError { line: count + 1, fault: PolicyFault::OneQuorum };
        reader.quorum_seen.then_some(reader.policy).ok_or(missing)
    }

    /// Whether the quorum is met when exactly the witnesses with these keys have cosigned. Always
    /// true for `quorum none`.
    pub fn is_met(&self, has_cosigned: impl Fn(&VerifierKey) -> bool) -> bool {
        // Groups name only groups before them, so one pass in order settles them all.
        let mut groups: Vec<bool> = Vec::with_capacity(self.groups.len());
        let met = |member: &Member, groups: &[bool]| match member {
            Member::Witness(i) => has_cosigned(&self.witnesses[*i].key),
            Member::Group(i) => groups[*i],
        };
        for group in &self.groups {
            let count = group.members.iter().filter(|member| met(member, &groups)).count();
            groups.push(count >= group.threshold);
        }
        self.quorum.is_none_or(|member| met(&member, &groups))
    }

    fn name(&self, member: Member) -> &str {
        match member {
            Member::Witness(i) => &self.witnesses[i].name,
            Member::Group(i) => &self.groups[i].name,
        }
    }
}

impl fmt::Display for Policy {
    /// The policy as text that [`Policy::parse`] reads back.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let url = |url: &Option<String>| url.iter().map(|u| format!(" {u}")).collect::<String>();
        for log in &self.logs {
            writeln!(f, "log {}{}", log.key, url(&log.url))?;
        }
        for witness in &self.witnesses {
            writeln!(f, "witness {} {}{}", witness.name, witness.key, url(&witness.url))?;
        }
        for group in &self.groups {
            write!(f, "group {} {}", group.name, group.threshold)?;
            for member in &group.members {
                write!(f, " {}", self.name(*member))?;
            }
            writeln!(f)?;
        }
        writeln!(f, "quorum {}", self.quorum.map_or("none", |member| self.name(member)))
    }
}

#[derive(Default)]
struct PolicyReader {
    policy: Policy,
    quorum_seen: bool,
    /// Witnesses and groups that are a member of a group already.
    used: Vec<Member>,
}

impl PolicyReader {
    fn line(&mut self, line: &str) -> Result<(), PolicyFault> {
        let line = line.strip_suffix('\n').ok_or(PolicyFault::Unterminated)?;
        if line.bytes().any(|b| (b < 0x20 && b != b'\t') || b == 0x7f) {
            return Err(PolicyFault::Text);
        }
        let words: Vec<&str> = line.split([' ', '\t']).filter(|word| !word.is_empty()).collect();
        match &words[..] {
            [] => Ok(()),
            [first, ..] if first.starts_with('#') => Ok(()),
            ["log", key] => self.log(key, None),
            ["log", key, url] => self.log(key, Some(url)),
            ["witness", name, key] => self.witness(name, key, None),
            ["witness", name, key, url] => self.witness(name, key, Some(url)),
            ["group", name, threshold, members @ ..] => self.group(name, threshold, members),
            ["quorum", name] => self.quorum(name),
            _ => Err(PolicyFault::Shape),
        }
    }

    fn log(&mut self, key: &str, url: Option<&str>) -> Result<(), PolicyFault> {
        let key = read_key(key, KeyKind::Ed25519)?;
        if self.policy.logs.iter().any(|log| log.key.public() == key.public()) {
            return Err(PolicyFault::DuplicateKey);
        }
        self.policy.logs.push(PolicyLog { key, url: url.map(str::to_owned) });
        has_room(self.policy.logs.len())
    }

    fn witness(&mut self, name: &str, key: &str, url: Option<&str>) -> Result<(), PolicyFault> {
        self.is_free(name)?;
        let key = read_key(key, KeyKind::CosignatureV1)?;
        if self.policy.witnesses.iter().any(|witness| witness.key.public() == key.public()) {
            return Err(PolicyFault::DuplicateKey);
        }
        let url = url.map(str::to_owned);
        self.policy.witnesses.push(PolicyWitness { name: name.to_owned(), key, url });
        has_room(self.policy.witnesses.len())
    }

    fn group(&mut self, name: &str, threshold: &str, names: &[&str]) -> Result<(), PolicyFault> {
        self.is_free(name)?;
        let mut members = Vec::new();
        for name in names {
            let member = self.find(name)?;
            if self.used.contains(&member) {
                return Err(PolicyFault::SecondMembership((*name).to_owned()));
            }
            self.used.push(member);
            members.push(member);
        }
        let threshold = match threshold {
            "any" => 1,
            "all" => members.len(),
            number => {
                let digits = number.bytes().all(|b| b.is_ascii_digit());
                let number = number.parse().map_err(|_| PolicyFault::Threshold);
                if digits { number? } else { return Err(PolicyFault::Shape) }
            }
        };
        if threshold < 1 || threshold > members.len() {
            return Err(PolicyFault::Threshold);
        }
        self.policy.groups.push(PolicyGroup { name: name.to_owned(), threshold, members });
        has_room(self.policy.groups.len())
    }

    fn quorum(&mut self, name: &str) -> Result<(), PolicyFault> {
        if std::mem::replace(&mut self.quorum_seen, true) {
            return Err(PolicyFault::OneQuorum);
        }
        self.policy.quorum = if name == "none" { None } else { Some(self.find(name)?) };
        Ok(())
    }

    fn find(&self, name: &str) -> Result<Member, PolicyFault> {
        let witness = self.policy.witnesses.iter().position(|witness| witness.name == name);
        let group = self.policy.groups.iter().position(|group| group.name == name);
        witness
            .map(Member::Witness)
            .or(group.map(Member::Group))
            .ok_or_else(|| PolicyFault::UnknownName(name.to_owned()))
    }

    fn is_free(&self, name: &str) -> Result<(), PolicyFault> {
        if name == "none" || self.find(name).is_ok() {
            return Err(PolicyFault::NameTaken(name.to_owned()));
        }
        Ok(())
    }
}

fn read_key(text: &str, kind: KeyKind) -> Result<VerifierKey, PolicyFault> {
    let key: VerifierKey = text.parse().map_err(PolicyFault::Key)?;
    if key.kind() == kind { Ok(key) } else { Err(PolicyFault::KeyKind) }
}

fn has_room(count: usize) -> Result<(), PolicyFault> {
    if count > POLICY_NAMES_MAX { Err(PolicyFault::TooMany) } else { Ok(()) }
}
