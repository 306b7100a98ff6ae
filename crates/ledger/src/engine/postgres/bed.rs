//! Logs on a server of one's own, for tests.

use cluster::Server;

use super::{ConnectedPg, PgOptions};
use crate::disk::OsDisk;
use crate::engine::Engine;
use crate::sim::Seeded;
use crate::testing::Bed;

/// One log in a database of its own, and a head directory.
#[derive(Debug)]
pub(crate) struct PgBed {
    pub(crate) options: PgOptions,
    _head: tempfile::TempDir,
}

impl PgBed {
    /// In a new database of this name.
    pub(crate) fn new(server: &Server, database: &str) -> Self {
        server.create_database(database).expect("a database");
        Self::at(&server.socket_address(database))
    }

    /// As another process with a head directory of its own.
    pub(crate) fn at(address: &str) -> Self {
        let head = tempfile::tempdir().expect("a temporary directory");
        let options = PgOptions::parse(address, None, head.path()).expect("an address");
        Self { options, _head: head }
    }
}

impl Bed for PgBed {
    fn create(&mut self) -> Box<dyn Engine> {
        let mut random = Seeded::new(1);
        let connected = ConnectedPg::create(&OsDisk, &self.options, &mut random).expect("created");
        connected.unfinished().finish().expect("finished");
        drop(connected);
        self.reopen()
    }

    fn reopen(&mut self) -> Box<dyn Engine> {
        let connected = ConnectedPg::existing(&OsDisk, &self.options).expect("connected");
        Box::new(connected.open(Some(0)).expect("opened").0)
    }
}
