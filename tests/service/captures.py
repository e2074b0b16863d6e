"""Small captures: points on a sphere, as PLY."""

from __future__ import annotations

from pathlib import Path

import numpy as np


def sphere_ply(file: Path, points: int = 2000, radius_mm: float = 25.0, seed: int = 1) -> Path:
    """Write a binary PLY."""
    directions = np.random.default_rng(seed).normal(size=(points, 3))
    directions *= radius_mm / np.linalg.norm(directions, axis=1)[:, None]
    header = f"ply\nformat binary_little_endian 1.0\nelement vertex {points}\n"
    header += "property float x\nproperty float y\nproperty float z\nend_header\n"
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_bytes(header.encode() + directions.astype("<f4").tobytes())
    return file
