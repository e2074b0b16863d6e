"""The commands as a user types them: what is printed where, and the exit codes."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from pipeline.cli import main
from pipeline.cli.process import _print_result
from pipeline.errors import MachineError
from pipeline.formats import write_points
from pipeline.manifest import MANIFEST_FILE, read_manifest
from pipeline.service.publish import staged
from pipeline.stages import STAGES

QUICK = """\
recipe: 1
name: quick
stages:
  - stage: meshing
  - stage: watertight-check
  - stage: export
"""


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A ball scanned from all sides, and a short recipe beside it."""
    rng = np.random.default_rng(3)
    direction = rng.normal(size=(12_000, 3))
    folder = tmp_path / "ball"
    folder.mkdir()
    write_points(folder / "all.ply", 25 * direction / np.linalg.norm(direction, axis=1, keepdims=True))
    (tmp_path / "quick.yaml").write_text(QUICK, encoding="utf-8")
    return folder


def process(job: Path, *more: str) -> int:
    return main(
        ["process", str(job), "--recipe", str(job.parent / "quick.yaml"), "--out", str(job.parent / "out"), *more]
    )


def test_process_without_a_recipe_lists_those_there_are(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["process", str(job), "--out", str(job.parent / "out")]) == 2
    assert "one of: archive, inspection, preview, replica." in capsys.readouterr().err


@pytest.mark.parametrize("inside", ["", "out"])
def test_no_result_is_written_among_the_captures(job: Path, inside: str, capsys: pytest.CaptureFixture[str]) -> None:
    before = sorted(job.iterdir())
    assert process(job, "--out", str(job / inside)) == 2
    assert "in the folder of the captures" in capsys.readouterr().err
    assert sorted(job.iterdir()) == before


def test_process_writes_a_result_that_verifies(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert process(job) == 0
    said = capsys.readouterr()
    assert said.out.startswith("ball: accepted\n")
    assert "ball: meshing (2/4)" in said.err
    result = job.parent / "out" / "ball"
    assert {file.name for file in result.iterdir()} >= {"ball.stl", MANIFEST_FILE}
    assert main(["verify", str(job.parent / "out")]) == 0
    with (result / "ball.stl").open("r+b") as file:
        file.seek(200)
        file.write(b"altered")
    capsys.readouterr()
    assert main(["verify", str(result)]) == 1
    assert "altered since it was delivered" in capsys.readouterr().out
    (result / "ball.stl").unlink()
    assert main(["verify", str(result)]) == 1


def test_the_manifest_fits_its_schema(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    process(job, "--json")
    manifest = json.loads(capsys.readouterr().out)
    main(["schema", "manifest"])
    schema = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator.check_schema(schema)  # JSON Schema 2020-12, by its own meta-schema
    jsonschema.Draft202012Validator(schema).validate(manifest)


def test_working_again_replaces_our_result_but_nobody_elses_files(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    process(job)
    assert process(job) == 0
    note = job.parent / "out" / "ball" / "remarks.txt"
    note.write_text("mine", encoding="utf-8")
    assert process(job) == 2
    assert "remarks.txt" in capsys.readouterr().err
    assert note.read_text(encoding="utf-8") == "mine"


def test_a_result_of_other_captures_of_the_same_name_is_not_replaced(job: Path) -> None:
    assert process(job) == 0
    first = (job.parent / "out" / "ball" / "ball.stl").read_bytes()
    other = job.parent / "elsewhere" / "ball"
    other.mkdir(parents=True)
    rng = np.random.default_rng(4)
    direction = rng.normal(size=(12_000, 3))
    write_points(other / "all.ply", 30 * direction / np.linalg.norm(direction, axis=1, keepdims=True))
    recipe, out = str(job.parent / "quick.yaml"), job.parent / "out"
    for _ in range(2):  # worked again, it does replace its own
        assert main(["process", str(other), "--recipe", recipe, "--out", str(out)]) == 0
    assert sorted(folder.name for folder in out.glob("ball*")) == ["ball", "ball--2"]
    assert (out / "ball" / "ball.stl").read_bytes() == first


def test_a_question_about_the_unit_ends_with_1_and_leaves_no_part(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (job / "ticket.yaml").write_text("expected_size_mm: 1270\n", encoding="utf-8")
    assert process(job) == 1
    assert "Is the unit right?" in capsys.readouterr().out
    assert not list((job.parent / "out" / "ball").glob("*.stl"))


def test_wrong_usage_ends_with_2_and_says_what_to_do(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert process(job.parent / "nowhere") == 2
    assert "does not exist" in capsys.readouterr().err
    (job.parent / "quick.yaml").write_text(QUICK.replace("meshing", "mashing"), encoding="utf-8")
    assert process(job) == 2
    assert "quick.yaml:4: stages[1].stage: 'mashing' is not a stage. Did you mean meshing?" in capsys.readouterr().err
    assert not (job.parent / "out" / "ball").exists()


def test_an_output_that_cannot_be_written_is_wrong_usage(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (job.parent / "out").write_text("not a folder", encoding="utf-8")
    assert process(job) == 2
    assert f"Nothing can be written into {job.parent / 'out'}" in capsys.readouterr().err
    assert (job.parent / "out").read_text(encoding="utf-8") == "not a folder"


def test_an_accepted_job_without_its_page_says_so(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As when the disk is full: the result is whole, and what is missing is named with what writes it."""
    (job.parent / "out").mkdir()
    (job.parent / "out" / "report-assets").write_text("in the way of what turns the surface", encoding="utf-8")
    assert process(job) == 0
    result = job.parent / "out" / "ball"
    assert (result / "index.html").is_file(), "the page can do without"
    assert "FileExistsError" in (result / "work.log").read_text(encoding="utf-8")
    (result / "index.html").unlink()
    capsys.readouterr()
    _print_result(read_manifest(result), result)
    assert (
        f"could not be written, see work.log; once that is mended: nightmill report {result}" in capsys.readouterr().out
    )


def test_a_disk_that_is_full_at_the_start_is_said_in_a_line(tmp_path: Path) -> None:
    with pytest.raises(MachineError, match="no room left"), staged(tmp_path / "out"):
        raise OSError(errno.ENOSPC, "No space left on device")
    assert list(tmp_path.iterdir()) == []


def test_a_job_that_takes_too_long_is_ended_and_says_so(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert process(job, "--minutes", "0.001") == 1
    assert "failed" in capsys.readouterr().out
    reason = json.loads((job.parent / "out" / "ball" / MANIFEST_FILE).read_text(encoding="utf-8"))["reasons"][0]
    assert reason["code"] == "timeout"


def test_a_job_without_enough_memory_fails_alone(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert process(job, "--memory-gib", "0.3") in (1, 70)
    manifest = json.loads((job.parent / "out" / "ball" / MANIFEST_FILE).read_text(encoding="utf-8"))
    assert manifest["outcome"] == "failed"


def test_an_interrupted_job_leaves_nothing_behind(job: Path) -> None:
    command = [sys.executable, "-m", "pipeline", "process", str(job), "--out", str(job.parent / "out")]
    child = subprocess.Popen(
        [*command, "--recipe", str(job.parent / "quick.yaml")], stderr=subprocess.PIPE, encoding="utf-8"
    )
    assert child.stderr is not None
    while "meshing" not in child.stderr.readline():
        assert child.poll() is None
    os.kill(child.pid, signal.SIGTERM)
    child.communicate(timeout=60)
    assert child.returncode == 130
    assert list((job.parent / "out").iterdir()) == []


@pytest.mark.parametrize("kind", ["recipe", "ticket", "site", "manifest"])
def test_schemas_are_json_schema_2020_12(kind: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schema", kind]) == 0
    schema = json.loads(capsys.readouterr().out)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema)


def test_stages_lists_every_stage_and_its_parameters(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["stages"]) == 0
    listed = capsys.readouterr().out
    assert all(name in listed for name in STAGES)
    assert main(["stages", "hole-fill"]) == 0
    assert "max_diameter_mm" in capsys.readouterr().out
    assert main(["stages", "measurement"]) == 0
    said = capsys.readouterr().out
    assert "keys of each:\n        shape (plane | cylinder | sphere; must be given)\n" in said
    assert "seed_mm (3 values; must be given)\n            A place on it, in the frame of the deliverable.\n" in said
    assert "within_mm (number; default unset)" in said
    assert max(map(len, said.split("parameters")[1].split("\n\n")[0].splitlines())) <= 110
    assert main(["stages", "--json"]) == 0
    assert {facts["stage"] for facts in json.loads(capsys.readouterr().out)} == set(STAGES)
    assert main(["stages", "hole-fil"]) == 2
    assert "Did you mean hole-fill?" in capsys.readouterr().err


def test_check_names_mistakes_of_every_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good, bad, worse = tmp_path / "good.yaml", tmp_path / "ticket.yaml", tmp_path / "r.yaml"
    good.write_text(QUICK, encoding="utf-8")
    bad.write_text("unit: yard\n", encoding="utf-8")
    worse.write_text("recipe: 1\nname: r\nstages: []\n", encoding="utf-8")
    assert main(["check", str(good)]) == 0
    assert "note: without clutter-removal" in capsys.readouterr().out
    assert main(["check", str(Path(__file__).parents[2] / "configs" / "replica.yaml")]) == 0
    assert "note" not in capsys.readouterr().out
    assert main(["check", str(tmp_path)]) == 2
    assert f"nightmill check {bad}" in capsys.readouterr().err
    assert main(["check", str(good), str(bad), str(worse)]) == 2
    said = capsys.readouterr().out
    assert f"{bad}:1: unit:" in said
    assert f"{worse}:3: stages:" in said


def test_the_doctor_says_what_is_there(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["doctor", "--json"]) in (0, 1)
    findings = json.loads(capsys.readouterr().out)
    assert {"python", "open3d", "pymeshlab", "memory", "disk", "file watching"} <= {
        each["subject"] for each in findings
    }
    assert all(each["good"] or each["remedy"] for each in findings)


def test_check_and_help_load_no_heavy_library() -> None:
    code = (
        "import sys; from pipeline.cli import main; main(['check', sys.argv[1]]); "
        "print([m for m in ('open3d', 'pymeshlab', 'lib3mf') if m in sys.modules])"
    )
    recipe = Path(__file__).parents[2] / "configs" / "replica.yaml"
    done = subprocess.run([sys.executable, "-c", code, str(recipe)], capture_output=True, encoding="utf-8", check=True)
    assert done.stdout.splitlines()[-1] == "[]"
