"""What stands between the numbers of a text: blanks, commas or semicolons; and whether commas are decimal points."""

from __future__ import annotations

import numpy as np

from pipeline.errors import CaptureError
from pipeline.formats.contents import AnyArray
from pipeline.formats.lines import Lines
from pipeline.formats.source import ByteArray, Source, quoted

_REMEDY = "Export it with decimal points and blanks between the columns."
_COMMA, _SEMICOLON, _POINT, _BLANK, _END = (ord(sign) for sign in ",;. \n")


def separated(lines: Lines, source: Source) -> Lines:
    """The lines with blanks between the numbers and points in them.

    Raises
    ------
    CaptureError
        When a comma, or a blank, may be a separator as well as part of a number.
    """
    text = lines.text
    commas, points = (text == _COMMA).any(), (text == _POINT).any()
    if (text == _SEMICOLON).any():
        if commas and points:
            raise _ambiguous(lines, 0, source)
        return _exchanged(lines, {_SEMICOLON: _BLANK, _COMMA: _POINT}, _SEMICOLON, source)
    if not commas:
        return lines
    if points or _commas_separate(lines, source):
        return _exchanged(lines, {_COMMA: _BLANK}, _COMMA, source)
    return lines.retold(np.where(text == _COMMA, np.uint8(_POINT), text))


def _exchanged(lines: Lines, signs: dict[int, int], separator: int, source: Source) -> Lines:
    """The lines with other signs, when every blank inside them lies beside a separator and no field is empty."""
    _refuse_empty_fields(lines, separator, source)
    _refuse_bare_blanks(lines, separator, source)
    text = lines.text.copy()
    for old, new in signs.items():
        text[lines.text == old] = new
    return lines.retold(text)


def _commas_separate(lines: Lines, source: Source) -> bool:
    """Whether commas, in a text without points and semicolons, stand between numbers rather than in them."""
    text = lines.text
    at = np.flatnonzero(text == _COMMA)
    beside_blank = (text[np.minimum(at + 1, len(text) - 1)] <= _BLANK) | (text[np.maximum(at - 1, 0)] <= _BLANK)
    if beside_blank.all():
        return True
    if beside_blank.any():
        raise _ambiguous(lines, int(np.searchsorted(lines.starts, at[~beside_blank][0], "right")) - 1, source)
    if (lines.counts == 1).all():  # 1,2,3 has no other meaning, but 1,5,2,5,3,5 has two
        fields = np.diff(np.searchsorted(at, np.append(lines.starts, len(text)))) + 1
        if (fields % 2 == 0).any():
            raise _ambiguous(lines, int(np.argmax(fields % 2 == 0)), source)
        return True
    _refuse_unlike_columns(lines, at, source)
    return False


def _refuse_unlike_columns(lines: Lines, commas: AnyArray, source: Source) -> None:
    """Decimal commas: one in every number of the first three columns, and in all or none of every other."""
    columns = int(lines.counts[0])
    if columns < 3 or not (lines.counts == columns).all():
        raise _ambiguous(lines, int(np.argmax(lines.counts != max(columns, 3))), source)
    words = _word_starts(lines.text)
    per_word = np.diff(np.searchsorted(commas, np.append(words, len(lines.text)))).reshape(-1, columns)
    like = per_word == np.where(np.arange(columns) < 3, 1, per_word[0])
    if not like.all() or per_word.max() > 1:
        raise _ambiguous(lines, int(np.argmin(like.all(axis=1))), source)


def _refuse_empty_fields(lines: Lines, separator: int, source: Source) -> None:
    tight = lines.text[lines.text != _BLANK]
    here = tight == separator
    before = np.append(np.uint8(_END), tight[:-1])
    bad = here & ((before == separator) | (before == _END))
    if bad.any():
        row = int((tight[: np.argmax(bad)] == _END).sum())
        raise source.error(f"a number is missing in {quoted(lines.line(row))}", line=int(lines.numbers[row]))


def _refuse_bare_blanks(lines: Lines, separator: int, source: Source) -> None:
    """A blank between two digits, as in 1 234;5, is part of a number or a second kind of separator."""
    words = _word_starts(lines.text)
    line_of = np.searchsorted(lines.starts, words, "right") - 1
    inner = np.flatnonzero(line_of[1:] == line_of[:-1]) + 1
    ends = np.flatnonzero((lines.text[:-1] > _BLANK) & (lines.text[1:] <= _BLANK))  # last letter of each word
    bare = (lines.text[words[inner]] != separator) & (lines.text[ends[inner - 1]] != separator)
    if bare.any():
        raise _ambiguous(lines, int(line_of[inner[np.argmax(bare)]]), source)


def _word_starts(text: ByteArray) -> AnyArray:
    word = text > _BLANK
    word[1:] &= text[:-1] <= _BLANK
    return np.flatnonzero(word)


def _ambiguous(lines: Lines, row: int, source: Source) -> CaptureError:
    text = f"commas or blanks may be inside or between the numbers of {quoted(lines.line(row))}"
    return source.error(text, line=int(lines.numbers[row]), remedy=_REMEDY)
