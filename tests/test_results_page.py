"""The page of results says what the tables beside it hold."""

import importlib.util
from pathlib import Path

import pandas as pd
import pytest

RESULTS = Path(__file__).parents[1] / "results"
ROWS = ("demo", "renderer", "quick", "standard", "calibrate", "study", "limits")


@pytest.fixture(scope="module")
def page():
    """Return the script that writes the page."""
    spec = importlib.util.spec_from_file_location("results_page", RESULTS / "page.py")
    module = importlib.util.module_from_spec(spec)
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(RESULTS)
        spec.loader.exec_module(module)
        yield module


def test_the_page_is_what_its_tables_say(page):
    """Nothing was edited by hand, and no table was remade without its page."""
    assert (RESULTS / "README.md").read_text(encoding="utf-8") == page.page()


def test_the_page_names_every_folder(page):
    """What is published is listed with the command that makes it."""
    text = page.page()
    missing = [p.name for p in RESULTS.iterdir() if p.is_dir() and f"`{p.name}/`" not in text]
    assert [name for name in missing if not name.startswith((".", "__"))] == []


def test_ladders_hold_the_ends_of_a_condition(page):
    """Mildest and hardest severity, means over scenes, for the frames and each method."""
    cases = [(1, 0.3, "a", 50.0, 40.0), (1, 0.3, "b", 50.0, 30.0), (2, 1.0, "a", 45.0, 35.0)]
    cases += [(2, 1.0, "b", 45.0, 31.0), (3, 2.5, "a", 41.0, 33.0), (3, 2.5, "b", 41.0, 32.0)]
    columns = ["severity", "value", "method", page.LIMIT, page.RESULT]
    rows = pd.DataFrame(cases, columns=columns).assign(condition="step")
    rows[page.SELECTION] = rows[page.LIMIT] - 5
    last = page.ladders(rows, ["a", "b"]).splitlines()[-1]
    assert last == (
        "| step | 0.3 -> 2.5 | 50.0 -> 41.0 | 45.0 -> 36.0 | 40.0 -> 33.0 | 30.0 -> 32.0 |"
    )


def test_the_page_says_how_old_a_study_is(page, monkeypatch):
    """From the checksums: what they call old is called so in its row, and nothing else is."""
    old = {"limits": ["simulator/optics.py"], "reproduce/fusion-blocks": ["metrics/x.py"]}
    monkeypatch.setattr(page, "stale", lambda: old)
    lines = page.page().splitlines()
    rows = {name: next(row for row in lines if row.startswith(f"| `{name}/`")) for name in ROWS}
    assert [name for name, row in rows.items() if row.endswith("| older than the code |")] == [
        "limits"
    ]
    assert sum(row.endswith("| as the code is |") for row in rows.values()) == len(ROWS) - 1
    assert any("code:** `reproduce/fusion-blocks`, `limits`." in line for line in lines)
