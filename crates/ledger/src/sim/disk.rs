//! A file system in memory that fails, tears, forgets and lies.
//!
//! Each file has two contents: what reading shows and what the device keeps. A power cut keeps, of
//! everything not yet synced, any subset of 512-byte sectors and any prefix of each directory's
//! operations. A failed sync marks its pages clean, as Linux does: some sectors reached the device,
//! reading still shows all of them, and a later sync does not bring the others back.

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::{Component, Path};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::Seeded;
use crate::disk::{Access, Dir, Disk, File, FileSystem, Kind, Lock, Stat};

const SECTOR: usize = 512;
const ROOT: u64 = 0;

/// A kind of call, for choosing where a fault strikes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Op {
    /// `write_all_at`
    Write,
    /// `sync_data` and `sync_all`
    Sync,
    /// `Dir::sync`
    SyncDir,
    /// `create`, `create_dir`
    Create,
    /// `rename`
    Rename,
    /// `remove`
    Remove,
    /// `set_len`, `set_mode`
    Change,
    /// `read_at`, `read_from_device`
    Read,
}

/// What happens when a fault strikes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FaultKind {
    /// The call fails with this error; a write may have left a prefix, a sync any subset.
    Error(io::ErrorKind),
    /// The call reports success and does nothing lasting (sync only).
    Lie,
}

/// One planned fault.
#[derive(Debug, Clone)]
pub struct Fault {
    /// The kind of call it strikes.
    pub op: Op,
    /// Only files and directories whose path contains this text.
    pub path_part: &'static str,
    /// Calls that pass before it strikes.
    pub skip: u64,
    /// Strikes once, or from then on.
    pub sticky: bool,
    /// What it does.
    pub kind: FaultKind,
}

/// The disk. Clones are the same disk.
#[derive(Debug, Clone)]
pub struct SimDisk {
    world: Arc<Mutex<World>>,
}

#[derive(Debug)]
struct World {
    nodes: BTreeMap<u64, Node>,
    next_id: u64,
    rng: Seeded,
    /// Handles of an earlier life are dead.
    life: u64,
    /// Changing calls so far.
    calls: u64,
    /// Number of the call during which the power fails.
    power_fails_at: Option<u64>,
    down: bool,
    faults: Vec<Fault>,
    capacity: Option<u64>,
    locks: BTreeSet<String>,
    file_system: FileSystem,
}

#[derive(Debug)]
enum Node {
    File(FileNode),
    Dir(DirNode),
}

#[derive(Debug, Default)]
struct FileNode {
    shown: Vec<u8>,
    kept: Vec<u8>,
    dirty: BTreeSet<usize>,
    shown_mode: u32,
    kept_mode: u32,
}

#[derive(Debug, Default)]
struct DirNode {
    shown: BTreeMap<String, u64>,
    kept: BTreeMap<String, u64>,
    pending: Vec<DirOp>,
}

#[derive(Debug, Clone)]
enum DirOp {
    Link(String, u64),
    Unlink(String),
    Rename(String, String),
}

fn apply(map: &mut BTreeMap<String, u64>, op: &DirOp) {
    match op {
        DirOp::Link(name, id) => {
            map.insert(name.clone(), *id);
        }
        DirOp::Unlink(name) => {
            map.remove(name);
        }
        DirOp::Rename(from, to) => {
            if let Some(id) = map.remove(from) {
                map.insert(to.clone(), id);
            }
        }
    }
}

/// What a call may do.
enum Verdict {
    Go,
    Fail(io::Error),
    Lie,
    /// The power fails during this call.
    Cut,
}

fn power_error() -> io::Error {
    io::Error::new(io::ErrorKind::BrokenPipe, "simulated power cut")
}

impl SimDisk {
    /// An empty disk whose every accident follows from `seed`.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        let world = World {
            nodes: BTreeMap::from([(ROOT, Node::Dir(DirNode::default()))]),
            next_id: 1,
            rng: Seeded::new(seed),
            life: 0,
            calls: 0,
            power_fails_at: None,
            down: false,
            faults: Vec::new(),
            capacity: None,
            locks: BTreeSet::new(),
            file_system: FileSystem::Ext,
        };
        Self { world: Arc::new(Mutex::new(world)) }
    }

    fn world(&self) -> MutexGuard<'_, World> {
        self.world.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Changing calls so far: the range for [`cut_power_at`](Self::cut_power_at).
    #[must_use]
    pub fn calls(&self) -> u64 {
        self.world().calls
    }

    /// Lets the power fail during the changing call with this number.
    pub fn cut_power_at(&self, call: u64) {
        self.world().power_fails_at = Some(call);
    }

    /// Whether the power has failed and [`power_cycle`](Self::power_cycle) is due.
    #[must_use]
    pub fn is_down(&self) -> bool {
        self.world().down
    }

    /// Plans a fault.
    pub fn plan(&self, fault: Fault) {
        self.world().faults.push(fault);
    }

    /// The device is healthy again: planned faults are forgotten.
    pub fn heal(&self) {
        self.world().faults.clear();
    }

    /// Limits the sum of all file lengths, in bytes; `None` lifts the limit.
    pub fn set_capacity(&self, bytes: Option<u64>) {
        self.world().capacity = bytes;
    }

    /// Sum of all file lengths, in bytes.
    #[must_use]
    pub fn used(&self) -> u64 {
        self.world().used()
    }

    /// What [`Dir::file_system`] shall answer.
    pub fn set_file_system(&self, file_system: FileSystem) {
        self.world().file_system = file_system;
    }

    /// Power off and on: unsynced data is lost in part or whole, all handles and locks are gone.
    pub fn power_cycle(&self) {
        self.world().power_cycle();
    }

    /// The process is killed: handles and locks are gone, the page cache stays.
    pub fn kill_process(&self) {
        let mut world = self.world();
        world.life += 1;
        world.locks.clear();
        world.down = false;
        world.power_fails_at = None;
    }

    /// A copy of the disk as it is now, with its own future.
    #[must_use]
    pub fn fork(&self, seed: u64) -> Self {
        let world = self.world();
        let nodes = world.nodes.iter().map(|(id, node)| (*id, node.fork())).collect();
        let forked = World {
            nodes,
            next_id: world.next_id,
            rng: Seeded::new(seed),
            life: world.life + 1,
            calls: world.calls,
            power_fails_at: None,
            down: false,
            faults: Vec::new(),
            capacity: world.capacity,
            locks: BTreeSet::new(),
            file_system: world.file_system,
        };
        Self { world: Arc::new(Mutex::new(forked)) }
    }

    /// Every file with its shown content, by path, for comparing whole disks.
    #[must_use]
    pub fn files(&self) -> BTreeMap<String, Vec<u8>> {
        let world = self.world();
        let mut out = BTreeMap::new();
        let mut todo = vec![(String::new(), ROOT)];
        while let Some((path, id)) = todo.pop() {
            match world.nodes.get(&id) {
                Some(Node::Dir(dir)) => {
                    todo.extend(dir.shown.iter().map(|(name, id)| (format!("{path}/{name}"), *id)));
                }
                Some(Node::File(file)) => {
                    out.insert(path, file.shown.clone());
                }
                None => {}
            }
        }
        out
    }

    /// Changes a file behind everybody's back, on the device and in the cache, as rot or a hand
    /// with an editor would. Creates the file if it is missing; `None` removes it.
    ///
    /// # Panics
    /// If the directory does not exist.
    pub fn tamper(&self, path: &str, content: Option<&[u8]>) {
        let mut world = self.world();
        let (dir_path, name) = path.rsplit_once('/').expect("an absolute path");
        let dir = world.find(Path::new(dir_path)).expect("the directory exists");
        let old = world.dir(dir).shown.get(name).copied();
        match (content, old) {
            (Some(bytes), Some(id)) => {
                let file = world.file(id);
                file.shown = bytes.to_vec();
                file.kept = bytes.to_vec();
                file.dirty.clear();
            }
            (Some(bytes), None) => {
                let id = world.add(Node::File(FileNode {
                    shown: bytes.to_vec(),
                    kept: bytes.to_vec(),
                    dirty: BTreeSet::new(),
                    shown_mode: 0o640,
                    kept_mode: 0o640,
                }));
                world.dir(dir).shown.insert(name.to_owned(), id);
                world.dir(dir).kept.insert(name.to_owned(), id);
            }
            (None, _) => {
                world.dir(dir).shown.remove(name);
                world.dir(dir).kept.remove(name);
            }
        }
    }

    /// Changes the permission bits of a file behind everybody's back.
    ///
    /// # Panics
    /// If the file does not exist.
    pub fn tamper_mode(&self, path: &str, mode: u32) {
        let mut world = self.world();
        let id = world.find(Path::new(path)).expect("the file exists");
        let file = world.file(id);
        file.shown_mode = mode;
        file.kept_mode = mode;
    }

    fn dir_handle(&self, world: &World, id: u64, path: String) -> Arc<dyn Dir> {
        Arc::new(SimDir { disk: self.clone(), id, life: world.life, path })
    }
}

impl Node {
    fn fork(&self) -> Self {
        match self {
            Self::File(file) => Self::File(FileNode {
                shown: file.shown.clone(),
                kept: file.kept.clone(),
                dirty: file.dirty.clone(),
                shown_mode: file.shown_mode,
                kept_mode: file.kept_mode,
            }),
            Self::Dir(dir) => Self::Dir(DirNode {
                shown: dir.shown.clone(),
                kept: dir.kept.clone(),
                pending: dir.pending.clone(),
            }),
        }
    }
}

impl World {
    fn add(&mut self, node: Node) -> u64 {
        let id = self.next_id;
        self.next_id += 1;
        self.nodes.insert(id, node);
        id
    }

    fn find(&self, path: &Path) -> io::Result<u64> {
        let mut at = ROOT;
        for part in path.components() {
            let Component::Normal(name) = part else { continue };
            let name = name.to_str().ok_or(io::ErrorKind::InvalidInput)?;
            let Some(Node::Dir(dir)) = self.nodes.get(&at) else {
                return Err(io::ErrorKind::NotADirectory.into());
            };
            at = *dir.shown.get(name).ok_or(io::ErrorKind::NotFound)?;
        }
        Ok(at)
    }

    fn dir(&mut self, id: u64) -> &mut DirNode {
        match self.nodes.get_mut(&id) {
            Some(Node::Dir(dir)) => dir,
            _ => unreachable!("a directory handle points at a directory"),
        }
    }

    fn file(&mut self, id: u64) -> &mut FileNode {
        match self.nodes.get_mut(&id) {
            Some(Node::File(file)) => file,
            _ => unreachable!("a file handle points at a file"),
        }
    }

    fn used(&self) -> u64 {
        let len = |node: &Node| match node {
            Node::File(file) => file.shown.len() as u64,
            Node::Dir(_) => 0,
        };
        self.nodes.values().map(len).sum()
    }

    fn alive(&self, life: u64) -> io::Result<()> {
        if self.down {
            return Err(power_error());
        }
        if life != self.life {
            return Err(io::Error::new(io::ErrorKind::BrokenPipe, "handle of a dead process"));
        }
        Ok(())
    }

    /// Counts the call and decides its fate.
    fn enter(&mut self, life: u64, op: Op, path: &str) -> io::Result<Verdict> {
        self.alive(life)?;
        if op != Op::Read {
            let call = self.calls;
            self.calls += 1;
            if self.power_fails_at == Some(call) {
                self.down = true;
                return Ok(Verdict::Cut);
            }
        }
        let mut verdict = Verdict::Go;
        for fault in &mut self.faults {
            if fault.op != op || !path.contains(fault.path_part) {
                continue;
            }
            if fault.skip > 0 {
                fault.skip -= 1;
                continue;
            }
            verdict = match fault.kind {
                FaultKind::Error(kind) => {
                    Verdict::Fail(io::Error::new(kind, format!("simulated fault on `{path}`")))
                }
                FaultKind::Lie => Verdict::Lie,
            };
            if !fault.sticky {
                fault.skip = u64::MAX;
            }
            break;
        }
        Ok(verdict)
    }

    fn make_room(&self, more: u64) -> io::Result<()> {
        match self.capacity {
            Some(capacity) if self.used() + more > capacity => {
                Err(io::Error::new(io::ErrorKind::StorageFull, "simulated full disk"))
            }
            _ => Ok(()),
        }
    }

    /// Does a directory operation under its verdict.
    fn change_dir(&mut self, id: u64, verdict: Verdict, op: DirOp) -> io::Result<()> {
        let (does, result) = match verdict {
            Verdict::Go | Verdict::Lie => (true, Ok(())),
            Verdict::Fail(error) => (false, Err(error)),
            Verdict::Cut => (self.rng.percent(50), Err(power_error())),
        };
        if does {
            let dir = self.dir(id);
            apply(&mut dir.shown, &op);
            dir.pending.push(op);
        }
        result
    }

    fn power_cycle(&mut self) {
        let Self { nodes, rng, .. } = self;
        // Some crashes keep nearly nothing, some nearly everything, most a mixture.
        let keep_percent = [0, 100, 50, 20, 80][usize::try_from(rng.below(5)).unwrap_or(0)];
        for node in nodes.values_mut() {
            match node {
                Node::File(file) => file.lose_power(rng, keep_percent),
                Node::Dir(dir) => {
                    let kept = rng.below(dir.pending.len() as u64 + 1);
                    let ops: Vec<DirOp> = dir.pending.drain(..).collect();
                    for op in ops.iter().take(usize::try_from(kept).unwrap_or(0)) {
                        apply(&mut dir.kept, op);
                    }
                    dir.shown = dir.kept.clone();
                }
            }
        }
        self.life += 1;
        self.down = false;
        self.power_fails_at = None;
        self.locks.clear();
    }
}

impl FileNode {
    fn resize_dirty(&mut self, from: usize, to: usize) {
        for sector in from / SECTOR..to.div_ceil(SECTOR) {
            self.dirty.insert(sector);
        }
    }

    fn write(&mut self, bytes: &[u8], offset: usize) {
        let end = offset + bytes.len();
        let old_len = self.shown.len();
        if end > old_len {
            self.shown.resize(end, 0);
            self.resize_dirty(old_len, end);
        }
        self.shown[offset..end].copy_from_slice(bytes);
        self.resize_dirty(offset, end);
    }

    /// Moves one sector as shown to the device.
    fn persist(&mut self, sector: usize) {
        let start = sector * SECTOR;
        let end = (start + SECTOR).min(self.shown.len());
        if start >= end {
            return;
        }
        if self.kept.len() < end {
            self.kept.resize(end, 0);
        }
        self.kept[start..end].copy_from_slice(&self.shown[start..end]);
    }

    fn persist_all(&mut self) {
        for sector in std::mem::take(&mut self.dirty) {
            self.persist(sector);
        }
        self.kept.resize(self.shown.len(), 0);
    }

    /// A failed sync: some sectors reach the device, all count as clean afterwards.
    fn fail_sync(&mut self, rng: &mut Seeded) {
        for sector in std::mem::take(&mut self.dirty) {
            if rng.percent(50) {
                self.persist(sector);
            }
        }
    }

    fn lose_power(&mut self, rng: &mut Seeded, keep_percent: u64) {
        let kept_len = self.kept.len();
        for sector in std::mem::take(&mut self.dirty) {
            if rng.percent(keep_percent) {
                self.persist(sector);
            }
        }
        // The length is metadata of its own: the new one may be kept without the data (zeros show)
        // or lost with it.
        let len = if rng.percent(keep_percent) { self.shown.len() } else { kept_len };
        self.kept.resize(len, 0);
        self.shown = self.kept.clone();
        if rng.percent(keep_percent) {
            self.kept_mode = self.shown_mode;
        }
        self.shown_mode = self.kept_mode;
    }
}

impl Disk for SimDisk {
    fn open_dir(&self, path: &Path) -> io::Result<Arc<dyn Dir>> {
        let world = self.world();
        let id = world.find(path)?;
        match world.nodes.get(&id) {
            Some(Node::Dir(_)) => {
                Ok(self.dir_handle(&world, id, path.to_string_lossy().into_owned()))
            }
            _ => Err(io::ErrorKind::NotADirectory.into()),
        }
    }

    fn create_dir_all(&self, path: &Path) -> io::Result<Arc<dyn Dir>> {
        let mut at = self.open_dir(Path::new("/"))?;
        for part in path.components() {
            if let Component::Normal(name) = part {
                let name = name.to_str().ok_or(io::ErrorKind::InvalidInput)?;
                let next = at.create_dir(name)?;
                at.sync()?;
                at = next;
            }
        }
        self.open_dir(path)
    }
}

#[derive(Debug)]
struct SimDir {
    disk: SimDisk,
    id: u64,
    life: u64,
    path: String,
}

impl SimDir {
    fn child(&self, name: &str) -> String {
        format!("{}/{name}", self.path.trim_end_matches('/'))
    }

    fn file_handle(&self, id: u64, name: &str) -> Arc<dyn File> {
        let path = self.child(name);
        Arc::new(SimFile { disk: self.disk.clone(), id, life: self.life, path })
    }
}

impl Dir for SimDir {
    fn list(&self) -> io::Result<Vec<String>> {
        let mut world = self.disk.world();
        world.alive(self.life)?;
        Ok(world.dir(self.id).shown.keys().cloned().collect())
    }

    fn stat(&self, name: &str) -> io::Result<Option<Stat>> {
        let mut world = self.disk.world();
        world.alive(self.life)?;
        let Some(id) = world.dir(self.id).shown.get(name).copied() else { return Ok(None) };
        Ok(world.nodes.get(&id).map(|node| match node {
            Node::File(file) => {
                Stat { kind: Kind::File, len: file.shown.len() as u64, mode: file.shown_mode }
            }
            Node::Dir(_) => Stat { kind: Kind::Dir, len: 0, mode: 0o700 },
        }))
    }

    fn open(&self, name: &str, _access: Access) -> io::Result<Arc<dyn File>> {
        let mut world = self.disk.world();
        world.alive(self.life)?;
        let id = *world.dir(self.id).shown.get(name).ok_or(io::ErrorKind::NotFound)?;
        match world.nodes.get(&id) {
            Some(Node::File(_)) => Ok(self.file_handle(id, name)),
            _ => Err(io::Error::new(io::ErrorKind::InvalidData, "not a regular file")),
        }
    }

    fn create(&self, name: &str, mode: u32) -> io::Result<Arc<dyn File>> {
        let mut world = self.disk.world();
        let verdict = world.enter(self.life, Op::Create, &self.child(name))?;
        if world.dir(self.id).shown.contains_key(name) {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        let node = FileNode { shown_mode: mode, kept_mode: mode, ..FileNode::default() };
        let id = world.add(Node::File(node));
        world.change_dir(self.id, verdict, DirOp::Link(name.to_owned(), id))?;
        Ok(self.file_handle(id, name))
    }

    fn rename(&self, from: &str, to: &str) -> io::Result<()> {
        let mut world = self.disk.world();
        let verdict = world.enter(self.life, Op::Rename, &self.child(to))?;
        if !world.dir(self.id).shown.contains_key(from) {
            return Err(io::ErrorKind::NotFound.into());
        }
        world.change_dir(self.id, verdict, DirOp::Rename(from.to_owned(), to.to_owned()))
    }

    fn remove(&self, name: &str) -> io::Result<()> {
        let mut world = self.disk.world();
        let verdict = world.enter(self.life, Op::Remove, &self.child(name))?;
        if !world.dir(self.id).shown.contains_key(name) {
            return Err(io::ErrorKind::NotFound.into());
        }
        world.change_dir(self.id, verdict, DirOp::Unlink(name.to_owned()))
    }

    fn open_dir(&self, name: &str) -> io::Result<Arc<dyn Dir>> {
        let mut world = self.disk.world();
        world.alive(self.life)?;
        let id = *world.dir(self.id).shown.get(name).ok_or(io::ErrorKind::NotFound)?;
        match world.nodes.get(&id) {
            Some(Node::Dir(_)) => Ok(self.disk.dir_handle(&world, id, self.child(name))),
            _ => Err(io::ErrorKind::NotADirectory.into()),
        }
    }

    fn create_dir(&self, name: &str) -> io::Result<Arc<dyn Dir>> {
        {
            let mut world = self.disk.world();
            world.alive(self.life)?;
            if !world.dir(self.id).shown.contains_key(name) {
                let verdict = world.enter(self.life, Op::Create, &self.child(name))?;
                let id = world.add(Node::Dir(DirNode::default()));
                world.change_dir(self.id, verdict, DirOp::Link(name.to_owned(), id))?;
            }
        }
        self.open_dir(name)
    }

    fn sync(&self) -> io::Result<()> {
        let mut world = self.disk.world();
        let (does, result) = match world.enter(self.life, Op::SyncDir, &self.path)? {
            Verdict::Go => (true, Ok(())),
            Verdict::Lie => (false, Ok(())),
            Verdict::Fail(error) => (false, Err(error)),
            Verdict::Cut => (world.rng.percent(50), Err(power_error())),
        };
        if does {
            let dir = world.dir(self.id);
            dir.kept = dir.shown.clone();
            dir.pending.clear();
        }
        result
    }

    fn lock(&self) -> io::Result<Option<Box<dyn Lock>>> {
        let path = self.path.clone();
        let mut world = self.disk.world();
        world.alive(self.life)?;
        if !world.locks.insert(path.clone()) {
            return Ok(None);
        }
        Ok(Some(Box::new(SimLock { disk: self.disk.clone(), life: self.life, path })))
    }

    fn file_system(&self) -> io::Result<FileSystem> {
        Ok(self.disk.world().file_system)
    }

    fn free_bytes(&self) -> io::Result<u64> {
        let world = self.disk.world();
        Ok(world.capacity.map_or(u64::MAX, |capacity| capacity.saturating_sub(world.used())))
    }

    fn has_volatile_cache(&self) -> Option<bool> {
        Some(true)
    }

    fn read_from_device(&self, name: &str, offset: u64, len: usize) -> io::Result<Vec<u8>> {
        let mut world = self.disk.world();
        let verdict = world.enter(self.life, Op::Read, &self.child(name))?;
        if let Verdict::Fail(error) = verdict {
            return Err(error);
        }
        let id = *world.dir(self.id).shown.get(name).ok_or(io::ErrorKind::NotFound)?;
        Ok(slice(&world.file(id).kept, offset, len).to_vec())
    }
}

fn slice(bytes: &[u8], offset: u64, len: usize) -> &[u8] {
    let start = usize::try_from(offset).unwrap_or(usize::MAX).min(bytes.len());
    &bytes[start..start.saturating_add(len).min(bytes.len())]
}

#[derive(Debug)]
struct SimLock {
    disk: SimDisk,
    life: u64,
    path: String,
}

impl Lock for SimLock {}

impl Drop for SimLock {
    fn drop(&mut self) {
        let mut world = self.disk.world();
        if world.life == self.life {
            world.locks.remove(&self.path);
        }
    }
}

#[derive(Debug)]
struct SimFile {
    disk: SimDisk,
    id: u64,
    life: u64,
    path: String,
}

impl SimFile {
    fn sync(&self, with_mode: bool) -> io::Result<()> {
        let mut world = self.disk.world();
        let verdict = world.enter(self.life, Op::Sync, &self.path)?;
        let World { nodes, rng, .. } = &mut *world;
        let Some(Node::File(file)) = nodes.get_mut(&self.id) else {
            unreachable!("a file handle points at a file");
        };
        match verdict {
            Verdict::Lie => Ok(()),
            Verdict::Fail(error) => {
                file.fail_sync(rng);
                Err(error)
            }
            Verdict::Cut => {
                if rng.percent(50) {
                    file.persist_all();
                }
                Err(power_error())
            }
            Verdict::Go => {
                file.persist_all();
                if with_mode {
                    file.kept_mode = file.shown_mode;
                }
                Ok(())
            }
        }
    }
}

impl File for SimFile {
    fn write_all_at(&self, bytes: &[u8], offset: u64) -> io::Result<()> {
        let mut world = self.disk.world();
        let verdict = world.enter(self.life, Op::Write, &self.path)?;
        let offset = usize::try_from(offset).map_err(|_| io::ErrorKind::FileTooLarge)?;
        let grows = (offset + bytes.len()).saturating_sub(world.file(self.id).shown.len());
        let room = world.make_room(grows as u64);
        let error = match (verdict, room) {
            (Verdict::Fail(error), _) | (_, Err(error)) => error,
            (Verdict::Cut, _) => power_error(),
            (Verdict::Go | Verdict::Lie, Ok(())) => {
                world.file(self.id).write(bytes, offset);
                return Ok(());
            }
        };
        // A failed write may have left any prefix that needs no further room.
        let prefix =
            bytes.len() - if error.kind() == io::ErrorKind::StorageFull { grows } else { 0 };
        let prefix = world.rng.below(prefix as u64 + 1);
        let prefix = usize::try_from(prefix).unwrap_or(0);
        if prefix > 0 {
            world.file(self.id).write(&bytes[..prefix], offset);
        }
        Err(error)
    }

    fn read_at(&self, buf: &mut [u8], offset: u64) -> io::Result<usize> {
        let mut world = self.disk.world();
        if let Verdict::Fail(error) = world.enter(self.life, Op::Read, &self.path)? {
            return Err(error);
        }
        let bytes = slice(&world.file(self.id).shown, offset, buf.len());
        buf[..bytes.len()].copy_from_slice(bytes);
        Ok(bytes.len())
    }

    fn sync_data(&self) -> io::Result<()> {
        self.sync(false)
    }

    fn sync_all(&self) -> io::Result<()> {
        self.sync(true)
    }

    fn size(&self) -> io::Result<u64> {
        let mut world = self.disk.world();
        world.alive(self.life)?;
        Ok(world.file(self.id).shown.len() as u64)
    }

    fn set_len(&self, len: u64) -> io::Result<()> {
        let mut world = self.disk.world();
        let verdict = world.enter(self.life, Op::Change, &self.path)?;
        let (does, result) = match verdict {
            Verdict::Go | Verdict::Lie => (true, Ok(())),
            Verdict::Fail(error) => (false, Err(error)),
            Verdict::Cut => (world.rng.percent(50), Err(power_error())),
        };
        if does {
            let len = usize::try_from(len).map_err(|_| io::ErrorKind::FileTooLarge)?;
            let file = world.file(self.id);
            let old_len = file.shown.len();
            file.shown.resize(len, 0);
            file.resize_dirty(old_len, len);
        }
        result
    }

    fn set_mode(&self, mode: u32) -> io::Result<()> {
        let mut world = self.disk.world();
        match world.enter(self.life, Op::Change, &self.path)? {
            Verdict::Go | Verdict::Lie => {
                world.file(self.id).shown_mode = mode;
                Ok(())
            }
            Verdict::Fail(error) => Err(error),
            Verdict::Cut => Err(power_error()),
        }
    }
}
