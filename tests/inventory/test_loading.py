"""The importer's bad input: file, row, column and reason for each, and nothing half-loaded."""

import json
import re
import shutil
from zoneinfo import ZoneInfo

import pytest
from django.apps import apps
from tests_support import farm_time

from config.loading import load_farm
from config.playing import open_weeks, play
from inventory.clock import start_demo_clock
from inventory.csv_reading import FilesRefused, Reading
from inventory.models import Balance, Movement, Setting, Strain
from orders.listing import draft_list
from orders.weeks import week_named

NOW = "2026-11-25 09:00"
FARM_APPS = ("inventory", "orders", "shipping")


@pytest.fixture
def copied(tmp_path, fixtures_folder):
    """A copy of the farm's files and a way to edit one line of them."""
    folder = tmp_path / "farm"
    shutil.copytree(fixtures_folder, folder)

    def edit(file, old, new):
        path = folder / file
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new, 1))

    edit.folder = folder
    return edit


@pytest.fixture
def few(copied):
    """The copy with the trays of one strain only: whole files take seconds to read."""
    stock = _keep(copied.folder / "stock.csv", lambda row: ",PLT,plug," in row)
    trays = {row.split(",")[0] for row in stock}
    _keep(copied.folder / "trays.csv", lambda row: row.split(",")[0] in trays)
    _keep(copied.folder / "settings.csv", lambda row: row.startswith("decay_cap"))
    _keep(copied.folder / "region_rules.csv", lambda row: row.startswith("US-MN"))
    _keep(copied.folder / "past_shipments.csv", lambda row: False)
    return copied


def _keep(path, is_kept):
    header, *rows = path.read_text().splitlines()
    kept = [row for row in rows if is_kept(row)]
    path.write_text("\n".join([header, *kept]) + "\n")
    return kept


def problems_of(folder):
    with pytest.raises(FilesRefused) as refused:
        load_farm(folder=folder, now=farm_time(NOW))
    assert not Movement.objects.exists() and not Strain.objects.exists()
    return refused.value.facts["problems"]


T21 = "T2.1,PLT-260914-T21,PLT,plug,34,2026-11-24,all,ready,2026-09-14"


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("new", "column", "reason"),
    [
        (T21.replace("T2.1,", "T9.9,", 1), "tray", "there is no tray 'T9.9'"),
        (T21.replace(",34,", ",-3,"), "pieces", "-3 is below 0; type it again"),
        (T21.replace(",34,", ",80,"), "pieces", "80 is above 72; type it again"),
        (T21.replace(",34,", ",ten,"), "pieces", "'ten' is not a whole number"),
        (T21.replace("2026-11-24", "2026-12-24"), "counted_on", "lies ahead of the farm's day"),
        (T21.replace("2026-09-14", "14.9.2026"), "cut_on", "is not a day such as 2026-11-25"),
        (T21.replace(",ready,", ",fresh,"), "state", "'fresh' is not one of cut, healing"),
        (T21.replace(",ready,", ",kept,"), "state", "a kept lot cannot stand in T2.1"),
        (T21.replace("PLT,plug", "QQQ,plug"), "form", "there is no strain-form 'QQQ plug'"),
        (T21.replace(",34,", ",99999999999999999999,"), "pieces", "is above 72; type it again"),
        (T21.replace("PLT-260914-T21", "PLT\x00"), "lot", "holds a sign that cannot be kept"),
    ],
)
def test_a_bad_row_is_named_with_file_row_column_and_reason(few, new, column, reason):
    few("stock.csv", T21, new)
    (problem,) = problems_of(few.folder)

    assert problem.startswith("stock.csv, row ") and f", {column}: " in problem
    assert reason in problem


@pytest.mark.django_db
def test_two_lots_in_a_sale_tray_are_refused(few):
    few("stock.csv", T21, f"{T21},,,,,,,farm-raised,\n{T21.replace('PLT-260914-T21', 'PLT-B')}")
    (problem,) = problems_of(few.folder)

    assert "T2.1 already holds lot PLT-260914-T21; one lot stands in a sale tray" in problem


@pytest.mark.django_db
def test_every_bad_row_is_reported_and_the_rest_is_read_on(few):
    few("stock.csv", T21, T21.replace(",34,", ",-3,"))
    few("forms.csv", "sprout,sprouted seedling,1,", "sprout,sprouted seedling,0,")
    few("systems.csv", "K,Knot,4.0", "K,Knot,wide")
    named = problems_of(few.folder)

    assert any(row.startswith("systems.csv, row 6, volume_m3: 'wide'") for row in named)
    assert any(row.startswith("forms.csv, row 9, unit_pieces: 0 is below 1") for row in named)
    assert any("stock.csv" in row and "-3 is below 0" in row for row in named)


@pytest.mark.django_db
def test_a_wrong_header_encoding_length_or_missing_file_is_named(few):
    few("trays.csv", "tray,trough,slot", "tray,trough,place")
    (few.folder / "zones.csv").unlink()
    (few.folder / "bags.csv").write_bytes(b"bag,use,water_ml\nP1,caf\xe9,200\n")
    few("classes.csv", "LPS,", "LPS,one,too,many,")
    named = problems_of(few.folder)

    assert any("trays.csv, row 1, slot: the header has no column slot" in row for row in named)
    assert "zones.csv: the file is not there; add it" in named
    assert any("bags.csv: byte 23 is not UTF-8; save the file as UTF-8" in row for row in named)
    assert any("classes.csv, row 3: has 5 cells, the header has 2" in row for row in named)


# Numbers that Python reads and no column can hold.
@pytest.mark.django_db
@pytest.mark.parametrize(
    ("file", "old", "new", "words"),
    [
        ("listings.csv", ",24.00,mixed", ",NaN,mixed", "row 3, list_price: 'NaN' is not a number"),
        ("farm.csv", ",27.55,", ",inf,", "row 2, latitude_deg: 'inf' is not a number"),
        ("troughs.csv", "48,1,14.4", "48,1,1e9", "row 2, aisle_length_m: 1E+9 is above 999"),
        ("strain_forms.csv", "70,0.92,3", "70,9.2,3", "row 2, heal_share: 9.2 is above 1"),
        ("zones.csv", "34.00,", "-34.00,", "row 2, base: -34.00 is below 0"),
        ("troughs.csv", "trough,48,1", f"trough,{10**20},1", "row 2, slots: "),
    ],
)
def test_a_number_no_column_holds_is_a_problem_and_no_crash(few, file, old, new, words):
    few(file, old, new)
    named = problems_of(few.folder)

    assert any(row.startswith(f"{file}, {words}") for row in named), named[:3]


@pytest.mark.django_db
def test_a_row_with_too_few_cells_is_named_and_only_that_row(few):
    few("stock.csv", f"{T21},,,,,,,farm-raised,", T21)

    (problem,) = problems_of(few.folder)
    assert re.fullmatch(r"stock.csv, row \d+: has 9 cells, the header has 17", problem)


@pytest.mark.django_db
def test_a_refused_folder_leaves_no_row_of_any_table(few):
    """The bad row stands in the last file of all: everything before it was good."""
    before = rows_of_every_table()
    few("papers.csv", "2027-06-30", "2020-06-30")
    (problem,) = problems_of(few.folder)

    assert problem.startswith("papers.csv, row 2: breaks a rule of the database")
    assert rows_of_every_table() == before


def rows_of_every_table():
    models = [model for app in FARM_APPS for model in apps.get_app_config(app).get_models()]
    return {model._meta.label: model._base_manager.count() for model in models}


@pytest.mark.django_db
def test_a_dry_run_of_bad_files_reports_as_much_and_writes_nothing(few):
    few("stock.csv", T21, T21.replace(",34,", ",-3,"))
    before = rows_of_every_table()
    reading = load_farm(folder=few.folder, now=farm_time(NOW), is_dry_run=True)

    (problem,) = reading.problems
    assert (problem.file, problem.column, problem.code) == ("stock.csv", "pieces", "below_least")
    assert rows_of_every_table() == before


@pytest.mark.django_db
def test_another_count_in_the_file_gives_another_promise(copied):
    """T2.1 counted 44 on 24 Nov: 44 x (1 - 0.005 x 7) = 42.46, so 42 + 28 - 4 = 66."""
    copied("stock.csv", T21, T21.replace(",34,", ",44,"))
    load_farm(folder=copied.folder, now=farm_time(NOW))
    start_demo_clock(at=farm_time("2026-11-20 00:00"))
    open_weeks(folder=copied.folder)
    play(folder=copied.folder, until=farm_time(NOW))

    draft = draft_list(week=week_named(name="2026-W49"), now=farm_time("2026-11-25 14:00"))
    assert next(row.total for row in draft if row.listing.name == "PLT plug") == 66


@pytest.mark.django_db
def test_a_dry_run_writes_nothing(fixtures_folder):
    reading = load_farm(folder=fixtures_folder, now=farm_time(NOW), is_dry_run=True)

    assert reading.problems == []
    assert not Setting.objects.exists() and not Movement.objects.exists()


def test_loading_the_same_files_twice_moves_no_piece_twice(farm, fixtures_folder):
    before = (Movement.objects.count(), dict(Balance.objects.values_list("tray__code", "pieces")))
    load_farm(folder=fixtures_folder, now=farm_time(NOW))

    assert before == (
        Movement.objects.count(), dict(Balance.objects.values_list("tray__code", "pieces")),
    )  # fmt: skip


def rows_read(folder, text, columns):
    (folder / "any.csv").write_bytes(text.encode())
    reading = Reading(folder=folder, zone=ZoneInfo("America/Chicago"), now=farm_time(NOW))
    rows = [list(row.cells.values()) for row in reading.rows("any.csv", columns)]
    assert reading.problems == []
    return rows


@pytest.mark.parametrize(
    ("text", "columns", "rows"),
    [
        # RFC 4180 section 2, rules 1 and 2: CRLF ends a record, the last may go without.
        ("aaa,bbb\r\nzzz,yyy\r\n", ["aaa", "bbb"], [["zzz", "yyy"]]),
        ("aaa,bbb\r\nzzz,yyy", ["aaa", "bbb"], [["zzz", "yyy"]]),
        # Rules 5 to 7: quotes, line breaks and doubled quotes within a field.
        ('aaa,bbb\r\n"z,z","y\r\nyy"\r\n', ["aaa", "bbb"], [["z,z", "y\r\nyy"]]),
        ('aaa,bbb\r\n"z""z",y\r\n', ["aaa", "bbb"], [['z"z', "y"]]),
        # Spreadsheet programs write a byte-order mark first; it is no part of the name.
        ("\ufeffaaa,bbb\r\n1,2\r\n", ["aaa"], [["1", "2"]]),
    ],
)
def test_csv_is_read_as_rfc_4180_describes(tmp_path, text, columns, rows):
    assert rows_read(tmp_path, text, columns) == rows


def test_every_published_csv_case_is_read(farm_checks, tmp_path):
    cases = json.loads((farm_checks / "10_csv.json").read_text())["cases"]
    for case in cases:
        text = case["inputs"]["text"]
        (tmp_path / "any.csv").write_bytes(text.encode())
        reading = Reading(folder=tmp_path, zone=ZoneInfo("America/Chicago"), now=farm_time(NOW))
        if "header" in case["expected"]:
            (row,) = reading.rows("any.csv", case["expected"]["header"])
            assert list(row.cells) == case["expected"]["header"], case["id"]
            continue
        expected = case["expected"]["rows"]
        header, body = expected[0], expected[1:]
        if len(set(header)) < len(header):
            # Columns without a name of their own: read as text, refused as a farm's file.
            assert list(reading.rows("any.csv", [])) == [] and reading.problems, case["id"]
            continue
        assert [list(row.cells.values()) for row in reading.rows("any.csv", header)] == body
