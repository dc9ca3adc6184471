"""Puts what ``stacktruth compare`` prints into the page that asks it three questions.

Usage: ``python -m docs.generate.answers`` in the root, after ``results/standard`` was made again.
"""

from __future__ import annotations

import io
import os
import re
import shlex
from contextlib import chdir, redirect_stderr, redirect_stdout
from pathlib import Path

from stacktruth.runners.cli import main

HOUSE = Path(__file__).resolve().parents[2]
PAGE = HOUSE / "docs" / "howto" / "compare_two_methods.md"
_ASKED = re.compile(
    r"(```console\n\$ (?P<line>[^\n]*)\n```\n\n```text\n)(?P<told>.*?)(```)", re.DOTALL
)


def filled(text: str) -> str:
    """Return a page with the answer under each command."""
    return _ASKED.sub(lambda found: f"{found[1]}{answer(found['line'])}{found[4]}", text)


def answer(line: str) -> str:
    """Return what a command prints, run in the house.

    Raises
    ------
    ValueError
        It did not go well.
    """
    told = io.StringIO()
    with chdir(HOUSE), redirect_stdout(told), redirect_stderr(io.StringIO()):
        status = main(shlex.split(line)[1:])
    if status:
        raise ValueError(f"{line}: ended with {status}")
    return re.sub(r" +$", "", told.getvalue(), flags=re.MULTILINE)


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    PAGE.write_text(filled(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
