"""Propagules by season and cohort, the split into sprouts, and clams that outgrow their grade."""

import json
from datetime import date

import pytest
from tests_support import farm_time

from inventory.calc.shells import (
    outgrown_after,
    outgrown_pieces,
    shell_cm_after,
    spread_shells,
    wild_shell_cm,
)
from inventory.clock import farm_now, farm_today, move_clock
from inventory.errors import ForbiddenMove, NotAllowed, Unknown
from inventory.ledger import verify_ledger
from inventory.models import Balance, Cohort, FirstDrop, Lot, Tray
from inventory.propagules import (
    BeforeFirstDrop,
    LeavesUnbelievable,
    NoSproutTray,
    clam_trays,
    collect_cohort,
    log_first_drop,
    note_leaves,
)
from inventory.setting_book import SettingBook
from orders.listing import draft_list
from orders.weeks import open_week


def add_trays():
    """Two more racks: one for propagules, one for sprouts."""
    like = {row.code: row for row in Tray.objects.filter(code__in=["T6.1", "T6.2"])}
    for code, source in (("T6.9", "T6.2"), ("T6.10", "T6.1")):
        row = like[source]
        Tray.objects.create(
            code=code,
            trough=row.trough,
            slot=int(code.split(".")[1]),
            form=row.form,
            positions=300,
            use="sale",
        )


@pytest.fixture
def trays(farm):
    add_trays()


@pytest.fixture
def collect(trays, person):
    def act(code="RM-4", strain="RMG", on="2026-11-24", pieces=100, tray="T6.9", who="G1"):
        return collect_cohort(
            code=code,
            strain_key=strain,
            collected_on=date.fromisoformat(on),
            pieces=pieces,
            tray_code=tray,
            user=person(who),
            now=farm_now(),
        )

    return act


@pytest.fixture
def leaves(person):
    def act(leafed, *, sampled=20, cohort="RM-2", tray="T6.10"):
        return note_leaves(
            cohort_code=cohort,
            sampled_pieces=sampled,
            leafed_pieces=leafed,
            sprout_tray=tray,
            user=person("G1"),
            at=farm_now(),
        )

    return act


# ---- A24


def test_nothing_is_collected_before_a_first_drop_is_logged(collect, person):
    FirstDrop.objects.all().delete()
    with pytest.raises(BeforeFirstDrop, match="Red mangrove had not begun to drop by 24 Nov 2026"):
        collect()
    log_first_drop(strain_key="RMG", on=date(2026, 8, 20), user=person("G1"))
    cohort = collect()
    # job.md 4.4: plain days, Rhizophora 28, P80 at 1.25 times that.
    assert (cohort.p50_on, cohort.p80_on) == (date(2026, 12, 22), date(2026, 12, 29))
    assert Balance.objects.get(tray__code="T6.9").pieces == 100
    # Last year's drop opens nothing.
    FirstDrop.objects.update(dropped_on=date(2025, 8, 20))
    with pytest.raises(BeforeFirstDrop):
        collect(code="RM-5")


def test_a_cohort_that_shows_leaves_is_split_and_no_piece_counts_twice(trays, leaves):
    assert leaves(5) == 0
    before = Balance.objects.get(tray__code="T6.2").pieces
    split = leaves(6)
    assert split == int(0.30 * before) == 38
    assert Balance.objects.get(tray__code="T6.2").pieces == before - split
    assert Balance.objects.get(tray__code="T6.10").pieces == split
    assert Cohort.objects.get(code="RM-2").state == "sprouting"
    assert verify_ledger() == []
    sprouts = Lot.objects.get(code="RM-2-sprout")
    assert (sprouts.parent.code, sprouts.strain_form.form.key) == ("RM-2", "sprout")


def test_the_list_moves_with_the_split(trays, leaves):
    week = open_week(monday=date(2026, 11, 30), farm_zone="America/Chicago")

    def totals():
        rows = {row.listing.name: row.total for row in draft_list(week=week, now=farm_now())}
        return rows["RMG prop-10"], rows["RMG sprout"]

    assert totals() == (19, 52)
    leaves(6)
    # 128 less 38: floor(90 x .986) = 88; with RM-3's 70 that is 15 packs.
    packs, sprouts = totals()
    assert packs == 15
    # 52 of RM-1 and 37 of the 38.
    assert sprouts == 52 + 37


def test_inked_packs_keep_the_unsprouted_first(inked_farm, leaves):
    from config.ticking import tick
    from orders.models import Promise
    from shipping.models import Shortfall

    add_trays()
    inked = sum(
        Promise.objects.filter(line__listing__name="RMG prop-10", state="inked").values_list(
            "pieces", flat=True
        )
    )
    assert inked == 40
    leaves(6)
    tick(farm_now())
    assert not Shortfall.objects.filter(settled_at__isnull=True).exists()
    # All of RM-2 sprouts and RM-3 is gone: what is promised is missing, and it says so.
    Balance.objects.filter(tray__code="T6.3").update(pieces=0)
    move_clock(to=farm_time("2026-11-30 16:00"))
    leaves(20)
    tick(farm_now())
    assert Cohort.objects.get(code="RM-2").state == "sprouted"
    short = Shortfall.objects.get(settled_at__isnull=True)
    assert short.pieces == inked
    with pytest.raises(ForbiddenMove, match="only a rooted cohort sprouts"):
        leaves(20)


def test_what_cannot_be_noted(leaves, collect, person):
    with pytest.raises(LeavesUnbelievable):
        leaves(21)
    with pytest.raises(Unknown):
        leaves(6, cohort="RM-9")
    with pytest.raises(NoSproutTray, match="38 of RM-2 have sprouted, and tray T6.9"):
        leaves(6, tray="T6.9")
    with pytest.raises(ForbiddenMove):
        leaves(6, cohort="RM-1")
    with pytest.raises(NotAllowed):
        collect(who="OF")
    with pytest.raises(Unknown, match="no mangrove PLT"):
        log_first_drop(strain_key="PLT", on=farm_today(), user=person("G1"))


# ---- clams


def test_a_shell_on_published_curves(farm_checks):
    """Pearson and Munro 1991 for Tridacna gigas; 2.5 in and then 2.5 or 3 years."""
    cases = json.loads((farm_checks / "07_growth.json").read_text())["cases"]
    seen = 0
    for case in cases:
        if not case["id"].startswith("clam-gigas-2.5in"):
            continue
        for curve in ("curve1", "curve2"):
            given = case["inputs"][curve]
            grown = wild_shell_cm(
                shell_cm=case["inputs"]["start_in"] * 2.54,
                years=case["inputs"]["years"],
                largest_cm=given["Linf"],
                k_per_year=given["K"],
            )
            assert grown == pytest.approx(case["expected"][f"{curve}_cm"], abs=case["tolerance"])
            seen += 1
    assert seen >= 4


def test_growth_in_culture_lies_above_the_wild_curves_and_in_the_trade_s_band():
    """Common practice: 6.4 cm to 30-33 cm in 2.5 to 3 years is 6.7 to 8.9 mm a month."""
    years = 2.5
    likely = shell_cm_after(shell_cm=6.4, days=365.25 * years, growth_mm_month=7)
    wild = wild_shell_cm(shell_cm=6.4, years=years, largest_cm=80, k_per_year=0.105)
    assert likely > wild
    assert 5 <= (30 - 6.4) * 10 / 36 <= 12


def test_when_a_tray_outgrows_its_grade():
    assert spread_shells(pieces=3, min_cm=8, max_cm=9) == [8, 8.5, 9]
    found = outgrown_after(shell_cm=9.3, top_cm=10, slow_mm=5, likely_mm=7, fast_mm=12)
    assert found.likely_days == 30
    assert found.fast_days < found.likely_days < found.slow_days
    assert (
        outgrown_after(shell_cm=10.2, top_cm=10, slow_mm=5, likely_mm=7, fast_mm=12).slow_days == 0
    )
    assert outgrown_pieces(shells_cm=[9.3, 9.0], top_cm=10, days=31, growth_mm_month=7) == 1
    with pytest.raises(ValueError, match="above zero"):
        outgrown_after(shell_cm=9, top_cm=10, slow_mm=0, likely_mm=7, fast_mm=12)


def test_the_farm_is_warned_before_a_promised_size_outgrows_its_grade(farm):
    rows = {
        row.tray: row for row in clam_trays(on=farm_today(), book=SettingBook.read(on=farm_today()))
    }
    # The largest of T5.1 has 9.4 cm; at 7 mm a month it reaches 10 cm on 20 Dec.
    giant = rows["T5.1"]
    assert giant.first_likely_on == date(2026, 12, 20)
    assert "of 6 outgrow" in giant.warning
    assert rows["T5.5"].warning == ""


# ---- the page


def test_the_page_shows_lots_cohorts_and_clams(farm, person, client):
    client.force_login(person("LD"))
    page = client.get("/growing/").content.decode()
    for words in ("T2.2", "26 Nov 2026", "BM-1", "6 of 20 rooted", "Quay Giant", "wild T. gigas"):
        assert words in page, words
    # RM-2 rooted on 19 Oct and sprouts sixty days later.
    assert "first leaves from 18 Dec" in page
    assert "loses 13 % of its light" in page or "loses 13% of its light" in page
    wrong = client.post("/growing/", {"act": "leaves", "cohort": "RM-2", "sampled": "x"})
    assert wrong.status_code == 422
    client.post("/growing/", {"act": "drop", "strain": "RMG", "dropped_on": "2026-08-20"})
    assert FirstDrop.objects.filter(strain__key="RMG", dropped_on="2026-08-20").exists()


def test_a_season_that_is_over_is_closed_until_its_first_drop(farm):
    move_clock(to=farm_time("2026-11-25 09:00"))
    # Fewer than ten of every cohort: none fills a pack.
    Balance.objects.filter(strain_form__strain__key="RMG", strain_form__form__key="prop-10").update(
        pieces=2
    )
    week = open_week(monday=date(2026, 11, 30), farm_zone="America/Chicago")
    rows = draft_list(week=week, now=farm_now())
    line = {row.listing.name: row for row in rows}["RMG prop-10"]
    assert (line.status, line.stop) == ("closed", "season")
    assert line.reason == "closed until first drop, usually Aug"


def test_a_drop_logged_outside_its_months_is_kept_and_warned_of(farm, person, client):
    client.force_login(person("LD"))
    sent = {"act": "drop", "strain": "RMG", "dropped_on": "2026-03-02"}
    page = client.post("/growing/", sent, follow=True).content.decode()
    assert "That is outside its usual months (Aug-Oct): look at it again." in page
    assert FirstDrop.objects.filter(strain__key="RMG", dropped_on="2026-03-02").exists()
