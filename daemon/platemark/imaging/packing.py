"""Look at the packed pieces of a TIFF once more, for what the decoder does not look at.

It stops when it has as many bytes as a strip or tile needs. Of ZIP (deflate) it then leaves the sum
behind them aside (Adler-32, RFC 1950): a bit that has changed in the file comes out as other
pixels, and nobody says so. With the sum it is found with certainty, which no other way to keep a
picture in a TIFF allows. Of PackBits (TIFF 6.0, section 9) it takes any bytes for packed ones;
those that are come to a piece's length just where the piece ends.
"""

from __future__ import annotations

import zlib
from typing import BinaryIO, Final

from platemark.imaging.holes import PictureData
from platemark.imaging.tiff_sound import BlockSizes

_READ_BYTES: Final = 256 * 1024
_UNPACKED_BYTES: Final = 1 << 20
"""At a time; a piece may unpack to far more."""


def find_broken_piece(
    stream: BinaryIO, data: PictureData, sizes: BlockSizes, compression: str
) -> int | None:
    """Return where the first strip or tile begins that does not unpack to its end, or None.

    Args:
        stream: The open file.
        data: Where its pieces lie; all of them inside the file.
        sizes: What each must come to.
        compression: `deflate` or `packbits`; of any other, nothing can be told.
    """
    unpack = {"deflate": _inflated, "packbits": _unpacked_bits}.get(compression)
    if unpack is None:
        return None
    wanted = sizes.in_plane * sizes.planes
    for index, (offset, count) in enumerate(zip(data.offsets, data.counts, strict=False)):
        if index == wanted:
            break
        unpacked = unpack(stream, offset, count, sizes.most)
        if not sizes.needed(index) <= unpacked <= sizes.most:
            return offset
    return None


def _inflated(stream: BinaryIO, offset: int, count: int, most: int) -> int:
    """Return to how many bytes a piece unpacks, -1 where it does not or its sum is another."""
    unpacker = zlib.decompressobj()
    stream.seek(offset)
    left, length = count, 0
    try:
        while left > 0 and not unpacker.eof:
            packed = stream.read(min(left, _READ_BYTES))
            if not packed:
                return -1
            left -= len(packed)
            while packed and not unpacker.eof:
                length += len(unpacker.decompress(packed, _UNPACKED_BYTES))
                packed = unpacker.unconsumed_tail
                if length > most:
                    return length
    except zlib.error:
        return -1
    return length if unpacker.eof else -1


def _unpacked_bits(stream: BinaryIO, offset: int, count: int, most: int) -> int:
    """Return to how many bytes packed bits come, -1 where they do not end with their piece."""
    stream.seek(offset)
    length, at, left = 0, 0, count
    while left > 0 and length <= most:
        # A run may go on in what is read next; `at` is then beyond what was read before.
        data = stream.read(min(left, _READ_BYTES))
        if not data:
            return -1
        left -= len(data)
        while at < len(data):
            code = data[at]
            if code < 128:
                length += code + 1
                at += code + 2
            else:
                length += 257 - code if code > 128 else 0
                at += 2 if code > 128 else 1
        at -= len(data)
    return length if at == 0 else -1
