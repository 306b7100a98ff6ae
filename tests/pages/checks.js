// What every visit is held to: no error in the page, no serious finding of accessibility, targets that
// a glove can hit.
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { test } from "node:test";
import { picture, visitor } from "./shop.js";

const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");

/** Runs a visit in a context of its own; errors in the page fail it. */
export const visits = (opened) => (name, work, options) => test(name, async () => {
  const page = await visitor(...opened(), options);
  try {
    await work(page);
    assert.deepEqual(page.faults, []);
  } catch (error) {
    await picture(page, `failed-${name.replace(/\W+/g, "-")}`);
    throw error;
  } finally {
    await page.context().close();
  }
});

/** No finding of axe that is serious or critical, by the rules of WCAG 2.2 A and AA. */
export async function accessible(page) {
  // Through the debugger, which the content policy of the page does not bind.
  await page.evaluate(axe);
  const { violations } = await page.evaluate(() => globalThis.axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"] }));
  const grave = violations.filter((v) => ["serious", "critical"].includes(v.impact));
  assert.deepEqual(grave.map((v) => `${page.url()} ${v.id}: ${v.nodes.map((n) => n.html.slice(0, 120)).join(" | ")}`), []);
}

/** Everything that is pressed is at least 44 by 44, but for links inside a line of text. */
export async function largeTargets(page) {
  const small = await page.evaluate(() => [...document.querySelectorAll("button, select, input:not([type=hidden]):not([type=radio]):not([type=checkbox]), .choice label, .do, .doing a, nav a, .tick")]
    .filter((e) => e.offsetParent).map((e) => [e.outerHTML.slice(0, 80), e.getBoundingClientRect()]).filter(([, r]) => r.height < 44 || r.width < 44).map(([html, r]) => `${html} ${r.width}x${r.height}`));
  assert.deepEqual(small, []);
}
