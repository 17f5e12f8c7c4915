// What a page does with the outbox: keeps a form that is filed, says what is unsent, and asks to send at the right moments.
"use strict";
// No const or let at the top: where the outbox was lost on the way, this file runs a second time (first.js).

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
  for (const line of document.querySelectorAll("[data-waits]")) if (line.dataset.waits === entry.path) line.hidden = true;
  box.focus();
}

document.addEventListener("submit", (event) => {
  const form = event.target;
  const ours = event.submitter?.hasAttribute("formaction") ? event.submitter.dataset.outbox : form.dataset.outbox;
  if (!ours || !Outbox.PERSON || !("indexedDB" in window)) return;
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
  form.dispatchEvent(new CustomEvent("outbox:kept", { bubbles: true, detail: entry }));
  await Promise.race([Outbox.replay(entry.token), new Promise((done) => setTimeout(done, PATIENCE))]);
  const now = await Outbox.get(entry.token);
  if (form.dataset.outboxStays && now?.state !== "refused") {   // the page goes on by itself
    form.dispatchEvent(new CustomEvent("outbox:filed", { bubbles: true, detail: { entry, sent: !now } }));
    return;
  }
  if (Outbox.sent.has(entry.token)) { goOn(entry, Outbox.sent.get(entry.token)); return; }
  if (!now) { sessionStorage.setItem("sent", entry.what || "It"); location.reload(); }   // another tab has sent it
  else if (now.state === "refused") { form.dataset.again = entry.token; showRefusal(form, now.said); }
  else showKept(form, now);
}
var PATIENCE = 9000;   // ms that a person waits for the answer before being told that it is kept
function goOn(entry, receipt) {
  const target = new URL(receipt.went || `/programmes/${entry.programme}/hall`, location.href);
  if (target.origin !== location.origin) return;
  const here = target.pathname + target.search === location.pathname + location.search;
  location.assign(target);
  if (here) location.reload();
}
// What was kept on this page and has gone since; a build list may hold several
Outbox.onChange((entries) => {
  for (const kept of document.querySelectorAll("[data-kept]")) {
    if (entries.some((e) => e.token === kept.dataset.kept)) continue;
    kept.replaceChildren(node("p", "Sent. The server has it."));
    kept.append(Object.assign(node("p"), {}));
    kept.lastChild.append(node("a", "Today in the hall", { href: `/programmes/${Outbox.PROGRAMME}/hall`, class: "button button--primary" }));
    delete kept.dataset.kept;
    kept.dataset.sent = "";
  }
});
// A page kept from before does not know what was filed on it since: data-waits is the path of a form, data-waits-says what to tell of it
Outbox.onChange((entries) => {
  for (const line of document.querySelectorAll("[data-waits]")) {
    const waiting = entries.filter((e) => e.person === Outbox.PERSON && e.path === line.dataset.waits).pop();
    const said = waiting?.pairs.find(([name]) => name === line.dataset.waitsSays)?.[1];
    if (waiting) line.textContent = `${said || "One"}: ${waiting.state === "refused" ? "not taken, it needs a look" : "kept on this phone, not sent yet"}.`;
    else if (line.textContent) line.textContent = "Sent: the server has it.";
    line.hidden = !line.textContent || Boolean(waiting && document.querySelector(`[data-kept="${waiting.token}"]`));
  }
});

// --- tokens: minted at each page load, so that a kept page never uses one twice
async function freshTokens() {
  for (const form of document.querySelectorAll("form[data-outbox]")) {
    const field = form.elements.namedItem("token");
    if (field && !form.dataset.again) field.value = Outbox.mint();
  }
}
// What this page knows better than the entry: it shows what stands now, and what is filed from here is filed upon that.
var THIS_PAGES = ["form_token", "token", "edition", "version", "seen", "shown"];
async function openAgain() {
  const token = new URLSearchParams(location.hash.slice(1)).get("again");
  const entry = token && await Outbox.get(token).catch(() => null);
  const form = entry && entry.person === Outbox.PERSON && [...document.querySelectorAll("form")]
    .find((f) => [...f.querySelectorAll("[formaction]"), null].some((button) => Outbox.pathOf(f, button) === entry.path));
  if (!form) return;
  form.closest("[hidden]")?.removeAttribute("hidden");
  const values = new Map();
  for (const [name, value] of entry.pairs) values.set(name, [...(values.get(name) || []), value]);
  for (const field of form.elements) {
    if (!field.name || THIS_PAGES.includes(field.name)) continue;
    const typed = values.get(field.name) || [];
    if (field.type === "file") continue;                          // chosen again by the person
    if (field.type === "radio" || field.type === "checkbox") field.checked = typed.includes(field.value);
    else if (field.tagName !== "BUTTON" && typed.length) field.value = typed[0];
  }
  if (entry.state === "refused") form.dataset.again = token;     // the server took nothing of it: the corrected one takes its place
  if (entry.said) showRefusal(form, entry.said);
  if (entry.files) form.prepend(node("p", "Its photo is still with it."));
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

var wake = () => { if (document.visibilityState !== "hidden") Outbox.replay(); };
for (const name of ["online", "focus"]) window.addEventListener(name, wake);
window.addEventListener("pageshow", (event) => { if (event.persisted) { freshTokens(); wake(); } });
document.addEventListener("visibilitychange", wake);
setInterval(() => { Outbox.replay(); }, Outbox.EVERY);
var sentElsewhere = sessionStorage.getItem("sent");
if (sentElsewhere) { sessionStorage.removeItem("sent"); say("done", "Sent", `${sentElsewhere}: the server has it.`); }
freshTokens();
openAgain();
startWorker();
Outbox.contact().then((there) => {
  const made = document.body.dataset.made;
  if (!there && made && document.querySelector("[data-hall]")) say("warn", "No signal", `This page is as it was ${made}. What you file is kept on this phone and sent later.`);
});
Outbox.replay();
document.documentElement.dataset.outbox = "ready";              // first.js holds every form until then
