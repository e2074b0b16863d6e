"""``check``, ``stages``, ``schema``: for those who write recipes and tickets."""

from __future__ import annotations

import json
import textwrap
from pathlib import Path
from typing import Any

from pipeline.cli.exits import ACCEPTED, USAGE, command
from pipeline.errors import ConfigurationError, Mistake, UsageError

WIDTH = 110


def add_to(commands: Any) -> None:
    """Register the commands."""
    check = command(commands, "check", _check, "validate recipe, ticket and site files; every mistake with its line")
    check.add_argument("files", nargs="+", type=Path, metavar="FILE")
    stages = command(commands, "stages", _stages, "the stages, their parameters and their measures")
    stages.add_argument("name", nargs="?", metavar="NAME")
    stages.add_argument("--json", action="store_true")
    schema = command(commands, "schema", _schema, "JSON Schema (2020-12) of a kind of file, for editors")
    schema.add_argument("kind", choices=list(_models()))


def _check(options: Any) -> int:
    from pipeline.cli.checking import checked

    mistakes: list[Mistake] = []
    for path in options.files:
        try:
            notes = checked(path)
        except ConfigurationError as error:
            mistakes += error.mistakes
        else:
            print("\n".join([f"{path}: good", *(f"  note: {note}" for note in notes)]))
    for mistake in mistakes:
        print(mistake)
    return USAGE if mistakes else ACCEPTED


def _models() -> dict[str, str]:
    return {
        "recipe": "pipeline.recipe:Recipe",
        "ticket": "pipeline.ticket:Ticket",
        "site": "pipeline.site:Settings",
        "manifest": "pipeline.manifest:Manifest",
    }


def _schema(options: Any) -> int:
    import importlib

    module, name = _models()[options.kind].split(":")
    model = getattr(importlib.import_module(module), name)
    dialect = {"$schema": "https://json-schema.org/draft/2020-12/schema"}
    print(json.dumps(dialect | model.model_json_schema(), indent=1))
    return ACCEPTED


def _stages(options: Any) -> int:
    from pipeline.document import nearest
    from pipeline.stages import STAGES

    if options.name is not None and options.name not in STAGES:
        names = list(STAGES)
        raise UsageError(
            f"There is no stage {options.name!r}.{nearest(options.name, names)}", f"Stages: {', '.join(names)}."
        )
    chosen = {options.name: STAGES[options.name]} if options.name else STAGES
    described = [_stage_facts(name, kind) for name, kind in chosen.items()]
    if options.json:
        print(json.dumps(described, indent=1))
    elif options.name:
        _print_stage(described[0])
    else:
        width = max(map(len, STAGES))
        for facts in described:
            print(f"{facts['stage']:<{width}}  {facts['takes']:>8} -> {facts['gives']:<8}  {facts['text']}")
    return ACCEPTED


def _stage_facts(name: str, kind: Any) -> dict[str, Any]:
    parameters = [facts for facts in _parameters(kind.model_json_schema()) if facts["name"] != "stage"]
    measures = [{"name": f"{name}.{key}", "unit": m.unit, "text": m.text} for key, m in kind.all_measures().items()]
    text = (kind.__doc__ or "").strip().split("\n\n")[0].replace("\n", " ")
    return {
        "stage": name,
        "takes": kind.takes,
        "gives": kind.gives,
        "text": " ".join(text.split()),
        "parameters": parameters,
        "measures": measures,
    }


def _parameters(schema: dict[str, Any], definitions: dict[str, Any] | None = None) -> list[dict[str, Any]]:
    """The keys of a model, each with those of the entries that it is a list of."""
    definitions = schema.get("$defs", {}) if definitions is None else definitions
    found = []
    for key, field in schema.get("properties", {}).items():
        entry = field.get("items", {}).get("$ref", "").rsplit("/", 1)[-1]
        found.append(
            {
                "name": key,
                "required": key in schema.get("required", ()),
                "default": field.get("default"),
                "type": _type_words(field),
                "effect": " ".join(field.get("description", "").split()),
                "keys": _parameters(definitions[entry], definitions) if entry else [],
            }
        )
    return found


def _type_words(field: dict[str, Any]) -> str:
    options = [option for option in field.get("anyOf", [field]) if option.get("type") != "null"]
    return " or ".join(map(_option_words, options))


def _option_words(option: dict[str, Any]) -> str:
    if "enum" in option:
        return " | ".join(map(str, option["enum"]))
    if "prefixItems" in option:
        return f"{len(option['prefixItems'])} values"
    return {"array": "list", "object": "keys"}.get(option.get("type", ""), str(option.get("type", "")))


def _print_stage(facts: dict[str, Any]) -> None:
    print(f"{facts['stage']}: {facts['text']}\n  {facts['takes']} -> {facts['gives']}\n\nparameters")
    _print_parameters(facts["parameters"], "  ")
    print("\nmeasures")
    for measure in facts["measures"]:
        print(f"  {measure['name']} [{measure['unit']}]  {measure['text']}")


def _print_parameters(parameters: list[dict[str, Any]], indent: str) -> None:
    below = f"{indent}    "
    for parameter in parameters:
        default = "unset" if parameter["default"] is None else json.dumps(parameter["default"])
        given = "must be given" if parameter["required"] else f"default {default}"
        print(f"{indent}{parameter['name']} ({parameter['type']}; {given})")
        print(textwrap.fill(parameter["effect"], WIDTH, initial_indent=below, subsequent_indent=below))
        if parameter["keys"]:
            print(f"{below}keys of each:")
            _print_parameters(parameter["keys"], f"{below}  ")
