"""How near a depth map is to the true depth.

Depths are z in mm along the optical axis of the reference frame, (H, W). NaN in the truth means
there is nothing to score at that pixel; NaN in the result means the method gave no answer there,
which lowers `coverage` and counts as a bad pixel, but leaves the errors alone. A region without
true depth gives NaN everywhere; one without answers gives NaN for the errors.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from functools import partial

import numpy as np
import numpy.typing as npt
from scipy.ndimage import correlate, maximum_filter, minimum_filter
from scipy.stats import rankdata

from metrics.checks import Mask, as_mask, mean_over, require_same_shape
from metrics.record import Metric

FloatArray = npt.NDArray[np.float64]

EDGE_REACH_PX = 5
BAD_MULTIPLES = (0.5, 1.0, 2.0)


def depth_rmse_mm(
    depth_mm: npt.ArrayLike, truth_mm: npt.ArrayLike, *, mask: npt.ArrayLike | None = None
) -> float:
    """Root-mean-square depth error over answered pixels, mm."""
    error = _errors(depth_mm, truth_mm, mask)
    return math.sqrt(np.mean(error**2)) if error.size else math.nan


def depth_mae_mm(
    depth_mm: npt.ArrayLike, truth_mm: npt.ArrayLike, *, mask: npt.ArrayLike | None = None
) -> float:
    """Mean absolute depth error over answered pixels, mm."""
    error = _errors(depth_mm, truth_mm, mask)
    return float(np.mean(np.abs(error))) if error.size else math.nan


def depth_median_mm(
    depth_mm: npt.ArrayLike, truth_mm: npt.ArrayLike, *, mask: npt.ArrayLike | None = None
) -> float:
    """Median absolute depth error over answered pixels, mm."""
    error = _errors(depth_mm, truth_mm, mask)
    return float(np.median(np.abs(error))) if error.size else math.nan


def depth_bias_mm(
    depth_mm: npt.ArrayLike, truth_mm: npt.ArrayLike, *, mask: npt.ArrayLike | None = None
) -> float:
    """Mean depth error over answered pixels, mm; positive means too far away."""
    error = _errors(depth_mm, truth_mm, mask)
    return float(np.mean(error)) if error.size else math.nan


def bad_pixel_share(
    depth_mm: npt.ArrayLike,
    truth_mm: npt.ArrayLike,
    *,
    dof_mm: float,
    multiple: float = 1.0,
    mask: npt.ArrayLike | None = None,
) -> float:
    """Share of pixels without an answer or off by more than a multiple of the depth of field.

    Parameters
    ----------
    depth_mm, truth_mm : array_like
        Shape (H, W), mm.
    dof_mm : float
        Total depth of field of one frame, mm.
    multiple : float
        Error allowed, in depths of field.
    mask : array_like, optional
        Pixels to score.

    Notes
    -----
    The bad-pixel share of the stereo literature (Scharstein & Szeliski, IJCV 47, 7 (2002)), with
    the lens's depth of field for the threshold.
    """
    _require_positive(dof_mm=dof_mm, multiple=multiple)
    depth, truth, known = _prepare(depth_mm, truth_mm, mask)
    good = np.abs(depth[known] - truth[known]) <= multiple * dof_mm  # NaN is not good
    return 1.0 - float(good.mean()) if good.size else math.nan


def coverage(
    depth_mm: npt.ArrayLike, truth_mm: npt.ArrayLike, *, mask: npt.ArrayLike | None = None
) -> float:
    """Share of the pixels with a true depth at which the method gave an answer."""
    depth, _, known = _prepare(depth_mm, truth_mm, mask)
    return mean_over(np.isfinite(depth), known)


def rank_correlation(
    depth_mm: npt.ArrayLike, truth_mm: npt.ArrayLike, *, mask: npt.ArrayLike | None = None
) -> float:
    """Spearman's rank correlation of answered depths with the truth, -1..1.

    It asks only for the right order, so a depth of unknown scale can be scored. NaN where the
    truth has one depth only; 0 where the result has.
    """
    depth, truth, known = _prepare(depth_mm, truth_mm, mask)
    known &= np.isfinite(depth)
    if not known.any() or np.ptp(truth[known]) == 0.0:
        return math.nan
    if np.ptp(depth[known]) == 0.0:
        return 0.0
    return float(np.corrcoef(rankdata(depth[known]), rankdata(truth[known]))[0, 1])


def bumpiness_mm(
    depth_mm: npt.ArrayLike, truth_mm: npt.ArrayLike, *, mask: npt.ArrayLike | None = None
) -> float:
    """Mean curvature of the depth error, mm/px^2: how bumpy a surface became.

    Notes
    -----
    Frobenius norm of the Hessian of (depth - truth), after the bumpiness of Honauer et al., ACCV
    2016 (there clipped and multiplied by 100). Pixels whose 3 x 3 neighbourhood lacks a depth are
    left out. Best used on smooth surfaces.
    """
    depth, truth, known = _prepare(depth_mm, truth_mm, mask)
    error = np.where(np.isfinite(truth), depth - truth, np.nan)
    return mean_over(*_finite(_hessian_norm(error), known))


def edge_fattening(
    depth_mm: npt.ArrayLike,
    truth_mm: npt.ArrayLike,
    *,
    dof_mm: float,
    reach_px: int = EDGE_REACH_PX,
    mask: npt.ArrayLike | None = None,
) -> float:
    """Share of far-side pixels next to a depth step that were given the near side's depth.

    A step is a difference of true depth of more than two depths of field within `reach_px`; the
    nearest and farthest depth there are its two sides, and half-way between them divides. NaN
    where there is no step. After the fattening of Honauer et al., ACCV 2016.
    """
    return _wrong_side(depth_mm, truth_mm, dof_mm, reach_px, mask, far_side=True)


def edge_thinning(
    depth_mm: npt.ArrayLike,
    truth_mm: npt.ArrayLike,
    *,
    dof_mm: float,
    reach_px: int = EDGE_REACH_PX,
    mask: npt.ArrayLike | None = None,
) -> float:
    """Share of near-side pixels next to a depth step that were given the far side's depth.

    The counterpart of `edge_fattening`.
    """
    return _wrong_side(depth_mm, truth_mm, dof_mm, reach_px, mask, far_side=False)


def depth_from_frames(frame_index: npt.ArrayLike, focus_mm: npt.ArrayLike) -> FloatArray:
    """Depth in mm of a depth map given as frame index, through the true planes of focus.

    Parameters
    ----------
    frame_index : array_like
        Shape (H, W). Fractions lie on the straight line between neighbouring frames; an index
        outside the stack, negative or NaN means no answer.
    focus_mm : array_like
        Shape (frames,): z of the plane of focus of each frame, in any order, mm.

    Returns
    -------
    array of float64
        Shape (H, W), mm; NaN for no answer.
    """
    planes = np.asarray(focus_mm, dtype=np.float64)
    if planes.ndim != 1 or planes.size == 0 or not np.isfinite(planes).all():
        raise ValueError(f"focus_mm must be a finite list of planes, got shape {planes.shape}")
    index = np.asarray(frame_index, dtype=np.float64)
    depth = np.interp(index, np.arange(planes.size), planes)
    return np.where((index >= 0) & (index <= planes.size - 1), depth, np.nan)


def score_depth(
    depth_mm: npt.ArrayLike,
    truth_mm: npt.ArrayLike,
    *,
    masks: Mapping[str, npt.ArrayLike],
    dof_mm: float,
    names: Iterable[str] | None = None,
) -> dict[str, dict[str, float]]:
    """All depth metrics over all regions: ``scores[region][metric]``.

    Parameters
    ----------
    depth_mm, truth_mm : array_like
        Shape (H, W), mm; NaN for no answer and for no truth.
    masks : mapping of str to array_like
        Region name to boolean mask (H, W).
    dof_mm : float
        Total depth of field of one frame, mm.
    names : iterable of str, optional
        Metrics wanted; by default all.
    """
    by_name = {metric.name: metric for metric in METRICS}
    wanted = list(by_name) if names is None else list(names)
    unknown = [name for name in wanted if name not in by_name]
    if unknown:
        raise ValueError(f"names must be among {list(by_name)}, got {unknown}")
    options = {"dof_mm": dof_mm}
    return {
        region: {
            name: by_name[name].function(
                depth_mm, truth_mm, mask=mask, **{key: options[key] for key in by_name[name].needs}
            )
            for name in wanted
        }
        for region, mask in masks.items()
    }


def _prepare(
    depth_mm: npt.ArrayLike, truth_mm: npt.ArrayLike, mask: npt.ArrayLike | None
) -> tuple[FloatArray, FloatArray, Mask]:
    """Both maps as float64, and where the truth is known inside the mask."""
    depth = np.asarray(depth_mm, dtype=np.float64)
    truth = np.asarray(truth_mm, dtype=np.float64)
    if depth.ndim != 2:
        raise ValueError(f"depth_mm must have shape (H, W), got {depth.shape}")
    require_same_shape(depth_mm=depth, truth_mm=truth)
    if np.isinf(depth).any():
        raise ValueError("depth_mm must not be infinite; NaN means no answer")
    return depth, truth, as_mask(mask, depth.shape) & np.isfinite(truth)


def _errors(
    depth_mm: npt.ArrayLike, truth_mm: npt.ArrayLike, mask: npt.ArrayLike | None
) -> FloatArray:
    depth, truth, known = _prepare(depth_mm, truth_mm, mask)
    known &= np.isfinite(depth)
    return depth[known] - truth[known]


def _finite(values: FloatArray, mask: Mask) -> tuple[FloatArray, Mask]:
    return values, mask & np.isfinite(values)


def _hessian_norm(surface: FloatArray) -> FloatArray:
    along_x = correlate(surface, np.array([[1.0, -2.0, 1.0]]), mode="constant", cval=np.nan)
    along_y = correlate(surface, np.array([[1.0], [-2.0], [1.0]]), mode="constant", cval=np.nan)
    twist = np.array([[1.0, 0.0, -1.0], [0.0, 0.0, 0.0], [-1.0, 0.0, 1.0]]) / 4.0
    crosswise = correlate(surface, twist, mode="constant", cval=np.nan)
    return np.sqrt(along_x**2 + along_y**2 + 2.0 * crosswise**2)


def _wrong_side(
    depth_mm: npt.ArrayLike,
    truth_mm: npt.ArrayLike,
    dof_mm: float,
    reach_px: int,
    mask: npt.ArrayLike | None,
    *,
    far_side: bool,
) -> float:
    _require_positive(dof_mm=dof_mm, reach_px=reach_px)
    depth, truth, known = _prepare(depth_mm, truth_mm, mask)
    unknown = ~np.isfinite(truth)
    size = 2 * int(reach_px) + 1
    near = minimum_filter(np.where(unknown, np.inf, truth), size)
    far = maximum_filter(np.where(unknown, -np.inf, truth), size)
    with np.errstate(invalid="ignore"):  # inf - inf where there is no truth at all
        step = far - near > 2.0 * dof_mm
        middle = 0.5 * (near + far)
    side = known & step & ((truth > middle) == far_side) & np.isfinite(depth)
    return mean_over((depth > middle) != far_side, side)


def _require_positive(**values: float) -> None:
    for name, value in values.items():
        if not value > 0:
            raise ValueError(f"{name} must be positive, got {value!r}")


def _error_metric(name: str, title: str, function: object, reference: str = "definition") -> Metric:
    return Metric(
        name=name,
        title=title,
        group="depth",
        unit="mm",
        direction="lower",
        best=0.0,
        range=(0.0, math.inf),
        function=function,  # type: ignore[arg-type]
        reference=reference,
        undefined="no depth was given here",
    )


def _share_metric(
    name: str, title: str, function: object, reference: str, undefined: str = ""
) -> Metric:
    return Metric(
        name=name,
        title=title,
        group="depth",
        direction="lower",
        best=0.0,
        range=(0.0, 1.0),
        function=function,  # type: ignore[arg-type]
        needs=("dof_mm",),
        reference=reference,
        undefined=undefined,
    )


METRICS = (
    _error_metric("depth_rmse_mm", "depth RMSE", depth_rmse_mm),
    _error_metric("depth_mae_mm", "mean depth error", depth_mae_mm),
    _error_metric("depth_median_mm", "median depth error", depth_median_mm),
    Metric(
        name="depth_bias_mm",
        title="depth bias",
        group="depth",
        unit="mm",
        direction="nearest",
        best=0.0,
        range=(-math.inf, math.inf),
        function=depth_bias_mm,
        reference="definition",
        undefined="no depth was given here",
    ),
    *(
        _share_metric(
            f"bad_share_{multiple:g}dof",
            f"off by > {multiple:g} depth of field",
            partial(bad_pixel_share, multiple=multiple),
            "Scharstein & Szeliski, IJCV 47, 7 (2002)",
        )
        for multiple in BAD_MULTIPLES
    ),
    Metric(
        name="coverage",
        title="depth coverage",
        group="depth",
        direction="higher",
        best=1.0,
        range=(0.0, 1.0),
        function=coverage,
        reference="definition",
    ),
    Metric(
        name="rank_correlation",
        title="depth order kept",
        group="depth",
        direction="higher",
        best=1.0,
        range=(-1.0, 1.0),
        function=rank_correlation,
        reference="Spearman, Am. J. Psychol. 15, 72 (1904)",
        undefined="fewer than two depths to put in order",
    ),
    Metric(
        name="bumpiness_mm",
        title="bumpiness",
        group="depth",
        unit="mm/px^2",
        direction="lower",
        best=0.0,
        range=(0.0, math.inf),
        function=bumpiness_mm,
        reference="after Honauer et al., ACCV 2016",
        undefined="no 3 x 3 neighbourhood has depth here",
    ),
    _share_metric(
        "edge_fattening",
        "edges fattened",
        edge_fattening,
        "after Honauer et al., ACCV 2016",
        "no depth step here",
    ),
    _share_metric(
        "edge_thinning",
        "edges thinned",
        edge_thinning,
        "after Honauer et al., ACCV 2016",
        "no depth step here",
    ),
)
