// The check of a bundle on the audit page: reads files in the browser and tells the verdict.
import { check, unzip, Fault } from "./verify.js";

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

async function run(read) {
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
