"""Blind sets: what is in them and what is not, bad submissions, and scores that agree."""

from __future__ import annotations

import json
import os
import shutil
import stat
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import tifffile

from stacktruth.ground.pictures import encode_image, read_image
from stacktruth.ground.srgb import clipped_srgb
from stacktruth.runners.bench import load_suite
from stacktruth.runners.blind.dataset import blind_shoots, make_blind, read_index
from stacktruth.runners.blind.key import BlindKey, new_key, read_key, write_key
from stacktruth.runners.cli import main
from stacktruth.runners.contract import Outcome, Result
from stacktruth.runners.judge.memory_stack import MemoryStack
from stacktruth.runners.judge.scoring import Judge
from stacktruth.simulator.loading.scenes import load_scene
from stacktruth.simulator.rig import load_rig
from stacktruth.simulator.shooting.shoot import shoot

SUITE = """
scenes = ["ramp", "pickets"]
stances = ["braced"]
methods = ["mean"]
frames = 3
crop = [768, 512]
bin = 8
"""
ROWS, COLS = 64, 96


@dataclass(frozen=True)
class Made:
    """A blind set, its key, and a sound submission: the middle frames."""

    folder: Path
    key: Path
    answers: Path

    @property
    def names(self) -> list[str]:
        """The stacks."""
        return list(read_index(self.folder).stacks)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Make a set of two stacks by the command, with a key that is there, so always the same."""
    place = tmp_path_factory.mktemp("blind")
    (place / "few.toml").write_text(SUITE)
    write_key(BlindKey(secret="5a" * 32, suite=load_suite(place / "few.toml")), place / "set.key")
    assert main(["blind", "make", str(place / "few.toml"), "--out", str(place / "set")]) == 0
    answers = place / "answers"
    answers.mkdir()
    for name in read_index(place / "set").stacks:
        shutil.copy(place / "set" / "stacks" / name / "frames/0001.tif", answers / f"{name}.tif")
    return Made(place / "set", place / "set.key", answers)


@pytest.fixture
def answers(made: Made, tmp_path: Path) -> Path:
    """Return a copy of the sound submission that may be spoilt."""
    shutil.copytree(made.answers, tmp_path / "answers")
    return tmp_path / "answers"


def check(made: Made, answers: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, list[str]]:
    """Run the author's check; return its status and lines."""
    capsys.readouterr()
    status = main(["blind", "check", str(made.folder), str(answers)])
    return status, capsys.readouterr().out.splitlines()


def score(made: Made, answers: Path, table: Path) -> tuple[int, pd.DataFrame]:
    """Run the maker's scorer; return its status and rows."""
    words = ["blind", "score", str(made.folder), str(answers), "--key", str(made.key)]
    return main([*words, "--csv", str(table)]), pd.read_csv(table)


@pytest.fixture(scope="module")
def of_one_frame(made: Made, tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    """Score the sound submission, one frame of each stack; return its rows by stack."""
    _, rows = score(made, made.answers, tmp_path_factory.mktemp("frame") / "rows.csv")
    return rows.set_index("stack")


class TestMade:
    """What is handed out."""

    def test_it_holds_frames_and_no_more(self, made: Made) -> None:
        """No truth, no plan, no scene, no seed: not in the names, and not in any text."""
        files = {p.relative_to(made.folder).as_posix() for p in made.folder.rglob("*.*")}
        wanted = {"blind.json", "README.txt"}
        for name in made.names:
            wanted |= {f"stacks/{name}/frames.json"}
            wanted |= {f"stacks/{name}/frames/{i:04d}.tif" for i in range(3)}
        assert files == wanted
        text = "".join(p.read_text() for p in made.folder.rglob("*.json")).lower()
        assert not [word for word in ("ramp", "picket", "seed", "scene", "braced") if word in text]
        key = read_key(made.key)
        numbers = {str(s.seed) for _, s in blind_shoots(key).values()}
        assert not [number for number in {*numbers, key.secret} if number in text]

    def test_the_key_stays_with_its_maker(self, tmp_path: Path, capsys) -> None:
        """Only they may read it; its checksum is published, and a second key is another."""
        (tmp_path / "one.toml").write_text(SUITE.replace('"ramp", "pickets"', '"ramp"'))
        words = [str(tmp_path / "one.toml"), "--out", str(tmp_path / "set")]
        assert main(["blind", "make", *words]) == 0
        file = tmp_path / "set.key"
        assert f"keep the key: {file}" in capsys.readouterr().out
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
        key = read_key(file)
        assert read_index(tmp_path / "set").key_sha256 == key.published
        other = new_key(key.suite)
        assert other.secret != key.secret
        assert other.published != key.published
        assert not blind_shoots(other).keys() & blind_shoots(key).keys()

    def test_the_same_key_makes_the_same_set(self, made: Made, tmp_path: Path) -> None:
        """To the byte."""
        make_blind(read_key(made.key), tmp_path / "again")
        for path in (p for p in made.folder.rglob("*") if p.is_file()):
            again = tmp_path / "again" / path.relative_to(made.folder)
            assert again.read_bytes() == path.read_bytes(), path

    def test_scenes_and_passes_are_drawn_by_the_key(self, made: Made) -> None:
        """Other numbers than the suite's, different from stack to stack, conditions paired."""
        key = read_key(made.key)
        for spec, secret in blind_shoots(key).values():
            assert secret.seed != spec.shoot.seed
            assert secret.scene.seed != spec.shoot.scene.seed
            assert 0 <= secret.seed < 2**48
        assert len({secret.seed for _, secret in blind_shoots(key).values()}) == 2

    def test_guessing_among_the_shipped_scenes_gains_nothing(
        self, made: Made, of_one_frame: pd.DataFrame, tmp_path: Path
    ) -> None:
        """The ideal picture of the shipped scene and seed earns what one frame does.

        Not less: the key draws textures, hairs and the pass, while the layout of a scene that was
        made by hand is known to all.
        """
        key = read_key(made.key)
        (tmp_path / "guessed").mkdir()
        for name, (spec, _) in blind_shoots(key).items():
            guess = shoot(
                load_scene(spec.shoot.scene.name),
                load_rig(spec.shoot.rig.name),
                stance="braced",
                light="flash-sixteenth",
                frames=3,
                crop=(768, 512),
                bin=8,
                seed=spec.shoot.seed,
            )
            codes = np.rint(65535 * clipped_srgb(guess.truth(1).ideal)).astype(np.uint16)
            (tmp_path / "guessed" / f"{name}.tif").write_bytes(encode_image(codes, ".tif"))
        _, guessed = score(made, tmp_path / "guessed", tmp_path / "guessed.csv")
        guess = guessed.set_index("stack")["total.psnr_db"]
        assert (guess < of_one_frame["total.psnr_db"] + 1).all()

    def test_a_set_is_not_made_over_anything(self, made: Made, tmp_path: Path, capsys) -> None:
        """Neither over a folder nor with the key of another suite."""
        suite = tmp_path / "few.toml"
        suite.write_text(SUITE)
        assert main(["blind", "make", str(suite), "--out", str(made.folder)]) == 2
        suite.write_text(SUITE.replace("frames = 3", "frames = 4"))
        words = ["--out", str(tmp_path / "new"), "--key", str(made.key)]
        assert main(["blind", "make", str(suite), *words]) == 2
        assert "of another suite" in capsys.readouterr().err
        assert not (tmp_path / "new").exists()


def spoil_missing(answers: Path, name: str) -> None:
    """Take a picture away."""
    (answers / f"{name}.tif").unlink()


def spoil_extra(answers: Path, name: str) -> None:
    """Add a file of no stack."""
    (answers / "notes.txt").write_text("hello")


def spoil_folder(answers: Path, name: str) -> None:
    """Add a folder."""
    (answers / "more").mkdir()


def spoil_size(answers: Path, name: str) -> None:
    """Cut a picture."""
    cut = read_image(answers / f"{name}.tif")[:-1]
    (answers / f"{name}.tif").write_bytes(encode_image(cut, ".tif"))


def spoil_nan(answers: Path, name: str) -> None:
    """Put one NaN in."""
    image = (read_image(answers / f"{name}.tif") / 65535).astype(np.float32)
    image[3, 4, 1] = np.nan
    tifffile.imwrite(answers / f"{name}.tif", image, photometric="rgb")


def spoil_link(answers: Path, name: str) -> None:
    """Make a link of a picture, to a sound one even."""
    (answers / f"{name}.tif").rename(answers.parent / "moved.tif")
    (answers / f"{name}.tif").symlink_to(answers.parent / "moved.tif")


def spoil_huge(answers: Path, name: str) -> None:
    """Make a file of 10 GB, of which nothing is on the disk."""
    os.truncate(answers / f"{name}.tif", 10**10)


def spoil_bomb(answers: Path, name: str) -> None:
    """Write a small file of a picture that would fill the memory."""
    white = np.zeros((20_000, 20_000), np.uint8)
    tifffile.imwrite(answers / f"{name}.tif", white, compression="zlib", tile=(8192, 8192))


def spoil_cut(answers: Path, name: str) -> None:
    """Cut a file off."""
    os.truncate(answers / f"{name}.tif", 5000)


def spoil_two(answers: Path, name: str) -> None:
    """Give a second picture."""
    (answers / f"{name}.png").write_bytes(b"x")


def spoil_pipe(answers: Path, name: str) -> None:
    """Make a pipe, at which a reader would wait for ever."""
    (answers / f"{name}.tif").unlink()
    os.mkfifo(answers / f"{name}.tif")


def spoil_depth(answers: Path, name: str) -> None:
    """Give a depth map of another size."""
    tifffile.imwrite(answers / f"{name}.depth.tif", np.zeros((5, 5), np.float32))


def spoil_about(answers: Path, name: str) -> None:
    """Say what may not be said."""
    (answers / "submission.toml").write_text('depth_unit = "inch"')


SPOILT = {
    spoil_missing: "there is no picture; expected {}.tif, {}.png or {}.jpg",
    spoil_extra: "it belongs to no stack of the set; take it away",
    spoil_folder: "it belongs to no stack of the set; take it away",
    spoil_size: "{}.tif: got shape (63, 96, 3), expected (64, 96, 3)",
    spoil_nan: "image: got 1 values that are NaN or infinite",
    spoil_link: "{}.tif: got a symbolic link, expected a file",
    spoil_huge: "{}.tif: got 10000.0 MB, allowed 1.",
    spoil_bomb: "{}.tif cannot be read as a picture: it says that it has 20000 x 20000 pixels",
    spoil_cut: "{}.tif cannot be read as a picture",
    spoil_two: "got {}.tif and {}.png, allowed one of them",
    spoil_pipe: "{}.tif is not a regular file",
    spoil_depth: "{}.depth.tif: got shape (5, 5), expected (64, 96)",
    spoil_about: "key 'depth_unit'",
}


class TestSubmissions:
    """What comes back."""

    def test_a_sound_one_is_scored(self, made: Made, answers: Path, tmp_path, capsys) -> None:
        """With its label, its depth, and no number of the key; the check finds nothing wrong."""
        (answers / "submission.toml").write_text('label = "middle"\ndepth_unit = "frame"\n')
        for name in made.names:
            tifffile.imwrite(answers / f"{name}.depth.tif", np.ones((ROWS, COLS), np.float32))
        assert check(made, answers, capsys) == (0, ["2 of 2 stacks are sound"])
        status, rows = score(made, answers, tmp_path / "rows.csv")
        assert status == 0
        assert set(rows["stack"]) == set(made.names)
        assert set(rows["method"]) == {"middle"}
        assert set(rows["status"]) == {"ok"}
        assert set(rows["reference"]) == {1}
        assert rows["depth.depth_rmse_mm"].notna().all()
        assert "seed" not in rows
        assert (rows["total.psnr_db"] > 15).all()

    def test_scores_are_those_of_the_ordinary_judge(
        self, made: Made, of_one_frame: pd.DataFrame, tmp_path: Path
    ) -> None:
        """Of the ideal picture, against the same stack in memory; and it beats one frame by far."""
        (tmp_path / "best").mkdir()
        wanted = {}
        for name, (_, secret) in blind_shoots(read_key(made.key)).items():
            codes = np.rint(65535 * clipped_srgb(secret.truth(1).ideal)).astype(np.uint16)
            (tmp_path / "best" / f"{name}.tif").write_bytes(encode_image(codes, ".tif"))
            outcome = Outcome(status="ok", result=Result(image=codes, reference=1))
            wanted[name] = Judge(MemoryStack(secret)).score(outcome, name="x").row
        _, best = score(made, tmp_path / "best", tmp_path / "best.csv")
        best = best.set_index("stack")
        for name, row in wanted.items():
            for column in ("total.psnr_db", "merge_loss_db", "total.ssim"):
                assert best.loc[name, column] == pytest.approx(row[column], abs=1e-6)
        assert (best["total.psnr_db"] > of_one_frame["total.psnr_db"] + 3).all()

    @pytest.mark.parametrize("spoil", SPOILT, ids=lambda spoil: spoil.__name__[6:])
    def test_a_spoilt_one_is_told_and_the_rest_is_scored(
        self,
        made: Made,
        answers: Path,
        tmp_path: Path,
        capsys: pytest.CaptureFixture[str],
        spoil: Callable[[Path, str], None],
    ) -> None:
        """One line names it, check and scorer say the same, the other stack has its scores."""
        first, second = made.names
        spoil(answers, first)
        status, lines = check(made, answers, capsys)
        assert status == 1
        assert len(lines) == 2
        assert SPOILT[spoil].replace("{}", first) in lines[0]
        status, rows = score(made, answers, tmp_path / "rows.csv")
        assert status == 1
        assert lines[0] in capsys.readouterr().err
        rows = rows.set_index("stack")
        assert rows.loc[second, "status"] == "ok"
        of_a_stack = lines[0].startswith(first)
        assert rows.loc[first, "status"] == ("invalid-output" if of_a_stack else "ok")

    def test_wrong_requests_are_refused(self, made: Made, answers: Path, tmp_path, capsys) -> None:
        """No set, no submission, another key, frames of another key: status 2, one or two lines."""
        other = BlindKey(secret="00" * 32, suite=read_key(made.key).suite)
        write_key(other, tmp_path / "other.key")
        (tmp_path / "no.key").write_text("{}")
        words = [str(made.folder), str(answers)]
        for asked, message in (
            (["check", str(answers), str(answers)], "no blind set"),
            (["check", str(made.folder), str(tmp_path / "nowhere")], "there is no such folder"),
            (["score", *words, "--key", str(tmp_path / "other.key")], "this key is not the one"),
            (["score", *words, "--key", str(tmp_path / "no.key")], "no key of a blind set"),
        ):
            assert main(["blind", *asked]) == 2
            said = capsys.readouterr().err
            assert message in said
            assert len(said.splitlines()) <= 2

    def test_frames_of_another_version_are_noticed(
        self, made: Made, answers, tmp_path, capsys
    ) -> None:
        """Scores against another truth than that of the frames would mean nothing."""
        folder = tmp_path / "set"
        shutil.copytree(made.folder, folder)
        frame = folder / "stacks" / made.names[0] / "frames" / "0001.tif"
        frame.write_bytes(encode_image(read_image(frame) // 2, ".tif"))
        words = ["blind", "score", str(folder), str(answers), "--key", str(made.key)]
        assert main(words) == 2
        assert "is not the one that the key and this code make" in capsys.readouterr().err


def test_the_index_is_plain(made: Made) -> None:
    """What a program of any language needs: sizes, the reference, checksums."""
    held = json.loads((made.folder / "blind.json").read_text())
    [facts, _] = held["stacks"].values()
    assert (facts["width_px"], facts["height_px"], facts["reference"]) == (COLS, ROWS, 1)
    assert len(facts["frames"]) == 3
