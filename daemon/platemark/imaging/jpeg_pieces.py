"""Decode the JPEG pieces of a TIFF by themselves, as strictly as a JPEG is.

In a TIFF the decoder only warns of damaged pieces, and of those that have another size than the
strip or tile that they stand for; both come out as a smeared or shifted picture.
"""

from __future__ import annotations

from typing import BinaryIO

import pyvips

from platemark.imaging.holes import PictureData
from platemark.imaging.jpeg_tags import with_tables
from platemark.imaging.steps import tells_of_memory, tells_of_threads
from platemark.imaging.tiff_sound import BlockSizes


def find_broken_jpeg(
    stream: BinaryIO, data: PictureData, sizes: BlockSizes, tables: bytes
) -> int | None:
    """Return where the first strip or tile begins that is no whole JPEG of its size, or None.

    Args:
        stream: The open file.
        data: Where its pieces lie; all of them inside the file.
        sizes: How large each must be.
        tables: What they have in common; may be empty.

    Raises:
        pyvips.Error: The system gave the decoder no thread.
        MemoryError: A piece needs more memory than this process may use.
    """
    wanted = sizes.in_plane * sizes.planes
    for index, (offset, count) in enumerate(zip(data.offsets, data.counts, strict=False)):
        if index == wanted:
            break
        stream.seek(offset)
        if not _is_whole(with_tables(stream.read(count), tables), sizes, index):
            return offset
    return None


def _is_whole(data: bytes, sizes: BlockSizes, index: int) -> bool:
    is_last = index % sizes.in_plane == sizes.in_plane - 1
    try:
        image = pyvips.Image.jpegload_buffer(data, access="sequential", fail_on="warning")
        # Some programs write a last strip as high as the others.
        rows = {sizes.rows, sizes.last_rows} if is_last else {sizes.rows}
        if image.width != sizes.width or image.height not in rows:
            return False
        image.extract_band(0).min()
    except pyvips.Error as error:
        if tells_of_threads(str(error)):
            raise
        if tells_of_memory(str(error)):
            raise MemoryError(str(error)) from error
        return False
    return True
