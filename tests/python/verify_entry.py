#!/usr/bin/env python3
"""Shows that one entry is in a log: python3 verify_entry.py ENTRY PROOF KEYS

ENTRY holds the entry as it was recorded, PROOF its tlog-proof file, KEYS the keys.txt of the log from a source you trust.
Nothing else is needed, least of all the log. Written from crates/chain/FORMAT.md (sections 2, 5, 6, 9) with the standard
library alone. Prints `proved: ..`, `not proved: reason` or `could not check: reason`; exits 0, 1, 2."""
import pathlib, re, sys
from verify_log import b64, need, read_checkpoint, read_entry, read_key, read_lines, sha

class NotProved(Exception):
    """The reason."""

def read_proof(data):  # section 9: index, path, checkpoint
    head, _, checkpoint = data.decode().partition("\n\n")
    first, index, *path = head.split("\n")
    need(first == "c2sp.org/tlog-proof@v1" and checkpoint and len(path) <= 63, "no proof file")
    need(re.fullmatch(r"index (0|[1-9]\d*)", index) and all(len(b64(line)) == 32 for line in path), "no proof file")
    return int(index[6:]), [b64(line) for line in path], checkpoint.encode()

def root_of_path(leaf, index, size, path):  # RFC 9162 section 2.1.3.2; None if the path has another length
    f, s, h = index, size - 1, leaf
    for p in path:
        if s == 0:
            return None
        if f & 1 or f == s:
            h = sha(b"\1", p, h)
            while f and not f & 1:
                f, s = f >> 1, s >> 1
        else:
            h = sha(b"\1", h, p)
        f, s = f >> 1, s >> 1
    return h if s == 0 else None

def check(line, proof, keys):
    log, *others = map(read_key, read_lines(keys))
    witnesses = [key for key in others if key[1] == 4]
    index, path, checkpoint = read_proof(proof)
    size, root, valid, cosigners = read_checkpoint(checkpoint, log, witnesses)
    entry, reason = read_entry(line.removesuffix(b"\n"))
    for wrong, why in ((not entry, f"it is no entry ({reason})"), (entry and entry["seq"] != index, f"the proof is for entry {index}"),
                       (not valid, "the checkpoint is not properly signed"), (index >= size, "the checkpoint does not cover it")):
        if wrong:
            raise NotProved(why)
    if root_of_path(sha(b"\0", line.removesuffix(b"\n")), index, size, path) != root:
        raise NotProved("the path does not lead to the root that was signed")
    by = ", ".join(sorted(witness[0] for witness in cosigners)) or "no witness"
    return f"entry {index}, recorded at {entry['recorded_at']}, is in {log[0][:-9]} as of {size} entries, cosigned by {by}"

def verdict(*files):
    try:
        return 0, "proved: " + check(*files)
    except NotProved as reason:
        return 1, f"not proved: {reason}"
    except (ValueError, LookupError) as problem:
        return 2, f"could not check: {problem}"

if __name__ == "__main__":
    if len(sys.argv) != 4:
        print(__doc__)
        sys.exit(2)
    code, text = verdict(*(pathlib.Path(name).read_bytes() for name in sys.argv[1:]))
    print(text)
    sys.exit(code)
