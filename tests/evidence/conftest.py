"""The reference-case option and its closing list; the fixtures of this folder are plain functions in `make.py`."""

import json
from pathlib import Path

OWN_CASES = Path(__file__).parent / "cases"


def pytest_addoption(parser):
    parser.addoption(
        "--cases", default=None, metavar="DIR", help="folder of reference cases for test_reference_cases.py"
    )


def cases_folder(config) -> Path:
    """The folder asked for; from the repository root this file is read too late for its option to have been parsed."""
    return Path(config.getoption("--cases", default=None) or OWN_CASES)


def pytest_terminal_summary(terminalreporter, config):
    """Kinds nobody serves yet, and keys nobody compares: named, so that silence is not read as success."""
    from tests.evidence.test_reference_cases import METHODS, method_key, never_compared

    reports = [r for group in terminalreporter.stats.values() for r in group if hasattr(r, "nodeid")]
    if not any("test_reference_cases" in report.nodeid for report in reports):
        return
    unused: dict[str, list[str]] = {}
    for file in sorted(cases_folder(config).glob("*/expected.json")):
        case = json.loads(file.read_text())
        if method_key(case) not in METHODS:
            unused.setdefault(str(case.get("kind")), []).append(file.parent.name)
        elif skipped := never_compared(case):
            terminalreporter.write_line(f"{file.parent.name}: not compared, by its own rule: {', '.join(skipped)}")
    for kind, folders in sorted(unused.items()):
        terminalreporter.write_line(f"kind not served: {kind} ({', '.join(folders)})")
