"""The benchmark's page: whole, closed to the network, and safe from what it shows."""

import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pytest

from runners.bench.cells import PLAIN, cells_of
from runners.bench.report import pairs, standing, write_report
from runners.bench.store import Store
from runners.bench.suite import Suite
from runners.cli import main
from runners.request import RequestError

METHODS = ("oracle", "mean", "middle-frame")
EVIL = "</td><script>alert(1)</script><img src=http://example.org/x>"


def faked(folder: Path, *, failed: bool = True) -> Store:
    """Fill a folder as a run would, with invented scores, for the page alone."""
    suite = Suite(
        name="tiny",
        title=EVIL,
        scenes=("ramp", "pickets", "coin"),
        methods=METHODS,
        frames=3,
        ladders=({"factor": "noise", "values": (200, 400, 800, 1600, 3200), "scenes": ("ramp",)},),
    )
    store = Store(folder)
    store.make()
    (folder / "suite.json").write_text(json.dumps(_plain(suite)))
    (folder / "environment.json").write_text(json.dumps({"workers": 1, "commit": "abc"}))
    for number, cell in enumerate(cells_of(suite)):
        rank = METHODS.index(cell.method.name)
        bad = failed and number == 4
        scores = {
            "total.psnr_db": 40.0 - 5 * rank - cell.stack.severity,
            "capture.psnr_db": 42.0,
            "merge.psnr_db": 41.0 - 5 * rank,
            "merge_loss_db": 2.0 + 5 * rank,
            "total.ssim": 0.99 - 0.1 * rank,
            "residual_px": 0.1,
            "total.psnr_db.textured": 39.0 - 5 * rank,
        }
        row = {
            "scene": cell.stack.plan.scene.name,
            "condition": cell.stack.condition,
            "severity": cell.stack.severity,
            "value": cell.stack.value,
            "method": cell.method.name,
            "status": "failed" if bad else "ok",
            "reason": EVIL if bad else "",
            "cell_key": cell.key,
            "seconds": 1.0,
            **({} if bad else scores),
        }
        store.keep(cell.key, row)
    return store


def _plain(suite: Suite) -> object:
    from pydantic import TypeAdapter

    return TypeAdapter(Suite).dump_python(suite, mode="json")


class Parts(HTMLParser):
    """Collects the tags and addresses of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.links: list[str] = []
        self.alts: list[str | None] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a tag."""
        self.tags.append(tag)
        known = dict(attrs)
        self.links += [known[name] or "" for name in ("src", "href") if name in known]
        if tag == "img":
            self.alts.append(known.get("alt"))


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Write the page of a folder in which one cell failed with an evil reason."""
    store = faked(tmp_path_factory.mktemp("report"))
    return write_report(store.path).read_text(encoding="utf-8")


def test_nothing_on_the_page_reaches_out(page: str) -> None:
    """Pictures are in the page, the policy forbids the rest, and each picture has its words."""
    parts = Parts()
    parts.feed(page)
    assert parts.links
    assert all(link.startswith("data:image/png;base64,") for link in parts.links)
    assert "default-src 'none'" in page
    assert all(parts.alts)


def test_names_and_reasons_cannot_become_code(page: str) -> None:
    """The only script is ours, and the evil title and reason are read as text."""
    parts = Parts()
    parts.feed(page)
    assert parts.tags.count("script") == 1
    assert "<script>alert" not in page
    assert page.count("&lt;script&gt;alert(1)") >= 3  # title, heading and reason


def test_the_policy_names_our_script(page: str) -> None:
    """The checksum in the policy is that of the script in the page, byte for byte."""
    import base64
    import hashlib

    script = re.search(r"<script>(.*)</script>", page, re.S)
    stated = re.search(r"'sha256-([^']+)'", page)
    assert script
    assert stated
    digest = hashlib.sha256(script[1].encode()).digest()
    assert base64.b64encode(digest).decode() == stated[1]


def test_words_and_tables_tell_the_outcome(page: str) -> None:
    """Best and worst, the number of cells and failures, and the command."""
    assert "24 of 24 cells are done; 1 of them failed." in page
    assert "oracle came out best with 40.0 dB" in page
    assert "stacktruth bench tiny --out DIR --workers 1" in page


def test_a_failure_ranks_worst_but_is_told_apart(tmp_path: Path) -> None:
    """The mean failed on one of three scenes: it counts as 30 dB there, and 35 dB elsewhere."""
    store = faked(tmp_path)
    rows = pd.read_csv(write_report(store.path).parent / "rows.csv")
    table = standing(rows[rows["condition"] == PLAIN])
    mean = dict(zip(table.columns, table.rows[1], strict=True))
    assert mean["method"] == "mean"
    assert (mean["dB"], mean["without failures"], mean["failed"]) == ("33.33", "35.00", "1")


def test_three_scenes_are_too_few_to_tell(tmp_path: Path) -> None:
    """With three blocks the least two-sided p is 1/4, times three pairs."""
    store = faked(tmp_path, failed=False)
    rows = pd.read_csv(write_report(store.path).parent / "rows.csv")
    table = pairs(rows[rows["condition"] == PLAIN])
    assert [row[3] for row in table.rows] == ["0.750"] * 3
    assert [row[2] for row in table.rows] == ["1.00"] * 3


def test_report_of_nothing_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No benchmark, or one in which nothing is done."""
    assert main(["report", str(tmp_path)]) == 2
    assert "no benchmark" in capsys.readouterr().err
    store = faked(tmp_path)
    for path in (store.path / "cells").iterdir():
        path.unlink()
    with pytest.raises(RequestError, match="no cell is done"):
        write_report(store.path)
