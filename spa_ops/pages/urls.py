"""Addresses outside the versioned API: health, documentation, problem catalogue."""

from django.urls import path
from drf_spectacular.views import SpectacularJSONAPIView

from spa_ops.pages import views as v

urlpatterns = [
    path("api/v1/health", v.Health.as_view()),
    path(
        "api/openapi.json",
        SpectacularJSONAPIView.as_view(authentication_classes=(), permission_classes=()),
    ),
    path("api/docs", v.docs),
    path("api/docs/sign-in", v.sign_in),
    path("api/docs/sign-out", v.sign_out),
    path("problems", v.problem_catalogue),
    path("problems/<slug:slug>", v.problem_page),
]
