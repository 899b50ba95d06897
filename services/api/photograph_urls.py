"""Addresses of photographs."""

from django.urls import path

from services.api import photographs as p

urlpatterns = [
    path("visits/<uuid:id>/photographs", p.PhotographVisit.as_view()),
    path("incidents/<uuid:id>/photographs", p.PhotographIncident.as_view()),
    path("clients/<uuid:id>/photographs", p.ListPhotographs.as_view()),
    path("photographs/<uuid:id>/picture", p.ShowPhotograph.as_view()),
    path("photographs/<uuid:id>/copy", p.CopyPhotograph.as_view()),
    path("photographs/<uuid:id>/strike-out", p.StrikePhotograph.as_view()),
]
