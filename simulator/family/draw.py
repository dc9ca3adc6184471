"""Draws a scene of a family: each number is that of its own name, made of seed and key."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from ..data import DataFileError, shown_value
from ..streams import share
from .expressions import ExpressionError, parsed, value_of
from .family import Family, checked_seed
from .forms import PLACE, form_of, index_of
from .scene_text import as_read, content_checksum, scene_text, written
from .shades import shaded

#: Copies in one scene, all repeats together.
_MOST_COPIES = 20_000
_SEEDS = 2**32
#: What a meter may aim at: white itself says nothing of how much light there is.
WHITE = (0.05, 0.99)


def draw(family: Family, *, seed: int, gain: float | None = None) -> str:
    """Return the text of a scene file: the same bytes for the same family and seed.

    Each number comes from a stream named by family, seed and key, so a change of one key of a
    family changes no other draw, and no version of a library changes any.

    Parameters
    ----------
    family : Family
    seed : int
        0 to 2**64 - 1.
    gain : float or None
        Of the light, as a meter found it; None says nothing of it.

    Raises
    ------
    simulator.data.DataFileError
        An expression that cannot be worked out, or bounds that are none.

    Examples
    --------
    >>> from stacktruth.simulator.family.family import load_family
    >>> print(draw(load_family("leaf"), seed=7).splitlines()[0])
    # Drawn from the family leaf with seed 7.
    """
    seed = checked_seed(seed, where=str(family.path))
    drawing = _Drawing(family, seed)
    names = drawing.names()
    scene = {
        "name": f"{family.name}-{seed}",
        "title": family.title,
        "seed": int(drawing.share("scene.seed") * _SEEDS),
        **drawing.value(family.scene, "scene", names),
    }
    if gain is not None:
        scene["lighting"] = {**scene.get("lighting", {}), "gain": gain}
    surfaces = scene.get("surface", [])
    if not (isinstance(surfaces, list) and all(isinstance(one, dict) for one in surfaces)):
        where = f"{family.path}: scene.surface (seed {seed})"
        raise DataFileError(f"{where}: got {shown_value(surfaces)}, allowed a list of tables")
    drawn = {
        "family": family.name,
        "seed": seed,
        "family_sha256": family.checksum,
        "scene_sha256": content_checksum(as_read(scene)),
    }
    heading = f"Drawn from the family {family.name} with seed {seed}."
    return scene_text({**scene, "drawn": drawn}, heading=heading)


def white_of(family: Family, *, seed: int) -> float | None:
    """Return what a draw's meter is to aim at, as a share of white; None: it has no meter.

    Raises
    ------
    simulator.data.DataFileError
        The family's meter aims at no share of white.
    """
    if not family.meter:
        return None
    drawing = _Drawing(family, checked_seed(seed, where=str(family.path)))
    white = drawing.value(family.meter["white"], "meter.white", drawing.names())
    low, high = WHITE
    if isinstance(white, bool) or not isinstance(white, int | float) or not low <= white <= high:
        raise DataFileError(
            f"{family.path}: meter.white (seed {seed}): got {shown_value(white)}, allowed {low:g} "
            f"to {high:g}, a share of white"
        )
    return float(white)


class _Drawing:
    """One draw: turns forms and expressions into values."""

    def __init__(self, family: Family, seed: int) -> None:
        self._family, self._seed = family, seed
        self._copies = 0

    def names(self) -> dict[str, Any]:
        """Return the values that are drawn first, by their names."""
        names: dict[str, Any] = {}
        for name, node in self._family.draw.items():
            names[name] = self.value(node, f"draw.{name}", names)
        return names

    def value(self, node: Any, place: str, names: Mapping[str, Any]) -> Any:
        """Return the plain value of a part of the family."""
        if isinstance(node, str):
            return self._text(node, place, names)
        if isinstance(node, list):
            return self._list(node, place, names)
        if not isinstance(node, dict):
            return node
        word = form_of(node, where=self._where(place))
        if word is None:
            return {key: self.value(one, f"{place}.{key}", names) for key, one in node.items()}
        try:
            return getattr(self, f"_{word}")(node, place, names)
        except DataFileError:
            raise
        except (ValueError, ArithmeticError) as error:  # an expression's, or a number like inf
            raise DataFileError(f"{self._where(place)}: {error}") from error

    def _where(self, place: str) -> str:
        return f"{self._family.path}: {place} (seed {self._seed})"

    def share(self, place: str) -> float:
        """Return the number, 0 to below 1, that stands at a place of this draw."""
        return share(self._seed, f"family {self._family.name}", place)

    def _text(self, text: str, place: str, names: Mapping[str, Any]) -> Any:
        if not text.startswith("="):
            return PLACE.sub(lambda found: _said(names[found[1]]), text)
        try:
            return value_of(parsed(text[1:]), names)
        except ExpressionError as error:
            raise DataFileError(f"{self._where(place)}: {error}") from error

    def _list(self, parts: list[Any], place: str, names: Mapping[str, Any]) -> list[Any]:
        out: list[Any] = []
        for number, part in enumerate(parts):
            at = f"{place}.{_label(part, number)}"
            made = self.value(part, at, names)
            if isinstance(part, dict) and "repeat" in part:
                out.extend(made)
            else:
                out.append(made)
        return out

    def _bounds(self, node: Any, place: str, names: Mapping[str, Any]) -> tuple[float, float]:
        got = self.value(node, place, names)
        if isinstance(got, list) and len(got) == 2:
            low, high = (self._number(one, place) for one in got)
            if low <= high:
                return low, high
        raise ExpressionError(f"got {shown_value(got)}, allowed [least, most]")

    def _number(self, value: Any, place: str) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ExpressionError(f"got {shown_value(value)}, allowed a number")
        return value

    def _uniform(self, node: dict[str, Any], place: str, names: Mapping[str, Any]) -> float:
        low, high = self._bounds(node["uniform"], place, names)
        return low + (high - low) * self.share(place)

    def _log_uniform(self, node: dict[str, Any], place: str, names: Mapping[str, Any]) -> float:
        low, high = self._bounds(node["log_uniform"], place, names)
        if low <= 0:
            raise ExpressionError(f"log_uniform: got {low:g}, allowed numbers > 0")
        return low * math.exp(math.log(high / low) * self.share(place))

    def _whole(self, node: dict[str, Any], place: str, names: Mapping[str, Any]) -> int:
        low, high = self._bounds(node["whole"], place, names)
        if low != round(low) or high != round(high):
            raise ExpressionError(f"whole: got [{low:g}, {high:g}], allowed whole numbers")
        return int(low) + int(self.share(place) * (int(high) - int(low) + 1))

    def _choice(self, node: dict[str, Any], place: str, names: Mapping[str, Any]) -> Any:
        options = node["choice"]
        if isinstance(options, str):
            options = self.value(options, place, names)
        if not isinstance(options, list) or not options:
            raise ExpressionError(f"choice: got {shown_value(options)}, allowed a list of values")
        weights = self.value(node.get("weights", [1] * len(options)), place, names)
        if not (isinstance(weights, list) and len(weights) == len(options)):
            raise ExpressionError(
                f"weights: got {shown_value(weights)}, allowed {len(options)} of them"
            )
        sizes = [self._number(one, place) for one in weights]
        if min(sizes) < 0 or sum(sizes) <= 0:
            raise ExpressionError(f"weights: got {shown_value(weights)}, allowed from 0, not all 0")
        at, chosen = self.share(place) * sum(sizes), 0
        while chosen < len(sizes) - 1 and at >= sizes[chosen]:
            at -= sizes[chosen]
            chosen += 1
        return self.value(options[chosen], f"{place}.{chosen}", names)

    def _shade(self, node: dict[str, Any], place: str, names: Mapping[str, Any]) -> Any:
        colours = self.value(node["shade"], place, names)
        how = {"light": 1.0, "chroma": 1.0, "hue_deg": 0.0}
        for key in how:
            if key in node:
                got = self.value(node[key], f"{place}.{key}", names)
                how[key] = self._number(got, place)
        try:
            if isinstance(colours, list):
                return [shaded(str(one), **how) for one in colours]
            return shaded(str(colours), **how)
        except ValueError as error:
            raise ExpressionError(f"shade: {error}") from error

    def _repeat(self, node: dict[str, Any], place: str, names: Mapping[str, Any]) -> list[Any]:
        count = self._number(self.value(node["repeat"], f"{place}.repeat", names), place)
        if not 0 <= count <= _MOST_COPIES or count != round(count):
            raise ExpressionError(
                f"repeat: got {count:g}, allowed a whole number from 0 to {_MOST_COPIES}"
            )
        self._copies += int(count)
        if self._copies > _MOST_COPIES:
            raise ExpressionError(f"got {self._copies} copies in all, allowed {_MOST_COPIES}")
        index = index_of(node, where=self._where(place))
        out: list[Any] = []
        for i in range(int(count)):
            out += self._copy(node, f"{place}[{i}]", {**names, index: i})
        return out

    def _copy(self, node: dict[str, Any], place: str, names: dict[str, Any]) -> list[Any]:
        for name, part in node.get("draw", {}).items():
            names[name] = self.value(part, f"{place}.{name}", names)
        return self._list(node["items"] if "items" in node else [node["item"]], place, names)


def _said(value: Any) -> str:
    """Return a value as a text holds it."""
    return value if isinstance(value, str) else written(value)


def _label(part: Any, number: int) -> str:
    """Return what a part of a list is called in the names of streams: its name, else its number."""
    within = part.get("item", part) if isinstance(part, dict) else part
    name = within.get("name") if isinstance(within, dict) else None
    return name if isinstance(name, str) else str(number)
