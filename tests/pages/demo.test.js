// The pages over a year of the invented shop: what `recorder demo` serves, on a slow machine.
import assert from "node:assert/strict";
import { spawn } from "node:child_process";
import { after, before, test } from "node:test";
import { browse, picture, program, visitor } from "./shop.js";

let demo, shop, browser;

/** Starts the demo and reads what it tells a visitor. */
before(async () => {
  demo = spawn(program("recorder"), ["demo", "--address", "127.0.0.1:0"], { stdio: ["ignore", "pipe", "ignore"] });
  shop = await new Promise((resolve, reject) => {
    let said = "";
    demo.stdout.on("data", (chunk) => {
      said += chunk;
      const [base, pin] = [/page +(http:\S+)\//.exec(said)?.[1], /PIN (\d+)/.exec(said)?.[1]];
      const badges = Object.fromEntries([...said.matchAll(/^ +(\d{4}) +(\w+) +(op_\w+)$/gm)].reverse().map(([, badge, role]) => [role, badge]));
      if (said.includes("for example:")) resolve({ base, pin, badges });
    });
    demo.on("exit", (code) => reject(new Error(`the demo ended with ${code}:\n${said}`)));
  });
  demo.removeAllListeners("exit");
  browser = await browse();
});
after(async () => {
  await browser?.close();
  await new Promise((resolve) => { demo.on("exit", resolve); demo.kill("SIGINT"); });
});

async function enter(role) {
  const page = await visitor(browser, shop);
  await page.goto("/sign-in");
  await page.locator("#badge").fill(shop.badges[role]);
  await page.locator("#pin").fill(shop.pin);
  await page.getByRole("button", { name: "Sign in" }).first().click();
  await page.waitForURL((url) => url.pathname !== "/sign-in");
  return page;
}

test("the badges that the demo prints open the pages of each role", async () => {
  for (const [role, path, heading] of [["technician", "/", "Today"], ["lead", "/planning", "Planning"], ["quality", "/findings", "Findings"], ["ehs", "/clocks", "Clocks"], ["auditor", "/audit", "Audit"], ["authority", "/reports", "Reports"], ["admin", "/people", "People"]]) {
    assert.ok(shop.badges[role], `a badge for ${role}`);
    const page = await enter(role);
    await page.goto(path);
    await page.getByRole("heading", { level: 1, name: heading }).waitFor();
    await picture(page, `year-${role}`);
    assert.deepEqual(page.faults, []);
    await page.context().close();
  }
});

test("after a year the first page is small, and how fast it is on a slow machine is told", async () => {
  const page = await enter("technician");
  const client = await page.context().newCDPSession(page);
  await client.send("Network.enable");
  await client.send("Network.setCacheDisabled", { cacheDisabled: true });
  await client.send("Network.setBypassServiceWorker", { bypass: true });
  await client.send("Emulation.setCPUThrottlingRate", { rate: 4 });
  let bytes = 0;
  client.on("Network.loadingFinished", (event) => { bytes += event.encodedDataLength; });
  await page.goto("/", { waitUntil: "load" });
  const usable = await page.evaluate(() => performance.getEntriesByType("navigation")[0].loadEventEnd);
  // An answer to a step and a typed reading: from the event to the next frame (Event Timing).
  await page.locator(".tasks .do").first().click();
  await page.locator("#guided").waitFor();
  await page.evaluate(() => {
    globalThis.slowest = 0;
    new PerformanceObserver((list) => {
      for (const entry of list.getEntries()) globalThis.slowest = Math.max(globalThis.slowest, entry.duration);
    }).observe({ type: "event", durationThreshold: 16, buffered: true });
  });
  const tick = page.locator("label[for=read]");
  if (await tick.count()) await tick.click();
  for (const label of await page.locator("fieldset.check .choice:first-of-type label").all()) await label.click();
  const field = page.locator(".with input:not([type=hidden])").first();
  await field.pressSequentially("12.5");
  const slowest = await page.evaluate(() => new Promise((resolve) => requestAnimationFrame(() => setTimeout(() => resolve(globalThis.slowest)))));
  console.log(`first page after a year: ${(bytes / 1024).toFixed(1)} KiB, usable after ${usable.toFixed(0)} ms, slowest interaction ${slowest} ms, at a quarter of the speed`);
  assert.ok(bytes <= 200 * 1024, `${bytes} bytes`);
  await page.context().close();
});

test("quality looks at the passes of a sieve: charts with limits beside the table, each pass leads to its entry", async () => {
  const page = await enter("quality");
  await page.goto("/equipment");
  const machines = await page.locator("a[href^='/equipment/']").evaluateAll((links) => links.map((a) => a.getAttribute("href")));
  let sieve;
  for (const machine of new Set(machines)) {
    await page.goto(machine);
    sieve = page.locator("a[href^='/sieves/']").first();
    if (await sieve.count()) break;
  }
  await sieve.click();
  await page.getByRole("heading", { level: 1, name: /^Sieve / }).waitFor();
  const passes = page.getByRole("table", { name: "Passes, the newest first" });
  assert.ok(await passes.locator("tbody tr").count() > 1, "passes are listed");
  const drawn = await page.getByRole("img").count();
  const waiting = await page.getByText("limits after 20 passes").count();
  assert.equal(drawn + waiting, 2, "each figure has its chart, or says how many passes it waits for");
  await picture(page, "year-sieve");
  await passes.locator("a.entry").first().click();
  await page.getByText("powder.sieved").first().waitFor();
  assert.deepEqual(page.faults, []);
  await page.context().close();
});

test("quality asks what a sieve would have reached, and whether the books of the site close", async () => {
  const page = await enter("quality");
  await page.goto("/impact");
  await page.getByLabel("Suspect").fill("lot/nothing-like-it");
  await page.getByRole("button", { name: "Ask" }).click();
  await page.getByText("No entry tells of that sieve, scale or lot.").waitFor();
  await page.goto("/powder/balances");
  await page.getByRole("heading", { level: 1 }).waitFor();
  await picture(page, "year-balances");
  await page.goto("/powder");
  await page.locator("a[href^='/lots/']").first().click();
  await page.getByRole("link", { name: "Where it went" }).click();
  await page.getByRole("heading", { level: 1, name: /^Where .* went$/ }).waitFor();
  await page.locator("figure svg").first().waitFor();
  await picture(page, "year-trace");
  await page.getByRole("link", { name: "Where it came from" }).click();
  await page.getByRole("heading", { level: 1, name: /^Where .* came from$/ }).waitFor();
  assert.deepEqual(page.faults, []);
  await page.context().close();
});
