"""Broken inputs made from whole ones: by their structure and by their bytes, each from a number.

`case(number)` is the same on every machine. A case is given to the reader that a user's file comes
in by. What must come of it: it is read, or refused in one plain sentence that names the file, by an
error that the command line shows as such. All else is a defect.
"""

from __future__ import annotations

import copy
import json
import shutil
import tempfile
import tomllib
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image as Pillow

from stacktruth.ground.checksum import sha256
from stacktruth.ground.finished import read_finished
from stacktruth.ground.pictures import encode_image, encode_map, read_image
from stacktruth.runners.bench import load_suite
from stacktruth.runners.bench.grid.suite import suite_in, suite_text
from stacktruth.runners.bench.ranking.folder import plain_rows
from stacktruth.runners.blind.key import read_key
from stacktruth.runners.calibrate.burst import read_burst
from stacktruth.runners.calibrate.times import exif
from stacktruth.runners.contract import InvalidOutput
from stacktruth.runners.isolate.external import ProgramError
from stacktruth.runners.isolate.handover import read_array, read_handover
from stacktruth.runners.isolate.method import UnknownMethodError
from stacktruth.runners.isolate.methods_file import load_methods
from stacktruth.runners.isolate.picture_files import read_picture
from stacktruth.runners.request import RequestError
from stacktruth.runners.review.exposure import settings
from stacktruth.simulator.data import DataFileError, find_data_file, list_data_files
from stacktruth.simulator.family.draw import draw
from stacktruth.simulator.family.family import load_family
from stacktruth.simulator.handling.hands import load_stance
from stacktruth.simulator.handling.light import load_light
from stacktruth.simulator.handling.sway import load_subject
from stacktruth.simulator.loading.scenes import load_scene
from stacktruth.simulator.rig import load_rig
from stacktruth.simulator.shooting.shoot import shoot
from stacktruth.simulator.stack.manifest import MANIFEST, canonical_json
from stacktruth.simulator.stack.stackio import check_stack, read_stack, write_stack

REFUSED = (
    DataFileError,
    InvalidOutput,
    OSError,
    ProgramError,
    RequestError,
    UnknownMethodError,
    ValueError,
)
KINDS = ("scene", "rig", "light", "stance", "subject", "suite", "family")
#: What stands in the place of a value: numbers beyond all, other types, text that does harm.
ODD: tuple[Any, ...] = (
    *(0, -1, 1, 0.5, -0.0, 1e308, -1e308, 1e-12, 5e-324, 1e-300, 1e30, 1e15, 9e18, 2**31, 2**63),
    *(10**300, 1e5, 1e-6, 1000.0, 3e7, float("nan"), float("inf"), float("-inf"), True, False),
    *("", "$x$", "a\nb", "\x1b[2J", "x" * 5000, "../../etc/passwd", "=1+1", "\u202e", "<b>"),
    *([], [[]], [0], [1e308, 1e308], [0.0] * 3000, {}, {"a": 1}, [[["x"]]], "1", -5),
)


@dataclass(frozen=True, kw_only=True)
class Case:
    """One broken input.

    Parameters
    ----------
    name : str
        Of its file.
    data : bytes
    read : callable
        Takes the file's path.
    what : str
        How it was broken.
    """

    name: str
    data: bytes
    read: Callable[[Path], object]
    what: str


def case(number: int) -> Case:
    """Return a broken input; the same for the same number."""
    rng = np.random.default_rng([number, 20261129])
    makers = (
        *(_structure, _structure, _structure, _bytes_of_toml),
        *(_bytes_of_others, _bytes_of_others, _json_of_others, _of_a_stack),
    )
    return makers[int(rng.integers(len(makers)))](rng)


def looked_at(one: Case, folder: Path) -> tuple[str, str]:
    """Return what goes wrong with a case, nothing where it is read or refused well; and its error.

    The error is empty where the file was read.
    """
    path = folder / one.name
    path.write_bytes(one.data)
    try:
        one.read(path)
    except Exception as error:
        return _wrong_with(error, one.name), str(error) or type(error).__name__
    return "", ""


def defect(one: Case, folder: Path) -> str:
    """Return what goes wrong with a case; nothing where it is read or refused well."""
    return looked_at(one, folder)[0]


def _wrong_with(error: Exception, name: str) -> str:
    if isinstance(error, REFUSED):
        text = str(error)
        if isinstance(error, UnicodeError | json.JSONDecodeError | tomllib.TOMLDecodeError):
            return f"internal error {type(error).__name__}: {text[:200]}"
        # A rig is known by its file's name without the ending from then on.
        places = (
            Path(name).stem,
            "hand-over",
            "light: key",
            "frames: ",
            "cadence",
            "of-a-stack",
            "burst",
        )
        if not any(place in text for place in places):
            return f"does not say where: {text[:200]!r}"
        if missing := lacks(text):
            return f"does not say {missing}: {text[:300]!r}"
        if len(text) > 1500 or not text.replace("\n", " ").isprintable():
            return f"is no plain sentence: {text[:200]!r}"
        return ""
    return f"{type(error).__name__}: {str(error)[:200]}"


def lacks(text: str) -> str:
    """Return what an error does not say: what was got, what is allowed."""
    said = (("got ", "what was got"), (("allowed", "expected"), "what is allowed"))
    words = [(one if isinstance(one, tuple) else (one,), what) for one, what in said]
    return " and ".join(what for one, what in words if not any(word in text for word in one))


def _structure(rng: np.random.Generator) -> Case:
    """Change one to three values, keys or tables of a shipped data file."""
    kind = KINDS[int(rng.integers(len(KINDS)))]
    names = list_data_files(kind)
    values = copy.deepcopy(_shipped(kind, names[int(rng.integers(len(names)))]))
    told = [_break_one(values, rng) for _ in range(int(rng.integers(1, 4)))]
    return Case(
        name=f"broken-{kind}.toml",
        data=_toml(values).encode("utf-8", "surrogatepass"),
        read=READERS[kind],
        what=f"{kind}: {', '.join(told)}",
    )


@cache
def _shipped(kind: str, name: str) -> dict[str, Any]:
    return tomllib.loads(find_data_file(name, kind=kind).read_text(encoding="utf-8"))


def _break_one(values: dict[str, Any], rng: np.random.Generator) -> str:
    places = list(_places(values))
    if not places:
        return "nothing"
    holder, key = places[int(rng.integers(len(places)))]
    odd = copy.deepcopy(ODD[int(rng.integers(len(ODD)))])
    deed = int(rng.integers(10))
    if deed == 0 and isinstance(holder, dict):
        del holder[key]
        return f"no {key}"
    if deed == 1 and isinstance(holder, dict):
        holder[f"{key}x"] = holder[key]
        return f"{key}x as well"
    if deed == 2 and isinstance(holder[key], int | float) and not isinstance(holder[key], bool):
        holder[key] *= float(10.0 ** rng.integers(-12, 13))
        return f"{key} times a power of ten: {holder[key]}"
    holder[key] = odd
    return f"{key} = {str(odd)[:40]!r}"


def _places(values: Any) -> Iterator[tuple[Any, Any]]:
    pairs = values.items() if isinstance(values, dict) else enumerate(values)
    for key, value in list(pairs):
        yield values, key
        if isinstance(value, dict | list):
            yield from _places(value)


def _toml(values: dict[str, Any]) -> str:
    """Return values as TOML, tables inline."""
    return "".join(f"{json.dumps(key)} = {_inline(value)}\n" for key, value in values.items())


def _inline(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(k)} = {_inline(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_inline, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return json.dumps(value) if isinstance(value, str) else repr(value)


def _bytes_of_toml(rng: np.random.Generator) -> Case:
    kind = KINDS[int(rng.integers(len(KINDS)))]
    names = list_data_files(kind)
    data = find_data_file(names[int(rng.integers(len(names)))], kind=kind).read_bytes()
    data, what = mutated(data, rng)
    return Case(name=f"broken-{kind}.toml", data=data, read=READERS[kind], what=f"{kind}: {what}")


def _bytes_of_others(rng: np.random.Generator) -> Case:
    names = list(OTHERS)
    name = names[int(rng.integers(len(names)))]
    whole, read = OTHERS[name]
    data, what = mutated(whole(), rng)
    return Case(name=name, data=data, read=read, what=f"{name}: {what}")


def _json_of_others(rng: np.random.Generator) -> Case:
    """Change one or two values of a JSON file that some command reads."""
    names = [name for name in OTHERS if name.endswith(".json")]
    name = names[int(rng.integers(len(names)))]
    whole, read = OTHERS[name]
    values = json.loads(whole())
    what = ", ".join(_break_one(values, rng) for _ in range(int(rng.integers(1, 3))))
    data = json.dumps(values).encode("utf-8", "surrogatepass")
    return Case(name=name, data=data, read=read, what=f"{name}: {what}")


def _of_a_stack(rng: np.random.Generator) -> Case:
    """Break a file of a stack whose checksums are right all the same: somebody made them so."""
    names = sorted(_stack())
    name = names[int(rng.integers(len(names)))]
    data, what = _stack()[name], ""
    if name.endswith(".json") and rng.random() < 0.7:
        values = json.loads(data)
        what = ", ".join(_break_one(values, rng) for _ in range(int(rng.integers(1, 3))))
        data = json.dumps(values).encode("utf-8", "surrogatepass")
    elif name.endswith(".tif") and rng.random() < 0.5:
        data, what = encode_map(_ANY_SHAPE[int(rng.integers(len(_ANY_SHAPE)))]), "another array"
    else:
        data, what = mutated(data, rng)
    return Case(
        name=Path(name).name,
        data=data,
        read=lambda path: _use_stack(path, name),
        what=f"stack's {name}: {what}",
    )


_ANY_SHAPE = tuple(
    np.zeros(shape, kind)
    for shape in ((1, 1), (32, 48), (48, 32), (32, 48, 3), (32, 48, 4), (64, 96, 3))
    for kind in (np.uint8, np.float32, np.int32)
)


@cache
def _stack() -> dict[str, bytes]:
    """Return the files of a stack of two frames, by name."""
    plan = shoot(load_scene("ramp"), load_rig("field-2x"), frames=2, crop=(384, 256), bin=8)
    with tempfile.TemporaryDirectory() as place:
        folder = write_stack(plan, Path(place) / "stack", progress=False)
        files = [path for path in folder.rglob("*") if path.is_file()]
        return {str(path.relative_to(folder)): path.read_bytes() for path in files}


def _use_stack(path: Path, name: str) -> object:
    """Read all of a stack with one file in the place of its own, and checksums made anew."""
    folder = path.parent / "of-a-stack"
    shutil.rmtree(folder, ignore_errors=True)
    files = _stack() | {name: path.read_bytes()}
    if name != MANIFEST:
        held = json.loads(files[MANIFEST])
        held["files"][name] = {"bytes": len(files[name]), "sha256": sha256(files[name])}
        files[MANIFEST] = json.dumps(_signed(held)).encode()
    else:
        with suppress(ValueError, TypeError):
            files[MANIFEST] = json.dumps(_signed(json.loads(files[MANIFEST]))).encode()
    for one, data in files.items():
        (folder / one).parent.mkdir(parents=True, exist_ok=True)
        (folder / one).write_bytes(data)
    stack = read_stack(folder)
    return stack.info, [*stack.frames], stack.truth, stack.records, stack.shoot, check_stack(folder)


def _signed(held: dict[str, Any]) -> dict[str, Any]:
    rest = {key: value for key, value in held.items() if key != "sha256"}
    return {**rest, "sha256": sha256(canonical_json(rest))}


_INSERTED = (b"[" * 3000, b"{" * 3000, b"9" * 5000, b"\x00" * 64, b"\xff\xd8\xff", b'"', b"1e308")


def mutated(data: bytes, rng: np.random.Generator) -> tuple[bytes, str]:
    """Return bytes with some flipped, cut, doubled, put in, or made the largest number."""
    changed = bytearray(data)
    deeds = []
    for _ in range(int(rng.integers(1, 6))):
        at = int(rng.integers(len(changed) + 1)) if rng.random() < 0.5 else int(rng.integers(200))
        at = min(at, len(changed))
        deed = int(rng.integers(6))
        if deed == 0 and at < len(changed):
            changed[at] ^= 1 << int(rng.integers(8))
        elif deed == 1:
            del changed[at : at + int(rng.integers(1, 40))]
        elif deed == 2:
            changed[at:at] = changed[at : at + int(rng.integers(1, 400))]
        elif deed == 3:
            changed[at:at] = _INSERTED[int(rng.integers(len(_INSERTED)))]
        elif deed == 4:
            changed[at : at + 4] = b"\xff\xff\xff\x7f" if rng.random() < 0.5 else b"\xff" * 4
        else:
            del changed[at:]
        deeds.append(f"{deed} at {at}")
    return bytes(changed), ", ".join(deeds)


@cache
def _picture() -> np.ndarray:
    return np.random.default_rng(3).integers(0, 65535, (24, 32, 3), dtype=np.uint16)


def _npy() -> bytes:
    file = BytesIO()
    np.save(file, _picture())
    return file.getvalue()


def _handover() -> bytes:
    said = {"files": ["image"], "depth_unit": "frame", "reference": 1, "used": [0, 1]}
    return json.dumps({"status": "ok", "reason": "", "result": said}).encode()


_METHODS = b"""
[[methods]]
label = "mine"
spec = "mean"

[[methods]]
label = "another"
environment = ["A=1"]
program = { command = ["/bin/true", "{frames}", "{output}"], time_limit_s = 5.0 }
"""


def _suite() -> bytes:
    return suite_text(load_suite("quick")).encode()


def _rows() -> bytes:
    row = "quick,plain,0,ramp,braced,mean,built-in,ok,,19.6,0.2,abc\n"
    return f"{','.join(_COLUMNS)}\n{row}{row}".encode()


_COLUMNS = (
    *("suite", "condition", "severity", "scene", "stance", "method", "kind", "status", "reason"),
    *("total.psnr_db", "merge_loss_db", "cell_key"),
)


def _compare(path: Path) -> object:
    """Read a table as `compare` does."""
    (path.parent / "suite.json").write_bytes(_suite())
    return plain_rows(path.parent)


def _key() -> bytes:
    return json.dumps({"secret": "0f" * 32, "suite": json.loads(_suite())}).encode()


def _info() -> bytes:
    frames = [{"file": f"{n}.jpg", "time_s": n / 5, "exposure_s": 0.01} for n in range(3)]
    return json.dumps({"frames": frames, "pitch_um": 4.0, "encoding": "srgb"}).encode()


@cache
def _taken() -> bytes:
    """Return a JPEG with what a camera writes of a shot (EXIF 2.32)."""
    tags = Pillow.Exif()
    tags[0x0112] = 1
    part = tags.get_ifd(0x8769)
    part |= {0x9003: "2026:05:02 12:00:00", 0x9291: "250", 0x829A: 0.01, 0x829D: 8.0, 0x8827: 100}
    file = BytesIO()
    Pillow.fromarray((_picture() >> 8).astype(np.uint8)).save(file, "JPEG", exif=tags)
    return file.getvalue()


def _burst(path: Path) -> object:
    """Read a burst of three pictures, with a file of it in the place of its own."""
    folder = path.parent / "burst"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    files = {f"{number}.jpg": _taken() for number in range(3)}
    files[path.name] = path.read_bytes()
    for name, data in files.items():
        (folder / name).write_bytes(data)
    with suppress(RequestError):
        read_burst(folder, load_rig("field-2x"), fewest=3, pitch_um=4.0, frames_per_s=5.0)
    burst = read_burst(folder, load_rig("field-2x"), fewest=3, pitch_um=4.0, timed=False)
    return [settings(exif(one)) for one in burst.paths], [*burst.frames]


def _family(path: Path) -> object:
    return draw(load_family(path), seed=1)


def _plan(path: Path, **parts: Any) -> object:
    """Plan a small shoot with a file, as the commands do."""
    given: dict[str, Any] = {"scene": "ramp", "rig": "field-2x", **parts}
    scene, rig = load_scene(given.pop("scene")), load_rig(given.pop("rig"))
    plan = shoot(scene, rig, crop=(96, 64), bin=1, **given)
    return plan.flashes, plan.frames, plan.reference


READERS: dict[str, Callable[[Path], object]] = {
    "scene": lambda path: _plan(path, scene=path),
    "rig": lambda path: _plan(path, rig=path),
    "light": lambda path: _plan(path, light=load_light(path)),
    "stance": lambda path: _plan(path, stance=load_stance(path)),
    "subject": lambda path: _plan(path, subject=load_subject(path)),
    "suite": load_suite,
    "family": _family,
}
OTHERS: dict[str, tuple[Callable[[], bytes], Callable[[Path], object]]] = {
    "a.tif": (lambda: encode_image(_picture(), ".tif"), read_image),
    "b.tif": (lambda: encode_map(_picture()), read_finished),
    "c.png": (lambda: encode_image(_picture(), ".png"), read_finished),
    "d.jpg": (lambda: encode_image((_picture() >> 8).astype(np.uint8), ".jpg"), read_finished),
    "e.tif": (lambda: encode_map(_picture()), lambda path: read_picture(path, (24, 32, 3))),
    "f.png": (
        lambda: encode_image(_picture(), ".png"),
        lambda path: read_picture(path, (24, 32, 3)),
    ),
    "image.npy": (_npy, lambda path: read_array(path, (24, 32, 3))),
    "handover.json": (_handover, lambda path: read_handover(path.parent)),
    "methods.toml": (lambda: _METHODS, load_methods),
    "rows.csv": (_rows, _compare),
    "suite.json": (_suite, lambda path: suite_in(path.parent)),
    "key.json": (_key, read_key),
    "frames.json": (_info, _burst),
    "taken.jpg": (_taken, _burst),
}
