// The outbox: a form marked data-outbox is kept on this phone first and sent then. An entry leaves only when the server's
// receipt echoes its token and content. Everything here has a plain form underneath that works without it.
"use strict";

const Outbox = (() => {
  const PERSON = document.body.dataset.person || "";
  const PROGRAMME = document.body.dataset.programme || "";
  const INITIALS = document.body.dataset.initials || "";
  const TIMEOUT = 8000, EVERY = 15000, LEASE = 25000;
  const listeners = new Set();

  // --- small tools that plain http leaves us without
  const hex = (bytes) => [...bytes].map((b) => b.toString(16).padStart(2, "0")).join("");
  const mint = () => hex(crypto.getRandomValues(new Uint8Array(16)));
  const whole = (text) => new TextDecoder().decode(new TextEncoder().encode(text));   // as it will arrive: no half characters

  /** SHA-256 (FIPS 180-4) of a text's UTF-8, in hex. */
  function sha256(text) {
    const power = (x, n) => Math.floor((x ** (1 / n) % 1) * 2 ** 32);
    const primes = [];
    for (let n = 2; primes.length < 64; n++) if (primes.every((p) => n % p)) primes.push(n);
    const K = primes.map((p) => power(p, 3)), H = primes.slice(0, 8).map((p) => power(p, 2));
    const data = new TextEncoder().encode(text), length = ((data.length + 8 >> 6) + 1) << 6;
    const block = new Uint8Array(length), view = new DataView(block.buffer), w = new Uint32Array(64);
    block.set(data); block[data.length] = 0x80;
    view.setUint32(length - 8, Math.floor(data.length / 2 ** 29)); view.setUint32(length - 4, data.length << 3);
    const turn = (x, n) => (x >>> n) | (x << (32 - n));
    for (let at = 0; at < length; at += 64) {
      for (let i = 0; i < 64; i++) {
        if (i < 16) { w[i] = view.getUint32(at + 4 * i); continue; }
        const a = w[i - 15], b = w[i - 2];
        w[i] = w[i - 16] + (turn(a, 7) ^ turn(a, 18) ^ (a >>> 3)) + w[i - 7] + (turn(b, 17) ^ turn(b, 19) ^ (b >>> 10));
      }
      let [a, b, c, d, e, f, g, h] = H;
      for (let i = 0; i < 64; i++) {
        const one = h + (turn(e, 6) ^ turn(e, 11) ^ turn(e, 25)) + ((e & f) ^ (~e & g)) + K[i] + w[i];
        const two = (turn(a, 2) ^ turn(a, 13) ^ turn(a, 22)) + ((a & b) ^ (a & c) ^ (b & c));
        [h, g, f, e, d, c, b, a] = [g, f, e, (d + one) | 0, c, b, a, (one + two) | 0];
      }
      [a, b, c, d, e, f, g, h].forEach((x, i) => { H[i] = (H[i] + x) | 0; });
    }
    return H.map((x) => (x >>> 0).toString(16).padStart(8, "0")).join("");
  }
  const hashOf = (entry) => sha256(JSON.stringify([entry.path, entry.pairs]));

  // --- the store
  let opened;
  const open = () => opened ??= new Promise((done, fail) => {
    const asked = indexedDB.open("proveout", 1);
    asked.onupgradeneeded = () => {
      asked.result.createObjectStore("entries", { keyPath: "token" });
      asked.result.createObjectStore("meta");
    };
    asked.onsuccess = () => { asked.result.onversionchange = () => { asked.result.close(); opened = undefined; }; done(asked.result); };
    asked.onerror = asked.onblocked = () => { opened = undefined; fail(asked.error || new Error("blocked")); };
  });
  /** Runs `work(store)` in one transaction and answers its request's result, only once the transaction is complete. */
  async function inStore(name, mode, work) {
    const db = await open();
    return new Promise((done, fail) => {
      const transaction = db.transaction(name, mode, mode === "readwrite" ? { durability: "strict" } : {});
      const asked = work(transaction.objectStore(name));
      transaction.oncomplete = () => done(asked?.result);
      transaction.onerror = transaction.onabort = () => fail(transaction.error || new Error("storage refused"));
    });
  }
  const list = async () => (await inStore("entries", "readonly", (s) => s.getAll())).sort((a, b) => a.made - b.made || a.order - b.order);
  const get = (token) => inStore("entries", "readonly", (s) => s.get(token));
  const put = (entry) => inStore("entries", "readwrite", (s) => s.put(entry));
  const drop = (token) => inStore("entries", "readwrite", (s) => s.delete(token)).then(changed);
  /** Changes an entry that is still there with this content; one that was sent and deleted meanwhile never comes back. */
  const amend = (entry, said) => inStore("entries", "readwrite", (s) => {
    const asked = s.get(entry.token);
    asked.onsuccess = () => { if (asked.result?.hash === entry.hash) s.put({ ...asked.result, ...said }); };
    return asked;
  });
  const remove = (entry) => inStore("entries", "readwrite", (s) => {
    const asked = s.get(entry.token);
    asked.onsuccess = () => { if (asked.result?.hash === entry.hash) s.delete(entry.token); };
    return asked;
  });

  // --- the server's clock, as seen at the last contact
  const offset = () => { try { return localStorage.getItem("proveout-offset") ?? ""; } catch { return ""; } };
  async function contact() {
    const before = Date.now();
    try {
      const answer = await withTimeout((signal) => fetch("/clock", { cache: "no-store", redirect: "manual", signal }));
      const said = await answer.json(), after = Date.now();
      if (!Number.isFinite(said.now_ms) || after - before > TIMEOUT) return false;
      try { localStorage.setItem("proveout-offset", String(Math.round((before + after) / 2 - said.now_ms))); } catch { /* not kept */ }
      return true;
    } catch { return false; }
  }
  async function withTimeout(ask) {
    const stop = new AbortController(), timer = setTimeout(() => stop.abort(), TIMEOUT);
    try { return await ask(stop.signal); } finally { clearTimeout(timer); }
  }

  // --- sending
  /** Sends one entry; answers "sent", "refused", "later" (go on with the next) or "stop" (no use in trying others). */
  async function send(entry) {
    let answer, text = "";
    const said = (state, words) => amend(entry, { state, tries: (entry.tries || 0) + 1, said: { at: Date.now(), ...words } });
    try {
      [answer, text] = await withTimeout(async (signal) => {
        const headers = { "X-Outbox": entry.token, "X-Outbox-Person": entry.person, "X-Phone-Clock": String(Date.now()) };
        const body = new URLSearchParams(entry.pairs);
        const got = await fetch(entry.path, { method: "POST", headers, body, redirect: "manual", cache: "no-store", signal });
        return [got, got.type === "opaqueredirect" ? "" : await got.text()];
      });
    } catch {
      await said("waiting", { title: "No answer from the server" });
      return "stop";
    }
    let told = null;
    try { told = JSON.parse(text); } catch { /* a page is no receipt */ }
    const receipt = told?.receipt, refusal = told?.refusal;
    if (answer.status === 200 && receipt?.token === entry.token && receipt?.hash === entry.hash) {
      await remove(entry);
      sent.set(entry.token, receipt);
      return "sent";
    }
    if (answer.type === "opaqueredirect" || answer.status === 401) {
      await said("waiting", { status: 401, title: "Please sign in again", next: "It is sent as soon as you have signed in." });
      return "stop";
    }
    if (refusal && refusal.person !== entry.person && answer.status === 403) {
      await said("waiting", { status: 403, title: "Somebody else is signed in", next: "It waits until its writer signs in." });
      return "stop";
    }
    if (refusal && answer.status >= 400 && answer.status < 500 && answer.status !== 429) {
      await said("refused", refusal);
      return "refused";
    }
    await said("waiting", refusal || { status: answer.status, title: "The answer was no receipt" });
    return answer.status === 503 || answer.status === 429 ? "stop" : "later";
  }
  const sent = new Map();

  /** The lock: one tab sends at a time. Without Web Locks a lease in the store does the same. */
  async function alone(work) {
    if (navigator.locks) return navigator.locks.request("proveout-outbox", { ifAvailable: true }, (lock) => lock && work(() => {}));
    const me = mint();
    const lease = () => inStore("meta", "readwrite", (s) => {
      const asked = s.get("lease");
      asked.onsuccess = () => {
        const free = !asked.result || asked.result.me === me || asked.result.until < Date.now() || asked.result.until > Date.now() + 2 * LEASE;
        if (free) s.put({ me, until: Date.now() + LEASE }, "lease");
      };
      return asked;
    });
    await lease();
    if ((await inStore("meta", "readonly", (s) => s.get("lease")))?.me !== me) return;
    try { await work(lease); } finally { await inStore("meta", "readwrite", (s) => s.delete("lease")); }
  }

  let running = null;
  /** Sends what is mine and waiting. `also`: a token that was refused and is tried again. */
  function replay(also = "") {
    if (!PERSON) return changed();
    return running ??= (async () => {
      try {
        await alone(async (renew) => {
          for (const { token } of await list()) {
            const entry = await get(token);
            if (!entry || entry.person !== PERSON || (entry.state === "refused" && also !== "all" && also !== token)) continue;
            await renew();
            if (await send(entry) === "stop") break;
          }
        });
      } catch { /* the store is away; what is kept stays kept */ } finally { running = null; }
      await changed();
    })();
  }

  // --- filing
  let order = 0;
  function readForm(form, submitter) {
    const pairs = [];
    for (const [name, value] of new FormData(form)) {
      if (typeof value === "string" && !["form_token", "phone_captured_ms", "phone_offset_ms"].includes(name)) pairs.push([whole(name), whole(value)]);
    }
    if (submitter?.name) pairs.push([submitter.name, submitter.value]);
    return pairs;
  }
  /** Keeps the form's content; answers the entry. Throws where the phone refuses to store. */
  async function keep(form, submitter) {
    const field = form.elements.namedItem("token"), now = Date.now();
    const token = form.dataset.again || (field ? field.value : mint());
    const pairs = readForm(form, submitter);
    if (field) pairs.forEach((pair) => { if (pair[0] === "token") pair[1] = token; });
    pairs.push(["phone_captured_ms", String(now)], ["phone_offset_ms", offset()]);
    const entry = { token, person: PERSON, initials: INITIALS, programme: PROGRAMME, path: new URL(form.action, location.href).pathname,
                    pairs, what: form.dataset.outbox, page: location.pathname + location.search, made: now, order: order++,
                    state: "waiting", tries: 0 };
    entry.hash = hashOf(entry);
    await put(entry);
    navigator.storage?.persist?.().catch(() => {});
    return entry;
  }

  function changed() {
    return list().then((entries) => listeners.forEach((told) => told(entries)), () => {});
  }

  return { PERSON, PROGRAMME, EVERY, mint, sha256, list, get, put, drop, replay, keep, contact, sent, changed, onChange: (told) => listeners.add(told) };
})();

// --- words
function ageOf(ms) {
  const minutes = Math.max(0, Math.round((Date.now() - ms) / 60000));
  if (minutes < 1) return "less than a minute";
  if (minutes < 120) return `${minutes} min`;
  return minutes < 2880 ? `${Math.round(minutes / 60)} h` : `${Math.round(minutes / 1440)} days`;
}
function node(tag, words, more = {}) {
  const made = document.createElement(tag);
  if (words) made.textContent = words;
  for (const [name, value] of Object.entries(more)) made.setAttribute(name, value);
  return made;
}

// --- how much is unsent, on every page
Outbox.onChange((entries) => {
  const shown = document.getElementById("unsent");
  const mine = entries.filter((e) => e.person === Outbox.PERSON), others = entries.length - mine.length;
  const words = [];
  if (mine.length) words.push(`${mine.length} not sent yet, the oldest for ${ageOf(mine[0].made)}`);
  if (mine.some((e) => e.state === "refused")) words.push("one needs a look");
  else if (mine.some((e) => e.said?.status === 401)) words.push("sign in to send");
  if (others) words.push(`${others} ${others === 1 ? "waits" : "wait"} for ${[...new Set(entries.filter((e) => e.person !== Outbox.PERSON).map((e) => e.initials || "another person"))].join(", ")}`);
  const text = words.join("; ");
  if (shown.textContent === text) return;
  const programme = Outbox.PROGRAMME || entries[0]?.programme;
  shown.hidden = !text;
  shown.replaceChildren(...(text ? [programme ? node("a", text, { href: `/programmes/${programme}/outbox` }) : text] : []));
});

// --- a form is filed
function showRefusal(form, said) {
  form.querySelector("[data-error-summary]")?.remove();
  const box = node("div", "", { class: "error-summary", role: "alert", tabindex: "-1", "data-error-summary": "" });
  box.append(node("p", said.title, { class: "error-summary__title" }));
  const fields = said.fields || [];
  if (!fields.length && said.reason) box.append(node("p", said.reason));
  if (said.next && !fields.length) box.append(node("p", said.next));
  if (fields.length) {
    const lines = node("ul");
    for (const field of fields) {
      const line = node("li");
      line.append(field.name ? node("a", field.sentence, { href: `#${field.name}` }) : field.sentence);
      lines.append(line);
    }
    box.append(lines);
  }
  form.prepend(box);
  box.focus();
}
function showKept(form, entry) {
  const box = node("div", "", { class: "note note--done", role: "status", tabindex: "-1", "data-kept": entry.token });
  const line = node("p");
  line.append(node("strong", "Kept on this phone.", { class: "note__word" }),
    entry.said?.status === 401 ? " Your sign-in has run out. It is sent as soon as you have signed in again."
      : " It is sent by itself as soon as there is signal. You may close this page.");
  const go = node("p");
  go.append(node("a", "Today in the hall", { href: `/programmes/${entry.programme}/hall`, class: "button button--primary" }), " ",
    entry.said?.status === 401 ? node("a", "Sign in", { href: `/sign-in?next=${encodeURIComponent(`/programmes/${entry.programme}/outbox`)}`, class: "button button--plain" })
      : node("a", "What is not sent yet", { href: `/programmes/${entry.programme}/outbox`, class: "button button--quiet" }));
  box.append(line, go);
  form.replaceWith(box);
  box.focus();
}

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (!form.matches("form[data-outbox]") || !Outbox.PERSON || !("indexedDB" in window)) return;
  event.preventDefault();
  if (form.dataset.filing) return;
  form.dataset.filing = "yes";
  fileForm(form, event.submitter).finally(() => delete form.dataset.filing);
});
async function fileForm(form, submitter) {
  let entry;
  try {
    entry = await Outbox.keep(form, submitter);
  } catch (refused) {
    const full = refused?.name === "QuotaExceededError";
    showRefusal(form, { title: full ? "This phone's storage is full: nothing was kept, nothing was sent" : "This phone refuses to store: nothing was kept, nothing was sent",
      reason: "What you typed is still on this page. Leave it open.", next: full ? "Make room on the phone, then tap again." : "Open the page in an ordinary window (not a private one), or write a paper card." });
    form.dispatchEvent(new Event("input", { bubbles: true }));
    return;
  }
  await Outbox.replay(entry.token);
  if (Outbox.sent.has(entry.token)) { goOn(entry, Outbox.sent.get(entry.token)); return; }
  const now = await Outbox.get(entry.token);
  if (!now) location.reload();                                  // another tab has sent it
  else if (now.state === "refused") { form.dataset.again = entry.token; showRefusal(form, now.said); }
  else showKept(form, now);
}
function goOn(entry, receipt) {
  const target = new URL(receipt.went || `/programmes/${entry.programme}/hall`, location.href);
  if (target.origin !== location.origin) return;
  const here = target.pathname + target.search === location.pathname + location.search;
  location.assign(target);
  if (here) location.reload();
}
// What was kept on this page and has gone since
Outbox.onChange((entries) => {
  const kept = document.querySelector("[data-kept]");
  if (!kept || entries.some((e) => e.token === kept.dataset.kept)) return;
  kept.replaceChildren(node("p", "Sent. The server has it."));
  kept.append(Object.assign(node("p"), {}));
  kept.lastChild.append(node("a", "Today in the hall", { href: `/programmes/${Outbox.PROGRAMME}/hall`, class: "button button--primary" }));
  delete kept.dataset.kept;
});

// --- tokens: minted at each page load, so that a kept page never uses one twice
async function freshTokens() {
  for (const form of document.querySelectorAll("form[data-outbox]")) {
    const field = form.elements.namedItem("token");
    if (field && !form.dataset.again) field.value = Outbox.mint();
  }
}
async function openAgain() {
  const token = new URLSearchParams(location.hash.slice(1)).get("again");
  const entry = token && await Outbox.get(token).catch(() => null);
  const form = entry && entry.person === Outbox.PERSON && [...document.querySelectorAll("form[data-outbox]")].find((f) => new URL(f.action, location.href).pathname === entry.path);
  if (!form) return;
  const values = new Map();
  for (const [name, value] of entry.pairs) values.set(name, [...(values.get(name) || []), value]);
  for (const field of form.elements) {
    if (!field.name || ["form_token", "token"].includes(field.name)) continue;
    const typed = values.get(field.name) || [];
    if (field.type === "radio" || field.type === "checkbox") field.checked = typed.includes(field.value);
    else if (field.tagName !== "BUTTON" && typed.length) field.value = typed[0];
  }
  if (entry.state === "refused") form.dataset.again = token;     // the server took nothing of it: the corrected one takes its place
  if (entry.said) showRefusal(form, entry.said);
}

// --- the worker, signing out, and when to send
async function startWorker() {
  const lacking = document.querySelectorAll("[data-no-worker]");
  if (!("serviceWorker" in navigator)) { lacking.forEach((n) => { n.hidden = false; }); return; }
  try {
    await navigator.serviceWorker.register("/sw.js");
    const ready = await navigator.serviceWorker.ready;
    const keep = [...document.querySelectorAll("[data-keep]")].flatMap((n) => n.dataset.keep.split(" ")).filter(Boolean);
    if (keep.length && Outbox.PERSON) ready.active.postMessage({ keep, person: Outbox.PERSON });
  } catch { lacking.forEach((n) => { n.hidden = false; }); }
}
async function forgetPages() {
  if (!("caches" in window)) return;
  for (const name of await caches.keys()) if (name.startsWith("pages-")) await caches.delete(name);
}
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (new URL(form.action, location.href).pathname !== "/sign-out") return;
  event.preventDefault();
  (async () => {
    const mine = (await Outbox.list().catch(() => [])).filter((e) => e.person === Outbox.PERSON);
    if (mine.length && !form.dataset.sure) {
      form.dataset.sure = "yes";
      form.querySelector("button").textContent = "Sign out all the same";
      say("warn", "Not sent yet", `${mine.length} ${mine.length === 1 ? "entry of yours is" : "entries of yours are"} still on this phone. They stay here and are sent when you sign in again on this phone. Tap again to sign out all the same.`);
      return;
    }
    await forgetPages().catch(() => {});
    form.submit();
  })();
});

const wake = () => { if (document.visibilityState !== "hidden") Outbox.replay(); };
for (const name of ["online", "focus"]) window.addEventListener(name, wake);
window.addEventListener("pageshow", (event) => { if (event.persisted) { freshTokens(); wake(); } });
document.addEventListener("visibilitychange", wake);
setInterval(() => { Outbox.replay(); }, Outbox.EVERY);
freshTokens();
openAgain();
startWorker();
Outbox.contact().then((there) => {
  const made = document.body.dataset.made;
  if (!there && made && document.querySelector("[data-hall]")) say("warn", "No signal", `This page is as it was ${made}. What you file is kept on this phone and sent later.`);
});
Outbox.replay();
