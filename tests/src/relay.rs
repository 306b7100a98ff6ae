//! A relay under test, with a data folder of its own, and what is around it: a place where machines send
//! to, the commands, and the order in which the log holds what they sent.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::programs::{printed, program, run};
use crate::receipts::Kept;
use crate::recorder::{Client, event};

/// Longest a test waits for something that must happen.
const PATIENCE: Duration = Duration::from_secs(120);

/// A place for one relay; it can be started in it again and again.
#[derive(Debug)]
pub struct RelayPlace {
    folder: PathBuf,
    /// Token of its client `machines`.
    pub token: String,
}

/// A running relay. Dropping it kills it.
#[derive(Debug)]
pub struct RunningRelay {
    child: Child,
    /// Address for machines.
    pub base: String,
}

/// A port that is free now.
///
/// # Panics
/// When there is none.
pub fn free_port() -> u16 {
    let listener = std::net::TcpListener::bind(("127.0.0.1", 0)).expect("a free port");
    listener.local_addr().expect("it is bound").port()
}

/// Waits until something is so.
///
/// # Panics
/// When it does not become so.
pub fn wait_until(what: &str, mut is_so: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !is_so() {
        assert!(begun.elapsed() < PATIENCE, "not within {PATIENCE:?}: {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// A meter reading of a machine, one of many; `id` is its own in the whole test.
pub fn machine_event(machine: &str, id: &str) -> Value {
    let data = json!({ "meter": "run", "reading": { "value": "12.5", "unit": "h" } });
    let time = "2026-03-05T14:07:00+01:00";
    let mut event = event(id, "meter.read", "equipment/S-02", time, data);
    event["source"] = json!(format!("/machines/{machine}"));
    event
}

/// Id of a machine's nth event.
pub fn nth(machine: &str, n: usize) -> String {
    format!("{machine}-{n:05}")
}

/// Panics unless the log holds, of each machine, exactly the events `0..sent`, each once and in order.
///
/// # Panics
/// See above.
pub fn assert_whole_and_in_order(kept: &Kept, sent: &BTreeMap<String, usize>) {
    for (machine, sent) in sent {
        let mut before = None;
        for n in 0..*sent {
            let id = nth(machine, n);
            let places = kept.get(&id).map_or(&[][..], Vec::as_slice);
            assert_eq!(places.len(), 1, "`{id}` stands in the log {} times", places.len());
            assert!(before < Some(places[0].0), "`{id}` stands before the one sent before it");
            before = Some(places[0].0);
        }
        let more = kept.keys().filter(|id| id.starts_with(&format!("{machine}-"))).count();
        assert_eq!(more, *sent, "events of `{machine}` that nobody acknowledged or sent");
    }
}

impl RelayPlace {
    /// Prepares `folder` for a relay that sends to `recorder` with a token. `sections` are added to
    /// its configuration.
    ///
    /// # Panics
    /// When it cannot be prepared.
    pub fn new(folder: &Path, recorder: &str, token: &str, sections: &str) -> Self {
        std::fs::create_dir_all(folder).expect("a folder");
        let output = run(Command::new(program("relay")).args(["token", "machines"]));
        assert!(output.status.success(), "no token: {}", printed(&output));
        let printed = String::from_utf8(output.stdout).expect("text");
        let (secret, clients) = printed.split_once("# For the clients file:\n").expect("two parts");
        let machine_token = secret.lines().nth(1).expect("a token").to_owned();
        std::fs::write(folder.join("clients.toml"), clients).expect("the clients are written");
        let config = format!(
            "data_dir = {:?}\n[listen]\naddress = \"127.0.0.1:0\"\nclients_file = {:?}\n\
             [recorder]\nurl = {recorder:?}\ntoken_file = {:?}\npause_s_max = 1\nallow_clear = true\n\
             {sections}",
            folder.join("data"),
            folder.join("clients.toml"),
            folder.join("recorder-token"),
        );
        std::fs::write(folder.join("relay.toml"), config).expect("the configuration is written");
        let place = Self { folder: folder.to_owned(), token: machine_token };
        place.set_recorder_token(token);
        place
    }

    /// Changes the relay's own token, as whatever renews it would.
    ///
    /// # Panics
    /// When it cannot be written.
    pub fn set_recorder_token(&self, token: &str) {
        use std::io::Write as _;
        let new = self.folder.join("recorder-token.new");
        let mut options = std::fs::OpenOptions::new();
        options.create(true).truncate(true).write(true).mode(0o600);
        let mut file = options.open(&new).expect("the token is written");
        file.write_all(token.as_bytes()).expect("the token is written");
        std::fs::rename(&new, self.folder.join("recorder-token")).expect("the token is replaced");
    }

    /// The data folder.
    pub fn data(&self) -> PathBuf {
        self.folder.join("data")
    }

    /// A command of the relay with this place's configuration.
    pub fn command(&self, words: &[&str]) -> Command {
        let mut command = Command::new(program("relay"));
        command.arg("--config").arg(self.folder.join("relay.toml")).args(words);
        command.env("NO_COLOR", "1");
        command
    }

    /// Runs a command that must succeed and returns what it printed.
    ///
    /// # Panics
    /// When it fails.
    pub fn say(&self, words: &[&str]) -> String {
        let output = run(&mut self.command(words));
        assert!(output.status.success(), "{words:?}: {}", printed(&output));
        String::from_utf8(output.stdout).expect("text")
    }

    /// Starts the relay and waits until it says where it listens.
    ///
    /// # Panics
    /// When it ends before.
    pub fn start(&self) -> RunningRelay {
        let mut child = self
            .command(&["serve"])
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the relay starts");
        let mut lines = BufReader::new(child.stderr.take().expect("a pipe")).lines();
        let mut said = Vec::new();
        let address = loop {
            let Some(Ok(line)) = lines.next() else {
                panic!("the relay ended before it listened: {}", said.join("\n"));
            };
            if let Some(rest) = line.split("address=").nth(1) {
                break rest.split_whitespace().next().unwrap_or_default().to_owned();
            }
            said.push(line);
        };
        // The pipe is read to its end so that the relay never blocks on it.
        std::thread::spawn(move || lines.for_each(drop));
        RunningRelay { child, base: format!("http://{address}") }
    }

    /// Waits until nothing is left to deliver.
    ///
    /// # Panics
    /// When something stays.
    pub fn wait_until_delivered(&self, relay: &RunningRelay) {
        let machine = self.machine(relay);
        wait_until("everything is delivered", || machine.status()["waiting"] == 0);
    }

    /// A machine that sends to the relay.
    pub fn machine(&self, relay: &RunningRelay) -> Machine {
        Machine { api: Client::new(&relay.base, &self.token) }
    }
}

impl RunningRelay {
    /// Kills it as a power cut would: SIGKILL, no chance to finish anything.
    ///
    /// # Panics
    /// When it cannot be killed.
    pub fn kill(mut self) {
        self.child.kill().expect("a running relay can be killed");
        self.child.wait().expect("a killed relay ends");
    }

    /// Asks it to stop (SIGTERM) and waits until it has.
    ///
    /// # Panics
    /// When it cannot be asked, or does not end in good order.
    pub fn stop(mut self) {
        let pid = self.child.id().to_string();
        let asked = Command::new("kill").args(["-TERM", &pid]).status().expect("`kill` runs");
        assert!(asked.success(), "SIGTERM could not be sent");
        let status = self.child.wait().expect("a stopped relay ends");
        assert!(status.success(), "the relay did not stop in good order: {status}");
    }
}

impl Drop for RunningRelay {
    fn drop(&mut self) {
        // It may have ended already; then there is nothing to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A machine that sends to a relay.
#[derive(Debug, Clone)]
pub struct Machine {
    /// Its way to the relay.
    pub api: Client,
}

impl Machine {
    /// Sends one event; true if it was acknowledged.
    ///
    /// # Panics
    /// On an answer that neither acknowledges nor puts off: the event was good.
    pub fn send(&self, event: &Value) -> bool {
        let Ok(answer) = self.api.record(event) else { return false };
        assert!(answer.status == 202 || answer.status >= 500, "{}", answer.text());
        answer.status == 202
    }

    /// Sends a batch; true if it was acknowledged.
    ///
    /// # Panics
    /// As [`send`](Self::send).
    pub fn send_batch(&self, events: &[Value]) -> bool {
        let (media_type, body) = ("application/cloudevents-batch+json", json!(events).to_string());
        let Ok(answer) = self.api.post("/v1/events", media_type, &[], body.as_bytes()) else {
            return false;
        };
        assert!(answer.status == 202 || answer.status >= 500, "{}", answer.text());
        answer.status == 202
    }

    /// What the relay is doing; `null` when it does not answer.
    pub fn status(&self) -> Value {
        self.api.get("/v1/status").map(|answer| answer.json()).unwrap_or_default()
    }
}
