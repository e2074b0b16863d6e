"""Places in messages, told in the frame of what is delivered.

A stage knows a place in the part's frame; in which frame the part is delivered is known when the whole chain has run.
So a message carries the place itself, and the account puts it into words.
"""

from __future__ import annotations

import re

import numpy as np

from pipeline.part import FloatArray, transformed

_NUMBER = r"(-?\d+\.\d+)"
_IN_WORDS = re.compile(r"\(-?[\d.]+, -?[\d.]+, -?[\d.]+\) mm")
_CARRIED = re.compile(f"⟨{_NUMBER} {_NUMBER} {_NUMBER}⟩")


def carried(place: FloatArray) -> str:
    """A place (3,) of the part's frame, millimetres, as a message carries it."""
    return "⟨{:.4f} {:.4f} {:.4f}⟩".format(*place)


def in_words(text: str, frame_from_part: FloatArray) -> str:
    """A message with the places it carries in words, in a frame (4, 4) that people can open."""

    def words(found: re.Match[str]) -> str:
        place = np.array([[float(number) for number in found.groups()]])
        x, y, z = np.round(transformed(place, frame_from_part)[0], 1) + 0.0  # no minus before a zero
        return f"({x:.1f}, {y:.1f}, {z:.1f}) mm"

    return _CARRIED.sub(words, text)


def tells_place(text: str) -> bool:
    """Whether a message names a place in words."""
    return _IN_WORDS.search(text) is not None
