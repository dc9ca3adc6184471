"""All pages that the build makes: ``generated/`` beside the written ones."""

from __future__ import annotations

import json
import re
from pathlib import Path

from stacktruth.metrics import METRICS
from stacktruth.runners.bench.grid.suite import Ladder, Place, Suite
from stacktruth.runners.bench.running.columns import BENCH_COLUMNS
from stacktruth.runners.contract import DONE, STATUSES
from stacktruth.runners.dataset.columns import FRAME_COLUMNS, STACK_COLUMNS
from stacktruth.runners.isolate.methods_file import MethodTable
from stacktruth.runners.judge.columns import score_columns
from stacktruth.simulator.handling.approach import Approach
from stacktruth.simulator.handling.cadence import Cadence
from stacktruth.simulator.handling.hands import Stance
from stacktruth.simulator.handling.light import FlashUnit, Light, Recycle
from stacktruth.simulator.handling.sway import Subject, Twitch, Wind
from stacktruth.simulator.rig import Lens, Rig, Sensor
from stacktruth.simulator.shooting.shoot import Shoot
from stacktruth.simulator.shooting.truth import REGIONS, REGIONS_OF
from stacktruth.simulator.stack import columns as stack_columns
from stacktruth.simulator.stack.frameio import FORMATS
from stacktruth.simulator.stack.truthfiles import IMAGES_OF_SOME, TRUTH_IMAGES

from . import (
    atlas,
    commands,
    families,
    gallery,
    keys,
    optics,
    pipeline,
    scene_language,
    words,
)

HOUSE = Path(__file__).resolve().parents[2]
_DATA_FILES = {
    "Rig": (Rig, Lens, Sensor),
    "Stance": (Stance, Approach),
    "Light": (Light, FlashUnit, Recycle, Cadence),
    "Subject": (Subject, Wind, Twitch),
    "Suite": (Suite, Place, Ladder, MethodTable),
}
#: Types that are told for Python, as JSON has them.
_IN_JSON = {
    "crop": "[width, height] or [width, height, left, top] or null",
    "asked_reference": "int or null",
}
#: What each image of the truth is stored as.
_TYPES = {
    "ideal": "float32, (rows, cols, 3)",
    "achievable": "float32, (rows, cols, 3)",
    "best_frame": "int16, (rows, cols)",
    "regions": "uint8, (rows, cols); uint16 where light comes through",
}


def write_all(folder: Path) -> None:
    """Write every page that is made from records; a page that stays the same is left alone."""
    folder.mkdir(exist_ok=True)
    optics.lens(folder / "lens.png")
    optics.transfer(folder / "transfer.png")
    optics.pupils(folder / "pupils.png")
    pipeline.pipeline(folder / "pipeline.png")
    pages = {
        **atlas.write(folder),
        **gallery.write(folder),
        "commands": commands.page(),
        "scene_language": scene_language.page(folder),
        "family_language": families.language(),
        "families": families.shipped(),
        "data_files": data_files(),
        "glossary": glossary(),
        "statuses": statuses(),
        "metrics": metrics(),
        "columns_bench": words.columns(BENCH_COLUMNS),
        "columns_score": words.columns(score_columns()),
        "dataset_stacks": words.columns(STACK_COLUMNS),
        "dataset_frames": words.columns(FRAME_COLUMNS),
        "stack_records": words.columns(stack_columns.RECORD_COLUMNS),
        "stack_info": words.columns(stack_columns.INFO_KEYS, "key"),
        "stack_frames": words.columns(stack_columns.FRAME_KEYS, "key"),
        "stack_truth": words.columns(stack_columns.TRUTH_KEYS, "key"),
        "stack_manifest": words.columns(stack_columns.MANIFEST_KEYS, "key"),
        "stack_images": truth_images(),
        "stack_formats": frame_formats(),
        "stack_regions": words.table(
            ["region", "bit"],
            [
                [f"`{name}`", str(bit)]
                for bits in (REGIONS, *REGIONS_OF.values())
                for name, bit in bits.items()
            ],
        ),
        "stack_plan": plan_keys(),
    }
    for name, text in pages.items():
        path = folder / f"{name}.md"
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            path.write_text(text, encoding="utf-8")


def data_files() -> str:
    """Return the keys of rigs, stances, lights, subjects and suites."""
    text = []
    for title, classes in _DATA_FILES.items():
        text.append(f"## {title}\n")
        for place, cls in enumerate(classes):
            text += [f"### {cls.__name__}\n"] if place else []
            text += [f"{keys.summary(cls)}\n", keys.table(cls)]
    return "\n".join(text)


def plan_keys() -> str:
    """Return the keys of a shoot, as stack.json holds them under plan."""
    needed = ("scene", "rig", "stance", "approach", "light", "subject", "frames", "seed")
    fields = Shoot.__dataclass_fields__
    if tuple(fields)[: len(needed)] != needed:
        raise ValueError(f"a shoot's first keys: got {tuple(fields)}, expected {needed}")
    known = keys.told(Shoot)
    rows = [
        [
            f"`{name}`",
            words.cell(_IN_JSON.get(name, known[name][0] or "a table")),
            "*required*" if name in needed else f"`{json.dumps(fields[name].default)}`",
            words.cell(known[name][1]),
        ]
        for name in fields
    ]
    return words.table(["key", "type", "default", "meaning"], rows)


def truth_images() -> str:
    """Return the images of the truth, with what each is stored as."""
    rows = [
        [
            f"`truth/{name}.tif`",
            _TYPES.get(name, "float32, (rows, cols)"),
            words.cell(unit),
            words.cell(about[0].upper() + about[1:]) + ".",
        ]
        for name, (about, unit) in (TRUTH_IMAGES | IMAGES_OF_SOME).items()
    ]
    return words.table(["file", "stored as", "unit", "meaning"], rows)


def frame_formats() -> str:
    """Return the formats of frames."""
    rows = [
        [f"`{one.name}`", words.cell(one.title), f"`{one.suffix}`", str(one.dtype), one.transfer]
        for one in FORMATS.values()
    ]
    return words.table(["format", "what", "suffix", "values", "encoding"], rows)


def statuses() -> str:
    """Return what each status means, in the words of the contract of methods."""
    told = {
        "ok": "There is a result, and the row has scores.",
        "skipped": "The method does not apply to this stack, and says so.",
        "failed": "The method raised, crashed or returned an error code.",
        "timed-out": "It did not end within its limit of time.",
        "killed": "It was ended for taking more memory, processes or disk than allowed, or from "
        "outside; the latter is tried again when a benchmark goes on.",
        "invalid-output": "It ended well, but what it left is no picture of this stack.",
    }
    if set(told) != set(STATUSES):
        raise ValueError(f"statuses: got {set(told)}, need {set(STATUSES)}")
    rows = [[f"`{name}`", "no" if name in DONE else "yes", told[name]] for name in STATUSES]
    return words.table(["status", "failure", "meaning"], rows)


def metrics() -> str:
    """Return every metric with unit, range, direction and source."""
    rows = [
        [
            f"`{one.name}`",
            words.cell(one.title),
            one.group,
            words.cell(one.unit),
            f"{one.range[0]:g}..{one.range[1]:g}",
            one.wanted,
            words.cell(one.reference),
        ]
        for one in METRICS.values()
    ]
    return words.table(["name", "what", "group", "unit", "range", "better", "source"], rows)


def glossary() -> str:
    """Return the words of the contributor guide: the one vocabulary."""
    guide = (HOUSE / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = guide.partition("\n## Words\n")[2].partition("\n## ")[0]
    rows = re.findall(r"^\| ([^|]+) \| ([^|]+) \| ?([^|]*)\|$", section, re.MULTILINE)
    known = [(word, meaning, cls.strip()) for word, meaning, cls in rows if word != "word"]
    if not known:
        raise ValueError("DEVELOPERS.md: there is no table under 'Words'")
    entries = [
        f"**{word}**\n: {meaning}" + (f" ({cls})" if cls else "")
        for word, meaning, cls in sorted(known, key=lambda row: row[0].lower())
    ]
    return "\n\n".join(entries) + "\n"
