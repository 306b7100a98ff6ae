// The check of a bundle on the audit page: reads files in the browser and tells the verdict.
import { check, reportIn, unzip, Fault } from "./verify.js";

const form = document.getElementById("verify");
const verdict = document.getElementById("verdict");
const words = form.dataset;

function tell(...lines) {
  verdict.replaceChildren(...lines.map((line, at) => {
    const made = document.createElement("p");
    const inner = at === 0 ? made.appendChild(document.createElement("strong")) : made;
    inner.textContent = line;
    return made;
  }));
}

let lastRead = null;

/** What the entries say of the report beside them, if one was given. */
async function ofReport(counts) {
  const file = document.getElementById("report").files[0];
  if (!file) return [];
  const { seq, lines } = await reportIn(counts, new Uint8Array(await file.arrayBuffer()));
  if (seq === null) return [words.reportUnknown.replace("{file}", file.name)];
  const told = [words.reportKnown.replace("{file}", file.name).replace("{n}", seq)];
  if (lines.length) told.push(`${words.reportLines} ${lines.join(", ")}`);
  return told;
}

async function run(read) {
  lastRead = read;
  tell(words.reading);
  try {
    const trusted = document.getElementById("trusted").value.trim();
    const counts = await check(await read(), {
      trusted,
      tell: async (entries) => {
        tell(`${words.reading} ${entries}`);
        await new Promise((resume) => setTimeout(resume));
      },
    });
    const lines = [`${words.sound}: ${counts.entries} ${words.entries}`, `${counts.uncovered} ${words.uncovered}`, `${counts.unsigned + counts.unknown} ${words.unsigned}`, counts.log];
    if (counts.excerpt) lines.splice(1, 0, words.excerpt);
    lines.splice(1, 0, ...(await ofReport(counts)));
    tell(...lines);
  } catch (error) {
    if (error instanceof Fault) tell(`${words.broken}: ${error.kind}, # ${error.seq}`, error.detail);
    else tell(words.unchecked, error.message);
  }
}

const readZip = (file) => async () => unzip(new Uint8Array(await file.arrayBuffer()));

/** Files of a folder by their path inside it. */
const readFolder = (list) => async () => {
  const files = new Map();
  for (const file of list) {
    const path = file.webkitRelativePath.split("/").slice(1).join("/");
    files.set(path, new Uint8Array(await file.arrayBuffer()));
  }
  return files;
};

document.getElementById("bundle").addEventListener("change", ({ target }) => {
  if (target.files[0]) run(readZip(target.files[0]));
});
document.getElementById("folder").addEventListener("change", ({ target }) => {
  if (target.files.length) run(readFolder([...target.files]));
});

document.getElementById("report").addEventListener("change", () => {
  if (lastRead) run(lastRead);
});

const drop = document.getElementById("drop");
for (const [name, over] of [["dragover", true], ["dragleave", false], ["drop", false]]) {
  drop.addEventListener(name, (event) => {
    event.preventDefault();
    drop.classList.toggle("over", over);
    const file = name === "drop" && event.dataTransfer.files[0];
    if (file) run(readZip(file));
  });
}
form.addEventListener("submit", (event) => event.preventDefault());
