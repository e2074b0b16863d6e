"""site.yaml: every key optional but the version, every mistake with its line."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import ConfigurationError, UsageError
from pipeline.site import Settings, load_settings, open_site
from pipeline.storage import shipped


def test_the_shipped_sample_shows_the_defaults() -> None:
    assert load_settings(shipped("configs") / "site.yaml") == Settings(site=1)


def test_what_the_sample_shows_as_comments_is_valid(tmp_path: Path) -> None:
    """The lines somebody uncomments must work."""
    text = (shipped("configs") / "site.yaml").read_text(encoding="utf-8")
    text = text.replace("routes: []\n#  - match", "routes:\n  - match").replace("\n#    recipe", "\n    recipe")
    text = (
        text.replace("results: {}\n#  group", "results:\n  group")
        .replace("\n#  file", "\n  file")
        .replace("\n#  folder", "\n  folder")
    )
    text = text.replace("# notification:", "notification:")
    for key in (
        "  about",
        "  email",
        "    to",
        "    sender",
        "    server",
        "    user",
        "    password_file",
        "  webhook",
    ):
        text = text.replace(f"\n# {key}:", f"\n{key}:")
    for key in ("memory_gib", "max_points"):
        text = text.replace(f"\n# {key}:", f"\n{key}:")
    for key in ("raw_days", "reports_days"):
        text = text.replace(f"\n  # {key}:", f"\n  {key}:")
    file = tmp_path / "site.yaml"
    file.write_text(text, encoding="utf-8")
    settings = load_settings(file)
    shown = settings.model_fields_set
    assert shown == set(Settings.model_fields)
    assert settings.results.model_fields_set == set(type(settings.results).model_fields)
    assert settings.retention.raw_days == 90
    assert settings.notification is not None
    assert settings.notification.email is not None


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("hour: always", "Did you mean hours"),
        ("hours: 19:00-06:00:00", "hours"),
        ('hours: "19:00-19:00"', "write always"),
        ("hours: 25:00-06:00", 'hours: should be written as in "19:00-06:00" or "always", not "25:00-06:00"'),
        ("workers: 0", "greater than or equal to 1"),
        ("settle_s: -1", "greater than"),
        ("retention: {raw_days: 0}", "greater than 0"),
        ('results: {file_mode: "0999"}', 'should be written as in "0664"'),
        ("notification: {webhook: file:///etc/passwd}", 'should be written as in "https://'),
        ("engine: cloud", "embedded"),
        ("minutes: .inf", "number"),
    ],
)
def test_mistakes_are_named_with_their_line(tmp_path: Path, line: str, says: str) -> None:
    file = tmp_path / "site.yaml"
    file.write_text(f"site: 1\n{line}\n", encoding="utf-8")
    with pytest.raises(ConfigurationError) as caught:
        load_settings(file)
    assert "site.yaml:2:" in str(caught.value)
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("hours", "clock", "is_open"),
    [
        ("19:00-06:00", "18:59", False), ("19:00-06:00", "19:00", True), ("19:00-06:00", "03:00", True),
        ("19:00-06:00", "06:00", False), ("08:00-17:00", "12:00", True), ("08:00-17:00", "17:00", False),
        ("always", "12:00", True),
    ],
)  # fmt: skip
def test_hours(hours: str, clock: str, is_open: bool) -> None:
    assert Settings(site=1, hours=hours).open_at(datetime.fromisoformat(f"2026-11-25T{clock}")) is is_open


times = st.times().map(lambda t: f"{t:%H:%M}")


@given(times, times, st.datetimes())
def test_a_moment_is_in_a_span_or_in_its_complement(start: str, end: str, moment: datetime) -> None:
    if start != end:
        span, rest = Settings(site=1, hours=f"{start}-{end}"), Settings(site=1, hours=f"{end}-{start}")
        assert span.open_at(moment) != rest.open_at(moment)


def test_a_folder_without_the_file_is_no_site(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="nightmill init"):
        open_site(tmp_path)
