#!/usr/bin/env python3
"""Shows that an entry, or a line of a report, rests on a log: python3 verify_entry.py FILE PROOF KEYS [LINE]

Either FILE is an entry as it was recorded and PROOF its tlog-proof file; or FILE is a report in its JSON form and PROOF the
excerpt (a zip file) for one of its lines, which LINE may name by its JSON pointer, such as /containers/3. KEYS is the keys.txt of
the log from a source you trust. Nothing else is needed, least of all the log. Written from crates/chain/FORMAT.md (sections 2, 5,
6, 9) with the standard library alone. Prints `proved: ..`, `not proved: reason` or `could not check: reason`; exits 0, 1, 2."""
import io, json, pathlib, re, sys, zipfile
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

def check(line, proof, keys):  # the entry and, in words, what the proof says of it
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
    return entry, f"entry {index}, recorded at {entry['recorded_at']}, is in {log[0][:-9]} as of {size} entries, cosigned by {by}"

def lines_of(value, pointer=""):  # whatever in a report names the entries it rests on
    if isinstance(value, dict) and isinstance(value.get("entries"), list) and value["entries"]:
        yield pointer, value["entries"]
    elif isinstance(value, dict) and type(value.get("entry")) is int:
        yield pointer, [value["entry"]]
    for name, inner in value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ():
        yield from lines_of(inner, f"{pointer}/{name}")

def check_report(report, excerpt, keys, wanted):
    files = zipfile.ZipFile(io.BytesIO(excerpt))
    proofs = sorted((int(name[7:-11]), name) for name in files.namelist() if re.fullmatch(r"proofs/\d+\.tlog-proof", name))
    lines = read_whole_lines(files.read("entries.ndjson"))
    need(len(lines) == len(proofs) > 0, "the excerpt has not one proof for each entry")
    entries, said = {}, {}
    for line, (seq, name) in zip(lines, proofs):
        try:
            entry, said[seq] = check(line, files.read(name), keys)
        except NotProved as reason:
            raise NotProved(f"entry {seq}: {reason}")
        entries[entry["seq"]] = entry["event"]
    digest = sha(report).hex()
    issued = [seq for seq, event in entries.items() if event["type"] == "pulverlog.report.issued" and event["data"]["digest"] == digest]
    if not issued:
        raise NotProved("no entry here says that exactly this report was issued")
    found = [(at, rests) for at, rests in lines_of(json.loads(report)) if wanted in (None, at) and set(rests) <= set(entries)]
    if not found:
        raise NotProved(f"the entries of line {wanted} are not all here" if wanted else "no line of the report has all its entries here")
    told = "\n".join(f"line {at} rests on entries {', '.join(map(str, rests))}, each of them in the log" for at, rests in found)
    return f"{said[issued[0]]}\nit records that this report was issued, byte for byte\n{told}"

def read_whole_lines(data):
    need(data.endswith(b"\n"), "the last line is cut")
    return data.split(b"\n")[:-1]

def verdict(file, proof, keys, line=None):
    try:
        is_report = zipfile.is_zipfile(io.BytesIO(proof))
        return 0, "proved: " + (check_report(file, proof, keys, line) if is_report else check(file, proof, keys)[1])
    except NotProved as reason:
        return 1, f"not proved: {reason}"
    except (ValueError, LookupError, TypeError, zipfile.BadZipFile) as problem:
        return 2, f"could not check: {problem}"

if __name__ == "__main__":
    if len(sys.argv) not in (4, 5):
        print(__doc__)
        sys.exit(2)
    code, text = verdict(*(pathlib.Path(name).read_bytes() for name in sys.argv[1:4]), *sys.argv[4:])
    print(text)
    sys.exit(code)
