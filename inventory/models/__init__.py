from inventory.models.care import MEASURES, CareRecord, LotRelease, WaterTest
from inventory.models.changes import Change, WaitingEdit
from inventory.models.clock import Clock, Happening, Setting
from inventory.models.colours import ColourInSystem, ColourState, ColourWord, ReturnSaid
from inventory.models.holds import Hold, HoldLook
from inventory.models.ledger import Balance, Movement, Place, StockTotal
from inventory.models.log_in_links import LogInLink
from inventory.models.lots import (
    BaseBatch,
    Cohort,
    FirstDrop,
    HealCheck,
    Lot,
    MountAct,
    PlugLot,
)
from inventory.models.messages import Message, Once
from inventory.models.phones import KeptAside, PairingCode, Phone
from inventory.models.places import ShadeLog, Site, Tray, Trough, WaterSystem
from inventory.models.strains import Form, Listing, Strain, StrainClass, StrainForm, Substitute
from inventory.models.walking import Alarm, Count, SurgeStop, TrayMove, VoiceNote, WalkNote
from inventory.people import User

__all__ = [
    "MEASURES",
    "Alarm",
    "Balance",
    "BaseBatch",
    "CareRecord",
    "Change",
    "Clock",
    "Cohort",
    "ColourInSystem",
    "ColourState",
    "ColourWord",
    "Count",
    "FirstDrop",
    "Form",
    "Happening",
    "HealCheck",
    "Hold",
    "HoldLook",
    "KeptAside",
    "Listing",
    "LogInLink",
    "Lot",
    "Message",
    "LotRelease",
    "MountAct",
    "Movement",
    "Once",
    "PairingCode",
    "Phone",
    "Place",
    "PlugLot",
    "ReturnSaid",
    "Setting",
    "ShadeLog",
    "Site",
    "StockTotal",
    "Strain",
    "StrainClass",
    "StrainForm",
    "Substitute",
    "SurgeStop",
    "Tray",
    "TrayMove",
    "Trough",
    "User",
    "VoiceNote",
    "WaitingEdit",
    "WalkNote",
    "WaterSystem",
    "WaterTest",
]
