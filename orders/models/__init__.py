from orders.models.baskets import (
    AskSnapshot,
    Basket,
    BasketRow,
    LikelyWord,
    QuantitySnapshot,
    SheetRead,
    StandingRow,
    Watch,
)
from orders.models.changes import OrderChange, OrderChangeRow
from orders.models.customers import (
    Customer,
    CustomerTier,
    FreightRate,
    FreightZone,
    Lane,
    LaneLeg,
    Paper,
    PaperUse,
    RegionRule,
    Seat,
    ShipTo,
)
from orders.models.feed import FeedClient, FeedEvent, IdempotencyClaim
from orders.models.hooks import Hook, HookCall
from orders.models.lists import ListLine, ListSignature, ListVersion, NoDeliveryDay, Price, ShipWeek
from orders.models.orders import ExportTick, Line, Order, Promise, PromisedTotal
from orders.models.questions import RestQuestion
from orders.models.shares import ShareLine, ShareRun

__all__ = [
    "AskSnapshot",
    "Basket",
    "BasketRow",
    "Customer",
    "CustomerTier",
    "ExportTick",
    "FeedClient",
    "FeedEvent",
    "FreightRate",
    "FreightZone",
    "Hook",
    "HookCall",
    "IdempotencyClaim",
    "Lane",
    "LaneLeg",
    "LikelyWord",
    "Line",
    "ListLine",
    "ListSignature",
    "ListVersion",
    "NoDeliveryDay",
    "Order",
    "OrderChange",
    "OrderChangeRow",
    "Paper",
    "PaperUse",
    "Price",
    "Promise",
    "PromisedTotal",
    "QuantitySnapshot",
    "RegionRule",
    "RestQuestion",
    "Seat",
    "ShareLine",
    "ShareRun",
    "SheetRead",
    "ShipTo",
    "ShipWeek",
    "StandingRow",
    "Watch",
]
