//! `recorder keys`: the log's verification key, for those who check the log without us.

use std::io::Write as _;

use super::{Seams, serve};
use crate::config::Config;

/// Prints the verification key (C2SP vkey) of the log. The key is made if there is none.
///
/// # Errors
/// If the key cannot be read or made.
pub fn run(config: &Config, seams: &Seams) -> anyhow::Result<()> {
    let (signer, _) = serve::signer(config, &mut *(seams.random)())?;
    writeln!(std::io::stdout(), "{}", signer.vkey())?;
    Ok(())
}
