//! A wire between a client and a server that carries, swallows or breaks at a chosen moment.

use std::io::{Read as _, Write as _};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use anyhow::Result;

/// How the wire behaves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mood {
    /// Carries everything.
    Carries,
    /// Takes everything and carries nothing, either way: a partition. Connections stay.
    Swallows,
    /// Breaks when the client sends what contains the marker, before it is carried.
    BreaksBefore,
    /// Carries what contains the marker and breaks at once.
    BreaksBehind,
    /// Carries what contains the marker and breaks when the server answered, before the answer is
    /// carried: the client never learns what became of it.
    LosesTheAnswer,
}

/// A wire with an address of its own.
#[derive(Debug)]
pub struct Wire {
    shared: Arc<Shared>,
    address: SocketAddr,
}

#[derive(Debug)]
struct Shared {
    target: Mutex<SocketAddr>,
    mood: Mutex<Mood>,
    marker: Vec<u8>,
    /// Times it broke as its mood says.
    broken: AtomicU64,
    closed: AtomicBool,
    ends: Mutex<Vec<TcpStream>>,
}

impl Shared {
    fn mood(&self) -> Mood {
        *self.mood.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn has_marker(&self, bytes: &[u8]) -> bool {
        bytes.windows(self.marker.len()).any(|window| window == self.marker)
    }

    /// Once; afterwards it carries again.
    fn breaks(&self, pair: [&TcpStream; 2]) {
        *self.mood.lock().unwrap_or_else(PoisonError::into_inner) = Mood::Carries;
        self.broken.fetch_add(1, Ordering::AcqRel);
        for end in pair {
            let _ = end.shutdown(Shutdown::Both);
        }
    }
}

impl Wire {
    /// A wire to `target`. `marker` is what the moods wait for in what the client sends.
    ///
    /// # Errors
    /// If it cannot listen.
    pub fn to(target: SocketAddr, marker: &[u8]) -> Result<Self> {
        let listener = TcpListener::bind(("127.0.0.1", 0))?;
        let address = listener.local_addr()?;
        let shared = Arc::new(Shared {
            target: Mutex::new(target),
            mood: Mutex::new(Mood::Carries),
            marker: marker.to_vec(),
            broken: AtomicU64::new(0),
            closed: AtomicBool::new(false),
            ends: Mutex::new(Vec::new()),
        });
        let at_work = Arc::clone(&shared);
        std::thread::spawn(move || {
            for client in listener.incoming() {
                if at_work.closed.load(Ordering::Acquire) {
                    return;
                }
                let Ok(client) = client else { continue };
                let shared = Arc::clone(&at_work);
                std::thread::spawn(move || carry_both_ways(&shared, client));
            }
        });
        Ok(Self { shared, address })
    }

    /// Where to connect to.
    #[must_use]
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Changes how it behaves.
    pub fn be(&self, mood: Mood) {
        *self.shared.mood.lock().unwrap_or_else(PoisonError::into_inner) = mood;
    }

    /// Times it broke as its mood said.
    #[must_use]
    pub fn broken(&self) -> u64 {
        self.shared.broken.load(Ordering::Acquire)
    }

    /// Leads new connections elsewhere and breaks those that are there.
    pub fn lead_to(&self, target: SocketAddr) {
        *self.shared.target.lock().unwrap_or_else(PoisonError::into_inner) = target;
        self.break_all();
    }

    /// Breaks every connection.
    pub fn break_all(&self) {
        for end in self.shared.ends.lock().unwrap_or_else(PoisonError::into_inner).drain(..) {
            let _ = end.shutdown(Shutdown::Both);
        }
    }
}

impl Drop for Wire {
    fn drop(&mut self) {
        self.shared.closed.store(true, Ordering::Release);
        self.break_all();
        let _ = TcpStream::connect(self.address);
    }
}

fn carry_both_ways(shared: &Arc<Shared>, client: TcpStream) {
    let target = *shared.target.lock().unwrap_or_else(PoisonError::into_inner);
    if shared.mood() == Mood::Swallows {
        // Nobody answers: the connection stays open until somebody gives up.
        keep(shared, &client);
        let mut client = client;
        let _ = client.read(&mut [0; 1 << 16]);
        while shared.mood() == Mood::Swallows && !shared.closed.load(Ordering::Acquire) {
            match client.read(&mut [0; 1 << 16]) {
                Ok(0) | Err(_) => break,
                Ok(_) => {}
            }
        }
        return;
    }
    let Ok(server) = TcpStream::connect(target) else { return };
    keep(shared, &client);
    keep(shared, &server);
    for end in [&client, &server] {
        let _ = end.set_nodelay(true);
    }
    let waits_for_answer = Arc::new(AtomicBool::new(false));
    let (Ok(client_back), Ok(server_back)) = (client.try_clone(), server.try_clone()) else {
        return;
    };
    let back = {
        let (shared, waits) = (Arc::clone(shared), Arc::clone(&waits_for_answer));
        std::thread::spawn(move || carry(&shared, server_back, client_back, &waits, false))
    };
    carry(shared, client, server, &waits_for_answer, true);
    let _ = back.join();
}

fn keep(shared: &Shared, end: &TcpStream) {
    if let Ok(end) = end.try_clone() {
        shared.ends.lock().unwrap_or_else(PoisonError::into_inner).push(end);
    }
}

/// Carries one way until an end is gone.
fn carry(shared: &Shared, mut from: TcpStream, mut to: TcpStream, waits: &AtomicBool, asks: bool) {
    let mut bytes = vec![0; 1 << 16];
    while let Ok(taken @ 1..) = from.read(&mut bytes) {
        let bytes = &bytes[..taken];
        while shared.mood() == Mood::Swallows && !shared.closed.load(Ordering::Acquire) {
            // What was sent into a partition arrives when it heals, if its ends are still there.
            std::thread::sleep(Duration::from_millis(5));
        }
        if !asks && waits.load(Ordering::Acquire) {
            return shared.breaks([&from, &to]);
        }
        let marked = asks && shared.mood() != Mood::Carries && shared.has_marker(bytes);
        if marked && shared.mood() == Mood::BreaksBefore {
            return shared.breaks([&from, &to]);
        }
        if marked && shared.mood() == Mood::LosesTheAnswer {
            waits.store(true, Ordering::Release);
        }
        if to.write_all(bytes).is_err() {
            break;
        }
        if marked && shared.mood() == Mood::BreaksBehind {
            return shared.breaks([&from, &to]);
        }
    }
    let _ = from.shutdown(Shutdown::Both);
    let _ = to.shutdown(Shutdown::Both);
}
