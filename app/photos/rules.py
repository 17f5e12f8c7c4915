"""An uploaded picture -> a JPEG of our own: nothing of the original's bytes and nothing said beside the picture is kept.

Order matters: bytes are counted before they are read, the kind is told from the content, pixels are counted before they
are decoded. No database.
"""

import hashlib
import io
import threading
import warnings
from dataclasses import dataclass
from typing import Any, BinaryIO

from app.errors import Refused

MOST_BYTES = 8_000_000
MOST_PIXELS = 25_000_000
MOST_JPEG_PIXELS = 60_000_000  # a JPEG is decoded at a fraction of its size, so it costs less memory
LONGEST_SIDE, THUMBNAIL_SIDE = 1280, 320
QUALITY = 80
MOST_AT_ONCE = 2  # pictures being decoded; the next one waits
LONGEST_ALT = 200

_turn = threading.BoundedSemaphore(MOST_AT_ONCE)
_WHAT_IT_IS: tuple[tuple[bytes, str], ...] = (
    (b"GIF8", "a GIF"), (b"II*\x00", "a TIFF"), (b"MM\x00*", "a TIFF"), (b"BM", "a BMP"), (b"%PDF", "a PDF"), (b"PK\x03\x04", "a zip"),
    (b"<svg", "an SVG"), (b"<?xml", "an SVG or XML file"), (b"<!DOCTYPE", "a web page"), (b"<html", "a web page"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture made anew: two JPEGs and the digest of the larger one."""

    image: bytes
    thumbnail: bytes
    width_px: int
    height_px: int

    @property
    def digest(self) -> str:
        return hashlib.sha256(self.image).hexdigest()


def read_picture(file: BinaryIO, *, field: str = "photo") -> Picture:
    """The picture in an uploaded file, made anew; refuses at `field` what is too large, of another kind or damaged."""
    file.seek(0, io.SEEK_END)
    size = file.tell()
    if size > MOST_BYTES:
        raise Refused(f"The photo has {size / 1e6:.1f} MB", f"At most {MOST_BYTES / 1e6:.0f} MB are taken",
                      "Choose a smaller size in the camera, or send it without the photo.", field=field)  # fmt: skip
    file.seek(0)
    content = file.read(MOST_BYTES + 1)
    kind = kind_of(content, field=field)
    with _turn:
        return _made_anew(content, kind, field)


def kind_of(content: bytes, *, field: str = "photo") -> str:
    """JPEG, PNG or WEBP, told from the content; the file's name says nothing."""
    if content.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if content.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
        return "WEBP"
    start = content[:64].lstrip(b"\xef\xbb\xbf \t\r\n")
    found = "empty" if not content else next((words for mark, words in _WHAT_IT_IS if start.startswith(mark)), "of another kind")
    if content[4:8] == b"ftyp":
        found = "a HEIC, AVIF or a film"
    raise Refused(f"The photo is {found}", "Only JPEG, PNG and WebP are taken", "Save it as JPEG, or take it with this page.",
                  field=field)  # fmt: skip


def _made_anew(content: bytes, kind: str, field: str) -> Picture:
    from PIL import Image

    damaged = Refused("The photo can't be read", "It is damaged or cut off", "Take it again, or send it without the photo.", field=field)
    warnings.filterwarnings("ignore", category=UserWarning, module=r"PIL\.")  # of broken words beside a picture, which are dropped
    warnings.filterwarnings("error", category=Image.DecompressionBombWarning)
    try:
        with Image.open(io.BytesIO(content), formats=[kind]) as opened:
            _check_pixels(opened.size, kind, field)
            picture = _fresh(opened, kind)
        return Picture(_jpeg(picture, LONGEST_SIDE), _jpeg(picture, THUMBNAIL_SIDE), *_fitted(picture.size, LONGEST_SIDE))
    except Refused:
        raise
    except (Image.DecompressionBombWarning, Image.DecompressionBombError) as bomb:
        most = f"At most {MOST_PIXELS / 1e6:.0f} million are taken"
        raise Refused("The photo has far too many pixels", most, "Choose a smaller size in the camera.", field=field) from bomb
    except Exception as broken:  # a decoder fed with anything may raise anything; the person is told the same
        raise damaged from broken


def _check_pixels(size: tuple[int, int], kind: str, field: str) -> None:
    width, height = size
    most = MOST_JPEG_PIXELS if kind == "JPEG" else MOST_PIXELS
    if width * height > most:
        raise Refused(f"The photo has {width * height / 1e6:.0f} million pixels", f"At most {most / 1e6:.0f} million are taken",
                      "Choose a smaller size in the camera.", field=field)  # fmt: skip
    if min(width, height) < 1:
        raise Refused("The photo has no pixels", "", "Take it again.", field=field)


def _fresh(opened: Any, kind: str) -> Any:
    """The picture's colours alone, upright, on a white canvas of our own."""
    from PIL import Image, ImageOps

    if kind == "JPEG":
        opened.draft("RGB", (2 * LONGEST_SIDE, 2 * LONGEST_SIDE))
    opened.load()
    opened.thumbnail((2 * LONGEST_SIDE, 2 * LONGEST_SIDE))
    try:
        upright = ImageOps.exif_transpose(opened)
    except Exception:  # what is said about the picture is broken; the picture is not
        upright = opened
    solid = upright.convert("RGBA") if upright.mode in ("P", "PA", "LA", "RGBA", "La", "RGBa") else upright.convert("RGB")
    canvas = Image.new("RGB", solid.size, "white")
    canvas.paste(solid, (0, 0), solid if solid.mode == "RGBA" else None)
    return canvas


def _fitted(size: tuple[int, int], longest: int) -> tuple[int, int]:
    scale = min(1.0, longest / max(size))
    return max(1, round(size[0] * scale)), max(1, round(size[1] * scale))


def _jpeg(picture: Any, longest: int) -> bytes:
    from PIL import Image

    out = io.BytesIO()
    smaller = picture.resize(_fitted(picture.size, longest), Image.Resampling.LANCZOS)
    canvas = Image.new("RGB", smaller.size)
    canvas.paste(smaller)
    canvas.save(out, "JPEG", quality=QUALITY, optimize=True)
    return out.getvalue()
