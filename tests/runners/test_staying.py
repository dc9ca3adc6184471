"""Methods that stay loaded over stacks: loaded once, and else as far apart as any other."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stacktruth.runners.bench import bench, load_suite
from stacktruth.runners.bench.grid.cells import cells_of
from stacktruth.runners.bench.report.tables import called
from stacktruth.runners.contract import Outcome
from stacktruth.runners.isolate import walls
from stacktruth.runners.isolate.external import ProgramError
from stacktruth.runners.isolate.method import Method, UnknownMethodError
from stacktruth.runners.isolate.methods_file import load_methods
from stacktruth.runners.isolate.run import run_method
from stacktruth.runners.isolate.staying import StayingMethods
from tests.runners.bench_suites import write_suite

INFO = {
    "frames": [{"file": f"{i:04d}.tif", "order": i} for i in range(3)],
    "height_px": 8,
    "width_px": 10,
    "encoding": "srgb",
    "bits": 16,
}
TABLE = '[[methods]]\nlabel = "m"\nspec = "meth.py:merge"\nstays_loaded = true\n'
#: Counts its stacks, and says so by its reference.
COUNTING = """
N = [-1]
def merge(frames, info):
    N[0] += 1
    {body}
    return {{'image': frames[1], 'reference': N[0]}}
"""


def frames(level: int) -> list[np.ndarray]:
    """Return three even frames of one stack, none like those of another."""
    return [np.full((8, 10, 3), 1000 * level + i, np.uint16) for i in range(3)]


@pytest.fixture
def staying() -> Iterator[StayingMethods]:
    """Return what keeps methods, and end them."""
    kept = StayingMethods()
    yield kept
    kept.close()


def written(folder: Path, body: str = "pass", *, head: str = "") -> Method:
    """Write a method that stays loaded and find it by its table."""
    (folder / "meth.py").write_text(head + COUNTING.format(body=body))
    (folder / "m.toml").write_text(TABLE)
    return load_methods(folder / "m.toml")["m"]


def count(outcome: Outcome) -> int:
    """Return how many stacks the process had before."""
    assert outcome.status == "ok", outcome.reason + outcome.stderr
    assert outcome.result is not None
    return outcome.result.reference


def test_a_method_is_loaded_once_and_each_stack_is_its_own(tmp_path, staying) -> None:
    """Time, frames and output are each stack's; loading is the first one's; nothing is left."""
    head = "import time\ntime.sleep(0.5)\n"
    method = written(tmp_path, "time.sleep(0.2); print('stack', N[0])", head=head)
    work = tmp_path / "work"
    for number in range(3):
        outcome = run_method(method, frames(number), INFO, staying=staying, work_dir=work)
        assert count(outcome) == number
        assert outcome.stays_loaded
        np.testing.assert_array_equal(outcome.result.image, frames(number)[1])
        assert outcome.stdout == f"stack {number}\n"
        least = 0.7 if number == 0 else 0.2
        assert least < outcome.seconds < least + 0.45
        time.sleep(0.3)  # which is nobody's time
    staying.close()
    assert not list(work.iterdir())
    alone = run_method(method, frames(1), INFO)
    assert (count(alone), alone.stays_loaded) == (0, False)
    assert alone.version == outcome.version


BUSY = """
import os, threading, time
ticks = [0]
def tick():
    while True:
        ticks[0] += 1
        time.sleep(0.005)
threading.Thread(target=tick, daemon=True).start()
"""


@pytest.mark.slow
def test_between_two_stacks_a_method_stands_still(tmp_path, staying) -> None:
    """A thread of it that counts by 5 ms gets nowhere in 0.6 s between its stacks."""
    method = written(tmp_path, "print(ticks[0])", head=BUSY)
    first = run_method(method, frames(0), INFO, staying=staying)
    time.sleep(0.6)
    second = run_method(method, frames(1), INFO, staying=staying)
    assert count(second) == 1
    assert int(second.stdout) - int(first.stdout) < 60


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ("1 / (1 - N[0])", "failed"),
        pytest.param("N[0] == 1 and os._exit(3)", "failed", marks=pytest.mark.slow),
        pytest.param("N[0] == 1 and time.sleep(99)", "timed-out", marks=pytest.mark.slow),
        pytest.param("held = b'x' * (N[0] * 400_000_000)", "killed", marks=pytest.mark.slow),
    ],
)
def test_after_a_failure_the_next_stack_has_a_fresh_process(
    tmp_path, staying, body, status
) -> None:
    """Whether it raised, ended, or was ended for time or memory."""
    method = written(tmp_path, body, head="import os, time\n")
    limits = {"time_limit_s": 6.0, "memory_limit_mb": 300.0}
    found = [run_method(method, frames(i), INFO, staying=staying, **limits) for i in range(3)]
    assert [outcome.status for outcome in found] == ["ok", status, "ok"]
    assert count(found[0]) == count(found[2]) == 0


FORGING = """
import json, os, shutil, socket, threading, time
import numpy as np

def forge(image):
    while True:
        try:
            os.makedirs('handed-over', exist_ok=True)
            np.save('handed-over/image.npy', image)
            said = {'status': 'ok', 'reason': '', 'result': {'files': ['image'], 'reference': 2}}
            open('handed-over/handover.json', 'w').write(json.dumps(said))
            for name in os.listdir('/proc/self/fd'):
                try:
                    socket.socket(fileno=os.dup(int(name))).send(b'd')
                except OSError:
                    pass
        except OSError:
            pass
"""
FORGES = "threading.Thread(target=forge, args=(frames[0] * 0,), daemon=True).start()"


@pytest.mark.slow
def test_a_result_forged_for_the_next_stack_gains_nothing(tmp_path, staying) -> None:
    """A thread keeps forging and says 'done' all the time: only what was made in time counts."""
    method = written(tmp_path, f"N[0] or {FORGES}; time.sleep(0.2)", head=FORGING)
    found = [run_method(method, frames(i), INFO, staying=staying) for i in range(2)]
    for outcome in found:
        assert outcome.seconds > 0  # the clock ran while it forged, however early it said 'done'
        assert "\n" not in outcome.reason
    # No forgery of an earlier stack's is left for a method that does not get to forge again.
    honest = written(tmp_path)
    assert count(run_method(honest, frames(1), INFO, staying=staying)) == 0


def test_a_truth_that_was_not_covered_at_the_start_means_a_fresh_process(tmp_path, staying) -> None:
    """So it is covered; below what is covered already the process may go on."""
    if walls.best_wall() == "none":
        pytest.skip("neither Landlock nor mounts of one's own here")
    places = [tmp_path / name for name in ("a", "b", "b/inner")]
    for folder in places:
        folder.mkdir()
        (folder / "truth").write_text("known")
    method = written(tmp_path, "print(*readable())", head=READABLE.format([*map(str, places)]))
    counts, seen = [], []
    for hidden in places:
        outcome = run_method(method, frames(0), INFO, staying=staying, hidden=[hidden])
        counts.append(count(outcome))
        seen.append(outcome.stdout.split())
    assert counts == [0, 0, 1]
    assert seen == [["1", "2"], ["0"], ["0"]]


READABLE = """
PLACES = {!r}
def readable():
    for number, place in enumerate(PLACES):
        try:
            open(place + '/truth').read()
            yield number
        except OSError:
            pass
"""


@pytest.mark.slow
def test_a_changed_file_means_a_fresh_process(tmp_path, staying) -> None:
    """A helper that it loaded, even one that its table does not name."""
    (tmp_path / "helper.py").write_text("A = 1\n")
    method = written(tmp_path, head="import helper\n")
    assert count(run_method(method, frames(0), INFO, staying=staying)) == 0
    assert count(run_method(method, frames(0), INFO, staying=staying)) == 1
    (tmp_path / "helper.py").write_text("A = 22\n")
    assert count(run_method(method, frames(0), INFO, staying=staying)) == 0


@pytest.mark.parametrize(
    "what", ['spec = "mean"', 'program = { command = ["x", "{output}", "{frames}"] }']
)
def test_only_a_python_function_may_stay(tmp_path, what) -> None:
    """A table that asks for it for anything else is refused."""
    (tmp_path / "m.toml").write_text(f'[[methods]]\nlabel = "a"\n{what}\nstays_loaded = true\n')
    with pytest.raises((UnknownMethodError, ProgramError), match="stays_loaded: got it for"):
        load_methods(tmp_path / "m.toml")


@pytest.mark.slow
def test_rows_of_an_honest_method_are_the_same_either_way(tmp_path) -> None:
    """But for what says that it stayed, which the page says, too; one that remembers is told."""
    counting = COUNTING.format(body="pass").replace("frames[1]", "frames[N[0]]")
    (tmp_path / "meth.py").write_text(counting)
    (tmp_path / "honest.py").write_text("def merge(f, info):\n    return f[info['reference']]\n")
    suite = write_suite(tmp_path, scenes=["ramp"], methods=[], more="seeds = [1, 2]\n")
    tables = [
        f'\n[[methods]]\nlabel = "{name}"\nspec = "{spec}"\nstays_loaded = {stays}\n'
        for name, spec, stays in (
            ("fresh", "honest.py:merge", "false"),
            ("stays", "honest.py:merge", "true"),
            ("counts", "meth.py:merge", "true"),
        )
    ]
    suite.write_text(suite.read_text().replace("methods = []\n", "") + "".join(tables))
    bench(load_suite(suite), tmp_path / "out", progress=False, say=lambda _: None)
    rows = pd.read_csv(tmp_path / "out" / "rows.csv", dtype=str, keep_default_na=False)
    fresh, stays, counts = (
        rows[rows["method"] == name].reset_index(drop=True) for name in ("fresh", "stays", "counts")
    )
    assert set(fresh["status"]) == {"ok"}
    own = ["method", "stays_loaded", "cell_key"]
    pd.testing.assert_frame_equal(fresh.drop(columns=own), stays.drop(columns=own))
    assert [set(one["stays_loaded"]) for one in (fresh, stays)] == [{"False"}, {"True"}]
    assert list(counts["reference"]) == ["0", "1"]
    typed = pd.read_csv(tmp_path / "out" / "rows.csv")
    assert called(typed, "stays") == "stays (stayed loaded)"
    assert called(typed, "fresh") == "fresh"
    remembers = [cell.key for cell in cells_of(load_suite(suite)) if cell.method.name == "counts"]
    bench(load_suite(suite), tmp_path / "out", only=remembers[1], progress=False, say=lambda _: 0)
    again = pd.read_csv(tmp_path / "out" / "rows.csv", dtype=str).query("method == 'counts'")
    assert list(again["reference"]) == ["0", "0"]
