"""The ground a bare machine needs: what is missing is made, what was left half-way is made anew."""

import hashlib

import pytest

from config import ground


@pytest.fixture
def bare(tmp_path, monkeypatch):
    """A checkout with requirements and no .venv."""
    (tmp_path / "requirements.txt").write_text("# runs the service\ndjango==9.9.9\n")
    monkeypatch.setattr(ground, "ROOT", tmp_path)
    monkeypatch.setattr(ground, "VENV", tmp_path / ".venv")
    monkeypatch.setattr(ground, "REQUIREMENTS", tmp_path / "requirements.txt")
    monkeypatch.setattr(ground, "MARKER", tmp_path / ".venv" / "requirements.sha256")
    return tmp_path


def test_another_django_than_the_pinned_one_is_no_ground(bare):
    assert ground._pinned("django") == "9.9.9"
    assert not ground._is_ready()


def test_a_venv_without_its_marker_was_killed_half_way(bare):
    (bare / ".venv" / "bin").mkdir(parents=True)
    assert not ground._is_made()

    digest = hashlib.sha256((bare / "requirements.txt").read_bytes()).hexdigest()
    (bare / ".venv" / "requirements.sha256").write_text(digest)
    assert ground._is_made()


def test_other_requirements_than_those_installed_are_installed_anew(bare):
    (bare / ".venv").mkdir()
    (bare / ".venv" / "requirements.sha256").write_text("an older list")

    assert not ground._is_made()


def test_without_the_right_to_install_one_command_is_printed(bare, monkeypatch, capsys):
    monkeypatch.setattr(ground, "_as_root", lambda: None)
    monkeypatch.setattr(ground.shutil, "which", lambda name: "/usr/bin/apt-get")

    with pytest.raises(SystemExit) as stopped:
        ground._install_packages({"libnowhere-1": "/usr/lib/nowhere/libnowhere.so.1"})

    assert stopped.value.code == 2
    assert "sudo apt-get install -y libnowhere-1" in capsys.readouterr().out
