"""The months of a drop season: they warn and say when the next is usually seen."""

from inventory.calc.season import closed_words, off_season_words, usual_months


def test_months_of_a_season_also_over_the_new_year():
    assert usual_months(drop_season="Aug-Oct") == (8, 9, 10)
    assert usual_months(drop_season="Nov-Feb") == (11, 12, 1, 2)
    assert usual_months(drop_season="june") == (6,)
    for unknown in ("", "autumn", "Aug-Sep-Oct", "8-10"):
        assert usual_months(drop_season=unknown) == ()


def test_a_season_that_is_over_says_when_the_next_is_usually_seen():
    assert closed_words(drop_season="Aug-Oct") == "closed until first drop, usually Aug"
    assert closed_words(drop_season="late summer") == "closed until first drop"


def test_a_drop_outside_its_months_is_warned_of():
    assert off_season_words(drop_season="Aug-Oct", month=9) == ""
    assert "outside its usual months (Aug-Oct)" in off_season_words(drop_season="Aug-Oct", month=12)
    assert off_season_words(drop_season="", month=12) == ""
