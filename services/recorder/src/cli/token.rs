//! `recorder token`: a token of the local issuer.

use std::io::Write as _;

use anyhow::Context as _;
use shopfloor::people::events::Role;

use super::Seams;
use crate::authn::local::{Claims, LocalIssuer};
use crate::config::Config;

/// What the token is to say.
#[derive(Debug, Clone, clap::Args)]
pub struct TokenArgs {
    /// Pseudonym of a person (`op_..`) or name of a system (`svc_..`).
    #[arg(long)]
    pub subject: String,
    /// Role; may be given several times.
    #[arg(long = "role", value_parser = role, required = true)]
    pub roles: Vec<Role>,
    /// Site; may be given several times. Without it the token is for every site.
    #[arg(long = "site")]
    pub sites: Vec<String>,
    /// How long it is good, in seconds.
    #[arg(long, default_value_t = 8 * 3600, value_parser = clap::value_parser!(i64).range(1..=31_622_400))]
    pub lifetime_s: i64,
}

pub(super) fn role(word: &str) -> Result<Role, String> {
    Role::ALL.iter().copied().find(|role| role.as_str() == word).ok_or_else(|| {
        let words: Vec<&str> = Role::ALL.iter().map(|role| role.as_str()).collect();
        format!("roles are {}", words.join(", "))
    })
}

/// Prints a token. The key is made if there is none.
///
/// # Errors
/// If the key cannot be read or made.
pub fn run(config: &Config, args: &TokenArgs, seams: &Seams) -> anyhow::Result<()> {
    let issuer = LocalIssuer::open_or_create(&config.keys_dir(), &mut *(seams.random)())
        .context("the local issuer cannot sign")?;
    let sites: Vec<&str> = args.sites.iter().map(String::as_str).collect();
    let token = issuer.mint(&Claims {
        subject: &args.subject,
        audience: &config.auth.audience,
        roles: &args.roles,
        sites: (!sites.is_empty()).then_some(&sites),
        issued_at_s: seams.clock.now_ms().div_euclid(1_000),
        lifetime_s: args.lifetime_s,
    });
    writeln!(std::io::stdout(), "{token}")?;
    if !config.auth.local_issuer {
        tracing::warn!("the service accepts this token only with `auth.local_issuer = true`");
    }
    Ok(())
}
