"""The benchmark's runner: nothing lost, nothing done twice, the same tables whatever happens."""

import json
import os
import platform
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from stacktruth.runners.bench import bench, load_suite, verify
from stacktruth.runners.bench.grid.cells import PLAIN, by_stack, cells_of, stacks_of
from stacktruth.runners.bench.grid.conditions import FACTORS
from stacktruth.runners.bench.grid.suite import Ladder, Suite
from stacktruth.runners.bench.running.pools import in_this_process
from stacktruth.runners.bench.running.run import finished_here, task_on
from stacktruth.runners.bench.running.store import DoneCell, Store
from stacktruth.runners.bench.running.work import do
from stacktruth.runners.cli import main
from stacktruth.runners.request import RequestError
from stacktruth.simulator.data import DataFileError, list_data_files
from stacktruth.simulator.scene.scene import Balls, Fibres
from stacktruth.simulator.shooting.shoot import Shoot

TEXT = """
title = "tiny"
scenes = ["ramp", "pickets"]
stances = ["braced"]
methods = ["oracle", "focus-map", "mean", "BROKEN"]
frames = 3
crop = [768, 512]
bin = 8
quality = "fast"
time_limit_s = 60.0
[[ladders]]
factor = "noise"
values = [200, 400, 800, 1600, 3200]
scenes = ["none of these"]
"""
BROKEN = """
def merge(frames, info):
    raise ValueError("<b>no</b>, and ../../elsewhere")
"""


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a suite of two scenes and four methods, one of which fails."""
    folder = tmp_path_factory.mktemp("suite")
    (folder / "broken.py").write_text(BROKEN)
    path = folder / "tiny.toml"
    path.write_text(TEXT.replace("BROKEN", f"{folder / 'broken.py'}:merge"))
    return path


@pytest.fixture(scope="module")
def undisturbed(tiny: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run the suite in peace."""
    out = tmp_path_factory.mktemp("bench") / "out"
    bench(load_suite(tiny), out, progress=False, say=lambda _: None)
    return out


def run(tiny: Path, out: Path, **how: object) -> str:
    """Run the suite; return the table that must not differ."""
    bench(load_suite(tiny), out, progress=False, say=lambda _: None, **how)
    return (out / "rows.csv").read_text()


class TestRows:
    """What a finished folder holds."""

    def test_every_cell_has_its_row(self, tiny: Path, undisturbed: Path) -> None:
        """Two scenes by four methods in the suite's order; the failure is a row with a reason."""
        rows = pd.read_csv(undisturbed / "rows.csv")
        cells = cells_of(load_suite(tiny))
        assert rows["cell_key"].tolist() == [cell.key for cell in cells]
        assert rows["scene"].tolist() == ["ramp"] * 4 + ["pickets"] * 4
        assert rows["status"].tolist() == ["ok", "ok", "ok", "failed"] * 2
        assert rows["reason"].iloc[3].startswith("ValueError: <b>no</b>, and ../../elsewhere")
        assert set(rows["condition"]) == {PLAIN}

    def test_the_oracle_is_first_and_the_mean_last(self, undisturbed: Path) -> None:
        """On each scene; all merged in the one view of their stack."""
        rows = pd.read_csv(undisturbed / "rows.csv")
        for _, part in rows[rows["status"] == "ok"].groupby("scene"):
            assert part["reference"].nunique() == 1
            assert set(part["view"]) == {"given"}
            ranked = part.sort_values("total.psnr_db", ascending=False)["method"].tolist()
            assert (ranked[0], ranked[-1]) == ("oracle", "mean")

    def test_outputs_and_checksums_are_kept_and_frames_are_not(self, undisturbed: Path) -> None:
        """Merged pictures can be scored again; the frames can be rendered again."""
        rows = pd.read_csv(undisturbed / "rows.csv")
        done = rows[rows["status"] == "ok"]
        for key in done["cell_key"]:
            assert (undisturbed / "outputs" / key / "image.tif").is_file()
        assert done["image_sha256"].str.len().eq(64).all()
        assert not list((undisturbed / "stacks").iterdir())

    def test_times_stand_apart(self, undisturbed: Path) -> None:
        """One process was alone: its times may be compared."""
        assert "seconds" not in pd.read_csv(undisturbed / "rows.csv")
        assert pd.read_csv(undisturbed / "times.csv")["time_is_comparable"].all()

    def test_a_benchmark_works_on_one_thread(self) -> None:
        """OpenBLAS tells: one thread while a benchmark works here, then as many as before."""
        before = dict(os.environ)
        with threadpool_limits(3):
            with in_this_process():
                assert os.environ["OMP_NUM_THREADS"] == "1"
                assert {pool["num_threads"] for pool in threadpool_info()} == {1}
            assert {pool["num_threads"] for pool in threadpool_info()} == {3}
        assert dict(os.environ) == before

    def test_environment_is_recorded(self, undisturbed: Path) -> None:
        """What it ran on and with."""
        known = json.loads((undisturbed / "environment.json").read_text())
        assert known["threads"]["OMP_NUM_THREADS"] == "1"
        assert known["numpy"] == np.__version__
        assert {"commit", "changed_files", "scoring", "code"} <= set(known)
        assert (known["machine"], known["cores"]) == (platform.machine(), os.cpu_count())

    def test_no_maker_of_the_processor_is_recorded(self, undisturbed: Path) -> None:
        """Neither the name that Linux tells (proc(5), cpuinfo) nor a part of it."""
        told = Path("/proc/cpuinfo").read_text().splitlines()
        names = {line.partition(":")[2].strip() for line in told if line.startswith("model name")}
        words = {word for name in names for word in re.findall("[A-Za-z]{3,}", name)}
        text = (undisturbed / "environment.json").read_text()
        assert not [word for word in words if re.search(rf"\b{word}\b", text, re.IGNORECASE)]


class TestResuming:
    """Interrupted, damaged, shared and refused."""

    def test_what_is_done_is_not_done_again(self, tiny: Path, undisturbed: Path) -> None:
        """The same command on a finished folder runs nothing and changes nothing."""
        told: list[str] = []
        before = (undisturbed / "rows.csv").read_bytes()
        bench(load_suite(tiny), undisturbed, progress=False, say=told.append)
        assert told == ["tiny: 8 cells, 0 to do here"]
        assert (undisturbed / "rows.csv").read_bytes() == before

    def test_lost_and_damaged_cells_are_done_again(
        self, tiny: Path, undisturbed: Path, tmp_path: Path
    ) -> None:
        """One cell file is gone, one cut short, one changed: the table is the same in the end."""
        out = tmp_path / "out"
        shutil.copytree(undisturbed, out)
        files = [out / "cells" / f"{cell.key}.json" for cell in cells_of(load_suite(tiny))]
        files[0].unlink()
        files[5].write_bytes(files[5].read_bytes()[:-20])
        files[6].write_bytes(files[6].read_bytes().replace(b'"mean"', b'"best"'))
        store = Store(out)
        assert [n for n in range(8) if store.row(files[n].stem) is None] == [0, 5, 6]
        assert run(tiny, out) == (undisturbed / "rows.csv").read_text()

    @pytest.mark.slow
    def test_two_workers_and_two_shards_make_the_same_table(
        self, tiny: Path, undisturbed: Path, tmp_path: Path
    ) -> None:
        """Each shard does its own part; the second completes the table."""
        run(tiny, tmp_path / "out", shard=(2, 2), workers=2)
        part = pd.read_csv(tmp_path / "out" / "rows.csv")
        assert set(part["scene"]) == {"pickets"}
        got = run(tiny, tmp_path / "out", shard=(1, 2), workers=2)
        assert got == (undisturbed / "rows.csv").read_text()
        assert not pd.read_csv(tmp_path / "out" / "times.csv")["time_is_comparable"].any()

    def test_cells_done_by_another_run_are_told_of(
        self, tiny: Path, undisturbed: Path, tmp_path: Path
    ) -> None:
        """All that was waited for, once each, though the last stack's came from elsewhere."""
        out, suite = tmp_path / "out", load_suite(tiny)
        shutil.copytree(undisturbed, out)
        store, cells = Store(out), cells_of(suite)
        (out / "cells" / f"{cells[2].key}.json").unlink()
        tasks = {
            task_on(store, group): [cell.key for cell in group]
            for group in by_stack(cells).values()
        }
        told = list(finished_here(store, suite, cells, tasks))
        assert told[0] == cells[2].key
        assert sorted(told) == sorted(cell.key for cell in cells)
        assert (store.row(cells[2].key) or {})["method"] == "mean"

    def test_frames_left_behind_are_removed(
        self, tiny: Path, undisturbed: Path, tmp_path: Path
    ) -> None:
        """A run may be ended after a stack's last row and before its frames go."""
        out = shutil.copytree(undisturbed, tmp_path / "out")
        key = cells_of(load_suite(tiny))[0].stack.key
        (out / "stacks" / key / "frames").mkdir(parents=True)
        run(tiny, out, keep_frames=True)
        assert (out / "stacks" / key).is_dir()
        run(tiny, out, shard=(2, 2))  # another machine's
        assert (out / "stacks" / key).is_dir()
        assert run(tiny, out) == (undisturbed / "rows.csv").read_text()
        assert not list((out / "stacks").iterdir())

    @pytest.mark.slow
    def test_a_benchmark_killed_at_any_moment_is_resumed(
        self, tiny: Path, undisturbed: Path, tmp_path: Path
    ) -> None:
        """Kill -9 of the runner and its processes at three moments; then it is resumed."""
        out = tmp_path / "out"
        argv = [
            sys.executable,
            "-m",
            "stacktruth.runners.cli",
            "bench",
            str(tiny),
            "--out",
            str(out),
        ]
        environment = dict(os.environ)
        for seconds in (4.0, 6.5, 9.0):
            process = subprocess.Popen(
                argv, env=environment, start_new_session=True, stderr=subprocess.DEVNULL
            )
            time.sleep(seconds)
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        assert run(tiny, out) == (undisturbed / "rows.csv").read_text()
        assert not list((out / "stacks").iterdir())

    def test_a_second_runner_is_refused(self, tiny: Path, tmp_path: Path) -> None:
        """Two on one folder: the second is told so and does nothing."""
        store = Store(tmp_path / "out")
        store.make()
        with (
            store.locked("1-of-1"),
            pytest.raises(RequestError, match="another benchmark is at work"),
        ):
            bench(load_suite(tiny), tmp_path / "out", progress=False)

    def test_a_place_that_is_no_folder_is_refused(self, tiny: Path, tmp_path: Path) -> None:
        """What cannot be written is said before anything is rendered."""
        (tmp_path / "file").write_text("")
        with pytest.raises(RequestError, match="file"):
            bench(load_suite(tiny), tmp_path / "file", progress=False)


class TestSuite:
    """Suites and the conditions in them."""

    @pytest.mark.parametrize("name", list_data_files("suite"))
    def test_shipped_suites_are_whole(self, name: str) -> None:
        """All names in them are known, and no two cells are the same."""
        keys = [cell.key for cell in cells_of(load_suite(name))]
        assert len(keys) == len(set(keys)) > 0

    def test_an_unknown_factor_and_a_short_ladder_are_refused(self, tmp_path: Path) -> None:
        """The file, the key and what is allowed are named."""
        path = tmp_path / "bad.toml"
        path.write_text(TEXT.replace("noise", "luck"))
        with pytest.raises(DataFileError, match=r"bad.toml: key 'ladders.*luck.*allowed step"):
            load_suite(path)
        path.write_text(TEXT.replace("200, ", ""))
        with pytest.raises(DataFileError, match=r"bad.toml: key 'ladders.*values"):
            load_suite(path)

    @pytest.mark.parametrize("factor", FACTORS)
    def test_each_factor_changes_its_own_thing(self, factor: str) -> None:
        """Five values make five different shoots, and the plain one stays as it was."""
        values = (100, 200, 400, 800, 1600) if factor == "noise" else (0.1, 0.2, 0.25, 0.3, 0.4)
        suite = Suite(
            name="one",
            scenes=("sticky-leaf" if factor == "highlights" else "ramp",),
            methods=("mean",),
            frames=12,
            ladders=(Ladder(factor=factor, values=values),),
        )
        plain, *worse = stacks_of(suite)
        assert [spec.severity for spec in worse] == [1, 2, 3, 4, 5]
        assert len({spec.key for spec in (plain, *worse)}) == 6
        assert plain.key == next(stacks_of(replace(suite, ladders=()))).key

    def test_a_ladder_may_be_shot_in_its_own_way(self) -> None:
        """Its light and pixels are its own; scenes, seeds and frames are the suite's."""
        ladder = Ladder(
            factor="noise",
            values=(100, 200, 400, 800, 1600),
            scenes=("ramp",),
            light="flash-quarter",
            crop=(96, 64),
            bin=2,
        )
        suite = Suite(
            name="one",
            scenes=("ramp", "coin"),
            methods=("mean",),
            seeds=(3, 4),
            frames=7,
            crop=(240, 160),
            bin=8,
            ladders=(ladder,),
        )
        specs = list(stacks_of(suite))
        plain, worse = specs[:4], specs[4:]
        assert {(spec.shoot.crop, spec.shoot.bin, spec.shoot.light.title) for spec in plain} == {
            ((240, 160), 8, "flash at 1/16")
        }
        assert {(spec.shoot.crop, spec.shoot.bin, spec.shoot.light.title) for spec in worse} == {
            ((96, 64), 2, "flash at 1/4")
        }
        assert [(s.shoot.seed, s.shoot.iso) for s in worse[:3]] == [(3, 100), (4, 100), (3, 200)]
        assert {(s.shoot.scene.name, s.shoot.frames) for s in worse} == {("ramp", 7)}

    def test_factors_reach_the_shoot(self) -> None:
        """Values arrive in their units."""
        suite = Suite(name="one", scenes=("ramp",), methods=("mean",), frames=10)
        plan = next(stacks_of(suite)).shoot
        assert FACTORS["shake"].apply(plan, 2.0).stance.sway_mm[2] == 2.0
        assert FACTORS["step"].apply(plan, 1.2).frames == 5
        assert FACTORS["noise"].apply(plan, 800).iso == 800
        late = FACTORS["missing-ends"].apply(plan, 0.2)
        assert late.frames == 6
        planned = [record.focus_z_mm for record in plan.records]
        pace = (planned[-1] - planned[0]) / 9
        moved = late.approach.start_mm - plan.approach.start_mm
        assert moved == pytest.approx(2 * pace, rel=0.5)

    def test_a_flash_factor_needs_a_flash(self) -> None:
        """A lamp has no flash to vary."""
        suite = Suite(name="one", scenes=("ramp",), methods=("mean",), lights=("steady-lamp",))
        plan = next(stacks_of(suite)).shoot
        with pytest.raises(ValueError, match="'steady-lamp' has no flash"):
            FACTORS["flash-spread"].apply(plan, 0.1)

    def test_an_iso_below_the_base_is_refused(self) -> None:
        """The base ISO is the lowest."""
        suite = Suite(name="one", scenes=("ramp",), methods=("mean",), frames=2)
        plan = next(stacks_of(suite)).shoot
        with pytest.raises(ValueError, match="base ISO 100, got 16"):
            FACTORS["noise"].apply(plan, 16.0)

    def test_highlights_need_something_shiny(self) -> None:
        """Drops at the tips of hairs and a lamp's lens shine; card and dry bristles do not."""
        scenes = ("sticky-leaf", "circuit-board", "ramp", "seed-burr")
        suite = Suite(name="one", scenes=scenes, methods=("mean",), frames=2)
        leaf, board, ramp, burr = (spec.shoot for spec in stacks_of(suite))
        brighten = FACTORS["highlights"].apply
        assert _shining_at(brighten(leaf, 50.0), 50.0) == {"short hairs", "long hairs"}
        assert _shining_at(brighten(board, 50.0), 50.0) == {"lamp"}
        for plan in (ramp, burr):
            with pytest.raises(ValueError, match=f"'{plan.scene.name}' has nothing shiny"):
                brighten(plan, 50.0)


def _shining_at(plan: Shoot, radiance: float) -> set[str]:
    surfaces = [one for one in plan.scene.surface if isinstance(one, Balls | Fibres)]
    return {one.name for one in surfaces if one.highlight == radiance}


class TestVerify:
    """Cells done again."""

    def test_a_true_folder_holds(self, undisturbed: Path) -> None:
        """Three cells, the oracle among them, agree to the last digit."""
        checks = list(verify(undisturbed, cells=3, seed=_seed_with(0)))
        assert len(checks) == 3
        assert "oracle" in {check.method for check in checks}
        assert [check.different for check in checks] == [()] * 3

    def test_a_prettied_number_is_found(
        self, tiny: Path, undisturbed: Path, tmp_path: Path
    ) -> None:
        """A score that was changed, checksum and all, is named."""
        out = tmp_path / "out"
        shutil.copytree(undisturbed, out)
        store, cell = Store(out), cells_of(load_suite(tiny))[2]
        row = store.row(cell.key)
        worse = {**row, "total.psnr_db": row["total.psnr_db"] + 1}
        store.keep(cell.key, DoneCell(row=worse))
        found = {c.cell_key: c.different for c in verify(out, cells=3, seed=_seed_with(2))}
        assert found[cell.key] == ("total.psnr_db",)

    @pytest.mark.parametrize(("off", "found"), [(3e-7, ()), (1e-4, ("total.psnr_db",))])
    def test_the_last_digits_may_differ(
        self, tiny: Path, undisturbed: Path, tmp_path: Path, off: float, found: tuple[str, ...]
    ) -> None:
        """As far as another order of adding moves them, and less than a table prints."""
        out = tmp_path / "out"
        shutil.copytree(undisturbed, out)
        store, cell = Store(out), cells_of(load_suite(tiny))[2]
        row = store.row(cell.key)
        moved = {**row, "total.psnr_db": row["total.psnr_db"] + off}
        store.keep(cell.key, DoneCell(row=moved))
        checks = {c.cell_key: c.different for c in verify(out, cells=1, seed=_seed_first(2))}
        assert checks == {cell.key: found}

    def test_it_uses_as_many_threads_as_a_benchmark(
        self, undisturbed: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """One a library, here and in the processes of methods, whatever is allowed outside."""
        seen = []

        def watched(*given: object) -> None:
            libraries = [library["num_threads"] for library in threadpool_info()]
            seen.append((set(libraries), os.environ["OMP_NUM_THREADS"]))
            do(*given)

        monkeypatch.setattr("stacktruth.runners.bench.running.verify.do", watched)
        monkeypatch.setenv("OMP_NUM_THREADS", "2")
        with threadpool_limits(2):
            assert [check.different for check in verify(undisturbed, cells=1)] == [()]
        assert seen == [({1}, "1")]
        assert os.environ["OMP_NUM_THREADS"] == "2"

    def test_a_folder_without_a_benchmark_is_refused(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Another folder is refused."""
        assert main(["verify", str(tmp_path)]) == 2
        assert "no benchmark" in capsys.readouterr().err


def _seed_with(index: int) -> int:
    """Return a seed that has a cell among the first three of eight."""
    return next(s for s in range(99) if index in np.random.default_rng(s).permutation(8)[:3])


def _seed_first(index: int) -> int:
    """Return a seed that has a cell as the very first of eight."""
    return next(s for s in range(99) if np.random.default_rng(s).permutation(8)[0] == index)


def test_what_is_slow_to_load_waits() -> None:
    """In a process of its own: workers make no table, and a run tests no difference."""
    code = (
        "import sys; from stacktruth.runners.commands import bench; "
        "from stacktruth.runners.bench.running import work; print(*sys.modules)"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = ran.stdout.split()
    assert "stacktruth.runners.judge.scoring" in loaded
    assert not {"pandas", "scipy.stats", "matplotlib"} & set(loaded)


def test_command_prints_the_standing(
    tiny: Path, undisturbed: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Who competes first; a suite with failed cells ends with status 1 and says how many."""
    assert main(["bench", str(tiny), "--out", str(undisturbed), "--no-progress"]) == 1
    told = capsys.readouterr()
    lines = told.out.splitlines()
    assert [line.split()[0] for line in lines[2:6]] == [
        *("focus-map", "broken:merge", "oracle", "mean")
    ]
    assert "2 of 8 cells failed" in told.err
    assert main(["bench", "none", "--out", "x"]) == 2


@pytest.mark.parametrize("quality", ["fast", "true", "exact"])
def test_a_suite_asks_for_a_level_of_quality(quality: str, tmp_path: Path) -> None:
    """All its shoots are of that level, those of a ladder with pixels of its own as well."""
    path = tmp_path / "suite.toml"
    ladder = f'bin = 16\nfactor = "noise"\nvalues = [{", ".join(map(str, range(200, 205)))}]\n'
    path.write_text(
        'scenes = ["ramp"]\nmethods = ["mean"]\nframes = 2\n'
        f'quality = "{quality}"\n[[ladders]]\n{ladder}'
    )
    stacks = [cell.stack for cell in cells_of(load_suite(path))]
    assert {stack.condition for stack in stacks} == {"plain", "noise"}
    assert {stack.shoot.quality for stack in stacks} == {quality}


def test_a_suite_asks_for_a_level_that_is_there(tmp_path: Path) -> None:
    """What is not a level is refused with those that are."""
    path = tmp_path / "suite.toml"
    path.write_text('scenes = ["ramp"]\nmethods = ["mean"]\nquality = "best"\n')
    with pytest.raises(DataFileError, match="quality"):
        load_suite(path)
