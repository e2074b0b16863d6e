"""The commands. The only code that prints: results on standard output, the log on standard error."""

from __future__ import annotations

import argparse
import os
import signal
import sys
from collections.abc import Sequence

import pipeline
from pipeline.cli import authoring, demo, process, report, site, upkeep
from pipeline.cli.exits import ACCEPTED, INTERRUPTED, USAGE
from pipeline.errors import NightmillError

COMMANDS = (demo, process, site, report, authoring, upkeep)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; its exit code."""
    signal.signal(signal.SIGTERM, _interrupt)
    options = _parser().parse_args(arguments)
    try:
        code: int = options.command(options)
        sys.stdout.flush()
        return code
    except NightmillError as error:
        print(f"nightmill: {error}", file=sys.stderr)
        return USAGE
    except KeyboardInterrupt:
        print("nightmill: interrupted; no half result was left", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:  # somebody closed the pipe, as `| head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return ACCEPTED


def _interrupt(number: int, frame: object) -> None:
    raise KeyboardInterrupt


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="nightmill",
        description="Captures in by day, checked deliverables by morning.",
        epilog="exit codes: 0 all accepted, 1 something needs a person, 2 wrong usage or configuration, "
        "70 a defect of the program, 130 interrupted",
    )
    parser.add_argument("--version", action="version", version=f"nightmill {pipeline.__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for module in COMMANDS:
        module.add_to(commands)
    return parser
