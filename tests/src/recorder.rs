//! A recorder under test, with a data directory of its own, and a client of its API.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::Duration;

use serde_json::{Value, json};

use crate::programs::{printed, program, run};

/// A place for one recorder: configuration and data; the recorder can be started in it again and
/// again.
#[derive(Debug)]
pub struct Place {
    folder: PathBuf,
}

/// How a recorder ended that never listened.
#[derive(Debug)]
pub struct Ended {
    /// Its exit status.
    pub status: ExitStatus,
    /// Its log.
    pub said: String,
}

impl std::fmt::Display for Ended {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}\n{}", self.status, self.said)
    }
}

/// A running recorder. Dropping it kills it.
#[derive(Debug)]
pub struct Running {
    child: Child,
    /// Address of the API, for example `http://127.0.0.1:40123`.
    pub base: String,
}

impl Place {
    /// Prepares `folder` for a recorder that accepts tokens of its local issuer.
    ///
    /// # Panics
    /// When the configuration cannot be written.
    pub fn new(folder: &Path) -> Self {
        Self::with_log(folder, "")
    }

    /// As [`new`](Self::new), with further lines for the section `[log]`.
    ///
    /// # Panics
    /// When the configuration cannot be written.
    pub fn with_log(folder: &Path, lines: &str) -> Self {
        Self::prepared(folder, "records.brackwater.example/test", lines)
    }

    /// As [`new`](Self::new), for a log of another name.
    ///
    /// # Panics
    /// When the configuration cannot be written.
    pub fn named(folder: &Path, origin: &str) -> Self {
        Self::prepared(folder, origin, "")
    }

    fn prepared(folder: &Path, origin: &str, lines: &str) -> Self {
        std::fs::create_dir_all(folder).expect("a folder");
        let config = format!(
            "[log]\ndata_dir = {:?}\norigin = {origin:?}\nallow_tmpfs = true\n\
             {lines}\n[listen]\naddress = \"127.0.0.1:0\"\n\
             [auth]\nlocal_issuer = true\n\
             [limits]\nrequests_per_s = 100000\nrequests_burst = 100000\n",
            folder.join("data")
        );
        std::fs::write(folder.join("pulverlog.toml"), config)
            .expect("the configuration is written");
        Self { folder: folder.to_owned() }
    }

    /// Adds sections to its configuration, for later starts.
    ///
    /// # Panics
    /// When the configuration cannot be written.
    pub fn configure(&self, sections: &str) {
        let file = self.folder.join("pulverlog.toml");
        let config = std::fs::read_to_string(&file).expect("the configuration");
        std::fs::write(file, format!("{config}{sections}")).expect("the configuration is written");
    }

    /// The data directory.
    pub fn data(&self) -> PathBuf {
        self.folder.join("data")
    }

    /// A command of the recorder with this place's configuration.
    pub fn command(&self, words: &[&str]) -> Command {
        let mut command = Command::new(program("recorder"));
        command.arg("--config").arg(self.folder.join("pulverlog.toml")).args(words);
        command.env("NO_COLOR", "1");
        command
    }

    /// Starts the recorder and waits until it says where it listens.
    ///
    /// # Panics
    /// When it ends before.
    pub fn start(&self) -> Running {
        self.start_with(&[])
    }

    /// The same with further words on the command line.
    ///
    /// # Panics
    /// When it ends before.
    pub fn start_with(&self, words: &[&str]) -> Running {
        match self.try_start(&mut self.command(&[&["serve"], words].concat())) {
            Ok(running) => running,
            Err(ended) => panic!("the recorder ended before it listened: {ended}"),
        }
    }

    /// Starts the recorder at an address of its own.
    ///
    /// # Panics
    /// When it ends before it listens.
    pub fn start_at(&self, address: &str) -> Running {
        let mut command = self.command(&["serve"]);
        match self.try_start(command.env("PULVERLOG_LISTEN__ADDRESS", address)) {
            Ok(running) => running,
            Err(ended) => panic!("the recorder ended before it listened: {ended}"),
        }
    }

    /// Starts a command that becomes a recorder, and waits until it says where it listens.
    ///
    /// # Errors
    /// How it ended and what it said, if it ended before.
    ///
    /// # Panics
    /// When the command cannot be run.
    pub fn try_start(&self, command: &mut Command) -> Result<Running, Ended> {
        let mut child = command
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the recorder starts");
        let mut lines = BufReader::new(child.stderr.take().expect("a pipe")).lines();
        let mut said = Vec::new();
        let address = loop {
            let Some(Ok(line)) = lines.next() else {
                let status = child.wait().expect("an ended recorder has a status");
                return Err(Ended { status, said: said.join("\n") });
            };
            if let Some(rest) = line.split("address=").nth(1) {
                break rest.split_whitespace().next().unwrap_or_default().to_owned();
            }
            said.push(line);
        };
        // The pipe is read to its end so that the recorder never blocks on it.
        std::thread::spawn(move || lines.for_each(drop));
        Ok(Running { child, base: format!("http://{address}") })
    }

    /// A token of the local issuer.
    ///
    /// # Panics
    /// When none is printed.
    pub fn token(&self, subject: &str, roles: &[&str]) -> String {
        let mut words = vec!["token", "--subject", subject];
        for role in roles {
            words.extend(["--role", role]);
        }
        let output = run(&mut self.command(&words));
        assert!(output.status.success(), "no token: {}", printed(&output));
        String::from_utf8(output.stdout).expect("a token is text").trim().to_owned()
    }
}

impl Running {
    /// Kills it as a power cut would: SIGKILL, no chance to finish anything.
    ///
    /// # Panics
    /// When it cannot be killed.
    pub fn kill(mut self) {
        self.child.kill().expect("a running recorder can be killed");
        self.child.wait().expect("a killed recorder ends");
    }

    /// Asks it to stop (SIGTERM) and waits until it has.
    ///
    /// # Panics
    /// When it cannot be asked.
    pub fn stop(mut self) -> ExitStatus {
        let pid = self.child.id().to_string();
        let asked = Command::new("kill").args(["-TERM", &pid]).status().expect("`kill` runs");
        assert!(asked.success(), "SIGTERM could not be sent");
        self.child.wait().expect("a stopped recorder ends")
    }

    /// As [`stop`](Self::stop), for a recorder that may have ended already, in whatever way.
    ///
    /// # Panics
    /// When it goes on running for half a minute.
    pub fn stop_if_running(mut self) -> ExitStatus {
        let pid = self.child.id().to_string();
        let _ = Command::new("kill").args(["-TERM", &pid]).stderr(Stdio::null()).status();
        for _ in 0..3_000 {
            if let Some(status) = self.child.try_wait().expect("a child can be asked") {
                return status;
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        panic!("the recorder does not stop");
    }

    /// Number of the process.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// A client with a token.
    pub fn client(&self, token: &str) -> Client {
        Client::new(&self.base, token)
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        // It may have ended already; then there is nothing to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A client of the API.
#[derive(Debug, Clone)]
pub struct Client {
    agent: ureq::Agent,
    base: String,
    token: String,
}

/// An answer: status and body.
#[derive(Debug, Clone)]
pub struct Answer {
    /// HTTP status.
    pub status: u16,
    /// Body.
    pub body: Vec<u8>,
}

impl Answer {
    /// The body as JSON; `null` when it is none.
    pub fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or(Value::Null)
    }

    /// The body as text, for messages.
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }
}

/// Why no answer came; whether the event was recorded is then unknown.
pub type NoAnswer = Box<ureq::Error>;

impl Client {
    /// A client of what answers at `base`, with a token.
    pub fn new(base: &str, token: &str) -> Self {
        let agent = ureq::Agent::new_with_config(
            ureq::Agent::config_builder()
                .http_status_as_error(false)
                .timeout_global(Some(Duration::from_secs(60)))
                .build(),
        );
        Self { agent, base: base.to_owned(), token: token.to_owned() }
    }

    /// GET.
    ///
    /// # Errors
    /// [`NoAnswer`].
    pub fn get(&self, path: &str) -> Result<Answer, NoAnswer> {
        let request = self
            .agent
            .get(format!("{}{path}", self.base))
            .header("Authorization", format!("Bearer {}", self.token));
        Self::read(request.call()?)
    }

    /// Posts bytes with a content type and further headers.
    ///
    /// # Errors
    /// [`NoAnswer`].
    pub fn post(
        &self,
        path: &str,
        content_type: &str,
        headers: &[(&str, &str)],
        body: &[u8],
    ) -> Result<Answer, NoAnswer> {
        let mut request = self
            .agent
            .post(format!("{}{path}", self.base))
            .header("Authorization", format!("Bearer {}", self.token))
            .header("Content-Type", content_type);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        Self::read(request.send(body)?)
    }

    /// Puts a JSON body.
    ///
    /// # Errors
    /// [`NoAnswer`].
    pub fn put(&self, path: &str, body: &[u8]) -> Result<Answer, NoAnswer> {
        let request = self
            .agent
            .put(format!("{}{path}", self.base))
            .header("Authorization", format!("Bearer {}", self.token))
            .header("Content-Type", "application/json");
        Self::read(request.send(body)?)
    }

    /// Posts one event.
    ///
    /// # Errors
    /// [`NoAnswer`].
    pub fn record(&self, event: &Value) -> Result<Answer, NoAnswer> {
        self.post("/v1/events", "application/cloudevents+json", &[], event.to_string().as_bytes())
    }

    fn read(mut response: ureq::http::Response<ureq::Body>) -> Result<Answer, NoAnswer> {
        let status = response.status().as_u16();
        let body = response.body_mut().with_config().limit(1 << 30).read_to_vec()?;
        Ok(Answer { status, body })
    }
}

/// An event with the attributes every shop-floor event has.
pub fn event(id: &str, name: &str, subject: &str, time: &str, data: Value) -> Value {
    json!({
        "specversion": "1.0", "id": id, "source": "/mes/test", "type": format!("pulverlog.{name}"),
        "subject": subject, "site": "north", "time": time, "operator": "op_k7", "data": data,
    })
}
