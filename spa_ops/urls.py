"""Every address, from each app's own list."""

from django.urls import include, path

handler400 = "spa_ops.web.problems.bad_request"
handler404 = "spa_ops.web.problems.not_found"
handler500 = "spa_ops.web.problems.server_error"

urlpatterns = [
    path("api/v1/", include("spa_ops.tenancy.api.urls")),
    path("api/v1/", include("spa_ops.sync.api.urls")),
    path("api/v1/", include("compliance.ledger.api.urls")),
    path("api/v1/", include("clients.api.urls")),
    path("api/v1/", include("services.api.urls")),
    path("api/v1/", include("compliance.disinfection.api.urls")),
    path("api/v1/", include("rooms.api.urls")),
    path("api/v1/", include("compliance.reports.api.urls")),
    path("", include("services.pages.urls")),
    path("", include("spa_ops.pages.urls")),
]
