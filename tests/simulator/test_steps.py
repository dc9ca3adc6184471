"""Steps: what waits for others, in which order they come, and what is left when they break."""

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from multiprocessing import active_children

import pytest

from stacktruth.simulator.processes import processes, usable_cores
from stacktruth.simulator.steps import Step, carry_out, side_by_side


def noted(name: str, *before: str) -> str:
    """Return a step's name, after what it is given."""
    return "".join([*before, name])


def steps(**needs: str) -> list[Step]:
    """Make steps by their names, in order, each after the letters of its word."""
    return [
        Step(name=name, do=partial(noted, name), after=tuple(after))
        for name, after in needs.items()
    ]


class TestOrder:
    """What is begun when."""

    def test_in_their_order_but_what_was_waited_for_comes_first(self):
        """C waits for A and B and goes before D; E waits for C."""
        found = [given for _, given in carry_out(steps(e="c", c="ab", a="", b="", d=""))]
        assert found == ["a", "b", "abc", "abce", "d"]

    def test_those_that_can_be_done_come_in_their_order(self):
        """B, which waited for Z, goes before C, which waited for nothing; Z before A."""
        found = [step.name for step, _ in carry_out(steps(z="", b="z", c="", a="cb", d=""))]
        assert found == ["z", "b", "c", "a", "d"]

    def test_this_process_works_while_others_are_at_the_first_steps(self):
        """Once, when as many as may be are handed over, and before any is waited for."""
        handed, seen = [], []
        with ThreadPoolExecutor(1) as pool:
            own = [replace(one, do=partial(handed.append, one.name)) for one in steps(a="", b="")]
            done = carry_out(own, pool=pool, at_once=1, meanwhile=lambda: seen.append("worked"))
            for step, _ in done:
                seen.append(step.name)
        assert seen == ["worked", "a", "b"]
        assert handed == ["a", "b"]

    @pytest.mark.parametrize(
        "at_once", [2, *(pytest.param(number, marks=pytest.mark.slow) for number in (1, 9))]
    )
    def test_no_step_is_handed_over_before_what_it_needs(self, at_once):
        """In two processes each step ends after those that it waits for; all are done once."""
        asked = steps(z="xy", x="", y="", w="z", v="")
        with processes(2) as pool:
            made = {s.name: m for s, m in carry_out(asked, pool=pool, at_once=at_once)}
        found = list(made)
        assert made["w"] == "xyzw"
        assert sorted(found) == ["v", "w", "x", "y", "z"]
        for step in asked:
            for before in step.after:
                assert found.index(before) < found.index(step.name)


def halved(number: int) -> float:
    """Return half of an even number."""
    if number % 2:
        raise ValueError(f"number: got {number}, allowed even")
    return number / 2


class TestSideBySide:
    """Jobs of one function in several processes."""

    @pytest.mark.parametrize("workers", [1, 2, pytest.param(5, marks=pytest.mark.slow)])
    def test_jobs_come_back_in_their_order(self, workers):
        """Results are those of the jobs, one by one; an error in one is raised here."""
        assert list(side_by_side(halved, [4, 2, 8], workers=workers)) == [2, 1, 4]
        with pytest.raises(ValueError, match="got 3, allowed even"):
            list(side_by_side(halved, [2, 3], workers=workers))

    def test_a_process_that_is_ended_is_an_error(self):
        """No wait without end."""
        with pytest.raises(RuntimeError, match="ended from outside"):
            list(side_by_side(os._exit, [1, 1], workers=2))


def priority_and_threads(_: int) -> tuple[int, str | None]:
    """Return the priority of this process, and what numeric libraries are held to."""
    return os.getpriority(os.PRIO_PROCESS, 0), os.environ.get("OPENBLAS_NUM_THREADS")


class TestProcesses:
    """What processes that share out work are like."""

    def test_they_give_way_and_use_one_thread_each(self, monkeypatch):
        """Whatever this process was told; its own environment is as before."""
        monkeypatch.setenv("OPENBLAS_NUM_THREADS", "7")
        found = list(side_by_side(priority_and_threads, [0, 1], workers=2))
        assert found == [(max(5, os.getpriority(os.PRIO_PROCESS, 0)), "1")] * 2
        assert os.environ["OPENBLAS_NUM_THREADS"] == "7"

    def test_all_start_with_the_first_work(self):
        """None is being started while the others are watched: see the pool."""
        before = set(active_children())
        with processes(3) as pool:
            pool.submit(os.getpid).result()
            assert len(set(active_children()) - before) == 3

    def test_cores_are_those_that_this_process_may_use(self):
        """As the kernel's own list says; one core alone counts as one."""
        allowed = os.sched_getaffinity(0)
        assert usable_cores() == len(allowed)
        try:
            os.sched_setaffinity(0, {min(allowed)})
            assert usable_cores() == 1
        finally:
            os.sched_setaffinity(0, allowed)
