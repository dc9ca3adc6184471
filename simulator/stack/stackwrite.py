"""Writes a stack folder: frames, what the camera wrote, the truth, and how it was made.

The folder appears whole or not at all, and its bytes do not depend on how many processes
rendered it.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from math import isfinite
from pathlib import Path
from typing import Any

from tqdm import tqdm

from ...ground.atomic import PathExistsError, whole_folder
from ...ground.checksum import sha256
from ...ground.pictures import encode_image, encode_map
from .. import optics
from ..processes import processes
from ..shooting.any_shoot import AnyShoot
from ..shooting.motion import MotionSummary
from ..shooting.sensor import saturation_e
from ..shooting.shoot import (
    BLUR_CRITERION_UM,
    USABLE_GAIN_STOPS,
    USABLE_SMEAR_PX,
    FrameRecord,
    Shoot,
)
from ..shooting.truth import NEVER_PX, REGIONS, Truth
from .frameio import FrameFormat, frame_format
from .manifest import (
    INFO,
    MANIFEST,
    RECORDS,
    TRUTH,
    FileFacts,
    Manifest,
    StackError,
    StackExistsError,
    plan_to_data,
    pretty_json,
    versions,
)

#: Images of the truth: what each holds, and its unit.
TRUTH_IMAGES = {
    "ideal": ("everything in focus", "linear light, 1 = saturation"),
    "achievable": ("least defocus of any usable frame", "linear light, 1 = saturation"),
    "depth_mm": ("z along the optical axis of the reference; NaN: nothing is hit", "mm"),
    "best_frame": ("usable frame in which the point is sharpest; -1: nothing is hit", "frame"),
    "residual_blur_px": ("blur radius in that frame", "px"),
    "coverage": ("share of the pixel covered by the part whose depth it has", "1"),
    "edge_distance_px": ("distance to the nearest occluding edge", "px"),
    "regions": ("bits of the regions the pixel lies in", "bits"),
}

_TRUTH_TASK = -1
_Facts = dict[str, FileFacts]


def write_stack(
    plan: Shoot,
    path: str | Path,
    *,
    format: str = "tiff16",
    workers: int = 1,
    progress: bool | None = None,
) -> Path:
    """Render a shoot and write it, with its truth, as a stack folder.

    The folder is made under another name beside `path` and renamed when it is complete; after
    an error or an interrupt nothing is left of it.

    Parameters
    ----------
    plan : Shoot
        Its ``encoding`` gives way to what the format needs.
    path : path
        The new folder; folders above it are made.
    format : {"tiff16", "png16", "jpeg8", "float32"}
        16-bit sRGB TIFF or PNG, 8-bit sRGB JPEG, linear float TIFF without sensor.
    workers : int
        Processes that render; the bytes are the same for any number. A script that asks for
        more than one must not run its own work on import.
    progress : bool or None
        A bar on stderr; None shows it on a terminal only.

    Returns
    -------
    Path
        Of the folder.

    Raises
    ------
    StackExistsError
        `path` exists; nothing was changed.
    StackError
        A worker process was ended from outside.
    ValueError
        Unknown format, `workers` below 1, or a plan that cannot be carried out.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> import stacktruth
    >>> scene, rig = stacktruth.load_scene("ramp"), stacktruth.load_rig("test-rig")
    >>> plan = stacktruth.shoot(scene, rig, frames=2, crop=(48, 32))
    >>> with TemporaryDirectory() as place:
    ...     folder = write_stack(plan, f"{place}/ramp", progress=False)
    ...     stack = stacktruth.read_stack(folder)
    ...     print(len(stack.frames), stack.frames[0].dtype, stack.truth.ideal.shape)
    2 uint16 (32, 48, 3)
    """
    path = Path(path)
    how = frame_format(format)
    if workers < 1:
        raise ValueError(f"workers: got {workers}, allowed 1 or more")
    if os.path.lexists(path):
        raise StackExistsError(path)
    plan = replace(plan, encoding=how.encoding)
    # What is wrong with a plan shall show before anything is written.
    saturation_e(plan.rig.sensor, iso=plan.iso)
    records = plan.records
    with _new_folder(path) as folder:
        job = _Job(plan, folder, how)
        facts = _render(job, min(workers, plan.frames + 1), progress)
        facts |= _write(folder, INFO, pretty_json(camera_info(plan, how)).encode())
        facts |= _write(folder, RECORDS, records_csv(records, plan.motions).encode())
        manifest = Manifest(
            format=how.name,
            plan=plan_to_data(plan),
            versions=versions(),
            files=dict(sorted(facts.items())),
        )
        _write(folder, MANIFEST, manifest.text().encode(), sync=True)
    return path


@contextmanager
def _new_folder(path: Path) -> Iterator[Path]:
    """Give an empty stack folder that becomes `path` at the end, or vanishes on any error."""
    try:
        with whole_folder(path) as folder:
            for part in ("frames", "truth"):
                (folder / part).mkdir()
            yield folder
    except PathExistsError as error:
        raise StackExistsError(path) from error


@dataclass(frozen=True)
class _Job:
    plan: Shoot
    folder: Path
    how: FrameFormat

    def perform(self, task: int) -> _Facts:
        """Render and write one frame, or the truth."""
        if task == _TRUTH_TASK:
            return _write_truth(self.plan, self.folder)
        image = self.plan.frame(task).image
        name = frame_file(task, self.how)
        return _write(self.folder, name, encode_image(image, self.how.suffix))


def _render(job: _Job, workers: int, progress: bool | None) -> _Facts:
    tasks = [_TRUTH_TASK, *range(job.plan.frames)]  # the longest first
    run: Callable[[_Job, list[int]], Iterator[_Facts]] = _here
    if workers > 1:
        run = _Pool(workers)
        # The plan without what it has worked out: that is more than a pipe holds.
        job = replace(job, plan=replace(job.plan))
    facts: _Facts = {}
    hidden = None if progress is None else not progress
    with tqdm(total=len(tasks), desc="render", unit="picture", disable=hidden) as bar:
        for done in run(job, tasks):
            facts |= done
            bar.update()
    return facts


def _here(job: _Job, tasks: list[int]) -> Iterator[_Facts]:
    return map(job.perform, tasks)


@dataclass(frozen=True)
class _Pool:
    """Runs the tasks in processes of their own."""

    workers: int

    def __call__(self, job: _Job, tasks: list[int]) -> Iterator[_Facts]:
        try:
            with processes(self.workers, start=_start_worker, given=(job,)) as pool:
                for future in as_completed([pool.submit(_perform, task) for task in tasks]):
                    yield future.result()
        except BrokenProcessPool as error:
            raise StackError(
                "a rendering process was ended from outside (out of memory?); "
                "try fewer workers or a smaller crop"
            ) from error


_worker_job: list[_Job] = []


def _start_worker(job: _Job) -> None:
    _worker_job[:] = [job]


def _perform(task: int) -> _Facts:
    return _worker_job[0].perform(task)


def _write(folder: Path, name: str, data: bytes, *, sync: bool = False) -> _Facts:
    with (folder / name).open("wb") as file:
        file.write(data)
        if sync:
            file.flush()
            os.fsync(file.fileno())
    return {name: FileFacts(len(data), sha256(data))}


def frame_file(number: int, how: FrameFormat) -> str:
    """Return the path of a frame in its stack."""
    return f"frames/{number:04d}{how.suffix}"


def camera_info(plan: AnyShoot, how: FrameFormat) -> dict[str, Any]:
    """Return what the camera wrote about its frames, and what its owner knows; no truth.

    The owner knows the lens and its setting, and of a stepped pass where the scale stood in each
    frame (``nominal_focus_mm``, as z; None for a pass by hand) and its step.
    """
    camera = plan.camera(0)
    rows, cols = camera.frame.shape
    known = plan.nominal_focus_mm
    stops = known or (None,) * plan.frames
    step_mm = known[1] - known[0] if known and len(known) > 1 else None
    return {
        "frames": [
            {
                "file": frame_file(record.frame, how),
                "order": record.frame,
                "time_s": round(record.time_s, 3),
                "exposure_s": plan.light.exposure_s,
                "iso": plan.iso,
                "f_number": plan.rig.lens.f_number,
                "focal_length_mm": plan.rig.lens.focal_length_mm,
                "nominal_focus_mm": stop,
            }
            for record, stop in zip(plan.records, stops, strict=True)
        ],
        "step_mm": step_mm,
        "magnification": plan.rig.lens.magnification,
        "pupil_ratio": plan.rig.lens.pupil_ratio,
        "reference": plan.reference,
        "pitch_um": camera.pitch_um,
        "width_px": cols,
        "height_px": rows,
        "encoding": how.transfer,
        "bits": how.bits,
    }


def records_csv(records: tuple[FrameRecord, ...], motions: tuple[MotionSummary, ...]) -> str:
    """Return the records as a flat table; numbers are written so that they read back exactly."""
    import pandas as pd  # noqa: PLC0415 - slow to load, and few commands need it

    parts = sorted({name for record in records for name in record.subject.parts_mm})
    rows = [
        record_row(record, parts)
        | {f"view_{name}": value for name, value in asdict(motion).items()}
        for record, motion in zip(records, motions, strict=True)
    ]
    return pd.DataFrame(rows).to_csv(index=False, lineterminator="\n")


def record_row(record: FrameRecord, parts: list[str]) -> dict[str, Any]:
    """Return one row; each of the subject's parts that twitch adds three columns."""
    pose, subject = record.pose, record.subject
    row: dict[str, Any] = {"frame": record.frame, "time_s": record.time_s}
    for key in ("x_mm", "y_mm", "z_mm", "pitch_mrad", "yaw_mrad", "roll_mrad"):
        row[key] = getattr(pose, key)
    row |= {"refocus_mm": record.refocus_mm, "focus_z_mm": record.focus_z_mm}
    row |= {"gain_stops": record.gain_stops}
    row |= dict(zip(("gain_red", "gain_green", "gain_blue"), record.gains, strict=True))
    row |= {"misfire": record.misfire, "exposure_s": record.exposure_s}
    row |= {"smear_px": record.smear_px}
    for axis in ("x_mm", "y_mm", "z_mm"):
        row[f"subject_{axis}"] = getattr(subject, axis)
    for name in parts:
        moved = subject.parts_mm.get(name, (0.0, 0.0, 0.0))
        row |= {f"part_{name}_{axis}_mm": at for axis, at in zip("xyz", moved, strict=True)}
    return row | {"subject_present": subject.present, "usable": record.usable}


def _write_truth(plan: Shoot, folder: Path) -> _Facts:
    truth = plan.truth()
    facts: _Facts = {}
    for name in TRUTH_IMAGES:
        facts |= _write(folder, truth_file(name), encode_map(getattr(truth, name)))
    return facts | _write(folder, TRUTH, pretty_json(truth_facts(plan, truth)).encode())


def truth_file(name: str) -> str:
    """Return the path of an image of the truth in its stack."""
    return f"truth/{name}.tif"


def truth_facts(plan: Shoot, truth: Truth) -> dict[str, Any]:
    """Return what must be known to use the images of the truth."""
    rig = plan.rig
    field = optics.depth_of_field_mm(rig, blur_um=BLUR_CRITERION_UM)
    return {
        "reference": truth.reference,
        "usable_frames": [record.frame for record in plan.records if record.usable],
        "regions": REGIONS,
        "images": {
            name: {"file": truth_file(name), "about": about, "unit": unit}
            for name, (about, unit) in TRUTH_IMAGES.items()
        },
        "optics": {
            "magnification": rig.lens.magnification,
            "working_f_number": optics.rig_f_number(rig),
            "pupil_to_focus_mm": optics.focus_distance_mm(rig),
            "blur_criterion_um": BLUR_CRITERION_UM,
            "depth_of_field_near_mm": field.near_mm,
            "depth_of_field_far_mm": field.far_mm if isfinite(field.far_mm) else None,
            "quarter_wave_depth_mm": optics.quarter_wave_depth_mm(rig),
        },
        "limits": {
            "usable_smear_px": USABLE_SMEAR_PX,
            "usable_gain_stops": USABLE_GAIN_STOPS,
            "never_in_focus_px": NEVER_PX,
        },
    }
