"""The house keeps its own rules: imports, relations, file lengths, migrations, docs, inks."""

import ast
import re
import sys
from pathlib import Path

import pytest
from django.apps import apps
from django.core.management import call_command, get_commands
from django.db import models

from config.playing import rows_of
from inventory.errors import FarmError

ROOT = Path(__file__).resolve().parents[2]
FLOORS = ["inventory", "orders", "shipping", "config"]
BELOW = {name: set(FLOORS[: index + 1]) for index, name in enumerate(FLOORS)}
SOURCES = [
    path
    for floor in FLOORS
    for path in sorted((ROOT / floor).rglob("*.py"))
    if "migrations" not in path.parts
]


def imported(text):
    """Every module that a file imports."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            yield node.module


def named(text):
    """Every module or model that a file names as text, which no import shows."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            if re.fullmatch(rf"({'|'.join(FLOORS)})(\.\w+)+", node.value):
                yield node.value
        elif isinstance(node, ast.Call):
            called = getattr(node.func, "attr", getattr(node.func, "id", ""))
            if called in ("get_model", "get_app_config", "import_module", "import_string"):
                asked = [*node.args, *(keyword.value for keyword in node.keywords)]
                yield from (ast.literal_eval(one) for one in asked if isinstance(one, ast.Constant))


def reached_up(text, floor):
    """What stands on a higher floor and is imported or named by a file of this one."""
    tops = {name: str(name).split(".")[0] for name in [*imported(text), *named(text)]}
    return sorted(name for name, top in tops.items() if top in set(FLOORS) - BELOW[floor])


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_file_reaches_downwards_only_and_stays_one_room(path):
    text = path.read_text()

    assert reached_up(text, path.relative_to(ROOT).parts[0]) == []
    lines = len(text.splitlines())
    assert lines <= 450, f"{path.relative_to(ROOT)} has {lines} lines: is it still one room?"


@pytest.mark.parametrize(
    ("planted", "found"),
    [
        ("import shipping.models", "shipping.models"),
        ("def f():\n    from orders.models import Order", "orders.models"),
        ("apps.get_model('orders', 'Order')", "orders"),
        ("apps.get_model(app_label='shipping', model_name='Box')", "shipping"),
        ("get_model('orders.Order')", "orders.Order"),
        ("importlib.import_module('config')", "config"),
        ("models.ForeignKey('orders.Order', on_delete=models.PROTECT)", "orders.Order"),
    ],
)
def test_a_planted_reach_upwards_is_found(planted, found):
    assert found in reached_up(planted, "inventory")
    assert reached_up(planted, "config") == []


@pytest.mark.parametrize(
    "path", [path for path in SOURCES if "calc" in path.parts], ids=lambda path: path.stem
)
def test_the_numbers_only_rooms_know_neither_django_nor_the_clock(path):
    text = path.read_text()

    assert [name for name in imported(text) if not may_stand_in_calc(name)] == []
    assert not re.search(r"\b(now|today|utcnow)\(\)", text)


def may_stand_in_calc(name):
    """Whether a module is arithmetic: the standard library less files and clock, NumPy, SciPy."""
    top, *rest = name.split(".")
    outside = {
        "os",
        "io",
        "pathlib",
        "time",
        "sqlite3",
        "socket",
        "subprocess",
        "urllib",
        "logging",
    }
    arithmetic = {"numpy", "scipy"} | sys.stdlib_module_names - outside
    return top in arithmetic or (top in FLOORS and rest[:1] == ["calc"])


def test_files_the_clock_and_the_database_may_not_stand_in_calc():
    refused = ["django.db", "os.path", "time", "orders.models", "config.settings", "requests"]

    assert [name for name in refused if may_stand_in_calc(name)] == []
    assert may_stand_in_calc("numpy.linalg") and may_stand_in_calc("orders.calc.weeks")


def crossing():
    return [
        field
        for floor in FLOORS[:-1]
        for model in apps.get_app_config(floor).get_models()
        for field in model._meta.get_fields()
        if isinstance(field, models.ForeignKey | models.OneToOneField | models.ManyToManyField)
        and field.related_model._meta.app_label in FLOORS
        and field.related_model._meta.app_label != model._meta.app_label
    ]


@pytest.mark.parametrize("field", crossing(), ids=str)
def test_a_crossing_relation_points_down_and_hides_its_reverse(field):
    assert field.related_model._meta.app_label in BELOW[field.model._meta.app_label]
    assert field.remote_field.hidden, f'{field} needs related_name="+"'


def test_relations_that_cross_are_looked_at():
    assert {field.model._meta.app_label for field in crossing()} == {"orders", "shipping"}


@pytest.mark.django_db
def test_no_model_change_waits_for_a_migration():
    call_command("makemigrations", "--check", "--dry-run", verbosity=0)


def refusals(base=FarmError):
    for kind in base.__subclasses__():
        if kind.__module__.split(".")[0] in FLOORS:
            yield kind
        yield from refusals(kind)


def test_every_refusal_has_a_code_of_its_own_and_stands_in_the_developers_page():
    import config.loading
    import config.playing
    import config.urls  # noqa: F401 - between them they import every hop and page

    page = (ROOT / "DEVELOPERS.md").read_text()
    codes = [kind.code for kind in set(refusals())]

    assert len(codes) == len(set(codes)), sorted(code for code in codes if codes.count(code) > 1)
    missing = sorted(code for code in codes if f"`{code}`" not in page)
    assert not missing, f"DEVELOPERS.md does not name {missing}"


def test_every_command_and_setting_stands_in_the_developers_page():
    page = (ROOT / "DEVELOPERS.md").read_text()
    commands = [name for name, app in get_commands().items() if app in FLOORS]
    named = set(re.findall(r'env\.\w+\(\s*"(\w+)"', (ROOT / "config" / "settings.py").read_text()))

    missing = sorted(name for name in [*commands, *named] if f"`{name}`" not in page)
    assert not missing, f"DEVELOPERS.md does not name {missing}"


def test_the_developers_page_names_only_modules_that_are_there():
    named = re.findall(r"`((?:[\w-]+/)+\w+\.py)", (ROOT / "DEVELOPERS.md").read_text())

    assert len(named) > 100
    assert [path for path in named if not (ROOT / path).exists()] == []


def calls_from(text):
    """The files that a module's first lines say it is called from."""
    said = re.search(r"Call from: (.*?)\.(?=\s|$)", ast.get_docstring(ast.parse(text)) or "", re.S)
    return re.findall(r"[\w/]+\.py", said[1]) if said else []


def brings_in(text, module):
    """Whether a file imports a module, whole or a name of it."""
    room, _, name = module.rpartition(".")
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.ImportFrom):
            names = {alias.name for alias in node.names}
            if node.module == module or (node.module == room and name in names):
                return True
        elif isinstance(node, ast.Import) and module in {alias.name for alias in node.names}:
            return True
    return False


@pytest.mark.parametrize(
    "path",
    [path for path in SOURCES if calls_from(path.read_text())],
    ids=lambda path: str(path.relative_to(ROOT)),
)
def test_a_module_names_only_callers_that_call_it(path):
    module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
    callers = [ROOT / caller for caller in calls_from(path.read_text())]

    strangers = [
        str(caller.relative_to(ROOT))
        for caller in callers
        if not caller.exists() or not brings_in(caller.read_text(), module)
    ]
    assert strangers == [], f"{path.name} is not called from there"


def name_patterns():
    """Every word of the code, and every name that it makes by filling something in."""
    for path in SOURCES:
        if path.name == "setting_rules.py":
            continue
        text = path.read_text()
        yield from re.findall(r"\w+", text)
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.JoinedStr):
                parts = [getattr(part, "value", None) for part in node.values]
                if isinstance(parts[0], str) and re.match(r"[a-z]+_", parts[0]):
                    filled = (
                        re.escape(part) if isinstance(part, str) else r"\w+" for part in parts
                    )
                    yield "".join(filled)


def test_every_setting_of_the_demo_farm_is_read_somewhere():
    read = re.compile("|".join(set(name_patterns())))
    names = sorted({row["name"] for row in rows_of(ROOT / "fixtures", "settings.csv")})

    assert len(names) > 150
    assert [name for name in names if not read.fullmatch(name)] == []


def luminance(colour):
    def linear(value):
        value /= 255
        return value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4

    red, green, blue = (int(colour[index : index + 2], 16) for index in (1, 3, 5))
    return 0.2126 * linear(red) + 0.7152 * linear(green) + 0.0722 * linear(blue)


@pytest.mark.parametrize("ink", ["ink", "faint-ink", "deep-water", "rust", "moss"])
def test_every_text_ink_is_seven_to_one_on_paper(ink):
    """Contrast ratio as defined in WCAG 2.2, success criterion 1.4.6."""
    css = (ROOT / "config/static/css/inks.css").read_text()
    inks = dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{6})", css.split("}")[0]))
    dark, light = luminance(inks[ink]), luminance(inks["paper"])

    assert (light + 0.05) / (dark + 0.05) >= 7


def test_the_top_level_holds_only_what_the_plan_names():
    allowed = {
        "README.md", "DEVELOPERS.md", "manage.py", "requirements.txt",
        "config", "inventory", "orders", "shipping", "tests", "fixtures",
    }  # fmt: skip
    there = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}

    assert there <= allowed


def test_the_demo_farm_counts_what_its_tables_say():
    folder = ROOT / "fixtures"
    stock = list(rows_of(folder, "stock.csv"))
    lines = list(rows_of(folder, "order_lines.csv"))

    assert len(list(rows_of(folder, "strains.csv"))) == 60
    assert len(list(rows_of(folder, "troughs.csv"))) == 34
    assert len(list(rows_of(folder, "customers.csv"))) == 12
    assert len(list(rows_of(folder, "ship_tos.csv"))) == 14
    assert len(list(rows_of(folder, "orders.csv"))) == 34
    assert (
        sum(int(row["pieces"]) for row in stock if row["strain"] == "PLT") == 34 + 30 + 26 + 62 + 22
    )
    assert sum(int(row["asked"]) for row in lines if row["listing"] == "PLT plug") == 88 + 66
    assert {row["tray"] for row in stock} <= {row["tray"] for row in rows_of(folder, "trays.csv")}
