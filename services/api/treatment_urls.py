"""Addresses of what was done on a client, and of the aftercare that goes with it."""

from django.urls import path

from services.api import tracing as x
from services.api import treatments as t

urlpatterns = [
    path("aftercare", t.ReadAftercare.as_view()),
    path("clients/<uuid:id>/treatments", t.ListTreatments.as_view()),
    path("clients/<uuid:id>/wishes", t.RecordWish.as_view()),
    path("lines/<uuid:id>/aftercare", t.GiveAftercare.as_view()),
    path("visits/<uuid:id>/trace", x.TraceVisit.as_view()),
    path("kits/<uuid:id>/trace", x.TraceKit.as_view()),
    path("solutions/<uuid:id>/trace", x.TraceSolution.as_view()),
    path("steriliser-loads/<uuid:id>/trace", x.TraceLoad.as_view()),
]
