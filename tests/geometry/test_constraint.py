"""Free motions of shapes whose free motions are known."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from pipeline.geometry.constraint import FREE_RATIO, WEAK_RATIO, Constraint, constraint


def sampled(mesh: trimesh.Trimesh, count: int = 6000, facing: str = "all") -> tuple[np.ndarray, np.ndarray]:
    points, face = trimesh.sample.sample_surface(mesh, count, seed=1)
    normals = np.asarray(mesh.face_normals[face])
    flat = np.abs(normals[:, 2]) > 0.9
    keep = {"all": np.ones(count, bool), "side": ~flat, "top": normals[:, 2] > 0.9}[facing]
    return np.asarray(points)[keep], normals[keep]


def swept(profile: np.ndarray, turn: float, rise: float) -> tuple[np.ndarray, np.ndarray]:
    """A profile (radius, height) turned by random angles and raised by ``rise`` a radian: revolution or helix."""
    rng = np.random.default_rng(3)
    k, angle = rng.uniform(0, len(profile) - 1.001, 6000), rng.uniform(0, turn, 6000)
    low = k.astype(int)
    at = profile[low] + (k - low)[:, None] * (profile[low + 1] - profile[low])
    step = profile[low + 1] - profile[low]
    c, s, zero = np.cos(angle), np.sin(angle), np.zeros(6000)
    points = np.column_stack([at[:, 0] * c, at[:, 0] * s, at[:, 1] + rise * angle])
    along = np.column_stack([step[:, 0] * c, step[:, 0] * s, step[:, 1]])
    around = np.column_stack([-at[:, 0] * s, at[:, 0] * c, zero + rise])
    normals = np.cross(along, around)
    return points, normals / np.linalg.norm(normals, axis=1, keepdims=True)


def two_planes() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(4)
    a, b = rng.uniform(0, 40, (2, 3000, 2))
    zero = np.zeros(3000)
    points = np.vstack([np.column_stack([a, zero]), np.column_stack([b[:, 0], zero, b[:, 1]])])
    return points, np.repeat([[0.0, 0, 1], [0, 1.0, 0]], 3000, axis=0)


WAVY = np.column_stack([20 + 6 * np.sin(np.linspace(0, 7, 200)), np.linspace(0, 90, 200)])
CROSS_SECTION = np.column_stack([20 + 8 * np.cos(np.linspace(0, 6, 60)), 6 * np.sin(np.linspace(0, 6, 60))])
OUTLINE = np.array([(0.0, 0), (40, 0), (40, 8), (12, 14), (9, 40), (0, 40)])


def extruded() -> tuple[np.ndarray, np.ndarray]:
    """The side faces of a bar with an unsymmetrical outline."""
    rng = np.random.default_rng(5)
    along = np.roll(OUTLINE, -1, axis=0) - OUTLINE
    length = np.linalg.norm(along, axis=1)
    side = rng.choice(len(length), 6000, p=length / length.sum())
    at = OUTLINE[side] + rng.uniform(size=(6000, 1)) * along[side]
    outward = np.column_stack([along[:, 1], -along[:, 0], 0 * length]) / length[:, None]
    return np.column_stack([at, rng.uniform(0, 60, 6000)]), outward[side]


SHAPES = {
    "plane": (lambda: sampled(trimesh.creation.box((60, 40, 20)), facing="top"), 3),
    "sphere": (lambda: sampled(trimesh.creation.icosphere(4, 25.0)), 3),
    "cylinder": (lambda: sampled(trimesh.creation.cylinder(15, 60, sections=128), facing="side"), 2),
    "revolution": (lambda: swept(WAVY, 2 * np.pi, 0.0), 1),
    "extrusion": (extruded, 1),
    "helix": (lambda: swept(CROSS_SECTION, 4 * np.pi, 6.0), 1),
    "edge of two planes": (two_planes, 1),
    "box": (lambda: sampled(trimesh.creation.box((60, 40, 20))), 0),
}


@pytest.mark.parametrize("name", list(SHAPES))
def test_a_shape_has_as_many_free_motions_as_its_kind(name: str) -> None:
    """Counts per kind of surface: Gelfand & Guibas 2004, "Shape segmentation using local slippage analysis"."""
    make, expected = SHAPES[name]
    held = constraint(*make())
    assert (held.ratios() < FREE_RATIO).sum() == expected
    assert len(held.motions()) == expected


def prism(corners: int, flats: float, height: float) -> Constraint:
    mesh = trimesh.creation.cylinder(flats / 2 / np.cos(np.pi / corners), height, sections=corners)
    return constraint(*sampled(mesh, 40_000))


def test_a_prism_resists_spin_by_its_corners() -> None:
    """Closed form: a side of width w resists with w^2/12 an area; the two ends resist a slide with all their area."""
    flats, height = 30.0, 18.0
    width = flats / np.sqrt(3)
    held = prism(6, flats, height)
    spin = 6 * width * height * width**2 / 12 / held.length**2
    slide = 2 * 6 * width * flats / 4
    assert held.ratios()[0] == pytest.approx(spin / slide, rel=0.05)
    assert not held.motions(WEAK_RATIO)
    assert not prism(8, flats, height).motions()
    (weak,) = prism(8, flats, height).motions(WEAK_RATIO)
    assert abs(weak.axis[2]) > 0.99
    assert "turn" in weak.words


def test_motions_are_the_ones_that_leave_the_surface_in_itself() -> None:
    points, normals = swept(WAVY, 2 * np.pi, 0.0)
    shift = np.array([100.0, -40, 7])
    (turn,) = constraint(points + shift, normals).motions()
    assert turn.words == "can turn about the part's long axis"
    assert np.abs(turn.axis) == pytest.approx([0, 0, 1], abs=0.01)
    assert np.linalg.norm((turn.through - shift)[:2]) < 0.5
    words = [m.words for m in constraint(*SHAPES["cylinder"][0]()).motions()]
    assert words == ["can slide along the part's long axis", "can turn about the part's long axis"]
    (screw,) = constraint(*SHAPES["helix"][0]()).motions()
    assert "screw" in screw.words
    assert float(screw.words.split("(")[-1].split(" mm")[0]) == pytest.approx(6.0 * 2 * np.pi, rel=0.05)


def test_the_covariance_is_what_repeated_fits_scatter_by() -> None:
    """A corner of three faces of 50 mm, 3000 points, 0.05 mm: 0.0044 deg and 0.0018 mm (sigma^2 H^-1, Censi 2007)."""
    rng = np.random.default_rng(8)
    uv = rng.uniform(0, 50, (3, 1000, 2))
    points = np.concatenate([np.insert(uv[axis], axis, 0.0, axis=1) for axis in range(3)])
    normals = np.repeat(np.eye(3), 1000, axis=0)
    held = constraint(points, normals)
    covariance = held.covariance(0.05)
    spread = np.sqrt(np.diag(covariance))
    assert np.rad2deg(spread[:3]) == pytest.approx(0.0044, rel=0.06)
    assert spread[3:] == pytest.approx(0.0018, rel=0.06)
    rows = np.hstack([np.cross(points - held.centre, normals), normals])
    fits = np.linalg.lstsq(rows, rng.normal(0, 0.05, (3000, 400)), rcond=None)[0]
    assert fits.std(axis=1) / spread == pytest.approx(np.ones(6), rel=0.15)
    moved = np.cross(fits[:3].T[:, None], points[::10] - held.centre) + fits[3:].T[:, None]
    assert held.displacement_mm(0.05) == pytest.approx(np.sqrt((moved**2).sum(axis=2).mean()), rel=0.1)
