"""Numbers, times and names as people read them."""

from __future__ import annotations

from datetime import date, datetime, timedelta, tzinfo
from urllib.parse import quote

from pipeline import stage
from pipeline.errors import Outcome

UNIT_SIGNS = {**stage.UNIT_SIGNS, **{unit: unit for unit in ("cm", "m", "in", "s")}}
OUTCOME_WORDS = {
    Outcome.ACCEPTED: "Accepted",
    Outcome.REVIEW: "Needs a look",
    Outcome.RESCAN: "Scan again",
    Outcome.FAILED: "Failed",
}
OUTCOME_MEANING = {
    Outcome.ACCEPTED: "Within the limits of the recipe, nothing in doubt.",
    Outcome.REVIEW: "Delivered, but a person should look before it goes out.",
    Outcome.RESCAN: "The captures cannot give the part. The old captures are kept.",
    Outcome.FAILED: "A technical fault, a file that cannot be used, or a question that only a person can answer.",
}
NIGHT_BEGINS = timedelta(hours=12)
"""Work that ends after noon belongs to the night that follows, and so to the date of the next morning."""


def number(value: float, unit: str = "") -> str:
    """A number with its unit, as many digits as mean something: ``0.034 mm``, ``98.2 %``, ``12,480``."""
    sign = UNIT_SIGNS.get(unit, unit)
    if unit == "count" or (float(value).is_integer() and abs(value) >= 1000):
        text = f"{value:,.0f}"
    elif unit in ("mm2", "mm3"):
        text = f"{value:,.1f}" if abs(value) < 1000 else f"{value:,.0f}"
    elif unit == "mm":
        text = f"{value:,.3f}" if abs(value) < 10 else f"{value:,.2f}" if abs(value) < 1000 else f"{value:,.1f}"
    elif unit == "percent":
        text = f"{value:.1f}" if abs(value) >= 0.1 or value == 0 else f"{value:.2g}"
    else:
        text = f"{value:.4g}"
    gap = "" if sign in ("", "°") else "\u00a0"
    text = text.replace("-", "\u2212")
    return f"{text}{gap}{sign}"


def size_of_file(size: int) -> str:
    """Bytes in decimal units: ``1.4 MB``."""
    value, unit = float(size), "B"
    for larger in ("kB", "MB", "GB", "TB"):
        if value < 1000:
            break
        value, unit = value / 1000, larger
    digits = 0 if unit == "B" or value >= 100 else 1
    return f"{value:.{digits}f}\u00a0{unit}"


def duration(seconds: float) -> str:
    """``0.4 s``, ``38 s``, ``4 min 10 s``, ``2 h 05 min``."""
    if seconds < 10:
        return f"{seconds:.1f}\u00a0s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole}\u00a0s"
    if whole < 3600:
        return f"{whole // 60}\u00a0min {whole % 60:02d}\u00a0s"
    return f"{whole // 3600}\u00a0h {whole % 3600 // 60:02d}\u00a0min"


def clock(moment: datetime, zone: tzinfo | None) -> str:
    """``02:14``; without a zone the machine's own time, as it was at that moment."""
    return f"{moment.astimezone(zone):%H:%M}"


def day(value: date) -> str:
    """``Tuesday 24 November 2026``."""
    return f"{value:%A} {value.day} {value:%B %Y}"


def moment(value: datetime, zone: tzinfo | None) -> str:
    """``24 November 2026, 02:14``."""
    local = value.astimezone(zone)
    return f"{local.day} {local:%B %Y, %H:%M}"


def night_of(finished: datetime, zone: tzinfo | None) -> date:
    """The date of the morning after the night in which a job ended."""
    return (finished.astimezone(zone) + NIGHT_BEGINS).date()


def plural(count: int, one: str, many: str | None = None) -> str:
    """``1 job``, ``3 jobs``, ``12,000 points``."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def listed(words: list[str]) -> str:
    """``a, b and c``."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""


def link(*parts: str) -> str:
    """A relative address of path parts that may hold any character."""
    return "/".join(quote(part, safe="") if part != ".." else part for part in parts)


def readable(name: str) -> str:
    """``beyond_tolerance_percent`` as ``beyond tolerance``: the unit is said beside the number."""
    stem, _, unit = name.rpartition("_")
    return (stem if stem and unit in UNIT_SIGNS else name).replace("_", " ").replace("-", " ")
