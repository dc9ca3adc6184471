"""Scores as a printed table."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

#: Main columns with the headings of a printed table; a file holds all columns.
MAIN_COLUMNS = {
    "method": "method",
    "status": "status",
    "capture.psnr_db": "capture limit dB",
    "selection.psnr_db": "selection limit dB",
    "total.psnr_db": "result dB",
    "merge_loss_db": "lost in the merge dB",
    "view": "view",
    "total.ssim": "SSIM",
    "total.ciede2000_mean": "colour dE",
    "gain_stops": "gain stops",
    "depth.depth_rmse_mm": "depth error mm",
    "depth.coverage": "depth share",
}


def as_text(rows: pd.DataFrame, columns: dict[str, str], *, digits: int) -> str:
    """Return columns under their headings as text.

    Parameters
    ----------
    rows : DataFrame
    columns : dict of str to str
        Heading of each; those without any value are left out.
    digits : int
        After the point; a number that is not there is a dash.
    """
    there = {
        name: heading
        for name, heading in columns.items()
        if name in rows and rows[name].notna().any()
    }
    return (
        rows[list(there)]
        .rename(columns=there)
        .to_string(index=False, float_format=f"{{:.{digits}f}}".format, na_rep="-")
    )
