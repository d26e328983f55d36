"""Paper: pick sheets, bag labels and box labels, read again as a printer and a scanner would."""

import re
import subprocess
from decimal import Decimal
from io import BytesIO

import pypdf
import pytest
import segno
from PIL import Image

from inventory import ledger
from inventory.models import Listing, Lot, Place, Strain, Tray
from orders.models import Customer
from shipping.bagging import tie_bags
from shipping.contents import NoBoxesYet, box_labels
from shipping.handing_over import make_shipment, move_shipment
from shipping.models import Bag, Box, PackPlan, PickTask
from shipping.papers import (
    NothingToLabel,
    bag_labels,
    bag_labels_pdf,
    box_labels_pdf,
    pick_sheet_pdf,
    qr_code,
)
from shipping.sealing import put_in_boxes
from tests.shipping.scene import build_scene
from tests.shipping.scene_rows import LINES_4902, farm_time

pytestmark = pytest.mark.django_db
MM_PER_IN = 25.4


@pytest.fixture
def scene():
    return build_scene()


@pytest.fixture
def drawn(scene):
    order = scene.add_order()
    scene.draw(order)
    return order


def pages_of(pdf: bytes, tmp_path) -> list[str]:
    """The text of each page, as a reader sees it."""
    path = tmp_path / "paper.pdf"
    path.write_bytes(pdf)
    run = subprocess.run(
        ["pdftotext", "-layout", str(path), "-"], check=True, capture_output=True, text=True
    )
    return [re.sub(r"\s+", " ", page) for page in run.stdout.split("\f")[:-1]]


def sheet_of(order, code: str, *, is_toxin=False):
    tasks = PickTask.objects.filter(promise__line__order=order)
    return tasks.filter(sheet__system__code=code, sheet__is_toxin=is_toxin).first().sheet


# Pick sheets.


def test_a_sheet_names_tray_pieces_order_stamp_and_checksum(scene, drawn, tmp_path):
    sheet = sheet_of(drawn, "H")
    (page,) = pages_of(pick_sheet_pdf(sheet=sheet), tmp_path)
    assert "System H · Heron" in page
    for tray, pieces in (("H2.3", 6), ("H6.4", 5), ("H4.2", 3)):
        assert re.search(rf"{re.escape(tray)} .*?take {pieces}\b", page)
    assert f"stamp {sheet.stamp}" in page
    # 6 TFT + 5 CBB + 3 TLW.
    assert "14 single pieces on this sheet" in page
    assert "4902 Gullwick Aquaria" in page
    assert "page 1 of 1" in page
    assert "GLOVES" not in page


def test_every_page_bears_the_stamp_and_the_checksum(scene, tmp_path):
    order = scene.add_order()
    names = list(Listing.objects.filter(name__startswith="TFT"))
    scene.draw(order)
    sheet = sheet_of(order, "H")
    promise = PickTask.objects.filter(sheet=sheet, promise__line__listing=names[0]).get().promise
    trough = scene.trays["H2.3"].trough
    for slot in range(10, 22):
        tray = Tray.objects.create(
            code=f"H2.{slot}",
            trough=trough,
            slot=slot,
            form=names[0].strain_form.form,
            positions=72,
            use="sale",
        )
        PickTask.objects.create(
            sheet=sheet,
            stop=slot,
            tray=tray,
            lot=scene.lots["H2.3"],
            promise=promise,
            pieces=2,
        )
    pages = pages_of(pick_sheet_pdf(sheet=sheet), tmp_path)
    assert len(pages) > 1
    for number, page in enumerate(pages, 1):
        assert sheet.stamp in page
        assert "14 single pieces on this sheet" in page
        assert f"page {number} of {len(pages)}" in page


def test_toxic_lines_carry_the_glove_sign(scene, drawn, tmp_path):
    (page,) = pages_of(pick_sheet_pdf(sheet=sheet_of(drawn, "T", is_toxin=True)), tmp_path)
    assert "GLOVES AND GOGGLES ON" in page
    assert "possible palytoxin" in page
    assert "Stylophora" not in page


def test_leave_says_reserve_where_the_mothers_need_it(scene, drawn, tmp_path):
    """Floor 20, kept 17: three pieces stay among those for sale, one of them here."""
    Strain.objects.filter(key="TFT").update(floor_pieces=20, hard_floor_pieces=10)
    tray = Tray.objects.create(
        code="H6.9",
        trough=scene.trays["H6.4"].trough,
        slot=9,
        form=Listing.objects.get(name="TFT plug").strain_form.form,
        positions=72,
        use="kept",
    )
    lot = Lot.objects.create(
        code="TFT-KEPT",
        strain_form=Listing.objects.get(name="TFT plug").strain_form,
        state="kept",
    )
    ledger.move_pieces(
        lot=lot,
        from_place=ledger.end_place(Place.End.FOUND),
        to_place=ledger.tray_place(tray),
        pieces=17,
        reason="opening",
        at=farm_time(24, "09:00", 11),
    )
    sheet = sheet_of(drawn, "H")
    (page,) = pages_of(pick_sheet_pdf(sheet=sheet), tmp_path)
    # TFT needs it; CBB and TLW have no floor in this farm.
    assert page.count("leave 1 here (reserve)") == 1
    assert page.count("leave 1 here") == 3
    PickTask.objects.filter(sheet=sheet).update(leave_pieces=4)
    (page,) = pages_of(pick_sheet_pdf(sheet=sheet), tmp_path)
    assert "(reserve)" not in page


def test_neighbour_trays_are_named_as_not_this_one(scene, drawn, tmp_path):
    (page,) = pages_of(pick_sheet_pdf(sheet=sheet_of(drawn, "A")), tmp_path)
    assert "not A2.3" in page
    assert "not A2.4" in page


def test_a_colour_strain_is_graded_again_at_the_pick(scene, drawn, tmp_path):
    assert "colour now" not in pages_of(pick_sheet_pdf(sheet=sheet_of(drawn, "A")), tmp_path)[0]
    Strain.objects.filter(key="HRT").update(colour="winter-out")
    (page,) = pages_of(pick_sheet_pdf(sheet=sheet_of(drawn, "A")), tmp_path)
    assert page.count("colour now") == 1
    assert "good" in page


def test_packs_are_tallied_by_pack_and_counted_in_pieces(scene, tmp_path):
    order = scene.add_order("4908", (("RMG prop-10", 3, "16.56"),))
    scene.draw(order)
    (page,) = pages_of(pick_sheet_pdf(sheet=sheet_of(order, "T")), tmp_path)
    assert "take 30" in page
    assert "3 packs of 10" in page
    assert "30 single pieces on this sheet" in page
    assert re.search(r"30 10 20 30", page)


def test_nothing_on_a_sheet_is_smaller_than_12_pt(scene, drawn):
    sizes = set()

    def see(text, cm, tm, font, size):
        if text.strip():
            sizes.add(round(abs(cm[3] * tm[3]) * size, 1))

    for page in pypdf.PdfReader(BytesIO(pick_sheet_pdf(sheet=sheet_of(drawn, "H")))).pages:
        page.extract_text(visitor_text=see)
    assert min(sizes) >= 12
    assert max(sizes) >= 20


def test_a_name_beyond_ascii_is_printed_as_it_is(scene, drawn, tmp_path):
    Customer.objects.filter(code="C02").update(name="Zoë Łódź Ærø")
    (page,) = pages_of(pick_sheet_pdf(sheet=sheet_of(drawn, "H")), tmp_path)
    assert "Zoë Łódź Ærø" in page


# Bag labels.


def test_a_label_a_bag_with_the_code_the_bag_will_get(scene, drawn, tmp_path):
    printed = pages_of(bag_labels_pdf(order=drawn), tmp_path)
    assert len(printed) == 49
    codes = [page.split()[0] for page in printed]
    scene.pick(drawn)
    tie_bags(
        order=drawn,
        now=farm_time(1, "09:10"),
        user=scene.people["packer"],
        has_gloves=True,
        has_goggles=True,
    )
    assert codes == sorted(Bag.objects.values_list("code", flat=True))
    tied = pages_of(bag_labels_pdf(order=drawn), tmp_path)
    assert len(tied) == 49
    assert "tied Tue 1 Dec, 09:10" in tied[0]


def test_a_label_names_strain_form_tray_system_line_and_taxon(scene, drawn, tmp_path):
    page = pages_of(bag_labels_pdf(order=drawn), tmp_path)[8]
    for words in ("4902-009", "Harrow Tine HRT plug", "Acropora muricata", "tray A2.4"):
        assert words in page
    for words in ("system A", "line 2", "bag P2, 300 mL, rigid cup", "tied"):
        assert words in page


def test_hazards_are_named_on_their_bags_only(scene, tmp_path):
    order = scene.add_order(lines=(*LINES_4902, ("GLB plug", 2, "13.80")))
    scene.draw(order)
    pages = pages_of(bag_labels_pdf(order=order), tmp_path)
    # A label that does not fit would run on to a second page.
    assert len(pages) == 51
    toxic = [page for page in pages if "PALYTOXIN: gloves and goggles" in page]
    assert len(toxic) == 9
    assert all("Zoanthus sp." in page for page in toxic)
    assert sum("STINGS" in page for page in pages) == 2


def test_a_pack_says_how_many_pieces_it_holds(scene, tmp_path):
    order = scene.add_order("4908", (("RMG prop-10", 2, "16.56"),))
    scene.draw(order)
    pages = pages_of(bag_labels_pdf(order=order), tmp_path)
    assert len(pages) == 2
    assert all("10 pieces" in page for page in pages)


def test_an_order_without_tasks_has_no_labels(scene):
    with pytest.raises(NothingToLabel):
        bag_labels_pdf(order=scene.add_order())


# QR codes.


@pytest.mark.parametrize("text", ["4902-017", "SH-4902/1", "123456789012-999"])
def test_a_code_has_level_q_and_modules_that_a_phone_can_read(text):
    """Common practice for wet labels: level Q, modules of 0.75 mm and more."""
    code = segno.make_qr(text, error="q", boost_error=False)
    assert code.error == "Q"
    modules = code.symbol_size(border=0)[0]
    # ISO/IEC 18004: four clear modules on every side.
    assert qr_code(text=text).side_mm / (modules + 2 * 4) >= 0.75


def test_the_printed_code_is_the_code_of_that_bag(scene, drawn, tmp_path):
    """Scan the paper: every module's centre against the symbol, and the quiet zone clear."""
    dpi = 300
    path = tmp_path / "labels.pdf"
    path.write_bytes(bag_labels_pdf(order=drawn))
    run = ["pdftoppm", "-r", str(dpi), "-gray", "-png", "-f", "17", "-l", "17", "-singlefile"]
    subprocess.run([*run, str(path), str(tmp_path / "label")], check=True)
    page = Image.open(tmp_path / "label.png").convert("L")
    label = bag_labels(order=drawn)[16]
    assert label["code"] == "4902-017"
    side_px = label["qr"].side_mm / MM_PER_IN * dpi
    left, top = page.width - 3 / MM_PER_IN * dpi - side_px, 2.5 / MM_PER_IN * dpi
    symbol = [
        [bool(dark) for dark in row]
        for row in segno.make_qr("4902-017", error="q", boost_error=False).matrix_iter(border=4)
    ]
    module_px = side_px / len(symbol)
    seen = [
        [
            page.getpixel((int(left + (x + 0.5) * module_px), int(top + (y + 0.5) * module_px)))
            < 128
            for x in range(len(symbol))
        ]
        for y in range(len(symbol))
    ]
    assert seen == symbol


# Box labels.


@pytest.fixture
def planned(scene, drawn):
    scene.plan(drawn)
    return drawn


def test_a_box_label_is_its_packing_list(scene, planned, tmp_path):
    (page,) = pages_of(box_labels_pdf(order=planned), tmp_path)
    # 50 CFR 14.81: name and address of both ends, scientific names, numbers, venomous or not.
    for words in ("Gullwick Aquaria", "220 Lock Street", "Buffalo NY", "United States"):
        assert words in page
    assert "Saltmarrow Coral Works, Port Ellery TX, United States" in page
    assert "Acropora muricata 10 no farm-raised" in page
    assert "Stylophora pistillata 8 no farm-raised" in page
    # 3 APT and 6 CTH are one species on paper.
    assert "Zoanthus sp. 9 yes farm-raised" in page
    assert "Contents: 49 bags" in page
    assert "LIVE ANIMALS: keep between 20 and 29 °C" in page
    assert "3 heat packs on the lid, breathing holes open" in page
    assert "POSSIBLE PALYTOXIN" in page
    assert "Box 1 of 1" in page
    assert "deliver to the door" in page


def test_the_packed_box_says_what_the_plan_said(scene, planned, tmp_path):
    before = pages_of(box_labels_pdf(order=planned), tmp_path)
    scene.pick(planned)
    tie_bags(
        order=planned,
        now=farm_time(1, "09:10"),
        user=scene.people["packer"],
        has_gloves=True,
        has_goggles=True,
    )
    shipment = make_shipment(order=planned)
    move_shipment(shipment=shipment, state="cleared")
    put_in_boxes(shipment=shipment, user=scene.people["packer"])
    assert Box.objects.count() == 1
    assert pages_of(box_labels_pdf(order=planned), tmp_path) == before


def test_two_boxes_have_a_label_each_with_their_own_contents(scene, tmp_path):
    lines = (("GLB plug", 3, "15.00"), ("RMG prop-10", 2, "18.00"), ("QYG clam-m", 1, "62.00"))
    order = scene.add_order("4908", lines)
    Lot.objects.filter(strain_form__strain__key="QYG").update(origin="imported")
    scene.draw(order)
    glb, rmg, qyg = order.lines.order_by("position").values_list("pk", flat=True)
    boxes = [
        {"size": "M", "packs": 0, "gels": 0, "bag_lines": [[qyg, 1], [glb, 3]]},
        {"size": "S", "packs": 1, "gels": 0, "bag_lines": [[rmg, 2]]},
    ]
    scene.plan(order, boxes=boxes, delivery="depot", freight=Decimal("100.00"))
    first, second = pages_of(box_labels_pdf(order=order), tmp_path)
    assert "Box 1 of 2" in first
    assert "Galaxea fascicularis 3 yes farm-raised" in first
    assert "Tridacna gigas 1 no imported" in first
    assert "LIVE ANIMALS" in first
    assert "Rhizophora" not in first
    assert "Box 2 of 2" in second
    assert "Rhizophora mangle 20 no farm-raised" in second
    assert "LIVE PLANTS" in second
    assert "1 heat pack on the lid" in second.lower()
    assert "HOLD AT DEPOT, will be collected from 09:00" in first


def test_an_order_without_boxes_or_plan_has_no_box_label(scene, drawn):
    with pytest.raises(NoBoxesYet):
        box_labels_pdf(order=drawn)


def test_a_void_plan_is_not_printed(scene, planned):
    assert len(box_labels(order=planned)) == 1
    PackPlan.objects.update(void_at=farm_time(30, "16:00", 11))
    with pytest.raises(NoBoxesYet):
        box_labels_pdf(order=planned)
