"""PCD, the Point Cloud Library's own format, version 0.6 and 0.7: ascii, binary, binary_compressed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.formats.contents import AnyArray, Contents, colours_from
from pipeline.formats.lines import Lines
from pipeline.formats.lzf import decompressed
from pipeline.formats.source import ByteArray, Source, quoted

_KEYS = ("VERSION", "FIELDS", "SIZE", "TYPE", "COUNT", "WIDTH", "HEIGHT", "VIEWPOINT", "POINTS", "DATA")
_KINDS = ("F4", "F8", "U1", "U2", "U4", "U8", "I1", "I2", "I4", "I8")


@dataclass(frozen=True, eq=False, slots=True)
class _Header:
    names: list[str]
    kinds: list[np.dtype[np.generic]]
    counts: list[int]
    points: int
    organised: bool
    data: str
    size: int
    lines: int

    @property
    def point_bytes(self) -> int:
        return sum(kind.itemsize * count for kind, count in zip(self.kinds, self.counts, strict=True))


def read(source: Source) -> Contents:
    """Points, normals and colours. In an organised cloud a point that is not a number is a missing one: dropped."""
    header = _header(source)
    columns = {"ascii": _ascii, "binary": _binary, "binary_compressed": _compressed}[header.data](header, source)
    points = _stacked(columns, ("x", "y", "z"), np.float64)
    if points is None:
        raise source.error("the fields have no x, y and z")
    normals = _stacked(columns, ("normal_x", "normal_y", "normal_z"), np.float32)
    colours = _colours(columns, source)
    if header.organised:
        there = np.isfinite(points).all(axis=1)
        points = points[there]
        normals = None if normals is None else normals[there]
        colours = None if colours is None else colours[there]
    return Contents(points=points, normals=normals, colours=colours)


def _header(source: Source) -> _Header:
    found: dict[str, list[str]] = {}
    if source.head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        source.refuse_binary(source.head)
    at = 3 if source.head.startswith(b"\xef\xbb\xbf") else 0
    number = 0
    while "DATA" not in found:
        end = source.head.find(b"\n", at)
        if end < 0:
            raise source.error("the header has no line 'DATA'")
        line, at, number = source.head[at:end].strip(), end + 1, number + 1
        if not line or line.startswith(b"#"):
            continue
        key, *words = line.decode("latin-1").split()
        key = "FIELDS" if key == "COLUMNS" else key
        if key not in _KEYS or key in found:
            raise source.error(f"{quoted(line)} is not a line of a PCD header", line=number)
        found[key] = words
    return _checked(found, at, number, source)


def _checked(found: dict[str, list[str]], at: int, lines: int, source: Source) -> _Header:
    missing = [key for key in ("FIELDS", "SIZE", "TYPE", "WIDTH") if key not in found]
    if missing:
        raise source.error(f"the header has no line {missing[0]}")
    names = found["FIELDS"]
    per_field = {key: found.get(key, ["1"] * len(names)) for key in ("SIZE", "TYPE", "COUNT")}
    if not names or any(len(words) != len(names) for words in per_field.values()):
        raise source.error("FIELDS, SIZE, TYPE and COUNT are not of one length")
    real = [name for name in names if name != "_"]
    if len(set(real)) != len(real):
        raise source.error("a field is there twice")
    kinds = []
    for kind, size in zip(per_field["TYPE"], per_field["SIZE"], strict=True):
        if f"{kind}{size}" not in _KINDS:
            raise source.error(f"there is no type {kind} of {size} bytes")
        kinds.append(np.dtype(f"<{kind.lower()}{size}"))
    counts = [_natural([word], "COUNT", source) for word in per_field["COUNT"]]
    width, height = _natural(found["WIDTH"], "WIDTH", source), _natural(found.get("HEIGHT", ["1"]), "HEIGHT", source)
    points = _natural(found.get("POINTS", [str(width * height)]), "POINTS", source)
    if points != width * height:
        raise source.error(f"{points} points are not WIDTH {width} x HEIGHT {height}")
    source.refuse_count(points)
    data = found["DATA"][0] if len(found["DATA"]) == 1 else ""
    if data not in ("ascii", "binary", "binary_compressed"):
        raise source.error("DATA is neither ascii, binary nor binary_compressed")
    return _Header(names, kinds, counts, points, height > 1, data, at, lines)


def _natural(words: list[str], key: str, source: Source) -> int:
    if len(words) != 1 or not (words[0].isascii() and words[0].isdecimal()) or len(words[0]) > 12:
        raise source.error(f"{key} is {' '.join(words) or 'empty'}, not a whole number")
    return int(words[0])


def _ascii(header: _Header, source: Source) -> dict[str, AnyArray]:
    width = sum(header.counts)
    if header.points * width * 2 - 1 > source.size - header.size:
        raise source.error(f"the header promises {header.points} points, the file is too short for them")
    lines = Lines.of(source.text(header.size), header.lines + 1)
    if len(lines) != header.points:
        raise source.error(f"{len(lines)} lines of data where the header promises {header.points}")
    table = lines.table(source, width)
    columns = dict(zip(header.names, (table[:, at] for at in _starts(header.counts)), strict=True))
    for name, kind in zip(header.names, header.kinds, strict=True):
        if name in ("rgb", "rgba") and not np.isfinite(columns[name]).all():
            del columns[name]  # a float whose bits say "not a number": text has lost them
        elif name in ("rgb", "rgba"):
            columns[name] = columns[name].astype(np.int64 if kind.kind != "f" else kind).astype(kind)
    return columns


def _binary(header: _Header, source: Source) -> dict[str, AnyArray]:
    needed = header.points * header.point_bytes
    if needed > source.size - header.size:
        text = f"{header.points} points take {needed} bytes, the file has {source.size - header.size} of them"
        raise source.error(text)
    data = source.block(header.size, source.size - header.size)
    source.refuse_trailing(data[needed:], header.size + needed)
    rows = data[:needed].reshape(header.points, header.point_bytes)
    sizes = [kind.itemsize * count for kind, count in zip(header.kinds, header.counts, strict=True)]
    return {
        name: np.ascontiguousarray(rows[:, at : at + kind.itemsize]).view(kind)[:, 0]
        for name, kind, count, at in zip(header.names, header.kinds, header.counts, _starts(sizes), strict=True)
        if name != "_" and count
    }


def _compressed(header: _Header, source: Source) -> dict[str, AnyArray]:
    """All values of the first field, then all of the second, ..., packed together by LZF."""
    packed, unpacked = (int(size) for size in source.block(header.size, 8).view("<u4"))
    needed = header.points * header.point_bytes
    if unpacked != needed:
        raise source.error(f"{header.points} points take {needed} bytes, the file says {unpacked}")
    if packed > source.size - header.size - 8:
        raise source.error(f"the file says {packed} compressed bytes and has {source.size - header.size - 8}")
    data = source.block(header.size + 8, source.size - header.size - 8)
    source.refuse_trailing(data[packed:], header.size + 8 + packed)
    plain = _unpacked(data[:packed], unpacked, source)
    columns, at = {}, 0
    for name, kind, count in zip(header.names, header.kinds, header.counts, strict=True):
        size = header.points * kind.itemsize * count
        if name != "_" and count:
            columns[name] = plain[at : at + size].view(kind).reshape(header.points, count)[:, 0]
        at += size
    return columns


def _unpacked(packed: ByteArray, size: int, source: Source) -> ByteArray:
    try:
        return np.frombuffer(decompressed(packed.tobytes(), size), np.uint8)
    except ValueError as error:
        raise source.error(f"the compressed data are damaged: {error}") from error


def _starts(sizes: list[int]) -> list[int]:
    return [sum(sizes[:k]) for k in range(len(sizes))]


def _stacked(columns: dict[str, AnyArray], names: tuple[str, ...], dtype: type) -> AnyArray | None:
    if not all(name in columns for name in names):
        return None
    return np.column_stack([columns[name] for name in names]).astype(dtype)


def _colours(columns: dict[str, AnyArray], source: Source) -> AnyArray | None:
    """Three bytes packed into one number, 0xRRGGBB; where the field is a float they are its bits."""
    packed = columns.get("rgb", columns.get("rgba"))
    if packed is None:
        channels = _stacked(columns, ("r", "g", "b"), np.int64)
        return None if channels is None else colours_from(channels, source)
    if packed.dtype.itemsize != 4:
        return None
    bits = np.ascontiguousarray(packed).view("<u4")
    return np.column_stack([bits >> 16 & 255, bits >> 8 & 255, bits & 255]).astype(np.uint8)
