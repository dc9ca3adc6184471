"""Figures in which every name is drawn as it is written, whatever is in it.

A plotting library takes what stands between dollar signs for a formula, and the name of a scene or
of a method may hold those.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager

import matplotlib as mpl
from matplotlib import font_manager

#: Families of free fonts that hold many scripts, taken where they are installed.
_MORE_SCRIPTS = (
    "Noto Sans",
    "Noto Sans CJK JP",
    "Noto Sans CJK SC",
    "Noto Sans Arabic",
    "Noto Sans Hebrew",
    "Noto Sans Devanagari",
    "Noto Sans Thai",
    "WenQuanYi Zen Hei",
    "Droid Sans Fallback",
    "FreeSans",
    "Unifont",
)


@contextmanager
def plain_text() -> Iterator[None]:
    """Draw text as it is, in all scripts for which a font is installed; else a box stands for it.

    Holds for figures that are made and saved within. It can also stand over a function.
    """
    installed = {font.name for font in font_manager.fontManager.ttflist}
    families = ["DejaVu Sans", *(name for name in _MORE_SCRIPTS if name in installed)]
    with warnings.catch_warnings(), mpl.rc_context():
        warnings.filterwarnings("ignore", message="Glyph ")
        mpl.rcParams["text.parse_math"] = False
        mpl.rcParams["font.family"] = families
        yield
