"""Fewer triangles for the same surface, each result judged before it counts.

Edge collapse by quadric error (Garland & Heckbert 1997) in ``fast_simplification``. Its own error figure is no
bound and its result can be damaged, so every candidate is measured against the mesh it came from, both ways,
and its topology is counted. Where it lies too far off or is damaged, the collapse is taken back.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.geometry.contraction import Contraction, nothing_contracted
from pipeline.geometry.edges import connected, touching
from pipeline.geometry.measure import area, volume
from pipeline.geometry.repair import used_only
from pipeline.geometry.self_intersection import crossed_faces
from pipeline.geometry.topology import TopologyReport, damaged_vertices, inspect
from pipeline.geometry.two_way import Look, TwoWay
from pipeline.part import BoolArray, IndexArray, LongArray, Mesh

STEPS = 7
"""Face counts tried in search of a tolerance."""
NEARLY_ALL = 0.998
"""Share of the places by which a count is judged in the search. The worst place alone is a matter of chance: where the
surface is rougher than anywhere else it is left as it is, and the shape decides on the count."""
CLOSE_ENOUGH, AIM, AT_MOST = 0.5, 0.58, 0.66
"""The search ends with a deviation of nearly all places between the first and the third share of the tolerance, and
aims at the second: with fewer faces, more are given back where the surface is too far off than were saved."""
HARDLY = 0.2
"""What coarser meshes are made from, as that is quicker: nearly all of it is off by less than this share of the
tolerance."""
MARGIN = 0.97
"""Share of the tolerance aimed at: an independent judge samples other places."""
NARROW = 0.05
"""The search ends where the counts between which it goes on differ by this share."""
FEWEST = 4
"""Faces of the smallest closed surface."""
QUICK = 20_000
"""Places looked at in a search step."""
MENDINGS, MOST_MENDED, FINER = 60, 2.0, 1.3
"""So often what is too far off is taken back, up to so many times as many faces; else the count is raised by so
much."""
CROSSINGS = 12
"""So often what passes through itself is taken back; a mesh that did before may go on to do so."""
BREAKS = 8
"""So often the collapse is taken back where it broke the surface."""
SMALL_STEP, LARGEST_STEP = 1.02, 1.1
"""Where a count breaks the surface, a few faces more often do not."""
REACHED = 1.05
"""So many times as many faces as were asked for are as good."""
AGGRESSIVENESS = (5.0, 3.0, 7.0)
STEADFAST = 5.0
"""With this one the library goes on until nothing is left that may be collapsed, and is slow at the end."""
UNIT_EDGE = 0.3
"""Mean edge length to which the mesh is scaled: the library's thresholds are absolute numbers."""
AREA_CHANGE, VOLUME_CHANGE = 0.02, 0.02
"""A larger relative growth of the area, or change of the volume, means damage and not decimation. That a rough surface
loses area is none."""


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
        self.mesh = used_only(mesh)
        self.two_way = TwoWay(self.mesh)
        self.report = inspect(self.mesh.vertices, self.mesh.faces, by_piece=False)
        self.whole = self.stone = nothing_contracted(self.mesh)
        vertices, faces = self.mesh.vertices, self.whole.faces
        self.area, self.volume = area(vertices, faces), volume(vertices, faces)
        self.piece = connected(len(vertices), faces[:, (0, 0)].ravel(), faces[:, (1, 2)].ravel())
        self.ended: Contraction | None = None
        self.refused: list[str] = []
        self.tries = 0

    @cached_property
    def damaged(self) -> LongArray:
        """(k,) vertices where the mesh was broken already."""
        if self.report.sound:
            return np.zeros(0, np.int64)
        return damaged_vertices(self.mesh.vertices, self.mesh.faces)

    def lost(self, candidate: Contraction) -> BoolArray:
        """(n,) vertices of pieces of which the candidate has no face."""
        there = np.zeros(int(self.piece.max(initial=-1)) + 1, bool)
        there[self.piece[candidate.faces]] = True
        return np.asarray(~there[self.piece], np.bool_)

    def reduced(self, count: int) -> Contraction | None:
        """A sound mesh of about ``count`` faces, or None; reasons are kept in ``refused``.

        Of more faces where the library ends before that: then it does for all smaller counts, and is slow there.
        """
        if self.ended is not None and count <= len(self.ended.faces):
            return self.ended
        for aggressiveness in AGGRESSIVENESS:
            self.tries += 1
            candidate = self._collapsed(count, aggressiveness)
            if candidate is None:
                continue
            made = len(candidate.faces)
            sound = self._sound(candidate, MOST_MENDED * max(count, made))
            if sound is None:
                continue
            if made <= REACHED * count + 2:
                return sound
            if aggressiveness == STEADFAST and len(sound.faces) <= REACHED * made:
                self.refused.append(f"{count} faces: the collapse ends at {made}")
                self.ended = sound
                return sound
        return None

    def _sound(self, candidate: Contraction, most: float) -> Contraction | None:
        """The candidate, with the collapse taken back where it broke the surface.

        None where that does not mend it, or asks for more faces than ``most``.
        """
        for _ in range(BREAKS):
            after = inspect(candidate.places, candidate.faces, by_piece=False)
            damage = self._damage(candidate, after)
            if not damage or len(candidate.faces) > most:
                break
            where = damaged_vertices(candidate.places, candidate.faces)
            broken = np.zeros(len(candidate.into), bool)
            broken[np.setdiff1d(where, self.damaged)] = True
            about = np.unique(candidate.faces[touching(candidate.faces, broken)])
            back = candidate.drawn_into(about) | self.lost(candidate)
            if not back.any():
                break
            candidate = candidate.undone(back)
        if not damage and len(candidate.faces) <= most:
            return candidate
        self.refused.append(f"{len(candidate.faces)} faces: {damage or 'too many are given back'}")
        return None

    def within(self, candidate: Contraction, tolerance: float) -> tuple[Contraction, Look] | None:
        """A sound candidate, but finer where it is too far off; and what was found looking at it.

        None where too much of it is too far off.
        """
        most = MOST_MENDED * len(candidate.faces)
        look, crossings = self.two_way.look(candidate, tolerance), 0
        unasked = np.ones(len(candidate.faces), bool)
        for _ in range(MENDINGS):
            if look.worst_mm > tolerance:
                where = self.two_way.beyond(look, candidate, tolerance)
            else:
                where, crossings = self._crossing(candidate, unasked), crossings + 1
                if len(where) == 0 or crossings > CROSSINGS:
                    return candidate, look
                unasked[:] = False
            mended = self._sound(candidate.undone(candidate.drawn_into(where)), most)
            if mended is None:
                return None
            row = candidate.faces_in(mended)
            look, candidate = self.two_way.again(look, row, mended, tolerance), mended
            unasked = _new_or(unasked, row, len(mended.faces))
        return None

    def _crossing(self, candidate: Contraction, among: BoolArray) -> LongArray:
        """(k,) vertices, into which others were drawn, of faces that cross where one of some (m,) takes part."""
        at = np.zeros(len(candidate.into), bool)
        at[candidate.faces[crossed_faces(candidate.places, candidate.faces, among)]] = True
        return np.flatnonzero(at & (np.bincount(candidate.into, minlength=len(at)) > 1))

    def nearly_all(self, candidate: Contraction) -> float:
        """The distance within which nearly all places of the two surfaces lie, mm."""
        return float(np.quantile(self.two_way.quick(candidate, QUICK), NEARLY_ALL))

    def _collapsed(self, count: int, aggressiveness: float) -> Contraction | None:
        """About ``count`` faces, or where the library ends before that, sound or not; None when it is not to be had."""
        import fast_simplification

        source = self.stone if count < len(self.stone.faces) else self.whole
        if count >= len(source.faces) or self.two_way.edge == 0:
            return None
        is_used = np.zeros(len(source.into), bool)
        is_used[source.faces] = True
        used = np.flatnonzero(is_used)
        faces = (np.cumsum(is_used, dtype=np.int32) - 1)[source.faces]
        middle, scale = self.mesh.vertices.mean(axis=0), UNIT_EDGE / self.two_way.edge
        places, _, collapses = fast_simplification.simplify(
            (source.places[used] - middle) * scale,
            faces,
            target_count=count,
            agg=aggressiveness,
            preserve_border=True,
            return_collapses=True,
        )
        return source.collapsed(used, places / scale + middle, collapses.astype(np.int64))

    def _damage(self, candidate: Contraction, after: TopologyReport) -> str:
        """What the candidate broke, or nothing."""
        if len(candidate.faces) == 0:
            return "nothing is left"
        broken = _worse(self.report, after)
        if broken:
            return broken
        if self.lost(candidate).any():
            return "a piece is lost"
        if area(candidate.places, candidate.faces) > (1 + AREA_CHANGE) * self.area:
            return "the area grows"
        if self.report.watertight and abs(volume(candidate.places, candidate.faces) / self.volume - 1) > VOLUME_CHANGE:
            return "the volume changes"
        return ""


def to_tolerance(mesh: Mesh, tolerance_mm: float) -> Decimated:
    """The coarsest mesh found that lies within a tolerance of this one, measured both ways."""
    return _within_tolerance(Original(mesh), tolerance_mm)


def to_count(mesh: Mesh, faces_count: int, tolerance_mm: float | None = None) -> Decimated:
    """About ``faces_count`` faces, more where fewer would break the surface or leave the tolerance."""
    original = Original(mesh)
    count, step = faces_count, SMALL_STEP
    while count < len(original.whole.faces):
        candidate = original.reduced(count)
        if candidate is None:
            count, step = max(count + 1, int(step * count)), min(step**2, LARGEST_STEP)
        elif tolerance_mm is None:
            largest = float(original.two_way.quick(candidate, QUICK).max())
            look = original.two_way.look(candidate, largest)
            return _finished(original, candidate, look.worst_mm, look.mean_mm)
        elif original.nearly_all(candidate) <= AT_MOST * tolerance_mm:
            return _proven(original, count, candidate, tolerance_mm)
        else:
            return _within_tolerance(original, tolerance_mm)
    return _finished(original, original.whole, 0.0, 0.0)


def _within_tolerance(original: Original, tolerance_mm: float) -> Decimated:
    """The coarsest mesh found.

    The deviation of a good decimation falls as one over the number of faces. The search goes by that law, and then
    between the finest count that failed and the coarsest that held. It is judged by nearly all places; the few that
    lie too far off keep the triangles they had.
    """
    low, high, best = (FEWEST, np.inf), (len(original.whole.faces), 0.0), None
    count = max(FEWEST, min(high[0] // 4, high[0] - 1))
    for _ in range(STEPS):
        candidate = original.reduced(count)
        nearly_all = np.inf if candidate is None else original.nearly_all(candidate)
        if candidate is not None and original.stone is original.whole and nearly_all <= HARDLY * tolerance_mm:
            original.stone = candidate
        if nearly_all > AT_MOST * tolerance_mm:
            low = (count, nearly_all)
        else:
            high, best = (count, nearly_all), candidate
            if nearly_all > CLOSE_ENOUGH * tolerance_mm or candidate is original.ended:
                break
        if high[0] - low[0] <= NARROW * high[0]:
            break
        count = _next_count(low, high, AIM * tolerance_mm)
    return _proven(original, high[0], best, tolerance_mm)


def _proven(original: Original, count: int, candidate: Contraction | None, tolerance_mm: float) -> Decimated:
    """The candidate of so many faces, made to lie within the tolerance, or the first finer one that can be."""
    while count < len(original.whole.faces):
        candidate = original.reduced(count) if candidate is None else candidate
        found = None if candidate is None else original.within(candidate, MARGIN * tolerance_mm)
        if found is not None:
            return _finished(original, found[0], found[1].worst_mm, found[1].mean_mm)
        count, candidate = max(count + 1, int(FINER * count)), None
    return _finished(original, original.whole, 0.0, 0.0)


def _next_count(low: tuple[int, float], high: tuple[int, float], aim: float) -> int:
    """Where the deviation aimed at is expected, between two counts and theirs.

    Along the line between the two on a logarithmic scale; from one of them alone as one over the count.
    """
    (few, far), (many, near) = low, high
    if np.isfinite(far) and near > 0:
        guess = few * (many / few) ** (np.log(far / aim) / np.log(far / near))
    elif near > 0:
        guess = many * max(near / aim, 0.2)
    else:
        guess = few * min(far / aim, 4.0)
    return int(np.clip(guess, few + 0.1 * (many - few), few + 0.9 * (many - few)))


def _finished(original: Original, contraction: Contraction, worst_mm: float, mean_mm: float) -> Decimated:
    carried = original.mesh if contraction is original.whole else _carried(original, contraction.contracted)
    return Decimated(carried, worst_mm, mean_mm, original.tries, tuple(original.refused))


def _carried(original: Original, mesh: Mesh) -> Mesh:
    """Colours and ``filled`` flags from the nearest place of the original; a face is filled when half of it is."""
    old = original.mesh
    colours = None
    if old.colours is not None:
        face, weights = original.two_way.surface.nearest(mesh.vertices)
        blend = np.einsum("nk,nki->ni", weights, old.colours[old.faces[face]].astype(float))
        colours = np.clip(np.round(blend), 0, 255).astype(np.uint8)
    filled = np.zeros(len(mesh.faces), bool)
    if old.filled.any():
        corners = mesh.vertices[mesh.faces]
        middle = corners.mean(axis=1, keepdims=True)
        inside = np.concatenate([middle, (corners + middle) / 2], axis=1)
        face, _ = original.two_way.surface.nearest(inside.reshape(-1, 3))
        filled = old.filled[face].reshape(-1, 4).mean(axis=1) >= 0.5
    return Mesh(mesh.vertices, mesh.faces, filled, colours)


def _new_or(chosen: BoolArray, row: IndexArray, count: int) -> BoolArray:
    """(count,) which faces are new, or were among some (k,) before whose numbers are ``row`` now, -1 where gone."""
    found = np.ones(count, bool)
    found[row[row >= 0]] = chosen[row >= 0]
    return found


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
