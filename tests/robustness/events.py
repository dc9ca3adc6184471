"""What happens to a benchmark before, while and after it runs, and what must come of each event.

``python -m tests.robustness.events [--workers N] [NAME ...]`` from the root of the checkout. Each
event happens to a small benchmark, or a stack, of its own. Asked of each: the table of a run in
peace, or one sentence that says what and where; nothing that was there is lost, nothing is left
behind.
"""

# ruff: noqa: D103 (an event is told by its name)
from __future__ import annotations

import argparse
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import suppress
from multiprocessing import get_context
from pathlib import Path

from tests.robustness.event_rooms import Process, Room

EVENTS: dict[str, Callable[[Room], list[str]]] = {}
DEEP = "[" * 100_000
SMALL = ("--frames", "2", "--crop", "384x256", "--bin", "8", "--quality", "fast", "--no-progress")


def event(what: Callable[[Room], list[str]]) -> Callable[[Room], list[str]]:
    """Put an event on the list."""
    EVENTS[what.__name__.replace("_", " ")] = what
    return what


# ---- what stands in the folder before -----------------------------------------------------------


def _finished(room: Room) -> dict[str, bytes]:
    """Put a finished benchmark into `out`; return its files."""
    len(room.peace)
    shutil.copytree(room.path / "peace", room.out)
    return room.files()


def _refused(room: Room, says: str, *words: str) -> list[str]:
    """Run a command that must be refused, and change nothing."""
    before = room.files()
    ran = room.run(*(words or room.bench_words()))
    return [*ran.wrong(2, says=says), *_changed(before, room)]


def _changed(before: dict[str, bytes], room: Room) -> list[str]:
    after = room.files()
    names = {name for name in {**before, **after} if before.get(name) != after.get(name)}
    return [f"changed: {name}" for name in sorted(names)]


@event
def another_suite_into_a_finished_folder(room: Room) -> list[str]:
    _finished(room)
    room.suite("other", "mean", more="seeds = [7]\n")
    return _refused(room, "holds 2 finished cells", *room.bench_words(suite="other.toml"))


@event
def a_foreign_rows_csv_in_the_folder(room: Room) -> list[str]:
    room.out.mkdir()
    (room.out / "rows.csv").write_text("name,phone\nme,1\n")
    return _refused(room, "rows.csv")


@event
def foreign_tables_in_a_finished_folder(room: Room) -> list[str]:
    _finished(room)
    wrong = []
    for name in ("rows.csv", "times.csv", "standings.csv", "pairs.csv"):
        before = room.files().get(name)
        (room.out / name).write_text("name;phone\n")
        wrong += _refused(room, name)
        wrong += _refused(room, name, "report", str(room.out), "--no-progress")
        (room.out / name).unlink()
        if before is not None:
            (room.out / name).write_bytes(before)
    return wrong


@event
def a_folder_of_pictures_as_out(room: Room) -> list[str]:
    room.out.mkdir()
    (room.out / "holiday.jpg").write_bytes(b"\xff\xd8\xff")
    return _refused(room, "holiday.jpg")


@event
def a_file_or_a_broken_link_as_out(room: Room) -> list[str]:
    room.out.write_text("mine")
    ran = room.bench()
    wrong = [*ran.wrong(2, says="out")] + ["lost"] * (room.out.read_text() != "mine")
    room.out.unlink()
    room.out.symlink_to(room.path / "nowhere")
    return wrong + room.bench().wrong(2, says="out")


@event
def a_link_to_a_folder_as_out(room: Room) -> list[str]:
    (room.path / "elsewhere").mkdir()
    room.out.symlink_to(room.path / "elsewhere")
    return [*room.resumed(), *["the link is gone"] * (not room.out.is_symlink())]


@event
def tables_that_are_folders(room: Room) -> list[str]:
    wrong = []
    for name in ("rows.csv", "times.csv", "suite.json", "environment.json", "cells", "outputs"):
        shutil.rmtree(room.out, ignore_errors=True)
        _finished(room)
        path = room.out / name
        shutil.rmtree(path) if path.is_dir() else path.unlink()
        path.write_text("") if name in ("cells", "outputs") else path.mkdir()
        wrong += room.bench().wrong(1, 2, says=name)
    return wrong


# ---- what is damaged between two runs -----------------------------------------------------------


@event
def broken_cell_files(room: Room) -> list[str]:
    _finished(room)
    first, second = sorted((room.out / "cells").iterdir())
    first.write_text(DEEP)
    second.write_bytes(second.read_bytes()[:-40])
    return room.resumed()


@event
def cell_files_that_have_changed_places(room: Room) -> list[str]:
    _finished(room)
    first, second = sorted((room.out / "cells").iterdir())
    held = first.read_bytes()
    first.write_bytes(second.read_bytes())
    second.write_bytes(held)
    return room.resumed()


@event
def a_cell_file_that_is_a_folder(room: Room) -> list[str]:
    _finished(room)
    first, _ = sorted((room.out / "cells").iterdir())
    first.unlink()
    first.mkdir()
    return room.bench().wrong(1, says=first.name)


@event
def broken_suite_and_environment(room: Room) -> list[str]:
    wrong = []
    for text in ("", DEEP, "[1]", "\x00"):
        for name in ("suite.json", "environment.json"):
            shutil.rmtree(room.out, ignore_errors=True)
            _finished(room)
            (room.out / name).write_text(text)
            ran = room.run("report", str(room.out), "--no-progress")
            wrong += ran.wrong(0) if name == "environment.json" else ran.wrong(2, says=name)
        if not wrong:
            (room.out / "report.html").unlink(missing_ok=True)
            wrong += room.bench().wrong(0)
    return [*wrong, *room.not_as_in_peace()]


@event
def a_broken_stack_that_was_kept(room: Room) -> list[str]:
    wrong = []
    room.suite("small", "mean")
    broken = (("stack.json", DEEP.encode()), ("frames/0001.tif", None), ("truth/truth.json", b""))
    for name, data in broken:
        shutil.rmtree(room.out, ignore_errors=True)
        wrong += room.bench("--keep-frames").wrong(0)
        [stack] = (room.out / "stacks").iterdir()
        (stack / name).unlink()
        if data is not None:
            (stack / name).write_bytes(data)
        for cell in (room.out / "cells").iterdir():
            cell.unlink()
        wrong += room.resumed()
    return wrong


@event
def another_stack_in_the_place_of_one_that_was_kept(room: Room) -> list[str]:
    wrong = room.bench("--keep-frames").wrong(0)
    [stack] = (room.out / "stacks").iterdir()
    shutil.rmtree(stack)
    words = ("--rig", "field-2x", "--stance", "kneeling", *SMALL)
    wrong += room.run("render", "ramp", *words, "--seed", "9", "--out", str(stack)).wrong(0)
    for cell in (room.out / "cells").iterdir():
        cell.unlink()
    return [*wrong, *room.resumed()]


@event
def broken_and_missing_outputs(room: Room) -> list[str]:
    _finished(room)
    first, second = sorted((room.out / "outputs").iterdir())
    shutil.rmtree(first)
    (second / "image.tif").write_bytes(b"II*\0" + b"\xff" * 40)
    wrong = room.run("report", str(room.out), "--no-progress").wrong(0)
    return [*wrong, *room.run("verify", str(room.out)).wrong(0, 1), *room.not_as_in_peace()]


@event
def a_table_that_was_edited(room: Room) -> list[str]:
    _finished(room)
    text = room.rows()
    (room.out / "rows.csv").write_text(text[: len(text) // 2])
    words = ("compare", str(room.out), "--method", "slow", "--against", "mean")
    wrong = room.run(*words).wrong(0, 1, 2)
    for broken in ("", "suite,cell_key\n", text.replace("mean", "\x00"), text[:300], DEEP):
        (room.out / "rows.csv").write_text(broken)
        wrong += room.run(*words).wrong(0, 1, 2)
    (room.out / "rows.csv").write_text(text[:-40])
    return [*wrong, *room.resumed()]


@event
def the_method_s_file_is_gone(room: Room) -> list[str]:
    _finished(room)
    (room.path / "own.py").unlink()
    wrong = _refused(room, "own.py")
    wrong += _refused(room, "own.py", "report", str(room.out), "--no-progress")
    return wrong


@event
def the_method_s_file_has_changed(room: Room) -> list[str]:
    _finished(room)
    own = room.path / "own.py"
    slow = 'frames[info["reference"]]'
    own.write_text(own.read_text().replace(slow, f"{slow} // 2"))
    wrong = room.bench().wrong(0)
    return [*wrong, *["the row is the old one"] * (room.rows().encode() == room.peace)]


# ---- what happens while it runs -----------------------------------------------------------------


def _meanwhile(room: Room, deed: Callable[[Process], object], *more: str) -> tuple[Process, str]:
    """Do something while the first method is at work."""
    len(room.peace)
    process = room.at_work(*more)
    found = "" if process.poll() is None else "it had ended before anything happened"
    deed(process)
    return process, found


def _goes_on(room: Room, deed: Callable[[Process], object], *more: str) -> list[str]:
    """Do something while the first method is at work; all must be as in peace."""
    process, found = _meanwhile(room, deed, *more)
    ran = room.ended(process)
    return [*[found] * bool(found), *ran.wrong(0), *room.not_as_in_peace()]


def _stops(room: Room, deed: Callable[[Process], object], *more: str) -> list[str]:
    """Do something that ends the run with a sentence; the same command makes it whole."""
    process, found = _meanwhile(room, deed, *more)
    ran = room.ended(process)
    return [*[found] * bool(found), *ran.wrong(1), *room.resumed()]


def _frames(room: Room) -> list[Path]:
    return sorted((room.out / "stacks").glob("*/frames/*.tif"))


@event
def a_frame_is_damaged_while_a_method_works(room: Room) -> list[str]:
    return _goes_on(room, lambda _: _frames(room)[1].write_bytes(b"II*\0"))


@event
def a_frame_is_deleted_while_a_method_works(room: Room) -> list[str]:
    return _goes_on(room, lambda _: _frames(room)[0].unlink())


@event
def all_frames_are_deleted_while_a_method_works(room: Room) -> list[str]:
    return _goes_on(room, lambda _: shutil.rmtree(_frames(room)[0].parent))


@event
def the_stack_is_deleted_while_a_method_works(room: Room) -> list[str]:
    return _goes_on(room, lambda _: shutil.rmtree(_frames(room)[0].parents[1]))


@event
def the_truth_is_damaged_while_a_method_works(room: Room) -> list[str]:
    def deed(_: object) -> None:
        truth = _frames(room)[0].parents[1] / "truth" / "ideal.tif"
        truth.write_bytes(truth.read_bytes()[::-1])

    return _goes_on(room, deed)


@event
def the_suite_s_file_is_deleted_while_it_runs(room: Room) -> list[str]:
    text = (room.path / "small.toml").read_text()
    wrong = _goes_on(room, lambda _: (room.path / "small.toml").unlink(), "--workers", "2")
    (room.path / "small.toml").write_text(text)
    return wrong


@event
def the_whole_folder_is_deleted_while_it_runs(room: Room) -> list[str]:
    return _stops(room, lambda _: shutil.rmtree(room.out))


@event
def the_cells_are_deleted_while_it_runs(room: Room) -> list[str]:
    return _stops(room, lambda _: shutil.rmtree(room.out / "cells"))


@event
def the_folder_is_renamed_while_it_runs(room: Room) -> list[str]:
    def deed(_: object) -> None:
        room.out.rename(room.path / "renamed")

    process, _ = _meanwhile(room, deed)
    wrong = room.ended(process).wrong(1)
    shutil.rmtree(room.out, ignore_errors=True)
    (room.path / "renamed").rename(room.out)
    return [*wrong, *room.resumed()]


@event
def two_at_once_in_one_folder(room: Room) -> list[str]:
    len(room.peace)
    process = room.at_work()
    second = room.bench()
    wrong = second.wrong(2, says="another benchmark is at work")
    return [*wrong, *room.ended(process).wrong(0), *room.not_as_in_peace()]


@event
def it_is_interrupted(room: Room) -> list[str]:
    return _stops(room, lambda process: os.killpg(process.pid, signal.SIGINT))


@event
def it_is_terminated(room: Room) -> list[str]:
    return _stops(room, lambda process: process.send(signal.SIGTERM))


@event
def it_is_killed(room: Room) -> list[str]:
    process, _ = _meanwhile(room, lambda one: one.send(signal.SIGKILL))
    room.ended(process)
    return room.resumed()


@event
def a_worker_is_killed(room: Room) -> list[str]:
    def deed(process: Process) -> None:
        below = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
        for number in below:
            words = Path(f"/proc/{number}/cmdline").read_bytes()
            if b"spawn_main" in words or b"forkserver" in words:
                with suppress(ProcessLookupError):
                    os.kill(int(number), signal.SIGKILL)

    process, _ = _meanwhile(room, deed, "--workers", "2")
    return [*room.ended(process).wrong(0, 1), *room.resumed()]


@event
def all_of_it_is_stopped_for_longer_than_the_limit(room: Room) -> list[str]:
    """Stop all processes, as a laptop asleep does."""
    room.suite(more="time_limit_s = 4.0\n")
    len(room.peace)

    def deed(process: Process) -> None:
        _asleep_for_6_s([process.pid, *_below(process.pid)])

    return _goes_on(room, deed)


@event
def a_method_is_stopped_for_longer_than_its_limit(room: Room) -> list[str]:
    room.suite(more="time_limit_s = 4.0\n")
    len(room.peace)

    def deed(process: Process) -> None:
        _asleep_for_6_s(_below(process.pid))

    return _goes_on(room, deed)


def _asleep_for_6_s(numbers: Sequence[int]) -> None:
    """Stop processes, and let them go on, those that were started last first."""
    for number in numbers:
        os.kill(number, signal.SIGSTOP)
    time.sleep(6.0)
    for number in reversed(numbers):
        os.kill(number, signal.SIGCONT)


def _below(number: int) -> list[int]:
    found = []
    for one in Path(f"/proc/{number}/task/{number}/children").read_text().split():
        found += [int(one), *_below(int(one))]
    return found


# ---- limits -------------------------------------------------------------------------------------


@event
def a_built_in_method_takes_longer_than_the_suite_allows(room: Room) -> list[str]:
    room.suite("small", "focus-map", more="time_limit_s = 0.001\n")
    wrong = room.bench().wrong(1)
    return [*wrong, *["no row says timed-out"] * ("timed-out" not in room.rows())]


@event
def a_built_in_method_takes_more_memory_than_the_suite_allows(room: Room) -> list[str]:
    room.suite("small", "focus-map", more="memory_limit_mb = 5.0\n")
    wrong = room.bench().wrong(1)
    return [*wrong, *["no row speaks of memory"] * (not re.search("memory|MB", room.rows()))]


@event
def a_method_eats_memory(room: Room) -> list[str]:
    room.suite("small", room.own("hungry"), more="memory_limit_mb = 500.0\n")
    wrong = room.bench().wrong(1)
    return [*wrong, *["no row speaks of memory"] * (not re.search("memory|MB", room.rows()))]


@event
def few_files_may_be_open(room: Room) -> list[str]:
    ran = room.bench(before=("sh", "-c", 'ulimit -n 24; exec "$@"', "sh"))
    return [*ran.wrong(0, 1, 2), *room.resumed()]


@event
def files_may_not_grow(room: Room) -> list[str]:
    ran = room.bench(before=("sh", "-c", 'ulimit -f 16; exec "$@"', "sh"))
    return [*ran.wrong(1, says="File too large"), *room.resumed()]


# ---- places and surroundings --------------------------------------------------------------------


def _mounted(room: Room, size: str, *words: str) -> list[str]:
    """Run a benchmark with a small file system in the place of `out` or of temporary files."""
    prefix = ["unshare", "--mount", *([] if os.geteuid() == 0 else ["--user", "--map-root-user"])]
    script = f'mount -t tmpfs -o size={size} none {words[0]} || exit 77; shift; exec "$@"'
    ran = room.bench(before=(*prefix, "sh", "-c", script, "sh", "--"))
    return [] if ran.status == 77 else ran.wrong(1)


@event
def the_disk_of_the_folder_is_full(room: Room) -> list[str]:
    room.out.mkdir()
    return [*_mounted(room, "40k", str(room.out)), *room.resumed()]


@event
def the_temporary_directory_is_full(room: Room) -> list[str]:
    return [*_mounted(room, "20k", str(room.temporary)), *room.resumed()]


@event
def the_temporary_directory_is_not_there(room: Room) -> list[str]:
    ran = room.bench(TMPDIR=str(room.path / "not-there"))
    return [*ran.wrong(0, 1, 2), *room.resumed()]


def _as_nobody(room: Room) -> tuple[str, ...]:
    os.chmod(room.path, 0o777)
    os.chmod(room.temporary, 0o777)
    other = ("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups")
    more = ("--inh-caps=+dac_read_search", "--ambient-caps=+dac_read_search")
    return (*other, *more, "env")


@event
def the_folder_may_not_be_written_to(room: Room) -> list[str]:
    if os.geteuid():
        return []
    _finished(room)
    before = room.files()
    wrong = room.bench(before=_as_nobody(room)).wrong(2, says=str(room.out))
    return [*wrong, *_changed(before, room)]


@event
def the_folder_becomes_read_only_while_it_runs(room: Room) -> list[str]:
    if os.geteuid():
        return []
    len(room.peace)
    process = room.at_work(before=_as_nobody(room))
    for path in (room.out, *(room.out / name for name in ("cells", "outputs", "stacks"))):
        os.chmod(path, 0o555)
    os.chown(room.out / "cells", 0, 0)
    os.chown(room.out / "outputs", 0, 0)
    wrong = room.ended(process).wrong(1, says="what is done is kept")
    shutil.rmtree(room.out / "stacks")
    return [*wrong, *room.bench().wrong(0)]


@event
def nobody_reads_what_it_prints(room: Room) -> list[str]:
    words = [sys.executable, "-m", "stacktruth.runners.cli", *room.bench_words()]
    env = {**os.environ, "TMPDIR": str(room.temporary)}
    wrong = []
    for closed in ("| head -c 1 >/dev/null", ">&-", "2>&-", "<&-", ">/dev/full"):
        shutil.rmtree(room.out, ignore_errors=True)
        ran = subprocess.run(
            ["bash", "-c", f'"$@" {closed}', "bash", *words],
            cwd=room.path, env=env, capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip
        if "Traceback" in ran.stderr or "Exception" in ran.stderr:
            wrong.append(f"{closed}: {ran.stderr[-300:]}")
        wrong += [f"{closed}: {one}" for one in room.resumed()]
    return wrong


@event
def a_bare_environment(room: Room) -> list[str]:
    bare = dict.fromkeys(("HOME", "USER", "LANG", "LC_ALL", "LOGNAME", "SHELL"))
    wrong = room.bench(
        **bare, before=("sh", "-c", 'umask 0777; umask 0077; exec "$@"', "sh")
    ).wrong(0)
    return [*wrong, *room.not_as_in_peace()]


@event
def strange_names_of_folder_and_suite(room: Room) -> list[str]:
    len(room.peace)
    wrong = []
    for name in ("ein Ordner, '$x' & \u6f22", "=1+1", "-x", "a\nb", "{frames}", "\u202e", "%s"):
        out = room.path / name
        ran = room.run("bench", "small.toml", f"--out={out}", "--no-progress")
        wrong += [f"{name!r}: {one}" for one in ran.wrong(0)]
        wrong += [f"{name!r}: {one}" for one in room.run("report", str(out)).wrong(0)]
        if (out / "rows.csv").read_bytes() != room.peace:
            wrong.append(f"{name!r}: other bytes")
    return [*wrong, *room.lies_about()]


@event
def the_working_folder_is_deleted(room: Room) -> list[str]:
    (room.path / "here").mkdir()
    script = f'cd {room.path}/here && rmdir ../here; exec "$@"'
    words = ("bench", str(room.path / "small.toml"), "--out", str(room.out), "--no-progress")
    ran = room.run(*words, before=("sh", "-c", script, "sh"))
    return [*ran.wrong(0, 1, 2), *room.resumed()]


# ---- stacks -------------------------------------------------------------------------------------


def _render_words(room: Room) -> tuple[str, ...]:
    return ("render", "ramp", "--rig", "field-2x", *SMALL, "--out", str(room.path / "made" / "one"))


@event
def render_is_killed_at_its_end(room: Room) -> list[str]:
    words, made = _render_words(room), room.path / "made"
    wrong = []
    for wait in (lambda: [*made.glob(".one-*/draft/stack.json")], (made / "one").exists):
        process = room.start(*words)
        room.wait_for(wait, process)
        process.send(signal.SIGKILL)
        room.ended(process)
        whole = (made / "one").exists()
        wrong += room.run(*words).wrong(2 if whole else 0, says="exists already" * whole)
        wrong += [f"lies about: {path.name}" for path in made.iterdir() if path.name != "one"]
        wrong += room.run("check-stack", str(made / "one")).wrong(0)
        shutil.rmtree(made)
    return wrong


@event
def a_stack_stands_where_one_is_to_be_made(room: Room) -> list[str]:
    (room.path / "made" / "one").mkdir(parents=True)
    return room.run(*_render_words(room)).wrong(2, says="exists already")


@event
def a_frame_goes_while_a_stack_is_scored(room: Room) -> list[str]:
    wrong = room.run(*_render_words(room)).wrong(0)
    stack = room.path / "made" / "one"
    process = room.start("score", str(stack), "--method", room.own("slow"), "--method", "mean")
    room.wait_for(lambda: [*room.temporary.glob("stacktruth-run-*/frames/*")], process)
    (stack / "frames" / "0001.tif").unlink()
    return [*wrong, *room.ended(process).wrong(0, 1), *room.lies_about()]


def tried(name: str) -> tuple[str, list[str], float]:
    """Let an event happen; return its name, what is wrong, and how long it took."""
    started = time.monotonic()
    with tempfile.TemporaryDirectory() as place:
        try:
            wrong = EVENTS[name](Room(Path(place).resolve() / "room"))
        except Exception as error:
            wrong = [f"the test itself: {type(error).__name__}: {error}"]
    return name, wrong, time.monotonic() - started


def main() -> int:
    """Let events happen, print each with what came of it; return how many were wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", help="parts of names (default: all)")
    parser.add_argument("--workers", type=int, default=1, help="events at once")
    parser.add_argument("--first", type=int, default=0, help="leave so many out")
    asked = parser.parse_args()
    names = [n for n in EVENTS if not asked.names or any(part in n for part in asked.names)]
    names = names[asked.first :]
    bad, longest = 0, (0.0, "")
    with ProcessPoolExecutor(asked.workers, mp_context=get_context("fork")) as pool:
        for done in as_completed([pool.submit(tried, name) for name in names]):
            name, wrong, seconds = done.result()
            bad, longest = bad + bool(wrong), max(longest, (seconds, name))
            print(f"{'WRONG' if wrong else 'right'}: {name} ({seconds:.0f} s)", flush=True)
            for text in wrong:
                print(f"    {text}", flush=True)
    print(f"events: {len(names)} tried, {bad} wrong; longest {longest[0]:.0f} s ({longest[1]})")
    return bad


if __name__ == "__main__":
    sys.exit(bool(main()))
