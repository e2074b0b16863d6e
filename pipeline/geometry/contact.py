"""Things that touch, told apart where they touch.

Where two things only touch, the surface bends inwards along all of the seam, and the seam is short against both.
A rib on a plate bends inwards too, but its seam is long against the rib. So the surface is first cut at every inward
crease into patches, and the patches are joined again in the order of how long their seam is, until only short seams
are left.

The inward crease as the border between objects: Stein, Schoeler, Papon and Woergoetter, "Object partitioning using
local convexity", CVPR 2014. The seam measured against the root of the smaller area is the isoperimetric ratio.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.sparse import coo_array, csc_matrix, diags_array
from scipy.sparse.linalg import spsolve

from pipeline.geometry.voxels import Voxels, grouped, root_of
from pipeline.part import BoolArray, FloatArray, IndexArray

CREASE = 0.35
"""How far two neighbouring unit normals turn towards each other across a crease (20 degrees)."""
SMOOTH_SEAM = 1.0
"""How many times more a stretch of seam counts where the surface runs on smoothly."""
MOST_UNDECIDED = 0.03
"""Area of patches that could be either, over that of the part."""
SHORTEST_JOIN = 1.0
"""Patches whose seam is shorter than this, against the root of the smaller area, are different things."""


@dataclass(frozen=True, eq=False)
class Things:
    """A surface parted into things.

    Attributes
    ----------
    label : (m,) thing of each cell, -1 where the cell takes no part
    seam : (k, k) length of the seam between each two of them, in cells
    """

    label: IndexArray
    seam: FloatArray


def things(cells: Voxels, normal: FloatArray, usable: BoolArray) -> Things:
    """Part the usable cells into things.

    Parameters
    ----------
    normal : (m, 3) unit normals out of the surface
    usable : (m,) cells that take part
    """
    first, second, crease = _bends(cells, normal, usable)
    label = _patches(cells, first, second, crease, usable)
    return _joined(label, first, second, crease)


def loose_sides(parts: Things, least_share: float) -> Iterator[tuple[BoolArray, BoolArray]]:
    """(m,) the cells to either side of every cut through a surface that only short seams hold together.

    A thing that something else touches hangs on it by that one seam; one that belongs hangs on all the rest of the
    part, by many short seams together. So all seams across a cut are measured against the smaller side.

    Parameters
    ----------
    least_share : share of all cells below which a thing goes with the neighbour it has its longest seam with
    """
    label, area, seam = _with_small_ones(parts, least_share)
    if len(area) == 0:
        return
    for rest in product((False, True), repeat=len(area) - 1):
        side = np.array([False, *rest])
        length = float(seam[side][:, ~side].sum())
        if 0.0 < length < SHORTEST_JOIN * np.sqrt(min(area[side].sum(), area[~side].sum())):
            yield (label >= 0) & side[label], (label >= 0) & ~side[label]


def _with_small_ones(parts: Things, least_share: float) -> tuple[IndexArray, FloatArray, FloatArray]:
    """(m,) large thing of each cell, -1 for small ones that touch nothing; (k,) areas and (k, k) seams of these."""
    area, seam = np.bincount(parts.label[parts.label >= 0]).astype(float), parts.seam.copy()
    least, target = least_share * area.sum(), np.arange(len(area))
    while True:
        small = np.flatnonzero((area > 0) & (area < least) & (seam.max(axis=1, initial=0.0) > 0))
        if len(small) == 0:
            break
        one = int(small[area[small].argmin()])
        other = int(seam[one].argmax())
        target[target == one] = other
        area[other] += area[one]
        seam[other] += seam[one]
        seam[:, other] = seam[other]
        seam[one], seam[:, one], seam[other, other], area[one] = 0.0, 0.0, 0.0, 0.0
    large = np.flatnonzero(area >= least)
    place = np.full(len(area) + 1, -1)
    place[large] = np.arange(len(large))
    return place[np.append(target, -1)[parts.label]], area[large], seam[np.ix_(large, large)]


def parted(
    cells: Voxels,
    normal: FloatArray,
    piece: BoolArray,
    height: FloatArray,
    plan: FloatArray,
    centre: FloatArray | None,
    floor: float,
    top: float,
) -> tuple[BoolArray, bool]:
    """A piece parted between what surely is the part and what surely is not.

    A random walk from patch to patch decides what lies between: Grady, "Random walks for image segmentation",
    IEEE Transactions on Pattern Analysis and Machine Intelligence 28 (2006).

    Parameters
    ----------
    piece : (m,) cells that hang together
    height, plan : (m,) and (m, 2), above and along the support
    centre : (2,) middle of the riser, None without; what stands high around it surely is the part
    floor : height below which a cell stands on the support
    top : height of the riser, 0 without

    Returns
    -------
    (m,) the cells of the part, and whether hardly any patch was undecided.
    """
    first, second, crease = _bends(cells, normal, piece)
    label = _patches(cells, first, second, crease, piece)
    number = int(label.max()) + 1
    area = np.bincount(label[piece], minlength=number).astype(float)

    def share(of: BoolArray) -> FloatArray:
        shares: FloatArray = np.bincount(label[piece & of], minlength=number) / np.maximum(area, 1.0)
        return shares

    low = share(height < floor)
    if centre is not None:
        reach = max(float(np.percentile(np.linalg.norm(plan[piece] - centre, axis=1), 50)), cells.cell)
        sink = (low > 0.02) | (share(height < top - 2.0 * cells.cell) > 0.5)
    else:
        centre = np.median(plan[piece], axis=0)
        away = np.linalg.norm(plan - centre, axis=1)
        reach = float(np.percentile(away[piece], 50))
        outer = away > np.percentile(away[piece], 80)
        sink = share(outer & (height < np.percentile(height[piece], 90))) > 0.5
    near = np.exp(-((np.linalg.norm(plan - centre, axis=1) / reach) ** 2)) * np.maximum(height - top, 0.0)
    evidence = np.bincount(label[piece], weights=near[piece], minlength=number) * ~sink
    source = evidence >= 0.3 * max(float(evidence.max(initial=0.0)), 1e-9)
    sink &= ~source
    if not source.any() or not sink.any():
        return piece, False
    belongs = _random_walk(number, _seams(label, first, second, crease), source, sink)
    mine = belongs > 0.5
    undecided = (belongs > 0.25) & (belongs < 0.75)
    sure = area[undecided].sum() < MOST_UNDECIDED * area[mine].sum()
    return piece & mine[np.maximum(label, 0)], bool(sure)


def _random_walk(number: int, seams: dict[tuple[int, int], float], source: BoolArray, sink: BoolArray) -> FloatArray:
    """(number,) chance that a walk over the seams, the longer the likelier, comes to the source before the sink."""
    pairs = np.array(list(seams), int).reshape(-1, 2)
    weight = np.array(list(seams.values()))
    rows, columns = np.concatenate([pairs, pairs[:, ::-1]]).T
    both = coo_array((np.concatenate([weight, weight]), (rows, columns)), shape=(number, number)).tocsr()
    belongs = np.where(source, 1.0, 0.0)
    free = np.flatnonzero(~source & ~sink)
    degree = np.asarray(both.sum(axis=1)).ravel()
    fixed = np.flatnonzero(source | sink)
    if len(free):
        laplacian = diags_array(degree[free] + 1e-9) - both[free][:, free]
        belongs[free] = spsolve(csc_matrix(laplacian), both[free][:, fixed] @ belongs[fixed])
    return belongs


def _bends(cells: Voxels, normal: FloatArray, usable: BoolArray) -> tuple[IndexArray, IndexArray, BoolArray]:
    """Touching pairs of usable cells, and whether the surface bends inwards sharply between the two."""
    first, second = cells.pairs
    both = usable[first] & usable[second]
    first, second = first[both], second[both]
    return first, second, bend_between(cells, normal, first, second) < -CREASE


def bend_between(cells: Voxels, normal: FloatArray, first: IndexArray, second: IndexArray) -> FloatArray:
    """(k,) how far the normals of touching cells turn apart along the way between them; below 0 the surface folds."""
    way = cells.centre[second] - cells.centre[first]
    length = np.maximum(np.linalg.norm(way, axis=1), np.finfo(float).tiny)
    bend: FloatArray = np.einsum("ij,ij->i", normal[second] - normal[first], way) / length
    return bend


def _patches(cells: Voxels, first: IndexArray, second: IndexArray, crease: BoolArray, usable: BoolArray) -> IndexArray:
    """Regions between creases: cells off every crease that hang together, grown back over the rest."""
    count = len(cells)
    folded = np.bincount(first[crease], minlength=count) + np.bincount(second[crease], minlength=count) >= 2
    near = folded.copy()
    np.logical_or.at(near, first, folded[second])
    np.logical_or.at(near, second, folded[first])
    inside = usable & ~near
    holds = inside[first] & inside[second] & ~crease
    _, label = grouped(count, first[holds], second[holds], inside)
    while True:
        open_first = (label[first] < 0) & (label[second] >= 0)
        open_second = (label[second] < 0) & (label[first] >= 0)
        if not (open_first.any() or open_second.any()):
            break
        label = label.copy()
        cell = np.concatenate([first[open_first], second[open_second]])
        taken = np.concatenate([label[second[open_first]], label[first[open_second]]])
        # The label most of the labelled neighbours carry; the lowest of equals.
        votes = coo_array((np.ones(len(cell)), (cell, taken)), shape=(count, int(label.max()) + 1)).tocsr()
        winners = np.unique(cell)
        label[winners] = np.asarray(votes[winners].argmax(axis=1)).ravel()
    left = usable & (label < 0)
    if left.any():
        holds = left[first] & left[second]
        _, extra = grouped(count, first[holds], second[holds], left)
        label = np.where(left, extra + label.max() + 1, label)
    return label.astype(np.int32)


def _joined(label: IndexArray, first: IndexArray, second: IndexArray, crease: BoolArray) -> Things:
    """Join patches over their relatively longest seams first, until every seam left is short."""
    number = int(label.max()) + 1
    area = np.bincount(label[label >= 0], minlength=number).astype(float)
    borders: list[dict[int, float]] = [{} for _ in range(number)]
    for (one, other), seam in _seams(label, first, second, crease).items():
        borders[one][other] = borders[other][one] = seam
    parent = list(range(number))

    def strength(one: int, other: int) -> float:
        return float(borders[one][other] / np.sqrt(min(area[one], area[other])))

    queue = [(-strength(one, other), one, other) for one in range(number) for other in borders[one] if one < other]
    heapq.heapify(queue)
    while queue:
        ratio, one, other = heapq.heappop(queue)
        if -ratio < SHORTEST_JOIN:
            break
        if parent[one] != one or parent[other] != other or -ratio != strength(one, other):
            continue
        if len(borders[one]) < len(borders[other]):
            one, other = other, one
        parent[other] = one
        area[one] += area[other]
        del borders[one][other]
        for third, seam in borders[other].items():
            if third == one:
                continue
            del borders[third][other]
            borders[one][third] = borders[third][one] = borders[one].get(third, 0.0) + seam
        for third in borders[one]:
            low, high = min(one, third), max(one, third)
            heapq.heappush(queue, (-strength(low, high), low, high))
    root = np.array([root_of(parent, patch) for patch in range(number)], int)
    kept, dense = np.unique(root, return_inverse=True)
    place = {int(patch): at for at, patch in enumerate(kept)}
    lengths = np.zeros((len(kept), len(kept)))
    for one in kept.tolist():
        for other, length in borders[one].items():
            lengths[place[one], place[other]] = length
    return Things(np.where(label >= 0, dense[np.maximum(label, 0)], -1).astype(np.int32), lengths)


def _seams(label: IndexArray, first: IndexArray, second: IndexArray, crease: BoolArray) -> dict[tuple[int, int], float]:
    """Length of each seam in cells: its cells on the side that has fewer, smooth stretches counted more."""
    across = label[first] != label[second]
    one, other = first[across], second[across]
    weight = np.where(crease[across], 1.0, SMOOTH_SEAM)
    sides = np.concatenate([one, other]), np.concatenate([label[other], label[one]])
    number = int(label.max()) + 1
    key = sides[0].astype(np.int64) * number + sides[1]
    keys, at = np.unique(key, return_inverse=True)
    # A cell of the seam counts once, with the mean weight of its pairs across.
    value = np.bincount(at, weights=np.concatenate([weight, weight])) / np.bincount(at)
    cell, towards = keys // number, keys % number
    seam_key, at = np.unique(label[cell].astype(np.int64) * number + towards, return_inverse=True)
    length = np.bincount(at, weights=value)
    out: dict[tuple[int, int], float] = {}
    for code, seam in zip(seam_key.tolist(), length.tolist(), strict=True):
        pair = (min(divmod(code, number)), max(divmod(code, number)))
        out[pair] = min(seam, out.get(pair, np.inf))
    return out
