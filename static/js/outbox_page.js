// The list of what this phone still holds. Nothing is deleted here without a second tap.
"use strict";

function inWords(entry) {
  const hidden = ["token", "phone_captured_ms", "phone_offset_ms", "version", "edition"];
  return entry.pairs.filter(([name, value, digest]) => !digest && value && !hidden.includes(name) && !name.startsWith("mark_"))
    .map(([name, value]) => `${name.replaceAll("_", " ")}: ${value}`)
    .concat(entry.files ? ["with a photo"] : [])
    .concat(entry.pairs.some(([name]) => name.startsWith("mark_")) ? [`${entry.pairs.filter(([name, value]) => name.startsWith("mark_") && value).length} marks`] : []);
}
function button(label, kind, act) {
  const made = node("button", label, { type: "button", class: `button button--${kind}` });
  made.addEventListener("click", () => act(made));
  return made;
}
function drawEntry(entry) {
  const item = node("li", "", { "data-entry": entry.token });
  const mine = entry.person === Outbox.PERSON;
  item.append(node("h2", entry.what || entry.path));
  item.append(node("p", `Filed on this phone ${new Date(entry.made).toLocaleString()} by ${entry.initials || "another person"}, ${ageOf(entry.made)} ago.`));
  if (!mine) { item.append(node("p", `It waits until ${entry.initials || "its writer"} signs in on this phone, and is never sent as anybody else.`)); return item; }
  item.append(node("p", inWords(entry).join(" · ")));
  const said = entry.said;
  if (said) item.append(node("p", `${entry.state === "refused" ? "Not taken" : "Not sent yet"}: ${[said.title, said.reason, said.next].filter(Boolean).map((t) => t.replace(/\.$/, "")).join(". ")}.`));
  else item.append(node("p", entry.path.includes("@") ? "Goes after the entry that it stands on." : "Waits for signal."));
  const row = node("p", "", { class: "buttons" });
  row.append(button("Send now", "plain", () => Outbox.replay(entry.token)));
  if (said?.status === 401) row.append(node("a", "Sign in", { class: "button button--primary", href: `/sign-in?next=${encodeURIComponent(location.pathname)}` }));
  if (entry.state === "refused") row.append(node("a", "Open again", { class: "button button--primary", href: `${entry.page}#again=${entry.token}` }));
  row.append(button("Drop this entry", "quiet", (made) => {
    if (made.dataset.sure) { Outbox.drop(entry.token); return; }
    made.dataset.sure = "yes";
    made.className = "button button--danger";
    made.textContent = "Tap again: drop it for good";
  }));
  item.append(row);
  return item;
}
/** A file's bytes as a data: address, so that the download holds them too. */
const asText = (file) => new Promise((done, fail) => {
  const reader = new FileReader();
  reader.onload = () => done(reader.result);
  reader.onerror = () => fail(reader.error);
  reader.readAsDataURL(file);
});
const shownOutbox = document.getElementById("outbox");
let drawn = "";
Outbox.onChange((entries) => {
  const now = JSON.stringify(entries);
  if (now === drawn) return;
  drawn = now;
  const mine = entries.filter((e) => e.person === Outbox.PERSON);
  document.getElementById("outbox-empty").hidden = entries.length > 0;
  shownOutbox.replaceChildren(...entries.map(drawEntry));
  document.getElementById("outbox-all").hidden = !mine.length;
});
document.getElementById("outbox-send").addEventListener("click", () => Outbox.replay("all"));
document.getElementById("outbox-download").addEventListener("click", async () => {
  const mine = (await Outbox.list()).filter((e) => e.person === Outbox.PERSON);
  for (const entry of mine) for (const [name, file] of Object.entries(entry.files || {})) entry.files[name] = await asText(file);
  const link = node("a", "", { download: `unsent-${new Date().toISOString().slice(0, 16).replaceAll(":", "")}.json` });
  link.href = URL.createObjectURL(new Blob([JSON.stringify({ what: "entries not sent yet", entries: mine }, null, 1)], { type: "application/json" }));
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
});
Outbox.changed();
