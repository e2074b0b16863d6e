"""The surface for turning it on a screen, in a script that a page can load without a network."""

from __future__ import annotations

import base64
import json
from pathlib import Path
from typing import NamedTuple

import numpy as np

from pipeline.geometry.deviation import Surface
from pipeline.geometry.evidence import Lookup
from pipeline.geometry.view_mesh import view_mesh
from pipeline.part import Mesh
from pipeline.report import palette
from pipeline.storage import write_whole

VIEW_FILE = "view.js"
STEPS = 65_535
NOTHING = 255


class View(NamedTuple):
    file: str
    triangles: int


def write_view(folder: Path, mesh: Mesh, lookup: Lookup | None, tolerance: float | None) -> View:
    """Write ``view.js``: vertices in steps of a 65,535th of the size, faces, and what is known of each face."""
    vertices, faces = view_mesh(mesh.vertices, mesh.faces)
    low = vertices.min(axis=0)
    step = float(max(np.ptp(vertices, axis=0).max(), 1e-9)) / STEPS
    middles = vertices[faces].mean(axis=1)
    filled = (
        mesh.filled[Surface(mesh.vertices, mesh.faces).nearest(middles)[0]]
        if mesh.filled.any()
        else np.zeros(len(faces), bool)
    )
    band, side = np.full(len(faces), NOTHING, np.uint8), np.full(len(faces), NOTHING, np.uint8)
    if lookup is not None:
        deviation, sides = lookup.at(middles)
        filled |= sides == 0
        if tolerance is not None:
            for k, one in enumerate(palette.BANDS):
                band[(deviation >= one.low * tolerance) & (deviation < one.high * tolerance)] = k
        for k in reversed(range(32)):
            side[(sides >> np.uint32(k)) & 1 == 1] = k
    wide = "<u2" if len(vertices) <= STEPS + 1 else "<u4"
    data = {
        "origin": [round(float(x), 4) for x in low],
        "step": step,
        "vertices": _packed(np.round((vertices - low) / step).astype("<u2")),
        "faces": _packed(faces.astype(wide)),
        "wide": wide == "<u4",
        "filled": _packed(filled.astype(np.uint8)),
        "band": _packed(band) if (band != NOTHING).any() else None,
        "side": _packed(side) if lookup is not None else None,
        "colours": {
            "plain": palette.PUTTY,
            "filled": palette.SIDES[0],
            "unknown": palette.UNKNOWN,
            "bands": [one.colour for one in palette.BANDS],
            "sides": palette.SIDES,
        },
    }
    write_whole(folder / VIEW_FILE, f"window.nightmillView = {json.dumps(data)};\n".encode())
    return View(VIEW_FILE, len(faces))


def _packed(array: np.ndarray) -> str:
    return base64.b64encode(np.ascontiguousarray(array).tobytes()).decode()
