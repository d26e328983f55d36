"""The demo: the invented farm's week, from counted trays to a credited arrival, then a server."""

import secrets
import shutil
from argparse import ArgumentParser, ArgumentTypeError
from datetime import datetime
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.db import connection
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from config import playing
from config.loading import load_farm
from config.posting import post_letters
from config.printing import print_papers
from inventory.clock import farm_now, start_demo_clock
from inventory.csv_reading import FilesRefused
from inventory.models import Movement, User
from orders.feeding import make_client
from orders.models import Customer, ShipWeek

STARTS_AT = datetime(2026, 11, 25, 9, 0, tzinfo=playing.zone())
ENDS_AT = datetime(2026, 12, 2, 13, 0, tzinfo=playing.zone())
HISTORY_FROM = datetime(2026, 10, 1, tzinfo=playing.zone())
SHOWN = (
    "office@saltmarrow.example",
    "owner@saltmarrow.example",
    "gita@saltmarrow.example",
    "pim@saltmarrow.example",
    "buyer@gullwickaquaria.example",
)


class Command(BaseCommand):
    help = "Load the invented farm, run its week 2026-W49 and serve it on http://localhost:8000/."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--no-serve", action="store_true", help="end after the last line")
        parser.add_argument("--again", action="store_true", help="start the same farm anew")
        parser.add_argument(
            "--until",
            type=_moment,
            default=ENDS_AT,
            help='how far the farm is played on, as "2026-12-04 16:00"; an open list is out then',
        )
        parser.add_argument("--out", type=Path, help="where the papers go")
        parser.add_argument("--port", type=int, default=8000, help="the port to serve on")
        parser.add_argument(
            "--farm", type=Path, help="the folder of CSV to load, fixtures/ by default"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        self.console = Console(highlight=False, soft_wrap=True)
        folder = (options["farm"] or settings.BASE_DIR / "fixtures").resolve()
        out = (options["out"] or settings.FARM_HOME / "papers").resolve()
        if options["again"]:
            _forget_farm()
        call_command("migrate", verbosity=0)
        call_command("collectstatic", verbosity=0, interactive=False)
        if Movement.objects.exists():
            self._say("This farm stands already; --again starts it anew.")
            if options["until"] > farm_now():
                self._play(folder, options["until"])
        else:
            self._run_week(folder, options["until"])
        papers = self._print(out)
        self._tell(out, papers, options["port"], is_served=not options["no_serve"])
        if not options["no_serve"]:
            call_command("serve", port=options["port"])

    def _say(self, words: str) -> None:
        self.console.print(words)

    def _run_week(self, folder: Path, until: datetime) -> None:
        self._say(f"Loading the farm from {folder.name}/ ...")
        try:
            reading = load_farm(folder=folder, now=STARTS_AT)
        except FilesRefused as refusal:
            for problem in refusal.facts["problems"]:
                self._say(problem)
            raise CommandError(refusal.sentence) from None
        self._say(f"  {Movement.objects.count()} trays counted, {reading.today:%a %-d %b %Y}")
        _make_people()
        token = _make_reader()
        playing.open_weeks(folder=folder)
        start_demo_clock(at=HISTORY_FROM)
        self._play(folder, until)
        _keep_token(token)

    def _play(self, folder: Path, until: datetime) -> None:
        started_at = farm_now()
        rows = playing.events(folder=folder)
        total = len([row for row in rows if started_at < row.at <= until])
        columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
        with Progress(*columns, console=self.console, transient=True) as progress:
            bar = progress.add_task("the week runs", total=total)

            def say(event: playing.Event, words: str) -> None:
                progress.advance(bar)
                if event.rank in (1, 3, 5, 6):
                    progress.console.print(f"  {_words(event.at)}  {words}")

            playing.play(folder=folder, until=until, say=say)

    def _print(self, out: Path) -> list[Path]:
        self._say("Printing the papers ...")
        out.mkdir(parents=True, exist_ok=True)
        week = ShipWeek.objects.get(name="2026-W49")
        return print_papers(week=week, out=out, say=lambda words: self._say(f"  {words}"))

    def _tell(self, out: Path, papers: list[Path], port: int, *, is_served: bool) -> None:
        password = (settings.FARM_HOME / "demo_password").read_text()
        token = (settings.FARM_HOME / "feed_token").read_text()
        self._say("")
        self._say(f"{len(papers)} papers lie in {_short(out)}")
        if not settings.EMAIL_URL:
            self._say(f"{_letters()} letters lie in {_short(settings.MAIL_FOLDER)}")
        self._say("The whole record:  python3 manage.py week 2026-W49 --json")
        door = f"http://localhost:{port}/"
        self._say(f"Open {door}" if is_served else "python3 manage.py demo opens the web server")
        for email in SHOWN:
            user = User.objects.get(email=email)
            self._say(f"  log in as {email} ({user.get_role_display()}), password {password}")
        self._say(f"  the feed: {door}api/v1/weeks/ with  Authorization: Bearer {token}")
        self._say(f"The farm's clock stands at {playing.zone().key} {_words(farm_now())}.")


def _short(path: Path) -> str:
    """The path as seen from here, so that the line can be typed."""
    try:
        return str(path.relative_to(Path.cwd()))
    except ValueError:
        return str(path)


def _moment(text: str) -> datetime:
    """A time of the farm's wall clock, as it is typed."""
    try:
        return datetime.fromisoformat(text).replace(tzinfo=playing.zone())
    except ValueError:
        words = f'{text!r} is not a time; type it as "2026-12-04 16:00"'
        raise ArgumentTypeError(words) from None


def _letters() -> int:
    """Hand the demo's letters to its folder. Returns how many lie there."""
    while post_letters().sent:
        continue
    return len(list(settings.MAIL_FOLDER.glob("*.eml")))


def _words(at: datetime) -> str:
    return f"{at.astimezone(playing.zone()):%a %-d %b %Y, %H:%M}"


def _forget_farm() -> None:
    """Empty the database and what the last run wrote. Only a demo farm is ever emptied here."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("DROP SCHEMA public CASCADE")
            cursor.execute("CREATE SCHEMA public")
    if connection.vendor == "sqlite":
        connection.close()
        for suffix in ("", "-wal", "-shm"):
            Path(f"{connection.settings_dict['NAME']}{suffix}").unlink(missing_ok=True)
    for name in ("papers", "photos", "voices", "mail"):
        shutil.rmtree(settings.FARM_HOME / name, ignore_errors=True)


def _make_people() -> None:
    """One password for every person of the demo, made anew on each machine."""
    password = secrets.token_hex(4)
    path = settings.FARM_HOME / "demo_password"
    path.write_text(password)
    path.chmod(0o600)
    first = User.objects.first()
    assert first is not None  # people.csv has been loaded
    first.set_password(password)
    User.objects.update(password=first.password)


def _make_reader() -> str:
    _, token = make_client(code="FC-1", customer=Customer.objects.get(code="C10"))
    return token


def _keep_token(token: str) -> None:
    path = settings.FARM_HOME / "feed_token"
    path.write_text(token)
    path.chmod(0o600)
