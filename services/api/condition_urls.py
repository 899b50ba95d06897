"""Addresses of what binds a client's bookings, and of what the team speaks and keeps free."""

from django.urls import path

from services.api import buffers as b
from services.api import conditions as c
from spa_ops.web.views import several

urlpatterns = [
    path(
        "clients/<uuid:id>/booking-conditions",
        several(c.ListConditions, c.SetCondition).as_view(),
    ),
    path("clients/<uuid:id>/do-not-book", several(c.ReadRefusals, c.RefuseBooking).as_view()),
    path("booking-conditions/<uuid:id>/lift", c.LiftCondition.as_view()),
    path("people/<uuid:id>/buffer", several(b.ReadBuffer, b.SetBuffer).as_view()),
    path("people/<uuid:id>/languages", several(c.ReadLanguages, c.SetLanguages).as_view()),
]
