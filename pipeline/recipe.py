"""The recipe: the chain of stages, their parameters, and the limits a result must keep."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from pydantic import Field, model_validator

from pipeline.document import Document, WrittenByPeople, load, nearest, validate
from pipeline.errors import ConfigurationError, Mistake, UsageError
from pipeline.part import Unit
from pipeline.stage import UNIT_SIGNS
from pipeline.stages import STAGES, AnyStage
from pipeline.stages.export import Export
from pipeline.stages.meshing import Meshing
from pipeline.storage import shipped

_GAPS = {
    "plane-strip": "without plane-strip the table stays in; right only for captures without one",
    "clutter-removal": "without clutter-removal paper and riser stay in; right only for captures of the part alone",
    "alignment": "without alignment only jobs of one capture, or with `aligned: true` in the ticket, can be worked",
    "export": "without export nothing is delivered; right only where measures alone are wanted",
}


class Limit(WrittenByPeople):
    """A bound on a measure, with the outcome that breaking it brings."""

    measure: str
    """``stage.measure``, as ``nightmill stages`` lists them."""

    min: float | None = None
    """Smallest allowed value."""

    max: float | None = None
    """Largest allowed value."""

    otherwise: Literal["review", "rescan"] = "review"
    """Outcome when the value is beyond the limit."""

    @model_validator(mode="after")
    def _is_a_bound(self) -> Limit:
        if self.min is None and self.max is None:
            raise ValueError("a limit needs min, max or both")
        if self.min is not None and self.max is not None and self.min > self.max:
            raise ValueError(f"min {self.min:g} is larger than max {self.max:g}")
        return self

    def broken_by(self, value: float, unit: str) -> str | None:
        """What is wrong with the value, or None."""
        if self.min is not None and value < self.min:
            return f"{_short(value, self.min)}{_sign(unit)}, where at least {self.min:g}{_sign(unit)} is wanted"
        if self.max is not None and value > self.max:
            return f"{_short(value, self.max)}{_sign(unit)}, where at most {self.max:g}{_sign(unit)} is allowed"
        return None


def _short(value: float, bound: float) -> str:
    """A value in three digits, or as many more as it takes to lie beyond the bound."""
    rounded = (float(f"{value:.{digits}g}") for digits in range(3, 17))
    return f"{next((near for near in rounded if near != bound and (near > bound) == (value > bound)), value):.15g}"


def _sign(unit: str) -> str:
    return f" {UNIT_SIGNS[unit]}".rstrip()


class Recipe(WrittenByPeople):
    """A chain of stages and the limits on their measures."""

    recipe: Literal[1]
    """Version of the recipe format."""

    name: str = Field(pattern=r"^\w[\w .-]*$", max_length=64, examples=["bores", "Lock 4 - bores.v2"])
    """Name used in manifests, tickets and reports: letters, digits, spaces, ``.``, ``-`` and ``_``."""

    description: str | None = None
    """What the recipe is for, one sentence."""

    unit: Unit | None = None
    """Unit of the captures' files where the ticket says nothing; millimetres where neither does."""

    stages: tuple[AnyStage, ...] = Field(min_length=1, max_length=50)
    """The steps, first to last."""

    limits: tuple[Limit, ...] = Field(default=(), max_length=200)
    """Bounds that a result must keep."""


def load_recipe(path: Path) -> Recipe:
    """A recipe from its file, complete and consistent.

    Where the chain goes from captures to the mesh without saying how, `meshing` with its defaults is put in
    between; the manifest shows it.

    Raises
    ------
    ConfigurationError
        With every mistake, its line and what is allowed.
    """
    document = load(path)
    try:
        recipe = validate(document, Recipe)
    except ConfigurationError as error:
        raise ConfigurationError([*error.mistakes, *_limit_mistakes(document)]) from error
    mistakes = [
        *_order_mistakes(recipe, document),
        *_export_mistakes(recipe, document),
        *_limit_mistakes(document, recipe),
    ]
    if mistakes:
        raise ConfigurationError(mistakes)
    return recipe.model_copy(update={"stages": _with_meshing(recipe.stages)})


def find_recipe(name: str) -> Path:
    """The file of a recipe given as a path or as the name of one that the program ships."""
    path = Path(name)
    if path.is_file():
        return path
    known = sorted(file.stem for file in recipe_files())
    if name in known:
        return shipped("configs") / f"{name}.yaml"
    raise UsageError(
        f"There is no recipe {name!r}.{nearest(name, known)}", f"Give a file, or one of: {', '.join(known)}."
    )


def recipe_files() -> list[Path]:
    """The recipes that the program ships."""
    return sorted(path for path in shipped("configs").glob("*.yaml") if not path.name.startswith("site"))


def gaps(recipe: Recipe) -> list[str]:
    """What captures from a bench usually need and a recipe does not do, in words; no mistakes."""
    there = {stage.stage for stage in recipe.stages}
    return [text for stage, text in _GAPS.items() if stage not in there]


def _with_meshing(stages: tuple[AnyStage, ...]) -> tuple[AnyStage, ...]:
    for i, stage in enumerate(stages):
        if stage.takes == "mesh":
            return (*stages[:i], Meshing(), *stages[i:])
        if stage.gives == "mesh":
            return stages
    return stages


def _order_mistakes(recipe: Recipe, document: Document) -> list[Mistake]:
    stages = _with_meshing(recipe.stages)
    shift = len(stages) - len(recipe.stages)
    mistakes: list[Mistake] = []
    form, meshed_by = "captures", ""
    for i, stage in enumerate(recipe.stages):
        if stage.takes == "captures" and form == "mesh":
            text = f"{stage.stage} works on the captures and must stand before {meshed_by}"
            mistakes.append(document.mistake(("stages", i), text))
            continue
        if form == "captures" and "mesh" in (stage.takes, stage.gives):
            meshed_by = f"{stage.stage} (line {document.line(('stages', i))})"
            form = "mesh"
    last_change = max((i for i, s in enumerate(stages) if s.takes == "mesh" and s.alters), default=-1)
    last_place = {s.stage: i for i, s in enumerate(stages) if s.takes == "mesh" and s.finishing}
    for name, i in last_place.items():
        if i < last_change:
            changer = stages[last_change].stage
            what = "writes" if name == "export" else "judges"
            line = document.line(("stages", last_change - shift))
            text = f"{name} {what} a mesh that {changer} (line {line}) still changes"
            mistakes.append(document.mistake(("stages", i - shift), f"{text}: put it after {changer}"))
    return mistakes


def _export_mistakes(recipe: Recipe, document: Document) -> list[Mistake]:
    first: dict[tuple[str, str | None], int] = {}
    mistakes: list[Mistake] = []
    for i, stage in enumerate(recipe.stages):
        if not isinstance(stage, Export):
            continue
        before = first.setdefault((stage.format, stage.name), i)
        if before != i:
            line = document.line(("stages", before))
            text = f"the export on line {line} writes a file of the same name; give one of them a name"
            mistakes.append(document.mistake(("stages", i, "format"), text))
    return mistakes


def _limit_mistakes(document: Document, recipe: Recipe | None = None) -> list[Mistake]:
    """Limits on what no stage measures and, where the recipe is otherwise good, on what none of its own does."""
    known = sorted(f"{name}.{measure}" for name, stage in STAGES.items() for measure in stage.all_measures())
    stages = _with_meshing(recipe.stages) if recipe else ()
    given = {f"{stage.stage}.{name}" for stage in stages for name in type(stage).all_measures()} if recipe else known
    limits = document.values.get("limits") if isinstance(document.values, dict) else None
    mistakes: list[Mistake] = []
    for i, limit in enumerate(limits if isinstance(limits, list) else []):
        measure = limit.get("measure") if isinstance(limit, dict) else None
        if not isinstance(measure, str) or measure in given:
            continue
        stage = measure.split(".")[0]
        if measure in known:
            text = f"no stage of this recipe gives {measure}: add the stage {stage} or drop the limit"
        else:
            text = f"no stage gives a measure {measure!r}.{nearest(measure, known)}"
            text += f" See: nightmill stages {stage}" if stage in STAGES else " Write stage.measure."
        mistakes.append(document.mistake(("limits", i, "measure"), text))
    return mistakes
