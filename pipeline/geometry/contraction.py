"""A mesh whose vertices have been drawn together, and how some of that is taken back."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.geometry.edges import connected, touching
from pipeline.geometry.kinds import triple_keys
from pipeline.geometry.repair import mended_degenerates, single_faces, used_only
from pipeline.part import BoolArray, FloatArray, IndexArray, LongArray, Mesh


@dataclass(frozen=True, eq=False)
class Contraction:
    """What became of every vertex of a mesh.

    Every mesh that edge collapse can give is such a contraction, and so is what lies between: where the vertices drawn
    into one are given back, the mesh is there as it was, and the rest is as it is (compare the vertex trees of
    Hoppe 1997).

    Attributes
    ----------
    mesh : before; every vertex is used
    into : (n,) the vertex that each of its vertices has become
    places : (n, 3) where those lie, mm; only the rows named by ``into`` count
    """

    mesh: Mesh
    into: LongArray
    places: FloatArray

    @cached_property
    def faces(self) -> IndexArray:
        """(k, 3) faces that are left, by the numbers of the mesh before.

        Without what a collapse leaves behind: fins of two faces back to back, and faces without area.
        """
        drawn = np.take(self.into, self.mesh.faces)
        one, two, three = drawn.T
        drawn = drawn[(one != two) & (two != three) & (three != one)].astype(np.int32)
        return mended_degenerates(Mesh(self.places, drawn[single_faces(drawn)])).faces

    @property
    def contracted(self) -> Mesh:
        """The mesh after, with vertices of its own."""
        return used_only(Mesh(self.places, self.faces))

    def drawn_into(self, vertices: IndexArray | LongArray) -> BoolArray:
        """(n,) what was drawn into some vertices (k,), these as well."""
        chosen = np.zeros(len(self.into), bool)
        chosen[vertices] = True
        return chosen[self.into]

    def undone(self, back: BoolArray) -> Contraction:
        """With some vertices (n,) back in their old places; all that was drawn into one must be among them."""
        into, places = self.into.copy(), self.places.copy()
        into[back], places[back] = np.flatnonzero(back), self.mesh.vertices[back]
        return Contraction(self.mesh, into, places)

    def faces_in(self, other: Contraction) -> IndexArray:
        """(k,) the number that each face has in another contraction, -1 where it is not there or lies elsewhere."""
        moved = (self.places != other.places).any(axis=1)
        mine, others = triple_keys(self.faces), triple_keys(other.faces)
        order = np.argsort(others)
        found = order[np.minimum(np.searchsorted(others, mine, sorter=order), len(others) - 1)]
        there = (other.faces[found] == self.faces).all(axis=1) & ~touching(self.faces, moved)
        return np.where(there, found, -1).astype(np.int32)

    def collapsed(self, used: LongArray, places: FloatArray, collapses: LongArray) -> Contraction | None:
        """With more vertices drawn together.

        Parameters
        ----------
        used : (u,) the vertices that ``faces`` use
        places : (k, 3) where those of them lie that are left, in the same order
        collapses : (c, 2) by the numbers of ``used``: the second was drawn into the first

        Returns
        -------
        None where the collapses do not leave these places.
        """
        gone = np.zeros(len(used), bool)
        gone[collapses[:, 1]] = True
        left = np.flatnonzero(~gone)
        group = connected(len(used), collapses[:, 0], collapses[:, 1])
        if len(left) != int(group.max(initial=-1)) + 1 or len(left) != len(places):
            return None
        of_group = np.empty(len(left), np.int64)
        of_group[group[left]] = used[left]
        step = np.arange(len(self.into))
        step[used] = of_group[group]
        moved = self.places.copy()
        moved[used[left]] = places
        return Contraction(self.mesh, step[self.into], moved)


def nothing_contracted(mesh: Mesh) -> Contraction:
    """Every vertex in its place."""
    return Contraction(mesh, np.arange(len(mesh.vertices)), mesh.vertices)
