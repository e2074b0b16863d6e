"""Stick-on markers matched without numbers: by the distances between them.

Two lists of places are compared through their distances: a graph whose nodes are possible partners, joined where the
distances agree; every maximal clique (Bron and Kerbosch 1973) is a set of partners that fit together, and gives a
pose by least squares (Kabsch 1976; Umeyama 1991 for the sign). Mirror images have the same distances and are refused
by their residual; three markers in a line leave a turn open and are refused as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.distance import cdist, pdist, squareform

from pipeline.geometry.alignment.rigid import moved, rigid
from pipeline.part import FloatArray, IndexArray

MOST_MARKERS = 40
MOST_CLIQUES = 4_000
TOLERANCE = 6.0
"""Distances agree when they differ by at most this many times the markers' noise."""
LINE_RATIO = 0.05
MARK_REACH = 4.0
"""Markers coincide when they lie within this many times their noise."""


@dataclass(frozen=True, eq=False)
class Match:
    """A pose that lays some of one list's markers on the other's.

    Attributes
    ----------
    pose : (4, 4) other_from_one
    pairs : (k, 2) partners
    rms : of their distances, millimetres
    """

    pose: FloatArray
    pairs: IndexArray
    rms: float


def matches(one: FloatArray, other: FloatArray, noise_mm: float, most: int = 12) -> list[Match]:
    """Poses from markers (n, 3) and (m, 3), those with most partners first.

    Markers beyond ``MOST_MARKERS`` on a side are left out: the search grows fast, and four are enough.
    """
    one, other = one[:MOST_MARKERS], other[:MOST_MARKERS]
    if len(one) < 3 or len(other) < 3:
        return []
    found: list[Match] = []
    for clique in _cliques(one, other, TOLERANCE * noise_mm):
        pairs = np.array(sorted(clique), np.int32)
        if len(pairs) < 3 or _in_line(one[pairs[:, 0]], 3 * noise_mm):
            continue
        pose = kabsch(one[pairs[:, 0]], other[pairs[:, 1]])
        rms = float(np.sqrt(((moved(pose, one[pairs[:, 0]]) - other[pairs[:, 1]]) ** 2).sum(axis=1).mean()))
        if rms < 0.5 * TOLERANCE * noise_mm:
            found.append(Match(pose, pairs, rms))
    found.sort(key=lambda match: (-len(match.pairs), match.rms))
    return found[:most]


def partners(one_in_other: FloatArray, other: FloatArray, reach_mm: float) -> IndexArray:
    """(k, 2) markers that lie on each other, each used once, nearest first."""
    if not len(one_in_other) or not len(other):
        return np.zeros((0, 2), np.int32)
    distance = cdist(one_in_other, other)
    found: list[tuple[int, int]] = []
    for flat in np.argsort(distance, axis=None, kind="stable"):
        i, j = np.unravel_index(flat, distance.shape)
        if distance[i, j] > reach_mm:
            break
        if all(i != a and j != b for a, b in found):
            found.append((int(i), int(j)))
    return np.array(found, np.int32).reshape(-1, 2)


def kabsch(source: FloatArray, target: FloatArray) -> FloatArray:
    """(4, 4) rigid motion, never a mirror image, that lays (n, 3) points on (n, 3) others best."""
    a, b = source.mean(axis=0), target.mean(axis=0)
    u, _, v = np.linalg.svd((source - a).T @ (target - b))
    turn = v.T @ np.diag([1.0, 1.0, np.sign(np.linalg.det(v.T @ u.T))]) @ u.T
    return rigid(turn, b - turn @ a)


def _in_line(points: FloatArray, slack: float) -> bool:
    _, spread, _ = np.linalg.svd(points - points.mean(axis=0))
    return bool(spread[1] < max(LINE_RATIO * spread[0], slack))


def _cliques(one: FloatArray, other: FloatArray, tolerance: float) -> list[list[tuple[int, int]]]:
    """Maximal sets of partners whose distances all agree."""
    nodes = [(i, j) for i in range(len(one)) for j in range(len(other))]
    first, second = squareform(pdist(one)), squareform(pdist(other))
    a, b = np.array(nodes).T
    agree = np.abs(first[np.ix_(a, a)] - second[np.ix_(b, b)]) < tolerance
    agree &= (a[:, None] != a) & (b[:, None] != b)
    degree = agree.sum(axis=1)
    around = [frozenset(np.flatnonzero(row).tolist()) for row in agree]
    found: list[list[tuple[int, int]]] = []
    stack = [(frozenset[int](), frozenset(np.flatnonzero(degree >= 2).tolist()), frozenset[int]())]
    # Without recursion, so that a hostile list of equal distances ends in time.
    for _ in range(50 * MOST_CLIQUES):
        if not stack or len(found) >= MOST_CLIQUES:
            break
        chosen, candidates, done = stack.pop()
        if not candidates:
            if not done and len(chosen) >= 3:
                found.append([nodes[k] for k in chosen])
            continue
        pivot = max(sorted(candidates | done), key=lambda k: len(candidates & around[k]))
        for k in sorted(candidates - around[pivot]):
            stack.append((chosen | {k}, candidates & around[k], done & around[k]))
            candidates, done = candidates - {k}, done | {k}
    return found
