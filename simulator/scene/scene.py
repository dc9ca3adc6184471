"""A scene as data: surfaces listed from far to near, as a TOML file says them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator
from pydantic.dataclasses import dataclass

from ...ground.toml import parse_toml
from ..data import DataFileError, shown_value, validate
from ..family.family import change_since
from ..family.scene_text import content_checksum
from ..own_files import beside, named_by
from ..rig import STRICT
from .gloss import Gloss
from .mesh.own_mesh import OwnMesh
from .relief.reliefs import FlatRelief, Relief
from .texture.palette import Colour
from .texture.textures import Texture
from .texture.transmittance import Transmittance

Vec2 = tuple[float, float]
Vec3 = tuple[float, float, float]
Region = Literal["plain", "fibres"]
SceneKind = Literal[
    "smooth", "overlapping", "hairs", "glossy", "translucent", "repeating", "weak-texture"
]


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Outline:
    """Where a sheet has substance, in its own x and y.

    Parameters
    ----------
    kind : {"everywhere", "rectangle", "ellipse", "blade", "spiral", "polygon"}
        ``everywhere`` has no edge; a ``blade`` is a pointed oval (two arcs of a circle), as a
        leaf; a ``spiral`` is the outside of a snail shell, its mouth on the left.
    size_mm : (width, height)
        Full size of a rectangle, an ellipse or a blade (longer along x).
    radius_mm, growth : float
        Of a spiral: its radius on the right, and the ratio of radii one turn apart.
    points_mm : tuple of (x, y)
        Corners of a polygon, in order.
    """

    kind: Literal["everywhere", "rectangle", "ellipse", "blade", "spiral", "polygon"] = "everywhere"
    size_mm: tuple[Annotated[float, Field(gt=0)], Annotated[float, Field(gt=0)]] | None = None
    radius_mm: float | None = Field(default=None, gt=0)
    growth: float = Field(default=1.7, gt=1.1, le=4)
    points_mm: tuple[Vec2, ...] = ()

    @model_validator(mode="after")
    def _complete(self) -> Outline:
        if self.kind in ("rectangle", "ellipse", "blade") and self.size_mm is None:
            raise ValueError(f"size_mm: got none, allowed [width, height]: a {self.kind} needs it")
        if self.kind == "spiral" and self.radius_mm is None:
            raise ValueError("radius_mm: got none, allowed a length: a spiral needs it")
        if self.kind == "polygon" and len(self.points_mm) < 3:
            raise ValueError(
                f"points_mm: got {len(self.points_mm)}, allowed 3 or more: a polygon needs them"
            )
        return self


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Sheet:
    """A surface seen from one side: a plane, or a relief that rises from a plane.

    Parameters
    ----------
    kind : {"sheet"}
        May be left out.
    name : str
        Unique in the scene.
    centre_mm : (x, y, z)
        Origin of the sheet's own x and y, and the z of height 0.
    rotate_deg : float
        Turns the sheet's own axes in the picture, clockwise.
    outline : Outline
        Where it has substance.
    relief : Relief
        Height toward the camera over the sheet's own x and y.
    texture : Texture
        Colour over the sheet's own x and y.
    transmittance : Texture or None
        Share of the light from behind that comes through, 0 to 1 per channel, over the sheet's own
        x and y: one number, a colour, or a texture. The sheet's own colour is added whole, so a
        clear one wants to be dark. A texture of the same kind, keys and sheet as the colour's draws
        the same cells and veins. None: it hides all that is behind it.
    lit : bool
        Whether the scene's light shades the relief; targets are not shaded.
    gloss : Gloss or None
        How it mirrors the flash on the camera, which the scene's lighting then has to have.
    living : bool
        Whether it moves with the subject.
    seed : int
        Added to the scene's seed for this sheet.
    """

    kind: Literal["sheet"] = "sheet"
    name: str
    centre_mm: Vec3 = (0.0, 0.0, 0.0)
    rotate_deg: float = 0.0
    outline: Outline = Outline()
    relief: Relief = FlatRelief()
    texture: Texture
    transmittance: Transmittance | None = None
    lit: bool = True
    gloss: Gloss | None = None
    living: bool = True
    seed: int = Field(default=0, ge=0)


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Fibres:
    """A bundle of thin tapered fibres that stand on a sheet or in the air.

    Parameters
    ----------
    kind : {"fibres"}
    name : str
        Unique in the scene.
    on : str or None
        Name of the sheet the roots stand on; None puts the roots at ``centre_mm``'s z.
    count : int
        Number of fibres.
    centre_mm, spread_mm : (x, y, z), (width, height)
        Roots lie in this ellipse; z counts only where ``on`` is None.
    length_mm : (shortest, longest)
        Along a fibre.
    radius_um : (root, tip)
        Fibres taper evenly.
    lean_deg : (least, most)
        Angle between a fibre's root and the direction that ``upright`` says.
    upright : {"camera", "surface"}
        A lean of 0 points to the camera, or straight out of the sheet ``on``.
    heading_deg : (from, to)
        Direction of the lean in the picture, 0 = right, 90 = down.
    curl : float
        How far a fibre bends over its length, as a share of a right angle.
    root_colour, tip_colour : colour
        "#rrggbb" (sRGB) or three linear factors, as everywhere in a scene.
    drop_um : (smallest, largest) or None
        Radius of the droplet at each tip.
    drop_colour : colour
        Of the droplets.
    highlight : float
        Radiance of the light's reflection in a droplet, 1 = saturation.
    paths_mm : tuple of paths
        Explicit centre lines, each a tuple of points; then ``count``, ``on``, ``spread_mm``,
        ``length_mm``, ``lean_deg`` and ``curl`` are not used.
    living : bool
        Whether it moves with the subject.
    seed : int
        Added to the scene's seed for this bundle.
    """

    kind: Literal["fibres"]
    name: str
    on: str | None = None
    count: int = Field(default=1, ge=1, le=5000)
    centre_mm: Vec3 = (0.0, 0.0, 0.0)
    spread_mm: Vec2 = (1.0, 1.0)
    length_mm: Vec2 = (0.5, 1.0)
    radius_um: Vec2 = (12.0, 4.0)
    lean_deg: Vec2 = (0.0, 60.0)
    upright: Literal["camera", "surface"] = "camera"
    heading_deg: Vec2 = (0.0, 360.0)
    curl: float = 0.3
    root_colour: Colour = (0.5, 0.5, 0.4)
    tip_colour: Colour = (0.7, 0.7, 0.6)
    drop_um: Vec2 | None = None
    drop_colour: Colour = (0.6, 0.2, 0.15)
    highlight: float = Field(default=8.0, ge=0)
    paths_mm: tuple[tuple[Vec3, ...], ...] = ()
    living: bool = True
    seed: int = Field(default=0, ge=0)


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Balls:
    """Spheres and droplets at stated places.

    Parameters
    ----------
    kind : {"balls"}
    name : str
        Unique in the scene.
    at_mm : tuple of (x, y, z)
        Centres.
    radius_mm : tuple of float
        One radius for each centre, or one for all.
    colour : colour
        Of all of them.
    highlight : float
        Radiance of the light's reflection, 1 = saturation; 0 for a dull ball.
    clear : float
        0 for an opaque ball lit from outside, 1 for a clear drop that gathers the light at its
        far side; painted, it shows nothing of what is behind.
    refractive_index : float or None
        Of what it is made of (water 1.33, glass 1.5): then it shows the sheets behind it, small
        and upside down, at the depth where a ball lens has their image, and ``colour`` and
        ``clear`` do not count. None: it is painted.
    tint : colour
        Share of the light that comes through the middle of a ball with a refractive index, each
        factor 0 to 1; through less of it there comes more.
    gloss : Gloss or None
        How it mirrors the flash on the camera, which the scene's lighting then has to have; the
        ``highlight`` is not painted.
    living : bool
        Whether they move with the subject.
    """

    kind: Literal["balls"]
    name: str
    at_mm: tuple[Vec3, ...] = Field(min_length=1)
    radius_mm: tuple[Annotated[float, Field(gt=0)], ...] = Field(min_length=1)
    colour: Colour = (0.6, 0.6, 0.6)
    highlight: float = Field(default=8.0, ge=0)
    clear: float = Field(default=1.0, ge=0, le=1)
    refractive_index: float | None = Field(default=None, ge=1.05, le=4)
    tint: Colour = (1.0, 1.0, 1.0)
    gloss: Gloss | None = None
    living: bool = True

    @model_validator(mode="after")
    def _matched(self) -> Balls:
        if len(self.radius_mm) not in (1, len(self.at_mm)):
            raise ValueError(
                f"radius_mm: got {len(self.radius_mm)} values, allowed 1 or {len(self.at_mm)}"
            )
        if max(self.tint) > 1:
            raise ValueError(f"tint: got {max(self.tint):g}, allowed 0 to 1 for each channel")
        return self


Surface = Annotated[Sheet | Fibres | Balls | OwnMesh, Field(discriminator="kind")]


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class CameraFlash:
    """A flash that rides on the camera, turned to what the nominal camera has in focus.

    Its light falls off with the square of the distance, comes from another side at each point,
    and moves with the camera as the hands do. A surface that faces the nominal camera, in focus
    on its axis, is as bright as in any other lighting. The flash casts no shadows. How much light
    it gives in a frame is told by the light's own ``flash``, whose ``distance_mm`` does not count
    here: the fall-off is worked out point by point.

    Parameters
    ----------
    at_mm : (x, y, z)
        Middle of its diffuser in the camera's own axes, from the entrance pupil: x to the right
        in the picture, y down, z toward the subject. It has to be before the plane of focus.
    size_mm : float
        Diameter of a disc, or side of a square.
    shape : {"disc", "square"}
        Of the diffuser, which sends out the same light on all of its front.
    """

    at_mm: Vec3
    size_mm: float = Field(default=20.0, gt=0)
    shape: Literal["disc", "square"] = "disc"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Lighting:
    """The light that shades the scene; its level over time is another matter (``Light``).

    Parameters
    ----------
    toward : (x, y, z)
        Direction from the subject to the light; z < 0 is on the camera's side. It does not count
        where there is a ``flash``.
    ambient : float
        Share of the light that comes from all round, 0 to 1.
    flash : CameraFlash or None
        A flash on the camera as the light that is not ambient; None is a light far away that
        stays where it is.
    gain : float
        Factor on all light that the scene gives: of surfaces, lit or not, of what they mirror, and
        of the backdrop. A family with a ``meter`` chooses it.
    """

    toward: Vec3 = (-0.5, -0.7, -0.8)
    ambient: float = Field(default=0.35, ge=0, le=1)
    flash: CameraFlash | None = None
    gain: float = Field(default=1.0, gt=0, le=1000)


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Drawn:
    """Where a scene comes from that was drawn from a family; the draw writes it.

    Parameters
    ----------
    family : str
        Name of the family.
    seed : int
        Of the draw.
    family_sha256, scene_sha256 : str
        Checksums of the family's file and of what the draw said.
    edited : bool
        Whether the scene says something else by now; loading finds it out.
    """

    family: str
    seed: int = Field(ge=0)
    family_sha256: str = Field(pattern="^[0-9a-f]{64}$")
    scene_sha256: str = Field(pattern="^[0-9a-f]{64}$")
    edited: bool = False

    def __str__(self) -> str:
        """Return the origin in one line, with what has changed since."""
        told = [f"drawn from the family {self.family} with seed {self.seed}"]
        told += ["edited since"] if self.edited else []
        told += [one for one in [change_since(self.family, self.family_sha256)] if one]
        return "; ".join(told)


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class SceneWindow:
    """A part of a scene with much depth, for crops at real pixels.

    Parameters
    ----------
    at_mm : (x, y)
        Its middle in the plane z = 0, as the nominal camera sees it.
    wide : float
        How many times wider than a crop is asked for, and as much lower: even slopes have depth
        only over a long way.
    f_number : float or None
        That it is shot with, where the rig's own leaves too little depth to show.
    """

    at_mm: Vec2
    wide: float = Field(default=1.0, ge=0.25, le=4)
    f_number: float | None = Field(default=None, gt=0)


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Scene:
    """A scene: what it shows, its size, and its surfaces from far to near.

    Parameters
    ----------
    name, title, about : str
        For people and tables; the name is the file's if left out.
    rig : str
        Name of the rig it is made for.
    field_mm : (width, height)
        Field it is made to fill.
    depth_mm : (nearest, farthest)
        z range that a photographer would want sharp.
    backdrop : colour
        Radiance where no surface is hit.
    lighting : Lighting
        What shades the surfaces.
    seed : int
        Seed of all its random detail.
    drawn : Drawn or None
        What it was drawn from, if it was.
    kinds : tuple of str
        What makes it hard to merge, for tables by kind of scene; changes no pixel.
    windows : tuple of SceneWindow
        Parts with much depth, where a suite lays its crops; changes no pixel.
    surface : tuple of Sheet, Fibres, Balls or OwnMesh
        From far to near: a later one hides an earlier one.
    """

    name: str
    title: str = ""
    about: str = ""
    rig: str = "field-2x"
    field_mm: Vec2
    depth_mm: Vec2
    backdrop: Colour = (0.02, 0.02, 0.02)
    lighting: Lighting = Lighting()
    seed: int = Field(default=0, ge=0)
    drawn: Drawn | None = None
    kinds: tuple[SceneKind, ...] = ()
    windows: tuple[SceneWindow, ...] = ()
    surface: tuple[Surface, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _consistent(self) -> Scene:
        names = [surface.name for surface in self.surface]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"surface names: got twice {', '.join(twice)}, allowed once each")
        sheets = {surface.name for surface in self.surface if isinstance(surface, Sheet)}
        for surface in self.surface:
            if isinstance(surface, Fibres) and surface.on not in (None, *sheets):
                raise ValueError(
                    f"fibres {surface.name!r}: got on = {surface.on!r}, allowed sheets "
                    f"{sorted(sheets)}"
                )
        for surface in self.surface:
            glossy = isinstance(surface, Sheet | Balls) and surface.gloss is not None
            if glossy and self.lighting.flash is None:
                raise ValueError(
                    f"surface {surface.name!r}: got gloss without a flash to mirror, allowed where "
                    "lighting.flash is set"
                )
        if not self.depth_mm[0] < self.depth_mm[1]:
            raise ValueError(f"depth_mm: got {list(self.depth_mm)}, allowed [nearest, farthest]")
        return self


def scene_of_text(text: str, *, where: str | Path, folder: Path | None = None) -> Scene:
    """Return the scene that the text of a scene file means.

    Parameters
    ----------
    text : str
        TOML.
    where : str or Path
        What errors name as its place.
    folder : Path or None
        That files of one's own are beside; None allows whole paths alone.

    Raises
    ------
    simulator.data.DataFileError
        Broken TOML, or a key or value that is not allowed.
    """
    values = parse_toml(text.encode())
    for name in named_by(values) if folder is None else ():
        if not Path(name).is_absolute():
            raise DataFileError(
                f"{where}: got picture {shown_value(name)} in a scene without a folder, allowed a "
                "whole path: pictures of one's own are for scene files"
            )
    return scene_of(values, where, folder)


def scene_of(values: dict[str, Any], where: str | Path, folder: Path | None) -> Scene:
    """Return the scene that the values of a scene file mean.

    Parameters
    ----------
    values : dict
        Plain values, as read.
    where, folder
        As `scene_of_text` takes them.
    """
    surfaces = values.get("surface")
    drawn = values.get("drawn")
    if isinstance(drawn, dict):
        edited = drawn.get("scene_sha256") != content_checksum(values)
        values["drawn"] = {**drawn, "edited": edited}
    if folder is not None:
        values = beside(values, folder)
        surfaces = values.get("surface")
    if isinstance(surfaces, list):
        values["surface"] = [_with_kind(item, where=where) for item in surfaces]
    return validate(Scene, values, where=where)


def _with_kind(item: object, *, where: str | Path) -> object:
    if not isinstance(item, dict):
        raise DataFileError(f"{where}: surface: got {shown_value(item)}, allowed a table")
    return {"kind": "sheet", **item}
