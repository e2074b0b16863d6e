"""A handheld structured-light scanner at work: captures of a scene, with the truth about them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from pipeline.part import Capture, FloatArray, frozen_array, transformed
from pipeline.simulate.fused import fused
from pipeline.simulate.paint import painted
from pipeline.simulate.poses import SIDES, inverse, random_rigid
from pipeline.simulate.scene import LabelArray, Scene
from pipeline.simulate.sweep import CLEAN, Returns, Scanner, Sweep

__all__ = ["CLEAN", "Scanner", "SimulatedCapture", "scan", "scan_sides"]


@dataclass(frozen=True, eq=False, slots=True)
class SimulatedCapture:
    """A capture and the truth about it.

    Attributes
    ----------
    capture : as an operator would have exported it
    labels : (n,) uint8, one ``Label`` per point
    part_from_capture : (4, 4) the true pose
    noise_mm : standard deviation along the ray
    """

    capture: Capture
    labels: LabelArray
    part_from_capture: FloatArray
    noise_mm: float


def scan(
    scene: Scene,
    *,
    points: int = 100_000,
    noise_mm: float = 0.05,
    seed: int = 0,
    scanner: Scanner | None = None,
    frame: Literal["random", "part"] = "random",
    form: Literal["cloud", "mesh"] = "cloud",
    normals: bool = True,
    colours: bool = True,
    name: str = "capture.ply",
) -> SimulatedCapture:
    """Scan a scene.

    Parameters
    ----------
    points : how many the capture has in all (a mesh has about as many vertices)
    noise_mm : standard deviation of the error along the ray
    frame : an arbitrary frame of the scanner's own, or the part's
    form : points, or the triangle mesh that a scanner's software fuses of them
    """
    scanner = scanner or Scanner()
    rng = np.random.default_rng([seed, 77])
    sweep = Sweep(scene.build(), scanner, noise_mm, rng)
    loose = points if form == "cloud" else 0  # fusing drops what lies on no surface
    flying = sweep.flying(round(loose * scanner.flying_percent / 100))
    strays = sweep.strays(round(loose * scanner.stray_percent / 100))
    surface = sweep.surface(points - len(flying.points) - len(strays.points))
    look = Returns.joined([*surface, flying, strays])[rng.permutation(points)]
    scene_from_part = sweep.geometry.scene_from_part
    # Of its own numbers: how many points a ray meets may differ by one between machines, the frame must not.
    own = np.random.default_rng([seed, 78])
    capture_from_scene = inverse(scene_from_part) if frame == "part" else random_rigid(own, 400.0)
    capture = Capture(
        name=name,
        points=transformed(look.points, capture_from_scene),
        normals=look.normals @ capture_from_scene[:3, :3].T.astype(np.float32) if normals or form == "mesh" else None,
        colours=painted(look.points, look.labels, look.slant, rng) if colours else None,
    )
    labels = look.labels
    if form == "mesh":
        capture = fused(capture)
        labels = sweep.labels_of(transformed(capture.points, inverse(capture_from_scene)))
    if not normals:
        capture = replace(capture, normals=None)
    truth = inverse(scene_from_part) @ inverse(capture_from_scene)
    return SimulatedCapture(capture, frozen_array(labels, np.uint8), frozen_array(truth, np.float64), noise_mm)


def scan_sides(
    scene: Scene,
    sides: tuple[str, ...] = ("top", "bottom", "left"),
    *,
    points: int = 100_000,
    noise_mm: float = 0.05,
    seed: int = 0,
    scanner: Scanner | None = None,
    aligned: bool = False,
    form: Literal["cloud", "mesh"] = "cloud",
    normals: bool = True,
    colours: bool = True,
) -> tuple[SimulatedCapture, ...]:
    """Scan a part from several sides: turned over between captures, with its table, riser and paper laid anew.

    Parameters
    ----------
    scene : of the first side; its ``up`` is not used
    sides : names from ``poses.SIDES``
    aligned : export every capture in the part's frame instead of an arbitrary one
    """
    return tuple(
        scan(
            replace(scene, up=SIDES[side], seed=scene.seed + 100 * k, spin_deg=scene.spin_deg + 97 * k),
            points=points,
            noise_mm=noise_mm,
            seed=seed + 1000 * k,
            scanner=scanner,
            frame="part" if aligned else "random",
            form=form,
            normals=normals,
            colours=colours,
            name=f"side-{k + 1}.ply",
        )
        for k, side in enumerate(sides)
    )
