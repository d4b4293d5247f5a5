"""Pictures that somebody sent: told by their content, and drawn small without what the camera wrote beside them."""

import io
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager

# The library has types, but WeasyPrint brings it; named in pyproject.toml because it is used here.
from PIL import Image, ImageOps

from app.ledger.store.errors import LedgerError
from app.ledger.tables import FileKind

_IMAGES = {"JPEG": FileKind.JPEG, "PNG": FileKind.PNG, "WEBP": FileKind.WEBP}
# A JPEG can be opened at an eighth of its size, the other kinds only whole, with four bytes a pixel.
_MOST_PIXELS_WHOLE = 30_000_000
_SIDE = 320  # pixels: sharp at half of that on a dense screen
_one_at_a_time = threading.Lock()  # a page asks for all of a job's at once, and each takes memory while it is open


def is_picture(content: bytes) -> bool:
    """Whether it begins as a JPEG, PNG or WebP does."""
    return content.startswith((b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n")) or content[8:12] == b"WEBP"


def picture_kind(content: bytes) -> FileKind:
    """Which kind of picture it is; LedgerError on `file` for one that is damaged, or has too many pixels."""
    try:
        with _opened(content) as picture:
            picture.verify()
            return _IMAGES[picture.format or ""]
    except (Image.DecompressionBombWarning, Image.DecompressionBombError) as error:
        raise LedgerError("file", "This picture has more pixels than a camera takes. Save it smaller.") from error
    except Exception as error:  # a damaged picture raises what it likes, by kind and by fault
        raise LedgerError(
            "file", "This picture is damaged or not what it seems. Take it anew, or save it again."
        ) from error


def draw_small(content: bytes, name: str) -> bytes:
    """A JPEG of at most 320 pixels a side, upright; LedgerError on `file` for a picture that cannot be drawn."""
    out = io.BytesIO()
    try:
        with _one_at_a_time, _opened(content) as picture:
            picture.draft("RGB", (2 * _SIDE, 2 * _SIDE))  # a large JPEG is not unpacked whole
            picture.thumbnail((_SIDE, _SIDE))
            _on_white(ImageOps.exif_transpose(picture)).save(out, "JPEG", quality=80)
    except Exception as error:  # as above
        raise LedgerError("file", f"{name} cannot be drawn small; open it as it is.") from error
    return out.getvalue()


@contextmanager
def _opened(content: bytes) -> Iterator[Image.Image]:
    """A picture, not unpacked yet; DecompressionBomb… where that would take more memory than a photo may."""
    with warnings.catch_warnings():
        # More pixels than a camera has would fill the memory of who opens it.
        warnings.simplefilter("error", Image.DecompressionBombWarning)
        with Image.open(io.BytesIO(content), formats=tuple(_IMAGES)) as picture:
            if picture.format != "JPEG" and picture.width * picture.height > _MOST_PIXELS_WHOLE:
                raise Image.DecompressionBombError
            yield picture


def _on_white(picture: Image.Image) -> Image.Image:
    if picture.mode == "RGB":
        return picture
    seen = picture.convert("RGBA")
    ground = Image.new("RGBA", seen.size, "white")
    ground.alpha_composite(seen)
    return ground.convert("RGB")
