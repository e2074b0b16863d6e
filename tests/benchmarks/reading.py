"""A million points (a fifth of that as text) read here and with open3d: processor seconds, best of three."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from pipeline.formats import read_capture, write_mesh, write_points
from pipeline.geometry.native import open3d
from pipeline.part import Mesh

POINTS, TEXT_POINTS = 1_000_000, 200_000


def seconds(work: Callable[[], object]) -> float:
    """Processor time of all threads."""
    best = np.inf
    for _ in range(3):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return float(best)


def grid(count: int) -> Mesh:
    """A wavy sheet of about ``count`` vertices and twice as many triangles."""
    side = int(np.sqrt(count))
    u, v = np.meshgrid(np.arange(side), np.arange(side), indexing="ij")
    vertices = np.column_stack([u.ravel() * 0.1, v.ravel() * 0.1, np.sin(u.ravel() * 0.01) * 5])
    corner = (u * side + v)[:-1, :-1].ravel()
    one, two = [corner, corner + side, corner + 1], [corner + 1, corner + side, corner + side + 1]
    return Mesh(vertices, np.concatenate([np.column_stack(one), np.column_stack(two)]))


def main() -> None:
    module = open3d()
    rng = np.random.default_rng(1)
    points = rng.normal(size=(POINTS, 3)) * 50
    normals = (points / np.linalg.norm(points, axis=1, keepdims=True)).astype(np.float32)
    colours = rng.integers(0, 256, (POINTS, 3), np.uint8)
    cloud, mesh = module.io.read_point_cloud, module.io.read_triangle_mesh
    with tempfile.TemporaryDirectory() as folder:
        at = Path(folder)
        write_points(at / "cloud.ply", points)
        write_points(at / "rich.ply", points, normals=normals, colours=colours)
        for form in ("ply", "stl", "obj"):
            write_mesh(
                grid(TEXT_POINTS if form == "obj" else POINTS),
                at / f"mesh.{form}",
                format=form,
                unit="mm",
                watertight=False,
            )
        rows = "%.4f %.4f %.4f\n" * TEXT_POINTS % tuple(points[:TEXT_POINTS].ravel().tolist())
        (at / "cloud.xyz").write_text(rows, encoding="utf-8")
        fields = "FIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nCOUNT 1 1 1"
        head = f"VERSION 0.7\n{fields}\nWIDTH {POINTS}\nHEIGHT 1\nPOINTS {POINTS}\nDATA "
        (at / "binary.pcd").write_bytes(f"{head}binary\n".encode() + points.astype("<f4").tobytes())
        packed = module.geometry.PointCloud(module.utility.Vector3dVector(points))
        module.io.write_point_cloud(str(at / "compressed.pcd"), packed, compressed=True)
        print(f"{'file':<16}{'MB':>6}{'nightmill s':>13}{'open3d s':>10}{'ratio':>7}")
        for name, other in (
            *((name, cloud) for name in ("cloud.ply", "rich.ply")),
            *((f"mesh.{form}", mesh) for form in ("ply", "stl", "obj")),
            *((name, cloud) for name in ("cloud.xyz", "binary.pcd", "compressed.pcd")),
        ):
            file = at / name
            ours, theirs = seconds(lambda f=file: read_capture(f)), seconds(lambda f=file, r=other: r(str(f)))
            print(f"{name:<16}{file.stat().st_size / 1e6:>6.0f}{ours:>13.3f}{theirs:>10.3f}{theirs / ours:>7.1f}")


if __name__ == "__main__":
    main()
