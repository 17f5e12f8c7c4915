"""A result file with known counts, so that the page's figures can be told from it."""

import json

import pytest

from app.evidence import METHOD_VERSION
from app.trials import report
from app.trials.cells import all_cells
from app.trials.counting import count_cell, count_cpu, heading
from app.trials.reading import Outcome


def outcomes(n, *, adopt=0, reject=0, look=2, intervals=()):
    """`adopt` programmes adopted at `look`, `reject` rejected then, the rest open after six looks."""
    found = []
    for number in range(n):
        word = "adopt" if number < adopt else "reject" if number < adopt + reject else "retest"
        last = 6 if word == "retest" else look
        looks = [("retest", "gain_not_shown")] * (last - 1) + [(word, "gain" if word == "adopt" else "futility")]
        found.append(Outcome(number, looks, "B" if word == "adopt" else "", [[]] * last, list(intervals), [10.0] * last))
    return found


def result_file(folder, cells, *, method=METHOD_VERSION):
    """Write a result file of `cells` (name -> outcomes); its path."""
    known = all_cells()
    content = {**heading(1), "cells": {name: count_cell(known[name], found) for name, found in cells.items()},
               "cpu": {name: count_cpu(found) for name, found in cells.items()}}  # fmt: skip
    path = folder / "results.json"
    path.write_text(json.dumps({**content, "method_version": method}))
    return path


@pytest.fixture
def shown(monkeypatch, tmp_path):
    """shown(cells, ...): the page reads this file instead of the committed one; None = no file at all."""

    original = report.read_report

    def show(cells, **more):
        path = tmp_path / "nothing.json" if cells is None else result_file(tmp_path, cells, **more)
        monkeypatch.setattr(report, "read_report", lambda: original(path))
        return path

    return show
