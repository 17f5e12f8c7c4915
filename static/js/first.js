// Runs before the page is drawn: a chosen paper does not flash, and no form is filed past an outbox that is still on its way.
"use strict";

try {
  const chosen = localStorage.getItem("proveout-theme");                  // see app.js for the switch
  if (chosen === "light" || chosen === "dark") document.documentElement.dataset.theme = chosen;
} catch { /* storage refused: the device decides */ }

// A tap before the outbox's scripts have run, or on a page whose scripts the network lost, would send the plain form: on a bad
// line what was typed is then gone with the page. So the form is held until they are here, fetched once more where they are not.
const SCRIPTS_MS = 6000;
const outboxMinds = (form) => document.documentElement.dataset.outbox === "ready" && (!form.closest("[data-alone]") || form.dataset.outboxStays);
const atMost = (work) => Promise.race([work, new Promise((done) => { setTimeout(done, SCRIPTS_MS); })]);

document.addEventListener("submit", (event) => {
  const form = event.target, submitter = event.submitter;
  if (!(submitter?.hasAttribute("formaction") ? submitter : form).dataset.outbox || form.dataset.unminded || outboxMinds(form)) return;
  event.preventDefault();
  event.stopImmediatePropagation();
  if (form.dataset.held) return;
  form.dataset.held = "yes";
  hold(form, submitter).finally(() => { delete form.dataset.held; });
}, true);
async function hold(form, submitter) {
  if (document.readyState !== "complete") await atMost(new Promise((done) => { window.addEventListener("load", done, { once: true }); }));
  if (!outboxMinds(form)) await fetchAgain();
  if (outboxMinds(form)) { form.querySelector("[data-outbox-lost]")?.remove(); form.requestSubmit(submitter); } else tellLost(form, submitter);
}
async function fetchAgain() {
  let there = false;
  try { there = typeof Outbox === "object"; } catch { return; }           // it ran and failed: nothing helps but a fresh page
  for (const name of there ? ["outbox_forms.js"] : ["outbox.js", "outbox_forms.js"]) {
    const lost = document.querySelector(`script[src*="/${name}"]`), script = document.createElement("script");
    if (!lost) return;
    script.src = `${lost.src}&again=${Date.now()}`;                        // another address: the answer that came for the first is kept by the page
    await atMost(new Promise((done) => { script.onload = script.onerror = done; document.head.append(script); }));
  }
}
function tellLost(form, submitter) {
  form.querySelector("[data-outbox-lost]")?.remove();
  const box = document.createElement("div"), plain = document.createElement("button");
  box.className = "error-summary";
  box.dataset.outboxLost = "";
  box.tabIndex = -1;
  box.setAttribute("role", "alert");
  for (const [words, kind] of [["Nothing was sent, and nothing is kept yet", "error-summary__title"],
    ["The network lost a part of this page. What you typed is still here: leave the page open and tap again when there is signal.", ""]]) {
    const line = document.createElement("p");
    line.textContent = words;
    line.className = kind;
    box.append(line);
  }
  plain.type = "button";
  plain.className = "button button--quiet";
  plain.textContent = "Send it without keeping a copy";
  plain.addEventListener("click", () => { form.dataset.unminded = "yes"; form.requestSubmit(submitter); });
  box.append(plain);
  form.prepend(box);
  box.focus();
}
