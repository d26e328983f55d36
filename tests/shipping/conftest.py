"""What the tests of arrivals stand on: a packed order, and a folder of its own for their photos."""

import pytest

from tests.shipping.bench import deliver
from tests.shipping.scene import build_scene


@pytest.fixture
def farm_home(tmp_path, settings):
    settings.FARM_HOME = tmp_path


@pytest.fixture
def scene():
    return build_scene()


@pytest.fixture
def delivered(scene):
    return deliver(scene, scene.add_order())
