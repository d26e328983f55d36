"""The ground a bare machine needs before Django: a .venv with the pinned requirements.

Standard library only. Debian ships an old Django of its own, so the pinned version must be the one
that imports. A marker written last tells a finished .venv from one that was killed half-way.
"""

import fcntl
import hashlib
import importlib.metadata
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
REQUIREMENTS = ROOT / "requirements.txt"
MARKER = VENV / "requirements.sha256"
LIBRARIES = {
    "libpango-1.0-0": "/usr/lib/*/libpango-1.0.so.0",
    "libpangoft2-1.0-0": "/usr/lib/*/libpangoft2-1.0.so.0",
    "libharfbuzz-subset0": "/usr/lib/*/libharfbuzz-subset.so.0",
    "fonts-dejavu-core": "/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf",
}
FOR_TESTS = {
    "chromium": "/usr/bin/chromium",
    "poppler-utils": "/usr/bin/pdftoppm",
}


def stand_on_requirements(arguments: list[str]) -> None:
    """Return where the pinned Django imports; else make .venv and start again inside it."""
    wants_tests = arguments[:1] == ["test"]
    if _is_ready():
        if arguments[:1] in (["demo"], ["test"]):
            _install_packages(LIBRARIES | (FOR_TESTS if wants_tests else {}))
        return
    if Path(sys.prefix) == VENV and os.environ.get("FARM_GROUND") == "made":
        sys.exit("The requirements are installed and Django still does not import. Delete .venv.")
    with _only_one():
        if not _is_made():
            _make_venv()
    os.environ["FARM_GROUND"] = "made"
    python = VENV / "bin" / "python"
    os.execv(python, [str(python), str(ROOT / "manage.py"), *arguments])


def run_tests(arguments: list[str]) -> int:
    """Run pytest with the project's own settings and these arguments."""
    if not any(argument.startswith("-n") for argument in arguments):
        arguments = ["-n", "2", *arguments]
    paths = [] if any(Path(argument).exists() for argument in arguments) else ["tests"]
    command = [sys.executable, "-m", "pytest", "-c", "tests/pytest.ini", *arguments, *paths]
    return subprocess.call(command, cwd=ROOT)


def _pinned(name: str) -> str:
    for line in REQUIREMENTS.read_text().splitlines():
        if line.lower().startswith(f"{name}=="):
            return line.split("==")[1].split()[0]
    sys.exit(f"requirements.txt pins no {name}.")


def _is_ready() -> bool:
    """Whether the pinned Django imports here, in a .venv that was finished if it is ours."""
    try:
        version = importlib.metadata.version("django")
    except importlib.metadata.PackageNotFoundError:
        return False
    if version != _pinned("django"):
        return False
    return Path(sys.prefix) != VENV or _is_made()


def _digest() -> str:
    return hashlib.sha256(REQUIREMENTS.read_bytes()).hexdigest()


def _is_made() -> bool:
    return MARKER.is_file() and MARKER.read_text() == _digest()


class _only_one:
    """One call makes the .venv at a time; the others wait for it."""

    def __enter__(self) -> None:
        self.lock = open(ROOT / ".gitignore")
        fcntl.flock(self.lock, fcntl.LOCK_EX)

    def __exit__(self, *_: object) -> None:
        self.lock.close()


def _make_venv() -> None:
    _say("Making .venv with the pinned requirements; this takes a minute or two.")
    _install_packages({"python3-venv": "/usr/lib/python3*/ensurepip/__init__.py"}, is_venv=True)
    python = VENV / "bin" / "python"
    if not _runs(python):
        shutil.rmtree(VENV, ignore_errors=True)
        if subprocess.call([sys.executable, "-m", "venv", str(VENV)]) != 0:
            shutil.rmtree(VENV, ignore_errors=True)
            _stop("python3 cannot make a virtual environment.", ["python3-venv"])
    install = [str(python), "-m", "pip", "install", "--disable-pip-version-check", "-q"]
    _say("Installing the requirements.")
    if subprocess.call([*install, "-r", str(REQUIREMENTS)]) != 0:
        sys.exit("The requirements could not be installed; look above for why, then call again.")
    MARKER.write_text(_digest())


def _runs(python: Path) -> bool:
    """Whether a python of an earlier, perhaps killed, call still works with its pip."""
    if not python.exists():
        return False
    command = [str(python), "-m", "pip", "--version"]
    return subprocess.call(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) == 0


def _install_packages(packages: dict[str, str], is_venv: bool = False) -> None:
    """Install missing Debian packages where that is allowed; else say the one command."""
    missing = [name for name, path in packages.items() if not _is_there(path)]
    if is_venv and missing and _has_ensurepip():
        return
    if not missing or not shutil.which("apt-get"):
        return
    prefix = _as_root()
    if prefix is None:
        _stop("Some system packages are missing.", missing)
        return
    _say(f"Installing {', '.join(missing)}.")
    environment = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    quiet = subprocess.DEVNULL
    subprocess.call([*prefix, "apt-get", "update", "-q"], stdout=quiet, env=environment)
    command = [*prefix, "apt-get", "install", "-y", "-q", "--no-install-recommends", *missing]
    if subprocess.call(command, stdout=quiet, env=environment) != 0:
        _stop("Some system packages could not be installed.", missing)


def _is_there(path: str) -> bool:
    return any(Path("/").glob(path.lstrip("/")))


def _has_ensurepip() -> bool:
    command = [sys.executable, "-c", "import ensurepip, venv"]
    return subprocess.call(command, stderr=subprocess.DEVNULL) == 0


def _as_root() -> list[str] | None:
    if os.geteuid() == 0:
        return []
    sudo = shutil.which("sudo")
    if sudo and subprocess.call([sudo, "-n", "true"], stderr=subprocess.DEVNULL) == 0:
        return [sudo, "-n"]
    return None


def _stop(why: str, packages: list[str]) -> None:
    print(f"{why} Type this, then call again:\n  sudo apt-get install -y {' '.join(packages)}")
    sys.exit(2)


def _say(words: str) -> None:
    print(f"slackwater: {words}", flush=True)
