"""The benchmark's page: whole, closed to the network, and safe from what it shows."""

import html
import json
import re
import shlex
import shutil
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stacktruth.runners.bench.grid.cells import PLAIN, cells_of
from stacktruth.runners.bench.grid.suite import Ladder, Suite, load_suite
from stacktruth.runners.bench.ranking.metric_column import LOST, metric_column
from stacktruth.runners.bench.ranking.standings import Standings, standings
from stacktruth.runners.bench.report import report
from stacktruth.runners.bench.report.charts import dot_chart, factor_maps
from stacktruth.runners.bench.report.curves import curves
from stacktruth.runners.bench.report.report import called, summary, write_report
from stacktruth.runners.bench.report.tables import (
    above_limits,
    artefacts,
    depths,
    pairs,
    stages,
    standing,
)
from stacktruth.runners.bench.report.viewer_parts import Viewer
from stacktruth.runners.bench.running.store import DoneCell, Store
from stacktruth.runners.cli import main
from stacktruth.runners.request import RequestError

METHODS = ("focus-map", "laplacian-pyramid", "wavelet")
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
            "capture.psnr_db": 44.0,
            "selection.psnr_db": 42.0,
            "selection_loss_db": 2.0,
            "merge_loss_db": 2.0 + 5 * rank + cell.stack.severity,
            "view": "given",
            "above_limit": "",
            "total.ssim": 0.99 - 0.1 * rank,
            "residual_px": 0.1,
            "total.psnr_db.textured": 39.0 - 5 * rank,
        }
        row = {
            "suite": suite.name,
            "scene": cell.stack.shoot.scene.name,
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
        store.keep(cell.key, DoneCell(row=row))
    return store


def stood(rows: pd.DataFrame) -> Standings:
    """Return how methods stand by what they lost in the merge."""
    return standings(rows, metric_column(LOST, rows.columns))


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
    inside = re.compile(r"data:image/(png|webp);base64,[\w+/=]+|data:,|#\w+")
    assert all(inside.fullmatch(link) for link in parts.links)
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
    """What three scenes can say, the number of cells and failures, and the command."""
    assert "24 of 24 cells are done; 1 of them failed." in page
    assert "3 scenes say nothing about which method is better: the least is 6" in page
    assert "stacktruth bench tiny.toml --out again --workers 1; stacktruth report again" in page


def test_a_failure_ranks_worst_but_is_told_apart(tmp_path: Path) -> None:
    """The pyramid failed on one of three scenes: 12 dB lost there, 7 elsewhere; typically 9.5."""
    store = faked(tmp_path)
    rows = pd.read_csv(write_report(store.path).parent / "rows.csv")
    plain = rows[rows["condition"] == PLAIN]
    table = standing(plain, stood(plain))
    row = dict(zip(table.columns, table.rows[1], strict=True))
    assert row["method"] == "laplacian-pyramid"
    # Of 12, 7, 7 and the means of pairs 9.5, 9.5, 7: the median is halfway from 7 to 9.5.
    assert (row["lost in the merge dB"], row["without failures"]) == ("8.25", "7.00")
    assert (row["failed"], row["skipped"]) == ("1", "0")


def test_three_scenes_are_too_few_to_tell(tmp_path: Path) -> None:
    """With three blocks the least two-sided p is 1/4, times three pairs."""
    store = faked(tmp_path, failed=False)
    rows = pd.read_csv(write_report(store.path).parent / "rows.csv")
    plain = rows[rows["condition"] == PLAIN]
    table = pairs(plain, stood(plain))
    found = [dict(zip(table.columns, row, strict=True)) for row in table.rows]
    assert [row["p (Holm)"] for row in found] == ["0.750"] * 3
    assert [row["effect"] for row in found] == ["1.00"] * 3
    assert [row["verdict"] for row in found] == ["too few scenes to say"] * 3
    assert [row["could have seen dB"] for row in found] == ["-"] * 3


def test_standings_and_pairs_are_files(tmp_path: Path) -> None:
    """A row a method and a row a pair, as the page has them."""
    folder = write_report(faked(tmp_path, failed=False).path).parent
    assert list(pd.read_csv(folder / "standings.csv")["method"]) == list(METHODS)
    found = pd.read_csv(folder / "pairs.csv")
    assert found[["first", "second", "advantage"]].to_numpy().tolist() == [
        ["focus-map", "laplacian-pyramid", 5.0],
        ["focus-map", "wavelet", 10.0],
        ["laplacian-pyramid", "wavelet", 5.0],
    ]


def test_a_suite_is_called_as_the_command_line_knows_it() -> None:
    """A shipped one by its name; one that only has the name of a shipped one by its file."""
    quick = load_suite("quick")
    assert called(quick) == "quick"
    assert called(replace(quick, seeds=(1, 2))) == "quick.toml"
    assert called(replace(quick, name="my own")) == "my own.toml"


def test_each_cell_has_its_command(page: str, tmp_path: Path) -> None:
    """24 rows, each with the key of its own cell, in the suite's order."""
    store = faked(tmp_path)
    suite = Suite(**json.loads((store.path / "suite.json").read_text()))
    keys = re.findall(r"stacktruth bench tiny.toml --out again --only (\w+)", page)
    assert keys == [cell.key for cell in cells_of(suite)]


@pytest.mark.slow
def test_the_command_of_a_cell_makes_its_numbers(
    small_bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the page says of the focus map on the second scene, done as a reader would."""
    page = write_report(small_bench.folder).read_text(encoding="utf-8")
    rows = pd.read_csv(small_bench.folder / "rows.csv")
    row = rows[rows["method"] == "focus-map"].iloc[1]
    line = html.unescape(re.findall(rf"<code>([^<]* --only {row['cell_key']})</code>", page)[0])
    shutil.copy(small_bench.suite, tmp_path)
    monkeypatch.chdir(tmp_path)
    program, *arguments = shlex.split(line)
    assert program == "stacktruth"
    assert main(arguments) == 0
    again = pd.read_csv(tmp_path / "again" / "rows.csv")
    again = again[again["cell_key"] == row["cell_key"]]
    assert len(again) == 1
    there = row[again.columns].dropna()
    pd.testing.assert_series_equal(
        again.iloc[0][there.index], there, check_names=False, check_exact=True
    )


def test_pictures_that_are_gone_are_told(page: str) -> None:
    """The page is whole without them and says what is missing and why."""
    assert "No pictures of ramp, pickets, coin are in the benchmark&#39;s folder" in page
    assert "<h2>How the methods stand</h2>" in page


def test_one_condition_or_failures_alone_make_a_page(tmp_path: Path) -> None:
    """A shard may hold no plain stack, and every cell may have failed: still a page."""
    store = faked(tmp_path / "ladder", failed=False)
    for path in (store.path / "cells").iterdir():
        if json.loads(path.read_text())["row"]["condition"] == PLAIN:
            path.unlink()
    page = write_report(store.path).read_text(encoding="utf-8")
    assert "No method has a result on a plain stack yet." in page
    assert "<h3>noise</h3>" in page
    store = faked(tmp_path / "failed")
    for path in (store.path / "cells").iterdir():
        if json.loads(path.read_text())["row"]["status"] == "ok":
            path.unlink()
    page = write_report(store.path).read_text(encoding="utf-8")
    assert "1 of 24 cells are done; 1 of them failed." in page
    assert "<h2>Failed cells</h2>" in page


def test_a_curve_has_the_same_scenes_throughout() -> None:
    """Of the second value one of two scenes is done: it is not drawn; failures do not count so."""
    rows = pd.DataFrame(
        {
            "condition": "noise",
            "scene": ["a", "b", "a"],
            "method": "mean",
            "value": [200.0, 200.0, 400.0],
            "status": ["ok", "failed", "ok"],
            "total.psnr_db": [30.0, np.nan, 10.0],
            "capture.psnr_db": 40.0,
        }
    )
    (drawn,) = curves(rows)
    assert "Shot" not in drawn.words
    ladder = Ladder(factor="noise", values=(1, 2, 3, 4, 5), light="flash-full", bin=2)
    (told,) = curves(rows, [ladder])
    assert told.words.endswith(
        " Shot in the light flash-full and with 2 x 2 real pixels to one, unlike the plain stacks."
    )
    (alone,) = curves(rows[rows["value"] == 200.0])
    assert drawn.data == alone.data
    (other,) = curves(rows[rows["scene"] == "a"])
    assert other.data != alone.data


def test_a_stage_costs_what_the_true_one_gains() -> None:
    """The true stage's gain is typical of the scenes' differences; two have no interval."""
    rows = pd.DataFrame(
        {
            "scene": ["a", "a", "b", "b"],
            "method": ["sharp", "sharp+true-warp"] * 2,
            "status": "ok",
            "total.psnr_db": [30.0, 31.0, 30.0, 33.0],
        }
    )
    assert stages(rows).rows == [("sharp", "true-warp", "2.00", "-", "-")]
    assert not stages(rows[rows["method"] == "sharp"]).rows


def test_depth_and_artefacts_leave_out_what_nobody_has() -> None:
    """Methods without a depth map have no row, metrics without a number no column."""
    rows = pd.DataFrame(
        {
            "scene": "a",
            "method": ["one", "two"],
            "status": "ok",
            "total.psnr_db": [30.0, 20.0],
            "depth.depth_rmse_mm": [0.5, np.nan],
            "depth.coverage": [0.9, 0.0],
            "artefacts.ghost": np.nan,
            "artefacts.smear": [0.0, 0.25],
        }
    )
    table = depths(rows)
    assert table.columns == ("method", "rms error mm", "share answered")
    assert table.rows == [("one", "0.500", "0.900")]
    table = artefacts(rows)
    assert table.columns == ("method", "smear")
    assert table.rows == [("one", "0.000"), ("two", "0.250")]


def two_views() -> pd.DataFrame:
    """Return rows of a method in the given view, and of one in an easier view of its own."""
    return pd.DataFrame(
        {
            "scene": ["a", "a", "b", "b"],
            "condition": PLAIN,
            "severity": 0,
            "value": np.nan,
            "method": ["told", "own"] * 2,
            "status": "ok",
            "view": ["given", "own"] * 2,
            "capture.psnr_db": [31.0, 36.0] * 2,
            "selection.psnr_db": [30.0, 35.0] * 2,
            "selection_loss_db": 1.0,
            "total.psnr_db": [29.0, 32.0, 28.0, 31.5],
            "merge_loss_db": [1.0, 3.0, 2.0, 3.5],
            "total.ssim": 0.9,
            "residual_px": 0.0,
            "above_limit": ["", "", "", "selection limit by 9.0 dB (margin 1.0)"],
        }
    )


def test_methods_in_different_views_are_compared_by_what_they_lost() -> None:
    """The easier view gives 3 dB more and is no merit: there 2 and 1.5 dB more were lost."""
    table = standing(two_views(), stood(two_views()))
    lost, result = (table.columns.index(name) for name in ("lost in the merge dB", "result dB"))
    assert [(row[0], row[lost], row[result]) for row in table.rows] == [
        ("told", "1.50", "28.50"),
        ("own (own view)", "3.25", "31.75"),
    ]
    (pair,) = pairs(two_views(), stood(two_views())).rows
    assert pair[:2] == ("told over own (own view)", "1.75")


def test_in_one_view_what_was_lost_differs_as_the_results_do() -> None:
    """The same differences, pair by pair, as of the results."""
    rows = two_views().assign(view="given", **{"selection.psnr_db": 35.0})
    rows["merge_loss_db"] = rows["selection.psnr_db"] - rows["total.psnr_db"]
    (pair,) = pairs(rows, stood(rows)).rows
    assert pair[:2] == ("told over own", "-3.25")


def test_what_lies_above_a_limit_is_on_the_page() -> None:
    """The cell with its limit; none where nothing is flagged, and no column is no flag."""
    (row,) = above_limits(two_views()).rows
    assert row[0] == "b"
    assert row[2:] == ("own (own view)", "selection limit by 9.0 dB (margin 1.0)", "31.50")
    told = summary(two_views(), 4, stood(two_views()), load_suite("quick"))
    assert "1 results lie above a limit" in " ".join(told)
    assert not above_limits(two_views().assign(above_limit="")).rows
    assert not above_limits(two_views().drop(columns="above_limit")).rows


def test_report_of_nothing_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No benchmark, or one in which nothing is done."""
    assert main(["report", str(tmp_path)]) == 2
    assert "no benchmark" in capsys.readouterr().err
    store = faked(tmp_path)
    for path in (store.path / "cells").iterdir():
        path.unlink()
    with pytest.raises(RequestError, match="no cell is done"):
        write_report(store.path)


def test_a_published_folder_makes_its_page_without_cells(tmp_path: Path) -> None:
    """Its table alone gives the same numbers, and stays byte for byte; pictures are left out."""
    whole = faked(tmp_path / "whole")
    page = write_report(whole.path).read_text(encoding="utf-8")
    kept = tmp_path / "kept"
    kept.mkdir()
    for name in ("rows.csv", "suite.json", "environment.json"):
        shutil.copy(whole.path / name, kept)
    again = write_report(kept).read_text(encoding="utf-8")
    assert again == page
    assert (kept / "rows.csv").read_bytes() == (whole.path / "rows.csv").read_bytes()
    for name in ("standings.csv", "standings.json", "pairs.csv"):
        assert (kept / name).read_bytes() == (whole.path / name).read_bytes()


def test_pictures_get_the_room_that_the_rest_of_the_page_leaves(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of 14 MB, what the page takes without them is taken off; never more than 13 MB."""
    asked = []

    def none(*_: object, budget_bytes: int, **__: object) -> Viewer:
        asked.append(budget_bytes)
        return Viewer(scenes=(), notes=())

    monkeypatch.setattr(report, "viewer", none)
    store = faked(tmp_path)
    write_report(store.path)
    monkeypatch.setattr(report, "_ALL_BYTES", 1_000_000)
    path = write_report(store.path)
    assert asked == [13_000_000, 1_000_000 - path.stat().st_size]


def six_scenes() -> pd.DataFrame:
    """Return rows of three methods on seven scenes: best, 1 dB behind, 0.1 dB or so behind."""
    lost = {"focus-map": 1.0, "wavelet": 2.0, "guided-filter": 1.0}
    return pd.DataFrame(
        [
            {
                "scene": scene, "method": name, "status": "ok", "stance": stance,
                "merge_loss_db": value + 0.01 * at + (0.2 * (-1) ** at if "guided" in name else 0),
            }
            for at, scene in enumerate("abcdefg")
            for stance in ("stepped", "braced")
            for name, value in lost.items()
        ]
    )  # fmt: skip


def test_dots_lie_where_their_numbers_say() -> None:
    """The wavelet lies 1 dB behind on every scene; the ring is of the one not told apart."""
    chart = dot_chart(stood(six_scenes()))
    assert chart is not None
    best, *others = chart.rows
    assert (best.name, best.value, best.span) == ("focus-map", "the best", None)
    rows = {row.name: row for row in others}
    scale = {float(text): place for place, text in chart.ticks}
    assert rows["wavelet"].at == pytest.approx(scale[1.0], abs=0.01)
    assert rows["wavelet"].value == "1.00 dB (1.00 to 1.00)"
    assert (rows["wavelet"].level, rows["guided-filter"].level) == (False, True)
    left, width = rows["guided-filter"].span or (0, 0)
    assert left < chart.zero < left + width
    assert dot_chart(stood(six_scenes()[lambda rows: rows["method"] == "wavelet"])) is None


def test_maps_tell_kinds_and_stances() -> None:
    """Typical losses by level; what is told of few scenes is marked."""
    kinds = {"a": ("smooth", "hairs"), **dict.fromkeys("bcdefg", ("smooth",))}
    by_kind, by_stance = factor_maps(
        six_scenes(), stood(six_scenes()), kinds, ("kind", "stance", "light")
    )
    assert by_kind.columns == ["hairs (1)", "smooth (7)"]
    assert by_stance.columns == ["stepped (7)", "braced (7)"]
    wavelet = next(row for row in by_kind.rows if row.name == "wavelet")
    assert [(cell.text, cell.few) for cell in wavelet.cells] == [("2.0", True), ("2.0", False)]


def test_lines_of_stances_are_drawn_apart() -> None:
    """A line for each method and stance, none a mean of both."""
    rows = pd.DataFrame(
        {
            "condition": "noise",
            "scene": "a",
            "stance": ["stepped", "braced"] * 2,
            "method": "mean",
            "value": [200.0, 200.0, 400.0, 400.0],
            "status": "ok",
            "total.psnr_db": [30.0, 20.0, 29.0, 10.0],
            "capture.psnr_db": 40.0,
        }
    )
    (both,) = curves(rows)
    (one,) = curves(rows.drop(columns="stance"))
    assert both.data != one.data
