from django.urls import path

from compliance.reports.api import views as v

urlpatterns = [
    path("dashboard", v.ReadDashboard.as_view()),
    path("locations/<uuid:id>/figures/<slug:figure>/entries", v.ListFigureEntries.as_view()),
]
