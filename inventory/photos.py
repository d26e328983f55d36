"""Uploaded photos: re-encoded and kept under FARM_HOME, nothing of the sender's in them.

Call from: inventory/walk_photos.py, shipping/arrivals.py, config/edit_pages.py.
"""

import hashlib
from io import BytesIO
from pathlib import Path

from django.conf import settings
from django.core.files.uploadedfile import UploadedFile
from PIL import Image, ImageOps, UnidentifiedImageError

from inventory.errors import FarmError

MOST_BYTES = 12 * 1024 * 1024
MOST_PIXELS = 50_000_000
KEPT_SIDE_PX = 1600
FORMATS = ("JPEG", "PNG", "WEBP")


class PhotoUnreadable(FarmError):
    code = "photo_unreadable"
    status = 422
    title = "That file is no picture"
    message = "{name} is no picture that can be read. Send a JPEG, PNG or WebP photo."


class PhotoTooLarge(FarmError):
    code = "photo_too_large"
    status = 413
    title = "The picture is too large"
    message = "{name} is larger than {most}. Send it smaller; the phone's own size is enough."


def photo_key(*, content: bytes) -> str:
    """What a photo is known by: the same file sent twice has the same key."""
    return hashlib.sha256(content).hexdigest()[:24]


def store_photo(*, content: bytes, name: str, folder: str) -> str:
    """Re-encode one upload and keep it. Returns its path below FARM_HOME.

    Position, camera and time that a phone writes into its pictures are dropped: the pixels alone
    are copied. Raises PhotoUnreadable, PhotoTooLarge.
    """
    picture = _read_picture(content, name)
    kept = Image.new("RGB", picture.size, "white")
    kept.paste(picture)
    path = Path("photos") / folder / f"{photo_key(content=content)}.jpg"
    whole = Path(settings.FARM_HOME) / path
    whole.parent.mkdir(parents=True, exist_ok=True)
    kept.save(whole, "JPEG", quality=82, optimize=True)
    return str(path)


def store_upload(*, upload: UploadedFile, folder: str) -> str:
    """The same for a file as it comes in. One that is too large is never read into memory."""
    name = upload.name or "The photo"
    if (upload.size or 0) > MOST_BYTES:
        raise PhotoTooLarge(name=name, most=f"{MOST_BYTES // 1024 // 1024} MB")
    return store_photo(content=upload.read(), name=name, folder=folder)


def _read_picture(content: bytes, name: str) -> Image.Image:
    if len(content) > MOST_BYTES:
        raise PhotoTooLarge(name=name, most=f"{MOST_BYTES // 1024 // 1024} MB")
    try:
        with Image.open(BytesIO(content), formats=FORMATS) as upload:
            # Asked before it is unpacked: a small file can unpack to more than the machine holds.
            if upload.width * upload.height > MOST_PIXELS:
                raise PhotoTooLarge(name=name, most=f"{MOST_PIXELS // 1_000_000} million pixels")
            picture = ImageOps.exif_transpose(upload).convert("RGB")
    except Image.DecompressionBombError:
        most = f"{MOST_PIXELS // 1_000_000} million pixels"
        raise PhotoTooLarge(name=name, most=most) from None
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError):
        raise PhotoUnreadable(name=name) from None
    picture.thumbnail((KEPT_SIDE_PX, KEPT_SIDE_PX))
    return picture
