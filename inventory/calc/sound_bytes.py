"""What a sound file is, read from its bytes: the name and type it was sent under prove nothing.

Containers that phones record in: WebM, MP4, 3GP, Ogg, WAV, MP3, ADTS, AMR, FLAC. A file with moving
pictures in it is no sound.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice


@dataclass(frozen=True, slots=True)
class Sound:
    """A kind of sound file: its media type, and the ending it is kept under."""

    media_type: str
    suffix: str


WEBM, MP4, GP3 = (
    Sound("audio/webm", ".webm"),
    Sound("audio/mp4", ".m4a"),
    Sound("audio/3gpp", ".3gp"),
)
OGG, WAV, FLAC = (
    Sound("audio/ogg", ".ogg"),
    Sound("audio/wav", ".wav"),
    Sound("audio/flac", ".flac"),
)
MP3, AAC, AMR = (
    Sound("audio/mpeg", ".mp3"),
    Sound("audio/aac", ".aac"),
    Sound("audio/amr", ".amr"),
)


def sound_of(content: bytes) -> Sound | None:
    """The kind of a sound file, or None for what is none, is cut off in its head, or has pictures.

    Parameters
    ----------
    content : bytes
        The whole file.

    Returns
    -------
    Sound or None

    Source
    ------
    WebM: RFC 9559 (Matroska) over RFC 8794 (EBML). MP4 and 3GP: ISO/IEC 14496-12. Ogg: RFC 3533,
    with the heads of RFC 7845 (Opus), RFC 5215 (Vorbis) and RFC 5574 (Speex). AMR: RFC 4867. FLAC:
    RFC 9639. WAV: RFC 2361 and the RIFF form. MP3: ISO/IEC 11172-3. ADTS: ISO/IEC 13818-7.
    """
    if content[:4] == b"\x1aE\xdf\xa3":
        return WEBM if _webm_tracks(content) == {2} else None
    if content[4:8] == b"ftyp":
        handlers = set(_handlers(content, 0, len(content)))
        is_sound = b"soun" in handlers and b"vide" not in handlers
        return (GP3 if content[8:11] == b"3gp" else MP4) if is_sound else None
    if content[:4] == b"OggS":
        return OGG if _is_ogg_sound(content) else None
    if content[:4] == b"RIFF":
        return WAV if content[8:12] == b"WAVE" and b"fmt " in content[12:4096] else None
    if content[:4] == b"fLaC":
        return FLAC
    if content.startswith((b"#!AMR\n", b"#!AMR-WB\n")):
        return AMR
    return _framed(content)


def without_place(content: bytes, sound: Sound) -> bytes:
    """The same sound without what a phone writes beside it: position, maker, title.

    In MP4 and 3GP the boxes that may hold them are blanked in place, so that no offset moves; a
    leading ID3 tag is cut off.
    """
    if sound in (MP4, GP3):
        blank = bytearray(content)
        for start, end in _boxes_beside(content, 0, len(content)):
            blank[start + 4 : start + 8] = b"free"
            blank[start + 8 : end] = bytes(end - start - 8)
        return bytes(blank)
    return content[_id3_bytes(content) :]


# ---- MP4: boxes of a length, a name and what is in them ----

INSIDE = frozenset({b"moov", b"trak", b"mdia"})
BESIDE = frozenset({b"udta", b"meta"})


def _boxes(content: bytes, start: int, end: int) -> Iterator[tuple[bytes, int, int, int]]:
    """(name, start, start of what is inside, end) of the boxes between two places."""
    while start + 8 <= end:
        size, name, head = (
            int.from_bytes(content[start : start + 4]),
            content[start + 4 : start + 8],
            8,
        )
        if size == 1:
            size, head = int.from_bytes(content[start + 8 : start + 16]), 16
        elif size == 0:
            size = end - start
        if size < head or start + size > end:
            return
        yield name, start, start + head, start + size
        start += size


def _handlers(content: bytes, start: int, end: int) -> Iterator[bytes]:
    """What each track of an MP4 is for: soun, vide and others."""
    for name, _, inside, last in _boxes(content, start, end):
        if name in INSIDE:
            yield from _handlers(content, inside, last)
        elif name == b"hdlr":
            # A word of flags and one of zeros stand before it.
            yield content[inside + 8 : inside + 12]


def _boxes_beside(content: bytes, start: int, end: int) -> Iterator[tuple[int, int]]:
    for name, first, inside, last in _boxes(content, start, end):
        if name in BESIDE:
            yield first, last
        elif name in INSIDE:
            yield from _boxes_beside(content, inside, last)


# ---- WebM: elements of an id, a length and what is in them, both of varying length ----

SEGMENT, TRACKS, TRACK, TRACK_TYPE = 0x18538067, 0x1654AE6B, 0xAE, 0x83
MOST_ELEMENTS = 10_000


def _number(content: bytes, at: int, *, keeps_mark: bool) -> tuple[int, int] | None:
    """A number of one to eight bytes whose leading zeros say how many; and where it ends."""
    if at >= len(content) or not content[at]:
        return None
    length = 9 - content[at].bit_length()
    if at + length > len(content):
        return None
    number = int.from_bytes(content[at : at + length])
    return (number if keeps_mark else number & ((1 << 7 * length) - 1)), at + length


def _elements(content: bytes, start: int, end: int) -> Iterator[tuple[int, int, int]]:
    """(id, start of what is inside, end). A length that was left open runs to the end."""
    while start < end:
        name = _number(content, start, keeps_mark=True)
        size = _number(content, name[1], keeps_mark=False) if name else None
        if name is None or size is None:
            return
        is_open = size[0] == (1 << 7 * (size[1] - name[1])) - 1
        last = end if is_open else min(end, size[1] + size[0])
        yield name[0], size[1], last
        start = last


def _webm_tracks(content: bytes) -> set[int]:
    """The kinds of a WebM's tracks: 1 is video, 2 is sound."""
    kinds = set()
    for name, start, end in _elements(content, 0, len(content)):
        if name != SEGMENT:
            continue
        for part, first, last in islice(_elements(content, start, end), MOST_ELEMENTS):
            if part == TRACKS:
                kinds |= set(_track_kinds(content, first, last))
    return kinds


def _track_kinds(content: bytes, start: int, end: int) -> Iterator[int]:
    for name, first, last in _elements(content, start, end):
        if name == TRACK:
            for part, inside, stop in _elements(content, first, last):
                if part == TRACK_TYPE:
                    yield int.from_bytes(content[inside:stop])


# ---- Ogg: pages; the first of each stream says what it carries ----

OGG_HEADS = (b"OpusHead", b"\x01vorbis", b"Speex   ", b"\x7fFLAC")


def _is_ogg_sound(content: bytes) -> bool:
    at, heads = 0, []
    # The first pages of all streams stand before every other page.
    while content[at : at + 4] == b"OggS" and len(content) > at + 27 and content[at + 5] & 2:
        segments = content[at + 27 : at + 27 + content[at + 26]]
        start = at + 27 + len(segments)
        heads.append(content[start : start + 8])
        at = start + sum(segments)
    return bool(heads) and all(head.startswith(OGG_HEADS) for head in heads)


# ---- MP3 and ADTS: frame after frame; what only looks like a frame is followed by none ----

FRAMES = 3
# Bit rates in kbit/s by the four bits of the head: MPEG-1 layer III, and MPEG-2 and 2.5.
MP3_RATES = (
    (32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320),
    (8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
)
MP3_HZ = (44_100, 48_000, 32_000)


def _id3_bytes(content: bytes) -> int:
    """How long the ID3 tag at the front is; its length has seven bits a byte."""
    if content[:3] != b"ID3" or len(content) < 10:
        return 0
    size = 0
    for byte in content[6:10]:
        size = size << 7 | byte & 0x7F
    return 10 + size


def _framed(content: bytes) -> Sound | None:
    start = _id3_bytes(content)
    for sound, length_of in ((AAC, _adts_frame_bytes), (MP3, _mp3_frame_bytes)):
        at = start
        for _ in range(FRAMES):
            length = length_of(content[at : at + 7])
            if not length:
                break
            at += length
        else:
            return sound if at <= len(content) else None
    return None


def _adts_frame_bytes(head: bytes) -> int:
    if len(head) < 7 or head[0] != 0xFF or head[1] & 0xF6 != 0xF0:
        return 0
    length = (head[3] & 3) << 11 | head[4] << 3 | head[5] >> 5
    return length if length > 7 else 0


def _mp3_frame_bytes(head: bytes) -> int:
    if len(head) < 4 or head[0] != 0xFF or head[1] & 0xE6 != 0xE2:
        return 0
    version, rate, hz = head[1] >> 3 & 3, head[2] >> 4, head[2] >> 2 & 3
    if version == 1 or not 0 < rate < 15 or hz == 3:
        return 0
    is_first = version == 3
    per_s = MP3_HZ[hz] >> (0 if is_first else 1 if version == 2 else 2)
    kbit = MP3_RATES[0 if is_first else 1][rate - 1]
    return (144 if is_first else 72) * kbit * 1000 // per_s + (head[2] >> 1 & 1)
