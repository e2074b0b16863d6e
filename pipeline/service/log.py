"""The service's log: one JSON object a line, for journald or whoever collects them."""

from __future__ import annotations

import json
import logging
import sys
from typing import Any

from pipeline.manifest import now

_EXTRAS = ("job", "entry")


class JsonLines(logging.Formatter):
    """Time, level, text, and the job or inbox entry it is about."""

    def format(self, record: logging.LogRecord) -> str:
        said: dict[str, Any] = {
            "time": now().isoformat().replace("+00:00", "Z"),
            "level": record.levelname.lower(),
            "text": record.getMessage(),
        }
        said |= {name: getattr(record, name) for name in _EXTRAS if hasattr(record, name)}
        if record.exc_info:
            said["trace"] = self.formatException(record.exc_info)
        return json.dumps(said, ensure_ascii=False)


class PlainLines(logging.Formatter):
    """For a terminal."""

    def format(self, record: logging.LogRecord) -> str:
        about = next((f"{getattr(record, name)}: " for name in _EXTRAS if hasattr(record, name)), "")
        return f"{now():%H:%M:%S} {about}{record.getMessage()}"


def begin_log(level: int = logging.INFO) -> None:
    """Send the service's log to standard error: plain on a terminal, JSON lines elsewhere."""
    handler = logging.StreamHandler()
    handler.setFormatter(PlainLines() if sys.stderr.isatty() else JsonLines())
    logger = logging.getLogger("nightmill")
    logger.handlers = [handler]
    logger.setLevel(level)
    logger.propagate = False
