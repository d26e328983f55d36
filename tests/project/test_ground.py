"""The ground a bare machine needs: what is missing is named; tests run as they are asked for."""

import pytest

from config import ground


@pytest.fixture
def bare(tmp_path, monkeypatch):
    """A checkout with requirements and no .venv."""
    (tmp_path / "requirements.txt").write_text("# runs the service\ndjango==9.9.9  # why\n")
    monkeypatch.setattr(ground, "ROOT", tmp_path)
    monkeypatch.setattr(ground, "VENV", tmp_path / ".venv")
    monkeypatch.setattr(ground, "REQUIREMENTS", tmp_path / "requirements.txt")
    monkeypatch.setattr(ground, "MARKER", tmp_path / ".venv" / "requirements.sha256")
    return tmp_path


def test_another_django_than_the_pinned_one_is_no_ground(bare):
    assert ground._pinned("django") == "9.9.9"
    assert not ground._is_ready()


def test_other_requirements_than_those_installed_are_installed_anew(bare):
    (bare / ".venv").mkdir()
    (bare / ".venv" / "requirements.sha256").write_text(ground._digest())
    assert ground._is_made()

    (bare / "requirements.txt").write_text("django==9.9.10\n")
    assert not ground._is_made()


@pytest.mark.parametrize(
    ("tools", "command"),
    [
        (
            {"apt-get", "sudo"},
            "sudo apt-get update && sudo apt-get install -y libnowhere-1 fonts-nowhere\n",
        ),
        (
            {"apt-get"},
            "su -c 'apt-get update && apt-get install -y libnowhere-1 fonts-nowhere'\n",
        ),
    ],
)
def test_without_the_right_to_install_one_command_is_printed(monkeypatch, capsys, tools, command):
    monkeypatch.setattr(ground, "_as_root", lambda: None)
    monkeypatch.setattr(ground.shutil, "which", lambda name: name if name in tools else None)

    with pytest.raises(SystemExit) as stopped:
        ground._install_packages({"libnowhere-1": "/nowhere/lib", "fonts-nowhere": "/nowhere/font"})

    assert stopped.value.code == 2
    words = capsys.readouterr()
    assert words.err.endswith(f"  {command}")
    assert words.out == ""


def test_a_bare_machine_is_told_all_it_lacks_at_once(bare, monkeypatch, capsys):
    monkeypatch.setattr(ground, "_as_root", lambda: None)
    monkeypatch.setattr(ground, "_has_ensurepip", lambda: False)
    monkeypatch.setattr(ground, "_is_there", lambda path: False)
    monkeypatch.setattr(ground.shutil, "which", lambda name: f"/usr/bin/{name}")

    with pytest.raises(SystemExit) as stopped:
        ground.stand_on_requirements(["demo"])

    assert stopped.value.code == 2
    asked = capsys.readouterr().err.split("install -y ")[1].split()
    assert asked == [
        "python3-venv", "libpango-1.0-0", "libpangoft2-1.0-0", "libharfbuzz-subset0",
        "fonts-dejavu-core",
    ]  # fmt: skip


def test_only_the_tests_ask_for_a_browser():
    assert "chromium" in ground._packages_for(["test"])
    assert "chromium" not in ground._packages_for(["demo"])
    assert not ground._packages_for(["migrate"])


@pytest.fixture
def asked_of_pytest(monkeypatch):
    """What pytest is called with, after its own settings."""
    calls = []

    def call(command, cwd):
        calls.append((command[command.index("-c") + 2 :], cwd))
        return 0

    monkeypatch.setattr(ground.subprocess, "call", call)
    monkeypatch.setattr(ground.os, "cpu_count", lambda: 2)

    def ask(*arguments):
        assert ground.run_tests(list(arguments)) == 0
        words, cwd = calls.pop()
        assert cwd == ground.ROOT
        return [word.replace(f"{ground.ROOT}/", "") for word in words]

    return ask


def test_the_whole_suite_runs_on_all_processors(asked_of_pytest):
    assert asked_of_pytest() == ["tests", "-n", "2"]
    assert asked_of_pytest("-q", "-n0") == ["-q", "-n0", "tests"]
    assert asked_of_pytest("--pdb") == ["--pdb", "tests"]


def test_a_named_test_runs_alone(asked_of_pytest, monkeypatch):
    monkeypatch.chdir(ground.ROOT)
    node = "tests/project/test_ground.py::test_a_named_test_runs_alone"

    assert asked_of_pytest(node) == [node]
    # A folder of that name stands in the checkout, yet it is no place of tests.
    assert asked_of_pytest("-k", "orders") == ["-k", "orders", "tests", "-n", "2"]
    monkeypatch.chdir(ground.ROOT / "tests")
    assert asked_of_pytest("project") == ["tests/project"]
