"""Why sides do not join, and how a part repeats itself, in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.sparse.csgraph import connected_components
from scipy.spatial.transform import Rotation

from pipeline.geometry.alignment.graph import Guess, grown, guesses
from pipeline.geometry.alignment.rigid import inverse, moved
from pipeline.geometry.alignment.solve import Found, with_side
from pipeline.geometry.alignment.verdict import PATCH, solved
from pipeline.geometry.constraint import constraint

UNITS = {25.4: "an inch for a millimetre", 10.0: "a centimetre for a millimetre", 1000.0: "a metre for a millimetre"}
ODD_SIZE = 5.0
FITTING_SCORE = 0.25
"""Two sides fit by themselves when a pose scores more than this with next to nothing against it."""
OVERLAP = (
    "Scan one more side between {one} and {other}, so that neighbouring sides share at least a third of what they "
    "show; or take {one} out, if it is of another part."
)
CLEARLY = 2.0
"""The mirror image must fit so many times as well as the side itself."""


def odd_size(extents: Sequence[float]) -> tuple[int, str, str] | None:
    """The capture whose size is far from the others', how many times theirs, and the likely mix-up of units."""
    middle = float(np.median(extents)) if len(extents) > 2 else float(min(extents))
    ratios = np.array(extents) / max(middle, 1e-12)
    index = int(np.argmax(np.abs(np.log(np.maximum(ratios, 1e-12)))))
    ratio = float(ratios[index])
    larger = max(ratio, 1 / max(ratio, 1e-12))
    if larger < ODD_SIZE:
        return None
    likely = min(UNITS, key=lambda factor: abs(np.log(larger / factor)))
    unit = f"; it looks like {UNITS[likely]}" if abs(np.log(larger / likely)) < 0.35 else ""
    return index, (f"{ratio:.1f} times" if ratio > 1 else f"1/{1 / ratio:.1f} of"), unit


def misfit(found: Found, least: float, names: Sequence[str]) -> tuple[int, str, str]:
    """The side that joins least, what seems the matter, and a remedy that calls the sides by their names."""
    count, pairs = len(found.ready), found.best.pairs
    share = np.full((count, count), -1.0)  # a side is no neighbour of its own
    for (i, j), pair in pairs.items():
        share[i, j] = share[j, i] = pair.overlap
    k = int(np.argmin(share.max(axis=1))) if count > 2 else count - 1
    neighbour = int(np.argmax(share[k]))
    return (
        k,
        f"shares less than {100 * least:.0f} percent of its surface with the others wherever it is laid: either "
        "they overlap too little, or it is of another part.",
        OVERLAP.format(one=names[k], other=names[neighbour]),
    )


def odd_one(found: Found) -> int | None:
    """The only side that by itself fits none of the others, where these fit one another; None where nothing tells.

    The chosen poses do not tell it: a foreign side may have drawn two apart that fit.
    """
    fits = np.zeros((len(found.ready), len(found.ready)), np.bool_)
    for (i, j), offered in found.guesses.items():
        fits[i, j] = fits[j, i] = any(map(_fits, offered))
    alone = np.flatnonzero(~fits.any(axis=1))
    if len(fits) > 2 and len(alone) == 1 and connected_components(fits, directed=False)[0] == 2:
        return int(alone[0])
    return None


def contradiction_words(
    found: Found, pair: tuple[int, int], percent: float, odd: int | None, names: Sequence[str]
) -> str:
    """What does not fit: the side that is the odd one, else the pair, unless the two would fit by themselves."""
    share = f"{percent:.1f} percent of what {{}} have in common lies where the other shows something else."
    if odd is not None:
        why = "it is of another part, something moved or was left in, or it shows too little of what they show"
        return (
            f"{names[odd]} fits none of the other captures, which fit one another: {why}. "
            f"Laid together, {share.format('two of them')}"
        )
    if any(map(_fits, found.guesses.get(pair, []))):
        return f"The captures do not all fit together: {share.format('two of them')}"
    return f"{names[pair[0]]} and {names[pair[1]]} do not fit: {share.format('they')}"


def patch_words(found: Found, names: Sequence[str]) -> str:
    """Which pair shows something else in one place, and how large that is."""
    i, j = max(found.best.pairs, key=lambda pair: found.best.pairs[pair].patch)
    count = found.best.pairs[i, j].patch
    across = np.sqrt(count) * max(found.ready[k].seen.side.cell for k in (i, j))
    return (
        f"{names[i]} and {names[j]} do not fit in one place, about {across:.1f} mm across: {count} samples side by "
        f"side lie where the other shows something else, and from {PATCH} on that is no chance."
    )


def mirrored(k: int, found: Found, mark_noise_mm: float, most: float) -> bool:
    """Whether the mirror image of a side fits another side well, the side itself does not, and then all fit together.

    A part that is its own mirror image, as a turned one, fits both ways: then mirroring is not what is wrong. And a
    side with something else in it may fit one of the others as a mirror image by chance.

    Parameters
    ----------
    most : share of what a side has in common with the others that may speak against poses that are right
    """
    side = found.ready[k].seen.side
    flip = np.array([-1.0, 1.0, 1.0])
    image = replace(side, points=side.points * flip, normals=side.normals * flip)
    ready = with_side(found.ready, k, image, np.zeros((0, 3)))
    pairs = guesses(ready, mark_noise_mm, but=found.guesses, anew=k)
    if not any(_clearly(pairs[pair], found.guesses[pair]) for pair in pairs if k in pair):
        return False
    together = solved(ready, grown(ready, pairs, mark_noise_mm)[0].array(), mark_noise_mm)
    return together.side_contradiction <= most


def _clearly(image: Sequence[Guess], as_is: Sequence[Guess]) -> bool:
    """Whether the mirror image of a side fits one of the others, clearly better than the side as it is."""
    best, other = (max(map(_clean_score, offered), default=0.0) for offered in (image, as_is))
    return best > max(FITTING_SCORE, CLEARLY * other)


def _clean_score(guess: Guess) -> float:
    return guess.evidence.score if guess.evidence.contradiction < 0.01 else 0.0


def _fits(guess: Guess) -> bool:
    return _clean_score(guess) > FITTING_SCORE


def symmetry_words(found: Found, names: Sequence[str]) -> str:
    """How the best rival differs from the chosen poses: side, angle and axis; and how many such positions there are."""
    best, other, ready = found.best, found.rivals[0], found.ready
    centre = np.mean(
        [moved(p, one.seen.side.points[::50]).mean(axis=0) for p, one in zip(best.poses, ready, strict=True)], axis=0
    )
    turns = []
    for k in range(len(ready)):
        step = other.poses[k] @ inverse(best.poses[k])
        turns.append(
            Rotation.from_matrix(step[:3, :3]).magnitude() + 1e-3 * np.linalg.norm(moved(step, centre[None]) - centre)
        )
    k = int(np.argmax(turns))
    step = other.poses[k] @ inverse(best.poses[k])
    vector = Rotation.from_matrix(step[:3, :3]).as_rotvec(degrees=True)
    angle = float(np.linalg.norm(vector))
    if angle < 2.0:
        return f"{names[k]} may lie {np.linalg.norm(moved(step, centre[None]) - centre):.1f} mm farther along"
    own = [inverse(best.poses[k]) @ pose for pose in best.poses]  # people have the named side before them, in its frame
    points = np.concatenate([moved(p, one.seen.side.points[::4]) for p, one in zip(own, ready, strict=True)])
    normals = np.concatenate([one.seen.side.normals[::4] @ p[:3, :3].T for p, one in zip(own, ready, strict=True)])
    axis = constraint(points, normals).called(best.poses[k][:3, :3].T @ vector / angle)
    fold = round(360 / angle)
    times = f", {fold} equal positions" if fold > 1 and abs(360 / angle - fold) < 0.05 * fold else ""
    return f"{names[k]} may be turned by {angle:.1f} degrees about {axis}{times}"
