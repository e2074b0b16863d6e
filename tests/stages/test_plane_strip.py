"""The table goes, a part's own faces stay, and where nothing carries the scene nothing is cut."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from pipeline.formats.reading import read_capture
from pipeline.geometry.support_plane import draws_needed
from pipeline.part import Capture, Declared
from pipeline.simulate.scene import Label
from pipeline.stages.outlier_removal import OutlierRemoval
from pipeline.stages.plane_strip import PlaneStrip
from tests.cleaning import doubts, kept, simulated, worked
from tests.conftest import Fetch
from tests.meshes import cgal_meshes, sample_meshes


def test_draws_for_a_sample_free_of_outliers() -> None:
    # P7: ceil(ln(1 - p) / ln(1 - w^m)), Fischler and Bolles, Communications of the ACM 24 (1981); computed.
    found = [draws_needed(0.99, share, 3) for share in (0.9, 0.8, 0.5, 0.3, 0.2)]
    assert [*found, draws_needed(0.99, 0.5, 4)] == [4, 7, 35, 169, 574, 72]


@pytest.mark.parametrize("extra", [{"riser": "block"}, {"riser": "none"}, {"riser": "block", "table": "partial"}])
def test_the_table_goes_and_the_part_stays(extra: dict[str, str]) -> None:
    shot = simulated("gudgeon", paper="free", **extra)
    cleaned, _ = worked(shot.capture, OutlierRemoval())
    after, (told,) = worked(cleaned, PlaneStrip())
    keep = kept(shot.capture, after)
    assert keep[shot.labels == Label.TABLE].mean() < 0.001
    before = kept(shot.capture, cleaned)
    own = before & (shot.labels == Label.PART)
    # A part that stands on the table itself loses its lowest edge, no higher than the table's own noise reaches.
    assert keep[own].mean() > (0.9995 if extra["riser"] == "block" else 0.99)
    assert told.measures["cut_height_mm"] < 10 * shot.noise_mm
    assert not told.reasons


def test_the_support_is_where_the_table_is_and_reaches_as_far() -> None:
    shot = simulated("gudgeon", riser="block", paper="free")
    after, _ = worked(shot.capture, OutlierRemoval(), PlaneStrip())
    table = shot.capture.points[shot.labels == Label.TABLE]
    assert after.support_plane is not None
    assert after.support_outline is not None
    height = table @ after.support_plane[:3] + after.support_plane[3]
    assert abs(np.median(height)) < shot.noise_mm
    wide = np.ptp(table @ np.linalg.svd(after.support_plane[None, :3])[2][1:].T, axis=0)
    seen = np.ptp(after.support_outline @ np.linalg.svd(after.support_plane[None, :3])[2][1:].T, axis=0)
    assert np.all(np.abs(seen - wide) < 0.12 * wide)


def test_of_a_doubted_plane_is_said_what_this_stage_did_and_why() -> None:
    """Whether it stays in the result is decided later: what carries no part may yet go as clutter."""
    shot = simulated("gudgeon", riser="none", table="partial")
    _, (told,) = worked(shot.capture, PlaneStrip(sure_ratio=1.0, unsure_ratio=0.01))
    (reason,) = told.reasons
    assert "was not cut off as the table" in reason.text
    assert "left in" not in reason.text
    assert re.search(r"Not sure: [a-z ]+", reason.text)


@pytest.mark.parametrize("fitting", ["gudgeon", "nameplate", "pump-impeller", "sheave", "bailer", "swan-finial"])
def test_without_a_plane_nothing_is_cut(fitting: str) -> None:
    shot = simulated(fitting, table="none", riser="none")
    after, (told,) = worked(shot.capture, PlaneStrip())
    assert len(after.points) == len(shot.capture.points)
    assert after.support_plane is None
    assert not told.reasons


@pytest.mark.parametrize("size", [(60, 60, 60), (100, 60, 8)])
def test_a_box_is_no_table(size: tuple[float, float, float]) -> None:
    rng = np.random.default_rng(3)
    axis, side = rng.integers(0, 3, 20_000), rng.choice([-0.5, 0.5], 20_000)
    points = rng.uniform(-0.5, 0.5, (20_000, 3))
    points[np.arange(20_000), axis] = side
    capture = Capture("box.ply", points * size + rng.normal(0, 0.02, points.shape))
    assert len(worked(capture, PlaneStrip())[0].points) == 20_000


@pytest.mark.parametrize(
    ("size", "stripped"), [(None, 0), ((50.0, 50.0, 40.0), 1), ((200.0, 200.0, 40.0), 0), ((50.0,), 1), ((180.0,), 0)]
)
def test_a_board_seen_to_its_edges_is_told_by_the_size_in_the_ticket(
    size: tuple[float, ...] | None, stripped: int
) -> None:
    """A block on a small board: as it lies there it may as well be a plate with a block on it. One size is an edge."""
    rng = np.random.default_rng(0)

    def sheet(x: tuple[float, float], y: tuple[float, float], z: tuple[float, float]) -> np.ndarray:
        spans = np.array([x, y, z])
        area = np.prod([high - low for low, high in spans if high > low])
        return rng.uniform(spans[:, 0], spans[:, 1], (int(area), 3)) + rng.normal(0, 0.03, (int(area), 3))

    def walls(half: float, z: tuple[float, float]) -> list[np.ndarray]:
        along = [sheet((-half, half), (s * half, s * half), z) for s in (-1, 1)]
        return along + [sheet((s * half, s * half), (-half, half), z) for s in (-1, 1)]

    board = [sheet((-90, 90), (-90, 90), (0, 0)), *walls(90, (-8, 0))]
    block = [sheet((-25, 25), (-25, 25), (40, 40)), *walls(25, (0, 40))]
    capture = Capture("block.ply", np.concatenate([*board, *block]))
    after, (told,) = worked(capture, PlaneStrip(), declared=Declared(expected_size_mm=size))
    assert told.measures["planes_count"] == stripped
    assert (after.points[:, 2].min() > -0.5) == bool(stripped)


def test_without_a_size_a_board_seen_to_its_edges_stays_but_tells_how_high_things_stand() -> None:
    """It may be the part's own plate; yet a riser of a declared height stands on it, not on the foot of its edges."""
    rng = np.random.default_rng(0)

    def sheet(low: tuple[float, float, float], high: tuple[float, float, float]) -> np.ndarray:
        edges = np.subtract(high, low)
        count = int(4 * np.prod(edges[edges > 0]))
        return rng.uniform(low, high, (count, 3)) + rng.normal(0, 0.03, (count, 3))

    def block(half: float, low: float, high: float) -> np.ndarray:
        walls = [sheet((-half, s * half, low), (half, s * half, high)) for s in (-1, 1)]
        walls += [sheet((s * half, -half, low), (s * half, half, high)) for s in (-1, 1)]
        return np.concatenate([*walls, sheet((-half, -half, high), (half, half, high))])

    capture = Capture("riser.ply", np.concatenate([block(100, -4, 0), block(10, 0, 25), block(30, 25, 55)]))
    after, (told,) = worked(capture, PlaneStrip())
    assert told.measures["planes_count"] == 0
    assert after.support_plane is not None
    assert abs(float(np.array([0.0, 0.0, 25.0]) @ after.support_plane[:3] + after.support_plane[3]) - 25.0) < 0.1


def test_the_flat_top_of_what_stands_on_rough_ground_is_no_table_above_it() -> None:
    """All lies between the two, and without normals neither says which is up: the ground reaches farther."""
    rng = np.random.default_rng(0)
    ground = rng.uniform(-110, 110, (60_000, 2))
    waves = 1.5 * np.sin(ground[:, 0] / 14) * np.cos(ground[:, 1] / 16)
    top = np.column_stack([rng.uniform((-45, -25), (45, 25), (6_000, 2)), np.full(6_000, 70.0)])
    ribs = np.column_stack([rng.choice([-30.0, 30.0], 4_000), rng.uniform((-15, 40), (15, 70), (4_000, 2))])
    points = np.concatenate([np.column_stack([ground, waves]), top, ribs])
    capture = Capture("lid.ply", points + rng.normal(0, 0.05, points.shape))
    after, (told,) = worked(capture, PlaneStrip())
    assert told.measures["planes_count"] == 0
    assert after.support_plane is not None
    assert after.support_plane[2] > 0.99


def test_a_wall_goes_too() -> None:
    shot = simulated("gudgeon", riser="block", wall=True)
    after, _ = worked(shot.capture, OutlierRemoval(), PlaneStrip())
    assert kept(shot.capture, after)[shot.labels == Label.WALL].mean() < 0.001


def test_turning_and_shuffling_change_nothing() -> None:
    shot = simulated("gudgeon", riser="block", paper="free")
    capture, _ = worked(shot.capture, OutlierRemoval())
    assert capture.normals is not None
    order = np.random.default_rng(5).permutation(len(capture.points))
    turn = np.linalg.qr(np.random.default_rng(8).normal(size=(3, 3)))[0]
    turn *= np.sign(np.linalg.det(turn))
    moved = Capture("moved.ply", capture.points[order] @ turn.T + 80.0, normals=capture.normals[order] @ turn.T)
    keep = kept(capture, worked(capture, PlaneStrip())[0])
    again = kept(moved, worked(moved, PlaneStrip())[0])
    assert np.mean(again != keep[order]) < 0.001


def test_what_was_removed_is_kept(tmp_path: Path) -> None:
    shot = simulated("gudgeon", riser="block", paper="free")
    after, _ = worked(shot.capture, PlaneStrip(keep_removed=True), folder=tmp_path)
    gone = read_capture(tmp_path / "removed-plane-strip-1.ply")
    assert len(gone.points) == len(shot.capture.points) - len(after.points)


def test_real_captures_hold_no_table() -> None:
    # A range map of a face from the installed pymeshlab: nothing carries it, nothing is cut.
    path = sample_meshes() / "rangemaps" / "face000.ply"
    if not path.is_file():
        pytest.skip("pymeshlab ships no range map here")
    capture = read_capture(path)
    assert len(worked(capture, PlaneStrip())[0].points) == len(capture.points)


@pytest.mark.parametrize("name", ["kitten.xyz", "oni.ply", "fin90_with_PCA_normals.xyz", "sphere_20k.xyz"])
def test_public_point_sets_hold_no_table(name: str, debian_package: Fetch) -> None:
    # Point sets of Debian's libcgal-demo, scaled to 100 mm.
    path = cgal_meshes(debian_package("libcgal-demo")).parent / "points_3" / name
    read = read_capture(path)
    points = read.points * (100.0 / np.ptp(read.points, axis=0).max())
    after, told = worked(Capture(name, points, normals=read.normals), PlaneStrip())
    assert len(after.points) == len(points)
    assert not doubts(told)
