// What the pages gain from a script. None of it is needed to do the job: every form posts and every link goes without it.
"use strict";

const messages = () => document.getElementById("messages");

/** Puts a remark at the top of the page, where a screen reader hears it. */
function say(kind, word, text) {
  const note = document.createElement("div");
  note.className = `note note--${kind}`;
  const line = document.createElement("p");
  const strong = document.createElement("strong");
  strong.className = "note__word";
  strong.textContent = `${word}.`;
  line.append(strong, ` ${text}`);
  note.append(line);
  messages().replaceChildren(note);
  messages().scrollIntoView({ block: "nearest" });
}

// --- wrong answers: the summary takes focus, on a fresh page and after a swap
function showErrors(root) {
  const summary = root.querySelector("[data-error-summary]");
  if (summary) summary.focus();
  const title = document.title.replace(/^Error: /, "");
  document.title = document.querySelector("[data-error-summary]") ? `Error: ${title}` : title;
  return summary;
}

// --- forms that hold something unsent: ask before the page is left
const unsent = new Set();
document.addEventListener("input", (event) => {
  const form = event.target.closest("form[data-guard]");
  if (form) unsent.add(form);
});
document.addEventListener("submit", (event) => unsent.delete(event.target));
window.addEventListener("beforeunload", (event) => {
  if ([...unsent].some((form) => form.isConnected)) event.preventDefault();
});

// --- htmx: say what a swap would otherwise hide
document.addEventListener("htmx:after:swap", (event) => {
  const region = event.detail.ctx?.target;
  if (!(region instanceof Element)) return;
  const summary = showErrors(region);
  const form = summary?.closest("form[data-guard]");
  if (form) unsent.add(form);
  if (document.activeElement === document.body) {               // what was pressed is gone: stay in its place
    region.tabIndex = -1;
    region.focus({ preventScroll: true });
  }
  const told = region.querySelector("[data-announce]");
  if (told) document.getElementById("announcer").textContent = told.dataset.announce;
});

// A form that comes back with its own summary (422, or a 403 or 409 that belongs to it) is swapped in place;
// any other refusal leaves the page as it is and is told on top of it.
const comesBack = (ctx) => ctx.response.status < 400 || (ctx.text ?? "").includes("data-error-summary");
document.addEventListener("htmx:before:swap", (event) => {
  if (event.detail.ctx?.response && !comesBack(event.detail.ctx)) event.preventDefault();
});
document.addEventListener("htmx:response:error", (event) => {
  const { response, text, sourceElement } = event.detail.ctx;
  if (comesBack(event.detail.ctx)) return;
  if (sourceElement?.matches("form[data-guard]")) unsent.add(sourceElement);
  const page = new DOMParser().parseFromString(text ?? "", "text/html");
  const part = (name) => page.querySelector(`[data-refusal-${name}]`)?.textContent.trim();
  const told = ["title", "reason", "next"].map(part).filter(Boolean).map((line) => (/[.?]$/.test(line) ? line : `${line}.`)).join(" ");
  say("warn", "Not done", told || `The server answered ${response.status}. What you typed is still here; try again.`);
});

document.addEventListener("htmx:error", (event) => {
  const form = event.detail.ctx?.sourceElement;
  if (form?.matches?.("form[data-guard]")) unsent.add(form);
  say("warn", "Not sent", "No answer from the server. What you typed is still on this page; try again when there is signal.");
});

// --- one tap that fills in what was noted last time
document.addEventListener("click", (event) => {
  const filler = event.target.closest("[data-fill]");
  if (!filler) return;
  const form = filler.closest("form");
  for (const [name, value] of Object.entries(JSON.parse(filler.dataset.fill))) {
    const field = form.elements.namedItem(name);
    if (field) { field.value = value; field.dispatchEvent(new Event("input", { bubbles: true })); }
  }
});

// --- the paper: as on the device, light, dark
const PAPERS = [["", "as on this device"], ["light", "light"], ["dark", "dark"]];
function drawSwitch(button) {
  const now = document.documentElement.dataset.theme ?? "";
  button.textContent = `Paper: ${PAPERS.find(([value]) => value === now)[1]}`;
}
function nextPaper(button) {
  const now = document.documentElement.dataset.theme ?? "";
  const [next] = PAPERS[(PAPERS.findIndex(([value]) => value === now) + 1) % PAPERS.length];
  if (next) document.documentElement.dataset.theme = next; else delete document.documentElement.dataset.theme;
  try { if (next) localStorage.setItem("proveout-theme", next); else localStorage.removeItem("proveout-theme"); } catch { /* kept for this page only */ }
  drawSwitch(button);
}

const summary = showErrors(document);
if (summary?.closest("form[data-guard]")) unsent.add(summary.closest("form[data-guard]"));
const paper = document.querySelector("[data-theme-switch]");
if (paper) {
  paper.hidden = false;
  drawSwitch(paper);
  paper.addEventListener("click", () => nextPaper(paper));
}
