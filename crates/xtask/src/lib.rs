//! House rules as code: layers, lints, layout.

use std::path::PathBuf;

pub mod advisories;
pub mod api;
pub mod tidy;

/// The folder of the workspace, found from this crate's own place in it.
pub fn workspace_root() -> anyhow::Result<PathBuf> {
    let here = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    let root = here.ancestors().nth(2).map(PathBuf::from);
    root.ok_or_else(|| anyhow::anyhow!("`{}` does not lie two folders deep", here.display()))
}
