"""Writes a stack folder: frames, what the camera wrote, the truth, and how it was made.

The folder appears whole or not at all, and its bytes do not depend on how many processes
rendered it.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Mapping
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from tqdm import tqdm

from ...ground.atomic import PathExistsError, whole_folder
from ...ground.memory import keep_freed_memory
from ..own_files import own_files
from ..processes import Processes, processes
from ..shooting.any_shoot import AnyShoot
from ..shooting.sensor import saturation_e
from ..shooting.shoot import Shoot
from ..steps import Step, carry_out
from .frameio import FrameFormat, frame_file, frame_format
from .manifest import (
    INFO,
    MANIFEST,
    Manifest,
    StackError,
    StackExistsError,
    plan_to_data,
    prepare_manifest,
    pretty_json,
    versions,
)
from .pieces import Facts, StackJob, write_file

_PIECES = "pieces"


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

    Notes
    -----
    Several processes draw tiles of frames and of layers of the truth; what is drawn waits on the
    disk beside the folder, 12 bytes a pixel, of no more frames at once than there are processes.

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
    if workers < 1:
        raise ValueError(f"workers: got {workers}, allowed 1 or more")
    if workers == 1:
        write_stacks({path: plan}, format=format, progress=progress)
        return path
    # No process starts before the first step: what is wrong is refused before.
    with processes(workers, start=keep_freed_memory) as pool:
        write_stacks({path: plan}, format=format, pool=pool, workers=workers, progress=progress)
    return path


def write_stacks(
    plans: Mapping[Path, Shoot],
    *,
    format: str = "tiff16",
    pool: Processes | None = None,
    workers: int = 1,
    progress: bool | None = None,
) -> None:
    """Write stacks side by side, each as `write_stack` does.

    Parameters
    ----------
    plans : mapping of Path to Shoot
        By the new folders.
    format, progress
        As for `write_stack`.
    pool : Processes or None
        Renders; ended when anything goes wrong. None renders in this process.
    workers : int
        Of the pool.
    """
    how = frame_format(format)
    jobs: list[StackJob] = []
    with ExitStack() as folders:
        for path, plan in plans.items():
            if os.path.lexists(path):
                raise StackExistsError(path)
            # What is wrong with a plan shall show before anything is written.
            saturation_e(plan.rig.sensor, iso=plan.iso)
            plan = replace(plan, encoding=how.encoding)  # noqa: PLW2901 - the one to carry out
            _ = plan.records
            folder = folders.enter_context(_new_folder(path))
            jobs.append(StackJob(plan, folder, folder / _PIECES, how))
        steps = [step for job in jobs for step in job.steps(shared=pool is not None)]
        facts = _carried_out(steps, pool, workers, progress)
        for job in jobs:
            complete(job, facts[job.folder])


def _carried_out(
    steps: list[Step], pool: Processes | None, workers: int, progress: bool | None
) -> dict[Path, Facts]:
    """Do all steps; return what is to be known of the files that they made, by folder.

    Where others do them, this process finds out meanwhile what it needs for the manifest.
    """
    facts: dict[Path, Facts] = {}
    hidden = None if progress is None else not progress
    try:
        with tqdm(total=len(steps), desc="render", unit="piece", disable=hidden) as bar:
            for step, made in carry_out(
                steps, pool=pool, at_once=workers + 1, meanwhile=prepare_manifest
            ):
                folder, _ = step.name
                facts.setdefault(folder, {}).update(made)
                bar.update()
    except BaseException as error:
        if pool is not None:
            pool.end()  # none shall write into folders that are taken away
        if isinstance(error, BrokenProcessPool):
            raise StackError(
                "a rendering process was ended from outside (out of memory?); "
                "try fewer workers or a smaller crop"
            ) from error
        raise
    return facts


def complete(job: StackJob, facts: Facts) -> None:
    """Write what tells of all the other files, and take away what was only for the making."""
    shutil.rmtree(job.pieces)
    facts |= write_file(job.folder, INFO, pretty_json(camera_info(job.plan, job.how)).encode())
    facts |= _keep_pictures(job)
    manifest = Manifest(
        format=job.how.name,
        plan=plan_to_data(job.plan),
        versions=versions(),
        files=dict(sorted(facts.items())),
    )
    write_file(job.folder, MANIFEST, manifest.text().encode(), sync=True)


def _keep_pictures(job: StackJob) -> Facts:
    """Copy the pictures of one's own that the scene names, each once."""
    facts: Facts = {}
    for file in own_files(job.plan.scene):
        if file.kept in facts:
            continue
        (job.folder / file.kept).parent.mkdir(parents=True, exist_ok=True)
        try:
            facts |= write_file(job.folder, file.kept, file.read())
        except ValueError as error:
            raise StackError(f"a picture of the scene was changed meanwhile: {error}") from error
    return facts


@contextmanager
def _new_folder(path: Path) -> Iterator[Path]:
    """Give an empty stack folder that becomes `path` at the end, or vanishes on any error."""
    try:
        with whole_folder(path) as folder:
            for part in ("frames", "truth", _PIECES):
                (folder / part).mkdir()
            yield folder
    except PathExistsError as error:
        raise StackExistsError(path) from error


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
