"""YAML files that people write: read strictly, every mistake named with its line.

Plain YAML loaders keep the last of two equal keys, read ``no`` as false and ``010`` as eight, and let a few
hundred bytes of aliases grow to gigabytes. Recipes decide what is delivered, so here only what YAML 1.2's core
schema calls a number, a truth value or a text is one, and doubled keys, aliases, tags and bombs are refused.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ConfigDict, ValidationError

from pipeline.errors import ConfigurationError, Mistake

Location = tuple[str | int, ...]
Model = TypeVar("Model", bound=BaseModel)

MAX_BYTES = 256_000
MAX_DEPTH = 30
MAX_MISTAKES = 50

_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_INTEGER = re.compile(r"[-+]?(0|[1-9][0-9]*)")
_DECIMAL = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_TEXT_STYLES = ("'", '"', "|", ">")  # quoted or a block: always text
_WORDS: dict[str, bool | None] = {
    "": None, "~": None, "null": None, "Null": None, "NULL": None,
    "true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False,
}  # fmt: skip


class WrittenByPeople(BaseModel):
    """Base of every model that a YAML file fills: strict, closed, frozen, documented by its attributes."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, use_attribute_docstrings=True
    )


@dataclass(frozen=True, slots=True)
class Document:
    """The values of a YAML file and the line that each of them stands on."""

    file: str
    values: Any
    lines: Mapping[Location, int]

    def line(self, location: Location) -> int:
        """The line of a value, or of the nearest thing around it that the file has."""
        while location and location not in self.lines:
            location = location[:-1]
        return self.lines.get(location, 1)

    def mistake(self, location: Location, text: str) -> Mistake:
        return Mistake(self.file, self.line(location), _dotted(location), text)


def load(path: Path) -> Document:
    """Read a YAML file.

    Raises
    ------
    ConfigurationError
        When the file cannot be read or is not plain YAML: with the line and what is allowed.
    """
    try:
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise _refused(str(path), 1, f"cannot be read: {error.strerror}") from error
    return parse(data, str(path))


def parse(data: bytes, file: str) -> Document:
    """Read YAML bytes; ``file`` is the name used in mistakes. Raises ConfigurationError."""
    if len(data) > MAX_BYTES:
        raise _refused(file, 1, f"larger than {MAX_BYTES // 1000} kB; a file of this kind needs a few kB")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise _refused(file, 1 + data[: error.start].count(b"\n"), "not UTF-8 text; save it as UTF-8") from error
    try:
        _refuse_aliases_and_depth(text, file)
        node = yaml.compose(text, Loader=_LOADER)
    except yaml.MarkedYAMLError as error:
        mark: Any = error.problem_mark or error.context_mark
        line = min(mark.line + 1, len(text.splitlines())) if mark else 1  # what is not closed ends after the last
        raise _refused(file, max(1, line), f"not valid YAML: {error.problem}") from error
    except yaml.YAMLError as error:
        raise _refused(file, 1, f"not valid YAML: {str(error).splitlines()[0]}") from error
    lines: dict[Location, int] = {}
    mistakes: list[Mistake] = []
    values = _plain(node, (), file, lines, mistakes) if node is not None else {}
    if mistakes:
        raise ConfigurationError(mistakes[:MAX_MISTAKES])
    return Document(file, values, lines)


def validate(document: Document, model: type[Model]) -> Model:
    """The document as a typed model.

    Raises
    ------
    ConfigurationError
        Naming every mistake, its line, and the keys or values that are allowed there.
    """
    if not isinstance(document.values, dict):
        raise _refused(document.file, 1, "expected keys and values (key: value)")
    try:
        return model.model_validate_json(json.dumps(document.values))
    except ValidationError as error:
        schema = model.model_json_schema()
        every = error.errors(include_url=False, include_input=True)
        found = [item for item in every if not _is_echo(item, every)][:MAX_MISTAKES]
        raise ConfigurationError(list(dict.fromkeys(_explained(document, schema, item) for item in found))) from error


def _is_echo(item: Any, every: Sequence[Any]) -> bool:
    """Whether a list is said to be too short only because what stands in it is wrong, and that is said as well."""
    at = item["loc"]
    return item["type"] == "too_short" and any(len(o["loc"]) > len(at) and o["loc"][: len(at)] == at for o in every)


def nearest(word: str, words: list[str]) -> str:
    """`` Did you mean x?`` when one of the words is close, else nothing."""
    close = difflib.get_close_matches(word, words, n=1, cutoff=0.6)
    return f" Did you mean {close[0]}?" if close else ""


def _refused(file: str, line: int, text: str) -> ConfigurationError:
    return ConfigurationError([Mistake(file, line, "", text)])


def _refuse_aliases_and_depth(text: str, file: str) -> None:
    depth = 0
    events: Iterable[Any] = yaml.parse(text, Loader=_LOADER)
    for event in events:
        line = event.start_mark.line + 1
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
            raise _refused(file, line, "anchors and aliases (& and *) are not allowed; write the value out")
        depth += isinstance(event, yaml.CollectionStartEvent) - isinstance(event, yaml.CollectionEndEvent)
        if depth > MAX_DEPTH:
            raise _refused(file, line, f"nested deeper than {MAX_DEPTH} levels")


def _plain(node: yaml.Node, at: Location, file: str, lines: dict[Location, int], mistakes: list[Mistake]) -> Any:
    lines.setdefault(at, node.start_mark.line + 1)
    if node.tag not in _PLAIN_TAGS:
        mistakes.append(Mistake(file, node.start_mark.line + 1, _dotted(at), f"the tag {node.tag} is not allowed"))
        return None
    if isinstance(node, yaml.ScalarNode):
        return _scalar(node)
    if isinstance(node, yaml.SequenceNode):
        return [_plain(child, (*at, i), file, lines, mistakes) for i, child in enumerate(node.value)]
    result: dict[str, Any] = {}
    for key_node, value_node in node.value:
        line = key_node.start_mark.line + 1
        if not isinstance(key_node, yaml.ScalarNode):
            mistakes.append(Mistake(file, line, _dotted(at), "a key must be a plain word"))
            continue
        key, location = key_node.value, (*at, key_node.value)
        if key in result:
            first = lines[location]
            mistakes.append(Mistake(file, line, _dotted(location), f"this key stands twice (first on line {first})"))
            continue
        lines[location] = line
        result[key] = _plain(value_node, location, file, lines, mistakes)
    return result


_PLAIN_TAGS = {
    f"tag:yaml.org,2002:{kind}"
    for kind in ("map", "seq", "str", "int", "float", "bool", "null", "timestamp", "value", "merge")
}


def _scalar(node: yaml.ScalarNode) -> Any:
    text: str = node.value
    if node.style in _TEXT_STYLES:
        return text
    if text in _WORDS:
        return _WORDS[text]
    if _INTEGER.fullmatch(text) and len(text) < 20:
        return int(text)
    if _DECIMAL.fullmatch(text) and not re.match(r"[-+]?0[0-9]", text):
        return float(text)
    return text


def _dotted(location: Location) -> str:
    text = ""
    for step in location:
        text += f"[{step + 1}]" if isinstance(step, int) else (f".{step}" if text else step)
    return text


def _explained(document: Document, schema: dict[str, Any], error: Any) -> Mistake:
    location, place = _follow(document.values, schema, error["loc"])
    kind, given = error["type"], error.get("input")
    if kind == "extra_forbidden":
        allowed = sorted(place.get("properties", {}))
        text = f"unknown key.{nearest(str(location[-1]), allowed)} Allowed: {', '.join(allowed)}"
    elif kind in ("missing", "too_long") and "prefixItems" in place:
        text = f"needs {place['minItems']} values, not {len(given)}"
    elif kind == "missing":
        text = f"the key {error['loc'][-1]} is missing"
    elif kind == "string_pattern_mismatch":
        text = f"should be written as in {' or '.join(map(_shown, place['examples']))}, not {_shown(given)}"
    elif kind in ("union_tag_invalid", "union_tag_not_found"):
        location = (*location, "stage")
        stages = sorted(place.get("discriminator", {}).get("mapping", {}))
        given = given.get("stage") if isinstance(given, dict) else given
        what = f"{given!r} is not a stage." if given is not None else "every step names its stage."
        text = f"{what}{nearest(str(given), stages)} Stages: {', '.join(stages)}"
    elif kind == "too_short":
        text = f"needs at least {error['ctx']['min_length']} of them, not {error['ctx']['actual_length']}"
    elif kind == "value_error":
        text = str(error["ctx"]["error"])
    else:
        text = re.sub("^(Input|String) should", "should", error["msg"]) + f", not {_shown(given)}" + _hint(kind, given)
    return document.mistake(location, _named(document.values, location) + text)


def _named(values: Any, location: Location) -> str:
    """What people call the entry of a list that a mistake lies in, where they gave it a name."""
    called = ""
    for step in location:
        if isinstance(values, dict) and step not in values:
            break
        values = values[step]
        name = values.get("name") if isinstance(step, int) and isinstance(values, dict) else None
        called = f"{name}: " if isinstance(name, str) else called
    return called


def _hint(kind: str, given: Any) -> str:
    if isinstance(given, str) and re.fullmatch(r"[-+]?[0-9]+,[0-9]+", given):
        return f" (write {given.replace(',', '.')}: the decimal sign is a point)"
    if isinstance(given, str) and _DECIMAL.fullmatch(given):
        return " (write the number without quotes or leading zeros)"
    if kind == "string_type" and isinstance(given, float):
        return " (put it in quotes if it is a name)"
    return ""


def _shown(given: Any) -> str:
    text = json.dumps(given, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else text[:57] + "..."


def _follow(values: Any, schema: dict[str, Any], path: tuple[Any, ...]) -> tuple[Location, dict[str, Any]]:
    """Walk values and schema along an error's path; steps that only name a union's member are not in the file."""
    location: Location = ()
    place = schema
    for step in path:
        place = _resolved(place, schema, values)
        if isinstance(values, list) and isinstance(step, int) and step < len(values):
            location, values, place = (*location, step), values[step], place.get("items", {})
        elif isinstance(values, dict) and step in values:
            location, values = (*location, step), values[step]
            if step not in place.get("properties", {}) and "additionalProperties" not in place:
                return location, place
            if place.get("additionalProperties") is False and step not in place["properties"]:
                return location, place
            place = place.get("properties", {}).get(step) or place.get("additionalProperties") or {}
    return location, _resolved(place, schema, values)


def _resolved(place: Any, schema: dict[str, Any], values: Any) -> dict[str, Any]:
    """Follow references, a union's discriminator and ``or null`` down to the schema of these values."""
    while isinstance(place, dict):
        if "$ref" in place:
            place = schema["$defs"][place["$ref"].rsplit("/", 1)[1]]
        elif "discriminator" in place:
            tag = values.get(place["discriminator"]["propertyName"]) if isinstance(values, dict) else None
            target = place["discriminator"]["mapping"].get(tag) if isinstance(tag, str) else None
            if target is None:
                return place
            place = {"$ref": target}
        elif "anyOf" in place:
            wanted = "object" if isinstance(values, dict) else "array" if isinstance(values, list) else None
            options = [_resolved(option, schema, values) for option in place["anyOf"]]
            place = next((option for option in options if option.get("type") == wanted), options[0])
        else:
            return place
    return {}
