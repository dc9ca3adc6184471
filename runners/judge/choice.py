"""The best that choosing among pictures can give, chosen by the truth in a small window."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import ndimage

from ...ground.types import Bools, Floats, Labels

#: Window in which is chosen, px.
WINDOW_PX = 1.0
#: A picture (rows, cols, 3), sRGB-encoded, and where it shows the view, (rows, cols).
Version = tuple[Floats, Bools]


@dataclass(frozen=True, eq=False)
class Candidate:
    """A picture that can be chosen from, beside the ideal.

    Parameters
    ----------
    picture, ideal : array (rows, cols, 3)
        sRGB-encoded 0..1.
    shown : array (rows, cols) of bool
        Where the picture shows the view.
    """

    picture: Floats
    ideal: Floats
    shown: Bools

    @cached_property
    def off(self) -> Floats:
        """Difference from the ideal; 0 where the view is not shown."""
        return np.where(self.shown[..., None], self.picture - self.ideal, np.float32(0))

    @cached_property
    def square(self) -> Floats:
        """Mean square error of each pixel."""
        return np.asarray(np.square(self.off).mean(axis=2))

    @cached_property
    def error(self) -> Floats:
        """Mean square error about each pixel over what is shown; infinite elsewhere."""
        return windowed(self.square, self.shown)


class BestChoice:
    """A picture put together from candidates: at each pixel the one that errs least about it.

    Parameters
    ----------
    ideal : array (rows, cols, 3)
        sRGB-encoded 0..1; what stands where no candidate shows anything.

    Attributes
    ----------
    picture : array (rows, cols, 3)
    frame : array (rows, cols) of int16
        The number of what was taken, of two the one that counts more; -1 where nothing was.
    kept : array (rows, cols) of float32
        Share of one picture's noise power that is left: below 1 where two are mixed.
    """

    def __init__(self, ideal: Floats) -> None:
        self.ideal = ideal
        self.picture = ideal.copy()
        self.frame: Labels = np.full(ideal.shape[:2], -1, np.int16)
        self.kept: Floats = np.ones(ideal.shape[:2], np.float32)
        self._least: Floats = np.full(ideal.shape[:2], np.inf, np.float32)

    def offer(self, number: int, one: Candidate) -> None:
        """Take a candidate wherever it errs less than what was taken so far."""
        nearer = one.error < self._least
        # Taken in most places, a whole picture is copied faster than its pixels are picked.
        np.copyto(self._least, one.error, where=nearer)
        np.copyto(self.picture, one.picture, where=nearer[..., None])
        np.copyto(self.kept, 1, where=nearer)
        np.copyto(self.frame, number, where=nearer)

    def offer_mix(self, numbers: tuple[int, int], pair: tuple[Candidate, Candidate]) -> None:
        """Take a mix of two candidates wherever it errs less, in the best shares about a pixel.

        With mean squares A, B of their errors and the mean C of the product, the mix of w of the
        first errs by w^2 A + 2 w (1 - w) C + (1 - w)^2 B: least for w = (B - C) / (A + B - 2 C).
        """
        first, second = pair
        a, b = first.error, second.error
        c = windowed((first.off * second.off).mean(axis=2), first.shown & second.shown)
        with np.errstate(invalid="ignore", divide="ignore"):
            share = (b - c) / (a + b - 2 * c)
            error = share**2 * a + 2 * share * (1 - share) * c + (1 - share) ** 2 * b
            nearer = (share > 0) & (share < 1) & (error < self._least)
        one, rest = share[nearer], 1 - share[nearer]
        picture = one[:, None] * first.picture[nearer] + rest[:, None] * second.picture[nearer]
        self._least[nearer] = error[nearer]
        self.picture[nearer] = picture
        self.kept[nearer] = one**2 + rest**2
        self.frame[nearer] = np.where(one > 0.5, *numbers)


def windowed(square: Floats, shown: Bools) -> Floats:
    """Return the mean of a map about each pixel over what is shown; infinite elsewhere.

    Parameters
    ----------
    square : array (rows, cols)
        0 where nothing is shown.
    shown : array (rows, cols) of bool
    """
    mean = ndimage.gaussian_filter(square, WINDOW_PX)
    if shown.all():
        return mean
    weight = ndimage.gaussian_filter(shown.astype(np.float32), WINDOW_PX)
    return np.where(shown, mean / np.maximum(weight, np.float32(1e-6)), np.float32(np.inf))


def best_choice(ideal: Floats, frames: Iterable[tuple[int, Sequence[Version]]]) -> BestChoice:
    """Choose each pixel from the frame, or from the mix of two neighbours, that errs least there.

    Parameters
    ----------
    ideal : array (rows, cols, 3)
        sRGB-encoded 0..1.
    frames : iterable of (int, sequence of Version)
        In order of depth, each with its number and as many versions of it as the others: the same
        version of two that follow each other is mixed.
    """
    choice = BestChoice(ideal)
    before: tuple[int, list[Candidate]] | None = None
    for number, versions in frames:
        now = [Candidate(picture, ideal, shown) for picture, shown in versions]
        for one in now:
            choice.offer(number, one)
        if before is not None:
            for pair in zip(before[1], now, strict=True):
                choice.offer_mix((before[0], number), pair)
        before = number, now
    return choice
