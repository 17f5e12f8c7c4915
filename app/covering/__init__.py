"""PURE: covering arrays. Which few trial builds try every pair (or triple) of options, and what explains those that rub.

Start at `propose.py`. A cell is one level for each factor; a combination is some of them, such as a pair. No database,
no clock, no dependency but the standard library; the same question with the same seed has the same answer.
"""
