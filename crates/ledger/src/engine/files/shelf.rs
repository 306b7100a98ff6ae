//! Notes and tiles beside the segments: small files, each written whole and durably (R2, R9).
//!
//! ```text
//! <log>/checkpoints/<size, 20 digits>.note   every checkpoint that left the process
//! <log>/tile/<L>/x001/234                    full hash tiles, as C2SP tlog-tiles names them
//! <head>/watermark                           the last signed checkpoint
//! ```

use std::collections::BTreeSet;
use std::sync::{Arc, Mutex};

use chain::limits::{NOTE_BYTES_MAX, TILE_WIDTH};
use chain::tile::Tile;

use super::locked;
use crate::disk::{Dir, read_whole, write_durably, write_renamed};
use crate::engine::note_text;
use crate::error::{Doing as _, LedgerError, Result};

pub(super) const WATERMARK: &str = "watermark";
pub(super) const NOTE_SUFFIX: &str = ".note";
const NOTE_MODE: u32 = 0o640;
const TILE_BYTES: usize = TILE_WIDTH as usize * chain::Digest::LEN;

#[derive(Debug)]
pub(super) struct Shelf {
    head: Arc<dyn Dir>,
    checkpoints: Arc<dyn Dir>,
    tiles: Arc<dyn Dir>,
    /// The watermark as this process last saw it, for the compare-and-swap (R10).
    seen: Mutex<Option<Vec<u8>>>,
}

pub(super) fn read_watermark(head: &dyn Dir) -> Result<Option<Vec<u8>>> {
    read_whole(head, WATERMARK, NOTE_BYTES_MAX as u64).doing("read", WATERMARK)
}

impl Shelf {
    pub(super) fn new(
        head: Arc<dyn Dir>,
        checkpoints: Arc<dyn Dir>,
        tiles: Arc<dyn Dir>,
        seen: Option<Vec<u8>>,
    ) -> Self {
        Self { head, checkpoints, tiles, seen: Mutex::new(seen) }
    }

    pub(super) fn watermark(&self) -> Result<Option<Vec<u8>>> {
        read_watermark(&*self.head)
    }

    pub(super) fn store_watermark(&self, note: &[u8]) -> Result<()> {
        let mut seen = locked(&self.seen);
        if self.watermark()? != *seen {
            return Err(LedgerError::Foreign {
                name: WATERMARK.to_owned(),
                what: "was changed by somebody else while this service ran: stop it and find out \
                       who writes to the head store"
                    .to_owned(),
            });
        }
        write_durably(&*self.head, WATERMARK, note, NOTE_MODE).doing("write", WATERMARK)?;
        *seen = Some(note.to_vec());
        Ok(())
    }

    pub(super) fn checkpoint(&self, size: u64) -> Result<Option<Vec<u8>>> {
        let name = note_name(size);
        read_whole(&*self.checkpoints, &name, NOTE_BYTES_MAX as u64).doing("read", &name)
    }

    pub(super) fn checkpoint_sizes(&self) -> Result<Vec<u64>> {
        let names = self.checkpoints.list().doing("list", "checkpoints")?;
        let size = |name: &String| -> Option<u64> {
            let size = name.strip_suffix(NOTE_SUFFIX)?.parse().ok()?;
            (*name == note_name(size)).then_some(size)
        };
        Ok(names.iter().filter_map(size).collect())
    }

    pub(super) fn store_checkpoint(&self, size: u64, note: &[u8]) -> Result<()> {
        let name = note_name(size);
        match self.checkpoint(size)? {
            Some(old) if old == note => return Ok(()),
            Some(old) if note_text(&old) != note_text(note) => {
                let what = "is kept already with another text: a checkpoint never changes";
                return Err(LedgerError::Foreign { name, what: what.to_owned() });
            }
            Some(_) | None => {}
        }
        write_durably(&*self.checkpoints, &name, note, NOTE_MODE).doing("write", &name)
    }

    /// A tile of another length than a full one is as good as none.
    pub(super) fn tile(&self, tile: Tile) -> Result<Option<Vec<u8>>> {
        let (path, name) = place(tile);
        let mut dir = Arc::clone(&self.tiles);
        for part in &path {
            if dir.stat(part).doing("look for", part)?.is_none() {
                return Ok(None);
            }
            dir = dir.open_dir(part).doing("open", part)?;
        }
        let bytes = read_whole(&*dir, &name, TILE_BYTES as u64).doing("read", &name);
        Ok(bytes?.filter(|bytes| bytes.len() == TILE_BYTES))
    }

    pub(super) fn store_tiles(&self, tiles: &[(Tile, Vec<u8>)]) -> Result<()> {
        let mut touched: Vec<Arc<dyn Dir>> = Vec::new();
        let mut paths = BTreeSet::new();
        for (tile, bytes) in tiles {
            let (path, name) = place(*tile);
            let mut dir = Arc::clone(&self.tiles);
            for part in &path {
                if dir.stat(part).doing("look for", part)?.is_none() {
                    dir.create_dir(part).doing("create", part)?;
                    dir.sync().doing("sync the directory of", part)?;
                }
                dir = dir.open_dir(part).doing("open", part)?;
            }
            write_renamed(&*dir, &name, bytes, NOTE_MODE).doing("write", &name)?;
            if paths.insert(path) {
                touched.push(dir);
            }
        }
        for dir in touched {
            dir.sync().doing("sync", "tile")?;
        }
        Ok(())
    }
}

fn note_name(size: u64) -> String {
    format!("{size:020}{NOTE_SUFFIX}")
}

/// Directories below `tile/` and file name.
fn place(tile: Tile) -> (Vec<String>, String) {
    let path = tile.to_string();
    let mut parts: Vec<String> = path.split('/').skip(1).map(str::to_owned).collect();
    let name = parts.pop().unwrap_or_default();
    (parts, name)
}
