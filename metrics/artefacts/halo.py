"""Halo: the error of a result against the distance to an occluding edge."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import distance_transform_edt, gaussian_filter, maximum_filter, minimum_filter

from ...ground.types import Bools, Doubles, Floats
from ..checks import as_mask, require_same_shape
from ..image.pair import ImagePair
from ..record import Metric
from ..shading import block_means, fit_shading, shading

REACH_PX = 24
_SIDE_SIGMA_PX = 3.0  # over which the colour of each side of an edge is taken
_LEAST_CONTRAST = 0.03  # of luma: an edge fainter than this has no halo to see
_NOTHING_MM = 1e9  # where nothing is hit everything is in front
_DARK = 0.02  # encoded luma below which a gain cannot be read
_BLOCK_PX = 8
_PEAK_PX = 6.0  # a halo clings to its edge
_VISIBLE = 0.05  # of the contrast of the edge


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HaloProfile:
    """Signed error on both sides of occluding edges, as a share of each edge's contrast.

    Parameters
    ----------
    distance_px : array of float64
        Distance from the edge; positive on the far side, negative on the near side.
    exaggeration : array of float64
        Share of the contrast by which a side is driven away from the other, after exposure and
        shading are taken off; NaN where no pixel is at that distance. Negative where a side takes
        on the colour of the other, as by blur.
    """

    distance_px: Doubles
    exaggeration: Doubles

    @property
    def overshoot(self) -> float:
        """Largest exaggeration within 6 px, at least 0; NaN without an edge."""
        close = self._close()
        return max(0.0, float(close.max())) if close.size else math.nan

    @property
    def haze(self) -> float:
        """Largest share of the other side's colour within 6 px, at least 0; NaN without an edge."""
        close = self._close()
        return max(0.0, -float(close.min())) if close.size else math.nan

    def _close(self) -> Doubles:
        close = self.exaggeration[np.abs(self.distance_px) < _PEAK_PX]
        return close[np.isfinite(close)]

    @property
    def width_px(self) -> float:
        """Width of the stretch about the peak where the exaggeration is half of it or more, px.

        0 where the overshoot is below 5 % of the contrast; NaN without an edge.
        """
        if math.isnan(self.overshoot) or self.overshoot < _VISIBLE:
            return self.overshoot * 0.0
        strong = np.nan_to_num(self.exaggeration, nan=-1.0) >= 0.5 * self.overshoot
        close = np.where(np.abs(self.distance_px) < _PEAK_PX, self.exaggeration, np.nan)
        peak = int(np.nanargmax(close))
        before, after = peak, peak
        while before > 0 and strong[before - 1]:
            before -= 1
        while after < strong.size - 1 and strong[after + 1]:
            after += 1
        return float(after - before + 1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OccludingEdges:
    """Where a reference has occluding edges, for all results that are compared with it.

    Parameters
    ----------
    signed_px : array (H, W) of float64
        Distance from the nearest edge; positive on the far side.
    contrast : array (H, W) of float64
        Luma of the near side less that of the far side, at that edge.
    """

    signed_px: Doubles
    contrast: Doubles


def occluding_edges(
    luma: Floats, *, depth_mm: npt.ArrayLike, min_step_mm: float
) -> OccludingEdges | None:
    """Find the occluding edges of a picture; None where it has none.

    Parameters
    ----------
    luma : array (H, W)
        sRGB-encoded, 0..1.
    depth_mm : array_like
        Shape (H, W): true depth, mm; NaN where nothing is hit, which is behind everything.
    min_step_mm : float
        Least step of depth between neighbouring pixels that makes an occluding edge, mm.
    """
    if not min_step_mm > 0:
        raise ValueError(f"min_step_mm must be positive, got {min_step_mm!r}")
    depth = np.nan_to_num(np.asarray(depth_mm, dtype=np.float64), nan=_NOTHING_MM)
    require_same_shape(depth_mm=depth, reference=luma)
    near_edge = maximum_filter(depth, 3) - depth > min_step_mm
    if not near_edge.any():
        return None
    far_edge = depth - minimum_filter(depth, 3) > min_step_mm
    signed_px, contrast = _edge_field(luma, near_edge, far_edge)
    return OccludingEdges(signed_px=signed_px, contrast=contrast)


def halo_profile(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    depth_mm: npt.ArrayLike,
    min_step_mm: float,
    data_range: float,
    reach_px: int = REACH_PX,
    mask: npt.ArrayLike | None = None,
) -> HaloProfile:
    """Mean signed luma error by distance from an occluding edge.

    Parameters
    ----------
    result, reference : array_like
        Shape (H, W) or (H, W, 3), sRGB-encoded, finite.
    depth_mm : array_like
        Shape (H, W): true depth, mm; NaN where nothing is hit, which is behind everything.
    min_step_mm : float
        Least step of depth between neighbouring pixels that makes an occluding edge, mm.
    data_range : float
        The value of white in both images.
    reach_px : int
        How far from the edge to look.
    mask : array_like, optional
        Pixels to score.
    """
    pair = ImagePair(result, reference, data_range=data_range)
    edges = occluding_edges(pair.luma[1], depth_mm=depth_mm, min_step_mm=min_step_mm)
    return profile_at(edges, pair, reach_px=reach_px, mask=mask)


def profile_at(
    edges: OccludingEdges | None,
    pair: ImagePair,
    *,
    reach_px: int = REACH_PX,
    mask: npt.ArrayLike | None = None,
) -> HaloProfile:
    """Do what `halo_profile` does, given the reference's edges.

    Parameters
    ----------
    edges : OccludingEdges or None
        Of the pair's reference.
    pair : ImagePair
    reach_px, mask : int, array_like
        As for `halo_profile`.
    """
    if not reach_px >= 1:
        raise ValueError(f"reach_px must be at least 1, got {reach_px!r}")
    distance = np.arange(-reach_px, reach_px, dtype=np.float64) + 0.5
    if edges is None:
        return HaloProfile(distance_px=distance, exaggeration=np.full(distance.size, np.nan))
    luma, wanted = pair.luma
    use = as_mask(mask, pair.size) & (np.abs(edges.contrast) >= _LEAST_CONTRAST)
    error = luma - _shaded(luma, wanted)
    profile = _binned(error, edges.contrast, edges.signed_px, use, reach_px)
    return HaloProfile(distance_px=distance, exaggeration=-np.sign(distance) * profile)


def halo_overshoot(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    depth_mm: npt.ArrayLike,
    min_step_mm: float,
    data_range: float,
    mask: npt.ArrayLike | None = None,
) -> float:
    """Largest exaggeration of the contrast of occluding edges, share of it; see `halo_profile`."""
    profile = halo_profile(
        result,
        reference,
        depth_mm=depth_mm,
        min_step_mm=min_step_mm,
        data_range=data_range,
        mask=mask,
    )
    return profile.overshoot


def halo_width_px(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    depth_mm: npt.ArrayLike,
    min_step_mm: float,
    data_range: float,
    mask: npt.ArrayLike | None = None,
) -> float:
    """Width of the halo along occluding edges, px; see `halo_profile`."""
    profile = halo_profile(
        result,
        reference,
        depth_mm=depth_mm,
        min_step_mm=min_step_mm,
        data_range=data_range,
        mask=mask,
    )
    return profile.width_px


def _edge_field(plane: Floats, near_edge: Bools, far_edge: Bools) -> tuple[Doubles, Doubles]:
    """Signed distance from the nearest edge, and its contrast (near less far), per pixel."""
    to_near, near_at = distance_transform_edt(~near_edge, return_indices=True)
    to_far, far_at = distance_transform_edt(~far_edge, return_indices=True)
    far_side = to_far < to_near
    signed_px = np.where(far_side, to_near - 0.5, 0.5 - to_far)
    near_colour = _side_mean(plane, ~far_side)[tuple(near_at)]
    far_colour = _side_mean(plane, far_side)[tuple(far_at)]
    return signed_px, near_colour - far_colour


def _side_mean(plane: Floats, side: Bools) -> Doubles:
    """Gaussian mean of the plane over the pixels of one side alone."""
    share = side.astype(np.float64)
    total = gaussian_filter(plane * share, _SIDE_SIGMA_PX)
    return total / np.maximum(gaussian_filter(share, _SIDE_SIGMA_PX), 1e-6)


def _binned(
    error: Floats,
    contrast: Doubles,
    signed_px: Doubles,
    use: Bools,
    reach_px: int,
) -> Doubles:
    """Least-squares share of the contrast in the error, per bin of 1 px of distance."""
    use = use & (np.abs(signed_px) < reach_px)
    number = np.floor(signed_px[use]).astype(np.int64) + reach_px
    step = contrast[use]
    power = np.bincount(number, weights=step**2, minlength=2 * reach_px)
    product = np.bincount(number, weights=step * error[use], minlength=2 * reach_px)
    return np.divide(product, power, out=np.full(2 * reach_px, np.nan), where=power > 0)


def _shaded(result: Floats, reference: Floats) -> Floats:
    """Give the reference the exposure and shading of the result: they are no halo."""
    own, wanted = (block_means(plane, _BLOCK_PX) for plane in (result, reference))
    lit = (own > _DARK) & (wanted > _DARK)
    stops = np.log2(np.where(lit, own, 1.0) / np.where(lit, wanted, 1.0))
    surface = shading(fit_shading(stops, lit), reference.shape)
    return reference * np.exp2(surface).astype(np.float32)


_NEEDS = ("depth_mm", "min_step_mm", "data_range")

METRICS = (
    Metric(
        name="halo_overshoot",
        title="halo",
        group="artefact",
        direction="lower",
        best=0.0,
        range=(0.0, math.inf),
        function=halo_overshoot,
        needs=_NEEDS,
        reference="ours",
        undefined="no occluding edge with any contrast here",
    ),
    Metric(
        name="halo_width_px",
        title="halo width",
        group="artefact",
        unit="px",
        direction="lower",
        best=0.0,
        range=(0.0, math.inf),
        function=halo_width_px,
        needs=_NEEDS,
        reference="ours",
        undefined="no occluding edge with any contrast here",
    ),
)
