"""`hole-fill`: closes holes that are small enough, carries on the surface around them, and flags every new face."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import chain
from types import MappingProxyType
from typing import ClassVar, Literal

import numpy as np
from pydantic import Field

from pipeline.geometry.bores import Bore, find_bores, with_walls
from pipeline.geometry.boundary import boundary_loops
from pipeline.geometry.closing import closed_surface
from pipeline.geometry.hole_filling import fill
from pipeline.geometry.holes import Hole, Opening, find_holes
from pipeline.geometry.incidence import Incidence
from pipeline.geometry.junctions import with_junctions
from pipeline.geometry.measure import face_areas, mean_cell
from pipeline.geometry.rims import rims_on_walls
from pipeline.geometry.torn_walls import with_torn_walls
from pipeline.geometry.wall_pieces import Seen
from pipeline.geometry.windows import with_windows
from pipeline.part import Form, Mesh, Part
from pipeline.places import carried
from pipeline.stage import Measure, Stage, StageContext

SHARE_OF_PART = 0.1
"""Without ``max_diameter_mm``: holes up to this share of the part's largest extent."""


class HoleFill(Stage):
    """Closes holes in the surface where nothing was measured, as smoothly as the surface around them allows."""

    takes: ClassVar[Form] = "mesh"
    gives: ClassVar[Form] = "mesh"
    measures: ClassVar[Mapping[str, Measure]] = MappingProxyType(
        {
            "holes_before_count": Measure("count", "open borders found"),
            "holes_filled_count": Measure("count", "holes closed, bores and mouths among them"),
            "holes_left_count": Measure("count", "open borders left, counted again afterwards"),
            "guesses_count": Measure("count", "holes closed across an edge of the part, whose shape there is a guess"),
            "largest_filled_mm": Measure("mm", "diameter of the largest hole, bore or mouth closed"),
            "largest_left_mm": Measure("mm", "diameter of the largest border left"),
            "filled_area_mm2": Measure("mm2", "area that no capture measured, all of it"),
            "filled_percent": Measure("percent", "share of the area that no capture measured"),
        }
    )

    stage: Literal["hole-fill"] = "hole-fill"
    max_diameter_mm: float | None = Field(default=None, gt=0)
    """Holes wider than this stay open; by default a tenth of the part's largest extent."""
    fill_bores: bool = False
    """Whether to close also bores and mouths: openings that the surface runs into all round."""
    fill_outer_border: bool = False
    """Whether to close also the outer border of a part that was not scanned from all sides."""
    close_all: bool = False
    """Whether the surface must be closed: where openings remain after the patches, one closed surface is laid through
    all that is there; bores and mouths go on between their rims. What it adds is flagged as filled."""

    def run(self, part: Part, context: StageContext) -> Part:
        mesh = part.mesh
        if mesh is None or len(mesh.faces) == 0:
            raise ValueError("hole-fill needs a mesh")
        widest = self.max_diameter_mm or SHARE_OF_PART * float(np.ptp(mesh.vertices, axis=0).max())
        around = Incidence(mesh.faces, len(mesh.vertices))
        holes = find_holes(mesh, around)
        why_left = {id(hole): self._stays_open(hole, widest) for hole in holes}
        result = fill(mesh, [hole for hole in holes if not why_left[id(hole)]], around)
        left = [(hole, why_left[id(hole)]) for hole in holes if why_left[id(hole)]] + list(result.refused)
        mesh = result.mesh
        if self.close_all and left:
            mesh, left = _closed(mesh, left, around, context)
        _record(holes, left, result.closed, mesh, context)
        return part.with_mesh(mesh)

    def _stays_open(self, hole: Hole, widest: float) -> str:
        """Why a hole is not to be closed, or nothing."""
        if hole.kind is Opening.OUTER and not self.fill_outer_border:
            return "it is the outer border of what was scanned"
        if hole.kind is Opening.BORE and not self.fill_bores:
            return "it is a bore or a mouth"
        if hole.diameter_mm > widest and hole.kind is not Opening.OUTER:
            return f"it is wider than {widest:.1f} mm"
        return ""


def _closed(
    mesh: Mesh, left: list[tuple[Hole, str]], around: Incidence, context: StageContext
) -> tuple[Mesh, list[tuple[Hole, str]]]:
    """One closed surface through an open one, and what is still left open."""
    openings = [hole for hole, _ in left]
    seen = Seen(mesh)
    walled, met, bores, windows = _walled(seen, openings, around)
    closed = closed_surface(walled)
    if closed is None and walled is not seen:
        met, bores, windows, closed = [], [], [], closed_surface(seen)
    if closed is None:
        context.doubt(
            "not-closed",
            f"Openings that could not be closed ({len(left)}): {_list(openings)}.",
            "Scan the places where data are missing, or order an open surface.",
        )
        return mesh, left
    text = (
        f"Openings closed by one surface laid through all that is there; how it runs between their rims is a guess "
        f"({len(left)}): {_list(openings)}."
    )
    if met:
        text += f" Taken for bores that go on where nobody saw it: {_list(met)}."
    if bores:
        text += f" Taken for through bores whose middle nobody saw: {_bores(bores)}."
    if windows:
        text += f" Across these, a round wall was carried on: {_list(windows)}."
    if max(hole.diameter_mm for hole in openings) > SHARE_OF_PART * float(np.ptp(mesh.vertices, axis=0).max()):
        context.doubt("wide-guess", text, "Look at the filled places. Scan them, unless the guess will do.")
    else:
        context.warn(text)
    return closed, []


def _walled(seen: Seen, openings: list[Hole], around: Incidence) -> tuple[Seen, list[Hole], list[Bore], list[Hole]]:
    """What was seen with guessed walls beside it; bores that go on into others, through bores, and other openings."""
    mesh, cell = seen.mesh, mean_cell(seen.mesh.vertices, seen.mesh.faces)
    rims = rims_on_walls(mesh, openings, around, cell)
    walled, met = with_junctions(seen, rims, cell)
    walled, windows = with_windows(walled, rims, cell)
    walled, torn = with_torn_walls(walled, rims, cell)
    bores = find_bores(mesh, [hole for hole in openings if hole not in met], around)
    whole = [bore for bore in bores if any({bore.one, bore.other} <= set(holes) for holes in torn)]
    walled, between = with_walls(walled, [bore for bore in bores if bore not in whole], cell)
    bores = whole + between
    ends = {end for bore in bores for end in (bore.one, bore.other)}
    return walled, met, bores, [hole for hole in dict.fromkeys([*windows, *chain(*torn)]) if hole not in ends]


def _record(
    holes: list[Hole], left: list[tuple[Hole, str]], patched: tuple[Hole, ...], mesh: Mesh, context: StageContext
) -> None:
    """Measure what was closed, by patches of their own or by one surface together, and what was left."""
    still_open = {hole for hole, _ in left}
    closed = [hole for hole in holes if hole not in still_open]
    areas = face_areas(mesh.vertices, mesh.faces)
    guesses = [hole for hole in patched if hole.kind is Opening.CORNER]
    context.measure("holes_before_count", sum(1 + hole.islands for hole in holes))
    context.measure("holes_filled_count", sum(1 + hole.islands for hole in closed))
    context.measure("holes_left_count", len(boundary_loops(mesh.faces)))
    context.measure("guesses_count", len(guesses))
    context.measure("largest_filled_mm", max((hole.diameter_mm for hole in closed), default=0.0))
    context.measure("largest_left_mm", max((hole.diameter_mm for hole, _ in left), default=0.0))
    context.measure("filled_area_mm2", float(areas[mesh.filled].sum()))
    context.measure("filled_percent", 100 * float(areas[mesh.filled].sum() / areas.sum()))
    if guesses:
        context.warn(
            f"Holes across an edge of the part, where the surface is a guess ({len(guesses)}): {_list(guesses)}."
        )
    for why in dict.fromkeys(why for _, why in left):
        those = [hole for hole, reason in left if reason == why]
        context.warn(f"{len(those)} left open ({why}): {_list(those)}.")


def _bores(bores: list[Bore]) -> str:
    """From where to where, and how far that is."""
    return "; ".join(
        f"from {carried(bore.centres[0])} to {carried(bore.centres[1])}, {bore.depth_mm:.1f} mm apart" for bore in bores
    )


def _list(holes: list[Hole]) -> str:
    """The largest three with their places."""
    some = sorted(holes, key=lambda hole: -hole.diameter_mm)[:3]
    places = [f"{hole.diameter_mm:.1f} mm wide at {carried(hole.centre)}" for hole in some]
    return "; ".join(places) + (f"; and {len(holes) - 3} more" if len(holes) > 3 else "")
