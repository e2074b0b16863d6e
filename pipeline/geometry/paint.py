"""What a cell is made of, told by its colour: of the part's paint, of that of what lies around it, or of neither.

Nothing is assumed of any colour. Both paints are learned in the capture itself, from cells that are surely of the
part and cells that surely are not, and they count only where these two can be told apart by them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.voxels import Voxels
from pipeline.part import BoolArray, ColourArray, FloatArray

BRIGHTNESS = 0.5
"""Weight of brightness against that of hue: shading changes the one and hardly the other."""
DARKEST = 12.0
"""Added to each channel, so that the camera's noise in the dark makes no hue."""
NEIGHBOURS = 15
"""Cells learned, nearest in colour, that tell of which paint another is."""
LEARNING = 51
"""Neighbours that must agree where some of the cells to learn from may be of the other paint."""
MOST_LEARNED = 4_000
"""Cells of each paint that are remembered."""
FEWEST_LEARNED = 40
LEAST_FITTING = 0.7
"""Share of the cells learned that must lie among their own from the start."""
LEAST_TOLD_APART = 0.95
"""Share of the cells learned whose paint must tell what they are."""
MOST_ASTRAY = 0.003
"""Cells on the wrong side of a border between two paints, over those of the part."""
STRANGE = 3.0
"""Times the distance among cells of one paint beyond which a colour is of neither."""
STRANGE_SHARE = 0.15
"""Share of the way from one paint to the other within which a colour still is of one of them."""
COLOURED = 0.1
"""Logarithm of one channel over another from which on a paint has a hue."""
ROUNDS = 6
"""Times that cells on the wrong side are looked for and left out."""


def paint_of(cells: Voxels, colours: ColourArray) -> FloatArray:
    """(m, 3) brightness and two hues of each cell, as logarithms, from the (n, 3) colours of its points."""
    mean = np.stack([cells.total(colours[:, axis].astype(float)) for axis in range(3)], axis=1)
    return hues(mean / cells.count[:, None])


def hues(colours: FloatArray) -> FloatArray:
    """(n, 3) brightness and two hues of colours (n, 3), 0 to 255."""
    red, green, blue = np.log(colours.T + DARKEST)
    return np.column_stack([BRIGHTNESS * (red + green + blue) / 3.0, red - green, blue - green])


@dataclass(frozen=True, eq=False)
class Paints:
    """Two paints that were learned.

    Attributes
    ----------
    tree : of the cells learned, in the space of ``hues``
    own : (k,) which of them are the part's
    strange : how far from all that was learned a colour is of neither paint
    told_apart : share of the cells learned that lie among their own, once those on the wrong side are left out
    """

    tree: cKDTree
    own: BoolArray
    strange: float
    told_apart: float

    def belief(self, hue: FloatArray) -> FloatArray:
        """(n,) how likely colours (n, 3) are the part's: 1 surely, 0 surely not, 0.5 not to tell."""
        distance, index = self.tree.query(hue, k=NEIGHBOURS, workers=-1)
        own = self.own[index].mean(axis=1)
        own[distance[:, 0] > self.strange] = 0.5
        return np.asarray(own)


def learned(hue: FloatArray, part: BoolArray, other: BoolArray) -> Paints | None:
    """The paints of cells of the part and of others; None where there are too few of either.

    Parameters
    ----------
    hue : (m, 3) from ``paint_of``
    part, other : (m,) cells that surely are, and surely are not, of the part
    """
    examples = _examples(hue, part, other)
    if examples is None:
        return None
    hue, own = examples
    told_apart = []
    for _ in range(ROUNDS):
        # What lies among the other paint was put on the wrong side.
        fits = (_votes(hue, own) > 0.5) == own
        told_apart.append(float(fits.mean()))
        hue, own = hue[fits], own[fits]
        if min(own.sum(), (~own).sum()) < FEWEST_LEARNED or told_apart[0] < LEAST_FITTING:
            return None
        if fits.all():
            break
    tree, apart = cKDTree(hue), cKDTree(hue[own]).query(hue[~own], workers=-1)[0]
    usual = float(np.percentile(tree.query(hue, k=[2], workers=-1)[0], 98))
    strange = max(STRANGE * usual, STRANGE_SHARE * float(np.median(apart)))
    return Paints(tree, own, strange, told_apart[min(1, len(told_apart) - 1)])


def surely_learned(hue: FloatArray, part: BoolArray, other: BoolArray) -> Paints | None:
    """The paints as ``learned``; None also where they are not told apart."""
    paints = learned(hue, part, other)
    return None if paints is None or paints.told_apart < LEAST_TOLD_APART else paints


def _examples(hue: FloatArray, part: BoolArray, other: BoolArray) -> tuple[FloatArray, BoolArray] | None:
    """(k, 3) colours of as many cells of each, so that neither outvotes the other; (k,) which are the part's."""
    rng = np.random.default_rng(0)
    chosen = [np.flatnonzero(which) for which in (part, other)]
    number = min(MOST_LEARNED, *map(len, chosen))
    if number < FEWEST_LEARNED:
        return None
    return hue[np.concatenate([rng.choice(which, number, replace=False) for which in chosen])], np.arange(
        2 * number
    ) < number


def _votes(hue: FloatArray, own: BoolArray) -> FloatArray:
    """(k,) share of the part's among the nearest other colours, as if there were as many of each."""
    count = min(LEARNING, len(hue) - 1)
    _, index = cKDTree(hue).query(hue, k=count + 1, workers=-1)
    part = own[index[:, 1:]].sum(axis=1) / own.sum()
    other = (~own[index[:, 1:]]).sum(axis=1) / (~own).sum()
    return np.asarray(part / (part + other))


def differ(cells: Voxels, colours: ColourArray, one: BoolArray, other: BoolArray) -> bool:
    """Whether two sets of points (n,) are of two paints, with hardly any cell of either among the other."""
    hue, first, second = _of_sets(cells, colours, one, other)
    paints = surely_learned(hue, first, second)
    if paints is None:
        return False
    belief = paints.belief(hue)
    astray = float((first & (belief < 0.1)).sum() + (second & (belief > 0.9)).sum())
    return astray < MOST_ASTRAY * float(first.sum())


def alike(cells: Voxels, colours: ColourArray, one: BoolArray, other: BoolArray) -> bool:
    """Whether two sets of points (n,) are of one paint, and one with a hue: much that is grey or white is alike."""
    hue, first, second = _of_sets(cells, colours, one, other)
    examples = _examples(hue, first, second)
    if examples is None or np.abs(np.median(hue[first, 1:], axis=0)).max() < COLOURED:
        return False
    return bool(((_votes(*examples) > 0.5) == examples[1]).mean() < LEAST_FITTING)


def _of_sets(
    cells: Voxels, colours: ColourArray, one: BoolArray, other: BoolArray
) -> tuple[FloatArray, BoolArray, BoolArray]:
    """(m, 3) hues of the cells, and (m,) those of which most points are of either set."""
    return paint_of(cells, colours), cells.mostly(one), cells.mostly(other)
