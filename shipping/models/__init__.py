from shipping.models.arrivals import ArrivalReport, Credit, LaneLoss, ReportLine, ReportPhoto
from shipping.models.bench import Bag, BagKind, Box, BoxKind, Shipment
from shipping.models.picks import FreightCredit, PickSheet, PickTask, Shortfall
from shipping.models.plans import Forecast, PackPlan
from shipping.models.recalls import Recall, RecallNotice

__all__ = [
    "ArrivalReport",
    "Bag",
    "BagKind",
    "Box",
    "BoxKind",
    "Credit",
    "Forecast",
    "FreightCredit",
    "LaneLoss",
    "PackPlan",
    "PickSheet",
    "PickTask",
    "Recall",
    "RecallNotice",
    "ReportLine",
    "ReportPhoto",
    "Shipment",
    "Shortfall",
]
