"""The data of a PLY file as columns: scalars (n,), lists as their lengths and their values one after the other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.formats.contents import AnyArray
from pipeline.formats.lines import Lines
from pipeline.formats.ply_header import Element, Header, Property
from pipeline.formats.source import ByteArray, Source


@dataclass(frozen=True, eq=False, slots=True)
class Ragged:
    """A list property: (n,) lengths, and the values of all rows in a row."""

    counts: AnyArray
    values: AnyArray


Columns = dict[str, "AnyArray | Ragged"]


def read_elements(header: Header, source: Source) -> dict[str, Columns]:
    """Every element's columns. Nothing but padding may follow the last."""
    if header.ascii:
        return _ascii(header, source)
    body, at = source.block(header.size, source.size - header.size), 0
    found = {}
    for element in header.elements:
        read = _uniform(element, body, at) or _walked(element, body, at, header.size, source)
        found[element.name], at = read
    source.refuse_trailing(body[at:], header.size + at)
    return found


def _uniform(element: Element, body: ByteArray, at: int) -> tuple[Columns, int] | None:
    """Rows that all have the same size, as a view of the file; None where they do not."""
    fields: list[tuple[str, np.dtype[np.generic]] | tuple[str, np.dtype[np.generic], tuple[int]]] = []
    lengths: dict[str, int] = {}
    size = 0
    for each in element.properties:
        if each.count is not None:
            if element.rows == 0 or at + size + each.count.itemsize > len(body):
                return None
            length = int(body[at + size : at + size + each.count.itemsize].view(each.count)[0])
            if not 0 <= length <= len(body):
                return None
            lengths[each.name] = length
            fields += [(f"{each.name} count", each.count), (each.name, each.dtype, (length,))]
            size += each.count.itemsize + length * each.dtype.itemsize
        else:
            fields.append((each.name, each.dtype))
            size += each.dtype.itemsize
    end = at + element.rows * size
    if end > len(body):
        return None
    table = body[at:end].view(np.dtype(fields)) if size else np.zeros(element.rows, fields)
    columns: Columns = {}
    for each in element.properties:
        if each.count is None:
            columns[each.name] = table[each.name]
            continue
        counts = table[f"{each.name} count"]
        if not (counts == lengths[each.name]).all():
            return None
        columns[each.name] = Ragged(counts.astype(np.int64), table[each.name].reshape(-1))
    return columns, end


def _walked(element: Element, body: ByteArray, at: int, offset: int, source: Source) -> tuple[Columns, int]:
    """Rows of different sizes, one after the other."""
    data, end = body.tobytes(), len(body)
    widths = [(0 if each.count is None else each.count.itemsize, each.dtype.itemsize) for each in element.properties]
    big = any(each.count is not None and each.count.byteorder == ">" for each in element.properties)
    order: Literal["big", "little"] = "big" if big else "little"
    signed = [each.count is not None and each.count.kind == "i" for each in element.properties]
    places = np.empty((element.rows, len(widths)), np.int64)
    counts = np.ones((element.rows, len(widths)), np.int64)
    for row in range(element.rows):
        for column, (count_width, width) in enumerate(widths):
            count = 1
            if count_width:
                count = int.from_bytes(data[at : at + count_width], order, signed=signed[column])
                at += count_width
                counts[row, column] = min(count, end)
            places[row, column] = at
            at += count * width
            if at > end or count < 0:
                text = f"row {row + 1} of {element.rows} of {element.name} runs past the end of the file"
                raise source.error(text, byte=offset + int(places[row, column]))
    columns: Columns = {}
    for column, each in enumerate(element.properties):
        width = each.dtype.itemsize
        index = _spread(places[:, column], counts[:, column] * width)
        values = body[index].view(each.dtype)
        columns[each.name] = values if each.count is None else Ragged(counts[:, column], values)
    return columns, at


def _ascii(header: Header, source: Source) -> dict[str, Columns]:
    lines = Lines.of(source.text(header.size), header.lines + 1)
    promised = sum(element.rows for element in header.elements)
    if len(lines) != promised:
        last = int(lines.numbers[-1]) if len(lines) else header.lines
        at = last if len(lines) < promised else int(lines.numbers[promised])
        raise source.error(f"{len(lines)} lines of data where the header promises {promised}", line=at)
    found, row = {}, 0
    for element in header.elements:
        found[element.name] = _ascii_columns(element, lines.part(row, row + element.rows), source)
        row += element.rows
    return found


def _ascii_columns(element: Element, lines: Lines, source: Source) -> Columns:
    if not element.has_lists:
        table = lines.table(source, len(element.properties))
        return {each.name: _typed(table[:, k], each, source) for k, each in enumerate(element.properties)}
    values = lines.values(source)
    ends = np.cumsum(lines.counts)
    cursor = ends - lines.counts
    columns: Columns = {}

    def refuse(bad: AnyArray, text: str) -> None:
        if bad.any():
            raise source.error(text, line=int(lines.numbers[np.argmax(bad)]))

    for each in element.properties:
        refuse(cursor >= ends, "the line ends too early")
        here = values[cursor]
        cursor = cursor + 1
        if each.count is None:
            columns[each.name] = _typed(here, each, source)
            continue
        refuse(~((here >= 0) & (here <= ends - cursor) & (here == np.floor(here))), "the line ends too early")
        counts = here.astype(np.int64)
        columns[each.name] = Ragged(counts, _typed(values[_spread(cursor, counts)], each, source))
        cursor = cursor + counts
    refuse(cursor != ends, "the line has more numbers than its element")
    return columns


def _typed(values: AnyArray, each: Property, source: Source) -> AnyArray:
    """Numbers written as text, in the type that the header gives them; a number of another kind is refused."""
    if each.dtype.kind == "f":
        return values
    typed = np.nan_to_num(values).astype(np.int64).astype(each.dtype)
    good = typed == values
    if not good.all():
        raise source.error(f"{values[np.argmin(good)]:g} is no value for property {each.name} of type {each.dtype}")
    return typed


def _spread(starts: AnyArray, counts: AnyArray) -> AnyArray:
    """The indices start, start + 1, ... of every row, one after the other."""
    before = np.cumsum(counts) - counts
    spread: AnyArray = np.repeat(starts - before, counts) + np.arange(int(counts.sum()))
    return spread
