//! The floor: append to a file of zeros, one `fdatasync` a batch. No chain, no keys, no structure.

use std::fs::File;
use std::os::unix::fs::FileExt as _;
use std::path::Path;

use anyhow::Result;

use crate::event::Record;
use crate::measure::Batches;

/// Zeros written at once.
const STEP: u64 = 16 << 20;

/// The raw file.
#[derive(Debug)]
pub(crate) struct Raw {
    file: File,
    end: u64,
    zeros_to: u64,
    buf: Vec<u8>,
    stored: u64,
}

impl Raw {
    pub(crate) fn create(dir: &Path) -> Result<Self> {
        let file = File::create_new(dir.join("raw"))?;
        let mut raw = Self { file, end: 0, zeros_to: 0, buf: Vec::new(), stored: 0 };
        raw.more_zeros()?;
        Ok(raw)
    }

    fn more_zeros(&mut self) -> Result<()> {
        let zeros = vec![0; usize::try_from(STEP)?];
        self.file.write_all_at(&zeros, self.zeros_to)?;
        self.file.sync_all()?;
        self.zeros_to += STEP;
        Ok(())
    }
}

impl Batches for Raw {
    fn commit(&mut self, records: &[Record]) -> Result<()> {
        self.buf.clear();
        records.iter().for_each(|record| self.buf.extend_from_slice(&record.payload));
        while self.end + self.buf.len() as u64 > self.zeros_to {
            self.more_zeros()?;
        }
        self.file.write_all_at(&self.buf, self.end)?;
        self.file.sync_data()?;
        self.end += self.buf.len() as u64;
        self.stored += records.len() as u64;
        Ok(())
    }

    fn verify(&mut self) -> Result<u64> {
        Ok(self.stored)
    }
}

/// Less than the floor: the entries are hashed, each once as a leaf, and nothing is kept. The limit
/// of everybody who hashes what he stores, on one core.
#[derive(Debug, Default)]
pub(crate) struct HashedOnly {
    last: Option<chain::Digest>,
    hashed: u64,
}

impl Batches for HashedOnly {
    fn commit(&mut self, records: &[Record]) -> Result<()> {
        for record in records {
            self.last = Some(chain::entry::leaf_hash(&record.payload));
        }
        self.hashed += records.len() as u64;
        Ok(())
    }

    fn verify(&mut self) -> Result<u64> {
        anyhow::ensure!(self.last.is_some(), "nothing was hashed");
        Ok(self.hashed)
    }
}
