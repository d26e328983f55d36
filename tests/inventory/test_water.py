"""Water tests: by hand and from a file; what is out of range proposes a hold and raises none."""

from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from tests_support import farm_time, page_words

from inventory.clock import farm_now, farm_today
from inventory.errors import NotAllowed, Unknown
from inventory.holds import ReasonMissing
from inventory.models import Hold, WaterTest
from inventory.ready_dates import forecast_lots
from inventory.setting_book import SettingBook
from inventory.water import WaterUnreadable, note_medicine, note_test, proposals


@pytest.fixture
def test_of(farm, person):
    def act(system="T", at="2026-11-25 08:10", who="G1", **values):
        return note_test(
            system_code=system,
            taken_at=farm_time(at),
            values=values,
            user=person(who),
            now=farm_now(),
        )

    return act


def proposed():
    return [row.words for row in proposals(book=SettingBook.read(on=farm_today()))]


def test_one_out_of_range_proposes_a_hold_and_raises_none(test_of):
    before = Hold.objects.count()
    test_of(alkalinity_dkh=5.9, salinity_ppt=35)
    assert proposed() == ["alkalinity 5.9 dKH, below 7, tested 25 Nov 08:10"]
    assert Hold.objects.count() == before


def test_a_newer_test_in_range_takes_the_proposal_back(test_of):
    test_of(at="2026-11-24 08:00", nitrate_mg_l=60)
    assert len(proposed()) == 1
    # A test that did not take the measure says nothing about it.
    test_of(at="2026-11-24 12:00", salinity_ppt=35)
    assert len(proposed()) == 1
    test_of(at="2026-11-25 08:00", nitrate_mg_l=12)
    assert proposed() == []


def test_the_same_test_twice_is_one(test_of):
    test_of(salinity_ppt=35)
    test_of(salinity_ppt=35)
    assert WaterTest.objects.count() == 1


@pytest.mark.parametrize(
    ("asked", "refusal", "words"),
    [
        ({"salinity_ppt": 350}, WaterUnreadable, "salinity 350 ppt lies outside 0 to 60"),
        ({"temperature_c": -3}, WaterUnreadable, "temperature -3"),
        ({}, WaterUnreadable, "no measure is filled in"),
        ({"system": "Z", "salinity_ppt": 35}, Unknown, "no water system Z"),
        ({"at": "2026-12-25 08:00", "salinity_ppt": 35}, WaterUnreadable, "lies ahead"),
        ({"who": "B02", "salinity_ppt": 35}, NotAllowed, "may not test water"),
    ],
)
def test_what_cannot_be_noted(test_of, asked, refusal, words):
    with pytest.raises(refusal, match=words):
        test_of(**asked)
    assert not WaterTest.objects.exists()


def test_copper_forces_a_hold(farm, person):
    hold = note_medicine(system_code="T", what="copper in T7", user=person("LD"), at=farm_now())
    assert (hold.system.code, hold.grade, hold.state) == ("T", "confirmed", "confirmed")
    with pytest.raises(ReasonMissing):
        note_medicine(system_code="A", what="", user=person("LD"), at=farm_now())


def test_what_went_in_is_noted_on_the_page_and_holds_the_system(farm, at_desk):
    lead = at_desk("LD")
    assert "Copper or a fish medicine went in" in page_words(lead.get("/water/"))
    said = {"act": "medicine", "system": "T", "what": "copper 0.2 mg/L into T7"}
    words = page_words(lead.post("/water/", said, follow=True))
    assert "is raised on T Tern: all of it is held now." in words
    hold = Hold.objects.latest("pk")
    assert (hold.system.code, hold.state) == ("T", "confirmed") and "0.2 mg/L" in hold.reason
    assert lead.post("/water/", said | {"system": "A", "what": " "}).status_code == 422
    assert at_desk("OF").post("/water/", said | {"system": "A"}).status_code == 403
    assert "fish medicine" not in page_words(at_desk("OF").get("/water/"))


def test_cold_water_puts_ready_dates_off(test_of):
    def dates():
        lots = forecast_lots(on=farm_today(), book=SettingBook.read(on=farm_today()))
        return {
            (row.lot.pk, row.tray[0]): row.p50_on
            for row in lots
            if row.p50_on and row.lot.cut_on <= farm_today() - timedelta(days=30)
        }

    before = dates()
    for week in range(4):
        day = farm_today() - timedelta(days=7 * week + 1)
        test_of(system="T", at=f"{day} 08:00", temperature_c=19.5)
    after = dates()

    # Five degrees too cold for four weeks take a fifth of them.
    late = {key: (after[key] - before[key]).days for key in before}
    assert {days for (_, system), days in late.items() if system != "T"} == {0}
    in_cold = [days for (_, system), days in late.items() if system == "T"]
    assert in_cold and all(4 <= days <= 8 for days in in_cold)


FILE = """system,taken_at,salinity_ppt,alkalinity_dkh,nitrate_mg_l
T,2026-11-25 08:00,35.1,8.2,10
Z,2026-11-25 08:00,35,8,10
A,2026-11-25 08:05,351,8,10
A,yesterday,35,8,10
H,2026-11-25 08:10,,,
H,2026-12-25 08:10,35,8,10
H,2026-11-25 08:15,34.9,"8,1",9
P,2026-11-25 08:20,35,6.1,
"""


def test_a_file_keeps_what_is_right_and_names_the_rest(farm, person, client):
    client.force_login(person("OF"))
    upload = SimpleUploadedFile("w.csv", FILE.encode())
    answer = client.post("/water/", {"file": upload})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert sorted(WaterTest.objects.values_list("system__code", flat=True)) == ["P", "T"]
    assert "6 rows of the file could not be read" in page
    for words in (
        "row 3, system: there is no water system &#x27;Z&#x27;",
        "row 4, salinity_ppt",
        "row 5, taken_at",
        "row 6",
        "row 7, taken_at: lies ahead",
        "row 8, alkalinity_dkh",
    ):
        assert words in page, words
    assert "alkalinity 6.1 dKH, below 7" in page
    # Sent again: nothing twice.
    client.post("/water/", {"file": SimpleUploadedFile("w.csv", FILE.encode())})
    assert WaterTest.objects.count() == 2


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"\xff\xfe\x00s", "not UTF-8"),
        (b"a,b\n1,2\n", "no column system"),
        (b"x" * 1_000_001, "larger than 1 MB"),
    ],
)
def test_a_file_that_is_none(farm, person, client, body, words):
    client.force_login(person("OF"))
    answer = client.post("/water/", {"file": SimpleUploadedFile("w.csv", body)})
    assert answer.status_code == 422
    assert words in answer.content.decode()


def test_a_proposal_becomes_a_hold_only_by_a_click(farm, person, client):
    client.force_login(person("G1"))
    client.post("/water/", {"system": "T", "alkalinity_dkh": "5.5"})
    page = page_words(client.get("/water/"))
    assert "Raise a hold on T" in page
    client.post(
        "/holds/",
        {"scope_kind": "system", "scope": "T", "grade": "suspected", "reason": proposed()[0]},
    )
    assert "on hold already" in page_words(client.get("/water/"))
    wrong = client.post("/water/", {"system": "T", "alkalinity_dkh": "eight"})
    assert wrong.status_code == 422
    assert "alkalinity" in wrong.content.decode()
