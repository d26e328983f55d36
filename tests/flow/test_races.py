"""Eight buyers at the same moment, each a process of its own, on PostgreSQL.

SQLite takes one writer at a time and can show neither the race nor its cure.
"""

import json
import os
import subprocess
import sys
import threading
import time
from datetime import date
from pathlib import Path

import pytest
from django.db import connection

from inventory.clock import farm_now
from inventory.models import Balance
from orders.changing import Wanted, change_order
from orders.intake import Asked, send_order
from orders.models import Customer, Promise, PromisedTotal
from orders.weeks import week_named

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]

BUYERS = ("C01", "C02", "C03", "C04", "C05", "C06", "C07", "C12")
TRIALS = 12


def race(*, listing: str, asked: int, trial: int, is_guarded: bool) -> list[int]:
    """What each of eight buyers was promised when all asked at once. [sale units]"""
    start = time.time() + 8.0
    database = connection.settings_dict
    url = "postgres://{USER}:{PASSWORD}@{HOST}:{PORT}/{NAME}".format(**database)
    environment = {**os.environ, "DATABASE_URL": url, "DJANGO_SETTINGS_MODULE": "config.settings"}
    root = Path(__file__).resolve().parents[2]
    environment["PYTHONPATH"] = str(root)
    running = [
        subprocess.Popen(
            [
                sys.executable,
                str(Path(__file__).with_name("race_buyer.py")),
                str(start),
                code,
                code,
                "2026-W49",
                listing,
                str(asked),
                f"race-{trial}-{code}",
                *([] if is_guarded else ["unguarded"]),
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=environment,
            text=True,
        )
        for code in BUYERS
    ]
    answers = [process.communicate(timeout=120) for process in running]
    failed = [err for process, (_, err) in zip(running, answers, strict=True) if process.returncode]
    assert not failed, failed[0]
    return [json.loads(out.splitlines()[-1])["promised"] for out, _ in answers]


@pytest.fixture
def three_clams(published_farm):
    """The published demo farm: three Harbour Cross stand for whoever comes first."""
    if connection.vendor != "postgresql":
        pytest.skip("left out: the race needs PostgreSQL")
    assert Balance.objects.get(tray__code="T5.4").pieces == 3
    assert Customer.objects.filter(code__in=BUYERS).count() == len(BUYERS)
    return published_farm


def test_eight_buyers_at_once_are_never_promised_more_than_stands(three_clams):
    promised = race(listing="HBC clam-m", asked=2, trial=1, is_guarded=True)

    assert sum(promised) == 3
    assert sorted(promised, reverse=True)[:2] == [2, 1]
    assert PromisedTotal.objects.get(strain_form__strain__key="HBC").pieces == 3


def test_the_control_oversells_with_lock_and_guard_taken_out(three_clams):
    for trial in range(TRIALS):
        Promise.objects.all().delete()
        PromisedTotal.objects.all().delete()
        promised = race(listing="HBC clam-m", asked=2, trial=100 + trial, is_guarded=False)
        if sum(promised) > 3:
            return
    pytest.fail(f"no oversell in {TRIALS} trials: this race shows nothing about the fences")


@pytest.mark.parametrize("trial", range(3))
def test_two_raised_orders_are_never_promised_more_than_stands(three_clams, trial):
    """Each holds one of three clams and asks for three at the same moment."""
    orders = [send_one_clam(code) for code in ("C02", "C05")]
    start = threading.Barrier(len(orders))
    failures = []

    def raise_it(order_id):
        try:
            start.wait(30)
            change_order(
                order_id=order_id,
                wanted=[Wanted("HBC clam-m", 3)],
                version_seen=1,
                now=farm_now(),
                user=None,
                channel="api",
            )
        except Exception as error:
            failures.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=raise_it, args=[order.pk]) for order in orders]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)

    assert not failures
    held = sorted(Promise.objects.values_list("units", flat=True))
    assert held == [1, 2], "what was held stays, what was left goes to one"
    assert PromisedTotal.objects.get(strain_form__strain__key="HBC").pieces == 3


def send_one_clam(code):
    return send_order(
        customer=Customer.objects.get(code=code),
        ship_to_code=code,
        week=week_named(name="2026-W49"),
        ship_on=date(2026, 12, 1),
        rows=[Asked("HBC clam-m", 1)],
        source="page",
        idempotency_key=f"one clam {code}",
        now=farm_now(),
    )
