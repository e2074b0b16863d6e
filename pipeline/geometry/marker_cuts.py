"""A surface without the lumps on it: cut out, and carried on across the cuts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.geometry.hole_filling import fill
from pipeline.geometry.holes import find_holes
from pipeline.geometry.incidence import Incidence
from pipeline.geometry.marker_lumps import Lump
from pipeline.geometry.repair import used_only
from pipeline.part import BoolArray, FloatArray, Mesh


@dataclass(frozen=True, eq=False, slots=True)
class Cleared:
    """A mesh without its lumps.

    Attributes
    ----------
    mesh : patched; every new face is flagged as filled
    cut : (m,) bool, faces of the old mesh that were cut out
    guesses : (3,) places of cuts across an edge of the part, whose shape there is a guess
    open : cuts that could not be closed
    """

    mesh: Mesh
    cut: BoolArray
    guesses: tuple[FloatArray, ...]
    open: int


def cleared(mesh: Mesh, lumps: Sequence[Lump]) -> Cleared:
    """Cut lumps out and carry the surface on across the cuts, as ``hole_filling`` does across holes."""
    cut = np.zeros(len(mesh.faces), bool)
    for lump in lumps:
        cut[lump.faces] = True
    opened = replace(mesh, faces=mesh.faces[~cut], filled=mesh.filled[~cut])
    rim = np.zeros(len(mesh.vertices), bool)
    rim[mesh.faces[cut]] = True
    around = Incidence(opened.faces, len(opened.vertices))
    holes = find_holes(opened, around)
    ours = [hole for hole in holes if rim[hole.loop].all()]
    mixed = [hole for hole in holes if rim[hole.loop].mean() > 0.5 and not rim[hole.loop].all()]
    result = fill(opened, ours, around)
    return Cleared(
        mesh=used_only(result.mesh),
        cut=cut,
        guesses=tuple(lump.place for lump in lumps if lump.across_edge),
        open=len(result.refused) + len(mixed),
    )
