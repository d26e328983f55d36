"""The post: letters that are due are handed over, with the files each floor can make.

Call from: config/loop.py, config/queue.py, management command `demo`.
"""

from inventory.clock import machine_now
from inventory.messaging import Delivery, Maker, deliver_messages
from orders.order_messages import list_pdf, sheet_csv, sheet_xlsx

MAKERS: dict[str, Maker] = {
    "list.pdf": list_pdf,
    "list.csv": sheet_csv,
    "list.xlsx": sheet_xlsx,
}


def post_letters() -> Delivery:
    """One round of the post, by the machine's clock: a demo farm's own stands still."""
    return deliver_messages(now=machine_now(), makers=MAKERS)
