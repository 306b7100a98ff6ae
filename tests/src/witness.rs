//! A witness under test, with a memory and a key of its own.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use crate::programs::{printed, program, run};

/// A place for one witness; it can be started in it again and again, at the same address.
#[derive(Debug)]
pub struct WitnessPlace {
    folder: PathBuf,
    name: String,
    /// Verification key.
    pub key: String,
}

/// A running witness. Dropping it kills it.
#[derive(Debug)]
pub struct RunningWitness {
    child: Child,
    /// Address, for example `http://127.0.0.1:40123`.
    pub url: String,
}

impl WitnessPlace {
    /// Makes a folder and a key for the witness `name`.
    ///
    /// # Panics
    /// When the key cannot be made.
    pub fn new(folder: &Path, name: &str) -> Self {
        std::fs::create_dir_all(folder).expect("a folder");
        let mut keygen = Command::new(program("witness"));
        keygen.args(["keygen", "--name", name, "--out"]).arg(folder.join("witness.key"));
        let output = run(&mut keygen);
        assert!(output.status.success(), "no key: {}", printed(&output));
        let key = String::from_utf8(output.stdout).expect("a key is text").trim().to_owned();
        Self { folder: folder.to_owned(), name: name.to_owned(), key }
    }

    /// Folder of its memory.
    pub fn memory(&self) -> PathBuf {
        self.folder.join("memory")
    }

    /// Starts it for the logs with these keys and waits until it says where it listens. The first
    /// start takes a free port; later ones take `address`.
    ///
    /// # Panics
    /// When it ends before.
    pub fn start(&self, log_keys: &[&str], address: Option<&str>) -> RunningWitness {
        let config = format!(
            "name = {:?}\nlisten = {:?}\nmemory = {:?}\nkey_file = {:?}\nlogs = {log_keys:?}\n",
            self.name,
            address.unwrap_or("127.0.0.1:0"),
            self.memory(),
            self.folder.join("witness.key"),
        );
        let file = self.folder.join("witness.toml");
        std::fs::write(&file, config).expect("the configuration is written");
        let mut child = Command::new(program("witness"))
            .args(["serve", "--config"])
            .arg(file)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("the witness starts");
        let mut lines = BufReader::new(child.stdout.take().expect("a pipe")).lines();
        let url = loop {
            let Some(Ok(line)) = lines.next() else {
                panic!("the witness ended before it listened")
            };
            if let Some(url) = line.strip_prefix("listening on ") {
                break url.to_owned();
            }
        };
        RunningWitness { child, url }
    }
}

impl RunningWitness {
    /// Host and port.
    pub fn address(&self) -> &str {
        self.url.strip_prefix("http://").unwrap_or(&self.url)
    }
}

impl Drop for RunningWitness {
    fn drop(&mut self) {
        // It may have ended already; then there is nothing to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
