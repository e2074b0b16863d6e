"""OBJ (Wavefront): points, faces, vertex colours and normals; the files that it names are never opened."""

from __future__ import annotations

import numpy as np

from pipeline.formats.contents import AnyArray, Contents, colours_from, fan
from pipeline.formats.lines import Lines
from pipeline.formats.source import Source, quoted

_ROWS_AT_ONCE = 10_000
_IGNORED = (
    b"vt vp p l g o s mg usemtl mtllib usemap maplib bevel c_interp d_interp lod shadow_obj trace_obj ctech stech "
    b"cstype deg bmat step curv curv2 surf parm trim hole scrv sp end con call csh"
).split()


def read(source: Source) -> Contents:
    """Points and triangles; normals where each point has its own.

    Lines that say nothing of points or faces are passed over; lines that OBJ does not know are refused.
    """
    text = source.text().tobytes()
    text = text.replace(b"\\\n", b"  ")
    lines = Lines.of(np.frombuffer(text, np.uint8))
    kinds = _kinds(lines, source)
    points, colours = _points(lines.take(kinds == b"v").without_first_word(1), source)
    face_lines = lines.take(kinds == b"f").without_first_word(1)
    if len(points) == 0:
        raise source.error("there are no points in it")
    if len(face_lines) == 0:
        faces, corners = None, None
    else:
        known = np.cumsum(kinds == b"v")[kinds == b"f"]  # points defined before each face
        points_of = _component(face_lines, 0)
        if not np.array_equal(points_of.counts, face_lines.counts):
            row = int(np.argmax(points_of.counts != face_lines.counts))
            raise source.error("a corner names no point", line=int(face_lines.numbers[row]))
        corners = _resolved(points_of, known, source)
        faces, _ = fan(face_lines.counts, corners)
    normals = _normals(lines, kinds, face_lines, corners, len(points), source)
    return Contents(points=points, normals=normals, colours=colours, faces=faces)


def _kinds(lines: Lines, source: Source) -> AnyArray:
    """(n,) the first word of each line, ``#`` for comments."""
    begin = lines.first_words()
    letters = np.zeros((len(begin), 12), np.uint8)
    going = np.ones(len(begin), bool)
    for column in range(12):
        letter = lines.text[np.minimum(begin + column, len(lines.text) - 1)]
        going &= letter > 32
        letters[:, column] = np.where(going, letter, 0)
    comment = letters[:, 0] == ord("#")
    letters[comment] = 0
    letters[comment, 0] = ord("#")
    kinds = letters.view("S12").ravel()
    known = np.isin(kinds, [b"v", b"f", b"vn", b"#", *_IGNORED])
    if not known.all():
        row = int(np.argmin(known))
        text = f"OBJ knows no line that begins like {quoted(lines.line(row))}"
        raise source.error(text, line=int(lines.numbers[row]))
    return kinds


def _points(lines: Lines, source: Source) -> tuple[AnyArray, AnyArray | None]:
    source.refuse_count(len(lines))
    table = lines.table(source)
    columns = table.shape[1] if len(table) else 3
    if columns not in (3, 4, 6, 7):
        text = f"a point has 3 numbers, 4 with a weight, 6 or 7 with a colour; here are {columns}"
        raise source.error(text, line=int(lines.numbers[0]))
    colours = None
    if columns >= 6:
        channels = table[:, 3:6]
        whole = channels.max(initial=0) > 1 and (channels == np.floor(channels)).all()
        colours = colours_from(channels.astype(np.int64) if whole else channels, source)
    return np.ascontiguousarray(table[:, :3]), colours


def _component(lines: Lines, which: int) -> Lines:
    """Lines of words like ``1/2/3`` with only the first (0), second or third number of each word."""
    text = lines.text
    place = np.arange(len(text))
    slash = np.cumsum(text == ord("/"), dtype=np.int32)
    word_start = np.maximum.accumulate(np.where(text <= 32, place, 0))
    order = slash - slash[word_start]
    blanked = np.where((text <= 32) | ((order == which) & (text != ord("/"))), text, np.uint8(32))
    return lines.retold(blanked)


def _resolved(lines: Lines, known: AnyArray, source: Source) -> AnyArray:
    """(sum of corners,) indices from 0; negative ones count back from the last point before the face's line."""
    if (lines.counts < 3).any():
        row = int(np.argmax(lines.counts < 3))
        raise source.error(f"a face has {lines.counts[row]} corners", line=int(lines.numbers[row]))
    index = lines.values(source)
    line_of = np.repeat(np.arange(len(lines)), lines.counts)
    known = known[line_of]
    resolved = np.where(index < 0, known + index, index - 1)
    # A face may name points that come after it, so only the end of the file is a bound for positive indices.
    bad = ~((resolved >= 0) & (index == np.floor(index)) & (index != 0) & (index < 2**31))
    if bad.any():
        at = int(np.argmax(bad))
        raise source.error(f"a face names point {index[at]:g}", line=int(lines.numbers[line_of[at]]))
    return resolved.astype(np.int64)


def _normals(
    lines: Lines, kinds: AnyArray, faces: Lines, corners: AnyArray | None, points: int, source: Source
) -> AnyArray | None:
    """(n, 3) normals when there is one for each point and every face pairs them so."""
    own = lines.take(kinds == b"vn").without_first_word(2)
    if len(own) != points:
        return None
    table = own.table(source, 3)
    if corners is None:
        return table
    paired = _component(faces, 2)
    if not np.array_equal(paired.counts, faces.counts):
        return None
    known = np.cumsum(kinds == b"vn")[kinds == b"f"]
    return table if np.array_equal(_resolved(paired, known, source), corners) else None


def encode(contents: Contents) -> bytes:
    """Text with ten significant digits; colours as fractions of 1 behind the coordinates."""
    assert contents.faces is not None
    columns = contents.points
    pattern = "v %.10g %.10g %.10g\n"
    if contents.colours is not None:
        columns = np.hstack([columns, contents.colours / 255.0])
        pattern = "v %.10g %.10g %.10g %.4f %.4f %.4f\n"
    text = [f"# nightmill, unit {contents.unit}\n"]
    for values, line in ((columns, pattern), (contents.faces + 1, "f %d %d %d\n")):
        for start in range(0, len(values), _ROWS_AT_ONCE):
            rows = values[start : start + _ROWS_AT_ONCE]
            text.append(line * len(rows) % tuple(rows.ravel().tolist()))
    return "".join(text).encode()
