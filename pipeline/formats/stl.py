"""STL (3D Systems 1988), binary and ascii; which of them is decided by the file's size, not by its first word."""

from __future__ import annotations

import numpy as np

from pipeline.formats.contents import AnyArray, Contents
from pipeline.formats.lines import Lines
from pipeline.formats.source import Source, quoted
from pipeline.formats.weld import weld

HEADER = 84
FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_FACET_LINES = (b"facet normal", b"outer loop", b"vertex", b"vertex", b"vertex", b"endloop", b"endfacet")


def read(source: Source) -> Contents:
    """Triangles, welded exactly; the facets' normals are not read, the order of the corners says the same."""
    corners = _ascii(source) if _is_ascii(source) else _binary(source)
    points, faces = weld(corners)
    return Contents(points=points.astype(np.float64), faces=faces.reshape(-1, 3))


def _count(source: Source) -> int | None:
    return int.from_bytes(source.head[80:84], "little") if source.size >= HEADER else None


def _is_ascii(source: Source) -> bool:
    count = _count(source)
    if count is not None and source.size == HEADER + FACET.itemsize * count:
        return False
    start = source.head.removeprefix(b"\xef\xbb\xbf").lstrip()
    return (start[:5].lower() == b"solid" and 0 not in source.head) or source.head[:2] in (b"\xff\xfe", b"\xfe\xff")


def _binary(source: Source) -> AnyArray:
    count = _count(source)
    if count is None:
        raise source.error("it is neither ascii STL nor long enough for binary STL")
    if count == 0:
        raise source.error("there are no triangles in it")
    needed = HEADER + FACET.itemsize * count
    if source.size < needed:
        text = f"the file says {count} triangles, which take {needed} bytes, and has {source.size}"
        raise source.error(text)
    source.refuse_count(count, "triangles")
    data = source.block(HEADER, source.size - HEADER)
    body = needed - HEADER
    source.refuse_trailing(data[body:], needed)
    return data[:body].view(FACET)["corners"].reshape(-1, 3)


def _ascii(source: Source) -> AnyArray:
    """Corners of a text whose lines must be ``solid``, seven for each facet, ``endsolid``; several solids are one."""
    text = source.text()
    lower = text | np.where((text >= 65) & (text <= 90), np.uint8(32), np.uint8(0))
    lines = Lines.of(lower)
    if len(lines) == 0:
        raise source.error("there is nothing but white space in it")
    first = lines.text[lines.first_words()]
    # s(olid) and en(dsolid) frame the facets; their rest is a name that may be anything.
    second = lines.text[np.minimum(lines.first_words() + 3, len(lines.text) - 1)]
    frame = (first == ord("s")) | ((first == ord("e")) & (second == ord("s")))
    _check_frame(lines, frame, source)
    body = lines.take(~frame)
    if len(body) == 0:
        raise source.error("there are no triangles in it")
    _check_words(body, source)
    if len(body) % 7:
        raise source.error("the last triangle is cut off", line=int(body.numbers[-1]))
    vertices = body.take((np.arange(len(body)) % 7 >= 2) & (np.arange(len(body)) % 7 <= 4))
    return vertices.without_first_word(len(b"vertex")).table(source, 3).astype(np.float32)


def _check_frame(lines: Lines, frame: AnyArray, source: Source) -> None:
    last = lines.line(len(lines) - 1)
    if not last.startswith(b"endsolid"):
        raise source.error("the file does not end with 'endsolid': it is cut off", line=int(lines.numbers[-1]))
    opens = True
    for row in np.flatnonzero(frame).tolist():
        word = b"solid" if opens else b"endsolid"
        if not lines.line(row).startswith(word):
            text = f"{quoted(lines.line(row))} where '{word.decode()}' is expected"
            raise source.error(text, line=int(lines.numbers[row]))
        opens = not opens


def _check_words(body: Lines, source: Source) -> None:
    """Every seven lines begin like those of a facet; the first that does not is named."""
    begin, place = body.first_words(), np.arange(len(body)) % 7
    good = np.ones(len(body), bool)
    for turn, word in enumerate(_FACET_LINES):
        at = begin[place == turn]
        for offset, letter in enumerate(word):
            good[place == turn] &= body.text[np.minimum(at + offset, len(body.text) - 1)] == letter
    if not good.all():
        row = int(np.argmin(good))
        text = f"{quoted(body.line(row))} where '{_FACET_LINES[row % 7].decode()}' is expected"
        raise source.error(text, line=int(body.numbers[row]))


def encode(contents: Contents) -> bytes:
    """Binary STL: 80 bytes of header, the number of triangles, 50 bytes for each."""
    assert contents.faces is not None
    facets = np.zeros(len(contents.faces), FACET)
    corners = contents.points.astype(np.float32)[contents.faces]
    facets["corners"] = corners
    wide = corners.astype(np.float64)
    normal = np.cross(wide[:, 1] - wide[:, 0], wide[:, 2] - wide[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    facets["normal"] = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    header = f"nightmill, binary STL, unit {contents.unit}".encode().ljust(80)  # must not begin with "solid"
    return header + np.uint32(len(facets)).tobytes() + facets.tobytes()
