"""The benchmark on a cluster: the same table as here, and a worker that dies is no loss."""

from __future__ import annotations

import os
import pickle
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import fields, replace
from pathlib import Path

import dask
import pandas as pd
import pytest
from distributed import Client, LocalCluster

from stacktruth.runners.bench import load_suite
from stacktruth.runners.bench.grid.cells import by_stack, cells_of
from stacktruth.runners.bench.grid.suite import SUITE, suite_text
from stacktruth.runners.bench.running import pools
from stacktruth.runners.bench.running.run import task_on
from stacktruth.runners.bench.running.store import Store
from stacktruth.runners.bench.running.work import Task, do
from stacktruth.runners.cli import main
from tests.runners.bench_suites import rows_in, run, wait_for, write_suite

SCENES = ("ramp", "pickets", "coin", "steps")


@pytest.fixture(scope="module")
def suite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a suite of four stacks by three methods, one of them from a file."""
    folder = tmp_path_factory.mktemp("suite")
    (folder / "mine.py").write_text("def merge(frames, info):\n    return frames[1]\n")
    methods = ("oracle", "focus-map", f"{folder / 'mine.py'}:merge")
    return write_suite(folder, scenes=SCENES, methods=methods)


@pytest.fixture(scope="module")
def undisturbed(suite: Path, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Run it here, in one process."""
    return run(suite, tmp_path_factory.mktemp("bench") / "out")


@contextmanager
def two_workers(*, failures: int) -> Iterator[LocalCluster]:
    """Give a cluster of two processes; a task is given up after so many deaths under it."""
    with (
        dask.config.set({"distributed.scheduler.allowed-failures": failures}),
        LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0"
        ) as cluster,
    ):
        yield cluster


def killing_one(cluster: LocalCluster, out: Path, killed: list[str]) -> threading.Thread:
    """Return a thread that kills a worker in the middle of a stack, once the first row is there."""

    def kill() -> None:
        with Client(cluster.scheduler_address, set_as_default=False) as client:
            of_worker = client.run(os.getpid)
            wait_for(lambda: rows_in(out))
            busy = wait_for(lambda: [w for w, keys in client.processing().items() if keys])
            killed.append(busy[0])
            os.kill(of_worker[busy[0]], signal.SIGKILL)

    return threading.Thread(target=kill)


@pytest.mark.slow
@pytest.mark.parametrize("failures", [3, 0], ids=["tried again", "given up"])
def test_what_a_killed_worker_had_is_done_or_has_its_rows(
    failures: int, suite: Path, undisturbed: bytes, tmp_path: Path
) -> None:
    """Kill -9 of one of two: its stack is done by the other, or its cells have rows that say so.

    In either case the table is in the end that of one process here, byte for byte.
    """
    out, killed = tmp_path / "out", []
    with two_workers(failures=failures) as cluster:
        (tmp_path / "out" / "cells").mkdir(parents=True)
        killer = killing_one(cluster, out, killed)
        killer.start()
        got = run(suite, out, cluster=cluster.scheduler_address)
        killer.join()
        assert len(killed) == 1
        rows = pd.read_csv(out / "rows.csv")
        assert len(rows) == 12
        if failures:
            assert got == undisturbed
        else:
            lost = rows[rows["status"] == "killed"]
            # The scheduler may have handed it a second stack already.
            assert lost["scene"].nunique() in (1, 2)
            assert 1 <= len(lost) <= 6
            assert lost["reason"].str.startswith("ended from outside: the process that").all()
            assert lost[["method", "cell_key", "stack_key", "seed"]].notna().all(axis=None)
            assert run(suite, out, cluster=cluster.scheduler_address) == undisturbed
    assert not pd.read_csv(out / "times.csv")["time_is_comparable"].any()
    assert not list((out / "stacks").iterdir())
    assert not list(out.glob(".lock-*"))


def made_by(suite: Path, folder: Path) -> Task:
    """Make a benchmark's folder and return the task of the suite's first stack."""
    store, known = Store(folder), load_suite(suite)
    store.make()
    (folder / SUITE).write_text(suite_text(known))
    return task_on(store, next(iter(by_stack(cells_of(known)).values())))


def test_a_task_is_names_alone(suite: Path, tmp_path: Path) -> None:
    """No picture, plan or scene travels: a path, keys and versions, under 2 kB."""
    task = made_by(suite, tmp_path / "out")
    kinds = {field.name: type(getattr(task, field.name)) for field in fields(task)}
    assert set(kinds.values()) <= {str, int, tuple, bool, type(None)}
    assert len(pickle.dumps(task)) < 2000
    assert len({pools.key_of(task), pools.key_of(replace(task, folder="/elsewhere"))}) == 2


@pytest.mark.parametrize(
    ("other", "message"),
    [
        (
            {"versions": (("numpy", "0.1"),)},
            r"has not what the run was started with: numpy \S+ for",
        ),
        ({"cells": ("0" * 20,)}, "the code or a file of small"),
        ({"stack": "0" * 20}, "the code or a file of small"),
    ],
)
def test_a_worker_with_other_code_does_nothing(
    other: dict[str, object], message: str, suite: Path, tmp_path: Path
) -> None:
    """Other libraries, methods or scenes make other numbers: it says which, and writes no row."""
    task = made_by(suite, tmp_path / "out")
    with pytest.raises(RuntimeError, match=message):
        do(replace(task, **other))
    assert rows_in(tmp_path / "out") == 0


def test_what_cannot_work_is_refused_before_anything_is_written(
    suite: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Nobody at the address, both ways at once, dask not installed: status 2 and what to do."""
    monkeypatch.setattr("stacktruth.runners.cluster._CONNECT_S", 0.5)
    argv = ["bench", str(suite), "--out", str(tmp_path / "out"), "--cluster", "tcp://127.0.0.1:1"]
    assert main(argv) == 2
    assert "--cluster: got 'tcp://127.0.0.1:1', allowed" in capsys.readouterr().err
    assert main([*argv, "--workers", "2"]) == 2
    assert "--workers and --cluster: got both" in capsys.readouterr().err
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert main(argv) == 2
    assert "pip install 'stacktruth[cluster]'" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
