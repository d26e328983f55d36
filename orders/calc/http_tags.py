"""Entity tags of the feed's answers: read, compared, and what a conditional request comes to.

Numbers and words only. The grammar and both comparisons are those of RFC 9110 sections 8.8.3 and
13.1, the order of the conditions that of section 13.2.2.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass

# entity-tag = [ weak ] opaque-tag; weak = %s"W/" (capital only); etagc = %x21 / %x23-7E / obs-text
_TAG = re.compile(r'(W/)?"([\x21\x23-\x7e\x80-\uffff]*)"')
_BETWEEN = re.compile(r"[ \t]*(?:,[ \t]*)+|[ \t]*$")
GOES_ON, NOT_MODIFIED, FAILED = 200, 304, 412


@dataclass(frozen=True, slots=True)
class Tag:
    """One entity tag: what stands between its quotes, and whether it is weak."""

    opaque: str
    is_weak: bool = False


@dataclass(frozen=True, slots=True)
class Tags:
    """A header's tags; ``is_any`` where it is a star."""

    tags: tuple[Tag, ...] = ()
    is_any: bool = False


def read_tag(text: str) -> Tag:
    """One tag as it stands in a header. Raises ValueError where its quotes are missing."""
    found = _TAG.fullmatch(text)
    if found is None:
        raise ValueError(f"{text!r} is no entity tag")
    return Tag(found[2], found[1] is not None)


def read_tags(header: str) -> Tags | None:
    """The tags of If-Match or If-None-Match; None where it is not sent. Raises ValueError."""
    text = header.strip()
    if not text:
        return None
    if text == "*":
        return Tags(is_any=True)
    tags: list[Tag] = []
    at = 0
    while at < len(text):
        found = _TAG.match(text, at)
        after = found and _BETWEEN.match(text, found.end())
        if found is None or after is None:
            raise ValueError(f"{text[at : at + 40]!r} is no entity tag")
        tags.append(Tag(found[2], found[1] is not None))
        at = after.end()
    return Tags(tuple(tags))


def is_same_strong(one: Tag, other: Tag) -> bool:
    """Equal byte for byte: neither is weak."""
    return one.opaque == other.opaque and not one.is_weak and not other.is_weak


def is_same_weak(one: Tag, other: Tag) -> bool:
    """Equal, whether or not either is weak: a proxy that packs an answer weakens its tag."""
    return one.opaque == other.opaque


def judge(
    *, method: str, current: Tag | None, if_match: Tags | None, if_none_match: Tags | None
) -> int:
    """What the conditions of a request come to, in their order.

    Parameters
    ----------
    method : str
        GET, HEAD, or one that changes something.
    current : Tag or None
        The tag of what is there now; None where there is nothing.
    if_match, if_none_match : Tags or None
        As read from their headers; None where one is not sent.

    Returns
    -------
    int
        200: go on; 304: the reader has it; 412: a condition failed, nothing is done.

    Source
    ------
    RFC 9110 section 13.2.2, steps 1 and 3.
    """
    if if_match is not None and not _has(if_match, current, is_strong=True):
        return FAILED
    if if_none_match is not None and _has(if_none_match, current, is_strong=False):
        return NOT_MODIFIED if method in ("GET", "HEAD") else FAILED
    return GOES_ON


def _has(wanted: Tags, current: Tag | None, *, is_strong: bool) -> bool:
    if current is None:
        return False
    same = is_same_strong if is_strong else is_same_weak
    return wanted.is_any or any(same(tag, current) for tag in wanted.tags)


def link_header(links: Iterable[tuple[str, str]]) -> str:
    """Addresses with what each is to this answer, as a Link header (RFC 8288 section 3)."""
    return ", ".join(f'<{address}>; rel="{rel}"' for address, rel in links)
