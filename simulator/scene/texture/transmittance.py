"""How much light a sheet lets through: a texture whose colours are shares, or one share."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from numbers import Real
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator

from .textures import Texture


def _as_texture(value: Any) -> Any:
    """Turn one share, or a colour, into a flat texture; leave the rest alone."""
    if isinstance(value, Real) and not isinstance(value, bool):
        value = [float(value)] * 3
    if isinstance(value, str | list | tuple):
        return {"kind": "flat", "colour": value}
    return value


def _shares(texture: Any) -> Any:
    """Refuse a texture with a colour that is no share."""
    most = max(_factors(texture), default=0.0)
    if most > 1:
        raise ValueError(f"got {most:g}, allowed 0 to 1: no more light comes through than there is")
    return texture


def _factors(value: Any) -> Iterator[float]:
    """Yield every factor of every colour that a texture's description holds."""
    for field in fields(value):
        held = getattr(value, field.name)
        if "colour" in field.name or field.name == "palette":
            yield from _numbers(held)
        elif is_dataclass(held):
            yield from _factors(held)


def _numbers(held: Any) -> Iterator[float]:
    for one in held:
        if isinstance(one, tuple):
            yield from _numbers(one)
        else:
            yield one


# One share, a colour or a texture, read as a texture.
Transmittance = Annotated[Texture, BeforeValidator(_as_texture), AfterValidator(_shares)]
