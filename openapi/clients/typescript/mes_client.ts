// A MES client in one file: record, retry safely, send batches, follow the feed.
//
//     PULVERLOG_TOKEN=... node mes_client.js http://127.0.0.1:8780
//
// Prints one JSON object for each step. Needs nothing but Node.js 20 (or a browser's fetch).
import { randomUUID } from "node:crypto";
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
