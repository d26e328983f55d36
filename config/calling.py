"""The calls: retailers' systems hear of what happened as soon as it is written down.

Call from: config/loop.py, config/queue.py.
"""

from inventory.clock import machine_now
from orders.hook_post import Called, call_due, send_https


def call_hooks() -> Called:
    """One round of calls, by the machine's clock: a demo farm's own stands still."""
    return call_due(now=machine_now(), send=send_https)
