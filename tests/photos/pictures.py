"""Pictures made for tests: plain ones, ones full of things said beside the picture, and hostile ones."""

import io
import struct
import zlib

from PIL import Image
from PIL.PngImagePlugin import PngInfo

CANARY = "CANARY-51.4779N-0.0015W"


def saved(kind: str, size: tuple[int, int] = (640, 480), mode: str = "RGB", **more: object) -> bytes:
    out = io.BytesIO()
    picture = Image.new(mode, size, 128 if mode in ("L", "P", "1") else "teal" if mode == "RGB" else (0, 128, 128, 90))
    picture.save(out, kind, **more)
    return out.getvalue()


def exif(orientation: int = 1) -> bytes:
    tags = Image.Exif()
    tags[0x0112], tags[0x010E], tags[0x9286] = orientation, CANARY, CANARY
    tags.get_ifd(0x8825)[0x001B] = CANARY
    return tags.tobytes()


def xmp() -> bytes:
    return f"<x:xmpmeta xmlns:x='adobe:ns:meta/'><rdf>{CANARY}</rdf></x:xmpmeta>".encode()


def with_canaries() -> dict[str, bytes]:
    """The same picture with EXIF, XMP, a comment, an ICC profile, PNG text and bytes behind its end."""
    text = PngInfo()
    text.add_text("Comment", CANARY)
    text.add_text("Packed", CANARY, zip=True)
    text.add_itxt("Where", CANARY)
    icc = CANARY.encode() * 4
    return {
        "jpeg exif": saved("JPEG", exif=exif()), "jpeg xmp": saved("JPEG", xmp=xmp()),
        "jpeg comment": saved("JPEG", comment=CANARY.encode()),
        "jpeg icc": saved("JPEG", icc_profile=icc), "jpeg behind": saved("JPEG") + CANARY.encode(),
        "png text": saved("PNG", pnginfo=text), "png exif": saved("PNG", exif=exif()), "png icc": saved("PNG", icc_profile=icc),
        "png behind": saved("PNG") + CANARY.encode(), "webp exif": saved("WEBP", exif=exif()), "webp xmp": saved("WEBP", xmp=xmp()),
        "webp icc": saved("WEBP", icc_profile=icc),
    }  # fmt: skip


def _chunk(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))


def png_of(width: int, height: int, packed: bytes) -> bytes:
    """A PNG that claims this size; one bit a pixel."""
    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", head) + _chunk(b"IDAT", packed) + _chunk(b"IEND", b"")


def bomb(side: int = 13_000) -> bytes:
    """169 million pixels in about 20 kB."""
    row = b"\x00" * (1 + (side + 7) // 8)
    packer = zlib.compressobj(9)
    return png_of(side, side, b"".join([*(packer.compress(row) for _ in range(side)), packer.flush()]))


def of_other_kinds() -> dict[str, bytes]:
    return {
        "a GIF": saved("GIF", mode="P"), "a TIFF": saved("TIFF"), "a BMP": saved("BMP"),
        "an SVG": b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>",
        "an SVG or XML file": b"<?xml version='1.0'?><svg/>", "a web page": b"<!DOCTYPE html><script>1</script>",
        "a PDF": b"%PDF-1.7\n", "a zip": b"PK\x03\x04abc", "empty": b"", "a HEIC": b"\x00\x00\x00\x18ftypheic", "of another kind": b"hello",
    }  # fmt: skip


def hostile() -> dict[str, bytes]:
    """Files that begin as pictures do and are none, or are far too much."""
    jpeg, png, webp = saved("JPEG"), saved("PNG"), saved("WEBP")
    found = {"bomb": bomb(), "claims 2 billion pixels": png_of(65_535, 32_768, zlib.compress(b"\x00")),
             "claims nothing": png_of(0, 5, zlib.compress(b"")), "claims more than is there": png_of(4000, 4000, zlib.compress(b"\x00"))}
    for name, content in (("jpeg", jpeg), ("png", png), ("webp", webp)):
        for share in (0.02, 0.1, 0.5, 0.9):
            found[f"{name} cut at {share:.0%}"] = content[: max(13, int(len(content) * share))]
        found[f"{name} head and noise"] = content[:16] + bytes(range(256)) * 8
        found[f"{name} head and zeros"] = content[:16] + bytes(5000)
    return found
