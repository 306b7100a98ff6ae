// A recorder with a small history of an invented shop, told through its API, and a browser.
import { spawn, execFileSync } from "node:child_process";
import { mkdtempSync, mkdirSync, writeFileSync, existsSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import path from "node:path";
import { fileURLToPath } from "node:url";
import { chromium } from "playwright-core";

const root = path.join(path.dirname(fileURLToPath(import.meta.url)), "../..");
const target = process.env.CARGO_TARGET_DIR ?? path.join(root, "target");
/** A program of the workspace: where a variable says, else the one that was built. */
export const program = (name) => process.env[`PULVERLOG_${name.toUpperCase()}`] ?? ["release", "debug"].map((p) => path.join(target, p, name)).find(existsSync);
const recorder = program("recorder");
export const pictures = process.env.PULVERLOG_PICTURES ?? path.join(tmpdir(), "pulverlog-pictures");

/** Badges by pseudonym: number and PIN. */
export const BADGES = { op_k7m2q9xd: ["1001", "482913"], op_t4vw8rhz: ["1002", "605827"], op_d6zc4k8m: ["1003", "917364"], op_w5hj3n9s: ["1004", "738291"] };

const kg = (value) => ({ value, unit: "kg" });
const h = (value) => ({ value, unit: "h" });

/** Starts a recorder in a folder of its own: that of the shop, with its history, or a bare one with a name
 *  and settings of its own. */
export async function open({ name = "pages", settings = "", bare = false } = {}) {
  const folder = mkdtempSync(path.join(tmpdir(), "pulverlog-pages-"));
  const config = path.join(folder, "pulverlog.toml");
  const write = (port) => writeFileSync(config, `[log]\ndata_dir = ${JSON.stringify(path.join(folder, "data"))}\norigin = "records.brackwater.example/${name}"\nallow_tmpfs = true\n[listen]\naddress = "127.0.0.1:${port}"\n[auth]\nlocal_issuer = true\n[limits]\nrequests_per_s = 10000\nrequests_burst = 10000\n${settings}`);
  write(0);
  const run = (words, input) => execFileSync(recorder, ["--config", config, ...words], { input, encoding: "utf8", stdio: ["pipe", "pipe", "ignore"] });
  for (const [person, [badge, pin]] of Object.entries(BADGES)) {
    run(["badge", "--person", person, "--role", person === "op_d6zc4k8m" ? "lead" : "technician", "--site", "north"], `${badge}\n${pin}\n`);
  }
  const shop = { folder, base: "", child: null, events: 0 };
  shop.start = async (port = 0) => {
    write(port);
    shop.child = spawn(recorder, ["--config", config, "serve"], { stdio: ["ignore", "ignore", "pipe"] });
    let said = "";
    shop.base = await new Promise((resolve, reject) => {
      shop.child.stderr.on("data", (chunk) => {
        said += chunk;
        // eslint-disable-next-line no-control-regex
        const found = /address=(\S+:\d+)/.exec(said.replace(/\u001b\[[0-9;]*m/g, ""));
        if (found) resolve(`http://${found[1]}`);
      });
      shop.child.on("exit", (code) => reject(new Error(`the recorder ended with ${code}:\n${said}`)));
    });
  };
  shop.stop = () => new Promise((resolve) => { shop.child.removeAllListeners("exit"); shop.child.on("exit", resolve); shop.child.kill("SIGTERM"); });
  shop.close = async () => { await shop.stop(); rmSync(folder, { recursive: true, force: true }); };
  shop.token = (subject, role, site = "north") => run(["token", "--subject", subject, "--role", role, ...(site ? ["--site", site] : [])]).trim();
  shop.tell = async (role, type, subject, data, time, more = {}) => {
    shop.events += 1;
    const subjects = { technician: "op_k7m2q9xd", lead: "op_d6zc4k8m", quality: "op_q3hn9t7v", ehs: "op_w5yr2b4j", admin: "op_v5kz6q8b" };
    const event = { specversion: "1.0", id: `t-${shop.events}`, source: "/test", type: `pulverlog.${type}`, subject, time, site: "north", data, ...more };
    const answer = await fetch(`${shop.base}/v1/events`, {
      method: "POST", body: JSON.stringify(event),
      headers: { "content-type": "application/cloudevents+json", authorization: `Bearer ${shop.tokens[role] ??= shop.token(subjects[role], role, null)}` },
    });
    const body = await answer.json();
    if (!answer.ok) throw new Error(`${type}: ${JSON.stringify(body)}`);
    return body.seq;
  };
  shop.tokens = {};
  await shop.start();
  if (!bare) await history(shop);
  return shop;
}

const ago = (hours) => new Date(Date.now() - hours * 3_600_000).toISOString().replace(/\.\d+Z$/, "Z");

/** The history: machines with plans and readings, powder that was received, released, loaded and
 *  used, waste that was collected and shipped. */
async function history(shop) {
  const late = { latereason: "found_later" };
  const long = (hours) => [ago(hours), hours > 23 ? late : {}];
  const tell = (role, type, subject, data, hours) => shop.tell(role, type, subject, data, ...long(hours));
  await tell("admin", "config.changed", "site/north", { time_zone: "Europe/Berlin", jurisdiction: "us", working_days: [1, 2, 3, 4, 5, 6, 7], reason: "first_settings", approved_by: "op_d6zc4k8m" }, 700);
  const machine = async (id, kind, label, meters, positions, tasks) => {
    await tell("lead", "equipment.registered", `equipment/${id}`, { kind, label, room: "powder-1", meters, positions, ...(kind === "scale" ? { scale: { interval: kg("0.005"), capacity: kg("60") } } : {}) }, 690);
    await tell("lead", "plan.set", `equipment/${id}`, { tasks }, 689);
  };
  const source = { basis: "common_practice" };
  await machine("S-02", "sieving_station", "Sieving station 2", [{ id: "sift", unit: "h" }], [{ id: "deck", part_kind: "sieve" }, { id: "exhaust", part_kind: "hepa_filter" }], [
    { task: "sieve_clean", action: "clean", target: "deck", every: { meter: "sift", quantity: h("20") }, warn_percent: 80, cautions: ["isolation"], source },
    { task: "sieve_replace", action: "replace", target: "deck", every: { meter: "sift", quantity: h("50") }, warn_percent: 90, also_does: ["sieve_clean"], cautions: ["isolation", "combustible_dust"], source },
    { task: "hepa_replace", action: "replace", target: "exhaust", every: { meter: "sift", quantity: h("200") }, warn_percent: 90, source },
    { task: "earthing_check", action: "check", target: "frame", calendar: "P1M", warn_percent: 80, source },
  ]);
  await machine("P-01", "printer", "Printer 1", [{ id: "run", unit: "h" }, { id: "builds", unit: "1" }], [{ id: "recoater", part_kind: "recoater" }], [
    { task: "chamber_clean", action: "clean", target: "chamber", every: { meter: "builds", quantity: { value: "10", unit: "1" } }, warn_percent: 90, cautions: ["hot_powder"], source },
  ]);
  await machine("V-01", "vacuum", "Vacuum cleaner 1", [{ id: "run", unit: "h" }], [], [
    { task: "hose_check", action: "check", target: "hose", calendar: "P1M", warn_percent: 80, source },
  ]);
  await machine("W-01", "scale", "Scale 1", [], [], [{ task: "scale_check", action: "check", target: "pan", calendar: "P1W", warn_percent: 80, source }]);
  await tell("technician", "part.fitted", "equipment/S-02", { position: "deck", in: { serial: "SV-0007", spec: { aperture: { value: "63", unit: "um" }, spec_id: "ISO3310-1" } }, reading: { meter: "sift", value: h("300.0") } }, 680);
  await tell("technician", "part.fitted", "equipment/S-02", { position: "exhaust", in: { serial: "HF-0031", spec: { filter_class: "H14" } } }, 679);
  for (let day = 27; day >= 1; day -= 1) {
    const hours = (300 + (28 - day) * 1.7).toFixed(1);
    await tell("technician", "meter.read", "equipment/S-02", { meter: "sift", reading: h(hours) }, day * 24);
  }
  await tell("technician", "meter.read", "equipment/P-01", { meter: "builds", reading: { value: "41", unit: "1" } }, 300);
  await tell("technician", "meter.read", "equipment/P-01", { meter: "builds", reading: { value: "50", unit: "1" } }, 30);
  await tell("technician", "equipment.isolated", "equipment/V-01", { lock: "LK-12", energy_checked: true }, 3);
  // powder
  await tell("quality", "lot.received", "lot/PA-0417", { material: "PA12", supplier: "SUP-A", supplier_lot: "A-99812", containers: [{ id: "PA-0417-1", gross: kg("26.10"), tare: kg("1.10") }, { id: "PA-0417-2", gross: kg("26.08"), tare: kg("1.10") }], certificate: { number: "C-551", digest: "a".repeat(64) }, expires: "2027-12-31", seals_whole: true, scale: "W-01" }, 600);
  await tell("quality", "lot.released", "lot/PA-0417", { meaning: "released" }, 590);
  await tell("quality", "lot.received", "lot/PA-0418", { material: "PA12", supplier: "SUP-A", supplier_lot: "A-99813", containers: [{ id: "PA-0418-1", gross: kg("26.00"), tare: kg("1.10") }], certificate: { number: "C-552", digest: "b".repeat(64) }, seals_whole: true }, 20);
  await tell("quality", "lot.held", "lot/PA-0418", { reason: "certificate_differs" }, 19);
  const checks = ["seal_removed_whole", "area_vacuumed_first", "bonded", "mask_worn"].map((check) => ({ check, ok: true }));
  await tell("technician", "powder.loaded", "equipment/P-01", { from: "lot_container/PA-0417-1", into: "hopper/P-01.A", mass: kg("18.40"), scale: "W-01", checks }, 200);
  await tell("technician", "build.started", "build/B-101", { printer: "P-01", hopper: "hopper/P-01.A" }, 199);
  await tell("technician", "build.finished", "build/B-101", { mass_used: kg("15.20"), parts_mass: kg("1.90"), hours_at_temperature: h("14.5"), scale: "W-01" }, 180);
  await tell("technician", "powder.recovered", "build/B-101", { into: "bin/BN-1", mass: kg("12.90"), scale: "W-01" }, 178);
  await tell("technician", "powder.sieved", "equipment/S-02", { sieve: "SV-0007", aperture: { value: "63", unit: "um" }, from: "bin/BN-1", through: { mass: kg("12.40"), into: "bin/BN-2" }, oversize: { mass: kg("0.30"), into: "oversize/OV-1" }, duration: { value: "42", unit: "min" }, scale: "W-01" }, 170);
  // waste
  await tell("ehs", "stream.determined", "stream/ST-PA", { material: "PA12", description: "Polymer powder and filters", determination: "non_hazardous", codes: { list_of_waste: "12 01 05" }, decided_by: "op_w5yr2b4j", basis: "safety_data_sheet", jurisdiction: "us" }, 500);
  for (const [id, hours] of [["D-118", 400], ["D-119", 100]]) {
    await tell("ehs", "container.opened", `container/${id}`, { stream: "ST-PA", tare: kg("9.20"), area: "satellite", location: "SAT-1", container_type: "DF" }, hours);
    await tell("technician", "waste.added", `container/${id}`, { what: "wipes", mass: kg("1.35"), scale: "W-01" }, hours - 5);
  }
  await tell("technician", "bag.changed", "equipment/V-01", { bag: { id: "VB-77", gross: kg("4.10"), tare: kg("0.10"), tied_before_lifting: true }, into: "D-118", off_and_unplugged: true, scale: "W-01" }, 160);
  await tell("technician", "container.weighed", "container/D-118", { gross: kg("14.60"), scale: "W-01" }, 150);
  await tell("technician", "container.closed", "container/D-118", { checks: [{ check: "lid_tight", ok: true }] }, 149);
  await tell("technician", "container.moved", "container/D-118", { from: { area: "satellite", location: "SAT-1" }, to: { area: "central", location: "CAA-1" }, giver: "op_k7m2q9xd", receiver: "op_w5yr2b4j" }, 148);
  await tell("ehs", "shipment.offered", "shipment/SH-7", { document: { kind: "transport_document", number: "TD 2026/7" }, containers: ["D-118"], transporter: "TR-1", facility: "FAC-1", offered_by: "op_w5yr2b4j" }, 100);
  await tell("ehs", "shipment.accepted", "shipment/SH-7", { transporter: "TR-1", leg: 1, day: ago(99).slice(0, 10) }, 99);
  await tell("ehs", "shipment.delivered", "shipment/SH-7", { facility: "FAC-1", received: [{ container: "D-118", mass: kg("5.35") }], pieces: 1, day: ago(60).slice(0, 10) }, 60);
  await tell("lead", "handover.given", "handover/HO-1", { shift: "late", open: [{ about: "equipment/S-02", what: "sieve_due" }] }, 6);
  shop.wrong = await tell("technician", "meter.read", "equipment/P-01", { meter: "run", reading: h("812.0") }, 5);
  await shop.tell("technician", "entry.corrected", `entry/${shop.wrong}`, { reason: "misread", approver: "op_d6zc4k8m", data: { meter: "run", reading: h("821.0") } }, ago(4));
}

/** A headless browser with a profile of its own. */
export const browse = () => chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync", "--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream"],
});

/** A page whose every error fails the test: scripts, refused content, requests to other hosts. */
export async function visitor(browser, shop, options = {}) {
  const context = await browser.newContext({ baseURL: shop.base, locale: "en-GB", viewport: { width: 1180, height: 820 }, ...options });
  const page = await context.newPage();
  page.setDefaultTimeout(10_000);
  page.faults = [];
  page.on("pageerror", (error) => page.faults.push(String(error)));
  page.on("console", (message) => { if (message.type() === "error" && !/Failed to load resource|ERR_/.test(message.text())) page.faults.push(message.text()); });
  page.on("request", (request) => { if (!request.url().startsWith(shop.base) && !/^(data|blob):/.test(request.url())) page.faults.push(`asked ${request.url()}`); });
  return page;
}

/** Signs in with a badge, as a technician does: scan, PIN, Enter. */
export async function signIn(page, person = "op_k7m2q9xd") {
  const [badge, pin] = BADGES[person];
  await page.goto("/sign-in");
  await page.locator("#badge").fill(badge);
  await page.locator("#badge").press("Enter");
  await page.keyboard.type(pin);
  await page.keyboard.press("Enter");
  await page.waitForURL((url) => url.pathname === "/");
}

/** Signs in with a token of a role. */
export async function signInAs(page, shop, subject, role, site = "north") {
  await page.goto("/sign-in");
  const details = page.locator("details");
  if (!(await details.evaluate((d) => d.open))) await details.locator("summary").click();
  await page.getByLabel("Token").fill(shop.token(subject, role, site));
  await details.getByRole("button").click();
  await page.waitForURL((url) => url.pathname !== "/sign-in");
}

/** Keeps a picture. */
export async function picture(page, name) {
  mkdirSync(pictures, { recursive: true });
  await page.screenshot({ path: path.join(pictures, `${name}.png`), fullPage: true });
}
