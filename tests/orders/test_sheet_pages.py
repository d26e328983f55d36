"""The pages of the sheet: whose sheet is whose, look before it is sent, put back, mend and send."""

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from tests_support import page_words

from inventory.clock import farm_today
from inventory.models import User
from orders.models import BasketRow, Order, Seat, SheetRead, ShipTo
from orders.sheet_out import stamp_in
from tests.orders.sheet_desk import A12, W49, as_csv, drafted, filled, rows_of_csv


@pytest.fixture
def buyer(person):
    return person("B02")


def upload(client, content, name="list.csv", ship_to="C02", week=W49):
    file = SimpleUploadedFile(name, content)
    data = {"sheet": file, "ship_to": ship_to}
    return client.post(reverse("sheet-upload", args=[week]), data, follow=True)


def test_a_buyer_gets_the_own_ship_to_s_sheet_and_no_other(week, buyer, client):
    client.force_login(buyer)
    for name in ("list-csv", "list-xlsx"):
        address = reverse(name, args=[W49])
        answer = client.get(address)
        assert answer.status_code == 200
        assert "list-2026-W49-C02." in answer["Content-Disposition"]
        assert client.get(f"{address}?ship_to=C02").status_code == 200
        assert client.get(f"{address}?ship_to=C03").status_code == 404
        assert client.post(address).status_code == 405
    assert upload(client, b"row key,order qty\nPLT plug,12\n", ship_to="C03").status_code == 404
    assert not BasketRow.objects.exists()


def test_another_shop_s_read_sheet_is_not_found(week, buyer, client, person):
    client.force_login(buyer)
    upload(client, b"row key,order qty\nPLT plug,12\nHRT plug,ten\n")
    read = SheetRead.objects.get()
    addresses = [reverse(name, args=[W49, read.pk]) for name in ("sheet-read", "sheet-refused")]
    assert [client.get(address).status_code for address in addresses] == [200, 200]
    client.force_login(person("B03"))
    assert [client.get(address).status_code for address in addresses] == [404, 404]
    assert client.post(addresses[0]).status_code == 404
    client.force_login(person("G1"))
    assert [client.get(address).status_code for address in addresses] == [404, 404]
    nobody = User.objects.create_user(email="x@y.example", name="X", role="buyer", code="BX")
    client.force_login(nobody)
    assert [client.get(address).status_code for address in addresses] == [404, 404]
    assert client.get(reverse("list-csv", args=[W49])).status_code == 404


def test_read_look_send_is_one_order_from_a_sheet(week, buyer, client):
    client.force_login(buyer)
    answer = upload(client, as_csv(filled(week, ShipTo.objects.get(code="C02"), A12)))
    page = answer.content.decode()
    assert "3 accepted, 9 to mend" in page
    assert "Nothing is ordered yet" in page and not Order.objects.exists()
    assert "3/4 looks like a date" in page
    listed = client.get(f"/weeks/{W49}/list/").content.decode()
    assert 'name="ask:PLT plug" value="12"' in listed
    client.post(f"/weeks/{W49}/list/", {"act": "send", "ask:PLT plug": "12", "key": "k"})
    order = Order.objects.get()
    assert (order.source, order.lines.count()) == (Order.Source.SHEET, 3)


def test_the_draft_can_be_put_back_where_nobody_typed_since(week, buyer, client):
    client.force_login(buyer)
    upload(client, b"row key,order qty\nPLT plug,12\nHRT plug,10\nSLG plug,6\n")
    upload(client, b"row key,order qty\nPLT plug,8\nHRT plug,0\nCBB plug,5\nSLG plug,7\n")
    BasketRow.objects.filter(listing__name="SLG plug").update(asked="9")
    read = SheetRead.objects.last()
    client.post(reverse("sheet-read", args=[W49, read.pk]))
    assert drafted(read.ship_to) == {"PLT plug": "12", "HRT plug": "10", "SLG plug": "9"}
    page = client.get(reverse("sheet-read", args=[W49, read.pk])).content.decode()
    assert "Put the draft back" not in page
    assert "The draft was put back as it was before this sheet." in page
    assert "<h1>1 accepted, 2 changed, 1 taken out</h1>" in page


def test_refused_rows_come_down_as_typed_and_harmless_and_go_up_again(week, buyer, client):
    client.force_login(buyer)
    upload(client, b"row key,order qty\nCTH base,=1+5\nSLG plug,-3\nHRT plug,ten\n")
    read = SheetRead.objects.get()
    content = client.get(reverse("sheet-refused", args=[W49, read.pk])).content
    rows = rows_of_csv(content)
    assert stamp_in(rows[0][0]) is not None
    typed = {row[0]: row[2] for row in rows[2:]}
    assert typed == {"CTH base": "'=1+5", "SLG plug": "'-3", "HRT plug": "ten"}
    upload(client, content.replace(b"'=1+5", b"6").replace(b"ten", b"10"))
    again = SheetRead.objects.last()
    assert drafted(again.ship_to) == {"CTH base": "6", "HRT plug": "10"}
    assert again.notes == []


def test_office_reads_a_sheet_in_for_a_shop_and_two_of_a_shop_share_it(week, person, client):
    client.force_login(person("OF"))
    assert upload(client, b"row key,order qty\nPLT plug,12\n").status_code == 200
    second = User.objects.create_user(
        email="second@gullwick.example", name="Second", role="buyer", code="B02b"
    )
    Seat.objects.create(user=second, customer=ShipTo.objects.get(code="C02").customer)
    client.force_login(second)
    page = page_words(client.get(reverse("sheet-upload", args=[W49])))
    assert "The last sheet read, list.csv" in page
    assert 'value="12"' in client.get(f"/weeks/{W49}/list/").content.decode()


def test_a_shop_of_three_chooses_whose_draft_and_never_another_shop_s(week, person, client):
    client.force_login(person("B10"))
    address = reverse("sheet-upload", args=[W49])
    page = client.get(f"{address}?ship_to=C10b").content.decode()
    assert page.count("<option") == 3 and '<option value="C10b" selected' in page
    upload(client, b"row key,order qty\nPLT plug,12\n", ship_to="C10c")
    assert drafted(ShipTo.objects.get(code="C10c")) == {"PLT plug": "12"}


def test_a_closed_list_reads_nothing_in(closed_farm, person, client):
    client.force_login(person("B02"))
    before = BasketRow.objects.count()
    answer = upload(client, b"row key,order qty\nPLT plug,12\n")
    assert answer.status_code == 409
    assert "Nothing was read" in answer.content.decode()
    assert BasketRow.objects.count() == before and farm_today()
