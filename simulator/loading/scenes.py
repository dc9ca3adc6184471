"""Loads a scene by its name, from its file, or drawn from a family."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from ..data import DataFileError, find_data_file, load_toml
from ..family.draw import draw, white_of
from ..family.family import Family, draw_asked_for
from ..scene.scene import Scene, scene_of, scene_of_text
from .meter import metered_gain


def load_scene(name_or_path: str | Path) -> Scene:
    """Load a scene by the name of a shipped one, from a TOML file, or drawn from a family.

    Parameters
    ----------
    name_or_path : str or Path
        Name of a shipped scene (``stacktruth list scenes``), the path of a .toml file, or
        ``FAMILY:SEED`` with the name or the path of a family (``stacktruth list families``).

    Raises
    ------
    simulator.data.DataFileError
        Unknown name, broken TOML, or a key or value that is not allowed.

    Examples
    --------
    >>> scene = load_scene("pickets")
    >>> scene.field_mm, scene.depth_mm
    ((11.7, 7.8), (-1.4, 3.0))
    >>> load_scene("coin:7").drawn.seed
    7
    """
    asked = draw_asked_for(name_or_path)
    if asked is not None:
        family, seed = asked
        where, folder = _place(family, seed)
        return scene_of_text(drawn_text(family, seed=seed), where=where, folder=folder)
    path = find_data_file(name_or_path, kind="scene")
    return scene_of({"name": path.stem, **load_toml(path)}, path, path.resolve().parent)


def drawn_text(family: Family, *, seed: int) -> str:
    """Return the text of a scene file, its light metered where the family has a meter.

    Parameters
    ----------
    family : Family
    seed : int
        0 to 2**64 - 1.

    Raises
    ------
    simulator.data.DataFileError
        What cannot be drawn, is no scene, or has no light that a meter could use.
    """
    white = white_of(family, seed=seed)
    plain = draw(family, seed=seed)
    if white is None:
        return plain
    where, folder = _place(family, seed)
    return draw(family, seed=seed, gain=_gain_of(plain, white, where, folder))


def _place(family: Family, seed: int) -> tuple[str, Path]:
    """Return what errors name as a draw's place, and the folder that its files are beside."""
    return f"{family.path}:{seed}", Path(family.path).resolve().parent


@lru_cache(maxsize=1024)
def _gain_of(text: str, white: float, where: str, folder: Path) -> float:
    """Return the metered gain of a draw, whose text holds its family's checksum and its seed.

    A draw is asked for many times by a benchmark, and metering takes longer than all the rest.
    """
    scene = scene_of_text(text, where=where, folder=folder)
    try:
        return metered_gain(scene, white=white)
    except ValueError as error:
        raise DataFileError(f"{where}: meter: {error}") from error
