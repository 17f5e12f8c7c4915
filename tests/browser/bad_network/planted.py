"""Faults that are put into the outbox's script on its way to the phone, so that the schedules can show they catch them."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Plant:
    """`changes`: (as it is, as it is planted); `caught_as`: the sum that must not stay 0, or "still unsent"."""

    what: str
    caught_as: str
    changes: tuple[tuple[str, str], ...]

    def rewrite(self, script: str) -> str:
        for right, wrong in self.changes:
            if script.count(right) != 1:
                raise ValueError(f"the outbox has {script.count(right)} places that read {right!r}: renew the planted fault")
            script = script.replace(right, wrong)
        return script


ECHOES = "receipt?.token === entry.token && receipt?.hash === entry.hash"
PLANTS = {
    "any_200": Plant("a 200 without a matching receipt counts as sent", "lost",
                     ((f"answer.status === 200 && {ECHOES}", "answer.status === 200"),
                      ("remove(entry, receipt.went)", "remove(entry, receipt?.went)"),
                      ("sent.set(entry.token, receipt)", "sent.set(entry.token, receipt || {})"))),
    "fresh_token": Plant("a retry has a token of its own, but for slips, whose own rows would refuse it", "doubled",
                         (('"X-Outbox": entry.token', '"X-Outbox": entry.tries && !entry.path.endsWith("/slip") ? mint() : entry.token'),
                          (ECHOES, "receipt?.hash === entry.hash"))),
    "whoever": Plant("an entry is sent as whoever is signed in", "under another name",
                     (('"X-Outbox-Person": entry.person', '"X-Outbox-Person": PERSON'),
                      ("e && e.person === PERSON &&", "e &&"))),
    "memory": Plant("what was typed is changed before it is kept", "altered",
                    (("entry.hash = hashOf(entry);",
                      'entry.pairs.forEach((p) => { if (["remark", "words", "note"].includes(p[0])) p[1] = p[1].toUpperCase(); }); '
                      "entry.hash = hashOf(entry);"),)),
}  # fmt: skip
