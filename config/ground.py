"""The ground a bare machine needs before Django: a .venv with the pinned requirements.

Standard library only. Debian ships an old Django of its own, so the pinned version must be the one
that imports. A marker in .venv tells what was finished from what was killed half-way.
"""

import contextlib
import fcntl
import hashlib
import importlib.metadata
import os
import shutil
import subprocess
import sys
from collections import deque
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
REQUIREMENTS = ROOT / "requirements.txt"
MARKER = VENV / "requirements.sha256"
# What the marker holds while .venv is being made; the digest of the requirements replaces it last.
HALF_MADE = "half made"
FOR_VENV = {"python3-venv": "/usr/lib/python3*/ensurepip/__init__.py"}
FOR_PAPERS = {
    "libpango-1.0-0": "/usr/lib/*/libpango-1.0.so.0",
    "libpangoft2-1.0-0": "/usr/lib/*/libpangoft2-1.0.so.0",
    "libharfbuzz-subset0": "/usr/lib/*/libharfbuzz-subset.so.0",
    "fonts-dejavu-core": "/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf",
}
FOR_TESTS = {"chromium": "/usr/bin/chromium", "poppler-utils": "/usr/bin/pdftoppm"}


def stand_on_requirements(arguments: list[str]) -> None:
    """Return where the pinned Django imports; else make .venv and start again inside it."""
    is_ready = _is_ready()
    packages = _packages_for(arguments[:1])
    if is_ready:
        _install_packages(packages)
        return
    if _is_in_venv() and _is_made():
        sys.exit("The requirements are installed and Django still does not import. Delete .venv.")
    with _one_at_a_time() as lock:
        if not _is_made():
            _install_packages(packages if _has_ensurepip() else FOR_VENV | packages)
            _make_venv(lock)
    python = str(VENV / "bin" / "python")
    os.execv(python, [python, str(ROOT / "manage.py"), *arguments])


def run_tests(arguments: list[str]) -> int:
    """Run pytest with the project's own settings: the whole suite, or the tests that are named."""
    tests = ROOT / "tests"
    named: list[str] = []
    others: list[str] = []
    for argument in arguments:
        name, *nodes = argument.split("::")
        path = Path(name).resolve()
        if path.exists() and (path == tests or tests in path.parents):
            named.append("::".join([str(path), *nodes]))
        else:
            others.append(argument)
    command = [sys.executable, "-m", "pytest", "-c", str(tests / "pytest.ini"), *others]
    command += named or [str(tests)]
    in_one_go = ("-n", "--numprocesses", "--pdb", "--trace", "-s")
    if not named and not any(argument.startswith(in_one_go) for argument in others):
        command += ["-n", str(min(os.cpu_count() or 1, 4))]
    return subprocess.call(command, cwd=ROOT)


def _packages_for(command: list[str]) -> dict[str, str]:
    """The Debian packages a command needs, each with a path that shows it is installed."""
    if command == ["test"]:
        return FOR_PAPERS | FOR_TESTS
    return FOR_PAPERS if command == ["demo"] else {}


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
    return version == _pinned("django") and (not _is_in_venv() or _is_made())


def _is_in_venv() -> bool:
    return Path(sys.prefix).resolve() == VENV.resolve()


def _digest() -> str:
    return hashlib.sha256(REQUIREMENTS.read_bytes()).hexdigest()


def _marker() -> str:
    return MARKER.read_text() if MARKER.is_file() else ""


def _is_made() -> bool:
    return _marker() == _digest()


@contextlib.contextmanager
def _one_at_a_time() -> Iterator[int]:
    """Let one call make .venv while the others wait, and yield the lock.

    Children are handed the lock: when this call alone is killed, its pip goes on for a while, and
    the next call must not work on the same files until that one has ended.
    """
    lock = os.open(ROOT, os.O_RDONLY)
    try:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            _say("Another call is making .venv; waiting for it.")
            fcntl.flock(lock, fcntl.LOCK_EX)
        yield lock
    finally:
        os.close(lock)


def _make_venv(lock: int) -> None:
    _say("Making .venv with the pinned requirements; this takes a minute or two.")
    if _marker() == HALF_MADE:
        # Never mended: pip takes a package whose files are half there for an installed one.
        _say("An earlier call was cut off half-way; starting anew.")
        _empty_venv()
    VENV.mkdir(exist_ok=True)
    MARKER.write_text(HALF_MADE)
    python = VENV / "bin" / "python"
    if not python.exists():
        base = getattr(sys, "_base_executable", sys.executable)
        if subprocess.call([base, "-m", "venv", str(VENV)], pass_fds=[lock]) != 0:
            _stop("python3 cannot make a virtual environment.", list(FOR_VENV))
    _install_requirements(python, lock)
    MARKER.write_text(_digest())


def _empty_venv() -> None:
    """Remove all but the marker, so that a kill in the middle is seen by the next call too."""
    for path in VENV.iterdir():
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        elif path != MARKER:
            path.unlink()


def _install_requirements(python: Path, lock: int) -> None:
    """Run pip, say how far it is, and show the end of its words only where it fails."""
    lines = REQUIREMENTS.read_text().splitlines()
    pinned_count = sum("==" in line for line in lines if not line.startswith("#"))
    command = [str(python), "-m", "pip", "install", "--disable-pip-version-check"]
    command += ["--progress-bar", "off", "-r", str(REQUIREMENTS)]
    last_words: deque[str] = deque(maxlen=15)
    seen_count = 0
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, pass_fds=[lock]
    ) as pip:
        assert pip.stdout is not None  # it was asked for above
        for line in pip.stdout:
            last_words.append(line)
            if line.startswith(("Collecting ", "Requirement already satisfied: ")):
                seen_count += 1
                if seen_count % 10 == 0:
                    _say(f"  {min(seen_count, pinned_count)} of {pinned_count} packages found")
            elif line.startswith("Installing collected packages"):
                _say(f"  unpacking {line.count(',') + 1} packages")
    if pip.returncode != 0:
        print("".join(last_words), end="", file=sys.stderr)
        sys.exit("The requirements could not be installed; mend what stands above, call again.")


def _install_packages(packages: dict[str, str]) -> None:
    """Install missing Debian packages where that is allowed; else say the one command."""
    missing = [name for name, path in packages.items() if not _is_there(path)]
    if not missing or not shutil.which("apt-get"):
        return
    prefix = _as_root()
    if prefix is None:
        _stop("Some system packages are missing.", missing)
        return
    _say(f"Installing {', '.join(missing)}.")
    apt = [*prefix, "env", "DEBIAN_FRONTEND=noninteractive", "apt-get", "-q"]
    # Old lists may still do, so a failed update is not the end.
    subprocess.call([*apt, "update"], stdout=subprocess.DEVNULL)
    command = [*apt, "install", "-y", "--no-install-recommends", *missing]
    if subprocess.call(command, stdout=subprocess.DEVNULL) != 0:
        _stop("Some system packages could not be installed.", missing)


def _is_there(path: str) -> bool:
    return any(Path("/").glob(path.lstrip("/")))


def _has_ensurepip() -> bool:
    """Whether this python3 can make a .venv; Debian ships it without until python3-venv is in."""
    command = [sys.executable, "-c", "import venv, ensurepip; ensurepip.version()"]
    return subprocess.call(command, stderr=subprocess.DEVNULL) == 0


def _as_root() -> list[str] | None:
    if os.geteuid() == 0:
        return []
    sudo = shutil.which("sudo")
    if sudo and subprocess.call([sudo, "-n", "true"], stderr=subprocess.DEVNULL) == 0:
        return [sudo, "-n"]
    return None


def _stop(why: str, packages: list[str]) -> None:
    names = " ".join(packages)
    command = f"sudo apt-get update && sudo apt-get install -y {names}"
    if not shutil.which("sudo"):
        command = f"su -c 'apt-get update && apt-get install -y {names}'"
    print(f"{why} Type this, then call again:\n  {command}", file=sys.stderr)
    sys.exit(2)


def _say(words: str) -> None:
    # Not to standard output, which belongs to the command that follows: it may print JSON.
    print(f"slackwater: {words}", file=sys.stderr, flush=True)
