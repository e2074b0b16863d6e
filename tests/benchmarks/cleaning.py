"""Cleaning against labelled scenes: what is kept of the part, what is left of everything else, who noticed.

Run ``python -m tests.benchmarks.cleaning`` (a quarter of an hour), ``--seed N`` for another draw of every scene,
``--only TEXT`` for the scenes whose name holds TEXT, ``--no-plain`` without the plain script beside it, ``--grey`` for
captures without colours.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from itertools import cycle, product
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.geometry.native import open3d
from pipeline.part import Capture, Declared, Part, transformed
from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.rays import RayCaster
from pipeline.simulate.scanner import Scanner, SimulatedCapture, scan
from pipeline.simulate.scene import Label, Scene
from pipeline.stage import StageContext
from pipeline.stages.clutter_removal import ClutterRemoval
from pipeline.stages.outlier_removal import OutlierRemoval
from pipeline.stages.plane_strip import PlaneStrip

FIVE_KINDS = ("gudgeon", "swan-finial", "mooring-cleat", "pump-impeller", "bollard")
RISERS = ("block", "column", "none")
PAPERS = ("none", "free", "touching", "covering")
NOISES = (0.05, 0.02, 0.1, 0.2)
SIZES = (100_000, 150_000, 200_000)


@dataclass(frozen=True)
class Case:
    """One scene of the grid."""

    part: str
    scene: dict[str, Any] = field(default_factory=dict)
    points: int = 100_000
    noise: float = 0.05
    density: float = 1.0
    form: str = "cloud"
    normals: bool = True
    unit: str = "mm"

    @property
    def name(self) -> str:
        words = [f"{key}={value}" for key, value in self.scene.items()]
        words += [f"{self.points // 1000}k", f"n{self.noise}"]
        words += [f"density{self.density:g}"] * (self.density > 1) + [self.form] * (self.form != "cloud")
        words += ["no-normals"] * (not self.normals) + [self.unit] * (self.unit != "mm")
        return " ".join([self.part, *words])

    @property
    def has_plane(self) -> bool:
        """Whether a plain support lies open to view anywhere."""
        return self.scene.get("table", "full") != "none" or bool(self.scene.get("wall"))

    @property
    def easy(self) -> bool:
        """A riser, and nothing that touches."""
        extra = set(self.scene) - {"riser", "paper"}
        return not extra and self.scene.get("riser") != "none" and self.scene.get("paper", "none") in ("none", "free")

    def capture(self, seed: int) -> SimulatedCapture:
        """The scene as the scanner saw it; the seed also draws another part of the kind."""
        wanted = dict(self.scene)
        second = wanted.pop("second", None)
        if second:
            wanted["second"] = FITTINGS["sheave" if self.part != "sheave" else "bollard"](seed)
            wanted["second_touching"] = second == "touching"
        shot = scan(
            Scene(part=FITTINGS[self.part](seed), spin_deg=37.0 * seed, seed=seed, **wanted),
            points=self.points,
            noise_mm=self.noise,
            seed=seed,
            scanner=Scanner(density_ratio=self.density),
            form=self.form,  # type: ignore[arg-type]
            normals=self.normals,
        )
        return shot

    def truth(self, shot: SimulatedCapture, seed: int) -> Callable[[np.ndarray], np.ndarray]:
        """Distance of places in the capture's frame from the part's true surface, over what counts as close to it.

        That is a millimetre; of a mesh at least one of its edges, as its mesher carries every rim on by about that.
        """
        part, close = FITTINGS[self.part](seed), 1.0
        rays = RayCaster(part.vertices, part.faces)
        if shot.capture.faces is not None:
            corners = shot.capture.points[shot.capture.faces]
            close = max(close, float(np.median(np.linalg.norm(corners[:, 1] - corners[:, 0], axis=1))))
        return lambda places: rays.distance(transformed(places, shot.part_from_capture)) / close


def grid() -> list[Case]:
    """The scenes: kinds of part x riser x paper, then everything else that lies about, then data of other sorts."""
    noise, size = cycle(NOISES), cycle(SIZES)

    def case(part: str, scene: dict[str, Any], **more: Any) -> Case:
        return Case(part, scene, **{"points": next(size), "noise": next(noise), **more})

    cases = [case(part, {"riser": riser, "paper": paper}) for part, riser, paper in product(FIVE_KINDS, RISERS, PAPERS)]
    around: list[dict[str, Any]] = [
        {"cloth": True},
        {"wall": True, "paper": "free"},
        {"hand": True},
        {"second": "free"},
        {"second": "touching"},
        {"table": "partial"},
        {"table": "none", "riser": "none"},
    ]
    cases += [case(part, {"riser": "block", **extra}) for part, extra in product(FIVE_KINDS, around)]
    cases += [
        case(part, {"riser": "none", "paper": "free"}) for part in ("lamp-cup", "nameplate", "pipe-tee", "bailer")
    ]
    cases += [
        case(part, {"table": "none", "riser": "none"})
        for part in ("lamp-cup", "nameplate", "sheave", "bailer", "pipe-tee")
    ]
    easy = {"riser": "block", "paper": "free"}
    alone = {"table": "none", "riser": "none"}
    for part in ("gudgeon", "swan-finial", "pump-impeller"):
        cases += [case(part, easy, density=10.0), case(part, easy, form="mesh"), case(part, easy, normals=False)]
        cases += [case(part, easy, unit="m"), case(part, alone, density=10.0), case(part, alone, form="mesh")]
    cases += [case(part, easy, points=1_000_000) for part in ("gudgeon", "bollard")]
    cases += [case("mooring-cleat", easy, points=5_000_000)]
    return cases


@dataclass(frozen=True)
class Verdict:
    """What cleaning did with one scene."""

    case: Case
    seed: int
    recall: float
    foreign: float
    culprits: dict[str, int]
    doubts: tuple[str, ...]
    plane_cut: int
    cpu: float
    recalls: tuple[float, ...] = ()

    @property
    def wrong(self) -> bool:
        return self.recall < 0.98 or self.foreign > 0.005

    @property
    def accepted(self) -> bool:
        return not self.doubts

    def __str__(self) -> str:
        word = {(True, True): "MISSED", (True, False): "noticed", (False, True): "good", (False, False): "asked"}
        steps = " ".join(f"{recall:.4f}" for recall in self.recalls)
        return (
            f"{word[self.wrong, self.accepted]:8s}{self.case.name:72s} kept {self.recall:.4f} ({steps}) foreign "
            f"{100 * self.foreign:7.3f} % {self.cpu:5.2f} s {self.culprits or ''} {' '.join(self.doubts)}"
        )


def clean(capture: Capture, declared: Declared | None = None) -> tuple[list[Capture], list[str], list[float]]:
    """The capture after each cleaning stage, the doubts, and the CPU seconds of each."""
    part, doubts, seconds, steps = Part("part", (capture,), declared=declared or Declared()), [], [], []
    with tempfile.TemporaryDirectory() as folder:
        for stage in (OutlierRemoval(), PlaneStrip(), ClutterRemoval()):
            context = StageContext(np.random.default_rng(0), Path(folder), type(stage).all_measures())
            start = time.process_time()
            part = stage.run(part, context)
            seconds.append(time.process_time() - start)
            doubts += [reason.code for reason in context.reasons]
            steps.append(part.captures[0])
    return steps, doubts, seconds


def judged(case: Case, shot: SimulatedCapture, seed: int) -> Verdict:
    """Clean one scene and compare with the truth."""
    capture = shot.capture
    if case.unit == "m":
        metres = (capture.points / 1000.0).astype(np.float32)
        capture = replace(capture, points=metres.astype(float) * 1000.0)
    steps, doubts, seconds = clean(capture)
    kept = [_kept(capture, step) for step in steps]
    own = shot.labels == Label.PART
    recall, foreign, culprits = score(case.truth(shot, seed), capture.points, shot.labels, kept[-1])
    cut = int(kept[0].sum() - kept[1].sum())
    recalls = tuple(float(step[own].mean()) for step in kept)
    return Verdict(case, seed, recall, foreign, culprits, tuple(doubts), cut, sum(seconds), recalls)


def score(
    off: Callable[[np.ndarray], np.ndarray], points: np.ndarray, labels: np.ndarray, kept: np.ndarray
) -> tuple[float, float, dict[str, int]]:
    """Share of the part's points kept; share of what is kept that is foreign and not close to the part."""
    own = labels == Label.PART
    strangers = np.flatnonzero(kept & ~own)
    far = strangers[off(points[strangers]) > 1.0] if len(strangers) else strangers
    names, counts = np.unique(labels[far], return_counts=True)
    culprits = {Label(name).name.lower(): int(count) for name, count in zip(names, counts, strict=True)}
    return float(kept[own].mean()), len(far) / max(int(kept.sum()), 1), culprits


def _kept(before: Capture, after: Capture) -> np.ndarray:
    """(n,) which points are still there: stages only take away and keep the order."""
    rows = {row.tobytes(): k for k, row in enumerate(before.points)}
    keep = np.zeros(len(before.points), bool)
    keep[[rows[row.tobytes()] for row in after.points]] = True
    return keep


def plain(points: np.ndarray) -> np.ndarray:
    """(n,) what the plain script keeps: statistical 20/2.0, one RANSAC plane, the largest DBSCAN cluster."""
    o3d = open3d()
    o3d.utility.random.seed(0)
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(np.array(points)))
    cloud, first = cloud.remove_statistical_outlier(20, 2.0)
    _, plane = cloud.segment_plane(1.0, 3, 1000)
    rest = np.setdiff1d(np.arange(len(first)), plane)
    spacing = np.median(cloud.compute_nearest_neighbor_distance())
    label = np.asarray(cloud.select_by_index(rest).cluster_dbscan(4 * spacing, 10))
    keep = np.zeros(len(points), bool)
    if len(label) and label.max() >= 0:
        keep[np.asarray(first)[rest[label == np.bincount(label[label >= 0]).argmax()]]] = True
    return keep


def verdicts(cases: list[Case], seed: int, only: str, grey: bool = False) -> Iterator[tuple[Verdict, SimulatedCapture]]:
    """One after another; each scene is the same whether others are asked for or not."""
    for number, case in enumerate(cases):
        if only not in case.name:
            continue
        shot = case.capture(seed + number)
        if grey:
            shot = replace(shot, capture=replace(shot.capture, colours=None))
        yield judged(case, shot, seed + number), shot


def demands(found: list[Verdict]) -> str:
    """The table of what cleaning must reach, and what it reached."""
    accepted = [verdict for verdict in found if verdict.accepted] or found
    kept, foreign = [v.recall for v in found], [v.foreign for v in found]
    easy = [v for v in found if v.case.easy]
    without = [v.plane_cut for v in found if not v.case.has_plane]
    rows = [
        ("part points kept, median", ">= 99.7 %", f"{100 * np.median(kept):.2f} %"),
        ("part points kept, worst accepted", ">= 98 %", f"{100 * min(v.recall for v in accepted):.2f} %"),
        ("foreign beyond 1 mm, median", "<= 0.05 %", f"{100 * np.median(foreign):.3f} %"),
        ("foreign beyond 1 mm, worst accepted", "<= 0.5 %", f"{100 * max(v.foreign for v in accepted):.3f} %"),
        ("wrong and passed without a warning", "0", f"{sum(v.wrong and v.accepted for v in found)}"),
        ("passed without a warning", ">= 85 %", f"{100 * np.mean([v.accepted for v in found]):.0f} %"),
        ("of the easy ones", "100 %", f"{100 * np.mean([v.accepted for v in easy]):.0f} %" if easy else "-"),
        ("points cut as a plane where there is none", "0", f"{sum(without)}"),
        ("CPU per million points, median from 1 M on", "<= 4 s", _pace(found)),
    ]
    return "\n".join(f"{name:45s} {wanted:>10s} {reached:>12s}" for name, wanted, reached in rows)


def _pace(found: list[Verdict]) -> str:
    paces = [v.cpu / v.case.points * 1e6 for v in found if v.case.points >= 1_000_000]
    return f"{np.median(paces):.1f} s" if paces else "-"


def main() -> int:
    """Print each scene, then the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=5000)
    parser.add_argument("--only", default="")
    parser.add_argument("--no-plain", action="store_true")
    parser.add_argument("--grey", action="store_true")
    options = parser.parse_args()
    found, simple = [], []
    for verdict, shot in verdicts(grid(), options.seed, options.only, options.grey):
        print(verdict, flush=True)
        found.append(verdict)
        if not options.no_plain and verdict.case.points <= 1_000_000:
            start = time.process_time()
            kept = plain(shot.capture.points)
            seconds = time.process_time() - start
            recall, foreign, _ = score(verdict.case.truth(shot, verdict.seed), shot.capture.points, shot.labels, kept)
            simple.append((recall, foreign, seconds))
    print(f"\n{len(found)} scenes\n{demands(found)}")
    if simple:
        recall, foreign, seconds = np.array(simple).T
        wrong = np.mean((recall < 0.98) | (foreign > 0.005))
        pace = seconds.sum() / sum(v.case.points for v in found if v.case.points <= 1e6) * 1e6
        print(
            f"\nplain script: kept {100 * np.median(recall):.2f} % median, {100 * recall.min():.2f} % worst; foreign "
            f"{100 * np.median(foreign):.2f} % median, {100 * foreign.max():.1f} % worst; "
            f"wrong in {100 * wrong:.0f} %, never noticed; {pace:.1f} s per million"
        )
    return int(any(v.wrong and v.accepted for v in found))


if __name__ == "__main__":
    sys.exit(main())
