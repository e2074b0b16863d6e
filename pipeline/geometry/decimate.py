"""Fewer triangles for the same surface, each result judged before it counts.

Edge collapse by quadric error (Garland & Heckbert 1997) in ``fast_simplification``. Its own error figure is no
bound and its result can be damaged, so every candidate is measured against the mesh it came from, both ways,
and its topology is counted.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.deviation import Surface, sample_surface
from pipeline.geometry.edges import one_row_more, touching
from pipeline.geometry.measure import area, edge_lengths, volume
from pipeline.geometry.repair import without_degenerates, without_duplicates
from pipeline.geometry.sparing import sparing
from pipeline.geometry.topology import TopologyReport, inspect
from pipeline.part import BoolArray, FloatArray, IndexArray, Mesh

STEPS = 7
"""Face counts tried in search of a tolerance."""
NEARLY_ALL = 0.998
"""Share of the places by which a count is judged in the search. The worst place alone is a matter of chance: where the
surface is rougher than anywhere else it is left as it is, and the shape decides on the count."""
CLOSE_ENOUGH, AIM, AT_MOST = 0.4, 0.48, 0.55
"""The search ends with a deviation of nearly all places between the first and the third share of the tolerance, and
aims at the second: the worst places of a collapse deviate twice as much, and only damaged ones more."""
MENDINGS = 8
"""So often the places that lie too far off are left as they are, before a finer count is tried."""
HARDLY, STEPPING_STONE = 0.2, 0.7
"""What coarser meshes are made from, as that is quicker: nearly all of it is off by less than the first share of the
tolerance. Where places of it are off by more than the second and results show it, it is made anew without them."""
STONES = 2
"""The first one and the one made anew; then every mesh is made from the original."""
MARGIN = 0.97
"""Share of the tolerance aimed at: an independent judge samples other places."""
QUICK, THOROUGH = 60_000, 600_000
"""Places looked at in a search step, and before a result counts."""
SPARINGS, SPARED_EDGES = 4, 3.0
"""So often the places where a collapse breaks the surface are left as they are, so many edges around each."""
BREAKS = ("nonmanifold-edge", "nonmanifold-vertex")
MENDED_EDGES, MOST_MENDED, FINER, EACH_FINER = 1.0, 2.0, 1.3, 1.04
"""So many edges around a place that lies too far off are left as they are; up to so many times as many faces in all;
else the count is raised by so much. Each collapse comes out otherwise and may fail elsewhere: every time a few faces
more are asked for, so that it ends."""
SMALL_STEP = 1.02
"""Where a count breaks the surface, a few faces more often do not."""
AGGRESSIVENESS = (5.0, 3.0, 7.0)
UNIT_EDGE = 0.3
"""Mean edge length to which the mesh is scaled: the library's thresholds are absolute numbers."""
AREA_CHANGE, VOLUME_CHANGE = 0.02, 0.02
"""Larger relative changes mean damage and not decimation."""


@dataclass(frozen=True, slots=True, eq=False)
class Decimated:
    """A coarser mesh with its proof.

    ``deviation_max_mm`` is the largest distance found between the two surfaces, looked for from both sides;
    ``tries`` counts the candidates, ``refused`` says why some did not count.
    """

    mesh: Mesh
    deviation_max_mm: float
    deviation_mean_mm: float
    tries: int
    refused: tuple[str, ...]


class Original:
    """The mesh to decimate and everything a candidate is judged by."""

    def __init__(self, mesh: Mesh) -> None:
        self.mesh = mesh
        self.surface = Surface(mesh.vertices, mesh.faces)
        self.corners = mesh.vertices[np.unique(mesh.faces)]
        self.report = inspect(mesh.vertices, mesh.faces, by_piece=False)
        self.area, self.volume = area(mesh.vertices, mesh.faces), volume(mesh.vertices, mesh.faces)
        self.edge = _mean_edge(mesh)
        self.spared: list[tuple[FloatArray, float]] = []  # (k, 3) places and how far about them, mm
        self.stone, self.stones = mesh, 0
        self.refused: list[str] = []
        self.tries = 0

    def reduced(self, count: int) -> Mesh | None:
        """A sound mesh of about ``count`` faces, or None; reasons are kept in ``refused``.

        Where the collapse breaks the surface at a few places only, these are left as they are.
        """
        for aggressiveness in AGGRESSIVENESS:
            for _ in range(SPARINGS):
                self.tries += 1
                candidate = self._collapsed(count, aggressiveness)
                if candidate is None:
                    break
                after = inspect(candidate.vertices, candidate.faces, by_piece=False)
                damage = self._damage(candidate, after)
                if not damage:
                    return candidate
                self.refused.append(f"{len(candidate.faces)} faces: {damage}")
                if not self._spare(candidate, after):
                    break
        return None

    def _spare(self, candidate: Mesh, after: TopologyReport) -> bool:
        """Note where a candidate is broken, to be left alone from now on; False when there is no such place."""
        places = [after.places[kind] for kind in BREAKS if kind in after.places and kind not in self.report.places]
        if not places:
            return False
        self.spared.append((np.concatenate(places), SPARED_EDGES * _mean_edge(candidate)))
        return True

    def _aside(self, source: Mesh) -> BoolArray:
        """(m,) faces of a mesh at the places to be left alone."""
        near = np.zeros(len(source.vertices), bool)
        for places, reach in self.spared:
            near |= np.isfinite(cKDTree(places).query(source.vertices, distance_upper_bound=reach)[0])
        return touching(source.faces, near)

    def stepping_stone(self, candidate: Mesh) -> None:
        """Make coarser meshes from this one henceforth. The first is as it is, and the next leaves out its faults."""
        self.stone, self.stones = candidate, self.stones + 1

    def _next_stone(self, tolerance: float) -> None:
        """What the stone was made to leave alone is itself too far off: one more stone, then the mesh itself."""
        faulty, self.stone = self.stone, self.mesh
        where, distances = self.distances(faulty, THOROUGH)
        self.spared = [(where[distances > STEPPING_STONE * tolerance], MENDED_EDGES * _mean_edge(faulty))]
        if self.stones < STONES:
            candidate = self.reduced(len(faulty.faces))
            if candidate is not None:
                self.stepping_stone(candidate)

    def within(self, count: int, tolerance: float) -> tuple[Mesh, FloatArray] | None:
        """A mesh as fine as ``count`` faces would make it, but finer where that is too far off; and its distances, mm.

        None where it cannot be had, or not this way: the surface is too far off in too many places.
        """
        spared = -1
        for _ in range(MENDINGS):
            aside = self._aside(self.stone)
            if aside.sum() == spared:  # what is left alone is itself too far off
                if self.stone is self.mesh:
                    return None
                self._next_stone(tolerance)
                aside = self._aside(self.stone)
            spared = int(aside.sum())
            candidate = self.reduced(int(count * (1 - aside.mean())) + spared)
            if candidate is None or len(candidate.faces) > MOST_MENDED * count:
                return None
            where, distances = self.proof(candidate, tolerance)
            far = distances > tolerance
            if not far.any():
                return candidate, distances
            self.spared.append((where[far], MENDED_EDGES * _mean_edge(candidate)))
            count = int(EACH_FINER * count)
        return None

    def proof(self, candidate: Mesh, tolerance: float) -> tuple[FloatArray, FloatArray]:
        """Places on either surface and their distances to the other, as ``distances``; many more if all are near."""
        where, distances = self.distances(candidate, QUICK)
        if distances.max() > tolerance:
            return where, distances
        places, _ = sample_surface(candidate.vertices, candidate.faces, THOROUGH)
        return np.concatenate([where, places]), np.concatenate([distances, self.surface.distance(places)])

    def distances(self, candidate: Mesh, count: int, *, everywhere: bool = True) -> tuple[FloatArray, FloatArray]:
        """Places (k, 3) on either surface, and (k,) their distances to the other, mm.

        ``count`` places on the new surface; everywhere: with all its corners and the middles of all its faces, and all
        corners of the old one, else as many of these.
        """
        step = 1 if everywhere else max(1, len(self.corners) // count)
        places, _ = sample_surface(candidate.vertices, candidate.faces, count)
        if everywhere:
            corners = candidate.vertices[candidate.faces]
            places = np.vstack([places, corners.mean(axis=1), candidate.vertices])
        old = self.corners[::step]
        from_old = Surface(candidate.vertices, candidate.faces).distance(old)
        return np.concatenate([old, places]), np.concatenate([from_old, self.surface.distance(places)])

    def nearly_all(self, candidate: Mesh) -> float:
        """The distance within which nearly all places of the two surfaces lie, mm."""
        return float(np.quantile(self.distances(candidate, QUICK, everywhere=False)[1], NEARLY_ALL))

    def _collapsed(self, count: int, aggressiveness: float) -> Mesh | None:
        """About ``count`` faces, sound or not; None when the library's thresholds end before that."""
        source = self.stone if count < len(self.stone.faces) else self.mesh
        aside = self._aside(source)
        if count <= aside.sum():
            return None
        share = (count - aside.sum()) / max(1, len(source.faces) - aside.sum())
        for _ in range(SPARINGS):
            wanted = int(share * (len(source.faces) - aside.sum()))
            found = sparing(source.vertices, source.faces, aside, partial(self._library, wanted, aggressiveness))
            if found is not None:
                reached = len(found[1]) - aside.sum() <= 1.05 * wanted + 2
                return _tidied(Mesh(*found)) if reached else None
            aside = one_row_more(source.faces, aside)  # a border with teeth or a slit does not stay in its place
        return None

    def _library(
        self, count: int, aggressiveness: float, vertices: FloatArray, faces: IndexArray
    ) -> tuple[FloatArray, IndexArray]:
        import fast_simplification

        middle, scale = self.mesh.vertices.mean(axis=0), UNIT_EDGE / self.edge
        left, collapsed = fast_simplification.simplify(
            (vertices - middle) * scale,
            np.array(faces),
            target_count=count,
            agg=aggressiveness,
            preserve_border=True,
        )
        return left / scale + middle, collapsed.astype(np.int32)

    def _damage(self, candidate: Mesh, after: TopologyReport) -> str:
        """What the candidate broke, or nothing."""
        if len(candidate.faces) == 0:
            return "nothing is left"
        broken = _worse(self.report, after)
        if broken:
            return broken
        if abs(area(candidate.vertices, candidate.faces) / self.area - 1) > AREA_CHANGE:
            return "the area changes"
        if (
            self.report.watertight
            and abs(volume(candidate.vertices, candidate.faces) / self.volume - 1) > VOLUME_CHANGE
        ):
            return "the volume changes"
        return ""


def _tidied(collapsed: Mesh) -> Mesh:
    """Without what a collapse leaves behind: fins of two faces back to back, and faces without area."""
    return without_degenerates(without_duplicates(collapsed))


def _mean_edge(mesh: Mesh) -> float:
    return float(edge_lengths(mesh.vertices, mesh.faces).mean())


def to_tolerance(mesh: Mesh, tolerance_mm: float, fewest: int = 4) -> Decimated:
    """The coarsest mesh found that lies within a tolerance of this one, measured both ways.

    The deviation of a good decimation falls as one over the number of faces, so the search is a secant on that
    law between the finest count that failed and the coarsest that held. It is judged by nearly all places; the few
    that lie too far off keep the triangles they had.
    """
    original = Original(mesh)
    low, high = max(fewest, 4), len(mesh.faces)
    count = max(low, min(high // 4, high - 1))
    for _ in range(STEPS):
        if count >= 0.95 * high or count < low:
            break
        candidate = original.reduced(count)
        nearly_all = np.inf if candidate is None else original.nearly_all(candidate)
        if candidate is not None and original.stone is mesh and nearly_all <= HARDLY * tolerance_mm:
            original.stepping_stone(candidate)
        if nearly_all > AT_MOST * tolerance_mm:
            low = count
        else:
            high = count
            if nearly_all > CLOSE_ENOUGH * tolerance_mm:
                break
        count = _next_count(count, nearly_all / tolerance_mm, low, high)
    while high < len(mesh.faces):
        found = original.within(high, MARGIN * tolerance_mm)
        if found is not None:
            return _finished(original, *found)
        high = int(FINER * high)
    return _finished(original, mesh, np.zeros(1))


def to_count(mesh: Mesh, faces_count: int, tolerance_mm: float | None = None) -> Decimated:
    """About ``faces_count`` faces, more where fewer would break the surface or leave the tolerance."""
    original = Original(mesh)
    count, step = faces_count, SMALL_STEP
    while count < len(mesh.faces):
        candidate = original.reduced(count)
        if candidate is None:
            count, step = max(count + 1, int(step * count)), step**2
            continue
        proof = tolerance_mm is not None
        _, distances = original.distances(candidate, THOROUGH if proof else QUICK, everywhere=proof)
        worst = float(distances.max())
        if tolerance_mm is None or worst <= MARGIN * tolerance_mm:
            return _finished(original, candidate, distances)
        original.refused.append(f"{len(candidate.faces)} faces: {worst:.3f} mm off")
        count = max(count + 1, int(np.clip(worst / tolerance_mm, 1.1, 4.0) * count))
    return _finished(original, mesh, np.zeros(1))


def _next_count(count: int, ratio: float, low: int, high: int) -> int:
    """Where deviation = tolerance is expected, kept inside the bracket."""
    guess = count * np.clip(ratio / AIM, 0.2, 4.0)
    return int(np.clip(guess, low + 0.1 * (high - low), low + 0.9 * (high - low)))


def _finished(original: Original, mesh: Mesh, distances: FloatArray) -> Decimated:
    carried = mesh if mesh is original.mesh else _carried(original, mesh)
    worst, mean = float(distances.max()), float(distances.mean())
    return Decimated(carried, worst, mean, original.tries, tuple(original.refused))


def _carried(original: Original, mesh: Mesh) -> Mesh:
    """Colours and ``filled`` flags from the nearest place of the original; a face is filled when half of it is."""
    old = original.mesh
    colours = None
    if old.colours is not None:
        face, weights = original.surface.nearest(mesh.vertices)
        blend = np.einsum("nk,nki->ni", weights, old.colours[old.faces[face]].astype(float))
        colours = np.clip(np.round(blend), 0, 255).astype(np.uint8)
    filled = np.zeros(len(mesh.faces), bool)
    if old.filled.any():
        corners = mesh.vertices[mesh.faces]
        middle = corners.mean(axis=1, keepdims=True)
        inside = np.concatenate([middle, (corners + middle) / 2], axis=1)
        face, _ = original.surface.nearest(inside.reshape(-1, 3))
        filled = old.filled[face].reshape(-1, 4).mean(axis=1) >= 0.5
    return Mesh(mesh.vertices, mesh.faces, filled, colours)


def _worse(before: TopologyReport, after: TopologyReport) -> str:
    """Which topological count got worse, or nothing."""
    for name in (
        "nonmanifold_edges",
        "nonmanifold_vertices",
        "misoriented_edges",
        "duplicate_faces",
        "degenerate_faces",
    ):
        if getattr(after, name) > getattr(before, name):
            return f"{getattr(after, name)} {name.replace('_', ' ')}"
    if before.manifold and after.euler_characteristic != before.euler_characteristic:
        return f"the Euler characteristic becomes {after.euler_characteristic}"
    if after.loops_count != before.loops_count:
        return f"{after.loops_count} open borders instead of {before.loops_count}"
    return ""
