//! The API description of today against the newest released one: what a client of the release would
//! trip over. Additions pass.
//!
//! Schemas are compared by who sends: what a client sends must be taken as before, what it is told
//! must still be what it was told before. Words, examples and the order of things do not count. What
//! cannot be decided (one pattern inside another) counts as a break: look, and release a new major
//! version or take it back.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, bail, ensure};
use serde_json::{Map, Value};

/// The description as it is generated.
pub const CURRENT: &str = "openapi/pulverlog-v1.json";
/// Where released descriptions are kept, never edited.
pub const RELEASED: &str = "openapi/released";

const METHODS: [&str; 8] = ["get", "put", "post", "delete", "options", "head", "patch", "trace"];

/// Who sends what a schema describes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum By {
    Client,
    Service,
}

impl By {
    fn other(self) -> Self {
        match self {
            Self::Client => Self::Service,
            Self::Service => Self::Client,
        }
    }
}

/// Major and minor version of a description.
fn version(document: &Value) -> Result<(u32, u32)> {
    let text = document["info"]["version"].as_str().context("`info.version` is missing")?;
    let mut parts = text.split('.').map(str::parse);
    let (Some(Ok(major)), Some(Ok(minor))) = (parts.next(), parts.next()) else {
        bail!("`info.version` is `{text}` and not of the form 1.2.3");
    };
    Ok((major, minor))
}

fn read(path: &Path) -> Result<Value> {
    let name = path.display();
    let text = fs::read_to_string(path).with_context(|| format!("could not read `{name}`"))?;
    serde_json::from_str(&text).with_context(|| format!("`{name}` is no JSON"))
}

fn released_file(root: &Path, (major, minor): (u32, u32)) -> PathBuf {
    root.join(RELEASED).join(format!("v{major}.{minor}.json"))
}

/// The newest released description with its version.
fn newest(root: &Path) -> Result<((u32, u32), Value)> {
    let dir = root.join(RELEASED);
    let listing = fs::read_dir(&dir).with_context(|| format!("could not list `{RELEASED}`"))?;
    let mut found = Vec::new();
    for file in listing {
        let path = file?.path();
        if path.extension().is_some_and(|suffix| suffix == "json") {
            let document = read(&path)?;
            let version = version(&document)?;
            let named = path == released_file(root, version);
            ensure!(named, "`{}` holds version {}.{}", path.display(), version.0, version.1);
            found.push((version, document));
        }
    }
    found.sort_by_key(|(version, _)| *version);
    found.pop().context("nothing is released yet: `cargo xtask api release`")
}

/// What of the newest release is broken by the description as it is, in sentences.
///
/// # Errors
/// If a description cannot be read, or the version went backwards.
pub fn check(root: &Path) -> Result<Vec<String>> {
    let current = read(&root.join(CURRENT))?;
    let (released_version, released) = newest(root)?;
    let current_version = version(&current)?;
    ensure!(
        current_version >= released_version,
        "the description is of version {}.{}, and {}.{} is released",
        current_version.0,
        current_version.1,
        released_version.0,
        released_version.1
    );
    // Another major version may break what it likes.
    if current_version.0 > released_version.0 {
        return Ok(Vec::new());
    }
    Ok(breaks(&released, &current))
}

/// Freezes the description as it is under its version.
///
/// # Errors
/// If that version is released already and `replace` does not say that nobody has it yet, or if it
/// breaks the release before.
pub fn release(root: &Path, replace: bool) -> Result<PathBuf> {
    let current = read(&root.join(CURRENT))?;
    let version = version(&current)?;
    let file = released_file(root, version);
    fs::create_dir_all(root.join(RELEASED))?;
    if file.try_exists()? {
        ensure!(
            replace,
            "`{}` is released already: raise `API_VERSION` in services/recorder/src/openapi.rs, or say \
             `--replace` if nobody has it yet",
            file.display()
        );
    } else if let Ok((before, released)) = newest(root)
        && before.0 == version.0
    {
        let breaks = breaks(&released, &current);
        ensure!(breaks.is_empty(), "{}", breaks.join("\n"));
    }
    fs::copy(root.join(CURRENT), &file)?;
    Ok(file)
}

/// What a client made for `old` would trip over in `new`, each as a sentence that begins with the JSON
/// pointer of the place in `old`.
pub fn breaks(old: &Value, new: &Value) -> Vec<String> {
    let mut compare = Compare { old, new, breaks: Vec::new(), seen: BTreeSet::new() };
    compare.document();
    compare.breaks
}

struct Compare<'v> {
    old: &'v Value,
    new: &'v Value,
    breaks: Vec<String>,
    /// Pairs of references that were compared: schemas may hold themselves.
    seen: BTreeSet<(String, String, By)>,
}

fn members(value: &Value) -> impl Iterator<Item = (&String, &Value)> {
    value.as_object().into_iter().flat_map(Map::iter)
}

fn list(value: &Value) -> &[Value] {
    value.as_array().map_or(&[], Vec::as_slice)
}

fn words(value: &Value) -> BTreeSet<&str> {
    list(value).iter().filter_map(Value::as_str).collect()
}

/// JSON pointer of a member (RFC 6901 section 3).
fn at(pointer: &str, member: &str) -> String {
    format!("{pointer}/{}", member.replace('~', "~0").replace('/', "~1"))
}

impl<'v> Compare<'v> {
    fn say(&mut self, pointer: &str, what: impl std::fmt::Display) {
        self.breaks.push(format!("`{pointer}`: {what}"));
    }

    fn document(&mut self) {
        let (old, new) = (self.old, self.new);
        self.paths("#/paths", &old["paths"], &new["paths"], By::Client);
        self.paths("#/webhooks", &old["webhooks"], &new["webhooks"], By::Service);
        let schemes = |document: &'v Value| &document["components"]["securitySchemes"];
        for (name, scheme) in members(schemes(old)) {
            let now = &schemes(new)[name];
            let same = ["type", "scheme", "bearerFormat", "in", "name", "openIdConnectUrl"]
                .iter()
                .all(|member| scheme[member] == now[member]);
            if !same {
                let pointer = at("#/components/securitySchemes", name);
                self.say(&pointer, "the way to sign in changed");
            }
        }
    }

    fn paths(&mut self, pointer: &str, old: &'v Value, new: &'v Value, asks: By) {
        for (path, item) in members(old) {
            for (method, operation) in members(item) {
                if !METHODS.contains(&method.as_str()) {
                    continue;
                }
                let pointer = at(&at(pointer, path), method);
                match new.get(path).and_then(|item| item.get(method)) {
                    Some(now) => self.operation(&pointer, operation, now, asks),
                    None => self.say(&pointer, "the operation was removed"),
                }
            }
        }
    }

    fn operation(&mut self, pointer: &str, old: &'v Value, new: &'v Value, asks: By) {
        if old["operationId"] != new["operationId"] {
            let (was, is) = (&old["operationId"], &new["operationId"]);
            self.say(&at(pointer, "operationId"), format_args!("it was {was} and is {is}"));
        }
        if old["security"] != new["security"] {
            let what = format_args!("it was {} and is {}", old["security"], new["security"]);
            self.say(&at(pointer, "security"), what);
        }
        for role in words(&old["x-roles"]).difference(&words(&new["x-roles"])) {
            self.say(&at(pointer, "x-roles"), format_args!("role `{role}` lost the right"));
        }
        self.parameters(pointer, old, new, asks);
        self.body(pointer, &old["requestBody"], &new["requestBody"], asks);
        let pointer = at(pointer, "responses");
        for (status, response) in members(&old["responses"]) {
            let pointer = at(&pointer, status);
            let Some(now) = new["responses"].get(status) else {
                self.say(&pointer, "the response was removed");
                continue;
            };
            for (name, _) in members(&response["headers"]) {
                if now["headers"].get(name).is_none() {
                    self.say(&at(&at(&pointer, "headers"), name), "the header was removed");
                }
            }
            self.content(&pointer, &response["content"], &now["content"], asks.other());
        }
    }

    fn parameters(&mut self, pointer: &str, old: &'v Value, new: &'v Value, asks: By) {
        let key = |parameter: &'v Value| (&parameter["in"], &parameter["name"]);
        let required = |parameter: &Value| parameter["required"] == true;
        let pointer = at(pointer, "parameters");
        for (place, parameter) in list(&old["parameters"]).iter().enumerate() {
            let pointer = at(&pointer, &place.to_string());
            let mut known = list(&new["parameters"]).iter();
            let Some(now) = known.find(|now| key(now) == key(parameter)) else {
                self.say(&pointer, format_args!("parameter {} was removed", parameter["name"]));
                continue;
            };
            if asks == By::Client && required(now) && !required(parameter) {
                self.say(&pointer, format_args!("parameter {} must be there now", now["name"]));
            }
            self.schema(&at(&pointer, "schema"), &parameter["schema"], &now["schema"], asks);
        }
        for now in list(&new["parameters"]) {
            let is_new = !list(&old["parameters"]).iter().any(|before| key(before) == key(now));
            if asks == By::Client && is_new && required(now) {
                self.say(&pointer, format_args!("the new parameter {} must be there", now["name"]));
            }
        }
    }

    fn body(&mut self, pointer: &str, old: &'v Value, new: &'v Value, asks: By) {
        let pointer = at(pointer, "requestBody");
        let required = |body: &Value| body["required"] == true;
        match (old.is_null(), new.is_null()) {
            (false, true) => self.say(&pointer, "the body was removed"),
            _ if asks == By::Client && required(new) && !required(old) => {
                self.say(&pointer, "a body must be there now");
            }
            _ => {}
        }
        if !new.is_null() {
            self.content(&pointer, &old["content"], &new["content"], asks);
        }
    }

    fn content(&mut self, pointer: &str, old: &'v Value, new: &'v Value, by: By) {
        for (media_type, described) in members(old) {
            let pointer = at(&at(pointer, "content"), media_type);
            match new.get(media_type) {
                None => self.say(&pointer, "the media type was removed"),
                Some(now) => {
                    self.schema(&at(&pointer, "schema"), &described["schema"], &now["schema"], by);
                }
            }
        }
    }

    /// Follows references; tells the pointer of the last one.
    fn resolve(document: &'v Value, mut schema: &'v Value) -> (Option<&'v str>, &'v Value) {
        let mut reference = None;
        while let Some(to) = schema["$ref"].as_str() {
            let Some(found) = to.strip_prefix('#').and_then(|to| document.pointer(to)) else {
                break;
            };
            (reference, schema) = (Some(to), found);
        }
        (reference, schema)
    }

    fn schema(&mut self, pointer: &str, old: &'v Value, new: &'v Value, by: By) {
        let (old_reference, old) = Self::resolve(self.old, old);
        let (new_reference, new) = Self::resolve(self.new, new);
        if let (Some(old), Some(new)) = (old_reference, new_reference)
            && !self.seen.insert((old.to_owned(), new.to_owned(), by))
        {
            return;
        }
        let pointer = old_reference.unwrap_or(pointer).to_owned();
        if old == new && old_reference.is_none() && new_reference.is_none() && !holds_ref(old) {
            return;
        }
        let (old_any, new_any) = (alternatives(old), alternatives(new));
        match (old_any, new_any) {
            (None, None) => self.plain(&pointer, old, new, by),
            (Some((word, old_any)), Some((_, new_any))) => {
                self.plain(&pointer, old, new, by);
                self.union(&at(&pointer, word), old_any, new_any, by);
            }
            // One that became several, or the other way round.
            (None, Some((word, new_any))) => {
                if !new_any.iter().any(|one| self.trial(&pointer, old, one, by).is_empty()) {
                    self.say(&pointer, format_args!("none of its `{word}` fits what it was"));
                } else if by == By::Service && new_any.iter().any(is_null) && !is_null(old) {
                    self.say(&pointer, "it may be null now");
                }
            }
            (Some((word, old_any)), None) => {
                for (place, one) in old_any.iter().enumerate() {
                    let pointer = at(&at(&pointer, word), &place.to_string());
                    if by == By::Client && !self.trial(&pointer, one, new, by).is_empty() {
                        self.say(&pointer, "the alternative was removed");
                    }
                }
                let mut old_any = old_any.iter();
                let fits = |one| self.trial(&pointer, one, new, by).is_empty();
                if by == By::Service && !old_any.any(fits) {
                    self.say(&pointer, format_args!("it is none of its `{word}` any more"));
                }
            }
        }
    }

    /// What would be said of a pair of schemas.
    fn trial(&self, pointer: &str, old: &'v Value, new: &'v Value, by: By) -> Vec<String> {
        let (breaks, seen) = (Vec::new(), self.seen.clone());
        let mut compare = Compare { old: self.old, new: self.new, breaks, seen };
        compare.schema(pointer, old, new, by);
        compare.breaks
    }

    fn union(&mut self, pointer: &str, old: &'v [Value], new: &'v [Value], by: By) {
        for (place, one) in old.iter().enumerate() {
            let pointer = at(pointer, &place.to_string());
            let same_name = new.iter().find(|now| {
                one["$ref"].is_string() && one["$ref"] == now["$ref"]
                    || mark(one).is_some() && mark(one) == mark(now)
            });
            if let Some(now) = same_name {
                self.schema(&pointer, one, now, by);
            } else if !new.iter().any(|now| self.trial(&pointer, one, now, by).is_empty()) {
                let beside =
                    new.get(place).filter(|now| mark(now).is_none() && mark(one).is_none());
                match beside.filter(|now| !now["$ref"].is_string() && !is_null(now)) {
                    Some(now) if !is_null(one) => self.schema(&pointer, one, now, by),
                    _ if by == By::Client => self.say(&pointer, "the alternative was removed"),
                    _ => {}
                }
            }
        }
        if by == By::Service && new.iter().any(is_null) && !old.iter().any(is_null) {
            self.say(pointer, "it may be null now");
        }
    }

    /// Everything of a schema but its alternatives.
    fn plain(&mut self, pointer: &str, old: &'v Value, new: &'v Value, by: By) {
        self.types(pointer, old, new, by);
        self.values(pointer, old, new, by);
        self.limits(pointer, old, new, by);
        self.object(pointer, old, new, by);
        for word in ["items", "propertyNames", "contains"] {
            self.part(pointer, word, old, new, by);
        }
        for word in ["prefixItems", "allOf"] {
            let (before, now) = (list(&old[word]), list(&new[word]));
            let pointer = at(pointer, word);
            if before.len() != now.len() {
                let what = format_args!("it had {} parts and has {}", before.len(), now.len());
                self.say(&pointer, what);
            }
            for (place, (before, now)) in before.iter().zip(now).enumerate() {
                self.schema(&at(&pointer, &place.to_string()), before, now, by);
            }
        }
        for word in ["not", "if", "then", "else", "dependentRequired", "dependentSchemas"] {
            if old[word] != new[word] {
                self.say(&at(pointer, word), "the condition changed");
            }
        }
        if old.get("default").is_some() && old["default"] != new["default"] {
            let what = format_args!("it was {} and is {}", old["default"], new["default"]);
            self.say(&at(pointer, "default"), what);
        }
    }

    fn types(&mut self, pointer: &str, old: &Value, new: &Value, by: By) {
        let (before, now) = (types(old), types(new));
        let pointer = at(pointer, "type");
        // Whoever sends may send any of these, and the other side must take them.
        let (sent, taken) = if by == By::Client { (&before, &now) } else { (&now, &before) };
        let Some(taken) = taken else { return };
        let Some(sent) = sent else {
            // A constant or a list of values says its types by itself.
            let (closed, _) = if by == By::Client { (old, new) } else { (new, old) };
            if values(closed).is_none()
                && closed["$ref"].is_null()
                && alternatives(closed).is_none()
            {
                self.say(&pointer, format_args!("it was {} and is {}", said(&before), said(&now)));
            }
            return;
        };
        let covered =
            |one: &&str| taken.contains(*one) || **one == *"integer" && taken.contains("number");
        if !sent.iter().all(covered) {
            self.say(&pointer, format_args!("it was {} and is {}", said(&before), said(&now)));
        }
    }

    fn values(&mut self, pointer: &str, old: &Value, new: &Value, by: By) {
        let word = if old.get("const").is_some() { "const" } else { "enum" };
        let pointer = at(pointer, word);
        match (values(old), values(new), by) {
            // New values a client is told are an addition, and so are new ones it may send.
            (Some(before), Some(now), By::Client) => {
                for value in before.iter().filter(|value| !now.contains(value)) {
                    self.say(&pointer, format_args!("the value {value} was removed"));
                }
            }
            (Some(before), Some(now), By::Service) => {
                if !before.iter().any(|value| now.contains(value)) {
                    self.say(&pointer, "none of its values is left");
                }
            }
            (None, Some(now), By::Client) => {
                self.say(&pointer, format_args!("only {} of what it was may be sent", now.len()));
            }
            (Some(_), None, By::Service) => self.say(&pointer, "it may be anything now"),
            (None, None, _) | (None, Some(_), By::Service) | (Some(_), None, By::Client) => {}
        }
    }

    fn limits(&mut self, pointer: &str, old: &Value, new: &Value, by: By) {
        // What is told may have any size: clients are not promised one.
        if by == By::Client {
            // The word, whether it is an upper limit, and what holds where it is not said.
            for (word, is_upper, unsaid) in [
                ("maxLength", true, None),
                ("maxItems", true, None),
                ("maxProperties", true, None),
                ("maximum", true, None),
                ("exclusiveMaximum", true, None),
                ("minLength", false, Some(0.0)),
                ("minItems", false, Some(0.0)),
                ("minProperties", false, Some(0.0)),
                ("minimum", false, None),
                ("exclusiveMinimum", false, None),
            ] {
                let Some(now) = new[word].as_f64() else { continue };
                let before = old[word].as_f64().or(unsaid);
                if before.is_none_or(|before| if is_upper { now < before } else { now > before }) {
                    let what = format_args!("it was {} and is {}", old[word], new[word]);
                    self.say(&at(pointer, word), what);
                }
            }
        }
        for word in ["pattern", "format", "multipleOf", "uniqueItems", "contentEncoding"] {
            let (before, now) = (old.get(word), new.get(word));
            let (must, other) = if by == By::Client { (now, before) } else { (before, now) };
            if must.is_some_and(|must| *must != Value::Bool(false)) && must != other {
                let what = format_args!("it was {} and is {}", old[word], new[word]);
                self.say(&at(pointer, word), what);
            }
        }
    }

    fn object(&mut self, pointer: &str, old: &'v Value, new: &'v Value, by: By) {
        for word in ["properties", "patternProperties"] {
            for (name, schema) in members(&old[word]) {
                let pointer = at(&at(pointer, word), name);
                match new[word].get(name) {
                    None => self.say(&pointer, "the member was removed"),
                    Some(now) => self.schema(&pointer, schema, now, by),
                }
            }
        }
        let (before, now) = (words(&old["required"]), words(&new["required"]));
        let pointer_required = at(pointer, "required");
        match by {
            By::Client => {
                for name in now.difference(&before) {
                    self.say(&pointer_required, format_args!("`{name}` must be there now"));
                }
            }
            By::Service => {
                for name in before.difference(&now) {
                    let what = format_args!("`{name}` need not be there any more");
                    self.say(&pointer_required, what);
                }
            }
        }
        let (before, now) = (&old["additionalProperties"], &new["additionalProperties"]);
        let pointer = at(pointer, "additionalProperties");
        if before.is_object() && now.is_object() {
            self.schema(&pointer, before, now, by);
        } else if by == By::Client && *before != false && (*now == false || now.is_object()) {
            self.say(&pointer, "members of other names are not taken any more");
        }
    }

    fn part(&mut self, pointer: &str, word: &str, old: &'v Value, new: &'v Value, by: By) {
        let pointer = at(pointer, word);
        match (old.get(word), new.get(word), by) {
            (Some(before), Some(now), _) => self.schema(&pointer, before, now, by),
            (None, Some(_), By::Client) => self.say(&pointer, "it is narrower than it was"),
            (Some(_), None, By::Service) => self.say(&pointer, "it may be anything now"),
            (None, None, _) | (None, Some(_), By::Service) | (Some(_), None, By::Client) => {}
        }
    }
}

/// The word and the schemas of a choice.
fn alternatives(schema: &Value) -> Option<(&'static str, &[Value])> {
    ["oneOf", "anyOf"]
        .into_iter()
        .find_map(|word| Some((word, schema[word].as_array()?.as_slice())))
}

/// The constant by which an alternative is told from others.
fn mark(schema: &Value) -> Option<&Value> {
    if let Some(value) = schema.get("const") {
        return Some(value);
    }
    schema["properties"].as_object()?.values().find_map(|member| member.get("const"))
}

fn is_null(schema: &Value) -> bool {
    types(schema).is_some_and(|types| types.contains("null"))
}

fn holds_ref(schema: &Value) -> bool {
    match schema {
        Value::Object(object) => object.contains_key("$ref") || object.values().any(holds_ref),
        Value::Array(items) => items.iter().any(holds_ref),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => false,
    }
}

fn types(schema: &Value) -> Option<BTreeSet<&str>> {
    match &schema["type"] {
        Value::String(one) => Some(BTreeSet::from([one.as_str()])),
        Value::Array(_) => Some(words(&schema["type"])),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::Object(_) => None,
    }
}

fn values(schema: &Value) -> Option<Vec<&Value>> {
    let constant = schema.get("const").map(|value| vec![value]);
    constant.or_else(|| Some(schema["enum"].as_array()?.iter().collect()))
}

fn said(types: &Option<BTreeSet<&str>>) -> String {
    types.as_ref().map_or_else(
        || "anything".to_owned(),
        |types| format!("`{}`", types.iter().copied().collect::<Vec<_>>().join("` or `")),
    )
}

#[cfg(test)]
mod tests;
