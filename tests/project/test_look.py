"""The look's measures: inks that can be read, a week line whose words never touch."""

import re
from datetime import timedelta
from itertools import combinations, pairwise
from pathlib import Path

import pytest
from django.conf import settings
from tests_support import farm_time

from orders.models import ShipWeek
from orders.weeks import LABEL_STEP, LETTER_WIDTH, open_week, week_line

CSS = Path(settings.BASE_DIR) / "config" / "static" / "css"
TEXT_INKS = ("--ink", "--faint-ink", "--deep-water", "--rust", "--moss")


def luminance(ink):
    """Relative luminance of sRGB (WCAG 2.2, "relative luminance")."""
    digits = ink.lstrip("#")
    if len(digits) == 3:
        digits = "".join(digit * 2 for digit in digits)
    linear = [
        value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4
        for value in (int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4))
    ]
    return sum(share * value for share, value in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one, other):
    """Contrast ratio of two inks (WCAG 2.2, "contrast ratio")."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def themes():
    """Selector -> ink name -> value, each theme standing on the paper theme."""
    text = (CSS / "inks.css").read_text()
    found = {}
    for selector, body in re.findall(r"([:.\w-]+) \{([^{}]*--[^{}]*)\}", text):
        inks = dict(re.findall(r"(--[\w-]+): (#[0-9a-f]+);", body))
        found[selector] = {**found.get(":root", {}), **found.get(selector, {}), **inks}
    return found


def test_the_ratio_itself_is_the_published_one():
    # WCAG 2.2: black on white is 21:1; #767676 is the palest grey that passes 4.5:1 on white.
    assert contrast("#000", "#fff") == pytest.approx(21.0)
    assert contrast("#767676", "#fff") == pytest.approx(4.54, abs=0.005)
    assert contrast("#777777", "#fff") < 4.5


@pytest.mark.parametrize("theme", themes())
def test_every_text_ink_stands_seven_to_one_on_its_paper(theme):
    inks = themes()[theme]

    for name in TEXT_INKS:
        assert contrast(inks[name], inks["--paper"]) >= 7, f"{name} in {theme}"
    assert contrast(inks["--control-rule"], inks["--paper"]) >= 3


def test_only_the_inks_file_names_a_colour():
    for path in CSS.glob("*.css"):
        if path.name == "inks.css" or path.name in PAPER_ONLY:
            continue
        named = re.findall(r"#[0-9a-f]{3,8}\b", re.sub(r"/\*.*?\*/", "", path.read_text()))
        assert set(named) <= {"#fff", "#000"}, path.name


PAPER_ONLY = {"paper.css", "pick_sheet.css", "bag_labels.css", "box_labels.css"}


@pytest.mark.django_db
@pytest.mark.parametrize("zone", ["America/Chicago", "America/New_York", "America/Los_Angeles"])
def test_no_two_labels_of_the_week_line_touch_at_any_hour(zone):
    for monday in ("2026-11-30", "2026-12-07", "2026-12-21"):
        week = open_week(monday=farm_time(f"{monday} 00:00").date(), farm_zone="America/Chicago")
        for hour in range(0, 9 * 24, 3):
            line = week_line(week=week, now=week.publish_at + timedelta(hours=hour - 30), zone=zone)
            boxes = [
                (
                    mark.text_x,
                    mark.text_x + (len(mark.name) + 1 + len(mark.hour)) * LETTER_WIDTH,
                    mark.text_y,
                )
                for mark in line.marks
            ]
            for one, other in combinations(boxes, 2):
                is_apart = one[1] < other[0] or other[1] < one[0]
                assert is_apart or abs(one[2] - other[2]) >= LABEL_STEP
            for mark in line.marks:
                crossed = [
                    box for box in boxes
                    if mark.leader_y and box[2] > mark.text_y and box[0] < mark.x < box[1]
                ]  # fmt: skip
                assert crossed == []
            assert all(one.x <= other.x for one, other in pairwise(line.marks))
    assert ShipWeek.objects.count() == 3
