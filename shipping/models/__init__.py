from shipping.models.arrivals import ArrivalReport, Credit, ReportLine, ReportPhoto
from shipping.models.bench import Bag, BagKind, Box, BoxKind, Shipment
from shipping.models.incidents import Incident
from shipping.models.lessons import LaneLoss, LaneRule, StrainLoss
from shipping.models.picks import FreightCredit, PickSheet, PickTask, Refill, Shortfall
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
    "Incident",
    "LaneLoss",
    "LaneRule",
    "PackPlan",
    "PickSheet",
    "PickTask",
    "Recall",
    "RecallNotice",
    "Refill",
    "ReportLine",
    "ReportPhoto",
    "Shipment",
    "Shortfall",
    "StrainLoss",
]
