"""Points as lines of numbers (.xyz, .txt, .asc). No standard says what a line holds: what is ambiguous is refused."""

from __future__ import annotations

import numpy as np

from pipeline.formats.columns import roles_of
from pipeline.formats.contents import Contents, colours_from
from pipeline.formats.lines import Lines
from pipeline.formats.separators import separated
from pipeline.formats.source import Source, quoted

HEADER_LINES = 20


def read(source: Source) -> Contents:
    """Points, with normals and colours where the columns can only mean that.

    Lines that begin with ``#``, ``//``, ``%`` or ``!`` are comments. Up to 20 lines before the first numbers may be a
    header: words, or the number of points, which must then be right. Decimal commas are read where they can
    be nothing else.
    """
    lines = _without_comments(Lines.of(source.text()))
    start, titles, promised = _after_header(lines, source)
    body = separated(lines.part(start, len(lines)), source)
    if promised is not None and len(body) != promised:
        text = f"{len(body)} lines of numbers where the first line promises {promised}"
        raise source.error(text, line=int(lines.numbers[-1]))
    source.refuse_count(len(body))
    table = body.table(source)
    if table.shape[1] < 3:
        text = f"{quoted(body.line(0))} has {table.shape[1]} numbers, a point has at least 3"
        raise source.error(text, line=int(body.numbers[0]))
    roles = roles_of(table, titles)
    return Contents(
        points=np.ascontiguousarray(table[:, roles.points]),
        normals=None if roles.normals is None else table[:, roles.normals],
        colours=None if roles.colours is None else colours_from(table[:, roles.colours].astype(np.int64), source),
    )


def _without_comments(lines: Lines) -> Lines:
    if len(lines) == 0:
        return lines
    begin = lines.first_words()
    letter = lines.text[begin]
    following = lines.text[begin + 1]
    comment = np.isin(letter, np.frombuffer(b"#%!", np.uint8)) | ((letter == ord("/")) & (following == ord("/")))
    return lines.take(~comment)


def _after_header(lines: Lines, source: Source) -> tuple[int, list[str], int | None]:
    """The row where the numbers begin, the columns' titles if there are any, and a promised number of points."""
    titles: list[str] = []
    for row in range(min(len(lines), HEADER_LINES + 1)):
        line = lines.line(row)
        words = line.replace(b";", b" ").replace(b",", b" ").split()
        if words and _is_number(words[0]):
            if len(words) == 1 and words[0].isdigit() and row + 1 < len(lines) and len(words[0]) <= 12:
                return row + 1, titles, int(words[0])
            return row, titles, None
        titles = [word.decode("latin-1").strip("\"'").lower() for word in words]
    raise source.error("there is no line of numbers at its beginning", line=1)


def _is_number(word: bytes) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True
