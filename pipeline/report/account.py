"""What a page says of the work: limits and their verdicts, stages and what they changed, files, ticket."""

from __future__ import annotations

from typing import Any

from pipeline.manifest import Manifest, StageRecord
from pipeline.places import tells_place
from pipeline.recipe import Limit
from pipeline.report import words
from pipeline.stages import STAGES

TICKET_WORDS = {
    "part": "Part",
    "client": "Client",
    "operator": "Operator",
    "recipe": "Recipe",
    "unit": "Unit",
    "expected_size_mm": "Expected size, mm",
    "tolerance_mm": "Tolerance, mm",
    "riser_height_mm": "Height of the riser, mm",
    "aligned": "Captures share a frame",
    "setting": "Setting between captures",
    "surface_preparation": "Surface preparation",
    "priority": "Priority",
    "notes": "Notes",
}


def side_names(manifest: Manifest) -> dict[str, str]:
    """What the operator calls each capture: the side in the ticket's words, else the file's name."""
    known = manifest.ticket.get("captures", {})
    names = [capture.file for capture in manifest.captures] + list(known)
    return {name: (known.get(name) or {}).get("side") or name for name in names}


def reasons(manifest: Manifest) -> list[dict[str, Any]]:
    """Why the job is not simply accepted, worst first as the manifest has them."""
    names = side_names(manifest)
    return [
        {
            "outcome": str(reason.outcome),
            "text": reason.text,
            "remedy": reason.remedy,
            "about": _about(reason.capture, names),
        }
        for reason in manifest.reasons
    ]


def _about(capture: str | None, names: dict[str, str]) -> str | None:
    if capture is None:
        return None
    side = names.get(capture, capture)
    return capture if side == capture else f"{side} ({capture})"


def places(manifest: Manifest) -> str | None:
    """In which frame the places are that the page tells of; None where it tells of none."""
    texts = [reason.text for reason in manifest.reasons]
    texts += [warning for stage in manifest.stages for warning in stage.warnings]
    if not any(map(tells_place, texts)):
        return None
    if manifest.deliverables:
        return "Places (x, y, z) are in the frame of the files below."
    return f"Places (x, y, z) are in the frame of {manifest.captures[0].file}."


def limits(manifest: Manifest) -> list[dict[str, Any]]:
    """Each limit of the recipe with the value it was judged by."""
    told = {reason.code for reason in manifest.reasons}
    rows = []
    for limit in map(Limit.model_validate, manifest.recipe.limits):
        stage, name = limit.measure.split(".", 1)
        found = [s.measures[name] for s in manifest.stages if s.stage == stage and name in s.measures]
        unit = found[0].unit if found else ""
        # A job that ended before its limits were judged has values all the same, and they speak for themselves.
        broken = f"limit:{limit.measure}" in told or any(limit.broken_by(m.value, m.unit) for m in found)
        bounds = {"at least": limit.min, "at most": limit.max}
        rows.append(
            {
                "measure": limit.measure,
                "words": measure_words(stage, name),
                "value": " / ".join(words.number(m.value, m.unit) for m in found) or "not measured",
                "bound": ", ".join(
                    f"{word} {words.number(value, unit)}" for word, value in bounds.items() if value is not None
                ),
                "verdict": "broken" if broken else "held" if found else "not judged",
                "otherwise": limit.otherwise if broken else None,
            }
        )
    return rows


def measure_words(stage: str, name: str) -> str:
    """What a measure means, as its stage declares it; the name itself for one that this version does not know."""
    kind = STAGES.get(stage)
    known = kind.all_measures().get(name) if kind is not None else None
    text = known.text if known is not None else words.readable(name)
    return f"{text[0].upper()}{text[1:]}"


def stages(manifest: Manifest) -> list[dict[str, Any]]:
    """The stages in their order, with times, and what each changed in numbers."""
    longest = max((stage.seconds for stage in manifest.stages), default=0) or 1
    names = side_names(manifest)
    return [
        {
            "stage": stage.stage,
            "changed": _changed(stage),
            "warnings": stage.warnings,
            "time": words.duration(stage.seconds),
            "width": round(100 * stage.seconds / longest, 1),
            "processor": words.duration(stage.cpu_seconds),
            "memory": words.size_of_file(round(stage.peak_mib * 2**20)),
            "measures": [
                {"name": name, "words": measure_words(stage.stage, name), "value": words.number(m.value, m.unit)}
                for name, m in stage.measures.items()
            ],
            "of_captures": [
                {
                    "captures": " and ".join(names.get(name, name) for name in of.captures),
                    "measured": "; ".join(
                        f"{words.readable(name)} {words.number(m.value, m.unit)}" for name, m in of.measures.items()
                    ),
                }
                for of in stage.of_captures
            ],
        }
        for stage in manifest.stages
    ]


def _changed(stage: StageRecord) -> str:
    def value(name: str) -> float | None:
        return stage.measures[name].value if name in stage.measures else None

    said = []
    points, left = value("points_before_count"), value("points_after_count")
    if points and left is not None and left != points:
        share = words.number(100 * abs(points - left) / points, "percent")
        said.append(f"{'removed' if left < points else 'added'} {abs(points - left):,.0f} points ({share})")
    faces, now = value("faces_before_count"), value("faces_after_count")
    if now is not None and faces is None:
        said.append(f"made {now:,.0f} triangles")
    elif now is not None and faces is not None and now != faces:
        said.append(f"{faces:,.0f} → {now:,.0f} triangles")
    area, after = value("area_before_mm2"), value("area_after_mm2")
    if area and after is not None and abs(after - area) > 1e-4 * area:
        change = words.number(100 * (after - area) / area, "percent")
        said.append(f"area {'+' if after > area else ''}{change}")
    text = ", ".join(said) or "changed nothing in number"
    return f"{text[0].upper()}{text[1:]}"


def deliverables(manifest: Manifest) -> list[dict[str, Any]]:
    """The files that go to the client."""
    return [
        {
            "file": record.file,
            "address": words.link(*record.file.split("/")),
            "format": record.format.upper(),
            "sha256": record.sha256,
            "unit": record.unit,
            "triangles": f"{record.triangles:,}",
            "surface": "closed, watertight" if record.watertight else "open",
            "size": words.size_of_file(record.bytes),
        }
        for record in manifest.deliverables
    ]


def captures(manifest: Manifest) -> list[dict[str, Any]]:
    """The captures as they came in."""
    names = side_names(manifest)
    return [
        {
            "file": record.file,
            "side": names[record.file] if names[record.file] != record.file else None,
            "sha256": record.sha256,
            "points": f"{record.points:,}",
            "unit": record.unit,
            "size": words.size_of_file(record.bytes),
        }
        for record in manifest.captures
    ]


def ticket(manifest: Manifest) -> list[tuple[str, str]]:
    """The ticket's lines, in words."""
    rows = []
    for key, value in manifest.ticket.items():
        if key == "captures" or value is None:
            continue
        text = {True: "yes", False: "no"}.get(value) if isinstance(value, bool) else None
        if isinstance(value, (list, tuple)):
            text = " × ".join(f"{x:g}" if isinstance(x, float) else str(x) for x in value)
        rows.append((TICKET_WORDS.get(key, words.readable(key).capitalize()), text or str(value)))
    return rows


def measured(manifest: Manifest, stage: str, name: str) -> float | None:
    """A measure's value; of the last run where the stage ran more than once."""
    found = [s.measures[name].value for s in manifest.stages if s.stage == stage and name in s.measures]
    return found[-1] if found else None


def sizes(manifest: Manifest, drawn_mm: tuple[float, float, float] | None) -> list[tuple[str, str]]:
    """Width, depth and height, in words: those that `measurement` found, and the box of the file where it is larger.

    Jaws do not feel a single corner that sticks out; the file has it. Where the recipe does not measure, the box is
    the size.
    """
    found = [measured(manifest, "measurement", f"extent_{axis}_mm") for axis in "xyz"]
    felt = _three([side for side in found if side is not None])
    box = _three(list(drawn_mm or ()))
    told = [("Size", felt or box)]
    if felt and box and box != felt:
        told.append(("Box of the file", f"{box}, single corners that stick out included"))
    return [(name, value) for name, value in told if value]


def _three(sides: list[float]) -> str:
    numbers = [words.number(side, "mm").removesuffix("\u00a0mm") for side in sides]
    return " × ".join(numbers) + "\u00a0mm" if len(numbers) == 3 else ""
