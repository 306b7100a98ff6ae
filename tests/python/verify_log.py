#!/usr/bin/env python3
"""Checks a log: python3 verify_log.py DIR, with DIR holding entries.ndjson, keys.txt, policy.txt and checkpoints/*.note.

Written from crates/chain/FORMAT.md alone, with the standard library alone: it shares no code with what it checks. Prints
`sound N entries ..`, `broken at entry N: reason` or `could not check: reason`, exits 0, 1, 2. Sections are FORMAT.md's."""
import base64, datetime, functools, hashlib, json, pathlib, re, sys
import ed25519

ENTRY = re.compile(r"""\{"actor":\{("for":"op_[\w-]{1,61}",(?="id":"svc_))?"id":"(sys(?=","via":"sys)|op_[\w-]{1,61}|svc_[\w-]{1,60})",
    "via":"(oidc|badge|service|(?<="sys","via":")system)"\},"event":\{.*\},"prev":"[0-9a-f]{64}","recorded_at":"(19[7-9]|[2-9]\d\d)\d
    -\d\d-\d\dT\d\d:\d\d:[0-5]\d\.\d{3}Z","salt":"[0-9a-f]{32}","seq":\d+(,"sig":\{"by":"[^\s+]+\+[0-9a-f]{8}",
    "value":"[\w+/]{86}=="\})?,"v":1\}""", re.ASCII | re.VERBOSE)  # section 2, for text that is canonical already

class Broken(Exception):
    """The entry named and the reason."""

def need(condition, problem="malformed"):
    if not condition:
        raise ValueError(problem)

def sha(*parts):
    return hashlib.sha256(b"".join(parts)).digest()

def b64(text):
    need(base64.b64encode(base64.b64decode(text)).decode() == text, "base64")
    return base64.b64decode(text)

def read_lines(data):
    need(data.endswith(b"\n"), "the last line is cut")
    return [line for line in data.decode().split("\n") if line.strip(" \t") and line.strip(" \t")[0] != "#"]

@functools.lru_cache(None)
def read_key(text):  # section 5: name+keyid, type, public key
    name, keyid, data = text.split("+", 2)
    need(sha(name.encode(), b"\n", b64(data)).hex()[:8] == keyid and b64(data)[0] in (1, 4) and len(b64(data)) == 33, "key")
    ed25519.decode(b64(data)[1:])
    return name + "+" + keyid, b64(data)[0], b64(data)[1:]

def read_policy(data, log):  # section 7: the witnesses, and a function from cosigners to whether they meet the quorum
    witnesses, logs, quorum, met = [], [], [], {"none": lambda by: True}
    for word, name, *rest in (line.split() for line in read_lines(data)):
        need(word in ("log", "quorum") or word in ("witness", "group") and name not in met, "policy")
        if word == "log":
            logs.append(read_key(name))
        elif word == "witness":
            witnesses.append(read_key(rest[0]))
            met[name] = lambda by, key=witnesses[-1]: key in by
        elif word == "group":
            count, parts = {"any": 1, "all": len(rest) - 1}.get(rest[0]) or int(rest[0]), [met[member] for member in rest[1:]]
            need(0 < count <= len(parts) and "none" not in rest, "group")
            met[name] = lambda by, count=count, parts=parts: sum(part(by) for part in parts) >= count
        else:
            quorum.append(met[name])
    need(len(quorum) == 1 and (not logs or log in logs), "policy without one quorum or without this log")
    return witnesses, quorum[0]

def read_checkpoint(data, log, witnesses):  # section 6: size, root, whether properly signed, by whom cosigned
    text, _, lines = data.decode().rpartition("\n\n")
    origin, size, root = (text := text + "\n").split("\n")[:3]
    need(lines.endswith("\n") and not re.search(r"[\0-\x09\x0b-\x1f]", data.decode()), "note")
    need(origin and re.fullmatch("0|[1-9][0-9]*", size) and len(b64(root)) == 32, "checkpoint")
    valid, by_log, cosigners = origin == log[0][:-9], False, set()
    for dash, name, value in (line.split(" ") for line in lines[:-1].split("\n")):
        need(dash == "\u2014" and re.fullmatch(r"[^\s+]+", name) and len(b64(value)) > 4, "signature line")
        keyid, signature = name + "+" + b64(value)[:4].hex(), b64(value)[4:]
        if keyid == log[0]:
            by_log, valid = True, valid and ed25519.verify(log[2], text.encode(), signature)
        for witness in (w for w in witnesses if w[0] == keyid):
            message = f"cosignature/v1\ntime {int.from_bytes(signature[:8], 'big')}\n{text}".encode()
            cosigners, valid = cosigners | {witness}, valid and ed25519.verify(witness[2], message, signature[8:])
    return int(size), b64(root), valid and by_log, cosigners

def members(pairs):
    need(len(dict(pairs)) == len(pairs) and all(re.fullmatch("[a-z0-9_]{1,40}", name) for name, _ in pairs))
    return dict(pairs)

def depth(value):
    inner = value.values() if isinstance(value, dict) else value
    return 1 + max(map(depth, inner), default=0) if isinstance(value, (dict, list)) else 0

def write(value):
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()

def read_entry(line):  # sections 1 and 2: the entry, or the reason why it is none
    try:
        no = functools.partial(need, False)
        whole = lambda digits: int(digits) if abs(int(digits)) < 2**53 else no()
        entry = json.loads(line.decode(), object_pairs_hook=members, parse_float=no, parse_constant=no, parse_int=whole)
        need(isinstance(entry, dict) and write(entry) == line and depth(entry) <= 8 and len(line) <= 65535)
    except (ValueError, RecursionError):
        return None, "canonical"
    if write(entry.get("v", 1)) != b"1":
        return None, "version"
    try:
        need(set(entry) - {"sig"} == {"actor", "event", "prev", "recorded_at", "salt", "seq", "v"} and ENTRY.fullmatch(line.decode()))
        datetime.datetime.strptime(entry["recorded_at"], "%Y-%m-%dT%H:%M:%S.%fZ")
        b64(entry["sig"]["value"] if "sig" in entry else "")
        return entry, None
    except ValueError:
        return None, "form"

def grown(tree, size, leaf):  # section 3: the tree of `size` leaves and one more
    while size & 1:
        tree, leaf, size = tree[:-1], sha(b"\1", tree[-1], leaf), size >> 1
    return tree + [leaf]

def root_of(tree):
    return functools.reduce(lambda right, left: sha(b"\1", left, right), reversed(tree)) if tree else sha()

def check(files):  # section 8; `files` maps names to bytes
    key_lines = read_lines(files["keys.txt"])
    log, *others = map(read_key, key_lines)
    origin, clients, witnesses = log[0][:-9], {k[0]: k[2] for k in others if k[1] == 1}, [k for k in others if k[1] == 4]
    more, met = read_policy(files["policy.txt"], log)
    notes = sorted(name for name in files if name.startswith("checkpoints/"))
    held = sorted((read_checkpoint(files[name], log, witnesses + more) for name in notes), key=lambda checkpoint: checkpoint[0])
    need(held, "no checkpoint")
    *lines, rest = files["entries.ndjson"].split(b"\n")
    before, tree, last, time, unsigned = [], [], sha(), "", 0
    for i in range(len(lines) + 1):
        here = [checkpoint for checkpoint in held if checkpoint[0] == i]
        for reason, right in (("checkpoint-signature", all(valid for _, _, valid, _ in here)),
                              ("split-view", len({root for _, root, _, _ in here}) < 2),
                              ("root", all(root == root_of(tree) for _, root, _, _ in here))):
            if not right:
                raise Broken(max(i - 1, 0), reason)
        if i == len(lines):
            break
        entry, reason = read_entry(lines[i])
        if not entry or entry["seq"] != i:
            raise Broken(i, reason or "seq")
        leaf, prev, event, sig = sha(b"\0", lines[i]), bytes.fromhex(entry["prev"]), entry["event"], entry.get("sig")
        if i > 0 and prev != last:  # whose fault? the next entry or a checkpoint may tell
            following = read_entry(lines[i + 1])[0] if i + 1 < len(lines) else None
            mended = root_of(grown(grown(before, i - 1, prev), i, leaf))
            altered = following and following["prev"] == leaf.hex() or any(c[:3] == (i + 1, mended, True) for c in held)
            raise Broken(i - 1, "altered") if altered else Broken(i, "link")
        data = event["data"] if isinstance(event.get("data"), dict) else {}
        opens = [event.get("type"), data.get("origin"), data.get("key")] == ["pulverlog.log.opened", origin, key_lines[0]]
        message = f"pulverlog/event/v1\n{origin}\n".encode() + write(event)
        signed = not sig or sig["by"] not in clients or ed25519.verify(clients[sig["by"]], message, b64(sig["value"]))
        for reason, right in (("link", prev == last), ("time", entry["recorded_at"] >= time), ("opening", i > 0 or opens),
                              ("client-signature", signed)):
            if not right:
                raise Broken(i, reason)
        before, tree, last, time, unsigned = tree, grown(tree, i, leaf), leaf, entry["recorded_at"], unsigned + (not sig)
    if rest:
        raise Broken(len(lines), "line-feed")
    for size, _, valid, _ in (checkpoint for checkpoint in held if checkpoint[0] > len(lines)):
        raise Broken(len(lines), "tail-cut") if valid else Broken(size - 1, "checkpoint-signature")
    if not any(met(cosigners) for _, _, _, cosigners in held):
        raise Broken(0, "quorum")
    open_end = len(lines) - max(size if by and met(by) else 0 for size, _, _, by in held)
    return f"sound {len(lines)} entries, root {root_of(tree).hex()}, {open_end} not covered outside, {unsigned} without client signature"

def verdict(files):
    try:
        return 0, check(files)
    except Broken as fault:
        return 1, "broken at entry %d: %s" % fault.args
    except (ValueError, LookupError) as problem:
        return 2, f"could not check: {problem}"

if __name__ == "__main__":
    if len(sys.argv) != 2:
        print(__doc__)
        sys.exit(2)
    root = pathlib.Path(sys.argv[1])
    paths = [*root.glob("*.ndjson"), *root.glob("*.txt"), *root.glob("checkpoints/*.note")]
    code, text = verdict({path.relative_to(root).as_posix(): path.read_bytes() for path in paths})
    print(text)
    sys.exit(code)
