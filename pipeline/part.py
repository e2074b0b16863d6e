"""What travels through the chain: captures, the mesh made from them, the files written of it.

Everything here is frozen and its arrays are read-only: a stage returns a new part and never changes
the one it was given. Lengths are millimetres; transforms are 4x4, named ``target_from_source``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
NormalArray = NDArray[np.float32]
ColourArray = NDArray[np.uint8]
IndexArray = NDArray[np.int32]
LongArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

Form = Literal["captures", "mesh"]
Unit = Literal["mm", "cm", "m", "in"]
MM_PER_UNIT: dict[Unit, float] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}


def frozen_array(values: Any, dtype: Any, columns: int | None = None) -> NDArray[Any]:
    """A read-only array of the wanted type; shares memory with ``values`` where it can."""
    array = np.ascontiguousarray(values, dtype=dtype).view()
    if columns is not None and (array.ndim != 2 or array.shape[1] != columns):
        raise ValueError(f"expected an (n, {columns}) array, got shape {array.shape}")
    array.flags.writeable = False
    return array


def _identity() -> FloatArray:
    return frozen_array(np.eye(4), np.float64)


@dataclass(frozen=True, eq=False, slots=True)
class Capture:
    """One exported file: what was scanned from one side, in the scanner's own frame.

    Attributes
    ----------
    name : the file's name
    points : (n, 3) float64, millimetres, capture frame
    normals : (n, 3) float32 unit vectors pointing out of the surface, or None
    colours : (n, 3) uint8 sRGB, or None
    faces : (m, 3) int32 into ``points`` when the capture is a mesh, else None
    part_from_capture : (4, 4) float64
    markers : (k, 3) float64, millimetres, capture frame; stick-on markers the operator listed
    support_plane : (4,) unit normal towards the scene, and offset (height above it = n . x + d), capture frame;
        None where no support was found
    datum_points : (0, 3), (3, 3) or (6, 3) float64, millimetres, capture frame; where the operator wants the datum
    frames, frames_per_second : of the recording, as the ticket says; None where it says nothing
    support_outline : (k, 3) corners of the convex outline of the support as far as it was seen, millimetres,
        capture frame; None where no support was found
    surroundings : a sample of what was removed from around the part (table, paper, riser), in the same frame; None
        before the cleaning, and where there was nothing
    doubtful : (n,) points no higher than what lies around, which may belong to something that touches the part; None
        before the cleaning
    """

    name: str
    points: FloatArray
    normals: NormalArray | None = None
    colours: ColourArray | None = None
    faces: IndexArray | None = None
    part_from_capture: FloatArray = field(default_factory=_identity)
    markers: FloatArray = field(default_factory=lambda: frozen_array(np.zeros((0, 3)), np.float64))
    support_plane: FloatArray | None = None
    datum_points: FloatArray = field(default_factory=lambda: frozen_array(np.zeros((0, 3)), np.float64))
    frames: int | None = None
    frames_per_second: float | None = None
    support_outline: FloatArray | None = None
    surroundings: Capture | None = None
    doubtful: BoolArray | None = None

    def __post_init__(self) -> None:
        _freeze(self, points=(np.float64, 3), normals=(np.float32, 3), colours=(np.uint8, 3), faces=(np.int32, 3))
        _freeze(self, part_from_capture=(np.float64, 4), markers=(np.float64, 3), support_plane=(np.float64, None))
        _freeze(self, datum_points=(np.float64, 3))
        _freeze(self, support_outline=(np.float64, 3), doubtful=(np.bool_, None))
        _same_length(self.points, self.normals, self.colours, self.doubtful)

    def select(self, keep: BoolArray) -> Capture:
        """The capture with only the points where ``keep`` (n,) holds; a face stays when all its corners do."""
        if keep.all():
            return self
        faces = None
        if self.faces is not None:
            position = np.cumsum(keep, dtype=np.int32) - 1
            faces = position[self.faces[keep[self.faces].all(axis=1)]]
        return replace(
            self,
            points=self.points[keep],
            normals=None if self.normals is None else self.normals[keep],
            colours=None if self.colours is None else self.colours[keep],
            faces=faces,
            doubtful=None if self.doubtful is None else self.doubtful[keep],
        )

    def points_in_part(self) -> FloatArray:
        """(n, 3) points in the part's frame, millimetres."""
        return transformed(self.points, self.part_from_capture)

    def normals_in_part(self) -> NormalArray | None:
        """(n, 3) normals in the part's frame, or None."""
        if self.normals is None:
            return None
        return frozen_array(self.normals @ self.part_from_capture[:3, :3].T.astype(np.float32), np.float32)


@dataclass(frozen=True, eq=False, slots=True)
class Mesh:
    """A triangle mesh in the part's frame.

    Attributes
    ----------
    vertices : (n, 3) float64, millimetres
    faces : (m, 3) int32, counter-clockwise seen from outside
    filled : (m,) bool, True where no capture measured the surface
    colours : (n, 3) uint8 sRGB, or None
    """

    vertices: FloatArray
    faces: IndexArray
    filled: BoolArray = None  # type: ignore[assignment]  # None means nothing is filled
    colours: ColourArray | None = None

    def __post_init__(self) -> None:
        if self.filled is None:
            object.__setattr__(self, "filled", np.zeros(len(self.faces), bool))
        _freeze(self, vertices=(np.float64, 3), faces=(np.int32, 3), filled=(np.bool_, None), colours=(np.uint8, 3))
        _same_length(self.vertices, self.colours)
        _same_length(self.faces, self.filled)


@dataclass(frozen=True, slots=True)
class Deliverable:
    """A written file that goes to the client, after it was read back and compared."""

    file: str
    format: str
    unit: Unit
    bytes: int
    sha256: str
    triangles: int
    watertight: bool


@dataclass(frozen=True, slots=True)
class Declared:
    """What the operator's ticket says of the part; None where it says nothing."""

    expected_size_mm: tuple[float, ...] | None = None
    tolerance_mm: float | None = None
    riser_height_mm: float | None = None
    aligned: bool = False
    same_setting: bool = False

    @property
    def diagonal_mm(self) -> float:
        """Longest diagonal that the declared size allows; one size is the largest edge. Infinite where none is told."""
        if self.expected_size_mm is None:
            return math.inf
        edges = self.expected_size_mm if len(self.expected_size_mm) > 1 else self.expected_size_mm * 3
        return math.hypot(*edges)


@dataclass(frozen=True, eq=False, slots=True)
class Part:
    """One physical object on its way from captures to deliverables.

    Attributes
    ----------
    aligned : the captures' poses are known: the ticket says so, or a stage has found them
    """

    name: str
    captures: tuple[Capture, ...]
    mesh: Mesh | None = None
    deliverables: tuple[Deliverable, ...] = ()
    deliverable_from_part: FloatArray = field(default_factory=_identity)
    declared: Declared = field(default_factory=Declared)
    aligned: bool = False

    def __post_init__(self) -> None:
        _freeze(self, deliverable_from_part=(np.float64, 4))
        if self.declared.aligned:
            object.__setattr__(self, "aligned", True)

    def with_captures(self, captures: Sequence[Capture]) -> Part:
        return replace(self, captures=tuple(captures))

    def with_mesh(self, mesh: Mesh) -> Part:
        return replace(self, mesh=mesh)

    @property
    def point_count(self) -> int:
        return sum(len(capture.points) for capture in self.captures)


def transformed(points: FloatArray, target_from_source: FloatArray) -> FloatArray:
    """Points (n, 3) moved by a 4x4 transform; the same array when the transform is the identity."""
    if np.array_equal(target_from_source, np.eye(4)):
        return points
    return points @ target_from_source[:3, :3].T + target_from_source[:3, 3]


def _freeze(owner: object, **fields: tuple[Any, int | None]) -> None:
    for name, (dtype, columns) in fields.items():
        value = getattr(owner, name)
        if value is not None:
            object.__setattr__(owner, name, frozen_array(value, dtype, columns))


def _same_length(first: NDArray[Any], *others: NDArray[Any] | None) -> None:
    for other in others:
        if other is not None and len(other) != len(first):
            raise ValueError(f"arrays of different lengths: {len(first)} and {len(other)}")
