"""Opens originals: one loader for each format, the same for the probe and for the renderer."""

from __future__ import annotations

import pyvips

from platemark.model.picture import Format


def open_picture(path: str, form: Format) -> pyvips.Image:
    """Open an original, to be streamed once, with the loader that agrees with its first bytes.

    Args:
        path: The file.
        form: What the probe found it to be; `other` is not taken.

    Returns:
        A pyvips image, still to be decoded, that fails at the first damaged row.

    Raises:
        pyvips.Error: Its header cannot be read.
        KeyError: `form` has no loader.
    """
    # Of a JPEG whose coded data are damaged the decoder makes a grey or smeared picture and warns;
    # of a TIFF it warns for tags that it does not know.
    fail_on = "warning" if form == "jpeg" else "error"
    loaders = {
        # A TIFF in few strips needs more than the library's own 50 MB for one of them; the
        # studio's limits have been held against the header, and the process has its own.
        "tiff": lambda **options: pyvips.Image.tiffload(path, unlimited=True, **options),
        "jpeg": lambda **options: pyvips.Image.jpegload(path, **options),
        "png": lambda **options: pyvips.Image.pngload(path, **options),
    }
    image: pyvips.Image = loaders[form](access="sequential", fail_on=fail_on)
    return image
