// Guided forms for the work of every role: what is recorded by them is in the record as people meant it.
import assert from "node:assert/strict";
import { after, before } from "node:test";
import { accessible, largeTargets, visits } from "./checks.js";
import { BADGES, browse, open, picture, signIn, signInAs } from "./shop.js";

let shop, browser;
before(async () => { shop = await open(); browser = await browse(); });
after(async () => { await browser?.close(); await shop?.close(); });
const visit = visits(() => [browser, shop]);

/** Fills a form: text by field, words by label, ticks; says the cautions were read. */
async function fill(page, { fields = {}, words = {}, yes = [], ticks = [] }) {
  if (await page.locator("#read").count()) await page.locator("label[for=read]").click();
  for (const [name, value] of Object.entries(fields)) await page.locator(`#f-${name}`).fill(value);
  for (const [name, value] of Object.entries(words)) await page.locator(`label[for="f-${name}-${value}"]`).click();
  for (const name of yes) await page.locator(`label[for="f-${name}-yes"]`).click();
  for (const text of ticks) await page.locator(".choice label", { hasText: text }).first().click();
}

async function record(page) {
  await page.getByRole("button", { name: "Record" }).click();
  await page.waitForURL("**/record/done/**");
  return Number(/done\/(\d+)/.exec(page.url())[1]);
}

async function sign(page, person = "op_t4vw8rhz") {
  const [badge, pin] = BADGES[person];
  await page.getByLabel("Badge of the second person").fill(badge);
  await page.getByLabel("PIN").fill(pin);
  await page.getByRole("button", { name: "Sign", exact: true }).click();
  await page.getByText("saw that it was done").waitFor();
}

visit("a technician takes powder out of a build: cautions first, then where to and how much", async (page) => {
  await signIn(page);
  await page.goto("/record/build_start?subject=B-102");
  assert.match(await page.locator(".cautions").innerText(), /Follow the machine's manual/);
  await fill(page, { fields: { printer: "P-01", hopper: "hopper/P-01.A" } });
  await record(page);
  await page.goto("/record/build_end?subject=B-102");
  await fill(page, { fields: { mass_used: "3,1", parts_mass: "0.6", hours_at_temperature: "9.5", parts: "12", scale: "W-01" } });
  await record(page);
  await page.goto("/record/recovery?subject=B-102");
  const cautions = await page.locator(".cautions").innerText();
  for (const told of [/[Dd]ust/, /[Hh]ot/, /[Mm]ask|[Bb]reath/]) assert.match(cautions, told);
  await picture(page, "record-recovery");
  await accessible(page);
  await largeTargets(page);
  await fill(page, { fields: { into: "bin/BN-1", mass: "2,4", scale: "W-01" } });
  await record(page);
  await page.goto("/builds/B-102");
  assert.match(await page.locator("main").innerText(), /3\.10? kg[\s\S]*2\.40? kg/);
});

visit("a container goes from the first bag to the certificate through the forms alone", async (page) => {
  await signInAs(page, shop, "op_w5yr2b4j", "ehs");
  await page.goto("/record/container_start?subject=D-130");
  await fill(page, { fields: { stream: "ST-PA", tare: "9.2", location: "SAT-1", container_type: "DF" }, words: { area: "satellite" } });
  await record(page);
  await page.goto("/record/marking?subject=D-130");
  await fill(page, { ticks: ["contents", "combustible dust"] });
  await picture(page, "record-marking");
  await accessible(page);
  await record(page);
  await page.goto("/record/waste?subject=D-130");
  await fill(page, { fields: { mass: "2.5" }, words: { what: "sweepings" } });
  for (const step of ["earthed", "mask_worn", "container_closed_after"]) await page.locator(`label[for="check.${step}-yes"]`).click();
  await record(page);
  await page.goto("/record/closing?subject=D-130");
  await fill(page, {});
  for (const step of ["lid_tight", "label_complete"]) await page.locator(`label[for="check.${step}-yes"]`).click();
  await record(page);
  await page.goto("/record/container_move?subject=D-130");
  // Where it stands and who holds it is known.
  assert.equal(await page.locator("#f-from_location").inputValue(), "SAT-1");
  assert.equal(await page.locator("#f-giver").inputValue(), "op_w5yr2b4j");
  await fill(page, { fields: { to_location: "CAA-1", receiver: "op_k7m2q9xd" }, words: { to_area: "central" } });
  await picture(page, "record-container-move");
  await record(page);
  await sign(page, "op_k7m2q9xd");
  await page.goto("/record/area_inspection?subject=CAA-1");
  assert.ok(await page.getByLabel("D-130").isChecked(), "what stands in the area is ticked");
  await fill(page, { words: { area: "central", result: "pass" }, yes: ["closed", "labels_readable"] });
  await page.locator("label[for=f-leaks-no]").click();
  await record(page);

  await page.goto("/record/shipment_offer?subject=SH-8");
  await fill(page, { fields: { document_number: "TD 2026/8", transporter: "TR-1", facility: "FAC-1" }, words: { document_kind: "transport_document" }, ticks: ["D-130"] });
  await picture(page, "record-shipment-offer");
  await accessible(page);
  await largeTargets(page);
  await record(page);
  await sign(page);
  await page.goto("/record/shipment_accept?subject=SH-8");
  assert.deepEqual([await page.locator("#f-transporter").inputValue(), await page.locator("#f-leg").inputValue()], ["TR-1", "1"]);
  await fill(page, {});
  await record(page);
  await sign(page);
  await page.goto("/record/shipment_receipt?subject=SH-8");
  assert.equal(await page.locator("#f-received_0_container").inputValue(), "D-130");
  await fill(page, { fields: { received_0_mass: "2.48" } });
  await page.locator("#f-signed_copy").setInputFiles({ name: "copy.pdf", mimeType: "application/pdf", buffer: Buffer.from("%PDF- signed") });
  await page.getByText("copy.pdf:").waitFor();
  await picture(page, "record-shipment-receipt");
  await accessible(page);
  await record(page);
  await page.goto("/record/certificate?subject=SH-8");
  await fill(page, { fields: { certificate: "C-77", method: "R1", mass: "2.48" } });
  await record(page);
  await page.goto("/shipments/SH-8");
  const told = await page.locator("main").innerText();
  for (const part of [/TD 2026\/8/, /TR-1/, /2\.48 kg/, /C-77/]) assert.match(told, part);
  await page.goto("/containers/D-130");
  assert.match(await facts(page), /disposed of/);
});

const facts = (page) => page.locator(".facts").first().innerText();

visit("a spill is reported with what was done at once, under a label of its own", async (page) => {
  await signIn(page);
  await page.goto("/record");
  await picture(page, "record-groups");
  await accessible(page);
  await page.getByRole("link", { name: /^Incident/ }).click();
  assert.match(await page.locator(".cautions").innerText(), /[Dd]ust/);
  await fill(page, { fields: { room: "powder-1", mass: "0.4" }, words: { kind: "spill", immediate_action: "area_closed" }, yes: ["ignition_sources_off"] });
  await page.locator("label[for=f-somebody_hurt-no]").click();
  const seq = await record(page);
  await page.goto(`/entries/${seq}`);
  assert.match(await page.locator("main").innerText(), /incident\/IN-\d{8}-\d{6}/);
});

visit("days and whole numbers that are none are told at their field", async (page) => {
  await signInAs(page, shop, "op_w5yr2b4j", "ehs");
  await page.goto("/record/shipment_accept?subject=SH-7");
  await page.evaluate(() => { for (const input of document.querySelectorAll("#f-leg, #f-day")) { input.removeAttribute("pattern"); input.type = "text"; } });
  await fill(page, { fields: { leg: "one", day: "soon" } });
  await page.getByRole("button", { name: "Record" }).click();
  await page.getByText("A whole number is wanted.").waitFor();
  await page.getByText("This is no day.").waitFor();
});

visit("every form of every role opens without a question that has no name", async (page) => {
  const seen = new Set();
  for (const [subject, role] of [["op_k7m2q9xd", "technician"], ["op_d6zc4k8m", "lead"], ["op_q3hn9t7v", "quality"], ["op_w5yr2b4j", "ehs"]]) {
    await signInAs(page, shop, subject, role);
    await page.goto("/record");
    const forms = await page.locator(".kinds a").evaluateAll((links) => links.map((a) => a.getAttribute("href")));
    assert.ok(forms.length > 10, `${role}: ${forms.length}`);
    for (const form of forms) {
      await page.goto(form);
      const names = await page.locator("label, legend, caption, th, option").allInnerTexts();
      assert.ok(names.every((name) => name.trim() !== "?"), `${role} ${form}`);
      if (!seen.has(form)) await accessible(page);
      seen.add(form);
    }
    await page.goto("/");
    await page.getByRole("button", { name: "Abmelden" }).click();
  }
}, { locale: "de-DE" });
