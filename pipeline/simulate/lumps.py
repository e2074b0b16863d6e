"""Stick-on marker lumps that make a symmetric part unmistakable."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.part import FloatArray, Mesh
from pipeline.simulate.rays import RayCaster
from pipeline.simulate.solids import solid_of, truth_of, turn_to, turned, union


class Marked(NamedTuple):
    """A part with lumps, and the (n, 3) tops of the lumps in the part's frame."""

    mesh: Mesh
    tops: FloatArray


def with_lumps(mesh: Mesh, n: int = 3, height_mm: float = 4.0, width_mm: float = 10.0, seed: int = 0) -> Marked:
    """Stick ``n`` domes on a part, where its surface is flat enough to hold them, well apart from one another.

    Raises
    ------
    ValueError
        When the part has no room for so many.
    """
    rng = np.random.default_rng([seed, 31])
    feet, normals = _places(mesh, width_mm, rng)
    chosen: list[int] = []
    apart = 0.35 * float(np.linalg.norm(np.ptp(mesh.vertices, axis=0)))
    while len(chosen) < n and apart > 1.5 * width_mm:
        chosen = []
        for place, foot in enumerate(feet):
            if len(chosen) < n and all(np.linalg.norm(foot - feet[other]) > apart for other in chosen):
                chosen.append(place)
        apart *= 0.8
    if len(chosen) < n:
        raise ValueError(f"no room for {n} lumps {width_mm} mm wide")
    angle = np.linspace(0, np.pi / 2, 24)
    dome = np.column_stack([width_mm / 2 * np.cos(angle), height_mm * np.sin(angle)])
    lump = turned(np.vstack([(0.0, -1.0), (width_mm / 2, -1.0), dome[:-1], (0.0, height_mm)]))
    placed = [lump.transform(np.column_stack([turn_to(normals[k]), feet[k]])) for k in chosen]
    return Marked(truth_of(union(solid_of(mesh), *placed)), feet[chosen] + height_mm * normals[chosen])


def _places(mesh: Mesh, width: float, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Points and normals on the surface where it stays within 0.6 mm of flat over a lump's width, seen from outside."""
    corners = mesh.vertices[mesh.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(normal, axis=1)
    face = rng.choice(len(area), 400, p=area / area.sum())
    share = np.sort(rng.uniform(size=(400, 2)), axis=1)
    weights = np.column_stack([share[:, 0], share[:, 1] - share[:, 0], 1 - share[:, 1]])
    foot, normal = np.einsum("nk,nkj->nj", weights, corners[face]), normal[face] / area[face][:, None]
    rays, angle = RayCaster(mesh.vertices, mesh.faces), np.linspace(0, 2 * np.pi, 12, endpoint=False)
    ring = width / 2 * np.column_stack([np.cos(angle), np.sin(angle), np.zeros(12)])
    frames = np.stack([turn_to(n) for n in normal])
    start = foot[:, None] + np.einsum("nij,kj->nki", frames, ring) + 20.0 * normal[:, None]
    distance, _, _ = rays.cast(start.reshape(-1, 3), np.repeat(-normal, 12, axis=0))
    flat = (np.abs(distance.reshape(-1, 12) - 20.0) < 0.6).all(axis=1)
    return foot[flat], normal[flat]
