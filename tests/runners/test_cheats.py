"""Methods that cheat: each of seven ways is tried, and stopped; honest rows beside stay the same.

Every cheat is told all that it could find out with luck, such as the path of the stack. Where it
succeeds it gives the ideal picture or the second frame, and else the first frame.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import numpy as np
import pytest

from stacktruth.ground.pictures import encode_image
from stacktruth.runners.contract import Outcome
from stacktruth.runners.isolate import walls
from stacktruth.runners.isolate.channel import Channel
from stacktruth.runners.isolate.run import run_method
from stacktruth.runners.isolate.supervise import Limits, supervise
from stacktruth.runners.isolate.walls import KINDS, holds
from stacktruth.simulator.loading.scenes import load_scene
from stacktruth.simulator.rig import load_rig
from stacktruth.simulator.shooting.shoot import shoot
from stacktruth.simulator.stack.stackio import Stack, read_stack
from stacktruth.simulator.stack.stackwrite import write_stack
from tests.runners.bench_suites import run, write_suite

CHEAT = """
import os, sys, time
from pathlib import Path
import numpy as np
import tifffile
STACK = {stack!r}

def found(frames):
{body}

def merge(frames, info):
    try:
        ideal = found(frames)
    except Exception as error:
        print(type(error).__name__, error, file=sys.stderr)
        return frames[0]
    return np.clip(ideal, 0, 1).astype(np.float32)
"""
HONEST = "def merge(frames, info):\n    return frames[1]\n"


@pytest.fixture(autouse=True)
def _walls() -> None:
    """Leave the tests out where the system has no wall at all; rows say so there."""
    if walls.best_wall() == "none":
        pytest.skip("neither Landlock nor mounts of one's own here")


@pytest.fixture(scope="module")
def stack(tmp_path_factory: pytest.TempPathFactory) -> Stack:
    """Return a stack of two frames on the disk, as ``score`` is given it."""
    shooting = shoot(
        load_scene("ramp"),
        load_rig("field-2x"),
        stance="braced",
        light="flash-sixteenth",
        frames=2,
        crop=(768, 512),
        bin=8,
    )
    return read_stack(write_stack(shooting, tmp_path_factory.mktemp("s") / "stack", progress=False))


def cheat(folder: Path, stack: Stack, body: str) -> str:
    """Write a plug-in whose search for the ideal picture has this body."""
    folder.mkdir(exist_ok=True)
    lines = "".join(f"    {line}\n" for line in body.strip().splitlines())
    (folder / "cheat.py").write_text(CHEAT.format(stack=str(stack.path), body=lines))
    return f"{folder / 'cheat.py'}:merge"


def stopped(outcome: Outcome, stack: Stack) -> bool:
    """Tell whether a cheat had to give the first frame."""
    assert outcome.status == "ok", outcome.reason + outcome.stderr
    return np.array_equal(outcome.result.image, stack.frames[0])


def tried(spec: str, stack: Stack, **how: object) -> Outcome:
    """Run a method on the stack as the judge does."""
    return run_method(spec, stack.frames, stack.info, **how)


TRUTH_BESIDE = """
for folder in (frames.paths[0].parent.parent, frames.paths[0].resolve().parents[1], Path(STACK)):
    if (folder / 'truth' / 'ideal.tif').exists() and os.access(folder, os.R_OK):
        return tifffile.imread(folder / 'truth' / 'ideal.tif')
return tifffile.imread(Path(STACK) / 'truth' / 'ideal.tif')
"""


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "none"])
def test_the_truth_beside_the_frames_cannot_be_read(tmp_path, stack, monkeypatch, kind) -> None:
    """Not even by its true path, by each kind of wall that this system has; the row says which."""
    if not holds(kind):
        pytest.skip(f"no {kind} here")
    monkeypatch.setattr(walls, "best_wall", lambda: kind)
    outcome = tried(cheat(tmp_path, stack, TRUTH_BESIDE), stack)
    assert stopped(outcome, stack)
    assert "PermissionError" in outcome.stderr or "FileNotFoundError" in outcome.stderr
    assert KINDS[kind] in outcome.isolation


def test_without_walls_the_row_says_so(tmp_path, stack, monkeypatch) -> None:
    """And the cheat succeeds, so that the tests here do not hold of nothing."""
    monkeypatch.setattr(walls, "best_wall", lambda: "none")
    outcome = tried(cheat(tmp_path, stack, TRUTH_BESIDE), stack)
    assert not stopped(outcome, stack)
    assert "the truth could be read" in outcome.isolation


def test_a_strong_wall_stands_here() -> None:
    """Where the kernel has Landlock, it is what is used."""
    assert walls.best_wall() == "landlock" or not holds("landlock")


def test_what_an_earlier_scoring_kept_cannot_be_read(tmp_path, stack) -> None:
    """Its page has the ideal picture, and people keep it beside their method."""
    kept = tmp_path / "kept" / "index.html"
    kept.parent.mkdir()
    for file in (kept, kept.with_name("scores.csv")):
        file.write_text("the ideal picture")
    body = f"return len(Path({str(kept)!r}).read_text()) and frames[1] / 65535"
    outcome = tried(cheat(tmp_path, stack, body), stack)
    assert stopped(outcome, stack)
    assert "PermissionError" in outcome.stderr


def test_the_path_of_the_stack_is_nowhere(tmp_path, stack) -> None:
    """Not in arguments, environment, the working folder, other processes, names of the frames."""
    body = """
told = [' '.join(sys.argv), str(dict(os.environ)), str(frames.paths)]
for place in (Path.cwd(), Path.cwd().parent, Path('/proc')):
    for entry in place.rglob('*') if place != Path('/proc') else place.glob('[0-9]*/[ce][mn][dv]*'):
        try:
            told.append(entry.read_text(errors='replace'))
        except OSError:
            pass
if any(STACK[:-6] in text for text in told):
    return frames[1] / 65535
raise LookupError(len(told))
"""
    # The name of the stack's folder, which is in no file of the cheat's own.
    outcome = tried(cheat(tmp_path, stack, body), stack)
    assert stopped(outcome, stack)
    assert "LookupError" in outcome.stderr


def test_the_plan_cannot_be_rendered_again(tmp_path, stack) -> None:
    """Neither stack.json nor our own renderer is to be had."""
    for body in (
        "return (Path(STACK) / 'stack.json').read_text() and frames[1] / 65535",
        "import stacktruth.simulator.scene.scene\nreturn frames[1] / 65535",
        "import stacktruth\nstacktruth.load_scene('ramp')\nreturn frames[1] / 65535",
    ):
        assert stopped(tried(cheat(tmp_path, stack, body), stack), stack)


FORGED = """
import json
import numpy as np, os, socket, time

def merge(frames, info):
    started = time.perf_counter()
    for name in os.listdir('/proc/self/fd'):
        try:
            socket.socket(fileno=os.dup(int(name))).send(b'd')
        except OSError:
            pass
    held = np.ones(25_000_000)
    while time.perf_counter() < started + 1.0:
        held += 1
    os.mkdir('handed-over')
    np.save('handed-over/image.npy', frames[0])
    forged = {'status': 'ok', 'reason': '', 'result': {'files': ['image']}}
    open('handed-over/handover.json', 'w').write(json.dumps(forged))
    os._exit(0)
"""


def test_a_forged_hand_over_gains_nothing(tmp_path, stack) -> None:
    """Its second of work and its 200 MB are seen by us; it asks in vain for its clock to stop."""
    (tmp_path / "forged.py").write_text(FORGED)
    outcome = tried(f"{tmp_path / 'forged.py'}:merge", stack)
    assert outcome.status == "ok", outcome.reason
    assert outcome.seconds > 0.9
    assert outcome.peak_mb > 200


HOSTILE_FILES = {
    "pickled": ("np.save('image.npy', frames[0].astype(object), allow_pickle=True)", "type"),
    "link": ("os.symlink('/etc/passwd', 'image.npy')", "symbolic link"),
    "huge": ("np.save('image.npy', frames[0]); os.truncate('image.npy', 10**10)", "MB, allowed"),
    "longer": ("np.save('image.npy', frames[0]); open('image.npy', 'ab').write(b'x')", "bytes"),
    "pipe": ("os.mkfifo('image.npy')", "not a regular file"),
    "shape": ("np.save('image.npy', frames[0][:5])", "shape"),
    "text": ("open('image.npy', 'w').write('no array')", "no array"),
    "nothing": ("pass", "wrote no image.npy"),
}


@pytest.mark.parametrize("name", HOSTILE_FILES)
def test_a_hostile_result_is_an_invalid_output(tmp_path, stack, name) -> None:
    """Whatever it is, it is told in one line, and we are not harmed."""
    code, reason = HOSTILE_FILES[name]
    (tmp_path / "hostile.py").write_text(
        f"import os\nimport numpy as np\ndef merge(frames, info):\n"
        f"    os.mkdir('handed-over')\n    os.chdir('handed-over')\n    {code}\n"
        '    said = \'{"status": "ok", "reason": "", "result": {"files": ["image"]}}\'\n'
        "    open('handover.json', 'w').write(said)\n    os._exit(0)\n"
    )
    outcome = tried(f"{tmp_path / 'hostile.py'}:merge", stack)
    assert outcome.status == "invalid-output"
    assert reason in outcome.reason
    assert "\n" not in outcome.reason


def test_a_late_start_of_the_clock_gains_nothing(tmp_path, stack) -> None:
    """Code that runs before ours has no frames to work on before the clock runs."""
    (tmp_path / "sitecustomize.py").write_text(
        "import os, time\nfrom pathlib import Path\n"
        "print([str(p) for p in Path.cwd().parent.rglob('*') if p.suffix == '.tif'], flush=True)\n"
    )
    (tmp_path / "m.py").write_text("def merge(frames, info):\n    return frames[0]\n")
    (tmp_path / "m.toml").write_text(
        f'[[methods]]\nlabel = "m"\nspec = "m.py:merge"\nenvironment = ["PYTHONPATH={tmp_path}"]\n'
    )
    from stacktruth.runners.isolate.methods_file import load_methods

    outcome = tried(load_methods(tmp_path / "m.toml")["m"], stack)
    assert outcome.status == "ok", outcome.stderr
    assert outcome.stdout == "[]\n"


def test_what_a_methods_own_file_loads_is_its_time(tmp_path, stack) -> None:
    """Its import comes after the frames."""
    (tmp_path / "m.py").write_text("import time\ntime.sleep(0.5)\n" + HONEST)
    assert tried(f"{tmp_path / 'm.py'}:merge", stack).seconds > 0.5


CLOCKED = """
import os, socket, time
line = socket.socket(fileno=int(os.environ['STACKTRUTH_CHANNEL']))
time.sleep(2.0)
line.sendall(b'r')
assert line.recv(9) == b'go'
time.sleep(0.3)
line.sendall(b'd')
line.recv(1)
time.sleep(0.3)
"""


def test_the_clock_runs_from_the_word_to_the_end(tmp_path) -> None:
    """Two seconds of starting up do not count; what comes after saying to be done does."""
    ended = supervise(
        [sys.executable, "-I", "-S", "-c", CLOCKED],
        cwd=tmp_path,
        env={},
        limits=Limits(time_s=60),
        channel=Channel(lambda: b"go"),
    )
    assert ended.returncode == 0, ended.stderr
    assert 0.6 < ended.seconds < 2.0


SEARCH = """
import os, sys
output, root, wanted, *frames = sys.argv[1:]
mine = open(frames[0], 'rb').read()
here = os.path.dirname(os.path.abspath(sys.argv[0]))
for folder, name in [(f, n) for top in (here, root) for f, _, names in os.walk(top) for n in names]:
    for path in [os.path.join(folder, name)]:
        try:
            same = os.path.getsize(path) == len(mine) and open(path, 'rb').read() == mine
        except OSError:
            continue
        ideal = os.path.join(os.path.dirname(folder), 'truth', 'ideal.tif')
        if same and os.path.exists(ideal):
            open(output, 'wb').write(open(wanted, 'rb').read())
            sys.exit()
open(output, 'wb').write(mine)
"""


def test_a_search_of_the_disk_finds_no_stack_of_the_same_bytes(tmp_path, stack) -> None:
    """Neither the one that is running nor a copy of it, in the program's own folder even."""
    wanted = tmp_path / "own" / "wanted.tif"
    wanted.parent.mkdir()
    wanted.write_bytes(encode_image(stack.frames[1], ".tif"))
    (tmp_path / "own" / "search.py").write_text(SEARCH)
    shutil.copytree(stack.path, tmp_path / "elsewhere" / "stack")
    shutil.copytree(stack.path, tmp_path / "own" / "results" / "old-stack")
    root = tmp_path.parents[1]  # the running stack lies below it, too
    assert root in stack.path.parents
    script = tmp_path / "own" / "search.py"
    line = f"{sys.executable} {script} {{output}} {root} {wanted} {{frames}}"
    outcome = tried(line, stack)
    assert stopped(outcome, stack)


OVERWRITE = """
done = 0
for path in [*frames.paths, *Path(STACK).glob('frames/*')]:
    for attempt in (
        lambda: path.write_bytes(b'x'), lambda: os.truncate(path, 0), path.unlink,
        lambda: path.rename('/tmp/x.tif'), lambda: path.chmod(0o777) or path.write_bytes(b'x'),
    ):
        try:
            attempt()
            done += 1
        except OSError as error:
            pass
return frames[1] / 65535 if done else 1 / 0
"""


@pytest.mark.slow
def test_honest_rows_beside_a_cheat_stay_the_same_to_the_byte(tmp_path, stack) -> None:
    """A cheat that overwrites frames and rows: the two others are as in a run without it."""
    (tmp_path / "honest.py").write_text(HONEST)
    honest = ["mean", f"{tmp_path / 'honest.py'}:merge"]
    body = OVERWRITE.replace("Path(STACK).glob('frames/*')", "Path(STACK).rglob('*.*')")
    spec = cheat(tmp_path / "c", stack, body.replace("STACK", repr(str(tmp_path / "two"))))
    alone = run(write_suite(tmp_path, scenes=["ramp"], methods=honest), tmp_path / "one")
    suite = write_suite(tmp_path, scenes=["ramp"], methods=[spec, *honest])
    beside = run(suite, tmp_path / "two")
    assert b"cheat:merge" in beside
    kept = [line for line in beside.splitlines() if b"cheat:merge" not in line]
    assert kept == alone.splitlines()


def test_frames_cannot_be_overwritten(tmp_path, stack) -> None:
    """Neither the copies nor the stack itself, and those who come later have them whole."""
    before = [path.read_bytes() for path in stack.frames.paths]
    outcome = tried(cheat(tmp_path, stack, OVERWRITE), stack)
    assert stopped(outcome, stack)
    assert "ZeroDivisionError" in outcome.stderr
    assert [path.read_bytes() for path in stack.frames.paths] == before
