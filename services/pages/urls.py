"""The pages that need no sign-in. Their addresses are what a client is handed."""

from django.urls import path

from services.pages import calendars, intake

urlpatterns = [
    path("intake/<str:token>", intake.questions, name="intake"),
    path("intake/<str:token>/sent", intake.sent, name="intake-sent"),
    path("calendars/<str:token>.ics", calendars.calendar, name="calendar"),
]
