"""Kill -9 of `bench` and `render` at random moments: the same bytes in the end, nothing about.

A few kills here, before a release (CI kills a benchmark in `tests/runners/test_bench.py` and
`test_bench_failures.py`); ``python -m tests.robustness.kills 100`` does a hundred of each.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.long
def test_what_was_killed_is_made_whole_by_the_same_command() -> None:
    """Tables and pictures as in peace; no draft, lock, temporary folder or process stays."""
    asked = [sys.executable, "-m", "tests.robustness.kills", "4"]
    ran = subprocess.run(asked, cwd=ROOT, capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert re.findall(r"(bench|render) with (\d) workers: 2 kills", ran.stdout) == [
        *(("bench", "1"), ("bench", "2"), ("render", "1"), ("render", "2"))
    ]
    assert re.search(r"\nkills: 8 tried, 0 wrong; longest [^\n]* MB\n$", ran.stdout)
