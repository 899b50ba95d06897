"""Addresses of incidents and of what to do when somebody is hurt."""

from django.urls import path

from services.api import incident_guides as g
from services.api import incidents as i
from spa_ops.web.views import several

urlpatterns = [
    path("incident-guides", g.ListIncidentGuides.as_view()),
    path("locations/<uuid:id>/incidents", several(i.ListIncidents, i.ReportIncident).as_view()),
    path("locations/<uuid:id>/follow-ups", i.ListFollowUps.as_view()),
    path("incidents/<uuid:id>", i.ReadIncident.as_view()),
    path("incidents/<uuid:id>/entries", i.AddIncidentEntry.as_view()),
    path("incidents/<uuid:id>/close", i.CloseIncident.as_view()),
    path("incidents/<uuid:id>/strike-out", i.StrikeIncident.as_view()),
]
