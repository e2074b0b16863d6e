"""LZF decompression (Marc Lehmann's liblzf, the format of its lzf_d.c), bounded by the size that is expected."""

from __future__ import annotations

LONGEST_RATIO = 88
"""Three bytes stand for at most 264."""


def decompressed(packed: bytes, size: int) -> bytearray:
    """Unpack to exactly ``size`` bytes.

    Raises
    ------
    ValueError
        When the data are damaged or do not give ``size`` bytes. Never takes more memory than that.
    """
    if size > LONGEST_RATIO * max(len(packed), 1):
        raise ValueError("they cannot hold that much")
    plain = bytearray(size)
    at = done = 0
    end = len(packed)
    try:
        while at < end:
            control = packed[at]
            at += 1
            if control < 32:  # that many bytes and one more, as they are
                stop, done_next = at + control + 1, done + control + 1
                if stop > end or done_next > size:
                    raise ValueError("they run past their end")
                plain[done:done_next] = packed[at:stop]
                at, done = stop, done_next
                continue
            length = control >> 5
            if length == 7:
                length += packed[at]
                at += 1
            length += 2
            start = done - ((control & 31) << 8) - packed[at] - 1
            at += 1
            if start < 0 or done + length > size:
                raise ValueError("they refer to what is not there")
            distance = done - start
            if distance >= length:
                plain[done : done + length] = plain[start : start + length]
            else:  # the copy reads what it has just written: a repeating pattern
                pattern = plain[start:done]
                plain[done : done + length] = (pattern * (length // distance + 1))[:length]
            done += length
    except IndexError:
        raise ValueError("they end in the middle") from None
    if done != size:
        raise ValueError(f"they give {done} bytes, not {size}")
    return plain
