//! The files of `demo --once DIR`: report, evidence.

use std::path::Path;

use anyhow::Context as _;

use super::Result;

/// Writes everything into a directory, as the service gave it out.
pub(super) fn write(result: &Result, dir: &Path) -> anyhow::Result<()> {
    std::fs::create_dir_all(dir).with_context(|| format!("`{}` cannot be made", dir.display()))?;
    result.evidence.write(&dir.join("evidence"), &dir.join("evidence.zip"))?;
    for (form, bytes) in &result.issued.forms {
        let path = dir.join(format!("report.{form}"));
        std::fs::write(&path, bytes)
            .with_context(|| format!("`{}` cannot be written", path.display()))?;
    }
    Ok(())
}
