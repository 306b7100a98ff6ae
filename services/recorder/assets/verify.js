// A verifier of its own for log bundles, after crates/chain/FORMAT.md and nothing else: no code of
// the log and no word of a server. Runs in browsers and in node (WebCrypto: SHA-256, Ed25519).

const utf8 = new TextEncoder();
const LF = 10;

/** What is wrong, with the entry and the name of the fault. */
export class Fault extends Error {
  constructor(kind, seq, detail, ambiguous = false) {
    super(`${kind} at entry ${seq}: ${detail}`);
    Object.assign(this, { kind, seq, detail, ambiguous });
  }
}

/** The check could not be made. */
export class Unchecked extends Error {}

// ---- bytes

export const hex = (bytes) => Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
const equal = (a, b) => a.length === b.length && a.every((x, i) => x === b[i]);
function join(...parts) {
  const out = new Uint8Array(parts.reduce((n, p) => n + p.length, 0));
  let at = 0;
  for (const part of parts) out.set(part, at), (at += part.length);
  return out;
}
const sha256 = async (...parts) => new Uint8Array(await crypto.subtle.digest("SHA-256", join(...parts)));

/** Standard base64 with padding and without stray bits; null if it is not. */
function unbase64(text) {
  if (text.length % 4 || !/^[A-Za-z0-9+/]*={0,2}$/.test(text)) return null;
  let raw;
  try { raw = atob(text); } catch { return null; }
  return btoa(raw) === text ? Uint8Array.from(raw, (c) => c.charCodeAt(0)) : null;
}
const base64 = (bytes) => btoa(String.fromCharCode(...bytes));

function decode(bytes) {
  try { return new TextDecoder("utf-8", { fatal: true, ignoreBOM: true }).decode(bytes); } catch { return null; }
}

// ---- canonical JSON (section 1)

const ESCAPES = { '"': '\\"', "\\": "\\\\", "\b": "\\b", "\t": "\\t", "\n": "\\n", "\f": "\\f", "\r": "\\r" };

/** Writes a string as section 1 says. */
function quote(text) {
  const escaped = text.replace(/["\\\u0000-\u001f]/g, (c) => ESCAPES[c] ?? `\\u${c.charCodeAt(0).toString(16).padStart(4, "0")}`);
  return `"${escaped}"`;
}

/** Writes a value in canonical form; throws a reason where the form has no place for it. */
function canonical(value, depth = 1) {
  if (value === null || typeof value === "boolean") return String(value);
  if (typeof value === "string") {
    if (!value.isWellFormed?.() && /[\ud800-\udfff]/u.test(value)) throw "a lone surrogate";
    return quote(value);
  }
  if (typeof value === "number") {
    if (!Number.isSafeInteger(value) || Object.is(value, -0)) throw "a number that is no integer in range";
    return String(value);
  }
  if (depth > 8) throw "deeper than 8";
  if (Array.isArray(value)) return `[${value.map((one) => canonical(one, depth + 1)).join(",")}]`;
  const names = Object.keys(value).sort();
  for (const name of names) if (!/^[a-z0-9_]{1,40}$/.test(name)) throw `member \`${name.slice(0, 40)}\``;
  return `{${names.map((name) => `${quote(name)}:${canonical(value[name], depth + 1)}`).join(",")}}`;
}

/** The value of a canonical line; throws a reason. Written again it must give the same text, which
 *  also tells white space, order, doubled names and other spellings. */
function parse(bytes) {
  if (bytes.length > 65_535) throw "more than 65,535 bytes";
  const text = decode(bytes);
  if (text === null) throw "not UTF-8";
  let value;
  // A reviver keeps `__proto__` from becoming a prototype: JSON.parse makes it an own member.
  try { value = JSON.parse(text); } catch { throw "not JSON"; }
  if (canonical(value) !== text) throw "not in canonical form";
  return value;
}

// ---- entries (section 2)

const own = (value, name) => Object.hasOwn(value, name);
const isObject = (value) => typeof value === "object" && value !== null && !Array.isArray(value);
const HEX64 = /^[0-9a-f]{64}$/;

/** Milliseconds of a recorded time; null if it is none. */
function moment(text) {
  const parts = /^(\d{4})-(\d\d)-(\d\d)T(\d\d):(\d\d):(\d\d)\.(\d{3})Z$/.exec(text);
  if (!parts || Number(parts[1]) < 1970) return null;
  const ms = Date.parse(text);
  return Number.isNaN(ms) || new Date(ms).toISOString() !== text ? null : ms;
}

function actorFormed(actor) {
  if (!isObject(actor)) return false;
  const names = Object.keys(actor).sort().join();
  if (names !== "id,via" && names !== "for,id,via") return false;
  const { id, via } = actor;
  const named = (text, prefix) => typeof text === "string" && text.length <= 64 && new RegExp(`^${prefix}[A-Za-z0-9_-]+$`).test(text);
  if (id !== "sys" && !named(id, "op_") && !named(id, "svc_")) return false;
  if (!["oidc", "badge", "service", "system"].includes(via) || (via === "system") !== (id === "sys")) return false;
  return !own(actor, "for") || (named(actor.for, "op_") && id.startsWith("svc_"));
}

function sigFormed(sig) {
  if (!isObject(sig) || Object.keys(sig).sort().join() !== "by,value") return false;
  const value = typeof sig.value === "string" ? unbase64(sig.value) : null;
  return typeof sig.by === "string" && /^[^\s+]+\+[0-9a-f]{8}$/.test(sig.by) && value?.length === 64;
}

/** Whether an entry has exactly the members of section 2, each of its form. */
function formed(entry) {
  const names = Object.keys(entry).sort().join();
  const members = "actor,event,prev,recorded_at,salt,seq,v";
  return (names === members || names === "actor,event,prev,recorded_at,salt,seq,sig,v") && actorFormed(entry.actor) && isObject(entry.event) &&
    typeof entry.prev === "string" && HEX64.test(entry.prev) && typeof entry.recorded_at === "string" && moment(entry.recorded_at) !== null &&
    typeof entry.salt === "string" && /^[0-9a-f]{32}$/.test(entry.salt) && Number.isSafeInteger(entry.seq) && entry.seq >= 0 &&
    (!own(entry, "sig") || sigFormed(entry.sig));
}

// ---- tree (section 3)

const leafHash = (bytes) => sha256(Uint8Array.of(0), bytes);
const nodeHash = (left, right) => sha256(Uint8Array.of(1), left, right);

/** The tree as it grows: roots of complete subtrees, largest first. */
class Tree {
  constructor(size = 0, roots = []) { this.size = size; this.roots = roots; }
  copy() { return new Tree(this.size, [...this.roots]); }
  async add(leaf) {
    let hash = leaf;
    for (let n = this.size; n % 2 === 1; n = Math.floor(n / 2)) hash = await nodeHash(this.roots.pop(), hash);
    this.roots.push(hash);
    this.size += 1;
  }
  async root() {
    if (!this.roots.length) return sha256();
    let hash = this.roots.at(-1);
    for (let at = this.roots.length - 2; at >= 0; at -= 1) hash = await nodeHash(this.roots[at], hash);
    return hash;
  }
}

// ---- keys and notes (section 5)

const P = 2n ** 255n - 19n;
const L = 2n ** 252n + 27742317777372353535851937790883648493n;
const little = (bytes) => bytes.reduceRight((n, b) => n * 256n + BigInt(b), 0n);

const bytesOf = (text) => Uint8Array.from(text.match(/../g), (x) => parseInt(x, 16));

/** y-coordinates of the points of order 1, 2, 4 and 8 on the curve (RFC 8032 section 5.1). */
const SMALL = new Set([
  1n, P - 1n, 0n,
  little(bytesOf("c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac037a")),
  little(bytesOf("26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc05")),
]);

/** Whether 32 bytes name a point canonically and not one of small order. */
function pointSound(bytes) {
  const y = little(Uint8Array.from(bytes, (b, i) => (i === 31 ? b & 0x7f : b)));
  return y < P && !SMALL.has(y);
}

async function readKey(text) {
  const [, name, id, data] = /^([^\s+]+)\+([0-9a-f]{8})\+(.+)$/.exec(text) ?? [];
  const raw = data ? unbase64(data) : null;
  if (raw?.length !== 33) throw new Unchecked(`no verification key: ${text.slice(0, 80)}`);
  const type = raw[0], point = raw.slice(1);
  const keyid = (await sha256(utf8.encode(name), Uint8Array.of(LF), raw)).slice(0, 4);
  if (hex(keyid) !== id || ![1, 4].includes(type) || !pointSound(point)) throw new Unchecked(`a key that is not sound: ${name}`);
  let key;
  try { key = await crypto.subtle.importKey("raw", point, "Ed25519", false, ["verify"]); } catch { throw new Unchecked("this browser cannot check Ed25519 signatures, or the key is no point"); }
  return { name, keyid, label: `${name}+${id}`, type, key, text };
}

async function verified(key, signature, message) {
  // S below the group order; R no point of small order (FORMAT.md section 5).
  if (signature.length !== 64 || little(signature.slice(32)) >= L || !pointSound(signature.slice(0, 32))) return false;
  return crypto.subtle.verify("Ed25519", key.key, signature, message);
}

/** Keys of `keys.txt`: the first is the log's. */
export async function readKeys(text) {
  const lines = text.split("\n").map((line) => line.trim()).filter((line) => line && !line.startsWith("#"));
  const keys = [];
  for (const line of lines) keys.push(await readKey(line));
  if (!keys.length || keys[0].type !== 1) throw new Unchecked("keys.txt has no key of the log");
  return { log: keys[0], witnesses: keys.filter((k) => k.type === 4), clients: keys.slice(1).filter((k) => k.type === 1), all: keys };
}

/** Takes a note apart. */
function readNote(bytes, name) {
  const text = decode(bytes);
  const unreadable = () => new Unchecked(`${name} is no readable note`);
  // eslint-disable-next-line no-control-regex
  if (text === null || !text.endsWith("\n") || /[\u0000-\u0009\u000b-\u001f\u007f-\u009f]/.test(text)) throw unreadable();
  const split = text.lastIndexOf("\n\n");
  if (split < 0) throw unreadable();
  const signed = text.slice(0, split + 1);
  const signatures = text.slice(split + 2).split("\n").slice(0, -1).map((line) => {
    const parts = /^\u2014 (\S+) (\S+)$/.exec(line);
    const raw = parts && unbase64(parts[2]);
    if (!raw || raw.length < 5 || parts[1].includes("+")) throw unreadable();
    return { name: parts[1], keyid: raw.slice(0, 4), raw: raw.slice(4) };
  });
  if (!signatures.length) throw unreadable();
  return { signed, signatures };
}

/** Reads a checkpoint; its signatures are checked later, in their place in the order of faults. */
function readCheckpoint(bytes, name) {
  const note = readNote(bytes, name);
  const lines = note.signed.split("\n").slice(0, -1);
  const root = lines[2] === undefined ? null : unbase64(lines[2]);
  if (lines.length < 3 || !lines[0] || !/^(0|[1-9]\d*)$/.test(lines[1]) || root?.length !== 32 || lines.some((l) => !l)) throw new Unchecked(`${name} is no checkpoint`);
  return { ...note, name, origin: lines[0], size: Number(lines[1]), root };
}

/** Checks a checkpoint's signatures: the log's must be there, none of a known key may be wrong. */
async function signaturesSound(checkpoint, keys) {
  const { signed, signatures } = checkpoint;
  if (checkpoint.origin !== keys.log.name) return { why: "origin" };
  let byLog = false;
  const witnesses = new Set();
  for (const signature of signatures) {
    const key = [keys.log, ...keys.witnesses].find((k) => k.name === signature.name && equal(k.keyid, signature.keyid));
    if (!key) continue;
    if (key.type === 1) {
      if (!(await verified(key, signature.raw, utf8.encode(signed)))) return { why: `signature of ${key.name}` };
      byLog = true;
    } else {
      if (signature.raw.length !== 72) return { why: `cosignature of ${key.name}` };
      const time = new DataView(signature.raw.buffer, signature.raw.byteOffset).getBigUint64(0);
      const message = utf8.encode(`cosignature/v1\ntime ${time}\n${signed}`);
      if (!(await verified(key, signature.raw.slice(8), message))) return { why: `cosignature of ${key.name}` };
      witnesses.add(key.label);
    }
  }
  return byLog ? { witnesses } : { why: "the log's signature is missing" };
}

// ---- policy (section 7)

/** Reads a policy into a question about the witnesses that cosigned. */
async function readPolicy(text, keys) {
  const bad = (line) => new Unchecked(`policy: ${line.slice(0, 80)}`);
  if (text && !text.endsWith("\n")) throw bad("the last line does not end");
  const members = new Map(), grouped = new Set(), logs = [];
  let quorum;
  for (const line of text.split("\n")) {
    const words = line.split(/[ \t]+/).filter(Boolean);
    if (!words.length || words[0].startsWith("#")) continue;
    const [what, name, ...rest] = words;
    if (what === "log" && words.length <= 3 && name) logs.push((await readKey(name)).text);
    else if (what === "witness" && rest.length >= 1 && rest.length <= 2 && !members.has(name) && name !== "none") {
      const key = await readKey(rest[0]);
      if (key.type !== 4) throw bad(line);
      members.set(name, (seen) => seen.has(key.label));
      keys.witnesses.some((k) => k.label === key.label) || keys.witnesses.push(key);
    } else if (what === "group" && rest.length >= 2 && !members.has(name) && name !== "none") {
      const list = rest.slice(1);
      const least = rest[0] === "any" ? 1 : rest[0] === "all" ? list.length : /^[1-9]\d*$/.test(rest[0]) ? Number(rest[0]) : 0;
      if (!least || least > list.length || list.some((m) => !members.has(m) || grouped.has(m))) throw bad(line);
      const met = list.map((m) => members.get(m));
      list.forEach((m) => grouped.add(m));
      members.set(name, (seen) => met.filter((one) => one(seen)).length >= least);
    } else if (what === "quorum" && words.length === 2 && !quorum) {
      if (name !== "none" && !members.has(name)) throw bad(line);
      quorum = name === "none" ? () => true : members.get(name);
    } else throw bad(line);
  }
  if (!quorum) throw bad("no quorum");
  if (logs.length && !logs.includes(keys.log.text)) throw bad("the log is not among its logs");
  return quorum;
}

// ---- the check (section 8)

/** Lines of a file with their ends; a last piece without LF stays without. */
function* lines(bytes) {
  for (let at = 0; at < bytes.length; ) {
    const end = bytes.indexOf(LF, at);
    if (end < 0) return void (yield { bytes: bytes.subarray(at), ended: false });
    yield { bytes: bytes.subarray(at, end), ended: true };
    at = end + 1;
  }
}

/** Steps 1 to 4 for one line. */
function readEntry(line, at) {
  if (!line.ended) throw new Fault("line-feed", at, "the line does not end");
  let entry;
  try { entry = parse(line.bytes); } catch (why) { throw new Fault("canonical", at, String(why)); }
  if (!isObject(entry) || entry.v !== 1) throw new Fault("version", at, "`v` is not 1");
  if (!formed(entry)) throw new Fault("form", at, "not the members of an entry");
  return entry;
}

async function clientSignature(entry, at, keys, counts) {
  if (!own(entry, "sig")) return void (counts.unsigned += 1);
  const key = keys.clients.find((k) => k.label === entry.sig.by);
  if (!key) return void (counts.unknown += 1);
  const message = utf8.encode(`pulverlog/event/v1\n${keys.log.name}\n${canonical(entry.event, 2)}`);
  if (!(await verified(key, unbase64(entry.sig.value), message))) throw new Fault("client-signature", at, `not by ${key.label}`);
}

function opening(entry, keys) {
  const { event } = entry;
  const right = event.type === "pulverlog.log.opened" && isObject(event.data) && event.data.origin === keys.log.name && event.data.key === keys.log.text;
  if (!right) throw new Fault("opening", 0, "does not open this log with this key");
}

/** Which of two entries a wrong link names: the one before was altered, or this one's link. */
async function linkFault(at, entry, before, next, checkpoints, keys) {
  if (at === 0) return new Fault("link", 0, "the first link is not the hash of nothing");
  const detail = `prev is ${entry.prev}, the entry before has ${hex(before.leaf)}`;
  const leaf = await leafHash(before.bytesNow);
  if (next) {
    try {
      const after = readEntry(next, at + 1);
      if (after.prev === hex(leaf)) return new Fault("altered", at - 1, detail);
    } catch (fault) { if (!(fault instanceof Fault)) throw fault; }
  }
  const here = checkpoints.filter((c) => c.size === at + 1);
  const tree = before.treeBefore.copy();
  await tree.add(bytesOf(entry.prev));
  await tree.add(leaf);
  const root = await tree.root();
  for (const checkpoint of here) {
    if (equal(checkpoint.root, root) && (await signaturesSound(checkpoint, keys)).witnesses) return new Fault("altered", at - 1, detail);
  }
  return new Fault("link", at, detail, !next && !here.length);
}

async function atSize(size, checkpoints, tree, keys, quorum, counts) {
  const here = checkpoints.filter((c) => c.size === size);
  const seq = Math.max(size - 1, 0);
  const seen = [];
  for (const checkpoint of here) {
    const result = await signaturesSound(checkpoint, keys);
    if (!result.witnesses) throw new Fault("checkpoint-signature", seq, `${checkpoint.name}: ${result.why}`);
    seen.push(result.witnesses);
  }
  for (const other of here.slice(1)) {
    if (!equal(other.root, here[0].root)) throw new Fault("split-view", seq, `${here[0].name} and ${other.name}`);
  }
  if (here.length) {
    const root = await tree.root();
    if (!equal(root, here[0].root)) throw new Fault("root", seq, `computed ${base64(root)}, signed ${base64(here[0].root)}`);
  }
  for (const witnesses of seen) {
    if (quorum(witnesses)) counts.met = true;
    if (witnesses.size) counts.covered = size;
  }
}

/** Digests of reports that an entry tells of: the machine-readable form and the print. */
function issued({ seq, actor, event }, counts) {
  if (event.type !== "pulverlog.report.issued" || actor.id !== "sys" || !isObject(event.data)) return;
  for (const digest of [event.data.digest, event.data.pdf_digest]) if (HEX64.test(digest)) counts.reports.set(digest, seq);
}

async function wholeLog(files, keys, quorum, tell) {
  const checkpoints = [...files.keys()].filter((n) => /^checkpoints\/[^/]+\.note$/.test(n)).sort().map((n) => readCheckpoint(files.get(n), n));
  if (!checkpoints.length) throw new Unchecked("the bundle holds no checkpoint");
  const counts = { entries: 0, unsigned: 0, unknown: 0, covered: 0, met: false, signed: 0, reports: new Map() };
  const tree = new Tree();
  await atSize(0, checkpoints, tree, keys, quorum, counts);
  let before = { leaf: await sha256(), ms: 0 };
  const reader = lines(files.get("entries.ndjson"));
  for (let step = reader.next(), at = 0; !step.done; at += 1) {
    const line = step.value;
    const entry = readEntry(line, at);
    step = reader.next();
    if (entry.seq !== at) throw new Fault("seq", at, `seq is ${entry.seq}`);
    if (entry.prev !== hex(before.leaf)) {
      throw await linkFault(at, entry, { ...before, bytesNow: line.bytes }, step.done ? null : step.value, checkpoints, keys);
    }
    const ms = moment(entry.recorded_at);
    if (ms < before.ms) throw new Fault("time", at, "earlier than the entry before");
    if (at === 0) opening(entry, keys);
    await clientSignature(entry, at, keys, counts);
    const treeBefore = tree.copy();
    const leaf = await leafHash(line.bytes);
    await tree.add(leaf);
    before = { leaf, ms, treeBefore };
    counts.entries += 1;
    issued(entry, counts);
    await atSize(at + 1, checkpoints, tree, keys, quorum, counts);
    if (at % 512 === 511) await tell(counts.entries);
  }
  const beyond = checkpoints.filter((c) => c.size > counts.entries).sort((a, b) => a.size - b.size)[0];
  if (beyond) {
    const result = await signaturesSound(beyond, keys);
    if (!result.witnesses) throw new Fault("checkpoint-signature", beyond.size - 1, `${beyond.name}: ${result.why}`);
    throw new Fault("tail-cut", counts.entries, `${beyond.name} has size ${beyond.size}`);
  }
  if (!counts.met) throw new Fault("quorum", 0, "no checkpoint meets the policy");
  return { ...counts, uncovered: counts.entries - counts.covered, root: base64(await tree.root()), excerpt: false };
}

// ---- excerpts (section 9)

async function proofHolds(proof, leaf) {
  let f = BigInt(proof.index), s = BigInt(proof.checkpoint.size) - 1n, hash = leaf;
  if (s < 0n || f > s) return false;
  for (const p of proof.path) {
    if (s === 0n) return false;
    if (f % 2n === 1n || f === s) {
      hash = await nodeHash(p, hash);
      while (f % 2n === 0n && f !== 0n) (f /= 2n), (s /= 2n);
    } else hash = await nodeHash(hash, p);
    (f /= 2n), (s /= 2n);
  }
  return s === 0n && equal(hash, proof.checkpoint.root);
}

function readProof(bytes, name) {
  const text = decode(bytes);
  const unreadable = () => new Unchecked(`${name} is no proof file`);
  const end = text?.indexOf("\n\n") ?? -1;
  if (end < 0) throw unreadable();
  const [head, index, ...path] = text.slice(0, end).split("\n");
  const number = /^index (0|[1-9]\d*)$/.exec(index ?? "");
  const hashes = path.map(unbase64);
  if (head !== "c2sp.org/tlog-proof@v1" || !number || hashes.some((h) => h?.length !== 32)) throw unreadable();
  return { index: Number(number[1]), path: hashes, checkpoint: readCheckpoint(utf8.encode(text.slice(end + 2)), name) };
}

async function excerpt(files, keys, quorum) {
  const names = [...files.keys()].filter((n) => n.startsWith("proofs/"));
  const proofs = names.map((n) => readProof(files.get(n), n)).sort((a, b) => a.index - b.index);
  const all = [...lines(files.get("entries.ndjson"))];
  if (all.length !== proofs.length) throw new Unchecked("not as many entries as proofs");
  const counts = { entries: 0, unsigned: 0, unknown: 0, uncovered: 0, reports: new Map(), held: new Set() };
  for (const [at, line] of all.entries()) {
    const proof = proofs[at];
    const entry = readEntry(line, proof.index);
    if (entry.seq !== proof.index) throw new Fault("seq", proof.index, `seq is ${entry.seq}`);
    await clientSignature(entry, proof.index, keys, counts);
    const result = await signaturesSound(proof.checkpoint, keys);
    if (!result.witnesses) throw new Fault("checkpoint-signature", proof.index, result.why);
    if (!quorum(result.witnesses)) throw new Fault("quorum", proof.index, "the checkpoint does not meet the policy");
    if (!(await proofHolds(proof, await leafHash(line.bytes)))) throw new Fault("proof", proof.index, "the path does not lead to the root");
    counts.entries += 1;
    counts.held.add(entry.seq);
    issued(entry, counts);
    if (!result.witnesses.size) counts.uncovered += 1;
  }
  return { ...counts, excerpt: true };
}

// ---- the bundle

/** Most bytes a file of a bundle may unpack to, so that a small zip cannot fill the memory. */
const FILE_BYTES_MAX = 1 << 30;

async function inflate(bytes, size) {
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
  const out = new Uint8Array(size);
  let at = 0;
  for (const reader = stream.getReader(); ; ) {
    const { value, done } = await reader.read();
    if (done) break;
    if (at + value.length > size) throw new Unchecked("a file of the zip is larger than it says");
    out.set(value, at);
    at += value.length;
  }
  if (at !== size) throw new Unchecked("a file of the zip is cut");
  return out;
}

/** The value of a size or offset that stands in the extra field instead (APPNOTE 4.5.3, ZIP64). */
const ELSEWHERE = 0xffffffff;

/** Sizes and offset of a file from its ZIP64 field, each only where the short one says so. */
function long(view, from, to, short) {
  for (let at = from; at + 4 <= to; at += 4 + view.getUint16(at + 2, true)) {
    if (view.getUint16(at, true) !== 1) continue;
    let field = at + 4;
    return short.map((value) => {
      if (value !== ELSEWHERE) return value;
      field += 8;
      return Number(view.getBigUint64(field - 8, true));
    });
  }
  return short;
}

/** Files of a zip (APPNOTE: end record, central directory, stored or deflated, ZIP64 sizes). */
export async function unzip(bytes) {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.length);
  const u16 = (at) => view.getUint16(at, true), u32 = (at) => view.getUint32(at, true);
  let end = bytes.length - 22;
  while (end >= 0 && u32(end) !== 0x06054b50) end -= 1;
  if (end < 0) throw new Unchecked("this is no zip");
  const files = new Map();
  for (let at = u32(end + 16), left = u16(end + 10); left > 0; left -= 1) {
    if (u32(at) !== 0x02014b50) throw new Unchecked("the zip's directory is damaged");
    const method = u16(at + 10), extra = at + 46 + u16(at + 28);
    const [size, packed, local] = long(view, extra, extra + u16(at + 30), [u32(at + 24), u32(at + 20), u32(at + 42)]);
    const name = decode(bytes.subarray(at + 46, extra));
    at += 46 + u16(at + 28) + u16(at + 30) + u16(at + 32);
    if (!name || name.endsWith("/")) continue;
    if (size > FILE_BYTES_MAX || files.has(name)) throw new Unchecked(`a file that is too large or there twice: ${name}`);
    const from = local + 30 + u16(local + 26) + u16(local + 28);
    const raw = bytes.subarray(from, from + packed);
    if (method !== 0 && method !== 8) throw new Unchecked(`an unknown packing: ${name}`);
    files.set(name, method === 0 ? raw : await inflate(raw, size));
  }
  return files;
}

/** Checks a bundle: a map from file names to bytes. Gives the counts; throws `Fault` or
 *  `Unchecked`. `trusted` replaces the bundle's keys. */
export async function check(files, { trusted = "", tell = async () => {} } = {}) {
  for (const name of ["entries.ndjson", "keys.txt", "policy.txt"]) {
    if (!files.has(name) && !(name === "keys.txt" && trusted)) throw new Unchecked(`${name} is missing`);
  }
  const keys = await readKeys(trusted || decode(files.get("keys.txt")) || "");
  const quorum = await readPolicy(decode(files.get("policy.txt")) ?? "", keys);
  const isExcerpt = [...files.keys()].some((name) => name.startsWith("proofs/"));
  const counts = isExcerpt ? await excerpt(files, keys, quorum) : await wholeLog(files, keys, quorum, tell);
  return { ...counts, log: keys.log.text };
}

/** Values of a report that name the entries they rest on: pointer (RFC 6901) and entries. */
function* linesOf(value, pointer = "") {
  if (typeof value !== "object" || value === null) return;
  if (Array.isArray(value.entries) && value.entries.length) yield [pointer, value.entries];
  else if (Number.isSafeInteger(value.entry)) yield [pointer, [value.entry]];
  for (const [name, inner] of Object.entries(value)) yield* linesOf(inner, `${pointer}/${name.replaceAll("~", "~0").replaceAll("/", "~1")}`);
}

/** Holds a report against what was checked: the entry that tells of these very bytes (null: none),
 *  and the lines whose every entry an excerpt holds. */
export async function reportIn(counts, bytes) {
  const seq = counts.reports.get(hex(await sha256(bytes))) ?? null;
  let report = null;
  try { report = JSON.parse(decode(bytes) ?? ""); } catch { /* the print has no lines to follow */ }
  const proved = seq !== null && counts.held ? [...linesOf(report)].filter(([, entries]) => entries.every((entry) => counts.held.has(entry))) : [];
  return { seq, lines: proved.map(([pointer]) => pointer) };
}
