from django.urls import path

from services.api import recurring as r
from spa_ops.web.views import several

urlpatterns = [
    path(
        "locations/<uuid:id>/recurring-visits",
        several(r.ListRecurringVisits, r.BookRecurringVisits).as_view(),
    ),
    path("locations/<uuid:id>/recurring-visits/preview", r.PreviewRecurringVisits.as_view()),
    path("recurring-visits/<uuid:id>", r.ReadRecurringVisits.as_view()),
    path("recurring-visits/<uuid:id>/end", r.EndRecurringVisits.as_view()),
]
