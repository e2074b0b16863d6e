"""Telling words for people from points in a text file, so that a note beside captures is none."""

from __future__ import annotations

import re
from pathlib import Path

from pipeline.errors import CaptureError
from pipeline.formats.source import HEAD, ReadLimits, opened

_BETWEEN = re.compile(r"[\s;,:=()\[\]{}]+")
_NUMBER = re.compile(r"[-+]?[0-9]*[.,]?[0-9]+([eE][-+]?[0-9]+)?")


def is_words(path: Path) -> bool:
    """Whether a ``.txt`` is a text that only people read.

    Only what is surely no list of points: what is damaged, empty, binary or long is left to the readers, which say what
    is wrong with it. Words may hold a size now and then, but no line of them begins with three numbers.
    """
    if path.suffix.lower() != ".txt":
        return False
    try:
        with opened(path, ReadLimits(bytes=HEAD)) as source:
            source.refuse_binary(source.head)
            lines = source.head.decode("utf-8", "replace").splitlines()
    except CaptureError:
        return False
    words = [[word for word in _BETWEEN.split(line) if word] for line in lines if line.strip()]
    holding = sum(sum(map(_is_number, line)) >= 3 for line in words)
    return 2 * holding < len(words) and not any(len(line) >= 3 and all(map(_is_number, line[:3])) for line in words)


def _is_number(word: str) -> bool:
    return _NUMBER.fullmatch(word) is not None
