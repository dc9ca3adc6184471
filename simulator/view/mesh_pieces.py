"""A mesh cut into pieces that do not hide themselves, by peeling it in depth.

What is seen along the nominal view is peeled from its front: of all surface that nothing of what is
left stands before, the part that stands before other surface, and what belongs to it, is taken off
as a layer. Between what must be in a layer and what must not, the cut runs half-way along the
surface, away from the edges of what stands before it.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components, dijkstra

from ...ground.types import Bools, Doubles
from ..scene.mesh.placed import PlacedMesh
from .triangles import Hits, hits

Numbers = npt.NDArray[np.int64]

#: The mesh is looked at on so many samples along its longer side.
_SAMPLES = 768
#: Faces turned away by less than this sine belong to what is seen beside them.
_RING = 0.5
#: A piece goes on below the one that it is cut from at most this share of the mesh's size.
_MOST_BELOW = 0.2
#: And tapers there: by this much for each unit to its own rim. What is blurred and covered twice
#: would be too dense by the rim, what is not covered twice too thin. Of a straight strip, cut
#: across and blurred by a disc of any size, 0.8 leaves the least squared error, a twentieth or less
#: of no taper's and of nothing below [worked out on a grid]; of round strands 0.4 [path tracer].
_TAPER = 0.4
#: No mesh of the world peels into more layers.
_MOST_LAYERS = 64


@dataclass(frozen=True, eq=False)
class MeshPiece:
    """Faces of a mesh that are one surface without anything before it.

    Parameters
    ----------
    faces : array (k,)
        Numbers of its faces, those that go on below nearer pieces as well.
    below_mm : array (k,)
        How far beyond its cut each face is, along the surface; 0 for its own.
    side : {1, -1}
        Whether their outer or inner side is seen.
    """

    faces: Numbers
    below_mm: Doubles
    side: int


@dataclass(frozen=True, eq=False)
class _Sides:
    """The sides of faces that can be seen: what is cut.

    `face` and `side` are those of each; `seen` says whether it faces the eye, `near` whether it
    does so nearly; `graph` joins neighbours, by the way between them; `rim_mm` says how far it is
    from where its surface ends or turns away, and `place_mm` where it is, as the eye sees it.
    """

    face: Numbers
    side: Numbers
    seen: Bools
    near: Bools
    graph: csr_array
    place_mm: Doubles
    rim_mm: Doubles


def pieces_of(mesh: PlacedMesh, eye_mm: Doubles) -> list[MeshPiece]:
    """Return the pieces of a mesh as seen from an eye, from far to near.

    Parameters
    ----------
    mesh : PlacedMesh
    eye_mm : array (3,)
        The nominal entrance pupil, before all of the mesh.
    """
    sides = _sides_of(mesh, eye_mm)
    found = _all_hits(mesh, sides, eye_mm)
    layer = _layers(sides, found)
    label = _labels(sides, layer)
    below = _below(mesh, sides, layer, label)
    pieces = []
    for number in _far_to_near(sides, found, layer, label):
        own = np.flatnonzero(label == number)
        under, away = below.get(number, (own[:0], np.zeros(0)))
        members = np.concatenate([own, under])
        pieces.append(
            MeshPiece(
                sides.face[members],
                np.concatenate([np.zeros(len(own)), away]),
                int(sides.side[own[0]]),
            )
        )
    return pieces


def _sides_of(mesh: PlacedMesh, eye_mm: Doubles) -> _Sides:
    count = len(mesh.faces)
    middle = mesh.points_mm[mesh.faces].mean(axis=1)
    sight = eye_mm - middle
    facing = (mesh.face_normals * sight).sum(axis=1) / np.linalg.norm(sight, axis=1)
    ways = (1,) if mesh.closed else (1, -1)
    toward = np.concatenate([way * facing for way in ways])
    first, second = _neighbours(mesh.welded)
    length = np.maximum(np.linalg.norm(middle[first] - middle[second], axis=1), 1e-9)
    shift = count * np.arange(len(ways))[:, None]
    ends = (first + shift).ravel(), (second + shift).ravel()
    graph = csr_array((np.tile(length, len(ways)), ends), shape=(len(toward), len(toward)))
    graph = (graph + graph.T).tocsr()
    place = -sight[:, :2] / sight[:, 2:] * sight[:, 2].mean()
    place = np.tile(place, (len(ways), 1))
    return _Sides(
        face=np.tile(np.arange(count), len(ways)),
        side=np.repeat(ways, count),
        seen=toward > 0,
        near=toward > -_RING,
        graph=graph,
        place_mm=place,
        rim_mm=_rim_mm(graph, toward > 0, place),
    )


def _rim_mm(graph: csr_array, seen: Bools, place_mm: Doubles) -> Doubles:
    """Return how far sides are from where what is seen of their surface ends; 0 for unseen ones."""
    first, second = graph.tocoo().coords
    both = seen[first] & seen[second]
    beside = np.bincount(first[both], minlength=len(seen))
    rim = np.flatnonzero(seen & (beside < 3))
    far = np.where(seen, np.inf, 0.0)
    if len(rim) == 0:
        return far
    within = csr_array((graph.tocoo().data[both], (first[both], second[both])), graph.shape)
    way, _, source = dijkstra(within, indices=rim, min_only=True, return_predecessors=True)
    reached = np.isfinite(way)
    far[reached] = np.linalg.norm(place_mm[reached] - place_mm[source[reached]], axis=1)
    return far


def _neighbours(welded: Numbers) -> tuple[Numbers, Numbers]:
    """Return pairs of faces that share an edge which no third has, and go round it alike."""
    start, end = welded.ravel(), np.roll(welded, -1, axis=1).ravel()
    face = np.repeat(np.arange(len(welded)), 3)
    low, high, up = np.minimum(start, end), np.maximum(start, end), start < end
    order = np.lexsort((high, low))
    low, high, up, face = low[order], high[order], up[order], face[order]
    same = (low[1:] == low[:-1]) & (high[1:] == high[:-1])
    alone = np.ones(len(same), bool)
    alone[1:] &= ~same[:-1]
    alone[:-1] &= ~same[1:]
    pair = same & alone & (up[1:] != up[:-1])
    return face[:-1][pair], face[1:][pair]


def _all_hits(mesh: PlacedMesh, sides: _Sides, eye_mm: Doubles) -> Hits:
    """Return what the eye's rays meet of the sides toward it, by ray and then by depth."""
    seen = np.flatnonzero(sides.seen)
    away = mesh.points_mm - eye_mm
    depth = np.maximum(away[:, 2], 1e-3)
    place = away[:, 1::-1] / depth[:, None]
    low = place.min(axis=0)
    step = float((place.max(axis=0) - low).max()) / _SAMPLES
    # Half a sample in, and no edge along a line of samples.
    row, col = ((place - low) / step - 0.4637).T
    corners = mesh.faces[sides.face[seen]]
    found = hits(
        row[corners],
        col[corners],
        depth[corners],
        corner=(0, 0),
        shape=(_SAMPLES + 1, _SAMPLES + 1),
    )
    found = Hits(found.place, seen[found.face], found.weights, found.depth)
    return found[np.lexsort((found.face, found.depth, found.place))]


def _pairs(found: Hits) -> tuple[Numbers, Numbers]:
    """Return what stands right before what, and that."""
    same = found.place[1:] == found.place[:-1]
    return found.face[:-1][same], found.face[1:][same]


def _layers(sides: _Sides, found: Hits) -> Numbers:
    """Return the number of each side's layer, from 0 for the nearest."""
    layer = np.full(len(sides.face), -1)
    left = np.ones(len(layer), bool)
    for number in range(_MOST_LAYERS):
        before, behind = _pairs(found)
        over, under = np.zeros((2, len(layer)), bool)
        over[before], under[behind] = True, True
        over &= ~under
        if not over.any():
            break
        to_over, to_under = (_way(sides.graph, left, np.flatnonzero(at)) for at in (over, under))
        # What belongs to neither may be taken off as well.
        taken = left & ~under & ~(to_under < to_over)
        layer[taken] = number
        left &= ~taken
        found = found[left[found.face]]
    layer[left] = layer.max() + 1
    return layer


def _way(graph: csr_array, within: Bools, sources: Numbers) -> Doubles:
    """Return how far all sides are from the nearest of some, along what is left of the surface."""
    way = np.full(len(within), np.inf)
    if len(sources) == 0:
        return way
    place = np.flatnonzero(within)
    own = np.full(len(within), -1)
    own[place] = np.arange(len(place))
    part = graph[place][:, place]
    way[place] = dijkstra(part, indices=own[sources], min_only=True)
    return way


def _labels(sides: _Sides, layer: Numbers) -> Numbers:
    """Return the number of each side's piece: what hangs together in a layer, and is seen.

    Sides that face away belong to the nearest piece, for other eyes see them; -1 to none.
    """
    ends = sides.graph.tocoo()
    first, second = ends.coords
    joined = (layer[first] == layer[second]) & sides.near[first] & sides.near[second]
    graph = csr_array(
        (np.ones(int(joined.sum())), (first[joined], second[joined])), shape=sides.graph.shape
    )
    _, label = connected_components(graph, directed=False)
    shown = np.zeros(label.max() + 1, bool)
    shown[label[sides.seen]] = True
    kept = shown[label] & sides.near
    label = np.where(kept, label, -1)
    sources = np.flatnonzero(kept)
    if len(sources) == len(label) or len(sources) == 0:
        return label
    way, _, source = dijkstra(sides.graph, indices=sources, min_only=True, return_predecessors=True)
    reached = np.isfinite(way)
    label[reached] = label[source[reached]]
    return label


def _layer_of_piece(sides: _Sides, layer: Numbers, label: Numbers) -> Numbers:
    """Return the number of the layer of each side's piece, which what faces away takes on."""
    own = np.full(label.max() + 1, -1)
    own[label[sides.seen]] = layer[sides.seen]
    return np.where(label >= 0, own[label], -1)


def _below(
    mesh: PlacedMesh, sides: _Sides, layer: Numbers, label: Numbers
) -> dict[int, tuple[Numbers, Doubles]]:
    """Return for each piece the sides of nearer pieces that it goes on to, and how far they are."""
    size = float(np.ptp(mesh.points_mm[mesh.faces], axis=(0, 1)).max())
    piece_layer = _layer_of_piece(sides, layer, label)
    ends = sides.graph.tocoo()
    first, second = ends.coords
    found: dict[int, list[tuple[Numbers, Doubles]]] = {}
    for number in range(1, int(layer.max()) + 1):
        # Ways lead from the pieces of this layer out to nearer ones, and on there.
        nearer = (piece_layer[second] >= 0) & (piece_layer[second] < number)
        used = nearer & (piece_layer[first] >= 0) & (piece_layer[first] <= number)
        graph = csr_array((ends.data[used], (first[used], second[used])), shape=sides.graph.shape)
        edge = np.unique(first[used & (piece_layer[first] == number)])
        if len(edge) == 0:
            continue
        way, _, source = dijkstra(
            graph,
            indices=edge,
            min_only=True,
            return_predecessors=True,
            limit=_MOST_BELOW * size,
        )
        reached = np.flatnonzero(np.isfinite(way) & (way > 0) & sides.seen)
        away = np.linalg.norm(sides.place_mm[reached] - sides.place_mm[source[reached]], axis=1)
        inside = away <= _TAPER * sides.rim_mm[reached]
        reached, away = reached[inside], away[inside]
        from_piece = label[source[reached]]
        for piece in np.unique(from_piece):
            its = from_piece == piece
            found.setdefault(int(piece), []).append((reached[its], away[its]))
    return {
        piece: (np.concatenate([m for m, _ in parts]), np.concatenate([w for _, w in parts]))
        for piece, parts in found.items()
    }


def _far_to_near(sides: _Sides, found: Hits, layer: Numbers, label: Numbers) -> list[int]:
    """Return the numbers of pieces in an order in which none is before what stands before it.

    Of two that were cut from each other that of the nearer layer is nearer; where nothing is
    said, the one that is farther in the mean comes first.
    """
    front, back = (label[at] for at in _pairs(found))
    piece_layer = _layer_of_piece(sides, layer, label)
    first, second = sides.graph.tocoo().coords
    cut = (piece_layer[first] < piece_layer[second]) & (piece_layer[first] >= 0)
    front = np.concatenate([front, label[first[cut]]])
    back = np.concatenate([back, label[second[cut]]])
    pairs = np.unique(np.stack([front, back])[:, (front != back)], axis=1)
    total = np.bincount(label[found.face], found.depth, minlength=label.max() + 1)
    count = np.bincount(label[found.face], minlength=label.max() + 1)
    depth = total / np.maximum(count, 1)
    pieces = np.unique(label[label >= 0])
    waits = {int(one): 0 for one in pieces}
    then: dict[int, list[int]] = {int(one): [] for one in pieces}
    for near, far in pairs.T.tolist():
        waits[near] += 1
        then[far].append(near)
    ready = [(-depth[one], one) for one, count in waits.items() if count == 0]
    heapq.heapify(ready)
    order: list[int] = []
    while waits:
        if not ready:  # Pieces that pierce each other: the farthest in the mean first.
            ready = [min((-depth[one], one) for one in waits)]
        _, one = heapq.heappop(ready)
        if one not in waits:
            continue
        del waits[one]
        order.append(one)
        for near in then[one]:
            if near in waits:
                waits[near] -= 1
                if waits[near] == 0:
                    heapq.heappush(ready, (-depth[near], near))
    return order
