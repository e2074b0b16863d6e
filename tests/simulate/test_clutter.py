"""Paper creases, cloth folds, hands reach."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from pipeline.part import Mesh
from pipeline.simulate import clutter
from pipeline.simulate.solids import solid_of


def test_crumpled_paper_is_flat_between_sharp_creases() -> None:
    bend = _bends(clutter.crumpled(100, 30, np.random.default_rng(2)))
    assert np.quantile(bend, 0.5) < 1  # most of it is flat,
    assert np.quantile(bend, 0.97) > 20  # and what is not is sharp


def test_cloth_bends_softly_everywhere() -> None:
    bend = _bends(clutter.cloth(300, 6, np.random.default_rng(2)))
    assert np.quantile(bend, 0.5) > 0.05
    assert np.quantile(bend, 0.99) < 10


@pytest.mark.parametrize("seed", range(4))
def test_crumpled_paper_lies_on_the_table_and_rises_about_as_told(seed: int) -> None:
    height = clutter.crumpled(100, 30, np.random.default_rng(seed)).vertices[:, 2]
    assert height.min() > 0
    assert (height < 0.2).mean() > 0.05
    assert 15 < height.max() < 60


def test_crumpled_paper_hangs_over_itself() -> None:
    sheets = [clutter.crumpled(100, 40, np.random.default_rng(seed)) for seed in range(4)]
    assert max((_normals(sheet)[:, 2] < 0).mean() for sheet in sheets) > 0.005


def test_crumpled_paper_is_a_sheet_of_the_same_length_everywhere_or_longer() -> None:
    """Shears along the folds never tear the sheet: its cells stay connected and none vanishes."""
    sheet = clutter.crumpled(100, 30, np.random.default_rng(3))
    area = trimesh.Trimesh(sheet.vertices, sheet.faces, process=False).area_faces
    assert area.min() > 0.1 * np.median(area)


def test_a_hand_is_closed_and_ends_at_its_finger_tips() -> None:
    tips = np.array([[0, y, 40.0] for y in (-27, -9, 9, 27)] + [[0, -30, 20.0]])
    hand = clutter.hand(tips, np.array([1.0, 0, 0]))
    assert solid_of(hand).genus() >= 0
    assert hand.vertices[:, 0].max() == pytest.approx(9, abs=0.5)  # the thumb's radius past its centre
    assert np.ptp(hand.vertices, axis=0)[0] > 250


def _normals(mesh: Mesh) -> np.ndarray:
    return trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).face_normals


def _bends(mesh: Mesh) -> np.ndarray:
    """Angles between neighbouring triangles, degrees, away from the table."""
    surface = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    free = (mesh.vertices[mesh.faces][:, :, 2] > 0.5).all(axis=1)
    return np.rad2deg(surface.face_adjacency_angles[free[surface.face_adjacency].all(axis=1)])
