//! `relay serve`: everything put together.

use std::fs;
use std::io::Write as _;
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _};
use std::sync::Arc;
use std::time::Duration;

use actix_web::web;
use anyhow::{Context as _, Result};

use crate::Clock;
use crate::clients::Clients;
use crate::config::Config;
use crate::courier::{Courier, Step, Upstream};
use crate::door::{self, Door};
use crate::intake::Intake;
use crate::limits::BATCH_EVENTS_MAX;
use crate::line::{Line, Woken};
use crate::local;
use crate::metrics::Metrics;
use crate::mqtt;
use crate::refused::Refused;
use crate::spool::Spool;
use crate::upstream::Http;

/// The world outside, as `main` builds it.
pub struct Seams {
    /// The time.
    pub clock: Clock,
    /// Fills bytes with random ones.
    pub random: fn(&mut [u8]) -> Result<()>,
}

/// Runs until stopped.
///
/// # Errors
/// When it cannot start, or the server fails.
pub async fn run(config: Config, seams: Seams) -> Result<()> {
    let Seams { clock, random } = seams;
    fs::DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(&config.data_dir)
        .with_context(|| format!("could not create `{}`", config.data_dir.display()))?;
    let spool = Arc::new(Spool::open(&config.data_dir.join("spool"), config.spool.bytes_max)?);
    let refused = Arc::new(Refused::open(&config.data_dir.join("refused"))?);
    let (metrics, line) = (Metrics::new()?, Arc::new(Line::new(clock())));
    let intake =
        Intake { spool: Arc::clone(&spool), line: Arc::clone(&line), metrics: metrics.clone() };
    let clients = match &config.listen.clients_file {
        Some(file) => Clients::read(file)?,
        None => Clients::default(),
    };
    let waiting = spool.standing().parcels;
    tracing::info!(clients = clients.len(), waiting, refused = refused.count(), "the relay starts");

    let courier = Courier {
        spool,
        refused: Arc::clone(&refused),
        refused_max: config.spool.refused_max,
        upstream: Http::new(&config.recorder)?,
        line: Arc::clone(&line),
        metrics,
        clock: Arc::clone(&clock),
        random: Box::new(move || {
            let mut bytes = [0; 4];
            // Without randomness a pause has its middle length.
            random(&mut bytes).map_or(u32::MAX / 2, |()| u32::from_le_bytes(bytes))
        }),
        pause_max: Duration::from_secs(config.recorder.pause_s_max.into()),
        failures: 0,
        most: BATCH_EVENTS_MAX,
    };
    let delivery =
        std::thread::Builder::new().name("delivery".into()).spawn(|| deliver(courier))?;

    let mut secret = [0; 32];
    random(&mut secret)?;
    let control_token = hex::encode(secret);
    if let Some(broker) = &config.mqtt {
        let (intake, refused) = (intake.clone(), Arc::clone(&refused));
        mqtt::start(broker, intake, refused, config.spool.refused_max, Arc::clone(&clock))?;
    }
    let door = Door {
        intake,
        refused,
        clients,
        control_token: control_token.clone(),
        mqtt: config.mqtt.is_some(),
        clock,
    };
    let (server, address) = door::start(web::Data::new(door), &config.listen)?;
    // Without it, on a full disk, only the commands do not work.
    if let Err(error) = write_control(&config, &format!("http://{address} {control_token}\n")) {
        tracing::error!(error = %format!("{error:#}"), "the commands will not find the relay");
    }
    let served = server.await;
    line.stop();
    // It ends after the request that is under way.
    if delivery.join().is_err() {
        tracing::error!("the delivery ended by a fault of the program");
    }
    Ok(served?)
}

/// Where the local command finds us: in a file that only our user can read.
fn write_control(config: &Config, text: &str) -> Result<()> {
    let path = config.data_dir.join(local::CONTROL_FILE);
    let temporary = path.with_extension("new");
    let _ = fs::remove_file(&temporary);
    fs::OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(0o600)
        .open(&temporary)
        .and_then(|mut file| file.write_all(text.as_bytes()))
        .and_then(|()| fs::rename(&temporary, &path))
        .with_context(|| format!("could not write `{}`", path.display()))
}

/// The delivery loop, on a thread of its own.
fn deliver(mut courier: Courier<impl Upstream>) {
    let line = Arc::clone(&courier.line);
    while !line.stops() {
        let woken = match courier.step() {
            Step::Moved => Woken::Go,
            Step::Idle => line.idle(),
            Step::Pause(time) => line.pause(time),
        };
        if woken == Woken::Stop {
            return;
        }
    }
}
