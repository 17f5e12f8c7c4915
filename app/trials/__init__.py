"""How far the rule can be trusted: simulated programmes whose truth is known, read by the same rule, and the page that tells.

`world` makes a programme, `cells` says which situations are tried, `campaign` runs and counts them, `results.json` is
what the last full campaign found, `report` reads it for the page. Nothing here enters a verdict.
"""

from pathlib import Path

RESULTS = Path(__file__).with_name("results.json")
"""What the last full campaign found; the page "How far to trust this" is built from it."""
