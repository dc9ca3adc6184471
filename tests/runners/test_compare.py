"""``compare``: an answer with its interval, where it holds, and the book's answers."""

import importlib.util
import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pydantic import TypeAdapter
from scipy import stats

from stacktruth.runners.bench.grid.suite import Suite
from stacktruth.runners.bench.ranking.compare import compare
from stacktruth.runners.bench.ranking.metric_column import metric_column
from stacktruth.runners.cli import main

HOUSE = Path(__file__).resolve().parents[2]
SCENES = ["ramp", "steps", "cone", "pickets", "moss", "coin", "mineral", "spokes"]
MINE = ["--method", "mine", "--against", "the_irs"]
#: What mine lost less than theirs, by scene, dB; theirs is better on one.
ADVANTAGE = [1.0, 2.0, 0.5, 3.0, 1.5, 2.5, 0.7, -0.2]


def folder_of(path: Path, *, scenes: int = 8, more: dict[str, object] | None = None) -> Path:
    """Write a folder as published: rows of two methods on two stacks of each scene."""
    rows = []
    for scene, advantage in list(zip(SCENES, ADVANTAGE, strict=True))[:scenes]:
        for seed in (1, 2):
            for method, lost in (("mine", 5 - advantage), ("the_irs", 5.0)):
                rows.append(
                    {
                        "suite": "s", "scene": scene, "stance": "braced", "seed": seed,
                        "condition": "plain", "value": np.nan, "method": method, "kind": "python",
                        "status": "ok", "merge_loss_db": lost + 0.1 * seed * (method == "mine"),
                        "merge_loss_db.fibres": lost if scene == "moss" else np.nan,
                        "total.ssim": 0.9 - 0.01 * lost, "cell_key": f"{scene}{seed}{method}",
                        **(more or {}),
                    }
                )  # fmt: skip
    path.mkdir()
    suite = Suite(name="s", scenes=tuple(SCENES), methods=("mean",))
    (path / "suite.json").write_text(json.dumps(TypeAdapter(Suite).dump_python(suite, mode="json")))
    pd.DataFrame(rows).to_csv(path / "rows.csv", index=False)
    return path


def test_the_answer_is_scipys(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The estimate of pairs of means and the exact test, on what mine lost less: 0.15 of seeds."""
    folder = folder_of(tmp_path / "s")
    assert main(["compare", str(folder), "--method", "mine", "--against", "the_irs", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    (pair,) = told["all"]
    apart = np.array(ADVANTAGE) - 0.15
    walsh = [(a + b) / 2 for i, a in enumerate(apart) for b in apart[i:]]
    assert pair["advantage"] == pytest.approx(np.median(walsh))
    assert pair["p_holm"] == pytest.approx(stats.wilcoxon(apart, method="exact").pvalue)
    # Of eight values the fourth of the 36 means from each end (tables of the test: T = 3).
    assert pair["low"] == pytest.approx(sorted(walsh)[3])
    assert pair["high"] == pytest.approx(sorted(walsh)[-4])
    assert pair["verdict"] == "better"
    assert told["cases"][0]["scene"] == "pickets"
    assert told["cases"][-1] == pytest.approx(
        {"scene": "spokes", "seed": 2, "advantage": -0.4, "of_method": 5.4, "of_other": 5.0}
    )


def test_seen_from_the_other_side_the_sign_turns(tmp_path: Path) -> None:
    """And nothing else."""
    rows = pd.read_csv(folder_of(tmp_path / "s") / "rows.csv")
    metric = metric_column("merge_loss_db", rows.columns)
    (there,) = compare(rows, "mine", ["the_irs"], metric=metric).pairs
    (back,) = compare(rows, "the_irs", ["mine"], metric=metric).pairs
    assert back.advantage.typical == pytest.approx(-there.advantage.typical)
    assert back.advantage.low == pytest.approx(-there.advantage.high)
    assert (there.verdict, back.verdict) == ("better", "worse")
    assert back.least_difference == pytest.approx(there.least_difference)


def test_fewer_than_six_scenes_have_no_answer(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """However many stacks there are of each."""
    folder = folder_of(tmp_path / "s", scenes=5)
    assert main(["compare", str(folder), "--method", "mine", "--against", "the_irs"]) == 0
    told = capsys.readouterr().out
    assert "mine against the_irs: 5 scenes say nothing; the least is 6." in told
    assert "best cases against the_irs: pickets, seed 1" in told


def test_parts_by_kind_and_region(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Kinds are those that scene files tell now; a region has the scenes where it is."""
    folder = str(folder_of(tmp_path / "s"))
    asked = ["compare", folder, "--method", "mine", "--against", "the_irs", "--json", "--by"]
    assert main([*asked, "kind"]) == 0
    parts = {row["level"]: row for row in json.loads(capsys.readouterr().out)["parts"]}
    assert parts["smooth"]["scenes"] == 3  # ramp, cone, coin
    assert parts["smooth"]["mean"] == pytest.approx((1 + 0.5 + 2.5) / 3 - 0.15)
    assert parts["repeating"]["scenes"] == 2  # pickets, spokes
    assert main([*asked, "region"]) == 0
    (row,) = json.loads(capsys.readouterr().out)["parts"]
    assert (row["level"], row["scenes"], row["p_holm"]) == ("fibres", 1, None)
    assert row["advantage"] == pytest.approx(1.5)


def test_more_than_one_other_is_adjusted_for() -> None:
    """Two comparisons asked for: the smaller p twice, by Holm's rule."""
    rng = np.random.default_rng(0)
    rows = pd.DataFrame(
        [
            {"scene": scene, "method": name, "status": "ok", "total.ssim": at + rng.normal(0, 0.1)}
            for scene in range(9)
            for name, at in (("a", 0.9), ("b", 0.5), ("c", 0.88))
        ]
    )
    metric = metric_column("ssim", rows.columns)
    first, second = compare(rows, "a", ["b", "c"], metric=metric).pairs
    assert first.p == 2 / 2**9
    assert first.p_holm == 2 * first.p
    assert second.p_holm == second.p


def test_files_hold_the_same_numbers(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """CSV and LaTeX, with a row for all and one a scene; nothing in LaTeX acts."""
    folder, csv, tex = folder_of(tmp_path / "s"), tmp_path / "a.csv", tmp_path / "a.tex"
    asked = ["compare", str(folder), "--method", "mine", "--against", "the_irs", "--by", "scene"]
    assert main([*asked, "--csv", str(csv), "--latex", str(tex)]) == 0
    assert "made: " in capsys.readouterr().err
    table = pd.read_csv(csv)
    assert list(table["level"]) == ["all", *SCENES]
    text = tex.read_text()
    assert r"the\_irs" in text
    assert f"{table['advantage'][0]:.3f}" in text
    assert text.count(r"\\") == 10


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--method", "nobody", "--against", "mine"], "allowed mine, the_irs"),
        (["--method", "mine", "--against", "mine"], "itself"),
        (
            ["--method", "mine", "--against", "the_irs", "--metric", "beauty"],
            "allowed merge_loss_db",
        ),
        (
            ["--method", "mine", "--against", "the_irs", "--metric", "capture.psnr_db"],
            "metric: got",
        ),
        (["--method", "mine", "--against", "the_irs", "--by", "light"], "no column 'light'"),
    ],
)
def test_wrong_questions_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], more: list[str], said: str
) -> None:
    """In one line, with what is allowed, and exit status 2."""
    folder = folder_of(tmp_path / "s", more={"capture.psnr_db": 40.0})
    assert main(["compare", str(folder), *more]) == 2
    assert said in capsys.readouterr().err


def test_a_folder_without_rows_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No suite, or no table."""
    asked = ["--method", "a", "--against", "b"]
    assert main(["compare", str(tmp_path), *asked]) == 2
    assert "no benchmark" in capsys.readouterr().err
    folder = folder_of(tmp_path / "s")
    (folder / "rows.csv").write_text("a,b\n1,2\n")
    assert main(["compare", str(folder), *asked]) == 2
    assert "is no table of a benchmark" in capsys.readouterr().err


@pytest.mark.slow
def test_pictures_of_cases_are_drawn(small_bench, tmp_path: Path) -> None:
    """Two cases of a kept benchmark."""
    picture = tmp_path / "cases.png"
    asked = ["--method", "focus-map", "--against", "mean", "--pictures", str(picture)]
    assert main(["compare", str(small_bench.folder), *asked]) == 0
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_pictures_that_are_not_kept_are_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A published folder has none, and says so."""
    gone = folder_of(tmp_path / "s")
    more = ["--method", "mine", "--against", "the_irs", "--pictures", str(tmp_path / "no.png")]
    assert main(["compare", str(gone), *more]) == 2
    assert "holds no pictures" in capsys.readouterr().err
    assert not (tmp_path / "no.png").exists()


@pytest.mark.slow
def test_the_books_answers_are_those_of_the_published_folder() -> None:
    """Three questions; else: python -m docs.generate.answers."""
    found = importlib.util.spec_from_file_location("answers", HOUSE / "docs/generate/answers.py")
    assert found
    assert found.loader
    answers = importlib.util.module_from_spec(found)
    found.loader.exec_module(answers)
    page = answers.PAGE.read_text(encoding="utf-8")
    assert len(re.findall(r" is (better|worse) than | is level with ", page)) >= 3
    assert answers.filled(page) == page
