"""The contact sheet: every job of a night on one picture, to be sent or pinned up."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

from PIL import Image, ImageDraw, ImageFont

from pipeline.errors import Outcome
from pipeline.report import words

COLUMNS, CELL, PICTURE, MARGIN = 5, (230, 236), (180, 140), 20
PAPER, SHEET, INK, SOFT = (245, 241, 232), (255, 253, 248), (35, 33, 58), (91, 88, 108)
HUES = {
    Outcome.ACCEPTED: (51, 80, 143),
    Outcome.REVIEW: (133, 83, 0),
    Outcome.RESCAN: (138, 43, 99),
    Outcome.FAILED: (69, 66, 79),
}
QUALITY = 88
MOST_PIXELS = 65_000
"""A JPEG is at most 65,535 pixels high."""


def contact_sheet(title: str, jobs: list[tuple[str, Outcome, Path | None]]) -> bytes:
    """A JPEG with thumbnail, name and outcome of each job, in the order given."""
    rows = max(1, -(-len(jobs) // COLUMNS))
    rows = min(rows, (MOST_PIXELS - 80) // CELL[1])
    sheet = Image.new("RGB", (COLUMNS * CELL[0] + 2 * MARGIN, rows * CELL[1] + 80), PAPER)
    draw = ImageDraw.Draw(sheet)
    draw.text((MARGIN + 8, 18), title, INK, ImageFont.load_default(26))
    for k, (name, outcome, thumb) in enumerate(jobs[: rows * COLUMNS]):
        left, top = MARGIN + (k % COLUMNS) * CELL[0], 66 + (k // COLUMNS) * CELL[1]
        _cell(sheet, draw, (left, top), name, outcome, thumb)
    buffer = BytesIO()
    sheet.save(buffer, "JPEG", quality=QUALITY, optimize=True)
    return buffer.getvalue()


def _cell(
    sheet: Image.Image, draw: ImageDraw.ImageDraw, at: tuple[int, int], name: str, outcome: Outcome, thumb: Path | None
) -> None:
    left, top = at
    draw.rectangle((left + 6, top + 6, left + CELL[0] - 6, top + CELL[1] - 6), SHEET, (216, 210, 196))
    inner = (left + (CELL[0] - PICTURE[0]) // 2, top + 16)
    if thumb is not None:
        with Image.open(thumb) as picture:
            image = picture.convert("RGBA").resize(PICTURE, Image.Resampling.LANCZOS)
        sheet.paste(image, inner, image)
    else:
        draw.text((left + CELL[0] // 2, top + 86), "no picture", SOFT, ImageFont.load_default(15), anchor="mm")
    draw.text((left + 18, top + 168), _shortened(name), INK, ImageFont.load_default(16))
    _shape(draw, (left + 26, top + 206), outcome)
    draw.text((left + 42, top + 206), words.OUTCOME_WORDS[outcome], HUES[outcome], ImageFont.load_default(16), "lm")


def _shape(draw: ImageDraw.ImageDraw, centre: tuple[int, int], outcome: Outcome) -> None:
    """The shape that stands for an outcome, as on the pages."""
    x, y, r, hue = centre[0], centre[1], 8, HUES[outcome]
    box = (x - r, y - r, x + r, y + r)
    if outcome is Outcome.ACCEPTED:
        draw.ellipse(box, hue)
    elif outcome is Outcome.REVIEW:
        draw.ellipse(box, None, hue, 2)
        draw.pieslice(box, 90, 270, hue)
    elif outcome is Outcome.RESCAN:
        draw.arc(box, 5, 325, hue, 3)
    else:
        draw.polygon([(x, y - r), (x + r, y), (x, y + r), (x - r, y)], None, hue, 2)
        draw.line((x - 4, y, x + 4, y), hue, 2)


def _shortened(name: str) -> str:
    return name if len(name) <= 24 else f"{name[:22]}…"
