"""A small picture of a photo that is kept with a job, for a page that shows several."""

from __future__ import annotations

import io
import threading
import warnings

from PIL import Image, ImageOps

from app.ledger.jobs.file_kinds import has_too_many_pixels
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.tables import JobFile

_SIDE = 320  # pixels: sharp at half of that on a dense screen
_one_at_a_time = threading.Lock()  # a page asks for all of a job's at once, and each takes memory while it is open


def small_picture(file: JobFile, content: bytes) -> bytes:
    """A JPEG of at most 320 pixels a side, upright, with nothing of what the camera wrote beside it.

    Raises NotFound for a file that is no picture, LedgerError on `file` for one that cannot be drawn.
    """
    if not file.kind.is_image:
        raise NotFound("picture")
    out = io.BytesIO()
    try:
        with _one_at_a_time, warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(content), formats=("JPEG", "PNG", "WEBP")) as picture:
                if has_too_many_pixels(picture):
                    raise Image.DecompressionBombError
                picture.draft("RGB", (2 * _SIDE, 2 * _SIDE))  # a large JPEG is not unpacked whole
                picture.thumbnail((_SIDE, _SIDE))
                _on_white(ImageOps.exif_transpose(picture)).save(out, "JPEG", quality=80)
    except Exception as error:  # a damaged picture raises what it likes, by kind and by fault
        raise LedgerError("file", f"{file.name} cannot be drawn small; open it as it is.") from error
    return out.getvalue()


def _on_white(picture: Image.Image) -> Image.Image:
    if picture.mode == "RGB":
        return picture
    seen = picture.convert("RGBA")
    ground = Image.new("RGBA", seen.size, "white")
    ground.alpha_composite(seen)
    return ground.convert("RGB")
