"""HOP 1g photos of the walk: a picture that follows its note, or the sentence why there is none.

Call from: inventory/walk_pages.py.
"""

from dataclasses import dataclass

from django.core.files.uploadedfile import UploadedFile

from inventory.errors import FarmError, Unknown
from inventory.models import KeptAside, Phone, WalkNote
from inventory.people import User
from inventory.photos import MOST_BYTES, PhotoTooLarge, store_photo


@dataclass(frozen=True, slots=True)
class FileKept:
    """Whether a photo or a recording stands with its note; the sentence is empty where it does."""

    is_kept: bool
    sentence: str = ""


def add_photo(
    *, client_id: str, upload: UploadedFile | None, user: User, phone: Phone | None = None
) -> FileKept:
    """Re-encode a photo and put it with its note. The note stands whatever becomes of it.

    Sent twice it changes nothing. Raises Unknown for a note that is not here or is another's.
    """
    note = WalkNote.objects.filter(client_id=client_id).first()
    if note is None and KeptAside.objects.filter(client_id=client_id).exists():
        return FileKept(False, "The note waits for a person's word; its photo was not kept.")
    is_own = note is not None and (note.user_id == user.pk or _is_of(note, phone))
    if note is None or not is_own:
        raise Unknown(kind="note of yours", name=client_id[:60] or "(none)")
    if note.photo:
        return FileKept(True)
    try:
        path = _store(upload, f"walk/{note.looked_at:%Y-%m}")
    except FarmError as error:
        return FileKept(False, error.sentence)
    WalkNote.objects.filter(pk=note.pk, photo="").update(photo=path)
    return FileKept(True)


def _is_of(note: WalkNote, phone: Phone | None) -> bool:
    return phone is not None and note.phone_id == phone.pk


def _store(upload: UploadedFile | None, folder: str) -> str:
    name = (upload.name if upload else "") or "The photo"
    # Asked before it is read: a picture of 40 MB never stands in memory.
    if upload is not None and (upload.size or 0) > MOST_BYTES:
        raise PhotoTooLarge(name=name, most=f"{MOST_BYTES // 1024 // 1024} MB")
    return store_photo(content=upload.read() if upload else b"", name=name, folder=folder)
