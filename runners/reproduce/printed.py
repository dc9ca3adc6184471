"""Metrics of a merge of two frames as printed, and how published scores follow the truth.

Those that `metrics.fusion` has not; without bells: luma in grey levels 0 to 255.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import combinations

import numpy as np
import numpy.typing as npt
from scipy import fft

from ...ground.types import Bools, Doubles, Floats
from ...metrics.focus.filters import sobel
from ...metrics.fusion import edges, information, perception, phase, structure
from ...metrics.fusion.sources import Sources

#: Mean of Kendall's tau with PSNR over 710 real pairs of frames, 30 merges of each: worked out from
#: the scores stored with doi 10.1109/TPAMI.2024.3367905 (pairs: arXiv 2003.12779). 95 % intervals
#: are +-0.01 to 0.02. Two of its metrics are not here: VIF for fusion (0.34) and feature mutual
#: information (0.11).
PUBLISHED: dict[str, float] = {
    "Q_W": 0.43, "sum of correlations": 0.38, "Q_CV": 0.36, "edge intensity": 0.31,
    "spatial frequency": 0.28, "Q^AB/F": 0.28, "average gradient": 0.27,
    "standard deviation": 0.27, "Q_C": 0.20, "entropy": 0.14, "Q_P": 0.12, "Q_Y": 0.09,
    "Q_CB": 0.09, "Q_NCIE": -0.09, "mutual information": -0.09, "Q_TE": -0.16,
}  # fmt: skip
_LEVELS = 256
_TSALLIS = 1.85
_BLOCK = 16
_SALIENCY_POWER = 5.0

Metric = Callable[[Sources], float]


def _inside(plane: npt.NDArray, mask: Bools) -> npt.NDArray:
    """Return the rectangle that a mask leaves."""
    rows, cols = (np.flatnonzero(mask.any(axis=axis)) for axis in (1, 0))
    return plane[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]


def _fused(sources: Sources) -> Doubles:
    return 255.0 * _inside(sources.fused, sources.mask).astype(np.float64)


def _frames(sources: Sources) -> list[Doubles]:
    return [255.0 * _inside(frame, sources.mask).astype(np.float64) for frame in sources.frames()]


def standard_deviation(sources: Sources) -> float:
    """Return the standard deviation of the merge."""
    return float(_fused(sources).std())


def entropy(sources: Sources) -> float:
    """Shannon entropy of the merge's histogram, bits."""
    return _entropy(np.bincount(_codes(_fused(sources)).ravel()))


def spatial_frequency(sources: Sources) -> float:
    """Root of the mean squares of the differences to the left and up (Eskicioglu, Fisher 1995)."""
    fused = _fused(sources)
    return float(np.sqrt(np.mean(np.diff(fused, axis=0) ** 2) + np.mean(np.diff(fused) ** 2)))


def average_gradient(sources: Sources) -> float:
    """Mean of sqrt((dx^2 + dy^2) / 2) of the merge (Cui and others 2015)."""
    fused = _fused(sources)
    right, down = np.diff(fused, axis=1)[:-1], np.diff(fused, axis=0)[:, :-1]
    return float(np.mean(np.sqrt((right**2 + down**2) / 2.0)))


def edge_intensity(sources: Sources) -> float:
    """Mean length of the Sobel gradient of the merge."""
    right, down = sobel(_fused(sources).astype(np.float32))
    return float(np.mean(np.hypot(right, down)))


def correlations_of_differences(sources: Sources) -> float:
    """Sum of the correlations of frames with what the merge adds to the others.

    Aslantas and Bendes, AEU 69, 1890 (2015): r(F - B, A) + r(F - A, B). With more than two frames B
    is the mean of the others.
    """
    fused, frames = _fused(sources), _frames(sources)
    total = np.sum(frames, axis=0)
    others = [(total - frame) / (len(frames) - 1) for frame in frames]
    pairs = zip(frames, others, strict=True)
    return float(sum(_correlation(fused - other, frame) for frame, other in pairs))


def _correlation(first: Doubles, second: Doubles) -> float:
    a, b = first - first.mean(), second - second.mean()
    scale = float(np.sqrt(np.sum(a * a) * np.sum(b * b)))
    return float(np.sum(a * b)) / scale if scale > 0.0 else 0.0


def _codes(grey: Doubles) -> npt.NDArray[np.int64]:
    return np.clip(np.rint(grey), 0, _LEVELS - 1).astype(np.int64)


def _joint(first: Doubles, second: Doubles) -> Doubles:
    joint = np.bincount(
        (_codes(first) * _LEVELS + _codes(second)).ravel(), minlength=_LEVELS**2
    ).reshape(_LEVELS, _LEVELS)
    return joint / joint.sum()


def _entropy(counts: npt.NDArray, base: float = 2.0) -> float:
    share = counts[counts > 0] / counts.sum()
    return float(-np.sum(share * np.log(share)) / np.log(base))


def mutual_information(sources: Sources) -> float:
    """Sum over the frames of the mutual information with the merge, bits (Qu and others 2002)."""
    fused = _fused(sources)
    return sum(_mutual(_joint(frame, fused)) for frame in _frames(sources))


def _mutual(joint: Doubles, base: float = 2.0) -> float:
    sides = _entropy(joint.sum(axis=0), base) + _entropy(joint.sum(axis=1), base)
    return sides - _entropy(joint, base)


def tsallis(sources: Sources) -> float:
    """Sum over the frames of the Tsallis information with the merge, q = 1.85 (Cvejic 2006).

    What it is divided by in some places depends on the frames alone and changes no order.
    """
    fused = _fused(sources)
    return sum(_tsallis_information(_joint(frame, fused)) for frame in _frames(sources))


def _tsallis_information(joint: Doubles) -> float:
    alone = np.outer(joint.sum(axis=1), joint.sum(axis=0))
    seen = joint > 0
    total = np.sum(joint[seen] ** _TSALLIS * alone[seen] ** (1.0 - _TSALLIS))
    return float((1.0 - total) / (1.0 - _TSALLIS))


def nonlinear_correlation(sources: Sources) -> float:
    """Entropy of the nonlinear correlations of frames and merge (Wang, Shen and Zhang 2005)."""
    planes = [*_frames(sources), _fused(sources)]
    table = np.eye(len(planes))
    for a, b in combinations(range(len(planes)), 2):
        table[a, b] = table[b, a] = _mutual(_joint(planes[a], planes[b]), base=_LEVELS)
    share = np.linalg.eigvalsh(table) / len(planes)
    share = share[share > 0]
    return float(1.0 + np.sum(share * np.log(share)) / np.log(_LEVELS))


def perceived_difference(sources: Sources) -> float:
    """Mean squared difference from the frames as the eye sees it; turned, so that more is better.

    Chen and Varshney, Information Fusion 8, 193 (2007): contrast sensitivity of Mannos and
    Sakrison, blocks of 16 px, frames weighed by their edges to the power of 5 in each block.
    """
    fused = _fused(sources)
    differences, weights = [], []
    for frame in _frames(sources):
        differences.append(_block_means(_as_seen(frame - fused) ** 2))
        right, down = sobel(frame.astype(np.float32))
        edge = np.hypot(right, down).astype(np.float64)
        weights.append(_block_means((edge / 255.0) ** _SALIENCY_POWER))
    total = np.sum(weights)
    if total == 0.0:
        return -float(np.mean(differences))
    return -float(np.sum(np.multiply(weights, differences)) / total)


def _as_seen(plane: Doubles) -> Doubles:
    rows, cols = plane.shape
    down = fft.fftfreq(rows)[:, None] * rows / 8.0  # cycles a degree in the publication's view
    across = fft.rfftfreq(cols)[None, :] * cols / 8.0
    radius = np.hypot(down, across)
    seen = 2.6 * (0.0192 + 0.144 * radius) * np.exp(-((0.144 * radius) ** 1.1))
    return fft.irfft2(fft.rfft2(plane) * seen, plane.shape)


def _block_means(plane: Doubles) -> Doubles:
    rows, cols = (n // _BLOCK for n in plane.shape)
    cut = plane[: rows * _BLOCK, : cols * _BLOCK]
    return cut.reshape(rows, _BLOCK, cols, _BLOCK).mean(axis=(1, 3))


def edge_transfer(sources: Sources) -> float:
    """Q^AB/F as printed, orientations from -pi/2 to pi/2."""
    return edges.edge_transfer.compute(sources, half_turn=False)


#: Every metric of the published scores that is here; larger is better in all.
PRINTED: dict[str, Metric] = {
    "Q_W": structure.piella_weighted.compute,
    "sum of correlations": correlations_of_differences,
    "Q_CV": perceived_difference,
    "edge intensity": edge_intensity,
    "spatial frequency": spatial_frequency,
    "Q^AB/F": edge_transfer,
    "average gradient": average_gradient,
    "standard deviation": standard_deviation,
    "Q_C": structure.cvejic.compute,
    "entropy": entropy,
    "Q_P": phase.phase_congruency.compute,
    "Q_Y": structure.yang.compute,
    "Q_CB": perception.chen_blum.compute,
    "Q_NCIE": nonlinear_correlation,
    "mutual information": mutual_information,
    "Q_TE": tsallis,
}
#: The forms that `metrics.fusion` takes by default, where they are not those.
OWN_FORMS: dict[str, Metric] = {
    "Q^AB/F": edges.edge_transfer.compute,
    "mutual information": information.mutual_information.compute,
}


def scores(fused: Floats, frames: Sequence[Floats], mask: Bools) -> dict[str, float]:
    """Score a merge by every metric; own forms are named so.

    Parameters
    ----------
    fused : array (rows, cols)
        Luma 0..1.
    frames : sequence of array (rows, cols)
    mask : array (rows, cols) of bool
        Rectangle to score in.
    """
    sources = Sources(fused, frames, 1.0, mask)
    found = {name: metric(sources) for name, metric in PRINTED.items()}
    return found | {f"{name}, own form": metric(sources) for name, metric in OWN_FORMS.items()}
