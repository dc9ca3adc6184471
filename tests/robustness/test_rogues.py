"""Methods that misbehave: each gets its status and one plain line, and nothing stays behind.

One of each cause is run each time; the rest, of `rogues.ROGUES`, is slow.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from stacktruth.runners.isolate import walls
from tests.robustness.rogue_runs import SmallStack, run_rogue, small_stack
from tests.robustness.rogues import ROGUES


@pytest.fixture(autouse=True)
def _walls() -> None:
    """Leave the tests out where the system has no walls: there the truth could be read, too."""
    if walls.best_wall() != "landlock":
        pytest.skip("no Landlock here")


@pytest.fixture(scope="module")
def stack(tmp_path_factory: pytest.TempPathFactory) -> SmallStack:
    """Return two frames in a folder of their own."""
    return small_stack(tmp_path_factory.mktemp("stack"))


@pytest.mark.parametrize("name", [name for name, rogue in ROGUES.items() if rogue.often])
def test_a_rogue_gets_its_status(tmp_path: Path, stack: SmallStack, name: str) -> None:
    """Of each cause one."""
    assert run_rogue(ROGUES[name], stack, tmp_path) == []


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for name, rogue in ROGUES.items() if not rogue.often])
def test_each_other_rogue_gets_its_status(tmp_path: Path, stack: SmallStack, name: str) -> None:
    """All others."""
    assert run_rogue(ROGUES[name], stack, tmp_path) == []
