//! Corrections in plain sight: what was recorded, what counts now.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;
use shopfloor::State;

use super::{ChangedMember, CorrectionLine};

/// The corrections and voids of `entries`, and of `gone`: waste entries that were voided and so are in
/// no list of entries any more.
pub(super) fn corrections(
    state: &State,
    entries: &[u64],
    gone: impl Iterator<Item = u64>,
) -> Vec<CorrectionLine> {
    let mut lines = Vec::new();
    let entries: BTreeSet<u64> = entries.iter().copied().chain(gone).collect();
    for seq in entries {
        let contents = state.waste.superseded(seq);
        for (i, amendment) in state.record.amendments(seq).iter().enumerate() {
            let Some(original) = contents.get(i) else { continue };
            let corrected = amendment.event.as_ref().map(|e| e.data());
            lines.push(CorrectionLine {
                entry: seq,
                event: original.kind().name.to_owned(),
                by_entry: amendment.by,
                approver: amendment.approver.to_string(),
                reason: amendment.reason.to_string(),
                void: amendment.event.is_none(),
                changed: changes(&original.data(), corrected.as_ref()),
            });
        }
    }
    lines
}

/// Members that differ, by JSON pointer. A void takes every member away.
fn changes(original: &Value, corrected: Option<&Value>) -> Vec<ChangedMember> {
    let (mut old, mut new) = (BTreeMap::new(), BTreeMap::new());
    leaves(original, "", &mut old);
    if let Some(corrected) = corrected {
        leaves(corrected, "", &mut new);
    }
    let pointers: BTreeSet<&String> = old.keys().chain(new.keys()).collect();
    pointers
        .into_iter()
        .filter(|p| old.get(*p) != new.get(*p))
        .map(|p| ChangedMember {
            pointer: p.clone(),
            original: old.get(p).cloned(),
            corrected: new.get(p).cloned(),
        })
        .collect()
}

fn leaves(value: &Value, pointer: &str, out: &mut BTreeMap<String, String>) {
    match value {
        Value::Object(members) => {
            for (name, member) in members {
                leaves(member, &format!("{pointer}/{name}"), out);
            }
        }
        Value::Array(items) => {
            for (i, item) in items.iter().enumerate() {
                leaves(item, &format!("{pointer}/{i}"), out);
            }
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {
            out.insert(pointer.to_owned(), value.to_string());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn only_what_changed_is_told() {
        let old = json!({ "mass": { "value": "2.50", "unit": "kg" }, "pieces": 1 });
        let new = json!({ "mass": { "value": "2.40", "unit": "kg" }, "pieces": 1, "item": "B-2" });
        let told: Vec<_> = changes(&old, Some(&new))
            .into_iter()
            .map(|c| (c.pointer, c.original, c.corrected))
            .collect();
        let text = |t: &str| Some(t.to_owned());
        assert_eq!(
            told,
            [
                ("/item".to_owned(), None, text("\"B-2\"")),
                ("/mass/value".to_owned(), text("\"2.50\""), text("\"2.40\"")),
            ]
        );
    }
}
