//! Every limit of the format in one place, with its unit and its reason.
//!
//! Limits are part of record format v1: a verifier that is more generous than the writer would
//! accept lines the writer could never have made, and one that is stricter would refuse sound logs.

/// Largest entry, in bytes, line feed not counted. An entry bundle (C2SP tlog-tiles, "Log entries")
/// prefixes each entry with a big-endian 16-bit length, so this is the largest that can be served.
pub const ENTRY_BYTES_MAX: usize = 65_535;

/// Deepest nesting of arrays and objects in an entry: the entry object is depth 1, `event` is
/// depth 2, the event's `data` is depth 3, which leaves five more levels for what is recorded.
pub const ENTRY_DEPTH_MAX: u8 = 8;

/// Deepest nesting in an event that stands alone. It becomes one level deeper inside its entry.
pub const EVENT_DEPTH_MAX: u8 = ENTRY_DEPTH_MAX - 1;

/// Longest member name, in characters (`[a-z0-9_]{1,40}`). CloudEvents 1.0 recommends at most 20
/// for attributes; names inside `data` are plain trade words and may need more.
pub const MEMBER_NAME_CHARS_MAX: usize = 40;

/// Largest absolute value of an integer, 2^53 - 1: the range in which every JSON reader agrees
/// (RFC 8259 section 6, RFC 7493 section 2.2).
pub const INTEGER_ABS_MAX: i64 = (1 << 53) - 1;

/// Largest sequence number; it is written as a JSON integer.
pub const SEQ_MAX: u64 = INTEGER_ABS_MAX as u64;

/// Salt of an entry, in bytes. 128 bits cannot be guessed, so a leaf hash hides its entry.
pub const SALT_BYTES: usize = 16;

/// Longest actor id, in bytes, prefix included (`op_`, `svc_`).
pub const ACTOR_ID_BYTES_MAX: usize = 64;

/// Longest key name, in bytes. A key name of ours is an origin or a schema-less URL; cosigned
/// messages of newer cosignature types prefix it with one length byte (C2SP tlog-cosignature).
pub const KEY_NAME_BYTES_MAX: usize = 255;

/// Bytes of an entry after its event, at most: the closing members with the longest sequence
/// number and the longest client signature, every byte of its key name escaped as `\u00xx`.
pub const ENTRY_SUFFIX_BYTES_MAX: usize =
    r#","prev":"","recorded_at":"","salt":"","seq":,"sig":{"by":"","value":""},"v":1}"#.len()
    + 64 // prev, hex
    + "1970-01-01T00:00:00.000Z".len()
    + 2 * SALT_BYTES
    + 16 // decimal digits of 2^53 - 1
    + 6 * (KEY_NAME_BYTES_MAX + "+01234567".len())
    + 88; // base64 of a 64-byte signature

/// Largest event, in bytes of its canonical form, whoever sends it: it fits into an entry with the
/// longest actor and the longest suffix, so whether an event is accepted depends on nothing else.
pub const EVENT_BYTES_MAX: usize = 61_440;

/// Largest signed note, in bytes. C2SP signed-note asks for at least 16 signatures and warns that
/// post-quantum ones reach almost 5 kB: 16 * 5 kB in base64 and the text fit.
pub const NOTE_BYTES_MAX: usize = 131_072;

/// Most signature lines in a note. C2SP signed-note demands that 16 are accepted.
pub const NOTE_SIGNATURES_MAX: usize = 64;

/// Most extension lines in a checkpoint. We write none; C2SP tlog-checkpoint advises against them.
pub const CHECKPOINT_EXTENSIONS_MAX: usize = 16;

/// Most hashes in an inclusion proof: the height of a tree with 2^63 leaves.
pub const INCLUSION_PROOF_HASHES_MAX: usize = 63;

/// Most hashes in a consistency proof: one more than the height (RFC 6962 section 2.1.2).
pub const CONSISTENCY_PROOF_HASHES_MAX: usize = INCLUSION_PROOF_HASHES_MAX + 1;

/// Most bytes of extra data in a tlog-proof file. We write none; the data is not authenticated.
pub const PROOF_EXTRA_BYTES_MAX: usize = 65_536;

/// Largest policy file, in bytes.
pub const POLICY_BYTES_MAX: usize = 65_536;

/// Most logs, most witnesses and most groups in a policy. C2SP tlog-policy asks for at least 32.
pub const POLICY_NAMES_MAX: usize = 64;

/// Most verification keys in a `keys.txt`: the log, its witnesses and every enrolled client key.
pub const KEYS_MAX: usize = 4_096;

/// Hashes in a full tile (C2SP tlog-tiles, "Merkle Tree").
pub const TILE_WIDTH: u16 = 256;

/// Most tiles kept in memory for proofs. With the nodes over its hashes a tile has 16 KiB, so this is
/// 32 MiB; the tiles above the lowest level of 10 million entries are about 155.
pub const TILES_CACHED_MAX: usize = 2_048;

/// Most tiles of which only the nodes over every 32 hashes are kept for proofs: 256 bytes a tile and
/// about 100 for the place, so at most some 24 MiB, for 16 million entries.
pub const SUMMITS_CACHED_MAX: usize = 65_536;

/// Height of a tile in levels of the tree.
pub const TILE_HEIGHT: u8 = 8;

/// Most files in an evidence bundle. A proof or checkpoint for every entry of a busy year fits.
pub const BUNDLE_FILES_MAX: usize = 1 << 20;

/// Longest name of a file in an evidence bundle, in bytes; what common archive tools can unpack.
pub const BUNDLE_NAME_BYTES_MAX: usize = 200;

const _: () = {
    assert!(ENTRY_BYTES_MAX == u16::MAX as usize);
    assert!(TILE_WIDTH == 1 << TILE_HEIGHT);
    assert!(EVENT_DEPTH_MAX >= 3, "an event needs its attributes, its data and one more level");
    assert!(NOTE_SIGNATURES_MAX >= 16, "C2SP signed-note: at least 16 signatures");
    assert!(POLICY_NAMES_MAX >= 32, "C2SP tlog-policy: at least 32 of each");
    assert!(NOTE_BYTES_MAX >= 16 * 5_000 * 4 / 3 + 1_024);
    assert!(SEQ_MAX < 1 << INCLUSION_PROOF_HASHES_MAX);
    let actor =
        r#"{"actor":{"for":"","id":"","via":"service"},"event":"#.len() + 2 * ACTOR_ID_BYTES_MAX;
    assert!(actor + EVENT_BYTES_MAX + ENTRY_SUFFIX_BYTES_MAX <= ENTRY_BYTES_MAX);
};
