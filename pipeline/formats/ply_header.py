"""The header of a PLY file: its elements, their properties and where the data begin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.formats.source import Source, quoted

TYPES = {
    **{"char": "i1", "uchar": "u1", "short": "i2", "ushort": "u2", "int": "i4", "uint": "u4"},
    **{"float": "f4", "double": "f8", "int8": "i1", "uint8": "u1", "int16": "i2", "uint16": "u2"},
    **{"int32": "i4", "uint32": "u4", "float32": "f4", "float64": "f8"},
}
ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}


@dataclass(frozen=True, slots=True)
class Property:
    """A value, or with ``count`` a list that begins with its own length."""

    name: str
    dtype: np.dtype[np.generic]
    count: np.dtype[np.generic] | None = None

    @property
    def least_bytes(self) -> int:
        return (self.count or self.dtype).itemsize


@dataclass(frozen=True, slots=True)
class Element:
    name: str
    rows: int
    properties: list[Property]

    @property
    def has_lists(self) -> bool:
        return any(each.count is not None for each in self.properties)


@dataclass(frozen=True, slots=True)
class Header:
    ascii: bool
    elements: list[Element]
    size: int
    lines: int


def read_header(source: Source) -> Header:
    """Parse and check the header: every promise of size must fit into the file."""
    lines, size = _header_lines(source)
    if lines[0].strip() != b"ply":
        raise source.error(f"a PLY file begins with 'ply', this one with {quoted(lines[0])}")
    order: str | None = None
    elements: list[Element] = []
    for number, line in enumerate(lines[1:], 2):
        words = line.decode("latin-1").split()
        match words:
            case [] | ["comment" | "obj_info", *_]:
                continue
            case ["format", name, "1.0"] if name in ORDERS and order is None:
                order = ORDERS[name]
            case ["element", name, rows] if rows.isascii() and rows.isdecimal() and len(rows) < 19:
                if any(each.name == name for each in elements):
                    raise source.error(f"element {name} is there twice", line=number)
                elements.append(Element(name, int(rows), []))
            case ["property", *rest] if elements and order is not None and (made := _property(rest, order)):
                if any(each.name == made.name for each in elements[-1].properties):
                    raise source.error(f"property {made.name} is there twice", line=number)
                elements[-1].properties.append(made)
            case [word, *_] if not elements and word not in ("format", "element", "property"):
                continue  # a stray line, as some range scanners' files have; before the elements it can do no harm
            case _:
                raise source.error(f"{quoted(line.strip())} is not a line of a PLY header", line=number)
    if order is None:
        raise source.error("the header names no format")
    header = Header(order == "", elements, size, len(lines) + 1)
    _refuse_impossible(header, source)
    return header


def _header_lines(source: Source) -> tuple[list[bytes], int]:
    """Header lines without ``end_header``, and the header's size in bytes. Lines end in LF, CR LF or CR."""
    head = source.head
    skipped = 3 if head.startswith(b"\xef\xbb\xbf") else 0
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        source.refuse_binary(head)
    if not head[skipped:].startswith(b"ply"):
        raise source.error(f"a PLY file begins with 'ply', this one with {quoted(head[:12])}")
    start = skipped + 3
    end = next((e for e in (b"\r\n", b"\n", b"\r") if head[start:].startswith(e)), None)
    if end is None:
        raise source.error("the first line is not 'ply' alone")
    # Only after a header of CR lines may the data begin behind a CR; elsewhere it is a LF that ends the line.
    mark = b"\nend_header" if end != b"\r" else b"\rend_header"
    at = head.find(mark)
    if at < 0:
        raise source.error("the header has no end", byte=len(head))
    after = at + len(mark)
    stop = head.find(mark[:1], after)
    if stop < 0 or head[after:stop].strip():
        raise source.error("the line after the header's last is cut off", byte=after)
    return head[skipped:at].replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n"), stop + 1


def _property(words: list[str], order: str) -> Property | None:
    match words:
        case ["list", count, kind, name] if count in TYPES and kind in TYPES and TYPES[count][0] != "f":
            return Property(name, np.dtype(order + TYPES[kind]), np.dtype(order + TYPES[count]))
        case [kind, name] if kind in TYPES:
            return Property(name, np.dtype(order + TYPES[kind]))
    return None


def _refuse_impossible(header: Header, source: Source) -> None:
    """No element may promise more than the rest of the file can hold."""
    needed = 0  # bytes, for this element and those before it
    for element in header.elements:
        least = sum(2 if header.ascii else each.least_bytes for each in element.properties)
        if element.rows and not least:
            raise source.error(f"element {element.name} has no properties")
        needed += element.rows * least
        # The last number of an ascii file may end with the file.
        if needed - header.ascii > source.size - header.size:
            text = f"the header promises {element.rows} {element.name} rows, the file is too short for them: "
            text += f"{header.size + needed} bytes at least, and it has {source.size}"
            raise source.error(text)
    for element in header.elements:
        if element.name == "vertex":
            source.refuse_count(element.rows)
