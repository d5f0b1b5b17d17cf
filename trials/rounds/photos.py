"""Photos of bakes: kept small, upright and without where they were taken."""

import re
import warnings
from io import BytesIO
from pathlib import Path

from PIL import Image, ImageOps, UnidentifiedImageError

from trials.errors import Place, SheetError
from trials.rounds.round import Round
from trials.tables import write_bytes

PHOTOS = "photos"
LONGEST_SIDE = 1600  # pixels; fills a screen and a page
LARGEST_PHOTO = 50_000_000  # bytes
MOST_PIXELS = 120_000_000
_QUALITY = 85
_READ = ("JPEG", "PNG", "WEBP", "TIFF", "BMP", "GIF")


def add_photo(round_: Round, bake: str, path: str | Path) -> Path:
    """Copy a photo of a bake into the round's folder.

    Parameters
    ----------
    round_ : Round
    bake : str
    path : str or Path
        The photo as the camera or phone made it; it is left as it is.

    Returns
    -------
    Path
        `photos/B03-1.jpg`, `photos/B03-2.jpg` and so on: at most 1600 pixels a side, upright, and
        with nothing in it but the picture (no place, no camera, no time).

    Raises
    ------
    SheetError
        When the bake is none of the round's, or the file is no photo that can be read.
    """
    path = Path(path)
    if bake not in set(round_.plan.table["bake"]):
        raise SheetError(f'"{bake}" is no bake of this round.', Place(path.name))
    content = _small(path)
    taken = [_number(photo) for photo in photos(round_, bake)]
    name = f"{bake}-{max(taken, default=0) + 1}.jpg"
    return write_bytes(round_.folder / PHOTOS / name, content)


def photos(round_: Round, bake: str) -> list[Path]:
    """Return the kept photos of a bake, in the order they came."""
    folder = round_.folder / PHOTOS
    named = re.compile(rf"{re.escape(bake)}-\d+\.jpg")
    found = folder.iterdir() if folder.is_dir() else ()
    return sorted((one for one in found if named.fullmatch(one.name)), key=_number)


def _number(photo: Path) -> int:
    return int(photo.stem.rpartition("-")[2])


def _small(path: Path) -> bytes:
    here = Place(path.name)
    if not path.is_file():
        raise SheetError("there is no such file.", here)
    if path.stat().st_size > LARGEST_PHOTO:
        raise SheetError("the photo has over 50 MB; save it smaller and try again.", here)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # our own limit on pixels is the stricter one
            with Image.open(path, formats=_READ) as found:
                if found.width * found.height > MOST_PIXELS:
                    raise SheetError("the photo has too many pixels; save it smaller.", here)
                picture = _upright(found)
    except UnidentifiedImageError:
        raise SheetError(
            "this is no photo that can be read. Save it as JPEG or PNG and try again (phones may "
            'call that "most compatible").',
            here,
        ) from None
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError) as error:
        raise SheetError(f"the photo is damaged ({type(error).__name__}).", here) from None
    content = BytesIO()
    picture.save(content, "JPEG", quality=_QUALITY, optimize=True)
    return content.getvalue()


def _upright(found: Image.Image) -> Image.Image:
    found.draft("RGB", (2 * LONGEST_SIDE, 2 * LONGEST_SIDE))
    turned = ImageOps.exif_transpose(found).convert("RGBA")
    turned.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    # On a fresh sheet: whatever else the file carried stays behind
    sheet = Image.new("RGB", turned.size, "white")
    sheet.paste(turned, mask=turned.getchannel("A"))
    return sheet
