"""One buyer of the race, run as a process of its own: waits for the start, sends its order once.

Usage: race_buyer.py START_EPOCH CUSTOMER SHIP_TO WEEK LISTING ASKED KEY [unguarded]

With "unguarded" both fences are taken out, the lock and the guarded update: the control that
shows the race is a real one.
"""

import json
import sys
import time
from datetime import datetime


def main() -> None:
    start, customer_code, ship_to, week_name, listing, asked, key, *rest = sys.argv[1:]
    import django

    django.setup()
    from django.db import connection
    from django.db.models import F

    from orders import promising
    from orders.intake import Asked, send_order
    from orders.models import Customer, Order, PromisedTotal
    from orders.weeks import week_named

    if "unguarded" in rest:

        def add_without_guard(line, pieces, most_pieces, unit):
            total, _ = PromisedTotal.objects.get_or_create(
                strain_form_id=line.listing.strain_form_id, week=line.order.week
            )
            time.sleep(0.05)
            PromisedTotal.objects.filter(pk=total.pk).update(pieces=F("pieces") + pieces)

        promising.lock_strain_forms = lambda ids: None
        promising._add_promised = add_without_guard
    week = week_named(name=week_name)
    customer = Customer.objects.get(code=customer_code)
    connection.ensure_connection()
    time.sleep(max(0.0, float(start) - time.time()))
    order = send_order(
        customer=customer,
        ship_to_code=ship_to,
        week=week,
        ship_on=week.first_ship_on,
        rows=[Asked(listing=listing, asked=int(asked))],
        source=Order.Source.API,
        idempotency_key=key,
        now=datetime.fromisoformat("2026-11-25T15:00:00-06:00"),
    )
    promised = sum(filter(None, order.lines.values_list("promise__units", flat=True)))
    print(json.dumps({"customer": customer_code, "promised": promised}))


if __name__ == "__main__":
    main()
