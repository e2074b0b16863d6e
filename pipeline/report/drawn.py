"""What a page shows of a job's pictures: addresses, captions, scales, legends, the cube of coverage."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipeline.manifest import Manifest
from pipeline.report import account, paint, palette, words
from pipeline.report.page import data_address
from pipeline.report.pictures import Drawing, Pictures

KIND_WORDS = {
    "shaded": "seen from the {}",
    "deviation": "deviation of the captured points, seen from the {}",
    "filled": "surface that no capture measured, hatched, seen from the {}",
    "sides": "surface coloured by capture, seen from the {}",
}
LOW_COVERAGE = 60.0
"""A direction of which less than this share is measured, in percent, is named as lacking."""


def drawn(pictures: Pictures, manifest: Manifest) -> dict[str, Any]:
    """Everything the job page says of its pictures."""
    part = manifest.part
    large = [d for d in pictures.drawings if d.width == max(x.width for x in pictures.drawings)]
    by_kind = {kind: [shown(d, part) for d in large if d.kind == kind] for kind in KIND_WORDS}
    return {
        "shaded": by_kind["shaded"],
        "deviation": by_kind["deviation"],
        "filled": by_kind["filled"],
        "by_side": by_kind["sides"],
        "sides_of_cube": [shown(d, part) for d in pictures.drawings if d not in large],
        "view": pictures.view,
        "cell": words.number(pictures.cell_mm, "mm") if pictures.cell_mm else "",
        "bands": _bands(pictures),
        "filled_words": _filled_words(pictures, manifest),
        "filled_swatch": _png(paint.swatch((palette.FILLED,), "hatch")),
        "inside_swatch": _png(paint.swatch((palette.INSIDE,))),
        "side_keys": _side_keys(pictures, manifest),
        "cubes": cubes(pictures.coverage_percent),
    }


def shown(drawing: Drawing, part: str, folder: Path | None = None) -> dict[str, Any]:
    """A picture with its caption and its scale; carried whole in the page when its folder is given."""
    length = _round_length(0.25 * drawing.width * drawing.mm_per_pixel)
    view = KIND_WORDS[drawing.kind].format(drawing.view)
    source = data_address((folder / drawing.file).read_bytes(), "webp") if folder else drawing.file
    return {
        "source": source,
        "width": drawing.width,
        "height": drawing.height,
        "caption": f"{view[0].upper()}{view[1:]}",
        "alt": f"{part}: {view}",
        "scale_text": f"{length:g}\u00a0mm",
        "scale_percent": round(100 * length / (drawing.width * drawing.mm_per_pixel), 2),
    }


def shown_capture(drawing: Drawing, name: str, manifest: Manifest) -> dict[str, Any]:
    """A picture of one capture, under its name."""
    called = account.side_names(manifest).get(name, name)
    return shown(drawing, manifest.part) | {"caption": called, "alt": f"{manifest.part}, capture {called}"}


def cubes(coverage: dict[str, float] | None) -> list[dict[str, Any]]:
    """Two cubes, one from the front right above, one from the back left below, each face with its share."""
    if coverage is None:
        return []
    top, right_up, right_down = (0.0, -90.0), (78.0, -45.0), (78.0, 45.0)
    bottom, left_down, left_up, middle = (0.0, 90.0), (-78.0, 45.0), (-78.0, -45.0), (0.0, 0.0)
    above = {
        "top": (left_up, top, right_up, middle),
        "front": (left_up, middle, bottom, left_down),
        "right": (middle, right_up, right_down, bottom),
    }
    below = {
        "underside": (left_down, middle, right_down, bottom),
        "back": (left_up, top, middle, left_down),
        "left": (top, right_up, right_down, middle),
    }
    return [_cube(above, coverage), _cube(below, coverage)]


def _cube(faces: Mapping[str, tuple[tuple[float, float], ...]], coverage: dict[str, float]) -> dict[str, Any]:
    drawn_faces = []
    for name, corners in faces.items():
        share = coverage[name]
        a, b, c, d = ((x + 210, y + 105) for x, y in corners)
        lack = 1 - share / 100
        high_left = (d[0] + (a[0] - d[0]) * lack, d[1] + (a[1] - d[1]) * lack)
        high_right = (c[0] + (b[0] - c[0]) * lack, c[1] + (b[1] - c[1]) * lack)
        drawn_faces.append(
            {
                "name": name,
                "text": f"{share:.0f}\u00a0%",
                "low": share < LOW_COVERAGE,
                "outline": _points(a, b, c, d),
                "lacking": _points(d, c, high_right, high_left) if lack > 0.005 else None,
                "x": round(sum(p[0] for p in (a, b, c, d)) / 4, 1),
                "y": round(sum(p[1] for p in (a, b, c, d)) / 4, 1),
            }
        )
    said = words.listed([f"{face['name']} {face['text']}" for face in drawn_faces])
    return {"faces": drawn_faces, "words": f"Measured share by direction: {said}"}


def _points(*corners: tuple[float, float]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in corners)


def _bands(pictures: Pictures) -> list[dict[str, Any]]:
    rows = []
    most = max((share.percent for share in pictures.bands), default=0) or 1
    for band, share in zip(palette.BANDS, pictures.bands, strict=False):
        drawn_as = {"dots": "dark with dots", "stripes": "dark with stripes"}.get(band.pattern, "plain")
        rows.append(
            {
                "swatch": _png(paint.swatch((band.colour,), band.pattern, palette.BRIGHT)),
                "drawn": drawn_as,
                "words": _band_words(share.low_mm, share.high_mm),
                "percent": words.number(share.percent, "percent"),
                "width": round(100 * share.percent / most, 1),
            }
        )
    return rows


def _band_words(low: float | None, high: float | None) -> str:
    if low is None:
        return f"more than {words.number(-(high or 0), 'mm')} inside: beyond the tolerance"
    if high is None:
        return f"more than {words.number(low, 'mm')} outside: beyond the tolerance"
    if low < 0 < high:
        return f"within {words.number(high, 'mm')}"
    near, far = sorted((abs(low), abs(high)))
    return f"{words.number(near, 'mm')} to {words.number(far, 'mm')} {'inside' if high <= 0 else 'outside'}"


def _filled_words(pictures: Pictures, manifest: Manifest) -> str:
    flagged = account.measured(manifest, "deviation-check", "unmeasured_percent")
    share = flagged if flagged is not None else pictures.unmeasured_percent
    if share is None:
        return "Not known: the deliverable marks no filled surface, and no evidence lies in the job's folder."
    if share == 0:
        return "All of the surface was measured."
    return f"{words.number(share, 'percent')} of the surface was never measured."


def _side_keys(pictures: Pictures, manifest: Manifest) -> list[dict[str, str]]:
    names = account.side_names(manifest)
    tints = [palette.SIDES[k % len(palette.SIDES)] for k in range(len(pictures.captures))]
    keys = [
        {"swatch": _png(paint.swatch((tint,))), "words": names.get(name, name)}
        for tint, name in zip(tints, pictures.captures, strict=True)
    ]
    if len(tints) > 1:
        keys.append({"swatch": _png(paint.swatch((tints[0], tints[1]))), "words": "striped: more than one capture"})
    keys.append({"swatch": _png(paint.swatch((palette.UNKNOWN,), "crosses")), "words": "crosses: none"})
    return keys


def _png(data: bytes) -> str:
    return data_address(data, "png")


def _round_length(most: float) -> float:
    """The largest 1, 2 or 5 times a power of ten that is not above ``most``."""
    power = 1e-3
    while power * 10 <= most:
        power *= 10
    return next(power * step for step in (5, 2, 1) if power * step <= most or step == 1)
