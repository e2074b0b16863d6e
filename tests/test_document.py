"""Files that people write: YAML 1.2 core schema (https://yaml.org/spec/1.2.2/, section 10.3), and nothing cleverer."""

from __future__ import annotations

import contextlib
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import Field

from pipeline.document import MAX_BYTES, WrittenByPeople, load, parse, validate
from pipeline.errors import ConfigurationError


def mistakes(data: str | bytes) -> list[str]:
    with pytest.raises(ConfigurationError) as caught:
        parse(data.encode() if isinstance(data, str) else data, "f.yaml")
    return [str(mistake) for mistake in caught.value.mistakes]


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("no", "no"), ("off", "off"), ("yes", "yes"), ("true", True), ("false", False), ("null", None), ("~", None),
        ("12", 12), ("-3", -3), ("010", "010"), ("0", 0), ("0.05", 0.05), ("1e-3", 1e-3), ("1.", 1.0), (".5", 0.5),
        ("1:30", "1:30"), ("2026-11-25", "2026-11-25"), ("'12'", "12"), ('"true"', "true"), ("0,05", "0,05"),
        (".nan", ".nan"), (".inf", ".inf"), ("0x1F", "0x1F"), ("1_000", "1_000"),
    ],
)  # fmt: skip
def test_only_what_the_core_schema_calls_a_number_is_one(text: str, value: object) -> None:
    assert parse(f"key: {text}".encode(), "f").values == {"key": value}


def test_a_doubled_key_is_named_with_both_lines() -> None:
    assert mistakes("a: 1\nb: 2\na: 3\n") == ["f.yaml:3: a: this key stands twice (first on line 1)"]


def test_an_alias_bomb_is_refused_at_once() -> None:
    bomb = "a: &a [x,x,x,x,x,x,x,x,x]\n" + "".join(
        f"{c}: &{c} [{','.join([f'*{p}'] * 9)}]\n" for p, c in zip("abcdefg", "bcdefgh", strict=True)
    )
    began = time.process_time()
    assert mistakes(bomb) == ["f.yaml:1: anchors and aliases (& and *) are not allowed; write the value out"]
    assert time.process_time() - began < 1


@pytest.mark.parametrize(
    ("data", "text"),
    [
        ("[" * 40 + "]" * 40, "nested deeper than 30 levels"),
        ("x" * (MAX_BYTES + 1), "larger than 256 kB"),
        (b"a: \xff\xfe", "not UTF-8"),
        ("a: [1, 2", "f.yaml:1: not valid YAML"),
        ("a: 1\nb: [1, 2\n", "f.yaml:2: not valid YAML"),
        ("a: !!python/object/apply:os.system [ls]", "is not allowed"),
        ("? [1, 2]\n: x", "a key must be a plain word"),
        ("a: 1\n---\nb: 2", "not valid YAML"),
    ],
)
def test_what_is_no_plain_yaml_is_refused(data: str | bytes, text: str) -> None:
    assert text in mistakes(data)[0]


class Inner(WrittenByPeople):
    size_mm: float = 1.0


class Outer(WrittenByPeople):
    name: str
    inner: Inner = Inner()
    table: dict[str, Inner] = Field(default_factory=dict)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("name: a\ninner:\n  sise_mm: 2\n", "f:3: inner.sise_mm: unknown key. Did you mean size_mm? Allowed: size_mm"),
        (
            "name: a\ninner:\n  size_mm: 0,5\n",
            'f:3: inner.size_mm: should be a valid number, not "0,5" (write 0.5: the decimal sign is a point)',
        ),
        (
            "name: a\ntable:\n  x:\n    size: 1\n",
            "f:4: table.x.size: unknown key. Did you mean size_mm? Allowed: size_mm",
        ),
        ("inner: {}\n", "f:1: the key name is missing"),
        ("name: a\nnam: b\n", "f:2: nam: unknown key. Did you mean name? Allowed: inner, name, table"),
    ],
)  # fmt: skip
def test_mistakes_name_line_key_and_what_is_allowed(text: str, expected: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        validate(parse(text.encode(), "f"), Outer)
    assert [str(mistake) for mistake in caught.value.mistakes] == [expected]


def test_every_mistake_is_reported_not_just_the_first() -> None:
    with pytest.raises(ConfigurationError) as caught:
        validate(parse(b"nam: 1\ninner: {size_mm: x}\n", "f"), Outer)
    assert len(caught.value.mistakes) == 3


def test_a_file_that_cannot_be_read_says_so(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="No such file"):
        load(tmp_path / "none.yaml")


@given(st.binary(max_size=300))
def test_no_bytes_crash_the_reader(data: bytes) -> None:
    with contextlib.suppress(ConfigurationError):
        validate(parse(data, "f"), Outer)
