"""``alignment``: all captures of a part in one frame, or an honest no."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import ClassVar, Literal, NoReturn

import numpy as np
from pydantic import Field

from pipeline.errors import Outcome
from pipeline.formats.removed import Why, write_removed
from pipeline.geometry.alignment.explain import (
    contradiction_words,
    mirrored,
    misfit,
    odd_one,
    odd_size,
    patch_words,
    symmetry_words,
)
from pipeline.geometry.alignment.graph import Ready
from pipeline.geometry.alignment.rigid import displacement
from pipeline.geometry.alignment.solve import FEWEST_POINTS, Found, aligned, prepared, verified
from pipeline.geometry.alignment.verdict import PATCH, contradicted
from pipeline.geometry.between import doubtful_points, foreign_between, strays_between, unconfirmed_between
from pipeline.geometry.surroundings import in_surroundings, left_out
from pipeline.part import BoolArray, Capture, FloatArray, Form, Part
from pipeline.stage import Measure, Stage, StageContext

MARKERS = (
    "Stick at least four markers on the part where neighbouring sides both see them, unevenly spaced and not in one "
    "line, and scan again; or leave a helper object fixed to the part in all captures."
)
ANOTHER_SIDE = (
    "Where something on the part itself tells it apart, another side that shows it, or sides that share more, will do."
)
MORE_AROUND = (
    "Where part, paper and table stay unmoved between the captures, more paper on all sides of the part, seen in every "
    "capture, holds them as well."
)
ONE_PART = (
    "Check that all captures are of this one part, that nothing on it moved and that the cleaning left nothing else; "
    "then scan again."
)
NOT_ONE_SETTING = (
    "The ticket says that all captures were taken in one setting, but what stands around the part does not hold them "
    "together: it is too bare, or something moved. They were aligned on the part alone."
)
ROOM = "Look at the result: is it the part alone, and all of it? Leave more room around the part next time."
UNSAID_PERCENT = 0.3
"""Share of a capture that may be removed as foreign without a word: scraps that change nothing."""
CORE_SHARE = 1 / 3
"""Of the least overlap: so much is enough where only what is sure of the sides is laid together."""
MOVED = 5.0
"""A capture that declared poses put farther off than so many times the noise, and the deviation predicted of the poses
found, is named: its frame was not the others'."""
SOME = 50
HOPELESS = 6.0
"""More than this many times the allowed contradiction is said before anything else."""


class Alignment(Stage):
    """Finds where each capture belongs, from its surface and its markers, and says when that cannot be known."""

    takes: ClassVar[Form] = "captures"
    gives: ClassVar[Form] = "captures"
    measures: ClassVar[Mapping[str, Measure]] = MappingProxyType(
        {
            "overlap_percent": Measure(
                "percent",
                "least share of the smaller side that a neighbour covers, of the links that hold all together",
            ),
            "contradiction_percent": Measure("percent", "largest share of a pair's common surface that does not fit"),
            "patch_count": Measure(
                "count",
                f"most samples side by side that speak against the poses; from {PATCH} on they are refused",
            ),
            "rms_mm": Measure("mm", "root mean square distance between the surfaces of overlapping sides"),
            "rms_to_noise_ratio": Measure("ratio", "spread of these distances over the captures' own noise"),
            "closure_mm": Measure("mm", "largest disagreement between a pair aligned alone and within the whole"),
            "runner_up_ratio": Measure("ratio", "score of the best other set of poses over that of the chosen one"),
            "deviation_mm": Measure(
                "mm",
                "largest predicted standard deviation of a side's pose, as motion of its points; also by leaving "
                "out one place after the other that holds it",
            ),
            "weakest_ratio": Measure("ratio", "least eigenvalue of the joint normal matrix over its largest"),
            "markers_count": Measure("count", "markers that two sides have in common, over all pairs of sides"),
            "strays_count": Measure("count", "points removed that lie off what all captures together show"),
            "foreign_percent": Measure(
                "percent", "largest share of a capture that was removed because the others looked through its place"
            ),
        }
    )

    stage: Literal["alignment"] = "alignment"
    least_overlap_percent: float = Field(15.0, gt=0, le=100)
    """Neighbouring sides must share at least this much of the smaller one, else the part is to be scanned again."""
    good_overlap_percent: float = Field(30.0, gt=0, le=100)
    """Below this the overlap is called scant in a warning (common practice asks for 20 to 50, no source)."""
    most_contradiction_percent: float = Field(1.5, gt=0, le=100)
    """Largest share of common surface that may speak against the poses; where it lies in one place (``patch_count``),
    less is too much."""
    sure_contradiction_percent: float = Field(0.3, gt=0, le=100)
    """From this share on a person should look; right poses are contradicted in a quarter of a percent at most."""
    marker_noise_mm: float = Field(0.3, gt=0)
    """Standard deviation of the marker places in the ticket."""
    most_rms_to_noise_ratio: float = Field(4.0, gt=0)
    """A joint fit rougher than this many times the noise goes to review."""
    most_foreign_percent: float = Field(20.0, ge=0, le=100)
    """At most this much of a capture may be removed because the others looked through its place; 0 removes nothing."""
    tell_by_others: bool = True
    """Where the sides do not join, lay them together by what stands above all that lies around; of the rest keep what
    another capture shows again. Only ever with the word that a person should look."""
    keep_removed: bool = False
    """Write what was removed beside the result, as removed-alignment-1.ply for the first capture and so on."""

    def run(self, part: Part, context: StageContext) -> Part:
        _refuse_scraps(part, context)
        if len(part.captures) == 1:
            return replace(part, aligned=True)
        found = self._without_foreign(part)
        joined = self._join(found.search.found, self.least_overlap_percent)
        # In one setting paper and cloth come again as the part does, and confirm nothing.
        if self.tell_by_others and not (joined or part.declared.same_setting):
            found = self._confirmed(part) or found
        whole, part, search = part, found.part, found.search
        if search.doubt is not None:
            context.doubt(*search.doubt)
        if search.warning:
            context.warn(search.warning)
        self._record(search.found, context)
        context.measure("foreign_percent", max(found.foreign_percent) if found.removed else 0.0)
        self._judge(part, search.found, context)
        # Poses that are wrong make the part itself look foreign, so this comes after them.
        _tell_removed(found, context)
        placed = _placed(part, search)
        strays = strays_between(placed.captures)  # under poses that are not believed there is nothing to be off
        context.measure("strays_count", sum(int(flags.sum()) for flags in strays))
        if self.keep_removed:
            self._write_removed(whole, found.gone, strays, context)
        return replace(_without(placed, strays), aligned=True)

    def _without_foreign(self, part: Part) -> Settled:
        """The poses of a part, found anew without what the others looked through where that is little."""
        search = self._search(part)
        seen = [one.seen.side for one in search.found.ready]
        foreign = foreign_between(_placed(part, search).captures, seen)
        percent = [100.0 * float(flags.mean()) for flags in foreign]
        # Scraps go without asking the poses again; where they speak against them they stay, and so does their word.
        scraps = max(percent) <= UNSAID_PERCENT
        removable = 0.0 < max(percent) <= self.most_foreign_percent
        removable &= not (scraps and contradicted(search.found.best))
        nothing = [np.zeros(len(capture.points), bool) for capture in part.captures]
        gone = foreign if removable else nothing
        part = _without(part, gone)
        if removable and not scraps:
            search = self._search(part)
        return Settled(part, search, percent, gone, nothing)

    def _confirmed(self, part: Part) -> Settled | None:
        """The part of captures in which something may touch it, where what is sure of each holds them together.

        What is doubtful of a capture is kept where another shows it again: paper and cloth do not turn over with the
        part. Poses are then sought anew, and judged on all that is left. None where that does not help.
        """
        if all(capture.doubtful is None for capture in part.captures):
            return None
        cores = [left_out(capture, doubtful_points(capture)) for capture in part.captures]
        if any(len(core.points) < FEWEST_POINTS for core in cores):
            return None
        search = self._search(part.with_captures(cores))
        # Above the paper little is shared, and what slides there may be held by what is doubtful.
        if not self._join(search.found, CORE_SHARE * self.least_overlap_percent) or search.found.rivals:
            return None
        gone = unconfirmed_between(_placed(part, search).captures)
        left = [left_out(capture, flags) for capture, flags in zip(part.captures, gone, strict=True)]
        found = self._without_foreign(part.with_captures(left))
        return replace(found, unconfirmed=gone) if self._sure(found.search.found) else None

    def _join(self, found: Found, least_percent: float) -> bool:
        """Whether all sides share enough, and no more speaks against their poses than against the right ones."""
        enough = not found.searched or 100 * found.overlap[0] >= least_percent
        return enough and _contradiction(found)[1] <= self.most_contradiction_percent and self._fits(found)

    def _sure(self, found: Found) -> bool:
        """Whether besides that nothing slides, and poses that were searched for are the only ones."""
        alone = not (found.searched and (found.slides or found.rivals))
        return alone and self._join(found, self.least_overlap_percent)

    def _search(self, part: Part) -> Search:
        """The declared poses where they hold; else what the captures themselves say."""
        ready = prepared(part.captures)
        if not part.aligned:
            if not part.declared.same_setting:
                return Search(aligned(ready, self.marker_noise_mm))
            held = self._in_one_setting(part, ready)
            return Search(held) if held else Search(aligned(ready, self.marker_noise_mm), warning=NOT_ONE_SETTING)
        poses = np.array([capture.part_from_capture for capture in part.captures])
        given = verified(ready, np.linalg.inv(poses[0]) @ poses, self.marker_noise_mm)
        # Declared poses are not one choice among many: a side is asked with all others, not pair by pair.
        fits = self._fits(given)
        if fits and 100 * given.overlap[0] >= self.least_overlap_percent:
            return _as_declared(part, given)
        anew = aligned(ready, self.marker_noise_mm)
        # Poses that do not fit themselves, or are one choice among many, are no evidence against those declared.
        better = anew.overlap[0] > given.overlap[0] and self._fits(anew) and not (anew.slides or anew.rivals)
        if fits and not better:
            text = (
                f"The ticket says that the captures of {part.name} share one frame, but they have too little in common "
                "to tell."
            )
            return Search(
                given, ("frame-not-verified", text, "Look at the result. Scan sides that overlap by a third.")
            )
        text = (
            f"The ticket says that the captures of {part.name} share one frame, but they do not fit there; they were "
            "aligned anew."
        )
        remedy = "Look at the result. Check how the captures were exported, or take `aligned` out of the ticket."
        return Search(anew, ("not-in-one-frame", text, remedy))

    def _in_one_setting(self, part: Part, ready: Sequence[Ready]) -> Found | None:
        """Poses that table, paper and part hold together, where these and the part alone agree; None otherwise.

        Nothing is believed for the ticket's word: what stands around the part must be as sure as a part would have
        to be, or it was moved, or is as bare as a table; and the part must not have moved within it.
        """
        if any(capture.surroundings is None for capture in part.captures):
            return None
        around = aligned(prepared([in_surroundings(capture) for capture in part.captures]), self.marker_noise_mm)
        if not self._sure(around):
            return None
        held = verified(ready, around.best.poses, self.marker_noise_mm)
        return replace(held, deviation_mm=around.deviation_mm) if self._fits(held) else None

    def _fits(self, found: Found) -> bool:
        """Whether no more speaks against poses than the right ones have; a side is asked with all others at once."""
        within = 100 * found.best.side_contradiction <= self.most_contradiction_percent
        return within and not contradicted(found.best)

    def _write_removed(
        self, part: Part, foreign: Sequence[BoolArray], strays: Sequence[BoolArray], context: StageContext
    ) -> None:
        """What did not come along with the part, and what of the rest lies off it."""
        for number, (capture, gone, off) in enumerate(zip(part.captures, foreign, strays, strict=True), 1):
            why = np.where(gone, Why.FOREIGN, Why.KEPT)
            why[~gone] = np.where(off, Why.STRAY, Why.KEPT)
            write_removed(context.folder, self.stage, number, capture, why)

    def _record(self, found: Found, context: StageContext) -> None:
        best, names = found.best, found.names
        noise = max(found.noise_mm, np.finfo(float).tiny)
        context.measure("overlap_percent", 100 * found.overlap[0])
        context.measure("contradiction_percent", 100 * best.contradiction)
        context.measure("patch_count", best.patch)
        context.measure("rms_mm", float(np.sqrt(best.squares)))
        context.measure("rms_to_noise_ratio", min(best.joint.residual_mm / noise, 1e6))
        context.measure("closure_mm", found.closure_mm())
        context.measure("runner_up_ratio", found.runner_up)
        context.measure("deviation_mm", min(float(found.deviation_mm.max()), 1e6))
        context.measure("weakest_ratio", best.joint.firmness)
        context.measure("markers_count", best.marked)
        for name, deviation in zip(names, found.deviation_mm, strict=True):
            context.measure("deviation_mm", min(float(deviation), 1e6), name)
        for (i, j), pair in best.pairs.items():
            both = names[i], names[j]
            context.measure("overlap_percent", 100 * pair.overlap, *both)
            context.measure("contradiction_percent", 100 * pair.contradiction, *both)
            if pair.support:
                context.measure("rms_mm", float(np.sqrt(pair.squares / pair.support)), *both)
                context.measure("weakest_ratio", best.joint.firmness_between(i, j), *both)

    def _judge(self, part: Part, found: Found, context: StageContext) -> None:
        # A clear contradiction comes first; a slight one may be why a symmetric part looks firm, and is asked last.
        if found.searched:
            self._judge_overlap(part, found, context)
        self._judge_contradiction(part, found, HOPELESS * self.most_contradiction_percent, context)
        if found.searched:
            self._judge_certainty(part, found, context)
        self._judge_contradiction(part, found, self.most_contradiction_percent, context)
        if contradicted(found.best):
            context.stop(Outcome.RESCAN, "sides-contradict", patch_words(found, found.names), ONE_PART)
        (i, j), percent = _contradiction(found)
        if percent > self.sure_contradiction_percent:
            one, other = (part.captures[k].name for k in (i, j))
            context.doubt(
                "sides-fit-badly",
                f"{percent:.1f} percent of what {one} and {other} have in common lies where the other shows something "
                "else; they may lie wrong on each other.",
                f"Look at the pictures with each side in its colour. {MARKERS}",
                one,
            )
        _name_lone_markers(found, context)
        k = int(found.deviation_mm.argmax())
        if found.deviation_mm[k] > found.noise_mm:
            context.warn(
                f"{part.captures[k].name} may lie off by about {found.deviation_mm[k]:.2f} mm: few places hold it "
                "where it is, and these do not quite agree."
            )
        rough = found.best.joint.residual_mm
        if rough > self.most_rms_to_noise_ratio * found.noise_mm:
            context.doubt(
                "rough-fit",
                f"The sides of {part.name} lie {rough:.2f} mm apart where they overlap, several times their own noise.",
                "Look for a part that moved or bent while it was scanned, and for a scanner that needs calibration.",
            )

    def _judge_contradiction(self, part: Part, found: Found, most_percent: float, context: StageContext) -> None:
        names = found.names
        pair, percent = _contradiction(found)
        if percent > most_percent:
            odd = odd_one(found)
            suspect = pair[1] if odd is None else odd
            if (
                percent > HOPELESS * self.most_contradiction_percent
                and found.searched
                and self._mirrored(suspect, found)
            ):
                _stop_mirrored(names[suspect], context)
            context.stop(
                Outcome.RESCAN,
                "sides-contradict",
                contradiction_words(found, pair, percent, odd, names),
                ONE_PART,
                None if odd is None else names[odd],
            )

    def _judge_overlap(self, part: Part, found: Found, context: StageContext) -> None:
        names = found.names
        share, (i, j) = found.overlap
        if 100 * share < self.least_overlap_percent:
            k, why, remedy = misfit(found, self.least_overlap_percent / 100, names)
            if self._mirrored(k, found):
                _stop_mirrored(names[k], context)
            context.stop(Outcome.RESCAN, "sides-do-not-join", f"{names[k]} {why}", remedy, names[k])
        for (i, j), pair in found.best.pairs.items():
            linked = 100 * pair.overlap
            if self.least_overlap_percent <= linked < self.good_overlap_percent and len(names) == 2:
                context.warn(f"{names[i]} and {names[j]} share only {linked:.0f} percent of their surface.")
        if 100 * share < self.good_overlap_percent and len(names) > 2:
            context.warn(f"One side hangs on the others by only {100 * share:.0f} percent of its surface.")

    def _mirrored(self, k: int, found: Found) -> bool:
        return mirrored(k, found, self.marker_noise_mm, self.most_contradiction_percent / 100)

    def _judge_certainty(self, part: Part, found: Found, context: StageContext) -> None:
        names = found.names
        shared = 100 * found.overlap[0]
        why = f" They share only {shared:.0f} percent." if shared < self.good_overlap_percent else ""
        remedy = f"{MARKERS} {ANOTHER_SIDE}"
        if part.declared.same_setting:
            why += (
                " What stands around the part does not hold them together either: it is too bare, or something moved."
            )
            remedy += f" {MORE_AROUND}"
        if found.slides:
            side, motion, _ = found.slides[0]
            how = motion.words if motion is not None else "can still move a little"
            context.stop(
                Outcome.RESCAN,
                "sliding",
                f"{names[side]} {how}: nothing in what the sides have in common holds it.{why}",
                remedy,
                names[side],
            )
        if found.rivals:
            context.stop(
                Outcome.RESCAN,
                "ambiguous",
                f"The captures of {part.name} fit together equally well in more than one way: "
                f"{symmetry_words(found, names)}.{why}",
                remedy,
            )


def _stop_mirrored(name: str, context: StageContext) -> NoReturn:
    """The part is scanned well enough; the file is wrong."""
    context.stop(
        Outcome.FAILED,
        "mirrored",
        f"{name} fits the other captures only as a mirror image.",
        "Export it again without mirroring; the part need not be scanned again.",
        name,
    )


def _tell_removed(found: Settled, context: StageContext) -> None:
    """Say what was removed, or was left in, of the capture of which it is most."""
    names, percent = found.search.found.names, found.foreign_percent
    if max(percent) > UNSAID_PERCENT:
        name = names[int(np.argmax(percent))]
        context.doubt(
            "foreign-between",
            f"{max(percent):.1f} percent of {name} does not come again in the other captures, which looked through "
            f"the place; it was {'removed' if found.removed else 'left in, for so much may be the part'}.",
            ROOM,
            name,
        )
    unconfirmed = 100 * np.array([flags.mean() for flags in found.unconfirmed])
    if unconfirmed.any():
        name = names[int(np.argmax(unconfirmed))]
        context.doubt(
            "unconfirmed",
            f"{max(unconfirmed):.0f} percent of {name} touched the part or lay low beside it and was not shown by "
            "another capture again; it was removed.",
            ROOM,
            name,
        )


def _name_lone_markers(found: Found, context: StageContext) -> None:
    """Name the entries of each capture's list of markers that lie on none of another capture's."""
    met: list[list[FloatArray]] = [[np.zeros((0, 3))] for _ in found.ready]
    for i, j, one, other in found.best.marks:
        met[i].append(one)
        met[j].append(other)
    for side, places, name in zip(found.ready, met, found.names, strict=True):
        alone = ~(side.markers[:, None] == np.concatenate(places)).all(axis=2).any(axis=1)
        if alone.any():
            entries = ", ".join(str(k + 1) for k in np.flatnonzero(alone))
            context.warn(f"No other capture has a marker where {name} has number {entries} of its list.")


def _contradiction(found: Found) -> tuple[tuple[int, int], float]:
    """The pair of sides that fits worst, and the percentage of common surface that speaks against the poses."""
    pairs = found.best.telling or found.best.pairs
    pair = max(pairs, key=lambda pair: pairs[pair].contradiction)
    return pair, 100 * (found.best.contradiction if found.searched else found.best.side_contradiction)


@dataclass(frozen=True, eq=False)
class Search:
    """The poses found, and what is doubtful (code, text and remedy) or worth knowing about how.

    ``frame`` (4, 4) leads from the frame of the poses, the first capture's, into that of the part.
    """

    found: Found
    doubt: tuple[str, str, str] | None = None
    warning: str = ""
    frame: FloatArray = field(default_factory=lambda: np.eye(4))


@dataclass(frozen=True, eq=False)
class Settled:
    """A part with its poses, and what went so that they could be found.

    Attributes
    ----------
    part, search : what is left of the part, and its poses
    foreign_percent : of each capture what the others looked through
    foreign : flags of each capture's points for what of that was removed, of those that were confirmed
    unconfirmed : flags of each capture's points for what was doubtful and no other capture showed again
    """

    part: Part
    search: Search
    foreign_percent: Sequence[float]
    foreign: Sequence[BoolArray]
    unconfirmed: Sequence[BoolArray]

    @property
    def removed(self) -> bool:
        """Whether anything was removed as foreign."""
        return any(flags.any() for flags in self.foreign)

    @property
    def gone(self) -> list[BoolArray]:
        """Flags of each capture's points for all that was removed."""
        every = [flags.copy() for flags in self.unconfirmed]
        for flags, foreign in zip(every, self.foreign, strict=True):
            flags[~flags] = foreign
        return every


def _as_declared(part: Part, found: Found) -> Search:
    """Poses that were declared and hold, in the frame in which most captures stay where they were.

    Those that lay farther from where they fit than noise and the predicted deviation explain are named.
    """
    poses = np.array([capture.part_from_capture for capture in part.captures])
    declared, best = np.linalg.inv(poses[0]) @ poses, found.best.poses
    frames = declared @ np.linalg.inv(best)
    away = np.array(
        [
            [
                displacement(pose, frame @ fits, capture.points[::SOME])
                for capture, pose, fits in zip(part.captures, declared, best, strict=True)
            ]
            for frame in frames
        ]
    )
    moved = away > MOVED * max(found.noise_mm, float(found.deviation_mm.max()))
    kept = int(np.argmin(moved.sum(axis=1)))
    named = ", ".join(f"{part.captures[k].name} by {away[kept, k]:.2f} mm" for k in np.flatnonzero(moved[kept]))
    text = f"The ticket says that all captures share one frame; moved to where they fit the others: {named}."
    return Search(found, warning=text if named else "", frame=frames[kept])


def _placed(part: Part, search: Search) -> Part:
    poses = zip(part.captures, search.frame @ search.found.best.poses, strict=True)
    return part.with_captures([replace(capture, part_from_capture=pose) for capture, pose in poses])


def _without(part: Part, gone: Sequence[BoolArray]) -> Part:
    """The part without the points of each capture that are flagged."""
    return part.with_captures([capture.select(~flags) for capture, flags in zip(part.captures, gone, strict=True)])


def _refuse_scraps(part: Part, context: StageContext) -> None:
    for capture in part.captures:
        if len(capture.points) < (FEWEST_POINTS if len(part.captures) > 1 else 1):
            context.stop(
                Outcome.RESCAN,
                "no-points",
                f"{capture.name} has only {len(capture.points)} points left to align.",
                "Look at what the cleaning removed. Scan this side again, unless that was the part.",
                capture.name,
            )
    odd = odd_size([_extent(capture) for capture in part.captures])
    if odd is not None and not part.aligned:
        index, times, unit = odd
        context.stop(
            Outcome.RESCAN,
            "sizes-differ",
            f"{part.captures[index].name} is {times} the size of the other captures{unit}.",
            "Export all captures of a part in the same unit.",
            part.captures[index].name,
        )


def _extent(capture: Capture) -> float:
    """Size of what a capture shows, strays left out, millimetres."""
    low, high = np.percentile(capture.points, (2, 98), axis=0)
    return float(np.linalg.norm(high - low))
