"""Phones that file while the server is killed: what was acknowledged is stored, once, unchanged, under its own name.

The sums are those of Jepsen's set-full checker (lost, doubled, unexpected), with altered content and wrong name beside;
the harness is void unless it catches the planted faults of `planted.py`.
"""
