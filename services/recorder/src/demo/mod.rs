//! `recorder demo`: a year of an invented shop, played over HTTP into a new log, checked, and then
//! served or written out.

pub mod check;
pub mod clock;
pub mod evidence;
mod output;
pub mod play;
pub mod played;
#[cfg(test)]
mod rehearsal;
pub mod shop;
mod summary;
#[cfg(test)]
mod tests;

use std::net::{SocketAddr, TcpListener};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use actix_web::dev::ServerHandle;
use actix_web::web;
use anyhow::{Context as _, bail};
use indicatif::{ProgressBar, ProgressStyle};
use jiff::Timestamp;
use jiff::civil::{Date, date};
use ledger::seams::{Clock, Random};
use shopfloor::ids::{Label, PersonId};
use shopfloor::people::events::Role;

use crate::app::{self, Recorder};
use crate::authn::credentials::Holder;
use crate::authn::local::{Claims, LocalIssuer};
use crate::authn::pins;
use crate::cli::Seams;
use crate::cli::serve::{self, ServeArgs};
use crate::config::Config;
use check::Outcome;
use clock::ShopClock;
use evidence::{Caller, Evidence, Issued, Refolded};
use play::{Performance, Stage};
use shop::{Client, Options, Script};

/// Origin of the demo's log.
const ORIGIN: &str = "records.brackwater-works.example/2026";

/// Who takes the evidence away.
const AUDITOR: &str = "op_n2wm5t8r";

/// Who reads the reports from outside.
const AUTHORITY: &str = "op_a4tx7c2p";

/// Who issues the report of the year: the person who answers for waste at [`REPORT_SITE`].
const REPORTER: &str = "op_h9sd4m2t";
/// Site of the report: the one with hazardous waste.
const REPORT_SITE: &str = "south";
/// First and last day of the report.
const REPORT_DAYS: (Date, Date) = (date(2025, 11, 1), date(2026, 10, 31));

/// How long a token of the played year is good: the year and a margin.
const YEAR_S: i64 = 400 * 86_400;

/// How long the tokens that are printed for the visitor are good.
const VISIT_S: i64 = 30 * 86_400;

/// Options of the demo.
#[derive(Debug, Clone, clap::Args)]
pub struct DemoArgs {
    /// Write report, evidence and a summary into this directory, check them, and exit. The exit
    /// code tells whether everything was found that should be.
    #[arg(long, value_name = "DIR")]
    pub once: Option<PathBuf>,
    /// Everything random of the shop comes from this number.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// At least so many events: meters are read more often until the year holds them.
    #[arg(long, value_name = "N")]
    pub events: Option<usize>,
    /// Where the log is kept; must be new. Default: a directory that is deleted afterwards.
    #[arg(long, value_name = "DIR")]
    pub data: Option<PathBuf>,
    /// Where to listen.
    #[arg(long, default_value = "127.0.0.1:8780")]
    pub address: SocketAddr,
}

/// What a finished play is judged by.
struct Result {
    script: Script,
    performance: Performance,
    evidence: Evidence,
    refolded: Refolded,
    outcomes: Vec<Outcome>,
    issued: Issued,
}

/// Runs the demo to its end: at once, or when it is stopped.
///
/// # Errors
/// If something of what must be there is not; if the log cannot be opened, served or read.
pub async fn run(config: Config, seams: &Seams, args: DemoArgs) -> anyhow::Result<()> {
    let script = script(&args)?;
    let kept = Kept::new(&args)?;
    let house = House::open(settings(config, &kept, &args), seams, &args, script.begins).await?;
    let result = house.perform(script).await?;
    let dir = args.once.clone().unwrap_or_else(|| kept.path().join("demo"));
    output::write(&result, &dir)?;
    let all_there = summary::print(&result, &dir)?;
    if args.once.is_none() {
        house.clock.live();
        let asked = serve::asked_to_stop()?;
        house.invite(&result.script, &mut *(seams.random)(), &dir)?;
        asked.await;
    }
    house.close().await?;
    if all_there { Ok(()) } else { bail!("something is missing: see the summary") }
}

/// The year, with enough events.
fn script(args: &DemoArgs) -> anyhow::Result<Script> {
    let wanted = args.events.unwrap_or(0);
    let mut options = Options { seed: args.seed, ..Options::default() };
    let mut script = shop::script(options);
    while script.events() < wanted {
        // A reading more in each shift adds about 9,800 events.
        let missing = wanted - script.events();
        options.readings_a_shift += (missing / 10_000).max(1);
        if options.readings_a_shift > READINGS_MAX {
            bail!("a year holds no more than about {} events", READINGS_MAX * 10_000);
        }
        script = shop::script(options);
    }
    Ok(script)
}

/// Most times a meter is read in a shift; beyond it the shift would not hold them.
const READINGS_MAX: usize = 200;

/// The data directory: the user's, or one that goes away.
enum Kept {
    Users(PathBuf),
    Temporary(tempfile::TempDir),
}

impl Kept {
    fn new(args: &DemoArgs) -> anyhow::Result<Self> {
        match &args.data {
            Some(dir) => {
                if dir.try_exists()? && std::fs::read_dir(dir)?.next().is_some() {
                    bail!("`{}` is not empty: the demo begins a log of its own", dir.display());
                }
                std::fs::create_dir_all(dir)?;
                Ok(Self::Users(dir.clone()))
            }
            None => {
                Ok(Self::Temporary(tempfile::Builder::new().prefix("pulverlog-demo-").tempdir()?))
            }
        }
    }

    fn path(&self) -> &std::path::Path {
        match self {
            Self::Users(dir) => dir,
            Self::Temporary(dir) => dir.path(),
        }
    }
}

fn settings(mut config: Config, kept: &Kept, args: &DemoArgs) -> Config {
    config.log.data_dir = kept.path().join("data");
    config.log.head_dir = None;
    config.log.origin = ORIGIN.to_owned();
    // A directory for temporary files may lie in memory; nothing of the demo has to survive.
    config.log.allow_tmpfs = true;
    config.listen.address = args.address;
    // A token lasts the played year, in which nobody is there to sign in again.
    let sign_within_s = u32::try_from(YEAR_S).unwrap_or(u32::MAX);
    config.auth =
        crate::config::AuthConfig { local_issuer: true, sign_within_s, ..Default::default() };
    // A year goes by in half a minute: nobody is told to slow down.
    config.limits.requests_per_s = 100_000;
    config.limits.requests_burst = 100_000;
    config
}

/// Listens where it was asked, or on any free port when that one is taken or nobody needs to know.
fn listen(args: &DemoArgs) -> anyhow::Result<TcpListener> {
    let free = SocketAddr::new(args.address.ip(), 0);
    let wanted = if args.once.is_some() { free } else { args.address };
    TcpListener::bind(wanted)
        .or_else(|_| TcpListener::bind(free))
        .with_context(|| format!("cannot listen on {}", args.address))
}

/// The running service and the shop's clock.
struct House {
    base: String,
    recorder: web::Data<Recorder>,
    clock: Arc<ShopClock>,
    handle: ServerHandle,
    serving: tokio::task::JoinHandle<std::io::Result<()>>,
}

impl House {
    /// Opens a new log whose clock is the shop's, and serves it.
    async fn open(
        config: Config,
        seams: &Seams,
        args: &DemoArgs,
        begins: Timestamp,
    ) -> anyhow::Result<Self> {
        let clock = Arc::new(ShopClock::new(begins, Arc::clone(&seams.clock)));
        let shop_seams = Seams { clock: clock.clone(), random: seams.random };
        let opened =
            serve::open(config, &shop_seams, ServeArgs { create: true, ..ServeArgs::default() })
                .await?;
        let recorder = web::Data::new(opened);
        let (server, address) = app::start(recorder.clone(), listen(args)?)?;
        let handle = server.handle();
        let serving = actix_web::rt::spawn(server);
        Ok(Self { base: format!("http://{address}"), recorder, clock, handle, serving })
    }

    /// Plays the year, issues its report, takes the evidence away and asks it everything.
    async fn perform(&self, script: Script) -> anyhow::Result<Result> {
        let tokens = script.clients.iter().map(|client| {
            let role = role(client.role)?;
            self.token(&client.id, role, client.site, YEAR_S)
        });
        let stage =
            Stage { base: self.base.clone(), tokens: tokens.collect::<anyhow::Result<_>>()? };
        let bar = progress(script.events());
        let performance = play::play(&script, &stage, &self.clock, &bar).await?;
        bar.finish_and_clear();
        self.clock.reach(script.ends);
        let reporter = self.caller(REPORTER, Role::Ehs, Some(REPORT_SITE))?;
        let issued = reporter.issue(REPORT_SITE, REPORT_DAYS.0, REPORT_DAYS.1).await?;
        let auditor = self.caller(AUDITOR, Role::Auditor, None)?;
        let evidence = auditor.take(&performance.leaves).await?;
        let refolded = evidence.refold()?;
        let record = check::Record {
            played: &performance.played,
            state: &refolded.state,
            facts: &refolded.facts,
            kinds: &refolded.kinds,
            now: script.ends,
        };
        let outcomes = check::check(&script, &record);
        Ok(Result { script, performance, evidence, refolded, outcomes, issued })
    }

    /// Somebody who asks the service, with a token for the played year.
    fn caller(&self, subject: &str, role: Role, site: Option<&str>) -> anyhow::Result<Caller> {
        Ok(Caller::new(self.base.clone(), self.token(subject, role, site, YEAR_S)?))
    }

    /// A token of the local issuer, from now on.
    fn token(
        &self,
        subject: &str,
        role: Role,
        site: Option<&str>,
        lifetime_s: i64,
    ) -> anyhow::Result<String> {
        let issuer = LocalIssuer::open(&self.recorder.config.keys_dir())?;
        let sites: Vec<&str> = site.into_iter().collect();
        Ok(issuer.mint(&Claims {
            subject,
            audience: &self.recorder.config.auth.audience,
            roles: &[role],
            sites: site.is_some().then_some(&sites),
            issued_at_s: self.clock.now_ms().div_euclid(1_000),
            lifetime_s,
        }))
    }

    /// Tells a visitor where everything lies, and gives a badge of each role to sign in with.
    fn invite(
        &self,
        script: &Script,
        random: &mut dyn Random,
        dir: &std::path::Path,
    ) -> anyhow::Result<()> {
        let token = self.token(AUDITOR, Role::Auditor, None, VISIT_S)?;
        // Drawn anew each time: no demo that somebody left running opens to a known PIN.
        let mut pin = random_pin(random);
        while pins::check(&pin, "1001", "", 6).is_err() {
            pin = random_pin(random);
        }
        let mut badges = Vec::new();
        for (client, badge) in visitors(script).into_iter().zip(1001..) {
            let holder = Holder {
                person: PersonId::new(&client.id)?,
                roles: vec![role(client.role)?],
                sites: client.site.map(Label::new).transpose()?.map(|site| vec![site]),
            };
            self.recorder.authn.credentials().enrol(holder, &badge.to_string(), &pin, random)?;
            badges.push((badge.to_string(), client.role, client.id.clone()));
        }
        summary::invite(&self.base, &token, &badges, &pin, dir)
    }

    /// Stops serving and closes the log in good order.
    async fn close(self) -> anyhow::Result<()> {
        let log = self.recorder.log.clone();
        drop(self.recorder);
        self.handle.stop(true).await;
        tokio::time::timeout(Duration::from_secs(30), self.serving).await???;
        log.close().context("the log was not closed in good order; the next start mends it")?;
        Ok(())
    }
}

/// Two technicians of one site, because nobody signs for their own work, one of each other role of
/// the shop, and those from outside. Quality looks over every site: powder crosses them.
fn visitors(script: &Script) -> Vec<Client> {
    let mut chosen: Vec<Client> = Vec::new();
    for client in script.clients.iter().filter(|client| client.id.starts_with("op_")) {
        let same: Vec<&Client> = chosen.iter().filter(|c| c.role == client.role).collect();
        let wanted = if client.role == Role::Technician.as_str() { 2 } else { 1 };
        if same.len() < wanted && same.iter().all(|c| c.site == client.site) {
            let over_all = client.role == Role::Quality.as_str();
            let site = client.site.filter(|_| !over_all);
            chosen.push(Client { site, ..client.clone() });
        }
    }
    for (id, role) in [(AUDITOR, Role::Auditor), (AUTHORITY, Role::Authority)] {
        chosen.push(Client { id: id.to_owned(), role: role.as_str(), site: None });
    }
    chosen
}

/// Six digits.
fn random_pin(random: &mut dyn Random) -> String {
    let mut bytes = [0; 4];
    random.fill(&mut bytes);
    format!("{:06}", u32::from_le_bytes(bytes) % 1_000_000)
}

fn role(word: &str) -> anyhow::Result<Role> {
    let found = Role::ALL.iter().copied().find(|role| role.as_str() == word);
    found.with_context(|| format!("`{word}` is no role"))
}

fn progress(events: usize) -> ProgressBar {
    let style = "{bar:40} {pos} of {len} events, {per_sec}, {eta} left";
    let style =
        ProgressStyle::with_template(style).unwrap_or_else(|_| ProgressStyle::default_bar());
    ProgressBar::new(events as u64).with_style(style)
}
