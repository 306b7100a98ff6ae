// How things stood earlier: by entry, by time, along a slider, with and without scripts.
import assert from "node:assert/strict";
import { after, before } from "node:test";
import { accessible, largeTargets, visits } from "./checks.js";
import { browse, open, picture, signInAs } from "./shop.js";

let shop, browser;
before(async () => { shop = await open(); browser = await browse(); });
after(async () => { await browser?.close(); await shop?.close(); });
const visit = visits(() => [browser, shop]);

/** Entries about a subject of one kind, by the API. */
async function entries(subject, event) {
  const found = [];
  const headers = { authorization: `Bearer ${shop.token("op_n2wm5t8r", "auditor", null)}` };
  for (let seq = 0; ; seq += 1) {
    const answer = await fetch(`${shop.base}/v1/entries/${seq}`, { headers });
    if (!answer.ok) return found;
    const entry = await answer.json();
    const told = entry.event ?? entry.item?.event ?? entry;
    if (told.subject === subject && told.type === `pulverlog.${event}`) found.push(seq);
  }
}

const facts = (page) => page.locator(".facts").first().innerText();
const asLead = (page) => signInAs(page, shop, "op_d6zc4k8m", "lead");

visit("a container is shown as the record told of it at an earlier entry, with nothing to do", async (page) => {
  await asLead(page);
  const [opened] = await entries("container/D-118", "container.opened");
  const [weighed] = await entries("container/D-118", "container.weighed");
  await page.goto("/containers/D-118");
  assert.match(await facts(page), /14\.60? kg/);
  await page.locator("#then summary").click();
  await page.getByLabel("After entry number").fill(String(opened));
  await page.getByRole("button", { name: "Show" }).nth(1).click();
  await page.waitForURL(`**/containers/D-118?entry=${opened}`);
  await page.getByText(`As it stood after entry ${opened}`).waitFor();
  assert.doesNotMatch(await facts(page), /14\.60? kg/);
  assert.match(await facts(page), /SAT-1/);
  assert.equal(await page.locator("main .doing a").count(), 0);
  assert.match(await page.locator("footer").innerText(), new RegExp(`As of ${opened + 1} entries`));
  // What came later is in the timeline, and said to be later.
  const timeline = page.locator("table").filter({ hasText: "Timeline" });
  assert.match(await timeline.locator("tr").filter({ hasText: "container weighed" }).innerText(), /came later/);
  assert.match(await timeline.locator("tr").filter({ hasText: "container started" }).innerText(), /told by then/);
  await picture(page, "then-container");
  await accessible(page);
  await largeTargets(page);
  await page.goto(`/containers/D-118?entry=${weighed}`);
  assert.match(await facts(page), /14\.60? kg/);
  await page.getByRole("link", { name: "Back to now" }).click();
  await page.waitForURL((url) => url.pathname === "/containers/D-118" && !url.search);
});

visit("a machine is shown as of an entry before a correction, with the value of then", async (page) => {
  await asLead(page);
  await page.goto("/equipment/P-01");
  assert.match(await page.locator("main").innerText(), /821\.0 h/);
  await page.goto(`/equipment/P-01?entry=${shop.wrong}`);
  const then = await page.locator("main").innerText();
  assert.match(then, /As it stood after entry/);
  assert.match(then, /812/);
  assert.equal(await page.locator("main a[href^='/record']").count(), 0);
  await picture(page, "then-machine");
  await accessible(page);
});

visit("the slider goes back by keyboard, says where it is at once, and keeps the focus", async (page) => {
  await asLead(page);
  await page.goto("/containers/D-118");
  await page.locator("#then summary").focus();
  await page.keyboard.press("Enter");
  await page.locator("#then-step").focus();
  const steps = (await page.locator("#then-step").getAttribute("data-entries")).split(" ");
  await page.keyboard.press("ArrowLeft");
  await page.keyboard.press("ArrowLeft");
  const entry = steps.at(-2);
  assert.equal(await page.locator("#then output").innerText(), `after entry ${entry}`);
  assert.equal(await page.locator("#then-step").getAttribute("aria-valuetext"), `after entry ${entry}`);
  await page.getByText(`As it stood after entry ${entry}`).waitFor();
  assert.equal(new URL(page.url()).search, `?entry=${entry}`);
  assert.equal(await page.evaluate(() => document.activeElement.id), "then-step");
  assert.equal(await page.locator("#then-entry").inputValue(), entry);
  await page.keyboard.press("Home");
  await page.getByText(`As it stood after entry ${steps[0]}`).waitFor();
  assert.doesNotMatch(await facts(page), /14\.60? kg/);
  await page.keyboard.press("End");
  await page.getByRole("link", { name: "Print the label" }).waitFor();
  assert.equal(new URL(page.url()).search, "");
});

visit("an earlier state is reached without scripts, by step, entry or time", async (page) => {
  await page.goto("/sign-in");
  await page.locator("details summary").click();
  await page.getByLabel("Token").fill(shop.token("op_d6zc4k8m", "lead", "north"));
  await page.locator("details").getByRole("button").click();
  const [received] = await entries("shipment/SH-7", "shipment.delivered");
  await page.goto("/shipments/SH-7");
  assert.match(await page.locator("main").innerText(), /5\.35 kg/);
  await page.locator("#then summary").click();
  await page.getByRole("button", { name: "Show" }).first().click();
  // The slider stands at now: its step leads there.
  await page.waitForURL((url) => url.pathname === "/shipments/SH-7" && !url.search);
  await page.goto(`/shipments/SH-7?step=1`);
  await page.waitForURL("**/shipments/SH-7?entry=*");
  assert.doesNotMatch(await page.locator("table").filter({ hasText: "Shipped against received" }).innerText(), /5\.35 kg/);
  await page.goto(`/shipments/SH-7?entry=${received - 1}`);
  assert.doesNotMatch(await page.locator("table").filter({ hasText: "Shipped against received" }).innerText(), /5\.35 kg/);
  await page.goto("/shipments/SH-7?time=2020-01-01T00:00");
  await page.getByText("Nothing was told of it by then.").waitFor();
  for (const [query, told] of [["entry=x", "There is no such entry"], ["entry=99999999", "There is no such entry"], ["time=soon", "This is no time"], ["time=2999-01-01T00:00", "not past yet"]]) {
    assert.equal((await page.goto(`/shipments/SH-7?${query}`)).status(), 200);
    await page.getByText(told).waitFor();
    assert.match(await page.locator("main").innerText(), /5\.35 kg/);
  }
}, { javaScriptEnabled: false });

visit("a lot is shown by the order of work: what was loaded later is still in its container", async (page) => {
  await asLead(page);
  const [received] = await entries("lot/PA-0417", "lot.received");
  await page.goto("/lots/PA-0417");
  assert.match(await page.locator("main").innerText(), /B-101/);
  await page.goto(`/lots/PA-0417?entry=${received}`);
  await page.getByText("Later work is left out").waitFor();
  assert.match(await facts(page), /PA-0417-1: 25(\.0+)? kg/);
  assert.equal(await page.locator("table").filter({ hasText: "Moves" }).filter({ hasText: "B-101" }).count(), 0);
  await picture(page, "then-lot");
  await accessible(page);
  await page.emulateMedia({ media: "print" });
  assert.ok(await page.getByText("As it stood after entry").isVisible());
  assert.equal(await page.locator("#then details").isVisible(), false);
});

visit("an earlier state is told in German too", async (page) => {
  await asLead(page);
  await page.goto(`/equipment/P-01?entry=${shop.wrong - 1}`);
  const told = await page.locator("main").innerText();
  assert.match(told, /Stand nach Eintrag \d+/);
  assert.match(told, /damals bekannt/);
  assert.match(told, /kam später/);
}, { locale: "de-DE" });
