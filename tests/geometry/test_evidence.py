"""Evidence, and its file: what was put in is what is found at each place."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from pipeline.errors import CaptureError
from pipeline.formats.evidence import EVIDENCE_FILE, Evidence, read_evidence, write_evidence
from pipeline.geometry.deviation import sample_surface
from pipeline.geometry.evidence import Lookup, cell_size, spread
from pipeline.part import Mesh


def plate() -> Mesh:
    """A plate of 100 x 60 mm whose end beyond x = 30 is filled."""
    solid = trimesh.creation.box((100, 60, 6))
    for _ in range(4):
        solid = solid.subdivide()
    faces = np.array(solid.faces, np.int32)
    return Mesh(solid.vertices, faces, np.array(solid.vertices)[faces].mean(axis=1)[:, 0] > 30)


def evidence_of(mesh: Mesh) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """The first capture saw x < 10, 0.1 mm outside; the second x > -10, 0.1 mm inside."""
    points, face = sample_surface(mesh.vertices, mesh.faces, 40_000)
    points = points[~mesh.filled[face]]
    sides = [points[points[:, 0] < 10], points[points[:, 0] > -10]]
    cell = cell_size(mesh, 0.7)
    return *spread(mesh, sides, [np.full(len(sides[0]), 0.1), np.full(len(sides[1]), -0.1)], cell), cell


@pytest.mark.parametrize(
    ("x", "sides", "deviation"), [(-30.0, 0b01, 0.1), (20.0, 0b10, -0.1), (0.0, 0b11, 0.0), (45.0, 0, np.nan)]
)
def test_each_place_knows_who_saw_it(x: float, sides: int, deviation: float) -> None:
    lookup = Lookup(*evidence_of(plate()))
    found, seen = lookup.at(np.array([[x, 0.0, 3.0], [x, 12.0, 3.0], [x, -9.0, -3.0]]))
    assert seen.tolist() == [sides] * 3
    assert found == pytest.approx([deviation] * 3, abs=0.03, nan_ok=True)


def test_far_from_all_evidence_nothing_is_known() -> None:
    deviation, sides = Lookup(*evidence_of(plate())).at(np.array([[0.0, 0.0, 50.0]]))
    assert np.isnan(deviation).all()
    assert sides.tolist() == [0]


def test_the_file_gives_back_what_was_written(tmp_path: Path) -> None:
    places, deviation, sides, cell = evidence_of(plate())
    write_evidence(tmp_path, Evidence(places, deviation, sides, ("top side.ply", "b.ply"), cell))
    back = read_evidence(tmp_path)
    assert back is not None
    assert back.captures == ("top side.ply", "b.ply")
    assert np.array_equal(back.sides, sides)
    assert back.places == pytest.approx(places, abs=1e-4)
    assert back.deviation == pytest.approx(deviation, abs=1e-6, nan_ok=True)


def test_other_software_can_read_the_file(tmp_path: Path) -> None:
    places, deviation, sides, cell = evidence_of(plate())
    write_evidence(tmp_path, Evidence(places, deviation, sides, ("a",), cell))
    cloud = trimesh.load(tmp_path / EVIDENCE_FILE)
    assert np.asarray(cloud.vertices) == pytest.approx(places, abs=1e-4)


@pytest.mark.parametrize("cut", [10, 100, 5_000])
def test_a_damaged_file_is_refused(tmp_path: Path, cut: int) -> None:
    places, deviation, sides, cell = evidence_of(plate())
    file = write_evidence(tmp_path, Evidence(places, deviation, sides, ("a",), cell))
    file.write_bytes(file.read_bytes()[:-cut])
    with pytest.raises(CaptureError):
        read_evidence(tmp_path)


def test_no_file_is_no_evidence(tmp_path: Path) -> None:
    assert read_evidence(tmp_path) is None
