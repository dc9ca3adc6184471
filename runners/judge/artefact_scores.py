"""Artefacts of a result on a stack, by metrics that are given the truth.

Everything is compared with the achievable picture, so that what no frame showed is no artefact.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import isnan

import numpy as np
from scipy import ndimage

from ...ground.srgb import LUMA, clipped_srgb, luma
from ...ground.types import Bools, Floats
from ...metrics import metric
from ...metrics.artefacts.artefacts import flicker_stops, smear
from ...metrics.artefacts.ghost import ghost, see_through
from ...metrics.artefacts.halo import OccludingEdges, occluding_edges, profile_at
from ...metrics.artefacts.invented import invented_detail
from ...metrics.image.pair import ImagePair
from ...simulator import optics
from ...simulator.compositing.render import present_parts
from ...simulator.scene.scene import Sheet
from ...simulator.shooting.any_shoot import AnyShoot
from ...simulator.shooting.shoot import BLUR_CRITERION_UM
from ...simulator.shooting.truth import Truth
from .frame_noise import noise_variance

#: At most this many other poses are looked for, of the frames that show most of the subject.
_POSES = 4
#: A pose counts as another one from this move on.
_MOVED_PX = 0.5
#: What is nearer to an edge than this is not searched for what shines through.
_NEAR_EDGE_PX = 2
#: Blur of the lens in focus, for a surface that is seen alone.
_LENS_SIGMA_PX = 0.7


@dataclass(frozen=True, kw_only=True, eq=False)
class ArtefactInputs:
    """What the artefact metrics need to know, in the view of one frame.

    Parameters
    ----------
    achievable : array (rows, cols, 3)
        sRGB-encoded 0..1.
    ideal : array (rows, cols)
        Encoded luma of the ideal picture: what is true there was not invented.
    depth_mm : array (rows, cols)
    edge_mm : float
        Least step of depth that makes an occluding edge.
    poses : sequence of arrays (rows, cols)
        Encoded luma of the achievable picture with its moving parts where they stood in others.
    behind : array (rows, cols) or None
        Encoded luma of the farthest surface alone; None if it is the only one.
    valid, near, fibres, ghosted : arrays (rows, cols) of bool
        Where to score at all; inside what stands before the farthest surface; fibres; where
        moving parts are or were.
    noise_rms : array (rows, cols)
        Of one frame's noise in luma, linear light as a share of white.
    """

    achievable: Floats
    ideal: Floats
    depth_mm: Floats
    edge_mm: float
    poses: Sequence[Floats]
    behind: Floats | None
    valid: Bools
    near: Bools
    fibres: Bools
    ghosted: Bools
    noise_rms: Floats

    @cached_property
    def wanted(self) -> Floats:
        """Encoded luma of the achievable picture, (rows, cols)."""
        return luma(self.achievable)

    @cached_property
    def edges(self) -> OccludingEdges | None:
        """Its occluding edges; None where it has none."""
        return occluding_edges(self.wanted, depth_mm=self.depth_mm, min_step_mm=self.edge_mm)


def artefact_inputs(shoot: AnyShoot, truth: Truth) -> ArtefactInputs:
    """Return what the artefact metrics need, in the view of a truth."""
    achievable = clipped_srgb(truth.achievable)
    valid = truth.mask("valid")
    moving = truth.mask("moving")
    shifts = pose_shifts_px(shoot, truth)
    behind, far_mm = farthest_surface(shoot, truth.reference)
    edge_mm = optics.depth_of_field_mm(shoot.rig, blur_um=BLUR_CRITERION_UM).total_mm
    near = valid & (far_mm - truth.depth_mm > edge_mm)
    plane = luma(achievable)
    moved = [ndimage.shift(moving, shift, order=0) for shift in shifts]
    return ArtefactInputs(
        achievable=achievable,
        ideal=luma(clipped_srgb(truth.ideal)),
        depth_mm=truth.depth_mm,
        edge_mm=edge_mm,
        poses=[
            np.where(there, ndimage.shift(plane, shift, mode="nearest"), plane)
            for shift, there in zip(shifts, moved, strict=True)
        ],
        behind=behind,
        valid=valid,
        near=ndimage.binary_erosion(near, iterations=_NEAR_EDGE_PX),
        fibres=truth.mask("fibres") & valid,
        ghosted=np.logical_or.reduce([moving, *moved]) & valid,
        noise_rms=noise_rms(shoot, truth.achievable),
    )


def noise_rms(shoot: AnyShoot, light: Floats) -> Floats:
    """Return the noise of one frame in luma, linear light as a share of white, shape (rows, cols).

    Parameters
    ----------
    shoot : AnyShoot
    light : array (rows, cols, 3)
        What is photographed, linear light.
    """
    variance = noise_variance(shoot, light)
    return np.asarray(np.sqrt(variance @ np.square(LUMA)), dtype=np.float32)


def pose_shifts_px(shoot: AnyShoot, truth: Truth) -> list[tuple[float, float]]:
    """Return how far (down, across) the subject had moved in the frames that show most of it.

    It is taken as one piece at its median depth; moves of less than half a pixel are left out.
    """
    moving = truth.mask("moving") & truth.mask("valid")
    if not moving.any():
        return []
    camera, here = shoot.camera(truth.reference), shoot.records[truth.reference].subject
    middle = np.array([0.0, 0.0, float(np.median(truth.depth_mm[moving]))])
    shown = np.bincount(truth.best_frame[moving], minlength=shoot.frames)
    shifts: list[tuple[float, float]] = []
    for frame in np.argsort(-shown, kind="stable"):
        there = shoot.records[frame].subject
        if frame == truth.reference or not there.present:
            continue
        step = [there.x_mm - here.x_mm, there.y_mm - here.y_mm, there.z_mm - here.z_mm]
        rows, cols, _ = camera.project(np.stack([middle, middle + step]))
        shift = (float(rows[1] - rows[0]), float(cols[1] - cols[0]))
        if np.hypot(*shift) >= _MOVED_PX:
            shifts.append(shift)
    return shifts[:_POSES]


def farthest_surface(shoot: AnyShoot, reference: int) -> tuple[Floats | None, Floats]:
    """Return encoded luma and depth (mm) of the scene's first surface, seen alone and sharp.

    None, and a depth of NaN, where there is no other surface or it is no sheet.
    """
    camera = shoot.camera(reference)
    surface, parts = shoot.scene.surface, present_parts(shoot.scene, camera)
    if len(surface) < 2 or not isinstance(surface[0], Sheet) or parts[0].name != surface[0].name:
        return None, np.full(camera.frame.shape, np.nan, np.float32)
    far = parts[0]
    view = far.view(camera.facing(far.name, living=far.living), camera.frame)
    soft = ndimage.gaussian_filter(view.colour, (_LENS_SIGMA_PX, _LENS_SIGMA_PX, 0))
    depth = np.broadcast_to(view.depth_mm, camera.frame.shape)
    depth = depth + np.float32(camera.rotation[:, 2] @ camera.pupil_mm)
    return luma(clipped_srgb(soft)), depth.astype(np.float32)


def artefact_scores(result: Floats, inputs: ArtefactInputs, *, inside: Bools) -> dict[str, float]:
    """Score every artefact of a result.

    Parameters
    ----------
    result : array (rows, cols, 3)
        Brought to the reference, sRGB-encoded 0..1.
    inputs : ArtefactInputs
    inside : array (rows, cols) of bool
        Pixels that the result has.

    Returns
    -------
    dict of str to float
        By the metrics' names; NaN where the stack has nothing that could cause the artefact.
    """
    s, valid = inputs, inputs.valid & inside
    own, wanted = luma(result), s.wanted
    profile = profile_at(s.edges, ImagePair(own, wanted, data_range=1.0), mask=valid)
    ghosts = ghost(own, wanted, others=s.poses, data_range=1.0, mask=s.ghosted & inside)
    through = float("nan")
    if s.behind is not None:
        through = see_through(own, wanted, behind=s.behind, data_range=1.0, mask=s.near & inside)
    return {
        "halo_overshoot": profile.overshoot,
        "halo_width_px": profile.width_px,
        "ghost": ghosts,
        "see_through": through,
        "smear": smear(own, wanted, data_range=1.0, mask=s.fibres & inside),
        "flicker_stops": flicker_stops(result, s.achievable, data_range=1.0, mask=valid),
        "invented_detail": invented_detail(
            result,
            s.achievable,
            data_range=1.0,
            foreign=[s.ideal, *s.poses, *([] if s.behind is None else [s.behind])],
            noise_rms=s.noise_rms,
            mask=valid,
        ),
    }


def absent_artefacts(scores: Mapping[str, float]) -> str:
    """Say in one line which artefacts have no number, and why; empty if all have one."""
    missing = [(metric(name), value) for name, value in scores.items() if isnan(value)]
    return "; ".join(f"{known.title}: {known.status(value)}" for known, value in missing)
