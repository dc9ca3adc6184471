"""Which split a scene belongs to: told by the scene alone, so it is the same in every data set."""

from __future__ import annotations

from typing import Literal

from ...simulator.scene.scene import Scene
from ...simulator.streams import share

Split = Literal["train", "validation", "test"]
SPLITS: tuple[Split, ...] = ("train", "validation", "test")
#: Of so many successive seeds of a family, one is for validation and one for test.
_OF = 10


def split_of(scene: Scene) -> Split:
    """Return the split of a scene: of a draw by family and seed, of a fixed one by its name.

    Nothing else counts: not the number of stacks, not the other scenes, not the pass. A draw that
    was edited since stays where it was.

    Parameters
    ----------
    scene : Scene
    """
    if scene.drawn is None:
        return _at(int(share(0, scene.name, "split") * _OF))
    return split_of_draw(scene.drawn.family, scene.drawn.seed)


def split_of_draw(family: str, seed: int) -> Split:
    """Return the split of a draw.

    Parameters
    ----------
    family : str
        Its name.
    seed : int
        Of the scene.

    Examples
    --------
    >>> [split_of_draw("leaf", seed) for seed in range(10)].count("train")
    8
    """
    block, place = divmod(seed, _OF)
    shuffled = sorted(range(_OF), key=lambda one: share(block, family, f"split {one}"))
    return _at(shuffled.index(place))


def _at(place: int) -> Split:
    """Return the split of a place from 0 to 9 in shuffled order."""
    return {0: "validation", 1: "test"}.get(place, "train")  # type: ignore[return-value]
