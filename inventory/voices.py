"""Voice notes: what a walker said, looked at by its bytes and kept under FARM_HOME.

Call from: inventory/walk_voices.py, inventory/walk_pages.py (what a phone may record).
"""

from pathlib import Path

from django.conf import settings
from django.core.files.uploadedfile import UploadedFile

from inventory.calc.sound_bytes import Sound, sound_of, without_place
from inventory.errors import FarmError
from inventory.photos import photo_key

# One thought about one tray. Who hears fifty of them in the evening has an hour of it as it is.
MOST_SECONDS = 60
# A minute of speech as the plainest recorder writes it: 48,000 samples a second of two bytes are
# 5.8 MB. What browsers record is a twentieth of that.
MOST_BYTES = 6 * 1024 * 1024
FOLDER = "voices"


class VoiceUnreadable(FarmError):
    code = "voice_unreadable"
    status = 422
    title = "That file is no sound"
    message = (
        "{name} is no sound that can be read. Record it anew, or send an M4A, MP3, WAV, Ogg or "
        "WebM file without pictures."
    )


class VoiceTooLarge(FarmError):
    code = "voice_too_large"
    status = 413
    title = "The voice note is too long"
    message = (
        "{name} is larger than {most}. Speak for a minute at most, and send the rest after it."
    )


def store_voice(*, upload: UploadedFile | None, folder: str) -> tuple[str, Sound, int]:
    """Keep one recording. Returns its path below FARM_HOME, what it is, and its size in bytes.

    The sound itself is kept as it came; position and maker that a phone writes beside it are
    blanked. Raises VoiceUnreadable, VoiceTooLarge.
    """
    name = (upload.name if upload else "") or "The recording"
    # Asked before it is read: a recording of an hour never stands in memory.
    if upload is not None and (upload.size or 0) > MOST_BYTES:
        raise VoiceTooLarge(name=name, most=f"{MOST_BYTES // 1024 // 1024} MB")
    content = upload.read() if upload else b""
    sound = sound_of(content)
    if sound is None:
        raise VoiceUnreadable(name=name)
    kept = without_place(content, sound)
    path = Path(FOLDER) / folder / f"{photo_key(content=kept)}{sound.suffix}"
    whole = Path(settings.FARM_HOME) / path
    whole.parent.mkdir(parents=True, exist_ok=True)
    whole.write_bytes(kept)
    return str(path), sound, len(kept)
