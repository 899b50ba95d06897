"""Addresses of the set-up lists."""

from django.urls import path

from services.api import set_up as x

urlpatterns = [
    path("visits/<uuid:id>/set-up-list", x.ReadSetUpList.as_view()),
    path("visits/<uuid:id>/set-up-list/ticks", x.TickItem.as_view()),
    path("locations/<uuid:id>/set-up-lists", x.ReadDaySetUp.as_view()),
    path("locations/<uuid:id>/set-up-lists-page", x.DaySetUpPage.as_view()),
]
