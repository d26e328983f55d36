"""Any mixture of counts, holds, promises and picks keeps the farm's sums in step.

One strain-form stands in two sale trays, its mothers in a third. The model beside it is a few
numbers; it knows the rules only as a grower would say them.
"""

from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.conf import settings as farm_settings
from django.db import transaction
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from tests_support import farm_time

from inventory import ledger
from inventory.csv_reading import Reading
from inventory.holds import confirm_hold, lift_hold, raise_hold
from inventory.loading import _setting, load_rows
from inventory.models import (
    Balance,
    Form,
    Listing,
    Lot,
    Movement,
    Strain,
    StrainClass,
    StrainForm,
    Tray,
    Trough,
    User,
    WaterSystem,
)
from inventory.setting_book import SettingBook
from inventory.walking import count_tray
from orders.amending import free_promise
from orders.intake import Asked, send_order
from orders.listing import publish_list
from orders.models import (
    Customer,
    FreightZone,
    Lane,
    ListLine,
    Price,
    Promise,
    RegionRule,
    ShipTo,
    ShipWeek,
)
from orders.promising import (
    AboveWhatIsLeft,
    can_promise_all,
    change_promise,
    oversold_strain_forms,
)
from orders.weeks import open_week

ON = date(2026, 11, 25)
PUBLISHED_AT = farm_time("2026-11-25 14:00")
LISTING = "HBC clam-m"
POSITIONS = 40
STANDING = {"B1.1": 20, "B1.2": 12}
KEPT_TRAY, KEPT, FLOOR = "B2.1", 6, 9


def build_farm(folder):
    """Two sale trays and a tray of mothers, one customer, one published list."""
    reading = Reading(folder=folder, zone=PUBLISHED_AT.tzinfo, now=PUBLISHED_AT)
    load_rows(reading, "settings.csv", "name scope_kind scope value set_on", _setting)
    reading.raise_problems()
    for code, role in (("G1", "grower"), ("G2", "grower"), ("OW", "owner"), ("OF", "office")):
        User.objects.create(code=code, name=code, email=f"{code}@farm.example", role=role)
    strain_form = _build_strain_form()
    system = WaterSystem.objects.create(code="B", name="Bittern", volume_m3=Decimal("9"))
    for order, trays in enumerate((STANDING, {KEPT_TRAY: KEPT}), 1):
        trough = Trough.objects.create(
            code=f"B{order}",
            system=system,
            kind="clam trough",
            light_index=Decimal("1.0"),
            flow="low",
            slots=8,
            aisle=1,
            aisle_length_m=Decimal("9.6"),
            walk_order=order,
        )
        for slot, (code, pieces) in enumerate(trays.items(), 1):
            _build_tray(trough, slot, code, pieces, strain_form)
    _build_customer()
    Price.objects.create(
        listing=Listing.objects.create(name=LISTING, strain_form=strain_form, title="Clam"),
        list_price=Decimal("48.00"),
        starts_on=date(2026, 1, 1),
    )
    week = open_week(monday=date(2026, 11, 30), farm_zone=farm_settings.FARM_TIME_ZONE)
    publish_list(week=week, now=PUBLISHED_AT)
    assert ListLine.objects.get().status == "offered"


def _build_strain_form():
    # Clams do not decay between counts, so that the model can add whole pieces.
    return StrainForm.objects.create(
        strain=Strain.objects.create(
            key="HBC",
            name="Harbour Cross",
            taxon="Tridacna crocea",
            strain_class=StrainClass.objects.create(code="CLAM", name="Clams", list_order=1),
            level=3,
            held_since=2015,
            floor_pieces=FLOOR,
            hard_floor_pieces=4,
        ),
        form=Form.objects.create(key="clam-m", name="clam", positions=POSITIONS),
        bag="CM",
    )


def _build_tray(trough, slot, code, pieces, strain_form):
    is_kept = code == KEPT_TRAY
    tray = Tray.objects.create(
        code=code,
        trough=trough,
        slot=slot,
        form=strain_form.form,
        positions=POSITIONS,
        use="kept" if is_kept else "sale",
    )
    lot = Lot.objects.create(
        code=f"HBC-{code}", strain_form=strain_form, state="kept" if is_kept else "ready"
    )
    ledger.move_pieces(
        lot=lot,
        from_place=ledger.end_place("found"),
        to_place=ledger.tray_place(tray),
        pieces=pieces,
        reason="opening",
        at=farm_time("2026-11-24 09:00"),
    )


def _build_customer():
    RegionRule.objects.create(
        region="US-TX",
        strain_class_id="CLAM",
        verdict="allow",
        text="nothing known against it",
        checked_on=ON,
        checked_by="office lead",
        review_by=date(2027, 6, 1),
    )
    customer = Customer.objects.create(code="C1", name="A shop")
    ShipTo.objects.create(
        code="C1",
        customer=customer,
        town="Port Ellery",
        region="US-TX",
        country="United States",
        time_zone="America/Chicago",
        lane=Lane.objects.create(code="C1", profile="overnight"),
        zone=FreightZone.objects.create(zone=1, base=Decimal("34"), rate_per_lb=Decimal("0.95")),
    )


class FarmSums(RuleBasedStateMachine):
    """The model: pieces by tray, promises with what is out of them, counts waiting, open holds."""

    def __init__(self):
        super().__init__()
        self.savepoint = transaction.atomic()
        self.savepoint.__enter__()
        self.week = ShipWeek.objects.get()
        self.strain_form_id = StrainForm.objects.get().pk
        self.now = PUBLISHED_AT
        self.stands = dict(STANDING)
        self.waiting = {code: [] for code in STANDING}
        self.is_counted = dict.fromkeys(STANDING, False)
        self.live = {}
        self.holds = {}
        self.turn = 0
        self.book = SettingBook.read(on=ON)

    def teardown(self):
        transaction.set_rollback(True)
        self.savepoint.__exit__(None, None, None)

    # ---- what the model knows

    def tick(self):
        self.turn += 1
        self.now += timedelta(minutes=1)
        return self.now

    def is_held(self, code):
        return any(scope in ("B", code) for _, scope, _ in self.holds.values())

    def supply(self):
        gross = sum(pieces for code, pieces in self.stands.items() if not self.is_held(code))
        grades = {grade for _, scope, grade in self.holds.values() if scope == "B"}
        credit = 0 if "confirmed" in grades else KEPT // 2 if grades else KEPT
        return gross - min(gross, FLOOR - credit)

    def promised(self):
        return sum(row["pieces"] - row["out"] for row in self.live.values())

    def left(self):
        return max(0, self.supply() - self.promised())

    # ---- what people do

    @rule(
        code=st.sampled_from(sorted(STANDING)),
        pieces=st.integers(0, POSITIONS),
        who=st.sampled_from(["G1", "G2"]),
    )
    def count(self, code, pieces, who):
        before = self.stands[code]
        self._count(code, pieces, who, self.tick())
        seen = [row for row in self.waiting[code] if row[0] != who][-1:]
        # A rise of more than 15 in a hundred needs another pair of eyes that saw as many.
        if 100 * pieces > 115 * before and not (seen and seen[0][1] >= pieces):
            self.waiting[code].append((who, pieces))
            return
        self.stands[code], self.waiting[code], self.is_counted[code] = pieces, [], True

    @precondition(lambda self: any(self.is_counted.values()))
    @rule(pieces=st.integers(0, POSITIONS))
    def count_that_arrives_late(self, pieces):
        code = next(code for code, is_counted in self.is_counted.items() if is_counted)
        self._count(code, pieces, "G1", farm_time("2026-11-24 12:00"))

    def _count(self, code, pieces, who, looked_at):
        self.turn += 1
        count_tray(
            tray_code=code,
            pieces=pieces,
            looked_at=looked_at,
            received_at=self.now,
            user=User.objects.get(code=who),
            client_id=f"count-{self.turn}",
        )

    @rule(
        scope=st.sampled_from([("system", "B"), ("tray", "B1.1"), ("tray", "B1.2")]),
        grade=st.sampled_from(["suspected", "confirmed"]),
    )
    def raise_a_hold(self, scope, grade):
        at = self.tick()
        kind, code = scope
        user = User.objects.get(code="G1")
        hold = raise_hold(
            scope_kind=kind, scope=code, reason="white film", grade=grade, at=at, user=user
        )
        self.holds[hold.pk] = (hold, code, grade)

    @precondition(lambda self: self.holds)
    @rule(pick=st.randoms(use_true_random=False))
    def lift_a_hold(self, pick):
        key = pick.choice(sorted(self.holds))
        hold, _, _ = self.holds.pop(key)
        lift_hold(hold=hold, at=self.tick(), user=User.objects.get(code="OW"), reason="clean")

    @precondition(lambda self: any(row[2] == "suspected" for row in self.holds.values()))
    @rule()
    def confirm_a_hold(self):
        key = min(key for key, row in self.holds.items() if row[2] == "suspected")
        hold, code, _ = self.holds[key]
        confirm_hold(hold=hold, at=self.tick(), user=User.objects.get(code="OW"))
        self.holds[key] = (hold, code, "confirmed")

    @rule(asked=st.integers(1, 12), is_phone=st.booleans())
    def promise(self, asked, is_phone):
        left = self.left()
        source = "phone" if is_phone else "page"
        if is_phone and asked > left:
            with pytest.raises(AboveWhatIsLeft, match=f"{left} left above"):
                self._order(asked, source)
            return
        order = self._order(asked, source)
        units = min(asked, left)
        made = Promise.objects.filter(line__order=order).first()
        assert (made.units if made else 0) == units
        if units:
            self.live[made.pk] = {"pieces": units, "out": 0, "state": "pencilled", "tray": ""}

    def _order(self, asked, source):
        now = self.tick()
        return send_order(
            customer=Customer.objects.get(),
            ship_to_code="C1",
            week=self.week,
            ship_on=self.week.first_ship_on,
            rows=[Asked(LISTING, asked, takes_now=True)],
            source=source,
            idempotency_key=f"order-{self.turn}",
            now=now,
            user=User.objects.get(code="OF"),
        )

    @precondition(lambda self: any(row["state"] != "pulled" for row in self.live.values()))
    @rule(pick=st.randoms(use_true_random=False))
    def free(self, pick):
        key = pick.choice([key for key, row in self.live.items() if row["state"] != "pulled"])
        free_promise(promise=Promise.objects.get(pk=key), now=self.tick(), reason="dropped")
        del self.live[key]

    @precondition(lambda self: any(row["state"] == "pencilled" for row in self.live.values()))
    @rule(is_whole=st.booleans(), more=st.integers(0, POSITIONS))
    def pull(self, is_whole, more):
        """Ink a promise and pick it in whole or in part; what stands in the tray is the limit."""
        key = min(key for key, row in self.live.items() if row["state"] == "pencilled")
        row = self.live[key]
        code = max(self.stands, key=self.stands.get)
        picked = row["pieces"] if is_whole else max(1, row["pieces"] // 2)
        most = self.stands[code]
        with pytest.raises(ledger.NotEnoughInTray, match=f"holds {most} pieces"):
            self._move(code, "bench", most + 1 + more, "pull")
        if picked > most:
            return
        self._move(code, "bench", picked, "pull")
        change_promise(promise_id=key, state="inked")
        change_promise(promise_id=key, state="pulled", pieces_out=picked)
        row.update(state="pulled", out=picked, tray=code)
        self.stands[code] -= picked

    @precondition(lambda self: any(row["state"] == "pulled" for row in self.live.values()))
    @rule()
    def put_back(self):
        key = min(key for key, row in self.live.items() if row["state"] == "pulled")
        row = self.live[key]
        if self.stands[row["tray"]] + row["out"] > POSITIONS:
            with pytest.raises(ledger.AboveTrayPositions, match=f"{POSITIONS} positions"):
                self._move("bench", row["tray"], row["out"], "return")
            return
        self._move("bench", row["tray"], row["out"], "return")
        change_promise(promise_id=key, state="freed", reason="put back")
        self.stands[row["tray"]] += row["out"]
        del self.live[key]

    def _move(self, source, target, pieces, reason):
        tray = Tray.objects.get(code=source if source != "bench" else target)
        bench, place = ledger.end_place("bench"), ledger.tray_place(tray)
        ledger.move_pieces(
            lot=tray.balance.lot,
            from_place=bench if source == "bench" else place,
            to_place=place if source == "bench" else bench,
            pieces=pieces,
            reason=reason,
            at=self.tick(),
        )

    # ---- what always holds

    @invariant()
    def ledger_balance_and_roll_up_agree(self):
        assert ledger.verify_ledger() == []
        balances = dict(Balance.objects.values_list("tray__code", "pieces"))
        assert balances == {**self.stands, KEPT_TRAY: KEPT}

    @invariant()
    def can_promise_is_what_the_model_says(self):
        can = can_promise_all(week=self.week, on=ON, is_on_sale=True, book=self.book)
        row = can[self.strain_form_id]
        assert (row.pieces, row.promised_pieces) == (self.left(), self.promised())

    @invariant()
    def the_audit_names_what_is_short_and_nothing_else(self):
        if self.turn % 3:
            return
        short = self.promised() - self.supply()
        words = [f"{LISTING}: {short} more promised than there are."] * (short > 0)
        assert oversold_strain_forms(week=self.week, on=ON, book=self.book) == words


@pytest.mark.django_db
def test_sums_stay_in_step_whatever_people_do(fixtures_folder):
    build_farm(fixtures_folder)
    run_state_machine_as_test(
        FarmSums,
        settings=settings(
            max_examples=10,
            stateful_step_count=25,
            deadline=None,
            derandomize=True,
            suppress_health_check=list(HealthCheck),
        ),
    )
    # Every run is rolled back: the three opening counts are all that is left.
    assert Movement.objects.count() == 3
