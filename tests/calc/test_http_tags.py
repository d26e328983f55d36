"""Entity tags and conditions against the published cases of RFC 9110, and its grammar."""

import json
import re

import pytest

from orders.calc.http_tags import (
    FAILED,
    GOES_ON,
    NOT_MODIFIED,
    Tag,
    Tags,
    is_same_strong,
    is_same_weak,
    judge,
    link_header,
    read_tag,
    read_tags,
)

COMES_TO = {"2xx, perform": GOES_ON, "2xx, create": GOES_ON, 412: FAILED, 304: NOT_MODIFIED}


def cases_of(folder, start):
    cases = json.loads((folder / "10_http.json").read_text())["cases"]
    found = [row for row in cases if row["id"].startswith(start)]
    assert found, start
    return found


def test_tags_are_compared_as_published(farm_checks):
    for case in cases_of(farm_checks, "etag-compare"):
        one, other = (read_tag(case["inputs"][name]) for name in ("etag1", "etag2"))
        assert is_same_strong(one, other) is case["expected"]["strong"], case["id"]
        assert is_same_weak(one, other) is case["expected"]["weak"], case["id"]


def test_tags_are_read_by_the_published_grammar(farm_checks):
    for case in cases_of(farm_checks, "etag-syntax"):
        if case["expected"]["valid"]:
            assert read_tag(case["inputs"]["value"]).opaque == "xyzzy"
        else:
            with pytest.raises(ValueError, match="no entity tag"):
                read_tag(case["inputs"]["value"])


def test_conditions_come_to_what_is_published(farm_checks):
    for case in cases_of(farm_checks, "if-"):
        request, current = case["inputs"]["request"], case["inputs"]["current"]["etag"]
        headers = request["headers"]
        verdict = judge(
            method=request["method"],
            current=read_tag(current) if current else None,
            if_match=read_tags(headers.get("If-Match", "")),
            if_none_match=read_tags(headers.get("If-None-Match", "")),
        )
        assert verdict == COMES_TO[case["expected"]["status"]], case["id"]


def test_the_two_other_rows_of_the_rfc_s_table():
    # RFC 9110 section 8.8.3.2: W/"1" "1" -> no, yes; "1" "1" -> yes, yes.
    assert not is_same_strong(Tag("1", is_weak=True), Tag("1"))
    assert is_same_weak(Tag("1", is_weak=True), Tag("1"))
    assert is_same_strong(Tag("1"), Tag("1")) and is_same_weak(Tag("1"), Tag("1"))


@pytest.mark.parametrize(
    ("header", "tags"),
    [
        ('"a"', [Tag("a")]),
        ('"a", W/"b"', [Tag("a"), Tag("b", is_weak=True)]),
        # RFC 9110 section 13.1.1 writes its example without a blank after the comma as well.
        ('"a","b",\t"c,d"', [Tag("a"), Tag("b"), Tag("c,d")]),
        # Section 5.6.1.2: empty elements are passed over.
        ('"a",, "b",', [Tag("a"), Tag("b")]),
        ('""', [Tag("")]),
    ],
)
def test_a_list_of_tags_is_read(header, tags):
    assert read_tags(header) == Tags(tuple(tags))


def test_a_star_or_nothing_is_no_list():
    assert read_tags(" * ") == Tags(is_any=True)
    assert read_tags("  ") is None


@pytest.mark.parametrize("header", ["a", '"a" "b"', '"a', "'a'", '"a", b', '*, "a"', '"a b"'])
def test_what_is_no_tag_is_refused(header):
    with pytest.raises(ValueError, match="no entity tag"):
        read_tags(header)


def test_if_match_comes_before_if_none_match_and_is_strong():
    tag = Tag("v2")
    stale, same = Tags((Tag("v1"),)), Tags((tag,))
    for method, if_match, if_none_match, verdict in (
        ("GET", stale, same, FAILED),
        ("GET", same, same, NOT_MODIFIED),
        ("HEAD", None, Tags(is_any=True), NOT_MODIFIED),
        ("PATCH", Tags((Tag("v2", is_weak=True),)), None, FAILED),
        ("PATCH", None, same, FAILED),
        ("PATCH", same, stale, GOES_ON),
        ("POST", None, None, GOES_ON),
    ):
        found = judge(method=method, current=tag, if_match=if_match, if_none_match=if_none_match)
        assert found == verdict, (method, if_match, if_none_match)
    assert judge(method="PUT", current=None, if_match=Tags(is_any=True), if_none_match=None) == 412


def test_a_link_is_written_as_published(farm_checks):
    (case,) = cases_of(farm_checks, "link-1")
    (link,) = case["expected"]["links"]
    # The published header goes on with a title, which the feed does not send.
    assert case["inputs"]["header"].startswith(link_header([(link["href"], link["rel"][0])]))


def test_several_links_are_one_header_as_published(farm_checks):
    (case,) = cases_of(farm_checks, "link-3")
    links = [(link["href"], link["rel"][0]) for link in case["expected"]["links"]]
    # What the case says of titles in other letters (RFC 8187) is for readers of links: the feed
    # writes links and reads none, and sends no title.
    without_titles = re.sub(r"; title\*=[^,]+", "", case["inputs"]["header"])
    assert case["inputs"]["header"].count("title*=") == len(links) == 2
    assert link_header(links) == without_titles
