//! Pieces of a state that lie in a file until somebody looks at them.
//!
//! A state grows with the years of its shop, and work touches the last days of it. So its lists and
//! sets are cut into pages. A snapshot writes each page once, as a *piece* behind all others, and
//! holds where it lies; a start reads the snapshot alone, and a page when somebody looks at it.
//!
//! serde hands nothing down to what is written or read inside, so the place of pieces is known to
//! the thread while [`with`] works: written without one, a state holds everything in itself.

use std::cell::RefCell;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};
use std::{fmt, io};

use serde::de::DeserializeOwned;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::ids::Label;

/// Where pieces lie: bytes that are only ever added to.
pub trait Pieces: fmt::Debug + Send + Sync {
    /// Puts bytes behind all others; returns where they begin.
    ///
    /// # Errors
    /// If they cannot be written. What was written before stays as it is.
    fn append(&self, bytes: &[u8]) -> io::Result<u64>;

    /// Reads bytes that were appended.
    ///
    /// # Errors
    /// If so many cannot be read there.
    fn read(&self, at: u64, len: usize) -> io::Result<Vec<u8>>;

    /// A piece is not what was written. Nothing that follows from it may be answered or recorded: see
    /// to it that the next start folds the log anew, and end here.
    fn lost(&self, why: &str) -> !;
}

thread_local! {
    static HERE: RefCell<Option<Arc<dyn Pieces>>> = const { RefCell::new(None) };
}

/// Writes or reads a state whose pieces lie there.
pub fn with<R>(pieces: &Arc<dyn Pieces>, work: impl FnOnce() -> R) -> R {
    /// Also when `work` panics.
    struct Restore(Option<Arc<dyn Pieces>>);
    impl Drop for Restore {
        fn drop(&mut self) {
            HERE.with_borrow_mut(|here| std::mem::swap(here, &mut self.0));
        }
    }
    let before = HERE.with_borrow_mut(|here| here.replace(Arc::clone(pieces)));
    let _restore = Restore(before);
    work()
}

fn here() -> Option<Arc<dyn Pieces>> {
    HERE.with_borrow(Clone::clone)
}

/// As if nobody had called [`with`].
fn without<R>(work: impl FnOnce() -> R) -> R {
    let before = HERE.with_borrow_mut(Option::take);
    let result = work();
    HERE.with_borrow_mut(|here| *here = before);
    result
}

/// Where the pieces of what is written or read now lie, if they lie apart.
pub(crate) fn apart(is_human_readable: bool) -> Option<Arc<dyn Pieces>> {
    if is_human_readable { None } else { here() }
}

/// Compressed MessagePack.
fn pack<T: Serialize + ?Sized>(open: &T) -> Vec<u8> {
    let plain = rmp_serde::to_vec_named(open).expect("a recorded form can be written");
    lz4_flex::block::compress_prepend_size(&plain)
}

fn unpack<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, String> {
    let plain = lz4_flex::block::decompress_size_prepended(bytes);
    let plain = plain.map_err(|error| error.to_string())?;
    rmp_serde::from_slice(&plain).map_err(|error| error.to_string())
}

/// Where a piece lies.
#[derive(Debug, Clone)]
struct Place {
    pieces: Arc<dyn Pieces>,
    reference: Reference,
}

/// The same as a snapshot holds it: where the piece begins, its length and its CRC-32.
#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
struct Reference(u64, u32, u32);

impl Place {
    fn put(pieces: &Arc<dyn Pieces>, bytes: &[u8]) -> io::Result<Self> {
        let len = u32::try_from(bytes.len()).map_err(|_| {
            io::Error::new(io::ErrorKind::InvalidInput, "a piece is larger than 4 GiB")
        })?;
        let reference = Reference(pieces.append(bytes)?, len, crc32fast::hash(bytes));
        Ok(Self { pieces: Arc::clone(pieces), reference })
    }

    fn of(reference: Reference, pieces: Arc<dyn Pieces>) -> Self {
        Self { pieces, reference }
    }

    fn is_in(&self, pieces: &Arc<dyn Pieces>) -> bool {
        Arc::ptr_eq(&self.pieces, pieces)
    }

    fn bytes(&self) -> Vec<u8> {
        let Reference(at, len, check) = self.reference;
        let bytes = self.pieces.read(at, len as usize);
        match bytes {
            Ok(bytes) if crc32fast::hash(&bytes) == check => bytes,
            Ok(_) => self.lost("it is not what was written"),
            Err(error) => self.lost(&error.to_string()),
        }
    }

    fn lost(&self, why: &str) -> ! {
        let Reference(at, len, _) = self.reference;
        self.pieces.lost(&format!("the piece of {len} bytes at {at} cannot be read: {why}"))
    }
}

/// Where something lies that is not, or not only, open.
#[derive(Debug)]
enum Lies {
    /// It is open alone.
    Nowhere,
    /// In memory, packed.
    Packed(Box<[u8]>),
    /// Among the pieces of a snapshot.
    There(Place),
}

/// Something packed, until it is among the pieces of a snapshot: then it takes no memory any more.
/// Copies share it.
#[derive(Debug, Clone)]
pub(crate) struct Compressed(Arc<Mutex<Lies>>);

impl Compressed {
    /// Packs something that holds no pieces itself.
    pub(crate) fn pack<T: Serialize + ?Sized>(open: &T) -> Self {
        Self::lying(Lies::Packed(without(|| pack(open)).into()))
    }

    fn lying(lies: Lies) -> Self {
        Self(Arc::new(Mutex::new(lies)))
    }

    /// What was packed. By this process, or by one that wrote the same version of the folds: that it
    /// cannot be read is a fault of this program, or of the disk.
    pub(crate) fn unpack<T: DeserializeOwned>(&self) -> T {
        let place = match &*lock(&self.0) {
            Lies::Nowhere => unreachable!("what is packed lies somewhere"),
            Lies::Packed(bytes) => {
                return without(|| unpack(bytes)).expect("what was packed can be read");
            }
            Lies::There(place) => place.clone(),
        };
        without(|| unpack(&place.bytes())).unwrap_or_else(|why| place.lost(&why))
    }

    /// Whether both are one in memory.
    #[cfg(test)]
    pub(crate) fn is_shared(&self, other: &Self) -> bool {
        Arc::ptr_eq(&self.0, &other.0)
    }
}

fn lock(lies: &Mutex<Lies>) -> MutexGuard<'_, Lies> {
    lies.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Sees to it that something lies among these pieces; `packed` makes what lies nowhere.
fn keep(
    lies: &mut Lies,
    pieces: &Arc<dyn Pieces>,
    packed: impl FnOnce(&Lies) -> Vec<u8>,
) -> io::Result<Reference> {
    let place = match lies {
        Lies::There(place) if place.is_in(pieces) => place.clone(),
        Lies::Packed(bytes) => Place::put(pieces, bytes)?,
        Lies::Nowhere | Lies::There(_) => Place::put(pieces, &packed(lies))?,
    };
    let reference = place.reference;
    *lies = Lies::There(place);
    Ok(reference)
}

impl Serialize for Compressed {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut lies = lock(&self.0);
        let bytes = |lies: &Lies| match lies {
            Lies::Nowhere => unreachable!("what is packed lies somewhere"),
            Lies::Packed(bytes) => bytes.to_vec(),
            Lies::There(place) => place.bytes(),
        };
        match apart(serializer.is_human_readable()) {
            Some(pieces) => keep(&mut lies, &pieces, bytes)
                .map_err(serde::ser::Error::custom)?
                .serialize(serializer),
            None => serializer.serialize_bytes(&bytes(&lies)),
        }
    }
}

impl<'de> Deserialize<'de> for Compressed {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Ok(Self::lying(match apart(deserializer.is_human_readable()) {
            Some(pieces) => Lies::There(Place::of(Reference::deserialize(deserializer)?, pieces)),
            None => {
                Lies::Packed(serde_bytes::ByteBuf::deserialize(deserializer)?.into_vec().into())
            }
        }))
    }
}

/// What a page may hold.
pub(crate) trait Content: Clone + Serialize + DeserializeOwned {
    /// Whether there are pages or packed things in it. Such a page is small, and stays open until it
    /// is among the pieces of a snapshot, as what it holds then is.
    const HOLDS_PIECES: bool = false;
}

impl<T: Content> Content for Vec<T> {
    const HOLDS_PIECES: bool = T::HOLDS_PIECES;
}

impl<T: Content> Content for Option<T> {
    const HOLDS_PIECES: bool = T::HOLDS_PIECES;
}

impl<T: Content> Content for Page<T> {
    const HOLDS_PIECES: bool = true;
}

impl<A: Content, B: Content> Content for (A, B) {
    const HOLDS_PIECES: bool = A::HOLDS_PIECES || B::HOLDS_PIECES;
}

impl<A: Content, B: Content, C: Content> Content for (A, B, C) {
    const HOLDS_PIECES: bool = A::HOLDS_PIECES || B::HOLDS_PIECES || C::HOLDS_PIECES;
}

impl Content for u32 {}
impl Content for u64 {}
impl Content for i64 {}
impl Content for String {}
impl Content for Label {}
impl Content for rust_decimal::Decimal {}
impl Content for crate::ids::Place {}

/// A part of a state that opens with the first look at it. Copies share it until one of them changes
/// it. In digests it is what it holds.
pub(crate) struct Page<T>(Arc<Inner<T>>);

struct Inner<T> {
    open: OnceLock<T>,
    lies: Mutex<Lies>,
    /// Whether anybody did since [`Page::close`] was called last.
    looked_at: AtomicBool,
}

impl<T> Page<T> {
    pub(crate) fn new(open: T) -> Self {
        Self::lying(Lies::Nowhere, OnceLock::from(open))
    }

    fn lying(lies: Lies, open: OnceLock<T>) -> Self {
        Self(Arc::new(Inner { open, lies: Mutex::new(lies), looked_at: AtomicBool::new(true) }))
    }

    /// Whether both are one in memory.
    pub(crate) fn is_shared(&self, other: &Self) -> bool {
        Arc::ptr_eq(&self.0, &other.0)
    }

    /// What it holds, if it is open.
    pub(crate) fn opened(&self) -> Option<&T> {
        self.0.open.get()
    }

    /// The same, to close what it holds, unless a copy shares it: what it is stays as it is.
    pub(crate) fn opened_mut(&mut self) -> Option<&mut T> {
        Arc::get_mut(&mut self.0)?.open.get_mut()
    }
}

impl<T: Content> Page<T> {
    /// What it holds.
    pub(crate) fn get(&self) -> &T {
        let looked_at = &self.0.looked_at;
        if !looked_at.load(Ordering::Relaxed) {
            looked_at.store(true, Ordering::Relaxed);
        }
        self.0.open.get_or_init(|| self.read())
    }

    /// The same without leaving it open, if it is not.
    pub(crate) fn read(&self) -> T {
        if let Some(open) = self.0.open.get() {
            return open.clone();
        }
        let place = match &*lock(&self.0.lies) {
            Lies::Nowhere => unreachable!("a page is open or lies somewhere"),
            Lies::Packed(bytes) => {
                return without(|| unpack(bytes)).expect("what was packed can be read");
            }
            Lies::There(place) => place.clone(),
        };
        let open = with(&place.pieces, || unpack(&place.bytes()));
        open.unwrap_or_else(|why| place.lost(&why))
    }

    /// What it holds, to change it. What copies hold stays as it is.
    pub(crate) fn change(&mut self) -> &mut T {
        if Arc::get_mut(&mut self.0).is_none() {
            *self = Self::new(self.get().clone());
        } else {
            self.get();
        }
        let inner = Arc::get_mut(&mut self.0).expect("nobody else has it");
        *inner.lies.get_mut().unwrap_or_else(PoisonError::into_inner) = Lies::Nowhere;
        inner.open.get_mut().expect("it was opened")
    }

    /// Gives back the memory of a page that nobody looked at since this was called last, as far as that
    /// can be.
    pub(crate) fn close(&mut self) {
        let Some(inner) = Arc::get_mut(&mut self.0) else { return };
        if std::mem::take(inner.looked_at.get_mut()) {
            return;
        }
        let lies = inner.lies.get_mut().unwrap_or_else(PoisonError::into_inner);
        match (&mut *lies, inner.open.get()) {
            (Lies::Nowhere, Some(open)) if !T::HOLDS_PIECES => {
                *lies = Lies::Packed(without(|| pack(open)).into());
            }
            (Lies::Nowhere, _) => return,
            (Lies::Packed(_) | Lies::There(_), _) => {}
        }
        inner.open.take();
    }

    /// Sees to it that it lies among these pieces, which are those of [`with`].
    fn keep(&self, pieces: &Arc<dyn Pieces>) -> io::Result<Reference> {
        keep(&mut lock(&self.0.lies), pieces, |lies| match (self.0.open.get(), lies) {
            (Some(open), _) => pack(open),
            // Pieces that it holds lie elsewhere, too.
            (None, Lies::There(place)) if T::HOLDS_PIECES => {
                let open = with(&place.pieces, || unpack::<T>(&place.bytes()));
                pack(&open.unwrap_or_else(|why| place.lost(&why)))
            }
            (None, Lies::There(place)) => place.bytes(),
            (None, Lies::Nowhere | Lies::Packed(_)) => {
                unreachable!("a page is open or lies somewhere")
            }
        })
    }
}

impl<T> Clone for Page<T> {
    fn clone(&self) -> Self {
        Self(Arc::clone(&self.0))
    }
}

impl<T: Content + Default> Default for Page<T> {
    fn default() -> Self {
        Self::new(T::default())
    }
}

impl<T: Content> std::ops::Deref for Page<T> {
    type Target = T;

    fn deref(&self) -> &T {
        self.get()
    }
}

impl<T: Content + fmt::Debug> fmt::Debug for Page<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.get().fmt(f)
    }
}

impl<T: Content + PartialEq> PartialEq for Page<T> {
    fn eq(&self, other: &Self) -> bool {
        self.is_shared(other) || self.get() == other.get()
    }
}

impl<T: Content + Eq> Eq for Page<T> {}

impl<T: Content> Serialize for Page<T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match apart(serializer.is_human_readable()) {
            Some(pieces) => {
                let reference = self.keep(&pieces).map_err(serde::ser::Error::custom)?;
                reference.serialize(serializer)
            }
            None => self.get().serialize(serializer),
        }
    }
}

impl<'de, T: Content> Deserialize<'de> for Page<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Ok(match apart(deserializer.is_human_readable()) {
            Some(pieces) => {
                let place = Place::of(Reference::deserialize(deserializer)?, pieces);
                Self::lying(Lies::There(place), OnceLock::new())
            }
            None => Self::new(T::deserialize(deserializer)?),
        })
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    impl Content for u16 {}
    impl Content for usize {}

    /// Pieces in memory.
    #[derive(Debug, Default)]
    pub(crate) struct InMemory(pub(crate) Mutex<Vec<u8>>);

    impl Pieces for InMemory {
        fn append(&self, bytes: &[u8]) -> io::Result<u64> {
            let mut all = self.0.lock().unwrap();
            let at = all.len() as u64;
            all.extend_from_slice(bytes);
            Ok(at)
        }

        fn read(&self, at: u64, len: usize) -> io::Result<Vec<u8>> {
            let all = self.0.lock().unwrap();
            let bytes = usize::try_from(at).ok().and_then(|at| all.get(at..at + len));
            bytes.map(<[u8]>::to_vec).ok_or_else(|| io::ErrorKind::UnexpectedEof.into())
        }

        fn lost(&self, why: &str) -> ! {
            panic!("{why}")
        }
    }

    pub(crate) fn in_memory() -> Arc<dyn Pieces> {
        Arc::new(InMemory::default())
    }

    /// The root of a snapshot, and what is read from it.
    pub(crate) fn kept_and_read<T>(pieces: &Arc<dyn Pieces>, state: &T) -> (Vec<u8>, T)
    where
        T: Serialize + DeserializeOwned,
    {
        let root = with(pieces, || rmp_serde::to_vec_named(state).unwrap());
        let again = with(pieces, || rmp_serde::from_slice(&root).unwrap());
        (root, again)
    }
}
