"""Lines of numbers, parsed a whole file at a time and strictly: every token is a number or the file is refused."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.formats.contents import AnyArray
from pipeline.formats.source import ByteArray, Source, quoted
from pipeline.part import BoolArray, FloatArray


@dataclass(frozen=True, eq=False, slots=True)
class Lines:
    """Lines that are not blank.

    Attributes
    ----------
    text : (b,) uint8; white space is blanks only, every line ends in a line feed
    starts : (n,) where each line begins in ``text``
    counts : (n,) words on each line
    numbers : (n,) each line's number in the file, from 1
    """

    text: ByteArray
    starts: AnyArray
    counts: AnyArray
    numbers: AnyArray

    @classmethod
    def of(cls, text: ByteArray, first: int = 1) -> Lines:
        """The lines of a text as ``Source.text`` gives it; ``first`` is the number of its first line."""
        ends = np.flatnonzero(text == ord("\n"))
        starts = np.concatenate([[0], ends[:-1] + 1]) if len(ends) else np.zeros(0, np.int64)
        counts = np.diff(np.searchsorted(_word_starts(text), np.append(starts, len(text))))
        lines = cls(text, starts, counts, np.arange(first, first + len(starts)))
        return lines if (counts > 0).all() else lines.take(counts > 0)

    def __len__(self) -> int:
        return len(self.starts)

    def take(self, keep: BoolArray) -> Lines:
        """Only the lines where ``keep`` (n,) holds."""
        if keep.all():
            return self
        lengths = np.diff(np.append(self.starts, len(self.text)))
        kept = lengths[keep]
        text = self.text[np.repeat(keep, lengths)]
        return Lines(text, np.cumsum(kept) - kept, self.counts[keep], self.numbers[keep])

    def retold(self, text: ByteArray) -> Lines:
        """The same lines after single bytes of ``text`` (b,) were exchanged for others."""
        counts = np.diff(np.searchsorted(_word_starts(text), np.append(self.starts, len(text))))
        return Lines(text, self.starts, counts, self.numbers)

    def first_words(self) -> AnyArray:
        """(n,) where the first word of each line begins in ``text``."""
        words = np.flatnonzero(self.text > ord(" "))
        first: AnyArray = words[np.searchsorted(words, self.starts)]
        return first

    def without_first_word(self, length: int) -> Lines:
        """The lines with their first ``length`` letters blank."""
        text = self.text.copy()
        begin = self.first_words() if len(self) else self.starts
        for offset in range(length):
            text[begin + offset] = ord(" ")
        return self.retold(text)

    def part(self, start: int, stop: int) -> Lines:
        """Lines ``start`` to ``stop``, sharing their text."""
        begin = self.starts[start] if start < len(self) else len(self.text)
        end = self.starts[stop] if stop < len(self) else len(self.text)
        return Lines(
            self.text[begin:end], self.starts[start:stop] - begin, self.counts[start:stop], self.numbers[start:stop]
        )

    def line(self, row: int) -> bytes:
        """One line without its end."""
        end = self.starts[row + 1] if row + 1 < len(self) else len(self.text)
        return self.text[self.starts[row] : end].tobytes().strip()

    def values(self, source: Source) -> FloatArray:
        """All numbers of all lines, in order.

        Raises
        ------
        CaptureError
            When a word is not a number, naming its line.
        """
        if len(self) == 0:
            return np.zeros(0)
        values = _parsed(self.text)
        if values is None or len(values) != self.counts.sum():
            row = self._first_bad()
            raise source.error(_complaint(self.line(row)), line=int(self.numbers[row]))
        return values

    def table(self, source: Source, columns: int | None = None) -> FloatArray:
        """(n, k) numbers of lines that must all have as many: ``columns``, or what the first has."""
        if len(self) == 0:
            return np.zeros((0, columns or 0))
        want = columns or int(self.counts[0])
        if not (self.counts == want).all():
            row = int(np.argmax(self.counts != want))
            text = f"{self.counts[row]} numbers where {want} are expected, in {quoted(self.line(row))}"
            raise source.error(text, line=int(self.numbers[row]))
        return self.values(source).reshape(-1, want)

    def _first_bad(self) -> int:
        """The first line that does not parse, by halving."""
        low, high = 0, len(self)
        while high - low > 1:
            middle = (low + high) // 2
            half = self.part(low, middle)
            values = _parsed(half.text)
            if values is None or len(values) != half.counts.sum():
                high = middle
            else:
                low = middle
        return low


def _word_starts(text: ByteArray) -> AnyArray:
    word = text > ord(" ")
    first = word.copy()
    first[1:] &= ~word[:-1]
    return np.flatnonzero(first)


def _parsed(text: ByteArray) -> FloatArray | None:
    """Numbers between white space; None where there is anything else. Knows no locale."""
    try:
        values: FloatArray = np.fromstring(text.tobytes(), sep=" ")
    except (ValueError, DeprecationWarning):
        return None
    return values


def _complaint(line: bytes) -> str:
    for word in line.split():
        try:
            if b"_" not in word:
                float(word)
                continue
        except ValueError:
            pass
        if b"," in word:
            return f"{quoted(word)} has a comma; numbers are written with a point here"
        return f"{quoted(word)} is not a number"
    return f"{quoted(line)} is not a line of numbers"
