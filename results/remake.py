"""Remakes what is published in this folder, and the parts of the README that come from it.

Usage: ``python results/remake.py
demo|gallery|families|limits|reproduce|quick|standard|regime|calibrate|review|renderer|study|
promises|ranking``, or one comparison as ``reproduce/NAME``. ``--stale`` remakes all that is older
than the code and the data that it is made from, ``--list-stale`` names it with what has changed.
``standard|regime --scenes NAME,...`` runs only some scenes of the suite, where nothing else has
changed: the rows of all others stay.
Each study is stamped with the checksums of the files that it was made from.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import pandas as pd
from page import write_page
from parts import put_in, some_scenes
from promises import FOLDER as PROMISES
from promises import SETTINGS, TRIES, try_promises
from regime import FOLDER, KEPT, remake_tables, suites
from stamps import STUDIES, Study, made_from, stale, told, write_stamp

from stacktruth.ground.json_text import read_json
from stacktruth.runners.bench import bench, load_suite
from stacktruth.runners.bench.grid.cells import PLAIN
from stacktruth.runners.bench.ranking.folder import plain_rows
from stacktruth.runners.bench.ranking.simulation import (
    SHAPES,
    coverage_figure,
    published,
    simulated,
)
from stacktruth.runners.bench.report.report import write_report
from stacktruth.runners.calibrate.loop import close_loop, known_bursts, loop_summary
from stacktruth.runners.calibrate.loop_report import loop_figure
from stacktruth.runners.cli import main as stacktruth
from stacktruth.runners.csv_text import write_rows
from stacktruth.runners.demo.demo import run_demo
from stacktruth.runners.demo.families import families_sheets, one_of_each
from stacktruth.runners.demo.gallery import gallery
from stacktruth.runners.judge.limits_check import check_limits, limits_figure, small_stacks
from stacktruth.runners.judge.printed import MAIN_COLUMNS
from stacktruth.runners.reproduce import REPRODUCTIONS, reproduce
from stacktruth.runners.review.trial import known_passes, review_known, trial_summary
from stacktruth.runners.review.trial_figure import trial_figure
from stacktruth.simulator.data import list_data_files
from stacktruth.simulator.processes import usable_cores
from stacktruth.simulator.stack.manifest import pretty_json

HERE = Path(__file__).resolve().parent
README = HERE.parent / "README.md"
#: Of the table in the README.
COLUMNS = {"scene": "scene", **MAIN_COLUMNS, "seconds": "s"}
_MARKS = ("<!-- demo table -->", "<!-- end of demo table -->")


def remake_demo() -> int:
    """Run the demo, keep its pictures and scores, and put the table into the README."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "demo"
        status = run_demo(out, workers=usable_cores())
        kept = HERE / "demo"
        kept.mkdir(exist_ok=True)
        for path in [*out.glob("*.png"), out / "scores.csv"]:
            shutil.copy(path, kept / path.name)
    text = README.read_text(encoding="utf-8")
    before, rest = text.split(_MARKS[0])
    _, after = rest.split(_MARKS[1])
    rows = markdown(pd.read_csv(kept / "scores.csv"))
    README.write_text(f"{before}{_MARKS[0]}\n{rows}\n{_MARKS[1]}{after}", encoding="utf-8")
    return status


def remake_gallery() -> int:
    """Draw all shipped scenes."""
    gallery(list_data_files("scene"), HERE / "gallery.png", workers=usable_cores(), progress=True)
    return 0


def remake_families() -> int:
    """Draw and measure eight scenes of each family."""
    kept = HERE / "families"
    kept.mkdir(exist_ok=True)
    names = list_data_files("family")
    rows = families_sheets(names, kept, workers=usable_cores(), progress=True)
    rows.to_csv(kept / "draws.csv", index=False, float_format="%.4g")
    one_of_each(names, kept)
    return 0


def markdown(rows: pd.DataFrame) -> str:
    """Return the main columns of a table of scores as Markdown."""
    lines = ["| " + " | ".join(COLUMNS.values()) + " |", "|" + "---|" * len(COLUMNS)]
    for _, row in rows.iterrows():
        cells = (_cell(row.get(column)) for column in COLUMNS)
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def _cell(value: object) -> str:
    if isinstance(value, float):
        return "-" if pd.isna(value) else f"{value:.2f}"
    return str(value)


def remake_reproduction(name: str) -> int:
    """Do a published comparison again."""
    return reproduce(name, out=HERE / "reproduce" / name, workers=usable_cores())


def remake_suite(name: str) -> int:
    """Run a suite and keep its tables and its page; a run that was ended is resumed."""
    out = HERE / ".work" / name
    rows = bench(load_suite(name), out, workers=usable_cores())
    kept = HERE / name
    kept.mkdir(exist_ok=True)
    # First what took hours: the page can be made again of what lies in the folder.
    for file in ("rows.csv", "times.csv", "environment.json", "suite.json"):
        shutil.copy(out / file, kept / file)
    write_report(out, workers=usable_cores(), progress=True)
    for file in ("standings.csv", "standings.json", "pairs.csv", "report.html"):
        shutil.copy(out / file, kept / file)
    shutil.rmtree(out)
    return _unfit(rows)


def _unfit(rows: pd.DataFrame) -> int:
    """Return 1 where a method has no result on a stack that nothing makes worse."""
    plain = rows[rows["condition"] == PLAIN]  # conditions may well be too hard for a method
    return 0 if (plain["status"] == "ok").all() else 1


def remake_regime() -> int:
    """Run what the study of the regime needs beside the standard suite, and make its tables."""
    status = 0
    for name, suite in suites().items():
        out = HERE / ".work" / suite.name
        rows = bench(suite, out, workers=usable_cores())
        write_rows(FOLDER / f"{name}.csv", rows.reindex(columns=list(KEPT)))
        status |= int(not (rows["status"] == "ok").all())
        shutil.rmtree(out)
    remake_tables()
    return status


def remake_scenes(name: str, scenes: Sequence[str]) -> int:
    """Run some scenes of a suite again; all else in its tables stays as it is."""
    out = HERE / ".work" / f"{name}-scenes"
    rows = bench(some_scenes(load_suite(name), scenes), out, workers=usable_cores())
    kept = HERE / name
    for file in ("rows.csv", "times.csv"):
        put_in(kept / file, out / file)
    environment = read_json(kept / "environment.json")
    environment["some_scenes"] = {"scenes": list(scenes), **read_json(out / "environment.json")}
    (kept / "environment.json").write_text(pretty_json(environment), encoding="utf-8")
    write_report(kept, workers=usable_cores(), progress=True)
    shutil.rmtree(out)
    return _unfit(rows)


def remake_regime_scenes(scenes: Sequence[str]) -> int:
    """Run some scenes of the study's own suites again, and make its tables."""
    for name, suite in suites().items():
        if some := [scene for scene in scenes if scene in suite.scenes]:
            out = HERE / ".work" / f"{suite.name}-scenes"
            rows = bench(some_scenes(suite, some), out, workers=usable_cores())
            write_rows(out / "kept.csv", rows.reindex(columns=list(KEPT)))
            put_in(FOLDER / f"{name}.csv", out / "kept.csv")
            shutil.rmtree(out)
    remake_tables()
    return 0


def remake_calibrate() -> int:
    """Measure rendered bursts of known hands and flash, and hold what comes out to the truth."""
    how = {"workers": usable_cores(), "progress": True}
    rows = close_loop(known_bursts(), seeds=range(20), **how)
    found = loop_summary(rows)
    many = close_loop(known_bursts(), seeds=range(200), rendered=False, **how)
    kept = HERE / "calibrate"
    kept.mkdir(exist_ok=True)
    rows.to_csv(kept / "bursts.csv", index=False, float_format="%.5g")
    found.to_csv(kept / "summary.csv", index=False, float_format="%.4g")
    loop_summary(many).to_csv(kept / "not-rendered.csv", index=False, float_format="%.4g")
    loop_figure(rows, found).savefig(kept / "figure.png", dpi=130)
    asked = found.dropna(subset="allowed")
    return 0 if (asked["off"].abs() <= asked["allowed"]).all() else 1


def remake_review() -> int:
    """Review forty rendered bursts, half of them with a gap, and count what is missed.

    The review was tried on the first bursts while it was made, so these are later ones.
    """
    rows = review_known(known_passes(40, first=100), workers=usable_cores(), progress=True)
    found = trial_summary(rows)
    kept = HERE / "review"
    kept.mkdir(exist_ok=True)
    rows.to_csv(kept / "bursts.csv", index=False, float_format="%.4g")
    found.to_csv(kept / "summary.csv", index=False, float_format="%.4g")
    trial_figure(rows, found).savefig(kept / "figure.png", dpi=110)
    return 0 if (rows["verdict"] != "refused").all() else 1


def remake_renderer() -> int:
    """Score our pictures against a path tracer's, and put the tables into their page."""
    page = HERE.parent / "docs" / "what_the_renderer_leaves_out.md"
    references, kept = HERE.parent / "tests" / "references", HERE / "renderer"
    cases = ["scoring.py", "--csv", str(kept / "cases.csv")]
    draws = ["draw_scores.py", "--draws", "100", "--out", str(kept)]
    status = 0
    for name, *how in (cases, draws):
        command = [sys.executable, str(references / name), *how, "--page", str(page)]
        status |= subprocess.run(command, check=False).returncode
    return status


def remake_study() -> int:
    """Plan a mineral shot kneeling; render, merge and score steps from fine to coarse."""
    kept = HERE / "study"
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "study"
        asked = ["plan", "--rig", "field-2x", "--stance", "kneeling", "--out", str(out)]
        study = ["--study", "mineral", "--study-part", "steps", "--study-seeds", "4"]
        more = ["--study-crop", "1152x768", "--workers", "auto"]
        status = stacktruth([*asked, *study, *more])
        shutil.rmtree(kept, ignore_errors=True)
        shutil.copytree(out, kept)
    return status


def remake_promises() -> int:
    """Plan 200 random settings, shoot what is advised, and hold that to what was promised."""
    how = {"settings": SETTINGS, "tries": TRIES, "workers": usable_cores()}
    return 1 if try_promises(PROMISES, **how) else 0


def remake_limits() -> int:
    """Hold honest methods against the limits on 200 small stacks."""
    rows = check_limits(list(small_stacks(200)), workers=usable_cores(), progress=True)
    kept = HERE / "limits"
    kept.mkdir(exist_ok=True)
    rows.to_csv(kept / "rows.csv", index=False, float_format="%.4f")
    limits_figure(rows).savefig(kept / "figure.png", dpi=110)
    return 0 if rows["above_limit"].fillna("").eq("").all() else 1


def remake_ranking() -> int:
    """Simulate how often intervals hold, and how often what could be seen is seen."""
    _, rows = plain_rows(HERE / "standard")
    shapes = {**SHAPES, **published(rows)}
    table = simulated(shapes, suites=5000, power_suites=100)
    kept = HERE / "ranking"
    kept.mkdir(exist_ok=True)
    table.to_csv(kept / "simulated.csv", index=False, float_format="%.3f")
    coverage_figure(table).savefig(kept / "figure.png", dpi=110)
    enough = table[table["scenes"] >= 10]
    return 0 if enough["coverage"].between(0.93, 0.97).all() else 1


REMADE = {
    "demo": remake_demo,
    "gallery.png": remake_gallery,
    "families": remake_families,
    **{f"reproduce/{name}": partial(remake_reproduction, name) for name in REPRODUCTIONS},
    "quick": partial(remake_suite, "quick"),
    "standard": partial(remake_suite, "standard"),
    "regime": remake_regime,
    "calibrate": remake_calibrate,
    "review": remake_review,
    "renderer": remake_renderer,
    "study": remake_study,
    "promises": remake_promises,
    "limits": remake_limits,
    "ranking": remake_ranking,
}


#: Those of which some scenes can be run alone.
IN_PARTS = {"standard": partial(remake_scenes, "standard"), "regime": remake_regime_scenes}


def remake(study: Study, make: Callable[[], int] | None = None) -> int:
    """Remake a study, and stamp it with what it was made from, as that was at the beginning."""
    files = made_from(study)
    status = (make or REMADE[study.name])()
    if status == 0:
        write_stamp(study, files)
    else:  # a crash, or a finding: only a reader can tell
        how = f"python results/stamps.py {study.name}"
        print(f"{study.name}: not all went well; if its files are new, stamp it: {how}")
    write_page()
    return status


def asked(word: str) -> list[Study]:
    """Return the studies that a word of the command line means; none where it means nothing."""
    if word == "--stale":
        return [STUDIES[name] for name in stale()]
    return [
        study
        for name, study in STUDIES.items()
        if word in (name, name.partition("/")[0], name.partition(".")[0])
    ]


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["--list-stale"]:
            print(told())
        case [word] if (studies := asked(word)) or word == "--stale":
            sys.exit(max([remake(study) for study in studies], default=0))
        case [word, "--scenes", names] if word in IN_PARTS:
            sys.exit(remake(STUDIES[word], partial(IN_PARTS[word], names.split(","))))
        case _:
            print(__doc__, file=sys.stderr)
            sys.exit(2)
