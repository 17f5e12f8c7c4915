// The outbox: a form marked data-outbox is kept on this phone first and sent then. An entry leaves only when the server's
// receipt echoes its token and content. Everything here has a plain form underneath that works without it.
"use strict";

const Outbox = (() => {
  const PERSON = document.body.dataset.person || "";
  const PROGRAMME = document.body.dataset.programme || "";
  const INITIALS = document.body.dataset.initials || "";
  const TIMEOUT = 8000, EVERY = 15000, LEASE = 25000, SLOW = 15;   // ms; SLOW: bytes a ms, a poor line
  const listeners = new Set();

  // --- small tools that plain http leaves us without
  const hex = (bytes) => [...bytes].map((b) => b.toString(16).padStart(2, "0")).join("");
  const mint = () => hex(crypto.getRandomValues(new Uint8Array(16)));
  const whole = (text) => new TextDecoder().decode(new TextEncoder().encode(text));   // as it will arrive: no half characters

  /** SHA-256 (FIPS 180-4) of bytes, in hex. */
  function sha256Bytes(data) {
    const power = (x, n) => Math.floor((x ** (1 / n) % 1) * 2 ** 32);
    const primes = [];
    for (let n = 2; primes.length < 64; n++) if (primes.every((p) => n % p)) primes.push(n);
    const K = primes.map((p) => power(p, 3)), H = primes.slice(0, 8).map((p) => power(p, 2));
    const length = ((data.length + 8 >> 6) + 1) << 6;
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
        h = g; g = f; f = e; e = (d + one) | 0; d = c; c = b; b = a; a = (one + two) | 0;
      }
      [a, b, c, d, e, f, g, h].forEach((x, i) => { H[i] = (H[i] + x) | 0; });
    }
    return H.map((x) => (x >>> 0).toString(16).padStart(8, "0")).join("");
  }
  const sha256 = (text) => sha256Bytes(new TextEncoder().encode(text));
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
  /** Takes an entry out that has its receipt. Entries that stand on it learn where it went to in the same transaction. */
  const remove = (entry, went) => inStore("entries", "readwrite", (s) => {
    const asked = s.get(entry.token);
    asked.onsuccess = () => {
      if (asked.result?.hash !== entry.hash) return;
      if (entry.makes) try { localStorage.setItem(`proveout-made-${entry.token}`, went); } catch { /* an open page asks again by its token */ }
      s.delete(entry.token);
      if (!entry.makes) return;
      s.getAll().onsuccess = (told) => told.target.result.filter((e) => e.path.includes(`@${entry.token}/`)).forEach((e) => {
        e.path = placed(e.path, entry.token, went);
        s.put({ ...e, hash: hashOf(e) });
      });
    };
    return asked;
  });
  const madeBy = (token) => { try { return localStorage.getItem(`proveout-made-${token}`); } catch { return null; } };
  /** A path on something that was made without signal (/runs/@token/end) with the number that the server gave it. */
  function placed(path, token, went) {
    const made = new URL(went || "/", location.href).searchParams;
    return path.replace(new RegExp(`/(run|session)s/@${token}/`), (as, what) => (/^\d+$/.test(made.get(what)) ? `/${what}s/${made.get(what)}/` : as));
  }

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
  async function withTimeout(ask, ms = TIMEOUT) {
    const stop = new AbortController(), timer = setTimeout(() => stop.abort(), ms);
    try { return await ask(stop.signal); } finally { clearTimeout(timer); }
  }
  const filesOf = (entry) => Object.entries(entry.files || {});
  /** As the plain form would have sent it. */
  function bodyOf(entry) {
    if (!entry.files) return new URLSearchParams(entry.pairs);
    const body = new FormData();
    for (const [name, value, digest] of entry.pairs) body.append(name, ...(digest ? [entry.files[name], "photo"] : [value]));
    return body;
  }

  // --- sending
  /** Sends one entry; answers "sent", "refused", "later" (go on with the next) or "stop" (no use in trying others). */
  async function send(entry) {
    let answer, text = "";
    const said = (state, words) => amend(entry, { state, tries: (entry.tries || 0) + 1, said: { at: Date.now(), ...words } });
    try {
      [answer, text] = await withTimeout(async (signal) => {
        const headers = { "X-Outbox": entry.token, "X-Outbox-Person": entry.person, "X-Phone-Clock": String(Date.now()) };
        const got = await fetch(entry.path, { method: "POST", headers, body: bodyOf(entry), redirect: "manual", cache: "no-store", signal });
        return [got, got.type === "opaqueredirect" ? "" : await got.text()];
      }, TIMEOUT + filesOf(entry).reduce((all, [, file]) => all + file.size, 0) / SLOW);
    } catch {
      await said("waiting", { title: "No answer from the server" });
      return "stop";
    }
    let told = null;
    try { told = JSON.parse(text); } catch { /* a page is no receipt */ }
    const receipt = told?.receipt, refusal = told?.refusal;
    if (answer.status === 200 && receipt?.token === entry.token && receipt?.hash === entry.hash) {
      await remove(entry, receipt.went);
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

  /** The lock: one tab sends at a time; another waits its turn. Without Web Locks a lease in the store does the same. */
  async function alone(work) {
    if (navigator.locks) {
      const stop = new AbortController(), timer = setTimeout(() => stop.abort(), 2 * TIMEOUT);
      return navigator.locks.request("proveout-outbox", { signal: stop.signal }, () => { clearTimeout(timer); return work(() => true); });
    }
    const me = mint(), until = Date.now() + 2 * TIMEOUT;
    const lease = async () => {
      await inStore("meta", "readwrite", (s) => {
        const asked = s.get("lease");
        asked.onsuccess = () => {
          const now = Date.now(), held = asked.result;
          if (!held || held.me === me || held.until < now || held.until > now + 2 * LEASE) s.put({ me, until: now + LEASE }, "lease");
        };
        return asked;
      });
      return (await inStore("meta", "readonly", (s) => s.get("lease")))?.me === me;
    };
    while (!await lease()) {
      if (Date.now() > until) return;
      await new Promise((done) => setTimeout(done, 400));
    }
    const timer = setInterval(() => lease().catch(() => {}), LEASE / 3);   // a photo on a slow line takes longer than one lease
    try { await work(lease); } finally { clearInterval(timer); await inStore("meta", "readwrite", (s) => s.delete("lease")); }
  }

  const wanted = new Set();   // refused ones that are tried again in the next round
  let running = null, next = null;
  /** Sends what is mine and waiting. `also`: a token that was refused and is tried again, or "all". */
  function replay(also = "") {
    if (!PERSON) return changed();
    if (also) wanted.add(also);
    if (!running) return running = round().finally(() => { running = null; });
    return next ??= running.then(() => { next = null; return replay(); });   // what was kept since that round began goes in the next
  }
  async function round() {
    const also = new Set(wanted);
    wanted.clear();
    const due = (e) => e && e.person === PERSON && !e.path.includes("@") && (e.state !== "refused" || also.has("all") || also.has(e.token));
    try {
      if ((await list()).some(due)) await alone(async (mine) => {   // nothing to send: no lock that a page might take along as it closes
        const entries = await list();
        for (const { token } of [...entries.filter((e) => !e.files), ...entries.filter((e) => e.files)]) {   // photos last: they take long
          const entry = await get(token);
          if (!due(entry)) continue;
          if (!await mine() || await send(entry) === "stop") break;
        }
      });
    } catch { /* the store is away; what is kept stays kept */ }
    await changed();
  }

  // --- filing
  let order = 0;
  const OURS = ["form_token", "phone_captured_ms", "phone_offset_ms"];
  const lines = (text) => whole(text).replace(/\r\n|\r|\n/g, "\r\n");   // as a browser sends them, whatever the form's kind
  /** What a form says: pairs in its order, and the bodies of its files; a file's pair is [name, "file", digest of its bytes]. */
  async function readForm(form, submitter) {
    const pairs = [], files = {};
    for (const [name, value] of new FormData(form)) {
      if (typeof value === "string") { if (!OURS.includes(name)) pairs.push([whole(name), lines(value)]); continue; }
      if (!value.size) continue;
      const bytes = await (await smaller(value)).arrayBuffer();   // a copy: the picked file may be gone tomorrow
      files[name] = new Blob([bytes], { type: value.type });
      pairs.push([whole(name), "file", sha256Bytes(new Uint8Array(bytes))]);
    }
    if (submitter?.name) pairs.push([submitter.name, submitter.value]);
    return [pairs, Object.keys(files).length ? files : undefined];
  }
  /** A large photo drawn smaller, so that it fits into the phone's store and through a hall's signal; else the file itself. */
  async function smaller(file) {
    if (file.size < 700000 || !file.type.startsWith("image/")) return file;
    try {
      const drawn = await createImageBitmap(file, { imageOrientation: "from-image" });
      const by = Math.min(1, 1600 / Math.max(drawn.width, drawn.height)), canvas = document.createElement("canvas");
      canvas.width = Math.round(drawn.width * by); canvas.height = Math.round(drawn.height * by);
      canvas.getContext("2d").drawImage(drawn, 0, 0, canvas.width, canvas.height);
      const made = await new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.85));
      return made && made.size < file.size ? made : file;
    } catch { return file; }
  }
  /** Where a form goes: to its button's own address, and to what was made without signal where `data-outbox-on` says so. */
  function pathOf(form, submitter) {
    const path = new URL(submitter?.hasAttribute("formaction") ? submitter.formAction : form.action, location.href).pathname;
    return form.dataset.outboxOn ? path.replace(/\/(run|session)s\/0\//, (_, what) => `/${what}s/${form.dataset.outboxOn}/`) : path;
  }
  /** Keeps the form's content; answers the entry. Throws where the phone refuses to store. */
  async function keep(form, submitter) {
    const field = form.elements.namedItem("token"), now = Date.now();
    const token = form.dataset.again || (field ? field.value : mint());
    const [pairs, chosen] = await readForm(form, submitter), before = form.dataset.again ? await get(token) : undefined;
    const files = before?.files || chosen ? { ...before?.files, ...chosen } : undefined;   // opened again: its photo is still with it
    before?.pairs.filter(([name, , digest]) => digest && !chosen?.[name]).forEach((pair) => pairs.push(pair));
    if (field) pairs.forEach((pair) => { if (pair[0] === "token") pair[1] = token; });
    pairs.push(["phone_captured_ms", String(now)], ["phone_offset_ms", offset()]);
    const entry = { token, person: PERSON, initials: INITIALS, programme: PROGRAMME, path: pathOf(form, submitter), pairs,
                    what: submitter?.dataset.outbox || form.dataset.outbox, page: location.pathname + location.search, made: now, order: order++,
                    state: "waiting", tries: 0, ...(files && { files }), ...(form.dataset.outboxMakes && { makes: form.dataset.outboxMakes }) };
    entry.hash = hashOf(entry);
    await put(entry);
    navigator.storage?.persist?.().catch(() => {});
    return entry;
  }

  function changed() {
    return list().then((entries) => listeners.forEach((told) => told(entries)), () => {});
  }

  return { PERSON, PROGRAMME, EVERY, mint, sha256, list, get, put, drop, replay, keep, pathOf, madeBy, contact, sent, changed, onChange: (told) => listeners.add(told) };
})();
