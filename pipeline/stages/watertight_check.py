"""`watertight-check`: every defect of the surface counted and located, mended as far as allowed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import ClassVar, Literal

from pipeline.geometry.repair import oriented, with_fans_split, without_degenerates, without_duplicates
from pipeline.geometry.self_intersection import crossed_faces
from pipeline.geometry.topology import TopologyReport, inspect_mesh
from pipeline.part import Form, Mesh, Part
from pipeline.places import carried
from pipeline.stage import Measure, Stage, StageContext

COUNTED = (
    ("boundary_edges", "boundary", "edges with one face, where the surface is open"),
    ("nonmanifold_edges", "nonmanifold-edge", "edges with more than two faces"),
    ("nonmanifold_vertices", "nonmanifold-vertex", "vertices where pieces of surface touch in a point"),
    ("misoriented_edges", "misoriented", "edges whose two faces are turned against one another"),
    ("duplicate_faces", "duplicate", "faces that are there twice"),
    ("degenerate_faces", "degenerate", "faces without area"),
    ("inside_out", "inside-out", "closed pieces of surface that point inwards"),
)

REPAIRS: Mapping[str, tuple[tuple[str, Callable[[Mesh], Mesh]], ...]] = {
    "none": (),
    "orient": (("turned faces so that all point outwards", oriented),),
    "clean": (
        ("dropped faces that were there twice", without_duplicates),
        ("took out faces without area", without_degenerates),
        ("turned faces so that all point outwards", oriented),
        ("parted pieces of surface that touched in a point", with_fans_split),
    ),
}


class WatertightCheck(Stage):
    """Counts what keeps a surface from being closed, mends what needs no new surface, and says what is left."""

    takes: ClassVar[Form] = "mesh"
    gives: ClassVar[Form] = "mesh"
    finishing: ClassVar[bool] = True
    measures: ClassVar[Mapping[str, Measure]] = MappingProxyType(
        {
            **{f"{name}_count": Measure("count", text) for name, _, text in COUNTED},
            "loops_count": Measure("count", "borders of the surface: holes and outer edges"),
            "components_count": Measure("count", "separate pieces of surface"),
            "cavities_count": Measure("count", "closed pieces that lie inside another one"),
            "genus_count": Measure(
                "count", "handles: through-going openings of the whole surface, where it has a genus"
            ),
            "defects_count": Measure("count", "all defects above together; 0 means watertight"),
            "self_intersecting_faces_count": Measure("count", "faces that pass through another one, where asked for"),
            "repaired_count": Measure("count", "defects found that the repair took away"),
        }
    )

    stage: Literal["watertight-check"] = "watertight-check"
    required: bool = True
    """Whether the part must be watertight. A surface that is not is then sent to a person (review)."""
    repair: Literal["none", "orient", "clean"] = "clean"
    """What may be mended: nothing; only which way faces look; or also doubled and empty faces and pieces that
    touch in a point. Holes are never closed here."""
    self_intersections: bool = False
    """Whether to look for faces that pass through one another (some seconds more per million faces)."""

    def run(self, part: Part, context: StageContext) -> Part:
        mesh = part.mesh
        if mesh is None or len(mesh.faces) == 0:
            raise ValueError("watertight-check needs a mesh")
        found = inspect_mesh(mesh)
        mesh, report = self._repaired(mesh, found, context)
        self._record(report, context)
        context.measure("repaired_count", max(_defects(found) - _defects(report), 0))
        crossed = self._crossed(mesh, context) if self.self_intersections else 0
        if self.required and (not report.watertight or crossed):
            context.doubt(
                "not-watertight",
                f"The surface of {part.name} is not watertight: {_sentence(report, crossed)}.",
                "Scan the open places, let hole-fill close them, or set required: false where an open border is right.",
            )
        return part.with_mesh(mesh)

    def _repaired(self, mesh: Mesh, report: TopologyReport, context: StageContext) -> tuple[Mesh, TopologyReport]:
        """The mesh after each allowed repair that leaves it better, and its report."""
        for text, mend in REPAIRS[self.repair]:
            if report.watertight:
                break
            mended = mend(mesh)
            after = inspect_mesh(mended) if mended is not mesh else report
            if after is not report and (changed := _changed(report, after)):
                if _defects(after) > _defects(report):
                    context.warn(f"Not repaired, because it would do harm: {text} ({changed}).")
                    continue
                context.warn(f"Repair {text}: {changed}.")
                mesh, report = mended, after
        return mesh, report

    def _record(self, report: TopologyReport, context: StageContext) -> None:
        for name, place, text in COUNTED:
            count = getattr(report, name)
            context.measure(f"{name}_count", count)
            if count:
                context.warn(f"{count} {text}, first at {carried(report.places[place][0])}.")
        context.measure("loops_count", report.loops_count)
        context.measure("components_count", len(report.components))
        context.measure("cavities_count", sum(component.cavity for component in report.components))
        context.measure("defects_count", _defects(report))
        if report.genus >= 0:
            context.measure("genus_count", report.genus)

    def _crossed(self, mesh: Mesh, context: StageContext) -> int:
        crossed = crossed_faces(mesh.vertices, mesh.faces)
        count = int(crossed.sum())
        context.measure("self_intersecting_faces_count", count)
        if count:
            first = mesh.vertices[mesh.faces[crossed][:1]].mean(axis=1)
            context.warn(f"{count} faces pass through another face, first at {carried(first[0])}.")
        return count


def _defects(report: TopologyReport) -> int:
    return sum(getattr(report, name) for name, _, _ in COUNTED)


def _changed(before: TopologyReport, after: TopologyReport) -> str:
    pairs = [(name, getattr(before, name), getattr(after, name)) for name, _, _ in COUNTED]
    return ", ".join(f"{name.replace('_', ' ')} {old} -> {new}" for name, old, new in pairs if old != new)


def _sentence(report: TopologyReport, crossed: int) -> str:
    parts = [
        f"{getattr(report, name)} {text} (first at {carried(report.places[place][0])})"
        for name, place, text in COUNTED
        if getattr(report, name)
    ]
    if crossed:
        parts.append(f"{crossed} faces pass through another one")
    return "; ".join(parts)
