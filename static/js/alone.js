// A driver alone, step by step: session, start, end, slip, next run. Each step stands on the one before it: "@token" stands for
// what the server has not numbered yet, and the outbox puts the number in as soon as the receipt is here.
"use strict";

const aloneKey = `proveout-alone-${Outbox.PERSON}`;
const STEPS = { open: "start", start: "end", end: "slip", slip: "next", next: "start", close: "open" };
const TOLD = {
  start: "The car is ready.", end: "The run is under way.", slip: "The run has ended.", next: "The slip is filed.", open: "The session is closed.",
};
const aloneSteps = [...document.querySelectorAll("[data-alone]")];
const shownSession = document.querySelector("[data-alone=next] form")?.getAttribute("action").match(/\/sessions\/(\d+)\//)?.[1];

function recallAlone() {
  try {
    const kept = JSON.parse(localStorage.getItem(aloneKey) || "null");
    if (kept && kept.step in TOLD) return kept;
  } catch { /* nothing is kept */ }
  return { step: "open" };
}
function keepAlone(state) {
  try { localStorage.setItem(aloneKey, JSON.stringify(state)); } catch { /* this page still knows */ }
  alone = state;
  drawAlone();
}
/** What stands for a run or session: its number where the server gave one, else "@token". */
function numbered(kind, mark) {
  if (!mark?.startsWith("@")) return mark;
  const found = new URL(Outbox.madeBy(mark.slice(1)) || "/", location.href).searchParams.get(kind);
  return /^\d+$/.test(found ?? "") ? found : mark;
}
function drawAlone() {
  for (const section of aloneSteps) {
    section.hidden = section.dataset.alone !== alone.step;
    for (const form of section.querySelectorAll("form")) {
      form.dataset.outboxStays = "yes";
      form.dataset.outboxOn = numbered(form.action.includes("/sessions/") ? "session" : "run", form.action.includes("/sessions/") ? alone.session : alone.run) || "";
    }
  }
  document.querySelector("[data-alone-again]").hidden = alone.step === "open";
  sameCar();
}

let alone = recallAlone();
if (shownSession && shownSession !== "0") alone = { step: "next", session: shownSession };   // the page was asked for that session's next run
drawAlone();
if (document.querySelector("[data-error-summary]")) for (const section of aloneSteps) section.hidden = !section.querySelector("[data-error-summary]");

/** The next run has the same car unless another is chosen. */
function sameCar() {
  const form = document.querySelector("[data-alone=next] form"), { car, new_car: other } = form.elements;
  if (!alone.car || car.value || other.value) return;
  car.value = alone.car;
  if (car.value !== alone.car) { car.value = ""; other.value = alone.car; }   // one that the list does not have yet
}
function stepAfter(form, { token, pairs }) {
  const step = form.getAttribute("aria-label") === "Close" ? "close" : form.closest("[data-alone]")?.dataset.alone;
  if (!step) return null;
  const next = { ...alone, step: STEPS[step] };
  const typed = Object.fromEntries(pairs);
  next.car = typed.new_car || typed.car || alone.car;
  if (step === "open") next.session = next.run = `@${token}`;
  if (step === "next") next.run = `@${token}`;
  return next;
}
document.addEventListener("outbox:kept", ({ target, detail }) => {   // from here on the step is done, also if the page is closed now
  const next = stepAfter(target, detail);
  if (next) try { localStorage.setItem(aloneKey, JSON.stringify(next)); } catch { /* this page still knows */ }
});
document.addEventListener("outbox:filed", ({ target, detail }) => {
  const next = stepAfter(target, detail.entry);
  if (!next) return;
  target.reset();
  const token = target.elements.namedItem("token");
  if (token) token.value = Outbox.mint();
  delete target.dataset.again;
  target.querySelector("[data-error-summary]")?.remove();
  const said = document.querySelector("[data-alone-said]");
  said.textContent = `${TOLD[next.step]} ${detail.sent ? "The server has it." : "Kept on this phone; it is sent by itself as soon as there is signal."}`;
  said.hidden = false;
  keepAlone(next);
  document.querySelector(`[data-alone=${next.step}] h2`)?.scrollIntoView({ block: "start" });
});
document.querySelector("[data-alone-again] button").addEventListener("click", () => { location.hash = ""; keepAlone({ step: "open" }); });
