"""Bases mixed, rinsed and let out, plugs washed and signed for: who, when, and what is refused."""

from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.urls import reverse
from tests_support import farm_time, page_words

from inventory.bases import (
    BaseDayImpossible,
    BaseTooYoung,
    SoakTooCaustic,
    likely_usable_on,
    mix_bases,
    release_bases,
    rinse_bases,
    scrap_bases,
)
from inventory.calc.cutting import BaseRule
from inventory.clock import move_clock
from inventory.errors import ForbiddenMove, NotAllowed, ReasonMissing, Unknown
from inventory.holds import raise_hold
from inventory.models import BaseBatch, MountAct, PlugLot
from inventory.mounts import MountsUnbelievable
from inventory.plugs import (
    BleachNotSigned,
    PlugNeed,
    PlugsFromHeldWater,
    PlugsMissing,
    PlugsNotThere,
    buy_plugs,
    disinfect_plugs,
    plug_need,
    scrap_plugs,
    take_in_plugs,
    take_plugs,
    wash_plugs,
)

NINE = farm_time("2026-11-25 09:00")
CURED, RINSED = farm_time("2026-12-05 09:00"), farm_time("2026-12-08 09:00")

pytestmark = pytest.mark.usefixtures("farm")


@pytest.fixture
def grower(person):
    return person("G1")


@pytest.fixture
def lead(person):
    return person("LD")


def heap(state):
    return PlugLot.objects.get(state=state, cleaned_on=None)


def clean():
    return sum(PlugLot.objects.filter(state="clean").values_list("count", flat=True))


def test_a_batch_cures_thirty_days_rinses_three_and_is_let_out(grower, lead):
    batch = mix_bases(pieces=160, user=grower, at=NINE)
    assert (batch.usable_on - batch.mixed_on, batch.state) == (timedelta(days=33), "curing")
    # BB-12 was mixed on 5 Nov: 30 days later is 5 Dec, and 33 days later 8 Dec.
    with pytest.raises(BaseTooYoung, match="may be rinsed from Sat 5 Dec at the earliest"):
        rinse_bases(code="BB-12", on=date(2026, 12, 4), user=grower, at=CURED)
    batch = rinse_bases(code="BB-12", on=date(2026, 12, 5), user=grower, at=CURED)
    assert (batch.state, batch.usable_on) == ("rinsing", date(2026, 12, 8))
    with pytest.raises(BaseTooYoung, match="may be used from Tue 8 Dec at the earliest"):
        release_bases(code="BB-12", ph_rise=None, user=lead, at=farm_time("2026-12-07 17:00"))
    with pytest.raises(NotAllowed):
        release_bases(code="BB-12", ph_rise=None, user=grower, at=RINSED)
    assert release_bases(code="BB-12", ph_rise=None, user=lead, at=RINSED).state == "usable"
    acts = list(BaseBatch.objects.get(code="BB-12").acts.values_list("what", "user__code", "at"))
    assert acts == [("release", "LD", RINSED), ("rinse", "G1", CURED)]


def test_a_rinse_begun_late_ends_late(grower):
    with pytest.raises(BaseDayImpossible, match="that day lies ahead"):
        rinse_bases(code="BB-12", on=date(2026, 12, 9), user=grower, at=RINSED)
    batch = rinse_bases(code="BB-12", on=date(2026, 12, 7), user=grower, at=RINSED)
    assert batch.usable_on == date(2026, 12, 10)


def test_no_batch_leaves_the_road_of_its_states(grower, lead):
    for act, facts in (
        (release_bases, {"code": "BB-12", "ph_rise": None, "user": lead}),  # curing, not rinsed
        (rinse_bases, {"code": "BB-11", "on": NINE.date(), "user": grower}),  # usable goes not back
        (release_bases, {"code": "BB-11", "ph_rise": None, "user": lead}),
    ):
        with pytest.raises(ForbiddenMove):
            act(at=RINSED, **facts)
    with pytest.raises(ReasonMissing):
        scrap_bases(code="BB-12", reason=" ", user=grower, at=NINE)
    batch = scrap_bases(code="BB-12", reason="crumbled", user=grower, at=NINE)
    assert (batch.state, batch.pieces) == ("scrapped", 0)
    assert (batch.acts.get().pieces, batch.acts.get().note) == (160, "crumbled")
    with pytest.raises(ForbiddenMove):
        scrap_bases(code="BB-12", reason="again", user=grower, at=NINE)
    with pytest.raises(ForbiddenMove):
        rinse_bases(code="BB-12", on=CURED.date(), user=grower, at=CURED)
    with pytest.raises(Unknown):
        scrap_bases(code="BB-99", reason="none", user=grower, at=NINE)
    # Every state is named, and nothing leads out of the last two.
    assert set(BaseBatch.MOVES) == set(BaseBatch.State.values)
    assert not BaseBatch.MOVES["used up"] and not BaseBatch.MOVES["scrapped"]


def test_a_soak_that_rises_by_a_fifth_is_rinsed_on(grower, lead):
    rinse_bases(code="BB-12", on=CURED.date(), user=grower, at=CURED)
    with pytest.raises(SoakTooCaustic, match="rose by 0.2 in pH; less than 0.2 is asked"):
        release_bases(code="BB-12", ph_rise=Decimal("0.2"), user=lead, at=RINSED)
    batch = release_bases(code="BB-12", ph_rise=Decimal("0.19"), user=lead, at=RINSED)
    assert batch.acts.first().note == "soak: pH rose by 0.19"


@pytest.mark.parametrize(
    "state, usable, on, likely",
    [
        ("curing", date(2026, 12, 8), date(2026, 11, 25), date(2026, 12, 8)),
        # Nobody has begun to rinse: three days from today at the earliest.
        ("curing", date(2026, 12, 8), date(2026, 12, 7), date(2026, 12, 10)),
        ("rinsing", date(2026, 12, 8), date(2026, 12, 7), date(2026, 12, 8)),
        # Rinsed and not let out: today at the earliest.
        ("rinsing", date(2026, 12, 8), date(2026, 12, 9), date(2026, 12, 9)),
        ("usable", date(2026, 12, 8), date(2026, 12, 9), date(2026, 12, 8)),
        ("usable", None, date(2026, 12, 9), date.min),
    ],
)
def test_a_plan_counts_a_batch_from_when_it_can_really_be_used(state, usable, on, likely):
    batch = BaseBatch(state=state, usable_on=usable)
    assert likely_usable_on(batch=batch, on=on, rule=BaseRule()) == likely


def test_washed_plugs_lie_apart_with_their_day_and_are_used_first(grower):
    returned = heap("returned unwashed")
    washed = wash_plugs(lot_id=returned.pk, pieces=100, user=grower, at=NINE)
    assert (washed.count, washed.cleaned_on) == (100, NINE.date())
    assert (heap("returned unwashed").count, clean()) == (140, 1250)
    assert wash_plugs(lot_id=returned.pk, pieces=40, user=grower, at=NINE).pk == washed.pk
    take_plugs(pieces=150)
    washed.refresh_from_db()
    # 140 cleaned ones and ten of the 1150 new ones.
    assert (washed.count, heap("clean").count) == (0, 1140)
    with pytest.raises(PlugsMissing):
        take_plugs(pieces=1141)
    for wrong in (0, 101):
        with pytest.raises(PlugsNotThere, match="100 lie there returned unwashed"):
            wash_plugs(lot_id=returned.pk, pieces=wrong, user=grower, at=NINE)
    with pytest.raises(ForbiddenMove):
        wash_plugs(lot_id=heap("clean").pk, pieces=1, user=grower, at=NINE)


def test_plugs_of_held_water_go_back_to_use_only_by_a_signature(grower, lead):
    blocked = heap("blocked")
    facts = {"lot_id": blocked.pk, "pieces": 60, "at": NINE}
    with pytest.raises(ForbiddenMove, match="a lead signs"):
        wash_plugs(user=grower, **facts)
    with pytest.raises(NotAllowed):
        disinfect_plugs(user=grower, is_bleached=True, is_dried=True, **facts)
    for bleached, dried in ((True, False), (False, True)):
        with pytest.raises(BleachNotSigned):
            disinfect_plugs(user=lead, is_bleached=bleached, is_dried=dried, **facts)
    free = disinfect_plugs(user=lead, is_bleached=True, is_dried=True, **facts)
    assert (free.state, free.count, free.source_system.code) == ("clean", 60, "P")
    assert clean() == 1210
    act = MountAct.objects.get(what="disinfect")
    assert (act.plug_lot, act.user, act.pieces) == (blocked, lead, 60)


def test_plugs_come_back_blocked_from_held_water_and_a_later_hold_blocks_them_too(grower, lead):
    assert take_in_plugs(pieces=5, system_code="P", user=grower, at=NINE).pk == heap("blocked").pk
    assert heap("blocked").count == 65
    back = take_in_plugs(pieces=30, system_code="T", user=grower, at=NINE)
    assert (back.state, back.source_system.code) == ("returned unwashed", "T")
    raise_hold(
        scope_kind="trough", scope="T2", reason="a test", grade="suspected", at=NINE, user=grower
    )
    with pytest.raises(PlugsFromHeldWater, match="System T is under hold"):
        wash_plugs(lot_id=back.pk, pieces=30, user=grower, at=NINE)
    facts = {"lot_id": back.pk, "pieces": 30, "is_bleached": True, "is_dried": True}
    assert disinfect_plugs(user=lead, at=NINE, **facts).count == 30
    with pytest.raises(Unknown):
        take_in_plugs(pieces=5, system_code="Z", user=grower, at=NINE)


def test_plugs_are_bought_and_thrown_away_on_the_record(grower):
    assert buy_plugs(pieces=500, user=grower, at=NINE).count == 1650
    with pytest.raises(MountsUnbelievable):
        buy_plugs(pieces=10_001, user=grower, at=NINE)
    with pytest.raises(ReasonMissing):
        scrap_plugs(lot_id=heap("clean").pk, pieces=5, reason="", user=grower, at=NINE)
    scrap_plugs(lot_id=heap("clean").pk, pieces=50, reason="chipped", user=grower, at=NINE)
    assert list(MountAct.objects.values_list("what", "pieces", "note")) == [
        ("scrap", 50, "chipped"),
        ("buy", 500, ""),
    ]


def test_what_is_short_of_plugs_is_washed_first_and_then_bought():
    # 1150 clean, 240 to wash, 60 blocked.
    enough, wash, buy = (plug_need(wanted=wanted) for wanted in (1150, 1200, 1500))
    assert enough == PlugNeed(1150, 1150, 240, 60)
    assert (enough.to_wash, enough.to_buy) == (0, 0)
    assert (wash.to_wash, wash.to_buy) == (50, 0)
    # 1500 - 1150 - 240 = 110.
    assert (buy.to_wash, buy.to_buy) == (240, 110)


@pytest.fixture
def page(client, person):
    move_clock(to=NINE)
    client.force_login(person("LD"))

    def ask(asked="", follow=True, **sent):
        url = reverse("mounts") + asked
        said = {"accept": "text/html"}
        return client.post(url, sent, follow=follow, headers=said) if sent else client.get(url)

    return ask


def test_the_page_plans_the_bases_of_typed_cuts(page):
    words = page_words(page("?cut_on=2026-12-29&bases=232&cut_on=2027-01-11&bases=180"))
    assert "Mix a batch today, since Thu 26 Nov is no work day: 8 crew hours" in words
    assert "or cut 12 fewer" in words and "Mix a batch by Wed 9 Dec" in words
    for bad in ("?cut_on=soon&bases=1", "?cut_on=2026-12-29&bases=-3"):
        assert page(bad).status_code == 422
    words = page_words(page(act="mix", pieces="160"))
    assert "160 bases, to be used from Mon 28 Dec" in words


def test_the_page_does_what_is_asked_and_says_who_did_it(page):
    blocked, returned = heap("blocked").pk, heap("returned unwashed").pk
    words = page_words(page())
    assert "Fresh cement burns" in words and "palytoxin" in words
    assert "Leave it; rinse it from Sat 5 Dec" in words
    assert "240 plugs are washed" in page_words(page(act="wash", lot=returned, pieces="240"))
    signed = page(act="disinfect", lot=blocked, pieces="60", bleached="on", dried="on")
    words = page_words(signed)
    assert "60 plugs are signed as bleached and dried" in words
    assert words.count('data-name="by">Hester Quill') == 2
    assert "bleached and dried, signed" in words
    move_clock(to=RINSED)
    assert "Cured: begin to rinse it" in page_words(page())
    page(act="rinse", batch="BB-12", on="2026-12-05")
    words = page_words(page(act="release", batch="BB-12", rise="0.1"))
    assert "BB-12 is let out: 160 bases may be cut on." in words


@pytest.mark.parametrize(
    "sent, status, code, kept",
    [
        ({"act": "rinse", "batch": "BB-12", "on": "2026-11-24"}, 409, "base_too_young", ""),
        ({"act": "rinse", "batch": "BB-12", "on": "soon"}, 422, "season_number_unreadable", "soon"),
        ({"act": "release", "batch": "BB-12", "rise": "x"}, 422, "soak_unreadable", ""),
        ({"act": "release", "batch": "BB-12", "rise": "NaN"}, 422, "soak_unreadable", ""),
        ({"act": "release", "batch": "BB-12", "rise": ""}, 409, "forbidden_move", ""),
        ({"act": "scrap-bases", "batch": "BB-12", "reason": ""}, 422, "reason_missing", ""),
        ({"act": "wash", "lot": "R", "pieces": "241"}, 409, "plugs_not_there", "241"),
        ({"act": "disinfect", "lot": "B", "pieces": "7", "dried": "on"}, 422, "bleach_not_signed",
         "checked"),
        ({"act": "scrap-plugs", "lot": "B", "pieces": "61", "reason": "chips"}, 409,
         "plugs_not_there", "chips"),
        ({"act": "mix", "pieces": "0"}, 422, "mounts_unbelievable", 'value="0"'),
        ({"act": "buy", "pieces": "many"}, 422, "season_number_unreadable", "many"),
        ({"act": "take-in", "pieces": "12", "system": "Z"}, 404, "unknown", 'value="12"'),
        ({"act": "fly"}, 404, "unknown", ""),
    ],
)  # fmt: skip
def test_a_refusal_stands_on_the_page_with_what_was_typed(page, sent, status, code, kept):
    keys = {"R": heap("returned unwashed").pk, "B": heap("blocked").pk}
    answer = page(**{name: keys.get(value, value) for name, value in sent.items()})
    words = page_words(answer)
    assert answer.status_code == status
    assert code in words and kept in words
    assert not MountAct.objects.exists()


def test_growers_do_not_sign_and_packers_do_not_act(client, person):
    client.force_login(person("G1"))
    words = page_words(client.get(reverse("mounts")))
    assert "Bleach and dry them; a lead signs that." in words and "Sign and release" not in words
    client.force_login(person("PK1"))
    answer = client.post(reverse("mounts"), {"act": "mix", "pieces": "160"})
    assert answer.status_code == 403 and "not_allowed" in page_words(answer)
    client.force_login(person("B01"))
    assert client.get(reverse("mounts")).status_code == 403
