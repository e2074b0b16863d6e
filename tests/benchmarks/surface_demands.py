"""What a finished surface must reach, line by line: holes, closing, decimation, lumps, two operators, whole runs.

    python tests/benchmarks/surface_demands.py [--only whole ...] [--fitting gudgeon ...] [--points 200000] [--seed 9]

``surface.py`` measures the meshing alone beside the plain script; this measures the chain to the deliverable.
Simulated captures of three sides in one frame, on a table with a riser, noise 0.05 mm along the ray, the truth known;
what is not the part is left out by its label, so that the surface alone is judged. ``--points`` are per side,
background included. Each row is a process of its own.

``close``      hole-fill with close_all, decimation to 0.05 mm: is it watertight for us and three libraries (our check,
               open3d without self-intersection, trimesh, manifold3d); the largest distance between before and after
               decimation by trimesh (4,000 places on each side); processor seconds of the decimation
``mouths``     faces over the open bores of a pipe tee and a vessel's mouth that no point supports and no flag tells
``holes``      patches of 2 to 30 mm on a sphere of radius 50, and on free form beside the flat patch
``lumps``      removed marker lumps 6 mm wide, 0.2 to 4 mm high: mean distance of the patch to the bare truth
``operators``  two operators' deliverables: distance in the datum, sizes, volume
``whole``      0.5, 1, 2 and 5 million points of the first fitting to the closed, decimated, written deliverable;
               up to a million also the plain script (normals, Poisson depth 9, density trim 1 %, quadric to 100,000
               triangles: nothing closed, nothing proven), right after ours on the same points
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from tutorial import plain_surface

from pipeline.geometry.deviation import Surface, sample_surface
from pipeline.geometry.measure import caliper_extents, volume
from pipeline.geometry.native import open3d
from pipeline.part import Capture, Declared, FloatArray, Mesh, Part, transformed
from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.lumps import with_lumps
from pipeline.simulate.scanner import Scanner, scan_sides
from pipeline.simulate.scene import Label, Scene
from pipeline.stage import Stage, StageContext
from pipeline.stages.datum import Datum
from pipeline.stages.decimation import Decimation
from pipeline.stages.export import Export
from pipeline.stages.hole_fill import HoleFill
from pipeline.stages.marker_removal import MarkerRemoval
from pipeline.stages.meshing import Meshing
from pipeline.stages.watertight_check import WatertightCheck

NOISE = 0.05
TOLERANCE = 0.05
MOST_PLAIN = 1_000_000
"""Of more points the plain script is not waited for."""
ORDERS = (
    (("top", "bottom", "left"), (15.0, 38.0, 62.0, 85.0)),
    (("left", "top", "bottom"), (10.0, 30.0, 55.0, 80.0)),
)
"""Order of the sides and elevations of the orbit of each of two operators."""


def scanned(truth: Mesh, points: int, seed: int, operator: int = 0, *, table: str = "plain") -> Part:
    """The part as an operator scans it, each in a frame of his own."""
    sides, elevations = ORDERS[operator]
    scene = Scene(part=truth, riser="block", seed=seed + operator)
    found = scan_sides(
        scene if table != "none" else Scene(part=truth, table="none"),
        sides,
        points=points,
        noise_mm=NOISE,
        seed=seed + 17 * operator,
        aligned=True,
        scanner=Scanner(elevations_deg=elevations, flying_percent=0, stray_percent=0, field_ratio=1.05),
        colours=False,
    )
    frame = np.eye(4)
    frame[:3, :3] = np.linalg.qr(np.random.default_rng(seed + operator).normal(size=(3, 3)))[0]
    frame[:3, 0] *= np.sign(np.linalg.det(frame[:3, :3]))
    frame[:3, 3] = [50.0 * operator, -20, 300]
    captures = [replace(one.capture.select(one.labels == Label.PART), part_from_capture=frame) for one in found]
    return Part("fitting", tuple(captures), declared=Declared(aligned=True))


def worked(part: Part, stages: Sequence[Stage], folder: Path = Path()) -> tuple[Part, dict[str, float]]:
    """The part after the stages, and processor seconds of each."""
    cost = {}
    for stage in stages:
        start = time.process_time()
        context = StageContext(np.random.default_rng(0), folder, type(stage).all_measures())
        part = stage.apply(part, context)
        cost[stage.stage] = time.process_time() - start
    return part, cost


def mesh_of(part: Part) -> Mesh:
    assert part.mesh is not None
    return part.mesh


def watertight_for(mesh: Mesh) -> dict[str, bool]:
    """What our check and three libraries say."""
    import manifold3d
    import trimesh

    from pipeline.geometry.native import open3d
    from pipeline.geometry.topology import inspect

    o3d = open3d()
    shape = o3d.geometry.TriangleMesh(
        o3d.utility.Vector3dVector(np.array(mesh.vertices)), o3d.utility.Vector3iVector(np.array(mesh.faces))
    )
    solid = manifold3d.Manifold(manifold3d.Mesh(mesh.vertices.astype(np.float32), mesh.faces.astype(np.uint32)))
    judge = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    manifold = shape.is_edge_manifold(allow_boundary_edges=False) and shape.is_vertex_manifold()
    return {
        "ours": inspect(mesh.vertices, mesh.faces).watertight,
        "open3d": bool(manifold and shape.is_orientable()),
        "trimesh": bool(judge.is_watertight and judge.is_winding_consistent),
        "manifold3d": solid.status() == manifold3d.Error.NoError,
    }


def farthest(one: Mesh, other: Mesh, count: int = 2_000) -> float:
    """Largest distance, both ways, of corners and even samples: by trimesh, which shares no code with ours."""
    import trimesh

    worst = 0.0
    for a, b in ((one, other), (other, one)):
        goal = trimesh.Trimesh(b.vertices, b.faces, process=False)
        samples, _ = trimesh.sample.sample_surface(trimesh.Trimesh(a.vertices, a.faces, process=False), count, seed=3)
        corners = a.vertices[np.unique(a.faces)]
        places = np.vstack([samples, corners[:: len(corners) // count + 1]])
        worst = max(worst, float(trimesh.proximity.closest_point(goal, places)[1].max()))
    return worst


def close(name: str, points: int, seed: int) -> dict[str, object]:
    before, _ = worked(scanned(FITTINGS[name](seed), points, seed), (Meshing(), HoleFill(close_all=True)))
    after, cost = worked(before, (Decimation(max_deviation_mm=TOLERANCE), WatertightCheck()))
    return {
        "faces": len(mesh_of(before).faces),
        "to": len(mesh_of(after).faces),
        "filled %": round(100 * float(mesh_of(before).filled.mean()), 1),
        **watertight_for(mesh_of(after)),
        "max mm": round(farthest(mesh_of(before), mesh_of(after)), 4),
        "decimation s": round(cost["decimation"], 1),
    }


def mouths(name: str, points: int, seed: int) -> dict[str, object]:
    """Skin: samples of unflagged faces farther than half a millimetre from the truth."""
    truth = FITTINGS[name](None)
    part, _ = worked(scanned(truth, points, seed), (Meshing(), HoleFill()))
    mesh = mesh_of(part)
    measured = mesh.faces[~mesh.filled]
    places, _ = sample_surface(
        transformed(mesh.vertices, np.linalg.inv(part.captures[0].part_from_capture)), measured, 200_000
    )
    off = Surface(truth.vertices, truth.faces).distance(places)
    open_borders = WatertightCheck(required=False)
    context = StageContext(np.random.default_rng(0), Path(), open_borders.all_measures())
    open_borders.apply(part, context)
    return {
        "beyond 0.5 mm %": round(100 * float((off > 0.5).mean()), 4),
        "max mm": round(float(off.max()), 2),
        "open edges": context.measures["boundary_edges_count"],
    }


def holes(kind: str, points: int, seed: int) -> dict[str, object]:
    """Mean error of the patch and of a flat one, mm, by width of the hole."""
    import trimesh

    if kind == "sphere":
        ball = trimesh.creation.icosphere(6, 50.0)
        whole = Mesh(ball.vertices, ball.faces)
    else:
        swan = FITTINGS["swan-finial"](seed)
        fine = trimesh.Trimesh(swan.vertices, swan.faces, process=False).subdivide_to_size(1.0)
        merged = trimesh.Trimesh(fine.vertices, fine.faces)
        whole = Mesh(np.asarray(merged.vertices), np.asarray(merged.faces))
    truth = Surface(whole.vertices, whole.faces)
    found: dict[str, object] = {}
    rng = np.random.default_rng(seed)
    for width in (2.0, 5.0, 10.0, 20.0, 30.0) if kind == "sphere" else (5.0, 10.0, 15.0):
        ours, flat = [], []
        for _ in range(6):
            middles = whole.vertices[whole.faces].mean(axis=1)
            normals = np.cross(*(whole.vertices[whole.faces[:, k]] - whole.vertices[whole.faces[:, 0]] for k in (1, 2)))
            normals /= np.linalg.norm(normals, axis=1, keepdims=True)
            at = int(rng.integers(len(middles)))
            gone = (np.linalg.norm(middles - middles[at], axis=1) < width / 2) & (normals @ normals[at] > 0)
            part, _ = worked(
                Part("ball", (), Mesh(whole.vertices, whole.faces[~gone])),
                (HoleFill(max_diameter_mm=2 * width, fill_bores=True),),
            )
            patch = mesh_of(part)
            if not patch.filled.any():
                continue
            places, _ = sample_surface(patch.vertices, patch.faces[patch.filled], 3_000)
            ours.append(float(truth.distance(places).mean()))
            rim = np.intersect1d(whole.faces[gone], whole.faces[~gone])
            middle = whole.vertices[rim].mean(axis=0)
            share = np.sqrt(rng.random((3_000, 1)))
            fan = middle + share * (whole.vertices[rng.choice(rim, 3_000)] - middle)
            flat.append(float(truth.distance(fan).mean()))
        found[f"{width:.0f} mm"] = f"{np.mean(ours):.3f} ({np.max(np.divide(ours, flat)):.2f} of flat)"
    return found


def lumps(name: str, points: int, seed: int) -> dict[str, object]:
    truth = FITTINGS[name](None)
    found: dict[str, object] = {}
    for height in (0.2, 1.0, 2.0, 4.0):
        marked = with_lumps(truth, 4, height_mm=height, width_mm=6.0, seed=seed)
        part = scanned(marked.mesh, points, seed)
        captures = [replace(capture, markers=marked.tops) for capture in part.captures]
        part, _ = worked(part.with_captures(captures), (Meshing(),))
        stage = MarkerRemoval()
        context = StageContext(np.random.default_rng(0), Path(), stage.all_measures())
        mesh = mesh_of(stage.apply(part, context))
        vertices = transformed(mesh.vertices, np.linalg.inv(part.captures[0].part_from_capture))
        middles, bare = vertices[mesh.faces].mean(axis=1), Surface(truth.vertices, truth.faces)
        errors = []
        for top in marked.tops:
            patch = mesh.filled & (np.linalg.norm(middles - top, axis=1) < 10)
            if patch.any():
                errors.append(float(bare.distance(sample_surface(vertices, mesh.faces[patch], 3_000)[0]).mean()))
        said = "+".join(sorted({reason.code for reason in context.reasons})) or "-"
        found[f"{height} mm"] = f"{' '.join(f'{error:.3f}' for error in errors)} ({said})"
    return found


def operators(name: str, points: int, seed: int) -> dict[str, object]:
    """Distances of deliverables in n, differences of sizes and volumes in percent."""
    stages = (Meshing(), HoleFill(close_all=True), Decimation(max_deviation_mm=0.03), Datum())
    parts = [worked(scanned(FITTINGS[name](seed), points, seed, operator), stages)[0] for operator in (0, 1)]
    one, other = (
        replace(mesh_of(p), vertices=transformed(mesh_of(p).vertices, p.deliverable_from_part)) for p in parts
    )
    places, face = sample_surface(one.vertices, one.faces, 100_000)
    apart = Surface(other.vertices, other.faces).distance(places)
    sizes = [caliper_extents(mesh.vertices, mesh.faces, NOISE) for mesh in (one, other)]
    volumes = [volume(mesh.vertices, mesh.faces) for mesh in (one, other)]
    true = volume(FITTINGS[name](seed).vertices, FITTINGS[name](seed).faces)
    return {
        "filled %": " ".join(f"{100 * mesh.filled.mean():.1f}" for mesh in (one, other)),
        "measured n": round(float(apart[~one.filled[face]].mean() / NOISE), 2),
        "all n": round(float(apart.mean() / NOISE), 2),
        "sizes mm": " ".join(f"{size:.2f}" for size in sizes[0]),
        "sizes %": " ".join(f"{100 * ratio:.3f}" for ratio in np.abs(sizes[0] / sizes[1] - 1)),
        "volume %": round(100 * abs(volumes[0] / volumes[1] - 1), 3),
        "to truth %": " ".join(f"{100 * (v / true - 1):.3f}" for v in volumes),
    }


def whole(name: str, points: int, seed: int) -> dict[str, object]:
    """Points of the part alone, shared among three sides; the peak before the stages is that of making the points."""
    part = scanned(FITTINGS[name](None), points // 3, seed, table="none")
    with tempfile.TemporaryDirectory() as folder:
        np.savez(Path(folder) / "points.npz", *(x for c in part.captures for x in (c.points, c.normals)))
        del part
        found = in_child("--stages", folder)
        if points <= MOST_PLAIN:
            beside = in_child("--plain", folder)
            found |= {f"plain {key}": value for key, value in beside.items()}
            found["ours / plain"] = round(found["CPU s"] / beside["CPU s"], 2)
    return dict(found)


def in_child(what: str, folder: str) -> dict[str, float]:
    """What this script finds of the points in a folder, in a process of its own."""
    command = [sys.executable, __file__, what, folder]
    done = subprocess.run(command, check=True, capture_output=True, encoding="utf-8")
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def given(folder: Path) -> list[FloatArray]:
    """Points and normals of each side in turn."""
    data = np.load(folder / "points.npz")
    return [data[f"arr_{k}"] for k in range(len(data.files))]


def peak_mib() -> int:
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)


def plain(folder: Path) -> dict[str, float]:
    """The plain script with tutorial parameters on the same points."""
    o3d = open3d()
    arrays = given(folder)
    began = time.process_time()
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(np.concatenate(arrays[::2])))
    cloud.normals = o3d.utility.Vector3dVector(np.concatenate(arrays[1::2]).astype(float))
    mesh = plain_surface(cloud).simplify_quadric_decimation(100_000)
    mesh.compute_vertex_normals()
    o3d.io.write_triangle_mesh(str(folder / "plain.stl"), mesh)
    return {"CPU s": round(time.process_time() - began, 1), "peak MiB": peak_mib()}


def staged(folder: Path) -> dict[str, float]:
    """The stages on points in a file, in a process that has done nothing else."""
    arrays = given(folder)
    captures = tuple(Capture(f"{k}.ply", *arrays[2 * k : 2 * k + 2]) for k in range(len(arrays) // 2))
    part = Part("fitting", captures, declared=Declared(aligned=True))
    stages = (
        Meshing(),
        HoleFill(close_all=True),
        Decimation(max_deviation_mm=TOLERANCE),
        WatertightCheck(),
        Export(format="stl"),
    )
    points = part.point_count
    part, cost = worked(part, stages[:2], folder)
    before = len(mesh_of(part).faces)
    part, more = worked(part, stages[2:], folder)
    cost |= more
    return {
        "points": points,
        "CPU s": round(sum(cost.values()), 1),
        **{f"{stage} s": round(seconds, 1) for stage, seconds in cost.items()},
        "peak MiB": peak_mib(),
        "faces": before,
        "to": len(mesh_of(part).faces),
    }


TABLES: dict[str, Callable[[str, int, int], dict[str, object]]] = {
    table.__name__: table for table in (close, mouths, holes, lumps, operators, whole)
}


def rows(table: str, fittings: list[str], points: int) -> list[tuple[str, int]]:
    if table == "mouths":
        return [(name, points) for name in ("pipe-tee", "bailer", "lamp-cup")]
    if table == "holes":
        return [(kind, points) for kind in ("sphere", "free form")]
    if table == "whole":
        return [(fittings[0], count) for count in (500_000, 1_000_000, 2_000_000, 5_000_000)]
    return [(name, points) for name in fittings]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", nargs="*", choices=list(TABLES), default=list(TABLES))
    parser.add_argument("--fitting", nargs="*", default=list(FITTINGS))
    parser.add_argument("--points", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=9)
    parser.add_argument("--row", nargs=3, help=argparse.SUPPRESS)
    parser.add_argument("--stages", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--plain", type=Path, help=argparse.SUPPRESS)
    wanted = parser.parse_args()
    if wanted.stages:
        print(json.dumps(staged(wanted.stages)))
        return
    if wanted.plain:
        print(json.dumps(plain(wanted.plain)))
        return
    if wanted.row:
        table, name, points = wanted.row
        print(json.dumps(TABLES[table](name, int(points), wanted.seed)))
        return
    for table in wanted.only:
        print(f"\n{table}")
        for name, points in rows(table, wanted.fitting, wanted.points):
            command = [sys.executable, __file__, "--seed", str(wanted.seed), "--row", table, name, str(points)]
            done = subprocess.run(command, check=False, capture_output=True, encoding="utf-8")
            if done.returncode:
                print(f"  {name:<16} failed: {done.stderr.strip().splitlines()[-1]}", flush=True)
                continue
            found = json.loads(done.stdout.splitlines()[-1])
            print(f"  {name:<16}", "; ".join(f"{key} {value}" for key, value in found.items()), flush=True)


if __name__ == "__main__":
    main()
