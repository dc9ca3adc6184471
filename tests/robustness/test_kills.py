"""Kill -9 of `bench` and `render` at random moments: the same bytes in the end, nothing about.

A few kills here; ``python -m tests.robustness.kills 100`` does a hundred of each.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.robustness.kills import Work, bench_work, chains, render_work


@pytest.mark.slow
@pytest.mark.parametrize(("make", "workers"), [(bench_work, 1), (render_work, 2)])
def test_what_was_killed_is_made_whole_by_the_same_command(
    make: Callable[..., Work], workers: int, tmp_path: Path
) -> None:
    """Tables and pictures as in peace; no draft, lock, temporary folder or process stays."""
    (tmp_path / "work").mkdir()
    work = make(tmp_path / "work", workers=workers)
    done = list(chains(work, tmp_path / "chains", kills=3))
    assert sum(one.kills for one in done) == 3
    assert [text for one in done for text in one.wrong] == []
