"""Events before, while and after a benchmark runs: each comes out as it must.

``python -m tests.robustness.events --workers 8`` lets all of them happen, several at once.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.robustness.event_rooms import Room
from tests.robustness.events import EVENTS


@pytest.mark.long
@pytest.mark.parametrize("name", EVENTS)
def test_an_event_comes_out_as_it_must(tmp_path: Path, name: str) -> None:
    """The table of a run in peace, or one sentence; nothing is lost or left behind."""
    assert EVENTS[name](Room(tmp_path.resolve() / "room")) == []
