"""Proveout: from a mock-up's open design questions to signed rulings.

A programme runs in this order, and so does the code: parts and their revisions -> design questions with
variants -> test sessions, runs and what was really on the car -> what drivers said of each run -> concerns
-> the evidence sheet and the ruling. Every folder is one chapter, with the same file names inside:
models, rules, queries, commands, forms, pages.

Start reading at `questions/rules.py` (what is declared), `sessions/models.py` (what was driven),
`feedback/rules.py` (what counts), `evidence/__init__.py` (what may be concluded) and
`decisions/commands.py` (the ruling). `access/policy.py` says who may do what, on one screen.
"""

import gc

# What is made while the app is imported stays; looking through it for garbage costs a tenth of the start.
gc.set_threshold(300_000, 20, 20)
