"""A whole job of a million points beside the plain script that one would write with a library's tutorials.

    python tests/benchmarks/whole.py [--points 1000000] [--fitting bracket] [--recipe configs/replica.yaml] [--growth]

Both get the same captures (simulated, truth known, noise 0.05 mm, sides in one frame), each in a process of its
own. Printed: processor seconds, peak memory, error against the truth on measured surface, spurious surface.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from tutorial import plain_surface

RECIPE = """\
recipe: 1
name: whole
stages:
  - stage: outlier-removal
  - stage: plane-strip
  - stage: clutter-removal
  - stage: meshing
  - stage: hole-fill
  - stage: decimation
    faces_count: 100000
  - stage: watertight-check
    required: false
  - stage: export
    format: stl
  - stage: deviation-check
"""


def make(folder: Path, fitting: str, points: int, recipe: str) -> None:
    """Captures of three sides on a table, and the truth beside them."""
    from pipeline.formats import write_points
    from pipeline.simulate.fittings import FITTINGS
    from pipeline.simulate.scanner import scan_sides
    from pipeline.simulate.scene import Scene

    truth = FITTINGS[fitting]()
    sides = ("top", "bottom", "left")
    job = folder / "job"
    job.mkdir(parents=True)
    scene = Scene(part=truth, riser="block")
    for simulated in scan_sides(scene, sides, points=points // 3, noise_mm=0.05, seed=3, aligned=True):
        capture = simulated.capture
        write_points(job / capture.name, capture.points, normals=capture.normals)
    (job / "ticket.yaml").write_text(f"aligned: true\nriser_height_mm: {scene.riser_height_mm}\n", encoding="utf-8")
    np.savez(folder / "truth.npz", vertices=truth.vertices, faces=truth.faces)
    (folder / "recipe.yaml").write_text(recipe, encoding="utf-8")


def ours(folder: Path) -> Path:
    """The job as `process` works it, in this process."""
    from pipeline.job import load_job
    from pipeline.recipe import load_recipe
    from pipeline.runner import run_job

    out = folder / "ours"
    out.mkdir()
    manifest = run_job(load_job(folder / "job"), load_recipe(folder / "recipe.yaml"), out, lambda *_: None)
    manifest.write(out)
    for stage in manifest.stages:
        print(f"    {stage.stage:<18}{stage.cpu_seconds:8.1f} s {stage.peak_mib:8.0f} MiB", file=sys.stderr)
    if not manifest.deliverables:
        raise SystemExit(f"no deliverable: {[reason.text for reason in manifest.reasons]}")
    return out / manifest.deliverables[0].file


def plain(folder: Path) -> Path:
    """The plain script: tutorial calls with tutorial parameters (plane: 1 mm, density trim 1 %)."""
    from pipeline.geometry.native import open3d

    o3d = open3d()

    clouds = []
    for path in sorted((folder / "job").glob("*.ply")):
        cloud = o3d.io.read_point_cloud(str(path))
        cloud, _ = cloud.remove_statistical_outlier(20, 2.0)
        _, on_plane = cloud.segment_plane(1.0, 3, 1000)
        clouds.append(cloud.select_by_index(on_plane, invert=True))
    merged = clouds[0]
    for cloud in clouds[1:]:
        merged += cloud
    mesh = plain_surface(merged).simplify_quadric_decimation(100_000)
    mesh.compute_vertex_normals()
    file = folder / "plain.stl"
    o3d.io.write_triangle_mesh(str(file), mesh)
    return file


def judge(folder: Path, file: Path) -> dict[str, float]:
    """Distance of even samples of the deliverable to the truth, mm (trimesh samples, open3d measures)."""
    import trimesh

    from pipeline.geometry.native import open3d

    o3d = open3d()
    truth = np.load(folder / "truth.npz")
    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(truth["vertices"].astype(np.float32), truth["faces"].astype(np.uint32))
    mesh = trimesh.load(file, force="mesh")
    samples, _ = trimesh.sample.sample_surface(mesh, 200_000, seed=1)
    distance = scene.compute_distance(samples.astype(np.float32)).numpy()
    near = distance[distance < 1.0]
    return {
        "triangles": len(mesh.faces),
        "mean_mm": float(near.mean()),
        "p99_mm": float(np.quantile(near, 0.99)),
        "spurious_percent": 100 * float((distance >= 1.0).mean()),
    }


def run(which: str, folder: Path) -> dict[str, float]:
    """One variant in a child: its processor time, peak memory and error."""
    began = time.perf_counter()
    child = subprocess.Popen(
        [sys.executable, __file__, "--child", which, "--folder", str(folder)], stdout=subprocess.PIPE, encoding="utf-8"
    )
    assert child.stdout is not None
    said = child.stdout.read().strip().splitlines()
    _, status, usage = os.wait4(child.pid, 0)
    if status:
        raise SystemExit(f"{which} ended with {status}")
    found = judge(folder, Path(json.loads(said[-1])))
    cpu = usage.ru_utime + usage.ru_stime
    return {"cpu_s": cpu, "wall_s": time.perf_counter() - began, "peak_mib": usage.ru_maxrss / 1024, **found}


def table(rows: dict[str, dict[str, float]]) -> None:
    """Print one line a variant."""
    names = list(next(iter(rows.values())))
    print(f"{'':<22}" + "".join(f"{name:>18}" for name in names))
    for label, row in rows.items():
        print(f"{label:<22}" + "".join(f"{row[name]:>18.4g}" for name in names))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--points", type=int, default=1_000_000)
    parser.add_argument("--fitting", default="gudgeon")
    parser.add_argument("--recipe", type=Path, help="what ours makes of it, instead of 100,000 triangles, open")
    parser.add_argument("--growth", action="store_true", help="ours alone at 0.5, 1, 2 and 5 million points")
    parser.add_argument("--child", choices=("ours", "plain"))
    parser.add_argument("--folder", type=Path)
    options = parser.parse_args()
    if options.child:
        print(json.dumps(str({"ours": ours, "plain": plain}[options.child](options.folder))))
        return
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    recipe = options.recipe.read_text(encoding="utf-8") if options.recipe else RECIPE
    rows: dict[str, dict[str, float]] = {}
    counts = (500_000, 1_000_000, 2_000_000, 5_000_000) if options.growth else (options.points,)
    for points in counts:
        with tempfile.TemporaryDirectory() as scratch:
            make(Path(scratch), options.fitting, points, recipe)
            for which in ("ours",) if options.growth else ("ours", "plain"):
                rows[f"{which} {points / 1e6:g} M"] = run(which, Path(scratch))
    table(rows)
    if not options.growth:
        one, other = rows.values()
        print(f"\nprocessor time, ours / plain: {one['cpu_s'] / other['cpu_s']:.2f}")
        print(f"mean error, ours / plain:     {one['mean_mm'] / other['mean_mm']:.2f}")


if __name__ == "__main__":
    main()
