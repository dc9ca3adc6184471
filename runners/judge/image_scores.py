"""A result's picture in columns: by metric and region, against the ideal and against the limits."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ... import metrics
from ...ground.types import Bools, Floats
from ...metrics.image.image import score_pair
from ...metrics.image.pair import ImagePair
from ...metrics.image.picture import Picture
from ...metrics.image.regions import EVERYWHERE
from .exposure import exposure_columns
from .judged_view import IMAGE_METRICS, JudgedView
from .limits import above_limits, loss_db

#: Image metrics that are told of the picture as it is exposed: no gain is forgiven.
AS_EXPOSED = ("ciede2000_mean",)


def image_columns(
    encoded: Floats, brought: metrics.Registered, view: JudgedView, judged: Bools
) -> dict[str, Any]:
    """Return the columns of a row that tell of the picture, artefacts left out.

    Parameters
    ----------
    encoded : array (rows, cols, 3)
        The result as it was given, sRGB-encoded 0..1.
    brought : Registered
        The same without its residual motion and the gain that is forgiven.
    view : JudgedView
    judged : array (rows, cols) of bool
        Where it is compared.
    """
    masks = metrics.within(view.masks, judged)
    total, merge = _scores(brought, view, masks)
    return {
        "residual_px": brought.residual_px,
        **exposure_columns(brought.exposure),
        "colour_kept": metrics.colour_kept(
            brought.image, view.ideal, data_range=1.0, mask=masks["valid"]
        ),
        "total.psnr_db_as_given": metrics.psnr_db(
            encoded, view.ideal, data_range=1.0, mask=view.valid
        ),
        **_columns(total, "total"),
        **_columns(merge, "merge"),
        **_limit_columns(total, view, judged),
    }


def _limit_columns(
    total: Mapping[str, Mapping[str, float]], view: JudgedView, judged: Bools
) -> dict[str, Any]:
    """Return the limits, what was lost on the way, and which limits are passed."""
    scores = view.scores_of_limits(judged)
    psnr = {name: scores[name][EVERYWHERE]["psnr_db"] for name in scores}
    margins = view.limits.margins_db(psnr["selection"])
    losses = {
        region: {
            "selection_loss_db": loss_db(
                scores["capture"][region]["psnr_db"], scores["selection"][region]["psnr_db"]
            ),
            "merge_loss_db": loss_db(scores["selection"][region]["psnr_db"], values["psnr_db"]),
        }
        for region, values in total.items()
    }
    return {
        **_columns(scores["capture"], "capture"),
        **_columns(scores["selection"], "selection"),
        **_columns(losses, ""),
        **{f"{name}.margin_db": margin for name, margin in margins.items()},
        "above_limit": above_limits(total[EVERYWHERE]["psnr_db"], psnr, margins),
    }


def _scores(
    brought: metrics.Registered, view: JudgedView, masks: Mapping[str, Bools]
) -> tuple[dict[str, dict[str, float]], ...]:
    """Score a result against the ideal and the achievable picture.

    Its colours as a viewer sees them, all else after the forgiven gain.
    """
    after = [name for name in IMAGE_METRICS if name not in AS_EXPOSED]
    image, seen = Picture(brought.image), Picture(brought.as_exposed)
    found = []
    for wanted in view.pictures:
        scores, colours = (
            score_pair(ImagePair(own, wanted, data_range=1.0), masks=masks, names=names)
            for own, names in ((image, after), (seen, AS_EXPOSED))
        )
        found.append({region: values | colours[region] for region, values in scores.items()})
    return tuple(found)


def _columns(scores: Mapping[str, Mapping[str, float]], prefix: str) -> dict[str, Any]:
    return metrics.wide_row(scores, prefix=f"{prefix}." if prefix else "")
