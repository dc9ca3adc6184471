"""The making of a stack's files in pieces that any process can do.

A frame is drawn tile by tile, each layer of the truth likewise; what is drawn waits in files beside
the stack until the last tile is there, and is then made into the files of the stack. So no process
holds more than one whole frame, or the truth, and that alone while it is finished.
"""

from __future__ import annotations

import os
import pickle
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ...ground.checksum import sha256
from ...ground.pictures import encode_image, encode_map
from ..shooting.shoot import Shoot
from ..shooting.truth import LAYERS, Layer
from ..steps import Step
from .frameio import FrameFormat, frame_file
from .manifest import RECORDS, TRUTH, FileFacts, pretty_json
from .records import records_csv
from .truthfiles import truth_facts, truth_file, truth_images

Facts = dict[str, FileFacts]
_FRAME, _DRAWN, _TRUTH, _RECORDS = "frame", "drawn", "truth", "records"
_JOB = "job.pickle"


@dataclass(frozen=True)
class Piece:
    """A piece of the work on a stack.

    Parameters
    ----------
    what : str
        A tile of a frame drawn, or of a layer of the truth; a frame or the truth finished; or the
        table of records.
    number : int
        Of the frame.
    tile : int
        Its place among the tiles.
    """

    what: str
    number: int = 0
    tile: int = 0


@dataclass(frozen=True)
class StackJob:
    """A stack to be made.

    Parameters
    ----------
    plan : Shoot
        Of frames as the format needs them.
    folder : Path
        Of the stack, with its inner folders.
    pieces : Path
        Folder for what is drawn and not yet finished.
    how : FrameFormat
    """

    plan: Shoot
    folder: Path
    pieces: Path
    how: FrameFormat

    def steps(self, *, shared: bool) -> Iterator[Step]:
        """Yield the steps of the work, longest first; a step may take what those before it left.

        Parameters
        ----------
        shared : bool
            Whether other processes do them. If not, nothing is gained by drawing tiles apart.
        """
        do: Callable[..., Facts] = self.perform
        if shared:
            # Once in a file, not with every step. Without what the plan has worked out.
            data = pickle.dumps(replace(self, plan=replace(self.plan)))
            (self.pieces / _JOB).write_bytes(data)
            do = partial(_perform, self.pieces)

        def step(piece: Piece, after: tuple[Piece, ...] = ()) -> Step:
            needs = tuple((self.folder, before) for before in after)
            return Step(name=(self.folder, piece), do=partial(do, piece), after=needs)

        tiles = range(self.plan.tiles) if shared else range(0)
        layers = [
            Piece(name, tile=tile)
            for name in (LAYERS if shared else ())
            for tile in range(self.plan.layer_tiles(name))
        ]
        yield from map(step, layers)
        yield step(Piece(_TRUTH), tuple(layers))
        yield step(Piece(_RECORDS))  # one process works out all frames' motions: not at the end
        for number in range(self.plan.frames):
            drawn = [Piece(_DRAWN, number, tile) for tile in tiles] if len(tiles) > 1 else []
            yield from map(step, drawn)
            yield step(Piece(_FRAME, number), tuple(drawn))

    def perform(self, piece: Piece, *_before: Facts) -> Facts:
        """Do one piece; return what is to be known of the files that it made."""
        if piece.what == _RECORDS:
            text = records_csv(self.plan.records, self.plan.motions)
            return write_file(self.folder, RECORDS, text.encode())
        if piece.what == _FRAME:
            return self._finish_frame(piece.number)
        if piece.what == _TRUTH:
            return self._finish_truth()
        if piece.what == _DRAWN:
            self._keep(piece, {_DRAWN: self.plan.drawn(piece.number, tile=piece.tile)})
        else:
            self._keep(piece, self.plan.truth_view().layer(piece.what, tile=piece.tile))
        return {}

    def _finish_frame(self, number: int) -> Facts:
        tiles = self._kept(_DRAWN, number)
        if tiles:
            drawn = self.plan.drawn_of(number, (tile[_DRAWN] for tile in tiles))
            shot = self.plan.frame(number, drawn=drawn)
        else:
            shot = self.plan.frame(number)
        self._forget(_DRAWN, number)
        data = encode_image(shot.image, self.how.suffix)
        return write_file(self.folder, frame_file(number, self.how), data)

    def _finish_truth(self) -> Facts:
        view = self.plan.truth_view()
        kept = {name: self._kept(name) for name in LAYERS}
        if all(kept.values()):
            truth = view.whole({name: view.joined(name, tiles) for name, tiles in kept.items()})
        else:
            truth = self.plan.truth()
        for name in LAYERS:
            self._forget(name)
        facts: Facts = {}
        for name in truth_images(truth):
            facts |= write_file(self.folder, truth_file(name), encode_map(getattr(truth, name)))
        text = pretty_json(truth_facts(self.plan, truth))
        return facts | write_file(self.folder, TRUTH, text.encode())

    def _keep(self, piece: Piece, arrays: Layer) -> None:
        for name, array in arrays.items():
            np.save(self.pieces / f"{piece.what}-{piece.number}-{piece.tile}-{name}.npy", array)

    def _kept(self, what: str, number: int = 0) -> list[Layer]:
        """Return the tiles that are kept, in their order, to be read as they are looked at."""
        found: dict[int, dict[str, npt.NDArray[Any]]] = {}
        for path in self.pieces.glob(f"{what}-{number}-*.npy"):
            _, _, tile, name = path.stem.split("-")
            found.setdefault(int(tile), {})[name] = np.load(path, mmap_mode="r")
        return [found[tile] for tile in sorted(found)]

    def _forget(self, what: str, number: int = 0) -> None:
        for path in self.pieces.glob(f"{what}-{number}-*.npy"):
            path.unlink()


@lru_cache(maxsize=4)
def _job_in(pieces: Path) -> StackJob:
    """Return the job of a folder of pieces, with all that this process has worked out for it."""
    job: StackJob = pickle.loads((pieces / _JOB).read_bytes())  # our own parent wrote it
    return job


def _perform(pieces: Path, piece: Piece, *_before: Facts) -> Facts:
    return _job_in(pieces).perform(piece)


def write_file(folder: Path, name: str, data: bytes, *, sync: bool = False) -> Facts:
    """Write a file of a stack; return what is to be known of it."""
    with (folder / name).open("wb") as file:
        file.write(data)
        if sync:
            file.flush()
            os.fsync(file.fileno())
    return {name: FileFacts(len(data), sha256(data))}
