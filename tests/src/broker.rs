//! A real MQTT broker (mosquitto, of Debian), and a machine that publishes to it.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;

use rumqttc::{AsyncClient, MqttOptions, PublishOptions, QoS, SessionMode};

use crate::relay::{free_port, machine_event, nth, wait_until};

/// A place for one broker; it can be started in it again and again, at the same port.
#[derive(Debug)]
pub struct BrokerPlace {
    folder: PathBuf,
    /// Its port on loopback.
    pub port: u16,
}

/// A running broker. Dropping it ends it.
#[derive(Debug)]
pub struct RunningBroker {
    child: Child,
}

impl BrokerPlace {
    /// Prepares `folder` for a broker that keeps its sessions, or says why it cannot.
    ///
    /// # Errors
    /// When mosquitto is not installed.
    ///
    /// # Panics
    /// When the configuration cannot be written.
    pub fn new(folder: &Path) -> Result<Self, String> {
        Command::new("mosquitto")
            .arg("-h")
            .output()
            .map_err(|error| format!("`mosquitto` cannot be run: {error}"))?;
        std::fs::create_dir_all(folder).expect("a folder");
        let port = free_port();
        // By default a broker keeps 1,000 messages for somebody who is away and drops the rest.
        let config = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\nuser root\nmax_queued_messages 0\n\
             persistence true\npersistence_location {}/\n",
            folder.display()
        );
        std::fs::write(folder.join("mosquitto.conf"), config).expect("the configuration");
        Ok(Self { folder: folder.to_owned(), port })
    }

    /// Starts it and waits until it can be reached.
    ///
    /// # Panics
    /// When it cannot be started.
    pub fn start(&self) -> RunningBroker {
        let child = Command::new("mosquitto")
            .arg("-c")
            .arg(self.folder.join("mosquitto.conf"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("the broker starts");
        let port = self.port;
        wait_until("the broker listens", || {
            std::net::TcpStream::connect(("127.0.0.1", port)).is_ok()
        });
        RunningBroker { child }
    }

    /// Lines for the configuration of a relay.
    pub fn section(&self) -> String {
        let port = self.port;
        format!(
            "[mqtt]\nhost = \"127.0.0.1\"\nport = {port}\nclient_id = \"relay\"\n\
             topics = [\"shop/+/events\"]\n"
        )
    }
}

impl RunningBroker {
    /// Asks it to stop; it writes down its sessions.
    ///
    /// # Panics
    /// When it cannot be asked.
    pub fn stop(mut self) {
        let pid = self.child.id().to_string();
        let asked = Command::new("kill").args(["-TERM", &pid]).status().expect("`kill` runs");
        assert!(asked.success(), "SIGTERM could not be sent");
        self.child.wait().expect("a stopped broker ends");
    }
}

impl Drop for RunningBroker {
    fn drop(&mut self) {
        // It may have ended already; then there is nothing to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Time between two events of a publishing machine.
const PACE: Duration = Duration::from_millis(2);

/// Publishes a machine's events one after the other, QoS 1, until `stop`; the next begins when the broker
/// has acknowledged the one before. Returns how many it acknowledged; `acknowledged` counts along.
///
/// # Panics
/// When the client cannot be used.
pub fn publish(port: u16, machine: &str, stop: &AtomicBool, acknowledged: &AtomicUsize) -> usize {
    let mut options = MqttOptions::new(machine, ("127.0.0.1", port));
    options.set_session_mode(SessionMode::Persistent).set_session_expiry_interval(Some(3_600));
    let (client, mut connection) = AsyncClient::builder(options).capacity(8).build();
    let topic = format!("shop/{machine}/events");
    std::thread::scope(|scope| {
        scope.spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
            runtime.expect("a runtime").block_on(async {
                loop {
                    // The broker is away; the client keeps what is not acknowledged and connects again.
                    if connection.poll().await.is_err() {
                        if stop.load(Ordering::SeqCst) {
                            break;
                        }
                        tokio::time::sleep(Duration::from_millis(100)).await;
                    }
                }
            });
        });
        let mut done = 0;
        while !stop.load(Ordering::SeqCst) {
            let event = machine_event(machine, &nth(machine, done)).to_string();
            let options = PublishOptions::new(QoS::AtLeastOnce);
            let sent = client.try_publish_tracked(topic.as_str(), event, options);
            // The client drops what is not acknowledged when the broker does not know its session any
            // more: as a machine would, it is sent again.
            if sent.expect("the client takes it").wait().is_ok() {
                done += 1;
                acknowledged.fetch_add(1, Ordering::SeqCst);
                std::thread::sleep(PACE);
            }
        }
        drop(client);
        done
    })
}
