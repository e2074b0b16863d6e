"""Jobs are handed in as an operator would, and readers that are not ours can read them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
import yaml

from pipeline.simulate.fittings import FITTINGS
from pipeline.simulate.inbox import EXAMPLE, Job, write_job
from pipeline.simulate.rays import truth_distance

SMALL = Job(name="sheave", fitting="sheave", sides=("top", "bottom"), points=2_000, ticket={"part": "sheave"})


def test_a_job_is_a_folder_with_captures_and_a_ticket(tmp_path: Path) -> None:
    truth = write_job(tmp_path, replace(SMALL, bench={"riser": "block", "riser_height_mm": 25.0}))
    assert sorted(p.name for p in (tmp_path / "sheave").iterdir()) == ["side-1.ply", "side-2.ply", "ticket.yaml"]
    ticket = yaml.safe_load((tmp_path / "sheave/ticket.yaml").read_text(encoding="utf-8"))
    assert ticket["captures"].keys() == {one.capture.name for one in truth}
    assert (ticket["unit"], ticket["aligned"], ticket["riser_height_mm"]) == ("mm", True, 25.0)
    assert ticket["expected_size_mm"] == pytest.approx([96, 96, 22], abs=0.1)


@pytest.mark.parametrize(("suffix", "form"), [(".ply", "cloud"), (".ply", "mesh"), (".obj", "mesh"), (".stl", "mesh")])
def test_another_reader_finds_the_same_geometry(tmp_path: Path, suffix: str, form: str) -> None:
    (one,) = write_job(tmp_path, replace(SMALL, sides=("top",), suffix=suffix, form=form, ticket=None, colours=True))
    read = trimesh.load(tmp_path / f"sheave{suffix}", process=False)
    if one.capture.faces is None:
        assert read.vertices == pytest.approx(one.capture.points, abs=1e-4)
        assert np.array_equal(np.asarray(read.colors)[:, :3], one.capture.colours)
    else:
        assert read.triangles == pytest.approx(one.capture.points[one.capture.faces], abs=1e-3)


def test_text_has_a_line_for_every_point(tmp_path: Path) -> None:
    (one,) = write_job(tmp_path, replace(SMALL, sides=("top",), suffix=".xyz", ticket=None))
    assert np.loadtxt(tmp_path / "sheave.xyz") == pytest.approx(one.capture.points, abs=1e-3)


def test_the_unit_is_the_file_s_and_the_ticket_may_say_another(tmp_path: Path) -> None:
    (one,) = write_job(tmp_path, replace(SMALL, sides=("top",), unit="in", ticket={"unit": "mm"}))
    read = trimesh.load(tmp_path / "sheave/side-1.ply", process=False)
    assert read.vertices * 25.4 == pytest.approx(one.capture.points, abs=1e-3)
    assert yaml.safe_load((tmp_path / "sheave/ticket.yaml").read_text(encoding="utf-8"))["unit"] == "mm"


def test_lumps_go_into_the_ticket_in_each_capture_s_own_frame(tmp_path: Path) -> None:
    job = Job(name="post", fitting="bollard", lumps=3, sides=("top", "left"), points=1_000, aligned=False, unit="cm")
    truth = write_job(tmp_path, job)
    ticket = yaml.safe_load((tmp_path / "post/ticket.yaml").read_text(encoding="utf-8"))
    for one in truth:
        markers = np.array(ticket["captures"][one.capture.name]["markers"]) * 10
        in_part = markers @ one.part_from_capture[:3, :3].T + one.part_from_capture[:3, 3]
        assert truth_distance(in_part, FITTINGS["bollard"](None)) == pytest.approx(4, abs=0.4)


def test_the_shipped_inbox_is_what_the_program_makes() -> None:
    shipped = Path(__file__).parents[2] / "inbox_example"
    files = {path.relative_to(shipped).as_posix() for path in shipped.rglob("*") if path.is_file()}
    expected = {"README.md"}
    for job in EXAMPLE:
        if job.ticket is None:
            expected.add(f"{job.name}{job.suffix}")
        else:
            expected |= {f"{job.name}/side-{k + 1}{job.suffix}" for k in range(len(job.sides))}
            expected.add(f"{job.name}/ticket.yaml")
    assert files == expected
    assert sum((shipped / name).stat().st_size for name in files) < 12_000_000
