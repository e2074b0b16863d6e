"""``marker-removal``: lumps and stickers that only helped to scan are cut out, and the surface carried on beneath."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import ClassVar, Literal

import numpy as np
from pydantic import Field

from pipeline.geometry.marker_cuts import Cleared, cleared
from pipeline.geometry.marker_lumps import Lump, LumpFinder, merged
from pipeline.geometry.marker_search import raised_spots
from pipeline.geometry.measure import face_areas
from pipeline.geometry.region import points_on
from pipeline.geometry.sampling import noise_level
from pipeline.part import Capture, FloatArray, Form, Mesh, Part, transformed
from pipeline.places import carried
from pipeline.stage import Measure, Stage, StageContext

NOISES = 2.0
"""A marker no higher than this many times the points' noise is not seen in the surface, and stays."""


class MarkerRemoval(Stage):
    """Cuts markers out of the surface at the places that the ticket gives, and closes the cuts smoothly."""

    takes: ClassVar[Form] = "mesh"
    gives: ClassVar[Form] = "mesh"
    measures: ClassVar[Mapping[str, Measure]] = MappingProxyType(
        {
            "markers_given_count": Measure("count", "different places that the ticket gives"),
            "markers_detected_count": Measure("count", "markers found that the ticket does not give"),
            "markers_removed_count": Measure("count", "markers cut out"),
            "guesses_count": Measure("count", "cuts across an edge of the part, whose shape there is a guess"),
            "highest_mm": Measure("mm", "height of the highest marker above the surface"),
            "removed_area_mm2": Measure("mm2", "area cut out"),
        }
    )

    stage: Literal["marker-removal"] = "marker-removal"
    diameter_mm: float = Field(6.0, gt=0)
    """Width of a marker's foot. A little more is cut out, as meshing rounds its foot off."""
    detect: bool = False
    """Whether to look also for markers that the ticket does not give: round lumps of that width on smooth surface. A
    boss of the part that looks like one goes with them, so what was found is always a question (review)."""

    def run(self, part: Part, context: StageContext) -> Part:
        mesh = part.mesh
        if mesh is None or len(mesh.faces) == 0:
            raise ValueError("marker-removal needs a mesh")
        places = self._places(part)
        noise = max((noise_level(capture.points) for capture in part.captures), default=0.0)
        lumps = self._lumps(part, mesh, places, noise, context)
        found = self._detected(part, mesh, lumps, noise, context) if self.detect else []
        lumps = [*lumps, *found]
        context.measure("markers_given_count", len(places))
        context.measure("markers_detected_count", len(found))
        context.measure("markers_removed_count", len(lumps))
        context.measure("highest_mm", max((lump.height for lump in lumps), default=0.0))
        if not lumps:
            context.measure("guesses_count", 0)
            context.measure("removed_area_mm2", 0.0)
            return part
        result = cleared(mesh, lumps)
        context.measure("guesses_count", len(result.guesses))
        context.measure("removed_area_mm2", float(face_areas(mesh.vertices, mesh.faces)[result.cut].sum()))
        _judge(part, result, context)
        captures = [self._without_markers(capture, mesh, result) for capture in part.captures]
        return part.with_captures(captures).with_mesh(result.mesh)

    def _places(self, part: Part) -> FloatArray:
        """(k, 3) markers of all captures in the part's frame, each once."""
        told = [transformed(capture.markers, capture.part_from_capture) for capture in part.captures]
        return merged(np.concatenate([np.zeros((0, 3)), *told]), self.diameter_mm / 2)

    def _lumps(self, part: Part, mesh: Mesh, places: FloatArray, noise: float, context: StageContext) -> list[Lump]:
        if not len(places):
            return []
        finder = LumpFinder(mesh, self.diameter_mm)
        found = [(place, finder.at(place)) for place in places]
        bare = [place for place, lump in found if lump is None]
        seen = [(place, lump) for place, lump in found if lump is not None]
        wide = [place for place, lump in seen if finder.is_wider(lump, place)]
        if bare:
            context.warn(f"Markers of the ticket that lie on no measured surface ({len(bare)}): {_list(bare)}.")
        if wide:
            context.doubt(
                "marker-wider",
                f"Markers of {part.name} wider than {self.diameter_mm:g} mm, of which something is left ({len(wide)}): "
                f"{_list(wide)}.",
                "Write their width into the recipe (marker-removal: diameter_mm) and work the job again.",
            )
        flat = [place for place, lump in seen if lump.height <= NOISES * noise]
        if flat:
            context.warn(f"Markers that stand no higher than the noise and were left ({len(flat)}): {_list(flat)}.")
        return [lump for _, lump in seen if lump.height > NOISES * noise]

    def _detected(self, part: Part, mesh: Mesh, given: list[Lump], noise: float, context: StageContext) -> list[Lump]:
        """Lumps beside those that the ticket gives."""
        new = [
            lump
            for lump in raised_spots(mesh, self.diameter_mm, noise)
            if all(np.linalg.norm(lump.place - other.place) > self.diameter_mm for other in given)
        ]
        if new:
            context.doubt(
                "markers-detected",
                f"Round lumps of {part.name} that were taken for markers and cut out ({len(new)}): "
                f"{_list([lump.place for lump in new])}.",
                "Look whether they were markers. Give the markers' places in the ticket, or set detect: false.",
            )
        return new

    def _without_markers(self, capture: Capture, mesh: Mesh, result: Cleared) -> Capture:
        """Points on a marker are none of the part's: no check may hold them against the surface beneath."""
        on = points_on(mesh, result.cut, capture.points_in_part(), self.diameter_mm / 2)
        return capture.select(~on)


def _judge(part: Part, result: Cleared, context: StageContext) -> None:
    if result.guesses:
        context.doubt(
            "marker-on-edge",
            f"Markers of {part.name} that sat across an edge, where the surface is a guess ({len(result.guesses)}): "
            f"{_list(result.guesses)}.",
            "Look at these places. Stick markers where the surface is smooth.",
        )
    if result.open:
        context.warn(f"Cuts that could not be closed by themselves: {result.open}. They are left to hole-fill.")


def _list(places: list[FloatArray] | tuple[FloatArray, ...]) -> str:
    """The first three with their places."""
    texts = [carried(place) for place in places[:3]]
    return "; ".join(texts) + (f"; and {len(places) - 3} more" if len(places) > 3 else "")
