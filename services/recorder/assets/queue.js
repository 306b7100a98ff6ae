// Forms that wait in this browser until the network is back. Each has an id of its own that becomes
// the id of its event: sent twice, it is recorded once. A form is only ever sent by the person who
// filled it in.

const NAME = "pulverlog";
const STORE = "waiting";

function open() {
  return new Promise((resolve, reject) => {
    const request = indexedDB.open(NAME, 1);
    request.onupgradeneeded = () => request.result.createObjectStore(STORE, { keyPath: "id" });
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

async function store(mode, work) {
  const db = await open();
  try {
    return await new Promise((resolve, reject) => {
      const transaction = db.transaction(STORE, mode);
      const request = work(transaction.objectStore(STORE));
      transaction.oncomplete = () => resolve(request.result);
      transaction.onerror = () => reject(transaction.error);
    });
  } finally {
    db.close();
  }
}

const all = async () => (await store("readonly", (s) => s.getAll())).sort((a, b) => a.kept - b.kept);
const put = (item) => store("readwrite", (s) => s.put(item));
const drop = (id) => store("readwrite", (s) => s.delete(id));

/** Sends one form. `waits`: the server was not reached, or could not take it now. */
async function send(item) {
  let response;
  try {
    response = await fetch(item.action, {
      method: "POST",
      body: new URLSearchParams(item.answers),
      headers: { "x-pulverlog-script": "1" },
      redirect: "manual",
    });
  } catch {
    return { state: "waits" };
  }
  // The session ended: the form waits until the person is back.
  if (response.type === "opaqueredirect") return { state: "waits" };
  if (response.status >= 500 || response.status === 429) return { state: "waits" };
  try {
    return await response.json();
  } catch {
    return { state: "waits" };
  }
}

let sendingNow = false;

/** Sends what waits, oldest first; stops at the first that cannot be sent. */
async function deliver() {
  if (sendingNow) return;
  sendingNow = true;
  try {
    for (const item of await all()) {
      if (item.person !== document.body.dataset.person) continue;
      if (item.state === "stopped" || item.state === "mistakes") continue;
      const result = await send(item);
      if (result.state === "recorded") await drop(item.id);
      else if (result.state === "waits") break;
      else await put({ ...item, state: result.state });
    }
  } finally {
    sendingNow = false;
    await show();
  }
}

function element(name, text, more = {}) {
  const made = Object.assign(document.createElement(name), more);
  made.textContent = text;
  return made;
}

/** Opens a form that needs its person: posts it as a page, so that the server shows what is wrong. */
function reopen(item) {
  const form = Object.assign(document.createElement("form"), { method: "post", action: item.action, hidden: true });
  for (const [name, value] of item.answers) form.append(Object.assign(document.createElement("input"), { name, value }));
  document.body.append(form);
  form.submit();
}

function line(list, item) {
  const words = list.dataset;
  const own = item.person === document.body.dataset.person;
  const state = own ? (words[item.state] ?? words.waits) : words.person;
  const row = document.createElement("li");
  const readOnly = "readonly" in list.dataset;
  const subject = item.answers.find(([name]) => name === "subject")?.[1] ?? "";
  row.append(element("b", `${item.title} · ${subject}`));
  row.append(element("span", `${new Date(item.kept).toLocaleString(document.documentElement.lang)} · ${state}`));
  if (readOnly) return row;
  if (own && (item.state === "stopped" || item.state === "mistakes")) {
    row.append(element("button", words.open, { type: "button", onclick: async () => { await drop(item.id); reopen(item); } }));
  }
  row.append(element("button", words.drop, { type: "button", className: "plain", onclick: async () => {
    if (confirm(words.sure)) await drop(item.id).then(show);
  } }));
  return row;
}

/** Shows how many wait, and the list where there is one. */
async function show() {
  const items = await all();
  const head = document.getElementById("queue");
  if (head) {
    head.hidden = items.length === 0;
    document.getElementById("queue-count").textContent = String(items.length);
  }
  const list = document.getElementById("queue-list");
  if (list) list.replaceChildren(...(items.length ? items.map((item) => line(list, item)) : [element("li", list.dataset.none)]));
}

/** Seconds between two tries while something waits. */
const RETRY_S = 15;

export const queue = {
  send,
  /** Keeps a form until it is sent. */
  keep: async (item) => {
    await put({ ...item, kept: Date.now() });
    await show();
  },
  start: () => {
    // Nobody is known to be signed in: what waits is shown, not sent.
    if (!document.body.dataset.person) return void show();
    addEventListener("online", deliver);
    setInterval(async () => { if ((await all()).length) await deliver(); }, RETRY_S * 1000);
    document.getElementById("queue-send")?.addEventListener("click", deliver);
    show().then(deliver, () => {});
  },
};
