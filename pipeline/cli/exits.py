"""Exit codes, and how a command registers itself."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Any

from pipeline.errors import Outcome
from pipeline.manifest import Manifest

ACCEPTED, ATTENTION, USAGE, DEFECT, INTERRUPTED = 0, 1, 2, 70, 130


def exit_code(manifests: list[Manifest]) -> int:
    """0 when all are accepted, 70 when a defect of the program shows, else 1."""
    if any(reason.code == "defect" for manifest in manifests for reason in manifest.reasons):
        return DEFECT
    return ACCEPTED if all(m.outcome is Outcome.ACCEPTED for m in manifests) else ATTENTION


def command(commands: Any, name: str, run: Callable[[Any], int], text: str | None) -> argparse.ArgumentParser:
    """Add a command; without a text it is not listed."""
    words = {} if text is None else {"help": text, "description": text}
    added: argparse.ArgumentParser = commands.add_parser(name, **words)
    added.set_defaults(command=run)
    return added
