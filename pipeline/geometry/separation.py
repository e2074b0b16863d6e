"""Shape decides what the part is; where that leaves a doubt and the capture has colours, these are asked as well.

What touches the part is cleared away by its paint, then the shape of what is left decides again. A doubt is withdrawn
only where paint and shape agree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.geometry.clearing import Clearing, cleared
from pipeline.geometry.clutter import Separation, part_without_support, standing_part
from pipeline.geometry.components import inside_hull
from pipeline.geometry.doubts import Uncertain
from pipeline.geometry.gauge import Gauge
from pipeline.geometry.hills import surely_part
from pipeline.geometry.outline import outline_of
from pipeline.geometry.paint import FEWEST_LEARNED, alike, differ, paint_of, surely_learned
from pipeline.geometry.standing import Cleared, Standing, cells_of, standing
from pipeline.geometry.voxels import Voxels
from pipeline.part import BoolArray, ColourArray, FloatArray

MOST_OWN = 0.003
"""Points of the riser that may have the part's own paint, over those of the part."""
MOST_STRANGE = 0.004
"""Share of what was kept that may be of another paint than the part and what touched it."""
NEAR = 0.15
"""How far from the part, over its extent, what went may still be a piece of it."""
SURELY = 0.9
"""Belief from which on a cell has one of two paints."""
GOOD_DEAL = 0.02
"""Cells with the part's paint that went close by, or of another paint that were kept, over all that were kept."""
LOW_SHARE = 0.4
"""Share of the part's height within which what is over the riser surely rests on it."""


def separate(
    points: FloatArray,
    normals: NDArray[np.floating[Any]] | None,
    lengths: Gauge,
    support: FloatArray | None,
    *,
    colours: ColourArray | None = None,
    outline: FloatArray | None = None,
    expected_size: Sequence[float] | None = None,
    riser_height: float | None = None,
) -> Separation:
    """Keep the part's points.

    Parameters
    ----------
    points : (n, 3), millimetres
    normals : (n, 3) out of the surface, or None
    lengths : spacing and noise of the points
    support : (4,) the plane everything stands on, normal up; None when there is none
    colours : (n, 3) 0 to 255, or None
    outline : (k, 3) corners of the support as far as it was seen, or None
    expected_size : edge lengths of the part, millimetres, as declared
    riser_height : height of the riser above the support, millimetres, as declared
    """
    if support is None:
        return part_without_support(points, lengths, expected_size)
    scene = standing(cells_of(points, lengths), points, normals, support)
    found = _decided(scene, points, normals, lengths, colours, outline, expected_size, riser_height)
    cut_sure = Uncertain.CUT not in found.uncertain
    sure = surely_part(scene, scene.cells.mostly(found.keep), found.riser_height, cut_sure=cut_sure)
    doubtful = found.keep & ~sure[scene.cells.of_point]
    return replace(found, doubtful=doubtful) if doubtful.any() else found


def _decided(
    scene: Standing,
    points: FloatArray,
    normals: NDArray[np.floating[Any]] | None,
    lengths: Gauge,
    colours: ColourArray | None,
    outline: FloatArray | None,
    expected_size: Sequence[float] | None,
    riser_height: float | None,
) -> Separation:
    """The part of a scene by its shape, and by its colours where that leaves a doubt."""
    found = standing_part(scene, points, normals, lengths, outline, expected_size, riser_height)
    if colours is None:
        return found
    if riser_height is None and alike(scene.cells, colours, found.keep, found.riser):
        # A riser of the part's own paint may well be its foot: that is kept, and asked.
        found = standing_part(scene, points, normals, lengths, outline, expected_size, 0.0)
        found = _asking(found, *found.uncertain, Uncertain.FOOT)
    found = _with_paints(found, scene.cells, colours)
    if own_went(found, scene.cells, colours):
        found = _asking(found, *found.uncertain, Uncertain.TOUCHING)
    if not found.uncertain:
        # Only asked: what is in the paint of what went may as well be half of a part in two paints.
        doubtful = found.contested and not all_its_own(found, scene.cells, colours)
        return _asking(found, Uncertain.TOUCHING) if doubtful else found
    seen = outline_of(points, scene.support[:3]) if outline is None else outline
    if seen is None:
        return found
    clearing = cleared(scene, colours, scene.seen(seen), _resting(scene, found))
    if clearing is None or not clearing.sure:
        return found
    left = partial(_of_rest, scene, points, normals, lengths, colours, clearing, seen, expected_size)
    again = left(~clearing.clutter, riser_height)
    most_own, most_strange = MOST_OWN * again.keep.sum(), MOST_STRANGE * again.keep.sum()
    agree = (clearing.own & again.riser).sum() <= most_own and (clearing.strange & again.keep).sum() <= most_strange
    if agree or riser_height is not None:
        return again
    # The paints tell the riser better than its walls, of which clutter had hidden some.
    painted = replace(left(~(clearing.clutter | clearing.pedestal), 0.0), riser=clearing.pedestal)
    foot = (
        not (clearing.pedestal.sum() > most_strange or again.contested)
        or (clearing.strange & painted.keep).sum() > most_strange
    )
    return _asking(painted, *painted.uncertain, Uncertain.FOOT) if foot else painted


def _of_rest(
    scene: Standing,
    points: FloatArray,
    normals: NDArray[np.floating[Any]] | None,
    lengths: Gauge,
    colours: ColourArray,
    clearing: Clearing,
    outline: FloatArray,
    expected_size: Sequence[float] | None,
    rest: BoolArray,
    riser_height: float | None,
) -> Separation:
    """The part of what is left of a scene, the (n,) points ``rest``, when clutter was cleared away."""
    few, few_normals = points[rest], None if normals is None else normals[rest]
    cells = cells_of(few, lengths)
    left = replace(
        standing(cells, few, few_normals, scene.support),
        level_ground=scene.level_ground,
        cleared=Cleared(
            clearing.height,
            own=cells.mostly(clearing.own[rest]),
            raised=bool((clearing.pedestal & ~rest).any()),
        ),
    )
    found = standing_part(left, few, few_normals, lengths, outline, expected_size, riser_height)
    found = _with_paints(found, cells, colours[rest])
    keep, riser = np.zeros((2, len(points)), bool)
    keep[rest], riser[rest] = found.keep, found.riser
    return replace(found, keep=keep, riser=riser)


def _resting(scene: Standing, found: Separation) -> BoolArray | None:
    """(m,) cells kept that lie on the riser found and not far above it; None without an uncontested riser."""
    if found.contested:
        return None
    riser, kept = scene.cells.mostly(found.riser), scene.cells.mostly(found.keep)
    if not riser.any() or not kept.any():
        return None
    over = kept.copy()
    over[over] = inside_hull(scene.plan[riser], scene.plan[over])
    highest = float(np.percentile(scene.height[kept], 99.0))
    low = found.riser_height + LOW_SHARE * (highest - found.riser_height)
    return np.asarray(over & (scene.height > found.riser_height) & (scene.height < low))


def own_went(found: Separation, cells: Voxels, colours: ColourArray) -> bool:
    """Whether a good deal of what went close to the part has its paint, and not that of what went farther off."""
    kept, went = _kept_and_went(found, cells)
    if not kept.any() or not went.any():
        return False
    reach = NEAR * float(np.linalg.norm(np.ptp(cells.centre[kept], axis=0)))
    near = np.zeros(len(cells), bool)
    near[went] = np.isfinite(cKDTree(cells.centre[kept]).query(cells.centre[went], distance_upper_bound=reach)[0])
    hue = paint_of(cells, colours)
    paints = surely_learned(hue, kept, went & ~near)
    if paints is None:
        return False
    return bool((paints.belief(hue[near]) > SURELY).sum() > GOOD_DEAL * kept.sum())


def all_its_own(found: Separation, cells: Voxels, colours: ColourArray) -> bool:
    """Whether what was kept is told by its paint from what went, if anything did, and hardly any has the other's."""
    kept, went = _kept_and_went(found, cells)
    if went.sum() < FEWEST_LEARNED:
        return True
    hue = paint_of(cells, colours)
    paints = surely_learned(hue, kept, went)
    if paints is None:
        return False
    return bool((paints.belief(hue[kept]) < 1 - SURELY).sum() <= GOOD_DEAL * kept.sum())


def _kept_and_went(found: Separation, cells: Voxels) -> tuple[BoolArray, BoolArray]:
    """(m,) cells that are the part's, and those that are neither its nor the riser's."""
    kept = cells.mostly(found.keep)
    return kept, ~kept & ~cells.mostly(found.riser)


def _with_paints(found: Separation, cells: Voxels, colours: ColourArray) -> Separation:
    """Without the question whether the riser is the part's foot, where the two have different paints."""
    if Uncertain.FOOT in found.uncertain and found.riser.any() and differ(cells, colours, found.keep, found.riser):
        return _asking(found, *(question for question in found.uncertain if question is not Uncertain.FOOT))
    return found


def _asking(found: Separation, *questions: Uncertain) -> Separation:
    """The same with these questions, each once."""
    return replace(found, uncertain=tuple(dict.fromkeys(questions)))
