"""Recipes: complete and consistent before the night, or refused with file and line."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import ConfigurationError, UsageError
from pipeline.recipe import Limit, find_recipe, load_recipe, recipe_files

HEAD = "recipe: 1\nname: r\nstages:\n"


def mistakes(folder: Path, text: str) -> list[str]:
    file = folder / "r.yaml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigurationError) as caught:
        load_recipe(file)
    return [str(mistake).removeprefix(f"{folder}/") for mistake in caught.value.mistakes]


def test_the_shipped_recipes_are_good() -> None:
    names = {file.stem for file in recipe_files()}
    assert {"replica", "inspection", "archive", "preview"} <= names
    for file in recipe_files():
        assert load_recipe(file).name == file.stem


def test_the_archive_promises_no_more_than_meshing_gives() -> None:
    """Meshing's cells are two point spacings wide: that is what nothing is taken away from."""
    archive = load_recipe(find_recipe("archive"))
    assert not [stage for stage in archive.stages if stage.stage == "decimation"]
    (meshing,) = (stage for stage in archive.stages if stage.stage == "meshing")
    assert meshing.cell_mm is None
    assert "two point spacings" in (archive.description or "")
    texts = [
        file.read_text(encoding="utf-8") for file in (find_recipe("archive"), Path(__file__).parents[1] / "README.md")
    ]
    assert not any("full density" in text.lower() for text in texts)


def test_meshing_is_put_in_where_the_chain_needs_it(tmp_path: Path) -> None:
    file = tmp_path / "r.yaml"
    file.write_text(
        HEAD + "  - stage: outlier-removal\n  - stage: hole-fill\n  - stage: export\n    format: stl\n",
        encoding="utf-8",
    )
    assert [stage.stage for stage in load_recipe(file).stages] == ["outlier-removal", "meshing", "hole-fill", "export"]


ORDER = "a mesh that decimation (line 5) still changes: put it after decimation"
TWICE = "  - stage: export\n  - stage: export\n    format: ply\n  - stage: export\n    format: stl\n"
WRONG_STEPS = {
    "  - stage: holefill\n": "4: stages[1].stage: 'holefill' is not a stage. Did you mean hole-fill?",
    "  - max_diameter_mm: 3\n": "4: stages[1].stage: every step names its stage.",
    "  - stage: hole-fill\n    max_diametr_mm: 3\n": "5: stages[1].max_diametr_mm: unknown key. Did you mean max_",
    "  - stage: hole-fill\n    max_diameter_mm: -3\n": "5: stages[1].max_diameter_mm: should be greater than 0, not -3",
    "  - stage: export\n    format: step\n": "5: stages[1].format: should be 'stl', 'ply', 'obj', 'glb' or '3mf', not",
    "  - stage: hole-fill\n  - stage: plane-strip\n": "5: stages[2]: plane-strip works on the captures and must stand"
    " before hole-fill (line 4)",
    "  - stage: export\n  - stage: decimation\n": f"4: stages[1]: export writes {ORDER}",
    "  - stage: watertight-check\n  - stage: decimation\n": f"4: stages[1]: watertight-check judges {ORDER}",
    TWICE: "8: stages[3].format: the export on line 4 writes a file of the same name; give one of them a name",
}


def test_a_chain_without_a_step_says_so_and_one_of_wrong_steps_only_these(tmp_path: Path) -> None:
    empty = mistakes(tmp_path, HEAD.rstrip() + " []\n")
    assert empty == ["r.yaml:3: stages: needs at least 1 of them, not 0"]
    assert len(mistakes(tmp_path, HEAD + "  - stage: holefill\n  - stage: meshng\n")) == 2


@pytest.mark.parametrize(("text", "expected"), WRONG_STEPS.items())
def test_a_wrong_step_is_refused_with_its_line(tmp_path: Path, text: str, expected: str) -> None:
    assert mistakes(tmp_path, HEAD + text)[0].startswith(f"r.yaml:{expected}")


@pytest.mark.parametrize(
    ("limit", "expected"),
    [
        ("{measure: watertight-check.boundary_edges_count, max: 0}", "no stage of this recipe gives"),
        ("{measure: hole-fill.filed_percent, max: 1}", "Did you mean hole-fill.filled_percent?"),
        ("{measure: nonsense, max: 1}", "Write stage.measure."),
        ("{measure: hole-fill.filled_percent}", "a limit needs min, max or both"),
        ("{measure: hole-fill.filled_percent, min: 3, max: 1}", "min 3 is larger than max 1"),
        ("{measure: hole-fill.filled_percent, max: 1, otherwise: accepted}", "should be 'review' or 'rescan'"),
    ],
)
def test_a_limit_that_cannot_be_kept_is_refused_with_its_line(tmp_path: Path, limit: str, expected: str) -> None:
    found = mistakes(tmp_path, HEAD + f"  - stage: hole-fill\nlimits:\n  - {limit}\n")
    assert found[0].startswith("r.yaml:6: ")
    assert expected in found[0]


@pytest.mark.parametrize(
    ("fit", "expected"),
    [
        ("{name: bore, shape: cylinder, seed_mm: [0]}", "fits[1].seed_mm: bore: needs 3 values, not 1"),
        ("{name: bore, shape: cylinder, seed_mm: [0, 1, 2, 3]}", "fits[1].seed_mm: bore: needs 3 values, not 4"),
        ("{name: bore, shape: cylinder}", "fits[1]: bore: the key seed_mm is missing"),
        ("{shape: cylinder}", "fits[1]: the key seed_mm is missing"),
        ("{name: bore, shape: hole, seed_mm: [0, 1, 2]}", "fits[1].shape: bore: should be 'plane', 'cylinder' or"),
    ],
)
def test_a_mistake_in_a_fit_names_the_fit_and_what_is_missing(tmp_path: Path, fit: str, expected: str) -> None:
    found = mistakes(tmp_path, HEAD + f"  - stage: measurement\n    fits:\n      - {fit}\n")
    assert len(found) == 1
    assert found[0].startswith(f"r.yaml:6: stages[1].{expected}")


@pytest.mark.parametrize(
    ("name", "expected"), [("bores/2", 'should be written as in "bores"'), ("b" * 65, "should have at most 64 char")]
)
def test_a_wrong_name_says_how_names_are_written(tmp_path: Path, name: str, expected: str) -> None:
    assert expected in mistakes(tmp_path, HEAD.replace("name: r", f"name: {name}") + "  - stage: hole-fill\n")[0]


def test_a_limit_on_nothing_is_named_beside_other_mistakes(tmp_path: Path) -> None:
    found = mistakes(tmp_path, HEAD + "  - stage: holefill\nlimits:\n  - {measure: hole-fill.filed_percent, max: 1}\n")
    assert len(found) == 2
    assert "Did you mean hole-fill.filled_percent?" in found[1]


def test_a_limit_on_a_measure_of_the_stage_put_in_is_good(tmp_path: Path) -> None:
    file = tmp_path / "r.yaml"
    file.write_text(
        HEAD + "  - stage: hole-fill\nlimits:\n  - {measure: meshing.area_after_mm2, min: 1}\n", encoding="utf-8"
    )
    assert load_recipe(file).limits[0].measure == "meshing.area_after_mm2"


def test_a_limit_says_how_it_is_broken() -> None:
    limit = Limit(measure="a.b", min=1, max=2)
    assert limit.broken_by(1.0, "mm") is None
    assert limit.broken_by(2.0, "mm") is None
    assert limit.broken_by(2.5, "percent") == "2.5 %, where at most 2 % is allowed"
    assert limit.broken_by(81.8831, "percent") == "81.9 %, where at most 2 % is allowed"
    assert limit.broken_by(2.00037, "percent") == "2.0004 %, where at most 2 % is allowed"
    assert limit.broken_by(0.5, "count") == "0.5, where at least 1 is wanted"


def test_an_unknown_recipe_names_those_there_are() -> None:
    with pytest.raises(UsageError, match="Did you mean replica"):
        find_recipe("replika")
