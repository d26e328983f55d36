"""The check three weeks after a cut, and what it teaches once a lead has signed it."""

from decimal import Decimal

import pytest
from tests_support import farm_time

from inventory.clock import farm_now, farm_today
from inventory.errors import NotAllowed, Unknown
from inventory.healing import (
    HealCheckedAlready,
    HealCheckTooEarly,
    HealCheckUnbelievable,
    ShareUnreadable,
    due_checks,
    learned_heals,
    note_heal_check,
    sign_heal_share,
)
from inventory.holds import ReasonMissing
from inventory.models import Happening, HealCheck, Lot, StrainForm
from inventory.setting_book import SettingBook
from inventory.walking import record_deaths

# T2.2: 62 PLT cut on 6 October.
CHECK = {"tray_code": "T2.2", "cut_pieces": 62, "alive_pieces": 58}


@pytest.fixture
def check(farm, person):
    def act(who="G1", at="2026-11-25 09:00", **more):
        return note_heal_check(**{**CHECK, **more}, user=person(who), at=farm_time(at))

    return act


def test_the_worked_check_is_shown_and_acts_only_when_signed(check, person):
    """job.md 4.3: heal .95, cut 62, alive 58 -> (38 + 58) / (40 + 62) = .9412."""
    form = StrainForm.objects.get(strain__key="PLT", form__key="plug")
    StrainForm.objects.filter(pk=form.pk).update(heal_share="0.95")
    check()
    (row,) = learned_heals(on=farm_today())
    assert (row.checks, row.alive_pieces, row.cut_pieces) == (1, 58, 62)
    assert round(row.share_learned, 4) == 0.9412
    assert StrainForm.objects.get(pk=form.pk).heal_share == Decimal("0.950")

    with pytest.raises(NotAllowed):
        sign(form, "0.941", person("G1"))
    with pytest.raises(ReasonMissing):
        sign(form, "0.941", person("LD"), reason="")
    for share in ("0", "1.01"):
        with pytest.raises(ShareUnreadable):
            sign(form, share, person("LD"))
    sign(form, "0.941", person("LD"))
    told = Happening.objects.get(kind="heal_share.signed").facts
    assert (told["was"], told["now"], told["reason"]) == ("0.950", "0.941", "three lots agree")
    # The same check does not pull twice.
    (row,) = learned_heals(on=farm_today())
    assert (row.checks, round(row.share_learned, 6)) == (0, 0.941)


def sign(form, share, user, reason="three lots agree"):
    return sign_heal_share(
        strain_form_id=form.pk, share=Decimal(share), reason=reason, user=user, at=farm_now()
    )


def test_a_lot_is_checked_from_three_weeks_on_and_once(check):
    with pytest.raises(HealCheckTooEarly, match="checked from 27 Oct 2026 on"):
        check(at="2026-10-26 09:00")
    check(at="2026-10-27 09:00")
    with pytest.raises(HealCheckedAlready, match="on 27 Oct 2026: 58 of 62 live"):
        check(alive_pieces=57)
    assert HealCheck.objects.get().alive_pieces == 58


@pytest.mark.parametrize(("cut", "alive"), [(62, 63), (0, 0)])
def test_a_check_that_cannot_be(check, cut, alive):
    with pytest.raises(HealCheckUnbelievable):
        check(cut_pieces=cut, alive_pieces=alive)


def test_a_tray_without_a_cut_lot_is_named(check):
    for tray in ("T6.3", "Z9.9"):
        with pytest.raises(Unknown, match="tray with a cut lot"):
            check(tray_code=tray)


def test_due_checks_leave_with_their_check_and_say_what_is_expected(check):
    book = SettingBook.read(on=farm_today())
    Lot.objects.filter(balances__tray__code="T2.2").update(cut_pieces=70)
    before = {row.tray: row for row in due_checks(on=farm_today(), book=book)}
    # 50 days after the cut: 70 x heal x exp(-.02 x 36 / 30)
    share = float(StrainForm.objects.get(strain__key="PLT", form__key="plug").heal_share)
    assert before["T2.2"].expected == pytest.approx(70 * share * 0.97629, abs=0.01)
    check()
    assert set(before) - {row.tray for row in due_checks(on=farm_today(), book=book)} == {"T2.2"}


def test_deaths_after_the_cut_make_a_curve(check, person):
    check()
    record_deaths(tray_code="T2.2", pieces=6, at=farm_now(), user=person("G1"), client_key="six")
    (row,) = learned_heals(on=farm_today())
    # At 50 days: T2.2's 62 and those of its sisters that are older stood.
    (step,) = row.curve
    assert (step.day, step.died) == (50, 6)
    assert step.share == pytest.approx(1 - 6 / step.at_risk)
    assert "6 died after the cut" in row.curve_words


def test_the_page_takes_a_check_and_a_signature(farm, client, person):
    client.force_login(person("LD"))
    assert "Note the check of T2.2" in client.get("/cuts/").content.decode()
    client.post("/cuts/", {"act": "check", "tray": "T2.2", "cut": "62", "alive": "58"})
    page = client.get("/cuts/").content.decode()
    assert "58 of 62" in page and "Note the check of T2.2" not in page
    form = StrainForm.objects.get(strain__key="PLT", form__key="plug")
    facts = {"act": "share", "strain_form": form.pk, "reason": "seen"}
    assert client.post("/cuts/", facts | {"share": "x"}).status_code == 422
    client.post("/cuts/", facts | {"share": "0.941"})
    assert StrainForm.objects.get(pk=form.pk).heal_share == Decimal("0.941")
    client.force_login(person("PK1"))
    assert "Note the check of" not in client.get("/cuts/").content.decode()
