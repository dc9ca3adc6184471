"""Whether a folder keeps to the page of the stack folder: keys that are there, files that agree.

The keys are those of `columns`, from which the page is made. A folder may be sound, each file as
its checksum says, and still tell two things; who wrote it would see that in odd scores alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ...ground.columns import Column
from ..data import shown_value
from ..shooting.truth import REGIONS, REGIONS_OF
from .columns import FRAME_KEYS, INFO_KEYS, RECORD_COLUMNS, TRUTH_KEYS
from .frameio import FORMATS
from .manifest import INFO, RECORDS, TRUTH
from .truthfiles import IMAGES_OF_SOME, TRUTH_IMAGES, truth_file, truth_images

if TYPE_CHECKING:
    from .stackio import Stack

#: A stack by hand may round what the plan says to the last digit of single precision.
_ROUNDED = 1e-6


def departures(stack: Stack) -> list[str]:
    """Find where a stack, each file sound in itself, does not keep to its page.

    Parameters
    ----------
    stack : Stack
        One whose tables and images can be read.

    Returns
    -------
    list of str
        One line each: file, key, what was got, what is allowed. Empty if there is none.
    """
    missing = [*_missing(stack)]
    if missing:  # what is compared below would not be there
        return missing
    return [*_frames(stack), *_usable(stack), *_truth(stack), *_plan(stack)]


def _missing(stack: Stack) -> Iterator[str]:
    """Name the keys and columns that are not there."""
    yield from _absent(stack.info, INFO_KEYS, INFO)
    for number, frame in enumerate(stack.info["frames"]):
        yield from _absent(frame, FRAME_KEYS, f"{INFO}: frames.{number}")
    facts = stack.truth_facts
    more = [name for name in IMAGES_OF_SOME if truth_file(name) in stack.manifest.files]
    lists: Mapping[str, Iterable[str]] = {
        "regions": [*REGIONS, *(region for name in more for region in REGIONS_OF[name])],
        "images": [*TRUTH_IMAGES, *more],
    }
    for name, known in lists.items():
        yield from (
            f"{TRUTH}: key '{name}.{one}' is missing"
            for one in known
            if one not in _in(facts, name)
        )
    for key in (one.name for one in TRUTH_KEYS if "NAME" not in one.name):
        table, _, last = key.rpartition(".")
        if last not in (_in(facts, table) if table else facts):
            yield f"{TRUTH}: key '{key}' is missing"
    there = list(stack.records.columns)
    for column in RECORD_COLUMNS:
        if "NAME" not in column.name and column.name not in there:
            yield f"{RECORDS}: column '{column.name}' is missing"


def _absent(table: Any, keys: Iterable[Column], where: str) -> Iterator[str]:
    found = table if isinstance(table, Mapping) else {}
    return (f"{where}: key '{one.name}' is missing" for one in keys if one.name not in found)


def _in(facts: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    """Return a table within a table; an empty one where there is none."""
    found = facts.get(name)
    return found if isinstance(found, Mapping) else {}


def _frames(stack: Stack) -> Iterator[str]:
    """Compare the frames' order, files and encoding."""
    told, wanted = stack.info["frames"], FORMATS[stack.manifest.format]
    yield from _same(f"{INFO}: frames.*.order", [one["order"] for one in told], range(len(told)))
    yield from _same(f"{RECORDS}: frame", list(stack.records["frame"]), range(len(told)))
    files = [f"frames/{number:04d}{wanted.suffix}" for number in range(len(told))]
    yield from _same(f"{INFO}: frames.*.file", [one["file"] for one in told], files)
    yield from _equal(f"{INFO}: bits", stack.info["bits"], wanted.bits)
    yield from _equal(f"{INFO}: encoding", stack.info["encoding"], wanted.transfer)


def _usable(stack: Stack) -> Iterator[str]:
    """Compare the reference and the usable frames as three files tell them."""
    facts = stack.truth_facts
    yield from _equal(f"{TRUTH}: reference", facts["reference"], stack.info["reference"])
    flags = stack.records["usable"]
    told = [number for number, flag in enumerate(flags) if flag]
    yield from _same(f"{TRUTH}: usable_frames", facts["usable_frames"], told)
    beyond = np.setdiff1d(stack.truth.best_frame, [-1, *told])
    if beyond.size:
        yield (
            f"{truth_file('best_frame')}: got frame {beyond[0]}, allowed -1 and the usable frames"
        )


def _truth(stack: Stack) -> Iterator[str]:
    """Compare the bits of the regions and the files of the images with the page's."""
    facts = stack.truth_facts
    for name, bit in stack.truth.region_bits.items():
        yield from _equal(f"{TRUTH}: regions.{name}", facts["regions"][name], bit)
    for name in truth_images(stack.truth):
        held = _in(facts["images"], name).get("file")
        yield from _equal(f"{TRUTH}: images.{name}.file", held, truth_file(name))


def _plan(stack: Stack) -> Iterator[str]:
    """Compare what the camera wrote with the plan, from which `score` renders."""
    plan, info, lens = stack.shoot, stack.info, stack.shoot.rig.lens
    sensor = plan.rig.sensor
    taken = (sensor.width_px, sensor.height_px) if plan.crop is None else plan.crop
    width, height = (side // plan.bin for side in taken[:2])
    sides = (info["width_px"], info["height_px"])
    yield from _equal(f"{INFO}: width_px, height_px", sides, (width, height))
    near = {
        "pitch_um": sensor.pitch_um * plan.bin,
        "magnification": lens.magnification,
        "pupil_ratio": lens.pupil_ratio,
    }
    for name, number in near.items():
        if not np.isclose(info[name], number, rtol=_ROUNDED, atol=0):
            yield from _equal(f"{INFO}: {name}", info[name], number)
    encoding = FORMATS[stack.manifest.format].encoding
    yield from _equal("stack.json: plan.encoding", plan.encoding, encoding)
    if plan.seed < 0:
        yield f"stack.json: plan.seed: got {plan.seed}, allowed >= 0"
    if plan.asked_reference is not None:
        asked = plan.asked_reference
        yield from _equal("stack.json: plan.asked_reference", asked, info["reference"])


def _equal(where: str, got: Any, allowed: Any) -> Iterator[str]:
    if got != allowed:
        yield f"{where}: got {shown_value(got)}, allowed {shown_value(allowed)}"


def _same(where: str, got: Sequence[Any], allowed: Iterable[Any]) -> Iterator[str]:
    """Compare lists; only the first place where they differ is told."""
    wanted = list(allowed)
    if not isinstance(got, list):
        yield f"{where}: got {shown_value(got)}, allowed a list"
        return
    if len(got) != len(wanted):
        yield f"{where}: got {len(got)} values, allowed {len(wanted)}"
        return
    for one, right in zip(got, wanted, strict=True):
        if one != right:
            yield f"{where}: got {shown_value(one)}, allowed {shown_value(right)}"
            return
