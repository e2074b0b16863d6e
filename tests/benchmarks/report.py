"""What the report costs: pictures of a part of 100,000 triangles and a million points, a night of 300 jobs.

python tests/benchmarks/report.py
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "report"))
import sites

from pipeline.errors import Outcome
from pipeline.formats.evidence import Evidence, write_evidence
from pipeline.geometry.deviation import Surface, sample_surface
from pipeline.geometry.evidence import cell_size, spread
from pipeline.geometry.native import open3d
from pipeline.part import Mesh
from pipeline.report.job import write_job_page
from pipeline.report.night import write_night
from pipeline.simulate.fittings import swan_finial


def timed(work: Callable[[], object]) -> float:
    begun = time.process_time()
    work()
    return time.process_time() - begun


def part() -> Mesh:
    """The swan finial with about 100,000 triangles, its foot never measured."""
    import fast_simplification

    nominal = swan_finial()
    vertices, faces = np.array(nominal.vertices), np.array(nominal.faces)
    vertices, faces = fast_simplification.simplify(*_finer(vertices, faces), target_count=100_000)
    height = vertices[faces].mean(axis=1)[:, 2]
    return Mesh(vertices, faces, height < height.min() + 0.5)


def _finer(vertices: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    import trimesh

    solid = trimesh.Trimesh(vertices, faces).subdivide()
    return np.array(solid.vertices), np.array(solid.faces, np.int32)


def evidence(folder: Path, mesh: Mesh) -> tuple[float, float]:
    """Seconds to record the evidence of a million points, and its megabytes."""
    rng = np.random.default_rng(0)
    points, _ = sample_surface(mesh.vertices, mesh.faces, 1_000_000)
    points = points + 0.05 * rng.standard_normal(points.shape)
    sides = np.split(points[np.argsort(points[:, 0], kind="stable")], 2)
    distances = [Surface(mesh.vertices, mesh.faces).signed_distance(side)[0] for side in sides]
    begun = time.process_time()
    cell = cell_size(mesh, 0.25)
    file = write_evidence(folder, Evidence(*spread(mesh, sides, distances, cell), tuple(sites.SIDES), cell))
    return time.process_time() - begun, file.stat().st_size / 1e6


def show(what: str, value: float, unit: str) -> None:
    print(f"{what:<52}{value:8.2f} {unit}")


def main() -> None:
    open3d()
    with tempfile.TemporaryDirectory() as name:
        site, mesh = Path(name), part()
        folder = sites.put(site, sites.manifest("swan"), mesh, evidence=False)
        seconds, size = evidence(folder, mesh)
        show("evidence of a million points", seconds, "s CPU")
        show("its file", size, "MB")
        show("all pictures, page and note of a job", timed(lambda: write_job_page(folder, UTC)), "s CPU")
        show("the same again, pictures kept", timed(lambda: write_job_page(folder, UTC)), "s CPU")
        own = [f for f in folder.rglob("*") if f.suffix in (".webp", ".js", ".html") and "note" not in f.name]
        show("job page with everything of its own", sum(f.stat().st_size for f in own) / 1e6, "MB")
        show("delivery note", (folder / "delivery-note.html").stat().st_size / 1e6, "MB")
        show("most memory of the process", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, "MiB")
    with tempfile.TemporaryDirectory() as name:
        site = Path(name)
        for k in range(300):
            sites.put(site, sites.manifest(f"job-{k:03d}", list(Outcome)[k % 4], minutes=k))
        show("night of 300 jobs", timed(lambda: write_night(site, sites.NIGHT, UTC)), "s CPU")
        show("its index", (site / "reports" / sites.NIGHT / "index.html").stat().st_size / 1e6, "MB")


if __name__ == "__main__":
    main()
