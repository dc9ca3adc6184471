"""The page on what the renderer leaves out shows the tables that its commands made."""

import sys
from pathlib import Path

import pandas as pd
import pytest

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "docs" / "what_the_renderer_leaves_out.md"


@pytest.fixture(scope="module", autouse=True)
def commands():
    """Let the commands be imported as they import each other."""
    with pytest.MonkeyPatch.context() as patch:
        for folder in ("references", "speed"):
            patch.syspath_prepend(ROOT / "tests" / folder)
        yield
    for name in ("levels", "scoring", "draw_scores", "doc_tables", "timing"):
        sys.modules.pop(name, None)


def on_page(name):
    """Return what stands between two marks of the page."""
    text = PAGE.read_text(encoding="utf-8")
    return text.split(f"<!-- {name}: begin -->\n")[1].split(f"\n<!-- {name}: end -->")[0]


def test_prices_are_those_of_their_table():
    """What a level costs is what was measured."""
    from levels import as_page

    prices = pd.read_csv(ROOT / "results" / "speed" / "prices.csv")
    assert on_page("prices") == as_page(prices)


def test_scores_of_cases_are_those_of_their_table():
    """So is how near each level comes to the path tracer."""
    from scoring import cases_table

    table = pd.read_csv(ROOT / "results" / "renderer" / "cases.csv")
    assert on_page("cases") == cases_table(table.to_dict("records"))


def test_scores_of_random_scenes_are_those_of_their_table():
    """And how many of a hundred random scenes hold the promise."""
    from draw_scores import summary

    table = pd.read_csv(ROOT / "results" / "renderer" / "random-scenes.csv", keep_default_na=False)
    assert on_page("draws") == summary(table)
