"""Take pictures of every page of the demo farm, at three widths, in a headless browser."""

import os
import shutil
import subprocess
import sys
import time
import urllib.request
from argparse import ArgumentParser
from io import BytesIO
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from PIL import Image

from inventory.models import Message
from orders.models import ShipWeek
from shipping.models import PickSheet
from shipping.papers import pick_sheet_pdf

WIDTHS = (320, 390, 1280)
OFFICE, BUYER = "office@saltmarrow.example", "buyer@gullwickaquaria.example"
GROWER = "gita@saltmarrow.example"
LEAD = "hester@saltmarrow.example"
OWNER = "owner@saltmarrow.example"
CHROMIUM = "/usr/bin/chromium"


def pages() -> dict[str, tuple[str, str]]:
    """Name -> who looks and at which address; the newest week beside the first that was shipped."""
    sheet = PickSheet.objects.exclude(state="stale").order_by("ship_on", "number").last()
    letter = Message.objects.filter(kind="promised", user__email=BUYER).first()
    week = ShipWeek.objects.filter(published_at__isnull=False).order_by("monday").last()
    name = week.name if week else "2026-W49"
    return {
        "log-in": ("", "/log-in/"),
        "today-office": (OFFICE, "/"),
        "today-buyer": (BUYER, "/"),
        "list-buyer": (BUYER, "/weeks/2026-W49/list/?version=1"),
        "list-open": (BUYER, f"/weeks/{name}/list/"),
        "list-office": (OFFICE, f"/weeks/{name}/list/"),
        "list-phone": (BUYER, f"/weeks/{name}/list/"),
        "numbers": (OFFICE, "/weeks/2026-W49/numbers/"),
        "who-ordered": (OFFICE, f"/weeks/{name}/who/"),
        "sheet-upload": (BUYER, f"/weeks/{name}/sheet/"),
        "sheet-upload-office": (OFFICE, f"/weeks/{name}/sheet/"),
        "missing": (OFFICE, "/missing/"),
        "orders": (OFFICE, "/orders/"),
        "order-office": (OFFICE, "/orders/4902/"),
        "order-export": (OFFICE, "/orders/4913/"),
        "order-buyer": (BUYER, "/orders/4902/"),
        "sharing": (OFFICE, "/weeks/2026-W49/sharing/"),
        "sheets": (OFFICE, "/weeks/2026-W49/sheets/"),
        "sheet": (OFFICE, f"/sheets/{sheet.stamp if sheet else ''}/"),
        "packing": (OFFICE, "/weeks/2026-W49/packing/"),
        "plan-4901": (OFFICE, "/orders/4901/plan/"),
        "plan-4905": (OFFICE, "/orders/4905/plan/"),
        "bench-done": (OFFICE, "/orders/4902/bench/"),
        "bench-open": (OFFICE, "/orders/4904/bench/"),
        "arrival": (BUYER, "/orders/4902/arrival/"),
        "holds": (OFFICE, "/holds/"),
        "edit": (OFFICE, "/edit/"),
        "edit-prices": (OFFICE, "/edit/prices/"),
        "edit-price": (OFFICE, "/edit/prices/PLT%20plug/"),
        "edit-ship-to": (OFFICE, "/edit/ship-tos/C01/"),
        "edit-people": (OFFICE, "/edit/people/"),
        "hooks": (OFFICE, "/hooks/"),
        "developers": ("", "/developers/"),
        "messages": (OFFICE, "/messages/"),
        "message": (OFFICE, f"/messages/{letter.pk if letter else ''}/"),
        "refusal": (BUYER, "/orders/4901/"),
        "what-if": (OFFICE, "/what-if/"),
        "house": (OFFICE, "/house/"),
        "growing": (OFFICE, "/growing/"),
        "mothers": (OFFICE, "/mothers/"),
        "cuts": (GROWER, "/cuts/"),
        "cutting": (GROWER, "/cutting/"),
        "mounts": (LEAD, "/mounts/?cut_on=2026-12-29&bases=232&cut_on=2027-01-11&bases=180"),
        "placing": (GROWER, "/placing/"),
        "line": (OFFICE, "/lines/KLN/"),
        "seasons": (OFFICE, "/seasons/"),
        "care": (OFFICE, "/care/"),
        "water": (OFFICE, "/water/"),
        "walk": (GROWER, "/walk/"),
        "walk-trough": (GROWER, "/walk/T2/"),
        "walk-tray": (GROWER, "/walk/T2.1/"),
        "walk-book": (OFFICE, "/notes/?day=2026-11-24"),
        "walk-keying": (OFFICE, "/walk/keying/"),
        "phones": (OFFICE, "/phones/"),
        "specimens": (OFFICE, "/specimens/"),
        "recalls": (OFFICE, "/recalls/"),
        "credits": (OFFICE, "/credits/"),
        "losses": (OFFICE, "/losses/"),
        "owner": (OWNER, "/owner/"),
        **({f"publish-{name}": (OFFICE, f"/weeks/{name}/publish/")} if week else {}),
    }


# What README.md shows: the page's name here, the screen's width and how far down it is cut, in px.
README = {
    "list-open": (1280, 1000),
    "list-phone": (390, 1000),
    "walk-trough": (390, 1000),
    "plan-4901": (1280, 1000),
}


def _keep_small(picture: bytes, path: Path) -> None:
    """Store a screenshot as a palette of 256: small, and every ink kept."""
    with Image.open(BytesIO(picture)) as whole:
        whole.convert("RGB").quantize(256, dither=Image.Dither.NONE).save(path, optimize=True)


class Command(BaseCommand):
    help = "Take pictures of the demo's pages at 320, 390 and 1280 px; needs Chromium."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--out", type=Path, default=settings.FARM_HOME / "pictures")
        parser.add_argument("--port", type=int, default=8765)
        parser.add_argument("--only", default="", help="names of pages, comma-separated")
        parser.add_argument("--widths", default=",".join(map(str, WIDTHS)))
        parser.add_argument("--outdoor", action="store_true", help="black on white, for glare")
        parser.add_argument(
            "--readme", action="store_true", help="the pictures of README.md, in config/pictures"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        out: Path = (
            settings.BASE_DIR / "config" / "pictures" if options["readme"] else options["out"]
        )
        out.mkdir(parents=True, exist_ok=True)
        shown = pages()
        if options["readme"]:
            options["only"], options["widths"] = ",".join(README), ""
            self._print_first_page(out)
        only = [name for name in options["only"].split(",") if name] or list(shown)
        if unknown := [name for name in only if name not in shown]:
            raise CommandError(f"No page is called {unknown[0]}. There are: {', '.join(shown)}.")
        wanted = {name: shown[name] for name in only}
        widths = [int(width) for width in options["widths"].split(",") if width.isdigit()]
        # The browser's own loop would otherwise be taken for an asynchronous caller.
        os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "1"
        server = _serve(options["port"])
        try:
            _wait(options["port"])
            self._take(out, wanted, widths, options["port"], options["outdoor"])
        finally:
            server.terminate()
            server.wait(10)

    def _take(
        self,
        out: Path,
        wanted: dict[str, tuple[str, str]],
        widths: list[int],
        port: int,
        is_outdoor: bool,
    ) -> None:
        from playwright.sync_api import sync_playwright

        password = (settings.FARM_HOME / "demo_password").read_text()
        base = f"http://localhost:{port}"
        with sync_playwright() as runner:
            browser = runner.chromium.launch(
                executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
            )
            for who in dict.fromkeys(who for who, _ in wanted.values()):
                context = browser.new_context(base_url=base)
                if is_outdoor:
                    context.add_cookies([{"name": "theme", "value": "outdoor", "url": base}])
                page = context.new_page()
                if who:
                    _log_in(page, who, password)
                for name, (looker, address) in wanted.items():
                    if looker == who:
                        self._shoot(page, out, name, address, widths)
                context.close()
            browser.close()

    def _print_first_page(self, out: Path) -> None:
        sheet = PickSheet.objects.exclude(state="stale").order_by("ship_on", "number").first()
        if sheet is None or shutil.which("pdftoppm") is None:
            self.stderr.write(
                "No pick sheet drawn: it needs the demo and pdftoppm (poppler-utils)."
            )
            return
        drawn = subprocess.run(
            ["pdftoppm", "-r", "80", "-png", "-singlefile", "-"],
            input=pick_sheet_pdf(sheet=sheet),
            stdout=subprocess.PIPE,
            check=True,
        )
        _keep_small(drawn.stdout, out / "pick-sheet.png")
        self.stdout.write("pick-sheet")

    def _shoot(self, page: Any, out: Path, name: str, address: str, widths: list[int]) -> None:
        if name in README and not widths:
            width, height = README[name]
            page.set_viewport_size({"width": width, "height": height})
            page.goto(address)
            _keep_small(page.screenshot(), out / f"{name}.png")
            self.stdout.write(name)
            return
        for width in widths:
            page.set_viewport_size({"width": width, "height": 900})
            page.goto(address)
            overflow = page.evaluate(
                "document.documentElement.scrollWidth - document.documentElement.clientWidth"
            )
            page.screenshot(path=str(out / f"{name}-{width}.png"), full_page=True)
            more = f", {overflow} px too wide" if overflow > 0 else ""
            self.stdout.write(f"{name} at {width}{more}")


def _log_in(page: Any, who: str, password: str) -> None:
    page.goto("/log-in/")
    page.fill("#id_username", who)
    page.fill("#id_password", password)
    page.click("main button[type=submit]")


def _serve(port: int) -> subprocess.Popen[bytes]:
    command = [
        sys.executable,
        "-m",
        "gunicorn",
        "config.wsgi",
        "--bind",
        f"127.0.0.1:{port}",
        "--log-level",
        "warning",
        "--threads",
        "4",
    ]
    return subprocess.Popen(command, cwd=settings.BASE_DIR)


def _wait(port: int) -> None:
    for _ in range(100):
        try:
            urllib.request.urlopen(f"http://localhost:{port}/log-in/", timeout=2).close()
        except OSError:
            time.sleep(0.2)
        else:
            return
