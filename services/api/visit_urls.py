from django.urls import path

from services.api import availability as a
from services.api import consultations as c
from services.api import day_plan as d
from services.api import holds as h
from services.api import intake as i
from services.api import late_arrivals as la
from services.api import lines as x
from services.api import linking as k
from services.api import rearranging as r
from services.api import spoken_list as sl
from services.api import visits as v
from services.api.kits_needed import ReadKitsNeeded
from services.api.overrides import ReadOverrideRates
from services.api.room_board import ReadRoomBoard
from spa_ops.web.views import several

urlpatterns = [
    path("locations/<uuid:id>/visits", several(v.ListVisits, v.BookVisit).as_view()),
    path("locations/<uuid:id>/kits-needed", ReadKitsNeeded.as_view()),
    path("locations/<uuid:id>/availability", a.FindAvailability.as_view()),
    path("locations/<uuid:id>/holds", several(h.ListHolds, h.HoldTime).as_view()),
    path("locations/<uuid:id>/linked-visits", k.BookLinked.as_view()),
    path("holds/<uuid:id>/release", h.ReleaseHold.as_view()),
    path("locations/<uuid:id>/room-board", ReadRoomBoard.as_view()),
    path("locations/<uuid:id>/running-late", d.ReadRunningLate.as_view()),
    path("locations/<uuid:id>/rearrangements", r.ProposeRearrangement.as_view()),
    path("rearrangements/<uuid:id>", r.ReadRearrangement.as_view()),
    path("rearrangements/<uuid:id>/apply", r.ApplyRearrangement.as_view()),
    path("locations/<uuid:id>/visits-in-question", v.ListVisitsInQuestion.as_view()),
    path("locations/<uuid:id>/walk-ins", v.TakeWalkIn.as_view()),
    path("locations/<uuid:id>/override-rates", ReadOverrideRates.as_view()),
    path("consultation-questions", c.ListQuestions.as_view()),
    path("visits/<uuid:id>", v.ReadVisit.as_view()),
    path("visits/<uuid:id>/changes", v.ListChanges.as_view()),
    path("visits/<uuid:id>/move", v.MoveVisit.as_view()),
    path("visits/<uuid:id>/move-linked", k.MoveLinked.as_view()),
    path("visits/<uuid:id>/late-arrival", la.AskLateArrival.as_view()),
    path("visits/<uuid:id>/reassign", v.ReassignVisit.as_view()),
    path("visits/<uuid:id>/cancel", v.CancelVisit.as_view()),
    path("visits/<uuid:id>/no-show", v.RecordNoShow.as_view()),
    path("visits/<uuid:id>/arrive", v.RecordArrival.as_view()),
    path("visits/<uuid:id>/strike-out", v.StrikeVisitState.as_view()),
    path("visits/<uuid:id>/seat", v.SeatClient.as_view()),
    path("visits/<uuid:id>/guardian", v.RecordGuardian.as_view()),
    path("visits/<uuid:id>/chaperone", v.RecordChaperone.as_view()),
    path("visits/<uuid:id>/leave", v.RecordLeaving.as_view()),
    path("visits/<uuid:id>/lines", v.AddLine.as_view()),
    path(
        "visits/<uuid:id>/consultation", several(c.ReadConsultation, c.HoldConsultation).as_view()
    ),
    path("visits/<uuid:id>/consultation/strike-out", c.StrikeAnswer.as_view()),
    path("visits/<uuid:id>/intake-link", several(i.ReadIntakeLink, i.MakeIntakeLink).as_view()),
    path("visits/<uuid:id>/intake-link/revoke", i.RevokeIntakeLink.as_view()),
    path("visits/<uuid:id>/intake/confirm", i.ConfirmIntake.as_view()),
    path(
        "visits/<uuid:id>/spoken-list", several(sl.ReadSpokenList, sl.ConfirmSpokenList).as_view()
    ),
    path("lines/<uuid:id>/override", x.OverrideVerdict.as_view()),
    path("lines/<uuid:id>/start", x.StartLine.as_view()),
    path("lines/<uuid:id>/extend", x.ExtendLine.as_view()),
    path("lines/<uuid:id>/pause", x.PauseLine.as_view()),
    path("lines/<uuid:id>/stop", x.StopLine.as_view()),
    path("lines/<uuid:id>/blood-seen", x.RecordBlood.as_view()),
    path("lines/<uuid:id>/bleeding-stopped", x.RecordBleedingStopped.as_view()),
    path("lines/<uuid:id>/finish", x.FinishLine.as_view()),
    path("lines/<uuid:id>/work-records", x.AddWorkRecord.as_view()),
    path("lines/<uuid:id>/strike-out", x.StrikeLineState.as_view()),
    path("lines/<uuid:id>/drop", x.DropLine.as_view()),
    path("lines/<uuid:id>/decline", x.DeclineLine.as_view()),
    path("lines/<uuid:id>/swap", x.SwapLine.as_view()),
]
