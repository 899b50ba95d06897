"""Addresses of what to do when somebody is hurt."""

from django.urls import path

from services.api import incident_guides as g

urlpatterns = [path("incident-guides", g.ListIncidentGuides.as_view())]
