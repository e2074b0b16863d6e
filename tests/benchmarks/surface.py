"""Fusing captures into a surface, beside the plain script that one would write with a library's tutorials.

    python tests/benchmarks/surface.py [--points 210000] [--fitting gudgeon ...] [--bare] [--growth]

Every row is a process of its own. Simulated captures of three sides in one frame, noise 0.05 mm along the ray, the
truth known; table and strays are left out, for this measures the meshing alone. ``--bare`` takes the captures'
normals away; ``--growth`` measures 0.5, 1, 2 and 5 million points. Columns: mean and 99th percentile of the distance
from the result to the truth, the mean of it within two spacings of an edge, the mean distance from the truth's
edges to the result, the share of the result that lies farther than five spacings from any point (invented skin)
and of the seen truth that the result lacks, processor seconds, peak memory of the process.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from tutorial import plain_surface

SIDES = ("top", "bottom", "left")
NOISE = 0.05


def make(path: Path, fitting: str, points: int) -> None:
    """The captures' points of the part, and the truth, in one file."""
    from pipeline.simulate.fittings import FITTINGS
    from pipeline.simulate.scanner import scan_sides
    from pipeline.simulate.scene import Label, Scene

    truth = FITTINGS[fitting](None)
    scene = Scene(part=truth, table="none")
    arrays = {"vertices": truth.vertices, "faces": truth.faces}
    scans = scan_sides(scene, SIDES, points=points // len(SIDES), noise_mm=NOISE, seed=5, aligned=True)
    for k, scan in enumerate(scans):
        real = scan.labels == Label.PART
        arrays |= {
            f"points{k}": scan.capture.points_in_part()[real],
            f"normals{k}": scan.capture.normals_in_part()[real],
        }
    np.savez(path, **arrays)


def ours(data: dict[str, np.ndarray], bare: bool) -> tuple[np.ndarray, np.ndarray]:
    from pipeline.part import Capture, Declared, Part
    from pipeline.stage import StageContext
    from pipeline.stages.meshing import Meshing

    captures = tuple(
        Capture(f"{k}.ply", data[f"points{k}"], None if bare else data[f"normals{k}"]) for k in range(len(SIDES))
    )
    context = StageContext(np.random.default_rng(0), Path(), Meshing.all_measures())
    mesh = Meshing().run(Part("fitting", captures, declared=Declared(aligned=True)), context).mesh
    assert mesh is not None
    return mesh.vertices, mesh.faces


def plain(data: dict[str, np.ndarray], bare: bool) -> tuple[np.ndarray, np.ndarray]:
    """Tutorial calls with tutorial parameters: outliers, normals, Poisson depth 9, density trim 1 %."""
    from pipeline.geometry.native import open3d

    o3d = open3d()
    points = np.concatenate([data[f"points{k}"] for k in range(len(SIDES))])
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(points))
    if not bare:
        normals = np.concatenate([data[f"normals{k}"] for k in range(len(SIDES))])
        cloud.normals = o3d.utility.Vector3dVector(normals.astype(float))
    cloud, _ = cloud.remove_statistical_outlier(20, 2.0)
    mesh = plain_surface(cloud, orient=bare)
    return np.asarray(mesh.vertices), np.asarray(mesh.triangles)


def edge_points(vertices: np.ndarray, faces: np.ndarray, step: float = 0.2) -> np.ndarray:
    """Points along the truth's edges of more than 25 degrees."""
    import trimesh

    mesh = trimesh.Trimesh(vertices, faces, process=False)
    ends = vertices[mesh.face_adjacency_edges[mesh.face_adjacency_angles > np.radians(25)]]
    number = (np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1) / step).astype(int) + 1
    which = np.repeat(np.arange(len(ends)), number)
    share = np.concatenate([np.linspace(0, 1, n, endpoint=False) for n in number]) if len(ends) else np.zeros(0)
    return ends[which, 0] + (ends[which, 1] - ends[which, 0]) * share[:, None]


def judge(data: dict[str, np.ndarray], vertices: np.ndarray, faces: np.ndarray) -> dict[str, float]:
    """Figures of a result against the truth; distances by ray-casting scenes, in millimetres."""
    import trimesh
    from scipy.spatial import cKDTree

    from pipeline.geometry.native import open3d
    from pipeline.geometry.sampling import point_spacing

    library = open3d()

    def distance(at: np.ndarray, to: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
        scene = library.t.geometry.RaycastingScene()
        corners = library.core.Tensor(np.array(to[0], np.float32))
        scene.add_triangles(corners, library.core.Tensor(np.array(to[1], np.uint32)))
        return scene.compute_distance(library.core.Tensor(np.array(at, np.float32))).numpy()

    truth = (data["vertices"], data["faces"])
    points = np.concatenate([data[f"points{k}"] for k in range(len(SIDES))])
    tree = cKDTree(points)
    spacing = point_spacing(points, tree)
    on_result, _ = trimesh.sample.sample_surface(trimesh.Trimesh(vertices, faces, process=False), 100_000, seed=1)
    on_truth, _ = trimesh.sample.sample_surface(trimesh.Trimesh(*truth, process=False), 50_000, seed=2)
    error = distance(on_result, truth)
    skin = tree.query(on_result)[0] > 5 * spacing
    seen = on_truth[tree.query(on_truth)[0] < 1.5 * spacing]
    edges = edge_points(*truth)
    near = np.zeros(len(error), bool)
    missed = 0.0
    if len(edges):
        near = cKDTree(edges).query(on_result)[0] < 2 * spacing
        missed = float(distance(edges[tree.query(edges)[0] < 2 * spacing], (vertices, faces)).mean())
    return {
        "mean": float(error[~skin].mean()),
        "p99": float(np.percentile(error[~skin], 99)),
        "edge": float(error[near & ~skin].mean()) if near.any() else 0.0,
        "missed": missed,
        "skin": 100 * float(skin.mean()),
        "lacks": 100 * float((distance(seen, (vertices, faces)) > 2 * spacing).mean()),
        "faces": len(faces),
    }


def work(method: str, source: Path, bare: bool) -> None:
    """One row, as JSON on standard output."""
    data = dict(np.load(source))
    start = time.process_time()
    vertices, faces = (ours if method == "ours" else plain)(data, bare)
    cost = {"cpu": time.process_time() - start, "peak": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}
    print(json.dumps(judge(data, vertices, faces) | cost))


def row(method: str, source: Path, bare: bool) -> dict[str, float]:
    command = [sys.executable, __file__, "--work", method, "--source", str(source), *(["--bare"] if bare else [])]
    done = subprocess.run(command, check=True, capture_output=True, encoding="utf-8")
    return json.loads(done.stdout.splitlines()[-1])


def main() -> None:
    from pipeline.simulate.fittings import FITTINGS

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--points", type=int, default=210_000)
    parser.add_argument("--fitting", nargs="*", default=list(FITTINGS))
    parser.add_argument("--bare", action="store_true", help="captures without normals")
    parser.add_argument("--growth", action="store_true", help="0.5, 1, 2 and 5 million points of the first fitting")
    parser.add_argument("--work", choices=("ours", "plain"), help=argparse.SUPPRESS)
    parser.add_argument("--source", type=Path, help=argparse.SUPPRESS)
    wanted = parser.parse_args()
    if wanted.work:
        return work(wanted.work, wanted.source, wanted.bare)
    cases = [(name, wanted.points) for name in wanted.fitting]
    if wanted.growth:
        cases = [(wanted.fitting[0], count) for count in (500_000, 1_000_000, 2_000_000, 5_000_000)]
    names = ("mean", "p99", "edge", "missed", "skin", "lacks")
    print(f"{'fitting':<16}{'points':>9} {'':<6}", *(f"{name:>7}" for name in names), "   faces  CPU s  peak MiB")
    with tempfile.TemporaryDirectory() as folder:
        for fitting, points in cases:
            source = Path(folder) / "captures.npz"
            make(source, fitting, points)
            for method in ("ours", "plain"):
                got = row(method, source, wanted.bare)
                figures = " ".join(f"{got[name]:7.3f}" for name in names)
                cost = f"{got['faces']:8.0f} {got['cpu']:6.1f} {got['peak']:9.0f}"
                print(f"{fitting:<16}{points:>9} {method:<6} {figures} {cost}", flush=True)
    return None


if __name__ == "__main__":
    main()
