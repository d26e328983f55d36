"""A checkout without .venv stands on its own: calls of manage.py as processes, with a real pip.

A wheel made here plays Django's part, so that no network is needed.
"""

import os
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest

pytestmark = pytest.mark.no_tables

ROOT = Path(__file__).resolve().parents[2]
# The python below this .venv, which knows none of the requirements.
BARE_PYTHON = getattr(sys, "_base_executable", sys.executable)
STANDS = "stands: check\n"


def write_wheel(folder):
    """A package named django, version 9.9.9, whose one command says that it was reached."""
    about = "django-9.9.9.dist-info"
    files = {
        "django/__init__.py": "",
        "django/core/__init__.py": "",
        "django/core/management/__init__.py": (
            "def execute_from_command_line(words):\n    print('stands:', *words[1:])\n"
        ),
        f"{about}/METADATA": "Metadata-Version: 2.1\nName: django\nVersion: 9.9.9\n",
        f"{about}/WHEEL": "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
    }
    files[f"{about}/RECORD"] = "".join(f"{name},,\n" for name in [*files, f"{about}/RECORD"])
    folder.mkdir()
    with zipfile.ZipFile(folder / "django-9.9.9-py3-none-any.whl", "w") as wheel:
        for name, text in files.items():
            wheel.writestr(name, text)


class Checkout:
    def __init__(self, folder):
        self.root = folder / "checkout"
        (self.root / "config").mkdir(parents=True)
        for name in ("manage.py", "config/__init__.py", "config/ground.py"):
            shutil.copy(ROOT / name, self.root / name)
        (self.root / "requirements.txt").write_text("django==9.9.9  # the framework\n")
        self.wheels = folder / "wheels"
        self.marker = self.root / ".venv" / "requirements.sha256"

    def start(self):
        own = {
            "PIP_NO_INDEX": "1",
            "PIP_FIND_LINKS": str(self.wheels),
            "PIP_CONFIG_FILE": "/dev/null",
        }
        kept = {name: os.environ[name] for name in ("PATH", "HOME", "LANG") if name in os.environ}
        return subprocess.Popen(
            [BARE_PYTHON, "manage.py", "check"], cwd=self.root, env={**kept, **own}, text=True,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True,
        )  # fmt: skip

    def call(self):
        call = self.start()
        out, err = call.communicate(timeout=120)
        return call.returncode, out, err


@pytest.fixture
def checkout(tmp_path):
    write_wheel(tmp_path / "wheels")
    return Checkout(tmp_path)


def test_two_calls_at_once_make_one_venv_and_both_go_on(checkout):
    calls = [checkout.start(), checkout.start()]
    words = [call.communicate(timeout=120) for call in calls]

    assert [call.returncode for call in calls] == [0, 0], words
    # Nothing but the command's own words on standard output: a program may read it.
    assert [out for out, _ in words] == [STANDS, STANDS]
    assert sum("Making .venv" in err for _, err in words) == 1
    assert checkout.call() == (0, STANDS, "")


def test_a_call_killed_half_way_is_made_good_by_the_next(checkout):
    call = checkout.start()
    deadline = time.monotonic() + 60
    while not (checkout.root / ".venv" / "bin" / "python").exists():
        assert time.monotonic() < deadline and call.poll() is None
        time.sleep(0.02)
    os.kill(call.pid, signal.SIGKILL)  # that process alone: its child goes on for a while
    call.wait()
    call.stdout.close()
    call.stderr.close()
    # The worst that a pip killed within one package leaves: named as installed, its files missing.
    packages = next((checkout.root / ".venv" / "lib").glob("python3*")) / "site-packages"
    half = packages / "django-9.9.9.dist-info"
    half.mkdir(parents=True)
    (half / "METADATA").write_text("Metadata-Version: 2.1\nName: django\nVersion: 9.9.9\n")

    code, out, err = checkout.call()

    assert (code, out) == (0, STANDS), err
    assert "waiting for it" in err
    assert "cut off half-way" in err


def test_without_its_packages_it_says_so_and_works_once_they_are_there(checkout):
    away = checkout.wheels.rename(checkout.wheels.with_name("away"))
    code, out, err = checkout.call()
    assert code == 1
    assert "could not be installed" in err
    assert "No matching distribution" in err
    assert out == ""

    away.rename(checkout.wheels)
    assert checkout.call()[:2] == (0, STANDS)
