"""Pictures of every sort and hostile files: made anew without anything said beside them, or refused in a sentence.

Sources: the limits are our own; file marks are those of the formats' public descriptions; from memory.
"""

import io
import random
import subprocess
import sys

import pytest
from PIL import Image

from app.errors import Refused
from app.photos.rules import LONGEST_SIDE, THUMBNAIL_SIDE, read_picture
from app.settings import ROOT
from tests.photos import pictures
from tests.photos.pictures import CANARY

SEED, ALTERED = 20260203, 300


def read(content: bytes):
    return read_picture(io.BytesIO(content))


def said_of(content: bytes) -> str:
    with pytest.raises(Refused) as refused:
        read(content)
    assert refused.value.field == "photo"
    return refused.value.sentence


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("size", [(1, 1), (640, 480), (3000, 1000)])
def test_a_picture_is_made_anew_as_jpeg_no_larger_than_it_should_be(kind, size):
    found = read(pictures.saved(kind, size))
    for content, longest in ((found.image, LONGEST_SIDE), (found.thumbnail, THUMBNAIL_SIDE)):
        with Image.open(io.BytesIO(content)) as made:
            assert (made.format, made.mode) == ("JPEG", "RGB")
            assert max(made.size) <= min(longest, max(size))
    with Image.open(io.BytesIO(found.image)) as made:
        assert made.size == (found.width_px, found.height_px)


@pytest.mark.parametrize("mode", ["RGB", "RGBA", "L", "LA", "P", "1"])
def test_every_mode_becomes_plain_colours_on_white(mode):
    with Image.open(io.BytesIO(read(pictures.saved("PNG", mode=mode) if mode != "LA" else la()).image)) as made:
        assert made.mode == "RGB"


def la() -> bytes:
    out = io.BytesIO()
    Image.new("LA", (20, 20), (0, 0)).save(out, "PNG")
    return out.getvalue()


def test_what_is_see_through_is_white():
    with Image.open(io.BytesIO(read(la()).image)) as made:
        assert min(made.getpixel((5, 5))) > 250


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_picture_taken_upright_is_shown_upright(kind):
    """EXIF orientation 6: the camera was held upright, so width and height change places (EXIF 2.3, from memory)."""
    found = read(pictures.saved(kind, (400, 200), exif=pictures.exif(6)))
    assert (found.width_px, found.height_px) == (200, 400)


@pytest.mark.parametrize("name", list(pictures.with_canaries()))
def test_nothing_said_beside_the_picture_is_kept(name):
    content = pictures.with_canaries()[name]
    if name != "png text":  # one of its texts is packed, two are plain
        assert CANARY.encode() in content or b"ICCP" in content or b"iCCP" in content
    found = read(content)
    for made in (found.image, found.thumbnail):
        assert CANARY.encode() not in made
        with Image.open(io.BytesIO(made)) as opened:
            assert set(opened.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
            assert not opened.getexif()


def test_no_stretch_of_the_original_is_in_what_is_made():
    """Sixteen bytes in a row of a noisy original would show a copied part."""
    noise = random.Random(SEED).randbytes(200 * 200 * 3)
    out = io.BytesIO()
    Image.frombytes("RGB", (200, 200), noise).save(out, "JPEG", quality=95)
    original, made = out.getvalue(), read(out.getvalue()).image
    scan = original[700:]
    assert not any(scan[at : at + 16] in made for at in range(0, len(scan) - 16, 16))


def test_the_same_file_has_the_same_digest_and_another_has_another():
    one, again = read(pictures.saved("JPEG")), read(pictures.saved("JPEG", exif=pictures.exif()))
    assert one.digest == again.digest
    assert one.digest != read(pictures.saved("JPEG", (320, 200))).digest


@pytest.mark.parametrize("name", list(pictures.of_other_kinds()))
def test_another_kind_is_refused_by_what_it_is(name):
    said = said_of(pictures.of_other_kinds()[name])
    assert said.startswith(f"The photo is {name}")
    assert "Only JPEG, PNG and WebP are taken" in said


def test_hostile_files_are_refused_in_a_sentence(capsys):
    tried = pictures.hostile()
    for name, content in tried.items():
        assert said_of(content).endswith("."), name
    with capsys.disabled():
        print(f"\n{len(tried)} hostile files, {len(pictures.of_other_kinds())} of other kinds tried")


def test_altered_pictures_are_taken_or_refused_and_never_a_fault(capsys):
    rng, refused = random.Random(SEED), 0
    wholes = [pictures.saved(kind, (64, 48), exif=pictures.exif()) for kind in ("JPEG", "PNG", "WEBP")]
    for _ in range(ALTERED):
        content = bytearray(rng.choice(wholes))
        for _ in range(rng.randint(1, 8)):
            content[rng.randrange(12, len(content))] = rng.randrange(256)
        try:
            made = read(bytes(content)).image
            assert made[:3] == b"\xff\xd8\xff"
            assert CANARY.encode() not in made
        except Refused:
            refused += 1
    with capsys.disabled():
        print(f"\n{ALTERED} altered pictures: {refused} refused, {ALTERED - refused} taken, no fault")
    assert 0 < refused < ALTERED


def test_a_file_that_is_also_a_web_page_is_only_its_pixels():
    page = b"<html><script>alert(1)</script>"
    for kind in ("JPEG", "PNG", "WEBP"):
        made = read(pictures.saved(kind) + page)
        assert b"script" not in made.image + made.thumbnail


def test_too_many_bytes_are_refused_before_they_are_read():
    class Counted(io.BytesIO):
        asked = 0

        def read(self, size: int | None = -1) -> bytes:
            self.asked += 1
            return super().read(size)

    file = Counted(b"\xff\xd8\xff" + bytes(8_000_001))
    with pytest.raises(Refused, match=r"8\.0 MB"):
        read_picture(file)
    assert file.asked == 0


def test_a_bomb_of_169_million_pixels_costs_little_memory():
    """In a process of its own: the most memory it ever held, before and after (decoded it would be 169 to 676 MB)."""
    code = (
        "import io, resource; from tests.photos import pictures\n"
        "from app.photos.rules import read_picture; from app.errors import Refused\n"
        "read_picture(io.BytesIO(pictures.saved('PNG'))); content = pictures.bomb()\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "try: read_picture(io.BytesIO(content))\n"
        "except Refused as refused: print(len(content), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before, refused.title)\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    size, grown_kib, title = ran.stdout.strip().split(" ", 2)
    assert int(size) < 100_000
    assert int(grown_kib) < 20_000
    assert title == "The photo has far too many pixels"  # the library's own guard, made an error, speaks before ours
    assert "30 million pixels" in said_of(pictures.png_of(6000, 5000, b""))
