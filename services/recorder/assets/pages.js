// What only a browser can do for the pages: scanners that end with Enter, the next step in view,
// plausibility while typing, and forms that wait in the browser when the network is down.
import { cameras } from "./camera.js";
import { queue } from "./queue.js";

/** A scanner types the label and Enter: Enter in a scan field goes on instead of sending. */
function scanFields() {
  for (const field of document.querySelectorAll("[data-scan]")) {
    field.addEventListener("keydown", (event) => {
      const next = document.getElementById(field.dataset.scan);
      if (event.key === "Enter" && next && !next.value) {
        event.preventDefault();
        next.focus();
      }
    });
  }
}

/** A form that begins without its thing is filled anew once the thing is known. */
function reloadOnSubject(form) {
  const field = form.querySelector("[data-reload]");
  if (!field) return;
  field.addEventListener("keydown", (event) => {
    if (event.key === "Enter") event.preventDefault(), field.blur();
  });
  field.addEventListener("change", () => {
    const query = new URLSearchParams({ subject: field.value.trim() });
    const task = form.elements.namedItem("task");
    if (task && task.value) query.set("task", task.value);
    const untouched = !form.querySelector("input[type=radio]:checked");
    if (field.value.trim() && untouched) location.assign(`${location.pathname}?${query}`);
  });
}

/** One step after the other: after an answer the next one comes into view and gets the focus. */
function steps(form) {
  const groups = [...form.querySelectorAll("fieldset.check")];
  for (const [at, group] of groups.entries()) {
    group.addEventListener("change", (event) => {
      const no = event.target.value === "no";
      group.querySelector(".aside").textContent = no ? form.dataset.no : "";
      const next = groups[at + 1] ?? form.querySelector("section[aria-labelledby=fields-h]");
      if (!no && next) next.scrollIntoView({ block: "center" });
    });
  }
}

/** The difference between two times in hours. */
const hours = (fromMs, toMs) => (toMs - fromMs) / 3_600_000;

/** Says at once whether a reading can be: not below the last one, not faster than time. */
function readings(form) {
  const input = form.elements.namedItem("reading");
  const meter = form.elements.namedItem("reading.meter");
  if (!input || !meter) return;
  const lasts = [...form.querySelectorAll(".hint [data-meter]")];
  const aside = input.closest(".field").querySelector(".aside");
  const unit = form.elements.namedItem("reading.unit");
  const judge = () => {
    const last = lasts.find((one) => one.dataset.meter === meter.value);
    for (const one of lasts) one.hidden = one !== last;
    if (last) unit.value = last.dataset.unit;
    const value = Number(input.value.trim().replace(",", "."));
    if (!last || !input.value.trim() || Number.isNaN(value)) return void (aside.textContent = "");
    const more = value - Number(last.dataset.value);
    // Half an hour of grace: two clocks, and a display that rounds up.
    const most = hours(Number(last.dataset.atMs), Date.now()) + 0.5;
    const tooFast = unit.value === "h" && more > most;
    aside.textContent = more < 0 ? form.dataset.low : tooFast ? form.dataset.high : form.dataset.plausible;
  };
  input.addEventListener("input", judge);
  meter.addEventListener("change", judge);
  judge();
}

/** Says at once when a size lies outside what is usual in its unit: a slip of the unit or the point. */
function sizes(form) {
  for (const aside of form.querySelectorAll("[data-unusual]")) {
    const input = form.elements.namedItem(aside.dataset.unusual);
    const unit = form.elements.namedItem(`${aside.dataset.unusual}.unit`);
    const judge = () => {
      const { least, most } = (unit.selectedOptions?.[0] ?? unit).dataset;
      const typed = input.value.trim().replace(",", ".");
      const unusual = typed && (Number(typed) < Number(least) || Number(typed) > Number(most));
      aside.textContent = unusual ? form.dataset.unusual.replace("{least}", least).replace("{most}", most) : "";
    };
    input.addEventListener("input", judge);
    unit.addEventListener("change", judge);
    judge();
  }
}

/** A photo stays with the shop; what is recorded is its digest, worked out here. */
function files(form) {
  const field = form.querySelector("[data-files]");
  if (!field) return;
  const told = form.querySelector("[data-told]");
  field.addEventListener("change", async () => {
    const button = form.querySelector("button.main");
    button.disabled = true;
    const digests = [];
    for (const file of field.files) {
      const digest = new Uint8Array(await crypto.subtle.digest("SHA-256", await file.arrayBuffer()));
      const hex = Array.from(digest, (byte) => byte.toString(16).padStart(2, "0")).join("");
      digests.push(`${hex};${file.type || "application/octet-stream"}`);
    }
    form.querySelector("[data-digests]").value = digests.join(" ");
    told.textContent = [...field.files].map((file, at) => `${file.name}: ${digests[at].slice(0, 12)}…`).concat(digests.length ? told.dataset.told : []).join(" · ");
    button.disabled = false;
  });
}

/** Now, as RFC 3339 in UTC to the second; the server writes it with the offset of the site. */
const now = () => new Date().toISOString().replace(/\.\d+Z$/, "Z");

/** Sends by script so that a form can wait when there is no network. */
function sending(form) {
  form.addEventListener("submit", async (event) => {
    // A form that overrides a stop needs the second person here and now, and holds a PIN.
    if (form.elements.namedItem("override")) return;
    event.preventDefault();
    const at = form.elements.namedItem("at");
    if (!at.value) at.value = now();
    const answers = [...new FormData(form)].filter(([, value]) => typeof value === "string");
    const button = form.querySelector("button.main");
    button.disabled = true;
    const item = { id: form.elements.namedItem("id").value, action: form.getAttribute("action"), answers, title: form.dataset.title, person: document.body.dataset.person };
    const result = await queue.send(item);
    if (result.state === "recorded") return location.assign(result.go);
    if (result.state === "waits") {
      await queue.keep(item);
      document.getElementById("form-told").textContent = form.dataset.queued;
      return location.assign("/record/waiting");
    }
    // Stopped, or answers missing: the server shows it, on the page as it is without scripts.
    form.submit();
  });
}

/** A drop-down field that holds all of a group: arrow keys stay in it, Enter does not send early. */
function guided() {
  const form = document.getElementById("guided");
  if (!form) return;
  reloadOnSubject(form);
  steps(form);
  readings(form);
  sizes(form);
  files(form);
  sending(form);
  form.addEventListener("keydown", (event) => {
    // A scan ends with Enter; it must not send a half-filled form.
    if (event.key === "Enter" && event.target.matches("input:not([type=radio]):not([type=checkbox])")) event.preventDefault();
  });
}

/** Without a network the pages that are asked for cannot come; this one then tells what waits. */
function offline() {
  if (document.body.dataset.person) navigator.serviceWorker?.register("/offline.js").catch(() => {});
}

/** An earlier state comes as the slider moves: its words at once, the page when the hand rests. */
function then() {
  const step = document.getElementById("then-step");
  if (!step) return;
  const REST_MS = 180;
  const panel = document.getElementById("then");
  const entries = step.dataset.entries.split(" ").filter(Boolean);
  const told = step.form.querySelector("output");
  const entry = () => entries[Number(step.value) - 1];
  const say = () => {
    told.textContent = entry() ? step.dataset.entryN.replace("{n}", entry()) : step.dataset.now;
    step.setAttribute("aria-valuetext", told.textContent);
  };
  let resting, asking;
  const show = async () => {
    asking?.abort();
    asking = new AbortController();
    const address = step.form.getAttribute("action") + (entry() ? `?entry=${entry()}` : "");
    try {
      const answer = await fetch(address, { signal: asking.signal });
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const then = page.getElementById("then");
      if (!answer.ok || !then) return location.assign(address);
      panel.querySelector(".then-told").replaceWith(then.querySelector(".then-told"));
      panel.querySelector(":scope > [role=alert]")?.remove();
      for (const id of ["then-entry", "then-time"]) document.getElementById(id).value = page.getElementById(id).value;
      while (panel.nextSibling) panel.nextSibling.remove();
      const rest = [];
      for (let node = then.nextSibling; node; node = node.nextSibling) rest.push(node);
      panel.after(...rest);
      document.querySelector("footer .as-of").textContent = page.querySelector("footer .as-of").textContent;
      history.replaceState(null, "", address);
    } catch (error) {
      if (error.name !== "AbortError") location.assign(address);
    }
  };
  step.addEventListener("input", () => {
    say();
    clearTimeout(resting);
    resting = setTimeout(show, REST_MS);
  });
  step.form.addEventListener("submit", (event) => { event.preventDefault(); clearTimeout(resting); show(); });
  say();
}

scanFields();
guided();
then();
cameras();
queue.start();
offline();
