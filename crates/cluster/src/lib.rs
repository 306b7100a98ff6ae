//! PostgreSQL for tests and measurements: servers of one's own with standbys that follow them, a wire to
//! them that can be cut where it hurts, and the tables of rows that our log is measured against.
//!
//! Runs the programs of Debian's package `postgresql`. As root they run as the user `postgres`, as
//! anybody else as that user. Everything lies in a directory of its own and goes with the value.

mod authority;
pub mod rows;
mod wire;

use std::io::Read as _;
use std::net::{SocketAddr, TcpListener};
use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _};
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, bail, ensure};
use tempfile::TempDir;

pub use authority::{Authority, Paper};
pub use wire::{Mood, Wire};

/// Superuser of the servers.
pub const USER: &str = "log";

/// Small, and as durable as by default.
const SETTINGS: &str = "
fsync = on
full_page_writes = on
synchronous_commit = on
shared_buffers = 32MB
max_connections = 60
max_wal_senders = 10
wal_keep_size = 256MB
wal_receiver_status_interval = 1s
wal_receiver_timeout = 5s
wal_sender_timeout = 5s
wal_retrieve_retry_interval = 200ms
hot_standby = on
";

/// What a server is given that is measured, ours and the rivals' alike. Durability is as by default, and
/// said aloud; nothing but a commit makes it write during a measurement.
pub const MEASURED: &str = "
wal_sync_method = fdatasync
max_connections = 150
shared_buffers = 256MB
max_wal_size = 8GB
checkpoint_timeout = 1h
autovacuum = off
";

/// How long a server may take to start, stop or be promoted.
const PATIENCE: Duration = Duration::from_secs(120);

/// Who may connect to a server with a certificate: over TLS, or over its socket.
const TLS_ONLY: &str = "local all all trust\nhostssl all all 127.0.0.1/32 trust\n";

/// How a server is set up.
#[derive(Debug, Clone, Copy, Default)]
pub struct Setup<'s> {
    /// Lines of `postgresql.conf` besides its own; they count more.
    pub settings: &'s str,
    /// The folder its own folder is made in; `/tmp` if none is given.
    pub within: Option<&'s Path>,
    /// What it shows; it then takes no connection over TCP without TLS.
    pub certificate: Option<&'s Paper>,
    /// Words before its command line: a program that runs it.
    pub run_by: &'s [String],
}

/// A running server.
#[derive(Debug)]
pub struct Server {
    name: String,
    dir: TempDir,
    port: u16,
    child: Child,
}

/// Where the programs of PostgreSQL lie, if they are installed.
#[must_use]
pub fn programs() -> Option<PathBuf> {
    let mut found: Vec<PathBuf> = std::fs::read_dir("/usr/lib/postgresql")
        .ok()?
        .filter_map(|version| Some(version.ok()?.path().join("bin")))
        .filter(|bin| bin.join("initdb").is_file())
        .collect();
    found.sort();
    found.pop()
}

/// Whether tests that need a server can run; says so aloud if not. Where everything has to run,
/// `PULVERLOG_ALL` is set, and the lack of a server is a failure.
#[must_use]
pub fn is_installed(test: &str) -> bool {
    let there = programs().is_some();
    if !there {
        eprintln!("SKIPPED {test}: PostgreSQL is not installed (Debian: postgresql)");
        assert!(std::env::var_os("PULVERLOG_ALL").is_none(), "PostgreSQL has to be there");
    }
    there
}

fn is_root() -> bool {
    std::fs::metadata("/proc/self").is_ok_and(|own| own.uid() == 0)
}

fn as_its_user(program: &str) -> Result<Command> {
    let program = programs().context("PostgreSQL is not installed")?.join(program);
    if is_root() {
        let mut command = Command::new("setpriv");
        command.args(["--reuid=postgres", "--regid=postgres", "--clear-groups"]).arg(program);
        Ok(command)
    } else {
        Ok(Command::new(program))
    }
}

fn run(command: &mut Command) -> Result<String> {
    let output = command.output().with_context(|| format!("{command:?}"))?;
    ensure!(
        output.status.success(),
        "{command:?}: {}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
    Ok(String::from_utf8_lossy(&output.stdout).trim_end().to_owned())
}

/// A directory that the servers' user may use.
fn directory(within: Option<&Path>) -> Result<TempDir> {
    let within = within.unwrap_or_else(|| Path::new("/tmp"));
    let dir = tempfile::Builder::new().prefix("pg-").tempdir_in(within)?;
    std::fs::set_permissions(dir.path(), std::fs::Permissions::from_mode(0o755))?;
    let data = dir.path().join("data");
    std::fs::create_dir(&data)?;
    std::fs::set_permissions(&data, std::fs::Permissions::from_mode(0o700))?;
    for path in [dir.path(), &data] {
        give_to_its_user(path)?;
    }
    Ok(dir)
}

fn give_to_its_user(path: &Path) -> Result<()> {
    if is_root() {
        run(Command::new("chown").arg("postgres:postgres").arg(path))
            .context("there is no user `postgres`")?;
    }
    Ok(())
}

/// Puts certificate and key where the server finds them; it refuses a key that others may read.
fn keep_certificate(data: &Path, paper: &Paper) -> Result<()> {
    for (from, name) in [(&paper.certificate, "server.crt"), (&paper.key, "server.key")] {
        let to = data.join(name);
        std::fs::copy(from, &to).with_context(|| from.display().to_string())?;
        std::fs::set_permissions(&to, std::fs::Permissions::from_mode(0o600))?;
        give_to_its_user(&to)?;
    }
    std::fs::write(data.join("pg_hba.conf"), TLS_ONLY)?;
    Ok(())
}

/// The processes a process started, as the kernel lists them.
fn children_of(pid: u32) -> Vec<String> {
    let tasks = std::fs::read_dir(format!("/proc/{pid}/task")).into_iter().flatten().flatten();
    let children =
        tasks.filter_map(|task| std::fs::read_to_string(task.path().join("children")).ok());
    children
        .flat_map(|line| line.split_whitespace().map(str::to_owned).collect::<Vec<_>>())
        .collect()
}

fn free_port() -> Result<u16> {
    Ok(TcpListener::bind(("127.0.0.1", 0))?.local_addr()?.port())
}

impl Server {
    /// Sets up and starts a server with these settings besides its own.
    ///
    /// # Errors
    /// If it does not start.
    pub fn start(name: &str, settings: &str) -> Result<Self> {
        Self::set_up(name, &Setup { settings, ..Setup::default() })
    }

    /// Sets up and starts a server.
    ///
    /// # Errors
    /// If it does not start.
    pub fn set_up(name: &str, setup: &Setup<'_>) -> Result<Self> {
        let dir = directory(setup.within)?;
        let data = dir.path().join("data");
        run(as_its_user("initdb")?
            .args(["-A", "trust", "-U", USER, "-E", "UTF8", "--locale=C", "--no-sync", "-D"])
            .arg(&data))?;
        let mut tls = "";
        if let Some(paper) = setup.certificate {
            keep_certificate(&data, paper)?;
            tls = "ssl = on\n";
        }
        let config = data.join("postgresql.conf");
        let text = std::fs::read_to_string(&config)?;
        std::fs::write(&config, format!("{text}{SETTINGS}{tls}{}\n", setup.settings))?;
        Self::spawn(name, dir, setup.run_by)
    }

    /// A standby of this server, following it as `name`.
    ///
    /// # Errors
    /// If it does not start.
    pub fn standby(&self, name: &str) -> Result<Self> {
        let dir = directory(None)?;
        let data = dir.path().join("data");
        run(as_its_user("pg_basebackup")?
            .args(["-h", "127.0.0.1", "-U", USER, "-p"])
            .arg(self.port.to_string())
            .args(["--checkpoint=fast", "--no-sync", "-R", "-D"])
            .arg(&data))?;
        let auto = data.join("postgresql.auto.conf");
        let kept = std::fs::read_to_string(&auto)?;
        // The name by which the primary knows it; a standby of it in turn is chosen later.
        let kept: String = kept
            .lines()
            .filter(|line| {
                !line.starts_with("primary_conninfo") && !line.starts_with("synchronous_standby")
            })
            .map(|line| format!("{line}\n"))
            .collect();
        let from = format!("host=127.0.0.1 port={} user={USER} application_name={name}", self.port);
        std::fs::write(&auto, format!("{kept}primary_conninfo = '{from}'\n"))?;
        Self::spawn(name, dir, &[])
    }

    fn spawn(name: &str, dir: TempDir, run_by: &[String]) -> Result<Self> {
        let port = free_port()?;
        let child = Self::process(&dir, port, run_by)?;
        let server = Self { name: name.to_owned(), dir, port, child };
        server.wait_until("it takes connections", |server| Ok(server.is_ready()))?;
        Ok(server)
    }

    fn process(dir: &TempDir, port: u16, run_by: &[String]) -> Result<Child> {
        let log =
            std::fs::File::options().create(true).append(true).open(dir.path().join("log"))?;
        let server = as_its_user("postgres")?;
        let mut command = match run_by {
            [] => server,
            [program, words @ ..] => {
                let mut command = Command::new(program);
                command.args(words).arg(server.get_program()).args(server.get_args());
                command
            }
        };
        command
            .arg("-D")
            .arg(dir.path().join("data"))
            .args(["-c", "listen_addresses=127.0.0.1", "-p"])
            .arg(port.to_string())
            .arg("-k")
            .arg(dir.path())
            .stdout(Stdio::null())
            .stderr(log)
            .process_group(0)
            .spawn()
            .context("postgres does not start")
    }

    fn is_ready(&self) -> bool {
        let check = as_its_user("pg_isready").and_then(|mut command| {
            Ok(command.args(["-q", "-h", "127.0.0.1", "-p"]).arg(self.port.to_string()).status()?)
        });
        check.is_ok_and(|status| status.success())
    }

    fn wait_until(&self, what: &str, done: impl Fn(&Self) -> Result<bool>) -> Result<()> {
        let begun = Instant::now();
        while !done(self)? {
            if begun.elapsed() > PATIENCE {
                bail!("`{}`: not in time: {what}\n{}", self.name, self.log());
            }
            std::thread::sleep(Duration::from_millis(30));
        }
        Ok(())
    }

    /// What the server wrote to its log.
    #[must_use]
    pub fn log(&self) -> String {
        let mut text = String::new();
        if let Ok(mut file) = std::fs::File::open(self.dir.path().join("log")) {
            let _ = file.read_to_string(&mut text);
        }
        text
    }

    /// Address of a database, over TCP.
    #[must_use]
    pub fn address(&self, database: &str) -> String {
        format!("postgres://{USER}@127.0.0.1:{}/{database}", self.port)
    }

    /// Address of a database, over the socket.
    #[must_use]
    pub fn socket_address(&self, database: &str) -> String {
        let dir = self.dir.path().display();
        format!("postgres:///{database}?host={dir}&port={}&user={USER}", self.port)
    }

    /// Where it listens.
    #[must_use]
    pub fn listens(&self) -> SocketAddr {
        SocketAddr::from(([127, 0, 0, 1], self.port))
    }

    /// Runs SQL; the answer without headings, members separated by `|`.
    ///
    /// # Errors
    /// What the server says.
    pub fn sql(&self, database: &str, sql: &str) -> Result<String> {
        // Over the socket: it asks for no TLS, and psql looks for no certificates in somebody's home.
        run(as_its_user("psql")?
            .args(["-X", "-q", "-A", "-t", "-v", "ON_ERROR_STOP=1", "-U", USER, "-h"])
            .arg(self.dir.path())
            .arg("-p")
            .arg(self.port.to_string())
            .args(["-d", database, "-c", sql])
            // psql reads files of the user's home otherwise.
            .current_dir("/"))
    }

    /// Makes an empty database.
    ///
    /// # Errors
    /// What the server says.
    pub fn create_database(&self, name: &str) -> Result<()> {
        self.sql("postgres", &format!("CREATE DATABASE {name}")).map(drop)
    }

    /// Acknowledges commits only when this standby has them, and waits until it follows so.
    ///
    /// # Errors
    /// If it does not.
    pub fn wait_for_standby(&self, name: &str) -> Result<()> {
        self.sql("postgres", &format!("ALTER SYSTEM SET synchronous_standby_names = '{name}'"))?;
        self.sql("postgres", "SELECT pg_reload_conf()")?;
        self.wait_until("a synchronous standby", |server| {
            let sql = format!(
                "SELECT count(*) FROM pg_stat_replication \
                 WHERE application_name = '{name}' AND sync_state = 'sync'"
            );
            Ok(server.sql("postgres", &sql)? == "1")
        })
    }

    /// Number of its first process: the one that was started, or what that one runs.
    fn pid(&self) -> Result<u32> {
        let file = std::fs::read_to_string(self.data().join("postmaster.pid"))?;
        let line = file.lines().next().context("the server wrote no process number")?;
        line.parse().context("the server wrote another process number than a number")
    }

    /// Kills every process of the server at once, as a power cut would.
    ///
    /// # Errors
    /// If that is not possible.
    pub fn kill(&mut self) -> Result<()> {
        if self.child.try_wait()?.is_some() {
            return Ok(());
        }
        let own = self.child.id();
        let first = self.pid().unwrap_or(own);
        // Each connection has a process that leads a group of its own. Stopped, the first one can make no
        // more of them while they are listed.
        let _ = Command::new("kill").args(["-STOP", &first.to_string()]).status();
        let mut all = vec![first.to_string()];
        all.extend(children_of(first));
        if own != first {
            all.push(own.to_string());
        }
        // One may have ended by itself meanwhile; that the first one is gone is what counts.
        let _ = Command::new("kill").arg("-KILL").args(&all).stderr(Stdio::null()).status();
        self.child.wait()?;
        Ok(())
    }

    /// Stops the server at once, without a checkpoint ("immediate").
    ///
    /// # Errors
    /// If that is not possible.
    pub fn stop_at_once(&mut self) -> Result<()> {
        self.end("-QUIT")
    }

    /// Stops the server in good order, whoever is connected ("fast").
    ///
    /// # Errors
    /// If that is not possible.
    pub fn stop(mut self) -> Result<()> {
        self.end("-INT")
    }

    fn end(&mut self, signal: &str) -> Result<()> {
        run(Command::new("kill").args([signal, &self.pid()?.to_string()]))?;
        self.child.wait()?;
        Ok(())
    }

    /// Starts the server again after it was stopped or killed; it recovers by itself.
    ///
    /// # Errors
    /// If it does not start.
    pub fn restart(&mut self) -> Result<()> {
        let _ = std::fs::remove_file(self.dir.path().join("data/postmaster.pid"));
        self.child = Self::process(&self.dir, self.port, &[])?;
        self.wait_until("it takes connections", |server| Ok(server.is_ready()))
    }

    /// Makes a standby the primary.
    ///
    /// # Errors
    /// If it does not become one.
    pub fn promote(&self) -> Result<()> {
        run(as_its_user("pg_ctl")?.args(["promote", "-w", "-D"]).arg(self.data()))?;
        self.wait_until("it takes writes", |server| {
            Ok(server.sql("postgres", "SELECT pg_is_in_recovery()")? == "f")
        })
    }

    fn data(&self) -> PathBuf {
        let data: &Path = self.dir.path();
        data.join("data")
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.kill();
    }
}
