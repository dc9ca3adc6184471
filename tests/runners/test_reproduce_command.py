"""The reproduce command: what it leaves and prints, and that a wrong request leaves nothing."""

import csv
import sys

import numpy as np
import pytest
from PIL import Image

from stacktruth.runners.cli import main
from stacktruth.runners.reproduce import REPRODUCTIONS

VERDICTS = {"yes", "no", "cannot say"}
NAME = "peak-interpolation"
QUICK = ["reproduce", NAME, "--quick", "--no-progress", "--out"]


@pytest.fixture(scope="module", name="done")
def one_study(tmp_path_factory):
    """Return the folder of a reproduction done by the command."""
    out = tmp_path_factory.mktemp("reproductions") / "above" / "peak"
    assert main([*QUICK, str(out)]) == 0
    return out


def test_a_reproduction_leaves_table_figure_and_account(done):
    """Claims with their source, a picture that shows something, words; no scrap beside it."""
    assert sorted(path.name for path in done.iterdir()) == [
        "claims.csv",
        "figure.png",
        "summary.md",
    ]
    assert list(done.parent.iterdir()) == [done]
    with (done / "claims.csv").open(encoding="utf-8", newline="") as file:
        claims = list(csv.DictReader(file))
    assert len(claims) > 5
    assert {claim[verdict] for claim in claims for verdict in ("strict", "lenient")} <= VERDICTS
    assert all(claim["source"] for claim in claims)
    assert np.asarray(Image.open(done / "figure.png").convert("L")).std() > 5


def test_the_account_is_printed_with_the_command_that_remakes_it(done, tmp_path, capsys):
    """What is in summary.md, and where the rest is; another seed draws other numbers."""
    out = tmp_path / "peak"
    assert main([*QUICK, str(out), "--seed", "3"]) == 0
    text = capsys.readouterr().out
    assert (out / "summary.md").read_text(encoding="utf-8") in text
    assert f"stacktruth reproduce {NAME} --out DIR --seed 3" in text
    assert str(out) in text
    assert (out / "claims.csv").read_bytes() != (done / "claims.csv").read_bytes()


def test_the_same_seed_gives_the_same_files(done, tmp_path):
    """Tables, words and picture, byte by byte."""
    assert main([*QUICK, str(tmp_path / "again")]) == 0
    for path in done.iterdir():
        assert (tmp_path / "again" / path.name).read_bytes() == path.read_bytes(), path.name


def test_an_unknown_name_lists_all(tmp_path, capsys):
    """Exit status 2, all names, and nothing made."""
    out = tmp_path / "new"
    assert main(["reproduce", "peak-interpretation", "--out", str(out)]) == 2
    told = capsys.readouterr().err
    assert len(REPRODUCTIONS) == 9
    assert all(name in told for name in REPRODUCTIONS)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_exists_is_left_alone(tmp_path, capsys):
    """Exit status 2, even for an empty folder."""
    assert main([*QUICK, str(tmp_path)]) == 2
    assert "exists already" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("seed", ["-1", "1.5", "x"])
def test_a_seed_is_a_whole_number(tmp_path, capsys, seed):
    """Exit status 2 with what is allowed."""
    assert main([*QUICK, str(tmp_path / "new"), "--seed", seed]) == 2
    assert "allowed a whole number of 0 or more" in capsys.readouterr().err


def test_a_reproduction_that_fails_leaves_nothing(tmp_path, monkeypatch, capsys):
    """Exit status 1; the half-written folder is gone."""

    def fails(out, **_):
        (out / "claims.csv").write_text("half", encoding="utf-8")
        raise ValueError("no light")

    monkeypatch.setitem(REPRODUCTIONS, NAME, fails)
    assert main([*QUICK, str(tmp_path / "new")]) == 1
    assert "no light" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_reproductions_are_listed_with_what_they_are(capsys):
    """One line a reproduction."""
    assert main(["list", "reproductions"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines] == list(REPRODUCTIONS)
    assert all(len(line.split()) > 3 for line in lines)


def test_help_does_not_load_the_reproductions(monkeypatch, capsys):
    """They are slow to load: only a run needs them."""
    for name in [name for name in sys.modules if name.startswith("stacktruth.runners.reproduce")]:
        monkeypatch.delitem(sys.modules, name)
    assert main(["reproduce", "--help"]) == 0
    assert "--quick" in capsys.readouterr().out
    assert not any(name.startswith("stacktruth.runners.reproduce") for name in sys.modules)
