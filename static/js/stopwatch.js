// A stopwatch for one run. Taps are kept on this phone under the run and the person until the ordinary form has filed them.
"use strict";

const watch = document.querySelector("[data-stopwatch]");
if (watch) {
  const key = `proveout-laps-${watch.dataset.stopwatch}-${watch.dataset.person}`;
  const part = (name) => watch.querySelector(`[data-watch-${name}]`);
  const [now, said, lap, undo, clear, file] = ["now", "said", "lap", "undo", "clear", "file"].map(part);
  const form = watch.querySelector("form");
  const text = form.elements.laps;
  let taps = [];

  const seconds = (ms) => (ms / 1000).toFixed(2);

  function recall() {
    try {
      const kept = JSON.parse(localStorage.getItem(key) || "[]");
      taps = Array.isArray(kept) ? kept.filter(Number.isFinite) : [];
    } catch {
      taps = [];
    }
  }

  function keep() {
    try {
      localStorage.setItem(key, JSON.stringify(taps));
    } catch {
      said.textContent = "This phone does not keep the taps: leave this page open until they are filed.";
    }
  }

  function show() {
    const laps = taps.slice(1).map((tap, n) => tap - taps[n]);
    text.value = laps.map(seconds).join("\n");
    lap.textContent = taps.length ? `Lap ${laps.length + 1}` : "Start";
    undo.disabled = clear.disabled = !taps.length;
    file.disabled = !laps.length;
    if (laps.length) said.textContent = `Lap ${laps.length}: ${seconds(laps.at(-1))} s.`;
    else if (taps.length) said.textContent = "Running. Tap at each passing.";
  }

  // The wall clock goes on while the phone sleeps or the page is closed; performance.now() starts anew with each page.
  lap.addEventListener("click", () => {
    const moment = Date.now();
    if (taps.length && moment - taps.at(-1) < 700) return; // a glove that bounced
    taps.push(moment);
    keep();
    show();
  });
  undo.addEventListener("click", () => {
    taps.pop();
    keep();
    show();
  });
  clear.addEventListener("click", () => {
    if (!window.confirm("Clear every tap of this run?")) return;
    taps = [];
    keep();
    show();
    said.textContent = "Cleared. Tap when the car crosses the start line.";
  });
  form.addEventListener("submit", show);
  watch.addEventListener("outbox:kept", () => {                 // the outbox has them now: one copy, and no second filing
    taps = [];
    keep();
    for (const gone of [lap, undo, clear]) gone.disabled = true;
  });
  setInterval(() => {
    now.textContent = taps.length ? seconds(Math.max(Date.now() - taps.at(-1), 0)) : "0.00";
  }, 100);

  recall();
  show();
  watch.hidden = false;
}

// The laps of this run are filed: what the phone kept of them is not needed any more.
const filed = document.querySelector("[data-laps-filed]");
if (filed) {
  try {
    localStorage.removeItem(`proveout-laps-${filed.dataset.lapsFiled}-${filed.dataset.person}`);
  } catch {
    // nothing was kept
  }
}
