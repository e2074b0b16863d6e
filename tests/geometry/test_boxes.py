"""Which faces may be in the way of a box, asked in two ways."""

from __future__ import annotations

import numpy as np
from meshes import icosphere

from pipeline.geometry.boxes import Boxes, meeting_box


def test_one_box_meets_the_faces_that_boxes_about_all_of_them_find() -> None:
    vertices, faces = icosphere(4, 10.0)
    boxes, rng, found = Boxes(vertices, faces), np.random.default_rng(2), 0
    for _ in range(50):
        low = rng.uniform(-12, 10, 3)
        high = low + rng.uniform(0, 8, 3)
        meeting = meeting_box(vertices, faces, low, high)
        corners = vertices[faces]
        meets = ((corners.min(axis=1) <= high) & (corners.max(axis=1) >= low)).all(axis=1)
        assert np.array_equal(meeting, np.flatnonzero(meets))
        assert np.array_equal(meeting, boxes.meeting(low, high))
        found += len(meeting)
    assert found > 0
    at_corner = vertices[faces[0, 0]]
    assert 0 in meeting_box(vertices, faces, at_corner, at_corner)
