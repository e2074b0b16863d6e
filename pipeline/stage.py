"""Read this first: what a stage is.

A stage is a frozen pydantic model. Its fields are its parameters (each with a docstring: unit, effect),
its one method ``run`` is the work. It takes a part and gives a new part, never changing the one it was
given. What it learns on the way it tells the context: a measure, a warning, or that the job must stop.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import ClassVar, Literal, NoReturn

import numpy as np
from pydantic import BaseModel, ConfigDict

from pipeline.errors import JobStopped, Outcome
from pipeline.part import Form, Part

MeasureUnit = Literal["mm", "mm2", "mm3", "count", "percent", "deg", "ratio", "per_mm2", "g"]
UNIT_SIGNS: Mapping[str, str] = MappingProxyType(
    {
        "mm": "mm",
        "mm2": "mm²",
        "mm3": "mm³",
        "count": "",
        "percent": "%",
        "deg": "°",
        "ratio": "",
        "per_mm2": "per mm²",
        "g": "g",
    }
)
"""How people write the units of measures."""


@dataclass(frozen=True, slots=True)
class Measure:
    """A number that a stage promises to record, declared so that limits can be checked before the night."""

    unit: MeasureUnit
    text: str


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a job is not simply accepted, in words for the operator."""

    outcome: Outcome
    code: str
    text: str
    remedy: str
    capture: str | None = None


@dataclass(slots=True)
class StageContext:
    """What a stage may use of the world around it, and nothing else.

    Attributes
    ----------
    rng : the job's random numbers; the same seed for the same captures and recipe
    folder : where the job's files are written
    of_captures : measures of one capture or of a pair, by their names
    """

    rng: np.random.Generator
    folder: Path
    declared: Mapping[str, Measure]
    measures: dict[str, float] = field(default_factory=dict)
    of_captures: dict[tuple[str, ...], dict[str, float]] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)
    reasons: list[Reason] = field(default_factory=list)

    def measure(self, name: str, value: float, *captures: str) -> None:
        """Record a declared measure. A value that is not finite is a defect of the stage.

        With the name of a capture, or of two, it is that one's, or of that pair: told beside the whole part's, and no
        limit looks at it.
        """
        if name not in self.declared:
            raise KeyError(f"measure {name!r} is not declared by the stage")
        if not np.isfinite(value):
            raise ValueError(f"measure {name!r} is {value}")
        of = self.of_captures.setdefault(captures, {}) if captures else self.measures
        of[name] = float(value)

    def warn(self, text: str) -> None:
        """Something worth reading that changes no outcome."""
        self.warnings.append(text)

    def doubt(self, code: str, text: str, remedy: str, capture: str | None = None) -> None:
        """The work goes on, but a person must look: the job can no longer be accepted, only ``review``.

        What is to be looked at stands in a sentence of the remedy that begins with "Look"; the others are done by
        hand, and for a job that is scanned again they are told at the bench.
        """
        self.reasons.append(Reason(Outcome.REVIEW, code, text, remedy, capture))

    def stop(self, outcome: Outcome, code: str, text: str, remedy: str, capture: str | None = None) -> NoReturn:
        """End the job here with an outcome, the reason and the remedy."""
        raise JobStopped(outcome, code, text, remedy, capture)


class Stage(BaseModel):
    """One step of the chain. Subclasses add ``stage: Literal["their-name"]``, parameters and ``run``."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, use_attribute_docstrings=True
    )

    takes: ClassVar[Form]
    gives: ClassVar[Form]
    measures: ClassVar[Mapping[str, Measure]] = MappingProxyType({})
    alters: ClassVar[bool] = True
    """False for stages that only look, or write."""
    finishing: ClassVar[bool] = False
    """True for stages that judge or write the finished mesh: nothing may change it after them."""

    stage: str

    def apply(self, part: Part, context: StageContext) -> Part:
        """Do the work on a part that has something to work on; what the runner calls.

        Raises
        ------
        JobStopped
            When nothing is left of the captures or of the surface, or when the stage stops the job.
        """
        remedy = "Look at what the stages before it removed. Scan again, unless that was the part."
        captures_empty = any(len(capture.points) == 0 for capture in part.captures) or not part.captures
        if captures_empty and self.takes == "captures":
            empty = next((capture.name for capture in part.captures if len(capture.points) == 0), None)
            text = f"No points are left{f' of {empty}' if empty else ''} when {self.stage} begins."
            context.stop(Outcome.RESCAN, "nothing-left", text, remedy, empty)
        if self.takes == "mesh" and (part.mesh is None or len(part.mesh.faces) == 0):
            text = f"There is no surface when {self.stage} begins."
            context.stop(Outcome.RESCAN, "nothing-left", text, remedy)
        return self.run(part, context)

    @abstractmethod
    def run(self, part: Part, context: StageContext) -> Part:
        """Do the work: a new part, never changing the given one. Raises JobStopped through ``context.stop``.

        No capture is empty when the stage takes captures, and there is a mesh with faces when it takes a mesh.
        """

    def words(self, name: str) -> str:
        """What a measure of this stage is, in words; where its parameters tell more than its declaration, those too."""
        return self.all_measures()[name].text

    @classmethod
    def all_measures(cls) -> dict[str, Measure]:
        """The stage's own measures and those that the runner takes around every stage."""
        return {**SIZE_MEASURES, **cls.measures}


SIZE_MEASURES: Mapping[str, Measure] = MappingProxyType(
    {
        f"{name}_{when}_{measure.unit}": Measure(measure.unit, f"{measure.text} {when} the stage")
        for when in ("before", "after")
        for name, measure in {
            "points": Measure("count", "points kept of all captures"),
            "faces": Measure("count", "triangles"),
            "area": Measure("mm2", "area of the surface"),
            "volume": Measure("mm3", "volume, where the surface is closed"),
            "extent_x": Measure("mm", "size along x"),
            "extent_y": Measure("mm", "size along y"),
            "extent_z": Measure("mm", "size along z"),
        }.items()
    }
)
