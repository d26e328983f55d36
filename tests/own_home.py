"""Gives a test run a farm home of its own, so that no test writes into the farm that stands here.

Loaded by pytest.ini as a plug-in: Django's settings are read before any conftest.
"""

import atexit
import os
import shutil
import tempfile

_worker = os.environ.get("PYTEST_XDIST_WORKER", "")
# A worker of a run on several processors has a room of its own in the home its run has made: a
# test that looks at all files of its farm must not see those of another.
if not _worker:
    os.environ["FARM_HOME"] = tempfile.mkdtemp(prefix="slackwater-tests-")
    atexit.register(shutil.rmtree, os.environ["FARM_HOME"], ignore_errors=True)
elif os.path.basename(os.environ["FARM_HOME"]) != _worker:
    os.environ["FARM_HOME"] = os.path.join(os.environ["FARM_HOME"], _worker)
    os.makedirs(os.environ["FARM_HOME"], exist_ok=True)

# Keys of its own on a Redis that others use: one prefix a run, and one a worker of it.
if not _worker:
    os.environ["REDIS_PREFIX"] = f"{os.environ.get('REDIS_PREFIX', 'farm')}_test_{os.getpid()}"
elif not os.environ["REDIS_PREFIX"].endswith(f"_{_worker}"):
    os.environ["REDIS_PREFIX"] += f"_{_worker}"
