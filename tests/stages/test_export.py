"""`export`: names, units, poses and what the manifest says of a file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
from pydantic import ValidationError

from pipeline.errors import UsageError
from pipeline.formats import read_mesh
from pipeline.part import Capture, Mesh, Part
from pipeline.stage import StageContext
from pipeline.stages.export import Export, safe_name


def part_of(mesh: trimesh.Trimesh, name: str = "rowlock") -> Part:
    return Part(name, (Capture("a.ply", mesh.vertices),), Mesh(mesh.vertices, mesh.faces))


def context(folder: Path) -> StageContext:
    return StageContext(np.random.default_rng(0), folder, Export.all_measures())


def test_a_file_is_in_the_pose_and_unit_that_it_is_ordered_in(tmp_path: Path) -> None:
    box = trimesh.creation.box((60, 40, 20))
    turned = np.array([[0, -1, 0, 5], [1, 0, 0, 6], [0, 0, 1, 7], [0, 0, 0, 1.0]])
    part = replace(part_of(box), deliverable_from_part=turned)
    looked = context(tmp_path)
    done = Export(format="stl", unit="in").run(part, looked)
    assert done.mesh is part.mesh
    (written,) = done.deliverables
    assert (written.file, written.unit, written.watertight, written.triangles) == ("rowlock.stl", "in", True, 12)
    assert trimesh.load(tmp_path / written.file).extents == pytest.approx(np.array([40, 60, 20]) / 25.4, rel=1e-6)
    back = read_mesh(tmp_path / written.file, format="stl", unit="in")
    assert back.vertices.mean(axis=0) == pytest.approx([5, 6, 7], abs=1e-5)
    assert looked.measures == {"triangles_count": 12, "bytes_count": 84 + 12 * 50, "filled_count": 0}


def test_each_format_has_its_unit(tmp_path: Path) -> None:
    part = part_of(trimesh.creation.box((60, 40, 20)))
    for form in ("stl", "ply", "obj", "glb", "3mf"):
        part = Export(format=form).run(part, context(tmp_path))
    assert [each.unit for each in part.deliverables] == ["mm", "mm", "mm", "m", "mm"]
    assert {each.file for each in part.deliverables} == {path.name for path in tmp_path.iterdir()}
    Export(format="glb", unit="m")
    with pytest.raises(ValidationError, match="always in metres"):
        Export(format="glb", unit="mm")


@pytest.mark.parametrize("name", ["../up", "a/b", "", ".hidden", "a b", "x" * 200, "nul\0"])
def test_a_name_can_only_be_a_name(name: str) -> None:
    with pytest.raises(ValidationError, match="name may only"):
        Export(name=name)
    assert Export(name=safe_name(name)).name == safe_name(name)


def test_a_part_of_any_name_gets_a_file_in_the_folder(tmp_path: Path) -> None:
    part = part_of(trimesh.creation.box(), "../../Rowlock, port side")
    (written,) = Export().run(part, context(tmp_path)).deliverables
    assert written.file == "Rowlock-port-side.stl"
    assert (tmp_path / written.file).is_file()


def test_two_exports_never_write_one_file(tmp_path: Path) -> None:
    part = Export().run(part_of(trimesh.creation.box()), context(tmp_path))
    with pytest.raises(UsageError, match=r"rowlock\.stl"):
        Export().run(part, context(tmp_path))
    Export(name="second").run(part, context(tmp_path))


def test_an_open_or_inverted_surface_is_not_called_watertight(tmp_path: Path) -> None:
    ball = trimesh.creation.icosphere(2, 30)
    for name, faces in (("open", ball.faces[1:]), ("inverted", ball.faces[:, ::-1])):
        part = Part(name, (), Mesh(ball.vertices, faces))
        for form in ("stl", "3mf"):
            part = Export(format=form).run(part, context(tmp_path))
        assert [each.watertight for each in part.deliverables] == [False, False]


def test_an_stl_that_joins_what_the_mesh_keeps_apart_is_found_out(tmp_path: Path) -> None:
    """Two boxes that share an edge in space but not in the mesh: closed there, four faces at one edge in STL."""
    one, other = trimesh.creation.box((10, 10, 10)), trimesh.creation.box((10, 10, 10))
    other.apply_translation([10, 10, 0])
    both = trimesh.util.concatenate([one, other])
    mesh = Mesh(both.vertices, both.faces)
    looked = context(tmp_path)
    (written,) = Export().run(Part("boxes", (), mesh), looked).deliverables
    assert not written.watertight
    assert [reason.code for reason in looked.reasons] == ["stl-not-closed"]
    (kept,) = Export(format="3mf").run(Part("boxes", (), mesh), context(tmp_path)).deliverables
    assert kept.watertight
