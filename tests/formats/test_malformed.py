"""Damaged and hostile files: each gives one line of reason, soon, in little memory, and none brings the reader down."""

from __future__ import annotations

import json
import random
import resource
import subprocess
import sys
from pathlib import Path

import malformed
import numpy as np
import pytest

from pipeline.errors import CaptureError
from pipeline.formats import CAPTURE_SUFFIXES, read_capture

SECONDS, MIB = 5.0, 200.0
ENOUGH = 1_500
ADDRESS_SPACE = 3 * 1024**3


def read_in_child(files: list[Path]) -> dict[str, dict[str, object]]:
    """What came of each file; a crash or a hang of the child is a failure."""
    limit = lambda: resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_SPACE, ADDRESS_SPACE))  # noqa: E731
    child = subprocess.run(
        [sys.executable, "-m", "tests.formats.child"],
        input="\n".join(map(str, files)),
        capture_output=True,
        encoding="utf-8",
        timeout=300,
        preexec_fn=limit,
        cwd=Path(__file__).parents[2],
    )
    told = [json.loads(line) for line in child.stdout.splitlines()]
    assert child.returncode == 0, f"after {told[-1:]}: {child.stderr[-2000:]}"
    return {Path(str(each["name"])).name: each for each in told}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("captures")
    malformed.write_all(made)
    return made


@pytest.fixture(scope="module")
def broken(folder: Path) -> dict[str, dict[str, object]]:
    return read_in_child(sorted((folder / "broken").iterdir()))


def test_there_are_enough_of_them(folder: Path) -> None:
    assert len(list((folder / "broken").iterdir())) >= 90


def test_every_broken_file_is_refused_in_one_line(broken: dict[str, dict[str, object]]) -> None:
    assert [name for name, told in broken.items() if "text" not in told] == []
    for name, told in broken.items():
        text, remedy = str(told["text"]), str(told["remedy"])
        assert text.startswith(name), text
        assert "\n" not in text + remedy
        assert remedy.endswith("."), text
        assert text.endswith("."), text
        assert len(text) < 400, text
        assert text.isprintable(), text


def test_each_takes_little_time_and_memory(broken: dict[str, dict[str, object]]) -> None:
    assert {name: told for name, told in broken.items() if float(str(told["seconds"])) > SECONDS} == {}
    assert max(float(str(told["grown_mib"])) for told in broken.values()) < MIB


def test_memory_is_measured(tmp_path: Path) -> None:
    """A sound file of many points must show, or the test above says nothing."""
    points = np.random.default_rng(0).normal(size=(1_000_000, 3))
    (tmp_path / "large.ply").write_bytes(
        malformed.ply_header(n=len(points), faces=False) + points.astype("<f4").tobytes()
    )
    grown = float(str(read_in_child([tmp_path / "large.ply"])["large.ply"]["grown_mib"]))
    assert 12e6 / 2**20 < grown < 120  # the file's 12 MB, 24 MB of doubles, and what checking them takes


def test_sound_files_are_read_whole(folder: Path) -> None:
    told = read_in_child(sorted((folder / "sound").iterdir()))
    assert {name: each for name, each in told.items() if each.get("points") != malformed.N} == {}
    faces = {name: each["faces"] for name, each in told.items() if each["faces"]}
    assert faces.pop("polygon.ply") == malformed.N - 2
    assert len(faces) >= 15
    assert set(faces.values()) == {malformed.M}


def test_a_reason_says_where_it_is(broken: dict[str, dict[str, object]]) -> None:
    """The line of a text, counted from 1 with the header; the point or the triangle of binary data."""
    for name, words in {
        "ascii_word.ply": ("line 58", "two"),
        "ascii_row_short.ply": ("line 58", "2 numbers"),
        "ascii_decimal_commas.ply": ("comma",),
        "word.xyz": ("line 51", "two"),
        "word.obj": ("line 401", "two"),
        "not_a_number.ply": ("point 8 of 400",),
        "corner_out_of_range.ply": ("triangle 10", "400"),
        "cut.stl": (str(malformed.M), str(84 + 50 * malformed.M)),
        "utf16.xyz": ("UTF-16",),
        "odd_pipe.ply": ("pipe",),
        "odd_link.ply": ("symbolic link",),
        "odd_folder.ply": ("folder",),
        "odd_sparse_huge.obj": ("more than",),
    }.items():
        for word in words:
            assert word in str(broken[name]["text"]), broken[name]["text"]


@pytest.mark.filterwarnings("error")
def test_no_accident_to_a_sound_file_makes_anything_but_a_capture_or_a_reason(tmp_path: Path) -> None:
    """Bytes changed, lost, put in between, the end cut off; the same accidents each time."""
    rng = random.Random(1)
    odd = [b"9", b"-", b" ", b"\n", b"0", b"1e9", b"nan ", b",", b";", b"/", b"\xff" * 4, b"\0", b"999999999"]
    reasons = []
    for _ in range(ENOUGH):
        name = rng.choice(list(malformed.SOUND))
        data = bytearray(malformed.SOUND[name])
        for _ in range(rng.choice([1, 1, 2, 5])):
            at = rng.randrange(rng.choice([len(data), min(len(data), 300)]))
            width, put = rng.choice([(1, rng.randbytes(1)), (rng.choice([1, 4, 30]), b""), (0, rng.choice(odd))])
            data[at : at + width] = put
        if rng.random() < 0.2:
            del data[rng.randrange(1, len(data)) :]
        (tmp_path / name).write_bytes(data)
        try:
            assert len(read_capture(tmp_path / name).points)
        except CaptureError as error:
            reasons.append(str(error))
    assert all(reason.isprintable() for reason in reasons)
    assert ENOUGH / 2 < len(reasons) < ENOUGH


@pytest.mark.parametrize("package", ["stl-models", "assimp-testmodels"])
def test_damaged_files_of_others_never_bring_the_reader_down(package: str, request: pytest.FixtureRequest) -> None:
    """Files that others keep as damaged: npm stl-models 0.12, broken/, and Debian assimp-testmodels, models/invalid."""
    if package == "stl-models":
        where = request.getfixturevalue("npm_package")(f"{package}@0.12.0") / "package" / "broken"
    else:
        where = request.getfixturevalue("debian_package")(package)
    files = [file for file in sorted(where.rglob("*")) if file.suffix.lower() in CAPTURE_SUFFIXES]
    files = [file for file in files if package == "stl-models" or "invalid" in file.parts]
    assert files
    told = read_in_child(files)
    assert len(told) == len({file.name for file in files})
    assert max(float(str(each["seconds"])) for each in told.values()) < 60
    for each in told.values():
        assert "text" in each or int(str(each["points"])) > 0
