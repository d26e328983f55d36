"""Sound files by their bytes: built here by the letter of each standard, and by another writer.

WAV is written by Python's own wave module; what a browser's recorder writes is read in
tests/browser/test_walk_voice.py.
"""

import io
import wave

import pytest

from inventory.calc.sound_bytes import AAC, AMR, FLAC, GP3, MP3, MP4, OGG, WAV, WEBM, sound_of
from inventory.calc.sound_bytes import without_place as without


def box(name, *inside):
    """A box of ISO/IEC 14496-12: four bytes of length, four of name."""
    content = b"".join(inside)
    return (8 + len(content)).to_bytes(4) + name + content


def track(handler):
    return box(b"trak", box(b"mdia", box(b"hdlr", bytes(8), handler, bytes(13))))


def mp4(*handlers, brand=b"M4A ", beside=b""):
    head = box(b"ftyp", brand, bytes(4), b"isom")
    return head + box(b"mdat", b"\0" * 40) + box(b"moov", *map(track, handlers), beside)


def element(name, *inside, size=None):
    """An element of RFC 8794; its length in one byte, or in eight where it is left open."""
    content = b"".join(inside)
    return name + (size or bytes([0x80 | len(content)])) + content


def webm(*kinds, is_open=False):
    entries = [element(b"\xae", element(b"\xd7", b"\1"), element(b"\x83", kind)) for kind in kinds]
    tracks = element(b"\x16\x54\xae\x6b", *entries)
    head = element(b"\x1a\x45\xdf\xa3", element(b"\x42\x82", b"webm"))
    return head + element(
        b"\x18\x53\x80\x67", tracks, size=b"\x01" + b"\xff" * 7 if is_open else None
    )


def ogg(*heads):
    """One first page a stream (RFC 3533): the flag 2, one segment."""
    return b"".join(
        b"OggS\0\2" + bytes(8) + number.to_bytes(4) + bytes(8) + bytes([1, len(head)]) + head
        for number, head in enumerate(heads)
    )


def wav():
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(8000)
        file.writeframes(bytes(1600))
    return out.getvalue()


# MPEG-1 layer III, 128 kbit/s, 44,100 Hz: 144 x 128,000 / 44,100 = 417 bytes a frame.
MP3_FRAME = b"\xff\xfb\x90\x00" + bytes(413)
# ADTS, a frame of 20 bytes: its length stands in thirteen bits from the thirty-first on.
AAC_FRAME = b"\xff\xf1\x50\x80\x02\x80\xfc" + bytes(13)
TAG = b"ID3\x04\0\0" + bytes([0, 0, 1, 2]) + b"\0" * 130

SOUNDS = {
    "mp4": (mp4(b"soun"), MP4),
    "3gp": (mp4(b"soun", brand=b"3gp4"), GP3),
    "webm": (webm(b"\2"), WEBM),
    "webm of a recorder": (webm(b"\2", is_open=True), WEBM),
    "ogg opus": (ogg(b"OpusHead\1\1"), OGG),
    "ogg vorbis": (ogg(b"\1vorbis" + bytes(20)), OGG),
    "wav": (wav(), WAV),
    "mp3": (MP3_FRAME * 3, MP3),
    "mp3 with a tag": (TAG + MP3_FRAME * 3, MP3),
    "aac": (AAC_FRAME * 4, AAC),
    "amr": (b"#!AMR\n\x3c", AMR),
    "flac": (b"fLaC\0", FLAC),
}


@pytest.mark.parametrize("name", SOUNDS)
def test_each_kind_of_sound_is_known_by_its_bytes(name):
    content, kind = SOUNDS[name]

    assert sound_of(content) == kind


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"not a sound",
        b"\x89PNG\r\n\x1a\n" + bytes(60),
        b"\xff\xd8\xff\xe0" + bytes(2000),
        mp4(b"soun", b"vide"),
        mp4(b"vide"),
        mp4(),
        webm(b"\1", b"\2"),
        webm(),
        ogg(b"\x80theora" + bytes(30), b"OpusHead"),
        b"RIFF\x10\0\0\0AVI LIST",
        MP3_FRAME + bytes(900),
        b"<html>" + bytes(100),
        b"MZ" + bytes(300),
    ],
)
def test_what_is_no_sound_or_has_pictures_is_none(content):
    assert sound_of(content) is None


@pytest.mark.parametrize("name", SOUNDS)
def test_a_file_cut_off_anywhere_is_read_without_an_error(name):
    """Whatever is left, the answer is its kind or None, never an endless walk."""
    content, kind = SOUNDS[name]
    for end in range(0, len(content), 7):
        assert sound_of(content[:end]) in (None, kind)


@pytest.mark.parametrize("name", ["mp4", "webm"])
def test_lengths_that_lie_are_read_without_an_error(name):
    content = bytearray(SOUNDS[name][0])
    for at in range(len(content)):
        for byte in (0, 1, 0x7F, 0xFF):
            sound_of(bytes(content[:at]) + bytes([byte]) + bytes(content[at + 1 :]))


def test_where_it_was_recorded_is_blanked_and_nothing_moves():
    """A phone writes where it stands into moov/udta (3GPP TS 26.244) or into meta."""
    where = box(b"udta", box(b"\xa9xyz", b"\0\x12\x15\xc7+27.5000-082.5000/"))
    content = mp4(b"soun", beside=where + box(b"meta", b"maker and model"))
    kept = without(content, MP4)

    assert b"+27.5" not in kept and b"maker" not in kept
    assert len(kept) == len(content) and sound_of(kept) == MP4
    assert without(TAG + MP3_FRAME * 3, MP3) == MP3_FRAME * 3
    assert without(SOUNDS["webm"][0], WEBM) == SOUNDS["webm"][0]
