"""Addresses of the price list, skills, shifts, the wall clock and calendars."""

from django.urls import path

from services.api import absences as a
from services.api import calendars as c
from services.api import price_list as p
from services.api import team as t
from services.api import zone_change as z
from spa_ops.web.views import several

urlpatterns = [
    path("services", several(p.ListServices, p.AddService).as_view()),
    path("services/<uuid:id>", several(p.ReadService, p.ChangeService).as_view()),
    path("services/<uuid:id>/retire", p.RetireService.as_view()),
    path("people/<uuid:id>/skills", several(t.ListSkills, t.GrantSkill).as_view()),
    path("skills/<uuid:id>/end", t.EndSkill.as_view()),
    path("locations/<uuid:id>/shifts", several(t.ListShifts, t.AddShift).as_view()),
    path("shifts/<uuid:id>", several(t.ReadShift, t.ChangeShift).as_view()),
    path("shifts/<uuid:id>/end", t.EndShift.as_view()),
    path("locations/<uuid:id>/shift-days", several(a.ListShiftDays, a.SetShiftDay).as_view()),
    path("shift-days/<uuid:id>/withdraw", a.WithdrawShiftDay.as_view()),
    path("locations/<uuid:id>/absences", several(a.ListAbsences, a.PlanAbsence).as_view()),
    path("absences/<uuid:id>/end", a.EndAbsence.as_view()),
    path("locations/<uuid:id>/zone/preview", z.PreviewZoneChange.as_view()),
    path("locations/<uuid:id>/zone", z.ChangeZone.as_view()),
    path("locations/<uuid:id>/calendars", several(c.ListCalendars, c.OpenCalendar).as_view()),
    path("calendars/<uuid:id>/revoke", c.RevokeCalendar.as_view()),
]
