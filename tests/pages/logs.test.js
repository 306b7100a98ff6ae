// A head office that follows the log of a shop, and what it says when that log shows something else.
import assert from "node:assert/strict";
import { after, before } from "node:test";
import { cpSync, mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import path from "node:path";
import { accessible, largeTargets, visits } from "./checks.js";
import { browse, open, picture, signInAs } from "./shop.js";

let shop, office, browser, aside;

/** Settings that follow the log of the shop. */
async function following() {
  const keys = await (await fetch(`${shop.base}/log/keys`)).text();
  const token = path.join(shop.folder, "head-office.token");
  writeFileSync(token, shop.token("svc_head_office", "auditor", null));
  return `[following]\nlook_s = 1\n[[following.logs]]\nname = "north"\nurl = "${shop.base}"\nkey = "${keys.split("\n").find((line) => !line.startsWith("#"))}"\ntoken_file = ${JSON.stringify(token)}\n`;
}

before(async () => {
  shop = await open();
  // Stopping signs a checkpoint over everything that was told.
  await shop.stop();
  await shop.start(Number(new URL(shop.base).port));
  office = await open({ name: "office", settings: await following(), bare: true });
  browser = await browse();
  aside = mkdtempSync(path.join(tmpdir(), "pulverlog-aside-"));
});
after(async () => {
  await browser?.close();
  await office?.close();
  await shop?.close();
  if (aside) rmSync(aside, { recursive: true, force: true });
});
const visit = visits(() => [browser, office]);
const asLead = (page) => signInAs(page, office, "op_d6zc4k8m", "lead", null);
/** Loads the page anew until it says this; the office looks once a second. */
async function until(page, words) {
  const patience = Date.now() + 120_000;
  for (;;) {
    await page.goto("/sites");
    const told = await page.locator("main").innerText();
    if (words.test(told)) return told;
    assert.ok(Date.now() < patience, `${words} never came:\n${told}`);
  }
}

visit("a lead at the head office sees what presses at a site, down to its entries and their proof", async (page) => {
  await asLead(page);
  await page.getByRole("link", { name: "Other sites" }).click();
  await page.waitForURL("**/sites");
  const told = await until(page, /agrees with what is kept/);
  assert.match(told, /north/);
  const due = page.locator("table").filter({ hasText: "Due or near a limit anywhere" });
  assert.ok(await due.locator("tbody tr").count() > 0);
  await picture(page, "logs");
  await accessible(page);
  await largeTargets(page);
  const link = page.locator("a[href^='/sites/north/entries/']").first();
  const href = await link.getAttribute("href");
  await link.click();
  await page.waitForURL(`**${href}`);
  const entry = JSON.parse(await page.locator("body").innerText());
  assert.equal(String(entry.seq), href.split("/").pop());
  const proof = await page.request.get(`${href}/proof`);
  assert.match(await proof.text(), /^c2sp.org\/tlog-proof@v1\n[^]*records\.brackwater\.example\/pages\n/);
});

visit("whoever may see one site only is not offered the others", async (page) => {
  await signInAs(page, office, "op_d6zc4k8m", "lead", "north");
  await page.goto("/");
  assert.equal(await page.getByRole("link", { name: "Other sites" }).count(), 0);
  assert.equal((await page.goto("/sites")).status(), 403);
});

visit("a site that puts an old copy back is told at the top of the page", async (page) => {
  const { port } = new URL(shop.base);
  await shop.stop();
  cpSync(path.join(shop.folder, "data"), path.join(aside, "data"), { recursive: true });
  await shop.start(Number(port));
  await shop.tell("lead", "note.added", "equipment/P-01", { text: { c: `${"V".repeat(43)}=` } }, new Date().toISOString());
  await shop.stop();
  // Stopping signed a checkpoint over the note; the office keeps it at its next look.
  await shop.start(Number(port));
  const size = /\n(\d+)\n/.exec(await (await fetch(`${shop.base}/log/checkpoint`)).text())[1];
  await asLead(page);
  await until(page, new RegExp(`north\\s+${size}\\b`));
  await shop.stop();
  rmSync(path.join(shop.folder, "data"), { recursive: true });
  cpSync(path.join(aside, "data"), path.join(shop.folder, "data"), { recursive: true });
  await shop.start(Number(port));
  await until(page, /Entry \d+ here holds both signed checkpoints/);
  await picture(page, "logs-disputed");
  await accessible(page);
});
