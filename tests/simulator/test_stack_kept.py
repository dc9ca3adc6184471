"""A folder that does not keep to the page of the stack folder is told so, key by key.

Each case is one slip of somebody who writes a stack by hand: sums are right, one thing is not as
the page has it.
"""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest
import tifffile

from stacktruth.simulator.stack.stackio import check_stack

_SPEC = importlib.util.spec_from_file_location(
    "stack_by_hand", Path(__file__).parents[1] / "stack_by_hand.py"
)
by_hand = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(by_hand)


def in_json(file, change):
    """Return what changes a JSON file of a folder."""

    def apply(folder):
        held = json.loads((folder / file).read_text())
        change(held)
        (folder / file).write_text(json.dumps(held))

    return apply


def in_table(old, new):
    """Return what changes the table of frames."""

    def apply(folder):
        path = folder / "truth/frames.csv"
        path.write_text(path.read_text().replace(old, new))

    return apply


def best_frame(folder):
    """Name a frame that is not there."""
    tifffile.imwrite(folder / "truth/best_frame.tif", np.full((60, 80), 9, np.int16))


FRAMES, TRUTH = "frames.json", "truth/truth.json"
SLIPS = {
    "no pitch": (in_json(FRAMES, lambda d: d.pop("pitch_um")), "key 'pitch_um' is missing"),
    "no time": (in_json(FRAMES, lambda d: d["frames"][1].pop("time_s")), "frames.1: key 'time_s'"),
    "other order": (in_json(FRAMES, lambda d: d["frames"][1].update(order=2)), "order: got 2"),
    "other name": (in_json(FRAMES, lambda d: d["frames"].reverse()), "allowed 0"),
    "eight bits": (in_json(FRAMES, lambda d: d.update(bits=8)), "bits: got 8, allowed 16"),
    "not linear": (in_json(FRAMES, lambda d: d.update(encoding="linear")), "allowed 'srgb'"),
    "two references": (in_json(TRUTH, lambda d: d.update(reference=2)), "got 2, allowed 1"),
    "no optics": (in_json(TRUTH, lambda d: d.pop("optics")), "'optics.working_f_number' is miss"),
    "no fibres": (in_json(TRUTH, lambda d: d["regions"].pop("fibres")), "'regions.fibres' is mi"),
    "other bits": (in_json(TRUTH, lambda d: d["regions"].update(valid=2)), "got 2, allowed 1"),
    "fewer usable": (in_json(TRUTH, lambda d: d["usable_frames"].pop()), "got 2 values, allowed 3"),
    "a list": (in_json(TRUTH, lambda d: d.update(images=[])), "'images.ideal' is missing"),
    "no column": (in_table("gain_red", "red"), "column 'gain_red' is missing"),
    "no such frame": (best_frame, "got frame 9, allowed -1 and the usable frames"),
}
PLANS = {
    "another size": ({"crop": [40, 30]}, r"got (80, 60), allowed (40, 30)"),
    "merged pixels": ({"bin": 2}, "pitch_um: got 20.0, allowed 40.0"),
    "another encoding": ({"encoding": "srgb8"}, "got 'srgb8', allowed 'srgb16'"),
    "a seed below": ({"seed": -1}, "plan.seed: got -1, allowed >= 0"),
    "another view": ({"asked_reference": 0}, "asked_reference: got 0, allowed 1"),
}


@pytest.fixture
def folder(tmp_path):
    """Write the stack by hand, which is sound."""
    by_hand.write(tmp_path / "mine")
    return tmp_path / "mine"


def test_what_keeps_to_the_page_is_sound(folder):
    """Nothing is found in the stack that was written from the page."""
    assert check_stack(folder) == []


@pytest.mark.parametrize("name", SLIPS)
def test_a_slip_is_named(name, folder):
    """With file, key, what was got and what is allowed."""
    slip, told = SLIPS[name]
    slip(folder)
    (folder / "stack.json").unlink()
    by_hand.seal(folder)
    assert any(told in one for one in check_stack(folder))


@pytest.mark.parametrize("name", PLANS)
def test_a_plan_of_another_shoot_is_named(name, folder, monkeypatch):
    """`score` renders from the plan: pictures of another size would end it."""
    change, told = PLANS[name]
    monkeypatch.setattr(by_hand, "PLAN", by_hand.PLAN | change)
    (folder / "stack.json").unlink()
    by_hand.seal(folder)
    assert any(told in one for one in check_stack(folder))
