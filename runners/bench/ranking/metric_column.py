"""A column of ``rows.csv`` that methods are ranked by: which way is better, unit, margin."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import pandas as pd

from ....ground.spelling import nearest
from ....metrics.registry import METRICS
from ...judge.columns import PREFIXES
from ...judge.judged_view import SCORED_REGIONS
from .pairs import MARGINS

#: What methods are compared by unless told otherwise: in one view it differs between two methods as
#: their results do, and across views it is what each lost against its own view's limit.
LOST = "merge_loss_db"
TOTAL = "total.psnr_db"
#: Columns that are no metric's own.
_OURS = {
    LOST: ("lower", "dB", "lost in the merge: limit less result"),
    "total.psnr_db_as_given": ("higher", "dB", "PSNR of the result as it came"),
    "residual_px": ("lower", "px", "motion between result and truth"),
    "seconds": ("lower", "s", "wall time of the method"),
    "peak_mb": ("lower", "MB", "peak memory of the method"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class MetricColumn:
    """A column by which one method can be better than another.

    Parameters
    ----------
    name : str
        In ``rows.csv``.
    title, unit : str
    direction : {"higher", "lower", "nearest"}
    best : float
        Where ``nearest`` is better.
    """

    name: str
    title: str
    unit: str
    direction: str
    best: float = 0.0

    @property
    def higher_is_better(self) -> bool:
        """Whether higher values of `values` are better."""
        return self.direction == "higher"

    @property
    def margin(self) -> float | None:
        """Difference that nobody needs to care for, if one is agreed on."""
        return MARGINS.get(self.unit)

    def values(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Return rows with the column as it is compared: the distance where ``nearest`` is best."""
        if self.direction != "nearest":
            return rows
        return rows.assign(**{self.name: (rows[self.name].astype(float) - self.best).abs()})

    def of_region(self, region: str) -> MetricColumn:
        """Return the same metric in one region of the picture."""
        return replace(self, name=f"{self.name}.{region}", title=f"{self.title}, {region}")


def metric_column(asked: str, there: Iterable[str]) -> MetricColumn:
    """Return what is known of a column that methods can be compared by.

    Parameters
    ----------
    asked : str
        Name of the column, or of a metric against the ideal (``ssim`` is ``total.ssim``).
    there : iterable of str
        Columns of the table.

    Raises
    ------
    ValueError
        There is no such column, or no way is better in it.

    Examples
    --------
    >>> metric_column("ssim", ["scene", "total.ssim"]).name
    'total.ssim'
    >>> metric_column("merge_loss_db", ["merge_loss_db"]).higher_is_better
    False
    """
    columns = list(there)
    able = [name for name in columns if _known(name) is not None]
    for name in (asked, f"total.{asked}"):
        found = _known(name) if name in columns else None
        if found is not None:
            return found
    plain = [name for name in able if not name.endswith(tuple(f".{r}" for r in SCORED_REGIONS))]
    raise ValueError(
        f"metric: got {asked!r}{nearest(asked, able)}, allowed {', '.join(plain) or 'none here'}"
    )


def _known(name: str) -> MetricColumn | None:
    base, _, region = name.rpartition(".")
    if region in SCORED_REGIONS:
        whole = _known(base)
        return None if whole is None else whole.of_region(region)
    if name in _OURS:
        direction, unit, title = _OURS[name]
        return MetricColumn(name=name, title=title, unit=unit, direction=direction)
    prefix, _, metric = name.partition(".")
    record = METRICS.get(metric)
    # The limits are the frames', not a method's.
    if record is None or f"{prefix}." not in PREFIXES or prefix in ("capture", "selection"):
        return None
    return MetricColumn(
        name=name,
        title=f"{record.title}, {PREFIXES[f'{prefix}.']}",
        unit=record.unit,
        direction=record.direction,
        best=record.best,
    )
