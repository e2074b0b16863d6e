"""The ticket: what the operator says of a job. Every field is optional."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, field_validator

from pipeline.document import WrittenByPeople, load, validate
from pipeline.part import Declared, Unit

TICKET_FILE = "ticket.yaml"
_NEARLY = re.compile(r"ticket(\.(ya?ml|json|toml|txt|rtf|docx?|odt))*|.*ticket.*\.(ya?ml|json)(\.txt)?", re.IGNORECASE)
"""What people and their editors make of the name; what editors leave behind (``ticket.yaml~``) is none of it."""


def _number_as_name(value: Any) -> Any:
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


Name = Annotated[str, BeforeValidator(_number_as_name), Field(max_length=200)]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Point = Annotated[tuple[float, float, float], Field()]


class TicketCapture(WrittenByPeople):
    """What the operator says of one capture."""

    side: Name | None = None
    """Which side of the part was scanned, in the operator's words."""

    frames: int | None = Field(default=None, gt=0)
    """Frames the scanner recorded."""

    frames_per_second: Positive | None = None
    """Frame rate of the recording."""

    markers: tuple[Point, ...] = Field(default=(), max_length=1000)
    """Centres of stick-on markers, in the capture's own frame and unit."""

    datum: tuple[Point, ...] = ()
    """Three points on the part (plane, line, origin) or six (3-2-1: plane, plane, plane, line, line, origin) that the
    stage ``datum`` lays into the axes with ``pose: points``, in the capture's own frame and unit."""

    @field_validator("datum")
    @classmethod
    def _three_or_six(cls, points: tuple[Point, ...]) -> tuple[Point, ...]:
        if len(points) not in (0, 3, 6):
            raise ValueError(f"a datum is given by three points or by six, not by {len(points)}")
        return points


class Ticket(WrittenByPeople):
    """``ticket.yaml``: who, what, units, frames, markers, recipe."""

    part: Name | None = None
    """What the part is called."""

    client: Name | None = None
    """Who ordered it."""

    operator: Name | None = None
    """Who scanned it."""

    recipe: Name | None = None
    """Name of the recipe to work by."""

    unit: Unit | None = None
    """Unit of the captures' coordinates."""

    captures: dict[str, TicketCapture] = Field(default_factory=dict)
    """What is known of each capture, by file name."""

    expected_size_mm: Positive | tuple[Positive, Positive, Positive] | None = None
    """Largest size of the part, or its three sizes, measured by hand."""

    tolerance_mm: Positive | None = None
    """How far the deliverable may lie from the measured points."""

    riser_height_mm: NotNegative | None = None
    """Height of the riser the part stood on, from the table to the part; 0 says that there was none."""

    aligned: bool = False
    """True when the captures already share one frame."""

    setting: Name | None = None
    """``same`` when part and helper geometry stayed unmoved between the captures; else where and how it was scanned."""

    surface_preparation: Name | None = None
    """Spray, powder or paint on the surface."""

    priority: Literal["low", "normal", "high"] = "normal"
    """Which jobs go first."""

    notes: str | None = None
    """Anything else."""

    def declared(self) -> Declared:
        """The facts that stages may use."""
        size = self.expected_size_mm
        return Declared(
            expected_size_mm=(size,) if isinstance(size, float) else size,
            tolerance_mm=self.tolerance_mm,
            riser_height_mm=self.riser_height_mm,
            aligned=self.aligned,
            same_setting=(self.setting or "").strip().casefold() == "same",
        )


def looks_like_a_ticket(name: str) -> bool:
    """Whether somebody may have meant a file of this name as the ticket, rightly named or not."""
    return _NEARLY.fullmatch(name.strip()) is not None


def load_ticket(path: Path) -> Ticket:
    """A ticket from its file. Raises ConfigurationError with every mistake and its line."""
    return validate(load(path), Ticket)
