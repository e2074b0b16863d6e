"""What stood around the part: removed from the result, kept as a witness.

Table, paper and riser say what the capture looked through to see them, and they tie captures of one setting together.
A sample of them is enough for both.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.geometry.cloud import thinned
from pipeline.geometry.samples import Samples, samples_of
from pipeline.geometry.sampling import point_spacing
from pipeline.part import BoolArray, Capture, NormalArray

FEWEST_POINTS = 100
MOST_POINTS = 40_000
"""So many of a whole capture are enough to draw what lies behind the part."""
EVEN_SPACINGS = 2.0
"""Cells so large hold a point wherever there is surface, be it of the sample or of the part."""


def remembering(capture: Capture, samples: Samples, gone: BoolArray) -> Capture:
    """The capture with more in its surroundings: a sample of what is being removed from it.

    Parameters
    ----------
    samples : k of the capture before the removal
    gone : (k,) those that belong to the table or to things on it; strays are no witnesses and stay out
    """
    chosen = np.flatnonzero(gone)
    share = MOST_POINTS / max(len(gone), 1)
    if share < 1.0:
        chosen = chosen[np.random.default_rng(0).random(len(chosen)) < share]
    if not len(chosen):
        return capture
    more = Capture(capture.name, samples.points[chosen], None if samples.normals is None else samples.normals[chosen])
    return replace(capture, surroundings=more if capture.surroundings is None else _joined(capture.surroundings, more))


def left_out(capture: Capture, gone: BoolArray) -> Capture:
    """The capture without points (n,) that are not the part's; they count as what stood around it."""
    if not gone.any():
        return capture
    rest = samples_of(capture.select(gone))
    return remembering(capture.select(~gone), rest, np.ones(len(rest.points), np.bool_))


def witnesses(capture: Capture) -> Capture | None:
    """What stood around the part, where enough of it was seen to tell anything."""
    around = capture.surroundings
    return None if around is None or len(around.points) < FEWEST_POINTS else around


def in_surroundings(capture: Capture) -> Capture:
    """The part and what stood around it as one cloud, as dense here as there; without markers and colours."""
    around = witnesses(capture)
    if around is None:
        return replace(capture, surroundings=None)
    of_part = samples_of(capture)
    both = _joined(around, Capture(capture.name, of_part.points, of_part.normals))
    even = thinned(both.points, both.normals, None, EVEN_SPACINGS * point_spacing(around.points))
    return Capture(
        capture.name,
        even.points,
        None if even.normals is None else even.normals.astype(np.float32),
        part_from_capture=capture.part_from_capture,
        support_plane=capture.support_plane,
    )


def _joined(first: Capture, second: Capture) -> Capture:
    normals: NormalArray | None = None
    if first.normals is not None and second.normals is not None:
        normals = np.concatenate([first.normals, second.normals])
    return Capture(first.name, np.concatenate([first.points, second.points]), normals)
