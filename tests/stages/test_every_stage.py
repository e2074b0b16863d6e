"""What every stage promises, whichever it is: walked over the union of them all."""

from __future__ import annotations

import importlib
import inspect
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest
from pydantic import ValidationError

from pipeline.errors import JobStopped, NightmillError
from pipeline.part import Capture, Mesh, Part
from pipeline.stage import MeasureUnit, Stage, StageContext
from pipeline.stages import STAGES

UNITS_IN_NAMES = ("mm", "mm2", "mm3", "deg", "s", "count", "percent", "ratio", "per_mm2", "g", "g_cm3", "c", "per_k")
RAISED = np.array([0.0, 0.0, 30.0])
EVERY = pytest.mark.parametrize("name", list(STAGES))


def sphere_points(count: int, radius: float = 30.0) -> np.ndarray:
    """An even set of points on a sphere (golden spiral)."""
    k = np.arange(count) + 0.5
    polar, turn = np.arccos(1 - 2 * k / count), np.pi * (1 + 5**0.5) * k
    return radius * np.column_stack([np.cos(turn) * np.sin(polar), np.sin(turn) * np.sin(polar), np.cos(polar)])


@pytest.fixture(scope="module")
def part() -> Part:
    """Two captures of a ball on a table, in one frame, and a mesh of it with a small hole."""
    import trimesh

    rng = np.random.default_rng(5)
    captures = []
    for i in range(2):
        ball = sphere_points(9_000) + RAISED + rng.normal(0, 0.02, (9_000, 3))
        table = np.column_stack([rng.uniform(-90, 90, (12_000, 2)), rng.normal(0, 0.02, 12_000)])
        points = np.concatenate([ball[ball[:, 2] > 6], table[np.linalg.norm(table[:, :2], axis=1) > 20]])
        captures.append(Capture(f"{i}.ply", points))
    ball = trimesh.creation.icosphere(subdivisions=4, radius=30)
    faces = ball.faces[np.linalg.norm(ball.triangles_center - [30, 0, 0], axis=1) > 4]
    part = Part("ball", tuple(captures), Mesh(ball.vertices + RAISED, faces))
    return replace(part, declared=replace(part.declared, aligned=True))


def taken(kind: type[Stage], part: Part) -> Part:
    return replace(part, mesh=None) if kind.takes == "captures" else part


def run(kind: type[Stage], part: Part, folder: Path) -> tuple[Part | str, StageContext]:
    context = StageContext(np.random.default_rng(7), folder, kind.all_measures())
    try:
        return kind().apply(part, context), context
    except JobStopped as stop:
        return stop.code, context


def arrays(value: Any) -> list[np.ndarray]:
    if isinstance(value, np.ndarray):
        return [value]
    if isinstance(value, tuple):
        return [array for item in value for array in arrays(item)]
    fields = getattr(type(value), "__dataclass_fields__", {})
    return [array for name in fields for array in arrays(getattr(value, name))]


@EVERY
def test_names_agree(name: str) -> None:
    kind = STAGES[name]
    assert re.fullmatch(r"[a-z]+(-[a-z]+)*", name)
    assert kind.__module__ == f"pipeline.stages.{name.replace('-', '_')}"
    assert kind.__name__ == name.title().replace("-", "")
    assert inspect.getdoc(importlib.import_module(kind.__module__))


@EVERY
def test_parameters_are_documented_and_end_in_their_unit(name: str) -> None:
    for key, field in STAGES[name].model_json_schema()["properties"].items():
        if key == "stage":
            continue
        assert field.get("description"), f"{key} has no docstring"
        options = [option.get("type") for option in field.get("anyOf", [field])]
        if {"number", "integer"} & set(options):
            assert key.endswith(tuple(f"_{unit}" for unit in UNITS_IN_NAMES)), f"{key} does not end in its unit"


@EVERY
def test_measures_have_a_unit_in_name_and_in_declaration(name: str) -> None:
    for key, measure in STAGES[name].all_measures().items():
        assert measure.unit in get_args(MeasureUnit)
        assert measure.text
        assert key.endswith(f"_{measure.unit}"), f"{key} is in {measure.unit}"


@EVERY
def test_parameters_go_through_json_and_back(name: str) -> None:
    stage = STAGES[name]()
    assert type(stage).model_validate_json(stage.model_dump_json()) == stage
    with pytest.raises(ValidationError):
        type(stage).model_validate_json(json.dumps({"stage": name, "nonsense": 1}))
    with pytest.raises(ValidationError):
        stage.stage = "other"


@EVERY
def test_the_input_stays_untouched_and_the_same_seed_gives_the_same(name: str, part: Part, tmp_path: Path) -> None:
    kind = STAGES[name]
    given = taken(kind, part)
    before = [array.copy() for array in arrays(given)]
    results = []
    for attempt in ("first", "second"):
        folder = tmp_path / attempt
        folder.mkdir()
        result, context = run(kind, given, folder)
        files = {file.name: file.read_bytes() for file in sorted(folder.iterdir())}
        results.append((result, context.measures, context.warnings, context.reasons, files))
    after = arrays(given)
    assert all(np.array_equal(a, b) for a, b in zip(before, after, strict=True))
    assert all(not array.flags.writeable for array in after)
    (one, *one_told), (other, *other_told) = results
    assert one_told == other_told
    assert isinstance(one, str) == isinstance(other, str)
    if isinstance(one, str):
        assert one == other
    else:
        pairs = zip(arrays(one), arrays(other), strict=True)
        assert all(np.array_equal(a, b) for a, b in pairs)
        assert one.deliverables == other.deliverables
        assert (one.mesh is not None) == (kind.gives == "mesh")


@EVERY
def test_every_measure_it_records_is_declared_and_finite(name: str, part: Part, tmp_path: Path) -> None:
    _, context = run(STAGES[name], taken(STAGES[name], part), tmp_path)
    assert set(context.measures) <= set(STAGES[name].measures)
    assert np.isfinite(list(context.measures.values())).all()


@EVERY
def test_nothing_in_is_refused_in_plain_words(name: str, tmp_path: Path) -> None:
    nothing = np.zeros((0, 3))
    part = Part("nothing", (Capture("none.ply", nothing),), Mesh(nothing, nothing.astype(np.int32)))
    kind = STAGES[name]
    context = StageContext(np.random.default_rng(7), tmp_path, kind.all_measures())
    with pytest.raises(NightmillError) as caught:
        kind().apply(taken(kind, part), context)
    assert caught.value.text
    assert caught.value.remedy
