"""Changes one line at a time and sees whether a test turns red.

Usage: ``python tests/mutate.py [--only WORD] [--workers N] [--list]``

``mutations.toml`` beside this file holds the changes: a file, a text in it and another one, what
that breaks, and the tests that should notice. The tree is copied (once for each worker), every test
named is run once on the copy as it is, and then each change is made in turn and its own tests are
run. A change that
no test notices has survived: a test is missing, or the change makes no difference and says why
under ``equivalent``. The exit status is 1 where one has survived, or a test that calls it
equivalent turned red after all; 2 where the table or the tests are at fault.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

HOUSE = Path(__file__).resolve().parents[1]
TABLE = Path(__file__).with_name("mutations.toml")
#: What the tests of the table do without: at the top of the tree, and anywhere.
_LEFT_OUT = {"results", "build", "dist", "demo", "stacks"}
_NOWHERE = shutil.ignore_patterns(".*", "__pycache__", "*.egg-info")
_PASSED, _FAILED = 0, 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One change of one line.

    Parameters
    ----------
    file : str
        Below the root.
    old, new : str
        The old text stands exactly once in the file.
    breaks : str
        What is wrong afterwards, in a few words.
    tests : tuple of str
        As pytest takes them, below ``tests``.
    equivalent : str
        Why nothing can notice it; empty for a real one.
    """

    file: str
    old: str
    new: str
    breaks: str
    tests: tuple[str, ...]
    equivalent: str = ""


def changes(table: Path = TABLE, *, house: Path = HOUSE) -> list[Change]:
    """Return the changes of the table.

    Raises
    ------
    ValueError
        A text does not stand once in its file, or a test's file is not there.
    """
    rows = tomllib.loads(table.read_text(encoding="utf-8"))["change"]
    found = [Change(**row | {"tests": tuple(row["tests"])}) for row in rows]
    for change in found:
        count = (house / change.file).read_text(encoding="utf-8").count(change.old)
        if count != 1:
            raise ValueError(f"{change.file}: {change.old!r} stands there {count} times, allowed 1")
        for test in change.tests:
            if not (house / "tests" / test.partition("::")[0]).is_file():
                raise ValueError(f"{change.file}: there is no test {test}")
    return found


def survives(change: Change, copy: Path) -> bool:
    """Make a change in a copy of the tree, run its tests, undo it; tell whether all passed."""
    path = copy / change.file
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace(change.old, change.new), encoding="utf-8")
    try:
        return not failure(change.tests, copy)
    finally:
        path.write_text(text, encoding="utf-8")


def failure(tests: Sequence[str], copy: Path) -> str:
    """Run tests of a copy of the tree; return what the first that fails says, or nothing.

    Raises
    ------
    RuntimeError
        They could not be run, or other files than the copy's were.
    """
    names = [str(copy / "tests" / test) for test in dict.fromkeys(tests)]
    options = ["-q", "-x", "-n", "0", "-p", "no:cacheprovider", "--rootdir", str(copy)]
    done = subprocess.run(
        [sys.executable, "-B", "-m", "pytest", *options, *names],
        cwd=copy,
        env={**os.environ, "PYTHONPATH": str(copy.parent)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode not in (_PASSED, _FAILED):
        raise RuntimeError(f"pytest ended with {done.returncode}:\n{done.stdout}{done.stderr}")
    return done.stdout if done.returncode == _FAILED else ""


def copied(folder: Path) -> Path:
    """Copy the tree, without what no test of the table needs, and return where it is."""
    copy = folder / "stacktruth"
    folder.mkdir(exist_ok=True)
    shutil.copytree(
        HOUSE,
        copy,
        ignore=lambda at, names: _NOWHERE(at, names) | (_LEFT_OUT if Path(at) == HOUSE else set()),
    )
    command = [sys.executable, "-c", "import stacktruth; print(stacktruth.__file__)"]
    env = {**os.environ, "PYTHONPATH": str(folder)}
    done = subprocess.run(command, cwd=folder, env=env, capture_output=True, text=True, check=True)
    if Path(done.stdout.strip()).resolve().parent != copy.resolve():
        raise RuntimeError(f"tests would run on {done.stdout.strip()}, not on the copy in {copy}")
    return copy


def try_all(chosen: Sequence[Change], workers: int = 1) -> list[Change]:
    """Try changes; print what became of each, and return those that came out otherwise."""
    shares = [chosen[first::workers] for first in range(min(workers, len(chosen)))]
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(len(shares)) as pool:
        places = [Path(folder) / str(number) for number in range(len(shares))]
        found = list(pool.map(try_share, shares, places))
    return [change for wrong in found for change in wrong]


def try_share(chosen: Sequence[Change], place: Path) -> list[Change]:
    """Try changes one by one in a copy of the tree; return those that came out otherwise."""
    wrong = []
    copy = copied(place)
    if red := failure([test for change in chosen for test in change.tests], copy):
        raise RuntimeError(f"{red}\nThis test fails before anything is changed.")
    for change in chosen:
        lives = survives(change, copy)
        if lives != bool(change.equivalent):
            wrong.append(change)
        state = "survived" if lives else "noticed "
        more = f" (equivalent: {change.equivalent})" if change.equivalent else ""
        print(f"{state} {change.file}: {change.breaks}{more}", flush=True)
    return wrong


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; return its exit status."""
    parser = argparse.ArgumentParser(description=str(__doc__).partition("\n")[0])
    parser.add_argument("--only", default="", metavar="WORD", help="of a file or of what is broken")
    parser.add_argument("--workers", type=int, default=1, metavar="N", help="changes at once")
    parser.add_argument("--list", action="store_true", help="list the changes, try none")
    args = parser.parse_args(arguments)
    try:
        known = changes()
        chosen = [c for c in known if args.only in c.file or args.only in c.breaks]
        if args.list or not chosen:
            print("\n".join(f"{c.file}: {c.breaks}" for c in chosen))
            return 0 if chosen else 2
        wrong = try_all(chosen, args.workers)
    except (ValueError, RuntimeError) as error:
        print(error, file=sys.stderr)
        return 2
    print(f"\n{len(wrong)} of {len(chosen)} came out otherwise than the table says")
    for change in wrong:
        print(f"  {change.file}: {change.breaks}\n    {change.old}\n    {change.new}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
