//! `recorder badge`: enrols a badge and PIN for a person who signs in at a terminal.

use std::io::{BufRead as _, Write as _};

use anyhow::Context as _;
use shopfloor::ids::{Label, PersonId};
use shopfloor::people::events::Role;

use super::Seams;
use super::token::role;
use crate::authn::credentials::{Credentials, Holder};
use crate::config::Config;

/// Whose badge it is.
#[derive(Debug, Clone, clap::Args)]
pub struct BadgeArgs {
    /// Pseudonym of the person (`op_..`).
    #[arg(long)]
    pub person: String,
    /// Role; may be given several times.
    #[arg(long = "role", value_parser = role, required = true)]
    pub roles: Vec<Role>,
    /// Site; may be given several times. Without it the badge is for every site.
    #[arg(long = "site")]
    pub sites: Vec<String>,
}

/// Reads the badge number and the PIN from standard input, one line each, and keeps their hashes.
/// On the command line they would stand in the history of the shell.
///
/// # Errors
/// If they cannot be read, used or kept.
pub fn run(config: &Config, args: &BadgeArgs, seams: &Seams) -> anyhow::Result<()> {
    let mut lines = std::io::stdin().lock().lines();
    let mut line = |what: &str| -> anyhow::Result<String> {
        writeln!(std::io::stderr(), "{what}:")?;
        let line = lines.next().with_context(|| format!("no {what} on standard input"))??;
        Ok(line.strip_suffix('\r').unwrap_or(&line).to_owned())
    };
    let (badge, pin) = (line("badge number")?.trim().to_owned(), line("PIN")?);
    let sites: Vec<Label> =
        args.sites.iter().map(|site| Label::new(site)).collect::<Result<_, _>>()?;
    let holder = Holder {
        person: PersonId::new(&args.person)?,
        roles: args.roles.clone(),
        sites: (!sites.is_empty()).then_some(sites),
    };
    Credentials::of(config).enrol(holder, &badge, &pin, &mut *(seams.random)())?;
    writeln!(std::io::stdout(), "{} may sign in with the badge", args.person)?;
    Ok(())
}
