"""Places in messages: what a stage tells in the part's frame is read in the deliverable's."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.places import carried, in_words, tells_place

TURNED = np.array([[0.0, -1, 0, 10], [1, 0, 0, 0], [0, 0, 1, -5], [0, 0, 0, 1]])
"""A quarter turn about z, then a shift."""


def test_a_place_is_told_in_the_frame_asked_for() -> None:
    text = f"A hole at {carried(np.array([1.0, 2.0, 3.0]))}; another at {carried(np.array([0.04, 0.0, -120.25]))}."
    assert in_words(text, np.eye(4)) == "A hole at (1.0, 2.0, 3.0) mm; another at (0.0, 0.0, -120.2) mm."
    assert in_words(text, TURNED) == "A hole at (8.0, 1.0, -2.0) mm; another at (10.0, 0.0, -125.2) mm."


@pytest.mark.parametrize("text", ["Nothing is open.", "top ⟨old⟩.ply was left out.", "Turn it by 3.0 ⟨deg⟩."])
def test_what_names_no_place_stays_as_it_is(text: str) -> None:
    assert in_words(text, TURNED) == text
    assert not tells_place(text)


@pytest.mark.parametrize("text", ["fit 1 (the plane at (0.5, 0, 0) mm)", "first at (-1.0, 22.5, 3.1) mm."])
def test_a_place_in_words_is_known_for_one(text: str) -> None:
    assert tells_place(text)
