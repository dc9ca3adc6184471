"""What stacktruth stands on: the oldest libraries that it may have, and under which licences.

``python tests/supply.py lowest`` builds the wheel, installs it with the lowest versions that
``pyproject.toml`` allows into an environment of its own, away from the checkout, and uses it there
(``--python`` takes another interpreter, ``--newest`` the newest versions).
``python tests/supply.py licences`` lists what the installed package needs, and what that needs,
with version and licence, as a table of the contributor guide.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterator
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

HOUSE = Path(__file__).resolve().parents[1]
SMALL = ("--frames", "3", "--crop", "768x512", "--bin", "8", "--quality", "fast", "--workers", "1")
#: What an installed package must do away from the checkout: words after the program's name.
USES = (
    ("--version",),
    ("list", "methods"),
    ("render", "ramp", "--rig", "field-2x", *SMALL, "--out", "stack"),
    ("check-stack", "stack"),
    ("score", "stack", "--method", "mean", "--method", "focus-map", "--csv", "rows.csv"),
    ("metrics", "stack/truth/ideal.tif", "stack/truth/achievable.tif"),
    ("export", "ramp", "--to", "ramp.obj"),
)
_BOUND = re.compile(r"([A-Za-z0-9_.-]+)>=([0-9][0-9.]*)")
_NAME = re.compile(r"[A-Za-z0-9_.-]+")
_LONGEST = 60


def lowest(house: Path = HOUSE) -> list[str]:
    """Return each dependency of the package at the lowest version that it may have.

    Raises
    ------
    ValueError
        One has no lower bound alone.
    """
    held = tomllib.loads((house / "pyproject.toml").read_text(encoding="utf-8"))
    pins = []
    for asked in held["project"]["dependencies"]:
        found = _BOUND.fullmatch(asked)
        if found is None:
            raise ValueError(f"pyproject.toml: dependencies: got {asked!r}, allowed NAME>=VERSION")
        pins.append(f"{found[1]}=={found[2]}")
    return pins


def tracked_copy(to: Path, house: Path = HOUSE) -> Path:
    """Copy the tracked files but for published results: a build leaves folders where it runs."""
    told = subprocess.run(
        ["git", "ls-files", "-z"], cwd=house, capture_output=True, text=True, check=True
    )
    for name in filter(None, told.stdout.split("\0")):
        if name.split("/")[0] != "results" and (house / name).is_file():
            (to / name).parent.mkdir(parents=True, exist_ok=True)
            (to / name).write_bytes((house / name).read_bytes())
    return to


def tagged(folder: Path, tag: str) -> None:
    """Make a folder a repository of one commit with a tag."""
    git = ["git", "-C", str(folder), "-c", "user.name=test", "-c", "user.email=test@localhost"]
    for words in (["init", "-q"], ["add", "--all"], ["commit", "-qm", "all"], ["tag", tag]):
        subprocess.run([*git, *words], check=True, capture_output=True)


def wheel(place: Path, *, tag: str = "") -> Path:
    """Build the wheel of the tracked files, as a repository with a tag; return where it is."""
    source = tracked_copy(place / "source")
    if tag:
        tagged(source, tag)
    pip = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", str(place / "wheel")]
    subprocess.run([*pip, str(source)], check=True, capture_output=True)
    [made] = (place / "wheel").glob("*.whl")
    return made


def installed(place: Path, versions: list[str], *, python: str) -> Path:
    """Install the wheel with these versions into a fresh environment; return its programs."""
    subprocess.run([python, "-m", "venv", str(place / "env")], check=True)
    programs = place / "env" / "bin"
    pip = [str(programs / "python"), "-m", "pip", "-q", "--disable-pip-version-check"]
    asked = ["--only-binary", ":all:", str(wheel(place)), *versions]
    subprocess.run([*pip, "install", *asked], check=True)
    subprocess.run([*pip, "check"], check=True)
    return programs


def use(programs: Path, place: Path) -> Iterator[str]:
    """Do with an installed package what a user does; yield a line for each thing done.

    Raises
    ------
    RuntimeError
        A command ended otherwise than well, or the package is not the installed one.
    """
    here = place / "away"
    here.mkdir()
    where = "import stacktruth; print(stacktruth.__file__)"
    found = _said([str(programs / "python"), "-c", where], here)
    if not Path(found.strip()).is_relative_to(programs.parent):
        raise RuntimeError(f"imported {found.strip()}, not the package in {programs.parent}")
    for words in USES:
        said = _said([str(programs / "stacktruth"), *words], here)
        yield f"{' '.join(words)}: {' '.join(said.split())[:_LONGEST]}"


def _said(argv: list[str], here: Path) -> str:
    # Warnings of the libraries that something will change in later ones are none of ours.
    ran = subprocess.run(argv, cwd=here, capture_output=True, text=True, check=False, env={})
    if ran.returncode:
        raise RuntimeError(f"{' '.join(argv)} ended with {ran.returncode}: {ran.stderr[-2000:]}")
    return ran.stdout


def needed(name: str = "stacktruth") -> dict[str, Distribution]:
    """Return what an installed package needs, and what that needs, without extras, by name."""
    found: dict[str, Distribution] = {}
    waiting = [name]
    while waiting:
        held = distribution(waiting.pop())
        for asked in held.requires or ():
            match = _NAME.match(asked)
            if match is None or "extra ==" in asked or match[0].lower() in found:
                continue
            try:
                found[match[0].lower()] = distribution(match[0])
            except PackageNotFoundError:  # for another system or an older Python
                continue
            waiting.append(match[0])
    return dict(sorted(found.items()))


def licence(held: Distribution) -> str:
    """Return the licence that a package names, as short as it says it."""
    told = held.metadata
    classed = [
        line.rpartition(" :: ")[2]
        for line in told.get_all("Classifier") or ()
        if line.startswith("License ::") and "OSI Approved ::" in line
    ]
    named = told.get("License-Expression") or ", ".join(classed) or told.get("License") or ""
    return " ".join(named.split())[:_LONGEST] or "none named"


def licences() -> Iterator[tuple[str, str, str]]:
    """Yield name, version and licence of each package that the installed one needs."""
    for held in needed().values():
        yield held.metadata["Name"], held.version, licence(held)


def main() -> int:
    """Run the command; return its exit status."""
    parser = argparse.ArgumentParser(description=str(__doc__).partition("\n")[0])
    parser.add_argument("what", choices=["lowest", "licences"])
    parser.add_argument("--newest", action="store_true", help="the newest versions instead")
    parser.add_argument("--python", default=sys.executable, help="interpreter to install for")
    args = parser.parse_args()
    if args.what == "licences":
        print("| package | version | licence |\n|---|---|---|")
        for row in licences():
            print(f"| {' | '.join(row)} |")
        return 0
    with tempfile.TemporaryDirectory() as name:
        place = Path(name).resolve()
        versions = [] if args.newest else lowest()
        programs = installed(place, versions, python=args.python)
        print(_said([str(programs / "python"), "--version"], place).strip(), *versions)
        for line in use(programs, place):
            print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
