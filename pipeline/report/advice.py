"""What to do at the bench, so that the part is scanned again once and not twice."""

from __future__ import annotations

import re
from typing import Any

from pipeline.errors import Outcome
from pipeline.manifest import Manifest
from pipeline.report.account import side_names

# Common practice of scanning by structured light, no source. Each topic goes with the reasons that it helps against.
MARKERS = (
    "Stick at least four markers on the part where neighbouring sides both see them, no two distances alike.",
    "Or fix helper geometry (a block, a bolt) to the part where both sides see it, and leave it on for all captures.",
    "Write the markers' centres into ticket.yaml, for each capture in its own frame.",
)
OVERLAP = (
    "Scan more sides, so that neighbours share a third of their surface.",
    "Raise the part on a riser, so that its lower edge is seen from both sides.",
)
FRAMES = (
    "Go round the part twice and slowly: more frames.",
    "Dim the light on the bench and keep sunlight off it.",
    "Dull what shines or is black with matting spray, where the client allows it.",
)
OPEN_PLACES = ("Scan the open places as well: turn the part over, tilt it, or lay it on its side.",)
STILL = ("Fix the part, so that it neither moves nor bends while a side is scanned.",)
BETWEEN_SIDES = (MARKERS, OVERLAP)
"""What is done where sides meet is said of the whole part, not of the side at which it was noticed."""
TOPICS: dict[str, tuple[str, ...]] = {
    "sliding": MARKERS,
    "ambiguous": MARKERS,
    "sides-do-not-join": OVERLAP,
    "limit:alignment.overlap_percent": OVERLAP,
    "sides-contradict": STILL,
    "sides-fit-badly": STILL,
    "rough-fit": STILL,
    "captures-disagree": STILL,
    "capture-empty": FRAMES,
    "no-points": FRAMES,
    "no-surface": FRAMES,
    "many-outliers": FRAMES,
    "not-closed": OPEN_PLACES,
    "limit:hole-fill.filled_percent": OPEN_PLACES,
}


def bench(manifest: Manifest) -> list[dict[str, Any]]:
    """Steps for the operator, the whole part first, then side by side; empty unless the outcome is ``rescan``.

    Every reason counts, also those that alone would only have asked for a look: what is wrong is mended in one pass.
    A side is told all that is to be done at it, but for what is done with the whole part.
    """
    if manifest.outcome is not Outcome.RESCAN:
        return []
    names = side_names(manifest)
    whole: list[str] = []
    sides: dict[str, list[str]] = {}
    for reason in manifest.reasons:
        topic = TOPICS.get(reason.code, ())
        side = None if topic in BETWEEN_SIDES else reason.capture
        steps = whole if side is None else sides.setdefault(side, [])
        steps += [step for step in (*_by_hand(reason.remedy), *topic) if step not in steps]
    told: list[dict[str, Any]] = [{"side": None, "steps": whole}]
    for side, steps in sides.items():
        told.append({"side": names.get(side, side), "steps": [step for step in steps if step not in whole]})
    return [group for group in told if group["steps"]]


def _by_hand(remedy: str) -> list[str]:
    """The remedy without what is looked at on a screen, which stands among the reasons; nothing when that is all."""
    sentences = re.split(r"(?<=[.?!]) (?=[A-Z])", remedy)
    deeds = [sentence for sentence in sentences if not sentence.startswith("Look ")]
    return [" ".join(deeds)] if any(deeds) else []
