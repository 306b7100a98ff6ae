//! A network between relay and recorder that loses packets, lets them overtake one another, and is cut:
//! the recorder stands in a network namespace of its own, at the end of `tests/python/bad_wire.py`.

use std::collections::BTreeMap;
use std::io::{BufRead as _, BufReader, Write as _};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

use tests::programs::workspace;
use tests::receipts::kept_on_disk;
use tests::recorder::Place;
use tests::relay::{RelayPlace, assert_whole_and_in_order, machine_event, nth, wait_until};

const SEED: &str = "20261127";
const MACHINES: usize = 4;
/// Events of each machine between two cuts.
const STRETCH: usize = 40;
const CUTS: usize = 3;

/// A network namespace; dropping it takes it away.
struct Namespace(String);

impl Namespace {
    fn new() -> Result<Self, String> {
        let name = format!("pulverlog-{}", std::process::id());
        let made = Command::new("ip").args(["netns", "add", &name]).output();
        let made = made.map_err(|error| format!("`ip` cannot be run: {error}"))?;
        if made.status.success() {
            return Ok(Self(name));
        }
        Err(format!("no network namespace: {}", String::from_utf8_lossy(&made.stderr).trim()))
    }
}

impl Drop for Namespace {
    fn drop(&mut self) {
        // With it goes the end of the wire that lies in it.
        let _ = Command::new("ip").args(["netns", "del", &self.0]).status();
    }
}

/// The wire; dropping it takes it away.
struct Wire {
    child: Child,
    say: ChildStdin,
    hear: BufReader<ChildStdout>,
}

impl Wire {
    fn new(namespace: &Namespace) -> Result<Self, String> {
        let mut child = Command::new("python3")
            .arg(workspace().join("tests/python/bad_wire.py"))
            .args([&namespace.0, SEED])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .map_err(|error| format!("`python3` cannot be run: {error}"))?;
        let say = child.stdin.take().expect("a pipe");
        let hear = BufReader::new(child.stdout.take().expect("a pipe"));
        let mut wire = Self { child, say, hear };
        if wire.line() == "ready" {
            return Ok(wire);
        }
        let mut why = String::new();
        let mut said = wire.child.stderr.take().expect("a pipe");
        let _ = std::io::Read::read_to_string(&mut said, &mut why);
        Err(format!("no TUN devices: {}", why.lines().last().unwrap_or_default()))
    }

    fn line(&mut self) -> String {
        let mut line = String::new();
        self.hear.read_line(&mut line).expect("the wire can be heard");
        line.trim().to_owned()
    }

    fn tell(&mut self, word: &str) -> String {
        writeln!(self.say, "{word}").expect("the wire can be told");
        self.line()
    }
}

impl Drop for Wire {
    fn drop(&mut self) {
        // It may have ended already; then there is nothing to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn a_network_that_loses_reorders_and_is_cut_loses_no_event() {
    let wired = Namespace::new().and_then(|namespace| {
        let wire = Wire::new(&namespace)?;
        Ok((wire, namespace))
    });
    let (mut wire, namespace) = match wired {
        Ok(wired) => wired,
        Err(why) => return eprintln!("SKIPPED: a network that loses, reorders and is cut: {why}"),
    };
    let folder = tempfile::tempdir().expect("a folder");
    let recorder = Place::new(&folder.path().join("recorder"));
    let token = recorder.token("svc_relay", &["service"]);
    let url = "http://10.213.7.2:8780";
    let relay_place = RelayPlace::new(&folder.path().join("relay"), url, &token, "");

    let serve = recorder.command(&["serve"]);
    let mut inside = Command::new("ip");
    inside.args(["netns", "exec", &namespace.0]).arg(serve.get_program()).args(serve.get_args());
    inside.env("NO_COLOR", "1").env("PULVERLOG_LISTEN__ADDRESS", "10.213.7.2:8780");
    let running = match recorder.try_start(&mut inside) {
        Ok(running) => running,
        Err(ended) => panic!("the recorder does not start in the namespace: {ended}"),
    };
    let relay = relay_place.start();
    let machine = relay_place.machine(&relay);
    let delivered = || machine.status()["delivery"]["last_seq"].as_u64();
    let mut sent = 0;
    for _ in 0..CUTS {
        let before = delivered();
        let stretch = |from: usize, to: usize| {
            for n in from..to {
                for name in (0..MACHINES).map(|name| format!("m{name}")) {
                    assert!(machine.send(&machine_event(&name, &nth(&name, n))));
                }
            }
        };
        stretch(sent, sent + STRETCH / 2);
        wait_until("something comes through", || delivered() > before);
        assert_eq!(wire.tell("cut"), "cut");
        stretch(sent + STRETCH / 2, sent + STRETCH);
        wait_until("the cut is felt", || machine.status()["waiting"].as_u64() > Some(0));
        assert_eq!(wire.tell("mend"), "mend");
        sent += STRETCH;
    }
    relay_place.wait_until_delivered(&relay);
    assert_eq!(machine.status()["refused"], 0);
    relay.stop();
    let did: serde_json::Value = serde_json::from_str(&wire.tell("end")).expect("what it did");
    for what in ["lost", "overtaken"] {
        assert!(did[what].as_u64() > Some(0), "the wire was no bad one: {did}");
    }
    assert!(running.stop().success(), "the recorder does not stop in good order");
    let sent = (0..MACHINES).map(|name| (format!("m{name}"), sent)).collect::<BTreeMap<_, _>>();
    assert_whole_and_in_order(&kept_on_disk(&recorder), &sent);
    println!(
        "{} events over a bad wire, seed {SEED}, packets {did}: 0 lost, 0 twice, in order",
        sent.values().sum::<usize>()
    );
}
