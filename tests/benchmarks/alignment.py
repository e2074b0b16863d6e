"""How alignment does against the truth: parts x cases x seeds, the plain script beside it.

python -m tests.benchmarks.alignment [--parts gudgeon,bollard] [--cases full,crop-20] [--seeds 3] [--plain] [--limit]
"""

from __future__ import annotations

import argparse
import resource
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from pipeline.errors import JobStopped
from pipeline.geometry.alignment.joint import refined
from pipeline.geometry.alignment.solve import prepared
from pipeline.geometry.native import open3d
from pipeline.part import Capture, Declared, Part, transformed
from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.lumps import with_lumps
from pipeline.simulate.poses import inverse
from pipeline.simulate.rays import RayCaster
from pipeline.simulate.scanner import CLEAN, Scanner, SimulatedCapture, scan_sides
from pipeline.simulate.scene import Scene
from pipeline.stage import StageContext
from pipeline.stages.alignment import Alignment
from pipeline.stages.clutter_removal import ClutterRemoval
from pipeline.stages.outlier_removal import OutlierRemoval
from pipeline.stages.plane_strip import PlaneStrip
from tests.benchmarks.alignment_limit import best_poses

PARTS = ("gudgeon", "swan-finial", "mooring-cleat", "pump-impeller", "bollard", "pipe-tee")
KINDS = dict(
    zip(PARTS, ("features", "free form", "nearly symmetric", "n-fold", "revolution", "thin wall"), strict=True)
)
SYMMETRIC = ("pump-impeller", "bollard")
SOLVABLE = ("gudgeon", "swan-finial", "mooring-cleat", "pipe-tee")
"""Parts that are to be accepted wherever what the captures share holds them: the others are twins of themselves."""
HALF_TURNED = ("mooring-cleat", "pipe-tee")
"""Parts that half a turn about their upright axis leaves as they are, but for one boss: every side must show it."""
BOSS_POINTS = 60
FIRM = 0.01
SIX = ("top", "bottom", "left", "right", "front", "back")


@dataclass(frozen=True)
class Case:
    """How a part is scanned, and what is done to the captures."""

    sides: tuple[str, ...] = ("top", "bottom", "left")
    points: int = 50_000
    noise_mm: float = 0.05
    lumps: int = 0
    markers: int = 0
    overlap_percent: float | None = None
    cut_at: float = 0.5
    thin: tuple[int, ...] = (1,)
    normals: bool = True
    strays: bool = False
    bench: dict[str, Any] | None = None
    """What lies around the part, as arguments of ``Scene``; removed by the stages that clean, before the alignment."""


BENCH = {"riser": "block", "riser_height_mm": 40.0, "paper": "free"}
CASES: dict[str, Case] = {
    "full": Case(),
    "bare": Case(normals=False),
    "strays": Case(strays=True),
    "noise-02": Case(noise_mm=0.02),
    "noise-20": Case(noise_mm=0.2),
    "density-4x": Case(points=100_000, thin=(1, 4, 2)),
    **{f"crop-{share}": Case(("top", "left"), overlap_percent=share) for share in (40, 30, 20, 15, 10)},
    **{f"aside-{share}": Case(("top", "left"), overlap_percent=share, cut_at=0.25) for share in (30, 20, 10)},
    "two": Case(("top", "left")),
    "four": Case(SIX[:4]),
    "six": Case(SIX),
    "markers": Case(markers=4),
    "lumps": Case(lumps=3),
    "large": Case(points=300_000),
    **{
        f"bench-{len(sides)}": Case(sides, points=60_000, normals=False, bench=BENCH)
        for sides in (SIX[:2], SIX[:3], SIX[:4], SIX)
    },
}
CLEANING = (OutlierRemoval(), PlaneStrip(), ClutterRemoval())


def captured(part: str, case: Case, seed: int) -> tuple[list[Capture], np.ndarray]:
    """Captures and their true poses in the part's frame."""
    mesh = FITTINGS[part](None if seed == 0 else seed)
    if case.lumps:
        mesh = with_lumps(mesh, case.lumps, seed=seed).mesh
    scanner = replace(CLEAN, flying_percent=0.2, stray_percent=0.1) if case.strays else CLEAN
    scene = Scene(part=mesh, table="none", seed=seed)
    if case.bench is not None:
        scanner, scene = Scanner(field_ratio=1.1), Scene(part=mesh, seed=seed, **case.bench)
    found = scan_sides(
        scene,
        case.sides,
        points=case.points,
        noise_mm=case.noise_mm,
        seed=seed,
        scanner=scanner,
        normals=case.normals,
        colours=False,
    )
    captures = [replace(one.capture, name=f"{side}.ply") for one, side in zip(found, case.sides, strict=True)]
    rng = np.random.default_rng([seed, 5])
    captures = [thinned(one, case.thin[k % len(case.thin)]) for k, one in enumerate(captures)]
    if case.overlap_percent is not None:
        captures = cropped(captures, found, case.overlap_percent, case.cut_at)
    if case.markers:
        places = spread_places(mesh.vertices, case.markers, rng)
        captures = [
            replace(one, markers=transformed(places, inverse(sim.part_from_capture)) + rng.normal(0, 0.3, places.shape))
            for one, sim in zip(captures, found, strict=True)
        ]
        captures = [replace(one, markers=one.markers[rng.permutation(len(places))]) for one in captures]
    return captures, np.array([one.part_from_capture for one in found])


def spread_places(vertices: np.ndarray, count: int, rng: np.random.Generator) -> np.ndarray:
    """Places well apart on the part, as an operator would choose them."""
    chosen = [int(rng.integers(len(vertices)))]
    while len(chosen) < count:
        distance = cKDTree(vertices[chosen]).query(vertices)[0]
        far = np.flatnonzero(distance > 0.6 * distance.max())
        chosen.append(int(rng.choice(far)))
    return vertices[chosen]


def thinned(capture: Capture, factor: int) -> Capture:
    keep = np.zeros(len(capture.points), bool)
    keep[::factor] = True
    return capture.select(keep)


def cropped(
    captures: list[Capture], found: tuple[SimulatedCapture, ...], percent: float, cut_at: float
) -> list[Capture]:
    """Two captures cut across the part's longest direction until they share so much of the smaller one's area.

    ``cut_at``: share of the points below the middle of what they share.
    """
    points = [transformed(c.points, s.part_from_capture) for c, s in zip(captures, found, strict=True)]
    along = int(np.argmax(np.ptp(np.vstack(points), axis=0)))
    heights = [p[:, along] for p in points]
    middle = float(np.quantile(np.concatenate(heights), cut_at))
    low, high = 0.0, float(np.ptp(np.concatenate(heights)))
    for _ in range(12):
        width = (low + high) / 2
        keep = [heights[0] < middle + width, heights[1] > middle - width]
        shared = shared_percent([c.select(k) for c, k in zip(captures, keep, strict=True)], found)
        low, high = (low, width) if shared > percent else (width, high)
    return [c.select(k) for c, k in zip(captures, keep, strict=True)]


def shared_percent(captures: list[Capture], found: tuple[SimulatedCapture, ...]) -> float:
    """Share of the smaller of two captures, by area, that the other shows: even points near, facing the same way."""
    sides = []
    for capture, simulated in zip(captures, found, strict=True):
        points = transformed(capture.points, simulated.part_from_capture)
        assert capture.normals is not None
        cell = 0.012 * float(np.linalg.norm(np.ptp(points, axis=0)))
        _, first = np.unique(np.floor(points / cell).astype(int), axis=0, return_index=True)
        sides.append((points, capture.normals @ simulated.part_from_capture[:3, :3].T, first, cell))
    small, large = sorted(sides, key=lambda side: len(side[2]))
    points, normals, even, cell = small
    distance, nearest = cKDTree(large[0]).query(points[even], distance_upper_bound=0.7 * cell)
    near = np.isfinite(distance)
    agree = np.einsum("ni,ni->n", normals[even[near]], large[1][nearest[near]]) > 0.3
    return 100 * float(agree.sum()) / len(even)


def firmness(captures: list[Capture], truth: np.ndarray) -> float:
    """How firmly what the captures have in common holds the right pose: below 0.01 a motion is as good as free."""
    trees = [one.seen.tree for one in prepared(captures)]
    return refined(trees, truth, rounds=((1.5, 4.0),), moving=False).firmness


def told(part: str, captures: list[Capture], places: np.ndarray, seed: int, noise_mm: float) -> bool:
    """Whether every capture shows the boss that tells a part from itself after half a turn."""
    if part not in HALF_TURNED:
        return True
    mesh = FITTINGS[part](seed or None)
    part_itself, turned = RayCaster(mesh.vertices, mesh.faces), RayCaster(mesh.vertices * (-1, -1, 1), mesh.faces)
    placed = [transformed(one.points, pose) for one, pose in zip(captures, places, strict=True)]
    measured = [points[np.abs(part_itself.signed_distance(points)) < 5 * noise_mm] for points in placed]
    odd = [int((turned.signed_distance(points) > 0.5 + 5 * noise_mm).sum()) for points in measured]
    return min(odd) >= BOSS_POINTS


def errors(captures: list[Capture], poses: np.ndarray, truth: np.ndarray) -> float:
    """Largest mean displacement of a capture's points against the truth, mm."""
    return max(
        float(np.linalg.norm(transformed(c.points, p) - transformed(c.points, t), axis=1).mean())
        for c, p, t in zip(captures, poses, truth, strict=True)
    )


def cleaned(captures: list[Capture], case: Case) -> list[Capture]:
    """The captures without what lay on the bench, as far as the stages that clean find it."""
    if case.bench is None:
        return captures
    part = Part("part", tuple(captures), declared=Declared(riser_height_mm=case.bench["riser_height_mm"]))
    for stage in CLEANING:
        part = stage.run(part, StageContext(np.random.default_rng(0), Path("/nonexistent"), stage.all_measures()))
    return list(part.captures)


def ours(captures: list[Capture]) -> tuple[str, np.ndarray | None, dict[str, float]]:
    context = StageContext(np.random.default_rng(0), Path("/nonexistent"), Alignment.all_measures())
    try:
        part = Alignment().run(Part("part", tuple(captures)), context)
    except JobStopped as stop:
        return stop.code, None, context.measures
    poses = np.array([capture.part_from_capture for capture in part.captures])
    return ("review" if context.reasons else "accepted"), poses, context.measures


def plain(captures: list[Capture]) -> np.ndarray:
    """The usual script: FPFH, RANSAC and point-to-plane ICP of every side onto the first, tutorial parameters."""
    o3d = open3d()
    reg = o3d.pipelines.registration
    o3d.utility.random.seed(0)
    size = float(np.linalg.norm(np.ptp(captures[0].points, axis=0)))
    voxel = size / 50
    clouds, features = [], []
    for capture in captures:
        cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(np.array(capture.points))).voxel_down_sample(voxel)
        cloud.estimate_normals(o3d.geometry.KDTreeSearchParamHybrid(2 * voxel, 30))
        clouds.append(cloud)
        features.append(reg.compute_fpfh_feature(cloud, o3d.geometry.KDTreeSearchParamHybrid(5 * voxel, 100)))
    poses = [np.eye(4)]
    for k in range(1, len(captures)):
        rough = reg.registration_ransac_based_on_feature_matching(
            clouds[k], clouds[0], features[k], features[0], True, 1.5 * voxel,
            reg.TransformationEstimationPointToPoint(False), 3,
            [reg.CorrespondenceCheckerBasedOnEdgeLength(0.9), reg.CorrespondenceCheckerBasedOnDistance(1.5 * voxel)],
            reg.RANSACConvergenceCriteria(100_000, 0.999),
        )  # fmt: skip
        fine = reg.registration_icp(
            clouds[k], clouds[0], 0.4 * voxel, rough.transformation, reg.TransformationEstimationPointToPlane()
        )
        poses.append(np.array(fine.transformation))
    return np.array(poses)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    split: Callable[[str], list[str]] = lambda text: text.split(",")  # noqa: E731
    parser.add_argument("--parts", type=split, default=list(PARTS))
    parser.add_argument("--cases", type=split, default=list(CASES))
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--plain", action="store_true")
    parser.add_argument(
        "--limit", action="store_true", help="for two sides also what their shared points err by on the true surface"
    )
    options = parser.parse_args()
    print(
        f"{'part':14s} {'case':11s} seed verdict            error   /noise overlap contra runner  cpu s | plain mm",
        flush=True,
    )
    rows = [
        row(part, case_name, seed, options.plain, options.limit)
        for case_name in options.cases
        for part in options.parts
        for seed in range(options.first, options.first + options.seeds)
    ]
    summary(rows)
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


@dataclass(frozen=True)
class Row:
    """One job's result."""

    part: str
    case: str
    verdict: str
    error_noise: float
    wrong: bool
    solvable: bool
    seconds: float
    plain_wrong: bool


def row(part: str, case_name: str, seed: int, with_plain: bool, with_limit: bool) -> Row:
    case = CASES[case_name]
    captures, places = captured(part, case, seed)
    truth = inverse(places[0]) @ places
    try:
        captures = cleaned(captures, case)
    except JobStopped as stop:
        print(f"{part:14s} {case_name:11s} {seed:4d} cleaning says {stop.code}", flush=True)
        return Row(part, case_name, stop.code, np.nan, False, False, np.nan, False)
    start = time.process_time()
    verdict, poses, measures = ours(captures)
    seconds = time.process_time() - start
    error = errors(captures, poses, truth) if poses is not None else np.nan
    worst = max(1.0, 5 * case.noise_mm)
    solvable = bool(case.markers) or (
        part in SOLVABLE and told(part, captures, places, seed, case.noise_mm) and firmness(captures, truth) > FIRM
    )
    line = (
        f"{part:14s} {case_name:11s} {seed:4d} {verdict:18s} {error:7.4f} {error / case.noise_mm:7.2f} "
        f"{measures.get('overlap_percent', np.nan):7.1f} {measures.get('contradiction_percent', np.nan):6.2f} "
        f"{measures.get('runner_up_ratio', np.nan):6.3f} {seconds:6.1f}{' solvable' if solvable else ''}"
    )
    if with_limit and len(captures) == 2:
        known = best_poses(FITTINGS[part](seed or None), captures, places, case.noise_mm)
        line += f" | limit {errors(captures, inverse(known[0]) @ known, truth) / case.noise_mm:5.2f}"
    rough = errors(captures, plain(captures), truth) if with_plain else np.nan
    print(line + (f" | {rough:8.3f}" if with_plain else "") + ("  WRONG" if error > worst else ""), flush=True)
    return Row(part, case_name, verdict, error / case.noise_mm, error > worst, solvable, seconds, rough > worst)


def summary(rows: list[Row]) -> None:
    """One line a case: how many, wrong, accepted of the solvable ones, error over noise, seconds, the plain script."""
    print(f"{'case':11s} jobs wrong  solvable accepted  error/noise median max  cpu s  plain script wrong")
    for name in dict.fromkeys(one.case for one in rows):
        of = [one for one in rows if one.case == name]
        can = [one for one in of if one.solvable]
        error = [one.error_noise for one in of if one.verdict == "accepted"] or [np.nan]
        print(
            f"{name:11s} {len(of):4d} {sum(one.wrong for one in of):5d} {len(can):9d} "
            f"{sum(one.verdict == 'accepted' for one in can):8d}  {np.median(error):18.2f} {max(error):4.2f} "
            f"{np.median([one.seconds for one in of]):6.1f} {sum(one.plain_wrong for one in of):8d}"
        )


if __name__ == "__main__":
    main()
