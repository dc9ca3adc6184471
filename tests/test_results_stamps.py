"""Published studies are marked as older than the code when what they are made from has changed."""

import importlib
import shutil
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

HOUSE = Path(__file__).resolve().parents[1]
RESULTS = HOUSE / "results"
KINDS = ("py", "toml", "html", "css", "js", "npz")


@pytest.fixture(scope="module")
def stamps():
    """Return the module that stamps studies."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(RESULTS)
        yield importlib.import_module("stamps")


@pytest.fixture(scope="module")
def stamped(stamps, tmp_path_factory):
    """Return a copy of the tree in which every study is stamped."""
    root = tmp_path_factory.mktemp("house")
    for top in ("ground", "metrics", "runners", "scenes", "simulator", "tests", "results"):
        for kind in KINDS:
            for path in (HOUSE / top).rglob(f"*.{kind}"):
                there = root / path.relative_to(HOUSE)
                there.parent.mkdir(parents=True, exist_ok=True)
                shutil.copy(path, there)
    for name in ("rows.csv", "suite.json"):  # a study is made of another
        shutil.copy(RESULTS / "standard" / name, root / "results" / "standard" / name)
    for study in stamps.STUDIES.values():
        stamps.stamp_path(study, results=root / "results").parent.mkdir(parents=True, exist_ok=True)
        stamps.write_stamp(study, stamps.made_from(study, root=root), results=root / "results")
    return root


@pytest.fixture
def tree(stamped):
    """Return the stamped copy; what a test changes with `change` is put back after it."""
    before = {}

    def change(name, old, new):
        path = stamped / name
        text = before.setdefault(path, path.read_text(encoding="utf-8"))
        assert old in text
        path.write_text(text.replace(old, new, 1), encoding="utf-8")

    yield SimpleNamespace(root=stamped, change=change)
    for path, text in before.items():
        path.write_text(text, encoding="utf-8")


def but(stamps, *names):
    """Return all studies but those named."""
    return set(stamps.STUDIES) - set(names)


def test_a_constant_of_the_optics_marks_all_that_is_rendered(stamps, tree):
    """The fits through three samples render nothing, and stay as they are."""
    assert stamps.stale(root=tree.root) == {}
    tree.change("simulator/transfer.py", "_CHUNK = 1 << 20", "_CHUNK = 1 << 21")
    found = stamps.stale(root=tree.root)
    assert set(found) == but(stamps, "reproduce/peak-interpolation")
    assert set(map(tuple, found.values())) == {("simulator/transfer.py",)}


@pytest.mark.parametrize(
    ("edit", "marked"),
    [
        (("simulator/export/mesh.py", "list uchar", "list char"), {"renderer"}),
        (("scenes/suites/quick.toml", "frames = 10", "frames = 11"), {"quick"}),
        (("scenes/lights/flash-quarter.toml", "at 1/4", "at 1/3"), {"promises", "standard"}),
        (("runners/bench/report/report.css", "{", "{ "), {"quick", "standard"}),
        (("results/remake.py", "small_stacks(200)", "small_stacks(9)"), {"limits"}),
        (("results/standard/rows.csv", "focus-map", "focus-mop"), {"ranking"}),
    ],
)
def test_a_change_marks_what_depends_on_it(stamps, tree, edit, marked):
    """And nothing else: code by what imports it, data by who reads it, a call by its study."""
    tree.change(*edit)
    assert set(stamps.stale(root=tree.root)) == marked


def test_a_fit_marks_all_that_fits(stamps, tree):
    """Comparisons of focus measures, and all that runs methods; nothing that only renders."""
    tree.change("metrics/focus/peak.py", "-0.5, 0.5)", "-0.6, 0.6)")
    assert set(stamps.stale(root=tree.root)) == but(
        stamps, "families", "gallery.png", "renderer", "calibrate", "review", "promises"
    )


def test_a_file_that_comes_or_goes_marks_its_study(stamps, tree):
    """A scene more is a picture more in the gallery, and another stack in what takes all scenes."""
    more = tree.root / "scenes" / "coin-too.toml"
    shutil.copy(tree.root / "scenes" / "coin.toml", more)
    found = stamps.stale(root=tree.root)
    more.unlink()
    whole = {"gallery.png", "limits", "standard", "regime", "reproduce/fusion-metrics"}
    assert set(found) == whole
    assert stamps.stale(root=tree.root) == {}


def test_words_about_the_code_mark_nothing(stamps, tree):
    """Comments, docstrings and layout of Python and of TOML."""
    tree.change("simulator/transfer.py", "= 1 << 20  #", "=  (1 << 20)  # as it was,")
    tree.change("simulator/optics.py", '    """', '    """In other words: ')
    tree.change("scenes/coin.toml", "title", "# a word more\n\ntitle")
    assert stamps.stale(root=tree.root) == {}


def test_a_study_without_a_stamp_is_old(stamps, tree):
    """Nothing proves what it was made from; and an edited stamp proves nothing either."""
    path = stamps.stamp_path(stamps.STUDIES["limits"], results=tree.root / "results")
    held = path.read_text(encoding="utf-8")
    path.unlink()
    tree.change("results/quick/made-from.json", '"checksum": "', '"checksum": "0')
    found = stamps.stale(root=tree.root)
    path.write_text(held, encoding="utf-8")
    assert set(found) == {"limits", "quick"}


def test_every_published_folder_is_a_study(stamps):
    """Else it could grow old unseen. What is not made yet may have a template there, or nothing."""
    folders = {path for path in RESULTS.iterdir() if path.is_dir()} - {RESULTS / "reproduce"}
    folders |= {path for path in (RESULTS / "reproduce").iterdir() if path.is_dir()}
    names = {path.relative_to(RESULTS).as_posix() for path in folders}
    hidden = {name for name in names if name.startswith((".", "__"))}
    studies = {name for name in stamps.STUDIES if "." not in name.rpartition("/")[2]}
    made = {name for name in studies if stamps.is_made(stamps.STUDIES[name])}
    # Times depend on the machine more than on a line of code: the page tells of which commit.
    measured = {"speed"}
    assert made <= names - hidden - measured <= studies


@pytest.fixture
def remake(stamps, monkeypatch):
    """Return the script that remakes studies, which makes and writes nothing here."""
    monkeypatch.syspath_prepend(RESULTS)
    script = importlib.import_module("remake")
    done = []
    for name in script.REMADE:
        monkeypatch.setitem(script.REMADE, name, lambda name=name: done.append(name) or 0)
    monkeypatch.setattr(script, "write_page", lambda: done.append("page"))
    monkeypatch.setattr(
        script, "write_stamp", lambda study, files: done.append((study.name, files))
    )
    monkeypatch.setattr(script, "made_from", lambda study: len(done))
    script.done = done
    return script


def test_what_is_remade_is_stamped_with_what_it_was_made_from(remake, stamps):
    """As that was before the hour that it takes."""
    assert remake.remake(stamps.STUDIES["limits"]) == 0
    assert remake.done == ["limits", ("limits", 0), "page"]


def test_what_went_wrong_is_not_stamped(remake, stamps, monkeypatch, capsys):
    """A table that was not written anew must not pass for new."""
    monkeypatch.setitem(remake.REMADE, "limits", lambda: 1)
    assert remake.remake(stamps.STUDIES["limits"]) == 1
    assert remake.done == ["page"]
    assert "python results/stamps.py limits" in capsys.readouterr().out


def test_every_study_can_be_remade_by_its_name(remake, stamps, monkeypatch):
    """Alone, with all comparisons, or with all that is old; another word means nothing."""
    assert set(remake.REMADE) == set(stamps.STUDIES)
    assert all(remake.asked(name) == [study] for name, study in stamps.STUDIES.items())
    assert len(remake.asked("reproduce")) == 9
    assert [study.name for study in remake.asked("gallery")] == ["gallery.png"]
    assert remake.asked("everything") == []
    monkeypatch.setattr(remake, "stale", lambda: {"quick": ["x"], "limits": ["x"]})
    assert [study.name for study in remake.asked("--stale")] == ["quick", "limits"]


def read_by(plan, monkeypatch):
    """Return the data files that a plan of shoots reads."""
    from stacktruth.simulator import data

    seen, read = set(), data.read_toml

    def watched(path, *args, **options):
        seen.add(Path(path).resolve().relative_to(HOUSE).as_posix())
        return read(path, *args, **options)

    monkeypatch.setattr(data, "read_toml", watched)
    plan()
    return seen


def plans():
    """Return how the shoots of studies are planned, without rendering them."""
    from stacktruth.runners.bench.grid.cells import stacks_of
    from stacktruth.runners.bench.grid.suite import load_suite
    from stacktruth.runners.demo.demo import STACKS, shoot_of
    from stacktruth.runners.judge.limits_check import small_stacks
    from stacktruth.runners.reproduce import field, fusion_metrics

    def fields(cases):
        return [field.shoot_of(case, size=16, seed=0) for case in cases]

    return {
        "quick": lambda: list(stacks_of(load_suite("quick"))),
        "standard": lambda: list(stacks_of(load_suite("standard"))),
        "demo": lambda: [shoot_of(stack) for stack in STACKS],
        "limits": lambda: list(small_stacks(200)),
        "reproduce/fusion-metrics": lambda: fusion_metrics.planned(quick=False),
        "reproduce/fusion-blocks": lambda: fields(field.CASES),
        "reproduce/sff-operators-2013": lambda: fields(field.CASES),
        "reproduce/autofocus-curves": lambda: fields(field.FLAT_CASES),
    }


@pytest.mark.parametrize("name", plans())
def test_data_that_a_study_reads_is_what_it_names(stamps, monkeypatch, name):
    """Held to the files that planning its shoots really opens."""
    named = {
        path.relative_to(HOUSE).as_posix()
        for pattern in stamps.STUDIES[name].data
        for path in HOUSE.glob(pattern)
    }
    assert read_by(plans()[name], monkeypatch) == named


RUNS = """
import sys, threading
used = set()
def note(frame, event, arg):
    if event == "call" and frame.f_code.co_name != "<module>":
        used.add(frame.f_code.co_filename)
from stacktruth.runners.reproduce import reproduce
sys.setprofile(note)
threading.setprofile(note)
reproduce(sys.argv[1], out=sys.argv[2], quick=True, progress=False)
sys.setprofile(None)
print("\\n".join(sorted(used)))
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["peak-interpolation", "fusion-blocks", "autofocus-curves", "fusion-metrics"]
)
def test_code_that_runs_is_code_that_counts(stamps, tmp_path, name):
    """Held to the interpreter: every function of ours that a study calls is in a file it names."""
    command = [sys.executable, "-c", RUNS, name, str(tmp_path / "out")]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    called = [Path(line).resolve() for line in done.stdout.splitlines() if Path(line).is_absolute()]
    # The environment itself may stand in the house, as `.venv` does in the README's command.
    ours = {
        path.relative_to(HOUSE).as_posix()
        for path in called
        if path.is_relative_to(HOUSE) and not path.is_relative_to(Path(sys.prefix).resolve())
    }
    start = "runners/reproduce/__init__.py"  # it only calls the study
    assert len(ours) > 2
    assert ours - {start} <= set(stamps.made_from(stamps.STUDIES[f"reproduce/{name}"]))
