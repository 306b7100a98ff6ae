// A MES client in one file: record, retry safely, send batches, follow the feed, check webhooks.
//
//     PULVERLOG_TOKEN=... node mes_client.js http://127.0.0.1:8780
//     node mes_client.js http://127.0.0.1:8780 check-delivery mes.example.org < request
//
// Prints one JSON object for each step. The second form checks a request that a webhook sent to the
// host `mes.example.org`, byte for byte as it came, and ends with 1 if it is not to be believed.
// Needs nothing but Node.js 20.
import { createHash, createPublicKey, randomUUID, verify } from "node:crypto";
import { readFileSync } from "node:fs";
import { setTimeout as wait } from "node:timers/promises";

const EVENT = "application/cloudevents+json";
const BATCH = "application/cloudevents-batch+json";
const TRIES = 6;

interface Problem { type: string; title: string; status: number; detail: string; pointer?: string }
interface Receipt { origin: string; seq: number; leaf: string; prev: string; recorded_at: string }
interface BatchResult { recorded: number; refused: number; results: { index: number; status: number; receipt?: Receipt; problem?: Problem }[] }
interface Item { seq: number; leaf: string; entry: unknown }
interface Page { items: Item[]; next_after: number; more: boolean }

/** An event of the catalogue; the description has the schema of each `data`. */
interface Event { specversion: "1.0"; id: string; source: string; type: string; subject: string; site: string; time: string; operator: string; data: unknown }

/** The service said no for good; the problem (RFC 9457) has a pointer to the member. */
class Refused extends Error {
  constructor(readonly problem: Problem) {
    super(`${problem.pointer ?? ""} ${problem.detail}`);
  }
}

class Client {
  constructor(private readonly base: string, private readonly token: string) {}

  /** Answer as JSON. Waits and asks again while the service is away or busy. */
  private async ask<Answer>(path: string, body?: string, mediaType?: string): Promise<Answer> {
    const headers: Record<string, string> = { authorization: `Bearer ${this.token}` };
    if (mediaType) headers["content-type"] = mediaType;
    for (let attempt = 0; attempt < TRIES; attempt += 1) {
      let waitS = 2 ** attempt;
      try {
        const answer = await fetch(this.base + path, { method: body === undefined ? "GET" : "POST", headers, body: body ?? null, signal: AbortSignal.timeout(60_000) });
        if (answer.ok) return (await answer.json()) as Answer;
        if (answer.status !== 429 && answer.status !== 503) throw new Refused((await answer.json()) as Problem);
        waitS = Number(answer.headers.get("retry-after") ?? waitS);
      } catch (error) {
        if (error instanceof Refused) throw error;
        // No answer says nothing about whether it was recorded; the same bytes are safe.
      }
      await wait(waitS * 1000);
    }
    throw new Error(`no answer after ${TRIES} tries: keep the event and try later`);
  }

  /** Records one event and returns its receipt. Safe to call again with the same event. */
  record(event: Event): Promise<Receipt> {
    return this.ask("/v1/events", JSON.stringify(event), EVENT);
  }

  /** Records what can be recorded; the result tells of each event, in order. */
  recordBatch(events: Event[]): Promise<BatchResult> {
    return this.ask("/v1/events", JSON.stringify(events), BATCH);
  }

  /** Entries in order, for ever, without gap or double. Keep the last `seq` to go on from it. */
  async *follow(after?: number): AsyncGenerator<Item> {
    for (;;) {
      const page: Page = await this.ask(`/v1/feed?wait_s=20${after === undefined ? "" : `&after=${after}`}`);
      yield* page.items;
      after = page.next_after;
    }
  }
}

/** A delivery that is not by the service, or not as the service sent it. */
class Untrusted extends Error {}

interface Delivery { log: string; seq: number; leaf: string; entry: unknown }
interface Jwk { kty: string; crv: string; x: string; kid: string }
type Headers_ = Record<string, string>;

/** Public keys of the service. Over TLS, and kept: asked again only for an unknown `keyid`. */
async function fetchKeys(base: string): Promise<Map<string, Jwk>> {
  const answer = await fetch(`${base.replace(/\/$/, "")}/.well-known/jwks.json`);
  const { keys } = (await answer.json()) as { keys: Jwk[] };
  return new Map(keys.map((key) => [key.kid, key]));
}

/**
 * The delivery as JSON, checked as the description says (RFC 9421, RFC 9530). `host`, with its port
 * unless it is 443, is the receiver's own, not one that a proxy wrote; `target` is path and query,
 * `headers` has lower-case names, `nowS` is in seconds since 1970.
 */
function checkDelivery(host: string, target: string, headers: Headers_, body: Buffer, keys: Map<string, Jwk>, nowS: number): Delivery {
  const digest = createHash("sha256").update(body).digest("base64");
  if (headers["content-digest"] !== `sha-256=:${digest}:`) throw new Untrusted("the body is not the one that was sent");
  const form = /^pulverlog=(\(("[a-z@-]+"(?: "[a-z@-]+")*)\)(;.*))$/.exec(headers["signature-input"] ?? "");
  if (!form) throw new Untrusted("it is not signed");
  const [signed, list, rest] = [form[1]!, form[2]!, form[3]!];
  const mark = target.indexOf("?");
  const [path, query] = mark < 0 ? [target, "?"] : [target.slice(0, mark), target.slice(mark)];
  const values: Headers_ = { ...headers, "@method": "POST", "@authority": host, "@path": path, "@query": query };
  const names = list.replaceAll('"', "").split(" ");
  for (const name of ["@method", "@authority", "@path", "@query", "content-type", "content-digest"]) {
    if (!names.includes(name)) throw new Untrusted("not everything is signed");
  }
  const parameters = new Map([...rest.matchAll(/;([a-z]+)="?([^";]*)"?/g)].map((found) => [found[1]!, found[2]!]));
  if (parameters.get("tag") !== "pulverlog-webhook" || parameters.get("alg") !== "ed25519") throw new Untrusted("it is signed for something else");
  if (!(Math.abs(nowS - Number(parameters.get("created"))) <= 300)) throw new Untrusted("it is too old, or one of the clocks is wrong");
  const jwk = keys.get(parameters.get("keyid") ?? "");
  if (!jwk) throw new Untrusted("the key is unknown: fetch the keys again, at most once a minute");
  const base = [...names.map((name) => `"${name}": ${values[name]}`), `"@signature-params": ${signed}`].join("\n");
  const key = createPublicKey({ key: { kty: jwk.kty, crv: jwk.crv, x: jwk.x }, format: "jwk" });
  const signature = /^pulverlog=:([A-Za-z0-9+/=]+):$/.exec(headers["signature"] ?? "")?.[1] ?? "";
  if (!verify(null, Buffer.from(base), key, Buffer.from(signature, "base64"))) throw new Untrusted("the signature does not fit");
  return JSON.parse(body.toString()) as Delivery;
}

/** Target, headers and body of a request as it came. */
function readRequest(raw: Buffer): { target: string; headers: Headers_; body: Buffer } {
  const end = raw.indexOf("\r\n\r\n");
  const [first, ...lines] = raw.subarray(0, end).toString("ascii").split("\r\n");
  const pairs = lines.map((line) => line.split(/: (.*)/s).slice(0, 2) as [string, string]);
  const headers = Object.fromEntries(pairs.map(([name, value]) => [name.toLowerCase(), value]));
  return { target: (first ?? "").split(" ")[1] ?? "", headers, body: raw.subarray(end + 4) };
}

/** A meter reading as an event of the catalogue. */
function reading(hours: string): Event {
  return {
    specversion: "1.0",
    id: randomUUID(),
    source: "/mes/line-2",
    type: "pulverlog.meter.read",
    subject: "equipment/S-02",
    site: "north",
    time: new Date().toISOString(),
    operator: "op_k7m2q9xd",
    data: { meter: "sift", reading: { value: hours, unit: "h" } },
  };
}

if (process.argv[3] === "check-delivery") {
  const [address, host] = [process.argv[2], process.argv[4]];
  if (!address || !host) throw new Error("the address of the recorder, and the host of the receiver, are needed");
  const { target, headers, body } = readRequest(readFileSync(0));
  try {
    const { log, seq } = checkDelivery(host, target, headers, body, await fetchKeys(address), Date.now() / 1000);
    // What was received before has the same two.
    console.log(JSON.stringify({ log, seq }));
    process.exit(0);
  } catch (error) {
    console.error(error instanceof Untrusted ? error.message : error);
    process.exit(1);
  }
}

const [base, token] = [process.argv[2], process.env["PULVERLOG_TOKEN"]];
if (!base || !token) throw new Error("the address of the recorder, and `PULVERLOG_TOKEN`, are needed");
const client = new Client(base, token);

const event = reading("12.0");
const receipt = await client.record(event);
const again = await client.record(event);
console.log(JSON.stringify({ recorded: receipt.seq, again: again.seq }));

const result = await client.recordBatch([reading("12.5"), reading("twelve"), reading("13.0")]);
const refused = result.results.find((one) => one.problem);
console.log(JSON.stringify({ recorded: result.recorded, pointer: refused?.problem?.pointer }));

const wanted = new Set(result.results.flatMap((one) => (one.receipt ? [one.receipt.seq] : [])).concat(receipt.seq));
const seen: number[] = [];
for await (const item of client.follow(receipt.seq - 1)) {
  seen.push(item.seq);
  wanted.delete(item.seq);
  if (!wanted.size) break;
}
console.log(JSON.stringify({ followed: seen }));
