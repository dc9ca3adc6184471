"""A blind set: a folder of stacks, frames alone, under names that tell nothing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass as checked
from tqdm import tqdm

from ...ground.atomic import write_whole
from ...ground.checksum import sha256
from ...ground.complaints import with_got
from ...ground.frames import FrameFiles
from ...ground.json_text import read_json
from ...ground.pictures import encode_image
from ...simulator.data import DataFileError, validate
from ...simulator.shooting.shoot import Shoot
from ...simulator.shooting.truth import Truth
from ...simulator.stack.frameio import FORMATS, frame_file
from ...simulator.stack.manifest import INFO, pretty_json
from ...simulator.stack.stackwrite import camera_info
from ..bench.grid.cells import StackSpec, stacks_of
from ..request import RequestError, request, whole_folder
from .key import BlindKey

#: What a set says about itself.
INDEX = "blind.json"
README = "README.txt"
_FORMAT = FORMATS["tiff16"]
_TEXT = """A blind set: stacks to merge, without their truth.

stacks/NAME/frames/ holds the frames, stacks/NAME/frames.json what the camera wrote about them.
Hand in a folder with one picture a stack, NAME.tif, NAME.png or NAME.jpg: as high and wide as the
frames, in their encoding, in the view of the frame that frames.json calls "reference" (counted from
0). If you like, add NAME.depth.tif, a depth map of one channel (NaN where depth is not known), and
submission.toml with lines such as
    label = "my method"
    depth_unit = "frame"        (or "mm")
Before you send it: stacktruth blind check THIS_FOLDER YOUR_FOLDER
"""


@checked(frozen=True, config=ConfigDict(extra="forbid"))
class BlindFacts:
    """What is published of one stack.

    Parameters
    ----------
    width_px, height_px : int
    frames : tuple of str
        Checksum of each frame's file.
    reference : int
        The frame in whose view results are wanted.
    """

    width_px: int = Field(ge=1)
    height_px: int = Field(ge=1)
    frames: tuple[str, ...] = Field(min_length=1)
    reference: int = Field(ge=0)


@checked(frozen=True, config=ConfigDict(extra="forbid"))
class BlindIndex:
    """The content of blind.json.

    Parameters
    ----------
    key_sha256 : str
        Checksum of the maker's key.
    stacks : dict of str to BlindFacts
        By their names.
    """

    key_sha256: str
    stacks: dict[str, BlindFacts] = Field(min_length=1)


@dataclass(frozen=True, eq=False)
class BlindStack:
    """A stack of a blind set as its maker knows it.

    Parameters
    ----------
    shoot : Shoot
    folder : Path
        Where its frames lie.
    """

    shoot: Shoot
    folder: Path

    @cached_property
    def info(self) -> Mapping[str, Any]:
        """What the camera wrote, and the reference."""
        return camera_info(self.shoot, _FORMAT)

    @property
    def frames(self) -> FrameFiles:
        """The frames as they were handed out."""
        return FrameFiles([self.folder / frame["file"] for frame in self.info["frames"]])

    @cached_property
    def truth(self) -> Truth:
        """The truth in the view of the reference."""
        return self.shoot.truth(self.info["reference"])


def blind_shoots(key: BlindKey) -> dict[str, tuple[StackSpec, Shoot]]:
    """Return the stacks of a set by their names, each with what it is in the suite.

    Scene and pass are drawn anew by numbers of the key. Stacks of one scene and seed of the suite
    keep sharing theirs, so that conditions can be compared.
    """
    found = {}
    for place, spec in enumerate(stacks_of(key.suite)):
        drawn = (spec.shoot.scene.name, spec.shoot.seed)
        scene = replace(spec.shoot.scene, seed=key.number("scene", *drawn))
        secret = replace(
            spec.shoot, scene=scene, seed=key.number("pass", *drawn), encoding=_FORMAT.encoding
        )
        found[key.name(place)] = spec, secret
    return dict(sorted(found.items()))


def make_blind(key: BlindKey, out: Path, *, progress: bool = False) -> BlindIndex:
    """Write a blind set to a new folder, whole or not at all.

    Parameters
    ----------
    key : BlindKey
    out : Path
    progress : bool
        Whether to draw a progress bar on stderr.

    Raises
    ------
    RequestError
        The folder is there already, or the suite names what there is not.
    """
    with request():
        shoots = blind_shoots(key)
    total = sum(shoot.frames for _, shoot in shoots.values())
    with (
        whole_folder(out) as folder,
        tqdm(total=total, desc="blind", unit="frame", disable=not progress) as bar,
    ):
        stacks = {}
        for name, (_, shoot) in shoots.items():
            stacks[name] = _write_stack(shoot, folder / "stacks" / name, bar)
        index = BlindIndex(key_sha256=key.published, stacks=stacks)
        (folder / README).write_text(_TEXT, encoding="utf-8")
        write_whole(folder / INDEX, pretty_json(asdict(index)).encode())
    return index


def _write_stack(shoot: Shoot, folder: Path, bar: tqdm[Any]) -> BlindFacts:
    info = camera_info(shoot, _FORMAT)
    (folder / "frames").mkdir(parents=True)
    sums = []
    for number in range(shoot.frames):
        data = encode_image(shoot.frame(number).image, _FORMAT.suffix)
        (folder / frame_file(number, _FORMAT)).write_bytes(data)
        sums.append(sha256(data))
        bar.update()
    (folder / INFO).write_text(pretty_json(info), encoding="utf-8")
    return BlindFacts(info["width_px"], info["height_px"], tuple(sums), info["reference"])


def read_index(folder: Path) -> BlindIndex:
    """Return what a blind set says about itself.

    Raises
    ------
    RequestError
        The folder holds no blind set, or a damaged one.
    """
    try:
        held = read_json(folder / INDEX)
        return validate(BlindIndex, held, where=folder / INDEX)
    except DataFileError as error:
        raise RequestError(str(error)) from error
    except (OSError, ValueError) as error:
        told = error.strerror if isinstance(error, OSError) else str(error)
        raise RequestError(
            f"{folder}: no blind set: {INDEX} cannot be read: {with_got(told or '', got='it')}"
        ) from error


def blind_stacks(folder: Path, key: BlindKey) -> Iterator[tuple[str, StackSpec, BlindStack]]:
    """Yield the stacks of a set with what its maker knows.

    Raises
    ------
    RequestError
        The key is not that of the set.
    """
    index = read_index(folder)
    if key.published != index.key_sha256:
        raise RequestError(f"{folder}: this key is not the one that the set was made with")
    shoots = blind_shoots(key)
    if shoots.keys() != index.stacks.keys():
        raise RequestError(f"{folder}: got other stacks than the key and this code make")
    for name, (spec, shoot) in shoots.items():
        yield name, spec, BlindStack(shoot, folder / "stacks" / name)
