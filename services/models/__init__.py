"""The price list, who can do what when, visits and their lines, payments, rebooking, imports."""

from services.models.absences import Absence, AbsenceKind, ShiftDay
from services.models.buffers import PractitionerBuffer
from services.models.calendars import CalendarFeed
from services.models.conditions import BookingCondition, SpokenLanguages
from services.models.due_checks import DueCheck
from services.models.hand_over import HandOver
from services.models.holds import Hold, HoldState
from services.models.imports import ImportRow, ImportRun, RunState
from services.models.incidents import Incident, IncidentCallBack, IncidentEntry, IncidentRead
from services.models.intake import Intake, IntakeConfirmation, IntakeLink
from services.models.money import Charge, Payment, PaymentKind, PaymentMeans, ReceiptCounter
from services.models.photographs import Photograph
from services.models.price_list import Duty, Service, Shift, Skill, SkinProduct
from services.models.rearranging import Rearrangement
from services.models.recurring import Series, SeriesVisit
from services.models.sales import Sale, SaleLot, SaleUndone, Undone
from services.models.set_up import SetUpTick
from services.models.stock import LineUse, LineUseDue, StatedUse
from services.models.treatments import AftercareGiven, Wish
from services.models.visits import (
    ForesightDue,
    ForesightRun,
    Line,
    LineState,
    Rebooking,
    Visit,
    VisitChange,
    VisitState,
    WorkRecord,
)
from services.models.waiting import OfferState, WaitingDue, WaitingEntry, WaitingOffer, WaitingState

__all__ = [
    "Absence",
    "AbsenceKind",
    "AftercareGiven",
    "BookingCondition",
    "CalendarFeed",
    "Charge",
    "DueCheck",
    "Duty",
    "ForesightDue",
    "ForesightRun",
    "HandOver",
    "Hold",
    "HoldState",
    "ImportRow",
    "ImportRun",
    "Incident",
    "IncidentCallBack",
    "IncidentEntry",
    "IncidentRead",
    "Intake",
    "IntakeConfirmation",
    "IntakeLink",
    "Line",
    "LineState",
    "LineUse",
    "LineUseDue",
    "OfferState",
    "Payment",
    "PaymentKind",
    "PaymentMeans",
    "Photograph",
    "PractitionerBuffer",
    "Rearrangement",
    "Rebooking",
    "ReceiptCounter",
    "RunState",
    "Sale",
    "SaleLot",
    "SaleUndone",
    "Series",
    "SeriesVisit",
    "Service",
    "SetUpTick",
    "Shift",
    "ShiftDay",
    "Skill",
    "SkinProduct",
    "SpokenLanguages",
    "StatedUse",
    "Undone",
    "Visit",
    "VisitChange",
    "VisitState",
    "WaitingDue",
    "WaitingEntry",
    "WaitingOffer",
    "WaitingState",
    "Wish",
    "WorkRecord",
]
