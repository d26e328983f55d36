"""HOP 1k voices of the walk: a recording that follows its note, or the sentence why there is none.

Call from: inventory/walk_pages.py.
"""

from datetime import datetime

from django.core.files.uploadedfile import UploadedFile

from inventory.errors import FarmError, Unknown
from inventory.models import KeptAside, Phone, VoiceNote, WalkNote
from inventory.people import User
from inventory.voices import store_voice
from inventory.walk_photos import FileKept

MOST_SAID_SECONDS = 3600


def add_voice(
    *,
    client_id: str,
    upload: UploadedFile | None,
    seconds: str,
    received_at: datetime,
    user: User,
    phone: Phone | None = None,
) -> FileKept:
    """Keep a recording with its note, or with one that waits aside for a person's word: whoever
    decides hears it. The note stands whatever becomes of it.

    Sent twice it changes nothing. Raises Unknown for a note that is not here or is another's.
    """
    found = WalkNote.objects.filter(client_id=client_id).first()
    note = found or KeptAside.objects.filter(client_id=client_id).first()
    is_own = note is not None and (
        note.user_id == user.pk or (phone is not None and note.phone_id == phone.pk)
    )
    if note is None or not is_own:
        raise Unknown(kind="note of yours", name=client_id[:60] or "(none)")
    if VoiceNote.objects.filter(client_id=client_id).exists():
        return FileKept(True)
    try:
        path, sound, size = store_voice(upload=upload, folder=f"{received_at:%Y-%m}")
    except FarmError as error:
        return FileKept(False, error.sentence)
    VoiceNote.objects.get_or_create(
        client_id=client_id,
        defaults={
            "path": path,
            "media_type": sound.media_type,
            "seconds": _seconds(seconds),
            "size_bytes": size,
            "received_at": received_at,
            "user": user,
            "phone": phone,
        },
    )
    return FileKept(True)


def _seconds(text: str) -> int | None:
    """How long the phone says it is; recorders of browsers leave it out of the file."""
    is_number = text.isascii() and text.isdigit() and len(text) < 5
    return int(text) if is_number and int(text) <= MOST_SAID_SECONDS else None
