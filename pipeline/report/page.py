"""From a template to a page that stands alone: style and scripts inside, nothing fetched from anywhere."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from pipeline.errors import Outcome
from pipeline.report import words


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("pipeline.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    for function in (words.number, words.duration, words.clock, words.moment, words.plural, words.size_of_file):
        environment.filters[function.__name__] = function
    environment.globals.update(
        outcome_word=lambda outcome: words.OUTCOME_WORDS[Outcome(outcome)],
        outcome_meaning=lambda outcome: words.OUTCOME_MEANING[Outcome(outcome)],
    )
    return environment


def page(template: str, *, scripts: tuple[str, ...] = (), evaluates: bool = False, **facts: Any) -> bytes:
    """A whole page.

    Parameters
    ----------
    template : file in ``templates``
    scripts : script files in ``templates``, put into the page in this order
    evaluates : whether a library the page loads compiles code of its own
    facts : what the template shows
    """
    code = "".join(_text(name) for name in scripts)
    allowed = f"script-src 'sha256-{_hash(code)}' file: 'self'" if code else "script-src 'none'"
    if evaluates:
        allowed += " 'unsafe-eval'"
    policy = (
        "default-src 'none'; img-src data: file: 'self' blob:; style-src 'unsafe-inline'; "
        f"{allowed}; base-uri 'none'; form-action 'none'"
    )
    text = (
        _environment()
        .get_template(template)
        .render(policy=policy, style=Markup(_text("style.css")), script=Markup(code), **facts)
    )
    return text.encode()


def data_address(data: bytes, kind: str) -> str:
    """A picture as an address that carries it whole."""
    return f"data:image/{kind};base64,{base64.b64encode(data).decode()}"


@cache
def _text(name: str) -> str:
    return files("pipeline.report").joinpath("templates", name).read_text(encoding="utf-8")


def _hash(code: str) -> str:
    return base64.b64encode(hashlib.sha256(code.encode()).digest()).decode()
