"""``evidence.ply``: what the surface rests on, place by place, for the pictures of the report.

A PLY cloud (Turk, *The PLY Polygon File Format*, 1994) of a few megabytes at most. Each vertex stands for a small
cell of the surface: where it lies (part frame, mm), how far the captured points there lie from the deliverable
(``deviation``, mm, positive outside), and which captures saw it (``sides``, one bit each, in the order of the
``capture`` comments). Where ``sides`` is 0 no capture measured the surface. ``deviation`` is NaN where it was not
measured. Of a job that delivered nothing it holds the captures instead, each upright in its own frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import CaptureError
from pipeline.part import FloatArray
from pipeline.storage import write_whole

EVIDENCE_FILE = "evidence.ply"
MOST_SIDES = 32
_ROW = np.dtype([("place", "<f4", 3), ("deviation", "<f4"), ("sides", "<u4")])
_COLUMNS = ["property float x", "property float y", "property float z", "property float deviation"]
_END = b"end_header\n"


@dataclass(frozen=True, eq=False, slots=True)
class Evidence:
    """What is known of the surface, cell by cell.

    Attributes
    ----------
    places : (n, 3) float64, millimetres, part frame
    deviation : (n,) float64 mm, positive outside; NaN where it was not measured
    sides : (n,) uint32, bit k set where capture k saw the cell; 0 where none did
    captures : names of the captures, in the order of the bits
    cell_mm : size of a cell
    """

    places: FloatArray
    deviation: FloatArray
    sides: NDArray[np.uint32]
    captures: tuple[str, ...]
    cell_mm: float


def write_evidence(folder: Path, evidence: Evidence) -> Path:
    """Write ``evidence.ply`` into a job's folder: whole or not at all."""
    rows = np.empty(len(evidence.places), _ROW)
    rows["place"], rows["deviation"], rows["sides"] = evidence.places, evidence.deviation, evidence.sides
    lines = ["ply", "format binary_little_endian 1.0", f"comment cell {evidence.cell_mm:.6g}"]
    lines += [f"comment capture {_one_line(name)}" for name in evidence.captures]
    lines += [f"element vertex {len(rows)}", *_COLUMNS, "property uint sides"]
    path = folder / EVIDENCE_FILE
    write_whole(path, "\n".join(lines).encode() + b"\n" + _END + rows.tobytes())
    return path


def read_evidence(folder: Path) -> Evidence | None:
    """The evidence in a job's folder; None where there is none. Raises CaptureError when it is damaged."""
    path = folder / EVIDENCE_FILE
    if not path.is_file():
        return None
    data = path.read_bytes()
    end = data.find(_END, 0, 1 << 16)
    header = data[: max(end, 0)].decode(errors="replace").splitlines()
    facts = [line.split(" ", 2) for line in header]
    cell = [float(words[2]) for words in facts if words[:2] == ["comment", "cell"]]
    count = [int(words[2]) for words in facts if words[:2] == ["element", "vertex"]]
    body = data[end + len(_END) :]
    if end < 0 or len(cell) != 1 or len(count) != 1 or len(body) != count[0] * _ROW.itemsize:
        raise CaptureError(f"{path} is damaged.", "Work the job again.", code="evidence-damaged")
    rows = np.frombuffer(body, _ROW)
    return Evidence(
        places=rows["place"].astype(np.float64),
        deviation=rows["deviation"].astype(np.float64),
        sides=rows["sides"].astype(np.uint32),
        captures=tuple(words[2] for words in facts if words[:2] == ["comment", "capture"]),
        cell_mm=cell[0],
    )


def _one_line(name: str) -> str:
    return " ".join(name.split())
