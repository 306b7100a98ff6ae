//! The tidy check: what a reviewer would otherwise have to look for by hand.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

use anyhow::{Context, Result, bail};
use serde_json::Value;

/// One layer of the house: a package, the own packages it may use, and what must never appear
/// anywhere in its tree of normal dependencies. The table stands in DEVELOPERS.md too.
pub struct Layer {
    /// Package.
    pub package: &'static str,
    /// Own packages it may depend on.
    pub may_use: &'static [&'static str],
    /// Packages that must not be reachable from it.
    pub never: &'static [&'static str],
}

/// The layers, from the bottom up.
pub const LAYERS: &[Layer] = &[
    Layer {
        package: "chain",
        may_use: &[],
        never: &["serde_json", "tokio", "actix-web", "sled", "jiff", "chrono", "time", "utoipa"],
    },
    Layer {
        package: "shopfloor",
        may_use: &["chain"],
        never: &["tokio", "actix-web", "sled", "utoipa"],
    },
    Layer {
        package: "report",
        may_use: &["chain", "shopfloor"],
        never: &["tokio", "actix-web", "sled", "utoipa"],
    },
    Layer {
        package: "ledger",
        may_use: &["chain", "shopfloor", "report"],
        never: &["actix-web", "utoipa", "jsonwebtoken"],
    },
    Layer {
        package: "edge",
        may_use: &["chain"],
        never: &["serde_json", "tokio", "actix-web", "sled", "shopfloor", "utoipa"],
    },
    Layer {
        package: "auditor",
        may_use: &["chain", "shopfloor", "report"],
        never: &["sled", "tokio", "actix-web", "utoipa", "jsonwebtoken"],
    },
    Layer {
        package: "witness",
        may_use: &["chain", "edge"],
        never: &["sled", "shopfloor", "ledger"],
    },
    Layer {
        package: "relay",
        may_use: &["chain", "edge"],
        never: &["sled", "shopfloor", "ledger", "jsonwebtoken", "utoipa"],
    },
    Layer {
        package: "recorder",
        may_use: &["chain", "shopfloor", "report", "ledger", "edge", "auditor", "witness"],
        never: &[],
    },
];

/// Packages nobody may depend on.
pub const TOP: &[&str] = &["xtask", "bench", "cluster", "tests"];

/// Dependencies that are not taken, each with the reason.
pub const BANNED: &[(&str, &str)] = &[
    ("actix-governor", "copyleft licence"),
    ("openssl-sys", "one crypto provider: aws-lc"),
    ("rsa", "timing side channel RUSTSEC-2023-0071"),
    ("cloudevents-sdk", "switches on http2 and brotli; the strict reader is ours"),
];

/// Licences that are taken (SPDX names). Of alternatives one has to stand here; of parts each.
const PERMISSIVE: &[&str] = &[
    "0BSD",
    "Apache-2.0",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "CC0-1.0",
    "CDLA-Permissive-2.0",
    "ISC",
    "MIT",
    "Unicode-3.0",
    "Unlicense",
    "Zlib",
];

/// Entries the top level may hold besides hidden ones.
const TOP_LEVEL: &[&str] = &[
    "Cargo.toml",
    "Cargo.lock",
    "README.md",
    "DEVELOPERS.md",
    "services",
    "crates",
    "openapi",
    "tests",
    "deploy",
    "docker-compose.yml",
    "LICENSE-MIT",
    "LICENSE-APACHE",
];

/// Runs every check; each string is one fault in words.
pub fn check(root: &Path) -> Result<Vec<String>> {
    let metadata = metadata(root)?;
    let mut faults = layers(&metadata)?;
    faults.extend(lints(root, &metadata)?);
    faults.extend(licences(&metadata));
    faults.extend(layout(root)?);
    Ok(faults)
}

/// Output of `cargo metadata` as JSON.
pub fn metadata(root: &Path) -> Result<Value> {
    let output = Command::new(std::env::var("CARGO").unwrap_or_else(|_| "cargo".into()))
        .args(["metadata", "--format-version", "1", "--locked"])
        .current_dir(root)
        .output()
        .context("could not run `cargo metadata`")?;
    if !output.status.success() {
        bail!("`cargo metadata` failed: {}", String::from_utf8_lossy(&output.stderr));
    }
    serde_json::from_slice(&output.stdout).context("`cargo metadata` printed no JSON")
}

fn text<'v>(value: &'v Value, key: &str) -> &'v str {
    value[key].as_str().unwrap_or_default()
}

fn list<'v>(value: &'v Value, key: &str) -> &'v [Value] {
    value[key].as_array().map_or(&[], Vec::as_slice)
}

/// Packages of the lock file whose licence is not taken.
fn licences(metadata: &Value) -> Vec<String> {
    let taken = |package: &&Value| is_permissive(text(package, "license"));
    list(metadata, "packages")
        .iter()
        .filter(|package| !taken(package))
        .map(|package| {
            let (name, licence) = (text(package, "name"), text(package, "license"));
            format!("`{name}` has the licence `{licence}`, which is not taken")
        })
        .collect()
}

/// Whether an SPDX expression can be met with what is taken. Older crates write `/` for `OR`.
fn is_permissive(expression: &str) -> bool {
    let one = |licence: &str| PERMISSIVE.contains(&licence.trim_matches(['(', ')', ' ']));
    let any = |part: &str| part.split(" OR ").flat_map(|p| p.split('/')).any(one);
    expression.split(" AND ").all(any)
}

/// Normal dependencies of every package of the resolved graph, by package id.
fn normal_edges(metadata: &Value) -> BTreeMap<&str, Vec<&str>> {
    list(&metadata["resolve"], "nodes")
        .iter()
        .map(|node| {
            let normal = |dep: &&Value| list(dep, "dep_kinds").iter().any(|k| k["kind"].is_null());
            let edges =
                list(node, "deps").iter().filter(normal).map(|dep| text(dep, "pkg")).collect();
            (text(node, "id"), edges)
        })
        .collect()
}

fn layers(metadata: &Value) -> Result<Vec<String>> {
    let edges = normal_edges(metadata);
    let name_of: BTreeMap<&str, &str> =
        list(metadata, "packages").iter().map(|p| (text(p, "id"), text(p, "name"))).collect();
    let members: BTreeSet<&str> =
        list(metadata, "workspace_members").iter().filter_map(Value::as_str).collect();
    let own: BTreeMap<&str, &str> =
        members.iter().filter_map(|id| Some((*name_of.get(id)?, *id))).collect();
    let mut faults = Vec::new();

    for layer in LAYERS {
        let Some(start) = own.get(layer.package) else {
            bail!("package `{}` of the layer table is not in the workspace", layer.package);
        };
        // Depth first with the path kept, so that a fault names the way to the forbidden package.
        let mut seen = BTreeSet::new();
        let mut stack = vec![vec![*start]];
        while let Some(path) = stack.pop() {
            let Some(here) = path.last() else { continue };
            for next in edges.get(here).into_iter().flatten() {
                let name = name_of.get(next).copied().unwrap_or_default();
                let way = || {
                    let names: Vec<&str> = path
                        .iter()
                        .chain([next])
                        .filter_map(|id| name_of.get(id).copied())
                        .collect();
                    names.join(" -> ")
                };
                if layer.never.contains(&name) {
                    faults.push(format!(
                        "layer: `{}` must not reach `{name}`: {}",
                        layer.package,
                        way()
                    ));
                }
                let forbidden_own = members.contains(next) && !layer.may_use.contains(&name);
                if forbidden_own || TOP.contains(&name) {
                    faults.push(format!(
                        "layer: `{}` may not use `{name}`: {}",
                        layer.package,
                        way()
                    ));
                }
                if seen.insert(*next) {
                    stack.push(path.iter().copied().chain([*next]).collect());
                }
            }
        }
    }
    let listed: BTreeSet<&str> =
        LAYERS.iter().map(|l| l.package).chain(TOP.iter().copied()).collect();
    for name in own.keys().filter(|name| !listed.contains(*name)) {
        faults.push(format!("layer: package `{name}` has no row in the layer table"));
    }
    for (name, reason) in BANNED {
        if name_of.values().any(|n| n == name) {
            faults.push(format!("dependency: `{name}` is banned: {reason}"));
        }
    }
    Ok(faults)
}

/// Every own package opts in to the workspace lints.
fn lints(root: &Path, metadata: &Value) -> Result<Vec<String>> {
    let mut faults = Vec::new();
    for package in list(metadata, "packages") {
        let manifest = Path::new(text(package, "manifest_path"));
        if manifest.starts_with(root) {
            let content = std::fs::read_to_string(manifest)
                .with_context(|| format!("could not read `{}`", manifest.display()))?;
            if !content.contains("[lints]\nworkspace = true") {
                faults.push(format!("lints: `{}` does not opt in", text(package, "name")));
            }
        }
    }
    Ok(faults)
}

/// Tracked files: top-level entries, and no path of somebody's machine in any text.
fn layout(root: &Path) -> Result<Vec<String>> {
    let output = Command::new("git")
        .args(["ls-files", "-z"])
        .current_dir(root)
        .output()
        .context("could not run `git ls-files`")?;
    let listing = String::from_utf8_lossy(&output.stdout).into_owned();
    let mut faults = Vec::new();
    let mut top = BTreeSet::new();
    for file in listing.split('\0').filter(|f| !f.is_empty()) {
        top.insert(file.split('/').next().unwrap_or(file));
        let Ok(content) = std::fs::read_to_string(root.join(file)) else { continue };
        for (number, line) in content.lines().enumerate() {
            // Written in two pieces so that this file does not find itself.
            let home = concat!("/ro", "ot/");
            let user = concat!("/ho", "me/");
            if file != "Cargo.lock" && (line.contains(home) || line.contains(user)) {
                faults.push(format!(
                    "layout: `{file}` line {} holds a path of a machine",
                    number + 1
                ));
            }
        }
    }
    for entry in top {
        if !entry.starts_with('.') && !TOP_LEVEL.contains(&entry) {
            faults.push(format!("layout: `{entry}` does not belong at the top level"));
        }
    }
    Ok(faults)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_licence_is_taken_when_every_part_has_a_permissive_choice() {
        for (expression, taken) in [
            ("MIT", true),
            ("MIT/Apache-2.0", true),
            ("MIT OR Apache-2.0 OR LGPL-2.1-or-later", true),
            ("(MIT OR Apache-2.0) AND Unicode-3.0", true),
            ("GPL-3.0-only", false),
            ("MIT AND MPL-2.0", false),
            ("AGPL-3.0-only OR SSPL-1.0", false),
            ("", false),
        ] {
            assert_eq!(is_permissive(expression), taken, "{expression}");
        }
    }

    /// A workspace in which every layer stands alone, plus one extra edge.
    fn workspace(from: &str, to: &str) -> Value {
        let mut names: Vec<&str> =
            LAYERS.iter().map(|l| l.package).chain(TOP.iter().copied()).collect();
        let members: Vec<Value> = names.iter().map(|n| Value::from(*n)).collect();
        if !names.contains(&to) {
            names.push(to);
        }
        let nodes: Vec<Value> = names
            .iter()
            .map(|name| {
                let deps = if *name == from {
                    serde_json::json!([{ "pkg": to, "dep_kinds": [{ "kind": null }] }])
                } else {
                    serde_json::json!([])
                };
                serde_json::json!({ "id": name, "deps": deps })
            })
            .collect();
        let packages: Vec<Value> =
            names.iter().map(|n| serde_json::json!({ "id": n, "name": n })).collect();
        serde_json::json!({
            "packages": packages, "workspace_members": members, "resolve": { "nodes": nodes }
        })
    }

    #[test]
    fn a_forbidden_edge_is_named_with_its_way() {
        let cases = [
            ("chain", "tokio", "`chain` must not reach `tokio`: chain -> tokio"),
            ("shopfloor", "sled", "`shopfloor` must not reach `sled`"),
            ("auditor", "actix-web", "`auditor` must not reach `actix-web`"),
            ("chain", "shopfloor", "`chain` may not use `shopfloor`"),
            ("recorder", "xtask", "`recorder` may not use `xtask`"),
            ("recorder", "actix-governor", "`actix-governor` is banned"),
        ];
        for (from, to, expected) in cases {
            let faults = layers(&workspace(from, to)).expect("the check runs");
            assert!(faults.iter().any(|f| f.contains(expected)), "{from} -> {to}: {faults:?}");
        }
        let allowed = layers(&workspace("report", "shopfloor")).expect("the check runs");
        assert!(allowed.is_empty(), "{allowed:?}");
    }
}
